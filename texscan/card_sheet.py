"""The sheet to print: the card's face, the strips that fold into its uprights, and how to make it; and the tags."""

from __future__ import annotations

import io
import math

import numpy as np
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas

from texscan.card import Upright
from texscan.card_layout import (
    ARM_MM,
    BAR_MM,
    HEIGHT_MM,
    PATCH_MM,
    TAG_MM,
    UPRIGHT_SIDE_MM,
    WIDTH_MM,
    Layout,
    marker_blocks,
    tag_marker,
)

PAPERS_MM = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}  # ISO 216; ANSI/ASME Y14.1 A
MARGIN_MM = 6.0  # common printers reach this far
FONT, BOLD = "Helvetica", "Helvetica-Bold"  # of the PDF standard's own 14
TEXT_PT = 8.4
LINE_MM = 4.6
CUT_MM = 0.25
FOLD_MM = 0.2
FOLD_DASH_MM = (1.6, 1.0)

GLUE_FLAP_MM = 5.0
FLAP_TAPER_MM = 0.8
FLOOR_INSET_MM = 0.25  # a floor that is a little small goes in without bulging the walls
STRIP_GAP_MM = 2.0
STRIP_COLUMNS = 3

INSTRUCTIONS = (
    'Print at 100 % ("actual size", no fitting) in black on plain matt white paper. Lay a ruler on the bar and write'
    " down what it says.",
    "Cut along the solid lines with scissors. The piece inside the U holds the strips for the uprights and spares.",
    "Fold each strip on its dashed lines, print inside; glue the flap behind the first wall, then fold the floor in.",
    "Glue each floor onto the triangle with its letter: walls on the lines, open end up. Redo one that leans.",
    "Lay the U flat on the dry, clean deck, arrows away from you, the patch in the opening. Hold the phone level, 30"
    " to 40 cm above, all of the U in view.",
    "Shade the patch. Shine a torch from one side, low, 0.4 to 0.8 m away; one photo a side, two facing sides or all"
    " four are better.",
)
CAUTION = (
    "The card measures form only; it does not tell how slippery a deck is. Keep torch leads and card out of walkways."
)


def card_pdf(card: Layout, *, paper: str) -> bytes:
    """
    The sheet as a vector PDF, exact in mm, asking the reader not to scale it; the same bytes for the same card.

    Parameters
    ----------
    card : the layout
    paper : "a4" or "letter"; anything else is a KeyError.
    """
    width, height = PAPERS_MM[paper]
    buffer, canvas = pdf_canvas(width, height, f"Scale card, revision {card.revision}")
    canvas.translate((width - WIDTH_MM) / 2 * mm, MARGIN_MM * mm)
    _face(canvas, card)
    _cut(canvas, card.outline_mm)
    for place, (piece, left, foot) in enumerate(strip_places(card.uprights)):
        _strip(canvas, piece, left, foot, spare=place >= len(card.uprights))
    _how_to(canvas, card, top_mm=height - 2 * MARGIN_MM)
    canvas.save()
    return buffer.getvalue()


def pdf_canvas(width_mm: float, height_mm: float, title: str) -> tuple[io.BytesIO, Canvas]:
    """An empty page that asks the reader not to scale it, and the buffer that it is saved into."""
    buffer = io.BytesIO()
    canvas = Canvas(buffer, pagesize=(width_mm * mm, height_mm * mm), invariant=1, pageCompression=1)
    canvas.setTitle(title)
    canvas.setAuthor("texscan")
    canvas.setViewerPreference("PrintScaling", "None")
    return buffer, canvas


def _face(canvas: Canvas, card: Layout) -> None:
    for block in card.blocks:
        _block(canvas, block)
    canvas.setStrokeGray(0)
    canvas.setLineCap(1)
    canvas.setLineJoin(1)
    for stroke in card.strokes:
        canvas.setLineWidth(stroke.width_mm * mm)
        _path(canvas, stroke.points_mm, close=False)
    canvas.setLineCap(0)
    canvas.setLineJoin(0)


def _block(canvas: Canvas, block) -> None:
    canvas.setFillGray(block.grey / 255)
    size = block.x1_mm - block.x0_mm, block.y1_mm - block.y0_mm
    canvas.rect(block.x0_mm * mm, block.y0_mm * mm, size[0] * mm, size[1] * mm, stroke=0, fill=1)


def _path(canvas: Canvas, points_mm: np.ndarray, *, close: bool) -> None:
    path = canvas.beginPath()
    path.moveTo(*(points_mm[0] * mm))
    for point in points_mm[1:]:
        path.lineTo(*(point * mm))
    if close:
        path.close()
    canvas.drawPath(path, stroke=1, fill=0)


def _cut(canvas: Canvas, points_mm: np.ndarray | list[tuple[float, float]], *, close: bool = True) -> None:
    canvas.setStrokeGray(0)
    canvas.setLineWidth(CUT_MM * mm)
    canvas.setDash()
    _path(canvas, np.asarray(points_mm, dtype=float), close=close)


def _fold(canvas: Canvas, x0: float, y0: float, x1: float, y1: float) -> None:
    canvas.setStrokeGray(0)
    canvas.setLineWidth(FOLD_MM * mm)
    canvas.setDash([part * mm for part in FOLD_DASH_MM])
    canvas.line(x0 * mm, y0 * mm, x1 * mm, y1 * mm)
    canvas.setDash()


def floor_mm() -> float:
    """Height of the floor's triangle below the middle wall [mm]."""
    return UPRIGHT_SIDE_MM * math.sqrt(3) / 2


