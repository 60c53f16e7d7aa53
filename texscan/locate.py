"""Find the card in a photo and tell where the camera stood."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from scipy.optimize import least_squares

from texscan.card import Card, Marker
from texscan.errors import CardError
from texscan.model import LinearPhoto

FULL_FRAME_WIDTH_MM, FULL_FRAME_DIAGONAL_MM = 36.0, 43.27  # phones state their 35 mm focal length by one or the other
FOCAL_U_WITH_EXIF, FOCAL_U_WITHOUT = 0.12, 0.45  # relative standard uncertainty of the starting focal length
USUAL_FOCAL_PER_LONG_SIDE = 0.78  # 28 mm on 36 mm, a phone's main camera; from memory
CENTRE_U = 0.01  # of the long side: how far the optical axis may miss the picture's centre
DISTORTION_U = (0.06, 0.06)  # radial terms k1, k2 of phone pictures after the phone's own correction; from memory
DETECTION_SIDES_PX = (1600, 3200, None)  # long sides at which markers are looked for, coarse first; None = as it is
# Windows of the threshold [px]: first, last, step. The first few find as many markers on all samples as all do, in a
# third of the time.
THRESHOLD_WINDOWS = ((13, 33, 20), (3, 43, 10))
LEAST_PERIMETER = 0.03, 0.01  # of the long side, with either windows: what is smaller is grain of the deck
MOST_MARKERS = 0.8  # of those wanted: the search ends
MEAN_WINDOW, MEAN_FLOOR, EVEN_LEVEL = 0.08, 0.05, 110.0  # of the long side; of the photo's mean; grey of the mean
BLURRED_DETAIL = 0.20  # sharp photos have 0.33 and more, 2 px of blur leave 0.19; measured on renders
LEAST_MEAN = 1e-9  # light of a photo that is black throughout
LEAST_MARKERS = 3
FEW_MARKERS = 0.5  # of the card's: photos of the samples show 0.83 and more, mirrored ones read 0.1 as others
MIRRORED = "The card is seen from behind or mirrored. Photograph its printed face, and do not mirror the photo."
LEAST_SPREAD = 0.12  # found markers must span this share of all markers' area
REFINED_CORNER_U_PX, MARKER_CORNER_U_PX = 0.08, 0.35  # saddle and bare marker corners; measured on renders
# Of a camera's fit: ln of the focal length, centre, k1, k2, rotation, and of the corners' mean its pixel (2) and the
# ln of pixels per mm there. Flat corners tell the last three well and the focal length hardly: with a translation
# instead, the fit follows a curved valley in hundreds of steps.
PARAMETERS = 11
LARGEST_REFINED_MOVE = 0.45  # of the half window; a corner that moved farther was something else


@dataclass(frozen=True, slots=True)
class Camera:
    """
    Pinhole with two radial terms (x_d = x (1 + k1 r2 + k2 r4)); pixel centres at whole numbers.

    rotation : (3, 3) from the card frame to the camera frame (x right, y down, z forward); translation_mm : (3,).
    """

    focal_px: float
    centre_px: tuple[float, float]
    k1: float
    k2: float
    rotation: np.ndarray
    translation_mm: np.ndarray

    @property
    def position_mm(self) -> np.ndarray:
        """(3,) in the card frame."""
        return -self.rotation.T @ self.translation_mm

    @property
    def tilt_deg(self) -> float:
        """Angle between the optical axis and the card's normal."""
        return float(np.degrees(np.arccos(np.clip(-self.rotation[2, 2], -1, 1))))

    def project(self, points_mm: np.ndarray) -> np.ndarray:
        """
        Pixels (n, 2) as (column, row) of points (n, 3) in the card frame; NaN for points behind the camera.
        """
        seen = np.asarray(points_mm, dtype=float) @ self.rotation.T + self.translation_mm
        depth = np.where(seen[:, 2] > 1e-6, seen[:, 2], np.nan)
        plane = seen[:, :2] / depth[:, None]
        r2 = (plane**2).sum(axis=1, keepdims=True)
        return plane * (1 + r2 * (self.k1 + r2 * self.k2)) * self.focal_px + np.array(self.centre_px)

    def mm_per_px(self, x_mm: float, y_mm: float) -> float:
        """Side of the square on z = 0 that one pixel covers at a place, by area."""
        step = 0.5
        square = np.array([[x_mm, y_mm, 0], [x_mm + step, y_mm, 0], [x_mm, y_mm + step, 0]])
        at, right, up = self.project(square)
        return step / np.sqrt(abs(np.linalg.det(np.stack([right - at, up - at]))))


