"""The words of a proposal from its language file, and texts of users made fit for print."""

from __future__ import annotations

import difflib
import string
import tomllib
import unicodedata
from dataclasses import dataclass
from datetime import date
from typing import Any

from texscan.errors import SettingsError
from texscan.model import Measured
from texscan.survey.units import AREA, VOLUME, in_units

LONGEST = 600  # characters of one noted text that a page has room for
NO_BREAK = "\u00a0"
ONE_M2 = 1.0  # smaller areas are printed with one digit more
ALLOWED_CONTROLS = "\n\t"


def clean(text: object) -> str:
    """
    A text of a user as one line of data.

    Line ends and tabs become spaces; characters that control a terminal, the direction of writing or that XML does
    not have are left out, because they would change what stands around them.
    """
    return " ".join(_printable(str(text)).split())


def clean_lines(text: object) -> tuple[str, ...]:
    """As `clean`, line by line; empty lines are left out."""
    return tuple(line for line in (clean(part) for part in str(text).splitlines()) if line)


def _printable(text: str) -> str:
    normal = unicodedata.normalize("NFC", text.encode("utf-8", "replace").decode("utf-8"))
    kept = []
    for letter in normal:
        kind = unicodedata.category(letter)
        if letter in ALLOWED_CONTROLS or kind in ("Zs", "Zl", "Zp"):
            kept.append(" ")
        elif kind in ("Cc", "Cs", "Cn", "Co") or (kind == "Cf" and letter not in "\u200c\u200d"):
            continue  # controls, surrogates, unassigned, private, and marks that turn the direction of writing
        else:
            kept.append(letter)
    return "".join(kept)


@dataclass(frozen=True, slots=True)
class Words:
    """
    The words of one language; keys are "section.name".

    `units` is the survey's: how areas and volumes are printed; the data stay metric.
    """

    texts: dict[str, Any]
    units: str = "metric"

    def __call__(self, key: str, **values: object) -> str:
        """The text of a key with its braces filled in; what is filled in is data and not looked at again."""
        return str(self.texts[key]).format_map({name: clean(value) for name, value in values.items()})

    def items(self, key: str, **values: object) -> tuple[str, ...]:
        """The texts of a list."""
        filled = {name: clean(value) for name, value in values.items()}
        return tuple(str(entry).format_map(filled) for entry in self.texts[key])

    def rows(self, key: str) -> tuple[tuple[str, ...], ...]:
        """The texts of a list of lists."""
        return tuple(tuple(str(cell) for cell in row) for row in self.texts[key])

    def count(self, key: str, number: int) -> str:
        """The text for one or for several."""
        return self(f"{key}_{'one' if number == 1 else 'other'}", count=number)

    def number(self, value: float, digits: int) -> str:
        """A number as the language writes it; minus as a minus sign, no "-0"."""
        plain = f"{value:,.{digits}f}"
        if not any(c in plain for c in "123456789"):
            plain = plain.lstrip("-")
        marks = {",": str(self.texts["format.thousands"]), ".": str(self.texts["format.decimal"]), "-": "\u2212"}
        return "".join(marks.get(c, c) for c in plain)

    def span(self, low: float, high: float, digits: int) -> str:
        """ "low to high", or one number where both print alike."""
        ends = self.number(low, digits), self.number(high, digits)
        return ends[0] if ends[0] == ends[1] else self("format.range", low=ends[0], high=ends[1])

    def figure(self, measured: Measured | None, digits: int, factor: float = 1.0) -> str:
        """Value with its interval; what is not known says so."""
        if measured is None:
            return self("format.missing")
        value, low, high = (self.number(factor * v, digits) for v in (measured.value, measured.low, measured.high))
        return self("format.figure", value=value, low=low, high=high)

    def stacked(self, measured: Measured | None, digits: int, factor: float = 1.0) -> str:
        """As `figure`, the interval on a line of its own, for a narrow column."""
        if measured is None:
            return self("format.missing")
        interval = self.span(factor * measured.low, factor * measured.high, digits)
        return f"{self.number(factor * measured.value, digits)}\n{interval}"

    def percent(self, share: float) -> str:
        return f"{self.number(100 * share, 0)}{NO_BREAK}%"

    def area(self, area_m2: Measured | None, *, stacked: bool = False) -> str:
        """An area with its unit; the interval only where it prints differently."""
        if area_m2 is None:
            return self("format.missing")
        factor, unit = in_units(1.0, AREA, self.units)
        digits = (0 if self.units == "imperial" else 1) + (area_m2.value < ONE_M2)
        value, low, high = (self.number(factor * v, digits) for v in (area_m2.value, area_m2.low, area_m2.high))
        if low == high:
            return f"{value}{NO_BREAK}{unit}"
        if stacked:
            return f"{value}{NO_BREAK}{unit}\n{self.span(factor * area_m2.low, factor * area_m2.high, digits)}"
        return self("format.figure", value=f"{value}{NO_BREAK}{unit}", low=low, high=high)

    def volume(self, litres: float, digits: int) -> str:
        """A volume with its unit; gallons get a digit more than litres."""
        value, unit = in_units(litres, VOLUME, self.units)
        return f"{self.number(value, digits + (self.units == 'imperial'))}{NO_BREAK}{unit}"

    def day(self, when: date | None) -> str:
        if when is None:
            return self("format.missing")
        month = str(self.texts["format.months"]).split()[when.month - 1]
        return self("format.date", day=when.day, month=month, year=when.year)

    def shortened(self, text: str) -> str:
        """A long note cut to what a page holds, and said so."""
        whole = clean(text)
        return whole if len(whole) <= LONGEST else whole[:LONGEST].rstrip() + str(self.texts["format.cut"])


