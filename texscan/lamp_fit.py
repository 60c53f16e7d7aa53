"""The lamp fitted to the edges of the uprights' shadows, each upright a little off its height and leaning."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from scipy.optimize import least_squares

from texscan.card import Card
from texscan.model import COVERAGE_FACTOR, Light
from texscan.rectify import CardFace, shadow_mask
from texscan.shadow import outer_edges

LEAST_CONTRAST = 0.15  # of lit paper: a weaker step is no torch shadow
EDGE_SPACING_MM = 0.5
EDGE_ENDS_MM = 0.8  # left out at the ends of an edge, where blur rounds the corner
EDGE_WINDOWS_MM = (2.5, 1.6, 1.6)  # half widths of the profiles across an edge, pass by pass
PROFILE_STEP_MM = 0.1
LEAST_EDGE_POINTS = 12
LEAST_EDGE_U_MM, EDGE_CORRELATION = 0.04, 3.0  # edge points 0.5 mm apart share the paper's and the print's errors
LEAN_U_MM_PER_MM = 0.009  # half a degree of lean per mm of height
DISTANCE_UNIT_PER_MM = 1e-4  # of the fitted inverse distance, so that all parameters are of one size
BELIEVED_SIGMAS = 3.5  # an upright that must lean or shrink more than this disagrees
DISTANT_FROM_MM = 2500.0


@dataclass(frozen=True, slots=True)
class _EdgePoints:
    """Observed half-level crossings and the shadow edge (two vertices of one upright) each belongs to."""

    places_mm: np.ndarray  # (n, 2)
    upright: np.ndarray  # (n,)
    i: np.ndarray  # (n,) rows of all uprights' vertices stacked
    j: np.ndarray
    outward: np.ndarray  # (n, 2)


def fit_lamp(face: CardFace, card: Card, start: Light) -> Light | None:
    """The lamp from all uprights but those that disagree; None where too few edges are seen."""
    illumination = face.illumination
    used, left_out, light = list(range(len(card.uprights))), [], start
    while True:
        for window in EDGE_WINDOWS_MM:
            points = _observe(face, illumination, card, light, used, window)
            if len(points.places_mm) < LEAST_EDGE_POINTS:
                return None
            light, strain = _solve(points, card, light, fixed_distance=None)
        seen = sorted(set(points.upright.tolist()))
        worst = max(seen, key=lambda number: strain[number])
        if strain[worst] <= BELIEVED_SIGMAS or len(seen) <= 2:
            break
        left_out.append(worst)
        used.remove(worst)
    inverse, inverse_u = light.inverse_distance_per_mm, np.sqrt(light.covariance[2, 2])
    distant = inverse < 1 / DISTANT_FROM_MM and inverse < COVERAGE_FACTOR * inverse_u
    if distant or len(seen) < 2:
        light, _ = _solve(points, card, light, fixed_distance=0.0 if distant else inverse)
    fallen = [u for u in used if u not in seen and _shadow_is_missing(face, illumination, card, light, u)]
    flags = ["light-distant"] if distant else []
    flags += ["one-upright"] if len(seen) < 2 else []
    flags += ["upright-left-out"] if left_out or fallen else []
    return replace(
        light,
        azimuth_deg=light.azimuth_deg % 360,
        uprights_used=tuple(card.uprights[u].name for u in seen),
        uprights_left_out=tuple(card.uprights[u].name for u in sorted([*left_out, *fallen])),
        flags=tuple(flags),
    )


def _observe(
    face: CardFace, illumination, card: Card, light: Light, used: list[int], window_mm: float
) -> _EdgePoints:
    """Half-level crossings along profiles across the predicted shadow edges."""
    offsets = np.arange(-window_mm, window_mm + PROFILE_STEP_MM / 2, PROFILE_STEP_MM)
    first_row = np.cumsum([0] + [len(u.vertices_mm) for u in card.uprights])
    edges, middles = [], []
    for number in used:
        for edge in outer_edges(card.uprights[number], light):
            length = np.linalg.norm(edge.ends_mm[1] - edge.ends_mm[0])
            if length < 2 * EDGE_ENDS_MM + EDGE_SPACING_MM:
                continue
            t = np.arange(EDGE_ENDS_MM, length - EDGE_ENDS_MM, EDGE_SPACING_MM) / length
            middles.append(edge.ends_mm[0] + t[:, None] * (edge.ends_mm[1] - edge.ends_mm[0]))
            edges.append((number, first_row[number] + edge.i, first_row[number] + edge.j, edge.outward))
    if not edges:
        none = np.empty(0, int)
        return _EdgePoints(np.empty((0, 2)), none, none, none, np.empty((0, 2)))
    own = np.repeat(np.arange(len(edges)), list(map(len, middles)))
    numbers, i, j, outward = (np.array(values)[own] for values in zip(*edges, strict=True))
    places = np.concatenate(middles)
    crossing = _crossings(sample(face, illumination, places[:, None] + offsets[:, None] * outward[:, None]), offsets)
    good = np.isfinite(crossing)
    places = places[good] + crossing[good, None] * outward[good]
    return _EdgePoints(places, numbers[good], i[good], j[good], outward[good])


def _crossings(profiles: np.ndarray, offsets: np.ndarray) -> np.ndarray:
    """
    (n,) offset where each profile (n, samples), dark to bright, passes half its step; NaN where there is no clear
    step.
    """
    third = len(offsets) // 3
    dark, bright = np.median(profiles[:, :third], axis=1), np.median(profiles[:, -third:], axis=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        clear = (bright - dark) / bright > LEAST_CONTRAST
    half = (dark + bright) / 2
    above = profiles > half[:, None]
    rising = ~above[:, :-1] & above[:, 1:]
    single = rising.sum(axis=1) <= 3  # noise may cross a few times, another edge many
    nearest = np.where(rising, np.abs(offsets[:-1]), np.inf).argmin(axis=1)
    n = np.arange(len(profiles))
    before, after = profiles[n, nearest], profiles[n, nearest + 1]
    with np.errstate(invalid="ignore", divide="ignore"):
        place = offsets[nearest] + (half - before) / (after - before) * (offsets[1] - offsets[0])
    return np.where(clear & single & rising.any(axis=1) & np.isfinite(profiles).all(axis=1), place, np.nan)


def _solve(points: _EdgePoints, card: Card, start: Light, *, fixed_distance: float | None):
    """
    Lamp and each upright's small errors from edge points.

    Unknown: azimuth, elevation, inverse distance; per upright lean (x, y) and height error with their priors.
    Returns the light with covariance, and each upright's largest error in units of its prior (uprights,).
    """
    known = sorted(set(points.upright.tolist()))
    thrown = _Thrown(points, card, start, known, fixed_distance)
    distance = start.inverse_distance_per_mm / DISTANCE_UNIT_PER_MM
    first = np.concatenate([[start.azimuth_deg, start.elevation_deg, distance], np.zeros(3 * len(known))])
    lower, upper = np.full(len(first), -np.inf), np.full(len(first), np.inf)
    lower[1:3], upper[1:3] = (2.0, -5.0), (89.0, 60.0)
    edge_u = 0.3
    for _ in range(2):
        scale = edge_u * np.sqrt(EDGE_CORRELATION)
        first = np.clip(first, lower + 1e-9, upper - 1e-9)
        fit = least_squares(thrown.residuals, first, thrown.by_parameters, bounds=(lower, upper), args=(scale,))
        first = fit.x
        edge_u = max(LEAST_EDGE_U_MM, float(1.4826 * np.median(np.abs(thrown.distances(first)))))
    units = np.array([1.0, 1.0, DISTANCE_UNIT_PER_MM])
    jacobian = np.asarray(fit.jac)
    covariance = np.linalg.pinv(jacobian.T @ jacobian, hermitian=True)[:3, :3] * np.outer(units, units)
    if fixed_distance is not None:
        covariance[2, :] = covariance[:, 2] = 0.0
    light = replace(thrown.light(first), covariance=covariance)
    return light, np.abs(thrown.errors(first)).max(axis=1)


class _Thrown:
    """
    Shadow edges of the uprights as the parameters of `_solve` throw them, against the points seen on them.

    Inverse distances may fall below zero (a lamp "beyond infinity"), so that a fit passes zero freely.
    """

    def __init__(self, points: _EdgePoints, card: Card, start: Light, known: list[int], fixed_distance: float | None):
        self.points, self.start, self.known, self.fixed_distance = points, start, known, fixed_distance
        self.vertices = np.concatenate([u.vertices_mm for u in card.uprights])
        self.owner = np.concatenate([np.full(len(u.vertices_mm), k) for k, u in enumerate(card.uprights)])
        height = np.array([u.height_mm for u in card.uprights])
        priors = np.stack([*[LEAN_U_MM_PER_MM * height] * 2, np.full(len(height), card.height_u_mm)], axis=1)
        # how far a vertex moves in x, y, z when its upright errs by one standard uncertainty
        self.moves = priors[self.owner] * (self.vertices[:, 2] / height[self.owner])[:, None]

    def light(self, p: np.ndarray) -> Light:
        inverse = p[2] * DISTANCE_UNIT_PER_MM if self.fixed_distance is None else self.fixed_distance
        return replace(self.start, azimuth_deg=p[0], elevation_deg=p[1], inverse_distance_per_mm=inverse)

    def errors(self, p: np.ndarray) -> np.ndarray:
        """(uprights, 3) in standard uncertainties of lean (x, y) and height."""
        errors = np.zeros((self.owner[-1] + 1, 3))
        errors[self.known] = p[3:].reshape(-1, 3)
        return errors

    def distances(self, p: np.ndarray) -> np.ndarray:
        """(points,) mm from each point to its edge, outward."""
        return self._to_edges(*self._rays(p))[0]

    def residuals(self, p: np.ndarray, scale: float) -> np.ndarray:
        """Soft distances in units of `scale` [mm], and the priors' terms."""
        return np.concatenate([_soft(self.distances(p) / scale)[0], p[3:]])

    def by_parameters(self, p: np.ndarray, scale: float) -> np.ndarray:
        """How the residuals change with the parameters."""
        distances, normal, share = self._to_edges(*self._rays(p))
        shadow = self._shadow_by_parameters(p)
        i, j = self.points.i, self.points.j
        edge = (1 - share)[:, None, None] * shadow[i] + share[:, None, None] * shadow[j]
        soft = _soft(distances / scale)[1] / scale
        return np.concatenate([-soft[:, None] * (normal[:, None] @ edge)[:, 0], np.eye(len(p))[3:]])

    def _shadow_by_parameters(self, p: np.ndarray) -> np.ndarray:
        """(vertices, 2, parameters) how the vertices' shadows change with the parameters."""
        light, (moved, ray) = self.light(p), self._rays(p)
        a, e = np.radians(light.azimuth_deg), np.radians(light.elevation_deg)
        turned = np.zeros((len(ray), 3, 3))  # the ray, by azimuth, elevation and inverse distance
        turned[:, :, 0] = np.radians(1) * np.array([-np.cos(e) * np.sin(a), np.cos(e) * np.cos(a), 0])
        turned[:, :, 1] = np.radians(1) * np.array([-np.sin(e) * np.cos(a), -np.sin(e) * np.sin(a), np.cos(e)])
        if self.fixed_distance is None:
            turned[:, :, 2] = DISTANCE_UNIT_PER_MM * ([*light.at_mm, 0.0] - moved)
        along = np.tile(np.eye(2, 3), (len(ray), 1, 1))  # what moves in space slides along the ray to z = 0
        along[:, :, 2] = -ray[:, :2] / ray[:, 2:]
        reach = (moved[:, 2] / ray[:, 2])[:, None, None]
        by_light = -reach * (along @ turned)
        by_own = (1 + reach * light.inverse_distance_per_mm) * along * self.moves[:, None]
        owned = (self.owner[:, None] == self.known)[:, None, :, None]
        return np.concatenate([by_light, (owned * by_own[:, :, None]).reshape(len(ray), 2, -1)], axis=2)

    def _rays(self, p: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Vertices where the uprights' errors put them, and from each towards the lamp, times distance; (n, 3)."""
        light = self.light(p)
        moved = self.vertices + self.errors(p)[self.owner] * self.moves
        ray = light.direction - (moved - [*light.at_mm, 0.0]) * light.inverse_distance_per_mm
        ray[:, 2] = np.maximum(ray[:, 2], 1e-4)
        return moved, ray

    def _to_edges(self, moved: np.ndarray, ray: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Of each point: mm from its edge, the edge's outward normal, and its place along the edge, 0 to 1."""
        shadow = moved[:, :2] - ray[:, :2] * (moved[:, 2] / ray[:, 2])[:, None]
        a, b = shadow[self.points.i], shadow[self.points.j]
        along = b - a
        length = np.maximum(np.linalg.norm(along, axis=1), 1e-9)
        normal = np.stack([along[:, 1], -along[:, 0]], axis=1) / length[:, None]
        normal *= np.sign((normal * self.points.outward).sum(axis=1, keepdims=True))
        beside = self.points.places_mm - a
        return (beside * normal).sum(axis=1), normal, (beside * along).sum(axis=1) / length**2


def _soft(residual: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """
    Residuals whose squares grow like soft-l1 beyond three sigmas (one stain on the paper must not turn the lamp), and
    how they change with the residuals.
    """
    root = np.sqrt(1 + (residual / 3.0) ** 2)
    soft = np.sign(residual) * 3.0 * np.sqrt(2 * (root - 1))
    return soft, np.divide(residual, root * soft, out=np.ones_like(soft), where=soft != 0)


def _shadow_is_missing(face: CardFace, illumination, card: Card, light: Light, number: int) -> bool:
    """True where the upright's shadow should lie on plain paper, but the paper is lit."""
    mask = shadow_mask(face, [card.uprights[number]], light)
    inside = cv2.erode(mask, np.ones((7, 7), np.uint8)).astype(bool) & np.isfinite(illumination)
    if inside.sum() * face.grid.step_mm**2 < 15.0:
        return False
    return float(np.median(illumination[inside])) > 0.7 * float(np.nanmedian(illumination))


def sample(face: CardFace, values: np.ndarray, places_mm: np.ndarray) -> np.ndarray:
    """Bilinear values (..., n) at places (..., n, 2), under 32767 times n; NaN off the map or next to NaN."""
    grid = face.grid
    column = ((places_mm[..., 0] - grid.x0_mm) / grid.step_mm).astype(np.float32)
    row = ((grid.y1_mm - places_mm[..., 1]) / grid.step_mm).astype(np.float32)
    flat = -1, column.shape[-1]
    found = cv2.remap(
        values,
        column.reshape(flat),
        row.reshape(flat),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=np.nan,
    )
    return found.reshape(column.shape)