@dataclass(frozen=True, slots=True)
class Sighting:
    """A card found in a photo: the camera and how well it fits."""

    camera: Camera
    shape: tuple[int, int]  # rows, columns of the photo
    rms_px: float
    points: int
    markers_found: int
    scale_u: float  # relative standard uncertainty of mm per pixel that comes from the fit


def even_picture(luminance: np.ndarray) -> np.ndarray:
    """
    (rows, columns) uint8 picture for finding markers: linear light over its local mean, so that torch falloff and the
    tone curve's growth of white into black (blurred edges are symmetric in light, not in code) do not matter.
    """
    long_side = max(luminance.shape)
    size = int(MEAN_WINDOW * long_side) | 1
    mean = cv2.blur(luminance, (size, size))
    floor = MEAN_FLOOR * float(luminance.mean())
    even = luminance / np.maximum(mean + floor, LEAST_MEAN)
    even *= EVEN_LEVEL
    return np.clip(even, 0, 255, out=even).astype(np.uint8)


def locate(photo: LinearPhoto, card: Card, *, focal_35mm: float | None = None) -> Sighting:
    """
    Camera pose, focal length and lens distortion from the card's corners.

    Markers place the card; its saddles (or, on a card without saddles, the markers' corners) are then refined to
    sub-pixel places and a pinhole camera with two radial terms is fitted to them, robustly and with weak priors on
    lens.

    Parameters
    ----------
    focal_35mm : EXIF focal length in 35 mm terms [mm]; only a starting value with FOCAL_U_WITH_EXIF

    Raises
    ------
    CardError
        No card, too few markers, or corners that fit no camera.
    """
    grey = photo.luminance
    found = find_markers(grey, card.markers)
    _refuse_mirrored(grey, found, card)
    _require_enough(found, card, photo.file, blurred=not found and _detail_ratio(grey) < BLURRED_DETAIL)
    world = np.concatenate([m.corners_mm for m, _ in found])
    pixels = np.concatenate([corners for _, corners in found])
    keep = _consistent_with_a_plane(world, pixels)
    if keep.sum() < 8:
        raise CardError(
            f"The marker corners in {photo.file} fit no flat card. Lay the card flat and take the photo again."
        )
    focal_px, focal_u = _starting_focal(focal_35mm, grey.shape)
    camera, _, _ = _fit(world[keep], pixels[keep], np.full(keep.sum(), 1.0), grey.shape, focal_px, focal_u)
    for _ in range(2):
        refined, image, u_px = _refine(grey, card, camera, {m.id for m, _ in found})
        camera, residual, scale_u = _fit(refined, image, u_px, grey.shape, focal_px, focal_u, start=camera)
    good = np.abs(residual).max(axis=1) < 6 * u_px
    if good.sum() < 8:
        raise CardError(
            f"Only {good.sum()} card corners of {photo.file} fit one flat card, 8 are needed. Lay the card flat, "
            "hold the phone still and take the photo again."
        )
    rms = float(np.sqrt((residual[good] ** 2).mean()))
    return Sighting(camera, grey.shape, rms, int(good.sum()), len(found), scale_u)


def find_markers(
    grey: np.ndarray, markers: Sequence[Marker], *, sides_px: tuple[int | None, ...] = DETECTION_SIDES_PX
) -> list[tuple[Marker, np.ndarray]]:
    """
    Those of the markers that are seen in linear light (rows, columns), each with its corners (4, 2) [px].

    sides_px : long sides at which they are looked for, coarse first, until most are found; None = as it is.
    """
    wanted = {(m.dictionary, m.id): m for m in markers}
    best: list = []
    for side in sides_px:
        factor = 1.0 if side is None else min(1.0, side / max(grey.shape))
        small = even_picture(_shrunk(grey, factor))
        for windows, perimeter in zip(THRESHOLD_WINDOWS, LEAST_PERIMETER, strict=True):
            found = []
            for dictionary in sorted({m.dictionary for m in markers}):
                found += _detect(small, dictionary, factor, wanted, windows=windows, perimeter=perimeter)
            best = found if len(found) > len(best) else best
            if len(best) >= MOST_MARKERS * len(markers):
                return best
        if factor == 1.0:
            break
    return best


