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
    """
    The lamp over the grid, float32 arrays that broadcast to (rows, columns).

    x, y : cot(elevation) times the azimuth vector
    sine : of the elevation
    """

    x: np.ndarray
    y: np.ndarray
    sine: np.ndarray


@dataclass(frozen=True, slots=True)
class Faces:
    """What all views share of the deck's faces: slopes, the cosine against the vertical and its square."""

    p: np.ndarray
    q: np.ndarray
    facing: np.ndarray
    squared: np.ndarray


@dataclass(frozen=True, slots=True)
class Skin:
    """
    Factors of the matt part and of the mirror-like part, with which the level face's response is 1.

    body, highlight : float32 that broadcast to (rows, columns)
    roughness : of the skin (GGX)
    """

    body: np.ndarray
    highlight: np.ndarray
    roughness: float


def faces(p: np.ndarray, q: np.ndarray) -> Faces:
    """Faces of these slopes, (rows, columns) float32."""
    squared = 1 / (1 + p * p + q * q)
    return Faces(p, q, np.sqrt(squared), squared)


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


def _half_way(sine: np.ndarray) -> np.ndarray:
    """Cosine of half the angle between lamp and camera."""
    return np.sqrt((1 + sine) / 2)


def _mirror(sine: np.ndarray) -> np.ndarray:
    """Fresnel reflectance of a facet that mirrors the lamp into the camera (Schlick's 1994 fit)."""
    glancing = 1 - _half_way(sine)
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


def skin(sine: np.ndarray, albedo: np.ndarray, roughness: float) -> Skin:
    """
    The clear skin over a matt body under a lamp of this sine of its elevation.

    albedo : (rows, columns) float32, what the level face reads, 0 to 1: body and highlight together.
    """
    mirror = np.float32(np.pi / 4) * _mirror(sine) / sine
    level_highlight = mirror * _lobe(_half_way(sine), roughness)[0] * _masking(sine, roughness)[0]
    body = np.maximum(albedo - level_highlight, LEAST_BODY * albedo)
    whole = 1 / (body + level_highlight)
    through = _transmitted(sine)[0] * np.float32(1 - SKIN_REFLECTANCE)
    return Skin(body * whole / through, mirror * whole, roughness)


def brightness(faces: Faces, light: Lighting, skin: Skin | None) -> np.ndarray:
    """Response alone, (rows, columns); without a skin that of plain matt paint."""
    shade = (1 - light.x * faces.p - light.y * faces.q) * faces.facing
    return shade if skin is None else _satin(faces, light, skin)[0]


def response(faces: Faces, light: Lighting, skin: Skin | None) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """
    Response and its derivatives by p and q, all (rows, columns); without a skin that of plain matt paint.

    Notes
    -----
    f = (body m + h) / (body + h0), m the matt part over level with the skin's losses in and out, h the mirror-like
    part pi D F G / (4 n.v sin e) over the level matt signal of a white body (Walter et al. 2007), h0 that of level.
    Both depend on p through x p and p^2 alone, so df/dp = -(A x c + B p c^2), c = 1 / sqrt(1 + p^2 + q^2), and
    likewise for q.
    """
    if skin is None:
        shade = brightness(faces, light, None)
        return _with_slopes(shade, 1, shade, faces, light)
    f, (shade, body, leaving, highlight), (by_entering, by_leaving, by_incidence, by_half), (along, share) = _satin(
        faces, light, skin
    )
    by_incidence *= light.sine  # the chain rule from incidence to shade
    lit = leaving * (body + skin.body * shade * light.sine * by_entering)
    a = lit + highlight * (by_half * share + by_incidence)
    b = shade * (lit + body * by_leaving * faces.facing)
    b += highlight * (by_half * along + by_incidence * shade - 1)
    return _with_slopes(f, a, b, faces, light)


def _satin(faces: Faces, light: Lighting, skin: Skin):
    """
    Response; its factors (matt shade, body after entering, share that leaves, highlight); what these change by their
    cosines (of entering, leaving, incidence, half vector); the half vector's cosine and the lamp's share in it.
    """
    facing, sine = faces.facing, light.sine
    toward = light.x * faces.p + light.y * faces.q
    shade = (1 - toward) * facing
    half_way = _half_way(sine)
    share = sine / (2 * half_way)  # the sine over the length of the sum of the directions of lamp and camera
    along = (half_way - share * toward) * facing
    incidence = np.minimum(np.maximum(shade * sine, np.float32(COSINE_FLOOR)), 1)
    entering, by_entering = _transmitted(incidence)
    leaving, by_leaving = _transmitted(facing)
    lobe, by_half = _lobe(along, skin.roughness)
    mask, by_incidence = _masking(incidence, skin.roughness)
    highlight = skin.highlight * lobe * mask / facing
    body = skin.body * entering
    f = body * shade * leaving + highlight
    return f, (shade, body, leaving, highlight), (by_entering, by_leaving, by_incidence, by_half), (along, share)


def _with_slopes(f, a, b, faces: Faces, light: Lighting):
    """f, -(a x c + b p c^2) and -(a y c + b q c^2)."""
    a, b = -a * faces.facing, b * faces.squared
    return f, a * light.x - b * faces.p, a * light.y - b * faces.q
