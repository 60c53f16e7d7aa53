"""
What guards against wrong but plausible photos; the table of all cases is `python tests/trust/plausible.py`.

Scenes are numbers of the test itself, so the answer is known: a shadow drawn into one view, sizes that disagree.
"""

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
import relief_scenes
import truth
from scipy import ndimage

from texscan import files
from texscan.budget import budget_of
from texscan.errors import CardError, ReliefError
from texscan.filters import filtered
from texscan.inputs import read_settings
from texscan.linear import ToneCurve, to_linear
from texscan.locate import Camera, Sighting, locate
from texscan.mapping import map_heights
from texscan.model import Filters, LitView, Measured, Relief
from texscan.one_light import across_light_share, order, refuse_dark_along_light, with_print_in_doubt
from texscan.rectify import common_grid
from texscan.same_patch import cast_shadows
from texscan.texture import figures, measured

GRID = relief_scenes.grid_of(400, 300, 0.2)
X, Y = np.meshgrid(GRID.x_mm, GRID.y_mm)
LEG = (abs(X - 5) < 6) & (Y > -10)  # 12 mm wide, from the far edge down


def view(brightness, azimuth_deg=90.0):
    light = relief_scenes.lamp(azimuth_deg, 25.0, 600.0)
    return LitView(brightness.astype(np.float32), light)


def texture(seed):
    """Paint of one patch with fine light and shade that differs by view."""
    stain = 0.5 + 0.2 * np.sin(X / 9) * np.cos(Y / 7)
    return stain * np.random.default_rng(seed).choice([0.4, 1.3], GRID.shape)


def test_a_leg_s_shadow_in_one_photo_is_found_with_its_edges_and_stain_is_not():
    one, other = texture(1), texture(2)
    shaded, lit = cast_shadows((view(np.where(LEG, 0.25 * one, one)), view(other, 270.0)), GRID)
    assert not lit.any()
    assert shaded[LEG].all()
    far = np.hypot(np.maximum(abs(X - 5) - 6, 0), np.maximum(-10 - Y, 0)) > 16  # window and penumbra reach 14 mm
    assert not shaded[far].any()


def test_what_is_dark_in_every_photo_is_paint():
    views = tuple(view(np.where(LEG, 0.25, 1.0) * texture(seed), 90.0 * seed) for seed in (1, 2, 3))
    assert not np.any(cast_shadows(views, GRID))
    assert not np.any(cast_shadows(views[:1], GRID))


def test_what_a_photo_does_not_show_is_no_shadow():
    gone = np.where(X < 0, np.nan, texture(1))
    assert not np.any(cast_shadows((view(gone), view(texture(2), 270.0)), GRID))


@pytest.mark.parametrize("disagree", [False, True])
def test_sizes_that_disagree_widen_the_interval_of_all_heights(disagree):
    light = replace(relief_scenes.lamp(90, 25, 600), ambient_share=Measured(0.02, 0.01, 0.03))
    lit = replace(view(texture(1)), light=light)
    flags = ("shading-and-shadow-disagree",) if disagree else ()
    relief = Relief(np.zeros((2, 2)), 0.045, 0.02, 1.3, (0.5,), 0.1, flags)
    budget = budget_of((lit,), relief, (ToneCurve(),), (), printed_bar_mm=100.0)
    plain = sum(term.relative_u**2 for term in budget.terms if term.name != "shading against shadow")
    assert budget.gain_u**2 - plain == pytest.approx(0.12**2 if disagree else 0.0)


@pytest.mark.parametrize("azimuth_deg", [10.0, 100.0, 235.0])
def test_relief_under_a_light_changes_the_picture_along_it_and_a_joint_along_it_does_not(azimuth_deg):
    """A wave of relief shows as the cosine of its angle to the light; joints along the light lie wholly across it."""
    a = np.radians(azimuth_deg)
    along, across = X * np.cos(a) + Y * np.sin(a), Y * np.cos(a) - X * np.sin(a)
    relief = view(1 + 0.4 * np.cos(2 * np.pi * along / 3), azimuth_deg)
    joints = view(np.where(abs((across + 200) % 20 - 10) < 1.5, 0.2, 1.0), azimuth_deg)
    assert across_light_share(relief, GRID) < 0.02
    assert across_light_share(joints, GRID) > 0.9
    refuse_dark_along_light((relief,), "a.jpg", GRID)
    opposite = view(joints.brightness, azimuth_deg + 180)
    refuse_dark_along_light((joints, opposite), "a.jpg", GRID)  # two photos tell them apart by themselves
    for views in ((joints,), (joints, joints)):  # two with one light do not
        with pytest.raises(ReliefError, match=r"a\.jpg, lit from one side only, runs along its light"):
            refuse_dark_along_light(views, "a.jpg", GRID)


