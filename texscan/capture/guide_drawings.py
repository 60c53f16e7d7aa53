"""The drawings of the capture guide: each into a box of DRAWING_MM with its origin at the lower left [mm]."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from reportlab.pdfgen.canvas import Canvas

from texscan.capture.remarks import ALL_SIDES_DEG, CORD_MM, FEW_SIDES_DEG
from texscan.card_layout import HEIGHT_MM, UPRIGHTS, WIDTH_MM, outline_mm

DRAWING_MM = (86.0, 35.0)
INK, SOFT, PALE, LIGHT, WRONG = "#1b2a33", "#6f7f88", "#d5dde1", "#e9a400", "#b3261e"
DUSK, WATER, DIRT = "#c3ced6", "#7fb2d6", "#a08660"
THIN, THICK = 0.25, 0.55
FONT, BOLD = "Helvetica", "Helvetica-Bold"  # of the PDF standard's own 14
Point = tuple[float, float]


def line(canvas: Canvas, points: Sequence[Point], *, colour=INK, width=THIN, dash=None, fill=None) -> None:
    """A line through points; with `fill` a closed, filled shape (colour None: no outline)."""
    path = canvas.beginPath()
    path.moveTo(*points[0])
    for point in points[1:]:
        path.lineTo(*point)
    if fill:
        path.close()
        canvas.setFillColor(fill)
    if colour:
        canvas.setStrokeColor(colour)
    canvas.setLineWidth(width)
    canvas.setDash(dash or [])
    canvas.drawPath(path, stroke=int(colour is not None), fill=int(fill is not None))
    canvas.setDash([])


@dataclass(frozen=True, slots=True)
class Look:
    """How words look; size in mm."""

    size: float = 2.5
    font: str = FONT
    colour: str = INK


PLAIN, GREY, STRONG = Look(), Look(colour=SOFT), Look(font=BOLD)
TINY, NUMBER = Look(1.7, colour=SOFT), Look(3.2, BOLD)


def label(canvas: Canvas, text: str, x: float, y: float, look: Look = PLAIN, *, align: str = "left") -> None:
    """Words at a place."""
    canvas.setFillColor(look.colour)
    canvas.setFont(look.font, look.size)
    {"left": canvas.drawString, "centre": canvas.drawCentredString, "right": canvas.drawRightString}[align](
        x, y, text
    )


def arrow(canvas: Canvas, start: Point, end: Point, *, colour=INK, width=THIN, both=False) -> None:
    """A line with a head at its end, or at both."""
    line(canvas, [start, end], colour=colour, width=width)
    for tip, tail in ((end, start), (start, end))[: 1 + both]:
        turn = math.atan2(tail[1] - tip[1], tail[0] - tip[0])
        sides = [(tip[0] + 1.8 * math.cos(turn + s), tip[1] + 1.8 * math.sin(turn + s)) for s in (0.4, -0.4)]
        line(canvas, [sides[0], tip, sides[1]], colour=None, fill=colour)


def dot(canvas: Canvas, x: float, y: float, radius: float, *, colour=INK, fill=None) -> None:
    """A circle."""
    canvas.setLineWidth(THIN)
    canvas.setStrokeColor(colour)
    canvas.setFillColor(fill or colour)
    canvas.circle(x, y, radius, stroke=1, fill=1)


def cross_out(canvas: Canvas, x: float, y: float, size: float) -> None:
    """A cross over what is wrong."""
    for sign in (1, -1):
        line(canvas, [(x - size, y - sign * size), (x + size, y + sign * size)], colour=WRONG, width=0.9)


def torch(canvas: Canvas, x: float, y: float, towards_deg: float) -> None:
    """A torch whose lamp is at (x, y), shining towards a direction."""
    canvas.saveState()
    canvas.translate(x, y)
    canvas.rotate(towards_deg)
    line(canvas, [(0, 1.5), (-2.6, 1.0), (-8.5, 1.0), (-8.5, -1.0), (-2.6, -1.0), (0, -1.5)], fill=INK)
    line(canvas, [(0, 1.5), (0.9, 1.2), (0.9, -1.2), (0, -1.5)], colour=None, fill=LIGHT)
    canvas.restoreState()


def phone(canvas: Canvas, x: float, y: float, tilt_deg: float = 0.0) -> None:
    """A phone seen from its side, lens down at (x, y)."""
    canvas.saveState()
    canvas.translate(x, y)
    canvas.rotate(tilt_deg)
    canvas.setFillColor(INK)
    canvas.roundRect(-8, 0, 16, 1.7, 0.7, stroke=0, fill=1)
    canvas.rect(-1.1, -0.7, 2.2, 0.8, stroke=0, fill=1)
    canvas.restoreState()


def deck_line(canvas: Canvas, left: float, right: float, y: float, *, tooth: Point = (0.9, 3.0), fill=0.0) -> None:
    """A section through non-skid, tops at y; with `fill` the share of its valleys that dirt holds."""
    depth, pitch = tooth
    points, x = [(left, y - depth)], left
    while x + pitch <= right:
        points += [(x + 0.3 * pitch, y - depth), (x + 0.42 * pitch, y), (x + 0.88 * pitch, y), (x + pitch, y - depth)]
        x += pitch
    if fill:
        level = y - depth * (1 - fill)
        line(canvas, [(left, y - depth), (left, level), (x, level), (x, y - depth)], colour=None, fill=DIRT)
    line(canvas, [(left, y - depth - 1.6), *points, (x, y - depth - 1.6)], colour=None, fill=PALE)
    line(canvas, points, width=0.35)


def card_from_above(canvas: Canvas, x: float, y: float, height: float, *, named: bool = True) -> float:
    """The card with its uprights, lower left corner at (x, y); gives its width."""
    scale = height / HEIGHT_MM
    line(canvas, [(x + px * scale, y + py * scale) for px, py in outline_mm()], fill="#ffffff", width=0.35)
    for name, px, py, *_ in UPRIGHTS:
        foot = [(x + (px + 7 * math.cos(t)) * scale, y + (py + 7 * math.sin(t)) * scale)
                for t in (math.pi / 2, 7 * math.pi / 6, 11 * math.pi / 6)]  # fmt: skip
        line(canvas, foot, fill=SOFT, colour=None)
        if named:
            label(canvas, name, x + (px - 11) * scale, y + (py - 5) * scale, TINY, align="right")
    return WIDTH_MM * scale


def wash(canvas: Canvas) -> None:
    """A dirty section beside a clean one."""
    for left, fill, words in ((1, 0.75, "dirty: reads as filled"), (48, 0.0, "washed and dry")):
        deck_line(canvas, left, left + 37, 17, tooth=(5.5, 9.0), fill=fill)
        label(canvas, words, left + 18, 4.5, align="centre")
    arrow(canvas, (40, 13), (46, 13), width=THICK)
    for x in (56, 65, 74):
        line(canvas, [(x, 25), (x + 1.6, 22.5), (x, 20.5), (x + 1.6, 18)], colour=SOFT)
    label(canvas, "air", 78, 21, GREY)


def shade(canvas: Canvas) -> None:
    """A shaded patch by day; dusk; the low sun instead of a torch."""
    line(canvas, [(30, 7), (55, 7), (55, 30), (30, 30)], colour=None, fill=DUSK)
    line(canvas, [(7, 18.6), (23, 22.2), (23, 7), (7, 7)], colour=None, fill=DUSK)
    for left in (0, 30, 59):
        deck_line(canvas, left, left + 25, 8, tooth=(0.8, 2.5))
    _sun(canvas, 5, 29, 2.2)
    line(canvas, [(5, 18.6), (25, 23)], width=0.9)
    for x, top in ((7.0, 19.0), (23.0, 22.4)):
        line(canvas, [(x, top), (x, 8)], colour=SOFT)
    dot(canvas, 48, 25, 2.2, colour="#ffffff")
    dot(canvas, 47.0, 25.7, 2.0, colour=DUSK)
    for x in (17, 42):
        torch(canvas, x, 11.5, -14)
        line(canvas, [(x + 1, 11), (x + 6, 9.4), (x + 6, 8.2), (x + 1, 9)], colour=None, fill=LIGHT)
    _sun(canvas, 62, 15.5, 2.2)
    for dy in (0.0, 1.8):
        arrow(canvas, (65.5, 14.4 - dy), (75, 11.2 - dy), colour=LIGHT, width=0.4)
    for x, words in ((12.5, "by day: a cloth or board"), (43, "dusk"), (72, "or the low sun alone")):
        label(canvas, words, x, 1.5, align="centre")


def _sun(canvas: Canvas, x: float, y: float, radius: float) -> None:
    for k in range(8):
        a = k * math.pi / 4
        ends = [(x + r * math.cos(a), y + r * math.sin(a)) for r in (1.35 * radius, 1.8 * radius)]
        line(canvas, ends, colour=LIGHT, width=0.4)
    dot(canvas, x, y, radius, colour=LIGHT)


def distances(canvas: Canvas) -> None:
    """Side view: phone above, torch at the end of the cord."""
    deck_line(canvas, 0, 84, 7.5, tooth=(0.8, 2.4))
    line(canvas, [(46, 7.9), (72, 7.9)], width=0.6)
    for x in (50.0, 68.0):
        line(canvas, [(x, 8), (x, 10), (x + 1.4, 10), (x + 1.4, 8)], fill="#ffffff")
    phone(canvas, 59, 27)
    for x in (46.5, 71.5):
        line(canvas, [(59, 26), (x, 8.6)], colour=SOFT, dash=[1, 1])
    arrow(canvas, (79, 8), (79, 27), both=True)
    label(canvas, "40 cm", 77.8, 17, align="right")
    angle = math.radians(sum(FEW_SIDES_DEG) / 2)
    lamp = (59 - 43 * math.cos(angle), 8 + 43 * math.sin(angle))
    line(canvas, [lamp, (59, 8)], colour=LIGHT, width=0.5)
    torch(canvas, *lamp, -20)
    label(canvas, f"cord, {CORD_MM / 10:.0f} cm", 33, 20.5)
    label(canvas, "card flat on the deck", 59, 2.0, align="centre")
    label(canvas, "phone level, whole card in view", 59, 31, align="centre")


def heights(canvas: Canvas) -> None:
    """Two fans of angles with the torch's height at the end of the cord."""
    for left, (low, high), words in ((1, FEW_SIDES_DEG, "one or two photos"), (45, ALL_SIDES_DEG, "four photos")):
        foot, reach = (left + 37, 8.0), 31.0
        deck_line(canvas, left, left + 39, 8, tooth=(0.7, 2.4))
        rim = [math.radians(low + (high - low) * k / 8) for k in range(9)]
        fan = [foot, *((foot[0] - reach * math.cos(a), foot[1] + reach * math.sin(a)) for a in rim)]
        line(canvas, fan, colour=LIGHT, fill="#fbe7b8")
        middle = math.radians((low + high) / 2)
        torch(canvas, foot[0] - reach * math.cos(middle), foot[1] + reach * math.sin(middle), -math.degrees(middle))
        label(canvas, f"{low:.0f} to {high:.0f} degrees", foot[0], 27, STRONG, align="right")
        cm = [CORD_MM / 10 * math.sin(math.radians(angle)) for angle in (low, high)]
        label(canvas, f"{words}: {cm[0]:.0f} to {cm[1]:.0f} cm up", left + 20, 2.0, align="centre")


