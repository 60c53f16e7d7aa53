"""
Filling and cutting volumes against closed forms, and the options side by side.

Closed forms derived: a sinusoid of amplitude A holds A / pi above and below its middle plane; frusta of height D, top
a, base b on a pitch p leave D (1 - (a^2 + a b + b^2) / (3 p^2)) of void.
"""

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from texscan.cautions import OF_OPTION
from texscan.coating import DEFAULT_COATS, forecast
from texscan.compatibility import Job
from texscan.flatten import cut_mm, fill_mm, local_planes
from texscan.limits import limits_from_toml
from texscan.model import Budget, Filters, Measured, Reach, Term, Zone, ZoneMap
from texscan.options import Panel, options
from texscan.verdict import Part, decide

LIMITS = limits_from_toml(
    (Path(__file__).parents[1] / "calibration" / "limits.toml").read_text(encoding="utf-8"), "limits.toml"
)
STEP = 0.1
NAMES = ("recoat-as-planned", "fewer-coats", "sprayed", "local-repair", "sand-flat-and-retexture", "no-work-due")


def sinusoid(amplitude=0.25, pitch=3.0, side=30.0):
    x = (np.arange(round(side / STEP)) + 0.5) * STEP
    return np.tile(amplitude * np.cos(2 * np.pi * x / pitch), (x.size, 1))


def frusta(depth, top, base, pitch=3.0, step=0.02):
    x = (np.arange(round(pitch / step)) + 0.5) * step - pitch / 2
    away = np.maximum(np.abs(x)[:, None], np.abs(x)[None, :])
    return depth * np.clip((base / 2 - away) / ((base - top) / 2), 0, 1)


def test_a_sinusoid_holds_as_much_above_its_middle_as_below():
    height = sinusoid()
    # thirty points a wave leave the integral of a half wave short by up to 0.4 %
    assert fill_mm(height, 0.0) == pytest.approx(0.25 / math.pi, rel=5e-3)
    assert cut_mm(height, 0.0) == pytest.approx(0.25 / math.pi, rel=5e-3)


@pytest.mark.parametrize(("top", "base", "void"), [(1.0, 3.0, 0.2593), (0.0, 3.0, 0.3333), (1.5, 2.5, 0.2731)])
def test_filling_frusta_to_their_tops_takes_their_void(top, base, void):
    height = frusta(0.5, top, base)
    assert fill_mm(height, 0.5) == pytest.approx(void, abs=0.0005)
    assert cut_mm(height, 0.0) == pytest.approx(0.5 - void, abs=0.0005)  # pyramids: 0.1667


def test_fill_less_cut_is_the_planes_height_over_the_mean():
    height = np.random.default_rng(1).gamma(2, 0.1, (50, 60))
    height[4:9, 7] = np.nan
    for plane in (0.05, 0.2, 0.9):
        assert fill_mm(height, plane) - cut_mm(height, plane) == pytest.approx(plane - np.nanmean(height))


def test_the_local_top_plane_follows_a_drifting_level():
    height = sinusoid()
    drift = np.linspace(0, 0.3, height.shape[0])[:, None] * np.ones(height.shape[1])
    holed = height + drift
    holed[50:90, 20:130] = np.nan
    flat, drifting = (fill_mm(h, local_planes(h, STEP)) for h in (height, holed))
    assert flat == pytest.approx(0.25, abs=0.003)  # void depth of a sinusoid is its amplitude; the plane is Smc(2 %)
    # within a 10 mm cell the level drifts by 0.1 mm, and Smc(2 %) then stands up to half of that above the middle
    assert drifting == pytest.approx(flat, abs=0.055)
    # one plane over the drift would ask for four tenths more filler: 0.25 + half of 0.3, less what the edge cuts off
    assert fill_mm(holed, np.nanquantile(holed, 0.98)) > 0.34


def panel_of(height, shares=(1.0, 0.0, 0.0), coats=DEFAULT_COATS, u=0.05):
    zones = tuple(
        Zone(condition, np.zeros((3, 2)), 1e4 * share, Measured(0.5, 0.45, 0.55), Measured(0.25, 0.23, 0.27), None)
        for condition, share in zip(("sound", "worn", "filled"), shares, strict=True)
        if share > 0
    )
    named = dict(zip(("sound", "worn", "filled"), shares, strict=True))
    zone_map = ZoneMap(np.ones(height.shape, np.uint8), zones, named, "limits", {})
    return Panel(height, STEP, Filters(), Budget((Term("all", u),)), zone_map, coats)


