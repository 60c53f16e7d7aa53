"""
Form removal and the areal S- and L-filters, on height maps with holes.

Gaussian filters after ISO 16610-61: weight exp(-pi (r / (alpha lc))^2), alpha = sqrt(ln 2 / pi), so that a wave of
length l passes a low-pass of nesting index lc with amplitude 2^-(lc / l)^2. At edges and holes the weights are
renormalised over the measured pixels (regression of order zero); nothing is cropped, and NaN stays NaN.
"""

from __future__ import annotations

import math

import cv2
import numpy as np
from scipy.special import ive

from texscan.errors import ReliefError, SettingsError
from texscan.model import Filters
from texscan.window import window_of

# sigma of the Gaussian over its nesting index: alpha / sqrt(2 pi), alpha = sqrt(ln 2 / pi) (ISO 16610-61)
SIGMA_PER_INDEX = math.sqrt(math.log(2)) / (math.pi * math.sqrt(2))
LEAST_SAMPLED_SIGMA_PX = 1.0  # a Gaussian narrower than this is not held by its samples
KERNEL_REACH_SIGMAS = 4.0  # the weights beyond hold 6e-5 of the whole
LARGEST_DIRECT_SIGMA_PX = 12.0  # wider filters run on block means, which is as exact and much faster
COARSE_SIGMA_PX = 6.0  # sigma on the block means
FORM_ORDERS = {"none": None, "polynomial-0": 0, "polynomial-1": 1, "polynomial-2": 2}


