"""
Texture figures against closed forms, ISO 25178-2's definitions, ASTM E965's equation and another library.

Closed forms are derived here or beside the check: a frustum of square base b, top t, height h on pitch P has the
width w(c) = t + (b - t) (1 - c / h) at height c, so Smr(c) = (w / P)^2.
"""

import math

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.special import j0, ndtri

from texscan import texture
from texscan.curve import core_figures, levels_at
from texscan.errors import ReliefError
from texscan.model import FLAGS, Budget, Filters, Grid, Term

FILTERS = Filters()
FINE_MM = 0.02
WITHIN = 0.005  # of closed forms on fine grids


def frusta(*, pitch=3.0, top=1.0, base=2.0, height=0.5, step=FINE_MM, pitches=6, at_nodes=False):
    """Square frusta on a flat floor at 0; pixel centres between the edges, or nodes on them."""
    x = (np.arange(round(pitches * pitch / step) + at_nodes) + (0.0 if at_nodes else 0.37)) * step
    u = np.abs(x % pitch - pitch / 2)
    return np.clip((base / 2 - np.maximum(u[:, None], u[None])) / ((base - top) / 2), 0, 1) * height


def sine(*, amplitude=0.5, length=4.0, waves=9, columns=7001, rows=60):
    """Whole waves on a grid that does not divide them, so that heights are distinct."""
    step = waves * length / columns
    return np.tile(amplitude * np.sin(2 * np.pi * (np.arange(columns) + 0.31) * step / length), (rows, 1)), step


def gaussian_heights(sigma=1.0, side=600):
    """Quantiles of the normal distribution, shuffled: the height distribution is exact to 1 / n."""
    n = side * side
    heights = sigma * ndtri((np.arange(n) + 0.5) / n)
    return np.random.default_rng(1).permutation(heights).reshape(side, side)


# plateau and void below the top plane of frusta new, tops cut to 0.3 mm, floor raised to 0.2 mm (derived; 1/9,
# 0.4672^2, 1/9 of the area; void = top plane - volume / P^2 by the frustum formula h (t^2 + t b + b^2) / 3)
@pytest.mark.parametrize(
    ("cut", "plateau", "void_mm"),
    [
        (lambda z: z, 0.111111, 0.370370),
        (lambda z: np.minimum(z, 0.3), 0.217778, 0.202667),
        (lambda z: np.maximum(z, 0.2), 0.111111, 0.242667),
    ],
    ids=["new", "worn", "filled"],
)
def test_frusta_new_worn_filled(cut, plateau, void_mm):
    z = cut(frusta())
    found = texture.figures(z, FINE_MM, Filters(contact_depth_mm=1e-6))
    assert found["contact_area_fraction"] == pytest.approx(plateau, rel=WITHIN)
    assert found["void_depth_mm"] == pytest.approx(void_mm, rel=WITHIN)
    assert found["void_depth_cm3_per_dm2"] == pytest.approx(10 * void_mm, rel=WITHIN)  # 1 mm3/mm2 = 10 cm3/dm2
    assert found["void_depth_l_per_m2"] == pytest.approx(void_mm, rel=WITHIN)  # 1 mm on 1 m2 = 1 L


# Smr at 0.05 and 0.10 mm below the top of new frusta: w = 1.1 and 1.2 of 3 mm (derived)
@pytest.mark.parametrize(("depth_mm", "share"), [(0.05, 0.134444), (0.10, 0.16)])
def test_contact_of_frusta_at_a_depth(depth_mm, share):
    found = texture.figures(frusta(), FINE_MM, Filters(contact_depth_mm=depth_mm))
    assert found["contact_area_fraction"] == pytest.approx(share, rel=WITHIN)


@pytest.mark.parametrize("pixels", [100, 600])  # every height, and bins of many
def test_all_of_a_surface_flatter_than_the_contact_depth_is_in_contact(pixels):
    """By definition, and no share of an area is more than the whole, by however little."""
    z = np.random.default_rng(11).uniform(0, 0.02, (pixels, pixels)).astype(np.float32)
    assert texture.figures(z, 0.1, FILTERS)["contact_area_fraction"] == 1
    assert texture.measured(z, 0.1, FILTERS, Budget())["contact_area_fraction"].high == 1


def test_slopes_of_frusta():
    # flanks of slope 1 on (b^2 - t^2) / P^2 = 1/3 of the area: Sdq = sqrt(1/3), Sdr = (sqrt 2 - 1) / 3 (derived)
    found = texture.figures(frusta(at_nodes=True), FINE_MM, FILTERS)
    assert found["Sdq"] == pytest.approx(0.577350, rel=WITHIN)
    assert found["Sdr"] == pytest.approx(0.138071, rel=WITHIN)
    assert found["Sq_mm"] == pytest.approx(0.184722, rel=WITHIN)


