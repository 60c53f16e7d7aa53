"""When the crew works: the time of a programme in quarters of an hour."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta

import numpy as np

from texscan.errors import SettingsError
from texscan.survey.records import WEEKDAYS, Crew

SLOTS_AN_HOUR = 4  # a programme is no finer than a quarter of an hour
SLOTS_A_DAY = 24 * SLOTS_AN_HOUR
ROUNDING = 1e-9  # hours that are nothing but the rounding of a sum


@dataclass(frozen=True, slots=True)
class Shifts:
    """Working hours: `working` is (slots,) bool from midnight of the first day on; local time, no zone."""

    origin: datetime
    working: np.ndarray
    day_slots: int  # of a working day

    @property
    def days(self) -> int:
        return len(self.working) // SLOTS_A_DAY

    def moment(self, slot: int) -> datetime:
        return self.origin + timedelta(hours=slot / SLOTS_AN_HOUR)

    def slot(self, moment: datetime) -> float:
        """May lie between slots, before the first and behind the last."""
        return (moment - self.origin) / timedelta(hours=1) * SLOTS_AN_HOUR


def slots_of(hours: float) -> int:
    """Quarters of an hour that hold so many hours."""
    return math.ceil(hours * SLOTS_AN_HOUR - ROUNDING)


def shifts(crew: Crew, days: int) -> Shifts:
    """
    The crew's working hours for so many days from its first day on.

    Raises
    ------
    SettingsError : no first day, a last day before it, no working day, or hours that do not fit into a day.
    """
    first = _first_day(crew)
    starts, slots = _hours(crew)
    working = np.zeros((days, SLOTS_A_DAY), dtype=bool)
    for number in range(days):
        if works_on(crew, first + timedelta(days=number)):
            working[number, starts : starts + slots] = True
    return Shifts(datetime.combine(first, time()), working.ravel(), slots)


def works_on(crew: Crew, day: date) -> bool:
    return WEEKDAYS[day.weekday()] not in crew.days_off and day not in crew.closed


def _first_day(crew: Crew) -> date:
    if crew.first_day is None:
        raise SettingsError(
            "The survey does not say when the work may start. Write first_day = 2027-03-15 (your date) under [crew]."
        )
    if crew.last_day is not None and crew.last_day < crew.first_day:
        raise SettingsError(
            f"The crew's last day {crew.last_day} is before its first day {crew.first_day}. Correct one of them "
            "under [crew]."
        )
    if crew.people < 1:
        raise SettingsError(
            f"The crew has {crew.people} people; at least one is needed. Correct people under [crew]."
        )
    if set(WEEKDAYS) <= set(crew.days_off):
        raise SettingsError("Every day of the week is a day off. Take one out of days_off under [crew].")
    return crew.first_day


def _hours(crew: Crew) -> tuple[int, int]:
    """First slot of a working day, and how many."""
    try:
        starts = time.fromisoformat(crew.day_starts)
    except ValueError as error:
        raise SettingsError(
            f'day_starts is {crew.day_starts!r} under [crew]; a time of day such as "08:00" is needed.'
        ) from error
    first = slots_of(starts.hour + starts.minute / 60)
    slots = int(crew.hours_a_day * SLOTS_AN_HOUR + ROUNDING)
    if slots < 1 or first + slots > SLOTS_A_DAY:
        raise SettingsError(
            f"A day that starts at {crew.day_starts} with {crew.hours_a_day:g} hours does not fit between 0:00 and "
            "24:00. Correct day_starts or hours_a_day under [crew]."
        )
    return first, slots
