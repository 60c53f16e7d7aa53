"""Another card within the contract: a plain L of another size, six bare markers, three box uprights, no saddles."""

from __future__ import annotations

import json
from pathlib import Path

import cv2
import numpy as np

PX_PER_MM = 12
LEFT, TOP = -20.0, 170.0
WIDTH, HEIGHT = 190.0, 190.0
OUTLINE = [[-20, -20], [170, -20], [170, 30], [30, 30], [30, 170], [-20, 170]]
MARKERS = {10: (-12, 158), 11: (-12, 70), 12: (-12, -2), 13: (70, -4), 14: (150, -4), 15: (150, 25)}
SIDE = 9.0
GREYS = {"a": (40, -8, 0.5), "b": (55, -8, 0.25), "c": (92, -8, 0.12), "d": (107, -8, 0.06)}


def box(name: str, x: float, y: float, side: float, height: float) -> dict:
    h = side / 2
    ring = [[x - h, y - h], [x + h, y - h], [x + h, y + h], [x - h, y + h]]
    vertices = [[*p, 0.0] for p in ring] + [[*p, height] for p in ring]
    faces = [[0, 1, 5, 4], [1, 2, 6, 5], [2, 3, 7, 6], [3, 0, 4, 7], [4, 5, 6, 7]]
    return {"name": name, "vertices": vertices, "faces": faces, "reflectance": 1.0}


UPRIGHTS = [box("corner", 4, 10, 8, 14), box("top", 4, 120, 8, 12), box("right", 128, 12, 8, 10)]


def encode(reflectance: float) -> int:
    code = 12.92 * reflectance if reflectance <= 0.0031308 else 1.055 * reflectance ** (1 / 2.4) - 0.055
    return round(255 * code)


def write(folder: Path) -> Path:
    face = np.full((int(HEIGHT * PX_PER_MM), int(WIDTH * PX_PER_MM)), 255, np.uint8)
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    markers, patches = [], []
    for number, (x, y) in MARKERS.items():
        picture = cv2.aruco.generateImageMarker(dictionary, number, int(SIDE * PX_PER_MM))
        r, c = int((TOP - y) * PX_PER_MM), int((x - LEFT) * PX_PER_MM)
        face[r : r + picture.shape[0], c : c + picture.shape[1]] = picture
        corners = [[x, y], [x + SIDE, y], [x + SIDE, y - SIDE], [x, y - SIDE]]
        markers.append({"dictionary": "DICT_4X4_50", "id": number, "corners": corners})
    for name, (x, y, reflectance) in GREYS.items():
        r, c = int((TOP - y) * PX_PER_MM), int((x - LEFT) * PX_PER_MM)
        side = int(7 * PX_PER_MM)
        face[r : r + side, c : c + side] = encode(reflectance)
        patches.append(
            {"name": name, "polygon": [[x, y - 7], [x + 7, y - 7], [x + 7, y], [x, y]], "reflectance": reflectance}
        )
    cv2.imwrite(str(folder / "toy.png"), face)
    card = {
        "schema": "texscan.card/1",
        "units": "mm",
        "outline": OUTLINE,
        "artwork": {"file": "toy.png", "px_per_mm": PX_PER_MM, "left": LEFT, "top": TOP},
        "markers": markers,
        "uprights": UPRIGHTS,
        "patches": patches,
    }
    path = folder / "toy.json"
    path.write_text(json.dumps(card))
    return path
