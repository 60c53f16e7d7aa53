"""The mm grid: photos seen straight from above, and what of them is not deck."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import accumulate

import cv2
import numpy as np

from texscan.card import CARD_THICKNESS_MM, Card, Upright
from texscan.errors import CardError
from texscan.locate import Camera, Sighting
from texscan.model import Grid, Light, LinearPhoto
from texscan.shadow import face_outlines, shadow_outlines

FINEST_STEP_MM = 0.10  # finer serves no figure; a phone at 40 cm resolves 0.1 to 0.15 mm
SOLVED_STEP_MM = 0.20  # photos of coarser pixels are laid on a finer grid, so that the solver can take out their blur
ENCLOSED_SHARE = 0.25  # of the card's bounding box: a card with this much deck in it (an L, a U) brackets the patch
BRACKETED_MARGIN_MM, BESIDE_MARGIN_MM = 0.0, 60.0  # deck measured around the box of such a card, and of any other
PHOTO_BORDER_PX = 4
PART_PLACES, PART_BORDER_PX = 100, 32  # places a side that tell the part of a photo that is needed; more around it
LEAST_BLUR_PX = 0.5  # colours are looked at only: two steps of the look-up average as much
BAND_ROWS = 128  # of a grid laid at a time: what a processor's cache holds of the photo
CARD_EDGE_MM = 1.0  # left out around the card's outline: paper edge, glue, curl
SHADOW_MARGIN_MM = 1.0  # left out around shadows of card and uprights: penumbra
RELIEF_DEPTH_MM = 0.8  # deepest valley that a shadow of the card may fall into
LARGEST_GRID_PX = 8_000_000


def common_grid(sightings: tuple[Sighting, ...], card: Card) -> Grid:
    """
    The grid that all photos share: the card's box and a margin, as far as every photo shows it.

    A card that encloses deck brackets the patch, and beyond it the lens fit extrapolates; beside any other card the
    patch lies outside.

    The step is the coarsest photo's resolution, rounded to 0.005 mm, at least 0.10 mm; beyond 0.20 mm it is half of
    it, at least 0.20 mm.
    """
    low, high = card.outline_mm.min(axis=0), card.outline_mm.max(axis=0)
    margin = BRACKETED_MARGIN_MM if _enclosed_share(card) >= ENCLOSED_SHARE else BESIDE_MARGIN_MM
    low, high = low - margin, high + margin
    middle = card.outline_mm.mean(axis=0)
    pixel_mm = max(s.camera.mm_per_px(*middle) for s in sightings)
    step = max(pixel_mm / 2, min(pixel_mm, SOLVED_STEP_MM), FINEST_STEP_MM)
    step = float(np.round(step / 0.005) * 0.005)
    coarse = 2.0
    x, y = np.arange(low[0], high[0] + coarse, coarse), np.arange(high[1], low[1] - coarse, -coarse)
    seen = np.ones((len(y), len(x)), bool)
    for sighting in sightings:
        seen &= in_photo(sighting, x, y)
    rows, columns = np.flatnonzero(seen.any(axis=1)), np.flatnonzero(seen.any(axis=0))
    if not len(rows) or not len(columns):
        raise CardError(
            "The photos of the set show no common part of the deck. Photograph one patch from the same place."
        )
    left, right, top, bottom = x[columns[0]], x[columns[-1]], y[rows[0]], y[rows[-1]]
    step = max(step, float(np.sqrt((right - left) * (top - bottom) / LARGEST_GRID_PX)))
    return Grid(float(left), float(top), step, int((top - bottom) / step) + 1, int((right - left) / step) + 1)


def _enclosed_share(card: Card) -> float:
    """Share of the card's bounding box that is not card."""
    width, height = np.ptp(card.outline_mm, axis=0)
    return 1 - cv2.contourArea(card.outline_mm.astype(np.float32)) / float(width * height)


