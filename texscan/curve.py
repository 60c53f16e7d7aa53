"""
Height figures from the material-ratio curve (ISO 25178-2).

All figures are computed from a curve: levels in falling order and the share of the area that stands at each. One
curve of every pixel gives the figures themselves; many re-weighted curves of binned heights give their sampling
scatter.
"""

from __future__ import annotations

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


def levels_at(levels: np.ndarray, weights: np.ndarray, ratios: np.ndarray) -> np.ndarray:
    """
    Smc(p): heights that the shares `ratios` of the area stand above.

    Parameters
    ----------
    levels : (n,) heights in falling order [mm]
    weights : (b, n) shares of the area, each row summing to 1
    ratios : (k,) or (b, k), 0 to 1

    Returns
    -------
    heights : (b, k) float64 [mm]
    """
    middle = np.cumsum(weights, axis=1) - weights / 2
    ratios = np.broadcast_to(ratios, (len(weights), np.shape(ratios)[-1]))
    return np.stack([np.interp(wanted, row, levels) for wanted, row in zip(ratios, middle, strict=True)])


def level_of(heights: np.ndarray, ratio: float) -> float:
    """Smc(p) of heights (n,) in any order, each of the same area, as `levels_at` of their curve; quicker."""
    place = np.clip(ratio * heights.size - 0.5, 0, heights.size - 1)
    below = int(place)
    above = min(below + 1, heights.size - 1)
    falling = -np.partition(-heights, sorted({below, above}))[[below, above]].astype(np.float64)
    return float(falling[0] + (place - below) * (falling[1] - falling[0]))


def ratios_at(levels: np.ndarray, weights: np.ndarray, heights: np.ndarray) -> np.ndarray:
    """Smr(c): share of the area at or above `heights` (b,) [mm]; arrays as in `levels_at`; (b,) 0 to 1."""
    return (weights * (levels >= heights[:, None])).sum(axis=1)


def material(levels: np.ndarray, weights: np.ndarray, heights: np.ndarray) -> np.ndarray:
    """Volume of material above `heights` (b,) per area [mm3/mm2]; Vm(p) when heights = Smc(p)."""
    return (weights * np.maximum(levels - heights[:, None], 0)).sum(axis=1)


def void(levels: np.ndarray, weights: np.ndarray, heights: np.ndarray) -> np.ndarray:
    """Volume of void below `heights` (b,) per area [mm3/mm2]; Vv(p) when heights = Smc(p)."""
    return (weights * np.maximum(heights[:, None] - levels, 0)).sum(axis=1)


def pressed(levels: np.ndarray, weights: np.ndarray, carried_mm: float) -> tuple[np.ndarray, np.ndarray]:
    """
    Level (b,) [mm] above which `carried_mm` of material stands (volume per area), and the share (b,) that does.

    Arrays as in `levels_at`; the inverse of `material`, exact for the given levels.
    """
    share = np.cumsum(weights, axis=1)
    moment = np.cumsum(weights * levels, axis=1)
    standing = moment - levels * share  # material above each level, rising
    last = np.clip((standing < carried_mm).sum(axis=1) - 1, 0, levels.size - 1)[:, None]
    share, moment = np.take_along_axis(share, last, axis=1)[:, 0], np.take_along_axis(moment, last, axis=1)[:, 0]
    return (moment - carried_mm) / np.maximum(share, 1e-12), share


def deciding_figures(levels: np.ndarray, weights: np.ndarray, contact_depth_mm: float) -> dict[str, np.ndarray]:
    """The four figures that decide; arguments, keys and values as in `height_figures`."""
    mean = weights @ levels
    top, floor = levels_at(levels, weights, np.array([TOP_RATIO, FLOOR_RATIO])).T
    return {
        "Sq_mm": np.sqrt((weights * (levels - mean[:, None]) ** 2).sum(axis=1)),
        "relief_mm": top - floor,
        "void_depth_mm": void(levels, weights, top),
        "contact_area_fraction": ratios_at(levels, weights, top - contact_depth_mm),
    }


