"""The limits of the decision: numbers with unit, reason and provenance, read from a limits file."""

from __future__ import annotations

from dataclasses import dataclass

from texscan.errors import SettingsError
from texscan.settings import number, parse, refuse_unknown, text_of
from texscan.zones import ZoneLimits

LIMIT_KEYS = ("value", "unit", "reason", "provenance")
SHARE = (0.0, 1.0)
RELIEF_MM = (0.0, 5.0)

# Every limit by section, with the range of values that make sense.
KNOWN: dict[str, dict[str, tuple[float, float]]] = {
    "decision": {
        "void_left_mm": RELIEF_MM,
        "void_left_of_reference": SHARE,
        "relief_mm": RELIEF_MM,
        "relief_of_reference": SHARE,
        "worn_or_filled_share": SHARE,
        "share_guard": (0.0, 0.5),
        "key_radius_mm": (0.05, 20.0),
        "reach_gap_mm": RELIEF_MM,
    },
    "zones": {
        "sound_relief_mm": RELIEF_MM,
        "not_sound_relief_mm": RELIEF_MM,
        "kept_share": SHARE,
        "share_u": SHARE,
    },
    "practice": {
        "recoat_window_h": (0.1, 1000.0),
        "grit_coarse": (20.0, 3000.0),
        "grit_fine": (20.0, 3000.0),
        "masking_cure_least_days": (0.0, 60.0),
        "masking_cure_most_days": (0.0, 60.0),
        "rag_test_least_min": (0.1, 2000.0),
        "rag_test_most_min": (0.1, 2000.0),
        "gelcoat_thin_mm": (0.05, 3.0),
        "gelcoat_thick_mm": (0.05, 3.0),
    },
}
PAIRS = (  # the first must not exceed the second
    ("zones", "not_sound_relief_mm", "sound_relief_mm"),
    ("practice", "grit_coarse", "grit_fine"),
    ("practice", "masking_cure_least_days", "masking_cure_most_days"),
    ("practice", "rag_test_least_min", "rag_test_most_min"),
    ("practice", "gelcoat_thin_mm", "gelcoat_thick_mm"),
)


@dataclass(frozen=True, slots=True)
class Limit:
    """One number of the decision, why it is what it is, and where it comes from."""

    value: float
    unit: str
    reason: str
    provenance: str


@dataclass(frozen=True, slots=True)
class Limits:
    """The limits by section; every name of `KNOWN` is there."""

    decision: dict[str, Limit]
    zones: dict[str, Limit]
    practice: dict[str, Limit]


def limits_from_toml(text: str, name: str, base: Limits | None = None) -> Limits:
    """
    The limits of a limits file.

    Parameters
    ----------
    text : TOML with sections decision, zones and practice; an entry is a table with value, unit, reason and
        provenance, or a plain number that keeps the rest of the base's entry.
    name : of the file, for the sentences.
    base : what the file leaves out; None = the file must be complete.

    Raises
    ------
    SettingsError : unknown names (with the nearest known one), missing or impossible values.
    """
    tables = parse(text, name)
    refuse_unknown(tables, KNOWN, name)
    sections = {section: _section(tables.get(section, {}), section, name, base) for section in KNOWN}
    for section, small, large in PAIRS:
        pair = sections[section]
        if pair[small].value > pair[large].value:
            raise SettingsError(
                f"{name}, {section}: {small} is {pair[small].value:g} and {large} is {pair[large].value:g}; "
                "the first must not be larger than the second."
            )
    return Limits(**sections)


def zone_limits(limits: Limits) -> ZoneLimits:
    """The section [zones] as the zones take it."""
    return ZoneLimits(**{name: limit.value for name, limit in limits.zones.items()})


def _section(table: object, section: str, name: str, base: Limits | None) -> dict[str, Limit]:
    where = f"{name}, {section}"
    if not isinstance(table, dict):
        raise SettingsError(f"{where} is no table. Write [{section}.NAME] with value, unit, reason and provenance.")
    refuse_unknown(table, KNOWN[section], where)
    found = {}
    for key, span in KNOWN[section].items():
        inherited = getattr(base, section)[key] if base else None
        if key in table:
            found[key] = _limit(table[key], span, inherited, f"{where}: {key}")
        elif inherited:
            found[key] = inherited
        else:
            raise SettingsError(f"{where} lacks {key}. Add it, or start from the shipped limits.")
    return found


def _limit(entry: object, span: tuple[float, float], inherited: Limit | None, where: str) -> Limit:
    if not isinstance(entry, dict):
        value = number(entry, *span, where)
        if inherited is None:
            raise SettingsError(f"{where} is a plain number; value, unit, reason and provenance are needed.")
        return Limit(value, inherited.unit, inherited.reason, "set by the user's limits file")
    refuse_unknown(entry, LIMIT_KEYS, where)
    value = number(entry.get("value"), *span, f"{where}: value")
    unit = text_of(entry.get("unit", inherited.unit if inherited else None), f"{where}: unit")
    return Limit(
        value, unit, text_of(entry.get("reason"), f"{where}: reason"), text_of(entry.get("provenance"), where)
    )
