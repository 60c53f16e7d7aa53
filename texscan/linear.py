"""From the numbers in a photo to light: the sRGB curve and the photo's own tone curve."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np

from texscan.model import LinearPhoto, Photo


def srgb_to_linear(values: np.ndarray) -> np.ndarray:
    """
    Linear light from sRGB-encoded integers (IEC 61966-2-1).

    Parameters
    ----------
    values : uint8 or uint16 array, any shape
        Full scale is the type's largest value.

    Returns
    -------
    linear : float32 array, same shape, 0 to 1
    """
    full = np.iinfo(values.dtype).max
    code = np.arange(full + 1, dtype=np.float64) / full
    table = np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4).astype(np.float32)
    if values.dtype == np.uint8 and values.ndim > 1:  # a picture; OpenCV takes nothing of fewer dimensions
        return cv2.LUT(values, table).reshape(values.shape)
    return table[values]


LUMINANCE_WEIGHTS = (0.2126, 0.7152, 0.0722)  # linear sRGB to luminance, IEC 61966-2-1
CLIPPED_FROM = 0.985  # of full scale in any channel, encoded: above it a phone has begun to compress or clip
TONE_U = (
    0.25,
    0.06,
    0.012,
)  # how far a phone's curve may stray from sRGB: slope, bend and twist in log-log, from memory
GREY_U = 0.04  # relative standard uncertainty of a printed grey over the paper beside it, from memory
DARKEST = 2e-3  # of full scale: below it the curve goes on straight
LEAST_GREYS = 3
STRIP_ROWS = 64  # rows of a photo worked on at a time
TONE_VALUES = 1 << 16  # worked on at a time: what a processor's cache holds
TONE_STEPS = 1 << 15  # of the table that undoes a tone curve, even in ln(value): 0.02 % apart


@dataclass(frozen=True, slots=True)
class ToneCurve:
    """
    What the phone added to sRGB: ln(light) = (1 + slope) u + bend u^2 + twist u^3 with u = ln(sRGB-decoded value).

    slope_u : standard uncertainty of the local log-log slope, which is the relative error left in shading.
    """

    slope: float = 0.0
    bend: float = 0.0
    twist: float = 0.0
    slope_u: float = TONE_U[0] / 3
    greys: int = 0


def to_linear(photo: Photo) -> LinearPhoto:
    """Luminance with the sRGB curve undone, and where any channel is at its limit."""
    pixels, full = photo.pixels, np.iinfo(photo.pixels.dtype).max
    luminance, clipped = np.empty(pixels.shape[:2], np.float32), np.empty(pixels.shape[:2], bool)
    below = (math.ceil(CLIPPED_FROM * full) - 1,) * 3
    for top in range(0, len(pixels), STRIP_ROWS):  # colours as floats take three times the photo's luminance
        strip = pixels[top : top + STRIP_ROWS]
        np.equal(cv2.inRange(strip, (0, 0, 0), below), 0, out=clipped[top : top + STRIP_ROWS])
        linear = strip.astype(np.float32) / np.float32(full) if photo.encoding == "linear" else srgb_to_linear(strip)
        luminance[top : top + STRIP_ROWS] = cv2.transform(linear, np.array([LUMINANCE_WEIGHTS], np.float32))
    return LinearPhoto(photo.file, luminance, clipped)


def fit_tone(grey: np.ndarray, white: np.ndarray, reflectance: np.ndarray) -> ToneCurve:
    """
    The phone's own tone curve from grey patches and the white paper beside each.

    Parameters
    ----------
    grey, white : (n,) sRGB-decoded values, 0 to 1, of each patch and of the paper next to it, under the same light
    reflectance : (n,) of each patch relative to the paper

    Notes
    -----
    Light falls alike on patch and paper, so ln L(grey) - ln L(white) = ln(reflectance): linear in the curve's terms.
    Weighted least squares with priors TONE_U; fewer than LEAST_GREYS readable patches leave the sRGB curve as it is.
    """
    good = (grey > DARKEST) & (white > grey) & (white < 1) & np.isfinite(grey + white)
    if good.sum() < LEAST_GREYS:
        return ToneCurve()
    u, v = np.log(grey[good]), np.log(white[good])
    design = np.stack([u - v, u**2 - v**2, u**3 - v**3], axis=1) / GREY_U
    target = (np.log(reflectance[good]) - (u - v)) / GREY_U
    precision = np.diag(1 / np.array(TONE_U) ** 2)
    weights = np.ones(len(target))
    for _ in range(5):  # robust: a patch in glare or under a shadow's edge must not bend the curve
        normal = design.T @ (weights[:, None] * design) + precision
        terms = np.linalg.solve(normal, design.T @ (weights * target))
        weights = 1 / (1 + ((design @ terms - target) / 3) ** 2)
    middle = np.log(0.3)
    lean = np.array([1, 2 * middle, 3 * middle**2])
    slope, bend, twist = map(float, terms)
    return ToneCurve(slope, bend, twist, float(np.sqrt(lean @ np.linalg.solve(normal, lean))), int(good.sum()))


def undo_tone(values: np.ndarray, curve: ToneCurve) -> np.ndarray:
    """Light (float32) from sRGB-decoded values of any shape; NaN stays NaN."""
    if curve.greys == 0:
        return values
    knots = np.log(DARKEST) * np.linspace(1, 0, 256)
    light = (1 + curve.slope) * knots + curve.bend * knots**2 + curve.twist * knots**3
    light = np.maximum.accumulate(light)  # a curve that turns back would make two lights one value
    ratio = np.exp(light - knots)
    knots_of_table = np.linspace(0, len(ratio) - 1, TONE_STEPS)
    table = np.interp(knots_of_table, np.arange(len(ratio)), ratio[::-1]).astype(np.float32)
    per_log, light_of = np.float32((TONE_STEPS - 1) / np.log(DARKEST)), np.empty_like(values)
    strip = max(TONE_VALUES * len(values) // max(values.size, 1), 1)
    for top in range(0, len(values), strip):
        part = values[top : top + strip]
        steps = np.log(np.fmax(part, np.float32(DARKEST)))  # NaN: darkest
        steps *= per_log
        steps += np.float32(0.5)
        np.multiply(part, table[np.maximum(steps, 0).astype(np.uint16)], out=light_of[top : top + strip])
    return light_of
