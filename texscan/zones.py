"""
Zones: sound, worn, filled, with smooth outlines, figures on each zone's own top plane, and a confidence.

What "sound" is compared with, in this order: a named reference, the best-kept part of the patch, general limits of
relief. Contact area alone never decides: the worn part of one texture has no more of it than another texture as made.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from texscan import evidence, outlines
from texscan.curve import deciding_of
from texscan.errors import ReliefError
from texscan.evidence import Evidence, Windows
from texscan.filters import filtered, low_pass, measured_box, smoothed
from texscan.model import (
    CONDITION_NAMES,
    COVERAGE_FACTOR,
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
INSET_MM = 3.0  # a zone's figures are read this far inside its edge, where tops or floors still change
LEAST_INNER_SHARE = 0.3  # of the zone's area; narrower zones are read whole
BOTH_SHARE = 0.10  # of the sound void depth taken by each: worn and filled in the same place
# The ripple of a measured map widens its relief: by 5 to 20 % on four rendered samples of 0.30 to 0.35 mm.
RIPPLE_WIDENING = 1.06
LEAST_REFERENCE_MM = 0.10  # relief of a reference; less is ripple of the measurement
LEAST_LEFT_OUT = 0.02  # share of the measured area in windows that are measured too thinly
UNSURE_RANGE = 0.5  # of the worn and filled share, beyond which a reader is told
UNSURE_SHARE = 0.75  # of the probability of "worn or filled" that the named cause holds at least
# Uncertainty of a patch's gain over its reference's, in standard uncertainties of one set's gain. Two sets of one
# texture share much of their error (paint, pattern): the ratio of their relief erred by at most 1.0 of one set's on
# rendered decks (calibration/zones); independent errors would make it 1.41.
REFERENCE_GAIN = 1.0
FIGURE_KEYS = ("relief_mm", "void_depth_mm", "contact_area_fraction")


@dataclass(frozen=True, slots=True)
class ZoneLimits:
    """Limits of the decision, from calibration/limits.toml, section [zones]."""

    sound_relief_mm: float = 0.36  # sound panels have at least this; measured on rendered decks
    not_sound_relief_mm: float = 0.26  # panels worn or filled all over have no more; measured on rendered decks
    kept_share: float = 0.80  # share of the sound relief below which a place is not sound
    share_u: float = 0.06  # relative standard uncertainty of that share in one window, from the height solver


@dataclass(frozen=True, slots=True)
class Reference:
    """What sound looks like: heights at `evidence.RATIOS` [mm] on any level, and the figures."""

    curve_mm: np.ndarray
    figures: dict[str, float]
    shape_unsure: bool = False  # as `Budget.shape_unsure`


def reference_from(
    height_mm: np.ndarray,
    step_mm: float,
    filters: Filters,
    *,
    use: np.ndarray | None = None,
    shape_unsure: bool = False,
) -> Reference:
    """
    What sound looks like, from a height map [mm]: pixels `use`, such as its sound zone, or all measured ones.

    Raises ReliefError where there is next to no relief to compare with.
    """
    keep = np.isfinite(height_mm) if use is None else np.isfinite(height_mm) & use
    level = np.where(keep, _levelled(height_mm, step_mm, filters), np.nan)
    found = evidence.windows(level, step_mm, filters.contact_depth_mm)
    if not found.usable.any() or np.nanmedian(found.relief_mm) < LEAST_REFERENCE_MM:
        raise ReliefError(
            f"The reference shows less than {LEAST_REFERENCE_MM:g} mm of relief, so nothing can be compared with it. "
            "Name a result of an unworn, unpainted corner of the same texture."
        )
    figures = measured_heights(
        np.where(keep, filtered(height_mm, step_mm, filters), np.nan), step_mm, filters, Budget()
    )
    curve = evidence.middle_curve(found, found.usable)
    return Reference(curve, {key: figures[key].value for key in FIGURE_KEYS}, shape_unsure)


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
    box = measured_box(height_mm)
    rows, columns = box
    corner = (columns.start or 0, rows.start or 0)
    height, z = height_mm[box], np.where(np.isfinite(height_mm[box]), z_filtered[box], np.nan)
    step = grid.step_mm
    part = Grid(grid.x0_mm + step * corner[0], grid.y1_mm - step * corner[1], step, *z.shape)
    found = evidence.windows(_levelled(height, step, filters), step, filters.contact_depth_mm)
    if not found.usable.any():
        raise ReliefError(
            "No place of the patch has enough measured pixels to tell its condition. "
            "Mask less, or photograph more of the panel."
        )
    seen, source, flags = _seen(found, pattern, limits, reference, budget)
    probability = outlines.settled(seen.log_probability)
    measured = np.isfinite(z)
    joined = outlines.bridged(measured, step)
    inside = _condition(probability, found.tile_px, measured, joined, step)
    if source == "patch" and not np.isin(inside, (WORN, FILLED)).any():
        source = "limits"  # no contrast: that the whole patch is sound rests on the limits
    sound = _sound_figures(z, inside, step, filters) if reference is None else reference.figures
    everywhere = outlines.spread(inside, step, joined=joined)
    windows = seen, probability, found.tile_px
    zones = _zones(z, inside, everywhere, part, filters=filters, budget=budget, windows=windows)
    known = int(np.count_nonzero(inside))
    shares = {name: int(np.count_nonzero(inside == value)) / known for value, name in CONDITION_NAMES.items()}
    condition = np.zeros(grid.shape, np.uint8)
    condition[box] = inside
    return ZoneMap(condition, zones, shares, source, sound, flags, seen.lost_share)


def _condition(
    probability: np.ndarray, tile_px: int, measured: np.ndarray, joined: np.ndarray, step_mm: float
) -> np.ndarray:
    """Condition (rows, columns) uint8 of every pixel, without specks; 0 where nothing is measured."""
    labels = outlines.on_pixels(probability, tile_px, measured.shape, step_mm)
    return np.where(measured, outlines.without_specks(labels, measured, joined, step_mm), 0).astype(np.uint8)


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
    flags = ("cells-left-out",) if found.left_out > LEAST_LEFT_OUT else ()
    if reference is not None:
        seen = evidence.against_curve(
            found,
            reference.curve_mm,
            limit=limits.kept_share,
            share_u=limits.share_u,
            common_u=REFERENCE_GAIN * budget.gain_u,
        )
        if (reference.shape_unsure or budget.shape_unsure) and _as_deep(found, reference, budget):
            seen = replace(seen, lost_share=_also_within(found, seen, limits))
        low, high = seen.lost_share or (0.0, 0.0)
        return seen, "named", (*flags, "share-unsure") if high - low > UNSURE_RANGE else flags
    kept = evidence.best_kept(found)
    relief = float(np.median(found.relief_mm[kept]))
    spread = 1 + COVERAGE_FACTOR * budget.gain_u
    if limits.not_sound_relief_mm / spread < relief < limits.sound_relief_mm * spread:
        flags = (*flags, "near-sound-limit")
    middle = RIPPLE_WIDENING * math.sqrt(limits.sound_relief_mm * limits.not_sound_relief_mm)
    if relief >= middle and pattern.kind != "none":
        sound = evidence.middle_curve(found, kept)
        return evidence.against_curve(found, sound, limit=limits.kept_share, share_u=limits.share_u), "patch", flags
    seen = evidence.by_shape(found)
    return seen, "limits", (*flags, "judged-by-limits")


def _as_deep(found: Windows, reference: Reference, budget: Budget) -> bool:
    """Whether the best-kept part may be as deep as the reference: what is surely less deep has lost something."""
    size = np.median(found.relief_mm[evidence.best_kept(found)]) / (reference.curve_mm[0] - reference.curve_mm[-1])
    return bool(size * (1 + COVERAGE_FACTOR * REFERENCE_GAIN * budget.gain_u) >= 1)


def _also_within(found: Windows, seen: Evidence, limits: ZoneLimits) -> tuple[float, float]:
    """
    95 % range of the worn and filled share where patch and reference may differ in shape only because grooves were
    hardly seen in one of them: it reaches to the share that the patch shows by itself, under one light for all of it.
    """
    sound = evidence.middle_curve(found, evidence.best_kept(found))
    own = evidence.against_curve(found, sound, limit=limits.kept_share, share_u=limits.share_u)
    harmed = own.log_probability[found.usable].argmax(axis=1) != 0
    low, high = seen.lost_share or (1.0, 0.0)
    return min(low, float(harmed.mean())), max(high, float(harmed.mean()))


def _sound_figures(z: np.ndarray, condition: np.ndarray, step_mm: float, filters: Filters) -> dict[str, float]:
    """Figures of the sound part, empty if there is none."""
    sound = z[condition == SOUND]  # nothing has a condition but what is measured
    if sound.size * step_mm**2 < outlines.LEAST_ZONE_MM2:
        return {}
    found, _ = deciding_of(sound, [filters.contact_depth_mm])
    return {key: found[key] for key in FIGURE_KEYS}


def _zones(
    z: np.ndarray,
    condition: np.ndarray,
    everywhere: np.ndarray,
    grid: Grid,
    *,
    filters: Filters,
    budget: Budget,
    windows: tuple[Evidence, np.ndarray, int],
) -> tuple[Zone, ...]:
    """
    Zones from the largest down; figures from inside the outlines, ratios to sound with sampling scatter only.
    `everywhere` is the condition carried into holes.
    """
    step = grid.step_mm
    inner = np.where(outlines.inner(everywhere, INSET_MM / step), z, np.nan)
    harmed = bool((everywhere > SOUND).any())
    sound = _void_depth(np.where(condition == SOUND, inner, np.nan), step, filters) if harmed else None
    zones = []
    for value, name in CONDITION_NAMES.items():
        for box, part in outlines.parts(everywhere == value):
            whole = np.where(part & (condition[box] > 0), z[box], np.nan)
            area = _area_mm2(whole, step)
            if area < outlines.LEAST_ZONE_MM2:
                continue
            inside = np.where(part, inner[box], np.nan)
            if _area_mm2(inside, step) < max(LEAST_INNER_SHARE * area, outlines.LEAST_ZONE_MM2 / 2):
                inside = whole
            read = measured_heights(inside, step, filters, budget)
            own = _void_depth(inside, step, filters) if sound is not None and value != SOUND else None
            ratio = None if sound is None or own is None else _ratio(own, sound)
            confidence, flags = _confidence(part, box, value, windows)
            relief, void, contact = (read[key] for key in FIGURE_KEYS)
            outline = outlines.outline(part, box, grid)
            zones.append(Zone(name, outline, area, relief, void, contact, confidence, ratio, flags))
    return tuple(sorted(zones, key=lambda zone: -zone.area_mm2))


def _area_mm2(z: np.ndarray, step_mm: float) -> float:
    return float(np.isfinite(z).sum() * step_mm**2)


def _void_depth(z: np.ndarray, step_mm: float, filters: Filters) -> Measured | None:
    """Void depth with its sampling scatter, None where there is too little area or no void."""
    if _area_mm2(z, step_mm) < outlines.LEAST_ZONE_MM2 / 2:
        return None
    found = measured_heights(z, step_mm, filters, Budget())["void_depth_mm"]
    return found if found.value > 0 else None


def _ratio(part: Measured, whole: Measured) -> Measured:
    """Ratio of two independent readings under one common gain."""
    value = part.value / whole.value
    return Measured.from_u(value, value * math.hypot(part.u / part.value, whole.u / whole.value), at_least=0)


def _confidence(
    part: np.ndarray, box: tuple[slice, slice], value: int, windows: tuple[Evidence, np.ndarray, int]
) -> tuple[float, tuple[str, ...]]:
    """Mean probability of the zone's condition over its windows, and the zone's flags."""
    seen, probability, tile = windows
    rows, columns = (np.minimum(np.arange(side.start, side.stop) // tile, limit - 1) for side, limit in
                     zip(box, probability.shape[:2], strict=True))  # fmt: skip
    tiles = np.bincount(
        (rows[:, None] * probability.shape[1] + columns)[part], minlength=probability[..., 0].size
    ).astype(np.float64)
    weight = (tiles / tiles.sum()).reshape(probability.shape[:2])
    mean = (probability * weight[..., None]).sum(axis=(0, 1))
    flags = []
    if value != SOUND:
        cause = (outlines.softmax(seen.log_probability)[..., 1:] * weight[..., None]).sum(axis=(0, 1))
        if cause[value - WORN] < UNSURE_SHARE * cause.sum():
            flags.append("cause-unsure")
        if min((seen.taken_by_wear * weight).sum(), (seen.taken_by_fill * weight).sum()) > BOTH_SHARE:
            flags.append("worn-and-filled")
    return float(mean[value - SOUND]), tuple(flags)
