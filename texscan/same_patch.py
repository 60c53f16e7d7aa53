"""
What the photos of a set say about each other: whether all show the same patch, told from where the texture's edges
lie, whatever the light; and shadows that lie on the deck in one photo only.
"""

from __future__ import annotations

import math
from collections.abc import Iterable

import cv2
import numpy as np

from texscan.deck import coarser
from texscan.errors import PhotoError
from texscan.model import Grid, LitView

FINE_MM, COARSE_MM = 0.25, 1.5  # band of the activity map
COARSE_SIGMA_PX = 4.0  # the wide mean is formed on pixels this much finer than its standard deviation
SURE_AGREEMENT = 0.15  # on the coarse grid; other patches have 0.02 at most on the samples
LEAST_AGREEMENT = 0.12  # same patch 0.16 (lights at right angles) to 0.95, other patch mostly under 0.10; on renders

BROAD_MM, COARSE_MM_STEP = 4.0, 1.0  # standard deviation of what counts as broad light, wider than any texture; step
SHADED = (
    0.7  # broad brightness over that of the brightest photo; 0.86 and more on the samples, 0.28 in a leg's shadow
)
PENUMBRA_MM = 10.0  # left out around such a shadow: its soft edge and the window's
LEAST_SHADOW_MM2 = 40.0


def activity(view: LitView, grid: Grid) -> np.ndarray:
    """
    (rows, columns) float32: how much the brightness changes over FINE_MM, over its local mean; NaN off the deck.
    """
    known = np.isfinite(view.brightness)
    picture = np.where(known, view.brightness, 0).astype(np.float32)
    fine = cv2.GaussianBlur(picture, (0, 0), FINE_MM / grid.step_mm)
    change = cv2.magnitude(cv2.Sobel(fine, cv2.CV_32F, 1, 0), cv2.Sobel(fine, cv2.CV_32F, 0, 1))
    inner = cv2.erode(known.astype(np.uint8), np.ones((7, 7), np.uint8)).astype(bool)
    change = np.log(change + np.float32(1e-3))
    shrink = max(1, int(COARSE_MM / grid.step_mm / COARSE_SIGMA_PX))
    size = (max(1, grid.columns // shrink), max(1, grid.rows // shrink))
    weight, total = (
        cv2.GaussianBlur(cv2.resize(a, size, interpolation=cv2.INTER_AREA), (0, 0), COARSE_MM / grid.step_mm / shrink)
        for a in (inner.astype(np.float32), np.where(inner, change, np.float32(0)))
    )
    mean = cv2.resize(total / np.maximum(weight, np.float32(1e-3)), grid.shape[::-1], interpolation=cv2.INTER_LINEAR)
    return np.where(inner, change - mean, np.float32(np.nan))


def agreement(one: np.ndarray, other: np.ndarray) -> float:
    """Correlation of two activity maps where both are known; NaN when they share too little."""
    both = np.isfinite(one) & np.isfinite(other)
    if both.sum() < 2000:
        return float("nan")
    return float(np.corrcoef(one[both], other[both])[0, 1])


def refuse_other_patches(views: tuple[LitView, ...], files: tuple[str, ...], grid: Grid) -> None:
    """
    Raises
    ------
    PhotoError
        A photo that shows another patch than the first.
    """
    if len(views) < 2:
        return
    unsure = _best_below(SURE_AGREEMENT, *coarser(views, grid), range(1, len(views)))
    if unsure:  # on the coarse grid lights at right angles agree less
        refused = _best_below(LEAST_AGREEMENT, views, grid, unsure)
        for number, best in refused.items():
            raise PhotoError(
                f"{files[number]} does not show the same patch as the other photos (agreement {best:.2f}, at least "
                f"{LEAST_AGREEMENT} is needed), or the card was moved between them. Score each patch by itself."
            )


def _best_below(least: float, views: tuple[LitView, ...], grid: Grid, numbers: Iterable[int]) -> dict[int, float]:
    """Those of the numbered views that agree with no other view by `least`, with their best agreement."""
    maps = [activity(view, grid) for view in views]
    found = {}
    for number in numbers:
        best = -math.inf
        for other in (k for k in range(len(maps)) if k != number):
            best = max(best, agreement(maps[number], maps[other]))
            if best >= least:
                break
        else:
            found[number] = best
    return found


def cast_shadows(views: tuple[LitView, ...], grid: Grid) -> list[np.ndarray]:
    """
    Where something other than the card shades the deck, in each view: (rows, columns) bool.

    A view's brightness is that of the deck over lit paper, so broadly it is the paint's and alike in all views; where
    it is far below another view's, something kept the torch's light off. A shadow that lies alike in all views, or in
    the only one, cannot be told from dark paint.
    """
    if len(views) == 1:
        return [np.zeros(grid.shape, bool)]
    stride = max(1, round(COARSE_MM_STEP / grid.step_mm))
    broad = np.stack([_broad(view.brightness, grid.step_mm, stride) for view in views])
    brightest = np.max(np.where(np.isfinite(broad), broad, -np.inf), axis=0)
    size = 2 * round(PENUMBRA_MM / (grid.step_mm * stride)) + 1
    grown = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
    masks = []
    for one in broad:
        dark = (one < SHADED * brightest).astype(np.uint8)
        is_shadow = dark.sum() * (grid.step_mm * stride) ** 2 >= LEAST_SHADOW_MM2
        if is_shadow:
            dark = cv2.resize(cv2.dilate(dark, grown), grid.shape[::-1], interpolation=cv2.INTER_NEAREST)
        masks.append(dark.astype(bool) if is_shadow else np.zeros(grid.shape, bool))
    return masks


def _broad(brightness: np.ndarray, step_mm: float, stride: int) -> np.ndarray:
    """Mean brightness within about BROAD_MM, on a coarser grid; NaN where little of the deck is seen."""
    known = np.isfinite(brightness)
    size = tuple(max(1, n // stride) for n in brightness.shape[::-1])
    seen, light = (
        cv2.resize(a, size, interpolation=cv2.INTER_AREA)
        for a in (known.astype(np.float32), np.where(known, brightness, np.float32(0)))
    )
    sigma = BROAD_MM / (step_mm * stride)
    weight, total = (cv2.GaussianBlur(a, (0, 0), sigma) for a in (seen, light))
    return np.where((seen > 0.3) & (weight > 0.3), total / np.maximum(weight, 1e-6), np.nan)
