"""
Height figures from the material-ratio curve (ISO 25178-2).

All figures are computed from a curve: levels in falling order and the share of the area that stands at each. One
curve of every pixel, or of many narrow bins of them, gives the figures themselves; many re-weighted curves of binned
heights give their sampling scatter.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import accumulate, repeat

import numpy as np

TOP_RATIO, FLOOR_RATIO = 0.02, 0.98  # of the top plane and the relief, contract's words
PEAK_RATIO, VALLEY_RATIO = 0.10, 0.80  # of Vmp, Vmc, Vvc, Vvv (ISO 25178-3 defaults)
HIGH_PEAK_RATIO = 0.025  # of Sxp, over the middle (ISO 25178-2)
CORE_WIDTH = 0.40  # of the secant that finds the core (ISO 25178-2, ISO 13565-2)
CORE_POINTS = 1001  # of the resampled curve for the core's line
# A core whose least secant drops less than this share of the relief lies on flat land: the line would measure noise.
# A normal distribution drops 26 %, an even one 42 % (closed forms); noise of 0.03 mm on flat land 0.5 mm high, 6 %.
LEAST_CORE_DROP = 0.10
# Two windows more than this apart in position that tie within 2 % leave the core ill-posed (a sine has two such
# windows).
TIE_DISTANCE, TIE_SHARE = 0.20, 0.02
FINE_BINS = 131_072  # of the curve of many heights: 8 nm each on a texture 1 mm deep
MANY_RATIOS = 20  # of one reading: from here on the curves are read one by one


@dataclass(frozen=True, slots=True)
class _Curve:
    """
    Levels in falling order (n,), the area (b, n) at each or None where all have the same, and sums from the top down:
    share and moment (b, n + 1) of the area above the first, the first two ... levels; share is None as weights are.
    """

    levels: np.ndarray
    rising: np.ndarray  # the same levels from the lowest up
    weights: np.ndarray | None
    share: np.ndarray | None
    moment: np.ndarray

    @property
    def mean(self) -> np.ndarray:
        return self.moment[:, -1]

    def above(self, heights: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Share and moment (b, k) of the area at or above heights (b, k)."""
        count = self.levels.size - np.searchsorted(self.rising, heights)
        lines = np.arange(len(count))[:, None]
        share = count / self.levels.size if self.share is None else self.share[lines, count]
        return share, self.moment[lines, count]

    def material(self, heights: np.ndarray) -> np.ndarray:
        """Vm (b, k) above heights (b, k) [mm3/mm2]."""
        share, moment = self.above(heights)
        return np.maximum(moment - heights * share, 0)

    def void(self, heights: np.ndarray) -> np.ndarray:
        """Vv (b, k) below heights (b, k) [mm3/mm2]."""
        share, moment = self.above(heights)
        return np.maximum(heights * (1 - share) - (self.mean[:, None] - moment), 0)

    def about_middle(self, highest: int) -> list[np.ndarray]:
        """Mean powers (b,), first to highest, of the heights less the middle of all levels."""
        off = self.levels - self.levels.mean()
        powers = list(accumulate(repeat(off, highest), np.multiply))
        return [np.atleast_1d(each.mean() if self.weights is None else self.weights @ each) for each in powers]


def _curve(levels: np.ndarray, weights: np.ndarray | None) -> _Curve:
    def from_top(each: np.ndarray) -> np.ndarray:
        sums = np.zeros((each.shape[0], each.shape[1] + 1))
        np.cumsum(each, axis=1, out=sums[:, 1:])
        return sums

    rising = np.ascontiguousarray(levels[::-1])
    if weights is None:
        return _Curve(levels, rising, None, None, from_top(levels[None] / levels.size))
    share = np.minimum(from_top(weights), 1)  # sums of many weights may end a rounding above it
    return _Curve(levels, rising, weights, share, from_top(weights * levels))


