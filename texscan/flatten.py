"""Sanding flat and filling flat: volumes against a plane, and the local top plane that sanding follows."""

from __future__ import annotations

import numpy as np
from scipy import ndimage

from texscan.curve import TOP_RATIO, levels_of

CELL_MM = 10.0  # side of the cells whose own top plane is taken: several pitches of common textures
LEAST_SHARE = 0.3  # of a cell's pixels measured


def fill_mm(height_mm: np.ndarray, plane_mm: np.ndarray | float) -> float:
    """
    Filler up to a plane, as mean depth: mean(max(plane - z, 0)) over measured pixels [mm] = litres per m2.
    """
    return _mean_depth(plane_mm - np.asarray(height_mm))


def cut_mm(height_mm: np.ndarray, plane_mm: np.ndarray | float) -> float:
    """
    Material above a plane, as mean depth: mean(max(z - plane, 0)) over measured pixels [mm] = litres per m2.
    """
    return _mean_depth(height_mm - np.asarray(plane_mm))


def _mean_depth(depth_mm: np.ndarray) -> float:
    """Mean of what is above 0, over measured pixels."""
    measured = depth_mm[np.isfinite(depth_mm)]
    return float(np.mean(np.maximum(measured, 0), dtype=float))


def local_planes(height_mm: np.ndarray, step_mm: float, *, ratio: float = TOP_RATIO) -> np.ndarray:
    """
    Height that the share `ratio` of each neighbourhood stands above, smooth from cell to cell.

    Parameters
    ----------
    height_mm : (rows, columns) [mm]; NaN = not measured.
    step_mm : of the grid [mm].
    ratio : 0.02 for the local top plane, 0.98 for the local floor.

    Returns
    -------
    (rows, columns) [mm], of the heights' kind, linear between the centres of 10 mm cells. Levels of photos drift over
    the patch; a board sander follows the deck's own sheer too, so volumes are taken against this and not against one
    plane.
    """
    return local_levels(height_mm, step_mm, (ratio,))[0]


def local_levels(height_mm: np.ndarray, step_mm: float, ratios: tuple[float, ...]) -> list[np.ndarray]:
    """`local_planes` for several ratios at once."""
    height = np.asarray(height_mm)
    size = max(1, round(CELL_MM / step_mm))
    counts = [max(1, round(n / size)) for n in height.shape]
    edges = [np.linspace(0, n, count + 1).round().astype(int) for n, count in zip(height.shape, counts, strict=True)]
    planes = np.full((len(ratios), *counts), np.nan)
    for i in range(counts[0]):
        for j in range(counts[1]):
            cell = height[edges[0][i] : edges[0][i + 1], edges[1][j] : edges[1][j + 1]]
            measured = cell[np.isfinite(cell)]
            if measured.size >= max(1, LEAST_SHARE * cell.size):
                planes[:, i, j] = levels_of(measured, np.array(ratios))
    return [_between_centres(_filled(of_one, height).astype(height.dtype), edges, height.shape) for of_one in planes]


def _filled(planes: np.ndarray, height: np.ndarray) -> np.ndarray:
    """Cells without a plane take the nearest one; the median height where no cell has any."""
    known = np.isfinite(planes)
    if not known.any():
        return np.full(planes.shape, np.nanmedian(height))
    nearest = ndimage.distance_transform_edt(~known, return_distances=False, return_indices=True)
    return planes[tuple(nearest)]


def _between_centres(planes: np.ndarray, edges: list[np.ndarray], shape: tuple[int, int]) -> np.ndarray:
    """Linear between the centres of the cells, constant beyond the outer ones."""
    centres = [(e[:-1] + e[1:] - 1) / 2 for e in edges]
    across = np.stack([np.interp(np.arange(shape[1]), centres[1], row) for row in planes]).astype(planes.dtype)
    weights = np.interp(np.arange(shape[0]), centres[0], np.arange(len(centres[0])))
    below = np.minimum(weights.astype(int), len(centres[0]) - 1)
    above = np.minimum(below + 1, len(centres[0]) - 1)
    part = (weights - below).astype(planes.dtype)[:, None]
    return (1 - part) * across[below] + part * across[above]
