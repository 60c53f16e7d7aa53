"""Results read back from their folders."""

from __future__ import annotations

import json
from pathlib import Path

from texscan import files
from texscan.errors import SettingsError


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