def test_a_plane_at_45_degrees():
    # Sdq 1, Sdr sqrt 2 - 1 (geometry; ISO 25178-2 definitions)
    z = np.tile(np.arange(50) * 0.1, (40, 1))
    found = texture.figures(z, 0.1, FILTERS)
    assert found["Sdq"] == pytest.approx(1.0, rel=1e-6)
    assert found["Sdr"] == pytest.approx(math.sqrt(2) - 1, rel=1e-6)


def test_sine_closed_forms():
    # A sin(2 pi x / L), A 0.5, L 4 mm: Sa 2 A / pi, Sq A / sqrt 2, Sku 1.5, Sdq pi A sqrt 2 / L ..., Smc(p) = A
    # cos(pi p) so Vm(p) = A (sin(pi p) / pi - p cos(pi p)) (derived from ISO 25178-2 definitions)
    z, step = sine()
    found = texture.figures(z, step, FILTERS)
    volume = lambda p: 0.5 * (math.sin(math.pi * p) / math.pi - p * math.cos(math.pi * p))
    void = lambda p: volume(p) + 0.5 * math.cos(math.pi * p)
    expected = {
        "Sa_mm": 1 / math.pi,
        "Sq_mm": 0.5 / math.sqrt(2),
        "Sku": 1.5,
        "Sz_mm": 1.0,
        "Sdq": 0.555360,
        "Sdr": 0.139839,
        "relief_mm": math.cos(0.02 * math.pi),
        "void_depth_mm": void(0.02),
        "Vmp_mm": 0.00162876,
        "Vvv_mm": 0.0126472,
        "Vmc_mm": 0.415527,
        "Vvc_mm": 0.464510,
    }
    for key, value in expected.items():
        assert found[key] == pytest.approx(value, rel=WITHIN), key
    assert found["Ssk"] == pytest.approx(0, abs=0.002)
    assert void(0.10) - void(0.80) == pytest.approx(0.464510, rel=1e-5)


def test_gaussian_heights_closed_forms():
    # normal distribution, sigma 1: Sa sqrt(2 / pi), Sku 3; Sk 2.573956, Spk = Svk 0.945031, Smr1 9.9051 %, and the
    # volumes by integrating Smc(p) = -ndtri(p) (derived; least-squares line over the middle 40 %)
    found = texture.figures(gaussian_heights(), 0.1, FILTERS)
    expected = {
        "Sa_mm": 0.797885,
        "Sq_mm": 1.0,
        "Sku": 3.0,
        "Sk_mm": 2.573956,
        "Spk_mm": 0.945031,
        "Svk_mm": 0.945031,
        "Smr1": 0.099051,
        "Smr2": 0.900949,
        "Vmp_mm": 0.0473432,
        "Vvv_mm": 0.1116377,
        "Vmc_mm": 0.905916,
        "Vvc_mm": 1.217257,
        "relief_mm": 2 * 2.053749,
        "Sxp_mm": 1.959964,  # Smc(2.5 %) - Smc(50 %)
    }
    for key, value in expected.items():
        assert found[key] == pytest.approx(value, rel=WITHIN), key
    assert texture.flags(found) == ()


def test_levels_of_the_material_ratio_curve():
    # Smc(10 %), Smc(80 %) of the normal distribution: 1.281552, -0.841621 (tables)
    levels = np.sort(gaussian_heights().ravel())[::-1]
    weights = np.full((1, levels.size), 1 / levels.size)
    assert levels_at(levels, weights, np.array([0.1, 0.8]))[0] == pytest.approx([1.281552, -0.841621], rel=1e-4)


def test_the_core_is_left_out_on_flat_land_and_ties():
    for z, step in ((frusta(), FINE_MM), sine()):
        found = texture.figures(z, step, FILTERS)
        assert "Sk_mm" not in found
        assert "core-undefined" in texture.flags(found)
    assert texture.measured(frusta(step=0.1), 0.1, FILTERS, Budget())["Sk_mm"] is None
    assert set(texture.flags({})) <= set(FLAGS)


def test_an_even_distribution_is_all_core():
    # heights evenly spread over 1 mm: the curve is a straight line, Sk = 1, no peaks or valleys beyond (ISO 25178-2);
    # every window ties, none is better than another, so the core is not told
    levels = np.linspace(1, 0, 20001)
    weights = np.full((1, levels.size), 1 / levels.size)
    assert core_figures(levels, weights) is None


