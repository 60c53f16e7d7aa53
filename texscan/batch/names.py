"""Names of panels as folders that every system can hold, and names of files as text that every file can hold."""

from __future__ import annotations

import os
import re
import unicodedata

LONGEST_BYTES = 120  # of one part of a path; file systems end at 255, and a patch's files need room beside it
FORBIDDEN = re.compile(r'[<>:"/\\|?*\x00-\x1f\x7f-\x9f\u2028\u2029]')
DEVICES = {"con", "prn", "aux", "nul", *(f"{port}{n}" for port in ("com", "lpt") for n in range(1, 10))}
TAKEN = {"results.csv", "patches.csv", "results.parquet", "run.json", "index.html"}  # files of the batch itself
DIGITS = re.compile(r"(\d+)")


def shown(name: str) -> str:
    """A file name as text: bytes that are no text (Python's lone surrogates) become \\x escapes."""
    return os.fsencode(name).decode("utf-8", "backslashreplace") if not _is_text(name) else name


def natural(name: str) -> tuple:
    """Sorts "patch 2" before "patch 10"; ties are broken by the name itself."""
    parts = DIGITS.split(name.casefold())
    return tuple((int(p), "") if n % 2 else (-1, p) for n, p in enumerate(parts)), name


def folder_part(name: str) -> str:
    """One part of a path: no separators, control characters, device names, or dots and spaces at the ends."""
    name = FORBIDDEN.sub("_", unicodedata.normalize("NFC", shown(name))).strip(" .")
    name = name.encode("utf-8")[:LONGEST_BYTES].decode("utf-8", "ignore").strip(" .") or "_"
    return f"{name}_" if name.partition(".")[0].casefold() in DEVICES or name.casefold() in TAKEN else name


def unique_folders(wanted: list[tuple[str, ...]]) -> list[str]:
    """
    A folder for each path of names, parts joined by "/"; two that a file system may take for one get "-2", "-3".

    Where upper and lower case do not count, and on the file systems where they do, the same names come out.
    """
    given: set[str] = set()
    folders = []
    for parts in wanted:
        safe = "/".join(folder_part(part) for part in parts)
        free, number = safe, 1
        while free.casefold() in given:
            number += 1
            free = f"{safe}-{number}"
        given.add(free.casefold())
        folders.append(free)
    return folders


def _is_text(name: str) -> bool:
    try:
        name.encode("utf-8")
    except UnicodeEncodeError:
        return False
    return True
