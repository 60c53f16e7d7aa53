"""The height solver as a whole: answers known by geometry, laws that any solver must keep, and refusals."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from relief_scenes import grid_of, lamp, picture, squares, views_of

from texscan.errors import ReliefError
from texscan.model import FLAGS, LitView
from texscan.relief import Settings, arrangement, settings_for, solve, solver, solver_u
from texscan.relief.solver import contrast, size_read

# The plain renderer knows neither a clear skin nor bounced light, so the solver is told that there is none.
ROUND = (20, 110, 200, 290)


def matt(views: int) -> Settings:
    return replace(settings_for(views, 1.0), roughness=None, bounce=False)


def solved(height_of, grid, azimuths=ROUND, *, elevation=25, distance=500, settings=None, **render):
    """Solved and true heights, both about their means."""
    views, truth = views_of(height_of, grid, [lamp(a, elevation, distance) for a in azimuths], **render)
    relief = solve(views, grid, paper_reflectance=1.0, settings=settings or matt(len(views)))
    return relief.height_mm - np.nanmean(relief.height_mm), truth - truth.mean(), relief


def dome(x, y, *, height=0.25, sigma=1.2, x0=0.0, y0=0.0):
    return height * np.exp(-((x - x0) ** 2 + (y - y0) ** 2) / (2 * sigma**2))


@pytest.mark.parametrize("azimuths", [ROUND, (20, 200), (20,)])
def test_a_level_deck_with_camera_noise_is_flat(azimuths):
    grid = grid_of(96, 96, 0.1)
    got, _, relief = solved(lambda x, y: 0 * x, grid, azimuths, noise=0.005)
    assert np.abs(got).max() < 0.01  # mm; the shallowest texture that matters is 0.1 mm
    assert "nearly-smooth" in relief.flags
    assert relief.shading_over_shadow is None


def domes(x, y, *, pitch=3.0):
    return dome((x + pitch / 2) % pitch - pitch / 2, (y + pitch / 2) % pitch - pitch / 2, sigma=0.6)


@pytest.mark.parametrize("azimuths", [ROUND, (20, 110)])
def test_a_dome_of_known_shape_is_exact_when_nothing_is_presumed(azimuths):
    """Closed form: the truth is the function that was rendered. 2 % of the height for the pixels' finite size."""
    trusting = replace(matt(len(azimuths)), slope_u=1.0, slope_knee=1e9, flat_u_mm=3.0)
    got, truth, _ = solved(dome, grid_of(120, 120, 0.1), azimuths, settings=trusting)
    assert np.sqrt(np.mean((got - truth) ** 2)) < 0.02 * 0.25


# What the pull to flat land may cost, measured when the settings were chosen; r falls as fewer lights see the slope.
@pytest.mark.parametrize(
    ("azimuths", "size", "r"),
    [(ROUND, 0.06, 0.995), ((20, 200), 0.2, 0.95), ((20, 110), 0.2, 0.95), ((20,), 0.25, 0.9)],
)
def test_a_texture_of_gentle_domes_keeps_its_size(azimuths, size, r):
    got, truth, _ = solved(domes, grid_of(120, 120, 0.1), azimuths)
    assert got.std() == pytest.approx(truth.std(), rel=size)
    assert np.corrcoef(got.ravel(), truth.ravel())[0, 1] > r


def test_a_bump_lit_from_the_left_is_bright_on_its_left_and_comes_out_as_a_bump():
    grid = grid_of(100, 100, 0.1)
    views, _ = views_of(dome, grid, [lamp(180, 25, 500)])
    brightness = views[0].brightness
    assert brightness[50, 40] > 1 > brightness[50, 60]
    height = solve(views, grid, paper_reflectance=1.0, settings=matt(1)).height_mm
    assert height[50, 50] > height[50, [5, 95]].max() + 0.1


def test_shadows_of_known_blocks_set_their_height():
    got, truth, relief = solved(squares, grid_of(160, 160, 0.1), noise=0.003)
    assert got.std() == pytest.approx(truth.std(), rel=0.05)
    assert np.corrcoef(got.ravel(), truth.ravel())[0, 1] > 0.99
    assert relief.shading_over_shadow is not None


def test_all_lengths_doubled_double_the_heights():
    """The solver's own lengths (12 mm, 6 mm, the coarsest grid) break the law a little: 5 %."""
    small, _, _ = solved(dome, grid_of(96, 96, 0.1))
    large, _, _ = solved(lambda x, y: 2 * dome(x / 2, y / 2), grid_of(96, 96, 0.2), distance=1000, margin_mm=8)
    assert np.sqrt(np.mean((large - 2 * small) ** 2)) < 0.05 * np.ptp(2 * small)


def uneven(x, y):
    return dome(x, y, x0=1.0, y0=-0.5) + dome(x, y, height=0.12, sigma=0.7, x0=-2.0, y0=1.5)