def test_sal_of_a_sine():
    # the autocorrelation of a sine is cos(2 pi lag / L): 0.2 at L arccos(0.2) / 2 pi = 0.871812 mm; no Str along
    # ridges
    z, step = sine(waves=70, columns=9001, rows=20)
    found = texture.figures(z, step, FILTERS)
    assert found["Sal_mm"] == pytest.approx(0.871812, rel=WITHIN)
    assert "Str" not in found


def test_sal_and_str_of_an_even_field():
    # waves of one length from all sides have the autocorrelation J0(k r), the same in every direction
    k = 2 * np.pi / 3.0
    y, x = np.indices((400, 400)) * 0.1
    phases = np.random.default_rng(2).uniform(0, 2 * np.pi, 180)
    directions = np.arange(180) * np.pi / 180
    field = sum(np.cos(k * (x * np.cos(a) + y * np.sin(a)) + p) for a, p in zip(directions, phases, strict=True))
    found = texture.figures(field, 0.1, FILTERS)
    expected = brentq(lambda r: j0(k * r) - 0.2, 0.1, 2.4 / k)  # scipy.special.j0 as reference
    # one draw on 40 mm is not quite even: the expected lag lies between the shortest and the longest, and both are
    # near
    assert found["Sal_mm"] <= expected <= found["Sal_mm"] / found["Str"]
    assert found["Str"] > 0.85


def test_sand_patch_is_astm_e965():
    # MTD = 4 V / (pi D^2), V 25 000 mm3 (ASTM E965, EN 13036-1): D 160, 200, 252.31 mm
    assert texture.sand_patch_depth_mm(25_000, np.array([160, 200, 252.31])) == pytest.approx(
        [1.2434, 0.7958, 0.5000], abs=5e-5
    )
    assert texture.sand_patch_diameter_mm(0.5) == pytest.approx(252.31, abs=0.01)
    found = texture.figures(frusta(), FINE_MM, FILTERS)
    assert texture.sand_patch_depth_mm(25_000, found["sand_patch_diameter_mm"]) == pytest.approx(0.370370, rel=WITHIN)


def test_laws_of_scale_mirror_and_level():
    z = np.random.default_rng(3).gamma(2.0, 0.1, size=(80, 90))
    found = texture.figures(z, 0.1, FILTERS)
    twice = texture.figures(2 * z + 7, 0.2, Filters(contact_depth_mm=0.2))
    for key, value in found.items():
        if key.endswith("_mm") and key not in ("sand_patch_diameter_mm", "sole_sink_mm"):
            assert twice[key] == pytest.approx(2 * value, rel=1e-6), key
        elif key in ("Ssk", "Sku", "Sdq", "Sdr", "contact_area_fraction", "Smr1", "Smr2", "Str"):
            assert twice[key] == pytest.approx(value, rel=1e-6), key
    turned = texture.figures(-z, 0.1, FILTERS)
    assert turned["Ssk"] == pytest.approx(-found["Ssk"])
    assert turned["Sp_mm"] == pytest.approx(found["Sv_mm"])
    assert turned["Spk_mm"] == pytest.approx(found["Svk_mm"], rel=0.01)


def test_holes_do_not_move_the_figures():
    z = frusta(step=0.05, pitches=10)
    holes = z.copy()
    holes[np.random.default_rng(4).random(z.shape) < 0.3] = np.nan
    whole, part = (texture.figures(each, 0.05, FILTERS) for each in (z, holes))
    for key in ("Sq_mm", "relief_mm", "void_depth_mm", "contact_area_fraction", "Sdq"):
        assert part[key] == pytest.approx(whole[key], rel=0.02), key


def test_the_common_gain_stands_in_the_interval():
    z = frusta()
    alone = texture.measured(z, FINE_MM, FILTERS, Budget())
    found = texture.measured(z, FINE_MM, FILTERS, Budget((Term("light", 0.06), Term("scale", 0.08)), 0.0, 4))
    # 6 and 8 % are 10 % together; 1.96 standard deviations (JCGM 100); sampling adds in quadrature
    half = math.hypot(1.96 * 0.10 * 0.5, (alone["relief_mm"].high - alone["relief_mm"].low) / 2)
    assert found["relief_mm"].high - found["relief_mm"].value == pytest.approx(half, rel=0.01)
    # contact at 0.10 mm read at 0.10 / (1 -+ 0.196) of the reading: Smr of w = 1 + depth / 0.5
    deep, shallow = (((1 + 0.10 / gain / 0.5) / 3) ** 2 for gain in (1 - 0.196, 1 + 0.196))
    assert found["contact_area_fraction"].high >= 0.98 * deep
    assert found["contact_area_fraction"].low <= 1.02 * shallow
    assert found["Ssk"].high - found["Ssk"].low == pytest.approx(alone["Ssk"].high - alone["Ssk"].low, rel=1e-6)


