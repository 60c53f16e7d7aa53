"""The frozen records of a survey, as survey.toml tells it. None or an empty tuple = not stated."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date

from texscan.compatibility import RagTest
from texscan.model import Coat

BOWS = ("right", "left", "up", "down")
WEEKDAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")


@dataclass(frozen=True, slots=True)
class Boat:
    """Which boat, and where it stood."""

    name: str
    kind: str = ""  # "sloop", "motor yacht"
    length_m: float | None = None
    place: str = ""
    ashore: bool | None = None


@dataclass(frozen=True, slots=True)
class Party:
    """Owner or yard, as the proposal names them."""

    name: str = ""
    address: tuple[str, ...] = ()  # lines
    contact: str = ""


@dataclass(frozen=True, slots=True)
class Looks:
    """What a yard puts on its proposals."""

    logo: str | None = None  # picture file, relative to survey.toml
    accent: str | None = None  # colour "#rrggbb"
    paper: str = "a4"  # "a4" or "letter"
    language: str = "en"


@dataclass(frozen=True, slots=True)
class Crew:
    """Who works, and when."""

    people: int = 1
    day_starts: str = "08:00"  # local time
    hours_a_day: float = 8.0
    days_off: tuple[str, ...] = ("saturday", "sunday")  # of WEEKDAYS; not all seven
    closed: tuple[date, ...] = ()  # holidays
    first_day: date | None = None  # when the work may start
    last_day: date | None = None  # when it must be done


@dataclass(frozen=True, slots=True)
class FieldTest:
    """Adhesion or lead test: how and what came out."""

    method: str  # "ISO 2409", "swab", in the surveyor's words
    outcome: str  # adhesion: "holds", "fails"; lead: "none found", "found"
    note: str = ""


@dataclass(frozen=True, slots=True)
class Patch:
    """One set of photos of a panel."""

    name: str
    photos: tuple[str, ...] = ()  # glob patterns, relative to survey.toml
    ambient: str | None = None  # photo with the torch off
    mask: str | None = None
    share_of_area: float | None = None  # of the panel; None = equal shares


@dataclass(frozen=True, slots=True)
class SurveyPanel:
    """One panel as noted on board."""

    name: str
    patches: tuple[Patch, ...] = ()
    photos: tuple[str, ...] = ()  # glob patterns, for a panel of one patch
    ambient: str | None = None  # likewise
    mask: str | None = None  # likewise
    tag: int | None = None  # number of the printed tag in its photos
    area_m2: float | None = None
    sides_m: tuple[float, float] | None = None  # instead of area_m2
    outline_m: tuple[tuple[float, float], ...] = ()  # polygon on the deck: x forward, y to port
    outline_px: tuple[tuple[float, float], ...] = ()  # polygon on the plan picture: x right, y down from its corner
    metres_per_px: float | None = None  # of the plan picture under outline_px
    perimeter_m: float | None = None
    existing: str | None = None
    planned: str | None = None
    hours_since_coat: float | None = None
    rag_test: RagTest | None = None
    adhesion: FieldTest | None = None
    lead: FieldTest | None = None
    soft_spots: str = ""  # what was found; empty = none noted. Anything: repair first
    cracks: str = ""
    fittings: tuple[str, ...] = ()  # to come off
    coats: tuple[Coat, ...] = ()  # planned; empty = the survey's
    coats_file: str | None = None  # where they come from, relative to survey.toml
    chosen: str | None = None  # the way to do the work that the owner chose; None = as recommended
    reference: bool = False  # this panel shows what sound looks like on this boat
    history: str = ""
    notes: str = ""

    @property
    def sets(self) -> tuple[Patch, ...]:
        """The patches; for a panel of one patch that stands for it, without a name. Empty: no photos are named."""
        if self.patches:
            return self.patches
        return (Patch("", self.photos, self.ambient, self.mask),) if self.photos else ()


@dataclass(frozen=True, slots=True)
class DeckPlan:
    """What lies under the panels' outlines: the edge of the deck, or a picture."""

    picture: str | None = None  # relative to survey.toml
    metres_per_px: float | None = None
    bow: str | None = None  # where the bow is in the picture, one of BOWS
    outline_m: tuple[tuple[float, float], ...] = ()  # edge of the deck, in the frame of the panels' outline_m


@dataclass(frozen=True, slots=True)
class Survey:
    """A whole survey.toml."""

    boat: Boat
    surveyor: str = ""
    surveyed_on: date | None = None
    weather: str = ""
    units: str = "metric"  # "metric" or "imperial": how areas and volumes are printed; the file itself is metric
    owner: Party = field(default_factory=Party)
    yard: Party = field(default_factory=Party)
    looks: Looks = field(default_factory=Looks)
    crew: Crew = field(default_factory=Crew)
    printed_bar_mm: float | None = None
    coats: tuple[Coat, ...] = ()
    coats_file: str | None = None
    deck_plan: DeckPlan = field(default_factory=DeckPlan)
    panels: tuple[SurveyPanel, ...] = ()
    notes: str = ""
