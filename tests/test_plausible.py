"""
What guards against wrong but plausible photos; the table of all cases is `python tests/trust/plausible.py`.

Scenes are numbers of the test itself, so the answer is known: a shadow drawn into one view, sizes that disagree.
"""

from dataclasses import replace

import numpy as np
import pytest
import relief_scenes

from texscan.budget import budget_of
from texscan.deck import across_light_share, refuse_dark_along_light
from texscan.errors import ReliefError
from texscan.linear import ToneCurve
from texscan.model import LitView, Measured, Relief
from texscan.same_patch import cast_shadows

GRID = relief_scenes.grid_of(400, 300, 0.2)
X, Y = np.meshgrid(GRID.x_mm, GRID.y_mm)
LEG = (abs(X - 5) < 6) & (Y > -10)  # 12 mm wide, from the far edge down


def view(brightness, azimuth_deg=90.0):
    light = relief_scenes.lamp(azimuth_deg, 25.0, 600.0)
    return LitView(brightness.astype(np.float32), light, np.zeros(GRID.shape, bool))


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
    assert budget.gain_u**2 - plain == pytest.approx(0.12**2 if disagree else 0.0)  # variances add, JCGM 100


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
    refuse_dark_along_light((joints, joints), "a.jpg", GRID)  # two photos tell them apart by themselves
    with pytest.raises(ReliefError, match=r"a\.jpg, the only photo, runs along its light"):
        refuse_dark_along_light((joints,), "a.jpg", GRID)