def test_the_solvers_contact_uncertainty_stands_in_the_interval():
    z = frusta(step=0.1, pitches=10)
    found = texture.measured(z, 0.1, FILTERS, Budget((), 0.05, 4))["contact_area_fraction"]
    assert found.high - found.value >= 1.96 * 0.05 - 1e-9
    assert texture.measured_heights(z, 0.1, FILTERS, Budget((), 0.05, 4))["contact_area_fraction"].u >= 0.045


def test_sampling_intervals_hold_the_truth():
    # patches of 60 mm of one random texture; the truth is the mean over many; 95 % intervals should hold it about so
    # often
    rng = np.random.default_rng(5)
    read = []
    for _ in range(40):
        z = rng.normal(size=(30, 30)).repeat(5, axis=0).repeat(5, axis=1) * 0.1  # grains of 2 mm
        read.append(texture.measured_heights(z, 0.4, FILTERS, Budget()))
    for key in ("Sq_mm", "void_depth_mm"):
        truth = np.mean([one[key].value for one in read])
        held = np.mean([one[key].low <= truth <= one[key].high for one in read])
        assert held >= 0.85, key  # 40 draws: 0.95 less two standard deviations, and the blocks' own smallness


def test_cells_stand_on_their_own_top_plane():
    z = frusta(step=0.1, pitches=10)  # 30 mm
    z[:, 150:] -= 5.0  # a step between cells must not enter their figures
    z[200:, :100] = np.nan
    grid = Grid(2.0, 50.0, 0.1, *z.shape)
    found = texture.cells(z, grid, filters=FILTERS, budget=Budget(), cell_mm=15.0)
    assert len(found) == 4
    assert (found[0].x_mm, found[0].y_mm) == pytest.approx((2.0 + 7.45, 50.0 - 7.45))
    for cell in found:
        assert cell.figures["relief_mm"].value == pytest.approx(0.5, abs=0.01)
    assert found[2].measured_share == pytest.approx(1 - 100 * 100 / 150**2, abs=0.01)


def test_too_few_pixels_are_refused():
    z = np.full((20, 20), np.nan)
    z[0, :10] = 1.0
    with pytest.raises(ReliefError, match="Only 10 measured pixels"):
        texture.figures(z, 0.1, FILTERS)


def test_odd_maps_have_finite_figures_or_none():
    # a level plate, single pixels without neighbours, one row: every figure is finite or left out with a flag
    dots = np.full((40, 40), np.nan)
    dots[::2, ::2] = np.random.default_rng(8).normal(size=(20, 20))
    for z in (np.zeros((30, 30)), dots, np.linspace(0, 1, 60)[None]):
        found = texture.measured(z, 0.1, FILTERS, Budget((Term("light", 0.3),), 0.1, 1))
        assert {"Sdq", "Sal_mm", "Sk_mm", "relief_mm"} <= set(found)
        assert set(texture.flags(found)) <= set(FLAGS)
        for key, one in found.items():
            assert one is None or one.low <= one.value <= one.high, key


def test_figures_do_not_change_their_input_and_repeat():
    z = frusta(step=0.1)
    before = z.copy()
    first = texture.measured(z, 0.1, FILTERS, Budget((Term("light", 0.1),), 0.02, 2))
    assert first == texture.measured(z, 0.1, FILTERS, Budget((Term("light", 0.1),), 0.02, 2))
    assert np.array_equal(z, before)


@pytest.mark.filterwarnings("ignore::DeprecationWarning")  # within the library
def test_another_library_agrees():
    """SurfaceTopography (MIT) as second reference: Sq, rms gradient and bearing area of a sine."""
    library = pytest.importorskip("SurfaceTopography")
    z, step = sine(columns=901, rows=30, waves=9)
    topography = library.Topography(z, (z.shape[0] * step, z.shape[1] * step))
    found = texture.figures(z, step, Filters(contact_depth_mm=0.2))
    assert found["Sq_mm"] == pytest.approx(topography.rms_height_from_area(), rel=WITHIN)
    assert found["Sdq"] == pytest.approx(topography.rms_gradient(), rel=WITHIN)
    top = 0.5 * math.cos(0.02 * math.pi)  # Smc(2 %) of the sine
    assert found["contact_area_fraction"] == pytest.approx(topography.bearing_area(top - 0.2), rel=0.01)
