"""The main path: from the photos of one patch to its score, one step a line."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from texscan import coating, filters, mould, pattern, reach, texture, verdict, zones
from texscan.budget import FINE_PX_MM
from texscan.card import CARD_THICKNESS_MM
from texscan.curve import TOP_RATIO
from texscan.limits import zone_limits
from texscan.mapping import Mapped, given_heights, map_heights
from texscan.model import Budget, Forecast, Grid, Measured, Pattern, Photo, Reach, Recommendation, Relief, ZoneMap
from texscan.mould import Mould
from texscan.options import Option, Panel, options
from texscan.score_settings import Settings
from texscan.standard import day_of, verification_flags
from texscan.views import ReadyView

NEARLY_SMOOTH_MM = 0.06
HEIGHT_STEPS_PER_MM = 2**14  # 0.06 um, far below what is known; relief.tif packs a third better so


@dataclass(frozen=True, slots=True)
class Score:
    """All that is known of one patch."""

    settings: Settings
    photos: tuple[Photo, ...]  # without their pixels
    ambient: tuple[Photo, ...]
    refused: tuple[tuple[str, str], ...]  # photo and why it was left out of the set
    grid: Grid
    scale_mm_per_px: Measured | None
    tilt_deg: Measured | None
    views: tuple[ReadyView, ...]
    relief: Relief
    budget: Budget
    figures: dict[str, Measured | None]
    pattern: Pattern
    zone_map: ZoneMap
    forecast: Forecast
    reach: tuple[Reach, ...]
    recommendation: Recommendation
    options: tuple[Option, ...]
    picture: np.ndarray  # (rows, columns, 3) uint8, the first photo on the grid
    flags: tuple[str, ...]
    mould: Mould | None = None  # the mould's cell and the changed ones; None where it cannot be told


def score_photos(photos: Iterable[Photo], settings: Settings, *, torch_off: Photo | None = None) -> Score:
    """
    Score one patch from its photos.

    Raises
    ------
    InputError : as `map_heights`.
    """
    return _scored(map_heights(photos, settings, torch_off=torch_off), settings, (torch_off,) if torch_off else ())


def score_heights(height_mm: np.ndarray, step_mm: float, settings: Settings, *, picture: np.ndarray) -> Score:
    """
    Score a height map that was measured by other means, with the same code from the texture on.

    Raises
    ------
    ReliefError : as `given_heights`.
    """
    return _scored(given_heights(height_mm, step_mm, settings, picture=picture), settings)


def _scored(mapped: Mapped, settings: Settings, ambient: tuple[Photo, ...] = ()) -> Score:
    grid, budget, views = mapped.grid, mapped.budget, mapped.views
    solved = replace(mapped.relief, height_mm=_on_top_plane(mapped.relief.height_mm))
    z = filters.filtered(solved.height_mm, grid.step_mm, settings.filters)
    patch = z[filters.measured_box(z)]
    figures = texture.measured(patch, grid.step_mm, settings.filters, budget)
    found = pattern.find(patch, grid.step_mm)
    zone_map = zones.find(
        solved.height_mm,
        z,
        grid,
        filters=settings.filters,
        budget=budget,
        pattern=found,
        limits=zone_limits(settings.limits),
        reference=settings.reference,
    )
    cells = mould.compare(z, grid, pattern=found, condition=zone_map.condition, budget=budget)
    surface = coating.surface_of(patch, grid.step_mm)
    forecast = coating.forecast_on(surface, settings.coats, filters=settings.filters, budget=budget)
    reached = reach.reach(patch, grid.step_mm, budget=budget)
    job = replace(settings.job, azimuths_deg=tuple(v.view.light.azimuth_deg for v in views))
    decided = verdict.decide(figures, zone_map, forecast, reached, job=job, limits=settings.limits)
    kept = verdict.void_to_keep(verdict.Case(figures, zone_map, forecast, reached, job, settings.limits))
    panel = Panel(patch, grid.step_mm, settings.filters, budget, zone_map, settings.coats, *kept, surface)
    ways = options(panel, decided, settings.limits)
    score = Score(
        settings,
        mapped.photos,
        ambient,
        mapped.refused,
        grid,
        mapped.scale_mm_per_px,
        mapped.tilt_deg,
        views,
        solved,
        budget,
        figures,
        found,
        zone_map,
        forecast,
        reached,
        decided,
        ways,
        mapped.picture,
        (),
        cells,
    )
    return replace(score, flags=tuple(dict.fromkeys([*mapped.flags, *_flags(score)])))


def _flags(score: Score) -> list[str]:
    """What the steps say of themselves, and of the photos' day and size."""
    found = [flag for view in score.views for flag in view.flags]
    found += [*score.relief.flags, *texture.flags(score.figures), *score.pattern.flags, *score.zone_map.flags]
    found += [flag for zone in score.zone_map.zones for flag in zone.flags]
    found += score.recommendation.flags
    found += [flag for cell in (score.mould.changed if score.mould else ()) for flag in cell.flags]
    size = score.figures["relief_mm"]
    pixel_mm = score.scale_mm_per_px.value if score.scale_mm_per_px else score.grid.step_mm
    found += ["nearly-smooth"] if size is not None and size.value < NEARLY_SMOOTH_MM else []
    found += ["coarse-sampling"] if pixel_mm > FINE_PX_MM else []
    taken_s = tuple(photo.taken_s for photo in score.photos)
    return found + (list(verification_flags(score.settings.verified, day_of(taken_s))) if taken_s else [])


def _on_top_plane(height_mm: np.ndarray) -> np.ndarray:
    """Heights with the 2 % top plane one card thickness below z = 0: the card lies on the peaks; in whole steps."""
    measured = height_mm[np.isfinite(height_mm)]
    on_plane = height_mm - float(np.quantile(measured, 1 - TOP_RATIO) + CARD_THICKNESS_MM)
    on_plane *= HEIGHT_STEPS_PER_MM
    np.rint(on_plane, out=on_plane)
    on_plane /= HEIGHT_STEPS_PER_MM
    return on_plane.astype(np.float32, copy=False)
