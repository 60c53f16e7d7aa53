"""Form removal and the S- and L-filters against ISO 16610-61's transfer and slow, obvious versions."""

import math

import numpy as np
import pytest

from texscan import filters
from texscan.errors import ReliefError, SettingsError
from texscan.model import Filters

STEP_MM = 0.1


def wave(length_mm, *, rows=40, columns=1600, step_mm=STEP_MM):
    return np.broadcast_to(np.sin(2 * np.pi * np.arange(columns) * step_mm / length_mm + 0.4), (rows, columns))


def amplitude(low, z):
    middle = slice(z.shape[1] // 4, 3 * z.shape[1] // 4)
    return float((low * z)[:, middle].sum() / (z * z)[:, middle].sum())


# ISO 16610-61: a Gaussian low-pass of index lc lets a wave of length l through with 2^-(lc / l)^2.
@pytest.mark.parametrize("index_mm", [0.8, 2.5, 8.0, 25.0])
@pytest.mark.parametrize(("ratio", "transfer"), [(1.0, 0.5), (2.0, 0.8408964), (0.5, 0.0625)])
def test_low_pass_has_the_standard_transfer(index_mm, ratio, transfer):
    step = min(0.1, index_mm / 20)
    rows = round(4 * index_mm / step) if index_mm < 5 else 600  # wide enough that the rows' edges play no part
    z = wave(
        ratio * index_mm, rows=rows, columns=round(max(24 * index_mm, 8 * ratio * index_mm) / step), step_mm=step
    )
    # 0.003: 4 sigma of the kernel, block means of a sixth of sigma
    assert amplitude(filters.low_pass(z, step, index_mm), z) == pytest.approx(transfer, abs=0.003)


def test_s_filter_on_a_coarse_grid_keeps_its_variance():
    # sigma is under half a pixel here; a 1 mm wave keeps 2^-(0.25)^2 = 95.76 % (ISO 16610-61)
    z = wave(1.0)
    assert amplitude(filters.low_pass(z, STEP_MM, 0.25), z) == pytest.approx(0.957603, abs=0.005)


def test_low_pass_with_holes_is_the_weighted_mean_of_measured_pixels():
    # the slow, obvious version: weights exp(-pi (r / (alpha lc))^2), alpha = sqrt(ln 2 / pi), renormalised
    rng = np.random.default_rng(3)
    z = rng.normal(size=(60, 70))
    z[20:35, 10:30] = np.nan
    z[rng.random(z.shape) < 0.2] = np.nan
    index_mm, alpha = 1.6, math.sqrt(math.log(2) / math.pi)
    low = filters.low_pass(z, STEP_MM, index_mm)
    y, x = np.indices(z.shape) * STEP_MM
    for r, c in np.argwhere(np.isfinite(z))[::97]:
        weight = np.exp(-np.pi * ((y - y[r, c]) ** 2 + (x - x[r, c]) ** 2) / (alpha * index_mm) ** 2)
        expected = np.nansum(weight * z) / weight[np.isfinite(z)].sum()
        assert low[r, c] == pytest.approx(expected, abs=2e-3)
    assert np.array_equal(np.isnan(low), np.isnan(z))


def test_wide_filters_on_block_means_agree_with_the_direct_one(monkeypatch):
    rng = np.random.default_rng(4)
    z = filters.low_pass(rng.normal(size=(300, 420)), STEP_MM, 2.0) * 10
    z[100:140, 50:90] = np.nan
    quick = filters.low_pass(z, STEP_MM, 25.0)
    monkeypatch.setattr(filters, "LARGEST_DIRECT_SIGMA_PX", math.inf)
    slow = filters.low_pass(z, STEP_MM, 25.0)
    assert np.nanmax(np.abs(quick - slow)) < 0.01 * np.nanstd(z)


@pytest.mark.parametrize("order", [0, 1, 2])
def test_form_removal_takes_its_own_polynomial_away(order):
    # a law: least squares leaves nothing of a surface within its own space
    y, x = np.indices((80, 130)) / 50.0
    form = sum((i + 1) * 0.3 * x**i * y**j for i in range(order + 1) for j in range(order + 1 - i))
    form[10:30, 20:60] = np.nan
    left = filters.without_form(form, f"polynomial-{order}")
    assert np.nanmax(np.abs(left)) < 1e-5
    assert np.array_equal(np.isnan(left), np.isnan(form))


def test_form_removal_agrees_with_plain_least_squares():
    # numpy.linalg.lstsq on the full design matrix is the outside reference
    rng = np.random.default_rng(5)
    z = rng.normal(size=(40, 50))
    z[rng.random(z.shape) < 0.3] = np.nan
    y, x = np.indices(z.shape)
    known = np.isfinite(z)
    design = np.stack([x**i * y**j for i in range(3) for j in range(3 - i)], axis=-1)[known].astype(float)
    expected = z[known] - design @ np.linalg.lstsq(design, z[known], rcond=None)[0]
    assert filters.without_form(z, "polynomial-2")[known] == pytest.approx(expected, abs=1e-5)


def test_camber_goes_and_the_pattern_stays():
    # ISO 16610-61: of a 4 mm wave the L-filter of 25 mm takes 2^-(25 / 4)^2 (nothing), the S-filter of 0.25 mm 0.27 %
    y, x = np.indices((500, 700)) * STEP_MM
    pattern = 0.25 * np.sin(2 * np.pi * x / 4)
    z = pattern - (x - 35) ** 2 / (2 * 900.0) - (y - 25) ** 2 / (2 * 5000.0)
    out = filters.filtered(z, STEP_MM, Filters())
    assert np.std(out) == pytest.approx(np.std(pattern) * (1 - 0.0027), rel=0.005)  # edges take the rest
    inner = (slice(60, -60), slice(60, -60))
    assert np.abs(out - pattern)[inner].max() < 0.03 * 0.25  # the L-filter's edges reach in a little


def test_nothing_is_cropped_and_the_input_stays():
    z = np.random.default_rng(6).normal(size=(50, 60)).astype(np.float32)
    z[5:9, 5:9] = np.nan
    before = z.copy()
    out = filters.filtered(z, STEP_MM, Filters())
    assert out.shape == z.shape
    assert out.dtype == np.float32
    assert np.array_equal(np.isnan(out), np.isnan(z))
    assert np.array_equal(z, before, equal_nan=True)


def test_filters_without_indices_leave_the_heights():
    z = np.random.default_rng(7).normal(size=(50, 60)).astype(np.float32)
    assert np.array_equal(filters.filtered(z, STEP_MM, Filters(s_mm=0, l_mm=math.inf, form="none")), z)


def test_wrong_settings_and_empty_maps_are_refused():
    z = np.zeros((20, 20))
    with pytest.raises(SettingsError, match="not below the L-filter"):
        filters.filtered(z, STEP_MM, Filters(s_mm=2.5, l_mm=0.8))
    with pytest.raises(SettingsError, match="'sphere' is not known"):
        filters.filtered(z, STEP_MM, Filters(form="sphere"))
    with pytest.raises(ReliefError, match="0 measured pixels"):
        filters.filtered(np.full((20, 20), np.nan), STEP_MM, Filters())