def in_photo(sighting: Sighting, x_mm: np.ndarray, y_mm: np.ndarray) -> np.ndarray:
    """(rows, columns) True where the place on z = 0 lies inside the photo."""
    column, row = _pixels(sighting.camera, x_mm, y_mm, 0.0)
    rows, columns = sighting.shape
    border = PHOTO_BORDER_PX
    return (column > border) & (row > border) & (column < columns - 1 - border) & (row < rows - 1 - border)


def part_seen(sighting: Sighting, card: Card, grid: Grid) -> tuple[tuple[slice, slice], Sighting]:
    """
    The rows and columns of a photo that show card and grid, and the sighting as of that part alone.
    """
    ends = np.array([[grid.x_mm[0], grid.y_mm[0]], [grid.x_mm[-1], grid.y_mm[-1]]])
    corners = np.concatenate([card.outline_mm, ends])
    x, y = np.linspace(corners.min(axis=0), corners.max(axis=0), PART_PLACES).T
    column, row = _pixels(sighting.camera, x, y, 0.0)
    rows, columns = sighting.shape
    part = _span(row, rows, PART_BORDER_PX), _span(column, columns, PART_BORDER_PX)
    (across, down), shape = sighting.camera.centre_px, (part[0].stop - part[0].start, part[1].stop - part[1].start)
    camera = replace(sighting.camera, centre_px=(across - part[1].start, down - part[0].start))
    return part, replace(sighting, camera=camera, shape=shape)


def _pixels(camera: Camera, x_mm: np.ndarray, y_mm: np.ndarray, z_mm: float) -> tuple[np.ndarray, np.ndarray]:
    """
    Where each place (rows, columns) float32 of an evenly spaced grid on z = z_mm lies in the photo: column, row.
    """
    places = np.array([[x_mm[1] - x_mm[0], 0, x_mm[0]], [0, y_mm[1] - y_mm[0], y_mm[0]], [0, 0, 1]])
    plane = np.column_stack([camera.rotation[:, :2], camera.rotation[:, 2] * z_mm + camera.translation_mm])
    # A lens is undone by asking where each place of an even picture comes from; here that picture is the grid.
    lens = np.array([[camera.focal_px, 0, camera.centre_px[0]], [0, camera.focal_px, camera.centre_px[1]], [0, 0, 1]])
    bent = np.array([camera.k1, camera.k2, 0, 0])
    size = (len(x_mm), len(y_mm))
    column, row = cv2.initUndistortRectifyMap(lens, bent, None, np.linalg.inv(plane @ places), size, cv2.CV_32FC1)
    return column, row


def to_grid(image: np.ndarray, camera: Camera, x_mm: np.ndarray, y_mm: np.ndarray, z_mm: float = 0.0) -> np.ndarray:
    """
    The photo seen straight from above.

    Parameters
    ----------
    image : (rows, columns) or (rows, columns, channels) float32 or uint8, NaN allowed
    x_mm, y_mm : (columns,), (rows,) places of the grid, evenly spaced, two of each or more
    z_mm : height of the plane that is seen

    Returns
    -------
    (rows, columns[, channels]) of the image's type; NaN (0 for uint8) outside the photo
    """
    return laid((image,), camera, x_mm, y_mm, z_mm)[0]


def laid(
    images: tuple[np.ndarray, ...],
    camera: Camera,
    x_mm: np.ndarray,
    y_mm: np.ndarray,
    z_mm: float = 0.0,
) -> list[np.ndarray]:
    """Several images of one size, of one photo, each as in `to_grid`."""
    column, row = _pixels(camera, x_mm, y_mm, z_mm)
    step = abs(float(x_mm[1] - x_mm[0]))
    ratio = step / camera.mm_per_px(float(np.mean(x_mm)), float(np.mean(y_mm)))
    # a grid that is coarser than the photo: blur first, or fine grain folds into coarse
    sigma = 0.4 * float(np.sqrt(ratio**2 - 1)) if ratio > 1.25 else 0.0
    reach = 2 + math.ceil(4 * sigma)  # of the cubic look-up and of the blur
    seen = [np.empty((*row.shape, *image.shape[2:]), image.dtype) for image in images]
    for top in range(0, len(row), BAND_ROWS):
        band = slice(top, top + BAND_ROWS)
        part = _span(row[band], images[0].shape[0], reach), _span(column[band], images[0].shape[1], reach)
        places = column[band] - np.float32(part[1].start), row[band] - np.float32(part[0].start)
        for image, laid_out in zip(images, seen, strict=True):
            laid_out[band] = _looked_up(image[part], *places, sigma)
    return seen


