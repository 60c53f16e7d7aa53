"""
Coats on relief: closed forms, published levelling theory, a slow thin-film solver, and laws.

"Derived" marks a closed form worked out by hand from conservation of paint; the arithmetic stands beside the check.
"""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from thin_film import coated, levelled_film

from texscan.coating import (
    DEFAULT_COATS,
    after_coat,
    flood_level_mm,
    forecast,
    peak_share_from_test,
    void_depth_after,
    void_depth_bounds,
)
from texscan.errors import SettingsError
from texscan.levelling import (
    amplitude_after_coat,
    bond_number,
    decay_time_s,
    levelling_exponent,
    peak_share,
    stopped_amplitude_mm,
)
from texscan.model import Budget, Coat, Filters, Flow, Measured, Term

POINTS = 20_000
X_MM = (np.arange(POINTS) + 0.5) / POINTS * 3.0
COAT = Coat("coat", "topcoat", volume_solids=0.5, wet_um=100.0)
FLOW = Flow((1.0, 1.0, 1.0), 0.03, 60.0, 1200.0)
SQUARE = np.where(X_MM < 1.5, 0.5, 0.0)  # land 0.5, 0.5 mm deep
SINE = 0.25 * np.cos(2 * np.pi * X_MM / 3)
RIDGES = 0.5 * (1 - np.abs(X_MM - 1.5) / 1.5)
SHALLOW = SINE / 5


def heights_after(height, share, coats):
    for _ in range(coats):
        height = after_coat(height, COAT, share)
    return height


def pyramids(points=400):
    """Pyramids 0.5 mm high that fill a 3 mm cell."""
    u = np.abs((np.arange(points) + 0.5) / points * 2 - 1)
    return 0.5 * (1 - np.maximum(u[:, None], u[None, :]))


# Orchard, Appl. Sci. Res. A11 (1962) 451: tau = 3 eta lam^4 / (16 pi^4 sigma h^3), here eta 1 Pa s, sigma 0.03 N/m.
@pytest.mark.parametrize(
    ("pitch_mm", "film_um", "seconds"),
    [
        (1, 50, 0.513),
        (1, 100, 0.064),
        (2, 75, 2.43),
        (3, 100, 5.20),
        (3, 150, 1.54),
        (5, 50, 321),
        (5, 150, 11.9),
        (10, 50, 5133),
        (10, 100, 642),
    ],
)
def test_waves_of_a_film_decay_in_orchards_time(pitch_mm, film_um, seconds):
    assert decay_time_s(pitch_mm, film_um / 1000, FLOW) == pytest.approx(seconds, rel=0.005)  # three digits printed


# Linear theory of a film on a level floor: rho g / (sigma k^2); 1 at the capillary length times 2 pi (10.03 mm here).
@pytest.mark.parametrize(("pitch_mm", "bond"), [(1, 0.010), (3, 0.089), (5, 0.248), (10, 0.994), (10.03, 1.0)])
def test_gravity_matters_only_beyond_a_centimetre(pitch_mm, bond):
    assert bond_number(pitch_mm, FLOW) == pytest.approx(bond, abs=0.0006)


# Smith, Orchard and Rhind-Tutt 1961 (from memory): a = tau_y lam^3 / (8 pi^3 sigma h).
@pytest.mark.parametrize(("yield_pa", "amplitude_mm"), [(1, 0.0363), (0.5, 0.0181), (5, 0.181)])
def test_a_yield_stress_stops_levelling_at_a_known_wave(yield_pa, amplitude_mm):
    assert stopped_amplitude_mm(3, 0.1, 0.03, yield_pa) == pytest.approx(amplitude_mm, rel=0.005)


def test_a_covering_film_leaves_what_shrinkage_leaves():
    # Derived: A (1 - v (1 - 1/e)) after one decay time; A (1 - v)^3 after three levelled coats.
    assert amplitude_after_coat(0.05, 0.5, 1.0) == pytest.approx(0.03420, abs=5e-6)
    assert amplitude_after_coat(0.05, 0.5, math.inf) == pytest.approx(0.025)
    assert 0.05 * (amplitude_after_coat(1.0, 0.5, math.inf)) ** 3 == pytest.approx(0.00625)
    assert amplitude_after_coat(0.05, 0.5, 0.0) == 0.05