def printed_and_raised(azimuth_deg, elevation_deg=22.0):
    """The same round studs as ink on a level deck, and as relief under a lamp by the law of matt paint."""
    pitch_mm = 6.0
    centre = np.hypot((X + 300) % pitch_mm - 3, (Y + 300) % pitch_mm - 3)
    studs = np.clip((2.2 - centre) / 0.6 + 0.5, 0, 1)
    a = np.radians(azimuth_deg)
    slope_down, slope_right = np.gradient(0.4 * studs, GRID.step_mm)
    towards = slope_right * np.cos(a) - slope_down * np.sin(a)
    raised = np.clip(1 - towards / np.tan(np.radians(elevation_deg)), 0.05, None)
    noise = np.random.default_rng(7).normal(0, 0.02, GRID.shape)
    return view(0.25 + 0.6 * studs + noise, azimuth_deg), view(0.6 * raised + noise, azimuth_deg)


@pytest.mark.parametrize("azimuth_deg", [0.0, 70.0, 205.0])
def test_studs_in_ink_look_the_same_after_half_a_turn_and_studs_in_relief_do_not(azimuth_deg):
    ink, relief = printed_and_raised(azimuth_deg)
    assert order(ink, GRID) < 0.02  # half a turn maps a round stud onto itself: zero but for noise
    assert order(relief, GRID) > 0.3
    turned = replace(relief, brightness=np.ascontiguousarray(relief.brightness[::-1, ::-1]))
    assert order(turned, GRID) == pytest.approx(order(relief, GRID), rel=1e-3)  # it has no sign
    brighter = replace(relief, brightness=3 * relief.brightness)
    assert order(brighter, GRID) == pytest.approx(order(relief, GRID), rel=1e-3)  # nor the paint's level


def test_order_agrees_with_a_slow_sum_over_all_pairs_of_places():
    """The definition, place by place, on white noise with a dark pixel right of each bright one."""
    grid = relief_scenes.grid_of(40, 30, 0.25)
    rng = np.random.default_rng(3)
    spots = rng.random(grid.shape) < 0.06
    picture = 1 + 2.0 * spots - 0.9 * np.roll(spots, 2, axis=1)
    lamp = relief_scenes.lamp(0, 25, 600)
    seen = LitView(picture.astype(np.float32), lamp)
    smooth = ndimage.gaussian_filter(picture, 16, mode="mirror", truncate=8)  # OpenCV's border is SciPy's mirror
    t = ndimage.gaussian_filter(picture / smooth - 1, 0.48, mode="mirror", truncate=8)
    t -= t.mean()
    squared = t * t - (t * t).mean()
    rows, columns = grid.shape
    best = 0.0
    for down in range(-15, 16):
        for right in range(-15, 16):
            here = np.s_[max(0, -down) : rows - max(0, down), max(0, -right) : columns - max(0, right)]
            there = np.s_[max(0, down) : rows - max(0, -down), max(0, right) : columns - max(0, -right)]
            best = max(best, abs((squared[here] * t[there]).mean() - (squared[there] * t[here]).mean()))
    assert order(seen, grid) == pytest.approx(best / (2 * t.std() ** 3), rel=0.02)  # kernels are cut at other widths


def test_a_print_under_one_light_is_flagged_and_its_interval_reaches_down_to_nothing():
    ink, relief = printed_and_raised(70.0)
    read = Relief(np.zeros((2, 2)), 0.26, 0.13, None, (0.5,), 0.1, ("one-view",))
    lit = replace(relief, light=replace(relief.light, ambient_share=Measured(0.02, 0.01, 0.03)))
    assert with_print_in_doubt(read, (relief,), GRID).flags == ("one-view",)
    opposite = replace(ink, light=relief_scenes.lamp(250.0, 22.0, 600.0))
    assert with_print_in_doubt(read, (ink, opposite), GRID).flags == ("one-view",)  # two lights tell by themselves
    doubted = with_print_in_doubt(read, (ink, ink), GRID)
    assert doubted.flags == ("one-view", "print-not-excluded")
    budget = budget_of((lit,), doubted, (ToneCurve(),), (), printed_bar_mm=100.0)
    z = np.random.default_rng(1).normal(0, 0.1, (60, 60))
    found = measured(z, 0.25, Filters(), budget)
    assert found["Sq_mm"].low < 0.02 * found["Sq_mm"].value
    assert (found["contact_area_fraction"].low, found["contact_area_fraction"].high) == (0.0, 1.0)


