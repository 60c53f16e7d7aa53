"""
What an abrasive with a round tip touches of a texture: closing of the height map with a ball.

Paint holds where contaminant and gloss are taken off; a flat disc keys the tops only. The tip radii that stand for
real tools (0.1 mm a bristle, 2 to 5 mm a soft pad) are assumptions, from memory, and no published test ties adhesion
to reach: read it as a risk, not as a strength.
"""

from __future__ import annotations

import math

import numpy as np

from texscan.curve import TOP_RATIO, levels_at
from texscan.model import COVERAGE_FACTOR, Budget, Measured, Reach

RADII_MM: tuple[float | None, ...] = (0.1, 0.25, 0.5, 1.0, 2.0, 5.0, None)
TOUCH_MM = 0.02  # a gap up to this counts as touched: roughness below the S-filter; a setting
LEAST_GAIN = 0.05  # keeps the low end of all heights finite under a hopeless budget
MOST_OPERATIONS = 1e8  # pixels times ball offsets before the grid is coarsened
LEAST_ROWS = 8  # a coarsened map keeps this many
ROWS_AT_ONCE = 32  # keeps the working rows in the processor's cache


def reach(
    height_mm: np.ndarray,
    step_mm: float,
    radii: tuple[float | None, ...] = RADII_MM,
    *,
    budget: Budget,
    touch_mm: float = TOUCH_MM,
) -> tuple[Reach, ...]:
    """
    Share of the true area that each tip touches, and the mean gap under it.

    Parameters
    ----------
    height_mm : (rows, columns), form removed and filtered, z up [mm]. NaN = not measured: no tip rests there, and
        what a tip over it would touch is left out. Outer edges are mirrored.
    step_mm : of the grid [mm].
    radii : tip radii [mm], > 0; None is a flat disc that rests on the top plane.
    budget : standard uncertainty of all heights together.
    touch_mm : gap that counts as touched [mm].

    Returns
    -------
    One Reach a radius. The interval is the reading at the low and high ends of all heights.

    Raises
    ------
    ValueError : nothing measured.

    Notes
    -----
    Touched where closing(z) - z <= touch; areas weighed by sqrt(1 + |grad z|^2); gap = mean(closing(z) - z). A tip
    smaller than a step touches all that the map can show. Near-tangent gaps are tiny, so the share depends on
    `touch_mm` where the gap does not.
    """
    height = np.asarray(height_mm, np.float32)
    if not np.isfinite(height).any():
        raise ValueError("no measured height to reach")
    spread = COVERAGE_FACTOR * budget.gain_u
    gains = (1.0,) if spread == 0 else (1.0, max(1 - spread, LEAST_GAIN), 1 + spread)
    results = []
    for radius in radii:
        readings = [_touched(height * np.float32(gain), step_mm, radius, touch_mm) for gain in gains]
        fractions, gaps = zip(*readings, strict=True)
        results.append(Reach(radius, _measured(fractions), _measured(gaps)))
    return tuple(results)


def closing(height_mm: np.ndarray, step_mm: float, radius_mm: float) -> np.ndarray:
    """
    Height of the lowest ball that rolls over the surface: morphological closing with a ball.

    Parameters
    ----------
    height_mm : (rows, columns), z up [mm]; NaN stays NaN and holds no ball.
    step_mm, radius_mm : of the grid and of the ball [mm].

    Returns
    -------
    (rows, columns) float32 >= height_mm [mm], mirrored at the outer edges.

    Notes
    -----
    Dilation then erosion with the ball's cap sag(d) = r - sqrt(r^2 - d^2), as far out as the relief lets it touch;
    areal ball closing of ISO 16610-81 (number from memory).
    """
    height = np.asarray(height_mm, np.float32)
    cap = _cap(height, step_mm, radius_mm)
    margin = max((max(abs(r), abs(c)) for r, c, _ in cap), default=0)
    padded = np.pad(height, margin, mode="symmetric") if margin else height
    missing = ~np.isfinite(padded)
    centres = _highest(np.where(missing, -np.inf, padded), cap)
    centres[np.isneginf(centres)] = np.inf  # no ball can be placed there, so it lifts nothing
    closed = -_highest(-centres, cap)
    closed = np.maximum(closed, padded)
    closed[missing] = np.nan
    return closed[margin : margin + height.shape[0], margin : margin + height.shape[1]]


