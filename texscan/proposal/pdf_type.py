"""Typefaces and styles of the PDF."""

from __future__ import annotations

import hashlib
import io
import re
from dataclasses import dataclass, fields, is_dataclass
from typing import Any
from xml.sax.saxutils import escape

from reportlab.lib.colors import Color, HexColor
from reportlab.lib.enums import TA_RIGHT
from reportlab.lib.styles import ParagraphStyle
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFError, TTFont

from texscan.errors import SettingsError
from texscan.proposal.colour import Colour, hex_of, legible
from texscan.proposal.content import Verdict
from texscan.proposal.wording import NO_BREAK

INK, MUTED, RULE, TINT = "#1c242e", "#58626e", "#ced4db", "#f3f5f7"
LACKING = "■"  # printed for a character that the typeface lacks
BODY_PT, SMALL_PT, TABLE_PT, FINE_PT = 9.4, 8.0, 8.4, 7.3
LEADING, FINE_LEADING = 1.32, 1.2
GLUE = re.compile(r"(\d) (%|mm|cm|um|µm|h|L|C|min)(?!\w)")  # a number and its unit stay on one line


@dataclass(frozen=True, slots=True)
class Typeface:
    """A regular and a bold font, as reportlab knows them, and the characters that both have."""

    regular: str
    bold: str
    covered: frozenset[int]

    def markup(self, text: str) -> str:
        """Data as paragraph markup: nothing in it is read as a tag; what the font lacks becomes LACKING."""
        glued = GLUE.sub(f"\\1{NO_BREAK}\\2", text)
        shown = "".join(c if ord(c) in self.covered or c in "\n " else LACKING for c in glued)
        return escape(shown).replace("\n", "<br/>")

    def plain(self, text: str) -> str:
        """Data for a line that is drawn as it stands."""
        return "".join(c if ord(c) in self.covered or c == " " else LACKING for c in text)

    def lacking(self, texts: set[str]) -> str:
        """The characters of the texts that the typeface lacks, in order."""
        return "".join(sorted({c for text in texts for c in text if ord(c) not in self.covered and c not in "\n "}))


def typeface(regular: bytes, bold: bytes) -> Typeface:
    """
    A typeface from two TrueType files.

    Raises
    ------
    SettingsError : a file that is no TrueType font with outlines of its own.
    """
    names, known = [], []
    for data, which in ((regular, "regular.ttf"), (bold, "bold.ttf")):
        name = f"proposal-{hashlib.sha256(data).hexdigest()[:16]}"
        try:
            font = TTFont(name, io.BytesIO(data))
        except (TTFError, ValueError, KeyError, IndexError) as error:
            raise SettingsError(f"{which} is no TrueType font that can be embedded ({error}).") from error
        pdfmetrics.registerFont(font)
        names.append(name)
        known.append(frozenset(font.face.charToGlyph))
    return Typeface(names[0], names[1], known[0] & known[1])


def texts_of(record: object) -> set[str]:
    """Every text in a record, however deep."""
    if isinstance(record, str):
        return {record}
    if is_dataclass(record):
        return set().union(*(texts_of(getattr(record, entry.name)) for entry in fields(record)))
    if isinstance(record, tuple):
        return set().union(*map(texts_of, record)) if record else set()
    return set()


@dataclass(frozen=True, slots=True)
class Styles:
    """Paragraph styles by name, the accent as it stands in text, and the typeface."""

    face: Typeface
    accent: Color
    paragraph: dict[str, ParagraphStyle]

    def __getitem__(self, name: str) -> ParagraphStyle:
        return self.paragraph[name]


def styles_of(face: Typeface, accent: Colour) -> Styles:
    readable = HexColor(hex_of(legible(accent)))

    def style(
        name: str, size: float, *, bold: bool = False, colour: str | Color = INK, **more: Any
    ) -> ParagraphStyle:
        ink = HexColor(colour) if isinstance(colour, str) else colour
        font = face.bold if bold else face.regular
        leading = size * (LEADING if size > FINE_PT + 0.5 else FINE_LEADING)
        return ParagraphStyle(
            name, fontName=font, bulletFontName=font, fontSize=size, leading=leading, textColor=ink, **more
        )

    made = (
        style("body", BODY_PT, spaceAfter=5),
        style("lead", 10.4, colour=MUTED, spaceAfter=8),
        style("small", SMALL_PT, colour=MUTED, spaceAfter=4),
        style("title", 10.6, bold=True, spaceBefore=9, spaceAfter=3, keepWithNext=1),
        style("section", 16, bold=True, colour=readable, spaceBefore=15, spaceAfter=6, keepWithNext=1),
        style("document", 22, bold=True, spaceAfter=2),
        style("subtitle", 12, colour=MUTED, spaceAfter=6),
        style("caption", SMALL_PT, colour=MUTED, spaceBefore=3, spaceAfter=8),
        style("above", SMALL_PT, colour=MUTED, spaceBefore=6, spaceAfter=3, keepWithNext=1),
        style("bullet", BODY_PT, leftIndent=11, bulletIndent=0, bulletFontSize=BODY_PT, spaceAfter=2.5),
        style("cell", TABLE_PT),
        style("cell-right", TABLE_PT, alignment=TA_RIGHT),
        style("head", TABLE_PT, bold=True),
        style("head-right", TABLE_PT, bold=True, alignment=TA_RIGHT),
        style("fine", FINE_PT),
        style("fine-right", FINE_PT, alignment=TA_RIGHT),
        style("fine-head", FINE_PT, bold=True),
        style("fine-head-right", FINE_PT, bold=True, alignment=TA_RIGHT),
        style("fine-title", 8.4, bold=True, spaceBefore=4, spaceAfter=1),
        style("fine-bullet", FINE_PT + 0.3, leftIndent=8, bulletIndent=0, bulletFontSize=FINE_PT, spaceAfter=1),
        style("label", SMALL_PT, colour=MUTED),
        style("amount", 16, bold=True),
        style("panel", 15, bold=True),
        style("contents", 9.2, colour=INK),
    )
    return Styles(face, readable, {one.name: one for one in made})


def cell_markup(cell: str | Verdict, face: Typeface, colours: dict[str, str]) -> str:
    """A cell of a table; a verdict bold and in its colour."""
    if isinstance(cell, Verdict):
        return f'<font name="{face.bold}" color="{colours[cell.action]}">{face.markup(cell.words)}</font>'
    return face.markup(cell)
