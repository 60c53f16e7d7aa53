"""survey.toml to the records of a survey: every value checked, every refusal with its line."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable
from dataclasses import replace

from texscan import settings
from texscan.cautions import OF_OPTION
from texscan.compatibility import EXISTING, PLANNED, SEEN, RagTest
from texscan.errors import SettingsError
from texscan.survey.area import outline_fault, panel_area_m2, panel_perimeter_m
from texscan.survey.entries import Entry
from texscan.survey.lines import lines_of
from texscan.survey.records import (
    BOWS,
    WEEKDAYS,
    Boat,
    Crew,
    DeckPlan,
    FieldTest,
    Looks,
    Party,
    Patch,
    Survey,
    SurveyPanel,
)

__all__ = ["panel_area_m2", "panel_perimeter_m", "survey_from_toml"]

# Limits that a slip of the pen crosses and a boat does not.
LENGTH_M = (1.0, 200.0)
AREA_M2 = (0.01, 2000.0)
SIDE_M = (0.05, 200.0)
PERIMETER_M = (0.2, 1000.0)
PLACE_M = (-200.0, 200.0)
PLACE_PX = (0.0, 100_000.0)
METRES_PER_PX = (1e-5, 1.0)
HOURS_SINCE_COAT = (0.0, 1e6)
RAG_MINUTES = (0.0, 600.0)
SHARE = (0.001, 1.0)
SHARES_SUM_WITHIN = 0.01
PEOPLE = (1, 50)
HOURS_A_DAY = (0.5, 24.0)
TAGS = (1, 99)  # there are markers for so many
MOST_CORNERS = 200
MOST_PANELS = 500

SURVEY_KEYS = ("surveyor", "surveyed_on", "weather", "units", "printed_bar_mm", "coats", "notes",
               "boat", "owner", "yard", "looks", "crew", "deck_plan", "panel")  # fmt: skip
PANEL_KEYS = ("name", "patch", "photos", "ambient", "mask", "tag", "area_m2", "sides_m", "outline_m", "outline_px",
              "perimeter_m", "existing", "planned", "hours_since_coat", "rag_test", "adhesion", "lead", "soft_spots",
              "cracks", "fittings", "coats", "chosen", "reference", "history", "notes")  # fmt: skip
ADHESION, LEAD = ("holds", "fails"), ("none found", "found")


def survey_from_toml(text: str, name: str) -> Survey:
    """
    The survey that a survey.toml tells.

    Parameters
    ----------
    text : TOML; the keys are the fields of the records in `records.py`, panels stand under [[panel]], their patches
        under [[panel.patch]], `coats` names a coats file (kept in `coats_file`, not opened here).
    name : of the file, for the sentences.

    Raises
    ------
    SettingsError : with file, line, what was found and what to write instead; unknown keys with the nearest known.
    """
    whole = Entry(settings.parse(text, name), name, lines_of(text))
    whole.known(SURVEY_KEYS)
    if whole.entry("boat") is None:
        raise SettingsError(f'{name} has no boat. Write [boat] on a line of its own, and name = "..." under it.')
    plan = _deck_plan(whole)
    return Survey(
        boat=_boat(whole.entry("boat")),  # type: ignore[arg-type]
        surveyor=whole.text("surveyor"),
        surveyed_on=whole.day("surveyed_on"),
        weather=whole.text("weather"),
        units=whole.choice("units", ("metric", "imperial")) or "metric",
        owner=_party(whole.entry("owner")),
        yard=_party(whole.entry("yard")),
        looks=_looks(whole.entry("looks")),
        crew=_crew(whole.entry("crew")),
        printed_bar_mm=whole.number("printed_bar_mm", *settings.BAR_RANGE_MM),
        coats_file=whole.file_name("coats"),
        deck_plan=plan,
        panels=_panels(whole, plan),
        notes=whole.text("notes"),
    )


def _fields(record: type) -> Iterable[str]:
    return [field.name for field in dataclasses.fields(record)]


def _boat(entry: Entry) -> Boat:
    entry.known(_fields(Boat))
    return Boat(
        name=entry.name(),
        kind=entry.text("kind"),
        length_m=entry.number("length_m", *LENGTH_M),
        place=entry.text("place"),
        ashore=entry.yes_or_no("ashore"),
    )


def _party(entry: Entry | None) -> Party:
    if entry is None:
        return Party()
    entry.known(_fields(Party))
    address = entry.texts("address", '["1 Example Quay", "Sampleton"]')
    return Party(name=entry.text("name"), address=address, contact=entry.text("contact"))


def _looks(entry: Entry | None) -> Looks:
    if entry is None:
        return Looks()
    entry.known(_fields(Looks))
    return Looks(
        logo=entry.file_name("logo"),
        accent=entry.matching("accent", "#[0-9a-fA-F]{6}", "#1b6f8a"),
        paper=entry.choice("paper", ("a4", "letter")) or "a4",
        language=entry.matching("language", "[a-z]{2,3}(-[A-Za-z0-9]{2,8})*", "en") or "en",
    )


def _crew(entry: Entry | None) -> Crew:
    if entry is None:
        return Crew()
    entry.known(_fields(Crew))
    usual = Crew()
    days_off = entry.texts("days_off", '["saturday", "sunday"]') if "days_off" in entry.values else usual.days_off
    for day in days_off:
        if day not in WEEKDAYS:
            raise SettingsError(f"{entry.where('days_off')} names {day!r}; of {', '.join(WEEKDAYS)} are needed.")
    if len(days_off) == len(WEEKDAYS):
        raise SettingsError(f"{entry.where('days_off')} names all seven days; leave a day to work.")
    crew = Crew(
        people=entry.whole("people", *PEOPLE) or usual.people,
        day_starts=entry.matching("day_starts", "([01][0-9]|2[0-3]):[0-5][0-9]", "08:00") or usual.day_starts,
        hours_a_day=entry.number("hours_a_day", *HOURS_A_DAY) or usual.hours_a_day,
        days_off=days_off,
        closed=entry.days("closed"),
        first_day=entry.day("first_day"),
        last_day=entry.day("last_day"),
    )
    if crew.first_day and crew.last_day and crew.last_day < crew.first_day:
        raise entry.refuse("last_day", f"a day from first_day ({crew.first_day}) on is needed.")
    hours, minutes = (int(part) for part in crew.day_starts.split(":"))
    if hours + minutes / 60 + crew.hours_a_day > 24:
        raise entry.refuse("hours_a_day", f"from {crew.day_starts} on so many hours run past midnight. Write fewer.")
    return crew


def _deck_plan(whole: Entry) -> DeckPlan:
    entry = whole.entry("deck_plan")
    if entry is None:
        return DeckPlan()
    entry.known(_fields(DeckPlan))
    return DeckPlan(
        picture=entry.file_name("picture"),
        metres_per_px=entry.number("metres_per_px", *METRES_PER_PX),
        bow=entry.choice("bow", BOWS),
        outline_m=_outline(entry, "outline_m", PLACE_M),
    )


def _panels(whole: Entry, plan: DeckPlan) -> tuple[SurveyPanel, ...]:
    entries = whole.entries("panel")
    if len(entries) > MOST_PANELS:
        raise SettingsError(f"{whole.file} has {len(entries)} panels; at most {MOST_PANELS} are taken. Split it.")
    panels: list[SurveyPanel] = []
    for entry in entries:
        panel = _panel(entry, plan)
        for other in panels:
            _refuse_twins(entry, panel, other)
        panels.append(panel)
    return tuple(panels)


def _refuse_twins(entry: Entry, panel: SurveyPanel, other: SurveyPanel) -> None:
    """Names that differ in case only would share a folder on some computers."""
    if panel.name.casefold() == other.name.casefold():
        raise entry.refuse("name", f"another panel is named {other.name!r}. Give each panel a name of its own.")
    if panel.tag is not None and panel.tag == other.tag:
        raise entry.refuse("tag", f"panel {other.name!r} has that tag too. Give each panel a tag of its own.")
    if panel.reference and other.reference:
        raise entry.refuse("reference", f"panel {other.name!r} is the reference too. Name one reference panel.")


def _panel(entry: Entry, plan: DeckPlan) -> SurveyPanel:
    entry.known(PANEL_KEYS)
    sides = entry.numbers("sides_m", 2, *SIDE_M)
    panel = SurveyPanel(
        name=entry.name(),
        patches=_patches(entry),
        photos=entry.globs("photos"),
        ambient=entry.file_name("ambient"),
        mask=entry.file_name("mask"),
        tag=entry.whole("tag", *TAGS),
        area_m2=entry.number("area_m2", *AREA_M2),
        sides_m=(sides[0], sides[1]) if sides else None,
        outline_m=_outline(entry, "outline_m", PLACE_M),
        outline_px=_outline(entry, "outline_px", PLACE_PX),
        metres_per_px=plan.metres_per_px,
        perimeter_m=entry.number("perimeter_m", *PERIMETER_M),
        soft_spots=entry.text("soft_spots"),
        cracks=entry.text("cracks"),
        fittings=entry.texts("fittings", '["cleat", "two stanchion bases"]'),
        coats_file=entry.file_name("coats"),
        chosen=entry.choice("chosen", tuple(OF_OPTION)),
        reference=entry.yes_or_no("reference") or False,
        history=entry.text("history"),
        notes=entry.text("notes"),
    )
    for key in ("photos", "ambient", "mask"):
        _refuse_both(entry, key, "patch", "move it into the patch that it belongs to")
    _refuse_both(entry, "area_m2", "sides_m", "the sides give the area; delete one of them")
    _refuse_both(entry, "outline_m", "outline_px", "delete one of them")
    if panel.outline_px and plan.picture is None:
        raise SettingsError(
            f"{entry.where('outline_px')} stands on a plan picture and none is named. Write [deck_plan] with "
            'picture = "plan.png", or give the outline in metres as outline_m.'
        )
    return _with_coating(entry, panel)


def _with_coating(entry: Entry, panel: SurveyPanel) -> SurveyPanel:
    return replace(
        panel,
        existing=entry.choice("existing", EXISTING),
        planned=entry.choice("planned", PLANNED),
        hours_since_coat=entry.number("hours_since_coat", *HOURS_SINCE_COAT),
        rag_test=_rag_test(entry.entry("rag_test")),
        adhesion=_field_test(entry.entry("adhesion"), ADHESION),
        lead=_field_test(entry.entry("lead"), LEAD),
    )


def _refuse_both(entry: Entry, first: str, second: str, then: str) -> None:
    if first in entry.values and second in entry.values:
        raise SettingsError(f"{entry.where(second)} stands beside {first}; {then}.")


def _outline(entry: Entry, key: str, limits: tuple[float, float]) -> tuple[tuple[float, float], ...]:
    """A simple polygon; one that is closed by its first corner again loses that corner."""
    points = entry.points(key, most=MOST_CORNERS, low=limits[0], high=limits[1])
    if len(points) > 1 and points[0] == points[-1]:
        points = points[:-1]
    fault = outline_fault(points) if key in entry.values else None
    if fault:
        raise SettingsError(f"{entry.where(key)} {fault}.")
    return points


def _patches(entry: Entry) -> tuple[Patch, ...]:
    patches: list[Patch] = []
    for inner in entry.entries("patch"):
        inner.known(_fields(Patch))
        patch = Patch(
            name=inner.name(),
            photos=inner.globs("photos"),
            ambient=inner.file_name("ambient"),
            mask=inner.file_name("mask"),
            share_of_area=inner.number("share_of_area", *SHARE),
        )
        if not patch.photos:
            raise SettingsError(f'{inner.where()} has no photos. Write photos = ["folder/*.jpg"] under its name.')
        if patch.name.casefold() in (other.name.casefold() for other in patches):
            raise inner.refuse("name", "another patch of this panel has that name. Give each a name of its own.")
        patches.append(patch)
    shares = [patch.share_of_area for patch in patches if patch.share_of_area is not None]
    if shares and len(shares) < len(patches):
        raise SettingsError(f"{entry.where('patch')}: {len(shares)} of {len(patches)} patches have a share_of_area. "
                            "Give all of them one, or none.")  # fmt: skip
    if shares and abs(sum(shares) - 1) > SHARES_SUM_WITHIN:
        raise SettingsError(f"{entry.where('patch')}: the patches' share_of_area add up to {sum(shares):g}; they are "
                            "shares of the panel and must add up to 1.")  # fmt: skip
    return tuple(patches)


def _rag_test(entry: Entry | None) -> RagTest | None:
    if entry is None:
        return None
    entry.known(_fields(RagTest))
    reducer, seen = entry.choice("reducer", PLANNED), entry.choice("seen", SEEN)
    minutes = entry.number("minutes", *RAG_MINUTES)
    if reducer is None or seen is None or minutes is None:
        raise SettingsError(
            f'{entry.where()} is not whole. Write it as rag_test = {{ reducer = "two-part", minutes = 10, '
            'seen = "unharmed" }.'
        )
    return RagTest(reducer, minutes, seen)


def _field_test(entry: Entry | None, outcomes: tuple[str, ...]) -> FieldTest | None:
    if entry is None:
        return None
    entry.known(_fields(FieldTest))
    outcome, method = entry.choice("outcome", outcomes), entry.text("method")
    if outcome is None or not method:
        raise SettingsError(
            f'{entry.where()} needs the method in words and the outcome. Write method = "..." and '
            f'outcome = "{outcomes[0]}" or "{outcomes[1]}".'
        )
    return FieldTest(method, outcome, entry.text("note"))
