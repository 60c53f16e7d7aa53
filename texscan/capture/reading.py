"""
What one photo tells before it is scored: the steps of the score as far as the light, on coarse grids.

A photo of any size is read in about a second: it is halved while its long side keeps PREVIEW_PX, and the card's face
is laid on a grid of FACE_STEP_MM. Against the full size that moves the azimuth by 0.01 and the elevation by 0.1
degrees (on the samples).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np

from texscan.capture.grouping import Pose, Sighted
from texscan.capture.sides import card_edge_px, middle_mm, side_in_picture, sides_left
from texscan.card import Card
from texscan.card_layout import TAG_MARKER_MM, TAG_MOST, tag_marker
from texscan.errors import CardError, LightError, NoShadowError
from texscan.greys import grey_readings
from texscan.light import CardLight, measure_light
from texscan.linear import fit_tone, to_linear, undo_tone
from texscan.locate import Sighting, find_markers, locate
from texscan.model import Grid, Light, LinearPhoto, LitView, Photo
from texscan.rectify import (
    CLIPPED_GREY,
    CardFace,
    card_face,
    card_mask,
    card_print,
    card_shadow_mask,
    disk,
    in_photo,
    laid,
    shadow_mask,
)
from texscan.same_patch import activity
from texscan.views import PHOTO_PLANE_MM, card_blur_mm

PREVIEW_PX = 1600  # the card's markers, its shadows' edges and the blur need no more
FACE_STEP_MM, PATCH_STEP_MM = 0.25, 0.20
PATCH_STRIDE = 3  # of the activity map every third pixel is kept: enough to compare, a ninth of the memory
TAG_SIDES_PX = (1000,)  # tags are four times the size of the card's markers
TAG_SIZE_RANGE = (0.6, 1.6)  # of its printed size on the card's plane; anything else that looks like one is not
SHADED_BELOW, SHADED_MM2 = 0.6, 400.0  # of the light expected there; a smaller spot is a leaf or a stain
SHADED_SPOT_MM, NEAR_UPRIGHT_MM = 4.0, 4.0
SHARP_EDGE_PER_MM = 0.03  # of ln(light): the torch's own falloff is 3 / distance, at most 0.01; a shadow's edge 0.08
LEAST_SIDE_PX = 700  # a card that fills such a picture has markers of 16 pixels
BURNT_OUT = 0.5  # clipped share of a photo in which no card can be found
DARK_BELOW = 0.02  # of full scale, the lightest hundredth of a photo: too dark to find a card in
BLURRED_HALF, BLURRED_EIGHTH = 0.20, 0.30  # detail over that at a quarter of the size; sharp renders 0.29 and 0.85
CUT_OFF_BY = 0.03  # of the long side: markers alone do not place the outline better
BESIDE_MM = 60.0  # deck compared around a card that encloses none
ALL_CARD = 0.97  # rows and columns of the card's box with less deck than the rest of this hold no patch


@dataclass(frozen=True, slots=True)
class Reading:
    """
    What one photo tells; what could not be told is None, NaN or empty.

    refusal : the sentence of the step that could not go on.
    no_card : why no card was found: "few pixels", "dark", "burnt out", "blurred", "cut off", "few markers" or "none
        seen".
    no_shadow : the card is seen, but no shadow of an upright.
    taken_s : EXIF time [s]; mm_per_px : of the photo at its full size, at the card's middle.
    cut_off : sides of the picture that cut the card; patch_seen : share of the patch inside the picture.
    shaded_at : side of the picture on which something shades the card.
    paper_light : light on the card over exposure; deck_light : where the deck is lit, of full scale.
    deck_clipped : share of the deck clipped to white.
    patch : (rows, columns) float16 activity map, the same grid for every photo of a card.
    """

    file: str
    sha256: str = ""
    taken_s: float | None = None
    refusal: str = ""
    sighting: Sighting | None = None
    no_card: str = ""
    tag: int | None = None
    other_tags: tuple[int, ...] = ()
    light: Light | None = None
    no_shadow: bool = False
    mm_per_px: float = math.nan
    cut_off: tuple[str, ...] = ()
    patch_seen: float = math.nan
    blur_mm: float = math.nan
    shaded_at: str = ""
    paper_light: float | None = None
    deck_light: float = math.nan
    deck_clipped: float = math.nan
    patch: np.ndarray | None = None


def read(photo: Photo, card: Card) -> Reading:
    """The reading of a photo, which may be a smaller copy (`files.load_photo` with PREVIEW_PX)."""
    linear = to_linear(photo)
    start = Reading(photo.file, photo.sha256, photo.taken_s)
    try:
        sighting = locate(linear, card, focal_35mm=photo.focal_35mm)
    except CardError as error:
        return _without_card(replace(start, refusal=str(error)), linear, card)
    tags = _tags(linear, sighting, card)
    grid = patch_grid(card)
    seen = in_photo(sighting, grid.x_mm[::10], grid.y_mm[::10])
    start = replace(
        start,
        sighting=sighting,
        tag=tags[0] if tags else None,
        other_tags=tags[1:],
        mm_per_px=sighting.camera.mm_per_px(*middle_mm(card)) / photo.shrunk,
        cut_off=sides_left(card_edge_px(sighting, card), sighting.shape),
        patch_seen=float(seen.mean()),
    )
    return _with_light(start, sighting, linear, card, photo.exposure)


def _with_light(
    start: Reading, sighting: Sighting, linear: LinearPhoto, card: Card, exposure: float | None
) -> Reading:
    """The reading with blur, lamp, levels and the patch's map."""
    face = card_face(linear, sighting.camera, card, card_print(card, step_mm=FACE_STEP_MM))
    greys = grey_readings(face, card)
    tone = fit_tone(greys.grey, greys.beside, greys.ratio)
    face = replace(face, luminance=undo_tone(face.luminance, tone))
    known = np.isfinite(greys.grey)
    on_greys = undo_tone(greys.grey[known].astype(np.float32), tone) / greys.reflectance[known]
    level = float(np.nanmedian(face.illumination)) if np.isfinite(face.illumination).any() else math.nan
    start = replace(
        start, blur_mm=card_blur_mm(face), paper_light=None if math.isnan(level) else level / (exposure or 1.0)
    )
    x_mm, y_mm = middle_mm(card)
    at_mm = float(x_mm), float(y_mm)
    try:
        found = measure_light(face, card, at_mm, start.file, greys=(greys.places_mm[known], on_greys))
    except LightError as error:
        shaded = _shaded_side(_sharply_dark(face), face, sighting, card)
        return replace(start, refusal=str(error), no_shadow=isinstance(error, NoShadowError), shaded_at=shaded)
    shaded = _shaded_side(_darker_than_expected(face, card, found), face, sighting, card)
    return _with_patch(replace(start, light=found.light, shaded_at=shaded), sighting, found.light, linear, card)


