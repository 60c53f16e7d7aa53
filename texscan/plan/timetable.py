"""A programme as its readers take it: each task with day and hour, what was missed and moved, what is assumed."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta

import numpy as np

from texscan.errors import SettingsError
from texscan.plan.figure import ASSUMED, USER, Figure
from texscan.plan.groups import Manner
from texscan.plan.network import ANY, DRY, Task, Window
from texscan.plan.programme import HIGH, LIKELY, LOW, Plan, Site, best_plan, people_words, seen_by_deck, sheets
from texscan.plan.schedule import Clock, Schedule, schedule
from texscan.plan.sequence import Terms, network
from texscan.plan.shifts import SLOTS_AN_HOUR, slots_of, works_on
from texscan.plan.weather import covered, refusal
from texscan.plan.windows import FILLER, largest_batch_l, pot_life_at
from texscan.plan.works import PanelWork

MOMENT = "%a %d %b %H:%M"
WAIT_SLOTS = 4  # an hour; shorter waits for a window are not worth a line
MOST_NAMES = 2  # of panels in a sentence
UM_M2_PER_L = 1000.0  # one litre on one square metre is 1000 um


Span = tuple[datetime, datetime]


@dataclass(frozen=True, slots=True)
class Row:
    """One task of the programme; local time. `hours`: elapsed, in working hours for the crew's tasks."""

    task: Task
    start: datetime
    end: datetime
    hours: Figure
    spans: tuple[Span, ...]  # when somebody works on it; the whole of a cure
    after: tuple[str, ...] = ()  # names of the tasks that it waits for
    film: str = ""  # name of the coat that this one goes over inside a window
    opens: datetime | None = None  # of that window, where the coat before began
    closes: datetime | None = None
    note: str = ""


@dataclass(frozen=True, slots=True)
class Programme:
    """All rows by start, when the work is done (few, likely, many hours), and what a reader has to know."""

    rows: tuple[Row, ...]
    finish: tuple[datetime, datetime, datetime | None]  # few, likely, many hours; None = no programme with many
    manner: Manner
    missed: tuple[str, ...]  # windows that were missed, or met by waiting, and what that costs
    moved: tuple[str, ...]  # tasks that the weather moved
    notes: tuple[str, ...]
    flags: tuple[str, ...]
    days_off: tuple[date, ...] = ()  # within the programme
    unfit: tuple[Span, ...] = ()  # hours in which the weather lets no coat be laid


def programme(works: tuple[PanelWork, ...], site: Site) -> Programme:
    """
    The earliest programme with likely hours, and when the work is done with few and with many.

    Raises
    ------
    SettingsError : see `programme.best_plan`.
    """
    plan = best_plan(works, site)
    low = best_plan(works, site, case=LOW)
    notes = []
    try:
        high = best_plan(works, site, case=HIGH).finish
    except SettingsError as error:
        high = None
        notes.append(f"With the most hours there is no programme. {error}")
    rows = tuple(sorted(_rows(plan, works, site), key=lambda row: (row.start, row.end, row.task.name)))
    return Programme(
        rows,
        (low.finish, plan.finish, high),
        plan.manner,
        _missed(plan),
        _moved(plan, works, site),
        (*notes, *_notes(plan, site)),
        tuple(_flags(plan, works, site)),
        _days_off(plan, site),
        _unfit(plan, works, site),
    )


def _rows(plan: Plan, works: tuple[PanelWork, ...], site: Site) -> list[Row]:
    cases = [
        {task.name: task.hours for task in network(plan.groups, plan.manner, terms).tasks}
        for terms in (Terms(site.yard, site.limits, site.crew.hours_a_day, case) for case in (LOW, LIKELY, HIGH))
    ]
    moment, source = plan.clock.shifts.moment, ASSUMED if site.yard.assumed() else USER
    over = {window.then: window for window in plan.network.windows}
    mixes = _mixes(plan, works, site)
    rows = []
    for task in plan.network.tasks:
        if task.name not in plan.schedule.start:
            continue
        low, likely, high = sorted(case[task.name] for case in cases)
        film, opens, closes = "", None, None
        if task.name in over:
            film = over[task.name].first
            laid = plan.schedule.start[film]
            opens, closes = (moment(laid + int(span[laid])) for span in plan.clock.windows[over[task.name].coat])
        rows.append(
            Row(
                task,
                moment(plan.schedule.start[task.name]),
                moment(plan.schedule.end[task.name]),
                Figure(low, likely, high, source),
                _spans(plan, task),
                tuple(_waits_for(plan, task.name)),
                film,
                opens,
                closes,
                "; ".join(filter(None, (task.note, mixes.get(task.name, "")))),
            )
        )
    return rows


def _spans(plan: Plan, task: Task) -> tuple[Span, ...]:
    """When somebody works on a task, day by day."""
    start, end = plan.schedule.start[task.name], plan.schedule.end[task.name]
    if task.kind != "crew":
        return _runs(np.ones(end - start, dtype=bool), start, plan.clock)
    at_work = plan.clock.shifts.working & plan.clock.gates[task.gate]
    return _runs(at_work[start:end], start, plan.clock)