def levels_at(levels: np.ndarray, weights: np.ndarray | None, ratios: np.ndarray) -> np.ndarray:
    """
    Smc(p): heights that the shares `ratios` of the area stand above.

    Parameters
    ----------
    levels : (n,) heights in falling order [mm]
    weights : (b, n) shares of the area, each row summing to 1; None = the same at every level, b = 1
    ratios : (k,) or (b, k), 0 to 1

    Returns
    -------
    heights : (b, k) float64 [mm]
    """
    if weights is None:
        place = np.clip(np.atleast_2d(ratios) * levels.size - 0.5, 0, levels.size - 1)
        below = place.astype(int)
        above = np.minimum(below + 1, levels.size - 1)
        return levels[below] + (place - below) * (levels[above] - levels[below])
    return _levels_at(_curve(levels, weights), ratios)


def _levels_at(curve: _Curve, ratios: np.ndarray) -> np.ndarray:
    levels = curve.levels
    if curve.share is None:
        return levels_at(levels, None, ratios)
    middle = (curve.share[:, 1:] + curve.share[:, :-1]) / 2
    ratios = np.broadcast_to(ratios, (len(middle), np.shape(ratios)[-1]))
    if ratios.shape[1] > MANY_RATIOS or levels.size < 2:
        return np.stack([np.interp(wanted, row, levels) for wanted, row in zip(ratios, middle, strict=True)])
    # all curves in one line, each 2 above the last: one search finds every place
    lines = np.arange(len(middle))[:, None]
    after = np.searchsorted((middle + 2 * lines).ravel(), ratios + 2 * lines, side="right") - levels.size * lines
    below = np.clip(after - 1, 0, levels.size - 2)
    first, second = middle[lines, below], middle[lines, below + 1]
    part = np.clip((ratios - first) / np.maximum(second - first, 1e-300), 0, 1)
    return levels[below] + part * (levels[below + 1] - levels[below])


def curve_of(heights: np.ndarray) -> tuple[np.ndarray, np.ndarray | None]:
    """
    Levels and weights, as in `levels_at`, of heights (n,) in any order, each of the same area.

    Many heights are gathered in bins of a `FINE_BINS`-th of their span, each on its mean height: sorting all takes
    many times as long.
    """
    if heights.size <= 2 * FINE_BINS:
        return np.sort(heights)[::-1].astype(np.float64), None
    high = float(heights.max())
    width = max((high - float(heights.min())) / FINE_BINS, 1e-12)
    which = np.minimum((high - heights) / np.asarray(width, heights.dtype), FINE_BINS - 1).astype(np.int32)
    counts = np.bincount(which, minlength=FINE_BINS)
    present = np.flatnonzero(counts)
    levels = np.bincount(which, heights, FINE_BINS)[present] / counts[present]
    return levels, counts[present][None] / heights.size


def level_of(heights: np.ndarray, ratio: float) -> float:
    """Smc(p) of heights (n,), as `levels_of`."""
    return float(levels_of(heights, np.array([ratio]))[0])


def levels_of(heights: np.ndarray, ratios: np.ndarray) -> np.ndarray:
    """
    Smc(p) (k,) of heights (n,) in any order, each of the same area: as `levels_at` of their curve, without sorting.
    """
    place = np.clip((1 - ratios) * heights.size - 0.5, 0, heights.size - 1)  # from the lowest up
    below = place.astype(int)
    above = np.minimum(below + 1, heights.size - 1)
    ordered = np.partition(heights, sorted({*below.tolist(), *above.tolist()}))
    low, high = ordered[below].astype(np.float64), ordered[above].astype(np.float64)
    return low + (place - below) * (high - low)


def ratios_at(levels: np.ndarray, weights: np.ndarray | None, heights: np.ndarray) -> np.ndarray:
    """Smr(c): share of the area at or above `heights` (b,) [mm]; arrays as in `levels_at`; (b,) 0 to 1."""
    return _curve(levels, weights).above(heights[:, None])[0][:, 0]


def pressed(levels: np.ndarray, weights: np.ndarray | None, carried_mm: float) -> tuple[np.ndarray, np.ndarray]:
    """
    Level (b,) [mm] above which `carried_mm` of material stands (volume per area), and the share (b,) that does.

    Arrays as in `levels_at`; the inverse of Vm, exact for the given levels.
    """
    return _pressed(_curve(levels, weights), carried_mm)


