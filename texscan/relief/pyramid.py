"""The views on grids from coarse to fine, with their lamps and fans."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from ..model import Grid, Light, LitView
from . import shadows
from .forward import Lighting

COARSEST_MM = 0.45  # the coarsest grid still resolves a flank of a deck texture, 0.3 to 0.6 mm wide [mm]
SMALLEST = 32  # no coarser grid below this many rows or columns


@dataclass(frozen=True, slots=True)
class Level:
    """The views on one grid of the pyramid."""

    grid: Grid
    seen: np.ndarray  # (views, rows, columns) float32 brightness, NaN = unmeasured
    lamps: tuple[Light, ...]
    fans: tuple[shadows.Fan, ...]
    blur_px: float  # standard deviation of the photos' blur [pixels of this grid]

    def lighting(self, view: int, rows: slice = np.s_[:]) -> Lighting:
        """A view's lamp over some of the rows; quicker told anew than kept for all."""
        return _over(self.lamps[view], self.grid.x_mm, self.grid.y_mm[rows])

    def lighting_at(self, view: int, rows: np.ndarray, columns: np.ndarray) -> Lighting:
        """A view's lamp at these rows and columns [pixels, also beyond the grid]."""
        grid = self.grid
        return _over(self.lamps[view], grid.x0_mm + columns * grid.step_mm, grid.y1_mm - rows * grid.step_mm)


def _over(lamp: Light, x_mm: np.ndarray, y_mm: np.ndarray) -> Lighting:
    if lamp.position_mm is None:
        x, y, z = lamp.direction.astype(np.float32).reshape(3, 1, 1)
        return Lighting(x / z, y / z, z)
    right, up, above = lamp.position_mm.tolist()
    x = ((right - x_mm[None, :]) / above).astype(np.float32)
    y = ((up - y_mm[:, None]) / above).astype(np.float32)
    return Lighting(x, y, 1 / np.sqrt(1 + x * x + y * y))


def pyramid(seen: np.ndarray, views: tuple[LitView, ...], grid: Grid) -> list[Level]:
    """
    Levels from coarse to fine; each grid has half the step of the one before, the last is the views' own, on which
    `seen` (views, rows, columns) float32 is their brightness.
    """
    levels = [_level(seen, grid, views)]
    while grid.step_mm * 2 <= COARSEST_MM and min(grid.shape) >= 2 * SMALLEST:
        seen, grid = np.stack([halve(a) for a in seen]), half_grid(grid)
        levels.append(_level(seen, grid, views))
    return levels[::-1]


def halve(values: np.ndarray) -> np.ndarray:
    """(rows, columns) to means of 2 x 2 blocks over what is measured; NaN where less than half of a block is."""
    rows, columns = (n // 2 * 2 for n in values.shape)
    values = values[:rows, :columns]
    measured = np.isfinite(values)
    size = (columns // 2, rows // 2)
    mean = cv2.resize(np.where(measured, values, 0), size, interpolation=cv2.INTER_AREA)
    share = cv2.resize(measured.astype(np.float32), size, interpolation=cv2.INTER_AREA)
    share[share < 0.5] = np.nan
    return mean / share


def half_grid(grid: Grid) -> Grid:
    """The grid of 2 x 2 blocks; an odd last row or column is left out."""
    half = grid.step_mm / 2
    return Grid(grid.x0_mm + half, grid.y1_mm - half, 2 * grid.step_mm, grid.rows // 2, grid.columns // 2)


def finer(values: np.ndarray, shape: tuple[int, int], *, nodes: bool) -> np.ndarray:
    """
    Values of a grid on the grid of half its step, (rows, columns) = shape, by linear interpolation.

    nodes : the values lie on the pixels' corners, which the two grids share, not on the pixels' centres.
    """
    column, row = np.arange(shape[1], dtype=np.float32), np.arange(shape[0], dtype=np.float32)
    at = (column / 2, row / 2) if nodes else ((column + 0.5) / 2 - 0.5, (row + 0.5) / 2 - 0.5)
    return cv2.remap(values, *np.meshgrid(*at), cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)


def _level(seen: np.ndarray, grid: Grid, views: tuple[LitView, ...]) -> Level:
    blurs = [view.blur_mm for view in views if np.isfinite(view.blur_mm)]
    blur_px = float(np.median(blurs)) / grid.step_mm if blurs else 0.0
    return Level(
        grid,
        seen,
        tuple(view.light for view in views),
        tuple(shadows.fan(view.light, grid) for view in views),
        blur_px,
    )
