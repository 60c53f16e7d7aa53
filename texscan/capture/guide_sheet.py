"""The capture guide: one page that goes with the card, to print and take on deck."""

from __future__ import annotations

from collections.abc import Callable

from reportlab.lib.units import mm
from reportlab.lib.utils import simpleSplit
from reportlab.pdfgen.canvas import Canvas

from texscan.capture import guide_drawings as drawings
from texscan.capture.guide_drawings import BOLD, DRAWING_MM, INK, SOFT, Look
from texscan.card_sheet import PAPERS_MM, pdf_canvas
from texscan.errors import SettingsError

MARGIN_MM, GAP_MM = 14.0, 7.0
LEADING_MM = 3.8  # from line to line
TITLE, HEADING, NUMERAL = Look(6.2, BOLD), Look(3.7, BOLD), Look(3.7, BOLD, "#b07700")
TEXT, TEXT_STRONG, MOTTO = Look(3.0), Look(3.0, BOLD), Look(3.0, colour=SOFT)
HEAD_MM, FOOT_MM = 20.0, 19.0
COLUMNS, ROWS = 2, 4

Step = tuple[str, str, Callable[[Canvas], None]]
STEPS: tuple[Step, ...] = (
    (
        "Wash, let dry, lay the card",
        "Dirt, chalk and water read as filled. Brush with water and let the valleys dry. Then lay the card "
        "flat around the patch, its arrows away from you.",
        drawings.wash,
    ),
    (
        "Keep other light away",
        "Only one light may rake the patch. Shade it by day, or wait for dusk. The sun will do instead of a "
        "torch while it stands 15 to 25 degrees high.",
        drawings.shade,
    ),
    (
        "Phone above, torch at the end of the cord",
        "The card fills the picture and is whole in it. Tap on it to focus; flash, HDR and night mode off. "
        "Keep the torch still until the photo is taken.",
        drawings.distances,
    ),
    (
        "Torch low",
        "Heights are the lamp's above the deck at the end of the cord. Higher gives short shadows with little"
        " to measure; lower, and the peaks hide the valleys.",
        drawings.heights,
    ),
    (
        "From side to side",
        "One photo with the torch at each place, the phone where it was. If other light is left: one more "
        "with the torch off, at the same exposure.",
        drawings.sides,
    ),
    (
        "Hold everything still",
        "Tape the card's outer edges down and tie the cord. Both hands on the phone, or lean on the rail. "
        "Wind that moves an upright spoils the photo.",
        drawings.wind,
    ),
    (
        "Three patches of each panel",
        "The worst decides, the typical stands for the area, the sheltered one (under a locker, beside the "
        "coaming) shows what sound looks like. One tag a panel.",
        drawings.patches,
    ),
    (
        "Not these",
        "No puddles or fresh polish; no joints, hatches or fittings inside the card; nobody's shadow; no "
        "picture from the side. Chat programs shrink photos: copy the files.",
        drawings.avoid,
    ),
)
CAUTIONS = (
    "Before the torch moves on: texscan check PHOTO ... tells whether a photo is usable and what to change.",
    "Keep cord and card out of walkways and stay clear of edges; a deck ashore is high above the ground. Do not look "
    "into the torch. The photos measure the form of the texture; they do not tell how slippery a deck is.",
)


def guide_pdf(*, paper: str = "a4") -> bytes:
    """
    The page as a vector PDF; the same bytes every time.

    Raises
    ------
    SettingsError
        Another paper than "a4" or "letter".
    """
    if paper not in PAPERS_MM:
        raise SettingsError(f"No guide is drawn for paper {paper!r}. Choose {' or '.join(PAPERS_MM)}.")
    width, height = PAPERS_MM[paper]
    buffer, canvas = pdf_canvas(width, height, "How to photograph non-skid")
    canvas.scale(mm, mm)
    canvas.setLineCap(1)
    canvas.setLineJoin(1)
    _head(canvas, width, height)
    box = (width - 2 * MARGIN_MM - (COLUMNS - 1) * GAP_MM) / COLUMNS, (height - HEAD_MM - FOOT_MM) / ROWS
    for place, step in enumerate(STEPS):
        row, column = divmod(place, COLUMNS)
        canvas.saveState()
        canvas.translate(MARGIN_MM + column * (box[0] + GAP_MM), height - HEAD_MM - (row + 1) * box[1])
        _step(canvas, place + 1, step, box)
        canvas.restoreState()
    _foot(canvas, width)
    canvas.save()
    return buffer.getvalue()


def _head(canvas: Canvas, width: float, height: float) -> None:
    top = height - MARGIN_MM
    drawings.label(canvas, "How to photograph non-skid", MARGIN_MM, top - 3.0, TITLE)
    words = "one patch, one card, one low light at a time"
    drawings.label(canvas, words, width - MARGIN_MM, top - 3.0, MOTTO, align="right")


def _step(canvas: Canvas, number: int, step: Step, box: tuple[float, float]) -> None:
    """Number, heading, drawing and words in a box with its origin at the lower left."""
    heading, text, draw = step
    wide, high = box
    drawings.line(canvas, [(0, high), (wide, high)], colour=INK, width=0.35)
    drawings.label(canvas, str(number), 0, high - 5.2, NUMERAL)
    drawings.label(canvas, heading, 5.5, high - 5.2, HEADING)
    lines = simpleSplit(text, TEXT.font, TEXT.size, wide)
    canvas.saveState()
    scale = min(wide / DRAWING_MM[0], 1.0)
    canvas.translate((wide - scale * DRAWING_MM[0]) / 2, high - 7.5 - DRAWING_MM[1] * scale)
    canvas.scale(scale, scale)
    draw(canvas)
    canvas.restoreState()
    y = high - 7.5 - DRAWING_MM[1] * scale - 4.2
    for line in lines:
        drawings.label(canvas, line, 0, y, TEXT)
        y -= LEADING_MM


def _foot(canvas: Canvas, width: float) -> None:
    drawings.line(canvas, [(MARGIN_MM, FOOT_MM - 1), (width - MARGIN_MM, FOOT_MM - 1)], colour=INK, width=0.35)
    y = FOOT_MM - 5.0
    for text, look in zip(CAUTIONS, (TEXT_STRONG, TEXT), strict=True):
        for line in simpleSplit(text, look.font, look.size, width - 2 * MARGIN_MM):
            drawings.label(canvas, line, MARGIN_MM, y, look)
            y -= LEADING_MM
