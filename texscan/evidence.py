"""
What each place of a patch says about its condition: height distributions in overlapping windows, compared with
"sound".

Absolute levels drift across a patch measured from photos, so nothing here compares heights of places far apart: each
window is read on its own level. Its distribution is explained by cutting the top of the sound one down (worn) or by
raising its floor (filled); what took more void depth names the condition.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import ndimage
from scipy.special import ndtri

from texscan.curve import FLOOR_RATIO, TOP_RATIO, levels_of

TILE_MM = 2.5  # windows are placed at this step and gathered from tiles of this side
WINDOW_MM = 10.0  # side of the square with as much area as a Gaussian window weighs
BINS = 160  # of the height histogram: about 5 um each on a texture 0.6 mm deep
OUTSIDE_SHARE = 0.0005  # of the pixels, clipped into the first and last bin
RATIOS = np.linspace(TOP_RATIO, FLOOR_RATIO, 49)  # of the curves that are compared
LEAST_SHARE = 0.35  # measured share of a window below which its neighbours speak for it
LOSS_STEPS = np.arange(0, 0.96, 0.05)  # of the relief, taken off the top or put on the floor
# Ripple of a measured map, standard deviation [mm]: the likely range for four views down to one, each as likely
RIPPLES_MM = (0.0, 0.03, 0.07)
MOST_RIPPLE = 0.15  # of the sound relief
MOST_LOSS, LEAST_MIXED_LOSS = 0.97, 0.3  # wear and fill together
MIXED_SHARES = (0.05, 0.15, 0.3, 0.45, 0.55, 0.7, 0.85)  # sound share of windows that the edge of a zone crosses
BEST_QUANTILE = 0.93  # relief of the best-kept windows; robust against single outliers
KEPT_SHARE = 0.78  # of the best-kept relief: windows above it make up the sound reference
COMPARED = (0, 2, 6, 12, 18, 24, 30, 36, 42, 46, 48)  # of `RATIOS`: 2, 6, 14 ... 94, 98 %
LEAST_CURVE_U_MM = 0.015  # of a compared height, whatever the sound windows scatter: ripple of a measured map
# Shape without a sound part beside it: log of the area within 30 % of the relief of the top plane over that of the
# floor. Of 43 invented lozenges, squares, pebbles and grit (sample_images/make) harmed all over to 0.16 to 0.26 mm,
# the middle value parts all but one, a pattern with wide flat land as made.
SHAPE_BAND, SHAPE_MIDDLE, SHAPE_WEIGHT = 0.30, -0.75, 6.0
SHAPE_MM = 60.0  # standard deviation of the weights over which the shape is read: most of a patch
LARGEST_LOG_RATIO = 4.0  # no single window is surer than this
GAIN_STEPS = np.linspace(-2, 2, 13)  # gains that all windows may share, in standard uncertainties of its logarithm
TAILS = (0.025, 0.975)  # of a 95 % range
TINY = 1e-12  # keeps logarithms finite


@dataclass(frozen=True, slots=True)
class Windows:
    """
    Curves of the windows around tile centres.

    curves_mm : (rows, columns, 49) heights at `RATIOS`, falling; NaN where too little is measured
    void_mm, relief_mm : (rows, columns), on the window's own top plane
    contact : (rows, columns) share of the area within the contact depth of the window's own top plane
    tile_px : side of a tile in pixels of the map
    left_out : share of the measured pixels whose window is measured too thinly
    """

    curves_mm: np.ndarray
    relief_mm: np.ndarray
    void_mm: np.ndarray
    contact: np.ndarray
    tile_px: int
    left_out: float

    @property
    def usable(self) -> np.ndarray:
        return np.isfinite(self.relief_mm)


@dataclass(frozen=True, slots=True)
class Evidence:
    """
    Log-probabilities (rows, columns, 3) of sound, worn, filled from each window alone; 0 where nothing is measured.

    taken_by_wear, taken_by_fill : (rows, columns) share of the sound void depth that each took, by the best fit of
    both
    lost_share : 95 % range of the share of windows that are not sound, over the gain that all of them share; None
    without such a gain
    """

    log_probability: np.ndarray
    taken_by_wear: np.ndarray
    taken_by_fill: np.ndarray
    lost_share: tuple[float, float] | None = None


def windows(z: np.ndarray, step_mm: float, contact_depth_mm: float) -> Windows:
    """
    Distributions in Gaussian windows around the centres of 2.5 mm tiles.

    Parameters
    ----------
    z : (rows, columns) array
        Filtered heights [mm]; NaN = not measured.
    step_mm, contact_depth_mm : float
        Grid step and depth of contact [mm].
    """
    tile = max(1, round(TILE_MM / step_mm))
    rows, columns = (-(-size // tile) for size in z.shape)
    levels, counts = _histograms(z, tile, (rows, columns))
    in_tile = counts.sum(axis=2)
    sides = (np.minimum(tile, size - tile * np.arange(n)) for size, n in zip(z.shape, (rows, columns), strict=True))
    whole = np.outer(*sides).astype(np.float32)
    sigma = WINDOW_MM / (2 * math.sqrt(math.pi)) / (tile * step_mm)  # 4 pi sigma^2 = window area
    for axis in (0, 1):
        counts = ndimage.gaussian_filter1d(counts, sigma, axis=axis, mode="constant")
        whole = ndimage.gaussian_filter1d(whole, sigma, axis=axis, mode="constant")
    present = counts.sum(axis=2)
    usable = present >= LEAST_SHARE * whole
    weights = (counts[usable] / np.maximum(present[usable], 1e-9)[:, None]).astype(np.float64)
    found = _curves(levels, weights)
    top = found[:, :1]
    curves = np.full((rows, columns, RATIOS.size), np.nan)
    relief, void, contact = (np.full((rows, columns), np.nan) for _ in range(3))
    curves[usable] = found
    relief[usable] = top[:, 0] - found[:, -1]
    void[usable] = (weights * np.maximum(top - levels, 0)).sum(axis=1)
    contact[usable] = (weights * (levels >= top - contact_depth_mm)).sum(axis=1)
    return Windows(curves, relief, void, contact, tile, float(in_tile[~usable].sum() / in_tile.sum()))


def _histograms(z: np.ndarray, tile: int, shape: tuple[int, int]) -> tuple[np.ndarray, np.ndarray]:
    """Falling levels (bins,) [mm] and how many pixels of each tile stand at them (rows, columns, bins) float32."""
    known = np.isfinite(z)
    heights = z[known]
    high, low = levels_of(heights, np.array([OUTSIDE_SHARE, 1 - OUTSIDE_SHARE])).tolist()
    width = max((high - low) / BINS, 1e-6)
    bins = np.clip((high - heights) / width, 0, BINS - 1).astype(np.int32)
    tiles = np.arange(shape[0] * shape[1], dtype=np.int32).reshape(shape) * BINS
    of_pixels = tiles.repeat(tile, axis=1)[:, : z.shape[1]].repeat(tile, axis=0)[: z.shape[0]]
    counts = np.bincount(of_pixels[known] + bins, minlength=tiles.size * BINS).reshape(*shape, BINS)
    return high - width * (np.arange(BINS) + 0.5), counts.astype(np.float32)


def best_kept(found: Windows) -> np.ndarray:
    """(rows, columns) bool: the windows of the best-kept part of the patch, told by relief and void depth."""
    depth = np.sqrt(found.relief_mm * found.void_mm)
    best = np.nanquantile(depth, BEST_QUANTILE)
    for _ in range(3):
        kept = found.usable & (depth >= KEPT_SHARE * best)
        best = np.median(depth[kept])
    return kept


def middle_curve(found: Windows, use: np.ndarray) -> np.ndarray:
    """Median curve (49,) of the windows `use`, each less its mean [mm]."""
    curves = found.curves_mm[use]
    return np.median(curves - curves.mean(axis=1, keepdims=True), axis=0)


def against_curve(
    found: Windows, sound_mm: np.ndarray, *, limit: float, share_u: float, common_u: float = 0.0
) -> Evidence:
    """
    Evidence against a sound curve.

    Parameters
    ----------
    found : Windows
    sound_mm : (49,) array
        Heights of the sound texture at `RATIOS` [mm], any level.
    limit : float
        Share of the sound relief that must be left in a sound place.
    share_u, common_u : float
        Relative standard uncertainty of one window's heights against the sound ones, each window by itself, and of
        all windows together (a sound curve from other photos).

    Notes
    -----
    Worn: min(z, top - loss). Filled: max(z, floor + loss). The probability of each pair of losses follows from how
    far the window's curve lies from the sound curve so cut, by the scatter of the best-kept windows (normal
    errors, correlated along the curve); a condition's probability is the mean over its pairs. The gain that all
    windows share is unknown: its probability follows from how well it explains all of them, and the conditions are
    averaged over it.
    """
    usable = found.usable
    curves = _centred(found.curves_mm[usable])
    models, losses, shares = _models(sound_mm)
    wears, fills, none = losses[:, 0], losses[:, 1], np.zeros(len(losses))
    both = np.stack([_taken(sound_mm, wears, none), _taken(sound_mm, none, fills)])
    is_sound = (wears + fills < 1 - limit) | (shares > 0.5)
    conditions = np.where(is_sound, 0, np.where(both[0] >= both[1], 1, 2))
    order = np.argsort(conditions, kind="stable")  # one condition beside the next
    models, both, ends = models[order], both[:, order], np.cumsum(np.bincount(conditions, minlength=3))
    kept = best_kept(found)[usable]
    kept = curves[kept] if kept.sum() > 3 * len(COMPARED) else curves
    covariance = _scatter(kept, _centred(sound_mm[None])[0], share_u)
    gains = np.exp(common_u * GAIN_STEPS) if common_u > 0 else np.ones(1)
    per_gain, best = [], []
    for gain in gains:
        log_odds = _log_likelihood(curves, gain * _centred(models), covariance)
        per_gain.append([_log_mean(part) for part in np.split(log_odds, ends[:-1], axis=1)])
        best.append(log_odds.argmax(axis=1))
    per_condition, likeliest, lost_share = _over_gains(np.array(per_gain).transpose(0, 2, 1))
    taken = np.zeros((2, *usable.shape))
    taken[:, usable] = both[:, best[likeliest]]
    out = np.zeros((*usable.shape, 3))
    out[usable] = np.maximum(per_condition, -LARGEST_LOG_RATIO)
    return Evidence(out, taken[0], taken[1], lost_share)


def _over_gains(per_gain: np.ndarray) -> tuple[np.ndarray, int, tuple[float, float] | None]:
    """
    Log-probability (n, 3) of each window's conditions, the likeliest 0, from the log-likelihoods (gains, n, 3); the
    number of the likeliest gain; `Evidence.lost_share`.
    """
    if len(per_gain) == 1:
        return per_gain[0] - per_gain[0].max(axis=1, keepdims=True), 0, None
    explained = _log_mean(per_gain)  # (gains, n)
    # What a measured map does to the shape of a texture it does everywhere: all windows together tell the gain no
    # better than one of them. Summed over windows, one view took decks harmed all over for sound ones of less gain.
    explained = np.maximum(explained - explained.max(axis=0), -LARGEST_LOG_RATIO).mean(axis=1)
    of_gain = explained - GAIN_STEPS**2 / 2
    weights = np.exp(of_gain - of_gain.max())
    each = np.exp(per_gain - per_gain.max(axis=2, keepdims=True))
    each /= each.sum(axis=2, keepdims=True)
    mean = (each * weights[:, None, None]).sum(axis=0)
    lost = (each[..., 0] < 0.5).mean(axis=1)
    order = np.argsort(lost)
    reached = np.cumsum(weights[order]) / weights.sum()
    low, high = (float(lost[order][np.searchsorted(reached, tail)]) for tail in TAILS)
    return np.log(np.maximum(mean / mean.max(axis=1, keepdims=True), TINY)), int(of_gain.argmax()), (low, high)


def _centred(curves_mm: np.ndarray) -> np.ndarray:
    """Curves (n, k) at the compared ratios, each less its mean height."""
    return (curves_mm - curves_mm.mean(axis=1, keepdims=True))[:, COMPARED]


def _scatter(kept: np.ndarray, sound: np.ndarray, share_u: float) -> np.ndarray:
    """Covariance (k, k) [mm2] of one window's curve around the true one."""
    deviation = kept - np.median(kept, axis=0)
    typical = 2 * np.median(np.abs(deviation), axis=0) + LEAST_CURVE_U_MM
    deviation = np.clip(deviation, -2 * typical, 2 * typical)
    common = np.outer(sound, sound) * share_u**2
    return deviation.T @ deviation / len(kept) + common + LEAST_CURVE_U_MM**2 * np.eye(len(sound))


