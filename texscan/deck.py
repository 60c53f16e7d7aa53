"""What of the picture is no non-skid: smooth moulded borders and fittings, told from the photos before any height."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from skimage.measure import CircleModel, LineModelND, ransac

from texscan.model import Grid, LitView
from texscan.rectify import disk
from texscan.window import window_of

COARSE_STEP_MM = 0.25
BAND_MM = (0.2, 2.5)  # of the brightness changes that texture makes
WINDOW_MM = 2.0  # standard deviation of the window in which they are weighed
SMOOTH_SHARE = 0.22  # of the patch's usual change: less is smooth
SMOOTH_MOST = 0.10  # relative brightness change: more is texture, however little the rest of the patch has
OPENED_MM = 3.0  # smooth parts narrower than twice this are tops and valleys of a texture
GROWN_MM = 4.0  # the window draws a smooth part in by about this, twice its standard deviation
CORE_WINDOW_MM, CORE_OPENED_MM, SMOOTH_CORE, LEVEL_MM = 0.4, 2.0, 0.35, 0.8  # likewise for fittings, which are small
LEAST_BORDER_MM2, LEAST_FITTING_MM2, LARGEST_FITTING_MM2 = 200.0, 20.0, 3000.0
LARGEST_SMOOTH_SHARE = 0.6  # of the deck: more smooth than this is the panel itself
STRAIGHT_MM, STRAIGHT_SHARE = 1.0, 0.7  # a border's inner edge is a straight line: this share of it lies this near
ROUND_MM, ROUND_SHARE = 1.0, 0.8  # a fitting's outline is a circle: this share of it lies this near
LEAST_POINTS: dict[type, int] = {LineModelND: 2, CircleModel: 3}
TRIALS = 200
WIDE_PX = 6.0  # so wide a mean is formed on half the rows and columns
BLUR_REACH = 4.5  # standard deviations that a blur looks far, and a pixel
OTHER_PAINT = 1.8  # brightness of a fitting over the patch's, or the other way round


@dataclass(frozen=True, slots=True)
class NoDeck:
    """Where there is no non-skid; `flags` say what was taken for it."""

    mask: np.ndarray  # (rows, columns) bool, True = leave out
    flags: tuple[str, ...]


def no_deck(views: tuple[LitView, ...], grid: Grid) -> NoDeck:
    """
    Smooth borders and fittings.

    Parameters
    ----------
    views : brightness on the grid, NaN where there is card, shadow of the card, or nothing

    Notes
    -----
    A border is smooth (brightness changes far less than it usually does on the patch, in every view), meets the edge
    of the deck that is seen, and has a straight inner edge. A fitting is smooth, much brighter or darker than the
    patch in every view, and round; what is as odd beside it (its shadow) goes with it. Anything else that is smooth
    stays in: it may be the worst wear of the panel.
    """
    views, coarse = coarser(views, grid)
    nothing = np.logical_and.reduce([np.isnan(view.brightness) for view in views])
    if nothing.all():
        return NoDeck(np.zeros(grid.shape, bool), ())
    window = window_of(nothing, round(BLUR_REACH * max(*BAND_MM, WINDOW_MM) / coarse.step_mm))
    views = tuple(replace(view, brightness=view.brightness[window]) for view in views)
    part = coarse.part(window)
    change, fine = texture_change(views, part, (WINDOW_MM, CORE_WINDOW_MM))
    framed = np.pad(change, 1, constant_values=np.nan)  # the grid's own edge is an edge of the deck that is seen
    border, fitting = _borders(framed, part)[1:-1, 1:-1], _fittings(views, fine, part)
    flags = [name for name, mask in (("smooth-border", border), ("fitting", fitting)) if mask.any()]
    if not flags:
        return NoDeck(np.zeros(grid.shape, bool), ())
    found = np.zeros(coarse.shape, np.uint8)
    found[window] = border | fitting
    mask = cv2.resize(found, grid.shape[::-1], interpolation=cv2.INTER_NEAREST)
    return NoDeck(mask.astype(bool), tuple(flags))


def coarser(views: tuple[LitView, ...], grid: Grid) -> tuple[tuple[LitView, ...], Grid]:
    """Views on a grid of about COARSE_STEP_MM: outlines of borders and fittings need no finer one."""
    factor = grid.step_mm / COARSE_STEP_MM
    if factor >= 1:
        return views, grid
    rows, columns = (max(8, round(size * factor)) for size in grid.shape)
    small = [cv2.resize(view.brightness, (columns, rows), interpolation=cv2.INTER_AREA) for view in views]
    coarse = Grid(grid.x0_mm, grid.y1_mm, grid.step_mm * grid.columns / columns, rows, columns)
    return tuple(replace(view, brightness=s) for view, s in zip(views, small, strict=True)), coarse


def _borders(change: np.ndarray, grid: Grid) -> np.ndarray:
    deck = np.isfinite(change)
    usual = float(np.quantile(change[deck], 0.7))
    smooth = _opened(deck & (change < min(SMOOTH_SHARE * usual, SMOOTH_MOST)), OPENED_MM, grid)
    outside = _grown(~deck, grid)
    found = np.zeros(change.shape, bool)
    for part, area_mm2 in _parts(smooth, grid, LEAST_BORDER_MM2):
        ring = _ring(part)
        inner = _places(ring & ~outside, grid)
        meets_edge = (ring & outside).sum() > 0.15 * ring.sum()
        whole = area_mm2 > LARGEST_SMOOTH_SHARE * deck.sum() * grid.step_mm**2
        if whole or not meets_edge or not len(inner):
            continue
        if _share_on(LineModelND, inner, STRAIGHT_MM) >= STRAIGHT_SHARE:
            found |= _grown(part, grid)
    return found


def _fittings(views: tuple[LitView, ...], fine: np.ndarray, grid: Grid) -> np.ndarray:
    usual = float(np.nanquantile(fine, 0.7))
    levels = [_levels(view, grid) for view in views]
    ratios = [level / np.nanmedian(level) for level in levels]
    bright = np.logical_and.reduce([ratio > OTHER_PAINT for ratio in ratios])
    dark = np.logical_and.reduce([ratio < 1 / OTHER_PAINT for ratio in ratios])
    odd = np.logical_or.reduce([(ratio > OTHER_PAINT) | (ratio < 1 / OTHER_PAINT) for ratio in ratios])
    smooth = fine < SMOOTH_CORE * usual
    found = np.zeros(grid.shape, bool)
    for kind in (bright, dark):
        for part, area_mm2 in _parts(_opened(kind & smooth, CORE_OPENED_MM, grid), grid, LEAST_FITTING_MM2):
            if area_mm2 > LARGEST_FITTING_MM2:
                continue
            if _share_on(CircleModel, _places(_ring(part), grid), ROUND_MM) >= ROUND_SHARE:
                odd_labels = cv2.connectedComponents(odd.astype(np.uint8), connectivity=4)[1]
                whole = part | np.isin(odd_labels, np.unique(odd_labels[part & odd]))
                found |= _grown(whole, grid)
    return found


def _grown(mask: np.ndarray, grid: Grid) -> np.ndarray:
    return cv2.dilate(mask.astype(np.uint8), disk(GROWN_MM, grid)).astype(bool)


def _levels(view: LitView, grid: Grid) -> np.ndarray:
    known = np.isfinite(view.brightness)
    sigma = LEVEL_MM / grid.step_mm
    total = _blur(np.where(known, view.brightness, 0).astype(np.float32), sigma)
    return np.where(known, total / np.maximum(_blur(known.astype(np.float32), sigma), 1e-3), np.nan)


def _opened(mask: np.ndarray, radius_mm: float, grid: Grid) -> np.ndarray:
    return cv2.morphologyEx(mask.astype(np.uint8), cv2.MORPH_OPEN, disk(radius_mm, grid))


def _parts(mask: np.ndarray, grid: Grid, least_mm2: float):
    """Connected parts of a mask with their area [mm2], those of at least `least_mm2`."""
    if not mask.any():
        return
    _, labels, stats, _ = cv2.connectedComponentsWithStats(mask, connectivity=4)
    areas_mm2 = stats[:, cv2.CC_STAT_AREA] * grid.step_mm**2
    for number in 1 + np.flatnonzero(areas_mm2[1:] >= least_mm2):
        yield labels == number, float(areas_mm2[number])


def _ring(part: np.ndarray) -> np.ndarray:
    """The pixels just outside a part."""
    return cv2.dilate(part.astype(np.uint8), np.ones((3, 3), np.uint8)).astype(bool) & ~part


def _places(mask: np.ndarray, grid: Grid) -> np.ndarray:
    rows, columns = np.nonzero(mask)
    return np.column_stack([columns, rows]) * grid.step_mm


def texture_change(views: tuple[LitView, ...], grid: Grid, windows_mm: tuple[float, ...]) -> tuple[np.ndarray, ...]:
    """
    (rows, columns) relative brightness change within BAND_MM, in the view where it is greatest, weighed in each of
    the windows; NaN off the deck.
    """
    fine, coarse = (value / grid.step_mm for value in BAND_MM)
    best = tuple(np.full(grid.shape, np.nan, np.float32) for _ in windows_mm)
    for view in views:
        known = np.isfinite(view.brightness)
        weight = known.astype(np.float32)
        picture = np.where(known, view.brightness, np.float32(0))
        small, large = (_blur(picture, s) / np.maximum(_blur(weight, s), np.float32(1e-3)) for s in (fine, coarse))
        squared = ((small - large) / np.maximum(large, np.float32(1e-3))) ** 2 * weight
        for most, window_mm in zip(best, windows_mm, strict=True):
            window = window_mm / grid.step_mm
            change = np.sqrt(_blur(squared, window) / np.maximum(_blur(weight, window), np.float32(1e-3)))
            np.fmax(most, change, out=most, where=known)
    return best


def _blur(picture: np.ndarray, sigma: float) -> np.ndarray:
    if sigma < WIDE_PX:
        return cv2.GaussianBlur(picture, (0, 0), max(sigma, 0.3))
    size = picture.shape[::-1]
    half = cv2.resize(picture, ((size[0] + 1) // 2, (size[1] + 1) // 2), interpolation=cv2.INTER_AREA)
    return cv2.resize(cv2.GaussianBlur(half, (0, 0), sigma / 2), size, interpolation=cv2.INTER_LINEAR)


def _share_on(model: type, points: np.ndarray, within_mm: float) -> float:
    """Share of points (n, 2) within reach of the best line or circle through some of them."""
    least = LEAST_POINTS[model]
    if len(points) < 2 * least:
        return 0.0
    _, near = ransac(points, model, min_samples=least, residual_threshold=within_mm, max_trials=TRIALS, rng=0)
    return 0.0 if near is None else float(near.mean())
