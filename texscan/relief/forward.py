"""
What a deck of given slopes sends to the camera: matt paint under a clear skin, seen from straight above.

The response f is relative to the level deck under the same lamp: f(0, 0) = 1. It holds for lit pixels; bounced light
is added by `bounce`, shadows come from `shadows`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

SKIN_REFLECTANCE = 0.04  # of a surface of refractive index 1.5 at normal incidence: ((n - 1) / (n + 1))^2
ROUGHNESS = (
    0.2  # rms slope of the microfacets of satin paint x sqrt(2); from the calibration decks, which span 0.15-0.3
)
GRAZING_LOSS = 0.34  # of light skimming the skin, see `transmitted`
SLOPE_STEP = 0.01  # for the derivatives of the response by finite difference
LEAST_BODY = 0.3  # of a level face's brightness that is the paint's own, at least
COSINE_FLOOR = 0.02  # Fresnel terms are held below this cosine of incidence


@dataclass(frozen=True, slots=True)
class Lighting:
    """The lamp over the grid, (rows, columns) float32: x, y are cot(elevation) times the azimuth vector."""

    x: np.ndarray
    y: np.ndarray
    sine: np.ndarray  # of the elevation


def lambert(p: np.ndarray, q: np.ndarray, light: Lighting) -> np.ndarray:
    """
    Matt response (1 - x p - y q) / sqrt(1 + p^2 + q^2); negative where the face is turned away from the lamp.
    """
    return (1 - light.x * p - light.y * q) / np.sqrt(1 + p * p + q * q)


def transmitted(cosine: np.ndarray) -> np.ndarray:
    """
    Share of light that enters a rough skin, by the cosine of its incidence on the mean face.

    Our fit, good to 0.04 above a cosine of 0.2 for roughness 0.15 to 0.3 (it hardly depends on it), of what the
    facets of Walter et al. 2007 (GGX, index 1.5) let through: roughness spares grazing light much of the loss of a
    smooth skin.
    """
    grazing = 1 - cosine
    return np.float32(1 - SKIN_REFLECTANCE) * (1 - np.float32(GRAZING_LOSS) * grazing * grazing * np.sqrt(grazing))


def _highlight(facing: np.ndarray, along: np.ndarray, incidence: np.ndarray, light: Lighting, roughness: float):
    """
    Mirror-like part times pi over the level matt signal of a white body: pi D F G / (4 n.v sin e).

    D and G after Walter et al. 2007 (GGX); `along` is the cosine between the face and the half vector.
    """
    a2 = np.float32(roughness**2)
    along2 = along * along
    lobe = a2 / (np.float32(np.pi) * (along2 * (a2 - 1) + 1) ** 2)
    masking = 2 / (1 + np.sqrt(1 + a2 * (1 / (incidence * incidence) - 1)))
    return np.float32(np.pi / 4) * lobe * masking * _mirror(light) / (facing * light.sine)


def _mirror(light: Lighting) -> np.ndarray:
    """Fresnel reflectance of a facet that mirrors the lamp into the camera (Schlick's 1994 fit)."""
    half_angle = np.sqrt((1 + light.sine) / 2)  # its cosine
    return np.float32(SKIN_REFLECTANCE) + np.float32(1 - SKIN_REFLECTANCE) * (1 - half_angle) ** 5


def glossy(p: np.ndarray, q: np.ndarray, light: Lighting, albedo: np.ndarray, *, roughness: float) -> np.ndarray:
    """
    Response of paint whose level face reads `albedo` (0 to 1): a matt body under a clear skin, and its highlight.
    """
    facing = 1 / np.sqrt(1 + p * p + q * q)
    toward = light.x * p + light.y * q
    shade = (1 - toward) * facing
    incidence = np.clip(shade * light.sine, COSINE_FLOOR, 1)
    level = transmitted(light.sine) * np.float32(1 - SKIN_REFLECTANCE)
    matt = shade * transmitted(incidence) * transmitted(facing) / level
    # the half vector between the lamp and the camera overhead is (sin e (x, y, 1) + (0, 0, 1)) / its length
    along = (1 + light.sine - light.sine * toward) * facing / np.sqrt(2 * (1 + light.sine))
    upright = np.ones((), np.float32)
    level_highlight = _highlight(upright, np.sqrt((1 + light.sine) / 2), light.sine, light, roughness)
    body = np.maximum(albedo - level_highlight, LEAST_BODY * albedo)
    highlight = _highlight(facing, along, incidence, light, roughness)
    return (body * matt + highlight) / (body + level_highlight)


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
