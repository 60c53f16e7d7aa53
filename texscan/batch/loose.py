"""Loose photos to sets: each is looked at by a worker, then they are grouped by what they show."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict
from functools import partial
from pathlib import Path

from texscan import __version__, files, inputs
from texscan.batch.engine import Failure, Pool, results
from texscan.batch.finding import OWN_FOLDER, Found
from texscan.batch.records import Common
from texscan.batch.state import digest_of, file_sum, sum_of
from texscan.capture.grouping import PhotoSet, Sighted, group, names
from texscan.capture.photos import changed_s, sighted_in
from texscan.card import read_card
from texscan.errors import InputError

MEMORY = "loose-photos.json"  # how they were grouped, so that a run that goes on need not look again


def loose_photos(found: Found) -> tuple[str, ...]:
    """The photos that lie in FOLDER itself."""
    return tuple(
        file for one in found.folders if not one.path for file in (*one.photos, *filter(None, [one.ambient]))
    )


def sets_of(photos: Sequence[str], common: Common, out: Path, *, pool: Pool, jobs: int) -> dict[str, PhotoSet]:
    """
    Sets by name ("tag-03", "set-01"); paths relative to FOLDER. The caller holds the lock of `out`.
    """
    if not photos:
        return {}
    folder = Path(common.folder)
    key = sum_of([__version__, digest_of(common), [(p, file_sum(folder / p), changed_s(folder / p)) for p in photos]])
    known = _remembered(out, key)
    if known is not None:
        return known
    seen: list[Sighted] = []
    for photo, sighted in results(photos, partial(sight, common=common), pool=pool, jobs=jobs):
        if isinstance(sighted, Failure):
            sighted = Sighted(photo, changed_s(folder / photo), refusal=sighted.reason)
        seen.append(sighted)
    grouped = group(seen)
    sets = dict(zip(names(grouped), grouped, strict=True))
    memory = json.dumps({"key": key, "sets": {name: asdict(one) for name, one in sets.items()}})
    files.write_result(out / OWN_FOLDER, {MEMORY: memory.encode("ascii")})  # names that are no text stay as escapes
    return sets


def sight(photo: str, common: Common) -> Sighted:
    """What of a photo tells its set; runs in a worker."""
    card = inputs.shipped_card() if common.card is None else read_card(Path(common.card))
    return sighted_in(Path(common.folder) / photo, card, name=photo)


def _remembered(out: Path, key: str) -> dict[str, PhotoSet] | None:
    path = out / OWN_FOLDER / MEMORY
    if not path.is_file():
        return None
    try:
        data = json.loads(files.read_text(path, "record of a batch"))
        if data["key"] != key:
            return None
        return {
            name: PhotoSet(tuple(one["photos"]), one["torch_off"], one["tag"], tuple(map(tuple, one["left_out"])))
            for name, one in data["sets"].items()
        }
    except (InputError, ValueError, KeyError, TypeError):
        return None
