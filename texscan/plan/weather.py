"""A weather forecast, and when it lets a coat be laid."""

from __future__ import annotations

import csv
import io
import math
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np

from texscan.errors import SettingsError
from texscan.plan.shifts import SLOTS_A_DAY, Shifts
from texscan.plan.windows import CoatTimes, span_c

MAGNUS_B, MAGNUS_C = 17.62, 243.12  # [-], [deg C]; Magnus form over water, WMO-No. 8, -45 to 60 degrees C
NEEDED = ("time", "air_c", "rh_percent")
OPTIONAL = ("surface_c", "rain_mm")
SPANS = {"air_c": (-45.0, 60.0), "rh_percent": (1.0, 100.0), "surface_c": (-45.0, 90.0), "rain_mm": (0.0, 500.0)}
MOST_GAP_H = 6.0  # between two entries; the worse of both holds in between. Policy
MOST_ROWS = 20_000


@dataclass(frozen=True, slots=True)
class Forecast:
    """Entries in the order of time, local, no zone; arrays of one length."""

    times: tuple[datetime, ...]
    air_c: np.ndarray
    rh_percent: np.ndarray
    surface_c: np.ndarray  # as air_c where the file does not say
    rain_mm: np.ndarray  # fallen since the entry before; 0 where the file does not say
    surface_stated: bool

    @property
    def dew_c(self) -> np.ndarray:
        return dew_point_c(self.air_c, self.rh_percent)


def dew_point_c(air_c, rh_percent):
    """
    Dew point of the air [deg C].

    Parameters
    ----------
    air_c, rh_percent : float or array, same shape. Temperature (-45 to 60) and relative humidity (> 0 to 100).

    Notes
    -----
    Magnus: g = ln(RH / 100) + 17.62 T / (243.12 + T); Td = 243.12 g / (17.62 - g). WMO-No. 8, over water.
    """
    g = np.log(np.asarray(rh_percent) / 100) + MAGNUS_B * np.asarray(air_c) / (MAGNUS_C + np.asarray(air_c))
    return MAGNUS_C * g / (MAGNUS_B - g)


def forecast_from_csv(text: str, name: str) -> Forecast:
    """
    A forecast from CSV text with a heading: time (ISO 8601, local, such as 2027-05-03T08:00), air_c, rh_percent, and
    where they are known surface_c and rain_mm (since the row before).

    Raises
    ------
    SettingsError : a missing column or number, times that do not rise or lie more than 6 h apart; with the line.
    """
    try:
        return _read(csv.DictReader(io.StringIO(text, newline=None), skipinitialspace=True), name)
    except csv.Error as error:
        raise SettingsError(f"{name} is no table of comma-separated values ({error}). Save it as CSV.") from error


def _read(reader: csv.DictReader, name: str) -> Forecast:
    columns = [str(column).strip().lower() for column in reader.fieldnames or ()]
    missing = [column for column in NEEDED if column not in columns]
    if missing:
        raise SettingsError(
            f"{name} lacks the column {missing[0]!r}. Its first line must name time, air_c and rh_percent; surface_c "
            "and rain_mm may follow."
        )
    reader.fieldnames = columns
    times: list[datetime] = []
    values: dict[str, list[float]] = {column: [] for column in SPANS if column in columns}
    for row in reader:
        where = f"{name}, line {reader.line_num}"
        times.append(_time(row["time"], times, where))
        for column, found in values.items():
            found.append(_value(row[column], column, where))
        if len(times) > MOST_ROWS:
            raise SettingsError(f"{name} has more than {MOST_ROWS} rows. Keep those from the first day of work on.")
    if len(times) < 2:
        raise SettingsError(f"{name} has {len(times)} rows; a forecast of at least two is needed.")
    arrays = {column: np.array(found) for column, found in values.items()}
    return Forecast(
        tuple(times),
        arrays["air_c"],
        arrays["rh_percent"],
        arrays.get("surface_c", arrays["air_c"]),
        arrays.get("rain_mm", np.zeros(len(times))),
        "surface_c" in arrays,
    )


def admissible(forecast: Forecast | None, times: CoatTimes | None, shifts: Shifts) -> np.ndarray:
    """
    (slots,) bool: where the weather lets a coat be laid, or (times None) dry work be done.

    Between two entries both have to pass. Slots outside the forecast are admissible; `covered` tells them.
    """
    slots = len(shifts.working)
    good = np.ones(slots, dtype=bool)
    if forecast is None:
        return good
    passes = passing(forecast, times)
    marks = [shifts.slot(moment) for moment in forecast.times]
    for number in range(len(marks) - 1):
        if not (passes[number] and passes[number + 1]):
            start, end = max(math.floor(marks[number]), 0), min(math.ceil(marks[number + 1]), slots)
            good[start : max(end, 0)] = False
    return good


