"""What the log sheets have filled in: limits of film and time by coat, and the void depth that a panel must reach."""

from __future__ import annotations

from dataclasses import dataclass

from texscan.batch.tables import Row, csv_bytes
from texscan.coating import void_depth_after
from texscan.limits import Limits
from texscan.model import Coat, Measured
from texscan.plan.boat import BoatQuantities
from texscan.plan.choice import NO_WORK, RECOAT, RETEXTURE
from texscan.plan.figure import Figure, rising
from texscan.plan.new_texture import new_texture
from texscan.plan.quantities import LOCAL_REPAIR, PAINTED, SMOOTH, Means, Quantity
from texscan.plan.rates import Paint
from texscan.plan.windows import CoatTimes, times_of
from texscan.survey.outcome import PanelOutcome
from texscan.survey.records import Survey

# Readings of a wet-film comb. No single one under 80 % of the film: as ISO 19840 has it for dry films (from memory).
# The mean not over 120 %: policy, because the forecast of what is left of the texture holds for the planned film.
LEAST_READING, MOST_MEAN = 0.8, 1.2
TARGET_COLUMNS = ("panel", "option", "figure", "low", "likely", "high", "why")


@dataclass(frozen=True, slots=True)
class CoatLimits:
    """One coat of one panel."""

    coat: Coat
    times: CoatTimes
    paint_l: Figure
    thinner_l: Figure  # 0 where it is not thinned
    paint: Paint | None  # as the rates file has it

    @property
    def least_wet_um(self) -> float:
        return LEAST_READING * self.coat.wet_um

    @property
    def most_wet_um(self) -> float:
        return MOST_MEAN * self.coat.wet_um


@dataclass(frozen=True, slots=True)
class PanelLimits:
    """One panel done one way; `target_mm` None = to be agreed on a sample panel."""

    panel: str
    option: str
    area_m2: Figure
    void_depth_mm: Measured | None  # before the work
    target_mm: Measured | None  # void depth when the work is done: what was forecast
    why: str  # what the target rests on
    coats: tuple[CoatLimits, ...]
    filler_l: Figure | None
    grit_kg: Figure | None
    mind: tuple[str, ...]  # repairs and cautions that come before the work


@dataclass(frozen=True, slots=True)
class Sheets:
    """Where times and targets come from: data sheets of the coats, the limits, what sound is on this boat."""

    times: tuple[CoatTimes, ...]
    limits: Limits
    sound_mm: Measured | None  # void depth of the survey's reference panels; None = none is named


def panel_limits(
    found: BoatQuantities, outcomes: tuple[PanelOutcome, ...], means: Means, sheets: Sheets
) -> tuple[PanelLimits, ...]:
    """
    One record a panel and way with work to do, in the order of the outcomes.

    Parameters
    ----------
    found : quantities of these outcomes.
    """
    records = []
    for outcome, basis, choice in zip(outcomes, found.bases, found.choices, strict=True):
        for option in choice.options:
            if option != NO_WORK:
                rows = tuple(r for r in found.rows if (r.panel, r.option) == (basis.panel, option))
                records.append(_panel(outcome, option, rows, basis.coats, means, sheets))
    return tuple(records)


def smooth_limits(found: BoatQuantities, means: Means, sheets: Sheets) -> PanelLimits | None:
    """The smooth borders, which are painted before the panels in the coats of the first; None where they are not."""
    rows = tuple(row for row in found.rows if row.panel == SMOOTH)
    if not rows:
        return None
    pairs = zip(found.bases, found.choices, strict=True)
    coats = next(basis.coats for basis, choice in pairs if choice.options != (NO_WORK,))
    return PanelLimits(
        panel=SMOOTH,
        option=PAINTED,
        area_m2=rows[0].figure,
        void_depth_mm=None,
        target_mm=None,
        why="",
        coats=_coat_limits(rows, coats, means, sheets),
        filler_l=None,
        grit_kg=None,
        mind=(),
    )


def sound_void(outcomes: tuple[PanelOutcome, ...], survey: Survey) -> Measured | None:
    """Void depth of the panel that the survey names as reference; None where it names none, or none was scored."""
    named = {panel.name for panel in survey.panels if panel.reference}
    found = [outcome.figures.get("void_depth_mm") for outcome in outcomes if outcome.name in named]
    return next((figure for figure in found if figure is not None), None)


