"""Each photo of a set made ready for the height solver: on one mm grid, in units of lit white paper, deck only."""

from __future__ import annotations

import math
from bisect import bisect_left
from dataclasses import dataclass, replace
from functools import cache

import cv2
import numpy as np

from texscan.card import CARD_THICKNESS_MM, Card
from texscan.errors import LightError, PhotoError, SettingsError
from texscan.greys import grey_readings
from texscan.light import CardLight, measure_light
from texscan.linear import ToneCurve, fit_tone, undo_tone
from texscan.locate import Sighting
from texscan.model import Grid, Light, LinearPhoto, LitView, Measured
from texscan.rectify import (
    CLIPPED_GREY,
    SHADOW_MARGIN_MM,
    CardFace,
    CardPrint,
    card_face,
    card_mask,
    card_print,
    card_shadow_mask,
    hidden_mask,
    laid,
    to_grid,
)
from texscan.window import window_of

MIDDLE_DEPTH_MM = 0.25  # half a usual relief
PHOTO_PLANE_MM = -CARD_THICKNESS_MM - MIDDLE_DEPTH_MM  # z of the plane that photos are laid on at first
CLIPPED_LEFT_OUT, CLIPPED_REFUSED = 0.02, 0.35  # shares of the deck
DARKEST_DECK = 0.004  # of full scale, where it is lit: refused below
SOFT_MM, BLURRED_MM = 0.22, 0.45  # standard deviation of the total blur: flag, refusal
BLUR_TRIALS_MM = np.geomspace(0.05, 0.9, 14)
CLIPPED_EDGES = 0.3  # share of the places near printed edges
TILT_FLAG_DEG, LARGEST_TILT_DEG = 25.0, 50.0
FEW_POINTS = 24
NO_CARD_LEVEL_MM = 15.0  # without a card the torch's falloff is what changes over more than this
NO_CARD_AZIMUTH_U_DEG, NO_CARD_ELEVATION_U_DEG = 4.0, 3.0  # of lights that the user states, from memory
NO_CARD_FINEST_STEP_MM = 0.10
STRIP_ROWS, BLURRED_ROWS = 32, 128  # worked on at a time: what a processor's cache holds
SPARSE = 3  # every third row and column of the grid tells a median


@dataclass(frozen=True, slots=True)
class ReadyView:
    """One photo's part of the result."""

    view: LitView
    tone: ToneCurve
    flags: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class TorchOff:
    """The photo with the torch off, and where its camera stood."""

    photo: LinearPhoto
    sighting: Sighting


@dataclass(frozen=True, slots=True)
class Ground:
    """
    What is alike for all photos of a set.

    covered : (rows, columns) bool, True where the card lies on the grid or a margin beside it
    window : rows and columns that it leaves bare, and so much more as shadows grow by
    """

    printed: CardPrint
    covered: np.ndarray
    window: tuple[slice, slice]


def ground(card: Card, grid: Grid) -> Ground:
    """The card as printed and as it lies on the grid."""
    covered = card_mask(card, (), grid)
    return Ground(card_print(card), covered, window_of(covered, math.ceil(SHADOW_MARGIN_MM / grid.step_mm) + 1))