# Derived: r = 1 / sqrt(1 + 2 (A / w) T), w 0.1 mm, A 0.25 mm, 60 s, sigma 0.03, rho 1200.
@pytest.mark.parametrize(
    ("pitch_mm", "viscosity", "exponent", "share"),
    [(3, 1, 12.58, 0.125), (3, 10, 1.258, 0.370), (8, 10, 0.0374, 0.918)],
)
def test_peak_share_of_a_draining_crest(pitch_mm, viscosity, exponent, share):
    flow = Flow((viscosity,) * 3, 0.03, 60.0, 1200.0)
    found = levelling_exponent(pitch_mm, 0.1, flow)
    assert found == pytest.approx(exponent, rel=0.002)
    assert peak_share(0.25, 0.1, found) == pytest.approx(share, abs=0.0006)


def test_the_bounds_need_no_model():
    # Derived: 0.300 mm under 40 + 40 + 50 + 50 + 50 um dry keeps between 0.070 and 0.300 mm.
    coats = tuple(Coat(str(dry), "topcoat", 0.5, 2.0 * dry) for dry in (40, 40, 50, 50, 50))
    assert void_depth_bounds(0.300, coats) == pytest.approx((0.070, 0.300))
    half = tuple(Coat(c.name, c.kind, 0.5, c.wet_um, peak_share=(0.5, 0.5, 0.5)) for c in coats)
    assert void_depth_after(Measured(0.3, 0.3, 0.3), half).value == pytest.approx(0.185)  # 0.300 - 0.115


# Derived by hand, 100 um wet, half solids. Square wave: D' = D - v w (1 - r) / (1 - land) until full, then D (1 - v).
# Sinusoid: flood level c with w / A = (c (pi - acos c) + sqrt(1 - c^2)) / pi, PV' = 2 A - v A (1 + c).
@pytest.mark.parametrize(
    ("height", "share", "depths"),
    [
        (SQUARE, 0.0, [0.400, 0.300, 0.200, 0.100, 0.050]),
        (SQUARE, 0.5, [0.450, 0.400, 0.350, 0.300, 0.250]),
        (SQUARE, 1.0, [0.500] * 5),
        (SINE, 0.0, [0.3555, 0.2420, 0.1503, 0.0751, 0.0376]),
        (SINE, 0.5, [0.4072, 0.3333, 0.2722, 0.2200, 0.1742]),
        (SINE, 1.0, [0.500] * 5),
        (RIDGES, 0.0, [0.3419]),  # flooded d = sqrt(2 D w) = 0.3162 deep; D - v d
        (SHALLOW, 0.0, [0.0500, 0.0250]),  # the film holds more than the void: PV (1 - v)
    ],
)
def test_retain_and_flood_leaves_the_depths_worked_out_by_hand(height, share, depths):
    found = [np.ptp(heights_after(height, share, n + 1)) for n in range(len(depths))]
    assert found == pytest.approx(depths, abs=0.0005)  # digits printed, and the points' spacing


def test_retain_and_flood_on_pyramids():
    # Derived: u^2 - u^3 / 3 = w / D gives u = 0.4888; PV' = D (1 - v u); void depth 0.333 to 0.283.
    before = pyramids()
    after = after_coat(before, COAT, 0.0)
    assert np.ptp(after) == pytest.approx(0.3778, abs=0.002)  # the apex lies half a pixel below D
    assert np.mean(before.max() - before) - np.mean(after.max() - after) == pytest.approx(0.050, abs=1e-9)


@pytest.mark.parametrize(
    ("share", "voids"), [(0.0, [0.200, 0.150, 0.100, 0.050, 0.025]), (0.5, [0.225, 0.2, 0.175, 0.15])]
)
def test_void_depth_falls_by_what_drains(share, voids):
    found = [float(np.mean(h.max() - h)) for h in (heights_after(SINE, share, n + 1) for n in range(len(voids)))]
    assert found == pytest.approx(voids, abs=0.0002)
    stated = Coat("coat", "topcoat", 0.5, 100.0, peak_share=(share,) * 3)
    by_conservation = [
        void_depth_after(Measured(0.25, 0.25, 0.25), (stated,) * (n + 1)).value for n in range(len(voids))
    ]
    assert by_conservation == pytest.approx(voids, abs=1e-9)


@given(st.floats(0, 1), st.floats(10, 400), st.floats(0.1, 1.0), st.integers(0, 5))
@settings(max_examples=40, deadline=None)
def test_paint_is_conserved_and_order_kept(share, wet_um, solids, seed):
    height = np.random.default_rng(seed).gamma(2.0, 0.1, (30, 20))
    height[3:5, 7] = np.nan
    after = after_coat(height, Coat("c", "topcoat", solids, wet_um), share)
    known = np.isfinite(height)
    assert (np.isfinite(after) == known).all()
    assert np.mean((after - height)[known]) == pytest.approx(solids * wet_um / 1000, rel=1e-9)
    order = np.argsort(height[known])
    steps = np.diff(after[known][order])
    assert (steps >= -1e-12).all()
    assert (steps <= np.diff(height[known][order]) + 1e-12).all()


