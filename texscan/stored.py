"""Results read back from their folders."""

from __future__ import annotations

import json
from pathlib import Path

from texscan import files
from texscan.condition_map import conditions_from_tiff
from texscan.errors import SettingsError
from texscan.scored_patch import ScoredPatch, patch_from


def read_score(folder: Path) -> dict:
    """score.json of a result folder."""
    text = files.read_text(folder / "score.json", "result")
    try:
        data = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise SettingsError(f"{folder.name}/score.json is damaged ({error}). Score the patch again.") from error
    grid = data.get("grid") if isinstance(data, dict) else None
    if not isinstance(grid, dict) or data.get("schema") != "texscan.score/1" or "step_mm" not in grid:
        raise SettingsError(f"{folder.name} holds no texscan result. Name a folder that 'texscan score' wrote.")
    return data


def read_patch(folder: Path) -> ScoredPatch:
    """
    A whole result folder.

    Raises
    ------
    SettingsError, ReliefError
        With what is missing or does not fit together.
    """
    score = read_score(folder)
    height, _ = files.load_heights(folder / "relief.tif", score["grid"]["step_mm"])
    path = folder / "conditions.tif"
    condition = conditions_from_tiff(files.read_bytes(path, "map of conditions"), f"{folder.name}/{path.name}")
    photo = folder / "patch.jpg"
    picture = files.load_photo(photo).pixels if photo.is_file() else None
    return patch_from(folder.name, score, height_mm=height, condition=condition, picture=picture)
