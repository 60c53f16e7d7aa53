"""The truth about the sample panels, as the renderer's scripts wrote it; read without texscan's own code."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

FOLDER = Path(__file__).parents[1] / "sample_images" / "truth"


@dataclass
class Truth:
    data: dict
    height_mm: np.ndarray  # (rows, columns) on the grid asked for, NaN outside the opening
    zones: np.ndarray  # 0 nothing, 1 sound, 2 worn, 3 filled

    def angles(self, file: str, at_mm: tuple[float, float]) -> tuple[float, float, float]:
        """(azimuth_deg, elevation_deg, distance_mm) of a photo's light seen from a place on z = 0."""
        photo = next(p for p in self.data["photos"] if p["file"] == file)
        if photo.get("light_position_mm"):
            ray = np.subtract(photo["light_position_mm"], [*at_mm, 0.0])
        else:
            a, e = np.radians(photo["azimuth_deg"]), np.radians(photo["elevation_deg"])
            ray = 1e9 * np.array([np.cos(e) * np.cos(a), np.cos(e) * np.sin(a), np.sin(e)])
        azimuth = np.degrees(np.arctan2(ray[1], ray[0])) % 360
        return azimuth, np.degrees(np.arctan2(ray[2], np.hypot(ray[0], ray[1]))), np.linalg.norm(ray)

    def mm_per_px(self, file: str, at_mm: tuple[float, float]) -> float:
        """Side of the square on z = 0 that a pixel covers, from the camera that the renderer used."""
        camera = next(p for p in self.data["photos"] if p["file"] == file)["camera"]
        position = np.array(camera["position"])
        forward = np.subtract(camera["target"], position)
        forward /= np.linalg.norm(forward)
        right = np.cross(forward, camera["up"])
        right /= np.linalg.norm(right)
        axes = np.stack([right, np.cross(forward, right), forward])
        places = np.array([[at_mm[0] + dx, at_mm[1] + dy, 0.0] for dx, dy in ((0, 0), (0.5, 0), (0, 0.5))])
        seen = (places - position) @ axes.T
        plane = seen[:, :2] / seen[:, 2:]
        pixels = plane * (1 + camera["k1"] * (plane**2).sum(axis=1, keepdims=True)) * camera["focal_px"]
        return 0.5 / np.sqrt(abs(np.linalg.det(pixels[1:] - pixels[0])))


def read(panel: str, x_mm: np.ndarray, y_mm: np.ndarray) -> Truth:
    """Truth of a panel on the places x (columns), y (rows)."""
    data = json.loads((FOLDER / f"{panel}.json").read_text())
    grid, heights = data["grid"], data["heights"]
    counts = cv2.imread(str(FOLDER / heights["file"]), cv2.IMREAD_UNCHANGED).astype(np.float32)
    labels = cv2.imread(str(FOLDER / data["zones"]["file"]), cv2.IMREAD_UNCHANGED)
    column = ((x_mm - grid["x0_mm"]) / grid["step_mm"]).astype(np.float32)
    row = ((grid["y1_mm"] - y_mm) / grid["step_mm"]).astype(np.float32)
    columns, rows = np.meshgrid(column, row)
    height = counts * heights["mm_per_count"] + heights["offset_mm"]
    nothing = {"borderMode": cv2.BORDER_CONSTANT}
    return Truth(
        data,
        cv2.remap(height, columns, rows, cv2.INTER_LINEAR, borderValue=np.nan, **nothing),
        cv2.remap(labels, columns, rows, cv2.INTER_NEAREST, borderValue=0, **nothing),
    )
