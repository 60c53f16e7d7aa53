"""Photos from their files to readings: smaller where that serves, at full size where no card was found."""

from __future__ import annotations

import os
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

from texscan import files
from texscan.capture.arrivals import Stamp
from texscan.capture.grouping import Sighted
from texscan.capture.reading import PREVIEW_PX, Reading, read, sighted
from texscan.capture.remarks import refusal_of
from texscan.card import Card
from texscan.errors import InputError, SettingsError
from texscan.memory import check_room
from texscan.survey.photos import SUFFIXES


def stamps_in(folder: Path) -> dict[str, Stamp]:
    """
    Size and time of the files of a folder that are named like photos; hidden files and sub-folders are left out.

    Raises
    ------
    SettingsError
        The folder is not there or cannot be read.
    """
    found = {}
    try:
        with os.scandir(folder) as entries:
            for entry in entries:
                if not entry.name.startswith(".") and Path(entry.name).suffix.lower() in SUFFIXES and entry.is_file():
                    with suppress(FileNotFoundError):  # renamed or deleted between the two questions
                        known = entry.stat()
                        found[entry.name] = Stamp(known.st_size, known.st_mtime)
    except OSError as error:
        raise SettingsError(
            f"{folder} is not a folder that can be read ({error.strerror}). Name the folder of the photos."
        ) from error
    return found


def reading_of(path: Path, card: Card, *, name: str | None = None) -> Reading:
    """
    The reading of a photo file; a file that is no usable photo gives one with its refusal.

    name : how the photo is called in words; without it the file's name.
    """
    name = path.name if name is None else name
    try:
        photo = files.load_photo(path, long_side_px=PREVIEW_PX)
        check_room((photo,))
        reading = read(replace(photo, file=name), card)
        if reading.sighting is None and photo.shrunk > 1:  # markers may be too small in the smaller picture
            reading = read(replace(files.load_photo(path), file=name), card)
    except InputError as error:
        return Reading(name, refusal=str(error))
    return reading


def sighted_in(path: Path, card: Card, *, name: str | None = None) -> Sighted:
    """What of a photo file tells its set (`grouping.group`); the file's own time stands in for EXIF's."""
    reading = reading_of(path, card, name=name)
    return sighted(reading, taken_s=changed_s(path), refusal=refusal_of(reading, card))


def changed_s(path: Path) -> float:
    """When a file was last changed [s since 1970]; 0 for one that is gone."""
    try:
        return path.stat().st_mtime
    except (OSError, ValueError):
        return 0.0
