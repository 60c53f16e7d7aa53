"""
Repeating or random: the lattice of a moulded texture from its autocorrelation, and the mean unit cell.

A lattice shows as peaks of the autocorrelation about as high as the centre; a random texture falls off and stays low.
"""

from __future__ import annotations

import math

import cv2
import numpy as np
from scipy import ndimage

from texscan.autocorrelation import autocorrelation
from texscan.curve import FLOOR_RATIO, TOP_RATIO, levels_of
from texscan.model import Measured, Pattern

LEAST_RELIEF_MM = 0.10  # less is noise of the measurement (height noise of 0.02 to 0.03 mm has a relief near it)
LAG_STEP_MM = 0.1  # of the correlation; finer maps are averaged down to it
LONGEST_LAG_MM = 16.0  # two repeats of the widest pitch looked for
LONGEST_PITCH_MM = 8.0  # common practice, no source: moulded textures repeat every 2 to 6 mm
SHORTEST_PITCH_MM = 0.8
# Height of the best repeat over the centre. Random packings of even grains reach 0.1 to 0.2; a lattice under noise as
# large as half of its own Sq still 0.8, with a worn half 0.6.
LEAST_PEAK, SURE_PEAK = 0.35, 0.5
PEAK_SHARE = 0.80  # of the best peak: lower ones are half-repeats, such as a lozenge's neighbour of another slant
DIP_SHARE = 0.75  # of the peak: between two repeats the correlation falls under this
LEAST_ANGLE_DEG = 25.0  # between the two lattice vectors
CELL_SAMPLES_PER_MM = 10


def find(z: np.ndarray, step_mm: float) -> Pattern:
    """
    Kind of texture, its pitches and directions.

    Parameters
    ----------
    z : (rows, columns) array
        Filtered heights [mm]; NaN = not measured.
    step_mm : float
        Grid step [mm].

    Returns
    -------
    pattern : Pattern
        "none" without relief, "repeating" with one (ridges) or two lattice vectors, else "random". `pitch_mm` are the
        vectors' lengths with 95 % intervals from how well the peaks fit one lattice; `direction_deg` their
        directions in the card frame, 0 to 180. `vectors_mm` (2, 2) and `cell` only with two vectors.
    """
    known = np.isfinite(z)
    heights = z[known]
    if heights.size < 100 or -np.diff(levels_of(heights, np.array([TOP_RATIO, FLOOR_RATIO])))[0] < LEAST_RELIEF_MM:
        return Pattern("none")
    coarse, coarse_step = _averaged(z, step_mm)
    correlation = autocorrelation(coarse, coarse_step, LONGEST_LAG_MM)
    if correlation is None:
        return Pattern("none")
    lags, heights = _peaks(correlation, coarse_step)
    dips = np.array([_dips(correlation, lag / coarse_step) for lag in lags], bool)
    lags, heights = lags[dips], heights[dips]
    near = np.hypot(*lags.T) <= LONGEST_PITCH_MM
    if not near.any() or heights[near].max() < LEAST_PEAK:
        return Pattern("random")
    best = heights[near].max()
    flags = () if best >= SURE_PEAK else ("pattern-uncertain",)
    vectors = _shortest(lags[near & (heights >= PEAK_SHARE * best)], correlation, coarse_step)
    if len(vectors) == 1:
        normal = _steepest(coarse)
        vectors, lags = (vectors @ normal)[:, None] * normal, (lags @ normal)[:, None] * normal
    vectors, u = _fitted(vectors, lags[heights >= 0.5 * best])
    vectors = np.array([v if v[1] > 0 or (v[1] == 0 and v[0] > 0) else -v for v in vectors])
    pitches = tuple(Measured.from_u(np.hypot(*v), u_v, at_least=0) for v, u_v in zip(vectors, u, strict=True))
    directions = tuple(float(np.degrees(np.arctan2(v[1], v[0])) % 180) for v in vectors)
    if len(vectors) == 1:
        return Pattern("repeating", pitches, directions, flags=flags)
    return Pattern("repeating", pitches, directions, vectors, unit_cell(z, step_mm, vectors), flags)


