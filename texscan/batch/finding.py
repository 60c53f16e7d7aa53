"""
What a folder holds: panels, patches and loose photos, told from where the photos lie.

A panel is a sub-folder with photos (one patch) or with sub-folders of photos (patches). Photos beside such
sub-folders are a patch of their own.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from texscan.batch.names import natural, shown
from texscan.errors import SettingsError
from texscan.survey.photos import SUFFIXES

TORCH_OFF = "torch-off"  # a photo of this name, any suffix, is the one with the torch off
MASK = "mask.png"
RESULT_MARKS = {"score.json", "run.json"}  # pictures beside these are results, no photos
OWN_FOLDER = ".texscan"  # what a batch keeps in its OUT
OWN_PHOTOS = "photos"  # name of the patch whose photos lie beside sub-folders with photos


@dataclass(frozen=True, slots=True)
class PhotoFolder:
    """The photos of one folder, names sorted as people count; paths relative to where the search began."""

    path: str  # "" = where the search began
    photos: tuple[str, ...]
    ambient: str | None
    mask: str | None


@dataclass(frozen=True, slots=True)
class Found:
    """All that a search came upon."""

    folders: tuple[PhotoFolder, ...]  # those with photos
    refused: tuple[tuple[str, str], ...]
    skipped: tuple[tuple[str, str], ...]


def find_photos(root: Path, out: Path) -> Found:
    """
    Every folder with photos below `root`, itself included; `out` and what other runs wrote are left out.

    Links to folders are followed, but a folder that was seen already is not entered again, so a loop ends.

    Raises
    ------
    SettingsError : `root` is no folder, or may not be read.
    """
    try:
        seen = {_identity(root): "."}
        os.scandir(root).close()
    except OSError as error:
        raise SettingsError(
            f"{root} is not a folder that can be read ({error.strerror}). Name the folder that holds the photos."
        ) from error
    if out.exists():
        seen[_identity(out)] = "the results"
    search = _Search(root, seen)
    todo: list[str] = [""]
    links: list[str] = []
    while todo or links:
        inside, linked = search.look_into(todo.pop() if todo else links.pop(0))
        todo += inside
        links += linked
    return search.found()


def panels_of(folders: tuple[PhotoFolder, ...]) -> dict[str, list[tuple[str, PhotoFolder]]]:
    """Panel name -> its patches (name and folder), after the rule of this module; loose photos (path "") stay out."""
    with_photos = {folder.path: folder for folder in folders if folder.path}
    parents = {str(PurePosixPath(path).parent) for path in with_photos} - {"."}
    panels: dict[str, list[tuple[str, PhotoFolder]]] = {}
    for path, folder in with_photos.items():
        place = PurePosixPath(path)
        if path in parents:
            panels.setdefault(path, []).insert(0, (OWN_PHOTOS, folder))
        elif str(place.parent) == ".":
            panels.setdefault(path, []).append(("", folder))
        else:
            panels.setdefault(str(place.parent), []).append((place.name, folder))
    return {name: panels[name] for name in sorted(panels, key=natural)}


class _Search:
    """One walk; `seen` maps a folder's identity to where it was met first."""

    def __init__(self, root: Path, seen: dict) -> None:
        self.root, self.seen = root, seen
        self.folders: list[PhotoFolder] = []
        self.refused: list[tuple[str, str]] = []
        self.skipped: list[tuple[str, str]] = []
        self.named_as_photos: list[str] = []

    def look_into(self, path: str) -> tuple[list[str], list[str]]:
        """Take in one folder; gives the folders in it, and links to folders, that are still to be looked into."""
        try:
            if path and self._met(path):
                return [], []
            with os.scandir(self.root / path) as listing:
                entries = sorted(listing, key=lambda entry: natural(entry.name))
        except OSError as error:
            self.refused.append((path, f"The folder cannot be read ({error.strerror}). Allow it, or copy it here."))
            return [], []
        names = {entry.name for entry in entries}
        if path and OWN_FOLDER in names:
            self.skipped.append((path, "It holds the results of a batch."))
            return [], []
        is_result = bool(names & RESULT_MARKS)
        files: list[str] = []
        inside: list[str] = []
        links: list[str] = []
        for entry in entries:
            if entry.name.startswith("."):
                continue
            below = f"{path}/{entry.name}" if path else entry.name
            if _is_folder(entry):
                (links if entry.is_symlink() else inside).append(below)
                self.named_as_photos += [below] if is_photo_name(entry.name) else []
            elif is_result:
                self.skipped.append((below, "It lies in a result folder."))
            else:
                files.append(below)
        self._take(path, files)
        return inside[::-1], links

    def found(self) -> Found:
        """What the walk came upon, sorted; a folder that is named like a photo and holds none is refused."""
        held = {folder.path for folder in self.folders}
        for path in self.named_as_photos:
            if not any(h == path or h.startswith(path + "/") for h in held):
                self.refused.append((path, f"{shown(path)} is a folder; a photo is needed. Copy the photo again."))
        folders = sorted(self.folders, key=lambda folder: natural(folder.path))
        return Found(tuple(folders), tuple(sorted(self.refused)), tuple(sorted(self.skipped)))

    def _met(self, path: str) -> bool:
        first = self.seen.setdefault(_identity(self.root / path), path)
        if first == path:
            return False
        reason = "It is the same folder as " + ("this one." if first == "." else f"{shown(first)}.")
        if first != "the results":
            self.skipped.append((path, reason))
        return True

    def _take(self, path: str, files: list[str]) -> None:
        photos = []
        ambient = mask = None
        for file in files:
            name = PurePosixPath(file).name
            if name.casefold() == MASK:
                mask = file
            elif not is_photo_name(name):
                self.skipped.append((file, "Not a photo by its name."))
            elif PurePosixPath(name).stem.casefold() == TORCH_OFF and ambient is None:
                ambient = file
            else:
                photos.append(file)
        if photos:
            self.folders.append(PhotoFolder(path, tuple(photos), ambient, mask))
        else:
            self.skipped += [(file, "No photo lies beside it.") for file in (ambient, mask) if file]


def is_photo_name(name: str) -> bool:
    return PurePosixPath(name).suffix.lower() in SUFFIXES


def _identity(path: Path) -> tuple[int, int]:
    found = path.stat()
    return found.st_dev, found.st_ino


def _is_folder(entry: os.DirEntry) -> bool:
    try:
        return entry.is_dir()
    except OSError:  # a link that leads back to itself
        return False
