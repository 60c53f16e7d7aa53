"""The main path: from the photos of one patch to its score, one step a line."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace

import cv2
import numpy as np

from texscan import coating, filters, mould, pattern, reach, relief, texture, verdict, zones
from texscan.budget import FINE_PX_MM, STATED_SCALE_U, budget_of, print_scale_u
from texscan.card import CARD_THICKNESS_MM, Card
from texscan.compatibility import Job
from texscan.curve import TOP_RATIO
from texscan.deck import NoDeck, no_deck
from texscan.errors import InputError, PhotoError, ReliefError, SettingsError
from texscan.limits import Limits, zone_limits
from texscan.linear import to_linear
from texscan.locate import Sighting, locate
from texscan.model import (
    Budget,
    Coat,
    Filters,
    Forecast,
    Grid,
    LitView,
    Measured,
    Pattern,
    Photo,
    Reach,
    Recommendation,
    Relief,
    ZoneMap,
)
from texscan.mould import Mould
from texscan.one_light import refuse_dark_along_light, with_print_in_doubt
from texscan.options import Option, Panel, options
from texscan.orthographic import without_parallax
from texscan.rectify import common_grid, part_seen, to_grid, widened
from texscan.same_patch import cast_shadows, refuse_other_patches
from texscan.standard import Verification, day_of, verification_flags
from texscan.views import PHOTO_PLANE_MM, ReadyView, TorchOff, ground, ready_view, stated_views

TILT_U_DEG = 0.3  # of the camera's tilt, from the focal length that a flat card leaves open; measured on renders
NEARLY_SMOOTH_MM = 0.06
AROUND_MM = 12.0  # looked at around the deck for its borders, as far as their windows reach


@dataclass(frozen=True, slots=True)
class Settings:
    """Everything that a user may set about a score, already read and checked."""

    card: Card
    limits: Limits
    coats: tuple[Coat, ...]
    job: Job
    filters: Filters = field(default_factory=Filters)
    printed_bar_mm: float | None = None
    panel: str = ""
    reference: zones.Reference | None = None
    mask: np.ndarray | None = None  # True = leave out; of the first photo's size or of the grid's
    lights: tuple[tuple[float, float], ...] = ()  # azimuth, elevation of each photo without a card
    mm_per_px: float | None = None
    verified: Verification | None = None  # how a height standard was read


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
    Score one patch from its photos, which are let go once they are laid on the grid (`memory.handed_over`).

    Raises
    ------
    InputError
        The first photo's fault if no photo can be used; faults of single photos of a set are kept in `refused`.
    """
    if settings.lights:
        return _score_stated(tuple(photos), settings)
    mapped = map_heights(photos, settings, torch_off=torch_off)
    return _from_heights(
        mapped.relief,
        mapped.grid,
        mapped.budget,
        settings,
        photos=mapped.photos,
        ambient=(torch_off,) if torch_off else (),
        refused=mapped.refused,
        views=mapped.views,
        picture=mapped.picture,
        scale=mapped.scale,
        flags=list(mapped.flags),
    )


@dataclass(frozen=True, slots=True)
class Mapped:
    """The height map of a set of photos, and what it rests on."""

    photos: tuple[Photo, ...]
    refused: tuple[tuple[str, str], ...]
    views: tuple[ReadyView, ...]
    grid: Grid
    relief: Relief
    budget: Budget
    picture: np.ndarray  # (rows, columns, 3) uint8, the first photo on the grid
    scale: tuple[Measured, Measured]  # mm per pixel, tilt [deg]
    flags: tuple[str, ...]


