"""
A small ray tracer for tests: card, uprights and a deck under one lamp, photographed by a camera with lens distortion.

It shares no code with texscan: projection is done the other way round (a ray for each pixel), shadows by intersecting
each pixel's ray to the lamp with the uprights' triangles. Lambert only, one bounce of nothing; the rendered samples
hold the harder light.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

import numpy as np

DECK_LEVEL_MM = -0.15
LAMP_POINTS = 4
HIDDEN_REACH_MM = 40.0  # an upright hides nothing farther away than this from a camera near the normal
SHADOW_REACH = 7.0  # times the height: the longest shadow looked for, 8 degrees


@dataclass
class Scene:
    card: dict
    artwork: np.ndarray  # (rows, columns) linear reflectance relative to paper
    lamp_mm: tuple = (0.0, 0.0, 0.0)
    lamp_radius_mm: float = 0.0
    sun: tuple | None = None  # unit vector towards a distant light, instead of the lamp
    ambient: float = 0.05  # of the lamp's light at the deck's middle
    deck_reflectance: float = 0.6  # relative to paper
    slope: object = None  # function (x, y) -> (dz/dx, dz/dy), bends the deck's normals only
    leave_out: tuple = ()  # uprights that have fallen away
    exposure: float = 0.45  # light of lit level paper at the middle, of full scale
    middle_mm: tuple = (0.0, 0.0)


@dataclass
class Eye:
    size: tuple  # columns, rows
    focal_px: float
    position_mm: tuple
    look_at_mm: tuple
    roll_deg: float = 0.0
    k1: float = 0.0
    k2: float = 0.0
    centre_offset_px: tuple = (0.0, 0.0)


def read(card_json: Path):
    import cv2

    data = json.loads(Path(card_json).read_text())
    code = cv2.imread(str(Path(card_json).parent / data["artwork"]["file"]), cv2.IMREAD_GRAYSCALE) / 255.0
    return data, np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)


def axes(eye: Eye) -> np.ndarray:
    """Rows: the camera's right, down and forward in the card frame."""
    forward = np.subtract(eye.look_at_mm, eye.position_mm)
    forward = forward / np.linalg.norm(forward)
    up = np.array([np.sin(np.radians(eye.roll_deg)), np.cos(np.radians(eye.roll_deg)), 0.0])
    right = np.cross(forward, up)
    right /= np.linalg.norm(right)
    return np.stack([right, np.cross(forward, right), forward])


def rays(eye: Eye) -> np.ndarray:
    """(rows, columns, 3) unit vectors; the lens' radial terms are undone by fixed-point iteration."""
    columns, rows = eye.size
    c, r = np.meshgrid(np.arange(columns), np.arange(rows))
    xd = (c - (columns - 1) / 2 - eye.centre_offset_px[0]) / eye.focal_px
    yd = (r - (rows - 1) / 2 - eye.centre_offset_px[1]) / eye.focal_px
    x, y = xd.copy(), yd.copy()
    for _ in range(8):
        r2 = x * x + y * y
        factor = 1 + eye.k1 * r2 + eye.k2 * r2 * r2
        x, y = xd / factor, yd / factor
    local = np.stack([x, y, np.ones_like(x)], axis=-1)
    world = local @ axes(eye)
    return world / np.linalg.norm(world, axis=-1, keepdims=True)


def triangles(card: dict, leave_out=()) -> np.ndarray:
    result = []
    for upright in card["uprights"]:
        if upright["name"] in leave_out:
            continue
        vertices = np.array(upright["vertices"], float)
        for face in upright["faces"]:
            result += [[vertices[face[0]], vertices[face[k]], vertices[face[k + 1]]] for k in range(1, len(face) - 1)]
    return np.array(result).reshape(-1, 3, 3)


def first_hit(origin: np.ndarray, direction: np.ndarray, triangle: np.ndarray) -> np.ndarray:
    """Distance along each ray to one triangle, inf where it misses (Moeller and Trumbore 1997)."""
    a, b, c = triangle
    edge1, edge2 = b - a, c - a
    cross = np.cross(direction, edge2)
    determinant = cross @ edge1
    with np.errstate(divide="ignore", invalid="ignore"):
        inverse = 1 / determinant
        offset = origin - a
        u = (offset * cross).sum(-1) * inverse
        second = np.cross(offset, edge1)
        v = (direction * second).sum(-1) * inverse
        distance = (second @ edge2) * inverse
        hit = (np.abs(determinant) > 1e-12) & (u >= 0) & (v >= 0) & (u + v <= 1) & (distance > 1e-6)
    return np.where(hit, distance, np.inf)


def inside(polygon, x, y):
    """Even-odd rule."""
    result = np.zeros(x.shape, bool)
    for (ax, ay), (bx, by) in zip(polygon, [*polygon[1:], polygon[0]], strict=True):
        if ay != by:
            result ^= ((ay > y) != (by > y)) & (x < ax + (bx - ax) * (y - ay) / (by - ay))
    return result


def lamp_points(scene: Scene) -> np.ndarray:
    lamp = np.array(scene.lamp_mm, float)
    if scene.lamp_radius_mm == 0:
        return lamp[None]
    back = lamp - [*scene.middle_mm, 0]
    back /= np.linalg.norm(back)
    u = np.cross(back, [0, 0, 1.0])
    u /= np.linalg.norm(u)
    v = np.cross(back, u)
    angle = np.arange(LAMP_POINTS) * np.pi * (3 - np.sqrt(5))
    radius = scene.lamp_radius_mm * np.sqrt((np.arange(LAMP_POINTS) + 0.5) / LAMP_POINTS)
    return lamp + radius[:, None] * (np.cos(angle)[:, None] * u + np.sin(angle)[:, None] * v)


