"""
Programmes against networks drawn by hand, a search through every start, and laws; their files by another reader.

Durations and panels are invented; dates are of June 2026 (the 1st is a Monday).
"""

import csv
import io
import runpy
import xml.etree.ElementTree as ET
from dataclasses import replace
from datetime import date, datetime, timedelta
from itertools import pairwise, product
from pathlib import Path

import icalendar
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from texscan.errors import SettingsError
from texscan.inputs import read_limits
from texscan.model import FLAGS, Coat
from texscan.plan.bar_chart import bar_chart
from texscan.plan.calendar_file import calendar_file
from texscan.plan.figure import USER, Figure, exactly
from texscan.plan.groups import Manner, groups_of
from texscan.plan.network import ANY, DRY, After, Network, Task, Window, in_order
from texscan.plan.programme import HIGH, LIKELY, LOW, Site, best_plan
from texscan.plan.programme_table import programme_csv, programme_lines
from texscan.plan.schedule import Clock, schedule
from texscan.plan.shifts import shifts, slots_of
from texscan.plan.timetable import programme
from texscan.plan.weather import Forecast, forecast_from_csv
from texscan.plan.windows import CoatTimes
from texscan.plan.works import PanelWork
from texscan.plan.yard import PACES, PASSES, WORK, Yard, yard_from_tables
from texscan.survey.records import Crew
from texscan.survey.shapes import Area, png_file, svg_text

SAMPLES = Path(__file__).parents[1] / "sample_images"
LIMITS = read_limits(None)
MONDAY, FRIDAY = date(2026, 6, 1), date(2026, 6, 5)
PRIMER, TOPCOAT = Coat("primer", "primer", 0.5, 80), Coat("topcoat", "topcoat", 0.5, 80)


def at(day, hour, minute=0):
    return datetime(2026, 6, day, hour, minute)


# --- networks drawn by hand


def clock(first=MONDAY, *, least=16.0, most=24.0, days=14, good=None, **crew):
    """One coat called "c" in weather that is good, or where `good` (slots,) says."""
    hours = shifts(Crew(first_day=first, **crew), days)
    slots = len(hours.working)
    fit = np.ones(slots, dtype=bool) if good is None else good
    window = (np.full(slots + 1, slots_of(least)), np.full(slots + 1, slots_of(most)))
    return Clock(hours, {ANY: np.ones(slots, dtype=bool), DRY: fit, "c": fit}, {"c": window})


def coat(name, hours, *, dew_free_h=0.0):
    return Task(name, "coats", name, hours, "unbroken", "c", dew_free_h)


def two_coats(first_h=3.0, then_h=3.0, key_h=2.0, *, can_key=True, dew_free_h=0.0):
    tasks = [coat("one", first_h, dew_free_h=dew_free_h), coat("two", then_h, dew_free_h=dew_free_h)]
    if can_key:
        tasks.insert(1, Task("key", "coats", "key", key_h, gate=DRY, keys=True))
    names = tuple(task.name for task in tasks)
    return Network(tuple(tasks), (), (Window("one", "two", "key" if can_key else None, "c"),), (names,))


def times(found, on, name):
    return on.shifts.moment(found.start[name]), on.shifts.moment(found.end[name])


def test_a_coat_the_next_morning_is_inside_its_window():
    on = clock()
    found = schedule(two_coats(), on)
    assert times(found, on, "one") == (at(1, 8), at(1, 11))
    assert times(found, on, "two") == (at(2, 8), at(2, 11))
    assert not found.keyed
    assert "key" not in found.start


def test_a_weekend_between_coats_is_keyed_on_monday():
    on = clock(FRIDAY)
    found = schedule(two_coats(), on)
    assert times(found, on, "one") == (at(5, 8), at(5, 11))
    assert times(found, on, "key") == (at(8, 8), at(8, 10))
    assert times(found, on, "two") == (at(8, 10), at(8, 13))
    assert [window.then for window in found.keyed] == ["two"]


def test_a_window_of_72_h_spans_the_weekend():
    on = clock(FRIDAY, most=72)
    found = schedule(two_coats(), on)
    assert times(found, on, "two") == (at(8, 8), at(8, 11))
    assert not found.keyed


def test_a_coat_that_cannot_be_keyed_waits_for_monday():
    on = clock(FRIDAY)
    found = schedule(two_coats(can_key=False), on)
    assert times(found, on, "one") == (at(8, 8), at(8, 11))
    assert times(found, on, "two") == (at(9, 8), at(9, 11))
    assert [window.then for window in found.waited] == ["two"]