def map_heights(photos: Iterable[Photo], settings: Settings, *, torch_off: Photo | None = None) -> Mapped:
    """
    The steps from photos with a card to a height map.

    Raises
    ------
    InputError : as `score_photos`.
    """
    found = _set_of(photos, settings, torch_off)
    views = tuple(v.view for v in found.views)
    solved = _solved(views, found.grid, found.photos[0].file, paper_reflectance=settings.card.paper_reflectance)
    eye = np.mean([sighting.camera.position_mm for sighting in found.sightings], axis=0)
    solved = replace(solved, height_mm=without_parallax(solved.height_mm, found.grid, eye, PHOTO_PLANE_MM))
    tones = tuple(v.tone for v in found.views)
    return Mapped(
        found.photos,
        found.refused,
        found.views,
        found.grid,
        solved,
        budget_of(views, solved, tones, found.sightings, printed_bar_mm=settings.printed_bar_mm),
        found.picture,
        _scale(found.sightings, found.grid, settings.printed_bar_mm),
        found.flags,
    )


@dataclass(frozen=True, slots=True)
class _Set:
    """The usable photos of a set, without their pixels, each with its camera and its view on the common grid."""

    photos: tuple[Photo, ...]
    sightings: tuple[Sighting, ...]
    views: tuple[ReadyView, ...]
    grid: Grid
    refused: tuple[tuple[str, str], ...]
    flags: tuple[str, ...]
    picture: np.ndarray  # (rows, columns, 3) uint8, the first photo on the grid


def _set_of(photos: Iterable[Photo], settings: Settings, torch_off: Photo | None) -> _Set:
    photos = tuple(photos)
    card = settings.card.scaled(settings.printed_bar_mm / 100.0 if settings.printed_bar_mm else 1.0)
    # Light is made linear twice: it takes a twentieth of a second, keeping it 60 MB a photo of 12 megapixels.
    sightings, refused = _each(photos, lambda k: locate(to_linear(photos[k]), card, focal_35mm=photos[k].focal_35mm))
    grid = common_grid(tuple(sightings.values()), card)
    mask = _mask_on(settings.mask, photos[0], sightings.get(0), grid)
    off = _torch_off(torch_off, card)
    on = ground(card, grid)

    def step(k: int) -> ReadyView:
        part, sighting = part_seen(sightings[k], card, grid)
        linear = to_linear(replace(photos[k], pixels=photos[k].pixels[part]))
        at_exposure = _at_exposure(off, torch_off, photos[k])
        return ready_view(linear, sighting, card, grid, on=on, torch_off=at_exposure, leave_out=mask)

    ready, more = _each(photos, step, only=tuple(sightings))
    used, views = tuple(photos[k] for k in ready), tuple(ready.values())
    window = widened(on.window, round(AROUND_MM / grid.step_mm))
    seen = tuple(replace(v.view, brightness=v.view.brightness[window]) for v in views)
    refuse_other_patches(seen, tuple(photo.file for photo in used), grid.part(window))
    bare, more_flags = _off_deck(seen, grid.part(window), masked=mask is not None)
    views = tuple(_without(v, off, window) for v, off in zip(views, bare, strict=True))
    flags = ["print-scale-unconfirmed"] if settings.printed_bar_mm is None else []
    flags += ["views-left-out"] if refused or more else []
    kept = tuple(sightings[k] for k in ready)
    picture = to_grid(_eight_bit(used[0].pixels), kept[0].camera, grid.x_mm, grid.y_mm, PHOTO_PLANE_MM)
    used = tuple(replace(photo, pixels=photo.pixels[:0].copy()) for photo in used)
    return _Set(used, kept, views, grid, tuple(refused + more), (*flags, *more_flags), picture)


def score_heights(height_mm: np.ndarray, step_mm: float, settings: Settings, *, picture: np.ndarray) -> Score:
    """
    Score a height map that was measured by other means, with the same code from the texture on.

    Raises
    ------
    ReliefError
        Nothing measured.
    """
    if np.isfinite(height_mm).sum() < texture.LEAST_PIXELS:
        raise ReliefError(
            f"The height map has {int(np.isfinite(height_mm).sum())} measured pixels, at least "
            f"{texture.LEAST_PIXELS} are needed. Export a larger part of the patch."
        )
    rows, columns = height_mm.shape
    grid = Grid(0.0, step_mm * (rows - 1), step_mm, rows, columns)
    known = Relief(_masked(height_mm, settings.mask, grid).astype(np.float32), 0.0, 0.0, None, (), 0.0)
    return _from_heights(known, grid, Budget(), settings, picture=picture)


