"""What a yard says of its work: how fast it goes, the data sheets' times, tasks of its own. The rest is assumed."""

from __future__ import annotations

from dataclasses import dataclass, field

from texscan.errors import SettingsError
from texscan.plan.figure import ASSUMED, USER, Figure, exactly
from texscan.plan.windows import CoatTimes, coat_times_from_toml
from texscan.settings import number, refuse_unknown, rising, text_of

SECTIONS = ("programme", "coat_times", "task")  # of a rates file that are read here


def _assumed(low: float, likely: float, high: float) -> Figure:
    return Figure(low, likely, high, ASSUMED)


# What one person does in an hour where the rates file gives no pace. Common practice, no source.
PACES: dict[str, Figure] = {
    "wash": _assumed(6, 10, 15),  # m2, dewaxing with two rags included
    "mask": _assumed(8, 12, 20),  # m, with rounded corners
    "key": _assumed(1.5, 2.5, 4),  # m2, a texture
    "sand_flat": _assumed(0.8, 1.2, 2),  # m2
    "fill": _assumed(1.5, 2.5, 4),  # m2
    "coat": _assumed(6, 8, 12),  # m2
    "texture": _assumed(4, 6, 9),  # m2
}
# Other figures of the programme, with the range of values that make sense. Common practice, no source.
WORK: dict[str, tuple[Figure, float, float]] = {
    "smooth_m2_per_h": (_assumed(2, 3, 5), 0.01, 1e4),  # smooth borders sanded, one person
    "pull_tape_m_per_h": (_assumed(40, 60, 90), 0.1, 1e4),  # one person
    "test_h": (_assumed(0.25, 0.5, 1), 0.0, 100.0),  # one adhesion, lead or rag test
    "repair_h": (_assumed(2, 4, 8), 0.0, 1e4),  # one repair
    "repair_cure_h": (_assumed(16, 24, 48), 0.0, 2000.0),
    "fitting_h": (_assumed(0.25, 0.5, 1), 0.0, 100.0),  # one fitting off, or on again
    "set_up_h": (_assumed(0.25, 0.5, 0.75), 0.0, 24.0),  # mix, lay out and clean up, once a coat
    "border_m": (_assumed(0.10, 0.15, 0.25), 0.0, 5.0),  # width of the smooth borders round a panel
}
PASSES = ("key_passes", "sand_flat_passes", "tape_runs")  # of the materials
SWITCHES = ("smooth_areas", "key_between_coats", "flat_filler", "under_cover")
NUMBERS = {
    "temperature_c": (-20.0, 60.0),
    "pull_tape_within_h": (0.25, 48.0),
    "batch_l": (0.01, 1000.0),
    "pot_life_use": (0.05, 1.0),
}
SMOOTH_M2 = (0.0, 10_000.0)
OWN_KEYS = ("name", "hours", "after", "before", "crew")
OWN_HOURS = (0.0, 2000.0)


@dataclass(frozen=True, slots=True)
class OwnTask:
    """A task that the user adds; `after` and `before` name tasks or stages of the programme."""

    name: str
    hours: Figure
    after: tuple[str, ...] = ()
    before: tuple[str, ...] = ()
    crew: bool = True  # False: others do it, and it runs by the clock


@dataclass(frozen=True, slots=True)
class Yard:
    """All of it. The defaults are assumed: common practice, no source."""

    paces: dict[str, Figure] = field(default_factory=lambda: dict(PACES))  # of one person, an hour
    work: dict[str, Figure] = field(default_factory=lambda: {key: entry[0] for key, entry in WORK.items()})
    passes: dict[str, Figure] = field(default_factory=lambda: {key: exactly(1.0, ASSUMED) for key in PASSES})
    sheets: tuple[CoatTimes, ...] = ()
    own_tasks: tuple[OwnTask, ...] = ()
    smooth_areas: bool = True  # the smooth borders are painted too
    smooth_area_m2: Figure | None = None  # None = from the panels' edges and border_m
    key_between_coats: bool = True  # False: a missed window is not mended, it has to be met
    flat_filler: bool = False  # True: the filler cures and is sanded flat; False: primed inside its window
    under_cover: bool = False  # True: rain does not matter; dew and cold do
    temperature_c: float = 20.0  # of the film, where there is no forecast
    pull_tape_within_h: float = 2.0  # while the last coat is soft
    batch_l: float | None = None  # what is mixed at a time
    pot_life_use: float = 0.75  # share of the pot life that is worked in

    def assumed(self) -> tuple[str, ...]:
        """Names of the paces and figures that nobody stated."""
        return tuple(key for key, figure in {**self.paces, **self.work}.items() if figure.source == ASSUMED)


