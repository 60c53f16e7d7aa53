"""A table of survey.toml and its values, each checked; a refusal names file, line, and what to write instead."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import PurePosixPath, PureWindowsPath

from texscan import settings
from texscan.errors import SettingsError
from texscan.survey.lines import Path, line_of

MOST_CHARACTERS = 20_000  # of one text; more is a file pasted in
LONGEST_NAME = 80  # characters; names stand in tables and in file names


@dataclass(frozen=True, slots=True)
class Entry:
    """A table of the file: its values, where it stands, and what to call it."""

    values: Mapping[str, object]
    file: str
    lines: dict[Path, int]
    path: Path = ()
    title: str = ""  # "panel 'foredeck'"; empty = the whole file

    def where(self, key: str = "") -> str:
        """'survey.toml, line 12, panel "foredeck": area_m2', for the start of a sentence."""
        line = line_of(self.lines, (*self.path, key) if key else self.path)
        return f"{self.file}, line {line}" + (f", {self.title}" if self.title else "") + (f": {key}" if key else "")

    def known(self, keys: Iterable[str]) -> None:
        """Raises SettingsError at the first key that is none of these, with the nearest of them."""
        keys = tuple(keys)
        for key in self.values:
            line = line_of(self.lines, (*self.path, key))
            part = f", {self.title}," if self.title else ""
            settings.refuse_unknown((key,), keys, f"{self.file}, line {line}{part}")

    def refuse(self, key: str, needed: str) -> SettingsError:
        """The error to raise: what was found at `key`, and what is needed."""
        return SettingsError(f"{self.where(key)} is {_shown(self.values.get(key))}; {needed}")

    def text(self, key: str, default: str = "") -> str:
        """Words; an empty text counts as not stated."""
        value = self.values.get(key, default)
        if not isinstance(value, str) or len(value) > MOST_CHARACTERS:
            raise self.refuse(key, 'words in quotes are needed, such as "none".')
        return value.strip()

    def name(self, key: str = "name") -> str:
        """A name on one line, not empty."""
        value = self.values.get(key)
        if value is None:
            raise SettingsError(f'{self.where()} has no {key}. Write {key} = "..." under it.')
        if not isinstance(value, str) or not value.strip():
            raise self.refuse(key, f'a name in quotes is needed: {key} = "...".')
        if len(value.strip()) > LONGEST_NAME or not value.strip().isprintable():
            raise self.refuse(key, f"one line of at most {LONGEST_NAME} plain characters is needed.")
        return value.strip()

    def number(self, key: str, low: float, high: float) -> float | None:
        """A number within low..high, or None where it is not stated."""
        if key not in self.values:
            return None
        return settings.number(self.values[key], low, high, self.where(key))

    def whole(self, key: str, low: int, high: int) -> int | None:
        """A whole number within low..high, or None where it is not stated."""
        value = self.values.get(key)
        if value is None:
            return None
        if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
            raise self.refuse(key, f"a whole number from {low} to {high} is needed.")
        return value

    def numbers(self, key: str, count: int, low: float, high: float) -> tuple[float, ...]:
        """A list of so many numbers; empty where it is not stated."""
        value = self.values.get(key, [])
        if key not in self.values:
            return ()
        if not isinstance(value, list) or len(value) != count:
            raise self.refuse(key, f"{count} numbers in brackets are needed, such as [{', '.join(['1.5'] * count)}].")
        return tuple(settings.number(v, low, high, f"{self.where(key)}: a number") for v in value)

    def points(self, key: str, *, most: int, low: float, high: float) -> tuple[tuple[float, float], ...]:
        """A list of [x, y] points; empty where it is not stated."""
        value = self.values.get(key, [])
        if not isinstance(value, list) or not all(isinstance(p, list) and len(p) == 2 for p in value):
            raise self.refuse(key, "a list of points is needed, such as [[0, 0], [1.2, 0], [1.2, 0.8]].")
        if len(value) > most:
            raise SettingsError(f"{self.where(key)} has {len(value)} points; at most {most} are needed.")
        where = f"{self.where(key)}: a coordinate"
        return tuple((settings.number(x, low, high, where), settings.number(y, low, high, where)) for x, y in value)

    def choice(self, key: str, known: tuple[str, ...]) -> str | None:
        """One of the known words, or None where it is not stated."""
        value = self.values.get(key)
        if value is not None and value not in known:
            raise self.refuse(key, f"one of {', '.join(known)} is needed.")
        return value  # type: ignore[return-value]

    def yes_or_no(self, key: str) -> bool | None:
        value = self.values.get(key)
        if value is not None and not isinstance(value, bool):
            raise self.refuse(key, "true or false is needed, without quotes.")
        return value

    def day(self, key: str) -> date | None:
        """A day of the calendar, or None where it is not stated."""
        value = self.values.get(key)
        if value is not None and not _is_day(value):
            raise self.refuse(key, "a date without quotes is needed, such as 2026-05-31.")
        return value  # type: ignore[return-value]

    def days(self, key: str) -> tuple[date, ...]:
        value = self.values.get(key, [])
        if not isinstance(value, list) or not all(_is_day(v) for v in value):
            raise self.refuse(key, "a list of dates without quotes is needed, such as [2026-05-14, 2026-05-25].")
        return tuple(value)

    def matching(self, key: str, pattern: str, example: str) -> str | None:
        """A text that the whole of `pattern` fits, or None where it is not stated."""
        value = self.values.get(key)
        if value is not None and not (isinstance(value, str) and re.fullmatch(pattern, value, re.ASCII)):
            raise self.refuse(key, f'a text such as "{example}" is needed.')
        return value

    def texts(self, key: str, example: str) -> tuple[str, ...]:
        """A list of texts, none empty, none twice."""
        value = self.values.get(key, [])
        if not isinstance(value, list) or not all(isinstance(v, str) and v.strip() for v in value):
            raise self.refuse(key, f"a list of texts in quotes is needed, such as {example}.")
        stripped = tuple(v.strip() for v in value)
        twice = [v for n, v in enumerate(stripped) if v in stripped[:n]]
        if twice:
            raise SettingsError(f"{self.where(key)} names {twice[0]!r} twice. Delete one.")
        return stripped

    def file_name(self, key: str) -> str | None:
        """The name of a file within the survey's folder, or None where it is not stated."""
        if key not in self.values:
            return None
        name = self.text(key)
        if not name:
            raise self.refuse(key, f"the name of a file is needed; delete the line {key} = ... if there is none.")
        return self._inside(key, name)

    def globs(self, key: str) -> tuple[str, ...]:
        """File name patterns within the survey's folder."""
        patterns = self.texts(key, '["foredeck/*.jpg"]')
        return tuple(self._inside(key, pattern) for pattern in patterns)

    def _inside(self, key: str, name: str) -> str:
        posix, windows = PurePosixPath(name), PureWindowsPath(name)
        if posix.is_absolute() or windows.anchor or ".." in windows.parts or "\0" in name:
            raise SettingsError(
                f"{self.where(key)} names {name!r}, outside the survey's folder. Copy the files into the folder of "
                f"{self.file} and name them from there."
            )
        if "\\" in name:
            raise SettingsError(f"{self.where(key)} names {name!r}. Write folders with / on every computer.")
        if not posix.parts or any("**" in part and part != "**" for part in posix.parts):
            raise SettingsError(
                f"{self.where(key)} names {name!r}, which finds no file. Write it as 'foredeck/*.jpg'."
            )
        return name

    def entry(self, key: str, *, title: str = "") -> Entry | None:
        """A table within this one, or None where there is none."""
        value = self.values.get(key)
        if value is None:
            return None
        if not isinstance(value, dict):
            raise self.refuse(key, f"a table is needed. Write [{key}] on a line of its own and its entries under it.")
        return Entry(value, self.file, self.lines, (*self.path, key), title or self._within(key))

    def entries(self, key: str) -> tuple[Entry, ...]:
        """The tables of a list of tables within this one."""
        value = self.values.get(key, [])
        heading = ".".join([*(p for p in self.path if isinstance(p, str)), key])
        if not isinstance(value, list) or not all(isinstance(v, dict) for v in value):
            raise self.refuse(key, f"a list of tables is needed. Write each one under [[{heading}]].")
        return tuple(
            Entry(v, self.file, self.lines, (*self.path, key, n), self._titled(key, v, n))
            for n, v in enumerate(value)
        )

    def _titled(self, key: str, values: dict, number: int) -> str:
        name = values.get("name")
        return self._within(f"{key} {name!r}" if isinstance(name, str) and name.strip() else f"{key} {number + 1}")

    def _within(self, part: str) -> str:
        return f"{self.title}, {part}" if self.title else part


def _is_day(value: object) -> bool:
    return isinstance(value, date) and not isinstance(value, datetime)


def _shown(value: object) -> str:
    """A value as the sentence shows it: short, one line."""
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, date):
        return str(value)
    shown = repr(value)
    return shown if len(shown) <= 60 else shown[:57] + "..."
