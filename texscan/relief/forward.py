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
    0.22  # rms slope of the microfacets of satin paint x sqrt(2); from the calibration decks, which span 0.15-0.3
)
GRAZING_LOSS = 0.34  # of light skimming the skin, see `transmitted`
LEAST_BODY = 0.3  # of a level face's brightness that is the paint's own, at least
COSINE_FLOOR = 0.02  # Fresnel terms are held below this cosine of incidence


@dataclass(frozen=True, slots=True)
class Lighting:
    """The lamp over the grid, (rows, columns) or (1, 1) float32: x, y are cot(elevation) times the azimuth vector."""

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
    return _transmitted(cosine)[0]


def _transmitted(cosine: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """`transmitted` and its derivative by the cosine."""
    whole, loss = np.float32(1 - SKIN_REFLECTANCE), np.float32(GRAZING_LOSS)
    grazing = 1 - cosine
    steep = grazing * np.sqrt(grazing)
    return whole * (1 - loss * grazing * steep), whole * loss * np.float32(2.5) * steep


def _mirror(light: Lighting) -> np.ndarray:
    """Fresnel reflectance of a facet that mirrors the lamp into the camera (Schlick's 1994 fit)."""
    glancing = 1 - np.sqrt((1 + light.sine) / 2)  # 1 - cosine of half the angle between lamp and camera
    squared = glancing * glancing
    return np.float32(SKIN_REFLECTANCE) + np.float32(1 - SKIN_REFLECTANCE) * squared * squared * glancing


def _lobe(along: np.ndarray, roughness: float) -> tuple[np.ndarray, np.ndarray]:
    """Density of facets (GGX) by the cosine between the face and the half vector, and its relative derivative."""
    a2 = np.float32(roughness**2)
    spread = along * along * (a2 - 1) + 1
    return a2 / (np.float32(np.pi) * spread * spread), 4 * (1 - a2) * along / spread


def _masking(incidence: np.ndarray, roughness: float) -> tuple[np.ndarray, np.ndarray]:
    """Share of facets that their neighbours leave in the light (GGX), and its relative derivative by the cosine."""
    a2 = np.float32(roughness**2)
    over = 1 / incidence
    root = np.sqrt(1 + a2 * (over * over - 1))
    return 2 / (1 + root), a2 * over * over * over / ((1 + root) * root)


def response(
    p: np.ndarray, q: np.ndarray, light: Lighting, albedo: np.ndarray, *, roughness: float | None
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """
    Response and its derivatives by p and q, all (rows, columns).

    Parameters
    ----------
    p, q : (rows, columns) float32, slopes
    light : Lighting
    albedo : (rows, columns) float32
        What the level face reads, 0 to 1: a matt body under a clear skin, and its highlight.
    roughness : float or None
        Of the skin (GGX); None means plain matt paint.

    Notes
    -----
    f = (body m + h) / (body + h0), m the matt part over level with the skin's losses in and out, h the mirror-like
    part pi D F G / (4 n.v sin e) over the level matt signal of a white body (Walter et al. 2007), h0 that of level.
    Both depend on p through x p and p^2 alone, so df/dp = -(A x c + B p c^2), c = 1 / sqrt(1 + p^2 + q^2), and
    likewise for q.
    """
    squared = 1 / (1 + p * p + q * q)
    facing = np.sqrt(squared)
    toward = light.x * p + light.y * q
    shade = (1 - toward) * facing
    if roughness is None:
        return _with_slopes(shade, 1, shade, p, q, (light, facing, squared))
    sine = light.sine
    incidence = np.clip(shade * sine, COSINE_FLOOR, 1)
    entering, by_entering = _transmitted(incidence)
    leaving, by_leaving = _transmitted(facing)
    lengthened = 1 / np.sqrt(2 * (1 + sine))  # 1 / the length of the sum of the directions of lamp and camera
    along = (1 + sine - sine * toward) * facing * lengthened
    lobe, by_along = _lobe(along, roughness)
    mask, by_incidence = _masking(incidence, roughness)
    mirror = np.float32(np.pi / 4) * _mirror(light) / sine
    level_highlight = mirror * _lobe(np.sqrt((1 + sine) / 2), roughness)[0] * _masking(sine, roughness)[0]
    body = np.maximum(albedo - level_highlight, LEAST_BODY * albedo)
    whole = 1 / (body + level_highlight)
    highlight = mirror * lobe * mask / facing * whole
    body = body * whole / (_transmitted(sine)[0] * np.float32(1 - SKIN_REFLECTANCE))
    f = body * shade * entering * leaving + highlight
    by_entering = by_entering * sine  # the chain rule from incidence to shade
    by_incidence = by_incidence * sine
    lit = body * leaving * (entering + shade * by_entering)
    a = lit + highlight * (by_along * sine * lengthened + by_incidence)
    b = shade * (lit + body * entering * by_leaving * facing)
    b += highlight * (by_along * along + by_incidence * shade - 1)
    return _with_slopes(f, a, b, p, q, (light, facing, squared))


def _with_slopes(f, a, b, p, q, at):
    """f, -(a x c + b p c^2) and -(a y c + b q c^2)."""
    light, facing, squared = at
    a, b = -a * facing, b * squared
    return f, a * light.x - b * p, a * light.y - b * q