def _log_likelihood(curves: np.ndarray, models: np.ndarray, covariance: np.ndarray) -> np.ndarray:
    """(n, m) log-likelihood of curves (n, k) under models (m, k), constants left out."""
    root = np.linalg.cholesky(np.linalg.inv(covariance))
    seen, expected = curves @ root, models @ root
    found = seen @ expected.T
    found -= (seen**2).sum(axis=1)[:, None] / 2
    found -= (expected**2).sum(axis=1) / 2
    return found


def _log_mean(values: np.ndarray) -> np.ndarray:
    """log of the mean of exp over the last axis."""
    highest = values.max(axis=-1, keepdims=True)
    raised = values - highest
    return highest[..., 0] + np.log(np.exp(raised, out=raised).mean(axis=-1))


def by_shape(found: Windows) -> Evidence:
    """
    Evidence of a patch whose best-kept part is not sound: the shape of the heights tells worn from filled.

    Worn: more area near the top plane than near the floor. Read over `SHAPE_MM`, because a single window is not sure.
    """
    usable = found.usable
    curves = found.curves_mm[usable]
    band = SHAPE_BAND * (curves[:, :1] - curves[:, -1:])
    near_top = (curves >= curves[:, :1] - band).mean(axis=1)
    near_floor = (curves <= curves[:, -1:] + band).mean(axis=1)
    tops = np.zeros(usable.shape)
    tops[usable] = np.log(near_top / near_floor)
    sigma = SHAPE_MM / TILE_MM
    tops = ndimage.gaussian_filter(tops, sigma) / np.maximum(ndimage.gaussian_filter(usable * 1.0, sigma), 1e-6)
    wear = np.clip(SHAPE_WEIGHT * (tops[usable] - SHAPE_MIDDLE), -LARGEST_LOG_RATIO, LARGEST_LOG_RATIO)
    out = np.zeros((*usable.shape, 3))
    lost = np.stack([-np.logaddexp(0, -wear), -np.logaddexp(0, wear)], axis=1)
    out[usable] = np.column_stack([np.full(len(wear), -LARGEST_LOG_RATIO), lost])
    return Evidence(out, np.zeros(usable.shape), np.zeros(usable.shape))


