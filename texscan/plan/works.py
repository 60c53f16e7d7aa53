"""What is to be done on each panel, as the programme takes it: from the survey, the results and the chosen way."""

from __future__ import annotations

from dataclasses import dataclass, replace

from texscan.limits import Limits
from texscan.model import Coat
from texscan.plan.basis import Basis
from texscan.plan.choice import NO_WORK, RETEXTURE, Choice
from texscan.plan.figure import Figure, rising
from texscan.plan.quantities import FEWER, LOCAL_REPAIR
from texscan.survey.outcome import PanelOutcome
from texscan.survey.records import Survey, SurveyPanel

RETEXTURED = (RETEXTURE, LOCAL_REPAIR)  # options that end in a new texture


@dataclass(frozen=True, slots=True)
class PanelWork:
    """What is to be done on one panel."""

    name: str
    option: str  # name of an option of texscan.options
    area_m2: Figure
    edge_m: Figure
    coats: tuple[Coat, ...]
    tests: tuple[str, ...] = ()  # still to be done, in words
    repairs: tuple[str, ...] = ()  # in words
    fittings: tuple[str, ...] = ()
    can_key: bool = True  # False: an abrasive does not reach the valleys
    mixed: bool = True  # False: one-part paint, no pot life

    @property
    def retexture(self) -> bool:
        return self.option in RETEXTURED


def panel_works(
    bases: tuple[Basis, ...],
    chosen: tuple[Choice, ...],
    outcomes: tuple[PanelOutcome, ...],
    survey: Survey,
    limits: Limits,
) -> tuple[PanelWork, ...]:
    """
    One record for each panel with work to do; all arguments but the last two have one entry a panel, in one order.

    Where the photos leave it open, the longer way is planned: sand flat and retexture.
    """
    panels = {panel.name: panel for panel in survey.panels}
    found = []
    for basis, choice, outcome in zip(bases, chosen, outcomes, strict=True):
        option = RETEXTURE if RETEXTURE in choice.options else choice.options[0]
        if option != NO_WORK:
            found.append(_work(basis, option, outcome, panels[basis.panel], limits))
    return tuple(found)


def _work(basis: Basis, option: str, outcome: PanelOutcome, panel: SurveyPanel, limits: Limits) -> PanelWork:
    work = PanelWork(
        basis.panel,
        option,
        basis.area_m2,
        basis.edge_m,
        tuple(coat for coat in basis.coats if option != FEWER or not basis.fewer or coat.name in basis.fewer),
        _tests(panel),
        outcome.repair_first,
        panel.fittings,
        can_key=option in RETEXTURED or _valleys_reached(outcome, limits),
        mixed=panel.planned != "one-part",
    )
    if option == LOCAL_REPAIR:
        area = rising(lambda whole, share: whole * share, basis.area_m2, basis.bad_share)
        edge = rising(lambda whole, share: whole * share**0.5, basis.edge_m, basis.bad_share)
        work = replace(work, area_m2=area, edge_m=edge)
    return work


def _tests(panel: SurveyPanel) -> tuple[str, ...]:
    """Tests that the survey does not report; bare gelcoat holds no old paint to be tested for lead."""
    tests = [] if panel.adhesion else ["adhesion"]
    if panel.lead is None and panel.existing != "gelcoat":
        tests.append("lead")
    if panel.rag_test is None and panel.planned == "two-part" and panel.existing in (None, "unknown"):
        tests.append("solvent rag")
    return tuple(tests)


def _valleys_reached(outcome: PanelOutcome, limits: Limits) -> bool:
    """Whether the limits' tool keys the valleys of the old texture; True where no reach was measured."""
    wanted = limits.decision["key_radius_mm"].value
    tips = [r for r in outcome.deciding.score["coats"].get("reach", ()) if r["radius_mm"] is not None]
    if not tips:
        return True
    gap = min(tips, key=lambda tip: abs(tip["radius_mm"] - wanted))["gap_mm"]
    return gap is None or gap["value"] <= limits.decision["reach_gap_mm"].value
