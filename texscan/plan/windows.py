"""What the data sheet of a coat says of times: recoat window, dew, walking on it, pot life; and what is assumed."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

from texscan.compatibility import window_at_temperature
from texscan.errors import SettingsError
from texscan.limits import Limits
from texscan.model import Coat
from texscan.settings import number, refuse_unknown, text_of

FILLER = "filler"
POT_LIFE_HALVES_PER_C = 10.0  # pot life halves for each 10 degrees C; trade guides
REFERENCE_C = 20.0  # at which sheets state times
HOURS = (0.0, 2000.0)
TEMPERATURE_C = (-20.0, 60.0)
PERCENT = (1.0, 100.0)

Table = tuple[tuple[float, float], ...]  # (temperature [deg C], hours), temperatures rising


@dataclass(frozen=True, slots=True)
class CoatTimes:
    """
    Times and conditions of one coat; `stated` names the fields that come from the user's data sheet.

    The defaults: 16 h is a night between two working days, 6 h from the coat to the dew of the evening, 24 h before
    walking on it: common practice, no source. 85 % and 3 degrees above the dew point: practice with ISO 8502-4 and
    ISO 12944-7. 10 to 30 degrees: from memory, common on sheets. 2 h of pot life: from memory, two-part paint.
    """

    coat: str
    least_h: float = 16.0  # before the next coat may follow
    most_h: float = 24.0  # until which it needs no sanding
    least_h_at: Table = ()  # instead of least_h, by temperature of the film
    most_h_at: Table = ()
    dew_free_h: float = 6.0  # cure window: so long after the coat dew, rain and cold harm it
    walk_on_h: float = 24.0
    pot_life_h: float | None = 2.0  # at 20 degrees C; None = no mixing, no pot life
    least_c: float = 10.0
    most_c: float = 30.0
    rh_most_percent: float = 85.0
    above_dew_c: float = 3.0
    stated: frozenset[str] = frozenset()


FIELDS: dict[str, tuple[float, float]] = {
    "least_h": HOURS,
    "most_h": HOURS,
    "dew_free_h": (0.0, 168.0),
    "walk_on_h": HOURS,
    "pot_life_h": (0.01, 1000.0),
    "least_c": TEMPERATURE_C,
    "most_c": TEMPERATURE_C,
    "rh_most_percent": PERCENT,
    "above_dew_c": (0.0, 20.0),
}
TABLES = ("least_h_at", "most_h_at")


def coat_times_from_toml(entries: object, name: str) -> tuple[CoatTimes, ...]:
    """
    The data sheets of a rates file.

    Parameters
    ----------
    entries : list of its tables [[coat_times]]: `coat` (name of a coat, "primer", "topcoat" or "filler") and any of
        `FIELDS`; `least_h_at` and `most_h_at` as lists of [degrees C, hours].

    Raises
    ------
    SettingsError : unknown entries, impossible values, a window that closes before it opens.
    """
    if not isinstance(entries, list) or not all(isinstance(entry, dict) for entry in entries):
        raise SettingsError(f"{name}: coat_times is no list of tables. Write [[coat_times]] above each of them.")
    found = tuple(_times(entry, f"{name}, coat_times {place}") for place, entry in enumerate(entries, 1))
    names = [times.coat for times in found]
    for coat in names:
        if names.count(coat) > 1:
            raise SettingsError(f"{name}: coat_times has {coat!r} twice. Keep one of them.")
    return found


def times_of(coat: Coat | str, sheets: tuple[CoatTimes, ...], limits: Limits) -> CoatTimes:
    """The sheet of this coat by its name, else of its kind, else the usual times with the limits' recoat window."""
    named = (coat,) if isinstance(coat, str) else (coat.name, coat.kind)
    label = named[0]
    sheet = next((times for wanted in named for times in sheets if times.coat == wanted), None)
    window = limits.practice["recoat_window_h"].value
    if sheet is None:
        return replace(CoatTimes(label), most_h=window, least_h=min(CoatTimes(label).least_h, window))
    if "most_h" not in sheet.stated and "most_h_at" not in sheet.stated:
        sheet = replace(sheet, most_h=max(window, sheet.least_h))
    if "least_h" not in sheet.stated and "least_h_at" not in sheet.stated:
        sheet = replace(sheet, least_h=min(sheet.least_h, sheet.most_h))
    return replace(sheet, coat=label)


