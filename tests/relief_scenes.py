"""
Decks and a slow, plain renderer for the tests of the height solver: matt paint, point lamp, shadows by ray march.

It shares no code with the solver: pixel (r, c) of a picture is the mean of a finer picture, whose points are marched
towards the lamp in small steps over the height function.
"""

from __future__ import annotations

import numpy as np
from scipy.ndimage import gaussian_filter, map_coordinates

from texscan.model import Grid, Light, LitView


def grid_of(rows: int, columns: int, step_mm: float) -> Grid:
    """A grid centred on (0, 0)."""
    return Grid(-step_mm * (columns - 1) / 2, step_mm * (rows - 1) / 2, step_mm, rows, columns)


def lamp(azimuth_deg: float, elevation_deg: float, distance_mm: float) -> Light:
    """A lamp at a distance from (0, 0)."""
    return Light(azimuth_deg, elevation_deg, 1 / distance_mm, (0.0, 0.0), np.zeros((3, 3)))


def squares(x, y, *, pitch=4.0, top=1.4, base=2.6, height=0.5):
    """Square frusta; flank slope height / ((base - top) / 2)."""
    d = np.maximum(abs((x + pitch / 2) % pitch - pitch / 2), abs((y + pitch / 2) % pitch - pitch / 2))
    return height * np.clip((base / 2 - d) / ((base - top) / 2), 0, 1)


def lozenges(x, y, *, pitch=5.0, height=0.5, flank=1.0):
    """Lozenges in rows, longer along x."""
    u, v = x / pitch + y / pitch * 1.7, x / pitch - y / pitch * 1.7
    d = np.maximum(abs(u % 1 - 0.5), abs(v % 1 - 0.5)) * pitch / 2
    return height * np.clip((0.30 * pitch / 2 * 1.3 - d) * flank * 1.97 / height + 0.5, 0, 1)


def pebbles(x, y, *, seed=1, height=0.5):
    """Smooth random bumps: a thresholded, rounded Gaussian field. x, y must be a regular grid."""
    rng = np.random.default_rng(seed)
    step = abs(x.flat[1] - x.flat[0]) if x.shape[1] > 1 else 0.1
    field = gaussian_filter(rng.standard_normal(x.shape), 0.7 / step)
    field /= field.std()
    return height * 0.35 * (np.tanh(field) + 1)


def picture(height, fine: Grid, light: Light, *, albedo=1.0) -> np.ndarray:
    """
    Brightness of a matt deck over level white paper, on the fine grid, by marching each point towards the lamp.
    """
    x, y = np.meshgrid(fine.x_mm, fine.y_mm)
    to = light.towards(x, y, height)
    dy, dx = np.gradient(height, fine.step_mm)
    normal = np.stack([-dx, dy, np.ones_like(dx)]) / np.sqrt(1 + dx**2 + dy**2)
    shade = np.clip((to * normal).sum(axis=0), 0, None) / light.towards(x, y, 0 * x)[2]
    lit = np.ones(height.shape, bool)
    run = np.hypot(to[0], to[1])
    r, c = np.indices(height.shape).astype(float)
    rise_most = height.max() - height.min()
    for k in range(1, int(rise_most / (to[2] / run).min() / fine.step_mm) + 2):
        at = [r - k * to[1] / run, c + k * to[0] / run]
        over = map_coordinates(height, at, order=1, mode="nearest")
        lit &= over <= height + k * fine.step_mm * to[2] / run + 1e-4
    return np.where(lit, shade, 0) * albedo


def views_of(height_of, grid: Grid, lights, *, albedo=1.0, finer=2, noise=0.0, seed=0, margin_mm=4.0):
    """
    (views, truth on the grid): each view rendered finer than the grid and averaged, with the deck going on outside.
    """
    pad = int(np.ceil(margin_mm / grid.step_mm))
    step = grid.step_mm / finer
    fine = Grid(
        grid.x0_mm - pad * grid.step_mm - grid.step_mm / 2 + step / 2,
        grid.y1_mm + pad * grid.step_mm + grid.step_mm / 2 - step / 2,
        step, (grid.rows + 2 * pad) * finer, (grid.columns + 2 * pad) * finer,
    )  # fmt: skip
    x, y = np.meshgrid(fine.x_mm, fine.y_mm)
    height = height_of(x, y)
    paint = albedo(x, y) if callable(albedo) else albedo
    rng = np.random.default_rng(seed)

    def shrink(a):
        a = a.reshape(grid.rows + 2 * pad, finer, grid.columns + 2 * pad, finer).mean(axis=(1, 3))
        return a[pad : pad + grid.rows, pad : pad + grid.columns]

    views = []
    for light in lights:
        seen = shrink(picture(height, fine, light, albedo=paint))
        seen = seen + noise * rng.standard_normal(seen.shape)
        views.append(LitView(seen.astype(np.float32), light, float("nan")))
    return tuple(views), shrink(height)
