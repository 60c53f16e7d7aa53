"""Where the lamp stood: the uprights' shadow edges, fitted as those of one near or distant lamp."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache

import cv2
import numpy as np
from scipy.optimize import minimize

from texscan.card import Card, Upright
from texscan.errors import LightError, NoShadowError
from texscan.lamp_fit import LEAST_CONTRAST, fit_lamp, sample
from texscan.model import Grid, Light
from texscan.rectify import CardFace, filled
from texscan.shadow import Faces, faces_of

HIGHEST_TORCH_DEG, HIGH_TORCH_DEG = 60.0, 45.0  # above the first no relief is told; above the second it is a flag
SEARCH_AZIMUTHS_DEG = np.arange(0, 360, 3.0)
SEARCH_ELEVATIONS_DEG = np.array([7, 9, 11, 13, 15, 17.5, 20, 23, 26, 30, 34, 39, 45, 52, 60, 68])
SEARCH_DISTANCES_MM = np.array([np.inf, 1600, 900, 650, 480, 370, 290])
SHADE_STEP_MM, SHADE_LIT_WINDOW_MM = 0.6, 14.0  # grid of the coarse match; wider than any shadow
START_COUNT, FITTED_STARTS = 4, 2
SAME_LAMP_DEG = 4.0  # a start this near a fitted lamp leads there: edges are looked for farther than that around


def find_lamp(face: CardFace, card: Card, at_mm: tuple[float, float], file: str) -> Light:
    """
    The lamp of one view, without its ambient share.

    Coarse lights are told from dark and bright paper around the uprights, moved until predicted shadows cover the
    dark paper, and then fitted to half-level crossings of the shadows' edges.

    Raises
    ------
    LightError
        No shadow that fits, or the torch too high.
    """
    shade = _shade_picture(face, card)
    starts = [_match_shade(shade, card, start) for start in _search(face, card, at_mm)]
    starts = sorted(starts, key=lambda start: -_shade_match(shade, card, start))[:FITTED_STARTS]
    if not starts:
        raise NoShadowError(
            f"No shadow of the card's uprights was found in {file}. Fold and stand the uprights, light the panel "
            "from one side with the torch low, or state --light-azimuth and --light-elevation."
        )
    fits: list[Light] = []
    for start in starts:
        if all(_apart_deg(start, fit) > SAME_LAMP_DEG for fit in fits):
            fit = fit_lamp(face, card, start)
            fits += [] if fit is None else [fit]
    if not fits:
        raise LightError(
            f"The shadows in {file} fit no single lamp. Use one torch, hold it still and keep other lights and "
            "people's shadows off the card."
        )
    light = max(fits, key=lambda fit: _shade_match(shade, card, fit))
    if light.elevation_deg > HIGHEST_TORCH_DEG:
        raise LightError(
            f"The torch in {file} stands {light.elevation_deg:.0f} degrees above the panel, at most "
            f"{HIGHEST_TORCH_DEG:.0f} is usable. Lower it to about 25 degrees."
        )
    if light.elevation_deg > HIGH_TORCH_DEG:
        light = replace(light, flags=(*light.flags, "torch-high"))
    return light


def _search(face: CardFace, card: Card, at_mm: tuple[float, float]) -> list[Light]:
    """Coarse lights under which the uprights' shadows lie on dark paper and their surroundings on bright paper."""
    known = np.isfinite(face.illumination)
    illumination = cv2.blur(np.where(known, face.illumination, np.float32(0)), (5, 5))
    weight = cv2.blur(known.astype(np.float32), (5, 5))
    smooth = np.where(weight > 0.3, illumination / np.maximum(weight, np.float32(0.3)), np.float32(np.nan))
    probes = cache(_probes)  # most uprights are of one size
    sizes = [(_half_width(upright), upright.height_mm) for upright in card.uprights]
    scores = [
        _upright_score(face, smooth, u.base_mm, probes(*size)) for u, size in zip(card.uprights, sizes, strict=True)
    ]
    base = np.stack([u.base_mm for u in card.uprights])
    a, e, d = np.meshgrid(
        np.radians(SEARCH_AZIMUTHS_DEG), np.radians(SEARCH_ELEVATIONS_DEG), SEARCH_DISTANCES_MM, indexing="ij"
    )
    direction = np.stack([np.cos(e) * np.cos(a), np.cos(e) * np.sin(a), np.sin(e)])
    total, count = np.zeros(a.shape), np.zeros(a.shape)
    between = (SEARCH_ELEVATIONS_DEG[1:] + SEARCH_ELEVATIONS_DEG[:-1]) / 2
    for upright_score, (x, y) in zip(scores, base, strict=True):
        inverse = np.where(np.isinf(d), 0.0, 1 / d)
        ray = direction - np.stack([(x - at_mm[0]) * inverse, (y - at_mm[1]) * inverse, np.zeros(d.shape)])
        azimuth = np.degrees(np.arctan2(ray[1], ray[0])) % 360
        elevation = np.degrees(np.arctan2(ray[2], np.hypot(ray[0], ray[1])))
        row = np.rint(azimuth / 3.0).astype(int) % len(SEARCH_AZIMUTHS_DEG)
        column = np.searchsorted(between, elevation)
        value = upright_score[row, column]
        total += np.nan_to_num(value)
        count += np.isfinite(value)
    score = np.where(count > 0, total / np.maximum(count, 1) * np.minimum(1, (count + 1) / 3), -1)
    starts: list[Light] = []
    for index in np.argsort(score, axis=None)[::-1][:400]:
        where = np.unravel_index(index, score.shape)
        if score[where] < LEAST_CONTRAST or len(starts) == START_COUNT:
            break
        light = Light(
            float(np.degrees(a[where])), float(np.degrees(e[where])), float(1 / d[where]), at_mm, np.zeros((3, 3))
        )
        if all(_apart_deg(light, other) > 12 for other in starts):
            starts.append(light)
    return starts