def unit_cell(z: np.ndarray, step_mm: float, vectors_mm: np.ndarray, use: np.ndarray | None = None) -> np.ndarray:
    """
    Mean of the texture folded onto one cell of its lattice.

    Parameters
    ----------
    z : (rows, columns) array, mm, NaN = not measured
    step_mm : float
    vectors_mm : (2, 2) array
        Rows are the lattice vectors (x, y) [mm].
    use : (rows, columns) bool, optional
        Pixels to average, such as the sound zone; all measured ones if left out.

    Returns
    -------
    cell : (n, m) float32
        Mean height [mm] at (i / n) of the first and (j / m) of the second vector from pixel (0, 0); NaN where no
        pixel fell.
    """
    count, total = folded(z, step_mm, vectors_mm, use=use)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan).astype(np.float32)


def folded(
    z: np.ndarray, step_mm: float, vectors_mm: np.ndarray, *, use: np.ndarray | None = None
) -> tuple[np.ndarray, np.ndarray]:
    """Measured pixels (n, m) in each place of the cell, and the sum of their heights [mm]; as in `unit_cell`."""
    known = np.isfinite(z) if use is None else np.isfinite(z) & use
    flat, size = places(np.arange(z.shape[0]), np.arange(z.shape[1]), step_mm, vectors_mm)
    flat = flat[known]
    count = np.bincount(flat, minlength=size[0] * size[1])
    return count.reshape(size), np.bincount(flat, z[known], minlength=size[0] * size[1]).reshape(size)


def places(
    rows: np.ndarray, columns: np.ndarray, step_mm: float, vectors_mm: np.ndarray
) -> tuple[np.ndarray, tuple[int, int]]:
    """Number (rows, columns) of the place of the cell (n, m) that each pixel falls in, row by row; and (n, m)."""
    x, y, inverse = columns * step_mm, -rows * step_mm, np.linalg.inv(vectors_mm)
    n, m = np.maximum(np.ceil(np.hypot(*vectors_mm.T) * CELL_SAMPLES_PER_MM).astype(int), 2).tolist()
    first, second = (
        np.minimum((turns - np.floor(turns)) * size, size - 1).astype(np.int32)
        for turns, size in ((x * inverse[0, k] + y[:, None] * inverse[1, k], (n, m)[k]) for k in (0, 1))
    )
    return first * m + second, (n, m)


def unfolded(cell: np.ndarray, vectors_mm: np.ndarray, shape: tuple[int, int], step_mm: float) -> np.ndarray:
    """The texture that the unit cell makes on a grid of `shape`, float32 [mm]; phase as in `unit_cell`."""
    x, y = np.arange(shape[1]) * step_mm, -np.arange(shape[0]) * step_mm
    inverse = np.linalg.inv(vectors_mm)
    n, m = cell.shape
    first = ((x * inverse[0, 0] + y[:, None] * inverse[1, 0]) % 1.0 * n).astype(int) % n
    second = ((x * inverse[0, 1] + y[:, None] * inverse[1, 1]) % 1.0 * m).astype(int) % m
    return cell[first, second]