def _shrunk(grey: np.ndarray, factor: float) -> np.ndarray:
    if factor <= 0.5:  # halving is quick, and what is left to do then needs no areas
        half = cv2.resize(grey, (grey.shape[1] // 2, grey.shape[0] // 2), interpolation=cv2.INTER_AREA)
        return cv2.resize(half, None, fx=2 * factor, fy=2 * factor, interpolation=cv2.INTER_LINEAR)
    return grey if factor == 1.0 else cv2.resize(grey, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA)


def _detect(
    small: np.ndarray,
    dictionary: str,
    factor: float,
    wanted: dict,
    *,
    windows: tuple[int, int, int],
    perimeter: float,
) -> list:
    name = getattr(cv2.aruco, dictionary, None)
    if name is None or not dictionary.startswith("DICT_"):
        raise CardError(
            f"The card names the marker dictionary {dictionary!r}, which is not known. Use e.g. DICT_4X4_50."
        )
    parameters = cv2.aruco.DetectorParameters()
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    parameters.minMarkerPerimeterRate = perimeter
    parameters.adaptiveThreshWinSizeMin, parameters.adaptiveThreshWinSizeMax = windows[:2]
    parameters.adaptiveThreshWinSizeStep = windows[2]
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(name), parameters)
    corners, ids, _ = detector.detectMarkers(small)
    seen: dict[int, np.ndarray] = {}
    for identifier, quad in zip([] if ids is None else np.ravel(ids), corners, strict=True):
        if (dictionary, int(identifier)) in wanted:
            quad = (np.reshape(quad, (-1, 2)) + 0.5) / factor - 0.5  # pixel centres stay centres under resizing
            previous = seen.get(int(identifier))
            if previous is None or cv2.contourArea(quad.astype(np.float32)) > cv2.contourArea(
                previous.astype(np.float32)
            ):
                seen[int(identifier)] = quad
    return [(wanted[dictionary, i], quad.astype(float)) for i, quad in seen.items()]


def _detail_ratio(luminance: np.ndarray) -> float:
    """Detail of a photo at half its size over that at an eighth: 0.3 and more when sharp, small when blurred."""
    half, eighth = (cv2.resize(luminance, None, fx=f, fy=f, interpolation=cv2.INTER_AREA) for f in (0.5, 0.125))
    fine, coarse = (np.abs(cv2.Laplacian(picture, cv2.CV_32F)).mean() for picture in (half, eighth))
    return float(fine / max(coarse, 1e-9))


def _require_enough(found: list, card: Card, file: str, *, blurred: bool) -> None:
    needed = min(LEAST_MARKERS, len(card.markers))
    if blurred:
        raise CardError(
            f"No scale card was found in {file}, and the photo is blurred. Hold the phone with both hands, tap on "
            "the card to focus, and take it again."
        )
    if not found:
        raise CardError(
            f"No scale card was found in {file}. Lay the card beside the texture, whole in the photo and lit by "
            "the torch."
        )
    if len(found) < needed:
        raise CardError(
            f"Only {len(found)} of {len(card.markers)} card markers are visible in {file}, {needed} are needed. "
            "Move back until the whole card is in the photo, sharp and lit."
        )
    spread = _hull_area([m for m, _ in found]) / _hull_area(card.markers)
    if spread < LEAST_SPREAD:
        raise CardError(
            f"The visible markers in {file} span only {spread:.0%} of the card, {LEAST_SPREAD:.0%} is needed. Move "
            "back until the whole card is in the photo."
        )


def _refuse_mirrored(grey: np.ndarray, found: list, card: Card) -> None:
    """A mirrored marker now and then reads as another one, so a card with few of them is looked for in a mirror."""
    few = len(found) < FEW_MARKERS * len(card.markers)
    if few and len(find_markers(grey[:, ::-1], card.markers)) > 2 * len(found):
        raise CardError(MIRRORED)


def _hull_area(markers) -> float:
    points = np.concatenate([m.corners_mm for m in markers]).astype(np.float32)
    return float(cv2.contourArea(cv2.convexHull(points)))


def _consistent_with_a_plane(world: np.ndarray, pixels: np.ndarray) -> np.ndarray:
    side = float(np.linalg.norm(pixels.max(axis=0) - pixels.min(axis=0)))
    _, inliers = cv2.findHomography(world, pixels, cv2.RANSAC, max(3.0, 0.004 * side))
    return np.zeros(len(world), bool) if inliers is None else np.ravel(inliers).astype(bool)


def _starting_focal(focal_35mm: float | None, shape: tuple[int, int]) -> tuple[float, float]:
    if focal_35mm is None:
        return USUAL_FOCAL_PER_LONG_SIDE * max(shape), FOCAL_U_WITHOUT
    by_width = focal_35mm / FULL_FRAME_WIDTH_MM * max(shape)
    by_diagonal = focal_35mm / FULL_FRAME_DIAGONAL_MM * np.hypot(*shape)
    return (by_width + by_diagonal) / 2, FOCAL_U_WITH_EXIF


def _refine(grey: np.ndarray, card: Card, camera: Camera, marker_ids: set[int]) -> tuple:
    """Sub-pixel places of saddles and of seen markers' corners: world (n, 3), image (n, 2), u_px (n,)."""
    marker_corners = np.concatenate([m.corners_mm for m in card.markers if m.id in marker_ids])
    flat = np.concatenate([card.saddles_mm, marker_corners])
    is_saddle = np.arange(len(flat)) < len(card.saddles_mm)
    world = np.column_stack([flat, np.zeros(len(flat))])
    start = camera.project(world)
    marker_side_mm = np.linalg.norm(card.markers[0].corners_mm[0] - card.markers[0].corners_mm[1])
    scale = camera.mm_per_px(*card.outline_mm.mean(axis=0))
    half = int(np.clip(0.25 * marker_side_mm / scale, 3, 12))
    rows, columns = grey.shape
    inside = (start > half + 2).all(axis=1) & (start[:, 0] < columns - half - 3) & (start[:, 1] < rows - half - 3)
    world, start, is_saddle = world[inside], start[inside], is_saddle[inside]
    if not len(start):
        return world, start, np.empty(0)
    stop = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_MAX_ITER, 40, 0.005)
    refined = cv2.cornerSubPix(grey, start.astype(np.float32).reshape(-1, 1, 2), (half, half), (-1, -1), stop)
    refined = refined.reshape(-1, 2).astype(float)
    near = np.linalg.norm(refined - start, axis=1) < max(2.0, LARGEST_REFINED_MOVE * half)
    near &= _contrast(grey, start, half) > 0.1
    u_px = np.where(is_saddle, REFINED_CORNER_U_PX, MARKER_CORNER_U_PX)
    return world[near], refined[near], u_px[near]


