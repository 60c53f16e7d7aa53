"""On which line of a TOML text each of its entries begins."""

from __future__ import annotations

import tomllib

Path = tuple[str | int, ...]


def lines_of(text: str) -> dict[Path, int]:
    """
    Line numbers of the entries of a valid TOML text.

    Parameters
    ----------
    text : as `tomllib.loads` takes it.

    Returns
    -------
    Line (1 = first) by path: ("panel", 0, "area_m2"). A table has the line of its heading, entries of a table or list
    in one statement the line where that statement begins.

    Notes
    -----
    A statement that ends where `tomllib` can read it alone is whole, so strings, lists and comments over many lines
    are told apart by the reader of the language itself and not by a second one.
    """
    found: dict[Path, int] = {}
    tables: dict[Path, int] = {}  # how many tables each [[list]] has so far
    here: Path = ()
    chunk: list[str] = []
    start = 0
    for number, line in enumerate(text.replace("\r\n", "\n").split("\n"), start=1):
        if not chunk and not line.partition("#")[0].strip():
            continue
        start = start if chunk else number
        chunk.append(line)
        if "#" not in line and line.rstrip().endswith((",", "[")):  # within a list: cannot end here
            continue
        try:
            statement = tomllib.loads("\n".join(chunk))
        except ValueError:
            continue
        if chunk[0].lstrip().startswith("["):
            here = _heading(statement, found, tables, start)
        else:
            _note(statement, here, found, start)
        chunk = []
    return found


def line_of(lines: dict[Path, int], path: Path) -> int:
    """The line of an entry, or of the nearest table around it; 1 for the whole file."""
    while path and path not in lines:
        path = path[:-1]
    return lines.get(path, 1)


def _heading(statement: dict, found: dict[Path, int], tables: dict[Path, int], line: int) -> Path:
    """The path of a [table] or of the newest one of a [[list of tables]]; its line is noted."""
    path: Path = ()
    table: object = statement
    while isinstance(table, dict) and table:
        key, table = next(iter(table.items()))
        path = (*path, key)
        if isinstance(table, list):
            tables[path] = tables.get(path, 0) + 1
            found.setdefault(path, line)
            path = (*path, tables[path] - 1)
        elif path in tables and table:
            path = (*path, tables[path] - 1)
    found.setdefault(path, line)
    return path


def _note(value: object, path: Path, found: dict[Path, int], line: int) -> None:
    if path:
        found.setdefault(path, line)
    if isinstance(value, dict):
        for key, inner in value.items():
            _note(inner, (*path, key), found, line)
    elif isinstance(value, list):
        for number, inner in enumerate(value):
            _note(inner, (*path, number), found, line)