def _runs(good: np.ndarray, since: int, clock: Clock) -> tuple[Span, ...]:
    """The stretches of time in which `good` is True; its first slot is `since`."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], good, [False]]).astype(int))) + since
    moment = clock.shifts.moment
    return tuple((moment(int(a)), moment(int(b))) for a, b in zip(edges[::2], edges[1::2], strict=True))


def _waits_for(plan: Plan, name: str) -> list[str]:
    found = [after.first for after in plan.network.afters if after.then == name and after.first in plan.schedule.end]
    for window in plan.network.windows:
        if window.then == name:
            found += [window.first] if window not in plan.schedule.keyed else [window.first, str(window.key)]
        elif window.key == name:
            found.append(window.first)
    return list(dict.fromkeys(found))


def _unfit(plan: Plan, works: tuple[PanelWork, ...], site: Site) -> tuple[Span, ...]:
    gates = [plan.clock.gates[name] for name in sheets(works, site) if name != FILLER]
    last = plan.schedule.finish
    return _runs(~np.any(gates, axis=0)[:last], 0, plan.clock) if gates else ()


def _days_off(plan: Plan, site: Site) -> tuple[date, ...]:
    first = plan.clock.shifts.origin.date()
    days = [first + timedelta(days=number) for number in range((plan.finish.date() - first).days + 1)]
    return tuple(day for day in days if not works_on(site.crew, day))


def _mixes(plan: Plan, works: tuple[PanelWork, ...], site: Site) -> dict[str, str]:
    """What to mix at a time for each coat, in words: the paint has to be on the deck within its pot life."""
    found = {}
    coats = {coat.name: coat for work in works for coat in work.coats}
    times = sheets(works, site)
    one_part = {coat.name for work in works if not work.mixed for coat in work.coats}
    for task in plan.network.tasks:
        coat = coats.get(task.gate)
        if task.kind != "unbroken" or coat is None or coat.name in one_part or task.name not in plan.schedule.start:
            continue
        pot_life = times[coat.name].pot_life_h
        if pot_life is None:
            continue
        warm = _warmest(plan, site, task)
        texture = task.title.startswith("Non-skid")
        pace = site.yard.paces["texture" if texture else "coat"].likely * task.people
        life = pot_life_at(pot_life, warm)
        litres = largest_batch_l(pace, life, site.yard.pot_life_use, UM_M2_PER_L / coat.wet_um)
        found[task.name] = (
            f"mix at most {litres:.2f} L at a time (pot life {life:.1f} h at {warm:.0f} \N{DEGREE SIGN}C)"
        )
        if site.yard.batch_l is not None and site.yard.batch_l > litres:
            found[task.name] += f"; {site.yard.batch_l:g} L at a time is too much"
    return found


def _warmest(plan: Plan, site: Site, task: Task) -> float:
    """Warmest air while a coat is laid [deg C]; the temperature of the yard's file outside the forecast."""
    if site.forecast is None:
        return site.yard.temperature_c
    hours = plan.clock.shifts
    start, end = plan.schedule.start[task.name], plan.schedule.end[task.name]
    if not covered(site.forecast, hours)[start:end].all():
        return site.yard.temperature_c
    marks = [hours.slot(moment) for moment in site.forecast.times]
    return float(np.interp(np.arange(start, end + 1), marks, site.forecast.air_c).max())


def _missed(plan: Plan) -> tuple[str, ...]:
    tasks = {task.name: task for task in plan.network.tasks}
    found = [_missed_words(plan, window, tasks) for window in plan.schedule.keyed]
    free = schedule(plan.network, _endless(plan.clock))
    for window in plan.schedule.waited:
        first = window.first
        if free is not None and plan.schedule.start[first] - free.start[first] >= WAIT_SLOTS:
            came, went = (plan.clock.shifts.moment(s.start[first]) for s in (free, plan.schedule))
            found.append(
                f"{_title(tasks[first])}: waits from {came:{MOMENT}} to {went:{MOMENT}}, so that "
                f"{tasks[window.then].title!r} falls inside its window."
            )
    lost = _days_between(free, plan.schedule)
    if found and lost:
        found.append(f"Without recoat windows the work would be done {_days(lost)} earlier.")
    return tuple(found)


def _missed_words(plan: Plan, window: Window, tasks: dict[str, Task]) -> str:
    moment, start = plan.clock.shifts.moment, plan.schedule.start
    film, key = start[window.first], tasks[str(window.key)]
    closes = film + int(plan.clock.windows[window.coat][1][film])
    hours = slots_of(key.hours) / SLOTS_AN_HOUR
    return (
        f"{_title(tasks[window.then])}: the window after {tasks[window.first].title!r} closes "
        f"{moment(closes):{MOMENT}}, the coat comes {moment(start[window.then]):{MOMENT}}. Wash and key: {hours:g} h "
        f"with {people_words(key.people)}, {hours * key.people:g} h of work."
    )


