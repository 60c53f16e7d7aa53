"""Reading settings files (TOML): every refusal names the file, what was found and what is needed."""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Iterable

from texscan.errors import SettingsError

BAR_RANGE_MM = (80.0, 120.0)  # what a ruler may say of the printed 100 mm bar


def parse(text: str, name: str) -> dict:
    """
    The tables of a TOML text.

    Raises
    ------
    SettingsError : the text is not TOML; `name` is the file's name in the sentence.
    """
    try:
        return tomllib.loads(text)
    except (ValueError, RecursionError) as error:  # numbers of thousands of digits and lists within lists too
        raise SettingsError(f"{name} is not valid TOML: {error}. Correct that line.") from error


def refuse_unknown(found: Iterable[str], known: Iterable[str], where: str) -> None:
    """Raises SettingsError at the first key that is not known, with the nearest known one."""
    known = sorted(known)
    for key in found:
        if key in known:
            continue
        near = difflib.get_close_matches(key, known, n=1)
        hint = f"Did you mean {near[0]!r}?" if near else f"Known are {', '.join(known)}."
        raise SettingsError(f"{where} has an unknown entry {key!r}. {hint}")


def number(value: object, low: float, high: float, where: str) -> float:
    """A finite number within low..high (ends included), as float; SettingsError otherwise."""
    # NaN, infinity and whole numbers too large for a float are outside of any range
    if isinstance(value, bool) or not isinstance(value, int | float) or not low <= value <= high:
        raise SettingsError(f"{where} is {value!r}; a number from {low:g} to {high:g} is needed.")
    return float(value)


def rising(value: object, low: float, high: float, where: str) -> tuple[float, float, float]:
    """Three rising numbers [low, likely, high] within low..high; SettingsError otherwise."""
    if not isinstance(value, list) or len(value) != 3:
        raise SettingsError(f"{where} is {value!r}; three numbers [low, likely, high] are needed.")
    first, second, third = (number(v, low, high, where) for v in value)
    if not first <= second <= third:
        raise SettingsError(f"{where} is {value!r}; the three numbers must rise: [low, likely, high].")
    return first, second, third


def text_of(value: object, where: str) -> str:
    """A non-empty string; SettingsError otherwise."""
    if not isinstance(value, str) or not value.strip():
        raise SettingsError(f"{where} is {value!r}; words in quotes are needed.")
    return value.strip()
