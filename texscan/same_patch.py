"""Do all photos of a set show the same patch? Told from where the texture's edges lie, whatever the light."""

from __future__ import annotations

import cv2
import numpy as np

from texscan.errors import PhotoError
from texscan.model import Grid, LitView

FINE_MM, COARSE_MM = 0.25, 1.5  # band of the activity map
LEAST_AGREEMENT = 0.12  # same patch 0.16 (lights at right angles) to 0.95, other patch mostly under 0.10; on renders


def activity(view: LitView, grid: Grid) -> np.ndarray:
    """(rows, columns) float32: how much the brightness changes over FINE_MM, over its local mean; NaN off the "
    "deck."""
    known = np.isfinite(view.brightness)
    picture = np.where(known, view.brightness, 0).astype(np.float32)
    fine = cv2.GaussianBlur(picture, (0, 0), FINE_MM / grid.step_mm)
    change = cv2.magnitude(cv2.Sobel(fine, cv2.CV_32F, 1, 0), cv2.Sobel(fine, cv2.CV_32F, 0, 1))
    inner = cv2.erode(known.astype(np.uint8), np.ones((7, 7), np.uint8)).astype(bool)
    change = np.log(change + 1e-3)
    weight = cv2.GaussianBlur(inner.astype(np.float32), (0, 0), COARSE_MM / grid.step_mm)
    mean = cv2.GaussianBlur(np.where(inner, change, 0), (0, 0), COARSE_MM / grid.step_mm) / np.maximum(weight, 1e-3)
    return np.where(inner, change - mean, np.nan)


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
    maps = [activity(view, grid) for view in views]
    for number in range(1, len(maps)):
        best = max(agreement(maps[number], other) for k, other in enumerate(maps) if k != number)
        if best < LEAST_AGREEMENT:
            raise PhotoError(
                f"{files[number]} does not show the same patch as the other photos (agreement {best:.2f}, at least "
                f"{LEAST_AGREEMENT} is needed), or the card was moved between them. Score each patch by itself."
            )