def _with_patch(start: Reading, sighting: Sighting, light: Light, linear: LinearPhoto, card: Card) -> Reading:
    """The reading with the deck's levels and its activity map."""
    grid, camera = patch_grid(card), sighting.camera
    off = card_mask(card, (camera,), grid) | card_shadow_mask(card, light, grid)
    images = linear.luminance, linear.clipped.view(np.uint8) * 255
    seen, clipped = laid(images, camera, grid.x_mm, grid.y_mm, PHOTO_PLANE_MM)
    clipped = clipped > CLIPPED_GREY
    deck = ~off & np.isfinite(seen)
    if not deck.any():
        return start
    bare = np.where(deck & ~clipped, seen / max(float(np.median(seen[deck])), 1e-6), np.nan).astype(np.float32)
    patch = activity(LitView(bare, light), grid)[::PATCH_STRIDE, ::PATCH_STRIDE].astype(np.float16)
    return replace(
        start,
        deck_light=float(np.quantile(seen[deck], 0.7)),
        deck_clipped=float(clipped[deck].mean()),
        patch=patch if np.isfinite(patch).any() else None,
    )


def patch_grid(card: Card) -> Grid:
    """The grid on which the photos of a card are compared: the deck that its box encloses, or a band around it."""
    low, high = card.outline_mm.min(axis=0), card.outline_mm.max(axis=0)
    step = 1.0
    columns, rows = np.ceil((high - low) / step).astype(int)
    covered = card_mask(card, (), Grid(float(low[0]), float(high[1]), step, int(rows), int(columns)))
    open_rows = np.flatnonzero(covered.mean(axis=1) < ALL_CARD)
    open_columns = np.flatnonzero(covered.mean(axis=0) < ALL_CARD)
    if len(open_rows) and len(open_columns) and len(open_rows) * len(open_columns) > 0.25 * covered.size:
        left, right = low[0] + step * open_columns[0], low[0] + step * open_columns[-1]
        top, bottom = high[1] - step * open_rows[0], high[1] - step * open_rows[-1]
    else:
        (left, bottom), (right, top) = low - BESIDE_MM, high + BESIDE_MM
    size = int((top - bottom) / PATCH_STEP_MM) + 1, int((right - left) / PATCH_STEP_MM) + 1
    return Grid(float(left), float(top), PATCH_STEP_MM, *size)