@pytest.mark.parametrize(
    ("turn", "azimuth"),
    [(lambda a: a[:, ::-1], lambda a: 180 - a), (lambda a: np.rot90(a), lambda a: a + 90)],
    ids=["mirrored", "turned by 90 degrees"],
)
def test_a_mirrored_or_turned_scene_gives_the_mirrored_or_turned_map(turn, azimuth):
    grid = grid_of(96, 96, 0.1)
    views, _ = views_of(uneven, grid, [lamp(a, 25, 500) for a in (20, 200)])
    turned = tuple(
        replace(
            v, brightness=np.ascontiguousarray(turn(v.brightness)), light=lamp(azimuth(v.light.azimuth_deg), 25, 500)
        )
        for v in views
    )
    plain, other = (solve(v, grid, paper_reflectance=1.0, settings=matt(2)).height_mm for v in (views, turned))
    # Not to the last digit: the coarse grids and the fans' rays do not fall on the same places.
    assert np.sqrt(np.mean((turn(plain) - other) ** 2)) < 0.02 * np.ptp(plain)


def test_light_photo_and_heights_share_one_grid_to_a_tenth_of_a_pixel():
    """The centre of mass of a dome off the grid's points; half a pixel would be 0.05 mm."""
    grid = grid_of(96, 96, 0.1)
    got, truth, _ = solved(lambda x, y: dome(x, y, sigma=0.8, x0=0.33, y0=-0.27), grid)
    x, y = np.meshgrid(grid.x_mm, grid.y_mm)
    near = np.hypot(x - 0.33, y + 0.27) < 2.5
    for axis in (x, y):
        got_at, true_at = (
            (axis * (z - z[near].min()))[near].sum() / (z - z[near].min())[near].sum() for z in (got, truth)
        )
        assert got_at == pytest.approx(true_at, abs=0.01)


def test_stains_do_not_turn_into_relief_where_four_lights_see_them():
    """30 % blotches, 2 mm wide: an albedo error of 30 % read as a slope would be tan(25) x 0.3 = 0.14 everywhere."""

    def blotches(x, y):
        return 0.6 * (1 + 0.3 * np.sign(np.sin(1.5 * x) * np.sin(1.5 * y)))

    grid = grid_of(96, 96, 0.1)
    flat, _, _ = solved(lambda x, y: 0 * x, grid, albedo=blotches)
    bump, truth, _ = solved(dome, grid, albedo=blotches)
    assert flat.std() < 0.01
    assert np.sqrt(np.mean((bump - truth) ** 2)) < 0.05 * 0.25


def test_what_no_view_measured_stays_unmeasured_and_specks_are_filled():
    grid = grid_of(96, 96, 0.1)
    views, _ = views_of(dome, grid, [lamp(a, 25, 500) for a in ROUND])

    def holed(view):
        brightness = view.brightness.copy()
        brightness[:, :12] = np.nan  # the card
        brightness[60:80, 60:80] = np.nan  # a fitting
        brightness[30:32, 50:52] = np.nan  # clipped specks
        return replace(view, brightness=brightness)

    before = tuple(holed(view) for view in views)
    copies = [view.brightness.copy() for view in before]
    height = solve(before, grid, paper_reflectance=1.0, settings=matt(4)).height_mm
    assert height.shape == grid.shape
    assert np.isnan(height[:, :12]).all()
    assert np.isnan(height[64:76, 64:76]).all()
    assert np.isfinite(height[30:32, 50:52]).all()
    assert all(np.array_equal(v.brightness, c, equal_nan=True) for v, c in zip(before, copies, strict=True))


def test_the_top_plane_lies_a_card_thickness_below_the_card():
    _, _, relief = solved(squares, grid_of(96, 96, 0.1))
    assert np.quantile(relief.height_mm, 0.98) == pytest.approx(-0.15, abs=1e-3)  # contract: card 0.15 mm, top 2 %


@pytest.mark.parametrize(
    ("azimuths", "kind"),
    [((10,), "one"), ((10, 25), "one"), ((350, 10), "one"), ((0, 180), "opposed"), ((0, 220), "opposed"),
     ((0, 90), "square"), ((0, 15, 90), "square"), ((0, 120, 240), "many"), ((0, 90, 180, 270), "many")],
)  # fmt: skip
def test_lights_are_counted_by_the_sides_they_come_from(azimuths, kind):
    blank = np.ones((2, 2), np.float32)
    views = tuple(LitView(blank, lamp(a, 25, 500)) for a in azimuths)
    assert arrangement(views) == kind


def test_fewer_sides_and_no_card_are_less_certain():
    blank = np.ones((2, 2), np.float32)
    one, two, four = (tuple(LitView(blank, lamp(a, 25, 500)) for a in s) for s in [(0,), (0, 180), ROUND])
    assert solver_u(one, card=True) > solver_u(two, card=True) > solver_u(four, card=True)
    assert solver_u(four, card=False) > solver_u(four, card=True)


