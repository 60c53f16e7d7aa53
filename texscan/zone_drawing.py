"""Zones on the photo: outline, hatch and letter, told apart without colour."""

from __future__ import annotations

import cv2
import numpy as np

from texscan.model import FILLED, SOUND, WORN, Grid, Zone, ZoneMap
from texscan.typeset import INK, PAPER, Block, font, place, typeset

# Colours of a palette made for colour-blind readers (Okabe and Ito 2008); the hatch says the same without colour.
COLOURS = {"sound": (0, 114, 178), "worn": (213, 94, 0), "filled": (240, 228, 66)}
CODES = {"sound": SOUND, "worn": WORN, "filled": FILLED}
HATCH_PITCH_PX = 36
VEIL, VEIL_GREY = 0.62, 245  # how far a place that was not measured fades to this grey
SMOOTHING_PX = 3.0  # outlines are drawn through the condition map smoothed by this
LETTER_RADIUS = 19


def lettered(zone_map: ZoneMap) -> list[tuple[str, Zone]]:
    """The zones with their letters, the largest first: A, B, ... Z, A2, B2, ..."""
    zones = sorted(zone_map.zones, key=lambda zone: -zone.area_mm2)
    return [(chr(ord("A") + n % 26) + (str(n // 26 + 1) if n >= 26 else ""), zone) for n, zone in enumerate(zones)]


def draw_zones(picture: np.ndarray, zone_map: ZoneMap, grid: Grid) -> np.ndarray:
    """
    A copy of the picture with zones drawn on it.

    Parameters
    ----------
    picture : (H, W, 3) uint8, the patch at any size
    zone_map : condition on the grid, stretched over the picture
    """
    size = picture.shape[1], picture.shape[0]
    veil = (VEIL / 255) * (255 - _share(zone_map.condition > 0, size).astype(np.float32))
    drawn = cv2.blendLinear(np.ascontiguousarray(picture), np.full_like(picture, VEIL_GREY), 1 - veil, veil)
    for name, code in CODES.items():
        inside = _inside(zone_map, code, size)
        if name != "sound":
            cv2.copyTo(fill_with_hatch(drawn, name), inside, drawn)
        _outline(drawn, inside, COLOURS[name])
    return _letters(drawn, zone_map, grid)


def outline_zones(picture: np.ndarray, zone_map: ZoneMap, grid: Grid) -> np.ndarray:
    """As `draw_zones`, but with outlines and letters only, so that what lies under them stays readable."""
    drawn = np.ascontiguousarray(picture).copy()
    for code in CODES.values():
        inside = _inside(zone_map, code, (picture.shape[1], picture.shape[0]))
        contours, _ = cv2.findContours(inside, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
        cv2.drawContours(drawn, contours, -1, PAPER, 4, cv2.LINE_AA)
        cv2.drawContours(drawn, contours, -1, INK, 2, cv2.LINE_AA)
    return _letters(drawn, zone_map, grid)


def _inside(zone_map: ZoneMap, code: int, size: tuple[int, int]) -> np.ndarray:
    """(H, W) uint8 at the picture's size, 1 where the condition is this one."""
    return (_share(zone_map.condition == code, size) > 127).view(np.uint8)


def _share(mask: np.ndarray, size: tuple[int, int]) -> np.ndarray:
    """A mask at the picture's size, its edge smoothed; uint8, 0 to 255."""
    stretched = cv2.resize(mask.view(np.uint8) * np.uint8(255), size, interpolation=cv2.INTER_LINEAR)
    return cv2.GaussianBlur(stretched, (0, 0), SMOOTHING_PX, borderType=cv2.BORDER_REPLICATE)


def fill_with_hatch(picture: np.ndarray, name: str, *, pitch: int = HATCH_PITCH_PX) -> np.ndarray:
    """The whole picture hatched: worn gets slanted lines, filled gets dots, sound stays as it is."""
    rows, columns = picture.shape[:2]
    hatched = np.ascontiguousarray(picture)
    if hatched is picture:
        hatched = picture.copy()
    if name == "worn":
        for offset in range(-rows + pitch // 2, columns, pitch):
            ends = (offset, rows), (offset + rows, 0)
            cv2.line(hatched, *ends, INK, 4, cv2.LINE_AA)
            cv2.line(hatched, *ends, COLOURS[name], 2, cv2.LINE_AA)
    elif name == "filled":
        for row, y in enumerate(range(pitch // 2, rows, pitch)):
            for x in range(pitch // 2 + (row % 2) * pitch // 2, columns, pitch):
                cv2.circle(hatched, (x, y), 5, INK, -1, cv2.LINE_AA)
                cv2.circle(hatched, (x, y), 4, COLOURS[name], -1, cv2.LINE_AA)
    return hatched


def _outline(picture: np.ndarray, inside: np.ndarray, colour: tuple[int, int, int]) -> None:
    contours, _ = cv2.findContours(inside, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
    cv2.drawContours(picture, contours, -1, PAPER, 7, cv2.LINE_AA)
    cv2.drawContours(picture, contours, -1, INK, 5, cv2.LINE_AA)
    cv2.drawContours(picture, contours, -1, colour, 3, cv2.LINE_AA)


def _letters(picture: np.ndarray, zone_map: ZoneMap, grid: Grid) -> np.ndarray:
    """A letter in the middle of each zone, where there is most room."""
    labels = []
    scale = np.array([picture.shape[1] / grid.columns, picture.shape[0] / grid.rows])
    for text, zone in lettered(zone_map):
        column = (zone.polygon_mm[:, 0] - grid.x0_mm) / grid.step_mm + 0.5
        row = (grid.y1_mm - zone.polygon_mm[:, 1]) / grid.step_mm + 0.5
        outline = np.round(np.stack([column, row], axis=1) * scale).astype(np.int32)
        room = np.zeros((picture.shape[0] + 2, picture.shape[1] + 2), dtype=np.uint8)
        cv2.fillPoly(room[1:-1, 1:-1], [outline], 1)
        same = cv2.resize((zone_map.condition == CODES[zone.condition]).astype(np.uint8), room.shape[1::-1])
        distance = cv2.distanceTransform(room & same, cv2.DIST_L2, 5)
        if distance.max() == 0:
            continue
        y, x = np.unravel_index(int(distance.argmax()), distance.shape)
        cv2.circle(picture, (int(x), int(y)), LETTER_RADIUS + 2, INK, -1, cv2.LINE_AA)
        cv2.circle(picture, (int(x), int(y)), LETTER_RADIUS, PAPER, -1, cv2.LINE_AA)
        wide = font(24, True).getlength(text)
        labels += place([Block(text, 24, bold=True, one_line=True)], round(x - wide / 2), int(y) - 15, 80)
    return typeset(picture, labels)