def sighted(reading: Reading, *, taken_s: float, refusal: str) -> Sighted:
    """What of a reading tells its set; taken_s stands where EXIF does not tell the time (`remarks.refusal_of`)."""
    pose = None
    if reading.sighting is not None:
        camera = reading.sighting.camera
        up = -camera.rotation[1]  # the picture's upward direction in the card frame
        x, y, z = map(float, camera.position_mm)
        pose = Pose((x, y, z), float(np.degrees(np.arctan2(up[1], up[0])) % 360))
    light = reading.light
    return Sighted(
        reading.file,
        taken_s if reading.taken_s is None else reading.taken_s,
        reading.tag,
        pose,
        None if light is None else float(light.azimuth_deg),
        None if light is None else float(light.elevation_deg),
        refusal,
        reading.paper_light,
        reading.patch,
    )


def _tags(linear: LinearPhoto, sighting: Sighting, card: Card) -> tuple[int, ...]:
    """Numbers of the tags in a photo, the one nearest to the card first."""
    found = find_markers(linear.luminance, [tag_marker(n) for n in range(1, TAG_MOST + 1)], sides_px=TAG_SIDES_PX)
    middle = sighting.camera.project(np.array([[*middle_mm(card), 0.0]]))[0]
    size_px = TAG_MARKER_MM / sighting.camera.mm_per_px(*middle_mm(card))
    tags = []
    for marker, corners in found:
        size = math.sqrt(cv2.contourArea(corners.astype(np.float32))) / size_px
        if TAG_SIZE_RANGE[0] < size < TAG_SIZE_RANGE[1]:
            tags.append((float(np.linalg.norm(corners.mean(axis=0) - middle)), marker.id))
    return tuple(number for _, number in sorted(tags))


def _without_card(start: Reading, linear: LinearPhoto, card: Card) -> Reading:
    """The reading of a photo whose card could not be located, with the likely reason."""
    found = find_markers(linear.luminance, card.markers)
    cut_off = _sides_of_rest(found, linear.luminance.shape, card)
    if max(linear.luminance.shape) < LEAST_SIDE_PX:
        why = "few pixels"
    elif float(np.quantile(linear.luminance, 0.99)) < DARK_BELOW:
        why = "dark"
    elif linear.clipped.mean() > BURNT_OUT:
        why = "burnt out"
    elif not found:
        why = "blurred" if _is_blurred(linear.luminance) else "none seen"
    else:
        why = "cut off" if cut_off else "few markers"
    return replace(start, no_card=why, cut_off=cut_off if why == "cut off" else ())


def _sides_of_rest(found: list, shape: tuple[int, int], card: Card) -> tuple[str, ...]:
    """The sides of the picture that cut the card, told from the few markers that are seen."""
    if not found:
        return ()
    world = np.concatenate([marker.corners_mm for marker, _ in found])
    pixels = np.concatenate([corners for _, corners in found])
    turn, _ = cv2.estimateAffinePartial2D(world * [1, -1], pixels)
    if turn is None:
        return ()
    edge = card.outline_mm * [1, -1] @ turn[:, :2].T + turn[:, 2]
    return sides_left(edge, shape, slack_px=CUT_OFF_BY * max(shape))


