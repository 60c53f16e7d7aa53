"""From the photos of one patch to its height map, one step a line."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import cv2
import numpy as np

from texscan import relief
from texscan.budget import STATED_SCALE_U, budget_of, print_scale_u
from texscan.card import CARD_THICKNESS_MM, Card
from texscan.deck import NoDeck, no_deck
from texscan.errors import InputError, PhotoError, ReliefError, SettingsError
from texscan.linear import to_linear
from texscan.locate import Sighting, locate
from texscan.model import Budget, Grid, LitView, Measured, Photo, Relief
from texscan.one_light import refuse_dark_along_light, with_print_in_doubt
from texscan.orthographic import without_parallax
from texscan.rectify import common_grid, part_seen, to_grid
from texscan.same_patch import cast_shadows, refuse_other_patches
from texscan.score_settings import Settings
from texscan.texture import LEAST_PIXELS
from texscan.views import PHOTO_PLANE_MM, ReadyView, TorchOff, ground, ready_view, stated_views
from texscan.window import widened

TILT_U_DEG = 0.3  # of the camera's tilt, from the focal length that a flat card leaves open; measured on renders
AROUND_MM = 12.0  # looked at around the deck for its borders, as far as their windows reach


@dataclass(frozen=True, slots=True)
class Mapped:
    """The height map of a patch, and what it rests on."""

    grid: Grid
    relief: Relief
    budget: Budget
    picture: np.ndarray  # (rows, columns, 3) uint8, the first photo on the grid
    photos: tuple[Photo, ...] = ()  # without their pixels
    refused: tuple[tuple[str, str], ...] = ()  # photo and why it was left out of the set
    views: tuple[ReadyView, ...] = ()
    scale_mm_per_px: Measured | None = None
    tilt_deg: Measured | None = None
    flags: tuple[str, ...] = ()


def map_heights(photos: Iterable[Photo], settings: Settings, *, torch_off: Photo | None = None) -> Mapped:
    """
    The height map of a patch from its photos, which are let go once they are laid on the grid (`memory.handed_over`).

    Raises
    ------
    InputError
        The first photo's fault if no photo can be used; faults of single photos of a set are kept in `refused`.
    """
    if settings.lights:
        return _map_stated(tuple(photos), settings)
    found = _set_of(photos, settings, torch_off)
    views = tuple(v.view for v in found.views)
    solved = _solved(views, found.grid, found.photos[0].file, paper_reflectance=settings.card.paper_reflectance)
    eye = np.mean([sighting.camera.position_mm for sighting in found.sightings], axis=0)
    solved = replace(solved, height_mm=without_parallax(solved.height_mm, found.grid, eye, PHOTO_PLANE_MM))
    tones = tuple(v.tone for v in found.views)
    scale, tilt = _scale(found.sightings, found.grid, settings.printed_bar_mm)
    return Mapped(
        found.grid,
        solved,
        budget_of(views, solved, tones, found.sightings, printed_bar_mm=settings.printed_bar_mm),
        found.picture,
        found.photos,
        found.refused,
        found.views,
        scale,
        tilt,
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


def given_heights(height_mm: np.ndarray, step_mm: float, settings: Settings, *, picture: np.ndarray) -> Mapped:
    """
    A height map (rows, columns) [mm] that was measured by other means.

    Raises
    ------
    ReliefError
        Nothing measured.
    """
    if np.isfinite(height_mm).sum() < LEAST_PIXELS:
        raise ReliefError(
            f"The height map has {int(np.isfinite(height_mm).sum())} measured pixels, at least "
            f"{LEAST_PIXELS} are needed. Export a larger part of the patch."
        )
    rows, columns = height_mm.shape
    grid = Grid(0.0, step_mm * (rows - 1), step_mm, rows, columns)
    known = Relief(_masked(height_mm, settings.mask, grid).astype(np.float32), 0.0, 0.0, None, (), 0.0)
    return Mapped(grid, known, Budget(), picture)


def _map_stated(photos: tuple[Photo, ...], settings: Settings) -> Mapped:
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
    picture = cv2.resize(_eight_bit(photos[0].pixels), grid.shape[::-1], interpolation=cv2.INTER_AREA)
    return Mapped(grid, solved, budget, picture, photos, views=views, scale_mm_per_px=scale)


def _solved(views: tuple[LitView, ...], grid: Grid, file: str, *, paper_reflectance: float | None) -> Relief:
    """Heights of a patch, as far as its light tells relief from print; `file` names the first view's photo."""
    refuse_dark_along_light(views, file, grid)
    return with_print_in_doubt(relief.solve(views, grid, paper_reflectance=paper_reflectance), views, grid)


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


def _eight_bit(pixels: np.ndarray) -> np.ndarray:
    return (pixels >> 8).astype(np.uint8) if pixels.dtype == np.uint16 else pixels