def ready_view(
    photo: LinearPhoto,
    sighting: Sighting,
    card: Card,
    grid: Grid,
    *,
    on: Ground | None = None,
    torch_off: TorchOff | None = None,
    leave_out: np.ndarray | None = None,
) -> ReadyView:
    """
    Brightness of the deck in units of lit white paper, with the light that was measured on the card.

    Parameters
    ----------
    on : from `ground`, to make it once for a set
    torch_off : its photo scaled to this photo's exposure; its light is subtracted
    leave_out : (rows, columns) bool on the grid, instead of what is told to be no deck

    Raises
    ------
    LightError, PhotoError
        No usable light; blurred, clipped or dark deck.
    """
    flags = _pose_flags(sighting)
    on = on or ground(card, grid)
    face = card_face(photo, sighting.camera, card, on.printed)
    greys = grey_readings(face, card)
    tone = fit_tone(greys.grey, greys.beside, greys.ratio)
    flags += ["tone-curve-unmeasured"] if tone.greys == 0 else []
    face = replace(face, luminance=undo_tone(face.luminance, tone))
    blur_mm = card_blur_mm(face)
    if blur_mm > BLURRED_MM:
        raise PhotoError(
            f"{photo.file} is blurred by {blur_mm:.2f} mm, at most {BLURRED_MM} mm is usable. Hold the phone with "
            "both hands, tap on the card to focus, and take the photo again."
        )
    flags += ["photo-soft"] if blur_mm > SOFT_MM else []
    steady = 0.0
    if torch_off is not None:
        off = card_face(torch_off.photo, torch_off.sighting.camera, card, on.printed)
        face, steady = _without_steady_light(face, off, tone)
    known = np.isfinite(greys.grey)
    on_greys = undo_tone(greys.grey[known].astype(np.float32), tone) / greys.reflectance[known]
    found = measure_light(face, card, grid.centre_mm, photo.file, greys=(greys.places_mm[known], on_greys))
    even_share = found.light.ambient.value  # of what the torch-off photo left, where there is one
    if torch_off is not None:
        found = replace(found, light=replace(found.light, ambient_share=_with_steady(found.light.ambient, steady)))
    part = grid.part(on.window)
    off_deck = on.covered[on.window] | hidden_mask(card, sighting.camera, part)
    off_deck |= card_shadow_mask(card, found.light, part)
    off_deck |= leave_out[on.window] if leave_out is not None else False
    brightness, clipped = _brightness(photo, sighting, part, found, tone, torch_off, deck=~off_deck)
    flags += _exposure_flags(photo.file, brightness, clipped, ~off_deck, found)
    brightness[off_deck | clipped] = np.nan
    view = LitView(_whole(brightness, on.window, grid), found.light, blur_mm, even_share)
    return ReadyView(view, tone, (*flags, *found.light.flags))


def _whole(part: np.ndarray, window: tuple[slice, slice], grid: Grid) -> np.ndarray:
    """(rows, columns) of the grid: the part in its window, NaN elsewhere."""
    whole = np.full(grid.shape, np.nan, part.dtype)
    whole[window] = part
    return whole


def _pose_flags(sighting: Sighting) -> list[str]:
    tilt = sighting.camera.tilt_deg
    if tilt > LARGEST_TILT_DEG:
        raise PhotoError(
            f"The camera was tilted by {tilt:.0f} degrees, at most {LARGEST_TILT_DEG:.0f} is usable. Hold the "
            "phone above the patch, looking straight down."
        )
    flags = ["camera-tilted"] if tilt > TILT_FLAG_DEG else []
    return flags + (["few-fiducials"] if sighting.points < FEW_POINTS else [])


def card_blur_mm(face: CardFace) -> float:
    """
    Standard deviation of the photo's total blur [mm], from the printed edges; NaN where none is seen.

    The energy of the picture's gradient along printed edges falls as 1 / blur: it is compared with that of the
    artwork blurred by known amounts.
    """
    grid = face.grid
    light = _local_light(face)
    near = face.edges
    if np.count_nonzero(face.clipped & near) > CLIPPED_EDGES * np.count_nonzero(
        near
    ):  # what is left of clipped edges is their dark feet, which look soft
        return math.nan
    some = light[::SPARSE, ::SPARSE]
    some = some[np.isfinite(some)]
    lit = light > 0.3 * (np.median(some) if some.size else np.inf)
    near = near & np.isfinite(face.luminance) & ~face.clipped & lit
    near = cv2.erode(near.view(np.uint8), np.ones((3, 3), np.uint8)).view(bool)
    if np.count_nonzero(near) < 500:
        return math.nan
    with np.errstate(invalid="ignore", divide="ignore"):  # a black photo has places without any light
        even = np.nan_to_num(face.luminance / light, posinf=0.0, neginf=0.0)
    seen = _gradient_energy(even, near)

    @cache
    def known(trial: int) -> float:
        return _gradient_energy(face.artwork, near, blur_px=BLUR_TRIALS_MM[trial] / grid.step_mm)

    above = bisect_left(range(len(BLUR_TRIALS_MM)), -seen, key=lambda trial: -known(trial))
    beside = np.clip([above - 1, above], 0, len(BLUR_TRIALS_MM) - 1)
    energies = [known(trial) for trial in beside]
    return float(np.exp(np.interp(-np.log(seen), -np.log(energies), np.log(BLUR_TRIALS_MM[beside]))))


