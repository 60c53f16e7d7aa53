"""
Formulas of consumption against worked cases.

[S] a case printed in a public source of the coatings trade (guides and data sheets, an exam question, a supplier's
worked job), [D] a closed form derived here, [M] from memory. Tolerances are half a unit of the last digit printed.
"""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from texscan import texture
from texscan.coats import coats_from_toml
from texscan.errors import SettingsError
from texscan.flatten import cut_mm, fill_mm
from texscan.model import Filters
from texscan.plan import consumption
from texscan.plan.quantity_table import IMPERIAL

# --- paint


@pytest.mark.parametrize(("solids", "dry_um", "m2_per_l"), [(0.50, 50, 10.0), (0.71, 125, 5.68)])  # the second [S]
def test_spreading_rate_of_printed_cases(solids, dry_um, m2_per_l):
    assert consumption.spreading_rate_m2_per_l(solids, dry_um) == pytest.approx(m2_per_l, abs=0.005)


def test_spreading_rate_in_feet_and_gallons():
    # [S] 1604 x 0.65 / 5 mil = 208.5 sq ft per US gallon; 1604 is itself rounded from 1604.17 (1e-4)
    square_feet, gallons = IMPERIAL["m2"][1], IMPERIAL["L"][1]
    rate = consumption.spreading_rate_m2_per_l(0.65, 5 * 25.4) * square_feet / gallons
    assert rate == pytest.approx(208.5, rel=3e-4)


@pytest.mark.parametrize(
    ("dry_um", "solids", "thinning", "wet_um"),
    [
        (50, 0.50, 0, 100),
        (100, 0.65, 0, 153.8),
        (100, 0.65, 0.20, 184.6),
        (60, 0.65, 0.15, 106.2),
    ],  # [S] but the first
)
def test_wet_film_of_printed_cases(dry_um, solids, thinning, wet_um):
    text = (
        f'[[coat]]\nname = "a"\nkind = "primer"\nvolume_solids = {solids}\ndry_um = {dry_um}\nthinning = {thinning}'
    )
    (coat,) = coats_from_toml(text, "coats.toml")
    assert coat.wet_um == pytest.approx(wet_um, abs=0.05)


def test_solids_of_thinned_paint():
    text = '[[coat]]\nname = "a"\nkind = "primer"\nvolume_solids = 0.5\ndry_um = 50\nthinning = 0.1'
    (coat,) = coats_from_toml(text, "coats.toml")
    assert 100 * coat.solids_as_applied == pytest.approx(45.45, abs=0.005)  # 50 % thinned by 10 %


def test_litres_of_a_coat():
    assert consumption.paint_l(12, 0.50, 50, loss=0.20) == pytest.approx(1.50)  # 12 m2, 50 um, 50 %, loss 0.20


def test_the_exam_case():
    # question [S], answer computed: 500 m2, 2 coats of 60 um, 65 % solids, thinned by 15 %, loss 40 %
    paint = 2 * consumption.paint_l(500, 0.65, 60, loss=0.40)
    assert paint == pytest.approx(153.8, abs=0.05)
    assert 0.15 * paint == pytest.approx(23.1, abs=0.05)


def test_loss_is_no_consumption_factor():
    # [S] a loss of 0.20 is a consumption factor of 1.25
    assert consumption.paint_l(10, 0.5, 50, loss=0.20) / consumption.paint_l(10, 0.5, 50, loss=0) == pytest.approx(
        1.25
    )


def test_two_parts_and_packs():
    assert consumption.split(3.0, (2, 1)) == pytest.approx((2.0, 1.0))  # 3.0 L at 2 : 1
    assert consumption.packs(1.50, 0.75) == 2
    assert consumption.packs(0.1 + 0.2, 0.1) == 3  # floats add up to a little more than 0.3
    assert consumption.packs(0.0, 0.75) == 0


# --- texture


def test_a_film_on_the_peaks_doubles_the_paint_at_half_the_peak_share():
    # [D] litres = DFT_min / (r 10 VS%) / (1 - LF)
    plain = consumption.paint_l(1, 0.5, 50, loss=0.2)
    assert consumption.paint_for_peaks_l(1, 0.5, 50, loss=0.2, peak_share=0.5) == pytest.approx(2 * plain)


def test_burying_a_relief():
    assert consumption.burying_l_per_m2(0.25, 1.0) == pytest.approx(0.250)  # 0.25 mm is 250 mL/m2 of dry paint
    assert consumption.burying_l_per_m2(0.25, 0.5) == pytest.approx(0.500)


