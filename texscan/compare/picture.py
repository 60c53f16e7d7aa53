"""
The picture of a change: each square of the common ground with what it lost or gained, beside both height maps.

A square says its change as a number with its sign, so that the picture serves in grey and for every kind of colour
vision; squares whose change stands out have a thick frame.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np

from texscan import chart
from texscan.chart import Frame, text_at
from texscan.compare.change import NONE
from texscan.compare.ground import CellChange, Ground
from texscan.compare.registration import Map, Registration
from texscan.overlay import BAR_LENGTHS_MM, BAR_SHARE, MARGIN, PAGE_WIDTH
from texscan.texture import TILE_MM
from texscan.typeset import INK, MUTED, PAPER, RULE, Block, Label, height_of, place, typeset

FIGURE = "void_depth_mm"
HEADER, FOOTER = 170, 60
BOX = (1040, 1100)  # of the squares: greatest width and height [px]
COLUMN_X = MARGIN + BOX[0] + 150
COLUMN = PAGE_WIDTH - MARGIN - COLUMN_X
MAP_HEIGHT = 480  # of a height map, with its title
LESS_COLOUR, MORE_COLOUR = (213, 94, 0), (0, 114, 178)  # Okabe and Ito 2008
LEAST_SPAN_MM = 0.02  # of the colours: noise is not painted as change
MARKED, PLAIN = 0.85, 0.30  # how much colour the greatest change gets, with and without a claim
SMALLEST_TEXT, LARGEST_TEXT = 10, 22
SHOWN = (0.002, 0.998)  # shares of the area between which heights are coloured
CELL_GAP = 2


@dataclass(frozen=True, slots=True)
class Words:
    """What stands beside the drawing."""

    panel: str
    names: tuple[str, str]  # of the earlier and the later result
    lines: tuple[str, ...]


def change_picture(ground: Ground, maps: tuple[Map, Map], where: Registration, words: Words) -> np.ndarray:
    """
    The page of one patch (rows, PAGE_WIDTH, 3) uint8.

    Parameters
    ----------
    ground : from `ground.common_ground` with these maps and this registration.
    """
    cells = ground.cells
    corner, size = _extent(cells)
    px_per_mm = min(BOX[0] / size[0], BOX[1] / size[1])
    tall = max(round(size[1] * px_per_mm) + 90, 2 * MAP_HEIGHT)
    blocks = [Block(line, 21, before=8) for line in words.lines]
    below = height_of(blocks, PAGE_WIDTH - 2 * MARGIN)
    page = np.full((HEADER + tall + 40 + below + FOOTER, PAGE_WIDTH, 3), PAPER, np.uint8)
    labels = _head(words)
    cv2.line(page, (MARGIN, HEADER - 52), (PAGE_WIDTH - MARGIN, HEADER - 52), RULE, 2)
    span = max(LEAST_SPAN_MM, *(abs(cell.changes[FIGURE].change.value) for cell in cells))
    for cell in cells:
        left = MARGIN + (cell.x_mm - TILE_MM / 2 - corner[0]) * px_per_mm
        top = HEADER + (corner[1] - cell.y_mm - TILE_MM / 2) * px_per_mm
        labels += _square(page, cell, (left, top, TILE_MM * px_per_mm), span)
    bottom = HEADER + round(size[1] * px_per_mm)
    bars = [length for length in BAR_LENGTHS_MM if length <= BAR_SHARE * size[0]]
    labels += chart.scale_bar(page, MARGIN, bottom + 24, length_mm=bars[-1], px_per_mm=px_per_mm)
    labels += _scale(page, span, min(bottom - HEADER, 520))
    labels += _maps(page, maps, where, (corner, size), words.names)
    labels += place(blocks, MARGIN, HEADER + tall + 40, PAGE_WIDTH - 2 * MARGIN)
    return typeset(page, labels)


def _head(words: Words) -> list[Label]:
    title = "Change of void depth in squares of 10 mm, mm: after minus before. Thick frame: stands out from chance."
    head = [Block(words.panel, 40, bold=True, one_line=True), Block(title, 21, colour=MUTED, one_line=True, before=4)]
    return place(head, MARGIN, 22, PAGE_WIDTH - 2 * MARGIN)


def _extent(cells: tuple[CellChange, ...]) -> tuple[tuple[float, float], tuple[float, float]]:
    """Upper left corner, width and height of the squares [mm]."""
    x, y = (np.array([getattr(cell, name) for cell in cells]) for name in ("x_mm", "y_mm"))
    left, right, low, high = x.min(), x.max(), y.min(), y.max()
    half = TILE_MM / 2
    return (left - half, high + half), (right - left + TILE_MM, high - low + TILE_MM)


def _square(page: np.ndarray, cell: CellChange, box: tuple[float, float, float], span: float) -> list[Label]:
    """One square, filled, framed, with its number."""
    left, top, side = box
    change = cell.changes[FIGURE].change.value
    marked = cell.claim(FIGURE) != NONE
    corners = (round(left) + CELL_GAP, round(top) + CELL_GAP), (round(left + side) - 1, round(top + side) - 1)
    cv2.rectangle(page, *corners, _tint(change / span, MARKED if marked else PLAIN), -1)
    cv2.rectangle(page, *corners, INK if marked else RULE, 4 if marked else 1)
    size = int(min(max(side * 0.25, SMALLEST_TEXT), LARGEST_TEXT))
    text = signed(change)
    middle, y = left + side / 2 + 1, top + side / 2 - size * 0.62
    return [text_at(text, middle, y, size=size, align="middle", bold=marked, colour=INK if marked else MUTED)]


def signed(change_mm: float) -> str:
    """A change to 0.01 mm with its sign; no sign where it rounds to nothing."""
    text = f"{change_mm:+.2f}"
    return "0.00" if float(text) == 0 else text.replace("-", "\u2212")


def _tint(share: float, most: float) -> tuple[int, int, int]:
    """Colour of a change of this share of the greatest, -1 to 1, thinned with white."""
    colour = LESS_COLOUR if share < 0 else MORE_COLOUR
    depth = most * min(abs(share), 1.0)
    red, green, blue = (round(255 + depth * (c - 255)) for c in colour)
    return red, green, blue


def _scale(page: np.ndarray, span: float, height: int) -> list[Label]:
    """The bar of colours beside the squares."""
    frame = Frame(MARGIN + BOX[0] + 18, HEADER + 30, 22, height - 40, (0.0, 1.0), (-span, span))
    for row in range(frame.height):
        share = 1 - 2 * row / max(frame.height - 1, 1)
        page[frame.top + row, frame.left : frame.left + frame.width] = _tint(share, MARKED)
    right = frame.left + frame.width
    cv2.rectangle(page, (frame.left, frame.top), (right, frame.top + frame.height), INK, 1)
    labels = [text_at("deeper", frame.left, frame.top - 26, size=chart.TICK_TEXT, colour=MUTED)]
    labels.append(text_at("shallower", frame.left, frame.top + frame.height + 6, size=chart.TICK_TEXT, colour=MUTED))
    for value in chart.ticks(-span, span, most=7):
        y = round(float(frame.y_px(value)))
        cv2.line(page, (right, y), (right + 6, y), INK, 1)
        labels.append(text_at(signed(float(value)), right + 10, y - 11, size=chart.TICK_TEXT, colour=MUTED))
    return labels


def _maps(
    page: np.ndarray, maps: tuple[Map, Map], where: Registration, extent: tuple, names: tuple[str, str]
) -> list[Label]:
    """Both height maps on the ground of the squares and on one scale of colours, one below the other."""
    corner, size = extent
    px_per_mm = min((COLUMN - 110) / size[0], (MAP_HEIGHT - 60) / size[1])
    shape = max(round(size[1] * px_per_mm), 1), max(round(size[0] * px_per_mm), 1)
    drawn = [_drawn(one, matrix, corner, px_per_mm, shape)
             for one, matrix in zip(maps, (np.eye(2, 3), where.to_before), strict=True)]  # fmt: skip
    known = np.concatenate([z[np.isfinite(z)] for z in drawn])
    low, high = (float(v) for v in np.quantile(known, SHOWN)) if known.size else (0.0, 1.0)
    labels = []
    for number, (z, name) in enumerate(zip(drawn, names, strict=True)):
        top = HEADER + number * MAP_HEIGHT
        labels += place([Block(name, 21, bold=True, one_line=True)], COLUMN_X, top - 6, COLUMN)
        top += 34
        page[top : top + shape[0], COLUMN_X : COLUMN_X + shape[1]] = chart.height_colours(z, low, high)
        cv2.rectangle(page, (COLUMN_X - 1, top - 1), (COLUMN_X + shape[1], top + shape[0]), INK, 1)
    top = HEADER + 34
    bar = Frame(COLUMN_X + shape[1] + 20, top + 26, 20, shape[0] - 26, (0.0, 1.0), (low, max(high, low + 1e-6)))
    return labels + chart.colour_scale(page, bar, title="mm")


def _drawn(
    one: Map, to_before: np.ndarray, corner: tuple[float, float], px_per_mm: float, shape: tuple[int, int]
) -> np.ndarray:
    """A map seen on the ground of the squares, `shape` pixels; NaN where it was not measured."""
    grid = one.grid
    frame = np.array([[grid.step_mm, 0, grid.x0_mm], [0, -grid.step_mm, grid.y1_mm], [0, 0, 1]])
    paper = np.array([[px_per_mm, 0, -corner[0] * px_per_mm], [0, -px_per_mm, corner[1] * px_per_mm], [0, 0, 1]])
    move = (paper @ np.vstack([to_before, [0, 0, 1]]) @ frame)[:2]
    shrink = max(1, math.floor(1 / (px_per_mm * grid.step_mm)))
    known = np.isfinite(one.z)
    values = cv2.blur(np.where(known, one.z, 0).astype(np.float32), (shrink, shrink))  # 1: as they are
    size = shape[1], shape[0]
    seen = cv2.warpAffine(known.astype(np.float32), move, size, flags=cv2.INTER_LINEAR) > 0.5
    return np.where(seen, cv2.warpAffine(values, move, size, flags=cv2.INTER_LINEAR), np.nan)