def light_at(scene: Scene, points: np.ndarray, normals: np.ndarray, walls: np.ndarray) -> np.ndarray:
    """Lamp light on faces, 1 at the scene's middle on a level face; soft shadows of the walls."""
    total = np.zeros(len(points))
    if scene.sun is not None:
        towards = np.broadcast_to(scene.sun, points.shape)
        shaded = np.zeros(len(points), bool)
        for wall in walls:
            near = _near(points, np.array(scene.sun), wall)
            shaded[near] |= np.isfinite(first_hit(points[near], towards[near], wall))
        return np.maximum((normals * towards).sum(-1), 0) / scene.sun[2] * ~shaded
    reference = np.subtract(scene.lamp_mm, [*scene.middle_mm, 0])
    unit = reference[2] / np.linalg.norm(reference) ** 3
    sources = lamp_points(scene)
    for source in sources:
        ray = source - points
        distance = np.linalg.norm(ray, axis=-1)
        towards = ray / distance[:, None]
        shaded = np.zeros(len(points), bool)
        for wall in walls:
            near = _near(points, source - [*scene.middle_mm, 0], wall)
            shaded[near] |= first_hit(points[near], towards[near], wall) < distance[near]
        total += np.maximum((normals * towards).sum(-1), 0) / distance**2 / unit * ~shaded
    return total / len(sources)


def _near(points: np.ndarray, towards: np.ndarray, wall: np.ndarray) -> np.ndarray:
    """Points that the wall can possibly shade: within its shadow's reach, and not on the side of the light."""
    x, y = (points[:, k] - wall[:, k].mean() for k in (0, 1))
    reach = SHADOW_REACH * wall[:, 2].max()
    return np.flatnonzero((np.abs(x) < reach) & (np.abs(y) < reach) & (x * towards[0] + y * towards[1] < reach))


def photograph(scene: Scene, eye: Eye) -> np.ndarray:
    """(rows, columns) linear light, `exposure` = lit level paper at the middle."""
    direction = rays(eye)
    shape = direction.shape[:2]
    direction = direction.reshape(-1, 3)
    origin = np.array(eye.position_mm, float)
    walls = triangles(scene.card, scene.leave_out)
    nearest = np.full(len(direction), np.inf)
    wall_of = np.full(len(direction), -1)
    at_card = -origin[2] / direction[:, 2]
    place = origin + at_card[:, None] * direction
    for number, wall in enumerate(walls):
        far = np.abs(place[:, :2] - wall[:, :2].mean(axis=0)).max(axis=1) > HIDDEN_REACH_MM
        looked = np.flatnonzero(~far)
        distance = first_hit(origin, direction[looked], wall)
        closer = looked[distance < nearest[looked]]
        nearest[closer], wall_of[closer] = distance[distance < nearest[looked]], number
    on_card = inside(scene.card["outline"], place[:, 0], place[:, 1]) & (at_card < nearest)
    at_deck = (DECK_LEVEL_MM - origin[2]) / direction[:, 2]
    on_deck = ~on_card & (wall_of < 0)
    place[on_deck] = (origin + at_deck[:, None] * direction)[on_deck]
    on_wall = (wall_of >= 0) & (nearest < at_card)
    place[on_wall] = (origin + nearest[:, None] * direction)[on_wall]
    normals = np.tile([0.0, 0.0, 1.0], (len(place), 1))
    reflectance = np.full(len(place), scene.deck_reflectance)
    if scene.slope is not None:
        p, q = scene.slope(place[on_deck, 0], place[on_deck, 1])
        tilted = np.stack([-p, -q, np.ones_like(p)], axis=-1)
        normals[on_deck] = tilted / np.linalg.norm(tilted, axis=-1, keepdims=True)
    art = scene.card["artwork"]
    column = np.clip((place[:, 0] - art["left"]) * art["px_per_mm"] - 0.5, 0, scene.artwork.shape[1] - 1.001)
    row = np.clip((art["top"] - place[:, 1]) * art["px_per_mm"] - 0.5, 0, scene.artwork.shape[0] - 1.001)
    from scipy.ndimage import map_coordinates

    reflectance[on_card] = map_coordinates(scene.artwork, [row[on_card], column[on_card]], order=1)
    cross = np.cross(walls[:, 1] - walls[:, 0], walls[:, 2] - walls[:, 0])
    cross /= np.linalg.norm(cross, axis=-1, keepdims=True)
    facing = cross[wall_of[on_wall]]
    facing *= -np.sign((facing * direction[on_wall]).sum(-1, keepdims=True))
    normals[on_wall] = facing
    reflectance[on_wall] = 1.0
    lifted = place + 1e-4 * normals
    light = light_at(scene, lifted, normals, walls)
    return (scene.exposure * reflectance * (light + scene.ambient)).reshape(shape)


def encode(light: np.ndarray, *, noise: float = 0.0, seed: int = 0) -> np.ndarray:
    """(rows, columns, 3) uint8 sRGB of linear light."""
    light = light + noise * np.random.default_rng(seed).standard_normal(light.shape)
    light = np.clip(light, 0, 1)
    code = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    return np.repeat(np.rint(code * 255).astype(np.uint8)[..., None], 3, axis=2)


def lamp_at(azimuth_deg: float, elevation_deg: float, distance_mm: float, middle_mm=(0.0, 0.0)) -> tuple:
    a, e = np.radians(azimuth_deg), np.radians(elevation_deg)
    return (
        middle_mm[0] + distance_mm * np.cos(e) * np.cos(a),
        middle_mm[1] + distance_mm * np.cos(e) * np.sin(a),
        distance_mm * np.sin(e),
    )