def _local_light(face: CardFace) -> np.ndarray:
    """Light on the card spread from even print into its neighbourhood; NaN where none is near."""
    size = int(8.0 / face.grid.step_mm) | 1
    known = np.isfinite(face.illumination)
    weight = cv2.blur(known.astype(np.float32), (size, size))
    total = cv2.blur(np.where(known, face.illumination, np.float32(0)), (size, size))
    return np.where(weight > 0.02, total / np.maximum(weight, np.float32(1e-6)), np.float32(np.nan))


def _gradient_energy(picture: np.ndarray, where: np.ndarray, *, blur_px: float = 0.0) -> float:
    """Mean square of the gradient where `where` holds, by Sobel's operator; the picture may be blurred first."""
    reach = math.ceil(4 * blur_px) + 2
    total = 0.0
    for top in range(0, len(picture), BLURRED_ROWS):
        here = where[top : top + BLURRED_ROWS]
        if here.any():
            first = max(top - reach, 0)
            strip = picture[first : top + len(here) + reach]
            strip = cv2.GaussianBlur(strip, (0, 0), blur_px) if blur_px else strip
            slopes = (cv2.Sobel(strip, cv2.CV_32F, *along)[top - first :][: len(here)] for along in ((1, 0), (0, 1)))
            total += sum(cv2.norm(slope, cv2.NORM_L2SQR, here.view(np.uint8)) for slope in slopes)
    return total / np.count_nonzero(where)


def _without_steady_light(face: CardFace, off: CardFace, tone: ToneCurve) -> tuple[CardFace, float]:
    """The face less the torch-off photo's light, and that light's share of the whole on plain paper."""
    steady = undo_tone(off.luminance, tone)
    plain = face.even & ~face.clipped & np.isfinite(face.luminance + steady)
    share = float(np.median(steady[plain]) / np.quantile(face.luminance[plain], 0.7)) if plain.any() else 0.0
    return replace(face, luminance=np.maximum(face.luminance - steady, 0)), share


def _with_steady(rest: Measured, steady: float) -> Measured:
    """Share of all light that is not the torch's, from what was subtracted and what the umbra still shows."""
    steady = min(max(steady, 0.0), 1.0)
    return Measured(*(steady + (1 - steady) * end for end in (rest.value, rest.low, rest.high)))


def _brightness(
    photo: LinearPhoto,
    sighting: Sighting,
    grid: Grid,
    found: CardLight,
    tone: ToneCurve,
    off: TorchOff | None,
    *,
    deck: np.ndarray,
) -> tuple[np.ndarray, np.ndarray]:
    """Brightness of the grid's places and where it is clipped; `deck` is True where the torch may light deck."""
    images = photo.luminance, photo.clipped.view(np.uint8) * 255
    seen, clipped = laid(images, sighting.camera, grid.x_mm, grid.y_mm, PHOTO_PLANE_MM)
    seen = undo_tone(seen, tone)
    if off is not None:
        steady = to_grid(off.photo.luminance, off.sighting.camera, grid.x_mm, grid.y_mm, PHOTO_PLANE_MM)
        seen -= undo_tone(steady, tone)
    x_mm, y_mm = grid.x_mm[None, :].astype(np.float32), grid.y_mm[:, None].astype(np.float32)
    reflectance = _reflectance(seen[::SPARSE, ::SPARSE], found.paper(x_mm[:, ::SPARSE], y_mm[::SPARSE]), deck)
    for top in range(0, grid.rows, STRIP_ROWS):
        strip = np.s_[top : top + STRIP_ROWS]
        torch, ambient = found.paper(x_mm, y_mm[strip])
        # a level deck gives the sky's light back as it gives the torch's
        seen[strip] = (seen[strip] - ambient * np.float32(reflectance)) / torch
    return seen, clipped > CLIPPED_GREY


def _reflectance(seen: np.ndarray, paper: tuple[np.ndarray, np.ndarray], deck: np.ndarray) -> float:
    """How much the deck gives back of the light on it: the median of every `SPARSE`th of its places."""
    shares = (seen / sum(paper))[deck[::SPARSE, ::SPARSE]]
    shares = shares[np.isfinite(shares)]
    return float(np.clip(np.median(shares), 0.01, 1.5)) if shares.size else 0.0