def test_a_level_floor_floods_evenly():
    assert flood_level_mm(np.zeros((4, 5)), 0.08) == pytest.approx(0.08)
    assert flood_level_mm(np.array([0.0, 1.0]), 0.25) == pytest.approx(0.5)  # half of the area, twice the depth


def test_a_map_without_heights_is_refused():
    with pytest.raises(ValueError, match="no measured height"):
        after_coat(np.full((3, 3), np.nan), COAT, 0.5)
    with pytest.raises(ValueError, match="peak share"):
        after_coat(np.zeros((3, 3)), COAT, 1.5)


# --- the slow reference


def test_the_solver_decays_small_waves_as_orchard_says():
    # 2 um on 100 um of film at a 3 mm pitch: gravity counted by the Bond number; second order in the cell size.
    x = (np.arange(60) + 0.5) / 60 * 3e-3
    z = -2e-6 * np.cos(2 * np.pi * x / 3e-3)
    film = levelled_film(z, 3e-3, 1e-4, viscosity_pa_s=1.0, tension_n_m=0.03, density_kg_m3=1200, seconds=3.0)
    surface = z + film
    amplitude = 2 / 60 * abs(np.sum(surface * np.cos(2 * np.pi * x / 3e-3)))
    expected = 2e-6 * math.exp(-levelling_exponent(3, 0.1, Flow((1.0,) * 3, 0.03, 3.0)))
    assert amplitude == pytest.approx(expected, rel=0.01)


# Peak share and depth against the solver, 10 Pa s, 60 s, 100 um wet, half solids. The share was found 0.00 to 0.08
# high and the depth after one coat 0.01 to 0.03 mm low over a wider set of cases; that spread is the tolerance here.
@pytest.mark.parametrize(("depth_mm", "pitch_mm"), [(0.5, 3), (0.5, 8), (0.8, 4)])
def test_retain_and_flood_stays_near_the_thin_film_solver(depth_mm, pitch_mm):
    x = (np.arange(60) + 0.5) / 60
    z_mm = depth_mm / 2 * np.cos(2 * np.pi * x)
    physics = {"viscosity_pa_s": 10.0, "tension_n_m": 0.03, "density_kg_m3": 1200, "seconds": 60.0}
    solved = coated(z_mm / 1000, pitch_mm / 1000, 1e-4, solids=0.5, coats=1, **physics) * 1000
    film_on_peak = (solved - z_mm)[[0, -1]].mean()
    share = peak_share(depth_mm / 2, 0.1, levelling_exponent(pitch_mm, 0.1, Flow((10.0,) * 3, 0.03, 60.0)))
    assert -0.01 <= share - film_on_peak / 0.05 <= 0.09
    assert np.ptp(solved) - np.ptp(after_coat(z_mm, COAT, share)) == pytest.approx(0.015, abs=0.02)


# Five coats: over six cases of relief, pitch and viscosity the two differed by up to 0.055 mm, either sign.
@pytest.mark.parametrize(("depth_mm", "pitch_mm"), [(0.5, 5), (0.8, 4)])
def test_five_coats_stay_within_the_known_distance_of_the_solver(depth_mm, pitch_mm):
    z_mm = depth_mm / 2 * np.cos(2 * np.pi * (np.arange(60) + 0.5) / 60)
    physics = {"viscosity_pa_s": 10.0, "tension_n_m": 0.03, "density_kg_m3": 1200, "seconds": 60.0}
    solved = coated(z_mm / 1000, pitch_mm / 1000, 1e-4, solids=0.5, coats=5, **physics) * 1000
    exponent = levelling_exponent(pitch_mm, 0.1, Flow((10.0,) * 3, 0.03, 60.0))
    painted = z_mm
    for _ in range(5):
        painted = after_coat(painted, COAT, peak_share(np.ptp(painted) / 2, 0.1, exponent))
    assert np.ptp(painted) == pytest.approx(np.ptp(solved), abs=0.055)


# --- forecast

BUDGET = Budget((Term("light", 0.05),), contact_u=0.02)
SURFACE = 0.25 * np.cos(2 * np.pi * np.arange(120) * 0.05 / 3)[:, None] * np.ones(100)


def forecast_of(height=SURFACE, coats=DEFAULT_COATS, budget=Budget()):
    return forecast(height, 0.05, coats, filters=Filters(), budget=budget)