def _moved(plan: Plan, works: tuple[PanelWork, ...], site: Site) -> tuple[str, ...]:
    """Tasks that the weather alone put off, with the first reason."""
    seen, found = seen_by_deck(site), []
    fair = schedule(plan.network, _fair(plan.clock))
    if seen is None or fair is None:
        return ()
    times, moment = {DRY: None, **sheets(works, site)}, plan.clock.shifts.moment
    for task in plan.network.tasks:
        if task.gate == ANY or not plan.schedule.start.get(task.name):
            continue
        slots = slots_of(task.hours) + slots_of(task.gate_after_h) if task.kind == "unbroken" else 1
        for start in _tries(plan, task, fair.start.get(task.name, 0)):
            why = refusal(seen, times[task.gate], moment(start), moment(start + slots))
            if why:
                laid = moment(plan.schedule.start[task.name])
                found.append(f"{_title(task)}: not {moment(start):{MOMENT}} but {laid:{MOMENT}}; {why}.")
                break
    lost = _days_between(fair, plan.schedule)
    if lost:
        found.append(f"In fair weather the work would be done {_days(lost)} earlier.")
    return tuple(found)


def _tries(plan: Plan, task: Task, since: int) -> list[int]:
    """Starts before the planned one that the working hours and the tasks before would allow, from `since` on."""
    end, start = plan.schedule.end, plan.schedule.start
    since = max(
        [since, *(end.get(a.first, 0) + slots_of(a.lag_h) for a in plan.network.afters if a.then == task.name)]
    )
    for window in plan.network.windows:
        film = start[window.first]
        least = int(plan.clock.windows[window.coat][0][film])
        if window.then == task.name:
            since = max(since, film + least, end.get(str(window.key), 0))
        elif window.key == task.name:
            since = max(since, end[window.first] + least)
    slots = slots_of(task.hours) if task.kind == "unbroken" else 1
    working = plan.clock.shifts.working
    return [slot for slot in range(since, start[task.name]) if working[slot : slot + slots].all()]


def _flags(plan: Plan, works: tuple[PanelWork, ...], site: Site) -> list[str]:
    flags = ["window-missed"] if plan.schedule.keyed else []
    if site.forecast is None:
        flags.append("no-forecast")
    else:
        known = covered(site.forecast, plan.clock.shifts)
        laid = [task for task in plan.network.tasks if task.kind == "unbroken"]
        ends = [plan.schedule.end[task.name] + slots_of(task.gate_after_h) for task in laid]
        if any(not known[plan.schedule.start[t.name] : end].all() for t, end in zip(laid, ends, strict=True)):
            flags.append("forecast-short")
        if not site.forecast.surface_stated:
            flags.append("surface-assumed")
    if site.yard.assumed():
        flags.append("work-assumed")
    films = {task.gate for task in plan.network.tasks if task.kind == "unbroken"}
    stated = [sheet.stated for name, sheet in sheets(works, site).items() if name in films]
    if not all({"most_h", "most_h_at"} & names for names in stated):
        flags.append("sheet-assumed")
    if site.crew.last_day is not None and plan.finish.date() > site.crew.last_day:
        flags.append("late")
    return flags


def _notes(plan: Plan, site: Site) -> list[str]:
    notes = []
    if site.forecast is not None:
        notes.append(
            f"The forecast runs from {site.forecast.times[0]:{MOMENT}} to {site.forecast.times[-1]:{MOMENT}}."
        )
    if site.crew.last_day is not None and plan.finish.date() > site.crew.last_day:
        late = (plan.finish.date() - site.crew.last_day).days
        notes.append(
            f"The work ends {_days(late)} after the crew's last day {site.crew.last_day:%a %d %b}. Start earlier, "
            "take more people, or work on days off."
        )
    if not plan.schedule.whole:
        notes.append(
            "There are more ways to meet or miss the windows than were tried; a shorter programme may exist."
        )
    return notes


def _endless(clock: Clock) -> Clock:
    """The same without an end to any window."""
    never = len(clock.shifts.working)
    return replace(
        clock, windows={c: (least, np.full_like(most, never)) for c, (least, most) in clock.windows.items()}
    )


def _fair(clock: Clock) -> Clock:
    """The same in weather that is always fit."""
    return replace(clock, gates={name: np.ones_like(gate) for name, gate in clock.gates.items()})


def _days_between(early: Schedule | None, late: Schedule) -> int:
    return 0 if early is None else late.merit[0] - early.merit[0]


def _days(count: int) -> str:
    return "1 day" if count == 1 else f"{count} days"


def _title(task: Task) -> str:
    """The task and its panels; more than a few are called by their group."""
    if not task.panels:
        return task.title
    few = len(task.panels) <= MOST_NAMES or not task.group
    return f"{task.title} on {', '.join(task.panels)}" if few else f"{task.title} on group {task.group}"
