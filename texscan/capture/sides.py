"""Directions in words of the picture and of the card: "left", "uprights A and E"."""

from __future__ import annotations

import numpy as np

from texscan.card import Card
from texscan.locate import Sighting

WORDS = ("right", "top right", "top", "top left", "left", "bottom left", "bottom", "bottom right")
SIDES = ("left", "right", "top", "bottom")
STEP_MM = 30.0  # along a direction, to see which way it runs in the picture
ABREAST_MM = 25.0  # uprights this near to the outermost one stand on the same side
EDGE_POINTS = 60


def middle_mm(card: Card) -> np.ndarray:
    """(2,) middle of the card's box."""
    return (card.outline_mm.min(axis=0) + card.outline_mm.max(axis=0)) / 2


def side_in_picture(sighting: Sighting, card: Card, towards_mm: np.ndarray) -> str:
    """Which way a direction (2,) on the card runs in the picture as displayed, one of WORDS."""
    start = middle_mm(card)
    end = start + np.asarray(towards_mm) / np.linalg.norm(towards_mm) * STEP_MM
    (x0, y0), (x1, y1) = sighting.camera.project(np.array([[*start, 0.0], [*end, 0.0]]))
    return WORDS[round(np.degrees(np.arctan2(y0 - y1, x1 - x0)) / 45) % 8]


def uprights_towards(card: Card, azimuth_deg: float) -> str:
    """The uprights that stand on the side of an azimuth: "upright B", "uprights A and E"."""
    a = np.radians(azimuth_deg)
    along = [float((u.base_mm - middle_mm(card)) @ [np.cos(a), np.sin(a)]) for u in card.uprights]
    names = sorted(u.name for u, s in zip(card.uprights, along, strict=True) if s > max(along) - ABREAST_MM)
    return f"upright{'s' if len(names) > 1 else ''} {listed(names)}"


def listed(words: list[str] | tuple[str, ...]) -> str:
    """ "a", "a and b", "a, b and c"."""
    return " and ".join([", ".join(words[:-1]), words[-1]] if len(words) > 1 else words)


def card_edge_px(sighting: Sighting, card: Card) -> np.ndarray:
    """(n, 2) pixels along the card's outline; NaN behind the camera."""
    corners = np.vstack([card.outline_mm, card.outline_mm[:1]])
    t = np.linspace(0, len(corners) - 1, EDGE_POINTS * (len(corners) - 1) + 1)
    edge = np.column_stack([np.interp(t, np.arange(len(corners)), corners[:, k]) for k in (0, 1)])
    return sighting.camera.project(np.column_stack([edge, np.zeros(len(edge))]))


def sides_left(points_px: np.ndarray, shape: tuple[int, int], *, slack_px: float = 0.0) -> tuple[str, ...]:
    """The sides of a picture (rows, columns) beyond which some of the points (n, 2) lie by more than the slack."""
    (left, top), (right, bottom) = np.nanmin(points_px, axis=0), np.nanmax(points_px, axis=0)
    beyond = (-left, right - (shape[1] - 1), -top, bottom - (shape[0] - 1))
    return tuple(side for side, by in zip(SIDES, beyond, strict=True) if by > slack_px)