def _contrast(grey: np.ndarray, places: np.ndarray, half: int) -> np.ndarray:
    """Michelson contrast around each place; low in deep shadow, in glare and where something lies on the card."""
    windows = np.lib.stride_tricks.sliding_window_view(grey, (2 * half + 1, 2 * half + 1))
    columns, rows = np.rint(places).astype(int).T - half
    around = windows[rows, columns]
    high, low = around.max(axis=(1, 2)), around.min(axis=(1, 2))
    return (high - low) / np.maximum(high + low, 1e-3)


class _Lens:
    """Parameters of a camera's fit (see PARAMETERS) made a camera, and back."""

    def __init__(self, mean_mm: np.ndarray, shape: tuple[int, int], focal_px: float):
        self.mean_mm, self.focal_px, self.long_side = mean_mm, focal_px, max(shape)
        self.middle_px = np.array([shape[1] - 1, shape[0] - 1]) / 2

    def camera(self, p: np.ndarray) -> Camera:
        rotation, _ = cv2.Rodrigues(p[5:8])
        focal = self.focal_px * np.exp(p[0])
        centre = self.middle_px + p[1:3] * self.long_side
        mean = np.array([*(p[8:10] - centre), focal]) * np.exp(-p[10])
        return Camera(float(focal), (float(centre[0]), float(centre[1])), p[3], p[4], rotation,
                      mean - rotation @ self.mean_mm)  # fmt: skip

    def parameters(self, camera: Camera) -> np.ndarray:
        vector, _ = cv2.Rodrigues(camera.rotation)
        mean = camera.rotation @ self.mean_mm + camera.translation_mm
        per_mm = camera.focal_px / mean[2]
        shift = (np.array(camera.centre_px) - self.middle_px) / self.long_side
        lens = np.log(camera.focal_px / self.focal_px), *shift, camera.k1, camera.k2
        return np.array([*lens, *vector.ravel(), *(camera.centre_px + mean[:2] * per_mm), np.log(per_mm)])

    def by_parameters(self, p: np.ndarray, world: np.ndarray) -> np.ndarray:
        """(2 n, PARAMETERS) how the pixels of world points (n, 3) change with the parameters."""
        camera = self.camera(p)
        (x, y), focal = camera.centre_px, camera.focal_px
        matrix, lens = np.array([[focal, 0, x], [0, focal, y], [0, 0, 1]]), np.array([camera.k1, camera.k2, 0, 0])
        mean = camera.rotation @ self.mean_mm + camera.translation_mm
        _, by = cv2.projectPoints(world - self.mean_mm, p[5:8], mean, matrix, lens)
        turned, moved, focal_by, centre, bent = np.split(by, [3, 6, 8, 10], axis=1)
        placed = moved[:, :2] * np.exp(-p[10])  # by the pixel of the corners' mean
        grown = focal * focal_by.sum(axis=1) + mean[2] * moved[:, 2]
        return np.column_stack(
            [grown, self.long_side * (centre - placed), bent[:, :2], turned, placed, -moved @ mean]
        )


