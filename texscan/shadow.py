"""Geometry of the uprights' shadows: exact projections of their flat faces."""

from __future__ import annotations

from dataclasses import dataclass

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


def shadow_outlines(upright: Upright, light: Light, level_mm: float = 0.0) -> list[np.ndarray]:
    """Shadow of each face on z = level: list of (n, 2) mm; the upright's shadow is their union."""
    thrown = cast_by(light, upright.vertices_mm, level_mm)
    return [thrown[list(face)] for face in upright.faces]


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
    polygons = [_anticlockwise(thrown[list(face)]) for face in upright.faces]
    foot = [thrown[list(ring)] for ring in _base_rings(upright)]
    edges, known = [], set()
    for face in upright.faces:
        for i, j in zip(face, face[1:] + face[:1], strict=True):
            pair = (min(i, j), max(i, j))
            on_card = upright.vertices_mm[[i, j], 2].max() <= ON_CARD_MM
            if pair in known or on_card:
                continue
            known.add(pair)
            edge = _outer(thrown[i], thrown[j], polygons + foot)
            if edge is not None:
                edges.append(ShadowEdge(i, j, np.array([thrown[i], thrown[j]]), edge))
    return edges


def _base_rings(upright: Upright) -> list[tuple[int, ...]]:
    """The upright's footprint hides card as well; its ring is told from the vertices that stand on the card."""
    standing = np.flatnonzero(upright.vertices_mm[:, 2] <= ON_CARD_MM)
    if len(standing) < 3:
        return []
    around = upright.vertices_mm[standing, :2] - upright.vertices_mm[standing, :2].mean(axis=0)
    return [tuple(standing[np.argsort(np.arctan2(around[:, 1], around[:, 0]))])]


def _outer(start: np.ndarray, end: np.ndarray, polygons: list[np.ndarray]) -> np.ndarray | None:
    along = end - start
    length = np.linalg.norm(along)
    if length < 1e-6:
        return None
    normal = np.array([along[1], -along[0]]) / length
    middle = (start + end) / 2
    covered = [any(inside(polygon, middle + s * SEAM_PROBE_MM * normal) for polygon in polygons) for s in (1, -1)]
    if covered[0] == covered[1]:
        return None
    return normal if covered[1] else -normal


def _anticlockwise(polygon: np.ndarray) -> np.ndarray:
    x, y = polygon.T
    area = np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1))
    return polygon if area >= 0 else polygon[::-1]


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