def test_the_longer_coat_of_the_next_day_moves_the_first_one_later():
    """3 h, then 4 h from the same hour: the end would be 25 h old, so the first begins an hour later."""
    on = clock()
    found = schedule(two_coats(3, 4, can_key=False), on)
    assert times(found, on, "one") == (at(1, 9), at(1, 12))
    assert times(found, on, "two") == (at(2, 8), at(2, 12))


def test_wash_and_key_on_the_same_day_beats_waiting_for_the_next():
    """Key 2 h and coat on Monday, rather than all on Monday and Tuesday; with a key of 6 h it does not fit."""
    assert len(schedule(two_coats(key_h=2), clock(FRIDAY)).keyed) == 1
    on = clock(FRIDAY)
    late = schedule(two_coats(key_h=6), on)
    assert not late.keyed  # the same last day without a key
    assert times(late, on, "two") == (at(9, 8), at(9, 11))


def test_a_night_too_damp_puts_the_coat_off_to_the_morning_after():
    """Laid at 8:00 a coat has to stay dry for 10 h; the dew of Monday evening begins at 17:00."""
    good = np.ones(14 * 96, dtype=bool)
    good[slots_of(17) : slots_of(24 + 9)] = False
    on = clock(good=good)
    found = schedule(two_coats(dew_free_h=10), on)
    assert times(found, on, "one")[0] == at(2, 9)
    assert times(found, on, "two")[0] == at(3, 8)


def test_work_stops_at_night_and_on_days_off_and_cure_does_not():
    tasks = (Task("work", "w", "work", 10), Task("cure", "w", "cure", 30, "clock"), Task("next", "w", "next", 1))
    on = clock(FRIDAY)
    found = schedule(Network(tasks, (After("work", "cure"), After("cure", "next")), (), (("work", "next"),)), on)
    assert times(found, on, "work") == (at(5, 8), at(8, 10))
    assert times(found, on, "cure") == (at(8, 10), at(9, 16))
    assert times(found, on, "next") == (at(10, 8), at(10, 9))


def test_one_gang_does_one_thing_at_a_time_and_two_gangs_two():
    tasks = tuple(Task(name, "w", name, 4) for name in "abcd")
    on = clock()
    one = schedule(Network(tasks, (), (), (("a", "b", "c", "d"),)), on)
    two = schedule(Network(tasks, (), (), (("a", "b"), ("c", "d"))), on)
    assert times(one, on, "d")[1] == at(2, 16)
    assert times(two, on, "d")[1] == at(1, 16)


def test_tape_comes_off_while_the_coat_is_soft():
    """A coat until closing time would leave the tape overnight: it begins early enough for both."""
    tasks = (Task("before", "w", "before", 3), coat("coat", 5), Task("pull", "w", "pull", 0.5))
    rules = (After("before", "coat"), After("coat", "pull", within_h=2.0))
    on = clock()
    found = schedule(Network(tasks, rules, (), (("before", "coat", "pull"),)), on)
    assert times(found, on, "coat")[0] == at(2, 8)
    assert times(found, on, "pull") == (at(2, 13), at(2, 13, 30))


@settings(max_examples=15, deadline=None)
@given(
    st.sampled_from([MONDAY, FRIDAY]),
    st.integers(1, 4),
    st.integers(1, 4),
    st.integers(1, 6),
    st.integers(8, 20),
    st.integers(0, 60),
    st.lists(st.integers(0, 95), max_size=12),
)
def test_no_start_at_all_is_better_than_the_schedule(first, one_h, two_h, key_h, least, more, damp):
    """A slow obvious search: every quarter of an hour for either coat, inside the window or the key between them."""
    good = np.ones(14 * 96, dtype=bool)
    for hour in damp:
        good[4 * hour : 4 * hour + 4] = False
    on = clock(first, least=least, most=least + more, good=good)
    found = schedule(two_coats(one_h, two_h, key_h, dew_free_h=1), on)
    assert found.merit == _best_of_all(on, good, (one_h, two_h, key_h), (least, least + more))