def words_from_toml(text: str, name: str, base: dict[str, object] | None = None) -> dict[str, object]:
    """
    The texts of a language file by "section.name".

    Parameters
    ----------
    text : TOML of sections with texts, lists of texts, or lists of lists
    name : of the file, for the sentences
    base : the shipped texts; what the file leaves out is taken from there. None = the file stands alone.

    Raises
    ------
    SettingsError : no TOML, an unknown key (with the nearest known one), braces that are not filled in, a list where
        a text is needed or the other way round.
    """
    try:
        tables = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise SettingsError(f"{name} is not TOML ({error}). Start again from a copy of the shipped file.") from error
    found: dict[str, object] = {}
    for section, entries in tables.items():
        if not isinstance(entries, dict):
            raise SettingsError(f"{name}: {section!r} stands outside a section. Put it below a line such as [title].")
        found |= {f"{section}.{key}": value for key, value in entries.items()}
    if base is None:
        return found
    for key, value in found.items():
        _check(key, value, base, name)
    return base | found


def _check(key: str, value: object, base: dict[str, object], name: str) -> None:
    if key not in base:
        near = difflib.get_close_matches(key, base, 1)
        hint = f" Did you mean {near[0]}?" if near else ""
        raise SettingsError(f"{name}: {key} is not a text of the proposal.{hint}")
    if type(value) is not type(base[key]) or _depth(value) != _depth(base[key]):
        raise SettingsError(f"{name}: {key} must be {_shape(base[key])}, as in the shipped language file.")
    allowed = set().union(*(_braces(text, key, name) for text in _texts(base[key])))
    for text in _texts(value):
        for brace in sorted(_braces(text, key, name) - allowed):
            known = ", ".join(f"{{{b}}}" for b in sorted(allowed)) or "none"
            raise SettingsError(f"{name}: {key} has {{{brace}}}, which nothing fills in; known here: {known}.")


def _braces(text: str, key: str, name: str) -> set[str]:
    try:
        parts = [part for part in string.Formatter().parse(text) if part[1] is not None]
    except ValueError as error:
        raise SettingsError(f"{name}: {key} has a brace that does not close ({error}). Write {{{{ for one.") from None
    for _, field, spec, conversion in parts:
        if spec or conversion:
            raise SettingsError(f"{name}: {key} has {{{field}}} with a format; write {{{field}}} alone.")
    return {str(field) for _, field, _, _ in parts}


def _texts(value: object) -> list[str]:
    return [text for entry in value for text in _texts(entry)] if isinstance(value, list) else [str(value)]


def _depth(value: object) -> int:
    return 1 + max((_depth(entry) for entry in value), default=0) if isinstance(value, list) else 0


def _shape(value: object) -> str:
    return ("a text", "a list of texts", "a list of lists of texts")[_depth(value)]
