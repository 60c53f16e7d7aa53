"""Photos of a survey in its folder: what a pattern finds, and which sub-folders look like panels."""

from __future__ import annotations

import re
from pathlib import Path

from texscan.errors import SettingsError
from texscan.rawphoto import SUFFIXES as RAW_SUFFIXES
from texscan.survey.records import Patch, Survey, SurveyPanel

SUFFIXES = RAW_SUFFIXES | {".jpg", ".jpeg", ".png", ".tif", ".tiff", ".heic", ".heif"}
Found = dict[str, dict[str, tuple[Path, ...]]]  # photos by panel and patch
LETTERS = re.compile(r"\[[^\]]*\]|[^\W\d_]")  # a set in brackets, which stays, or a letter


def find_photos(folder: Path, patterns: tuple[str, ...]) -> tuple[Path, ...]:
    """
    The files that the patterns of a panel or patch find, sorted, each once; capitals and small letters count alike.

    Raises
    ------
    SettingsError : a pattern leads out of the folder through a link.
    """
    found: set[Path] = set()
    for pattern in patterns:
        either = LETTERS.sub(_either_case, pattern)
        found |= {path for path in folder.glob(either) if path.is_file()}
    home = folder.resolve()
    for path in sorted(found):
        if not path.resolve().is_relative_to(home):
            raise SettingsError(f"{path} is a link out of the survey's folder. Copy the photo itself there.")
    return tuple(sorted(found))


def photos_of(survey: Survey, folder: Path) -> Found:
    """
    The photos of each patch, torch-off photos and masks left out: by its patterns, or for a panel without any from
    the sub-folder that has the panel's name. Empty for a panel that only its tag tells.
    """
    by_folder = {panel.name.casefold(): panel for panel in panels_in(folder)}
    found: Found = {}
    for panel in survey.panels:
        source = panel if panel.sets else by_folder.get(panel.name.casefold(), panel)
        found[panel.name] = {patch.name: _photos_of_patch(patch, folder) for patch in source.sets}
    return found


def _photos_of_patch(patch: Patch, folder: Path) -> tuple[Path, ...]:
    others = {folder / name for name in (patch.ambient, patch.mask) if name}
    return tuple(path for path in find_photos(folder, patch.photos) if path not in others)


def missing_files(survey: Survey, folder: Path) -> tuple[str, ...]:
    """A sentence for each single file that the survey names and that is not there."""
    named = {"[looks] logo": survey.looks.logo, "[deck_plan] picture": survey.deck_plan.picture}
    for panel in survey.panels:
        for patch in panel.sets:
            place = f"{panel.name}, {patch.name}" if patch.name else panel.name
            named |= {f"{place}: ambient": patch.ambient, f"{place}: mask": patch.mask}
    return tuple(
        f"{place}: there is no file {name}."
        for place, name in named.items()
        if name and not (folder / name).is_file()
    )


def _either_case(part: re.Match) -> str:
    text = part.group()
    if len(text) > 1 or text.lower() == text.upper() or len(text.lower() + text.upper()) != 2:
        return text
    return f"[{text.lower()}{text.upper()}]"


def panels_in(folder: Path) -> tuple[SurveyPanel, ...]:
    """
    Sub-folders with photos as panels; where the photos lie one folder deeper, those are the panel's patches.

    Raises
    ------
    SettingsError : the folder cannot be listed.
    """
    panels = []
    for place in _folders(folder):
        own = _patterns(place, folder)
        deeper = {inner.name: _patterns(inner, folder) for inner in _folders(place)}
        patches = tuple(Patch(name, photos) for name, photos in deeper.items() if photos)
        if own:
            panels.append(SurveyPanel(place.name, photos=own))
        elif patches:
            panels.append(SurveyPanel(place.name, patches=patches))
    return tuple(panels)


def _folders(place: Path) -> list[Path]:
    try:
        inner = [path for path in place.iterdir() if not path.name.startswith(".") and not path.is_symlink()]
        return sorted(path for path in inner if path.is_dir() and path.name.isprintable())
    except OSError as error:
        raise SettingsError(
            f"{place} cannot be listed ({error.strerror}). Name a folder that can be read."
        ) from error


def _patterns(place: Path, folder: Path) -> tuple[str, ...]:
    """One pattern for each kind of photo in a folder, relative to the survey's."""
    within = "".join(f"[{c}]" if c in "*?[" else c for c in place.relative_to(folder).as_posix())
    kinds = {path.suffix.lower() for path in place.iterdir() if path.is_file() and not path.name.startswith(".")}
    return tuple(f"{within}/*{kind}" for kind in sorted(kinds & SUFFIXES))
