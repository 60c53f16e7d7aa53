"""Type of the log sheets: a font that is embedded, styles, and data as markup."""

from __future__ import annotations

from functools import cache
from typing import Any
from xml.sax.saxutils import escape

from reportlab.lib.colors import HexColor
from reportlab.lib.styles import ParagraphStyle
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont

from texscan.typeset import FONT_FILES

REGULAR, BOLD = "log-regular", "log-bold"
LACKING = "■"  # printed for a character that the font lacks
INK, MUTED, RULE, TINT = (HexColor(value) for value in ("#1c242e", "#58626e", "#b6bec7", "#eef1f4"))
SIZES_PT = {"title": 15.0, "head": 10.5, "text": 8.6, "small": 7.2}
LEADING = 1.3


@cache
def _covered() -> frozenset[int]:
    """Registers the fonts that reportlab brings; gives the characters that both have."""
    known = []
    for name, bold in ((REGULAR, False), (BOLD, True)):
        font = TTFont(name, FONT_FILES[bold])
        pdfmetrics.registerFont(font)
        known.append(frozenset(font.face.charToGlyph))
    return known[0] & known[1]


def style(size: str, *, bold: bool = False, muted: bool = False, **more: Any) -> ParagraphStyle:
    """A paragraph style of one of `SIZES_PT`; `more` as `ParagraphStyle` takes it."""
    _covered()
    points = SIZES_PT[size]
    name = f"{size}-{bold}-{muted}-{sorted(more.items())}"
    return ParagraphStyle(
        name,
        fontName=BOLD if bold else REGULAR,
        fontSize=points,
        leading=LEADING * points,
        textColor=MUTED if muted else INK,
        **more,
    )


def markup(text: str) -> str:
    """Data as paragraph markup: nothing in it is read as a tag, controls and line ends become spaces."""
    words = " ".join("".join(c if c.isprintable() else " " for c in text).split())
    return escape("".join(c if ord(c) in _covered() else LACKING for c in words))


def bold(text: str) -> str:
    """Data as bold markup."""
    return f'<font name="{BOLD}">{markup(text)}</font>'
