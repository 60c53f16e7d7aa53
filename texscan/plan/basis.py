"""What the quantities of a panel rest on: its area and edge, what the photos measured, the planned coats."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from texscan.coating import DEFAULT_COATS
from texscan.errors import SettingsError
from texscan.model import Coat, Measured
from texscan.plan.choice import RETEXTURE
from texscan.plan.figure import ASSUMED, MEASURED, USER, Figure, exactly, of_measured, rising
from texscan.survey.area import panel_area_m2, panel_perimeter_m
from texscan.survey.outcome import PanelOutcome, combined, measured, patch_weights
from texscan.survey.records import Survey, SurveyPanel

# Edge of an area that nobody measured, in roots of it: a circle, a rectangle 2 : 1, a rectangle 4 : 1.
EDGE_OF_AREA = (2 * math.sqrt(math.pi), 3 * math.sqrt(2), 5.0)


@dataclass(frozen=True, slots=True)
class Basis:
    """One panel; depths are means over it [mm] = L/m2."""

    panel: str
    area_m2: Figure
    edge_m: Figure
    true_area: Figure  # true over projected area of the old texture, 1 + Sdr
    fill_mm: Figure  # up to the local top plane
    cut_mm: Figure | None  # down to the local floor; None = not in the result
    bad_share: Figure  # worn or filled
    coats: tuple[Coat, ...]
    coats_source: str
    fewer: tuple[str, ...] = ()  # names of the coats of the option with fewer
    offered: tuple[str, ...] = ()  # options that the deciding patch allows
    fittings: int = 0
    repairs: int = 0
    notes: tuple[str, ...] = ()


def basis_of(outcome: PanelOutcome, survey: Survey, *, share_guard: float) -> Basis:
    """
    What the survey and the patches of a panel say of it.

    Parameters
    ----------
    share_guard : half-width of the interval of a share, as in the limits of the decision.

    Raises
    ------
    SettingsError : the panel is not in the survey, or has no area that can be planned with.
    """
    panel = next((p for p in survey.panels if p.name == outcome.name), None)
    if panel is None:
        raise SettingsError(
            f"The survey has no panel {outcome.name!r}, which is scored. Add [[panel]] with name and area_m2."
        )
    try:
        return _basis(outcome, panel, survey, share_guard)
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise SettingsError(f"The result of {outcome.name!r} is damaged ({error!r}). Score it again.") from error


def _basis(outcome: PanelOutcome, panel: SurveyPanel, survey: Survey, share_guard: float) -> Basis:
    area = _area(panel)
    coats = panel.coats or survey.coats
    weights, _ = patch_weights(outcome.patches, panel)
    bad = outcome.shares.get("worn", 0.0) + outcome.shares.get("filled", 0.0)
    fill, cut = (_of_option(outcome, weights, key) for key in ("fill_mm", "cut_mm"))
    options = outcome.deciding.score.get("options", [])
    return Basis(
        panel=outcome.name,
        area_m2=area,
        edge_m=_edge(panel, area),
        true_area=_true_area(outcome, weights),
        fill_mm=_void_depth(outcome) if fill is None else of_measured(fill),
        cut_mm=None if cut is None else of_measured(cut),
        bad_share=Figure(max(bad - share_guard, 0.0), min(bad, 1.0), min(bad + share_guard, 1.0), MEASURED),
        coats=coats or DEFAULT_COATS,
        coats_source=USER if coats else ASSUMED,
        fewer=next((tuple(o.get("coats", ())) for o in options if o["name"] == "fewer-coats"), ()),
        offered=tuple(option["name"] for option in options if option["offered"]),
        fittings=len(panel.fittings),
        repairs=len(outcome.repair_first),
        notes=(*outcome.repair_first, *_notes(outcome, coats or DEFAULT_COATS)),
    )


def edge_of_area(area_m2: Figure) -> Figure:
    """Edge [m] of an area whose outline nobody measured; assumed."""
    low, likely, high = (factor * math.sqrt(area) for factor, area in zip(EDGE_OF_AREA, area_m2.ends, strict=True))
    return Figure(low, likely, high, ASSUMED)


def _area(panel: SurveyPanel) -> Figure:
    stated = panel.area_m2
    if stated is not None and not stated > 0:
        raise SettingsError(
            f"The area of {panel.name!r} is {stated:g} m2; more than 0 is needed. Correct it in survey.toml."
        )
    area = panel_area_m2(panel)
    if area is None:
        raise SettingsError(
            f"The survey gives no area for {panel.name!r}. Write area_m2 = ... or sides_m = [length, width] or "
            "outline_m under its [[panel]] in survey.toml."
        )
    return of_measured(area, USER)


def _edge(panel: SurveyPanel, area: Figure) -> Figure:
    edge = panel_perimeter_m(panel)
    return edge_of_area(area) if edge is None else of_measured(edge, USER)


def _true_area(outcome: PanelOutcome, weights: np.ndarray) -> Figure:
    sdr = combined([measured(patch.score["texture"].get("Sdr")) for patch in outcome.patches], weights)
    if sdr is None:
        return exactly(1.0, ASSUMED)
    return rising(lambda more: 1 + more, of_measured(sdr))


def _of_option(outcome: PanelOutcome, weights: np.ndarray, key: str) -> Measured | None:
    """A depth of the option to sand flat, over the panel; None where no patch has it."""
    found = []
    for patch in outcome.patches:
        options = patch.score.get("options", [])
        found.append(measured(next((o.get(key) for o in options if o["name"] == RETEXTURE), None)))
    return combined(found, weights)


def _void_depth(outcome: PanelOutcome) -> Figure:
    """Filler up to the peaks is the void depth, where a result has no local planes."""
    void = outcome.figures.get("void_depth_mm")
    if void is None:
        raise SettingsError(
            f"No patch of {outcome.name!r} has a void depth, so its filler cannot be told. Score it again."
        )
    return of_measured(void)


def _notes(outcome: PanelOutcome, coats: tuple[Coat, ...]) -> tuple[str, ...]:
    forecast = [entry["coat"] for entry in outcome.deciding.score["coats"]["void_depth_mm"]]
    if not forecast or forecast == [coat.name for coat in coats]:
        return ()
    return (
        f"The result was forecast with other coats ({', '.join(forecast)}); score it again with the survey's coats.",
    )
