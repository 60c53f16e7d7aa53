"""
Reach of an abrasive with a round tip: exact geometry of a disc in a groove, on a slot and over a bump.

All closed forms are derived from the circle: the tip touches where the surface is no more curved than the tip itself.
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import ndimage

from texscan.model import Budget, Term
from texscan.reach import RADII_MM, closing, reach

ROWS = 9
EXACT = Budget()


def along(profile):
    """A surface that is the same in every row."""
    return np.tile(np.asarray(profile, np.float32), (ROWS, 1))


def groove(step, pitch=3.0, depth=0.5):
    x = np.arange(round(2 * pitch / step)) * step  # ridges and apexes on grid points, two periods
    return along(depth * np.abs((x % pitch) - pitch / 2) / (pitch / 2))


def wave(step, amplitude=0.25, pitch=3.0, periods=2):
    x = np.arange(round(periods * pitch / step)) * step  # crests and valleys on grid points
    return along(amplitude * np.cos(2 * np.pi * x / pitch))


# Derived: fully touched up to r = 1 / (A k^2) = 0.9119 mm; beyond, the half-width of the untouched valley solves
# xc sqrt(1 + z'^2) / z' = r with z' = A k sin(k xc), and the gap in its middle follows.
@pytest.mark.parametrize(
    ("radius_mm", "deepest_gap_mm", "untouched"),
    [(0.9, 0.0, 0.0), (1.0, 0.0018, 0.1717), (1.5, 0.0505, 0.4589), (2.0, 0.1133, 0.6016), (3.0, 0.2084, 0.7399)],
)
def test_a_ball_over_a_sinusoid(radius_mm, deepest_gap_mm, untouched):
    height = wave(0.03)
    gap = (closing(height, 0.03, radius_mm) - height)[:, 100:]
    assert gap.max() == pytest.approx(deepest_gap_mm, abs=0.001)  # the ball stands on grid points, 0.03 mm apart
    touch_mm = 2e-4 if untouched else 1e-3
    found = reach(height, 0.03, (radius_mm,), budget=EXACT, touch_mm=touch_mm)[0]
    # near the point of contact gaps are below the touch limit: up to two steps a side count as touched
    assert 1 - found.fraction.value == pytest.approx(untouched, abs=0.045)


# Derived: wall angle th with tan th = 2 D / p; untouched share 2 r sin th / p, gap at the apex r (1 / cos th - 1),
# gap area r^2 (tan th - th).
def test_a_ball_in_a_v_groove():
    height = groove(0.02)
    gap = closing(height, 0.02, 1.0) - height
    assert gap.max() == pytest.approx(0.0541, abs=0.0005)
    assert gap[ROWS // 2].sum() * 0.02 / 2 == pytest.approx(0.01158, rel=0.02)
    found = reach(height, 0.02, (1.0,), budget=EXACT, touch_mm=1e-5)[0]
    assert 1 - found.fraction.value == pytest.approx(0.2108, abs=0.02)
    assert found.gap_mm.value == pytest.approx(0.01158 / 3.0, rel=0.02)


# Derived: floor touched over s - 2 r while r <= D, and s - 2 sqrt(2 r D - D^2) beyond.
@pytest.mark.parametrize(("radius_mm", "width_mm"), [(0.2, 0.600), (0.5, 0.0835), (0.6, 0.0)])
def test_a_ball_on_the_floor_of_a_slot(radius_mm, width_mm):
    step, slot, depth = 0.01, 1.0, 0.3
    x = (np.arange(300) + 0.5) * step
    floor = np.abs(x - 1.5) < slot / 2
    height = along(np.where(floor, -depth, 0.0))[:3]
    gap = closing(height, step, radius_mm) - height
    touched = (gap[1][floor] < 1e-5).sum() * step
    assert touched == pytest.approx(width_mm, abs=2.5 * step)  # both corners, to a step each


# Derived: the ball meets the plane at d = sqrt(R^2 + 2 R r) and the bump at height R r / (R + r); untouched true area
# 2 pi R r + 2 pi R^2 r / (R + r) of p^2 + pi R^2.
@pytest.mark.parametrize(("radius_mm", "untouched"), [(0.25, 0.1338), (0.5, 0.2408)])
def test_a_ball_round_hemispheres(radius_mm, untouched):
    step, bump, pitch = 0.03, 0.5, 3.0
    x = (np.arange(round(pitch / step)) + 0.5) * step - pitch / 2
    height = np.sqrt(np.maximum(bump**2 - x[:, None] ** 2 - x[None, :] ** 2, 0)).astype(np.float32)
    found = reach(height, step, (radius_mm,), budget=EXACT, touch_mm=1e-3)[0]
    # a hemisphere's foot is upright, which a grid of 0.03 mm cannot show; area and share are right to a few per cent
    assert 1 - found.fraction.value == pytest.approx(untouched, abs=0.035)


def test_a_flat_disc_touches_the_land_only():
    land = along(np.where(np.arange(300) % 100 < 40, 0.5, 0.0))
    found = reach(land, 0.1, (None,), budget=EXACT)[0]
    slopes = 2 * 3 * 2 * (np.sqrt(1 + 2.5**2) - 1) / 300  # two pixels at each of six edges stand steep
    assert found.fraction.value == pytest.approx(0.40, abs=slopes)
    assert found.gap_mm.value == pytest.approx(0.30, abs=1e-6)  # void depth of ridges: D (1 - land)


def test_the_closing_is_that_of_a_reference_library():
    # scipy.ndimage's grey closing with the same cap, mirrored at the edges.
    rng = np.random.default_rng(5)
    height = ndimage.gaussian_filter(rng.normal(0, 1, (40, 50)), 1.5).astype(np.float32)
    step, radius = 0.1, 0.4
    offsets = np.arange(-4, 5) * step
    squared = offsets[:, None] ** 2 + offsets[None, :] ** 2
    inside = squared <= radius**2
    cap = np.where(inside, np.sqrt(np.maximum(radius**2 - squared, 0)) - radius, -1e6)
    expected = ndimage.grey_closing(np.pad(height, 8, mode="symmetric"), footprint=inside, structure=cap)
    assert np.ptp(height) > radius
    assert closing(height, step, radius) == pytest.approx(expected[8:-8, 8:-8], abs=1e-5)


@given(st.integers(0, 100), st.floats(0.1, 1.0))
@settings(max_examples=15, deadline=None)
def test_a_larger_tip_touches_less(seed, scale):
    rough = np.random.default_rng(seed).normal(0, 1, (40, 40))
    height = (scale * ndimage.gaussian_filter(rough, 2)).astype(np.float32)
    found = reach(height, 0.1, (0.25, 0.5, 1.0, 2.0), budget=EXACT)
    gaps = [r.gap_mm.value for r in found]
    # each closing is exact on the grid's own points only: one ball's cap is not quite closed by the next
    assert (np.diff(gaps) >= -1e-4).all()
    assert min(gaps) >= 0


def test_uncertain_heights_give_the_reading_at_both_ends():
    height = wave(0.05)
    found = reach(height, 0.05, (1.5,), budget=Budget((Term("light", 0.1),)))[0]
    ends = [reach(height * g, 0.05, (1.5,), budget=EXACT)[0].gap_mm.value for g in (1 - 0.196, 1 + 0.196)]
    assert (found.gap_mm.low, found.gap_mm.high) == pytest.approx((min(ends), max(ends)), rel=1e-5)
    wider = reach(height, 0.05, (1.5,), budget=Budget((Term("light", 0.15),)))[0]
    assert wider.gap_mm.low <= found.gap_mm.low
    assert wider.gap_mm.high >= found.gap_mm.high


def test_holes_are_left_out():
    height = wave(0.05, periods=2)
    holed = height.copy()
    holed[2:4, 10:14] = np.nan
    full, part = (reach(h, 0.05, (0.25, 1.5), budget=EXACT) for h in (height, holed))
    assert np.isnan(closing(holed, 0.05, 0.25)[2:4, 10:14]).all()
    assert part[0].fraction.value == pytest.approx(full[0].fraction.value, abs=0.02)
    with pytest.raises(ValueError, match="no measured height"):
        reach(np.full((5, 5), np.nan), 0.05, budget=EXACT)


def test_a_large_map_is_read_on_a_coarser_grid_with_the_same_answer():
    step = 0.1
    x = np.arange(900) * step
    height = (0.25 * np.cos(2 * np.pi * x / 3)[:, None] * np.ones(700)).astype(np.float32)
    large = reach(height, step, (5.0,), budget=EXACT)[0]
    small = reach(height[:120, :30], step, (5.0,), budget=EXACT)[0]
    # Derived for a radius of 5 mm: 0.8437 of the true area untouched
    assert 1 - small.fraction.value == pytest.approx(0.8437, abs=0.15)  # 0.02 mm counts as touched: 0.14 by geometry
    assert large.fraction.value == pytest.approx(small.fraction.value, abs=0.04)
    assert large.gap_mm.value == pytest.approx(small.gap_mm.value, abs=0.01)


def test_the_default_tips_run_from_bristle_to_flat_disc():
    found = reach(wave(0.1, periods=2), 0.1, budget=EXACT)
    assert tuple(r.radius_mm for r in found) == RADII_MM
    assert found[0].fraction.value == 1.0  # smaller than a step: all that the map can show
    assert found[-1].gap_mm.value == max(r.gap_mm.value for r in found)


def test_a_map_too_large_to_read_whole_is_read_on_tiles_with_the_answer_of_the_whole():
    # The slow obvious version: the closing of the whole map by scipy.ndimage, judged away from the hole.
    rng = np.random.default_rng(8)
    step, radius = 0.1, 1.0
    height = (1.2 * ndimage.gaussian_filter(rng.normal(0, 1, (1300, 1200)), 3)).astype(np.float32)
    height[600:640, 100:900] = np.nan
    found = reach(height, step, (radius,), budget=EXACT)[0]
    offsets = np.arange(-10, 11) * step
    squared = offsets[:, None] ** 2 + offsets[None, :] ** 2
    cap = np.where(squared <= radius**2, np.sqrt(np.maximum(radius**2 - squared, 0)) - radius, -1e6)
    part = height[:300, :300]  # a part is enough to compare with, and is quick
    gap = ndimage.grey_closing(part, structure=cap, mode="reflect") - part
    assert np.ptp(part) < radius
    assert found.gap_mm.low < found.gap_mm.value < found.gap_mm.high  # the choice of tiles is in the interval
    assert found.gap_mm.value == pytest.approx(gap[20:-20, 20:-20].mean(), rel=0.06)  # scatter between parts


def test_holes_shift_no_figure_of_what_is_left():
    # A law: what is measured away from a hole is read the same with and without it.
    rng = np.random.default_rng(9)
    height = ndimage.gaussian_filter(rng.normal(0, 1, (120, 160)), 2).astype(np.float32)
    holed = height.copy()
    holed[:, :40] = np.nan
    full = reach(height[:, 40:], 0.1, (0.3,), budget=EXACT)[0]
    part = reach(holed, 0.1, (0.3,), budget=EXACT)[0]
    assert part.gap_mm.value == pytest.approx(full.gap_mm.value, rel=0.05)  # a strip of 3 pixels fewer
