"""The plates of a repeating texture: the mould's unit cell beside the worn and the filled one."""

from __future__ import annotations

import cv2
import numpy as np
from scipy import ndimage

from texscan import chart
from texscan.chart import Frame, text_at
from texscan.model import Measured
from texscan.mould import ChangedCell, Mould
from texscan.overlay import BAR_LENGTHS_MM, MARGIN, PAGE_WIDTH, figure_text
from texscan.pattern import unfolded
from texscan.typeset import INK, RULE, Block, Label, place
from texscan.zone_drawing import COLOURS

WIDTH = PAGE_WIDTH - 2 * MARGIN
HALF = (WIDTH - 96) // 2
SECTION_X = MARGIN + HALF + 96
SECTION_HEIGHT = 330
PLATE_TOP = 92
MAP_PX = 360
MAP_PITCHES = 2.5  # side of a cell's map, in pitches of the longer vector
DASH_OF = {"worn": "dashed", "filled": "dotted"}
NO_CELL = "The texture does not repeat, or no sound zone holds enough repeats: there is no mould's cell to compare."
LEAST_ARROW_PX = 12  # shorter losses stand in words only


def height_of(mould: Mould | None) -> int:
    """Height that the maps of the cells take on the page [px]."""
    return 0 if mould is None else PLATE_TOP + MAP_PX + 150


def without_gaps(cell: np.ndarray) -> np.ndarray:
    """The cell (n, m) with each place that no pixel fell on given the height of the nearest other; it repeats."""
    tiled = np.tile(cell, (3, 3))
    nearest = ndimage.distance_transform_edt(np.isnan(tiled), return_distances=False, return_indices=True)
    rows, columns = cell.shape
    return tiled[tuple(nearest)][rows : 2 * rows, columns : 2 * columns]


def section_plate(page: np.ndarray, top: int, mould: Mould | None) -> list[Label]:
    """A section through the mould's cell and the changed ones, with what was lost and gained."""
    labels = _heading(page, "Section through the mean cell", SECTION_X, top, HALF)
    if mould is None:
        return labels + place([Block(NO_CELL, 21)], SECTION_X, top + PLATE_TOP, HALF)
    whole = without_gaps(mould.cell_mm)
    row = int(whole.var(axis=1).argmax())
    pitch = float(np.hypot(*mould.vectors_mm[1]))
    count = mould.cell_mm.shape[1]
    along = (np.arange(2 * count) + 0.5) / count * pitch
    frame = Frame(SECTION_X + 66, top + PLATE_TOP, HALF - 66, SECTION_HEIGHT, (0.0, 2 * pitch),
                  (-0.15 * mould.top_mm, 1.3 * mould.top_mm))  # fmt: skip
    labels += chart.axes(page, frame, x_title="mm along the pattern", y_title="mm over the mould's floor")
    chart.curve(page, frame, along, np.tile(whole[row], 2), colour=COLOURS["sound"])
    for number, cell in enumerate(mould.changed):
        heights = without_gaps(cell.cell_mm)[row]
        chart.curve(
            page, frame, along, np.tile(heights, 2), colour=COLOURS[cell.condition], dash=DASH_OF[cell.condition]
        )
        change = heights - whole[row]
        at = (np.array([change.argmin(), change.argmax()]) / count + number % 2) * pitch
        labels += _changes(page, frame, cell, mould, at)
    for number, (name, dash) in enumerate((("sound", "solid"), *((c.condition, DASH_OF[c.condition])
                                                                for c in mould.changed))):  # fmt: skip
        x, y = frame.left + 24 + 190 * number, frame.top + 24
        key = Frame(x, y, 56, 2, (0.0, 1.0), (0.0, 1.0))
        chart.curve(page, key, np.array([0.0, 1.0]), np.array([0.5, 0.5]), colour=COLOURS[name], dash=dash)
        labels.append(text_at(name, x + 70, y - 10, size=chart.TICK_TEXT))
    return labels


