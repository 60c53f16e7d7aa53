"""The unit of work: one patch, from the paths of its photos to the files of its result, or to words why not."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path, PurePosixPath

import cv2
import numpy as np

from texscan import files, result
from texscan.batch.frame import frame_of
from texscan.batch.names import shown
from texscan.batch.records import Common, Outcome, PatchTask
from texscan.errors import InputError, PhotoError
from texscan.inputs import read_settings
from texscan.memory import check_room, handed_over
from texscan.model import Photo
from texscan.score import Score, score_photos
from texscan.score_settings import Settings

THUMBNAIL = "thumbnail.jpg"
THUMBNAIL_PX = 360  # width; sharp on a phone, about 25 kB
THUMBNAIL_QUALITY = 80


def score_patch(task: PatchTask, common: Common) -> Outcome:
    """
    Score one patch. A photo that cannot be used is refused by name, the rest is scored with a flag.

    Reads the files that are named and changes nothing; gives the same bytes wherever it is run.

    Raises
    ------
    StorageError, MemoryError : not enough memory.
    """
    cv2.setNumThreads(1)
    root = Path(common.folder)
    refused: list[tuple[str, str]] = []
    try:
        photos = _load(task.photos, root, refused)
        torch_off = _load((task.ambient,), root, refused) if task.ambient else []
        if not photos:
            return _outcome({}, refused, root)
        settings = settings_of(task, common)
        if task.mask and _name(task.photos[0]) != photos[0].file:
            raise PhotoError(f"The mask is painted over {task.photos[0]}, which cannot be used. Leave the mask out.")
        check_room(photos)
        done = score_photos(handed_over(photos), settings, torch_off=torch_off[0] if torch_off else None)
    except InputError as error:
        where = task.photos[0] if len(task.photos) == 1 else task.source
        return _outcome({}, [*refused, (where, str(error))], root)
    unread = tuple((_name(file), reason) for file, reason in refused)
    paths = {_name(path): path for path in task.photos}
    refused += [(paths.get(file, file), reason) for file, reason in done.refused]
    if unread:
        done = replace(done, refused=unread + done.refused, flags=_with(done.flags, "views-left-out"))
    return _outcome({**result.result_files(done), THUMBNAIL: thumbnail(done)}, refused, root)


def settings_of(task: PatchTask, common: Common) -> Settings:
    """The settings of one patch: the run's, with what is this patch's own."""
    settings = read_settings(
        card=_path(common.card),
        limits=_path(common.limits),
        reference=_path(common.reference),
        mask=None if task.mask is None else Path(common.folder) / task.mask,
        job=task.job,
        printed_bar_mm=common.printed_bar_mm,
        panel=task.title,
    )
    return replace(settings, coats=task.coats or common.coats, verified=common.verified)


def thumbnail(score: Score) -> bytes:
    """The photo on the grid around the zones, small, as JPEG."""
    grid = score.grid
    frame = frame_of([zone.polygon_mm for zone in score.zone_map.zones], grid)
    columns = [round((x - grid.x0_mm) / grid.step_mm + 0.5) for x in (frame.left_mm, frame.right_mm)]
    rows = [round((grid.y1_mm - y) / grid.step_mm + 0.5) for y in (frame.top_mm, frame.bottom_mm)]
    part = score.picture[slice(*rows), slice(*columns), ::-1]
    size = THUMBNAIL_PX, max(1, round(THUMBNAIL_PX * part.shape[0] / part.shape[1]))
    small = cv2.resize(np.ascontiguousarray(part), size, interpolation=cv2.INTER_AREA)
    _, packed = cv2.imencode(".jpg", small, [cv2.IMWRITE_JPEG_QUALITY, THUMBNAIL_QUALITY])
    return packed.tobytes()


def _load(paths: tuple[str, ...], root: Path, refused: list[tuple[str, str]]) -> list[Photo]:
    photos = []
    for path in paths:
        try:
            photo = files.load_photo(root / path)
            photos.append(replace(photo, file=shown(photo.file)))
        except PhotoError as error:
            refused.append((path, str(error)))
    return photos


def _outcome(contents: dict[str, bytes], refused: list[tuple[str, str]], root: Path) -> Outcome:
    """Sentences name files as the user knows them, not by their place on this machine."""
    return Outcome(contents, tuple((file, reason.replace(f"{root}{os.sep}", "")) for file, reason in refused))


def _name(path: str) -> str:
    return shown(PurePosixPath(path).name)


def _with(flags: tuple[str, ...], flag: str) -> tuple[str, ...]:
    return flags if flag in flags else (*flags, flag)


def _path(path: str | None) -> Path | None:
    return None if path is None else Path(path)