def _pressed(curve: _Curve, carried_mm: float) -> tuple[np.ndarray, np.ndarray]:
    levels, moment = curve.levels, curve.moment[:, 1:]
    share = np.arange(1, levels.size + 1)[None] / levels.size if curve.share is None else curve.share[:, 1:]
    standing = moment - levels * share  # material above each level, rising
    last = np.clip((standing < carried_mm).sum(axis=1) - 1, 0, levels.size - 1)[:, None]
    share, moment = np.take_along_axis(share, last, axis=1)[:, 0], np.take_along_axis(moment, last, axis=1)[:, 0]
    return (moment - carried_mm) / np.maximum(share, 1e-12), share


def deciding_figures(
    levels: np.ndarray, weights: np.ndarray | None, contact_depth_mm: float | np.ndarray
) -> dict[str, np.ndarray]:
    """The four figures that decide; as in `curve_figures`, contact also at a depth of each curve (b, 1)."""
    return _deciding(_curve(levels, weights), contact_depth_mm)


def _deciding(curve: _Curve, contact_depth_mm: float | np.ndarray) -> dict[str, np.ndarray]:
    ends = _levels_at(curve, np.array([TOP_RATIO, FLOOR_RATIO]))
    top, (m1, m2) = ends[:, :1], curve.about_middle(2)
    return {
        "Sq_mm": np.sqrt(np.maximum(m2 - m1**2, 0)),
        "relief_mm": ends[:, 0] - ends[:, 1],
        "void_depth_mm": curve.void(top)[:, 0],
        "contact_area_fraction": curve.above(top - contact_depth_mm)[0][:, 0],
    }


def deciding_of(heights: np.ndarray, contact_depths_mm: list[float]) -> tuple[dict[str, float], list[float]]:
    """
    The four figures that decide of heights (n,) in any order, each of the same area, as `deciding_figures` of their
    curve but quicker; contact at the first depth, and then its share at each of the depths.
    """
    top, floor = levels_of(heights, np.array([TOP_RATIO, FLOOR_RATIO]))
    off = heights - heights.mean(dtype=np.float64).astype(heights.dtype)
    contact = [float(np.count_nonzero(heights >= top - depth) / heights.size) for depth in contact_depths_mm]
    return {
        "Sq_mm": math.sqrt(np.mean(off * off, dtype=np.float64)),
        "relief_mm": float(top - floor),
        "void_depth_mm": float(np.mean(np.maximum(float(top) - heights, 0), dtype=np.float64)),
        "contact_area_fraction": contact[0],
    }, contact


def curve_figures(
    levels: np.ndarray, weights: np.ndarray | None, contact_depth_mm: float, *, carried_mm: float | None = None
) -> dict[str, np.ndarray]:
    """
    All figures that depend on the heights alone; keys carry the unit, values are (b,) float64.

    Parameters
    ----------
    levels, weights : as in `levels_at`
    contact_depth_mm : float
        Depth below the top plane at which contact is read [mm].
    carried_mm : float, optional
        Material that carries a sole (volume per area) [mm]; None leaves out its share and its sink.

    Notes
    -----
    Sq, Sa, Ssk, Sku about the mean plane; Sz = Sp + Sv; relief = Sdc(2 %, 98 %); void depth = Vv(2 %);
    contact = Smr(Smc(2 %) - depth); Vmp = Vm(10 %), Vvv = Vv(80 %), Vmc = Vm(80 %) - Vm(10 %),
    Vvc = Vv(10 %) - Vv(80 %) (ISO 25178-2). With `core_figures` where the core is defined.
    """
    curve = _curve(levels, weights)
    found = _height_figures(curve, contact_depth_mm) | (_core_figures(curve) or {})
    if carried_mm is None:
        return found
    face, share = _pressed(curve, carried_mm)
    top = _levels_at(curve, np.array([TOP_RATIO]))[:, 0]
    return found | {"sole_contact_fraction": share, "sole_sink_mm": top - face}