def test_the_blasting_suppliers_job():
    # [S] 10 000 sq ft, profile 50 um, 79 % solids, 75 % transfer: about 80 L, which is the whole profile height
    area_m2 = 10_000 / IMPERIAL["m2"][1]
    assert area_m2 == pytest.approx(929, abs=0.5)
    depth_mm = 80 * 0.79 * 0.75 / area_m2  # what 80 L leave there
    assert depth_mm == pytest.approx(0.051, abs=5e-4)
    assert area_m2 * consumption.burying_l_per_m2(depth_mm, 0.79) / 0.75 == pytest.approx(80)
    assert area_m2 * consumption.burying_l_per_m2(0.050, 0.79) / 0.75 == pytest.approx(80, rel=0.025)  # "about 80"


def test_an_owners_deck_of_broadcast_sand():
    # [S] paint listed at about 400 sq ft/gal covered under 100: 9.82 against 2.45 m2/L, 102 against 407 um wet
    per_litre = 1 / (IMPERIAL["m2"][1] / IMPERIAL["L"][1])
    assert (400 * per_litre, 100 * per_litre) == pytest.approx((9.82, 2.45), abs=0.005)
    sunk_um = 1000 / (100 * per_litre) - 1000 / (400 * per_litre)
    assert sunk_um / 1000 == pytest.approx(0.3, abs=0.01)


def test_broadcast_grit():
    # [D] grains of 0.4 mm over 0.6 of the area, 2650 kg/m3
    assert consumption.grit_kg_per_m2(0.4, 0.6, 2650) == pytest.approx(0.424, abs=5e-4)
    assert consumption.grit_void_mm(0.4, 0.6) == pytest.approx(0.240, abs=5e-4)


def test_grit_is_the_mass_of_its_spheres():
    # spheres of diameter d that cover phi: phi / (pi d^2 / 4) of them to a square metre, each of pi d^3 / 6
    size, cover, density = 0.3, 0.5, 2000
    count = cover / (math.pi * (size / 1000) ** 2 / 4)
    assert consumption.grit_kg_per_m2(size, cover, density) == pytest.approx(
        count * math.pi * (size / 1000) ** 3 / 6 * density
    )


# --- sanding and filling flat. Maps of one cell, sampled in the middle of each pixel


PITCH_MM, PIXELS = 3.0, 600


def _cell():
    x = ((np.arange(PIXELS) + 0.5) / PIXELS - 0.5) * PITCH_MM
    return np.meshgrid(x, x)


def _frustum(top, base, depth=0.5):
    x, y = _cell()
    out = np.maximum(abs(x), abs(y))
    return depth * np.clip((base / 2 - out) / (base / 2 - top / 2), 0, 1)


def _hemisphere(radius=0.5):
    x, y = _cell()
    return np.sqrt(np.maximum(radius**2 - x**2 - y**2, 0))


FILL_TO_PEAKS = {  # [D] void depth below the peaks
    "sinusoid": (0.25 * np.cos(2 * np.pi * _cell()[0] / 3), 0.25, 0.250),
    "V ridges": (0.5 - 0.5 * abs(_cell()[0]) / 1.5, 0.5, 0.250),
    "frustum 1, 3": (_frustum(1, 3), 0.5, 0.2593),
    "frustum 0, 3": (_frustum(0, 3), 0.5, 0.3333),
    "frustum 1.5, 2.5": (_frustum(1.5, 2.5), 0.5, 0.2731),
    "hemisphere": (_hemisphere(), 0.5, 0.4709),
    "square ridges": (np.where(abs(_cell()[0]) < 0.6, 0.5, 0.0), 0.5, 0.300),
}


@pytest.mark.parametrize("name", FILL_TO_PEAKS)
def test_filling_to_the_peaks_takes_the_void_depth(name):
    height, peak, expected = FILL_TO_PEAKS[name]
    assert fill_mm(height, peak) == pytest.approx(expected, abs=3e-4)  # pixels of 0.005 mm


# [D] true over projected area, 0.5 mm deep on a pitch of 3 mm, hemispheres of radius 0.5 mm. A grid of 0.005 mm shows
# slopes to 1e-4, and an upright foot of a hemisphere (a ring of one pixel, 2 pi R h / p^2) to 2e-3.
@pytest.mark.parametrize(
    ("name", "expected", "within"),
    [
        ("sinusoid", 1.0654, 1.5e-4),
        ("V ridges", 1.0541, 1.5e-4),
        ("frustum 0, 3", 1.0541, 1.5e-4),
        ("hemisphere", 1.0873, 4e-3),
    ],
)
def test_true_area_of_known_textures(name, expected, within):
    sdr = texture.figures(FILL_TO_PEAKS[name][0], PITCH_MM / PIXELS, Filters())["Sdr"]
    assert 1 + sdr == pytest.approx(expected, abs=within)