def yard_from_tables(
    tables: dict, name: str, *, paces: dict[str, Figure], passes: dict[str, Figure], fitting_h: Figure | None = None
) -> Yard:
    """
    What a rates file says.

    Parameters
    ----------
    tables : its tables `SECTIONS`; others are not looked at.
    name : of the file, for the sentences.
    paces : those that it gives, of `PACES`; passes : figures of `PASSES`; fitting_h : of one fitting, where the
        tables do not say it; None = not stated.

    Raises
    ------
    SettingsError : unknown entries (with the nearest known one), impossible values; naming the file and the entry.
    """
    where = f"{name}, programme"
    table = tables.get("programme", {})
    if not isinstance(table, dict):
        raise SettingsError(f"{name}: programme is no table. Write [programme] above its entries.")
    refuse_unknown(table, (*SWITCHES, *NUMBERS, *WORK, "smooth_area_m2"), where)
    values: dict[str, object] = {
        key: number(table[key], *span, f"{where}: {key}") for key, span in NUMBERS.items() if key in table
    }
    values |= {key: _switch(table[key], f"{where}: {key}") for key in SWITCHES if key in table}
    if "smooth_area_m2" in table:
        values["smooth_area_m2"] = _figure(table["smooth_area_m2"], *SMOOTH_M2, f"{where}: smooth_area_m2")
    work = {
        key: _figure(table[key], low, high, f"{where}: {key}") if key in table else assumed
        for key, (assumed, low, high) in WORK.items()
    }
    if fitting_h is not None and "fitting_h" not in table:
        work["fitting_h"] = fitting_h
    return Yard(
        {**PACES, **paces},
        work,
        passes,
        coat_times_from_toml(tables.get("coat_times", []), name),
        _own_tasks(tables.get("task", []), name),
        **values,  # type: ignore[arg-type]
    )


TEMPLATE = """
# [programme]
# temperature_c =           # of the film where there is no forecast; data sheets by temperature are read there
# smooth_areas =            # false: the smooth borders are not painted
# smooth_area_m2 =          # m2; left out: edge of the panels times border_m
# border_m =                # m, width of the smooth borders
# key_between_coats =       # false: a missed recoat window is not mended by wash and key, it has to be met
# flat_filler =             # true: filler cures and is sanded flat; left out, it is primed inside its window
# under_cover =             # true: rain does not matter; dew and cold do
# pull_tape_within_h =      # h after the last coat, while it is soft
# batch_l =                 # L of paint that is mixed at a time; checked against the pot life
# pot_life_use =            # share of the pot life that is worked in
# smooth_m2_per_h =         # m2/h, smooth borders sanded by one person
# pull_tape_m_per_h =       # m/h, one person
# test_h =                  # h, one adhesion, lead or rag test
# repair_h =                # h, one repair
# repair_cure_h =           # h
# fitting_h =               # h, one fitting off, or on again; left out: h_per_fitting
# set_up_h =                # h, to mix, lay out and clean up, once a coat

# [[coat_times]]            # one such table a data sheet
# coat =                    # in quotes: the name of a coat, or primer, topcoat, filler
# least_h =                 # h before the next coat; or least_h_at = pairs of degrees C and h, in brackets
# most_h =                  # h until which it needs no sanding; or most_h_at
# dew_free_h =              # h after the coat in which dew, rain and cold harm it
# walk_on_h =               # h
# pot_life_h =              # h at twenty degrees C; false for paint that is not mixed
# least_c =                 # degrees C, air and surface
# most_c =                  # degrees C
# rh_most_percent =         # relative humidity
# above_dew_c =             # degrees of the surface above the dew point

# [[task]]                  # one such table a task of your own
# name =                    # in quotes
# hours =                   # elapsed
# after =                   # names of tasks or stages of programme.csv, in quotes, in brackets
# before =
# crew =                    # false: others do it, by the clock
"""


def _switch(value: object, where: str) -> bool:
    if not isinstance(value, bool):
        raise SettingsError(f"{where} is {value!r}; true or false is needed.")
    return value


def _figure(value: object, low: float, high: float, where: str) -> Figure:
    """One number, or [low, likely, high]."""
    if isinstance(value, list):
        return Figure(*rising(value, low, high, where), USER)
    return exactly(number(value, low, high, where), USER)


def _own_tasks(entries: object, name: str) -> tuple[OwnTask, ...]:
    if not isinstance(entries, list) or not all(isinstance(entry, dict) for entry in entries):
        raise SettingsError(f"{name}: task is no list of tables. Write [[task]] above each of them.")
    found = []
    for place, entry in enumerate(entries, 1):
        where = f"{name}, task {place}"
        refuse_unknown(entry, OWN_KEYS, where)
        found.append(
            OwnTask(
                text_of(entry.get("name"), f"{where}: name"),
                _figure(entry.get("hours"), *OWN_HOURS, f"{where}: hours"),
                _names(entry.get("after", []), f"{where}: after"),
                _names(entry.get("before", []), f"{where}: before"),
                _switch(entry.get("crew", True), f"{where}: crew"),
            )
        )
    return tuple(found)


def _names(value: object, where: str) -> tuple[str, ...]:
    if not isinstance(value, list) or not all(isinstance(name, str) for name in value):
        raise SettingsError(f'{where} is {value!r}; a list of names such as ["wash"] is needed.')
    return tuple(value)
