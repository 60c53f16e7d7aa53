"""A comparison as files."""

from __future__ import annotations

from texscan import files
from texscan.compare.job import Comparison, PanelChange, PatchChange, Word
from texscan.compare.picture import Words, change_picture
from texscan.compare.registration import Unregistered
from texscan.compare.words import cells_csv, compare_csv, compare_dict, patch_words

SINGLE = "."  # folder of a single result


def compare_files(found: Comparison, word: Word, folders: tuple[str, str]) -> dict[str, bytes]:
    """File name -> bytes: compare.json and compare.csv."""
    return {
        "compare.json": files.json_bytes(compare_dict(found, word, folders)),
        "compare.csv": compare_csv(found),
    }


def panel_files(panel: PanelChange, folders: tuple[str, str]) -> dict[str, bytes]:
    """File name -> bytes: of each registered patch of a panel its cells and their picture."""
    names = f"Before: {folders[0]}", f"After: {folders[1]}"
    contents: dict[str, bytes] = {}
    for patch in panel.patches:
        contents |= _of_patch(panel, patch, names)
    return contents


def _of_patch(panel: PanelChange, patch: PatchChange, names: tuple[str, str]) -> dict[str, bytes]:
    if patch.ground is None or patch.maps is None or isinstance(patch.place, Unregistered):
        return {}
    folder = "" if patch.folders[0] == SINGLE else f"{patch.folders[0]}/"
    title = f"{panel.name}, {patch.name}" if patch.name else panel.name
    words = Words(title, names, tuple(patch_words(patch)))
    picture = change_picture(patch.ground, patch.maps, patch.place, words)
    return {
        f"{folder}change-cells.csv": cells_csv(patch.ground.cells),
        f"{folder}change.png": files.png_bytes(picture),
    }
