"""A sole on springs against closed forms and a half-space, which itself is held to Hertz and Westergaard."""

import numpy as np
import pytest
from half_space import press

from texscan import contact, texture
from texscan.errors import SettingsError
from texscan.model import Filters


def frusta(*, height=0.5, pitch=3.0, top=1.0, base=2.0, step=0.05, pitches=4):
    x = (np.arange(round(pitches * pitch / step)) + 0.37) * step
    u = np.abs(x % pitch - pitch / 2)
    return np.clip((base / 2 - np.maximum(u[:, None], u[None])) / ((base - top) / 2), 0, 1) * height


def domes(*, radius=1.2, pitch=3.0, step=0.05, pitches=4):
    x = (np.arange(round(pitches * pitch / step)) + 0.5) * step % pitch - pitch / 2
    return 0.5 * np.sqrt(np.clip(1 - (x[:, None] ** 2 + x**2) / radius**2, 0, None))


# The reference first.


def test_half_space_follows_hertz():
    # sphere of radius R: a^3 = 3 F R / (4 E*) (Hertz; Johnson, Contact Mechanics, eq. 4.22)
    side_mm, n, radius_mm, modulus = 8.0, 256, 5.0, 4.0
    x = (np.arange(n) - n / 2) * side_mm / n
    z = -(x[:, None] ** 2 + x**2) / (2 * radius_mm)
    pressure = 0.01
    force = pressure * side_mm**2
    p = press(z, side_mm / n, modulus_mpa=modulus, pressure_mpa=pressure)
    a_mm = (0.75 * force * radius_mm / modulus) ** (1 / 3)
    # neighbours in the periodic cell are 10 a away: 3 %
    assert np.sqrt((p > 0).sum() * (side_mm / n) ** 2 / np.pi) == pytest.approx(a_mm, rel=0.03)
    assert p.max() == pytest.approx(1.5 * force / (np.pi * a_mm**2), rel=0.03)


@pytest.mark.parametrize("load", [0.1, 0.4, 0.8])
def test_half_space_follows_westergaard(load):
    # wave h cos(2 pi x / l): full contact at p* = pi E* h / l, else load / p* = sin^2(pi a / l), 2 a wide
    # (Westergaard 1939; Johnson, Contact Mechanics, eq. 13.7)
    n, length_mm, height_mm, modulus = 256, 4.0, 0.2, 4.0
    z = np.tile(height_mm * np.cos(2 * np.pi * np.arange(n) / n), (4, 1))
    full = np.pi * modulus * height_mm / length_mm
    p = press(z, length_mm / n, modulus_mpa=modulus, pressure_mpa=load * full)
    assert (p > 0).mean() == pytest.approx(2 / np.pi * np.arcsin(np.sqrt(load)), abs=0.012)


# The bed of springs.


def test_bed_stiffness_is_westergaards():
    # the mean pressure that flattens a wave is stiffness times amplitude
    assert contact.bed_stiffness(4.0, 4.0) * 0.2 == pytest.approx(np.pi * 4.0 * 0.2 / 4.0)


def test_a_paraboloid_on_springs():
    # height -r^2 / 2R: sunk by d it touches pi 2 R d and carries k pi R d^2 (derived)
    side_mm, n, radius_mm, stiffness, depth = 8.0, 801, 5.0, 3.0, 0.3
    x = np.linspace(-side_mm / 2, side_mm / 2, n)
    z = -(x[:, None] ** 2 + x**2) / (2 * radius_mm)
    area = (x[1] - x[0]) ** 2 * n**2
    pressure = stiffness * np.pi * radius_mm * depth**2 / area
    found = contact.winkler(z, pressure_mpa=pressure, stiffness_mpa_per_mm=stiffness)
    assert found.fraction == pytest.approx(2 * np.pi * radius_mm * depth / area, rel=0.003)
    assert found.pressure_mpa == pytest.approx(pressure / found.fraction)