def _apart_deg(a: Light, b: Light) -> float:
    return float(np.degrees(np.arccos(np.clip(a.direction @ b.direction, -1, 1))))


def _half_width(upright: Upright) -> float:
    """Half the width of an upright's shadow near its foot [mm], with some room."""
    low = upright.vertices_mm[:, 2] < 0.5 * upright.height_mm
    around = upright.vertices_mm[low, :2] - upright.base_mm
    return round(0.6 * float(np.linalg.norm(around, axis=1).max()), 6)


def _probes(half_width: float, height_mm: float) -> tuple[np.ndarray, np.ndarray]:
    """
    Places (azimuths, elevations, n, 2) mm from an upright's base inside its shadow under a distant light, and beside
    and beyond it.
    """
    a, e = np.meshgrid(np.radians(SEARCH_AZIMUTHS_DEG), np.radians(SEARCH_ELEVATIONS_DEG), indexing="ij")
    along = -np.stack([np.cos(a), np.sin(a)], axis=-1)[:, :, None, :]
    across = np.stack([-along[..., 1], along[..., 0]], axis=-1)
    length = (height_mm / np.tan(e))[:, :, None, None]
    steps = np.linspace(0.15, 0.92, 14)[:, None]
    inner = along * (half_width + steps * length)
    beyond = along * (2.2 * half_width + length * 1.08 + np.linspace(1.5, 6, 5)[:, None])
    side = along * (half_width + steps[2:] * length)
    left, right = (side + s * (2 * half_width + 3.0) * across for s in (1, -1))
    return inner, np.concatenate([beyond, left, right], axis=2)


def _upright_score(
    face: CardFace, smooth: np.ndarray, base_mm: np.ndarray, probes: tuple[np.ndarray, np.ndarray]
) -> np.ndarray:
    """
    (azimuths, elevations): how much darker the paper is inside the shadow of a distant light than beside and beyond
    it, relative to lit paper; NaN where too little paper is seen.
    """
    inner, outer = (sample(face, smooth, base_mm + places) for places in probes)
    (seen, dark, _), (seen_beside, bright, spread) = _read(inner), _read(outer)
    with np.errstate(invalid="ignore", divide="ignore"):
        score = (bright - dark - 0.7 * spread) / bright
    return np.where((seen > 0.35) & (seen_beside > 0.25) & (bright > 0), score, np.nan)


