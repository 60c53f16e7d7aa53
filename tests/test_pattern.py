"""Lattices found against lattices known by construction; random and smooth surfaces told apart."""

import numpy as np
import pytest

from texscan import pattern
from texscan.model import FLAGS

STEP_MM = 0.15
SHAPE = (500, 700)


def lattice(first, second, *, height=0.5, radius=0.36, shape=SHAPE, step=STEP_MM):
    """Flat-topped bumps at every point of the lattice with these vectors (x, y) [mm]."""
    inverse = np.linalg.inv(np.array([first, second], float))
    y, x = np.indices(shape) * step
    u = x * inverse[0, 0] - y * inverse[1, 0]
    v = x * inverse[0, 1] - y * inverse[1, 1]
    across = np.maximum(np.abs(u % 1 - 0.5), np.abs(v % 1 - 0.5))
    return np.clip((radius - across) / 0.12, 0, 1) * height


def noise(rms, seed=1, shape=SHAPE):
    return np.random.default_rng(seed).normal(size=shape) * rms


def turned(length, degrees):
    return length * np.cos(np.radians(degrees)), length * np.sin(np.radians(degrees))


@pytest.mark.parametrize(
    ("first", "second"),
    [
        (turned(3.0, 20), turned(3.0, 110)),  # squares
        (turned(3.9, 5), turned(3.9, 65)),  # lozenges
        (turned(2.6, 40), turned(5.0, 120)),  # oblongs
        (turned(4.0, 90), turned(4.0, 0)),
    ],
    ids=["squares", "lozenges", "oblongs", "straight"],
)
def test_pitch_and_direction_of_a_known_lattice(first, second):
    found = pattern.find(lattice(first, second) + noise(0.05), STEP_MM)
    assert found.kind == "repeating"
    assert found.flags == ()
    known = sorted((np.hypot(*v), np.degrees(np.arctan2(v[1], v[0])) % 180) for v in (first, second))
    got = sorted((p.value, d) for p, d in zip(found.pitch_mm, found.direction_deg, strict=True))
    assert [p for p, _ in got] == pytest.approx([p for p, _ in known], rel=0.002)
    if known[1][0] - known[0][0] > 0.1:
        assert [d for _, d in got] == pytest.approx([d for _, d in known], abs=0.5)
    # the same lattice, whichever of its bases: integer relation with determinant +-1
    relation = found.vectors_mm @ np.linalg.inv(np.array([first, second]))
    assert relation == pytest.approx(np.round(relation), abs=0.02)
    assert abs(np.linalg.det(np.round(relation))) == 1


def test_intervals_hold_the_pitch():
    held = 0
    for seed in range(10):
        first, second = turned(3.0 + 0.13 * seed, 9 * seed), turned(3.5 + 0.1 * seed, 9 * seed + 80)
        found = pattern.find(lattice(first, second, shape=(300, 400)) + noise(0.08, seed, (300, 400)), STEP_MM)
        shortest = min(found.pitch_mm, key=lambda p: p.value)
        held += shortest.low <= np.hypot(*first) <= shortest.high
    assert held >= 8  # of 10 at 95 %


def test_the_unit_cell_is_the_mean_texture():
    first, second = turned(3.0, 0), turned(3.0, 90)
    z = lattice(first, second)
    found = pattern.find(z + noise(0.1), STEP_MM)
    # noise of 0.1 mm averaged over some 60 pixels a sample leaves 0.013 mm; the cell spans floor to top
    assert np.nanmin(found.cell) == pytest.approx(0.0, abs=0.06)
    assert np.nanmax(found.cell) == pytest.approx(0.5, abs=0.06)
    again = pattern.unfolded(found.cell, found.vectors_mm, z.shape, STEP_MM)
    assert np.corrcoef(again[np.isfinite(again)], z[np.isfinite(again)])[0, 1] > 0.97
    worn = z.copy()
    worn[:, 350:] = np.minimum(worn[:, 350:], 0.2)
    left = np.zeros(SHAPE, bool)
    left[:, :350] = True
    assert np.nanmax(pattern.unit_cell(worn, STEP_MM, found.vectors_mm, left)) == pytest.approx(0.5, abs=1e-6)


def test_ridges_have_one_direction():
    y, x = np.indices(SHAPE) * STEP_MM
    direction = np.radians(25.0)
    along = x * np.cos(direction) - y * np.sin(direction)  # y of the card frame points up
    found = pattern.find(0.25 * np.sin(2 * np.pi * along / 3.2) + noise(0.03), STEP_MM)
    assert found.kind == "repeating"
    assert len(found.pitch_mm) == 1
    assert found.pitch_mm[0].value == pytest.approx(3.2, rel=0.003)
    assert found.direction_deg[0] == pytest.approx(25.0, abs=0.5)
    assert found.cell is None


def test_random_grains_do_not_repeat():
    rng = np.random.default_rng(7)
    z = np.zeros(SHAPE)
    y, x = np.indices(SHAPE) * STEP_MM
    for cx, cy, r in zip(rng.uniform(0, 105, 900), rng.uniform(0, 75, 900), rng.uniform(0.8, 1.6, 900), strict=True):
        box = np.s_[max(0, int((cy - 2) / STEP_MM)) : int((cy + 2) / STEP_MM),
                    max(0, int((cx - 2) / STEP_MM)) : int((cx + 2) / STEP_MM)]  # fmt: skip
        inside = 1 - ((x[box] - cx) ** 2 + (y[box] - cy) ** 2) / r**2
        z[box] = np.maximum(z[box], 0.5 * np.sqrt(np.clip(inside, 0, None)))
    assert pattern.find(z, STEP_MM).kind == "random"


def test_smooth_and_empty_maps_have_no_texture():
    assert pattern.find(noise(0.01), STEP_MM).kind == "none"
    assert pattern.find(np.full(SHAPE, np.nan), STEP_MM).kind == "none"
    assert pattern.find(np.zeros(SHAPE), STEP_MM).kind == "none"


def test_a_worn_half_and_holes_leave_the_lattice():
    z = lattice(turned(3.0, 20), turned(3.0, 110)) + noise(0.03)
    z[:, 400:] = np.minimum(z[:, 400:], 0.2)
    z[100:300, 100:300] = np.nan
    found = pattern.find(z - np.nanmean(z), STEP_MM)
    assert [p.value for p in found.pitch_mm] == pytest.approx([3.0, 3.0], rel=0.003)
    assert set(found.flags) <= set(FLAGS)
