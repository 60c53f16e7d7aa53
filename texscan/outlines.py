"""From the opinion of windows to smooth outlines on the map: a spatial model, labels of pixels, polygons."""

from __future__ import annotations

import cv2
import numpy as np
from scipy import ndimage

from texscan.model import CONDITION_NAMES, SOUND, Grid

NEIGHBOUR_SIGMA_TILES = 1.2  # of the neighbours that a window listens to
NEIGHBOUR_WEIGHT = 3.0  # log-odds that neighbours of one mind add
WINDOW_WEIGHT = 0.7  # overlapping windows repeat each other's evidence
ROUNDS = 12  # of the mean-field solution; it settles in about 8
OUTLINE_MM = 2.0  # standard deviation of the smoothing of outlines, under a pitch
LEAST_PROBABILITY = 1e-3  # of a condition, so that outlines lie midway between windows however sure they are
LEAST_ZONE_MM2 = 150.0  # smaller specks join what surrounds them: the area of one and a half windows
HOLE_MM = 2.0  # shadows and holes up to this wide do not part a zone
OUTLINE_TOLERANCE_MM = 0.25  # of the polygon against the pixel outline


def settled(log_probability: np.ndarray) -> np.ndarray:
    """
    Probability (rows, columns, 3) of each condition once neighbours have been heard.

    Mean-field solution of a Potts model: a window's own evidence and the mean opinion around it.
    """
    own = WINDOW_WEIGHT * log_probability
    share = softmax(own)
    sigma = (NEIGHBOUR_SIGMA_TILES, NEIGHBOUR_SIGMA_TILES, 0)
    for _ in range(ROUNDS):
        share = softmax(own + NEIGHBOUR_WEIGHT * ndimage.gaussian_filter(share, sigma, mode="nearest"))
    return share


def softmax(values: np.ndarray) -> np.ndarray:
    raised = np.exp(values - values.max(axis=-1, keepdims=True))
    return raised / raised.sum(axis=-1, keepdims=True)


def on_pixels(probability: np.ndarray, tile_px: int, shape: tuple[int, int], step_mm: float) -> np.ndarray:
    """Most probable condition (rows, columns) uint8 of every pixel, with outlines smooth over `OUTLINE_MM`."""
    x = ((np.arange(shape[1]) + 0.5) / tile_px - 0.5).astype(np.float32)
    y = ((np.arange(shape[0]) + 0.5) / tile_px - 0.5).astype(np.float32)
    map_x, map_y = np.broadcast_to(x, shape).copy(), np.broadcast_to(y[:, None], shape).copy()
    logs = np.log(np.maximum(probability, LEAST_PROBABILITY)).astype(np.float32)
    labels = cv2.remap(logs, map_x, map_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE).argmax(axis=2)
    smooth = [
        cv2.GaussianBlur((labels == index).astype(np.float32), (0, 0), OUTLINE_MM / step_mm)
        for index in range(len(CONDITION_NAMES))
    ]
    return np.argmax(smooth, axis=0).astype(np.uint8) + np.uint8(SOUND)


def bridged(measured: np.ndarray, step_mm: float) -> np.ndarray:
    """Measured pixels with holes and shadows up to `HOLE_MM` closed, bool."""
    size = 2 * round(HOLE_MM / 2 / step_mm) + 1
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
    return cv2.morphologyEx(measured.astype(np.uint8), cv2.MORPH_CLOSE, kernel).astype(bool)


def without_specks(labels: np.ndarray, measured: np.ndarray, step_mm: float) -> np.ndarray:
    """Labels with zones under `LEAST_ZONE_MM2` of measured area given to the nearest other zone."""
    joined = bridged(measured, step_mm)
    small = np.zeros(labels.shape, bool)
    for value in CONDITION_NAMES:
        parts, count = ndimage.label((labels == value) & joined)
        area = np.bincount(parts[measured], minlength=count + 1) * step_mm**2
        tiny = area < LEAST_ZONE_MM2
        tiny[0] = False
        small |= tiny[parts]
    if not small.any() or (small | ~joined).all():
        return labels
    nearest = ndimage.distance_transform_edt(small | ~joined, return_distances=False, return_indices=True)
    return np.where(small, labels[tuple(nearest)], labels)


def spread(condition: np.ndarray, step_mm: float) -> np.ndarray:
    """Conditions (rows, columns) carried into holes and shadows up to `HOLE_MM` wide; 0 elsewhere unmeasured."""
    nearest = ndimage.distance_transform_edt(condition == 0, return_distances=False, return_indices=True)
    return np.where(bridged(condition > 0, step_mm), condition[tuple(nearest)], 0)


def inner(everywhere: np.ndarray, distance_px: float) -> np.ndarray:
    """Pixels (rows, columns) bool farther than this from any other condition; unmeasured ones do not count."""
    out = np.zeros(everywhere.shape, bool)
    for value in CONDITION_NAMES:
        others = (everywhere != value) & (everywhere > 0)
        if not others.any():
            return everywhere == value
        far = cv2.distanceTransform((~others).astype(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_PRECISE) > distance_px
        out |= (everywhere == value) & far
    return out


def outline(part: np.ndarray, box: tuple[slice, slice], grid: Grid) -> np.ndarray:
    """Outer outline (n, 2) of the part in the card frame [mm], anticlockwise, within `OUTLINE_TOLERANCE_MM`."""
    padded = np.pad(part.astype(np.uint8), 1)
    contours, _ = cv2.findContours(padded, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    longest = max(contours, key=len)
    simple = cv2.approxPolyDP(longest, OUTLINE_TOLERANCE_MM / grid.step_mm, closed=True)[:, 0].astype(np.float64)
    x = grid.x0_mm + grid.step_mm * (simple[:, 0] - 1 + box[1].start)
    y = grid.y1_mm - grid.step_mm * (simple[:, 1] - 1 + box[0].start)
    turning = (x * np.roll(y, -1) - np.roll(x, -1) * y).sum()
    polygon = np.stack([x, y], axis=1)
    return polygon if turning >= 0 else polygon[::-1]