def _cap(height: np.ndarray, step_mm: float, radius_mm: float) -> list[tuple[int, int, float]]:
    """Offsets (rows, columns, -sag) of the ball that can matter within the relief of the map."""
    span = float(np.nanmax(height) - np.nanmin(height))
    half_mm = _half_width_mm(span, radius_mm)
    n = int(half_mm / step_mm)
    cap = []
    for row in range(-n, n + 1):
        for column in range(-n, n + 1):
            squared = (row * row + column * column) * step_mm**2
            if squared <= half_mm**2:
                cap.append((row, column, math.sqrt(radius_mm**2 - squared) - radius_mm))
    return cap


def _half_width_mm(span_mm: float, radius_mm: float) -> float:
    depth = min(span_mm, radius_mm)
    return math.sqrt(max(2 * radius_mm * depth - depth**2, 0.0))


def _highest(height: np.ndarray, cap: list[tuple[int, int, float]]) -> np.ndarray:
    """Dilation: highest of the shifted copies, each lowered by the ball's sag; outside the array counts as -inf."""
    rows, columns = height.shape
    result = np.full_like(height, -np.inf)
    for start in range(0, rows, ROWS_AT_ONCE):
        stop = min(start + ROWS_AT_ONCE, rows)
        block = result[start:stop]
        for row, column, drop in cap:
            top, bottom = max(start + row, 0), min(stop + row, rows)
            left, right = max(column, 0), min(columns + column, columns)
            if top >= bottom or left >= right:
                continue
            target = block[top - row - start : bottom - row - start, left - column : right - column]
            np.maximum(target, height[top:bottom, left:right] + np.float32(drop), out=target)
    return result


def _touched(height: np.ndarray, step_mm: float, radius_mm: float | None, touch_mm: float) -> tuple[float, float]:
    """Share of true area touched, and mean gap [mm]."""
    if radius_mm is None:
        gap, step = np.maximum(_top_plane(height) - height, 0), step_mm
        judged = np.isfinite(height)
    else:
        height, step = _coarser(height, step_mm, radius_mm)
        gap = closing(height, step, radius_mm) - height
        judged = _judged(height, step, radius_mm)
    rise, run = np.gradient(height, step)
    area = np.sqrt(1 + rise**2 + run**2)
    area = np.where(np.isfinite(area), area, 1.0)
    touched = gap <= touch_mm
    return float(area[judged & touched].sum() / area[judged].sum()), float(gap[judged].mean(dtype=float))


def _top_plane(height: np.ndarray) -> np.float32:
    """Smc(2 %) of the measured pixels."""
    levels = np.sort(height[np.isfinite(height)].astype(float))[::-1]
    weights = np.full((1, levels.size), 1 / levels.size)
    return np.float32(levels_at(levels, weights, np.array([TOP_RATIO]))[0, 0])


def _judged(height: np.ndarray, step_mm: float, radius_mm: float) -> np.ndarray:
    """Measured pixels further from a hole than the ball reaches; all measured ones if none is."""
    measured = np.isfinite(height)
    if measured.all():
        return measured
    cap = [(row, column, 0.0) for row, column, _ in _cap(height, step_mm, radius_mm)]
    near = _highest(np.where(measured, 0.0, 1.0).astype(np.float32), cap) > 0
    far = measured & ~near
    return far if far.any() else measured


def _coarser(height: np.ndarray, step_mm: float, radius_mm: float) -> tuple[np.ndarray, float]:
    """The map by block means, only as coarse as the ball's cost asks for."""
    span = float(np.nanmax(height) - np.nanmin(height))
    ball_pixels = math.pi * (_half_width_mm(span, radius_mm) / step_mm) ** 2
    factor = max(1, math.ceil((height.size * ball_pixels / MOST_OPERATIONS) ** 0.25))
    if factor == 1 or min(height.shape) < LEAST_ROWS * factor:
        return height, step_mm
    rows, columns = (n // factor for n in height.shape)
    blocks = height[: rows * factor, : columns * factor].reshape(rows, factor, columns, factor)
    counts = np.isfinite(blocks).sum(axis=(1, 3))
    sums = np.where(np.isfinite(blocks), blocks, 0).sum(axis=(1, 3))
    means = np.full(counts.shape, np.nan, np.float32)
    np.divide(sums, counts, out=means, where=counts > 0)
    return means, step_mm * factor


def _measured(readings: tuple[float, ...]) -> Measured:
    return Measured(readings[0], min(readings), max(readings))
