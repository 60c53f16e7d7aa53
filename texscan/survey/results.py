"""Results of a whole boat read back from the folder that a batch wrote, or from folders of single scores."""

from __future__ import annotations

import json
import math
from collections import Counter
from pathlib import Path, PurePosixPath, PureWindowsPath

from texscan import files
from texscan.errors import SettingsError
from texscan.model import CONDITION_NAMES
from texscan.stored import read_score
from texscan.survey.outcome import FIGURES, WORST_FIRST, PanelOutcome, PatchOutcome, panel_outcome
from texscan.survey.records import Survey

RUN_SCHEMA = "texscan.run/1"
AGAIN = "Score the patch again."
Listed = tuple[str, tuple[tuple[str, str], ...]]  # panel, and name and folder of each patch


def read_results(out: Path, survey: Survey | None) -> tuple[PanelOutcome, ...]:
    """
    The scored panels under a folder, those of the survey first and in its order.

    Parameters
    ----------
    out : what `texscan batch` wrote (run.json tells the panels); or a folder with PANEL/score.json or
        PANEL/PATCH/score.json; or a single result.
    survey : areas, shares and what was noted on board, by the panels' names; None = none.

    Raises
    ------
    SettingsError : nothing scored there, or a result that is damaged.
    """
    listed = _of_run(out) if (out / "run.json").exists() else _of_folders(out)
    if not listed:
        raise SettingsError(f"{out} holds no scored panel. Name the folder that 'texscan batch' or 'score' wrote.")
    noted = {panel.name: panel for panel in survey.panels} if survey else {}
    outcomes = []
    for name, patches in listed:
        scored = tuple(PatchOutcome(patch, folder, _score(out, folder)) for patch, folder in patches)
        if name not in noted and len(scored) == 1 and scored[0].score.get("panel") in noted:
            name = scored[0].score["panel"]
        outcomes.append(panel_outcome(name, scored, noted.get(name)))
    name, times = Counter(one.name for one in outcomes).most_common(1)[0]
    if times > 1:
        raise SettingsError(f"{out} holds {times} results of the panel {name!r}. Move all but one elsewhere.")
    order = {name: number for number, name in enumerate(noted)}
    return tuple(sorted(outcomes, key=lambda one: order.get(one.name, len(order))))


def _of_run(out: Path) -> list[Listed]:
    """Panels and patches that run.json lists as scored."""
    where = f"{out.name}/run.json"
    try:
        run = json.loads(files.read_text(out / "run.json", "list of a batch"))
    except (ValueError, RecursionError) as error:
        raise SettingsError(f"{where} is damaged ({error}). Run the batch again.") from error
    if not isinstance(run, dict) or run.get("schema") != RUN_SCHEMA:
        raise SettingsError(f"{where} is no list of a batch ({RUN_SCHEMA}). Run the batch again.")
    try:
        return [(_words(panel["panel"]), _patches_of(panel)) for panel in _list(run["scored"])]
    except (KeyError, TypeError, ValueError) as error:
        raise SettingsError(f"{where}: the list of scored panels is damaged ({error!r}). Run it again.") from error


def _patches_of(panel: dict) -> tuple[tuple[str, str], ...]:
    return tuple((_words(patch["name"]), _inside(patch["folder"])) for patch in _some(panel["patches"]))


def _of_folders(out: Path) -> list[Listed]:
    """Panels and patches told from the folders that hold a score.json."""
    if (out / "score.json").is_file():
        return [(_panel_named(out), (("", "."),))]
    listed: list[Listed] = []
    for panel in _folders(out):
        if (panel / "score.json").is_file():
            listed.append((panel.name, (("", panel.name),)))
            continue
        patches = [patch.name for patch in _folders(panel) if (patch / "score.json").is_file()]
        if patches:
            listed.append((panel.name, tuple((patch, f"{panel.name}/{patch}") for patch in patches)))
    return listed


def _panel_named(out: Path) -> str:
    named = read_score(out).get("panel")
    return named if isinstance(named, str) and named else out.resolve().name


def _folders(folder: Path) -> list[Path]:
    try:
        return sorted(path for path in folder.iterdir() if path.is_dir() and not path.name.startswith("."))
    except OSError as error:
        raise SettingsError(f"{folder} cannot be listed ({error.strerror}). Name a folder with results.") from error


def _score(out: Path, folder: str) -> dict:
    """A score.json of which all that a panel's outcome needs has been checked."""
    score = read_score(out / folder)
    try:
        for key in FIGURES:
            _figure(score["texture"].get(key))
        decided = score["recommendation"]
        if decided["action"] not in WORST_FIRST:
            raise ValueError(f"action {decided['action']!r}")
        for words in (decided["reasons"], decided["would_change_it"], score["flags"]):
            [_words(word) for word in _list(words)]
        for condition in CONDITION_NAMES.values():
            if not 0 <= score["shares"][condition] <= 1:
                raise ValueError(f"share of {condition}")
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise SettingsError(f"{folder}/score.json is damaged ({error!r}). {AGAIN}") from error
    return score


def _figure(figure: object) -> None:
    if figure is None:
        return
    if not isinstance(figure, dict):
        raise TypeError(f"figure {figure!r}")
    low, value, high = (figure[key] for key in ("low", "value", "high"))
    if not all(
        isinstance(v, int | float) and not isinstance(v, bool) and math.isfinite(v) for v in (low, value, high)
    ):
        raise TypeError(f"figure {figure!r}")
    if not low <= value <= high:
        raise ValueError(f"figure {figure!r}")


def _words(value: object) -> str:
    if not isinstance(value, str):
        raise TypeError(f"{value!r} instead of words")
    return value


def _list(value: object) -> list:
    if not isinstance(value, list):
        raise TypeError(f"{value!r} instead of a list")
    return value


def _some(value: object) -> list:
    if not _list(value):
        raise ValueError("a panel without patches")
    return _list(value)


def _inside(value: object) -> str:
    folder = _words(value)
    if PurePosixPath(folder).is_absolute() or PureWindowsPath(folder).anchor or ".." in PureWindowsPath(folder).parts:
        raise ValueError(f"folder {folder!r} outside the result")
    return folder
