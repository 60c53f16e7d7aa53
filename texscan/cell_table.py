"""cells.csv: the figures that decide in squares of the patch, as a table that any spreadsheet reads."""

from __future__ import annotations

import csv
import io

import numpy as np

from texscan.model import CONDITION_NAMES, Grid
from texscan.texture import TILE_MM, Cell

KEYS = ("relief_mm", "void_depth_mm", "contact_area_fraction", "Sq_mm")  # in the order of the table
COLUMNS = (
    "x_mm",
    "y_mm",
    "measured_share",
    "condition",
    *(key + end for key in KEYS for end in ("", "_low", "_high")),
)
DIGITS = 6  # significant


def cell_table(cells: tuple[Cell, ...], condition: np.ndarray, grid: Grid, *, cell_mm: float = TILE_MM) -> str:
    """
    The cells as comma-separated values with one heading line (RFC 4180, but lines end with a line feed).

    Parameters
    ----------
    cells : from `texture.cells`, with this grid and `cell_mm`
    condition : (rows, columns) uint8, as in `ZoneMap`
        A cell has the condition of most of its measured pixels; the first of sound, worn, filled where they tie.

    Returns
    -------
    text : str
        Centre x and y in the card frame [mm], share of the pixels that is measured, condition, then each figure on
        the cell's own top plane with the ends of its 95 % interval.
    """
    out = io.StringIO()
    table = csv.writer(out, lineterminator="\n")
    table.writerow(COLUMNS)
    for cell in cells:
        read = [cell.figures[key] for key in KEYS]
        figures = [number for m in read for number in (m.value, m.low, m.high)]
        where = [cell.x_mm, cell.y_mm, cell.measured_share]
        named = condition_of(cell, condition, grid, cell_mm=cell_mm)
        table.writerow([*map(_number, where), named, *map(_number, figures)])
    return out.getvalue()


def condition_of(cell: Cell, condition: np.ndarray, grid: Grid, *, cell_mm: float = TILE_MM) -> str:
    """Condition that most measured pixels of the cell have; "" where none has one."""
    size = max(1, round(cell_mm / grid.step_mm))
    left = round((cell.x_mm - grid.x0_mm) / grid.step_mm - (size - 1) / 2)
    top = round((grid.y1_mm - cell.y_mm) / grid.step_mm - (size - 1) / 2)
    part = condition[top : top + size, left : left + size]
    counts = {name: int((part == value).sum()) for value, name in CONDITION_NAMES.items()}
    return max(counts, key=lambda name: counts[name]) if any(counts.values()) else ""


def _number(value: float) -> str:
    return f"{value:.{DIGITS}g}"