def _curves(levels: np.ndarray, weights: np.ndarray) -> np.ndarray:
    """Heights (n, 49) at `RATIOS` of distributions (n, bins) over falling levels (bins,)."""
    middle = np.cumsum(weights, axis=1) - weights / 2
    return np.array([np.interp(RATIOS, row, levels) for row in middle]).reshape(-1, RATIOS.size)


def _void(curves_mm: np.ndarray) -> np.ndarray:
    """Void depth (n,) of curves (n, 49), from their 2 to 98 % part."""
    return (curves_mm[:, :1] - curves_mm).mean(axis=1)


def _cut(sound_mm: np.ndarray, losses: np.ndarray, ripple_mm: float = 0.0) -> np.ndarray:
    """
    The sound curve with its top cut by each wear and its floor raised by each fill, (k, 49); losses (k, 2) are wear
    and fill, shares of the relief.

    The map's own ripple stands in the sound curve already, widening it by about its standard deviation at either end,
    and comes back on the cut tops and filled floors.
    """
    top, floor = sound_mm[0] - ripple_mm, sound_mm[-1] + ripple_mm
    wear, fill = losses.T[..., None]
    cut, filled = top - wear * (top - floor), floor + fill * (top - floor)
    out = np.broadcast_to(sound_mm, (len(losses), sound_mm.size))
    for changed, level in (((wear > 0) & (out > cut), cut), ((fill > 0) & (out < filled), filled)):
        place = (np.cumsum(changed, axis=1) - 0.5) / np.maximum(changed.sum(axis=1, keepdims=True), 1)
        out = np.where(changed, level - ripple_mm * ndtri(np.where(changed, place, 0.5)), out)
    return np.sort(out, axis=1)[:, ::-1]