@pytest.mark.parametrize("side", [0, 180, 90])
def test_views_of_little_light_and_shade_are_less_certain(side):
    """Contrast: a chequer of 1 +- c has a standard deviation of c over a median of 1."""
    chequer = np.indices((40, 41)).sum(axis=0) % 2 * 2.0 - 1
    flat, half, deep = (
        tuple(LitView(1 + c * chequer, lamp(a, 25, 500)) for a in (0, side)) for c in (0.01, 0.3, 0.6)
    )
    assert contrast(deep) == pytest.approx(0.6 / (1 + 0.6 * np.median(chequer)), rel=1e-2)
    gain_u, contact_u = (np.array(u) for u in zip(*(solver_u(v, card=True) for v in (flat, half, deep)), strict=True))
    assert (np.diff(gain_u) < 0).all()
    assert (np.diff(contact_u) < 0).all()
    blank = (flat[0], replace(flat[1], brightness=0 * chequer + 1))
    assert solver_u(blank, card=True) == solver_u(flat, card=True)  # beyond the calibration decks it stays


def test_the_correction_of_size_stays_within_what_the_calibration_decks_showed():
    for kind in ("opposed", "square", "many"):
        sizes = [size_read(kind, ratio) for ratio in (0.1, 0.5, 0.7, 0.95, 1.4)]
        assert sizes[0] == sizes[1] < sizes[2] < sizes[3] == sizes[4]
        assert 0.9 < sizes[0] < sizes[4] < 1.1
        assert size_read(kind, None) == 1.0  # no shadows to compare with
    assert size_read("one", 0.7) == 1.0


def test_heights_do_not_depend_on_the_room_added_for_fast_transforms(monkeypatch):
    """112 x 130 pixels have 113 x 131 nodes, both primes. Reference: the same solution without added room."""
    grid = grid_of(112, 130, 0.1)
    views, _ = views_of(domes, grid, [lamp(a, 25, 500) for a in ROUND])
    roomy = solve(views, grid, paper_reflectance=1.0, settings=matt(4)).height_mm
    monkeypatch.setattr(solver.fft, "next_fast_len", lambda size, real: size)
    tight = solve(views, grid, paper_reflectance=1.0, settings=matt(4)).height_mm
    assert roomy.shape == grid.shape
    assert np.isfinite(roomy).all()
    assert roomy == pytest.approx(tight, abs=0.005)  # of 0.25 mm; the solver stops at a residual of 0.3 %


def test_two_lights_from_one_side_are_flagged():
    _, _, relief = solved(dome, grid_of(64, 64, 0.1), (10, 20))
    assert {"same-light", "one-view"} <= set(relief.flags)
    assert set(relief.flags) <= set(FLAGS)


@pytest.mark.parametrize(
    ("azimuths", "flag"),
    [((0, 180), "grooves-along-light"), ((45, 225), None), ((0,), "grooves-under-one-light"), ((0, 90), None)],
)
def test_grooves_along_the_only_axis_of_light_are_told(azimuths, flag):
    """Squares have grooves along x and along y; lights along x leave the former in even light from end to end."""

    def grooved(x, y):
        return squares(x, y, pitch=6.0, top=4.2, base=5.2, height=0.4)

    found, truth, relief = solved(grooved, grid_of(140, 140, 0.1), azimuths)
    told = {"grooves-along-light", "grooves-under-one-light"} & set(relief.flags)
    assert told == ({flag} if flag else set())
    if flag is None:
        assert np.corrcoef(found.ravel(), truth.ravel())[0, 1] > 0.95
    if flag == "grooves-along-light":  # the interval reaches from next to nothing to more than twice the reading
        assert relief.gain_u > 0.5


def test_refusals_say_what_was_found_and_what_to_do():
    grid = grid_of(64, 64, 0.1)
    blank = np.full(grid.shape, np.nan, np.float32)
    with pytest.raises(ReliefError, match="No lit view"):
        solve((), grid, paper_reflectance=0.8)
    with pytest.raises(ReliefError, match="0 pixels show deck"):
        solve((LitView(blank, lamp(0, 25, 500)),), grid, paper_reflectance=0.8)
    dark = LitView(np.zeros(grid.shape, np.float32), lamp(0, 25, 500))
    with pytest.raises(ReliefError, match="View 1 shows no lit deck"):
        solve((dark,), grid, paper_reflectance=0.8)
    lit = replace(dark, brightness=np.ones(grid.shape, np.float32))
    with pytest.raises(ReliefError, match="View 2 shows no lit deck"):
        solve((lit, replace(dark, brightness=blank)), grid, paper_reflectance=0.8)
    with pytest.raises(ValueError, match="does not lie on a grid"):
        solve((replace(dark, brightness=np.ones((3, 3), np.float32)),), grid, paper_reflectance=0.8)


def test_the_renderer_of_these_tests_casts_the_shadow_of_a_known_wall():
    """A wall 0.5 mm high under a distant lamp at 30 degrees: shadow 0.5 / tan 30 = 0.87 mm long."""
    grid = grid_of(20, 400, 0.01)
    x, _ = np.meshgrid(grid.x_mm, grid.y_mm)
    seen = picture(np.where(x > 0, 0.5, 0.0), grid, replace(lamp(0, 30, 500), inverse_distance_per_mm=0.0))
    assert (seen[10] == 0).sum() * 0.01 == pytest.approx(0.5 / math.tan(math.radians(30)), abs=0.03)
