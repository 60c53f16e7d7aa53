"""Geometry of the uprights' shadows: exact projections of their flat faces."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import accumulate, pairwise

import numpy as np

from texscan.card import Upright
from texscan.model import Light

ON_CARD_MM = 0.05  # a vertex this low stands on the card
SEAM_PROBE_MM = 0.05  # step outward that tells an outer edge from a seam between two projected faces
HIGHEST_SOURCE_RATIO = 1e-3  # a source hardly above a vertex throws its shadow (nearly) to infinity


def cast(points_mm: np.ndarray, source: np.ndarray, level_mm: float, *, distant: bool = False) -> np.ndarray:
    """
    Where points throw their shadow on the plane z = level.

    Parameters
    ----------
    points_mm : (n, 3)
    source : (3,) lamp position [mm], or with `distant` the unit vector towards the light

    Returns
    -------
    (n, 2) mm. Exact for a point source; a vertex at or above the source is thrown very far, never to infinity.
    """
    above = points_mm[:, 2] - level_mm
    if distant:
        return points_mm[:, :2] - source[:2] / source[2] * above[:, None]
    rise = np.maximum(source[2] - points_mm[:, 2], HIGHEST_SOURCE_RATIO * abs(source[2]))
    return points_mm[:, :2] + (points_mm[:, :2] - source[:2]) * (above / rise)[:, None]


def cast_by(light: Light, points_mm: np.ndarray, level_mm: float = 0.0) -> np.ndarray:
    """(n, 2) mm: shadows of points (n, 3) under a light."""
    position = light.position_mm
    if position is None:
        return cast(points_mm, light.direction, level_mm, distant=True)
    return cast(points_mm, position, level_mm)


def face_outlines(upright: Upright, source_mm: np.ndarray, level_mm: float) -> list[np.ndarray]:
    """Projection of each face from a point (lamp or camera) on z = level: list of (n, 2) mm."""
    thrown = cast(upright.vertices_mm, source_mm, level_mm)
    return [thrown[list(face)] for face in upright.faces]


@dataclass(frozen=True, slots=True)
class Faces:
    """The faces of some uprights: vertices (n, 3) mm, those of one face after the other, and where each face ends."""

    vertices_mm: np.ndarray
    rows: np.ndarray  # (m,) of vertices_mm
    stops: tuple[int, ...]  # in rows

    def shadows(self, light: Light, level_mm: float = 0.0) -> list[np.ndarray]:
        """Shadow of each face on z = level: list of (n, 2) mm; the uprights' shadow is the union."""
        thrown = cast_by(light, self.vertices_mm, level_mm)[self.rows]
        return [thrown[start:stop] for start, stop in pairwise((0, *self.stops))]


def faces_of(uprights: Sequence[Upright]) -> Faces:
    """The uprights' faces, so that shadows under many lights are told quickly."""
    first = accumulate((len(upright.vertices_mm) for upright in uprights), initial=0)
    rings = [
        start + np.array(face) for start, upright in zip(first, uprights, strict=False) for face in upright.faces
    ]
    vertices = [np.empty((0, 3)), *(upright.vertices_mm for upright in uprights)]
    rows = np.concatenate([np.empty(0, int), *rings])
    return Faces(np.concatenate(vertices), rows, tuple(accumulate(map(len, rings))))


def shadow_outlines(uprights: Sequence[Upright], light: Light, level_mm: float = 0.0) -> list[np.ndarray]:
    """Shadow of each face of the uprights on z = level: list of (n, 2) mm; their shadow is the union."""
    return faces_of(uprights).shadows(light, level_mm)


@dataclass(frozen=True, slots=True)
class ShadowEdge:
    """One straight piece of a shadow's outer edge: shadow of the upright's edge between vertices i and j."""

    i: int
    j: int
    ends_mm: np.ndarray  # (2, 2)
    outward: np.ndarray  # (2,) unit normal, out of the shadow


def outer_edges(upright: Upright, light: Light) -> list[ShadowEdge]:
    """
    Straight pieces of the shadow's outline on the card, without the base and without seams between faces.
    """
    thrown = cast_by(light, upright.vertices_mm)
    hidden = [thrown[list(ring)] for ring in (*upright.faces, *_base_rings(upright))]
    pairs: dict[frozenset[int], tuple[int, int]] = {}
    for face in upright.faces:
        for pair in zip(face, face[1:] + face[:1], strict=True):
            pairs.setdefault(frozenset(pair), pair)  # two faces share an edge
    i, j = np.array(list(pairs.values())).T
    along = thrown[j] - thrown[i]
    length = np.hypot(*along.T)
    free = (upright.vertices_mm[[i, j], 2].max(axis=0) > ON_CARD_MM) & (length > 1e-6)
    i, j, normal = i[free], j[free], np.stack([along[:, 1], -along[:, 0]], axis=1)[free] / length[free, None]
    probes = (thrown[i] + thrown[j]) / 2 + SEAM_PROBE_MM * np.array([1, -1])[:, None, None] * normal
    covered = np.logical_or.reduce([inside(polygon, probes) for polygon in hidden])
    outward = np.where(covered[1, :, None], normal, -normal)
    return [
        ShadowEdge(int(i[k]), int(j[k]), thrown[[i[k], j[k]]], outward[k])
        for k in np.flatnonzero(covered[0] != covered[1])
    ]


def _base_rings(upright: Upright) -> list[tuple[int, ...]]:
    """The upright's footprint hides card as well; its ring is told from the vertices that stand on the card."""
    standing = np.flatnonzero(upright.vertices_mm[:, 2] <= ON_CARD_MM)
    if len(standing) < 3:
        return []
    around = upright.vertices_mm[standing, :2] - upright.vertices_mm[standing, :2].mean(axis=0)
    return [tuple(standing[np.argsort(np.arctan2(around[:, 1], around[:, 0]))])]


def inside(polygon: np.ndarray, points: np.ndarray) -> np.ndarray:
    """True where points (..., 2) lie in a simple polygon (n, 2), by the crossing rule."""
    x, y = points[..., 0], points[..., 1]
    result = np.zeros(np.shape(x), bool)
    for (x1, y1), (x2, y2) in zip(polygon, np.roll(polygon, -1, axis=0), strict=True):
        if y1 == y2:
            continue
        crosses = ((y1 > y) != (y2 > y)) & (x < (x2 - x1) * (y - y1) / (y2 - y1) + x1)
        result ^= crosses
    return result
