"""How alike two maps with holes are, for every shift of one over the other."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import fft

LEAST_OVERLAP = 0.3  # of the smaller map's measured pixels: smaller pieces look alike by chance


@dataclass(frozen=True, slots=True)
class Spectrum:
    """A map made ready for `correlation`."""

    values: np.ndarray
    squares: np.ndarray
    known: np.ndarray
    pixels: int  # measured
    shape: tuple[int, int]  # of the transforms, not of the spectra


@dataclass(frozen=True, slots=True)
class Peak:
    """The best shift (down, right) [px] and how it stands out; all three are correlations weighted by overlap."""

    shift: tuple[int, int]
    height: float
    second: float  # highest of all shifts farther away than the radius asked for
    raw: float  # correlation as it is, -1 to 1


def common_shape(one: tuple[int, int], other: tuple[int, int]) -> tuple[int, int]:
    """Shape of transforms in which no shift of one map over the other wraps around."""
    rows, columns = (fft.next_fast_len(a + b, real=True) for a, b in zip(one, other, strict=True))
    return rows, columns


def spectrum(z: np.ndarray, shape: tuple[int, int]) -> Spectrum:
    """The transforms of a map (rows, columns), NaN = not measured, padded to `shape`."""
    known = np.isfinite(z)
    values = np.where(known, z - np.mean(z[known]), 0).astype(np.float32)
    parts = [fft.rfft2(part, shape) for part in (values, values**2, known.astype(np.float32))]
    return Spectrum(parts[0], parts[1], parts[2], int(known.sum()), shape)


def correlation(one: Spectrum, other: Spectrum) -> tuple[np.ndarray, np.ndarray]:
    """
    Pearson's correlation of `one` with `other` shifted, over the pixels that both have.

    Returns
    -------
    r : shape of the transforms, float64, -1 to 1; [i, j] = `other` shifted down by i and right by j, negative shifts
        from the end; -1 where too little overlaps or one of both is flat there.
    weighted : r times the root of the overlap's share, so that chance is equally high at every shift.

    Notes
    -----
    Padfield 2012, masked normalised cross-correlation by Fourier transforms.
    """

    def over(a: np.ndarray, b: np.ndarray) -> np.ndarray:
        return fft.irfft2(a * np.conj(b), one.shape).astype(np.float64)

    pixels = np.round(over(one.known, other.known))
    least = LEAST_OVERLAP * min(one.pixels, other.pixels)
    enough = pixels >= max(least, 2)
    count = np.where(enough, pixels, 1.0)
    mine, others = over(one.values, other.known), over(one.known, other.values)
    product = over(one.values, other.values) - mine * others / count
    my_spread = over(one.squares, other.known) - mine**2 / count
    other_spread = over(one.known, other.squares) - others**2 / count
    spread = np.sqrt(np.maximum(my_spread, 0) * np.maximum(other_spread, 0))
    usable = enough & (spread > 1e-6 * spread.max())
    r = np.where(usable, np.clip(product / np.where(usable, spread, 1.0), -1, 1), -1.0)
    return r, r * np.sqrt(np.minimum(pixels / min(one.pixels, other.pixels), 1.0))


def peak(r: np.ndarray, weighted: np.ndarray, radius: float) -> Peak:
    """The best shift of a correlation, and the best of all others that are more than `radius` [px] away."""
    at = np.unravel_index(int(weighted.argmax()), weighted.shape)
    row, column = (int(n) if n < size / 2 else int(n) - size for n, size in zip(at, weighted.shape, strict=True))
    away = [np.minimum(np.abs(np.arange(size) - n), size - np.abs(np.arange(size) - n))
            for n, size in zip(at, weighted.shape, strict=True)]  # fmt: skip
    far = np.hypot(away[0][:, None], away[1][None, :]) > radius
    second = float(weighted[far].max()) if far.any() else -1.0
    return Peak((row, column), float(weighted[at]), second, float(r[at]))