def _fit(world, image, u_px, shape, focal_px, focal_u, start: Camera | None = None):
    """Robust camera fit; returns camera, residuals (n, 2) px and the relative uncertainty of scale."""
    world = np.column_stack([world, np.zeros(len(world))]) if world.shape[1] == 2 else world
    at = world.mean(axis=0)
    lens = _Lens(at, shape, focal_px)
    priors = np.diag(1 / np.array([focal_u, CENTRE_U, CENTRE_U, *DISTORTION_U])) @ np.eye(5, PARAMETERS)

    def residuals(p: np.ndarray) -> np.ndarray:
        errors = (lens.camera(p).project(world) - image) / u_px[:, None]
        return np.concatenate([np.nan_to_num(errors, nan=1e3).ravel(), priors @ p])

    def by_parameters(p: np.ndarray) -> np.ndarray:
        return np.concatenate([lens.by_parameters(p, world) / u_px.repeat(2)[:, None], priors])

    starts = [start] if start is not None else _starts(world, image, lens)
    fits = [
        least_squares(
            residuals, lens.parameters(first), by_parameters, loss="soft_l1", f_scale=2.0, x_scale="jac", ftol=1e-10
        )
        for first in starts
    ]
    best = min(fits, key=lambda fit: fit.cost)
    camera = lens.camera(best.x)
    jacobian = np.asarray(best.jac)
    covariance = np.linalg.pinv(jacobian.T @ jacobian)
    u = np.sqrt(np.diag(covariance))
    scale_of = [lens.camera(best.x + d).mm_per_px(at[0], at[1]) for d in u * np.eye(PARAMETERS)]
    gradient = (np.array(scale_of) / camera.mm_per_px(at[0], at[1]) - 1) / u
    scale_u = float(np.sqrt(gradient @ covariance @ gradient))
    return camera, camera.project(world) - image, scale_u


def _starts(world: np.ndarray, image: np.ndarray, lens: _Lens) -> list[Camera]:
    """The one or two cameras that see the corners about there, through a lens without distortion."""
    (x, y), focal = lens.middle_px, lens.focal_px
    matrix = np.array([[focal, 0, x], [0, focal, y], [0, 0, 1]])
    _, rotations, translations, _ = cv2.solvePnPGeneric(world, image, matrix, None, flags=cv2.SOLVEPNP_IPPE)
    starts = [
        Camera(focal, (float(x), float(y)), 0.0, 0.0, cv2.Rodrigues(vector)[0], np.ravel(translation))
        for vector, translation in zip(rotations, translations, strict=True)
    ]
    starts = [camera for camera in starts if camera.position_mm[2] > 0]  # it looks at the printed face
    if not starts:
        raise CardError(MIRRORED)
    return starts
