"""Figures of materials that are assumed until a user or a data sheet says better, read from a materials file."""

from __future__ import annotations

from dataclasses import dataclass

from texscan.errors import SettingsError
from texscan.plan.figure import ASSUMED, DATA_SHEET, USER, Figure, exactly
from texscan.settings import number, parse, refuse_unknown, rising, text_of

ENTRY_KEYS = ("value", "unit", "reason", "provenance")
SHARE = (0.0, 0.95)
KG_PER_L = (0.05, 5.0)
GRIT = (20.0, 3000.0)

# Every figure with its unit and the values that make sense.
KNOWN: dict[str, tuple[str, float, float]] = {
    "loss_rolled": ("share", *SHARE),
    "loss_sprayed": ("share", *SHARE),
    "filler_waste": ("share", 0.0, 3.0),
    "filler_per_epoxy": ("kg/kg", 0.0, 3.0),
    "epoxy_density": ("kg/L", *KG_PER_L),
    "filler_density": ("kg/L", *KG_PER_L),
    "grit_size": ("mm", 0.02, 3.0),
    "grit_cover": ("share", 0.01, 0.91),  # circles on a plane cover 0.907 at most
    "grit_density": ("kg/m3", 200.0, 8000.0),
    "grit_in_hand": ("times", 1.0, 20.0),
    "grit_sink": ("share", 0.0, 1.0),
    "texture_coating_wet": ("um", 50.0, 5000.0),
    "gelcoat_film": ("mm", 0.05, 3.0),
    "new_true_area": ("ratio", 1.0, 3.0),
    "sand_flat_grit": ("P", *GRIT),
    "sand_flat_passes": ("passes", 0.0, 20.0),
    "key_passes": ("passes", 0.0, 20.0),
    "tape_runs": ("times", 0.0, 20.0),
    "tape_waste": ("share", 0.0, 3.0),
}
RECIPES = ("filler_per_epoxy", "epoxy_density", "filler_density", "sand_flat_grit")  # chosen, so without a range
OPTIONAL: dict[str, tuple[str, float, float]] = {"grit_per_paint": ("kg/L", 0.001, 3.0)}  # no figure of ours


@dataclass(frozen=True, slots=True)
class Material:
    """One figure with its unit and where it comes from, in words."""

    figure: Figure
    unit: str
    provenance: str


def materials_from_toml(text: str, name: str) -> dict[str, Material]:
    """
    The shipped figures: [NAME] tables with value ([low, likely, high] or one number), unit, reason, provenance.

    Raises
    ------
    SettingsError : unknown or missing names, impossible values.
    """
    tables = parse(text, name)
    refuse_unknown(tables, KNOWN, name)
    found = {}
    for key, (unit, *_) in KNOWN.items():
        table, where = tables.get(key), f"{name}, {key}"
        if not isinstance(table, dict):
            raise SettingsError(f"{name} lacks [{key}] with value, unit, reason and provenance. Add it.")
        refuse_unknown(table, ENTRY_KEYS, where)
        if table.get("unit") != unit:
            raise SettingsError(f"{where}: unit is {table.get('unit')!r}; {unit!r} is needed.")
        figure = _figure(key, table.get("value"), f"{where}: value", source=ASSUMED)
        found[key] = Material(figure, unit, text_of(table.get("provenance"), f"{where}: provenance"))
    return found


def with_users(base: dict[str, Material], table: dict, where: str) -> dict[str, Material]:
    """
    The figures with those of a user's table in their place.

    Parameters
    ----------
    table : NAME = number, [low, likely, high], or { value = ..., source = "user" or "data sheet" }.

    Raises
    ------
    SettingsError : unknown names (with the nearest known one), impossible values.
    """
    known = KNOWN | OPTIONAL
    refuse_unknown(table, known, where)
    found = dict(base)
    for key, entry in table.items():
        here = f"{where}: {key}"
        value, source = entry, USER
        if isinstance(entry, dict):
            refuse_unknown(entry, ("value", "source"), here)
            value, source = entry.get("value"), source_of(entry.get("source", USER), here)
        found[key] = Material(_figure(key, value, here, source=source), known[key][0], where)
    return found


def _figure(key: str, value: object, where: str, *, source: str) -> Figure:
    _, low, high = (KNOWN | OPTIONAL)[key]
    if key in RECIPES and isinstance(value, list):
        raise SettingsError(f"{where} is {value!r}; it is a recipe, so one number is needed.")
    return figure_of(value, low, high, where, source=source)


def figure_of(value: object, low: float, high: float, where: str, *, source: str) -> Figure:
    """A number or [low, likely, high] as a figure; SettingsError otherwise."""
    if isinstance(value, list):
        return Figure(*rising(value, low, high, where), source)
    return exactly(number(value, low, high, where), source)


def source_of(value: object, where: str) -> str:
    """Whose figure it is: SettingsError unless "user" or "data sheet"."""
    if value not in (USER, DATA_SHEET):
        raise SettingsError(f'{where}: source is {value!r}; "user" or "data sheet" is needed.')
    return value
