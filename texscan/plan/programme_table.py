"""The programme as a table for a spreadsheet, and as lines to print."""

from __future__ import annotations

from datetime import datetime

from texscan.batch.tables import csv_bytes
from texscan.model import FLAGS
from texscan.plan.programme import people_words
from texscan.plan.timetable import Programme
from texscan.plan.yard import Yard

COLUMNS = ("task", "stage", "title", "panels", "people", "kind", "start", "end", "hours_low", "hours_likely",
           "hours_high", "source", "after", "window_opens", "window_closes", "note")  # fmt: skip
DAY = "%a %d %b"
CAUTION = "Data and safety sheets, local codes and yard rules come before this programme."
DIGITS = 2  # of hours; a quarter is the finest


def programme_csv(found: Programme) -> bytes:
    """programme.csv: one row a task by its start; local times as ISO 8601, hours elapsed."""
    return csv_bytes(
        COLUMNS,
        (
            (
                row.task.name,
                row.task.stage,
                row.task.title,
                "; ".join(row.task.panels),
                float(row.task.people),
                row.task.kind,
                _iso(row.start),
                _iso(row.end),
                *(round(hours, DIGITS) for hours in row.hours.ends),
                row.hours.source,
                "; ".join(row.after),
                _iso(row.opens),
                _iso(row.closes),
                row.note,
            )
            for row in found.rows
        ),
    )


def programme_lines(found: Programme, yard: Yard) -> list[str]:
    """What a yard reads first: from when to when, each day's work, windows, weather, and what is assumed."""
    few, likely, many = found.finish
    ends = f"with few hours {few:{DAY}}, with many {many:{DAY}}" if many else f"with few hours {few:{DAY}}"
    lines = [
        f"Programme: {found.rows[0].start:{DAY}} to {likely:{DAY} %Y} ({ends}), "
        f"{people_words(found.manner.people)}"
        + (f" in {len(found.manner.gangs)} gangs" * (len(found.manner.gangs) > 1))
    ]
    lines += [*_days(found), *_groups(found)]
    for heading, sentences in (("Windows", found.missed), ("Weather", found.moved), ("Notes", found.notes)):
        if sentences:
            lines += [f"{heading}:", *(f"  {sentence}" for sentence in sentences)]
    lines += ["Mind:", *(f"  {FLAGS[flag]}" for flag in found.flags)]
    if yard.assumed():
        lines.append(f"  Assumed: {', '.join(yard.assumed())}.")
    return [*lines, f"  {CAUTION}"]


def _days(found: Programme) -> list[str]:
    """One line a day with what is worked on, in order."""
    by_day: dict = {}
    for row in found.rows:
        for start, _ in row.spans:
            if row.task.kind != "clock":
                group = f" ({row.task.group})" if row.task.group else ""
                by_day.setdefault(start.date(), []).append((start, f"{row.task.title}{group}"))
    return [f"  {day:{DAY}}  {'; '.join(words for _, words in sorted(by_day[day]))}" for day in sorted(by_day)]


def _groups(found: Programme) -> list[str]:
    """The panels of each group, by its number."""
    groups = {row.task.group: row.task.panels for row in found.rows if row.task.group}
    return [f"  ({number}) {', '.join(groups[number])}" for number in sorted(groups)]


def _iso(moment: datetime | None) -> str | None:
    return None if moment is None else moment.isoformat(timespec="minutes")
