"""
Zones: sound, worn, filled, with smooth outlines, figures on each zone's own top plane, and a confidence.

What "sound" is compared with, in this order: a named reference, the best-kept part of the patch, general limits of
relief. Contact area alone never decides: the worn part of one texture has no more of it than another texture as made.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from scipy import ndimage

from texscan import evidence
from texscan.errors import ReliefError
from texscan.evidence import Evidence, Windows
from texscan.filters import filtered, low_pass, smoothed
from texscan.model import (
    CONDITION_NAMES,
    FILLED,
    SOUND,
    WORN,
    Budget,
    Filters,
    Grid,
    Measured,
    Pattern,
    Zone,
    ZoneMap,
)
from texscan.texture import measured_heights

DRIFT_MM = 100.0  # nesting index of the Gaussian that takes drift out: twice the width of a walked lane
NEIGHBOUR_SIGMA_TILES = 1.2  # of the neighbours that a window listens to
NEIGHBOUR_WEIGHT = 3.0  # log-odds that neighbours of one mind add
WINDOW_WEIGHT = 0.7  # overlapping windows repeat each other's evidence
ROUNDS = 12  # of the mean-field solution; it settles in about 8
OUTLINE_MM = 2.0  # standard deviation of the smoothing of outlines, under a pitch
LEAST_PROBABILITY = 1e-3  # of a condition, so that outlines lie midway between windows however sure they are
LEAST_ZONE_MM2 = 150.0  # smaller specks join what surrounds them: the area of one and a half windows
HOLE_MM = 2.0  # shadows and holes up to this wide do not part a zone
OUTLINE_TOLERANCE_MM = 0.25  # of the polygon against the pixel outline
BOTH_SHARE = 0.15  # of the sound void depth taken by each: worn and filled in the same place
UNSURE_SHARE = 0.75  # of the probability of "worn or filled" that the named cause holds at least
FIGURE_KEYS = ("relief_mm", "void_depth_mm", "contact_area_fraction")


@dataclass(frozen=True, slots=True)
class ZoneLimits:
    """Limits of the decision, from calibration/limits.toml, section [zones]."""

    sound_relief_mm: float = 0.36  # sound panels have at least this; measured on rendered decks
    not_sound_relief_mm: float = 0.26  # panels worn or filled all over have no more; measured on rendered decks
    kept_share: float = 0.76  # share of the sound relief below which a place is not sound
    share_u: float = 0.06  # relative standard uncertainty of that share in one window, from the height solver


@dataclass(frozen=True, slots=True)
class Reference:
    """What sound looks like: heights at `evidence.RATIOS` [mm] on any level, and the figures."""

    curve_mm: np.ndarray
    figures: dict[str, float]


def reference_from(
    height_mm: np.ndarray, step_mm: float, filters: Filters, use: np.ndarray | None = None
) -> Reference:
    """What sound looks like, from a height map [mm]: pixels `use`, such as its sound zone, or all measured ones."""
    keep = np.isfinite(height_mm) if use is None else np.isfinite(height_mm) & use
    level = np.where(keep, _levelled(height_mm, step_mm, filters), np.nan)
    found = evidence.windows(level, step_mm, filters.contact_depth_mm)
    figures = measured_heights(
        np.where(keep, filtered(height_mm, step_mm, filters), np.nan), step_mm, filters, Budget()
    )
    return Reference(evidence.middle_curve(found, found.usable), {key: figures[key].value for key in FIGURE_KEYS})


def find(
    height_mm: np.ndarray,
    z_filtered: np.ndarray,
    grid: Grid,
    *,
    filters: Filters,
    budget: Budget,
    pattern: Pattern,
    limits: ZoneLimits,
    reference: Reference | None = None,
) -> ZoneMap:
    """
    Condition of every measured pixel, and the zones.

    Parameters
    ----------
    height_mm, z_filtered : (rows, columns) arrays
        Heights as measured and after `filters.filtered` [mm]; NaN = not measured, in the same places.
    grid : Grid
    filters, budget : settings and uncertainty, for the zones' figures
    pattern : Pattern
        Told from the same map; "none" is judged by the limits.
    limits : ZoneLimits
    reference : Reference, optional
        What sound looks like on this boat.

    Returns
    -------
    zone_map : ZoneMap
        `condition` is 0 exactly where height_mm is NaN; `reference` is "named", "patch" or "limits".

    Raises
    ------
    ReliefError
        No window is measured well enough.
    """
    measured = np.isfinite(height_mm)
    z = np.where(measured, z_filtered, np.nan)
    found = evidence.windows(_levelled(height_mm, grid.step_mm, filters), grid.step_mm, filters.contact_depth_mm)
    if not found.usable.any():
        raise ReliefError(
            "No place of the patch has enough measured pixels to tell its condition. "
            "Mask less, or photograph more of the panel."
        )
    seen, source, flags = _seen(found, pattern, limits, reference, budget)
    probability = _settled(seen.log_probability)
    labels = _without_specks(_on_pixels(probability, found.tile_px, z.shape, grid.step_mm), measured, grid.step_mm)
    condition = np.where(measured, labels, 0).astype(np.uint8)
    if source == "patch" and not np.isin(condition, (WORN, FILLED)).any():
        source = "limits"  # no contrast: that the whole patch is sound rests on the limits
    sound = _sound_figures(z, condition, grid.step_mm, filters) if source != "named" else reference.figures
    zones = _zones(z, condition, grid, filters=filters, budget=budget, windows=(seen, probability, found.tile_px))
    shares = {name: float((condition == value).sum() / measured.sum()) for value, name in CONDITION_NAMES.items()}
    return ZoneMap(condition, zones, shares, source, sound, flags)


def _levelled(height_mm: np.ndarray, step_mm: float, filters: Filters) -> np.ndarray:
    """
    Heights for the windows [mm]: form and S-filter as for the figures, but only slow drift taken out.

    The L-filter pulls a zone's level towards its surroundings, which blurs the zone's edge; windows have their own
    level.
    """
    smooth = smoothed(height_mm, step_mm, filters)
    return smooth - low_pass(smooth, step_mm, max(DRIFT_MM, filters.l_mm))


def _seen(
    found: Windows, pattern: Pattern, limits: ZoneLimits, reference: Reference | None, budget: Budget
) -> tuple[Evidence, str, tuple[str, ...]]:
    """Evidence of every window, what it was compared with, and flags."""
    flags = () if found.usable.all() else ("cells-left-out",)
    if reference is not None:
        # the common gains of two sets of photos are independent of each other
        gain_u = math.hypot(limits.share_u, math.sqrt(2) * budget.gain_u)
        seen = evidence.against_curve(found, reference.curve_mm, limit=limits.kept_share, gain_u=gain_u)
        return seen, "named", flags
    kept = evidence.best_kept(found)
    relief = float(np.median(found.relief_mm[kept]))
    if limits.not_sound_relief_mm < relief < limits.sound_relief_mm:
        flags = (*flags, "near-sound-limit")
    middle = math.sqrt(limits.sound_relief_mm * limits.not_sound_relief_mm)
    if relief >= middle and pattern.kind != "none":
        sound = evidence.middle_curve(found, kept)
        return evidence.against_curve(found, sound, limit=limits.kept_share, gain_u=limits.share_u), "patch", flags
    seen = evidence.against_limits(found, sound_mm=limits.sound_relief_mm, not_sound_mm=limits.not_sound_relief_mm)
    return seen, "limits", (*flags, "judged-by-limits")


def _settled(log_probability: np.ndarray) -> np.ndarray:
    """
    Probability (rows, columns, 3) of each condition once neighbours have been heard.

    Mean-field solution of a Potts model: a window's own evidence and the mean opinion around it.
    """
    own = WINDOW_WEIGHT * log_probability
    share = _softmax(own)
    sigma = (NEIGHBOUR_SIGMA_TILES, NEIGHBOUR_SIGMA_TILES, 0)
    for _ in range(ROUNDS):
        share = _softmax(own + NEIGHBOUR_WEIGHT * ndimage.gaussian_filter(share, sigma, mode="nearest"))
    return share


def _softmax(values: np.ndarray) -> np.ndarray:
    raised = np.exp(values - values.max(axis=-1, keepdims=True))
    return raised / raised.sum(axis=-1, keepdims=True)


def _on_pixels(probability: np.ndarray, tile_px: int, shape: tuple[int, int], step_mm: float) -> np.ndarray:
    """Most probable condition (rows, columns) uint8 of every pixel, with outlines smooth over `OUTLINE_MM`."""
    x = ((np.arange(shape[1]) + 0.5) / tile_px - 0.5).astype(np.float32)
    y = ((np.arange(shape[0]) + 0.5) / tile_px - 0.5).astype(np.float32)
    map_x, map_y = np.broadcast_to(x, shape).copy(), np.broadcast_to(y[:, None], shape).copy()
    logs = np.log(np.maximum(probability, LEAST_PROBABILITY)).astype(np.float32)
    labels = cv2.remap(logs, map_x, map_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE).argmax(axis=2)
    smooth = [
        cv2.GaussianBlur((labels == index).astype(np.float32), (0, 0), OUTLINE_MM / step_mm)
        for index in range(len(CONDITION_NAMES))
    ]
    return np.argmax(smooth, axis=0).astype(np.uint8) + np.uint8(SOUND)


def _bridged(measured: np.ndarray, step_mm: float) -> np.ndarray:
    """Measured pixels with holes and shadows up to `HOLE_MM` closed, bool."""
    size = 2 * round(HOLE_MM / 2 / step_mm) + 1
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
    return cv2.morphologyEx(measured.astype(np.uint8), cv2.MORPH_CLOSE, kernel).astype(bool)


def _without_specks(labels: np.ndarray, measured: np.ndarray, step_mm: float) -> np.ndarray:
    """Labels with zones under `LEAST_ZONE_MM2` of measured area given to the nearest other zone."""
    bridged = _bridged(measured, step_mm)
    small = np.zeros(labels.shape, bool)
    for value in CONDITION_NAMES:
        parts, count = ndimage.label((labels == value) & bridged)
        area = np.bincount(parts[measured], minlength=count + 1) * step_mm**2
        tiny = area < LEAST_ZONE_MM2
        tiny[0] = False
        small |= tiny[parts]
    if not small.any() or (small | ~bridged).all():
        return labels
    nearest = ndimage.distance_transform_edt(small | ~bridged, return_distances=False, return_indices=True)
    return np.where(small, labels[tuple(nearest)], labels)


def _sound_figures(z: np.ndarray, condition: np.ndarray, step_mm: float, filters: Filters) -> dict[str, float]:
    """Figures of the sound part, empty if there is none."""
    sound = np.where(condition == SOUND, z, np.nan)
    if np.isfinite(sound).sum() * step_mm**2 < LEAST_ZONE_MM2:
        return {}
    found = measured_heights(sound, step_mm, filters, Budget())
    return {key: found[key].value for key in FIGURE_KEYS}


def _zones(
    z: np.ndarray,
    condition: np.ndarray,
    grid: Grid,
    *,
    filters: Filters,
    budget: Budget,
    windows: tuple[Evidence, np.ndarray, int],
) -> tuple[Zone, ...]:
    """Zones from the largest down; ratios to the sound part carry the sampling scatter only."""
    step = grid.step_mm
    bridged = _bridged(condition > 0, step)
    spread = ndimage.distance_transform_edt(condition == 0, return_distances=False, return_indices=True)
    everywhere = np.where(bridged, condition[tuple(spread)], 0)
    sound_z = np.where(condition == SOUND, z, np.nan)
    sound = None
    if np.isfinite(sound_z).sum() * step**2 >= LEAST_ZONE_MM2:
        sound = measured_heights(sound_z, step, filters, Budget())["void_depth_mm"]
    zones = []
    for value, name in CONDITION_NAMES.items():
        parts, count = ndimage.label(everywhere == value)
        boxes = ndimage.find_objects(parts)
        for number in range(1, count + 1):
            box = boxes[number - 1]
            part = parts[box] == number
            inside = np.where(part & (condition[box] > 0), z[box], np.nan)
            area = float(np.isfinite(inside).sum() * step**2)
            if area < LEAST_ZONE_MM2:
                continue
            figures = measured_heights(inside, step, filters, budget)
            own = measured_heights(inside, step, filters, Budget())["void_depth_mm"]
            ratio = None if sound is None or name == "sound" else _ratio(own, sound)
            confidence, flags = _confidence(parts == number, value, windows)
            zones.append(
                Zone(
                    name,
                    _outline(part, box, grid),
                    area,
                    figures["relief_mm"],
                    figures["void_depth_mm"],
                    figures["contact_area_fraction"],
                    confidence,
                    ratio,
                    flags,
                )
            )
    return tuple(sorted(zones, key=lambda zone: -zone.area_mm2))


def _ratio(part: Measured, whole: Measured) -> Measured:
    """Ratio of two independent readings under one common gain."""
    value = part.value / whole.value
    return Measured.from_u(value, value * math.hypot(part.u / part.value, whole.u / whole.value), at_least=0)


def _confidence(
    part: np.ndarray, value: int, windows: tuple[Evidence, np.ndarray, int]
) -> tuple[float, tuple[str, ...]]:
    """Mean probability of the zone's condition over its windows, and the zone's flags."""
    seen, probability, tile = windows
    rows, columns = (np.minimum(np.arange(size) // tile, limit - 1) for size, limit in
                     zip(part.shape, probability.shape[:2], strict=True))  # fmt: skip
    tiles = np.bincount(
        (rows[:, None] * probability.shape[1] + columns)[part], minlength=probability[..., 0].size
    ).astype(np.float64)
    weight = (tiles / tiles.sum()).reshape(probability.shape[:2])
    mean = (probability * weight[..., None]).sum(axis=(0, 1))
    flags = []
    if value != SOUND:
        cause = (_softmax(seen.log_probability)[..., 1:] * weight[..., None]).sum(axis=(0, 1))
        if cause[value - WORN] < UNSURE_SHARE * cause.sum():
            flags.append("cause-unsure")
        if min((seen.taken_by_wear * weight).sum(), (seen.taken_by_fill * weight).sum()) > BOTH_SHARE:
            flags.append("worn-and-filled")
    return float(mean[value - SOUND]), tuple(flags)


def _outline(part: np.ndarray, box: tuple[slice, slice], grid: Grid) -> np.ndarray:
    """Outer outline (n, 2) of the part in the card frame [mm], anticlockwise, within `OUTLINE_TOLERANCE_MM`."""
    padded = np.pad(part.astype(np.uint8), 1)
    contours, _ = cv2.findContours(padded, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    longest = max(contours, key=len)
    simple = cv2.approxPolyDP(longest, OUTLINE_TOLERANCE_MM / grid.step_mm, closed=True)[:, 0].astype(np.float64)
    x = grid.x0_mm + grid.step_mm * (simple[:, 0] - 1 + box[1].start)
    y = grid.y1_mm - grid.step_mm * (simple[:, 1] - 1 + box[0].start)
    turning = (x * np.roll(y, -1) - np.roll(x, -1) * y).sum()
    polygon = np.stack([x, y], axis=1)
    return polygon if turning >= 0 else polygon[::-1]