def _changes(page: np.ndarray, frame: Frame, cell: ChangedCell, mould: Mould, at_mm: np.ndarray) -> list[Label]:
    """Arrows from the mould's top down and from its floor up, as long as the loss and the gain, at `at_mm` (2,)."""
    labels: list[Label] = []
    if cell.lost_at_top_mm is None or cell.gained_at_floor_mm is None:
        return labels
    lost, gained = cell.lost_at_top_mm.value, cell.gained_at_floor_mm.value
    ends = ((mould.top_mm, mould.top_mm - lost, f"{lost:.2f} mm lost"), (0.0, gained, f"{gained:.2f} mm gained"))
    for (start, end, text), x_mm in zip(ends, at_mm, strict=True):
        x = round(float(frame.x_px(x_mm)))
        tail, tip = (round(float(frame.y_px(y))) for y in (start, end))
        if abs(tip - tail) < LEAST_ARROW_PX:
            continue
        chart.level(page, frame, end, dash="dotted")
        cv2.arrowedLine(page, (x, tail), (x, tip), INK, 2, cv2.LINE_AA, 0, 9 / abs(tip - tail))
        y = tail - 26 if tip > tail else tail + 6
        labels.append(text_at(text, x, y, size=chart.TICK_TEXT, align="middle"))
    return labels


def map_plates(page: np.ndarray, top: int, mould: Mould | None) -> list[Label]:
    """The mean cells as maps on one scale of colour, with what each zone lost and gained."""
    if mould is None:
        return []
    labels = _heading(page, "Mean cell of each condition", MARGIN, top, WIDTH)
    side_mm = MAP_PITCHES * float(np.hypot(*mould.vectors_mm.T).max())
    shown = [("sound", mould.cell_mm, None), *((c.condition, c.cell_mm, c) for c in mould.changed)]
    for number, (name, cell, change) in enumerate(shown):
        left, upper = MARGIN + number * (MAP_PX + 150), top + PLATE_TOP
        step = side_mm / MAP_PX
        heights = unfolded(without_gaps(cell), mould.vectors_mm, (MAP_PX, MAP_PX), step)
        page[upper : upper + MAP_PX, left : left + MAP_PX] = chart.height_colours(heights, 0.0, mould.top_mm)
        cv2.rectangle(page, (left - 1, upper - 1), (left + MAP_PX, upper + MAP_PX), INK, 1)
        title = "the mould's cell, from the sound zones" if name == "sound" else name
        labels.append(text_at(title, left, upper - 30, size=21, bold=True))
        words = [Block(text, 19, before=4) for text in _change_texts(change, mould)]
        labels += place(words, left, upper + MAP_PX + 40, MAP_PX + 110)
        if number == 0:
            length = [mm for mm in BAR_LENGTHS_MM if mm <= 0.4 * side_mm] or [BAR_LENGTHS_MM[0]]
            labels += chart.scale_bar(page, left, upper + MAP_PX + 14, length_mm=length[-1], px_per_mm=1 / step)
    right = MARGIN + len(shown) * (MAP_PX + 150)
    bar = Frame(right, top + PLATE_TOP, 22, MAP_PX, (0.0, 1.0), (0.0, mould.top_mm))
    return labels + chart.colour_scale(page, bar, title="mm over the floor")


def _change_texts(cell: ChangedCell | None, mould: Mould) -> list[str]:
    if cell is None:
        return [f"{mould.top_mm:.2f} mm from floor to top"]
    if cell.lost_at_top_mm is None:
        return ["So little relief is left that loss at the top and gain at the floor cannot be told apart."]
    return [_text(cell.lost_at_top_mm, "lost at the top"), _text(cell.gained_at_floor_mm, "gained at the floor")]


def _text(measured: Measured | None, words: str) -> str:
    return f"{figure_text(measured, 'mm')} {words}"


def _heading(page: np.ndarray, text: str, x: int, y: int, width: int) -> list[Label]:
    cv2.line(page, (x, y), (x + width, y), RULE, 2)
    return place([Block(text, 26, bold=True, one_line=True)], x, y + 10, width)
