"""From the opinion of windows to smooth outlines on the map: a spatial model, labels of pixels, polygons."""

from __future__ import annotations

import math
from collections.abc import Iterator

import cv2
import numpy as np
from scipy import ndimage

from texscan.model import CONDITION_NAMES, SOUND, Grid

NEIGHBOUR_SIGMA_TILES = 1.2  # of the neighbours that a window listens to
NEIGHBOUR_WEIGHT = 3.0  # log-odds that neighbours of one mind add
WINDOW_WEIGHT = 0.7  # overlapping windows repeat each other's evidence
ROUNDS = 12  # of the mean-field solution; it settles in about 8
COARSE_SIGMA_PX = 5.0  # of the smoothing, on block means: outlines move by hundredths of a pixel
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
    likeliest = probability.argmax(axis=2)
    if (likeliest == likeliest[0, 0]).all():
        return np.full(shape, SOUND + likeliest[0, 0], np.uint8)
    logs = np.log(np.maximum(probability, LEAST_PROBABILITY)).astype(np.float32)
    whole = tuple(tile_px * size for size in probability.shape[1::-1])
    fine = cv2.resize(logs, whole, interpolation=cv2.INTER_LINEAR)[: shape[0], : shape[1]]
    labels, highest = np.zeros(shape, np.uint8), fine[..., 0]
    for index in range(1, len(CONDITION_NAMES)):
        np.copyto(labels, index, where=fine[..., index] > highest)
        highest = np.maximum(highest, fine[..., index])
    out, most = np.full(shape, SOUND, np.uint8), np.float32(-1)
    for index in range(len(CONDITION_NAMES)):
        part = labels == index
        if part.any():
            share = _smooth(part, OUTLINE_MM / step_mm)
            out[share > most] = SOUND + index
            most = np.maximum(share, most)
    return out


def _smooth(part: np.ndarray, sigma_px: float) -> np.ndarray:
    """
    Gaussian-weighted share (rows, columns) float32 of the part around every pixel, mirrored at the edges.

    Formed on block means and interpolated back; the variance of averaging over a block is taken off.
    """
    block = max(1, int(sigma_px // COARSE_SIGMA_PX))
    margin = block * math.ceil(4 * sigma_px / block)
    rows, columns = part.shape
    below, beyond = margin + (-rows) % block, margin + (-columns) % block
    wide = cv2.copyMakeBorder(part.astype(np.float32), margin, below, margin, beyond, cv2.BORDER_REFLECT_101)
    whole = wide.shape[::-1]
    means = cv2.resize(wide, (whole[0] // block, whole[1] // block), interpolation=cv2.INTER_AREA)
    means = cv2.GaussianBlur(means, (0, 0), math.sqrt(sigma_px**2 - (block**2 - 1) / 12) / block)
    fine = cv2.resize(means, whole, interpolation=cv2.INTER_CUBIC)
    return fine[margin : margin + rows, margin : margin + columns]


def bridged(measured: np.ndarray, step_mm: float) -> np.ndarray:
    """Measured pixels with holes and shadows up to `HOLE_MM` closed, bool."""
    size = 2 * round(HOLE_MM / 2 / step_mm) + 1
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
    return cv2.morphologyEx(measured.astype(np.uint8), cv2.MORPH_CLOSE, kernel).astype(bool)


def without_specks(labels: np.ndarray, measured: np.ndarray, joined: np.ndarray, step_mm: float) -> np.ndarray:
    """
    Labels with zones under `LEAST_ZONE_MM2` of measured area given to the nearest other zone; `joined` is measured as
    `bridged` tells it.
    """
    small = np.zeros(labels.shape, bool)
    for value in CONDITION_NAMES:
        of_value = (labels == value) & joined
        if not of_value.any():
            continue
        count, parts = cv2.connectedComponents(of_value.astype(np.uint8), connectivity=4)
        area = np.bincount(parts[measured], minlength=count) * step_mm**2
        tiny = area < LEAST_ZONE_MM2
        tiny[0] = False
        if tiny.any():
            small |= tiny[parts]
    if not small.any() or (small | ~joined).all():
        return labels
    return np.where(small, nearest(labels, small | ~joined), labels)


def spread(condition: np.ndarray, step_mm: float, *, joined: np.ndarray | None = None) -> np.ndarray:
    """
    Conditions (rows, columns) carried into holes and shadows up to `HOLE_MM` wide; 0 elsewhere unmeasured.

    `joined` is what `bridged` makes of the pixels with a condition, where that is known already.
    """
    joined = bridged(condition > 0, step_mm) if joined is None else joined
    return np.where(joined, nearest(condition, condition == 0), 0)


def nearest(labels: np.ndarray, empty: np.ndarray) -> np.ndarray:
    """Labels (rows, columns) with each empty place given that of the nearest other one."""
    if not empty.any() or empty.all():
        return labels
    kept = ~empty
    values = labels[kept]
    if (values == values[0]).all():
        return np.full(labels.shape, values[0], labels.dtype)
    _, place = cv2.distanceTransformWithLabels(
        empty.astype(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_5, labelType=cv2.DIST_LABEL_PIXEL
    )
    of_place = np.zeros(int(place.max()) + 1, labels.dtype)
    of_place[place[kept]] = values
    return of_place[place]


def inner(everywhere: np.ndarray, distance_px: float) -> np.ndarray:
    """Pixels (rows, columns) bool farther than this from any other condition; unmeasured ones do not count."""
    out = np.zeros(everywhere.shape, bool)
    for value in CONDITION_NAMES:
        others = (everywhere != value) & (everywhere > 0)
        if not others.any():
            return everywhere == value
        own = everywhere == value
        if own.any():
            far = cv2.distanceTransform((~others).astype(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_PRECISE) > distance_px
            out |= own & far
    return out


def parts(inside: np.ndarray) -> Iterator[tuple[tuple[slice, slice], np.ndarray]]:
    """Box and pixels of each connected part of what is inside (rows, columns) bool, from the top."""
    if not inside.any():
        return
    count, labels, stats, _ = cv2.connectedComponentsWithStats(inside.astype(np.uint8), connectivity=4)
    for number in range(1, count):
        left, top, width, height = stats[number, :4].tolist()
        box = slice(top, top + height), slice(left, left + width)
        yield box, labels[box] == number


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