def _score_stated(photos: tuple[Photo, ...], settings: Settings) -> Score:
    """Photos without a card."""
    if settings.mm_per_px is None:
        raise SettingsError("Photos without a card need --mm-per-px beside --light-azimuth and --light-elevation.")
    linear = tuple(to_linear(photo) for photo in photos)
    grid, views = stated_views(linear, settings.lights, settings.mm_per_px)
    views = tuple(
        replace(v, view=replace(v.view, brightness=_masked(v.view.brightness, settings.mask, grid))) for v in views
    )
    lit = tuple(v.view for v in views)
    solved = _solved(lit, grid, photos[0].file, paper_reflectance=None)
    budget = budget_of(lit, solved, tuple(v.tone for v in views), (), printed_bar_mm=None)
    scale = Measured.from_u(settings.mm_per_px, STATED_SCALE_U * settings.mm_per_px)
    return _from_heights(
        solved,
        grid,
        budget,
        settings,
        photos=photos,
        views=views,
        picture=cv2.resize(_eight_bit(photos[0].pixels), grid.shape[::-1], interpolation=cv2.INTER_AREA),
        scale=(scale, None),
    )


def _solved(views: tuple[LitView, ...], grid: Grid, file: str, *, paper_reflectance: float | None) -> Relief:
    """Heights of a patch, as far as its light tells relief from print; `file` names the first view's photo."""
    refuse_dark_along_light(views, file, grid)
    return with_print_in_doubt(relief.solve(views, grid, paper_reflectance=paper_reflectance), views, grid)


def _from_heights(
    solved: Relief,
    grid: Grid,
    budget: Budget,
    settings: Settings,
    *,
    picture: np.ndarray,
    photos: tuple[Photo, ...] = (),
    ambient: tuple[Photo, ...] = (),
    refused: tuple[tuple[str, str], ...] = (),
    views: tuple[ReadyView, ...] = (),
    scale: tuple[Measured | None, Measured | None] = (None, None),
    flags: list[str] | None = None,
) -> Score:
    solved = replace(solved, height_mm=_on_top_plane(solved.height_mm))
    z = filters.filtered(solved.height_mm, grid.step_mm, settings.filters)
    patch = z[_window(z)]
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
    all_flags = [*(flags or []), *(f for v in views for f in v.flags), *solved.flags, *texture.flags(figures)]
    all_flags += [*found.flags, *zone_map.flags, *(f for zone in zone_map.zones for f in zone.flags), *decided.flags]
    all_flags += [f for cell in (cells.changed if cells else ()) for f in cell.flags]
    size, pixel_mm = figures["relief_mm"], scale[0].value if scale[0] else grid.step_mm
    all_flags += ["nearly-smooth"] if size is not None and size.value < NEARLY_SMOOTH_MM else []
    all_flags += ["coarse-sampling"] if pixel_mm > FINE_PX_MM else []
    all_flags += verification_flags(settings.verified, day_of(tuple(p.taken_s for p in photos))) if photos else ()
    return Score(
        settings,
        photos,
        ambient,
        refused,
        grid,
        *scale,
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
        picture,
        tuple(dict.fromkeys(all_flags)),
        cells,
    )


def _off_deck(lit: tuple[LitView, ...], grid: Grid, *, masked: bool) -> tuple[list[np.ndarray], list[str]]:
    """(rows, columns) bool of each view: shadows cast on the deck and, where the user masked nothing, no non-skid."""
    shaded = cast_shadows(lit, grid)
    found = NoDeck(np.zeros(grid.shape, bool), ()) if masked else no_deck(lit, grid)
    flags = [*(["shadow-on-deck"] if np.any(shaded) else []), *found.flags]
    return [found.mask | s for s in shaded], flags


def _without(ready: ReadyView, off: np.ndarray, window: tuple[slice, slice]) -> ReadyView:
    """The view without what lies off the deck in the window."""
    if not off.any():
        return ready
    brightness = ready.view.brightness.copy()
    brightness[window][off] = np.nan
    return replace(ready, view=replace(ready.view, brightness=brightness))


