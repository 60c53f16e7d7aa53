"""Parallax of the relief's own depth, against rays traced one by one."""

import numpy as np
import pytest

from texscan.model import Grid
from texscan.orthographic import without_parallax

GRID = Grid(0.0, 30.0, 0.1, 300, 300)
LEVEL_MM = -0.4


def surface(x, y):
    return -0.4 + 0.25 * np.sin(2 * np.pi * x / 4) * np.cos(2 * np.pi * y / 5)


@pytest.mark.parametrize("eye", [(15.0, 15.0, 400.0), (-60.0, -170.0, 380.0)])
def test_heights_come_back_to_their_true_places(eye):
    eye = np.array(eye)
    x, y = np.meshgrid(GRID.x_mm, GRID.y_mm)
    foot = np.stack([x, y, np.full_like(x, LEVEL_MM)])
    ray = foot - eye[:, None, None]
    t = np.ones_like(x)
    for _ in range(60):  # where each ray from the eye through its place on the plane meets the surface
        z = eye[2] + t * ray[2]
        t += (surface(eye[0] + t * ray[0], eye[1] + t * ray[1]) - z) / ray[2]
    seen = (eye[2] + t * ray[2]).astype(np.float32)
    found = without_parallax(seen, GRID, eye, LEVEL_MM)
    inner = np.s_[10:-10, 10:-10]
    left_in = np.abs(seen - surface(x, y))[inner].max()
    assert np.abs(found - surface(x, y))[inner].max() < max(0.15 * left_in, 0.004)


def test_unmeasured_places_stay_unmeasured():
    height = np.full(GRID.shape, -0.4, np.float32)
    height[100:120, 100:120] = np.nan
    found = without_parallax(height, GRID, np.array([15.0, 15.0, 400.0]), LEVEL_MM)
    assert np.isnan(found[105:115, 105:115]).all()
    assert np.isfinite(found[:90]).all()
