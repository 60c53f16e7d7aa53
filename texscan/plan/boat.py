"""From a scored survey to the quantities of the whole boat."""

from __future__ import annotations

from dataclasses import dataclass

from texscan.plan.basis import Basis, basis_of
from texscan.plan.choice import NO_WORK, Choice
from texscan.plan.costs import Costs, costs_of
from texscan.plan.figure import USER, rising, total
from texscan.plan.orders import Case, cases
from texscan.plan.quantities import FEWER, Means, Quantity, quantities_of, smooth_quantities
from texscan.plan.yard import Yard
from texscan.survey.outcome import PanelOutcome
from texscan.survey.records import Survey


@dataclass(frozen=True, slots=True)
class BoatQuantities:
    """Quantities by panel and option, and over the boat; `costs` is empty without prices."""

    choices: tuple[Choice, ...]
    bases: tuple[Basis, ...]
    rows: tuple[Quantity, ...]
    cases: tuple[Case, ...]
    costs: tuple[Costs, ...]
    notes: tuple[str, ...]


def boat_quantities(
    outcomes: tuple[PanelOutcome, ...],
    survey: Survey,
    chosen: tuple[Choice, ...],
    means: Means,
    *,
    share_guard: float,
    yard: Yard | None = None,
) -> BoatQuantities:
    """
    Every panel by the chosen way and by each other way that its result offers, and the boat's totals.

    Parameters
    ----------
    outcomes, survey : the scored panels, and what was noted on board; panels that are not scored stay out, with a
        note.
    chosen : one a panel, from `choice.choices`.
    share_guard : half-width of the interval of a share of area.
    yard : whether the smooth borders are painted too, and how wide they are; None = they are not.

    Raises
    ------
    SettingsError : a panel without area or not in the survey, a texture that lacks a figure.
    """
    bases = tuple(basis_of(outcome, survey, share_guard=share_guard) for outcome in outcomes)
    rows: list[Quantity] = []
    for basis, choice in zip(bases, chosen, strict=True):
        unknown = (NO_WORK,) if basis.fewer else (NO_WORK, FEWER)  # results of old do not name the coats
        other = (option for option in basis.offered if option not in (*choice.options, *unknown))
        for option in (*choice.options, *other):
            rows += quantities_of(basis, option, means)
    if yard is not None and yard.smooth_areas:
        rows += _smooth(bases, chosen, means, yard)
    found = cases(tuple(rows), chosen, means.rates)
    priced = tuple(costs for case in found if (costs := costs_of(case, means.rates)) is not None)
    return BoatQuantities(chosen, bases, tuple(rows), found, priced, _notes(outcomes, survey, bases, chosen, means))


def _smooth(bases: tuple[Basis, ...], chosen: tuple[Choice, ...], means: Means, yard: Yard) -> tuple[Quantity, ...]:
    """Borders of the panels that are worked on, in the coats of the first of them."""
    worked = [basis for basis, choice in zip(bases, chosen, strict=True) if choice.options != (NO_WORK,)]
    if not worked:
        return ()
    area = yard.smooth_area_m2
    if area is None:
        edge = total(tuple(basis.edge_m for basis in worked))
        area = rising(lambda metres, width: metres * width, edge, yard.work["border_m"])
    stated = yard.work["smooth_m2_per_h"]
    sanding = stated if stated.source == USER else None
    return smooth_quantities(area, worked[0].coats, worked[0].coats_source, means, sanding=sanding)


def _notes(
    outcomes: tuple[PanelOutcome, ...],
    survey: Survey,
    bases: tuple[Basis, ...],
    chosen: tuple[Choice, ...],
    means: Means,
) -> tuple[str, ...]:
    """What a reader of the quantities has to know, each once."""
    scored = {outcome.name for outcome in outcomes}
    notes = [
        f"{panel.name}: in the survey but not scored; it is in no quantity."
        for panel in survey.panels
        if panel.name not in scored
    ]
    notes += [f"{outcome.name}: {words}" for outcome in outcomes for words in outcome.cautions]
    notes += [f"{basis.panel}: {note}" for basis in bases for note in basis.notes]
    notes += [
        f"{choice.panel}: {option} is planned, though the result speaks against it; 'texscan explain' says why."
        for basis, choice in zip(bases, chosen, strict=True)
        for option in choice.options
        if not choice.open and option not in basis.offered and option != NO_WORK
    ]
    alone = [outcome.name for outcome in outcomes if len(outcome.patches) == 1]
    if alone:
        names = "every panel" if len(alone) == len(outcomes) > 1 else ", ".join(alone)
        notes.append(f"One patch stands for the whole panel, and for its filler: {names}.")
    if not means.rates.discs:
        notes.append("Discs are not counted: no yield is given. Write [[disc]] tables into the rates file.")
    notes += [
        f"The rates file has a paint for the coat {coat!r}, which no panel has planned."
        for paint in means.rates.paints
        for coat in paint.coats
        if not any(coat == planned.name for basis in bases for planned in basis.coats)
    ]
    return tuple(dict.fromkeys(notes))
