"""
The shipped card as drawn: one list of filled blocks and strokes in mm, from which the PDF and the picture are made.

A U of paper around a patch of deck that is open at the top. Outer edges: strips of checker squares with a marker in
two of three white squares, so that any third of the card may be hidden. Lower edge: a 100 mm bar with mm ticks. The
rest is bare white that catches the shadows of the uprights, three-sided tubes of paper: three walls and a floor are a
form that cannot shear. Their places, heights and the depth of the lower bar were searched so that for every azimuth
and 15 to 45 degrees of elevation, for the sun and for a torch 300 mm away, at least two shadows lie whole on white.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from texscan.card import DEFAULT_HEIGHT_U_MM, DEFAULT_PAPER_REFLECTANCE, GreyPatch, Marker, Upright
from texscan.card_glyphs import text_strokes, text_width_mm

REVISION = "1"
PX_PER_MM = 12
WIDTH_MM = 198.0  # A4 less 6 mm on each side, the widest that common printers reach
PATCH_MM = 120.0  # the opening
ARM_MM = (WIDTH_MM - PATCH_MM) / 2
BAR_MM = 95.0  # depth of the lower bar: shadows at 15 degrees need it
HEIGHT_MM = BAR_MM + PATCH_MM
EDGE_MM = 3.0  # white between the cut and the checkers, left and right
TOP_MM = 2.0  # the same at the arms' tips
RULER_MM = 9.0  # height of the ruler's row along the lower edge

SQUARE_MM = 7.0
MARKER_MM = 5.0  # 1 mm of white around, more than one module
DICTIONARY = "DICT_4X4_50"
SIDE_SQUARES = (14, 10)  # rows of the side strips below and above the greys
FOOT_SQUARES = 22  # columns of the strip along the lower edge
MARKED_OF_WHITE = (True, True, False)  # which white squares in a row carry a marker

GREY_CODES = (221, 188, 158, 124, 89, 63)  # sRGB codes of about 0.72, 0.5, 0.34, 0.2, 0.1 and 0.05 of the paper
GREY_MM = 6.0
GREY_PITCH_MM = 8.0

TAG_DICTIONARY = "DICT_5X5_100"  # not the card's: a tag is never taken for a part of the card
TAG_MOST = 99
TAG_MM = (32.0, 40.0)
TAG_MARKER_MM = 21.0  # 3 mm a module

UPRIGHT_SIDE_MM = 9.0
UPRIGHTS = (  # name, x, y of the base's centre, height, direction of the base's first corner [mm, mm, mm, degrees]
    ("A", 28.75, 187.75, 16.0, 90.0),
    ("B", 169.25, 187.75, 16.0, 90.0),
    ("C", 70.75, 85.75, 10.0, 270.0),
    ("D", 127.25, 85.75, 10.0, 270.0),
    ("E", 40.75, 28.75, 12.0, 90.0),
    ("F", 99.0, 31.75, 12.0, 270.0),
    ("G", 157.25, 28.75, 12.0, 90.0),
)

LINE_MM = 0.2
BLACK, WHITE = 0, 255


@dataclass(frozen=True, slots=True)
class Block:
    """An upright rectangle filled with one sRGB grey (0 to 255)."""

    x0_mm: float
    y0_mm: float
    x1_mm: float
    y1_mm: float
    grey: int


@dataclass(frozen=True, slots=True)
class Stroke:
    """A black line through points (n, 2) mm with round ends."""

    points_mm: np.ndarray
    width_mm: float = LINE_MM


@dataclass(frozen=True, slots=True)
class Layout:
    """
    The card's face and what card.json says of it [mm; origin at the lower left corner of the outline].

    Blocks are painted in order, strokes over them.
    """

    outline_mm: np.ndarray
    blocks: tuple[Block, ...]
    strokes: tuple[Stroke, ...]
    markers: tuple[Marker, ...]
    saddles_mm: np.ndarray
    patches: tuple[GreyPatch, ...]
    uprights: tuple[Upright, ...]
    paper_reflectance: float = DEFAULT_PAPER_REFLECTANCE
    height_u_mm: float = DEFAULT_HEIGHT_U_MM
    revision: str = REVISION


def layout() -> Layout:
    """The one card of this revision; the same for every paper."""
    blocks: list[Block] = []
    markers: list[Marker] = []
    saddles: list[tuple[float, float]] = []
    for left, base, columns, rows in _strips():
        squares, marked, corners = _strip(left, base, columns, rows, first_id=len(markers))
        blocks += squares
        markers += marked
        saddles += corners
    patches = _grey_patches()
    blocks += [_bounding(p.polygon_mm, grey) for p, grey in patches]
    uprights = tuple(upright(*row) for row in UPRIGHTS)
    return Layout(
        outline_mm=outline_mm(),
        blocks=tuple(blocks),
        strokes=tuple(_ruler() + _edge_ticks() + _orientation() + [s for u in uprights for s in _base(u)]),
        markers=tuple(markers),
        saddles_mm=np.array(saddles),
        patches=tuple(p for p, _ in patches),
        uprights=uprights,
    )


def _bounding(polygon_mm: np.ndarray, grey: int) -> Block:
    (x0, y0), (x1, y1) = polygon_mm.min(axis=0), polygon_mm.max(axis=0)
    return Block(x0, y0, x1, y1, grey)


def outline_mm() -> np.ndarray:
    """(8, 2) cut outline, anticlockwise from the lower left corner [mm]."""
    inner_left, inner_right = ARM_MM, WIDTH_MM - ARM_MM
    return np.array(
        [
            (0, 0),
            (WIDTH_MM, 0),
            (WIDTH_MM, HEIGHT_MM),
            (inner_right, HEIGHT_MM),
            (inner_right, BAR_MM),
            (inner_left, BAR_MM),
            (inner_left, HEIGHT_MM),
            (0, HEIGHT_MM),
        ],
        dtype=float,
    )


def upright(name: str, x_mm: float, y_mm: float, height_mm: float, first_corner_deg: float) -> Upright:
    """A three-sided tube on the card: vertices 0 to 2 at its foot, 3 to 5 above them, three faces outward."""
    turn = np.radians(first_corner_deg + np.array([0.0, 120.0, 240.0]))
    radius = UPRIGHT_SIDE_MM / math.sqrt(3)
    foot = np.column_stack([x_mm + radius * np.cos(turn), y_mm + radius * np.sin(turn)]).round(3)
    vertices = np.vstack([np.column_stack([foot, np.full(3, z)]) for z in (0.0, height_mm)])
    faces = tuple((i, (i + 1) % 3, (i + 1) % 3 + 3, i + 3) for i in range(3))
    return Upright(name, vertices, faces, 1.0)


def _strips() -> list[tuple[float, float, int, int]]:
    """Checker strips: left, base, columns, rows."""
    right = WIDTH_MM - EDGE_MM - 2 * SQUARE_MM
    below, above = SIDE_SQUARES
    upper = HEIGHT_MM - TOP_MM - above * SQUARE_MM
    foot = (WIDTH_MM - FOOT_SQUARES * SQUARE_MM) / 2
    return [
        (EDGE_MM, RULER_MM, 2, below),
        (EDGE_MM, upper, 2, above),
        (foot, RULER_MM, FOOT_SQUARES, 2),
        (right, RULER_MM, 2, below),
        (right, upper, 2, above),
    ]


def _strip(
    left: float, base: float, columns: int, rows: int, *, first_id: int
) -> tuple[list[Block], list[Marker], list[tuple[float, float]]]:
    blocks: list[Block] = []
    markers: list[Marker] = []
    white = 0
    for row in range(rows):
        for column in range(columns):
            x, y = left + column * SQUARE_MM, base + row * SQUARE_MM
            if (row + column) % 2 == 0:
                blocks.append(Block(x, y, x + SQUARE_MM, y + SQUARE_MM, BLACK))
                continue
            if MARKED_OF_WHITE[white % len(MARKED_OF_WHITE)]:
                inset = (SQUARE_MM - MARKER_MM) / 2
                marker = square_marker(DICTIONARY, first_id + len(markers), x + inset, y + inset, MARKER_MM)
                markers.append(marker)
                blocks += marker_blocks(marker)
            white += 1
    saddles = [
        (left + column * SQUARE_MM, base + row * SQUARE_MM) for row in range(1, rows) for column in range(1, columns)
    ]
    return blocks, markers, saddles


def square_marker(dictionary: str, number: int, left: float, base: float, size: float) -> Marker:
    """An upright marker with its lower left corner at (left, base) [mm]."""
    top, right = base + size, left + size
    return Marker(dictionary, number, np.array([(left, top), (right, top), (right, base), (left, base)]))


def tag_marker(number: int) -> Marker:
    """The marker of tag `number` (1 to 99), in mm from the tag's lower left corner; its id is the number."""
    wide, high = TAG_MM
    inset = (wide - TAG_MARKER_MM) / 2
    return square_marker(TAG_DICTIONARY, number, inset, high - inset - TAG_MARKER_MM, TAG_MARKER_MM)