def strip_places(uprights: tuple[Upright, ...]) -> list[tuple[Upright, float, float]]:
    """
    Where the strips lie in the piece inside the U: each upright's, then spares while there is room.

    Returns
    -------
    places : (upright, left edge of its first wall, foot of its walls) [mm, card frame], row by row from below
    """
    wide = 3 * UPRIGHT_SIDE_MM + GLUE_FLAP_MM
    gap = (PATCH_MM - STRIP_COLUMNS * wide) / (STRIP_COLUMNS + 1)
    order = sorted(uprights, key=lambda piece: (-piece.height_mm, piece.name)) * 2
    places = []
    top = BAR_MM
    for row in range(0, len(order), STRIP_COLUMNS):
        pieces = order[row : row + STRIP_COLUMNS]
        foot = top + STRIP_GAP_MM + floor_mm()
        top = foot + max(piece.height_mm for piece in pieces)
        if top + STRIP_GAP_MM > HEIGHT_MM:
            break
        places += [(piece, ARM_MM + gap + column * (wide + gap), foot) for column, piece in enumerate(pieces)]
    return places


def _strip(canvas: Canvas, piece: Upright, left: float, foot: float, *, spare: bool) -> None:
    """Three walls side by side, a flap to glue on the right, the floor under the middle wall."""
    side, height = UPRIGHT_SIDE_MM, piece.height_mm
    top, right = foot + height, left + 3 * side
    tip = left + 1.5 * side, foot - floor_mm() + FLOOR_INSET_MM
    inset = FLOOR_INSET_MM
    _cut(
        canvas,
        [
            (left, foot),
            (left + side + inset, foot),
            tip,
            (left + 2 * side - inset, foot),
            (right, foot),
            (right + GLUE_FLAP_MM, foot + FLAP_TAPER_MM),
            (right + GLUE_FLAP_MM, top - FLAP_TAPER_MM),
            (right, top),
            (left, top),
        ],
    )
    for wall in (1, 2, 3):
        _fold(canvas, left + wall * side, foot, left + wall * side, top)
    _fold(canvas, left + side, foot, left + 2 * side, foot)
    canvas.setFillGray(0)
    canvas.setFont(BOLD, 8)
    canvas.drawCentredString((left + 1.5 * side) * mm, (foot - 3.4) * mm, piece.name)
    canvas.setFont(FONT, 5.5)
    canvas.drawCentredString((left + 1.5 * side) * mm, (foot + height / 2 - 0.7) * mm, f"{height:g} mm")
    if spare:
        canvas.drawCentredString((left + 0.5 * side) * mm, (foot + height / 2 - 0.7) * mm, "spare")
    canvas.drawCentredString((right + GLUE_FLAP_MM / 2) * mm, (foot + height / 2 - 0.7) * mm, "glue")


def _how_to(canvas: Canvas, card: Layout, *, top_mm: float) -> None:
    """Title, legend of lines and the instructions in the strip above the U."""
    y = top_mm - 5.0
    canvas.setFillGray(0)
    canvas.setFont(BOLD, 12)
    canvas.drawString(0, y * mm, "Scale card for deck texture")
    canvas.setFont(FONT, 7)
    canvas.drawRightString(WIDTH_MM * mm, y * mm, f"texscan card, revision {card.revision}")
    _cut(canvas, [(92, y + 1), (102, y + 1)], close=False)
    canvas.drawString(103.5 * mm, y * mm, "cut")
    _fold(canvas, 112, y + 1, 122, y + 1)
    canvas.drawString(123.5 * mm, y * mm, "fold, print inside")
    canvas.setFont(FONT, TEXT_PT)
    for number, line in enumerate(INSTRUCTIONS, start=1):
        y -= LINE_MM + (1.2 if number == 1 else 0)
        canvas.drawString(0, y * mm, f"{number}.")
        canvas.drawString(4.5 * mm, y * mm, line)
    canvas.setFont(FONT, 7)
    canvas.drawString(4.5 * mm, (y - LINE_MM) * mm, CAUTION)


TAG_COLUMNS, TAG_ROWS = 6, 6  # fits both papers


def tags_pdf(count: int, *, paper: str) -> bytes:
    """Numbered tags to cut out, as many pages as they need; vector, exact in mm, the same bytes every time."""
    width, height = PAPERS_MM[paper]
    buffer, canvas = pdf_canvas(width, height, "Panel tags")
    per_page = TAG_COLUMNS * TAG_ROWS
    left = (width - TAG_COLUMNS * TAG_MM[0]) / 2
    top = height - 2 * MARGIN_MM - 4
    for number in range(1, count + 1):
        place = (number - 1) % per_page
        if place == 0:
            if number > 1:
                canvas.showPage()
            canvas.setFillGray(0)
            canvas.setFont(FONT, 7)
            heading = "Panel tags: cut out, one panel one number, lay the tag beside the card in each of its photos."
            canvas.drawString(left * mm, (height - MARGIN_MM - 3) * mm, heading)
        canvas.saveState()
        row, column = divmod(place, TAG_COLUMNS)
        canvas.translate((left + column * TAG_MM[0]) * mm, (top - (row + 1) * TAG_MM[1]) * mm)
        _tag(canvas, number)
        canvas.restoreState()
    canvas.save()
    return buffer.getvalue()


def _tag(canvas: Canvas, number: int) -> None:
    wide, high = TAG_MM
    for block in marker_blocks(tag_marker(number)):
        _block(canvas, block)
    _cut(canvas, [(0, 0), (wide, 0), (wide, high), (0, high)])
    canvas.setFillGray(0)
    canvas.setFont(BOLD, 20)
    canvas.drawCentredString(wide / 2 * mm, 3.5 * mm, str(number))