def test_frusta_on_springs():
    # sunk by d under the top: carried = k / P^2 integral of (1 + s / 0.5)^2 over s from 0 to d
    # = k / P^2 (0.5 / 3) ((1 + 2 d)^3 - 1), touched ((1 + 2 d) / 3)^2 (derived, flank slope 1)
    stiffness, depth = 4.0, 0.12
    pressure = stiffness / 9 * (0.5 / 3) * ((1 + 2 * depth) ** 3 - 1)
    found = contact.winkler(frusta(step=0.02), pressure_mpa=pressure, stiffness_mpa_per_mm=stiffness)
    assert found.sink_mm == pytest.approx(depth, rel=0.01)
    assert found.fraction == pytest.approx(((1 + 2 * depth) / 3) ** 2, rel=0.02)


def test_a_level_plate_is_touched_everywhere():
    found = contact.winkler(np.zeros((30, 30)), pressure_mpa=0.06, stiffness_mpa_per_mm=3.0)
    assert found.fraction == pytest.approx(1)
    assert found.sink_mm == pytest.approx(0.02)


def grains():
    rng = np.random.default_rng(6)
    y, x = np.indices((200, 200)) * 0.06
    z = np.zeros_like(x)
    for cx, cy, r in zip(rng.uniform(0, 12, 150), rng.uniform(0, 12, 150), rng.uniform(0.3, 0.6, 150), strict=True):
        z = np.maximum(z, rng.uniform(0.3, 0.5) * np.sqrt(np.clip(1 - ((x - cx) ** 2 + (y - cy) ** 2) / r**2, 0, 1)))
    return z


@pytest.mark.parametrize(
    "z",
    [frusta(step=0.06), np.minimum(frusta(step=0.06), 0.3), domes(step=0.06), grains()],
    ids=["frusta", "worn", "domes", "grains"],
)
@pytest.mark.parametrize("pressure_mpa", [0.03, 0.06, 0.12])
def test_springs_stand_for_a_half_space(z, pressure_mpa):
    sole = contact.Sole(pressure_mpa=pressure_mpa)
    expected = (press(z, 0.06, modulus_mpa=sole.modulus_mpa, pressure_mpa=pressure_mpa) > 0).mean()
    found = contact.under_sole(z, sal_mm=texture.figures(z, 0.06, Filters())["Sal_mm"], sole=sole)
    assert 0.85 * expected <= found.fraction <= 1.25 * expected  # the span that the module states


def test_flat_tops_and_points_of_the_same_smr_differ():
    # both have 16 % of their area within 0.10 mm of the top; the sole sinks farther on the points
    flat = np.where(frusta() > 0.4, 0.5, 0.0)
    x = (np.arange(240) + 0.5) * 0.05 % 3.0 - 1.5
    points = 0.5 - 0.1 / 0.6 * np.maximum(np.abs(x[:, None]), np.abs(x))
    on_flat, on_points = (contact.under_sole(z, sal_mm=0.7) for z in (flat, points))
    assert on_points.sink_mm > on_flat.sink_mm


def test_more_pressure_never_touches_less():
    z = np.random.default_rng(1).gamma(2, 0.1, (60, 60))
    z[3:9, 4:20] = np.nan
    shares = [
        contact.winkler(z, pressure_mpa=p, stiffness_mpa_per_mm=4.0).fraction for p in (1e-6, 0.001, 0.01, 0.1, 10.0)
    ]
    assert shares == sorted(shares)
    assert shares[-1] == pytest.approx(1)


def test_impossible_beds_are_refused():
    with pytest.raises(SettingsError, match="Give both above 0"):
        contact.winkler(np.zeros((5, 5)), pressure_mpa=0.0, stiffness_mpa_per_mm=3.0)
    with pytest.raises(SettingsError, match="above 0"):
        contact.bed_stiffness(4.0, 0.0)
