"""What a proposal is made from: the survey, the panels with their evidence, the plan."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date

from texscan.limits import Limits
from texscan.model import Coat, Measured
from texscan.plan.choice import OF_ACTION, Choice
from texscan.plan.job import Job
from texscan.plan.timetable import Programme
from texscan.proposal.content import Picture
from texscan.proposal.evidence_drawing import Evidence
from texscan.proposal.wording import NO_BREAK, clean
from texscan.survey.area import panel_area_m2
from texscan.survey.outcome import PanelOutcome
from texscan.survey.records import Survey, SurveyPanel

NOT_SCORED = "not-scored"
ACTIONS = ("recoat", "sand-flat-and-retexture", "inconclusive")
RECOAT_WAYS = ("recoat-as-planned", "fewer-coats", "sprayed")


@dataclass(frozen=True, slots=True)
class Issue:
    """This edition of the document."""

    revision: str = "1"
    dated: date | None = None
    valid_until: date | None = None


@dataclass(frozen=True, slots=True)
class Panel:
    """One panel: what was noted, what was found, what it looks like."""

    number: int  # as on the deck plan, from 1
    name: str
    noted: SurveyPanel | None
    outcome: PanelOutcome | None  # None: not scored
    evidence: Evidence | None
    ways: tuple[str, ...] = ()  # the options specified for it: chosen, else recommended; two where it is open

    @property
    def title(self) -> str:
        """Number and name, as every table names it."""
        return f"{self.number}{NO_BREAK}{NO_BREAK}{clean(self.name)}"

    @property
    def area_m2(self) -> Measured | None:
        return None if self.noted is None else panel_area_m2(self.noted)

    @property
    def found(self) -> PanelOutcome:
        """What was scored; ValueError where nothing was."""
        if self.outcome is None:
            raise ValueError(f"panel {self.name!r} is not scored")
        return self.outcome

    @property
    def action(self) -> str:
        """One of ACTIONS, or NOT_SCORED."""
        return NOT_SCORED if self.outcome is None else self.outcome.action

    @property
    def score(self) -> dict:
        """score.json of the patch that decides; empty where the panel is not scored."""
        return {} if self.outcome is None else self.outcome.deciding.score

    def option(self, name: str) -> dict | None:
        """An option of the patch that decides, as score.json has it."""
        return next((way for way in self.score.get("options", ()) if way.get("name") == name), None)


@dataclass(frozen=True, slots=True)
class Plan:
    """Quantities and, where it could be made, the programme."""

    job: Job
    programme: Programme | None
    chart: Picture | None  # of the programme
    no_programme: str  # why there is none
    assumed: tuple[str, ...]  # paces and figures of the programme that nobody stated


@dataclass(frozen=True, slots=True)
class Material:
    """All of it."""

    panels: tuple[Panel, ...]
    survey: Survey | None
    issue: Issue
    limits: Limits
    version: str  # of this program
    deck: Picture | None = None  # the deck plan
    logo: Picture | None = None
    plan: Plan | None = None
    no_plan: str = ""  # why there is none
    default_coats: tuple[Coat, ...] = ()

    @property
    def coats(self) -> tuple[Coat, ...]:
        """The coats of the survey; the usual ones where it states none."""
        return self.survey.coats if self.survey and self.survey.coats else self.default_coats

    def coats_of(self, panel: Panel) -> tuple[Coat, ...]:
        """The panel's own coats, else the survey's."""
        return (panel.noted.coats if panel.noted else ()) or self.coats

    @property
    def coats_assumed(self) -> bool:
        """Whether a panel rests on the usual coats, because nothing is stated."""
        stated = self.survey is not None and bool(self.survey.coats)
        return not stated and any(not (panel.noted and panel.noted.coats) for panel in self.panels)

    def with_action(self, action: str) -> tuple[Panel, ...]:
        return tuple(panel for panel in self.panels if panel.action == action)

    def with_way(self, *ways: str) -> tuple[Panel, ...]:
        """Panels for which one of these ways is chosen or recommended, and no other way is open."""
        return tuple(panel for panel in self.panels if len(panel.ways) == 1 and panel.ways[0] in ways)

    def open(self) -> tuple[Panel, ...]:
        """Panels whose way is not decided."""
        return tuple(panel for panel in self.panels if len(panel.ways) != 1)


def total_area(panels: Iterable[Panel]) -> Measured | None:
    """Sum of the areas that are stated, ends added up (one tape, one hand); None where none is."""
    areas = [area for area in (panel.area_m2 for panel in panels) if area is not None]
    if not areas:
        return None
    return Measured(sum(a.value for a in areas), sum(a.low for a in areas), sum(a.high for a in areas))


def panels_of(
    outcomes: tuple[PanelOutcome, ...],
    survey: Survey | None,
    evidence: dict[str, Evidence],
    chosen: tuple[Choice, ...] = (),
) -> tuple[Panel, ...]:
    """The panels of the survey in its order, then those that were scored but not noted; numbered from 1."""
    found = {outcome.name: outcome for outcome in outcomes}
    noted = {panel.name: panel for panel in survey.panels} if survey else {}
    ways = {outcome.name: OF_ACTION[outcome.action] for outcome in outcomes}
    ways |= {choice.panel: choice.options for choice in chosen}
    names = [*noted, *(name for name in found if name not in noted)]
    return tuple(
        Panel(number, name, noted.get(name), found.get(name), evidence.get(name), ways.get(name, ()))
        for number, name in enumerate(names, start=1)
    )