def targets_csv(records: tuple[PanelLimits, ...]) -> bytes:
    """targets.csv: the void depth that each panel has to show when the work is done; empty where it is not agreed."""
    rows: list[Row] = []
    for one in records:
        ends = (
            (None, None, None)
            if one.target_mm is None
            else (one.target_mm.low, one.target_mm.value, one.target_mm.high)
        )
        rows.append((one.panel, one.option, "void_depth_mm", *ends, one.why))
    return csv_bytes(TARGET_COLUMNS, rows)


def _panel(
    outcome: PanelOutcome,
    option: str,
    rows: tuple[Quantity, ...],
    coats: tuple[Coat, ...],
    means: Means,
    sheets: Sheets,
) -> PanelLimits:
    laid = _coat_limits(rows, coats, means, sheets)
    target, why = _target(outcome, option, tuple(limit.coat for limit in laid), means, sheets)
    return PanelLimits(
        panel=outcome.name,
        option=option,
        area_m2=_figure(rows, "area") or Figure(0, 0, 0, "assumed"),
        void_depth_mm=outcome.figures.get("void_depth_mm"),
        target_mm=target,
        why=why,
        coats=laid,
        filler_l=_figure(rows, "filler, mixed"),
        grit_kg=_figure(rows, "grit"),
        mind=(*outcome.cautions, *outcome.repair_first),
    )


def _coat_limits(
    rows: tuple[Quantity, ...], coats: tuple[Coat, ...], means: Means, sheets: Sheets
) -> tuple[CoatLimits, ...]:
    """Of the coats that are laid, in order; names may be alike."""
    rest = iter(coats)
    found = []
    for row in rows:
        if row.item != "paint":
            continue
        coat = next(coat for coat in rest if coat.name == row.detail)
        thinner_l = rising(lambda litres, coat=coat: litres * coat.thinning, row.figure)
        times = times_of(coat, sheets.times, sheets.limits)
        found.append(CoatLimits(coat, times, row.figure, thinner_l, means.rates.paint_of(coat.name)))
    return tuple(found)


def _figure(rows: tuple[Quantity, ...], item: str) -> Figure | None:
    return next((row.figure for row in rows if row.item == item), None)


def _target(
    outcome: PanelOutcome, option: str, coats: tuple[Coat, ...], means: Means, sheets: Sheets
) -> tuple[Measured | None, str]:
    """Void depth when the work is done, and why it is that."""
    if option not in (RETEXTURE, LOCAL_REPAIR):
        return _forecast(outcome, option), "forecast of the coats on the measured texture"
    new = new_texture(means.rates.texture, means.materials)
    if new.grit_void_mm is not None:
        return _of_grit(new.grit_void_mm, coats, means)
    if sheets.sound_mm is not None:
        return sheets.sound_mm, "the reference panel of the survey"
    return None, "to be agreed on a sample panel (hold point H4)"


def _of_grit(void_mm: Figure, coats: tuple[Coat, ...], means: Means) -> tuple[Measured, str]:
    """One layer of grit less what sinks between the grains and the films of the sealing coats."""
    sealing = tuple(coat for coat in coats if coat.kind == "topcoat")[1:]  # the first is what the grit falls into
    words = f"one layer of grit and {len(sealing)} sealing coat{'' if len(sealing) == 1 else 's'}, assumed: agree it "
    words += "on a sample panel (hold point H4)"
    if not sealing:
        low, likely, high = void_mm.ends
        return Measured(likely, low, high), words
    solids = sealing[0].solids_as_applied
    filled = (1 - solids * share for share in reversed(means["grit_sink"].ends))  # most sinks at the low end
    low, likely, high = (void * left for void, left in zip(void_mm.ends, filled, strict=True))
    return void_depth_after(Measured(likely, low, high), sealing), words


def _forecast(outcome: PanelOutcome, option: str) -> Measured | None:
    """What the coats leave: of the whole deciding patch as planned, of the part that decides for the other ways."""
    score = outcome.deciding.score
    if option == RECOAT:
        entries = score["coats"]["void_depth_mm"]
        left = entries[-1] if entries else None
    else:
        left = next((o.get("void_depth_mm") for o in score["options"] if o["name"] == option), None)
    return None if left is None else Measured(left["likely"], left["low"], left["high"])
