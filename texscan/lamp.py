"""Where the lamp stood: the uprights' shadow edges, fitted as those of one near or distant lamp."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from scipy.optimize import least_squares, minimize

from texscan.card import Card, Upright
from texscan.errors import LightError, NoShadowError
from texscan.model import COVERAGE_FACTOR, Grid, Light
from texscan.rectify import CardFace, filled
from texscan.shadow import outer_edges, shadow_outlines

HIGHEST_TORCH_DEG, HIGH_TORCH_DEG = 60.0, 45.0  # above the first no relief is told; above the second it is a flag
SEARCH_AZIMUTHS_DEG = np.arange(0, 360, 3.0)
SEARCH_ELEVATIONS_DEG = np.array([7, 9, 11, 13, 15, 17.5, 20, 23, 26, 30, 34, 39, 45, 52, 60, 68])
SEARCH_DISTANCES_MM = np.array([np.inf, 1600, 900, 650, 480, 370, 290])
SHADE_STEP_MM, SHADE_LIT_WINDOW_MM = 0.6, 14.0  # grid of the coarse match; wider than any shadow
LEAST_CONTRAST = 0.15  # of lit paper: a weaker step is no torch shadow
EDGE_SPACING_MM = 0.5
EDGE_ENDS_MM = 0.8  # left out at the ends of an edge, where blur rounds the corner
EDGE_WINDOWS_MM = (2.5, 1.6, 1.6)  # half widths of the profiles across an edge, pass by pass
PROFILE_STEP_MM = 0.1
LEAST_EDGE_POINTS = 12
LEAST_EDGE_U_MM, EDGE_CORRELATION = 0.04, 3.0  # edge points 0.5 mm apart share the paper's and the print's errors
LEAN_U_MM_PER_MM = 0.009  # half a degree of lean per mm of height
BELIEVED_SIGMAS = 3.5  # an upright that must lean or shrink more than this disagrees
DISTANT_FROM_MM = 2500.0
START_COUNT, FITTED_STARTS = 4, 2


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
    shade = _shade_picture(face)
    starts = [_match_shade(shade, card, start) for start in _search(face, card, at_mm)]
    starts = sorted(starts, key=lambda start: -_shade_match(shade, card, start))[:FITTED_STARTS]
    if not starts:
        raise NoShadowError(
            f"No shadow of the card's uprights was found in {file}. Fold and stand the uprights, light the panel "
            "from one side with the torch low, or state --light-azimuth and --light-elevation."
        )
    fits = [fit for start in starts if (fit := _fit(face, card, start)) is not None]
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


# --- search ---------------------------------------------------------------------------------------------------------


def _search(face: CardFace, card: Card, at_mm: tuple[float, float]) -> list[Light]:
    """Coarse lights under which the uprights' shadows lie on dark paper and their surroundings on bright paper."""
    illumination = cv2.blur(np.nan_to_num(face.illumination), (5, 5))
    weight = cv2.blur(np.isfinite(face.illumination).astype(np.float32), (5, 5))
    smooth = np.where(weight > 0.3, illumination / np.maximum(weight, 0.3), np.nan).astype(np.float32)
    scores = np.stack([_upright_score(face, smooth, upright) for upright in card.uprights])
    base = np.stack([u.base_mm for u in card.uprights])
    a, e, d = np.meshgrid(
        np.radians(SEARCH_AZIMUTHS_DEG), np.radians(SEARCH_ELEVATIONS_DEG), SEARCH_DISTANCES_MM, indexing="ij"
    )
    direction = np.stack([np.cos(e) * np.cos(a), np.cos(e) * np.sin(a), np.sin(e)])
    total, count = np.zeros(a.shape), np.zeros(a.shape)
    for upright_score, (x, y) in zip(scores, base, strict=True):
        inverse = np.where(np.isinf(d), 0.0, 1 / d)
        ray = direction - np.stack([(x - at_mm[0]) * inverse, (y - at_mm[1]) * inverse, np.zeros(d.shape)])
        azimuth = np.degrees(np.arctan2(ray[1], ray[0])) % 360
        elevation = np.degrees(np.arctan2(ray[2], np.hypot(ray[0], ray[1])))
        row = np.rint(azimuth / 3.0).astype(int) % len(SEARCH_AZIMUTHS_DEG)
        column = np.abs(elevation[..., None] - SEARCH_ELEVATIONS_DEG).argmin(axis=-1)
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


