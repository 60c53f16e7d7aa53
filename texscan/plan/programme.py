"""The best way to split the work and its earliest programme; or why there is none."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np

from texscan.errors import SettingsError
from texscan.limits import Limits
from texscan.model import Coat
from texscan.plan.groups import Group, Manner, groups_of, manners
from texscan.plan.network import ANY, DRY, Network
from texscan.plan.schedule import Clock, Schedule, schedule, unmet_window
from texscan.plan.sequence import Terms, network
from texscan.plan.shifts import SLOTS_A_DAY, SLOTS_AN_HOUR, shifts, slots_of
from texscan.plan.weather import Forecast, admissible, film_c
from texscan.plan.windows import FILLER, CoatTimes, span_c, times_of, window_h
from texscan.plan.works import PanelWork
from texscan.plan.yard import Yard
from texscan.survey.records import Crew

CASES = LOW, LIKELY, HIGH = range(3)
FIRST_DAYS, MOST_DAYS = 90, 720  # that are looked at for a programme
SPARE_DAYS = 7  # behind the best programme so far: longer than any film has to stay free of dew


@dataclass(frozen=True, slots=True)
class Site:
    """When and with whom: the crew, the yard's figures, the limits, and the weather (None = no forecast)."""

    crew: Crew
    yard: Yard
    limits: Limits
    forecast: Forecast | None = None


@dataclass(frozen=True, slots=True)
class Plan:
    """A chosen way to split the work, its network, and the network's earliest schedule on this clock."""

    manner: Manner
    groups: tuple[Group, ...]
    network: Network
    clock: Clock
    schedule: Schedule

    @property
    def finish(self) -> datetime:
        return self.clock.shifts.moment(self.schedule.finish)


def best_plan(works: tuple[PanelWork, ...], site: Site, *, case: int = LIKELY) -> Plan:
    """
    The programme with the earliest last day over all ways to split the work that are tried; then with the fewest
    keyed coats; then the earliest hour.

    Parameters
    ----------
    works : panels with work to do, at least one.
    case : 0 few hours, 1 likely, 2 many.

    Raises
    ------
    SettingsError : no first day, a coat that does not fit into a working day, a window that no programme meets, own
        tasks in a circle.
    """
    terms = Terms(site.yard, site.limits, site.crew.hours_a_day, case)
    found: Plan | None = None
    days = FIRST_DAYS
    while found is None and days <= MOST_DAYS:
        clock = clock_of(works, site, days)
        for manner in manners(site.crew.people, works):
            groups = groups_of(works, manner)
            made = network(groups, manner, terms)
            if any(t.kind == "unbroken" and slots_of(t.hours) > clock.shifts.day_slots for t in made.tasks):
                continue
            plan = schedule(made, clock, beat=found.schedule.merit if found else None)
            if plan is not None:
                found = Plan(manner, groups, made, clock, plan)
                clock = clock.cut(-(-plan.finish // SLOTS_A_DAY) + SPARE_DAYS)
        days *= 2
    if found is None:
        raise _no_plan(works, site, terms)
    return found


def clock_of(works: tuple[PanelWork, ...], site: Site, days: int) -> Clock:
    """Shifts, gates and windows for so many days from the crew's first."""
    hours = shifts(site.crew, days)
    seen = seen_by_deck(site)
    dry = admissible(seen, None, hours)
    gates = {ANY: np.ones(len(dry), dtype=bool), DRY: dry}
    windows = {}
    for name, times in sheets(works, site).items():
        film = film_c(site.forecast, hours, site.yard.temperature_c)
        good, windows[name] = _windows(times, film, site.yard.temperature_c)
        gates[name] = admissible(seen, times, hours) & good
    return Clock(hours, gates, windows)


def sheets(works: Iterable[PanelWork], site: Site) -> dict[str, CoatTimes]:
    """Times of every coat of the job and of filler, by name."""
    coats: dict[str, Coat | str] = {coat.name: coat for work in works for coat in work.coats}
    return {name: times_of(coat, site.yard.sheets, site.limits) for name, coat in ({FILLER: FILLER} | coats).items()}


def seen_by_deck(site: Site) -> Forecast | None:
    """The forecast as the deck sees it."""
    if site.forecast is None or not site.yard.under_cover:
        return site.forecast
    return replace(site.forecast, rain_mm=np.zeros(len(site.forecast.times)))


def _windows(
    times: CoatTimes, film: np.ndarray, otherwise_c: float
) -> tuple[np.ndarray, tuple[np.ndarray, np.ndarray]]:
    """Where the sheet covers the film's temperature, and the window [slots] of a coat laid at each slot."""
    first, last = window_h(times, otherwise_c)
    least, most = np.full(len(film) + 1, slots_of(first)), np.full(len(film) + 1, _slots(last))
    if not (times.least_h_at or times.most_h_at):
        return np.ones(len(film), dtype=bool), (least, most)
    low, high = span_c(times)
    good = (film >= low) & (film <= high)
    for temperature in np.unique(np.round(film[good], 1)):
        here = np.flatnonzero(good & (np.round(film, 1) == temperature))
        hours = window_h(times, float(np.clip(temperature, low, high)))
        least[here], most[here] = slots_of(hours[0]), _slots(hours[1])
    return good, (least, most)


def _slots(hours: float) -> int:
    """Quarters of an hour that surely lie within so many hours."""
    return math.floor(hours * SLOTS_AN_HOUR + 1e-9)


def _no_plan(works: tuple[PanelWork, ...], site: Site, terms: Terms) -> SettingsError:
    """Why there is no programme, and what would change it."""
    manner = Manner((site.crew.people,), len(works), manners(1, works)[0].order)
    made = network(groups_of(works, manner), manner, terms)
    clock = clock_of(works, site, MOST_DAYS)
    day_h = clock.shifts.day_slots / SLOTS_AN_HOUR
    for task in made.tasks:
        if task.kind == "unbroken" and slots_of(task.hours) > clock.shifts.day_slots:
            return SettingsError(
                f"{_where(task.title, task.panels)} takes {task.hours:.1f} h with {people_words(task.people)}, and a "
                f"working day has {day_h:g} h; a coat is laid in one go. Take more people or longer days, or divide "
                "it at a joint into two panels of the survey."
            )
    open_air = Clock(clock.shifts, {n: np.ones(len(g), dtype=bool) for n, g in clock.gates.items()}, clock.windows)
    if schedule(made, open_air) is not None:
        return SettingsError(
            "The forecast and the temperatures of the data sheets leave no hour for some coat within "
            f"{MOST_DAYS} days. Use a later forecast, or correct temperature_c, least_c and most_c in the rates file."
        )
    window = unmet_window(made, open_air)
    if window is not None:
        titles = {task.name: task for task in made.tasks}
        least, most = (hours[0] / SLOTS_AN_HOUR for hours in clock.windows[window.coat])
        return SettingsError(
            f"No programme lays {_where(titles[window.then].title, titles[window.then].panels)} inside the window of "
            f"{titles[window.first].title!r}, {least:g} to {most:g} h after it, and it cannot be keyed. Work on days "
            "off or in longer days, take a paint with a longer window, or allow wash and key (key_between_coats)."
        )
    return SettingsError(
        f"No programme fits into {MOST_DAYS} days: a last coat and its tape do not fit into one working day of "
        f"{day_h:g} h, or a task waits for ever. Take more people or longer days, or raise pull_tape_within_h."
    )


def people_words(people: int) -> str:
    return "1 person" if people == 1 else f"{people} people"


def _where(title: str, panels: tuple[str, ...]) -> str:
    return f"{title} on {', '.join(panels)}" if panels else title