def _window(z: np.ndarray) -> tuple[slice, slice]:
    """The rows and columns that hold all measured pixels."""
    known = np.isfinite(z)
    rows, columns = (np.flatnonzero(known.any(axis=axis)) for axis in (1, 0))
    return slice(rows[0], rows[-1] + 1), slice(columns[0], columns[-1] + 1)


def _each(photos: tuple[Photo, ...], step, only: tuple[int, ...] | None = None) -> tuple[dict, list[tuple[str, str]]]:
    """
    A step done for each photo: results by the photo's number, and the refused with their sentence. All refused: the
    first one's error.
    """
    done, refused = {}, []
    first: InputError | None = None
    for number in range(len(photos)) if only is None else only:
        try:
            done[number] = step(number)
        except InputError as error:
            refused.append((photos[number].file, str(error)))
            first = first or error
    if first is not None and not done:
        raise first
    return done, refused


def _torch_off(photo: Photo | None, card: Card) -> TorchOff | None:
    if photo is None:
        return None
    linear = to_linear(photo)
    return TorchOff(linear, locate(linear, card, focal_35mm=photo.focal_35mm))


def _at_exposure(off: TorchOff | None, torch_off: Photo | None, photo: Photo) -> TorchOff | None:
    """The torch-off photo brought to this photo's exposure, as far as EXIF tells."""
    if off is None or torch_off is None or not torch_off.exposure or not photo.exposure:
        return off
    factor = np.float32(photo.exposure / torch_off.exposure)
    return replace(off, photo=replace(off.photo, luminance=off.photo.luminance * factor))


def _scale(kept: tuple[Sighting, ...], grid: Grid, printed_bar_mm: float | None) -> tuple[Measured, Measured]:
    camera = kept[0].camera
    per_px = camera.mm_per_px(*grid.centre_mm)
    u = per_px * np.hypot(kept[0].scale_u, print_scale_u(printed_bar_mm))
    return Measured.from_u(per_px, u), Measured.from_u(camera.tilt_deg, TILT_U_DEG, at_least=0.0)


def _mask_on(mask: np.ndarray | None, photo: Photo, sighting: Sighting | None, grid: Grid) -> np.ndarray | None:
    """The user's mask on the grid; it may be painted over the first photo, or over the grid of an earlier result."""
    if mask is None or mask.shape == grid.shape:
        return mask
    if mask.shape != photo.pixels.shape[:2]:
        rows, columns = photo.pixels.shape[:2]
        raise SettingsError(
            f"The mask is {mask.shape[1]} x {mask.shape[0]} pixels; it must be painted over {photo.file} "
            f"({columns} x {rows}) or over the grid of relief.tif ({grid.columns} x {grid.rows})."
        )
    if sighting is None:
        raise PhotoError(f"The mask is painted over {photo.file}, in which no card was found. Leave that photo out.")
    return to_grid(mask.astype(np.float32), sighting.camera, grid.x_mm, grid.y_mm, -CARD_THICKNESS_MM) > 0.5


def _masked(values: np.ndarray, mask: np.ndarray | None, grid: Grid) -> np.ndarray:
    """Values on the grid without what the mask leaves out; a mask of another shape leaves out nothing."""
    return np.where(mask, np.nan, values) if mask is not None and mask.shape == grid.shape else values


def _on_top_plane(height_mm: np.ndarray) -> np.ndarray:
    """Heights with the 2 % top plane one card thickness below z = 0: the card lies on the peaks."""
    measured = height_mm[np.isfinite(height_mm)]
    on_plane = height_mm - np.quantile(measured, 1 - TOP_RATIO)
    on_plane -= CARD_THICKNESS_MM
    return on_plane.astype(np.float32, copy=False)


def _eight_bit(pixels: np.ndarray) -> np.ndarray:
    return (pixels >> 8).astype(np.uint8) if pixels.dtype == np.uint16 else pixels
