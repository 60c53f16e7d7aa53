"""Borders and fittings are told from worn deck; two photos of other places are told from two lights on one place."""

import cv2
import numpy as np
import pytest

from texscan.deck import no_deck
from texscan.errors import PhotoError
from texscan.model import Grid, Light, LitView
from texscan.same_patch import activity, agreement, refuse_other_patches

GRID = Grid(0.0, 100.0, 0.25, 400, 400)
X, Y = np.meshgrid(GRID.x_mm, GRID.y_mm)


def light(azimuth_deg):
    return Light(azimuth_deg, 25.0, 0.0, GRID.centre_mm, np.zeros((3, 3)))


def heights(seed=0):
    """Random texture, about 0.5 mm deep, grain 2 mm."""
    noise = np.random.default_rng(seed).normal(size=GRID.shape)
    rough = cv2.GaussianBlur(noise, (0, 0), 3)
    return 0.15 * rough / rough.std()


def view(height_mm, azimuth_deg, *, paint=1.0, noise=0.005):
    """Lambert's law by hand under a distant light 25 degrees high, no shadows."""
    p, q = np.gradient(height_mm, GRID.step_mm, axis=1), -np.gradient(height_mm, GRID.step_mm, axis=0)
    a, e = np.radians(azimuth_deg), np.radians(25.0)
    facing = (-p * np.cos(a) - q * np.sin(a)) / np.tan(e) + 1
    brightness = 0.5 * paint * np.maximum(facing, 0) / np.sqrt(1 + p * p + q * q)
    brightness = brightness * (1 + noise * np.random.default_rng(int(azimuth_deg)).normal(size=GRID.shape))
    return LitView(brightness.astype(np.float32), light(azimuth_deg))


def views(height_mm, **more):
    return tuple(view(height_mm, azimuth, **more) for azimuth in (10.0, 190.0))


def test_a_textured_patch_has_no_border_and_no_fitting():
    found = no_deck(views(heights()), GRID)
    assert not found.mask.any()
    assert found.flags == ()


def test_a_moulded_border_with_a_straight_edge_is_left_out():
    border = X < 20 + 0.1 * Y  # a little aslant
    found = no_deck(views(np.where(border, 0.0, heights())), GRID)
    assert found.flags == ("smooth-border",)
    assert (found.mask & border).sum() > 0.97 * border.sum()
    assert (found.mask & ~border).sum() * GRID.step_mm**2 < 3.0 * 100  # at most 3 mm along the edge


def test_a_lane_worn_smooth_stays_in():
    """The worst wear of a panel must not be taken for a border: its edges wander and fade over some mm."""
    middle = 50 + 6 * np.sin(Y / 9) + 3 * np.sin(Y / 4)
    kept = np.clip((np.abs(X - middle) - 14) / 8, 0, 1)
    found = no_deck(views(heights() * kept), GRID)
    assert not found.mask.any()


def test_a_panel_that_is_smooth_all_over_is_a_result():
    found = no_deck(views(0.02 * heights()), GRID)
    assert not found.mask.any()


def test_a_round_fitting_of_other_paint_is_left_out():
    disc = np.hypot(X - 60, Y - 40) < 8
    found = no_deck(views(np.where(disc, 0.0, heights()), paint=np.where(disc, 4.0, 1.0)), GRID)
    assert found.flags == ("fitting",)
    assert (found.mask & disc).sum() > 0.97 * disc.sum()
    assert (found.mask & (np.hypot(X - 60, Y - 40) > 13)).sum() == 0


def test_a_stain_stays_in():
    stain = np.exp(-((X - 60) ** 2 + (Y - 40) ** 2) / 200)
    found = no_deck(views(heights(), paint=1 - 0.5 * stain), GRID)
    assert not found.mask.any()


@pytest.mark.parametrize("azimuths", [(10.0, 190.0), (10.0, 100.0)])
def test_one_place_under_two_lights_agrees_and_two_places_do_not(azimuths):
    same = [activity(view(heights(), azimuth), GRID) for azimuth in azimuths]
    other = activity(view(heights(seed=5), azimuths[1]), GRID)
    assert agreement(*same) > 0.15
    assert abs(agreement(same[0], other)) < 0.05


def test_photos_of_two_places_are_refused_by_name():
    pair = (view(heights(), 10.0), view(heights(seed=5), 190.0))
    with pytest.raises(PhotoError, match=r"b\.jpg does not show the same patch"):
        refuse_other_patches(pair, ("a.jpg", "b.jpg"), GRID)
    refuse_other_patches((pair[0], view(heights(), 190.0)), ("a.jpg", "b.jpg"), GRID)