def test_exact_heights_leave_the_range_of_the_peak_share():
    found = forecast_of()
    # Conservation: each coat takes 40 um (1 - r) of void; r 0.3, 0.5, 0.9. The top plane is Smc(2 %), not the crest.
    for i, (low, likely, high) in enumerate(found.void_depth_mm, start=1):
        start = 0.25
        assert (low, likely, high) == pytest.approx(
            (start - 0.028 * i, start - 0.02 * i, start - 0.004 * i), abs=0.0015
        )
    assert found.peak_film_um[0] == pytest.approx((12, 20, 36))
    assert found.relief_mm[0][0] < found.relief_mm[0][1] < found.relief_mm[0][2] < 0.5


def test_the_low_end_takes_the_worst_of_paint_and_measurement_together():
    exact, wide = forecast_of(), forecast_of(budget=BUDGET)
    low, likely, _ = wide.void_depth_mm[0]
    from_paint = likely - exact.void_depth_mm[0][0]
    from_heights = 1.96 * 0.05 * 0.25
    assert likely - low == pytest.approx(from_paint + from_heights, rel=0.01)
    assert likely == exact.void_depth_mm[0][1]


@given(st.floats(0.0, 0.2), st.floats(0.0, 0.2), st.floats(0.02, 0.5))
@settings(max_examples=20, deadline=None)
def test_a_wider_budget_never_narrows_the_forecast(u, more, scale):
    first = forecast_of(SURFACE * scale, budget=Budget((Term("light", u),)))
    second = forecast_of(SURFACE * scale, budget=Budget((Term("light", u + more),)))
    for name in ("void_depth_mm", "relief_mm", "contact_area_fraction", "peak_film_um"):
        for (a, _, b), (c, _, d) in zip(getattr(first, name), getattr(second, name), strict=True):
            assert c <= a + 1e-9
            assert d >= b - 1e-9


@given(st.integers(0, 1000), st.floats(0.05, 1.5), st.floats(0.0, 0.15))
@settings(max_examples=25, deadline=None)
def test_more_coats_never_raise_void_depth(seed, scale, u):
    height = scale * np.random.default_rng(seed).beta(0.7, 1.2, (40, 40))
    found = forecast_of(height, coats=DEFAULT_COATS * 2, budget=Budget((Term("light", u),)))
    for name in ("void_depth_mm", "relief_mm"):
        entries = np.array(getattr(found, name))
        assert (np.diff(entries, axis=0) <= 1e-9).all()
        assert (np.diff(entries, axis=1) >= -1e-9).all()


def test_the_forecast_of_a_large_map_is_that_of_its_distribution():
    rng = np.random.default_rng(3)
    height = rng.gamma(2.0, 0.1, (400, 400))
    left = height
    for coat in DEFAULT_COATS:
        left = after_coat(left, coat, 0.5)
    top = np.quantile(left, 0.98)
    assert forecast_of(height).void_depth_mm[-1][1] == pytest.approx(np.mean(np.maximum(top - left, 0)), abs=2e-4)


def test_a_coat_with_its_flow_gets_its_peak_share_from_the_relief():
    # A sinusoid has Sq = A / sqrt 2 and Sdq = k Sq, so amplitude and pitch come back exactly.
    coat = Coat("c", "topcoat", 0.5, 100.0, flow=Flow((1.0, 10.0, 100.0), 0.03, 60.0))
    used = forecast_of(coats=(coat,)).coats[0].peak_share
    assert used[1] == pytest.approx(0.370, abs=0.01)  # differences over 0.05 mm steps lower the slope
    assert used[0] < used[1] < used[2]


# --- a test patch tells the peak share


def test_a_test_patch_tells_the_peak_share():
    before, after = Measured(0.300, 0.300, 0.300), Measured(0.275, 0.275, 0.275)
    assert peak_share_from_test(before, after, COAT).value == pytest.approx(0.5)  # 0.025 of 0.050 mm drained
    painted = after_coat(SINE, COAT, 0.37)
    voids = [Measured.from_u(float(np.mean(h.max() - h)), 0.002) for h in (SINE, painted)]
    found = peak_share_from_test(*voids, COAT)
    assert found.value == pytest.approx(0.37, abs=1e-3)
    assert found.u == pytest.approx(math.hypot(0.002, 0.002) / 0.05, rel=0.01)


def test_a_test_patch_that_grew_is_refused():
    with pytest.raises(SettingsError, match=r"0\.300 to 0\.400 mm"):
        peak_share_from_test(Measured(0.3, 0.3, 0.3), Measured(0.4, 0.4, 0.4), COAT)
