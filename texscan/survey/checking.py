"""What a survey has, what it still lacks, and what in it looks like a slip."""

from __future__ import annotations

import math
from itertools import combinations
from pathlib import Path

import shapely

from texscan.model import Measured
from texscan.survey.area import panel_area_m2, panel_perimeter_m, polygon_area
from texscan.survey.photos import Found
from texscan.survey.records import Survey, SurveyPanel

OVERLAP_M2 = 0.02  # two outlines taped apart share less than this
AREAS_DIFFER = 0.2  # share by which an entered area and its outline may differ


def area_of_all(panels: tuple[SurveyPanel, ...]) -> Measured | None:
    """Area of the panels together [m2], of those that have one, measured apart; None = none has."""
    areas = [area for panel in panels if (area := panel_area_m2(panel))]
    if not areas:
        return None
    return Measured.from_u(sum(a.value for a in areas), math.hypot(*(a.u for a in areas)), at_least=0.0)


def lacking(survey: Survey, found: Found) -> dict[str, tuple[str, ...]]:
    """What is missing for each next step, in sentences that say what to write; steps with nothing missing are out."""
    no_outline = [panel.name for panel in survey.panels if not (panel.outline_m or panel.outline_px)]
    all_lacks = {
        "scoring": _for_scoring(survey, found),
        "quantities": _for_quantities(survey.panels),
        "the programme": () if survey.crew.first_day else ("[crew] first_day: when the work may start.",),
        "the proposal": _for_the_proposal(survey),
        "the deck plan": tuple(f"{name}: no outline." for name in no_outline),
    }
    return {step: lacks for step, lacks in all_lacks.items() if lacks}


def _for_scoring(survey: Survey, found: Found) -> tuple[str, ...]:
    if not survey.panels:
        return ("No panel yet. Write [[panel]] with a name and photos.",)
    photos = [lack for panel in survey.panels for lack in _photos_lacking(panel, found.get(panel.name, {}))]
    bar = [] if survey.printed_bar_mm else ["printed_bar_mm: without it 3 % of scale stands in each interval."]
    old = _unstated(survey.panels, "existing", "the old coating is not stated")
    new = _unstated(survey.panels, "planned", "the new coating is not stated")
    return (*photos, *bar, *old, *new)


def _for_quantities(panels: tuple[SurveyPanel, ...]) -> tuple[str, ...]:
    no_area = [panel.name for panel in panels if panel_area_m2(panel) is None]
    no_edge = [panel.name for panel in panels if panel_perimeter_m(panel) is None]
    return (
        *(f"{name}: no area. Write area_m2, sides_m or outline_m." for name in no_area),
        *(f"{name}: no perimeter for the tape. Write perimeter_m or an outline." for name in no_edge),
    )


def _photos_lacking(panel: SurveyPanel, found: dict[str, tuple[Path, ...]]) -> list[str]:
    if not panel.sets:
        told = bool(found) or panel.tag is not None
        return [] if told else [f"{panel.name}: no photos. Write photos, patches or the tag in them."]
    return [
        f"{panel.name}: {', '.join(patch.photos)} finds no photo{f' of patch {patch.name}' if patch.name else ''}. "
        "Correct it, or copy the photos."
        for patch in panel.sets
        if not found.get(patch.name)
    ]


def _for_the_proposal(survey: Survey) -> tuple[str, ...]:
    stated = {
        "surveyor": survey.surveyor,
        "surveyed_on": survey.surveyed_on,
        "[boat] place": survey.boat.place,
        "[owner] name": survey.owner.name,
        "[yard] name": survey.yard.name,
    }
    empty = [key for key, value in stated.items() if not value]
    return (f"Not stated: {', '.join(empty)}.",) if empty else ()


def _unstated(panels: tuple[SurveyPanel, ...], key: str, what: str) -> list[str]:
    names = [panel.name for panel in panels if getattr(panel, key) is None]
    return [f"{', '.join(names)}: {what}. Write {key} = ..."] if names else []


def slips(survey: Survey, found: Found) -> tuple[str, ...]:
    """What is allowed but looks like a slip, in sentences."""
    return (*_overlaps(survey.panels), *_areas(survey.panels), *_photos_twice(found))


def _overlaps(panels: tuple[SurveyPanel, ...]) -> list[str]:
    outlined = [(panel.name, shapely.Polygon(panel.outline_m)) for panel in panels if panel.outline_m]
    said = []
    for (name, one), (other, two) in combinations(outlined, 2):
        shared = one.intersection(two).area
        if shared > OVERLAP_M2:
            said.append(f"The outlines of {name} and {other} overlap by {shared:.2f} m2.")
    return said


def _areas(panels: tuple[SurveyPanel, ...]) -> list[str]:
    said = []
    for panel in panels:
        entered = panel_area_m2(panel)
        if not panel.outline_m or entered is None:
            continue
        drawn = polygon_area(panel.outline_m)
        if not 1 - AREAS_DIFFER <= drawn / entered.value <= 1 + AREAS_DIFFER:
            said.append(f"{panel.name}: {entered.value:.2f} m2 are stated and its outline holds {drawn:.2f} m2.")
    return said


def _photos_twice(found: Found) -> list[str]:
    owner: dict[Path, str] = {}
    said = []
    for panel, patches in found.items():
        for patch, photos in patches.items():
            place = f"{panel}, {patch}" if patch else panel
            said += [
                f"{photo.name} is a photo of {owner[photo]} and of {place}." for photo in photos if photo in owner
            ]
            owner |= {photo: place for photo in photos if photo not in owner}
    return said
