"""Grooves that run along the light: lit from their ends only, they are hardly seen."""

from __future__ import annotations

from collections.abc import Iterable

import cv2
import numpy as np

from texscan.filters import measured_box

# Flags of a map whose texture may be misread in shape, not in size alone.
HIDDEN = "grooves-along-light"  # under opposed lights
UNEVEN = "grooves-under-one-light"  # as deep as their angle to the light lets them seem
SMOOTH_MM = 0.2  # standard deviation of the Gaussian under which slopes are read, beyond noise and pixels [mm]
BIN_DEG = 5.0
FAMILY_DEG = 40.0  # the slopes of one family of grooves lie within this
# Share of the slope energy in its richest directions, 40 degrees in all: 0.22 if all were alike; under two opposed
# lights pebble and grit read at most 0.32, moulded grooves at least 0.49.
LEAST_DIRECTED = 0.40
# Of that share, the part in one family. Two families alike have 0.5. On 240 pairs of opposed lights over the
# development decks of calibration/relief, the eight above 0.85 are those whose void depth is 12 to 59 % low; below
# 0.80 it is 21 % low at most.
MOST_IN_ONE_FAMILY = 0.80


def shape_flag(arrangement: str, height_mm: np.ndarray, step_mm: float) -> str | None:
    """
    What to say of a texture's shape: `HIDDEN`, `UNEVEN` or nothing, by the arrangement of its lights and its map.

    Between two sets under single lights, curves of heights of one moulded texture differed by up to 0.16 of its
    relief, those of pebble and grit by 0.05 (60 rendered decks of calibration/zones).
    """
    if arrangement == "opposed":
        return HIDDEN if in_one_family(height_mm, step_mm) > MOST_IN_ONE_FAMILY else None
    if arrangement == "one":
        return UNEVEN if in_one_family(height_mm, step_mm) > 0 else None
    return None


def shape_unsure(flags: Iterable[str]) -> bool:
    """Whether a result with these flags may be misread in shape."""
    return not {HIDDEN, UNEVEN}.isdisjoint(flags)


def in_one_family(height_mm: np.ndarray, step_mm: float) -> float:
    """
    How much of a directed texture is one family of parallel grooves: 0.5 for two alike, 1 for one alone.

    Two opposed lights across one family run along the other, which is then missing in the map; a texture that truly
    has one family alone cannot be told from that.

    Parameters
    ----------
    height_mm : (rows, columns) array
        NaN = not measured.
    step_mm : float

    Returns
    -------
    share : float
        0 for a texture without direction, and on a plane.
    """
    energy = _energy(height_mm, step_mm)
    if energy is None:
        return 0.0
    wide = round(FAMILY_DEG / BIN_DEG)
    richest = np.sort(energy)[-wide:].sum()
    if richest < LEAST_DIRECTED:
        return 0.0
    round_the_circle = np.concatenate([energy, energy[: wide - 1]])
    return float(np.convolve(round_the_circle, np.ones(wide), "valid").max() / richest)


def _energy(height_mm: np.ndarray, step_mm: float) -> np.ndarray | None:
    """Shares of the squared slope by its direction, -90 to 90 degrees from +x; None on a plane."""
    height_mm = height_mm[measured_box(height_mm)]
    known = np.isfinite(height_mm)
    sigma = SMOOTH_MM / step_mm
    filled = np.where(known, height_mm, np.median(height_mm[known])).astype(np.float32)
    smooth = cv2.GaussianBlur(filled, (0, 0), sigma)
    reach = 2 * round(3 * sigma) + 1  # slopes beside a gap are those of the filling
    inside = cv2.erode(known.astype(np.uint8), np.ones((reach, reach), np.uint8), borderValue=1) > 0
    every = max(1, round(sigma))  # neighbours closer than that have the same slope
    across, down = (cv2.Sobel(smooth, cv2.CV_32F, *way, ksize=1)[::every, ::every] for way in ((1, 0), (0, 1)))
    inside = inside[::every, ::every]
    across, up = across[inside], -down[inside]
    turn = np.mod(np.degrees(np.arctan2(up, across)) + 90, 180)
    bins = np.minimum(turn / BIN_DEG, 180 / BIN_DEG - 1).astype(np.int32)
    energy = np.bincount(bins, across**2 + up**2, round(180 / BIN_DEG))
    return energy / energy.sum() if energy.sum() > 0 else None