def _averaged(z: np.ndarray, step_mm: float) -> tuple[np.ndarray, float]:
    """Block means over measured pixels, at about `LAG_STEP_MM`."""
    block = max(1, round(LAG_STEP_MM / step_mm))
    if block == 1:
        return z, step_mm
    rows, columns = (size // block for size in z.shape)
    part = z[: rows * block, : columns * block].reshape(rows, block, columns, block)
    known = np.isfinite(part)
    count = known.sum(axis=(1, 3))
    total = np.where(known, part, 0).sum(axis=(1, 3))
    return np.where(count > 0, total / np.maximum(count, 1), np.nan).astype(np.float32), block * step_mm


def _peaks(correlation: np.ndarray, step_mm: float) -> tuple[np.ndarray, np.ndarray]:
    """Lags (k, 2) as (x, y) [mm] and heights (k,) of the local peaks in the upper half plane, the centre left out."""
    known = np.where(np.isfinite(correlation), correlation, -1.0).astype(np.float32)
    filled = np.asarray(cv2.GaussianBlur(known, (0, 0), 1.0), np.float32)
    reach = max(3, 2 * round(0.4 * SHORTEST_PITCH_MM / step_mm) + 1)
    highest = ndimage.maximum_filter(filled, size=reach, mode="constant", cval=-1.0)
    inner = np.zeros_like(filled, bool)
    inner[1:-1, 1:-1] = True
    rows, columns = np.nonzero((filled == highest) & inner & (filled > 0.5 * LEAST_PEAK))
    centre = np.array(correlation.shape) // 2
    lags = np.stack([columns - centre[1], centre[0] - rows], axis=1) * step_mm
    keep = (np.hypot(*lags.T) >= SHORTEST_PITCH_MM) & ((lags[:, 1] > 0) | ((lags[:, 1] == 0) & (lags[:, 0] > 0)))
    rows, columns = rows[keep], columns[keep]
    across = _parabola(filled[rows, columns - 1], filled[rows, columns], filled[rows, columns + 1])
    down = _parabola(filled[rows - 1, columns], filled[rows, columns], filled[rows + 1, columns])
    offset = np.stack([across, -down], axis=1) * step_mm
    return lags[keep] + offset, filled[rows, columns].astype(np.float64)


def _parabola(before: np.ndarray, at: np.ndarray, after: np.ndarray) -> np.ndarray:
    """Place of the top of the parabola through three equal steps, in steps from the middle one."""
    bend = before - 2 * at + after
    return np.where(bend < 0, 0.5 * (before - after) / np.where(bend < 0, bend, 1), 0.0)


def _dips(correlation: np.ndarray, lag_px: np.ndarray) -> bool:
    """Whether the correlation falls well under the peak on the way to it; along ridges it does not."""
    centre = np.array(correlation.shape) // 2
    way = np.linspace(0, 1, 33)
    path = ndimage.map_coordinates(
        correlation, [centre[0] - way * lag_px[1], centre[1] + way * lag_px[0]], order=1, mode="nearest"
    )
    return bool(np.nanmin(path) < DIP_SHARE * path[-1])


def _steepest(z: np.ndarray) -> np.ndarray:
    """(2,) unit vector (x, y) across the ridges: the main axis of the gradients."""
    down, across = np.gradient(z)
    gradient = np.stack([across, -down])[:, np.isfinite(down) & np.isfinite(across)].astype(np.float64)
    return np.linalg.eigh(gradient @ gradient.T)[1][:, -1]


def _shortest(lags: np.ndarray, correlation: np.ndarray, step_mm: float) -> np.ndarray:
    """One or two lattice vectors: the shortest peak, and the shortest of another direction less multiples of it."""
    order = np.argsort(np.hypot(*lags.T))
    first = lags[order[0]]
    for lag in lags[order[1:]]:
        lag = lag - np.round(lag @ first / (first @ first)) * first
        length = np.hypot(*lag)
        if length < 0.5 * np.hypot(*first):
            continue  # a multiple of the first
        sine = abs(first[0] * lag[1] - first[1] * lag[0]) / (length * np.hypot(*first))
        # of ridges, some multiple of the first leads back along the ridge
        relatives = [lag - k * first for k in range(-2, 3)]
        dip = all(_dips(correlation, relative / step_mm) for relative in relatives)
        if sine > math.sin(math.radians(LEAST_ANGLE_DEG)) and dip:
            return np.array([first, lag])
    return first[None]


def _fitted(vectors: np.ndarray, lags: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """
    Lattice vectors by least squares over all peaks that lie on whole multiples, and the lengths' standard
    uncertainties.
    """
    for _ in range(3):
        multiples = np.round(lags @ np.linalg.pinv(vectors))
        misfit = np.hypot(*(lags - multiples @ vectors).T)
        use = (misfit < 0.2 * np.hypot(*vectors.T).min()) & np.any(multiples != 0, axis=1)
        if np.linalg.matrix_rank(multiples[use]) < len(vectors):
            break
        vectors = np.linalg.lstsq(multiples[use], lags[use], rcond=None)[0]
    multiples = np.round(lags @ np.linalg.pinv(vectors))
    misfit = lags - multiples @ vectors
    use = np.any(multiples != 0, axis=1) & (np.hypot(*misfit.T) < 0.2 * np.hypot(*vectors.T).min())
    spare = max(int(use.sum()) - len(vectors), 1)
    # an eighth of the lag step stays as the least error of a peak's place
    variance = (misfit[use] ** 2).sum() / (2 * spare) + (LAG_STEP_MM / 8) ** 2
    spread = np.linalg.pinv(multiples[use].T @ multiples[use]) if use.any() else np.eye(len(vectors))
    return vectors, np.sqrt(variance * np.diag(spread))