def _height_figures(curve: _Curve, contact_depth_mm: float) -> dict[str, np.ndarray]:
    deciding = _deciding(curve, contact_depth_mm)
    sq, depth, mean = deciding["Sq_mm"], deciding["void_depth_mm"], curve.mean
    m1, m2, m3, m4 = curve.about_middle(4)
    third, fourth = m3 - 3 * m1 * m2 + 2 * m1**3, m4 - 4 * m1 * m3 + 6 * m1**2 * m2 - 3 * m1**4
    some = np.where(sq > 0, sq, np.inf)
    read = _levels_at(curve, np.array([HIGH_PEAK_RATIO, PEAK_RATIO, 0.5, VALLEY_RATIO]))
    high_peak, _, middle, _ = read.T
    ends = read[:, [1, 3]]
    (material_peak, material_valley), (void_peak, void_valley) = curve.material(ends).T, curve.void(ends).T
    highest, lowest = _extremes(curve)
    return deciding | {
        "Sa_mm": 2 * curve.material(mean[:, None])[:, 0],  # as much stands above the mean as is missing below
        "Sp_mm": highest - mean,
        "Sv_mm": mean - lowest,
        "Sz_mm": highest - lowest,
        "Ssk": third / some**3,
        "Sku": fourth / some**4,
        "void_depth_cm3_per_dm2": 10 * depth,
        "void_depth_l_per_m2": depth,
        "Sxp_mm": high_peak - middle,
        "Vmp_mm": material_peak,
        "Vmc_mm": material_valley - material_peak,
        "Vvc_mm": void_peak - void_valley,
        "Vvv_mm": void_valley,
    }


def _extremes(curve: _Curve) -> tuple[np.ndarray, np.ndarray]:
    """Highest and lowest level (b,) that any area stands at."""
    if curve.weights is None:
        return curve.levels[:1], curve.levels[-1:]
    present = curve.weights > 0
    last = curve.levels.size - 1 - present[:, ::-1].argmax(axis=1)
    return curve.levels[present.argmax(axis=1)], curve.levels[last]


def core_figures(levels: np.ndarray, weights: np.ndarray | None) -> dict[str, np.ndarray] | None:
    """
    Sk, Spk, Svk [mm] and Smr1, Smr2 (0 to 1), or None where the core is not defined.

    The 40 % wide window of least secant drop (the first if equal), a least-squares line in it, Sk = its drop from 0
    to 100 %; Spk, Svk = twice the area beyond over its base (ISO 25178-2). Not defined on flat land and where two
    windows far apart tie.
    """
    return _core_figures(_curve(levels, weights))


def _core_figures(standing: _Curve) -> dict[str, np.ndarray] | None:
    ratios = np.linspace(0, 1, CORE_POINTS)
    curve = _levels_at(standing, ratios)
    width = round(CORE_WIDTH * (CORE_POINTS - 1))
    drops = curve[:, :-width] - curve[:, width:]
    first = drops.argmin(axis=1)
    least = drops.min(axis=1)
    top, floor = _levels_at(standing, np.array([TOP_RATIO, FLOOR_RATIO])).T
    apart = np.abs(np.arange(drops.shape[1]) - first[:, None]) > TIE_DISTANCE * (CORE_POINTS - 1)
    if len(curve) == 1:
        tied = (drops <= (1 + TIE_SHARE) * least[:, None]) & apart
        if tied.any() or least[0] < LEAST_CORE_DROP * (top - floor)[0]:
            return None
    inside = first[:, None] + np.arange(width + 1)
    p, heights = ratios[inside], np.take_along_axis(curve, inside, axis=1)
    p_off, mean = p - p.mean(axis=1, keepdims=True), heights.mean(axis=1)
    slope = (p_off * heights).sum(axis=1) / (p_off**2).sum(axis=1)
    upper = mean - slope * p.mean(axis=1)
    lower = upper + slope
    ends = np.stack([upper, lower], axis=1)
    (smr1, smr2), peaks, valleys = standing.above(ends)[0].T, standing.material(ends), standing.void(ends)
    return {
        "Sk_mm": upper - lower,
        "Spk_mm": 2 * peaks[:, 0] / np.where(smr1 > 0, smr1, np.inf),
        "Svk_mm": 2 * valleys[:, 1] / np.where(smr2 < 1, 1 - smr2, np.inf),
        "Smr1": smr1,
        "Smr2": smr2,
    }