def marker_blocks(marker: Marker) -> list[Block]:
    """The marker's border and its white modules, row by row merged."""
    import cv2

    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, marker.dictionary))
    modules = dictionary.markerSize + 2
    picture = cv2.aruco.generateImageMarker(dictionary, marker.id, modules, borderBits=1)
    (left, top), (right, base) = marker.corners_mm[0], marker.corners_mm[2]
    step = (right - left) / modules
    blocks = [Block(left, base, right, top, BLACK)]
    for row in range(modules):
        bits = np.flatnonzero(picture[row] > 127)
        for run in np.split(bits, np.flatnonzero(np.diff(bits) > 1) + 1) if bits.size else []:
            y = top - (row + 1) * step
            blocks.append(Block(left + run[0] * step, y, left + (run[-1] + 1) * step, y + step, WHITE))
    return blocks


def _grey_patches() -> list[tuple[GreyPatch, int]]:
    """Two sets, one in each side strip, the second in reverse order."""
    from texscan.linear import srgb_to_linear

    base = RULER_MM + SIDE_SQUARES[0] * SQUARE_MM
    upper = HEIGHT_MM - TOP_MM - SIDE_SQUARES[1] * SQUARE_MM
    low = (base + upper) / 2 - (2 * GREY_PITCH_MM + GREY_MM) / 2
    patches = []
    for side, left in (("left", EDGE_MM), ("right", WIDTH_MM - EDGE_MM - GREY_PITCH_MM - GREY_MM)):
        codes = GREY_CODES if side == "left" else GREY_CODES[::-1]
        for place, code in enumerate(codes):
            x, y = left + place % 2 * GREY_PITCH_MM, low + place // 2 * GREY_PITCH_MM
            square = np.array([(x, y), (x + GREY_MM, y), (x + GREY_MM, y + GREY_MM), (x, y + GREY_MM)])
            reflectance = round(float(srgb_to_linear(np.array(code, dtype=np.uint8))), 4)
            patches.append((GreyPatch(f"{side} {GREY_CODES.index(code) + 1}", square, reflectance), code))
    return patches


