"""What of a patch a thumbnail shows: the zones with a margin. Page and picture both take it from here."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from texscan.model import Grid

MARGIN_MM = 4.0


@dataclass(frozen=True, slots=True)
class Frame:
    """Edges of the picture in the card frame [mm]."""

    left_mm: float
    top_mm: float
    right_mm: float
    bottom_mm: float


def frame_of(polygons_mm: Sequence[np.ndarray | list], grid: Grid) -> Frame:
    """The frame around polygons (n, 2), cut at the grid's edges; without polygons the whole grid."""
    half = grid.step_mm / 2
    left, right = grid.x0_mm - half, grid.x0_mm + grid.step_mm * grid.columns - half
    top, bottom = grid.y1_mm + half, grid.y1_mm - grid.step_mm * grid.rows + half
    if not len(polygons_mm):
        return Frame(left, top, right, bottom)
    points = np.concatenate([np.asarray(polygon, dtype=float) for polygon in polygons_mm])
    (x0, y0), (x1, y1) = points.min(axis=0) - MARGIN_MM, points.max(axis=0) + MARGIN_MM
    return Frame(max(x0, left), min(y1, top), min(x1, right), max(y0, bottom))