def filtered(height_mm: np.ndarray, step_mm: float, filters: Filters) -> np.ndarray:
    """
    The scale-limited surface: form removed, then S-filter, then L-filter.

    Parameters
    ----------
    height_mm : (rows, columns) array
        Heights [mm]; NaN = not measured.
    step_mm : float
        Grid step [mm].
    filters : Filters
        `form` one of `FORM_ORDERS`; a nesting index of 0 (S) or infinity (L) leaves that filter out.

    Returns
    -------
    z : (rows, columns) float32
        Filtered heights [mm], NaN exactly where the input is NaN.

    Raises
    ------
    ReliefError
        Fewer than 12 measured pixels.
    SettingsError
        Unknown form, or S-filter not below the L-filter.
    """
    rows, columns = measured_box(height_mm)
    block = 1 if math.isinf(filters.l_mm) else _block_px(SIGMA_PER_INDEX * filters.l_mm / step_mm)
    # the L-filter's blocks lie as they would on the whole map
    box = tuple(slice((part.start or 0) // block * block, part.stop) for part in (rows, columns))
    out = np.full(height_mm.shape, np.nan, np.float32)
    smooth = smoothed(height_mm[box], step_mm, filters)
    out[box] = smooth if math.isinf(filters.l_mm) else smooth - low_pass(smooth, step_mm, filters.l_mm)
    return out


def measured_box(z: np.ndarray) -> tuple[slice, slice]:
    """Rows and columns from the first to the last measured pixel; the whole map if there is none."""
    return window_of(~np.isfinite(z))


def smoothed(height_mm: np.ndarray, step_mm: float, filters: Filters) -> np.ndarray:
    """As `filtered`, without the L-filter: form removed and S-filtered, float32 [mm]; levels of zones stay in it."""
    if not 0 <= filters.s_mm < filters.l_mm:
        raise SettingsError(
            f"The S-filter ({filters.s_mm:g} mm) is not below the L-filter ({filters.l_mm:g} mm). "
            "Give the S-filter the smaller index."
        )
    level = without_form(height_mm, filters.form)
    return level if filters.s_mm == 0 else low_pass(level, step_mm, filters.s_mm)


def without_form(height_mm: np.ndarray, form: str) -> np.ndarray:
    """
    Heights less the polynomial surface that fits the measured pixels best (least squares).

    `form` is one of `FORM_ORDERS`; the order is the polynomial's total degree. Returns float32, NaN kept.
    """
    if form not in FORM_ORDERS:
        raise SettingsError(f"The form '{form}' is not known. Use one of {', '.join(FORM_ORDERS)}.")
    order = FORM_ORDERS[form]
    measured = np.isfinite(height_mm)
    if measured.sum() < 12:
        raise ReliefError(
            f"The height map has {int(measured.sum())} measured pixels, too few for texture figures. "
            "Check the mask and photograph a larger patch."
        )
    if order is None:
        return np.asarray(height_mm, np.float32).copy()
    x = np.linspace(-1, 1, height_mm.shape[1])
    y = np.linspace(-1, 1, height_mm.shape[0])
    weight = measured.astype(np.float32)
    zero_filled = np.where(measured, height_mm, 0).astype(np.float32)
    powers_x, powers_y = np.vander(x, 2 * order + 1, increasing=True), np.vander(y, 2 * order + 1, increasing=True)
    few_x, few_y = powers_x[:, : order + 1], powers_y[:, : order + 1]
    # a row's sums are short enough for single precision
    moments = powers_y.T @ (weight @ powers_x.astype(np.float32)).astype(np.float64)
    right = few_y.T @ (zero_filled @ few_x.astype(np.float32)).astype(np.float64)
    terms = [(i, j) for i in range(order + 1) for j in range(order + 1 - i)]  # y^i x^j
    normal = np.array([[moments[i + k, j + m] for k, m in terms] for i, j in terms])
    found = np.linalg.lstsq(normal, np.array([right[i, j] for i, j in terms]), rcond=None)[0]
    coefficients = np.zeros((order + 1, order + 1))
    for (i, j), value in zip(terms, found, strict=True):
        coefficients[i, j] = value
    form_mm = (few_y @ coefficients).astype(np.float32) @ few_x.T.astype(np.float32)
    return np.asarray(height_mm - form_mm, np.float32)


def low_pass(z: np.ndarray, step_mm: float, index_mm: float) -> np.ndarray:
    """
    Gaussian low-pass of nesting index `index_mm` (ISO 16610-61), renormalised over measured pixels.

    Parameters
    ----------
    z : (rows, columns) array, NaN = not measured
    step_mm, index_mm : float
        Grid step and nesting index [mm].

    Returns
    -------
    low : (rows, columns) float32, NaN exactly where z is NaN
    """
    sigma_px = SIGMA_PER_INDEX * index_mm / step_mm
    measured = np.isfinite(z)
    weight = measured.astype(np.float32)
    values = np.where(measured, z, 0).astype(np.float32)
    if _block_px(sigma_px) == 1:
        top, bottom = _blurred(values, sigma_px), _blurred(weight, sigma_px)
    else:
        top, bottom = _blurred_on_blocks(values, weight, sigma_px)
    out = np.full(z.shape, np.nan, np.float32)
    np.divide(top, bottom, out=out, where=measured & (bottom > 0))
    return out


def _blurred(image: np.ndarray, sigma_px: float) -> np.ndarray:
    reach = max(1, math.ceil(KERNEL_REACH_SIGMAS * sigma_px))
    offsets = np.arange(-reach, reach + 1)
    if sigma_px >= LEAST_SAMPLED_SIGMA_PX:
        kernel = np.exp(-(offsets**2) / (2 * sigma_px**2))
    else:  # the Gaussian of a sampled line, exp(-t) I_n(t), t = sigma^2: right variance however narrow it is
        kernel = ive(offsets, sigma_px**2)
    kernel /= kernel.sum()
    return cv2.sepFilter2D(image, cv2.CV_32F, kernel, kernel, borderType=cv2.BORDER_CONSTANT)


def _block_px(sigma_px: float) -> int:
    """Side of the blocks that a Gaussian is formed on [pixels]; 1 = on the pixels themselves."""
    return int(sigma_px // COARSE_SIGMA_PX) if sigma_px > LARGEST_DIRECT_SIGMA_PX else 1


def _blurred_on_blocks(values: np.ndarray, weight: np.ndarray, sigma_px: float) -> tuple[np.ndarray, np.ndarray]:
    """
    Gaussian-weighted sums of values and weights, formed on block means and interpolated back to the pixels.

    The variance of averaging over a block of n pixels, (n^2 - 1) / 12, is taken off the Gaussian's own.
    """
    block = _block_px(sigma_px)
    rows, columns = values.shape
    margin = 2 * block  # blocks of zero weight around, so that cubic interpolation has neighbours
    below, beyond = margin + (-rows) % block, margin + (-columns) % block
    coarse_sigma = math.sqrt(sigma_px**2 - (block**2 - 1) / 12) / block
    sums = []
    for image in (values, weight):
        padded = cv2.copyMakeBorder(image, margin, below, margin, beyond, cv2.BORDER_CONSTANT, value=0.0)
        across, down = padded.shape[1], padded.shape[0]
        means = cv2.resize(padded, (across // block, down // block), interpolation=cv2.INTER_AREA)
        fine = cv2.resize(_blurred(means, coarse_sigma), (across, down), interpolation=cv2.INTER_CUBIC)
        sums.append(fine[margin : margin + rows, margin : margin + columns])
    return sums[0], sums[1]
