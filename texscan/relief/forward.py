"""
What a deck of given slopes sends to the camera: matt paint under a smooth clear skin, seen from straight above.

The response f is relative to the level deck under the same lamp: f(0, 0) = 1. It holds for lit pixels; bounced light is
added by `bounce`, shadows come from `shadows`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

SKIN_REFLECTANCE = 0.04  # of a surface of refractive index 1.5 at normal incidence: ((n - 1) / (n + 1))^2
ROUGHNESS = (
    0.2  # rms slope of the microfacets of satin paint x sqrt(2); from the calibration decks, which span 0.15-0.3
)
SLOPE_STEP = 0.01  # for the derivatives of the response by finite difference
COSINE_FLOOR = 0.02  # Fresnel terms are held below this cosine of incidence


@dataclass(frozen=True, slots=True)
class Lighting:
    """The lamp's direction over the grid: (rows, columns) float32; x, y are cot(elevation) times the azimuth's unit."""

    x: np.ndarray
    y: np.ndarray
    sine: np.ndarray  # of the elevation


def lambert(p: np.ndarray, q: np.ndarray, light: Lighting) -> np.ndarray:
    """
    Matt response (1 - x p - y q) / sqrt(1 + p^2 + q^2); negative where the face is turned away from the lamp.
    """
    return (1 - light.x * p - light.y * q) / np.sqrt(1 + p * p + q * q)


def _transmitted(cosine: np.ndarray) -> np.ndarray:
    """Share of light that enters the skin (Schlick's 1994 fit of the Fresnel equations)."""
    return (1 - SKIN_REFLECTANCE) * (1 - (1 - cosine) ** 5)


def _highlight(p: np.ndarray, q: np.ndarray, facing: np.ndarray, light: Lighting, roughness: float) -> np.ndarray:
    """
    Mirror-like part times pi over the level matt signal of a white body: pi D F / (4 n.v sin e), Beckmann's D.

    Masking is left out: it is near 1 where this part is not negligible (Cook and Torrance 1982).
    """
    # Half vector between the lamp (sin e (x, y, 1)) and the camera (0, 0, 1); its third component is cos of half the
    # angle between the two, times its length.
    up = 1 + light.sine
    length = np.sqrt(2 * up)
    along = (up - light.sine * (light.x * p + light.y * q)) * facing / length
    along2 = np.clip(along * along, 1e-3, 1)
    lobe = np.exp((1 - 1 / along2) / np.float32(roughness**2)) / (np.float32(np.pi * roughness**2) * along2 * along2)
    fresnel = 1 - _transmitted(length / 2)
    return np.float32(np.pi / 4) * lobe * fresnel / (facing * light.sine)


def glossy(p: np.ndarray, q: np.ndarray, light: Lighting, albedo: np.ndarray, *, roughness: float) -> np.ndarray:
    """
    Response of matt paint of `albedo` (0 to 1) under a clear skin: Fresnel losses in and out, and the skin's highlight.
    """
    facing = 1 / np.sqrt(1 + p * p + q * q)
    shade = (1 - light.x * p - light.y * q) * facing
    incidence = np.clip(shade * light.sine, COSINE_FLOOR, 1)
    level = _transmitted(light.sine) * np.float32(1 - SKIN_REFLECTANCE)
    matt = shade * _transmitted(incidence) * _transmitted(facing) / level
    return matt + _highlight(p, q, facing, light, roughness) / albedo


def response(
    p: np.ndarray, q: np.ndarray, light: Lighting, albedo: np.ndarray, *, roughness: float | None
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """
    Response and its derivatives by p and q, all (rows, columns); roughness None means plain matt paint.
    """
    if roughness is None:
        bare = 1 + p * p + q * q
        f = (1 - light.x * p - light.y * q) / np.sqrt(bare)
        return f, -light.x / np.sqrt(bare) - f * p / bare, -light.y / np.sqrt(bare) - f * q / bare
    h = np.float32(SLOPE_STEP)
    f = glossy(p, q, light, albedo, roughness=roughness)
    by_p = (glossy(p + h, q, light, albedo, roughness=roughness) - f) / h
    by_q = (glossy(p, q + h, light, albedo, roughness=roughness) - f) / h
    return f, by_p, by_q