def _span(at_px: np.ndarray, size: int, reach: int) -> slice:
    """The rows (or columns) of a photo of this size that hold the places, with `reach` pixels around."""
    low, high = cv2.minMaxLoc(at_px)[:2]
    first = int(np.clip(low - reach, 0, size - 1))
    return slice(first, int(np.clip(high + reach, first, size - 1)) + 1)


def _looked_up(image: np.ndarray, column: np.ndarray, row: np.ndarray, sigma: float) -> np.ndarray:
    """The image at places (rows, columns), blurred first by `sigma` pixels."""
    if image.dtype.kind != "f":  # a mask, or colours to look at
        if image.ndim == 2 and not cv2.hasNonZero(image):
            return np.zeros(column.shape, image.dtype)
        if sigma > LEAST_BLUR_PX or (sigma and image.ndim == 2):
            image = cv2.GaussianBlur(image, (0, 0), sigma)
        return cv2.remap(image, column, row, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=0)
    image = cv2.GaussianBlur(image, (0, 0), sigma) if sigma else image
    # NaN as the border's value would spread over the last columns: OpenCV multiplies it by zero there
    seen = cv2.remap(image, column, row, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    for at, size in ((row, image.shape[0]), (column, image.shape[1])):
        low, high = cv2.minMaxLoc(at)[:2]
        if low < 1 or high >= size - 2:  # one pixel before a place and two behind it are looked up
            seen[(at < 1) | (at >= size - 2)] = np.nan
    return seen


def card_mask(card: Card, cameras: tuple[Camera, ...], grid: Grid) -> np.ndarray:
    """
    (rows, columns) True on the card and where an upright hides the deck from any of the cameras.
    """
    paper = _paper(card, grid)
    mask = paper.astype(bool)
    for ring in (card.outline_mm, *card.holes_mm):
        for edge in zip(ring, np.roll(ring, -1, axis=0), strict=True):  # it grows there only
            near = around(grid, np.array(edge), CARD_EDGE_MM + 2 * grid.step_mm)
            if paper[near].size:
                mask[near] |= _grown(paper[near], CARD_EDGE_MM, grid.step_mm).view(bool)
    for camera in cameras:
        mask |= hidden_mask(card, camera, grid)
    return mask


def hidden_mask(card: Card, camera: Camera, grid: Grid) -> np.ndarray:
    """(rows, columns) True where an upright hides the deck from the camera."""
    outlines = [outlines_from(upright, camera, -CARD_THICKNESS_MM) for upright in card.uprights]
    return _grown_outlines(outlines, CARD_EDGE_MM, grid)


def _paper(card: Card, grid: Grid) -> np.ndarray:
    """(rows, columns) uint8, 1 on the card's paper."""
    mask = filled(grid, [card.outline_mm])
    _fill(mask, grid, list(card.holes_mm), 0)
    return mask


def outlines_from(upright: Upright, camera: Camera, level_mm: float) -> list[np.ndarray]:
    """Outlines (n, 2) mm of what the upright's faces hide of the plane z = level_mm, seen from the camera."""
    return face_outlines(upright, camera.position_mm, level_mm)


def card_shadow_mask(card: Card, light: Light, grid: Grid) -> np.ndarray:
    """
    (rows, columns) True where the card's edge or an upright may throw its shadow on the deck, or into its valleys.
    """
    levels = (-CARD_THICKNESS_MM, -CARD_THICKNESS_MM - RELIEF_DEPTH_MM)
    outlines = [o for level in levels for o in shadow_outlines(card.uprights, light, level)]
    shift = -light.direction[:2] / light.direction[2] * (CARD_THICKNESS_MM + RELIEF_DEPTH_MM)
    for edge_from, edge_to in zip(card.outline_mm, np.roll(card.outline_mm, -1, axis=0), strict=True):
        outlines.append(np.array([edge_from, edge_to, edge_to + shift, edge_from + shift]))
    return _grown(filled(grid, outlines), SHADOW_MARGIN_MM, grid.step_mm).view(bool)


def _fill(mask: np.ndarray, grid: Grid, outlines_mm: list[np.ndarray], value: int) -> None:
    """Each outline (n, 2) by itself, since outlines filled together leave out where they overlap."""
    if not outlines_mm:
        return
    fraction_bits = 4
    pixels = (np.concatenate(outlines_mm) - (grid.x0_mm, grid.y1_mm)) * (1 / grid.step_mm, -1 / grid.step_mm)
    pixels = np.clip(pixels, -30000, 30000)  # a shadow may run far off the grid
    corners = np.rint(pixels * 2**fraction_bits).astype(np.int32)
    for stop, outline in zip(accumulate(map(len, outlines_mm)), outlines_mm, strict=True):
        cv2.fillPoly(mask, [corners[stop - len(outline) : stop]], value, cv2.LINE_8, fraction_bits)


def filled(grid: Grid, outlines_mm: list[np.ndarray], dtype: type = np.uint8) -> np.ndarray:
    """(rows, columns) of uint8 or float32, 1 inside any of the outlines."""
    mask: np.ndarray = np.zeros(grid.shape, dtype)
    _fill(mask, grid, outlines_mm, 1)
    return mask


def disk(radius_mm: float, grid: Grid) -> np.ndarray:
    """(n, n) uint8, a disk of a pixel's radius or more, for OpenCV's morphology."""
    size = 2 * max(1, round(radius_mm / grid.step_mm)) + 1
    return cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))


