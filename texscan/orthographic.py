"""Positions seen straight from above: the parallax of the relief's own depth taken out of a height map."""

from __future__ import annotations

import math

import cv2
import numpy as np

from texscan.model import Grid
from texscan.window import widened, window_of

PASSES = 2  # the shift is under 0.3 mm and slopes under 2: two look-ups end within 0.01 mm


def without_parallax(height_mm: np.ndarray, grid: Grid, eye_mm: np.ndarray, level_mm: float) -> np.ndarray:
    """
    Height map moved from the plane the photos were laid on to true places.

    Parameters
    ----------
    height_mm : (rows, columns) float32, z in the card frame; NaN = not measured
    grid : Grid
    eye_mm : (3,) where the camera stood
    level_mm : plane z on which the photos were laid

    Returns
    -------
    (rows, columns) float32; NaN where the place that is seen there was not measured

    Notes
    -----
    A point at height z appears on the plane at p + (p - eye) (z - level) / (eye_z - z): what stands above the plane
    is pushed away from the camera's foot.
    """
    known = np.isfinite(height_mm)
    moved = np.full(height_mm.shape, np.nan, np.float32)
    if known.any():
        window = widened(window_of(~known), _reach_px(height_mm[known], grid, eye_mm, level_mm))
        part = grid.part(window)
        moved[window] = _moved(
            np.where(known[window], height_mm[window], level_mm), known[window], part, eye_mm, level_mm
        )
    return moved


def _reach_px(heights_mm: np.ndarray, grid: Grid, eye_mm: np.ndarray, level_mm: float) -> int:
    """How far heights may lie beside where they are seen at most, and the look-up's neighbours."""
    low, high = float(heights_mm.min()), float(heights_mm.max())
    ends = np.array([[grid.x_mm[0], grid.y_mm[0]], [grid.x_mm[-1], grid.y_mm[-1]]])
    away = float(np.abs(ends - eye_mm[:2]).max())
    return math.ceil(away * max(high - level_mm, level_mm - low, 0.0) / (eye_mm[2] - high) / grid.step_mm) + 2


def _moved(filled: np.ndarray, known: np.ndarray, grid: Grid, eye_mm: np.ndarray, level_mm: float) -> np.ndarray:
    """As `without_parallax`, of heights without holes and where they are known."""
    filled = filled.astype(np.float32)
    x, y = grid.x_mm.astype(np.float32)[None, :], grid.y_mm.astype(np.float32)[:, None]
    z: np.ndarray = filled
    for _ in range(PASSES):
        factor = (z - np.float32(level_mm)) / (np.float32(eye_mm[2]) - z)
        column = (x + (x - np.float32(eye_mm[0])) * factor - np.float32(grid.x0_mm)) / np.float32(grid.step_mm)
        row = (np.float32(grid.y1_mm) - y - (y - np.float32(eye_mm[1])) * factor) / np.float32(grid.step_mm)
        z = cv2.remap(filled, column, row, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    seen = cv2.remap(
        known.astype(np.float32), column, row, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=0
    )
    return np.where(seen > 0.999, z, np.nan).astype(np.float32)