def _models(sound_mm: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """
    Curves (k, 49) that a window may show, their losses (k, 2) wear and fill, and the sound share (k,) of the window.

    For each ripple, whole windows first, then windows that the edge of a zone crosses: there the heights of both
    sides are mixed.
    """
    whole = np.array([(wear, fill) for wear in LOSS_STEPS for fill in LOSS_STEPS if wear + fill < MOST_LOSS])
    lost = whole[(whole.sum(axis=1) >= LEAST_MIXED_LOSS) & (whole.min(axis=1) == 0)]
    curves, losses, shares = [], [], []
    for ripple in RIPPLES_MM:
        if ripple > MOST_RIPPLE * (sound_mm[0] - sound_mm[-1]):
            continue
        cut = _cut(sound_mm, lost, ripple)
        curves += [_cut(sound_mm, whole, ripple), *(_mixed(sound_mm, cut, share) for share in MIXED_SHARES)]
        losses += [whole] + [lost] * len(MIXED_SHARES)
        shares += [np.zeros(len(whole)), np.repeat(MIXED_SHARES, len(lost))]
    return np.concatenate(curves), np.concatenate(losses), np.concatenate(shares)


def _mixed(first_mm: np.ndarray, second_mm: np.ndarray, share: float) -> np.ndarray:
    """Curves (k, 49) of areas of which `share` has the first curve (49,), the rest a second; both on one level."""
    heights = np.concatenate([np.broadcast_to(first_mm, second_mm.shape), second_mm], axis=1)
    order = np.argsort(-heights, axis=1, kind="stable")
    weights = (np.repeat([share, 1 - share], RATIOS.size) / RATIOS.size)[order]
    middle = np.cumsum(weights, axis=1) - weights / 2
    # the curves span 2 to 98 % of their areas
    ratios = TOP_RATIO + (FLOOR_RATIO - TOP_RATIO) * middle
    falling = np.take_along_axis(heights, order, axis=1)
    return np.array([np.interp(RATIOS, at, row) for at, row in zip(ratios, falling, strict=True)])


def _taken(sound_mm: np.ndarray, wear: np.ndarray, fill: np.ndarray) -> np.ndarray:
    """Share (k,) of the sound void depth that each pair of losses takes."""
    left = _void(_cut(sound_mm, np.stack([wear, fill], axis=1)))
    return 1 - left / _void(sound_mm[None])