def test_a_mirrored_card_is_refused_though_some_of_its_markers_read_as_others():
    """In this one four mirrored markers of 49 read as others and fitted a camera; a mirror shows them all."""
    photo = files.load_photo(Path(__file__).parents[1] / "sample_images" / "panels" / "aft-deck-sun" / "a.jpg")
    mirrored = to_linear(replace(photo, pixels=np.ascontiguousarray(photo.pixels[:, ::-1])))
    with pytest.raises(CardError, match="mirrored"):
        locate(mirrored, read_settings(printed_bar_mm=100.0).card, focal_35mm=photo.focal_35mm)


def camera_over_the_card(pixel_mm):
    """A camera that looks straight down on the middle of the card's deck, its pixels that wide on it."""
    far_mm = 400.0
    focal_px = far_mm / pixel_mm
    shape = tuple(int(2 * focal_px * np.tan(np.radians(20))) for _ in range(2))
    down = np.diag([1.0, -1.0, -1.0])
    centre = ((shape[1] - 1) / 2, (shape[0] - 1) / 2)
    camera = Camera(focal_px, centre, 0.0, 0.0, down, down @ np.array([-99.0, -107.0, -far_mm]))
    return Sighting(camera, shape, 0.2, 100, 40, 0.001)


@pytest.mark.parametrize(("pixel_mm", "step_mm"), [(0.07, 0.1), (0.13, 0.13), (0.19, 0.19), (0.3, 0.2), (0.5, 0.25)])
def test_photos_of_coarse_pixels_are_laid_on_a_finer_grid(pixel_mm, step_mm):
    card = read_settings(printed_bar_mm=100.0).card
    assert common_grid((camera_over_the_card(pixel_mm),), card).step_mm == pytest.approx(step_mm, abs=0.0026)


def test_coarse_pixels_and_light_that_may_come_from_one_side_widen_the_interval_by_their_share():
    light = replace(relief_scenes.lamp(90, 25, 600), ambient_share=Measured(0.3, 0.29, 0.31), at_mm=(99.0, 107.0))
    relief = Relief(np.zeros((2, 2)), 0.045, 0.02, 1.0, (0.5,), 0.1)

    def variances(pixel_mm, even_share):
        lit = replace(view(texture(1)), light=light, even_share=even_share)
        sighting = camera_over_the_card(pixel_mm)
        budget = budget_of((lit,), relief, (ToneCurve(),), (sighting,), printed_bar_mm=100.0)
        return budget.gain_u**2, budget.contact_u**2

    plain = variances(0.15, 0.0)  # variances add, JCGM 100
    assert variances(0.19, 0.0) == pytest.approx(plain)  # finer than the S-filter asks for: as it was calibrated
    assert np.subtract(variances(0.15, 0.3), plain) == pytest.approx([(0.42 * 0.3) ** 2, 0])
    assert np.subtract(variances(0.5, 0.0), plain) == pytest.approx([0.35**2, 0.105**2], rel=1e-3)


def test_photos_of_a_quarter_of_the_size_still_tell_the_relief():
    """On a grid of the photos' own 0.5 mm these two read 42 % too little; truth: the heights that were rendered."""
    folder = Path(__file__).parents[1] / "sample_images" / "panels" / "foredeck-sound"
    settings = read_settings(printed_bar_mm=100.0)
    photos = [files.load_photo(folder / f"{name}.jpg") for name in "bd"]
    small = [cv2.resize(photo.pixels, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA) for photo in photos]
    mapped = map_heights(tuple(replace(p, pixels=s) for p, s in zip(photos, small, strict=True)), settings)
    known = truth.read("foredeck-sound", mapped.grid.x_mm, mapped.grid.y_mm).height_mm
    maps = [mapped.relief.height_mm, np.where(np.isfinite(mapped.relief.height_mm), known, np.nan)]
    read, true = (figures(filtered(z, mapped.grid.step_mm, Filters()), mapped.grid.step_mm, Filters()) for z in maps)
    for key in ("Sq_mm", "relief_mm", "void_depth_mm"):
        assert read[key] == pytest.approx(true[key], rel=0.12)
    assert mapped.budget.gain_u > 0.3
