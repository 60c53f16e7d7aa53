"""
Autocorrelation of a height map with holes, and the lengths that are read from it: Sal and Str (ISO 25178-2).
"""

from __future__ import annotations

import math

import numpy as np
from scipy import fft

from texscan.filters import measured_box

CORRELATION_LEVEL = 0.2  # of Sal and Str (ISO 25178-3 default)
LONGEST_LAG_MM = 25.0  # correlation is looked for no farther: the L-filter's default nesting index
NEAR_LAG_MM = 5.0  # most textures are told by lags up to here
RAYS = 180  # directions in which the correlation is followed, 1 degree apart
LAG_KEYS = ("Sal_mm", "Str")


def autocorrelation(z: np.ndarray, step_mm: float, longest_lag_mm: float) -> np.ndarray | None:
    """
    Normalised autocorrelation, 1 at the centre, from measured pixels only.

    Returns (2 r + 1, 2 c + 1) float64 for lags up to `longest_lag_mm` or half of the map; NaN where too few pairs
    stand behind it; None for a map without variation. Row 0 holds the largest +y lag.
    """
    z = z[measured_box(z)]
    known = np.isfinite(z)
    count = max(int(np.count_nonzero(known)), 1)
    values = np.where(known, z, 0).astype(np.float32)
    values = np.where(known, values - np.float32(values.sum(dtype=np.float64) / count), 0)
    variance = float(np.vdot(values, values)) / count
    if variance <= 1e-12:
        return None
    reach = [min(int(longest_lag_mm / step_mm), size // 2) for size in z.shape]
    product, pairs = (_lag_sums(image, reach) for image in (values, known.astype(np.float32)))
    half = np.where(pairs > 0.02 * count, product / np.maximum(pairs, 1) / variance, np.nan)
    return np.concatenate([half[:0:-1, ::-1], half])


def _lag_sums(image: np.ndarray, reach: list[int]) -> np.ndarray:
    """
    Sums of the image times itself shifted, (r + 1, 2 c + 1) for lags down by 0 to r rows and across by -c to c.

    The power spectrum is real, so its transform down the columns is taken as that of real numbers; the lags upwards
    mirror those downwards.
    """
    shape = [fft.next_fast_len(size + r, real=True) for size, r in zip(image.shape, reach, strict=True)]
    spectrum = fft.fft(fft.rfft(image, shape[1], axis=1), shape[0], axis=0, overwrite_x=True)
    power = spectrum.real**2 + spectrum.imag**2
    down = fft.rfft(power, axis=0)[: reach[0] + 1].conj() / shape[0]
    lags = fft.irfft(down, shape[1], axis=1)
    return lags[:, np.arange(-reach[1], reach[1] + 1)].astype(np.float64)


def correlation_lengths(z: np.ndarray, step_mm: float) -> dict[str, float]:
    """
    Sal and Str: shortest lag at which the central lobe of the autocorrelation falls to 0.2, and that over the
    longest.

    Followed along rays out of the centre; absent when it never falls (Sal), or not in every direction (Str).
    """
    for longest_mm in (NEAR_LAG_MM, LONGEST_LAG_MM):
        correlation = autocorrelation(z, step_mm, longest_mm)
        if correlation is None or min(correlation.shape) < 3:
            return {}
        distance = _falls(correlation, step_mm, longest_mm)
        if np.isfinite(distance).all():
            break
    found: dict[str, float] = {}
    if np.isfinite(distance).any():
        found["Sal_mm"] = float(np.nanmin(distance))
    if np.isfinite(distance).all():
        found["Str"] = float(distance.min() / distance.max())
    return found


def _falls(correlation: np.ndarray, step_mm: float, longest_mm: float) -> np.ndarray:
    """Lag (RAYS,) [mm] at which the correlation falls to 0.2 along each direction; NaN where it does not."""
    centre = correlation.shape[0] // 2, correlation.shape[1] // 2
    angles = np.radians(np.arange(RAYS) * 180 / RAYS)
    lags = np.arange(0, min(longest_mm / step_mm, max(centre)), 0.5)
    rows = centre[0] - lags * np.sin(angles)[:, None]
    columns = centre[1] + lags * np.cos(angles)[:, None]
    values = _bilinear(correlation, rows, columns)
    below = values <= CORRELATION_LEVEL
    falls = np.flatnonzero(below.any(axis=1))
    crossing = below[falls].argmax(axis=1)
    before, after = values[falls, crossing - 1], values[falls, crossing]
    distance = np.full(RAYS, np.nan)
    distance[falls] = step_mm * (lags[crossing - 1] + 0.5 * (before - CORRELATION_LEVEL) / (before - after))
    return distance


def _bilinear(image: np.ndarray, rows: np.ndarray, columns: np.ndarray) -> np.ndarray:
    """Values between pixels; NaN outside."""
    top, left = np.floor(rows).astype(int), np.floor(columns).astype(int)
    inside = (top >= 0) & (left >= 0) & (top < image.shape[0] - 1) & (left < image.shape[1] - 1)
    top, left = np.where(inside, top, 0), np.where(inside, left, 0)
    down, right = rows - top, columns - left
    upper = image[top, left] * (1 - right) + image[top, left + 1] * right
    lower = image[top + 1, left] * (1 - right) + image[top + 1, left + 1] * right
    return np.where(inside, upper * (1 - down) + lower * down, np.nan)


def lag_scatter(z: np.ndarray, step_mm: float) -> dict[str, float]:
    """Standard uncertainty of Sal and Str from the four quarters of the map, where each has them."""
    half_row, half_column = (size // 2 for size in z.shape)
    parts = [z[rows, columns] for rows in (slice(half_row), slice(half_row, None))
             for columns in (slice(half_column), slice(half_column, None))]  # fmt: skip
    read = [correlation_lengths(part, step_mm) for part in parts if part.size and np.isfinite(part).mean() > 0.2]
    if len(read) < 2:
        return {}
    return {
        key: float(np.std([part[key] for part in read], ddof=1) / math.sqrt(len(read)))
        for key in LAG_KEYS
        if all(key in part for part in read)
    }