def _grown(mask: np.ndarray, by_mm: float, step_mm: float) -> np.ndarray:
    size = 2 * int(np.ceil(by_mm / step_mm)) + 1
    return cv2.dilate(mask, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size)))


def _grown_outlines(groups: list[list[np.ndarray]], by_mm: float, grid: Grid) -> np.ndarray:
    """(rows, columns) True inside and near outlines (n, 2) mm; those of one group lie close to each other."""
    mask = np.zeros(grid.shape, bool)
    for outlines in groups:
        near = around(grid, np.concatenate(outlines), by_mm + 2 * grid.step_mm)
        part = grid.part(near)
        if min(part.shape) > 0:
            mask[near] |= _grown(filled(part, outlines), by_mm, grid.step_mm).view(bool)
    return mask


def around(grid: Grid, places_mm: np.ndarray, margin_mm: float) -> tuple[slice, slice]:
    """Rows and columns of the grid that hold the places (n, 2) and a margin."""
    (left, low), (right, high) = places_mm.min(axis=0) - margin_mm, places_mm.max(axis=0) + margin_mm
    rows = slice(max(0, int((grid.y1_mm - high) / grid.step_mm)), max(0, int((grid.y1_mm - low) / grid.step_mm) + 2))
    columns = slice(
        max(0, int((left - grid.x0_mm) / grid.step_mm)), max(0, int((right - grid.x0_mm) / grid.step_mm) + 2)
    )
    return rows, columns


FACE_STEP_MM = 0.15
EVEN_WINDOW_MM = 0.9  # artwork this far around must be even: blur from a printed edge stays out
EVEN_WITHIN = 0.03
LEAST_REFLECTANCE = 0.3  # darker print carries too little light to divide by
PRINT_EDGE, EDGE_REACH_MM = 0.4, 1.2  # step of reflectance that is an edge; how far it is blurred at most
HIDDEN_MARGIN_MM = 0.8
CLIPPED_GREY = 0.05 * 255  # a place of the grid is clipped where this share of the photo's pixels around it is


