"""The sRGB curve against the standard's values, the phone's own curve against curves that were put on."""

import numpy as np
import pytest

from texscan.linear import fit_tone, srgb_to_linear, to_linear, undo_tone
from texscan.model import Photo

GREYS = np.array([0.72, 0.5, 0.34, 0.2, 0.1, 0.05])


@pytest.mark.parametrize(
    ("code", "linear"),
    # IEC 61966-2-1: 10 lies on the straight part (10 / 255 / 12.92); 128 and 188 on the power part, worked by hand
    [(0, 0.0), (10, 0.0030353), (128, 0.2158605), (188, 0.5028865), (255, 1.0)],
)
def test_srgb_codes_give_the_standards_light(code, linear):
    assert srgb_to_linear(np.array([code], np.uint8))[0] == pytest.approx(linear, abs=1e-6)


def test_sixteen_bits_are_kept():
    steps = srgb_to_linear(np.array([30000, 30001], np.uint16))
    assert 0 < steps[1] - steps[0] < 1e-4


def test_luminance_weighs_the_channels_and_marks_clipping():
    pixels = np.zeros((1, 4, 3), np.uint8)
    pixels[0, 0], pixels[0, 1], pixels[0, 2], pixels[0, 3] = (255, 0, 0), (0, 255, 0), (0, 0, 255), (128, 128, 128)
    photo = to_linear(Photo("a.png", "", pixels, "srgb"))
    assert photo.luminance[0] == pytest.approx([0.2126, 0.7152, 0.0722, 0.2158605], abs=1e-4)  # ITU-R BT.709
    assert photo.clipped[0].tolist() == [True, True, True, False]


def s_curve(light, strength):
    """A phone's "more contrast" in encoded values: a blend with the smoothstep polynomial."""
    code = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    code = (1 - strength) * code + strength * code * code * (3 - 2 * code)
    return np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)


CURVES = {
    "none": lambda light: light,
    "gamma 1.2": lambda light: light**1.2,
    "gamma 0.85": lambda light: light**0.85,
    "s-curve": lambda light: s_curve(light, 0.3),
}


@pytest.mark.parametrize("name", CURVES)
def test_the_phones_own_curve_is_undone(name):
    """Ratios of light over the range that greys and paper span come out within 4 %, gamma left in would cost 20 %."""
    curve = CURVES[name]
    paper = np.repeat([0.62, 0.45], len(GREYS))  # two sets of greys under unlike light
    seen_grey, seen_paper = curve(np.tile(GREYS, 2) * paper), curve(paper)
    found = fit_tone(seen_grey, seen_paper, np.tile(GREYS, 2))
    light = np.geomspace(0.04, 0.6, 12)
    back = undo_tone(curve(light).astype(np.float32), found)
    ratio = (back / back[6]) / (light / light[6])
    assert ratio == pytest.approx(np.ones(12), abs=0.04)
    assert found.greys == 12


def test_a_patch_in_glare_does_not_bend_the_curve():
    grey, paper = GREYS * 0.6, np.full(6, 0.6)
    grey[4] *= 1.6
    found = fit_tone(grey, paper, GREYS)
    back = undo_tone(np.array([0.06, 0.3], np.float32), found)
    assert back[1] / back[0] == pytest.approx(5.0, rel=0.06)


def test_without_greys_the_curve_is_left_alone():
    nothing = np.full(6, np.nan)
    found = fit_tone(nothing, nothing, GREYS)
    values = np.array([0.1, 0.5, np.nan], np.float32)
    assert found.greys == 0
    np.testing.assert_array_equal(undo_tone(values, found), values)


def test_nothing_measured_stays_nothing():
    found = fit_tone(GREYS * 0.6, np.full(6, 0.6), GREYS)
    assert np.isnan(undo_tone(np.array([np.nan], np.float32), found)[0])


@pytest.mark.parametrize("shape", [(), (4,), (2, 3), (2, 3, 1), (2, 3, 3)])
def test_any_shape_of_code_values_keeps_its_shape(shape):
    """White is 1; 188 is worked out by hand with the curve of IEC 61966-2-1, as above."""
    for code, expected in ((255, 1.0), (188, 0.5028865)):
        for kind in (np.uint8(code), np.uint16(257 * code)):
            linear = srgb_to_linear(np.full(shape, kind))
            assert linear.shape == shape and linear.dtype == np.float32
            assert linear == pytest.approx(expected, abs=1e-6)