def passing(forecast: Forecast, times: CoatTimes | None) -> np.ndarray:
    """(entries,) bool: which entries pass the gate."""
    good = forecast.rain_mm <= 0
    if times is None:
        return good
    low, high = span_c(times)
    for temperature in (forecast.air_c, forecast.surface_c):
        good = good & (temperature >= low) & (temperature <= high)
    return (
        good
        & (forecast.rh_percent <= times.rh_most_percent)
        & (forecast.surface_c >= forecast.dew_c + times.above_dew_c)
    )


def covered(forecast: Forecast | None, shifts: Shifts) -> np.ndarray:
    """(slots,) bool: where there is a forecast."""
    found = np.zeros(len(shifts.working), dtype=bool)
    if forecast is not None:
        start, end = (shifts.slot(forecast.times[place]) for place in (0, -1))
        found[max(math.ceil(start), 0) : max(math.floor(end), 0)] = True
    return found


def film_c(forecast: Forecast | None, shifts: Shifts, otherwise_c: float) -> np.ndarray:
    """
    (slots,) deg C: temperature of a film that is laid at each slot, as the mean of the surface over the next 24
    hours, as far as the forecast goes; `otherwise_c` outside it.
    """
    found = np.full(len(shifts.working), otherwise_c)
    inside = covered(forecast, shifts)
    if forecast is None or not inside.any():
        return found
    known = np.flatnonzero(inside)
    surface = np.interp(known, [shifts.slot(moment) for moment in forecast.times], forecast.surface_c)
    total = np.concatenate([[0.0], np.cumsum(surface)])
    ends = np.minimum(np.arange(len(known)) + SLOTS_A_DAY, len(known))
    found[known] = (total[ends] - total[:-1]) / (ends - np.arange(len(known)))
    return found


def refusal(forecast: Forecast, times: CoatTimes | None, start: datetime, end: datetime) -> str:
    """Why the weather does not let a coat be laid from start to end, in words; empty if it does."""
    passes = passing(forecast, times)
    for number in range(len(passes) - 1):
        if forecast.times[number + 1] <= start or forecast.times[number] >= end:
            continue
        for entry in (number, number + 1):
            if not passes[entry]:
                return f"{_reason(forecast, times, entry)} at {forecast.times[entry]:%a %d %b %H:%M}"
    return ""


def _reason(forecast: Forecast, times: CoatTimes | None, entry: int) -> str:
    air, surface = float(forecast.air_c[entry]), float(forecast.surface_c[entry])
    if forecast.rain_mm[entry] > 0:
        return f"rain ({forecast.rain_mm[entry]:g} mm)"
    assert times is not None  # without a coat only rain refuses
    low, high = span_c(times)
    for what, value in (("air", air), ("surface", surface)):
        if not low <= value <= high:
            return f"{what} {value:.1f} \N{DEGREE SIGN}C, outside {low:g} to {high:g} \N{DEGREE SIGN}C"
    if forecast.rh_percent[entry] > times.rh_most_percent:
        return f"humidity {forecast.rh_percent[entry]:.1f} %, more than {times.rh_most_percent:g} %"
    above = surface - float(forecast.dew_c[entry])
    return f"surface {above:.1f} \N{DEGREE SIGN}C above the dew point, {times.above_dew_c:g} needed"


def _time(text: str | None, before: list[datetime], where: str) -> datetime:
    try:
        moment = datetime.fromisoformat((text or "").strip())
    except ValueError as error:
        raise SettingsError(f"{where}: time is {text!r}; local time such as 2027-05-03T08:00 is needed.") from error
    if moment.tzinfo is not None:
        raise SettingsError(
            f"{where}: time is {text!r}, with a time zone. Write the boat's local time without a zone, such as "
            "2027-05-03T08:00."
        )
    if before and moment <= before[-1]:
        raise SettingsError(f"{where}: {moment} does not come after the row before. Sort the rows by time.")
    if before and moment - before[-1] > timedelta(hours=MOST_GAP_H):
        raise SettingsError(
            f"{where}: there is no entry between {before[-1]} and {moment}; at most {MOST_GAP_H:g} h may lie between "
            "two rows. Add rows, or end the forecast before the gap."
        )
    return moment


def _value(text: str | None, column: str, where: str) -> float:
    low, high = SPANS[column]
    try:
        value = float(text or "")
    except ValueError:
        value = math.nan
    if not low <= value <= high:
        raise SettingsError(f"{where}: {column} is {text!r}; a number from {low:g} to {high:g} is needed.")
    return value