def sides(canvas: Canvas) -> None:
    """From above: the card and the torch's four places."""
    height = 13.5
    width = height * WIDTH_MM / HEIGHT_MM
    x, y = 43 - width / 2, 10.2
    card_from_above(canvas, x, y, height, named=False)
    mx, my = 43, y + 0.7 * height
    for number, turn, reach in ((1, 0, 19), (2, 180, 19), (3, 90, 6.8), (4, 270, 11.5)):
        a = math.radians(turn)
        torch(canvas, mx + reach * math.cos(a), my + reach * math.sin(a), turn + 180)
        beside = (3.4, 4.5 * math.sin(a)) if turn % 180 else (5 * math.cos(a), 2.6)
        place = mx + reach * math.cos(a) + beside[0], my + reach * math.sin(a) + beside[1]
        label(canvas, str(number), *place, NUMBER, align="centre")
    for left, words in ((1, ("two photos:", "1 and 2")), (72, ("four photos:", "all sides"))):
        for row, word in enumerate(words):
            label(canvas, word, left, 31 - 3.3 * row)
    label(canvas, "the torch moves, the card never", 85, 1.5, GREY, align="right")


def wind(canvas: Canvas) -> None:
    """The card taped down, wind over it."""
    height, left = 25.0, 32
    width = card_from_above(canvas, left, 4.5, height)
    right = left + width
    for x, y, turn in ((left, 8, 90), (right, 8, 90), (left, 26, 90), (right, 26, 90), (left + width / 2, 4.5, 0)):
        canvas.saveState()
        canvas.translate(x, y)
        canvas.rotate(turn)
        line(canvas, [(-2.2, -1.1), (2.2, -1.1), (2.2, 1.1), (-2.2, 1.1)], fill="#f1d9a0")
        canvas.restoreState()
    for y in (9, 16, 23):
        line(canvas, [(3 + t, y + 1.2 * math.sin(t / 2.2)) for t in range(20)], colour=SOFT, width=0.4)
        arrow(canvas, (21, y + 0.3), (26, y + 0.3), colour=SOFT, width=0.4)
    for tip, y, words in (((right + 1.2, 26), 26, "tape"), ((right - 2.6, 8.6), 13, "uprights straight")):
        line(canvas, [tip, (right + 5, y)], colour=SOFT)
        label(canvas, words, right + 6, y - 0.8)