def window_h(times: CoatTimes, temperature_c: float) -> tuple[float, float]:
    """
    Least and most hours before the next coat, at this temperature of the film.

    Raises
    ------
    SettingsError : the sheet's table does not cover the temperature, or its window is empty there.
    """
    least = window_at_temperature(times.least_h_at, temperature_c) if times.least_h_at else times.least_h
    most = window_at_temperature(times.most_h_at, temperature_c) if times.most_h_at else times.most_h
    if most < least:
        raise SettingsError(
            f"At {temperature_c:g} degrees C the next coat over {times.coat!r} may follow after {least:.3g} h and "
            f"must before {most:.3g} h. Correct its coat_times."
        )
    return least, most


def span_c(times: CoatTimes) -> tuple[float, float]:
    """Temperatures that the sheet covers: its range, and of its tables what both cover."""
    lows = [times.least_c, *(table[0][0] for table in (times.least_h_at, times.most_h_at) if table)]
    highs = [times.most_c, *(table[-1][0] for table in (times.least_h_at, times.most_h_at) if table)]
    return max(lows), min(highs)


def pot_life_at(pot_life_20_h: float, temperature_c: float) -> float:
    """Pot life at this temperature of the paint [h]: it halves for each 10 degrees C; a large batch heats itself."""
    return pot_life_20_h * 2 ** (-(temperature_c - REFERENCE_C) / POT_LIFE_HALVES_PER_C)


def largest_batch_l(m2_per_h: float, pot_life_h: float, use: float, m2_per_l: float) -> float:
    """
    Paint to mix at a time [L].

    Parameters
    ----------
    m2_per_h : what those who lay it cover in an hour; pot_life_h : at the paint's temperature.
    use : share of the pot life that is worked in (0 to 1); m2_per_l : spreading rate.
    """
    return m2_per_h * pot_life_h * use / m2_per_l


def _times(entry: dict, where: str) -> CoatTimes:
    refuse_unknown(entry, ("coat", *FIELDS, *TABLES), where)
    values: dict[str, object] = {
        key: number(entry[key], *span, f"{where}: {key}")
        for key, span in FIELDS.items()
        if key in entry and not (key == "pot_life_h" and entry[key] is False)
    }
    if entry.get("pot_life_h") is False:
        values["pot_life_h"] = None
    values |= {key: _table(entry[key], f"{where}: {key}") for key in TABLES if key in entry}
    for key in ("least_h", "most_h"):
        if key in entry and f"{key}_at" in entry:
            raise SettingsError(f"{where} has both {key} and {key}_at. Keep one of them.")
    times = CoatTimes(text_of(entry.get("coat"), f"{where}: coat"), **values, stated=frozenset(values))  # type: ignore[arg-type]
    if {"least_h", "most_h"} <= times.stated and times.most_h < times.least_h:
        raise SettingsError(
            f"{where}: the window of {times.coat!r} closes after {times.most_h:g} h, before it opens at "
            f"{times.least_h:g} h. most_h must not be less than least_h."
        )
    low, high = span_c(times)
    if low > high:
        raise SettingsError(
            f"{where}: {times.coat!r} may be laid from {low:g} to {high:g} degrees C; that is no range."
        )
    return times


def _table(value: object, where: str) -> Table:
    pairs = value if isinstance(value, list) else []
    if not pairs or not all(isinstance(pair, list) and len(pair) == 2 for pair in pairs):
        raise SettingsError(f"{where} is {value!r}; pairs [[degrees C, hours], ...] are needed.")
    table = tuple((number(t, *TEMPERATURE_C, where), number(h, 0.01, HOURS[1], where)) for t, h in pairs)
    if any(first[0] >= second[0] for first, second in pairwise(table)):
        raise SettingsError(f"{where}: the temperatures must rise from pair to pair.")
    return table
