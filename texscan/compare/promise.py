"""What was promised of a panel, and whether the result after the work keeps it."""

from __future__ import annotations

import csv
import io
import math
from dataclasses import dataclass

from texscan.errors import SettingsError
from texscan.model import Measured, measured
from texscan.scored_patch import FAULTS
from texscan.survey.outcome import FIGURES, PanelOutcome, PatchOutcome
from texscan.verdict import AGAINST, FOR, compare

KEPT, NOT_KEPT, OPEN = "kept", "not kept", "cannot be told"
COLUMNS = ("panel", "option", "figure", "low", "likely", "high", "why")
NEEDED = ("panel", "figure", "low", "high")
FORECAST = ("void_depth_mm", "relief_mm")  # of `coats` in score.json
OF_ALL_PATCHES = ("sand-flat-and-retexture", "local-repair")  # a new texture has to be met wherever one looks
OF_THE_COATS = "forecast of the coats"


@dataclass(frozen=True, slots=True)
class Promise:
    """The range that a figure of a panel has to lie in; None = it was never agreed."""

    panel: str
    figure: str
    low: float | None
    high: float | None
    option: str = ""
    why: str = ""
    patch: str | None = None  # the patch that it is for; None = each patch of the panel


@dataclass(frozen=True, slots=True)
class Judged:
    """A promise held against one patch after the work."""

    promise: Promise
    patch: str
    reading: Measured | None
    outcome: str  # KEPT, NOT_KEPT, OPEN
    because: str


def promises_from_csv(text: str, name: str) -> tuple[Promise, ...]:
    """
    The promises in targets.csv, as `texscan plan` writes it; further columns are left alone.

    Raises
    ------
    SettingsError : a column is missing, a figure is not known, or a range that is none; with the line.
    """
    table = csv.DictReader(io.StringIO(text, newline=""))
    missing = [column for column in NEEDED if column not in (table.fieldnames or ())]
    if missing:
        raise SettingsError(
            f"{name} has no column {', '.join(missing)}. Name the targets.csv that 'texscan plan' wrote, or a table "
            f"with the columns {', '.join(COLUMNS)}."
        )
    try:
        found = tuple(_promise(row, f"{name}, line {table.line_num}") for row in table)
    except csv.Error as error:
        raise SettingsError(f"{name}, line {table.line_num}: {error}. Save it as comma-separated text.") from error
    if not found:
        raise SettingsError(f"{name} promises nothing: it has a heading and no line. Write one line a panel.")
    return found


def _promise(row: dict, where: str) -> Promise:
    figure = (row["figure"] or "").strip()
    if figure not in FIGURES:
        raise SettingsError(f"{where}: the figure is {figure!r}; one of {', '.join(FIGURES)} is needed.")
    low, high = (_number(row[end], f"{where}: {end}") for end in ("low", "high"))
    if (low is None) != (high is None):
        raise SettingsError(
            f"{where}: only one end of the range is given. Fill in low and high, or leave both empty."
        )
    if low is not None and high is not None and low > high:
        raise SettingsError(f"{where}: low is {low:g}, above high, {high:g}. Swap them.")
    return Promise(_text(row["panel"]), figure, low, high, _text(row.get("option")), _text(row.get("why")))


def _text(cell: str | None) -> str:
    """A cell without the apostrophe that keeps a spreadsheet from computing it."""
    text = (cell or "").strip()
    return text[1:] if text[:1] == "'" and text[1:2] in ("=", "+", "-", "@") else text


def _number(cell: str | None, where: str) -> float | None:
    text = (cell or "").strip()
    if not text:
        return None
    try:
        number = float(text)
    except ValueError:
        number = math.nan
    if not math.isfinite(number):
        raise SettingsError(f"{where} is {text!r}; a number is needed, as in 0.25, or nothing.")
    return number


def promises_of(before: PanelOutcome) -> tuple[Promise, ...]:
    """
    What the coats planned in the earlier results were to leave, patch by patch; empty without coats.

    Raises
    ------
    SettingsError : a forecast that is not whole.
    """
    found = []
    for patch in before.patches:
        try:
            found += [
                _forecast(before.name, patch, figure) for figure in FORECAST if patch.score["coats"].get(figure)
            ]
        except FAULTS as error:
            where = f"{patch.folder}/score.json" if patch.folder != "." else "score.json"
            raise SettingsError(
                f"{where} of the earlier results has no whole forecast of the coats ({error!r}). Score the patch "
                "again, or use --promised none."
            ) from error
    return tuple(found)


def _forecast(panel: str, patch: PatchOutcome, figure: str) -> Promise:
    entries = patch.score["coats"][figure]
    low, high = float(entries[-1]["low"]), float(entries[-1]["high"])
    if not -math.inf < low <= high < math.inf:
        raise ValueError(f"{figure} from {low} to {high}")
    why = f"{OF_THE_COATS}: {len(entries)} laid on what was measured"
    return Promise(panel, figure, low, high, why=why, patch=patch.name)


def judged(promises: tuple[Promise, ...], before: PanelOutcome, after: PanelOutcome) -> tuple[Judged, ...]:
    """
    Each promise of a panel held against the patches after the work.

    Notes
    -----
    Kept when the whole 95 % interval lies within the range, not kept when it lies wholly outside, else it cannot be
    told (guard bands, JCGM 106, 8.3). A forecast is for the patch that decided before the work and is held against
    that patch; a new texture against every patch.
    """
    found = []
    for promise in promises:
        for patch in _patches(promise, before, after):
            found.append(_judged(promise, patch))
        if not _patches(promise, before, after):
            name = promise.patch or before.deciding.name
            found.append(Judged(promise, name, None, OPEN, "the patch was not scored after the work"))
    return tuple(found)


def _patches(promise: Promise, before: PanelOutcome, after: PanelOutcome) -> tuple[PatchOutcome, ...]:
    if len(after.patches) == 1 == len(before.patches) or (promise.patch is None and promise.option in OF_ALL_PATCHES):
        return after.patches
    wanted = before.deciding.name if promise.patch is None else promise.patch
    return tuple(patch for patch in after.patches if patch.name == wanted)


def _judged(promise: Promise, patch: PatchOutcome) -> Judged:
    reading = measured(patch.score["texture"].get(promise.figure))
    if promise.low is None or promise.high is None:
        return Judged(promise, patch.name, reading, OPEN, "no range was agreed")
    if reading is None:
        return Judged(promise, patch.name, None, OPEN, "the figure is not defined after the work")
    lower, upper = compare(reading, promise.low, "above")[0], compare(reading, promise.high, "below")[0]
    if AGAINST in (lower, upper):
        side = "less" if lower == AGAINST else "more"
        return Judged(promise, patch.name, reading, NOT_KEPT, f"{side} than promised")
    if lower == upper == FOR:
        return Judged(promise, patch.name, reading, KEPT, "the whole interval lies within the range")
    return Judged(
        promise,
        patch.name,
        reading,
        OPEN,
        "the interval crosses an end of the range; more photos or a measured bar narrow it",
    )


def verdict_of(lines: tuple[Judged, ...]) -> str:
    """Of several lines together: not kept as soon as one is not, kept when all are."""
    outcomes = {line.outcome for line in lines}
    if NOT_KEPT in outcomes:
        return NOT_KEPT
    return KEPT if outcomes == {KEPT} else OPEN