@dataclass(frozen=True)  # without slots, for what is told once only
class CardFace:
    """
    The card seen from above at z = 0.

    luminance : (rows, columns) float32, NaN outside the photo, off the card and where an upright hides the card.
    artwork : (rows, columns) float32 printed reflectance relative to the paper.
    even : (rows, columns) bool, True where the print around is even and light enough to divide by.
    edges : (rows, columns) bool, True near edges of the print.
    clipped : (rows, columns) bool
    """

    grid: Grid
    luminance: np.ndarray
    artwork: np.ndarray
    even: np.ndarray
    edges: np.ndarray
    clipped: np.ndarray

    @cached_property
    def illumination(self) -> np.ndarray:
        """Light on the card where the print is even (clipped places included), else NaN."""
        return np.where(self.even, self.luminance / np.maximum(self.artwork, LEAST_REFLECTANCE), np.float32(np.nan))


@dataclass(frozen=True, slots=True)
class CardPrint:
    """What of a card's face is alike in all photos; artwork, even and edges as in `CardFace`."""

    grid: Grid
    paper: np.ndarray  # (rows, columns) uint8, 1 on the card
    artwork: np.ndarray
    even: np.ndarray
    edges: np.ndarray


def card_print(card: Card, *, step_mm: float = FACE_STEP_MM) -> CardPrint:
    """The card as printed, on a grid of its own."""
    low, high = card.outline_mm.min(axis=0), card.outline_mm.max(axis=0)
    columns, rows = (np.ceil((high - low) / step_mm) + 1).astype(int)
    grid = Grid(float(low[0]), float(high[1]), step_mm, int(rows), int(columns))
    art, paper = artwork_on(card, grid), _paper(card, grid)
    size = 2 * int(np.ceil(EVEN_WINDOW_MM / 2 / grid.step_mm)) + 1
    window = np.ones((size, size), np.uint8)
    even = cv2.dilate(art, window) - cv2.erode(art, window) < EVEN_WITHIN
    even &= cv2.erode(paper, window).astype(bool) & (art >= LEAST_REFLECTANCE)
    edges = (cv2.morphologyEx(art, cv2.MORPH_GRADIENT, np.ones((3, 3), np.uint8)) > PRINT_EDGE).view(np.uint8)
    near = cv2.dilate(edges, np.ones((2 * int(EDGE_REACH_MM / step_mm) + 1,) * 2, np.uint8))
    return CardPrint(grid, paper, art, even, near.view(bool))


def card_face(photo: LinearPhoto, camera: Camera, card: Card, printed: CardPrint | None = None) -> CardFace:
    """The card's printed face as this photo shows it, on the grid of `printed` (from `card_print`, if not given)."""
    printed = printed or card_print(card)
    grid = printed.grid
    luminance, clipped = laid((photo.luminance, photo.clipped.view(np.uint8) * 255), camera, grid.x_mm, grid.y_mm)
    outlines = [[*outlines_from(upright, camera, 0.0), upright.footprint_mm] for upright in card.uprights]
    luminance[(printed.paper == 0) | _grown_outlines(outlines, HIDDEN_MARGIN_MM, grid)] = np.nan
    return CardFace(grid, luminance, printed.artwork, printed.even, printed.edges, clipped > CLIPPED_GREY)


def shadow_mask(face: CardFace, uprights: tuple[Upright, ...] | list[Upright], light: Light) -> np.ndarray:
    """(rows, columns) uint8 on the face's grid, 1 in the shadow of any of the uprights."""
    return filled(face.grid, shadow_outlines(uprights, light))


def artwork_on(card: Card, grid: Grid) -> np.ndarray:
    """
    (rows, columns) float32 printed reflectance at the grid's places, averaged over a grid step; 1 off the artwork.
    """
    scale = card.artwork_px_per_mm
    blur = cv2.GaussianBlur(card.artwork, (0, 0), max(0.3, 0.3 * grid.step_mm * scale))
    column = ((grid.x_mm - card.artwork_left_mm) * scale - 0.5).astype(np.float32)
    row = ((card.artwork_top_mm - grid.y_mm) * scale - 0.5).astype(np.float32)
    columns, rows = np.meshgrid(column, row)
    return cv2.remap(blur, columns, rows, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=1.0)
