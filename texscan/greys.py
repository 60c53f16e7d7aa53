"""Grey patches of the card as a photo shows them, and the paper beside each."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np

from texscan.card import Card
from texscan.rectify import CardFace, around, disk, filled

PATCH_INSET_MM, PAPER_RING_MM = 0.8, (0.8, 2.5)
NEIGHBOUR_MM = 30.0  # patches this near lie under much the same light
UNEVEN_PAPER = 0.12  # relative spread of the paper around a grey patch above which a shadow's edge lies there


@dataclass(frozen=True, slots=True)
class GreyReadings:
    """
    Grey patches of a photo, sRGB-decoded, (n,) each; NaN where a patch cannot be read.

    beside : what lies next to each under the same light, paper or a lighter patch; ratio : printed reflectance of the
    patch over that of what lies beside it; reflectance : over the paper; places_mm : (n, 2).
    """

    grey: np.ndarray
    beside: np.ndarray
    ratio: np.ndarray
    reflectance: np.ndarray
    places_mm: np.ndarray


def grey_readings(face: CardFace, card: Card) -> GreyReadings:
    """
    What the grey patches read, and the paper around each (or, where the paper is clipped or a shadow's edge crosses
    it, the lightest patch near by that is not).
    """
    every_patch = [patch.polygon_mm for patch in card.patches]
    grey, white = [], []
    for patch in card.patches:
        near_by = around(face.grid, patch.polygon_mm, 2 * PAPER_RING_MM[1])
        part = face.grid.part(near_by)
        luminance, clipped = face.luminance[near_by], face.clipped[near_by]
        own = filled(part, [patch.polygon_mm])
        inside = cv2.erode(own, disk(PATCH_INSET_MM, face.grid)).astype(bool) & np.isfinite(luminance)
        near, far = (cv2.dilate(own, disk(r, face.grid)).astype(bool) for r in PAPER_RING_MM)
        bare = (face.artwork[near_by] > 0.97) & np.isfinite(luminance)
        ring = far & ~near & ~filled(part, every_patch).view(bool) & bare
        readable = inside.sum() >= 20 and clipped[inside].mean() < 0.05
        grey.append(float(np.median(luminance[inside])) if readable else np.nan)
        white.append(_paper_beside(luminance[ring], clipped[ring]))
    reflectance = np.array([patch.reflectance for patch in card.patches])
    places = np.array([patch.polygon_mm.mean(axis=0) for patch in card.patches]).reshape(-1, 2)
    return _with_neighbours(np.array(grey), np.array(white), reflectance, places)


def _paper_beside(luminance: np.ndarray, clipped: np.ndarray) -> float:
    """What the ring of paper around a patch reads, (n,) each; NaN where that is too little, clipped or uneven."""
    if luminance.size < 40 or clipped.mean() > 0.05:
        return math.nan
    low, middle, high = np.quantile(luminance, [0.1, 0.5, 0.9])
    return float(middle) if high - low < UNEVEN_PAPER * middle else math.nan


def _with_neighbours(grey, white, reflectance, places) -> GreyReadings:
    beside, over = white.copy(), np.ones(len(white))
    for k in np.flatnonzero(np.isnan(white) & np.isfinite(grey)):
        near = np.linalg.norm(places - places[k], axis=1) < NEIGHBOUR_MM
        usable = np.flatnonzero(near & np.isfinite(grey) & (reflectance > 1.05 * reflectance[k]))
        if usable.size:
            best = usable[np.argmax(reflectance[usable])]
            beside[k], over[k] = grey[best], reflectance[best]
    return GreyReadings(grey, beside, reflectance / over, reflectance, places)