def options_of(panel, job=None):
    left = forecast(panel.height_mm, STEP, panel.coats, filters=panel.filters, budget=panel.budget)
    reach = (Reach(0.5, Measured(0.9, 0.8, 1.0), Measured(0.01, 0.01, 0.01)),)
    decided = decide({}, panel.zone_map, left, reach, job=job or Job(), limits=LIMITS)
    found = options(panel, decided, LIMITS)
    return decided, {option.name: option for option in found}


def test_all_options_stand_side_by_side_and_only_the_decision_is_recommended():
    decided, found = options_of(panel_of(sinusoid()))
    assert tuple(found) == NAMES
    assert decided.action == "recoat"
    assert [name for name, option in found.items() if option.recommended] == ["recoat-as-planned"]
    assert found["no-work-due"].offered
    for name, option in found.items():
        assert option.cautions == OF_OPTION[name]
        assert option.sentence.endswith(".")


def test_fewer_coats_and_spraying_leave_more():
    _, found = options_of(panel_of(sinusoid()))
    planned, fewer, sprayed = (found[n].void_depth_mm for n in ("recoat-as-planned", "fewer-coats", "sprayed"))
    assert len(found["fewer-coats"].coats) == 2
    assert fewer[1] > planned[1]
    assert sprayed[1] > planned[1]
    assert {coat.kind for coat in found["fewer-coats"].coats} == {"primer", "topcoat"}


def test_the_part_that_decides_and_the_limit_of_the_reference_bind_every_option():
    # Hand-worked: 0.13 mm in the worn part less 3 x 0.040 (1 - 0.3) = 0.046 mm at worst; one coat leaves 0.102 mm.
    worn = Part("worn", 0.2, Measured(0.3, 0.3, 0.3), Measured(0.13, 0.13, 0.13))
    panel = replace(panel_of(sinusoid(), u=0.0), deciding=worn, least_void_mm=0.1)
    decided, _ = options_of(panel_of(sinusoid()))
    found = {option.name: option for option in options(panel, decided, LIMITS)}
    assert found["recoat-as-planned"].void_depth_mm == pytest.approx((0.046, 0.07, 0.118))
    assert found["recoat-as-planned"].sentence.endswith("0.05 to 0.12 mm of void depth remain in the worn part.")
    assert [coat.name for coat in found["fewer-coats"].coats] == ["topcoat 2"]
    assert found["fewer-coats"].void_depth_mm[0] == pytest.approx(0.102)
    assert found["fewer-coats"].offered
    stricter = {o.name: o for o in options(replace(panel, least_void_mm=0.11), decided, LIMITS)}
    assert not stricter["fewer-coats"].offered and not stricter["sprayed"].offered


def test_two_part_over_one_part_is_offered_in_no_form():
    decided, found = options_of(panel_of(sinusoid()), Job("one-part", "two-part"))
    assert decided.action == "sand-flat-and-retexture"
    assert found["sand-flat-and-retexture"].recommended
    for name in ("recoat-as-planned", "fewer-coats", "sprayed"):
        assert not found[name].offered
        assert any("come off" in warning for warning in found[name].warnings)
    _, untold = options_of(panel_of(sinusoid()), Job("unknown", "two-part"))
    assert not any(untold[name].offered for name in ("recoat-as-planned", "fewer-coats", "sprayed"))


def test_filling_takes_the_void_and_a_cut_through_gelcoat_is_warned_of():
    _, deep = options_of(panel_of(sinusoid(0.25)))
    option = deep["sand-flat-and-retexture"]
    assert option.fill_mm.value == pytest.approx(0.25, abs=0.003)  # 0.25 mm over 12 m2 would be 3.0 L
    assert option.fill_mm.high == pytest.approx(1.098 * option.fill_mm.value)  # 1.96 x 5 %
    assert any("0.4 to 0.6 mm" in warning for warning in option.warnings)  # 0.5 mm deep, gelcoat from memory
    _, shallow = options_of(panel_of(sinusoid(0.1)))
    assert not shallow["sand-flat-and-retexture"].warnings


def test_a_worn_lane_may_be_repaired_alone_and_a_worn_panel_may_not():
    _, lane = options_of(panel_of(sinusoid(), shares=(0.85, 0.15, 0.0)))
    assert lane["local-repair"].offered
    assert not lane["no-work-due"].offered
    _, panel = options_of(panel_of(sinusoid(), shares=(0.4, 0.6, 0.0)))
    assert not panel["local-repair"].offered
    assert not panel["fewer-coats"].offered  # fewer coats do not mend what is worn


def test_without_coats_there_is_nothing_to_lay():
    _, found = options_of(panel_of(sinusoid(), coats=()))
    assert not found["recoat-as-planned"].offered
    assert not found["fewer-coats"].offered
    assert not found["sprayed"].offered