def _upright_score(face: CardFace, smooth: np.ndarray, upright: Upright) -> np.ndarray:
    """
    (azimuths, elevations): how much darker the paper is inside the shadow of a distant light than beside and beyond
    it, relative to lit paper; NaN where too little paper is seen.
    """
    low = upright.vertices_mm[:, 2] < 0.5 * upright.height_mm
    around = upright.vertices_mm[low, :2] - upright.base_mm
    half_width = 0.6 * np.linalg.norm(around, axis=1).max()
    a, e = np.meshgrid(np.radians(SEARCH_AZIMUTHS_DEG), np.radians(SEARCH_ELEVATIONS_DEG), indexing="ij")
    along = -np.stack([np.cos(a), np.sin(a)], axis=-1)[:, :, None, :]
    across = np.stack([-along[..., 1], along[..., 0]], axis=-1)
    length = (upright.height_mm / np.tan(e))[:, :, None, None]
    steps = np.linspace(0.15, 0.92, 14)[:, None]
    inner = upright.base_mm + along * (half_width + steps * length)
    beyond = upright.base_mm + along * (2.2 * half_width + length * 1.08 + np.linspace(1.5, 6, 5)[:, None])
    side = along * (half_width + steps[2:] * length)
    left, right = (upright.base_mm + side + s * (2 * half_width + 3.0) * across for s in (1, -1))
    shaded, lit = _sample(face, smooth, inner), _sample(face, smooth, np.concatenate([beyond, left, right], axis=2))
    enough = (np.isfinite(shaded).mean(axis=-1) > 0.35) & (np.isfinite(lit).mean(axis=-1) > 0.25)
    with np.errstate(invalid="ignore", divide="ignore"):
        dark, bright = _mean(shaded), _mean(lit)
        spread = np.sqrt(np.maximum(_mean(lit**2) - bright**2, 0))
        score = (bright - dark - 0.7 * spread) / bright
    return np.where(enough & (bright > 0), score, np.nan)


def _mean(values: np.ndarray) -> np.ndarray:
    good = np.isfinite(values)
    return np.where(good, values, 0).sum(axis=-1) / np.maximum(good.sum(axis=-1), 1)


