"""The programme as bars by day."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta

from texscan.plan.programme import people_words
from texscan.plan.timetable import Programme, Row, Span
from texscan.survey.deck_key import cut
from texscan.survey.records import Crew
from texscan.survey.shapes import Area, Colour, Drawing, Points, Shape, Strokes, Words, hatch
from texscan.typeset import INK, MUTED, RULE, font

MARGIN, LABELS, WIDTH, DAY_LEAST = 40, 430, 1800, 26  # px; the page grows where days would be narrower
HEAD, DAYS_HIGH, ROW, SECTION = 128, 58, 30, 38  # px
TEXT, SMALL, TITLE = 17, 15, 34
Sides = tuple[float, float, float, float]  # left, top, right, bottom
WORK_SHARE = 0.86  # of a day's width that working hours take
DAY_OFF_WIDTH = 0.45  # of a working day's
SHADE, STRIP = (240, 242, 245), (110, 120, 132)
# Bars of a palette made for colour-blind readers (Okabe and Ito 2008); hatch and outline say the same without colour.
WORK, COAT, CURE, KEY = (86, 180, 233), (0, 114, 178), (255, 255, 255), (213, 94, 0)
WINDOW = (246, 236, 190)
LEGEND = (
    ("work", "Work"),
    ("coat", "Coat or filler, in one go"),
    ("key", "Wash and key: a window was missed"),
    ("cure", "Cure, nobody needed"),
    ("window", "Recoat window of the coat before"),
    ("unfit", "Weather not fit for a coat"),
    ("off", "Day off"),
)


@dataclass(frozen=True, slots=True)
class Axis:
    """Where a moment lies across the page: working hours wide, nights and days off narrow."""

    first: date
    edges: tuple[float, ...]  # px, left edge of each day and right edge of the last
    opens: time
    closes: float  # hours after midnight
    off: frozenset[date]

    def x(self, moment: datetime) -> float:
        day = (moment.date() - self.first).days
        if day < 0:
            return self.edges[0]
        if day >= len(self.edges) - 1:
            return self.edges[-1]
        left, right = self.edges[day], self.edges[day + 1]
        hour = moment.hour + moment.minute / 60
        if moment.date() in self.off:
            return left + (right - left) * hour / 24
        opens = self.opens.hour + self.opens.minute / 60
        night = 1 - WORK_SHARE
        share = night / 2 * min(hour / opens, 1.0) if opens else 0.0
        share += WORK_SHARE * min(max((hour - opens) / (self.closes - opens), 0.0), 1.0)
        if self.closes < 24:
            share += night / 2 * max((hour - self.closes) / (24 - self.closes), 0.0)
        return left + (right - left) * share


def bar_chart(found: Programme, *, boat: str, crew: Crew) -> Drawing:
    """
    The drawing of a programme: a row a task, under the panels that it belongs to, and a column a day.

    Parameters
    ----------
    found : with at least one row; boat : its name; crew : whose hours the columns show.
    """
    axis = _axis(found, crew)
    sections = _sections(found.rows)
    high = sum(SECTION + ROW * len(rows) for _, rows in sections)
    top = HEAD + DAYS_HIGH
    wide = int(axis.edges[-1]) + MARGIN
    shapes = _heading(found, boat, crew, wide) + _columns(found, axis, top, top + high)
    y = top
    for title, rows in sections:
        shapes.append(Words(cut(title, TEXT, wide - 2 * MARGIN), (MARGIN, y + 26), TEXT, bold=True))
        y += SECTION
        for row in rows:
            shapes += _row(row, axis, y)
            y += ROW
    shapes += _legend(MARGIN, y + 34)
    summary = "; ".join(f"{row.task.title}: {row.start:%d %b %H:%M} to {row.end:%d %b %H:%M}" for row in found.rows)
    return Drawing(wide, y + 84, f"Programme: {boat}", summary, tuple(shapes))


def _axis(found: Programme, crew: Crew) -> Axis:
    first = found.rows[0].start.date()
    last = max(row.end for row in found.rows).date()
    days = [first + timedelta(days=n) for n in range((last - first).days + 1)]
    widths = [DAY_OFF_WIDTH if day in found.days_off else 1.0 for day in days]
    unit = max((WIDTH - LABELS - 2 * MARGIN) / sum(widths), DAY_LEAST)
    edges = [float(MARGIN + LABELS)]
    for width in widths:
        edges.append(edges[-1] + unit * width)
    opens = time.fromisoformat(crew.day_starts)
    closes = opens.hour + opens.minute / 60 + crew.hours_a_day
    return Axis(first, tuple(edges), opens, closes, frozenset(found.days_off))


def _sections(rows: Iterable[Row]) -> list[tuple[str, list[Row]]]:
    """Rows under the panels that they belong to, whichever come first."""
    grouped: dict[int, list[Row]] = {}
    for row in rows:
        grouped.setdefault(row.task.group, []).append(row)
    return [
        (f"Group {group}: {', '.join(rows[0].task.panels)}" if group else "Whole boat", rows)
        for group, rows in grouped.items()
    ]


def _heading(found: Programme, boat: str, crew: Crew, wide: int) -> list[Shape]:
    few, likely, many = found.finish
    ends = f"few hours {few:%a %d %b}, many hours {f'{many:%a %d %b}' if many else 'not possible'}"
    words = (
        f"{boat} · {found.rows[0].start:%a %d %b} to {likely:%a %d %b %Y} ({ends}) · "
        f"{people_words(crew.people)}, {crew.hours_a_day:g} h from {crew.day_starts}"
    )
    return [
        Words("Programme", (MARGIN, 50), TITLE, bold=True),
        Words(cut(words, TEXT, wide - 2 * MARGIN), (MARGIN, 84), TEXT, colour=MUTED),
        Strokes((((MARGIN, 100), (wide - MARGIN, 100)),), RULE, 2.0),
    ]


def _columns(found: Programme, axis: Axis, top: float, bottom: float) -> list[Shape]:
    """Days with their names, days off shaded, and a strip of the hours that are not fit for a coat."""
    shapes: list[Shape] = []
    lines: list[Points] = []
    for number, (left, right) in enumerate(zip(axis.edges, axis.edges[1:], strict=False)):
        day = axis.first + timedelta(days=number)
        if day in axis.off:
            shapes.append(_box((left, HEAD + 26, right, bottom), SHADE, SHADE, f"{day:%a %d %b}: day off"))
        wide = right - left >= 44
        if right - left >= 20:
            shapes.append(Words(f"{day:%d}", ((left + right) / 2, HEAD + 44), SMALL, bold=True, anchor="middle"))
        if wide:
            name = f"{day:%a}"
            shapes.append(Words(name, ((left + right) / 2, HEAD + 22), SMALL, colour=MUTED, anchor="middle"))
        lines.append(((left, HEAD + 26), (left, bottom)))
        if day.day == 1 or number == 0:
            shapes.append(Words(f"{day:%b %Y}", (left, HEAD + 2), SMALL, colour=MUTED))
    lines.append(((axis.edges[-1], HEAD + 26), (axis.edges[-1], bottom)))
    shapes.append(Strokes(tuple(lines), RULE, 1.0))
    for start, end in found.unfit:
        left, right = axis.x(start), axis.x(end)
        if right - left > 0.5:
            words = f"not fit for a coat: {start:%a %H:%M} to {end:%a %H:%M}"
            shapes.append(_box((left, top - 8, right, top), STRIP, STRIP, words))
    return shapes


def _row(row: Row, axis: Axis, y: float) -> list[Shape]:
    middle = y + ROW / 2
    shapes: list[Shape] = [Words(cut(row.task.title, TEXT, LABELS - 14), (MARGIN, middle + 6), TEXT)]
    if row.opens is not None and row.closes is not None:
        words = f"recoat window: {row.opens:%a %d %b %H:%M} to {row.closes:%a %d %b %H:%M}"
        shapes += _look("window", (axis.x(row.opens), y + 2, axis.x(row.closes), y + ROW - 2), words)
    if len(row.spans) > 1:
        shapes.append(Strokes((((axis.x(row.start), middle), (axis.x(row.end), middle)),), INK, 1.5))
    for span in row.spans:
        shapes += _bar(row, span, axis, y)
    return shapes


def _bar(row: Row, span: Span, axis: Axis, y: float) -> list[Shape]:
    left, right = (axis.x(moment) for moment in span)
    right = max(right, left + 3)
    words = f"{row.task.title}: {span[0]:%a %d %b %H:%M} to {span[1]:%a %d %b %H:%M}"
    return _look(_kind(row), (left, y + 6, right, y + ROW - 6), words)


def _kind(row: Row) -> str:
    if row.task.kind == "clock":
        return "cure"
    if row.task.kind == "unbroken":
        return "coat"
    return "key" if row.task.keys else "work"


def _look(kind: str, sides: Sides, words: str) -> list[Shape]:
    if kind == "window":
        return [_box(sides, WINDOW, MUTED, words, dash=4)]
    if kind in ("unfit", "off"):
        colour = STRIP if kind == "unfit" else SHADE
        return [_box(sides, colour, colour, words)]
    fill = {"work": WORK, "coat": COAT, "key": KEY, "cure": CURE}[kind]
    box = _box(sides, fill, INK, words)
    if kind == "cure" or kind == "key":
        lines = hatch(box.points, angle_deg=45 if kind == "cure" else 90, pitch=7.0)
        return [box, Strokes(lines, MUTED if kind == "cure" else INK, 1.5)]
    return [box]


def _legend(x: float, y: float) -> list[Shape]:
    shapes: list[Shape] = []
    for kind, words in LEGEND:
        shapes += _look(kind, (x, y - 14, x + 34, y + 4), words)
        shapes.append(Words(words, (x + 42, y + 2), SMALL))
        x += 42 + font(SMALL, False).getlength(words) + 34
    return shapes


def _box(sides: Sides, fill: Colour, stroke: Colour, words: str, *, dash: float = 0.0) -> Area:
    left, top, right, bottom = sides
    corners = ((left, top), (right, top), (right, bottom), (left, bottom))
    return Area(corners, fill, stroke=stroke, width=1.5, dash=dash, title=words)