def _read(values: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Of values (..., n): the share that is known, and the mean and standard deviation of those."""
    good = np.isfinite(values)
    known = np.where(good, values, np.float32(0))
    count = np.maximum(np.count_nonzero(good, axis=-1), 1)
    mean, squared = known.sum(axis=-1) / count, np.einsum("...n,...n->...", known, known) / count
    return good.mean(axis=-1), mean, np.sqrt(np.maximum(squared - mean**2, 0))


@dataclass(frozen=True, slots=True)
class _ShadePicture:
    """How much darker than usual the card is, in standard deviations, on a coarse grid; 0 where it cannot be told."""

    grid: Grid
    dark: np.ndarray  # (rows, columns) float32
    known: np.ndarray  # float32, 1 where the print allows to tell, else 0
    count: int  # of the known
    faces: Faces  # of all uprights


def _shade_picture(face: CardFace, card: Card) -> _ShadePicture:
    stride = max(1, round(SHADE_STEP_MM / face.grid.step_mm))
    illumination = face.illumination[::stride, ::stride]
    fine = face.grid
    grid = Grid(fine.x0_mm, fine.y1_mm, fine.step_mm * stride, *illumination.shape)
    known = np.isfinite(illumination)
    values = np.where(known, illumination, 0).astype(np.float32)
    window = int(SHADE_LIT_WINDOW_MM / grid.step_mm) | 1
    lit = cv2.blur(cv2.dilate(cv2.blur(values, (3, 3)), np.ones((window, window), np.uint8)), (window, window))
    dark = np.clip(1 - values / np.maximum(lit, 1e-6), 0, 1)
    told = dark[known]
    spread = float(told.std()) if told.size else 0.0
    standard = np.where(known, (dark - (told.mean() if told.size else 0.0)) / (spread or np.inf), 0.0)
    dark, known = standard.astype(np.float32), known.astype(np.float32)
    return _ShadePicture(grid, dark, known, told.size, faces_of(card.uprights))


def _shade_match(shade: _ShadePicture, card: Card, light: Light) -> float:
    """Correlation between predicted shadow and darkness over plain paper; uprights left out do not count."""
    left_out = light.uprights_left_out
    faces = faces_of([u for u in card.uprights if u.name not in left_out]) if left_out else shade.faces
    shadow = filled(shade.grid, faces.shadows(light), np.float32).ravel()
    shaded = float(shadow @ shade.known.ravel())
    if not 0 < shaded < shade.count:
        return -1.0
    share = shaded / shade.count
    return float(shadow @ shade.dark.ravel()) / shaded * share / np.sqrt(share * (1 - share))


def _match_shade(shade: _ShadePicture, card: Card, start: Light) -> Light:
    """The start moved to where its predicted shadows cover the dark paper best; right to half a degree."""

    def light_of(p: np.ndarray) -> Light:
        inverse = float(np.clip(start.inverse_distance_per_mm + p[2] * 1e-3, 0, 1 / 150))
        elevation = float(np.clip(start.elevation_deg + 3 * p[1], 3, 88))
        return replace(
            start, azimuth_deg=start.azimuth_deg + 3 * p[0], elevation_deg=elevation, inverse_distance_per_mm=inverse
        )

    def mismatch(p: np.ndarray) -> float:
        return -_shade_match(shade, card, light_of(p))

    simplex = np.array([[0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 0.8]], float)
    found = minimize(
        mismatch,
        np.zeros(3),
        method="Nelder-Mead",
        options={"maxfev": 160, "xatol": 0.15, "fatol": 3e-3, "initial_simplex": simplex},
    )
    return light_of(found.x)