def _sample(face: CardFace, values: np.ndarray, places_mm: np.ndarray) -> np.ndarray:
    """Bilinear values (...) at places (..., 2); NaN off the map or next to NaN."""
    grid = face.grid
    column = (places_mm[..., 0] - grid.x0_mm) / grid.step_mm
    row = (grid.y1_mm - places_mm[..., 1]) / grid.step_mm
    flat = [np.ascontiguousarray(v, np.float32).reshape(-1, 1) for v in (column, row)]
    pieces = [
        cv2.remap(values, c, r, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=np.nan)
        for c, r in zip(
            *(np.array_split(v, len(v) // 30000 + 1) for v in flat), strict=True
        )  # remap takes 32767 rows
    ]
    return np.concatenate(pieces).reshape(column.shape)


@dataclass(frozen=True, slots=True)
class _ShadePicture:
    """How much darker than usual the card is, in standard deviations, on a coarse grid; 0 where it cannot be told."""

    grid: Grid
    dark: np.ndarray
    known: np.ndarray  # bool, where the print allows to tell


def _shade_picture(face: CardFace) -> _ShadePicture:
    stride = max(1, round(SHADE_STEP_MM / face.grid.step_mm))
    illumination = face.illumination[::stride, ::stride].astype(np.float32)
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
    return _ShadePicture(grid, standard, known)


def _shade_match(shade: _ShadePicture, card: Card, light: Light) -> float:
    """Correlation between predicted shadow and darkness over plain paper; uprights left out do not count."""
    uprights = [u for u in card.uprights if u.name not in light.uprights_left_out]
    shadow = filled(shade.grid, [o for u in uprights for o in shadow_outlines(u, light)]).view(bool) & shade.known
    count = int(shade.known.sum())
    share = shadow.sum() / max(count, 1)
    if not 0 < share < 1:
        return -1.0
    return float(shade.dark[shadow].sum() / count / np.sqrt(share * (1 - share)))


def _match_shade(shade: _ShadePicture, card: Card, start: Light) -> Light:
    """The start moved to where its predicted shadows cover the dark paper best; right to a few tenths of a mm."""

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
        options={"maxfev": 160, "xatol": 0.02, "fatol": 1e-4, "initial_simplex": simplex},
    )
    return light_of(found.x)


# --- fit ------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _EdgePoints:
    """Observed half-level crossings and the shadow edge (two vertices of one upright) each belongs to."""

    places_mm: np.ndarray  # (n, 2)
    upright: np.ndarray  # (n,)
    i: np.ndarray  # (n,) rows of all uprights' vertices stacked
    j: np.ndarray
    outward: np.ndarray  # (n, 2)


def _fit(face: CardFace, card: Card, start: Light) -> Light | None:
    """The lamp from all uprights but those that disagree; None where too few edges are seen."""
    illumination = face.illumination.astype(np.float32)
    used, left_out, light = list(range(len(card.uprights))), [], start
    while True:
        for window in EDGE_WINDOWS_MM:
            points = _observe(face, illumination, card, light, used, window)
            if len(points.places_mm) < LEAST_EDGE_POINTS:
                return None
            light, strain = _solve(points, card, light, fixed_distance=None)
        seen = sorted(set(points.upright.tolist()))
        worst = max(seen, key=lambda number: strain[number])
        if strain[worst] <= BELIEVED_SIGMAS or len(seen) <= 2:
            break
        left_out.append(worst)
        used.remove(worst)
    inverse, inverse_u = light.inverse_distance_per_mm, np.sqrt(light.covariance[2, 2])
    distant = inverse < 1 / DISTANT_FROM_MM and inverse < COVERAGE_FACTOR * inverse_u
    if distant or len(seen) < 2:
        light, _ = _solve(points, card, light, fixed_distance=0.0 if distant else inverse)
    fallen = [u for u in used if u not in seen and _shadow_is_missing(face, illumination, card, light, u)]
    flags = ["light-distant"] if distant else []
    flags += ["one-upright"] if len(seen) < 2 else []
    flags += ["upright-left-out"] if left_out or fallen else []
    return replace(
        light,
        azimuth_deg=light.azimuth_deg % 360,
        uprights_used=tuple(card.uprights[u].name for u in seen),
        uprights_left_out=tuple(card.uprights[u].name for u in sorted([*left_out, *fallen])),
        flags=tuple(flags),
    )


def _observe(
    face: CardFace, illumination, card: Card, light: Light, used: list[int], window_mm: float
) -> _EdgePoints:
    """Half-level crossings along profiles across the predicted shadow edges."""
    offsets = np.arange(-window_mm, window_mm + PROFILE_STEP_MM / 2, PROFILE_STEP_MM)
    first_row = np.cumsum([0] + [len(u.vertices_mm) for u in card.uprights])
    rows: list[tuple] = []
    for number in used:
        for edge in outer_edges(card.uprights[number], light):
            length = np.linalg.norm(edge.ends_mm[1] - edge.ends_mm[0])
            if length < 2 * EDGE_ENDS_MM + EDGE_SPACING_MM:
                continue
            t = np.arange(EDGE_ENDS_MM, length - EDGE_ENDS_MM, EDGE_SPACING_MM) / length
            middle = edge.ends_mm[0] + t[:, None] * (edge.ends_mm[1] - edge.ends_mm[0])
            profiles = _sample(face, illumination, middle[:, None, :] + offsets[:, None] * edge.outward)
            crossing = _crossings(profiles, offsets)
            good = np.isfinite(crossing)
            places = middle[good] + crossing[good, None] * edge.outward
            rows += [
                (p, number, first_row[number] + edge.i, first_row[number] + edge.j, edge.outward) for p in places
            ]
    if not rows:
        none = np.empty(0, int)
        return _EdgePoints(np.empty((0, 2)), none, none, none, np.empty((0, 2)))
    places, numbers, i, j, outward = zip(*rows, strict=True)
    return _EdgePoints(np.array(places), np.array(numbers), np.array(i), np.array(j), np.array(outward))


def _crossings(profiles: np.ndarray, offsets: np.ndarray) -> np.ndarray:
    """
    (n,) offset where each profile (n, samples), dark to bright, passes half its step; NaN where there is no clear
    step.
    """
    third = len(offsets) // 3
    dark, bright = np.median(profiles[:, :third], axis=1), np.median(profiles[:, -third:], axis=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        clear = (bright - dark) / bright > LEAST_CONTRAST
    half = (dark + bright) / 2
    above = profiles > half[:, None]
    rising = ~above[:, :-1] & above[:, 1:]
    single = rising.sum(axis=1) <= 3  # noise may cross a few times, another edge many
    nearest = np.where(rising, np.abs(offsets[:-1]), np.inf).argmin(axis=1)
    n = np.arange(len(profiles))
    before, after = profiles[n, nearest], profiles[n, nearest + 1]
    with np.errstate(invalid="ignore", divide="ignore"):
        place = offsets[nearest] + (half - before) / (after - before) * (offsets[1] - offsets[0])
    return np.where(clear & single & rising.any(axis=1) & np.isfinite(profiles).all(axis=1), place, np.nan)


def _solve(points: _EdgePoints, card: Card, start: Light, *, fixed_distance: float | None):
    """
    Lamp and each upright's small errors from edge points.

    Unknown: azimuth, elevation, inverse distance; per upright height error and lean (x, y) with their priors.
    Returns the light with covariance, and each upright's largest error in units of its prior (uprights,).
    """
    vertices = np.concatenate([u.vertices_mm for u in card.uprights])
    owner = np.concatenate([np.full(len(u.vertices_mm), k) for k, u in enumerate(card.uprights)])
    height = np.array([u.height_mm for u in card.uprights])
    share = vertices[:, 2] / height[owner]
    priors = np.stack([np.full(len(height), card.height_u_mm), *[LEAN_U_MM_PER_MM * height] * 2], axis=1)
    known = sorted(set(points.upright.tolist()))
    units = np.array([1.0, 1.0, 1e-4])

    def light_of(p: np.ndarray) -> Light:
        inverse = p[2] * units[2] if fixed_distance is None else fixed_distance
        return replace(start, azimuth_deg=p[0], elevation_deg=p[1], inverse_distance_per_mm=inverse)

    def errors_of(p: np.ndarray) -> np.ndarray:
        errors = np.zeros((len(height), 3))
        errors[known] = p[3:].reshape(-1, 3)
        return errors

    def distances(p: np.ndarray) -> np.ndarray:
        moved = vertices.copy()
        errors = (errors_of(p) * priors)[owner] * share[:, None]
        moved[:, 2] += errors[:, 0]
        moved[:, :2] += errors[:, 1:]
        thrown = _throw(light_of(p), moved)
        a, b = thrown[points.i], thrown[points.j]
        along = b - a
        normal = np.stack([along[:, 1], -along[:, 0]], axis=1)
        normal *= np.sign((normal * points.outward).sum(axis=1, keepdims=True))
        normal /= np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-9)
        return ((points.places_mm - a) * normal).sum(axis=1)

    first = np.concatenate(
        [[start.azimuth_deg, start.elevation_deg, start.inverse_distance_per_mm / units[2]], np.zeros(3 * len(known))]
    )
    edge_u = 0.3
    for _ in range(2):
        scale = edge_u * np.sqrt(EDGE_CORRELATION)

        def residuals(p: np.ndarray, scale: float = scale) -> np.ndarray:
            return np.concatenate([_soft(distances(p) / scale), p[3:]])

        lower = np.full(len(first), -np.inf)
        upper = np.full(len(first), np.inf)
        lower[1], upper[1] = 2.0, 89.0
        lower[2], upper[2] = -5.0, 60.0
        fit = least_squares(residuals, np.clip(first, lower + 1e-9, upper - 1e-9), bounds=(lower, upper), x_scale=1.0)
        first = fit.x
        edge_u = max(LEAST_EDGE_U_MM, float(1.4826 * np.median(np.abs(distances(first)))))
    jacobian = np.asarray(fit.jac)
    covariance = np.linalg.pinv(jacobian.T @ jacobian, hermitian=True)[:3, :3] * np.outer(units, units)
    if fixed_distance is not None:
        covariance[2, :] = covariance[:, 2] = 0.0
    light = replace(light_of(first), covariance=covariance)
    return light, np.abs(errors_of(first)).max(axis=1)


def _throw(light: Light, vertices: np.ndarray) -> np.ndarray:
    """Shadows on z = 0; takes inverse distances below zero (a lamp "beyond infinity") so that a fit passes zero "
    "freely."""
    inverse = light.inverse_distance_per_mm
    direction = light.direction
    at = np.array([*light.at_mm, 0.0])
    ray = direction - (vertices - at) * inverse  # from each vertex towards the lamp, times distance
    return vertices[:, :2] - ray[:, :2] * (vertices[:, 2] / np.maximum(ray[:, 2], 1e-4))[:, None]


def _soft(residual: np.ndarray) -> np.ndarray:
    """Residuals whose squares grow like soft-l1 beyond three sigmas: one stain on the paper must not turn the "
    "lamp."""
    z = (residual / 3.0) ** 2
    return np.sign(residual) * 3.0 * np.sqrt(2 * (np.sqrt(1 + z) - 1))


def _shadow_is_missing(face: CardFace, illumination, card: Card, light: Light, number: int) -> bool:
    """True where the upright's shadow should lie on plain paper, but the paper is lit."""
    mask = shadow_mask(face, [card.uprights[number]], light)
    inside = cv2.erode(mask, np.ones((7, 7), np.uint8)).astype(bool) & np.isfinite(illumination)
    if inside.sum() * face.grid.step_mm**2 < 15.0:
        return False
    return float(np.median(illumination[inside])) > 0.7 * float(np.nanmedian(illumination))


def shadow_mask(face: CardFace, uprights: tuple[Upright, ...] | list[Upright], light: Light) -> np.ndarray:
    """(rows, columns) uint8 on the face's grid, 1 in the shadow of any of the uprights."""
    return filled(face.grid, [outline for upright in uprights for outline in shadow_outlines(upright, light)])
