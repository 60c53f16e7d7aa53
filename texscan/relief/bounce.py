"""Light that lit faces send into shadows and onto each other: one diffuse bounce over a height field."""

from __future__ import annotations

import numpy as np

REACH_MM = 2.5  # beyond this distance faces of a deck texture send each other next to nothing (1/r^4 on flat land)
STRIP_ROWS = 64  # rows worked on at a time: arrays of that size stay in the processor's cache
GAIN = 1.5  # what the plain sum misses: mirror-like bounce and later ones; fitted on the decks of calibration/relief


def bounced(
    height_mm: np.ndarray, slope_x: np.ndarray, slope_y: np.ndarray, sent: np.ndarray, step_mm: float
) -> np.ndarray:
    """
    Light that arrives at each pixel from the lit faces around it.

    Parameters
    ----------
    height_mm, slope_x, slope_y : (rows, columns) float32
    sent : (views, rows, columns) float32
        Light that each face sends (radiosity), in any unit; 0 in shadows.
    step_mm : float
        Pixel spacing [mm].

    Returns
    -------
    (views, rows, columns) float32, in the unit of `sent`.

    Notes
    -----
    Sum over faces within REACH_MM of  sent' (n.d)(n'.(-d)) / (pi r^4) dA', zero unless both face each other; what
    stands between two faces is not looked at. Form factor of two small faces, e.g. Siegel and Howell.
    """
    rows, columns = height_mm.shape
    out = np.zeros_like(sent)
    tilt = 1 / np.sqrt(1 + slope_x**2 + slope_y**2)
    reach = int(REACH_MM / step_mm)
    offsets = [(dr, dc) for dr in range(reach + 1) for dc in range(-reach, reach + 1)]
    for top in range(0, rows, STRIP_ROWS):
        for dr, dc in offsets:
            bottom = min(top + STRIP_ROWS, rows - dr)
            if (dr == 0 and dc <= 0) or dr * dr + dc * dc > reach * reach or bottom <= top or abs(dc) >= columns:
                continue
            here = np.s_[top:bottom, max(0, -dc) : columns - max(0, dc)]
            there = np.s_[top + dr : bottom + dr, max(0, dc) : columns - max(0, -dc)]
            kernel = _exchange(height_mm, slope_x, slope_y, here, there, (dc * step_mm, -dr * step_mm))
            kernel *= np.float32(step_mm**2 / np.pi)
            to_here, to_there = kernel * tilt[here], kernel * tilt[there]
            for view in range(sent.shape[0]):
                out[view][here] += to_here * sent[view][there]
                out[view][there] += to_there * sent[view][here]
    return out


def _exchange(height_mm, slope_x, slope_y, here, there, offset_mm) -> np.ndarray:
    """(n.d)(n'.(-d)) / r^4 for one offset, without the lengths of the two slope vectors."""
    dx, dy = (np.float32(d) for d in offset_mm)
    rise = height_mm[there] - height_mm[here]
    facing = np.maximum(rise - slope_x[here] * dx - slope_y[here] * dy, 0)
    facing *= np.maximum(slope_x[there] * dx + slope_y[there] * dy - rise, 0)
    return facing / (dx * dx + dy * dy + rise * rise) ** 2