def height_figures(levels: np.ndarray, weights: np.ndarray, contact_depth_mm: float) -> dict[str, np.ndarray]:
    """
    All figures that depend on the heights alone; keys carry the unit, values are (b,) float64.

    Parameters
    ----------
    levels, weights : as in `levels_at`
    contact_depth_mm : float
        Depth below the top plane at which contact is read [mm].

    Notes
    -----
    Sq, Sa, Ssk, Sku about the mean plane; Sz = Sp + Sv; relief = Sdc(2 %, 98 %); void depth = Vv(2 %);
    contact = Smr(Smc(2 %) - depth); Vmp = Vm(10 %), Vvv = Vv(80 %), Vmc = Vm(80 %) - Vm(10 %),
    Vvc = Vv(10 %) - Vv(80 %) (ISO 25178-2).
    """
    mean = weights @ levels
    deviation = levels - mean[:, None]
    squared = deviation * deviation
    deciding = deciding_figures(levels, weights, contact_depth_mm)
    sq, depth = deciding["Sq_mm"], deciding["void_depth_mm"]
    some = np.where(sq > 0, sq, np.inf)
    read_at = np.array([HIGH_PEAK_RATIO, PEAK_RATIO, 0.5, VALLEY_RATIO])
    high_peak, peak, middle, valley = levels_at(levels, weights, read_at).T
    present = weights > 0
    highest = levels[present.argmax(axis=1)]
    lowest = levels[len(levels) - 1 - present[:, ::-1].argmax(axis=1)]
    material_peak, void_valley = material(levels, weights, peak), void(levels, weights, valley)
    return deciding | {
        "Sa_mm": (weights * np.abs(deviation)).sum(axis=1),
        "Sp_mm": highest - mean,
        "Sv_mm": mean - lowest,
        "Sz_mm": highest - lowest,
        "Ssk": (weights * squared * deviation).sum(axis=1) / some**3,
        "Sku": (weights * squared * squared).sum(axis=1) / some**4,
        "void_depth_cm3_per_dm2": 10 * depth,
        "void_depth_l_per_m2": depth,
        "Sxp_mm": high_peak - middle,
        "Vmp_mm": material_peak,
        "Vmc_mm": material(levels, weights, valley) - material_peak,
        "Vvc_mm": void(levels, weights, peak) - void_valley,
        "Vvv_mm": void_valley,
    }


def core_figures(levels: np.ndarray, weights: np.ndarray) -> dict[str, np.ndarray] | None:
    """
    Sk, Spk, Svk [mm] and Smr1, Smr2 (0 to 1), or None where the core is not defined.

    The 40 % wide window of least secant drop (the first if equal), a least-squares line in it, Sk = its drop from 0
    to 100 %; Spk, Svk = twice the area beyond over its base (ISO 25178-2). Not defined on flat land and where two
    windows far apart tie.
    """
    ratios = np.linspace(0, 1, CORE_POINTS)
    curve = levels_at(levels, weights, ratios)
    width = round(CORE_WIDTH * (CORE_POINTS - 1))
    drops = curve[:, :-width] - curve[:, width:]
    first = drops.argmin(axis=1)
    least = drops.min(axis=1)
    top, floor = levels_at(levels, weights, np.array([TOP_RATIO, FLOOR_RATIO])).T
    apart = np.abs(np.arange(drops.shape[1]) - first[:, None]) > TIE_DISTANCE * (CORE_POINTS - 1)
    if len(weights) == 1:
        tied = (drops <= (1 + TIE_SHARE) * least[:, None]) & apart
        if tied.any() or least[0] < LEAST_CORE_DROP * (top - floor)[0]:
            return None
    inside = first[:, None] + np.arange(width + 1)
    p, heights = ratios[inside], np.take_along_axis(curve, inside, axis=1)
    p_off, mean = p - p.mean(axis=1, keepdims=True), heights.mean(axis=1)
    slope = (p_off * heights).sum(axis=1) / (p_off**2).sum(axis=1)
    upper = mean - slope * p.mean(axis=1)
    lower = upper + slope
    smr1, smr2 = ratios_at(levels, weights, upper), ratios_at(levels, weights, lower)
    return {
        "Sk_mm": upper - lower,
        "Spk_mm": 2 * material(levels, weights, upper) / np.where(smr1 > 0, smr1, np.inf),
        "Svk_mm": 2 * void(levels, weights, lower) / np.where(smr2 < 1, 1 - smr2, np.inf),
        "Smr1": smr1,
        "Smr2": smr2,
    }