def _exposure_flags(file: str, brightness, clipped, deck: np.ndarray, found: CardLight) -> list[str]:
    deck = deck & np.isfinite(brightness)
    if not deck.any():
        raise PhotoError(
            f"{file} shows no deck beside the card. Lay the card around the texture and move back a little."
        )
    share = np.count_nonzero(clipped & deck) / np.count_nonzero(deck)
    if share > CLIPPED_REFUSED:
        raise PhotoError(
            f"{share:.0%} of the deck in {file} is clipped to white, at most {CLIPPED_REFUSED:.0%} is usable. "
            "Lower the exposure or move the torch back."
        )
    paper = math.exp(found.flat_field[0])
    lit = float(np.quantile(brightness[deck][::SPARSE], 0.7)) * paper
    if lit < DARKEST_DECK:
        raise PhotoError(
            f"The deck in {file} is too dark: {lit:.2%} of full scale where it is lit, {DARKEST_DECK:.1%} is "
            "needed. Bring the torch nearer or raise the exposure."
        )
    return ["deck-clipped"] if share > CLIPPED_LEFT_OUT else []


def stated_views(
    photos: tuple[LinearPhoto, ...], lights: tuple[tuple[float, float], ...], mm_per_px: float
) -> tuple[Grid, tuple[ReadyView, ...]]:
    """
    Views of photos without a card: scale, azimuth and elevation are the user's word.

    Parameters
    ----------
    lights : (azimuth_deg, elevation_deg) of each photo
    mm_per_px : of the photos; the grid's origin is the picture's centre

    Raises
    ------
    PhotoError, LightError, SettingsError
        Photos of different sizes; lights that do not rake; a scale that cannot be.
    """
    if not 0.002 <= mm_per_px <= 1.0:
        raise SettingsError(f"--mm-per-px is {mm_per_px:g}; a photo of texture has between 0.002 and 1 mm per pixel.")
    shapes = {photo.luminance.shape for photo in photos}
    if len(shapes) > 1:
        sizes = ", ".join(f"{columns} x {rows}" for rows, columns in sorted(shapes))
        raise PhotoError(
            f"Photos without a card must be taken from one fixed place and have one size; found {sizes}. Use a "
            "tripod, or lay the card beside the patch."
        )
    factor = max(1.0, NO_CARD_FINEST_STEP_MM / mm_per_px)
    rows, columns = (int(size / factor) for size in photos[0].luminance.shape)
    step = mm_per_px * factor
    grid = Grid(-step * (columns - 1) / 2, step * (rows - 1) / 2, step, rows, columns)
    views = []
    for photo, (azimuth, elevation) in zip(photos, lights, strict=True):
        if not 2.0 <= elevation <= 60.0:
            raise LightError(
                f"The light of {photo.file} is stated {elevation:g} degrees above the panel; 2 to 60 is usable. "
                "Check --light-elevation, or light the panel lower."
            )
        covariance = np.diag([NO_CARD_AZIMUTH_U_DEG**2, NO_CARD_ELEVATION_U_DEG**2, 0.0])
        flags = ["no-card", "light-from-user", "ambient-unmeasured", "tone-curve-unmeasured"]
        light = Light(
            azimuth % 360, elevation, 0.0, grid.centre_mm, covariance, Measured(0.03, 0.0, 0.10), (), (), tuple(flags)
        )
        small = cv2.resize(photo.luminance, (columns, rows), interpolation=cv2.INTER_AREA)
        clipped = cv2.resize(photo.clipped.astype(np.float32), (columns, rows), interpolation=cv2.INTER_AREA) > 0.1
        sigma = NO_CARD_LEVEL_MM / step
        level = cv2.GaussianBlur(small, (0, 0), sigma) if sigma < min(rows, columns) / 3 else np.median(small)
        brightness = np.where(clipped, np.nan, small / np.maximum(level, 1e-6))
        brightness = (brightness / np.nanmedian(brightness)).astype(np.float32)
        views.append(ReadyView(LitView(brightness, light), ToneCurve(), tuple(flags)))
    return grid, tuple(views)
