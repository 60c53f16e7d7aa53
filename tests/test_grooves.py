"""Families of grooves, told from the directions of slopes, which drawn textures have by construction."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage

from texscan.relief.grooves import MOST_IN_ONE_FAMILY, in_one_family

STEP_MM = 0.1
SIZE = 400
PITCH_MM, WIDTH_MM, DEPTH_MM = 5.0, 0.9, 0.4


def family(direction_deg: float, depth_mm: float = DEPTH_MM) -> np.ndarray:
    """Heights [mm] of one family of parallel grooves that run in a direction, with sloped sides."""
    x, y = (np.arange(SIZE) - SIZE / 2) * STEP_MM, (SIZE / 2 - np.arange(SIZE)) * STEP_MM
    turn = np.radians(direction_deg)
    off = (y[:, None] * np.cos(turn) - x * np.sin(turn)) % PITCH_MM
    near = np.minimum(off, PITCH_MM - off)
    return -depth_mm * np.clip((WIDTH_MM - near) / 0.3, 0, 1)


def crossed(first_deg: float, second_deg: float, second_mm: float = DEPTH_MM) -> np.ndarray:
    return np.minimum(family(first_deg), family(second_deg, second_mm))


def grains(seed: int) -> np.ndarray:
    """A random surface that is alike in all directions."""
    z = ndimage.gaussian_filter(np.random.default_rng(seed).normal(size=(SIZE, SIZE)), 5.0)
    return 0.1 * z / z.std()


@pytest.mark.parametrize("turn", [0, 33, 120])
def test_two_families_alike_have_half_each(turn):
    """Both have the same section, so the same slopes; where they cross, each loses the same."""
    assert in_one_family(crossed(turn, turn + 70), STEP_MM) == pytest.approx(0.5, abs=0.05)


@pytest.mark.parametrize("turn", [0, 33, 120])
def test_a_family_that_is_hardly_read_leaves_the_other_one(turn):
    """Energy goes with the square of the slope: 1 beside the square of the depths' ratio, where they do not cross."""
    for left, least in ((0.5, 1 / (1 + 0.5**2)), (0.25, 1 / (1 + 0.25**2))):
        assert in_one_family(crossed(turn, turn + 70, left * DEPTH_MM), STEP_MM) > least - 0.02
    assert in_one_family(crossed(turn, turn + 70, 0.25 * DEPTH_MM), STEP_MM) > MOST_IN_ONE_FAMILY


def test_one_family_alone_is_all_of_it():
    assert in_one_family(family(90), STEP_MM) == pytest.approx(1, abs=0.02)


@pytest.mark.parametrize("seed", [3, 4])
def test_a_texture_that_is_alike_in_all_directions_has_no_families(seed):
    assert in_one_family(grains(seed), STEP_MM) == 0


def test_a_plane_has_none():
    assert in_one_family(np.zeros((50, 60)), STEP_MM) == 0


def test_turning_the_patch_by_a_quarter_changes_nothing():
    z = crossed(20, 80, 0.6 * DEPTH_MM)
    assert in_one_family(np.rot90(z), STEP_MM) == pytest.approx(in_one_family(z, STEP_MM), abs=1e-3)


def test_gaps_in_the_map_are_no_grooves():
    z = crossed(10, 80)
    whole = in_one_family(z, STEP_MM)
    z[:, 190:210] = np.nan
    assert in_one_family(z, STEP_MM) == pytest.approx(whole, abs=0.02)
    assert in_one_family(np.where(np.isfinite(z), 0.0, np.nan), STEP_MM) == 0