def patches(canvas: Canvas) -> None:
    """A panel from above with its worst, typical and sheltered patch."""
    line(canvas, [(4, 4), (70, 4), (78, 10), (78, 22), (70, 28), (4, 28)], fill=PALE, width=0.5)
    lane = [(4, 11), (30, 12), (55, 9), (77, 13), (77, 17), (55, 14), (30, 17), (4, 16)]
    line(canvas, lane, colour=None, fill="#b9c5cb")
    places = ((36, 10, "1", "worst: where feet go"), (56, 22, "2", "typical"), (8, 23, "3", "sheltered"))
    for x, y, name, words in places:
        line(canvas, [(x, y), (x + 6, y), (x + 6, y + 4.2), (x, y + 4.2)], fill="#ffffff", width=THICK)
        label(canvas, name, x + 3, y + 1.2, STRONG, align="centre")
        label(canvas, words, x + 7.5, y + 1.2)
    label(canvas, "lane", 8, 12.6, GREY)


def avoid(canvas: Canvas) -> None:
    """Four things crossed out."""
    for place, words in enumerate(("wet or waxed", "across an edge", "your own shadow", "tilted, flash on")):
        left = place * 21.8
        deck_line(canvas, left, left + 19.5, 9.5, tooth=(1.4, 3.6))
        label(canvas, words, left + 9.6, 2.0, align="centre")
        cross_out(canvas, left + 3.4, 29, 2.2)
    line(canvas, [(1, 10), (3, 9.0), (17, 9.0), (19, 10), (17, 10.6), (3, 10.6)], colour=None, fill=WATER)
    for x in (5, 10, 15):
        line(canvas, [(x, 18.5), (x - 1.1, 15.8), (x, 14.8), (x + 1.1, 15.8)], colour=None, fill=WATER)
    line(canvas, [(33, 6.5), (33, 14), (41.3, 14), (41.3, 6.5)], colour=None, fill=PALE)
    line(canvas, [(33, 7.5), (33, 14), (41.3, 14)], width=0.35)
    line(canvas, [(24, 10), (40, 15.5)], width=0.9)
    dot(canvas, 57, 25.5, 1.8)
    line(canvas, [(57, 23.5), (57, 16), (54.8, 10)], width=1.1)
    line(canvas, [(57, 16), (58.6, 10)], width=1.1)
    line(canvas, [(57, 21.5), (53.5, 18.5)], width=0.9)
    line(canvas, [(57, 10.3), (45, 10.3), (45, 9.4), (57, 9.4)], colour=None, fill=INK)
    phone(canvas, 76.5, 19, 28)
    for a in (-100, -75, -50):
        ends = [(76.5 + r * math.cos(math.radians(a)), 18 + r * math.sin(math.radians(a))) for r in (2, 5)]
        line(canvas, ends, colour=LIGHT, width=0.5)