def test_paint_follows_the_true_area():
    flat = consumption.paint_l(12, 0.5, 50, loss=0.2)
    assert consumption.paint_l(12, 0.5, 50, loss=0.2, true_area=1.0654) == pytest.approx(1.0654 * flat)


def test_cutting_and_filling_a_sinusoid_at_its_middle():
    height = FILL_TO_PEAKS["sinusoid"][0]
    assert (fill_mm(height, 0.0), cut_mm(height, 0.0)) == pytest.approx((0.0796, 0.0796), abs=5e-5)  # A / pi [D]


def test_cutting_pyramids_to_their_floor():
    height = FILL_TO_PEAKS["frustum 0, 3"][0]
    assert cut_mm(height, 0.0) == pytest.approx(0.1667, abs=3e-4)  # D - Vm [D]


def test_filled_epoxy_by_weight():
    # [D] m 0.20, 1.15 and 0.25 kg/L: 0.7188 kg/L; 3.0 L are 2.156 kg = 1.797 epoxy + 0.359 filler, resin share 0.521
    paste = consumption.mixture(3.0, 0.20, 1.15, 0.25)
    assert paste.density_kg_l == pytest.approx(0.7188, abs=5.1e-5)  # 0.71875 before rounding
    assert (paste.epoxy_kg, paste.filler_kg) == pytest.approx((1.797, 0.359), abs=5e-4)
    assert paste.epoxy_kg + paste.filler_kg == pytest.approx(2.156, abs=5e-4)
    assert paste.resin_share == pytest.approx(0.521, abs=5e-4)


def test_filler_of_a_deck():
    paste = consumption.mixture(0.25 * 12, 0.20, 1.15, 0.25)  # 0.25 mm over 12 m2 are 3.0 L
    assert paste.epoxy_kg / 1.15 + paste.filler_kg / 0.25 == pytest.approx(3.0)  # volumes add


@pytest.mark.parametrize(("diameter_mm", "m2"), [(150, 0.01767), (125, 0.01227)])
def test_area_of_a_disc(diameter_mm, m2):
    assert consumption.disc_m2(diameter_mm) == pytest.approx(m2, abs=5e-6)


def test_discs_go_by_what_needs_more():
    by_area = consumption.discs_needed(4, passes=2, m2_per_disc=1.5, cut_l=0.2, l_per_disc=0.1)
    by_volume = consumption.discs_needed(4, passes=2, m2_per_disc=1.5, cut_l=2.0, l_per_disc=0.1)
    assert (consumption.packs(by_area, 1), consumption.packs(by_volume, 1)) == (6, 20)  # ceil(8 / 1.5); 2.0 / 0.1


# --- laws

amounts = st.floats(0.001, 1000)


@given(amounts, st.floats(0.05, 50))
def test_packs_cover_the_amount_and_one_less_does_not(amount, pack):
    count = consumption.packs(amount, pack)
    assert count * pack >= amount * (1 - 1e-6)
    assert (count - 1) * pack < amount


@given(amounts, amounts, st.floats(0.05, 1), st.floats(5, 500), st.floats(0, 0.9))
def test_litres_add_over_areas(one, other, solids, dry_um, loss):
    def litres(area):
        return consumption.paint_l(area, solids, dry_um, loss=loss)

    assert litres(one) + litres(other) == pytest.approx(litres(one + other))


@given(amounts, st.lists(st.floats(0.1, 10), min_size=1, max_size=4))
def test_components_make_up_the_paint(litres, parts):
    assert sum(consumption.split(litres, tuple(parts))) == pytest.approx(litres)


@pytest.mark.parametrize(
    ("area", "solids", "dry", "loss", "true"),
    [(1, 0, 50, 0, 1), (1, 0.5, 0, 0, 1), (1, 0.5, 50, 1, 1), (-1, 0.5, 50, 0, 1), (1, 0.5, 50, 0, 0.9)],
)
def test_a_coat_without_solids_film_or_area_has_no_litres(area, solids, dry, loss, true):
    with pytest.raises(ValueError, match="got"):
        consumption.paint_l(area, solids, dry, loss=loss, true_area=true)


@pytest.mark.parametrize("solids", ["", "volume_solids = 0\n", "volume_solids = -0.5\n"])
def test_a_coats_file_without_solids_is_refused_in_words(solids):
    with pytest.raises(SettingsError, match=r"coat 1: volume_solids is .*; a number from 0\.01 to 1 is needed"):
        coats_from_toml(f'[[coat]]\nname = "a"\nkind = "primer"\nwet_um = 80\n{solids}', "coats.toml")
