"""
What a batch remembers in OUT/.texscan: one small file a patch, written after its result and removed before the result
is replaced. So a result counts only with a record that names all of its files and the inputs it came from.
"""

from __future__ import annotations

import hashlib
import json
import re
import shutil
from collections.abc import Iterator
from dataclasses import asdict, dataclass, replace
from pathlib import Path, PurePosixPath
from typing import Any

from texscan import __version__, files
from texscan.batch.finding import OWN_FOLDER
from texscan.batch.names import shown
from texscan.batch.records import Common, Outcome, PatchTask
from texscan.errors import InputError

SCHEMA = "texscan.batch-record/1"
WORK_FOLDER = re.compile(r"\..+-[0-9a-f]{8}")  # as files.write_result names it; a killed run may leave one
BLOCK_BYTES = 1 << 20


@dataclass(frozen=True, slots=True)
class Record:
    """What a patch came to, and from what."""

    panel: str
    patch: str
    folder: str
    fingerprint: str
    photos: tuple[tuple[str, str], ...]  # file and SHA-256 sum, "" where it could not be read
    files: tuple[tuple[str, int], ...]  # of the result: name and bytes; empty = refused
    refused: tuple[tuple[str, str], ...]


def digest_of(common: Common) -> str:
    """Sum of everything that all patches share."""
    card = Path(common.card) if common.card else files.find_calibration("card.json")
    limits = Path(common.limits) if common.limits else files.find_calibration("limits.toml")
    named = [card, limits, *(() if common.reference is None else _reference_files(Path(common.reference)))]
    named += _artwork(card)
    told = replace(common, folder="", card=None, limits=None, reference=None)
    return sum_of([__version__, asdict(told), [file_sum(path) for path in named]])


def record_of(task: PatchTask, shared: str, folder: Path) -> Record:
    """The record of a task as it stands now, without an outcome; `shared` is from `digest_of`."""
    photos = tuple((shown(file), file_sum(folder / file)) for file in task.inputs)
    fingerprint = sum_of([shared, asdict(task), photos])
    return Record(task.panel, task.patch, task.folder, fingerprint, photos, (), ())


def with_outcome(record: Record, outcome: Outcome) -> Record:
    """The record of what came out; a refusal that may not come again has no fingerprint, so it never stands."""
    sizes = tuple((name, len(body)) for name, body in outcome.files.items())
    fingerprint = record.fingerprint if outcome.is_lasting else ""
    refused = tuple((shown(file), shown(reason)) for file, reason in outcome.refused)
    return replace(record, fingerprint=fingerprint, files=sizes, refused=refused)


def read_record(out: Path, folder: str) -> Record | None:
    """The record of a result folder; None where there is none or it is damaged."""
    path = out / OWN_FOLDER / _file(folder)
    return _read(path) if path.is_file() else None


def all_records(out: Path) -> Iterator[Record]:
    """Every record in OUT, one at a time."""
    for path in sorted((out / OWN_FOLDER).glob("*.json")):
        record = _read(path)
        if record is not None:
            yield record


def still_stands(record: Record, now: Record, out: Path) -> bool:
    """True where inputs, settings and version are those of the record, and its result is there whole."""
    if record.fingerprint != now.fingerprint or (record.panel, record.patch) != (now.panel, now.patch):
        return False
    return all(_size(out / record.folder / name) == size for name, size in record.files)


def keep(out: Path, record: Record, old: Record | None, contents: dict[str, bytes]) -> None:
    """Write a result and its record; what stood there from before goes."""
    if old is not None:
        forget(out, old, but=frozenset(contents))
    if contents:
        files.write_result(out / record.folder, contents)
    files.write_result(
        out / OWN_FOLDER, {_file(record.folder): files.json_bytes({"schema": SCHEMA, **asdict(record)})}
    )


def forget(out: Path, record: Record, *, but: frozenset[str] = frozenset()) -> None:
    """Remove a record and then the files of its result, except those in `but`, and folders that are empty then."""
    (out / OWN_FOLDER / _file(record.folder)).unlink(missing_ok=True)
    folder = out / record.folder
    for name, _ in record.files:
        if name not in but:
            (folder / name).unlink(missing_ok=True)
    while not but and folder != out and folder.is_dir() and not any(folder.iterdir()):
        folder.rmdir()
        folder = folder.parent


def clear_leftovers(out: Path) -> None:
    """Remove half-written work of a killed run; the caller holds the lock, so nobody is at it."""
    beside = out.parent.glob(f".{_for_glob(out.name)}-*")
    for path in [*beside, *out.rglob(".*")]:
        if not WORK_FOLDER.fullmatch(path.name) or not path.is_dir() or path.is_symlink():
            continue
        if {inside.name for inside in path.iterdir()} <= {"new", "old"}:
            shutil.rmtree(path, ignore_errors=True)


def file_sum(path: Path) -> str:
    """SHA-256 of a file, "" where it cannot be read."""
    digest = hashlib.sha256()
    try:
        if not path.is_file():  # a pipe would be waited for
            return ""
        with path.open("rb") as stream:
            while block := stream.read(BLOCK_BYTES):
                digest.update(block)
    except (OSError, ValueError):
        return ""
    return digest.hexdigest()


def _read(path: Path) -> Record | None:
    try:
        data = json.loads(files.read_text(path, "record of a batch"))
        if data.pop("schema") != SCHEMA or path.name != _file(data["folder"]):
            return None
        pairs: dict[str, Any] = {
            key: tuple((str(a), b) for a, b in data.pop(key)) for key in ("photos", "files", "refused")
        }
        record = Record(**data, **pairs)
        parts = [PurePosixPath(record.folder), *(PurePosixPath(name) for name, _ in record.files)]
        inside = not any(part.is_absolute() or ".." in part.parts for part in parts)
        return record if inside else None
    except (InputError, ValueError, TypeError, KeyError, AttributeError):
        return None


def _reference_files(folder: Path) -> list[Path]:
    return [folder / name for name in ("score.json", "relief.tif", "conditions.tif")]


def _artwork(card: Path) -> list[Path]:
    """The picture that card.json names, if it does."""
    try:
        return [card.parent / json.loads(card.read_text(encoding="utf-8"))["artwork"]["file"]]
    except (OSError, ValueError, KeyError, TypeError):
        return []


def _file(folder: str) -> str:
    return hashlib.sha256(folder.encode("utf-8")).hexdigest()[:24] + ".json"


def sum_of(data: object) -> str:
    """SHA-256 of plain data."""
    text = json.dumps(data, sort_keys=True, default=str)  # keeps lone surrogates as escapes
    return hashlib.sha256(text.encode("ascii")).hexdigest()


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError:
        return -1


def _for_glob(name: str) -> str:
    return re.sub(r"([*?\[])", r"[\1]", name)