BAR_LEFT_MM = 14.0
BAR_LENGTH_MM = 100.0


def _ruler() -> list[Stroke]:
    """The 100 mm bar with ticks a millimetre apart, and the box for what a ruler says."""
    line, text = 6.8, 1.9
    strokes = [_line(BAR_LEFT_MM, line, BAR_LEFT_MM + BAR_LENGTH_MM, line, 0.4)]
    for mm in range(int(BAR_LENGTH_MM) + 1):
        length = 3.0 if mm % 10 == 0 else 2.2 if mm % 5 == 0 else 1.5
        x = BAR_LEFT_MM + mm
        strokes.append(_line(x, line - length, x, line, 0.15))
        if mm % 10 == 0:
            strokes += _text(str(mm), x - text_width_mm(str(mm), text) / 2, 1.2, text)
    strokes += _text("mm  RULER SAYS", BAR_LEFT_MM + BAR_LENGTH_MM + 5, 3.2, 2.2)
    strokes += _text("mm", 183.0, 3.2, 2.2)
    box = np.array([(154, 1.5), (181, 1.5), (181, 7.0), (154, 7.0), (154, 1.5)], dtype=float)
    return [*strokes, Stroke(box)]


def _edge_ticks() -> list[Stroke]:
    """Millimetre ticks up both outer edges, from the lower edge."""
    strokes = []
    for mm in range(int(RULER_MM), int(HEIGHT_MM) - 1):
        length = 1.6 if mm % 10 == 0 else 1.2 if mm % 5 == 0 else 0.8
        strokes.append(_line(0.4, mm, 0.4 + length, mm, 0.15))
        strokes.append(_line(WIDTH_MM - 0.4 - length, mm, WIDTH_MM - 0.4, mm, 0.15))
    return strokes


def _orientation() -> list[Stroke]:
    """An arrow to the open side in each gap beside the lower strip."""
    strokes = []
    for x in (19.5, WIDTH_MM - 19.5):
        strokes.append(_line(x, 12.0, x, 20.0, 0.5))
        strokes.append(Stroke(np.array([(x - 1.2, 18.0), (x, 20.0), (x + 1.2, 18.0)]), 0.5))
    return strokes


def _base(piece: Upright) -> list[Stroke]:
    """Where an upright stands: the triangle of its foot and its letter, which the floor covers."""
    foot = piece.vertices_mm[:3, :2]
    cap = 2.4
    left, base = piece.base_mm - [text_width_mm(piece.name, cap) / 2, cap / 2]
    return [Stroke(np.vstack([foot, foot[:1]])), *_text(piece.name, left, base, cap)]


def _line(x0: float, y0: float, x1: float, y1: float, width: float) -> Stroke:
    return Stroke(np.array([(x0, y0), (x1, y1)], dtype=float), width)


def _text(text: str, left: float, base: float, cap: float) -> list[Stroke]:
    return [Stroke(points, cap / 9) for points in text_strokes(text, left, base, cap)]
