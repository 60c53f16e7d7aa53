"""The programme for the crew's phones: an iCalendar file (RFC 5545)."""

from __future__ import annotations

import hashlib
from datetime import date, datetime

from texscan import __version__
from texscan.plan.timetable import MOMENT, MOST_NAMES, Programme, Row, Span

MOST_OCTETS = 75  # of a line without its break; RFC 5545, 3.1
ESCAPES = str.maketrans({"\\": "\\\\", ";": "\\;", ",": "\\,", "\n": "\\n"})  # of TEXT; RFC 5545, 3.3.11


def calendar_file(found: Programme, *, boat: str, place: str, issued: date) -> bytes:
    """
    programme.ics: one event for each stretch of work and for each cure, in floating local time.

    Parameters
    ----------
    boat, place : as the survey names them.
    issued : date of the file, so that the same programme gives the same bytes.
    """
    lines = [
        "BEGIN:VCALENDAR",
        "VERSION:2.0",
        f"PRODID:-//texscan//texscan {__version__}//EN",
        "CALSCALE:GREGORIAN",
        f"NAME:{_text(f'{boat}: programme')}",
    ]
    for row in found.rows:
        for number, span in enumerate(row.spans):
            lines += _event(row, number, span, boat=boat, place=place, issued=issued)
    lines.append("END:VCALENDAR")
    return "".join(f"{_folded(line)}\r\n" for line in lines).encode("utf-8")


def _event(row: Row, number: int, span: Span, *, boat: str, place: str, issued: date) -> list[str]:
    part = f" ({number + 1} of {len(row.spans)})" if len(row.spans) > 1 else ""
    few = len(row.task.panels) <= MOST_NAMES
    panels = f": {', '.join(row.task.panels) if few else f'{len(row.task.panels)} panels'}" if row.task.panels else ""
    identity = hashlib.sha256(f"{boat}\n{row.task.name}\n{number}".encode()).hexdigest()[:32]
    lines = [
        "BEGIN:VEVENT",
        f"UID:{identity}@texscan.invalid",
        f"DTSTAMP:{issued:%Y%m%d}T000000Z",
        f"DTSTART:{_local(span[0])}",
        f"DTEND:{_local(span[1])}",
        f"SUMMARY:{_text(row.task.title + part + panels)}",
        f"DESCRIPTION:{_text(chr(10).join(_description(row)))}",
        f"CATEGORIES:{_text(row.task.stage)}",
        f"TRANSP:{'TRANSPARENT' if row.task.kind == 'clock' else 'OPAQUE'}",
    ]
    if place:
        lines.append(f"LOCATION:{_text(place)}")
    return [*lines, "END:VEVENT"]


def _description(row: Row) -> list[str]:
    lines = [f"Task {row.task.name}"]
    if row.task.panels:
        lines.append(f"Panels: {', '.join(row.task.panels)}")
    if row.task.people:
        lines.append(f"People: {row.task.people}")
    if row.opens is not None and row.closes is not None:
        lines.append(f"Window of the coat before: {row.opens:{MOMENT}} to {row.closes:{MOMENT}}")
    if row.task.kind == "unbroken":
        lines.append("Measure surface and air, and check dew point and data sheet before the coat.")
    return [*lines, row.note] if row.note else lines


def _local(moment: datetime) -> str:
    return f"{moment:%Y%m%dT%H%M%S}"


def _text(value: str) -> str:
    """TEXT of RFC 5545; control characters that it does not allow become spaces."""
    shown = "".join(c if c == "\n" or c.isprintable() else " " for c in value)
    return shown.translate(ESCAPES)


def _folded(line: str) -> str:
    """The line in pieces of at most 75 octets; a piece never cuts a character."""
    pieces, piece, room = [], "", MOST_OCTETS
    for character in line:
        size = len(character.encode("utf-8"))
        if size > room:
            pieces.append(piece)
            piece, room = "", MOST_OCTETS - 1  # a folded line begins with a space
        piece += character
        room -= size
    return "\r\n ".join([*pieces, piece])