def _best_of_all(on, good, hours, window):
    working = on.shifts.working
    one, two, key = (slots_of(h) for h in hours)
    least, most = (slots_of(h) for h in window)
    free = working & good
    done = np.concatenate([[0], np.cumsum(free)])  # free slots before each slot
    fits = lambda slot, long: working[slot : slot + long].all() and good[slot : slot + long + 4].all()
    starts = [[slot for slot in range(7 * 96) if fits(slot, long)] for long in (one, two)]
    merits = []
    for a, b in product(*starts):
        ages = (b - a, b + two - a - one)
        if b < a + one or min(ages) < least:
            continue
        day = -(-(b + two) // 96)
        if max(ages) <= most:
            merits.append((day, 0, b + two))
        # the key in the free slots from when the film is hard, and not too long before the coat
        enough = done[b] - done[min(a + one + least, b)] >= key
        if enough and b - np.flatnonzero(free[:b])[-1] - 1 <= most:
            merits.append((day, 1, b + two))
    return min(merits)


@pytest.mark.parametrize(
    ("rules", "sentence"),
    [
        ([("a", "b"), ("b", "c"), ("c", "a")], "in a circle: "),
        ([("a", "a")], "in a circle: a before a"),
        ([("a", "z")], "'z', and there is no such task"),
    ],
)
def test_tasks_in_a_circle_or_unknown_are_refused(rules, sentence):
    with pytest.raises(SettingsError, match=sentence):
        in_order([Task(name, "w", name, 1) for name in "abc"], [After(*rule) for rule in rules])


def test_two_tasks_of_one_name_are_refused():
    with pytest.raises(SettingsError, match="Two tasks are called 'a'"):
        in_order([Task("a", "w", "a", 1)] * 2, [])


# --- whole jobs


def panel(name="deck", option="recoat-as-planned", area=4.0, **more):
    coats = more.pop("coats", (PRIMER, TOPCOAT))
    return PanelWork(name, option, exactly(area, USER), exactly(4 * area**0.5, USER), coats, **more)


def yard(**changes):
    """Round figures: each coat of 4 m2 by one person 1 h, nothing to set up, no smooth areas."""
    paces = {name: exactly(4.0, USER) for name in PACES}
    work = {name: exactly(0.0 if name.endswith("_h") and "per" not in name else 4.0, USER) for name in WORK}
    return Yard(paces, work, {name: exactly(1.0, USER) for name in PASSES}, **{"smooth_areas": False} | changes)


def site(first=MONDAY, *, forecast=None, people=1, **changes):
    crew = {key: changes.pop(key) for key in ("last_day", "hours_a_day", "closed", "days_off") if key in changes}
    return Site(Crew(people=people, first_day=first, **crew), yard(**changes), LIMITS, forecast)


def days_of(found):
    return {row.task.name: row.start.day for row in found.rows}


def test_sand_fill_prime_and_non_skid_take_four_days_in_a_row():
    """8 m2, 2 m2/h: each step takes 4 h, a day has 5; no coat is keyed where each is laid the day after the last."""
    paces = {name: exactly(2.0, USER) for name in PACES} | {"wash": exactly(8.0, USER), "mask": exactly(100.0, USER)}
    where = site(hours_a_day=5.0)
    where = replace(where, yard=replace(where.yard, paces=paces))
    found = programme((panel(option="sand-flat-and-retexture", area=8.0),), where)
    days = days_of(found)
    assert [days[name] for name in ("sand-1", "fill-1", "coat-1-1", "coat-1-2")] == [1, 2, 3, 4]
    assert "window-missed" not in found.flags
    assert not [row for row in found.rows if row.task.keys]


def test_over_a_weekend_the_coat_is_keyed_and_it_is_said():
    where = site(FRIDAY, hours_a_day=4.0)
    found = programme((panel(),), where)  # Friday: wash 1, tape 2, sand 1; Monday on: primer, topcoat
    assert days_of(found)["coat-1-1"] == 8
    assert "window-missed" not in found.flags
    early = programme((panel(),), site(date(2026, 6, 4), hours_a_day=4.0))  # a day earlier: primer on Friday
    assert days_of(early)["coat-1-1"] == 5
    assert days_of(early)["key-1-2"] == days_of(early)["coat-1-2"] == 8
    assert "window-missed" in early.flags
    assert "Wash and key: 2 h with 1 person, 2 h of work" in early.missed[0]
    assert "closes Sat 06 Jun" in early.missed[0]


def test_valleys_that_no_tool_reaches_have_to_stay_in_the_window():
    found = programme((panel(can_key=False),), site(date(2026, 6, 4), hours_a_day=4.0))
    assert days_of(found)["coat-1-1"] == 8
    assert "waits from Fri 05 Jun" in found.missed[0]
    assert "1 day earlier" in found.missed[1]


def test_smooth_areas_cure_two_to_four_days_before_tape():
    works = (panel(),)
    for case, hours in ((LOW, 48), (LIKELY, 72), (HIGH, 96)):
        plan = best_plan(works, site(smooth_areas=True, smooth_area_m2=exactly(4.0, USER)), case=case)
        start, end = plan.schedule.start, plan.schedule.end
        assert end["smooth-cure"] - end["smooth-coat-2"] == slots_of(hours)
        assert start["tape-1"] >= end["smooth-cure"]
        assert start["smooth-sand"] >= end["wash"]


def test_tests_come_before_wash_repairs_cure_and_fittings_go_on_last():
    works = (panel(tests=("lead",), repairs=("crack",), fittings=("cleat",)),)
    base = site()
    work = base.yard.work | {name: exactly(2.0, USER) for name in ("test_h", "repair_h", "fitting_h")}
    work["repair_cure_h"] = exactly(24.0, USER)
    found = programme(works, replace(base, yard=replace(base.yard, work=work)))
    order = [row.task.name for row in found.rows]
    assert order[:5] == ["tests", "fittings-off", "wash", "repairs", "repairs-cure"]
    assert order[-2:] == ["walk-on-1", "fittings-on"]
    rows = {row.task.name: row for row in found.rows}
    assert rows["tape-1"].start >= rows["repairs-cure"].end == rows["repairs"].end + timedelta(hours=24)


def weather(rows, first=MONDAY):
    """Hourly (air, humidity) from midnight of the first day."""
    air, humidity = (np.array(column, dtype=float) for column in zip(*rows, strict=True))
    start = datetime.combine(first, datetime.min.time())
    stamps = tuple(start + timedelta(hours=n) for n in range(len(air)))
    return Forecast(stamps, air, humidity, air, np.zeros(len(air)), True)


def test_a_damp_night_after_the_coat_moves_it_and_it_is_said_why():
    rows = [(20.0, 50.0)] * 24 * 6
    for hour in range(16, 30):  # from Monday 16:00
        rows[hour] = (18.0, 80.0)  # dew point 14.5: 3.5 above, fit
    damp = list(rows)
    for hour in range(16, 30):
        damp[hour] = (14.0, 84.0)  # dew point 11.3: 2.7 above
    dry = programme((panel(),), site(forecast=weather(rows)))
    moved = programme((panel(),), site(forecast=weather(damp)))
    assert days_of(dry)["coat-1-1"] == 1  # wash 1, tape 2, sand 1 h, primer at noon
    assert days_of(moved)["coat-1-1"] == 2
    assert "Primer on deck: not Mon 01 Jun 12:00 but Tue 02 Jun 08:00; surface 2.7" in moved.moved[0]
    assert moved.moved[-1] == "In fair weather the work would be done 1 day earlier."
    assert not dry.moved
    assert "no-forecast" not in dry.flags


def test_a_forecast_that_ends_too_early_is_said():
    short = programme((panel(),), site(forecast=weather([(20.0, 50.0)] * 12)))
    assert "forecast-short" in short.flags
    whole = programme((panel(),), site(forecast=weather([(20.0, 50.0)] * 24 * 4)))
    assert "forecast-short" not in whole.flags
    none = programme((panel(),), site())
    assert "no-forecast" in none.flags
    assert days_of(none) == days_of(whole)


def test_under_cover_rain_does_not_matter():
    rain = replace(weather([(20.0, 50.0)] * 24 * 6), rain_mm=np.r_[np.full(24 * 3, 1.0), np.zeros(24 * 3)])
    wet = programme((panel(),), site(forecast=rain))
    assert days_of(wet)["tape-1"] == 4
    assert "Tape, corners rounded on deck: not Mon 01 Jun 09:00 but Thu 04 Jun 08:00; rain (1 mm)" in wet.moved[0]
    assert wet.moved[-1] == "In fair weather the work would be done 3 days earlier."
    assert days_of(programme((panel(),), site(forecast=rain, under_cover=True)))["tape-1"] == 1


def test_cold_film_waits_longer_by_the_sheet():
    """At 10 degrees the sheet asks for 40 h, at 20 for 16; the film's temperature comes from the forecast."""
    table, stated = ((5, 60), (10, 40), (20, 16)), frozenset({"most_h"})
    sheet = CoatTimes("primer", least_h_at=table, most_h=100, least_c=5, stated=stated)
    warm, cold = (
        days_of(programme((panel(),), site(forecast=weather([(t, 50.0)] * 24 * 8), sheets=(sheet,))))
        for t in (20.0, 10.0)
    )
    assert (warm["coat-1-1"], warm["coat-1-2"]) == (1, 2)
    assert (cold["coat-1-1"], cold["coat-1-2"]) == (1, 3)


def test_a_batch_has_to_be_laid_within_the_pot_life():
    """8 m2/h at 30 degrees, 1 h of pot life, three quarters of it, 10 m2/L: 0.60 L (worked by hand)."""
    works = (panel(area=8.0, coats=(Coat("topcoat", "topcoat", 0.5, 100),)),)
    base = site(temperature_c=30.0, batch_l=0.75)
    base = replace(base, yard=replace(base.yard, paces=base.yard.paces | {"coat": exactly(8.0, USER)}))
    note = {row.task.name: row.note for row in programme(works, base).rows}["coat-1-1"]
    assert "mix at most 0.60 L at a time (pot life 1.0 h" in note
    assert note.endswith("0.75 L at a time is too much")
    assert (
        "mix"
        not in {r.task.name: r.note for r in programme((replace(works[0], mixed=False),), base).rows}["coat-1-1"]
    )


def test_large_work_falls_into_groups_that_a_day_holds():
    works = tuple(panel(f"p{n}", area=16.0) for n in range(4))  # 4 h a coat each
    plan = best_plan(works, site())
    longest = max(task.hours for task in plan.network.tasks if task.kind == "unbroken")
    assert longest <= 8
    assert len(plan.groups) >= 2


def test_smooth_areas_that_no_day_holds_are_painted_stretch_by_stretch():
    """40 m2 at 4 m2/h: 10 h a coat, so two stretches of 5 h, each with its coats inside the window."""
    plan = best_plan((panel(),), site(smooth_areas=True, smooth_area_m2=exactly(40.0, USER)))
    hours = {task.name: task.hours for task in plan.network.tasks if task.name.startswith("smooth-coat")}
    assert hours == dict.fromkeys(["smooth-coat-1-1", "smooth-coat-1-2", "smooth-coat-2-1", "smooth-coat-2-2"], 5.0)
    assert not plan.schedule.keyed
    assert plan.schedule.start["smooth-cure"] >= max(plan.schedule.end[name] for name in hours)


@pytest.mark.parametrize(
    ("works", "changes", "sentence"),
    [
        ((panel(area=40.0),), {}, r"Primer on deck takes 10.0 h with 1 person, and a working day has 8 h"),
        (
            (panel(can_key=False),),
            {"sheets": (CoatTimes("primer", least_h=2, most_h=12, stated=frozenset({"least_h", "most_h"})),),
             "hours_a_day": 1.5},
            r"No programme lays Topcoat on deck inside the window of 'Primer', 2 to 12 h after it",
        ),
        ((panel(),), {"temperature_c": 20.0, "sheets": (CoatTimes("primer", most_h_at=((25, 20), (30, 10))),)},
         "20 degrees C and the data sheet covers 25 to 30"),
    ],
)  # fmt: skip
def test_a_job_that_no_programme_holds_is_refused_with_what_would_change_it(works, changes, sentence):
    with pytest.raises(SettingsError, match=sentence):
        programme(works, site(**changes))


def test_work_after_the_last_day_is_said():
    found = programme((panel(),), site(last_day=date(2026, 6, 1)))
    assert "late" in found.flags
    assert "The work ends 2 days after the crew's last day Mon 01 Jun" in found.notes[0]


# --- laws


@st.composite
def jobs(draw):
    count = draw(st.integers(1, 4))
    kinds = st.sampled_from(["recoat-as-planned", "sand-flat-and-retexture"])
    sizes = st.sampled_from([2.0, 5.0, 9.0, 14.0])
    coats = (PRIMER, TOPCOAT, replace(TOPCOAT, name="second"))[: draw(st.integers(1, 3))]
    return tuple(panel(f"p{n}", draw(kinds), draw(sizes), coats=coats, tests=("lead",)) for n in range(count))


def sheets(most_h):
    return tuple(
        CoatTimes(name, least_h=12, most_h=most_h, stated=frozenset({"least_h", "most_h"}))
        for name in ("primer", "topcoat", "filler")
    )


STARTS = st.sampled_from([MONDAY, date(2026, 6, 3), date(2026, 6, 4), FRIDAY])


@settings(max_examples=12, deadline=None)
@given(jobs(), STARTS, st.integers(12, 80), st.integers(1, 100))
def test_a_longer_window_never_lengthens_a_programme(works, first, most, more):
    short, long = (best_plan(works, site(first, people=2, sheets=sheets(h))) for h in (most, most + more))
    assert long.finish.date() <= short.finish.date()


@settings(max_examples=10, deadline=None)
@given(jobs(), STARTS, st.integers(2, 3))
def test_more_people_never_lengthen_a_programme(works, first, people):
    few, many = (best_plan(works, site(first, people=n)) for n in (people, people + 1))
    assert many.finish.date() <= few.finish.date()


@settings(max_examples=10, deadline=None)
@given(jobs(), STARTS, st.integers(1, 3), st.lists(st.integers(0, 24 * 14), max_size=30), st.integers(16, 60))
def test_every_programme_keeps_its_own_rules(works, first, people, damp, most):
    rows = [(20.0, 50.0)] * (24 * 14 + 1)
    for hour in damp:
        rows[hour] = (20.0, 95.0)
    where = site(first, people=people, forecast=weather(rows, first), sheets=sheets(float(most)))
    plan = best_plan(works, where)
    start, end, moment = plan.schedule.start, plan.schedule.end, plan.clock.shifts.moment
    tasks = {task.name: task for task in plan.network.tasks if task.name in start}
    for rule in plan.network.afters:
        if rule.first in tasks and rule.then in tasks:
            assert start[rule.then] >= end[rule.first]
            assert rule.within_h is None or start[rule.then] - end[rule.first] <= slots_of(rule.within_h)
    for gang in plan.network.gangs:
        for one, then in pairwise([name for name in gang if name in tasks]):
            assert start[then] >= end[one]
    for window in plan.network.windows:
        ages = (start[window.then] - start[window.first], end[window.then] - end[window.first])
        assert min(ages) >= slots_of(12)
        assert max(ages) <= slots_of(most) or end[window.key] <= start[window.then]
    for name, task in tasks.items():
        begins, ends = moment(start[name]), moment(end[name])
        if task.kind != "clock" and task.hours:
            assert begins.weekday() < 5
            assert 8 <= begins.hour < 16
            assert ends.hour < 16 or (ends.hour, ends.minute) == (16, 0)
        if task.kind == "unbroken":
            assert begins.date() == ends.date()
            for hour in damp:  # an entry spoils the hour before and after it
                wet = datetime.combine(first, datetime.min.time()) + timedelta(hours=hour)
                assert not begins - timedelta(hours=1) < wet < ends + timedelta(hours=7)


def test_the_same_job_gives_the_same_bytes():
    works = tuple(panel(f"p{n}", area=3.0 + n) for n in range(3))
    files = [programme_csv(programme(works, site(people=2))) for _ in range(2)]
    assert files[0] == files[1]


def test_groups_share_the_area_and_keep_the_order():
    works = tuple(panel(f"p{n}", area=float(1 + n)) for n in range(6))
    found = groups_of(works, Manner((1,), 3, "side by side"))
    assert [name for group in found for name in group.names] == [work.name for work in works]
    assert len(found) == 3
    assert max(sum(p.area_m2.likely for p in group.panels) for group in found) <= 11  # of 21: 7 each if it could be


# --- files

AWKWARD = "fore, deck; \\ \u00f8 \u2014 port\nside " + "long " * 20


@pytest.fixture(scope="module")
def found():
    works = (panel(AWKWARD, "sand-flat-and-retexture"), panel("=cockpit", area=20.0, fittings=("cleat <1> & two",)))
    return programme(works, site(date(2026, 6, 4), people=2, smooth_areas=True, smooth_area_m2=exactly(4.0, USER)))


@pytest.fixture(scope="module")
def calendar(found):
    return calendar_file(found, boat="Invented, ltd; \\", place="hall 2, Sampleton", issued=date(2026, 5, 16))


def test_an_independent_reader_finds_every_task_in_the_calendar(found, calendar):
    """icalendar reads RFC 5545."""
    events = list(icalendar.Calendar.from_ical(calendar).walk("VEVENT"))
    wanted = sorted((span, row.task.title) for row in found.rows for span in row.spans)
    got = sorted(((e.decoded("DTSTART"), e.decoded("DTEND")), str(e["SUMMARY"])) for e in events)
    assert [span for span, _ in got] == [span for span, _ in wanted]
    assert all(e.decoded("DTSTART").tzinfo is None for e in events)  # floating: the boat's own time
    assert len({str(e["UID"]) for e in events}) == len(events)
    assert {str(e["LOCATION"]) for e in events} == {"hall 2, Sampleton"}
    summaries = [str(e["SUMMARY"]) for e in events]
    assert any(AWKWARD.strip() in summary for summary in summaries) or any(AWKWARD in s for s in summaries)
    cures = [e for e in events if "ure" in str(e["SUMMARY"]) and e["TRANSP"] == "TRANSPARENT"]
    assert len(cures) == sum(row.task.kind == "clock" for row in found.rows)


def test_calendar_lines_are_of_at_most_75_octets_and_end_as_the_standard_asks(calendar):
    assert calendar.endswith(b"END:VCALENDAR\r\n")
    lines = calendar.split(b"\r\n")
    assert b"\n" not in b"".join(lines)
    assert max(map(len, lines)) <= 75
    for line in lines:
        line.decode("utf-8")  # no character is cut


def test_the_same_task_keeps_its_identity_when_it_moves(found):
    week = timedelta(days=7)
    moved = tuple(replace(row, spans=tuple((a + week, b + week) for a, b in row.spans)) for row in found.rows)
    uids = []
    for rows in (found.rows, moved):
        data = calendar_file(replace(found, rows=rows), boat="b", place="", issued=date(2026, 5, 16))
        uids.append(sorted(str(event["UID"]) for event in icalendar.Calendar.from_ical(data).walk("VEVENT")))
    assert uids[0] == uids[1]


def test_the_table_has_iso_times_and_no_formula(found):
    rows = list(csv.DictReader(io.StringIO(programme_csv(found).decode("utf-8"))))
    assert len(rows) == len(found.rows)
    assert all(datetime.fromisoformat(row["start"]) <= datetime.fromisoformat(row["end"]) for row in rows)
    assert all(float(r["hours_low"]) <= float(r["hours_likely"]) <= float(r["hours_high"]) for r in rows)
    assert not [cell for row in rows for cell in row.values() if cell[:1] in set("=+-@")]
    assert {"'=cockpit"} <= {row["panels"] for row in rows}
    names = {row["task"] for row in rows}
    assert all(name in names for row in rows for name in row["after"].split("; ") if name)


def test_the_chart_is_an_svg_without_anything_from_outside(found):
    drawing = bar_chart(found, boat="<script>&", crew=Crew(people=2))
    root = ET.fromstring(svg_text(drawing))
    assert root.tag == "{http://www.w3.org/2000/svg}svg"
    assert not [n for n in root.iter() if n.tag.endswith(("script", "image", "use"))]
    titles = [n.text for n in root.iter("{http://www.w3.org/2000/svg}title")]
    for row in found.rows:
        assert not row.spans or any(f"{row.start:%a %d %b %H:%M}" in title for title in titles), row.task.name


def test_bars_lie_in_the_columns_of_their_days(found):
    drawing = bar_chart(found, boat="b", crew=Crew(people=2))
    bars = [s for s in drawing.shapes if isinstance(s, Area) and " to " in s.title and s.title.count(":") >= 3]
    places = {}
    for bar in bars:
        begins = datetime.strptime("2026 " + " ".join(bar.title.rsplit(" to ", 1)[0].split()[-3:]), "%Y %d %b %H:%M")
        places[begins] = bar.points[0][0]
    ordered = [places[moment] for moment in sorted(places)]
    assert len(places) > 10
    assert ordered == sorted(ordered)
    assert all(0 <= x <= drawing.width for bar in bars for x, _ in bar.points)


def test_the_chart_as_a_picture_has_the_shape_of_the_drawing(found):
    from PIL import Image

    drawing = bar_chart(found, boat="b", crew=Crew(people=2))
    with Image.open(io.BytesIO(png_file(drawing))) as picture:
        assert picture.width / picture.height == pytest.approx(drawing.width / drawing.height, rel=0.01)
        assert picture.width >= drawing.width


def test_the_summary_names_the_days_and_explains_every_flag(found):
    text = "\n".join(programme_lines(found, yard()))
    assert text.startswith(f"Programme: Thu 04 Jun to {found.finish[LIKELY]:%a %d %b %Y}")
    for flag in found.flags:
        assert FLAGS[flag] in text


# --- the yard's tables


def read_yard(**tables):
    return yard_from_tables(tables, "rates.toml", paces={}, passes={name: exactly(1.0, USER) for name in PASSES})


def test_own_tasks_stand_where_they_are_asked_to():
    own = [
        {"name": "shed", "hours": 24, "before": ["tests", "wash"], "crew": False},
        {"name": "mast", "hours": [1, 2, 3], "after": ["walk-on"]},
    ]
    tasks = read_yard(task=own).own_tasks
    assert tasks[1].hours == Figure(1, 2, 3, USER)
    rows = {row.task.name: row for row in programme((panel(tests=("lead",)),), site(own_tasks=tasks)).rows}
    assert rows["wash"].start == at(2, 8)
    assert rows["mast"].start >= rows["walk-on-1"].end


@pytest.mark.parametrize(
    ("own", "sentence"),
    [
        ({"name": "x", "hours": 1, "after": ["walk-on"], "before": ["wash"]}, "in a circle"),
        ({"name": "x", "hours": 1, "after": ["sandd"]}, "'x' waits for 'sandd', and the programme has no such"),
        ({"name": "wash", "hours": 1}, "Two tasks are called 'wash'"),
    ],
)
def test_own_tasks_that_cannot_be_placed_are_refused(own, sentence):
    with pytest.raises(SettingsError, match=sentence):
        programme((panel(),), site(own_tasks=read_yard(task=[own]).own_tasks))


@pytest.mark.parametrize(
    ("tables", "sentence"),
    [
        ({"programme": {"under_cove": True}}, "'under_cove'. Did you mean 'under_cover'"),
        ({"programme": {"under_cover": 1}}, "under_cover is 1; true or false"),
        ({"programme": {"repair_h": [3, 2, 1]}}, "must rise"),
        ({"programme": {"smooth_area_m2": -4}}, "smooth_area_m2 is -4"),
        ({"programme": []}, "programme is no table"),
        ({"task": {"name": "x"}}, "task is no list"),
        ({"task": [{"name": "x"}]}, "task 1: hours is None"),
        ({"task": [{"name": "x", "hours": 1, "after": "wash"}]}, "a list of names"),
        ({"coat_times": {"coat": "x"}}, "coat_times is no list"),
    ],
)
def test_wrong_tables_are_refused_in_words(tables, sentence):
    with pytest.raises(SettingsError, match=sentence):
        read_yard(**tables)


def test_what_nobody_stated_is_marked_as_assumed():
    found = programme((panel(),), replace(site(), yard=Yard(smooth_areas=False)))
    assert "work-assumed" in found.flags
    assert {row.hours.source for row in found.rows} == {"assumed"}
    assert "work-assumed" not in programme((panel(),), site()).flags
    assert "sheet-assumed" in programme((panel(),), site()).flags
    assert "sheet-assumed" not in programme((panel(),), site(sheets=sheets(24.0)[:2])).flags  # no filler in a recoat
    assert "sheet-assumed" in programme((panel(option="local-repair"),), site(sheets=sheets(24.0)[:2])).flags


# --- the job of the sample survey


@settings(max_examples=8, deadline=None)
@given(jobs(), STARTS, st.integers(1, 3))
def test_more_hours_never_shorten_a_programme(works, first, people):
    spread = tuple(
        replace(work, area_m2=Figure(*(f * work.area_m2.likely for f in (0.8, 1.0, 1.2)), USER)) for work in works
    )
    ends = [best_plan(spread, site(first, people=people), case=case).finish.date() for case in (LOW, LIKELY, HIGH)]
    assert ends == sorted(ends)


def test_the_sample_forecast_is_what_its_recipe_writes():
    recipe = runpy.run_path(str(SAMPLES / "make" / "forecast.py"))
    text = (SAMPLES / "forecast.csv").read_text(encoding="utf-8")
    found = forecast_from_csv(text, "forecast.csv")
    assert text.splitlines()[1:] == [recipe["row"](moment) for moment in found.times]
    above = found.surface_c - found.dew_c
    assert (above < 3).any()
    assert (above > 10).any()