def _is_blurred(luminance: np.ndarray) -> bool:
    """True where detail fails at half the size, or (blurred so much that noise is all of it) at an eighth."""
    half, eighth, coarse = (
        float(np.abs(cv2.Laplacian(cv2.resize(luminance, None, fx=f, fy=f, interpolation=cv2.INTER_AREA), -1)).mean())
        for f in (1 / 2, 1 / 8, 1 / 32)
    )
    return half < BLURRED_HALF * eighth or eighth < BLURRED_EIGHTH * coarse


def _darker_than_expected(face: CardFace, card: Card, found: CardLight) -> np.ndarray:
    """(rows, columns) uint8 on the face: print that the lamp should light, but does not."""
    light = found.light
    x, y = face.grid.x_mm[None, :], face.grid.y_mm[:, None]
    lit = face.illumination / (light.irradiance(x, y) / light.irradiance(*light.at_mm) + found.ambient)
    lit = np.where(face.clipped, np.nan, lit)  # the fitted field of light is not used: it bends after a large shadow
    with np.errstate(invalid="ignore"):
        dark = lit < SHADED_BELOW * np.nanquantile(lit, 0.8) if np.isfinite(lit).any() else np.zeros(lit.shape, bool)
    near = cv2.dilate(shadow_mask(face, card.uprights, found.light), disk(NEAR_UPRIGHT_MM, face.grid))
    return (dark & (near == 0)).astype(np.uint8)


def _sharply_dark(face: CardFace) -> np.ndarray:
    """(rows, columns) uint8: the dark part of a card that a sharp edge of light divides in two; else nothing."""
    light = face.illumination
    known = np.isfinite(light) & (light > 0)
    nothing = np.zeros(light.shape, np.uint8)
    if known.sum() < 1000:
        return nothing
    spread = np.where(known, np.log(np.where(known, light, 1.0)), 0).astype(np.float32)
    size = (disk(SHADED_SPOT_MM, face.grid).shape[0],) * 2
    weight = cv2.blur(known.astype(np.float32), size)
    smooth = np.where(weight > 0.1, cv2.blur(spread, size) / np.maximum(weight, 0.1), np.nan)
    low, high = np.nanquantile(smooth, [0.02, 0.98])
    scaled = np.clip((np.nan_to_num(smooth, nan=high) - low) / max(high - low, 1e-6) * 255, 0, 255).astype(np.uint8)
    limit, _ = cv2.threshold(scaled[np.isfinite(smooth)].reshape(-1, 1), 0, 255, cv2.THRESH_OTSU)
    dark = (scaled <= limit) & np.isfinite(smooth)
    border = cv2.morphologyEx(dark.astype(np.uint8), cv2.MORPH_GRADIENT, np.ones((3, 3), np.uint8)).astype(bool)
    slope = np.hypot(*np.gradient(smooth, face.grid.step_mm))[border]
    slope = slope[np.isfinite(slope)]
    sharp = slope.size > 0 and float(np.median(slope)) > SHARP_EDGE_PER_MM
    return (dark & known).astype(np.uint8) if sharp else nothing


def _shaded_side(dark: np.ndarray, face: CardFace, sighting: Sighting, card: Card) -> str:
    """The side of the picture on which the dark parts lie; empty where none is of size."""
    spots = cv2.morphologyEx(dark, cv2.MORPH_OPEN, disk(SHADED_SPOT_MM / 2, face.grid))
    count, labels, stats, _ = cv2.connectedComponentsWithStats(spots)
    areas_mm2 = stats[1:, cv2.CC_STAT_AREA] * face.grid.step_mm**2
    if count < 2 or areas_mm2.max() < SHADED_MM2:
        return ""
    large = np.isin(labels, 1 + np.flatnonzero(areas_mm2 > SHADED_MM2 / 4))
    row, column = (places.mean() for places in np.nonzero(large))
    rows, columns = np.nonzero(face.even)  # a U of paper has its middle below the middle of its box
    away = np.array([column - columns.mean(), rows.mean() - row])
    return side_in_picture(sighting, card, away) if np.linalg.norm(away) > 0 else ""
