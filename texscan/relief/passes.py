"""
One Gauss-Newton pass of the height solver: albedo, robust weights, shadow runs, heights, bounced light.

"Over level" is short for: divided by the brightness that a level deck of the paint's smooth albedo would have there.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import cv2
import numpy as np
from scipy import sparse

from . import bounce, forward, integrate, shadows
from .pyramid import Level, finer

SLOPE_MOST = 1.0  # prior standard deviation of a slope beyond the knee
FLAT_MM = 12.0  # beyond this wavelength the deck is pulled flat; the L-filter removes what lies beyond 25 mm
LEAST_BLUR_PX = 0.4  # a narrower blur is left alone [standard deviation in pixels]
HIDDEN_FLANK = 1.0  # tangent of a flank that lies in shadow; moulded ones have 30 to 60 degrees, common practice
RUN_OUTLIER = 10.0  # Cauchy scale of a run's misfit in its uncertainties, where shading's Cauchy scale is 1
PAINT_RANGE = (0.04, 0.95)  # albedo of paints, dark grey to fresh white
TOLERANCE, MOST_STEPS = 3e-3, 60  # of the least-squares solve inside a pass: relative residual, steps
STRIP_ROWS = 32  # rows worked on at a time
KNOT_MM = 1.5  # the skin of the paint is told this far apart: its albedo is smooth over albedo_mm [mm]
BOUNCE_STEP_MM = 0.34  # grid of the bounced light [mm]


@dataclass(frozen=True, slots=True)
class Settings:
    """How to solve. The numbers were chosen on the decks of calibration/relief that are named dev there."""

    roughness: float | None  # of the paint's skin (GGX); None takes the deck as plain matt paint
    cauchy: tuple[float, ...]  # scales of the robust weights, pass by pass on the coarsest grid, over level
    paper: float  # reflectance of the paper that brightness is relative to
    fine_passes: int = 3  # finer grids use the last ones of `cauchy`
    runs: bool = True  # shadow runs as equations
    run_weight: float = 10.0  # of a run against a pixel: shading's errors are alike over many pixels, a run's are not
    bounce: bool = True  # bounced light
    margin: float = 0.25  # a pixel is in shadow below the bounced light plus this, over level
    shading_u: float = 0.06  # standard uncertainty of a lit pixel, over level
    bright_knee: float = math.inf  # lit pixels this much brighter than level, or more, count less
    albedo_u: float = 0.06  # relative scatter of the paint's albedo about its smooth mean
    albedo_mm: float = 6.0  # standard deviation of the window of that mean [mm]
    slope_u: float = 0.1  # pull of slopes to zero: prior standard deviation on level land
    slope_knee: float = 0.1  # steeper slopes are pulled less; inf pulls all alike
    hidden_u: float = math.inf  # of slopes in shadow about a flank and a floor; inf leaves them to the pull alone
    flat_u_mm: float = 0.3  # how far the deck's mean level may stray over wavelengths beyond FLAT_MM [mm]


@dataclass(frozen=True, slots=True)
class State:
    """What a pass hands to the next."""

    nodes_mm: np.ndarray  # (rows + 1, columns + 1) float32
    albedo: np.ndarray  # (rows, columns) brightness of the level deck, smooth
    bounced: np.ndarray  # (views, rows, columns) over level
    unblur: np.ndarray | None = None  # (views, rows, columns) what blur took, over level; each pass tells it anew


def flat_state(level: Level) -> State:
    """A flat deck of one albedo."""
    rows, columns = level.grid.shape
    albedo = np.full((rows, columns), np.nanmedian(level.seen), np.float32)
    return State(np.zeros((rows + 1, columns + 1), np.float32), albedo, np.zeros_like(level.seen))


def finer_state(state: State, level: Level) -> State:
    """A state on the grid of the next finer level."""
    shape = level.grid.shape
    return State(
        finer(state.nodes_mm, (shape[0] + 1, shape[1] + 1), nodes=True),
        finer(state.albedo, shape, nodes=False),
        np.stack([finer(a, shape, nodes=False) for a in state.bounced]),
    )


def strips(rows: int) -> list[slice]:
    """Slices of a few rows each: arrays of that size stay in the processor's cache."""
    return [slice(first, first + STRIP_ROWS) for first in range(0, rows, STRIP_ROWS)]


def height_pass(level: Level, state: State, settings: Settings, scale: float) -> State:
    """New albedo and heights; `scale` is the Cauchy scale of the robust weights, over level."""
    state, (m, v) = _slope_equations(level, state, settings, scale)
    rows, rhs = _shadow_equations(level, state, settings, scale, (m, v))
    form = integrate.Quadratic(m, v, rows, rhs, level.grid.step_mm, FLAT_MM, settings.flat_u_mm**-2)
    return replace(state, nodes_mm=integrate.minimise(form, state.nodes_mm, tolerance=TOLERANCE, most=MOST_STEPS))


def _slope_equations(
    level: Level, state: State, settings: Settings, scale: float
) -> tuple[State, tuple[np.ndarray, np.ndarray]]:
    """The state with its new albedo and unblurring; M and the right-hand side of each pixel's slopes."""
    p, q = integrate.slopes(state.nodes_mm, level.grid.step_mm)
    skins = _Skins(level, state, settings)
    if scale < 1:  # heights are worth re-lighting
        state = replace(state, unblur=_unblur(level, state, skins))
    sums = np.empty((2, *p.shape), np.float32)
    # The right-hand side's part that does not know the albedo, and the one that is to be divided by it.
    m, (v, by_light) = np.empty((3, *p.shape), np.float32), np.empty((2, 2, *p.shape), np.float32)
    for rows in strips(level.grid.rows):
        at = np.s_[:, rows]
        f, by_p, by_q = _responses(level, skins, rows, (p[rows], q[rows]))
        light = _beyond_bounced(level, state, rows)
        w = _weights(light, f, settings, scale)
        sums[at] = _albedo_sums(w, f, light, state.bounced[at])
        seen = level.seen[at].copy()
        light -= seen / state.albedo[rows] + f
        light[~(w > 0)], seen[~(w > 0)] = 0, 0
        m[at], v[at], by_light[at] = _normal_equations(w, f, (by_p, by_q), (light, seen), settings)
    state = replace(state, albedo=_smooth_albedo(level, state, settings, sums))
    for rows in strips(level.grid.rows):
        here, (pp, pq, qq) = (p[rows], q[rows]), m[:, rows]
        v[:, rows] += by_light[:, rows] / state.albedo[rows]
        v[0, rows] += pp * here[0] + pq * here[1]
        v[1, rows] += pq * here[0] + qq * here[1]
        pull = _slope_pull(settings, *here)
        pp += pull
        qq += pull
    return state, (m, v)


def bounce_pass(level: Level, state: State, settings: Settings) -> State:
    """Bounced light anew from the present heights."""
    grid = level.grid
    p, q = integrate.slopes(state.nodes_mm, grid.step_mm)
    height = integrate.pixels(state.nodes_mm)
    shrink = max(1, round(BOUNCE_STEP_MM / grid.step_mm))
    size = (max(1, grid.columns // shrink), max(1, grid.rows // shrink))

    def small(a: np.ndarray) -> np.ndarray:
        return cv2.resize(a, size, interpolation=cv2.INTER_AREA)

    albedo = paint(state, settings)
    sent = [
        small(np.clip(forward.lambert(p, q, light), 0, None) * shadows.lit_share(height, over) * albedo)
        for light, over in zip(map(level.lighting, range(len(level.fans))), level.fans, strict=True)
    ]
    step = grid.step_mm * grid.columns / size[0]
    arrived = bounce.bounced(small(height), small(p), small(q), np.stack(sent), step)
    arrived *= np.float32(bounce.GAIN)
    wide = np.empty_like(level.seen)
    for view, light in enumerate(arrived):
        cv2.resize(light, grid.shape[::-1], wide[view], interpolation=cv2.INTER_LINEAR)
    return replace(state, bounced=wide)


def paint(state: State, settings: Settings) -> np.ndarray:
    """Albedo of the paint itself, (rows, columns)."""
    return np.clip(state.albedo * np.float32(settings.paper), *PAINT_RANGE).astype(np.float32)


def _beyond_bounced(level: Level, state: State, rows: slice) -> np.ndarray:
    """
    Light beyond the bounced, over level, on some rows of all views; the photo's blur undone as far as the present
    heights tell it.
    """
    light = level.seen[:, rows] / state.albedo[rows]
    if state.unblur is not None:
        light += state.unblur[:, rows]
    light -= state.bounced[:, rows]
    return light


def _responses(level: Level, skins: _Skins, rows: slice, slopes: tuple[np.ndarray, np.ndarray]) -> np.ndarray:
    """Each view's response to the slopes of some rows, and its derivatives by p and q: (3, views, rows, columns)."""
    faces, views = forward.faces(*slopes), range(len(level.seen))
    out = np.empty((3, len(views), *faces.p.shape), np.float32)
    for view in views:
        out[:, view] = forward.response(faces, level.lighting(view, rows), skins.over(view, rows))
    return out


class _Skins:
    """The paint's skin under each view's lamp: smooth, so told at knots and spread linearly between them."""

    def __init__(self, level: Level, state: State, settings: Settings):
        self.knots: list[forward.Skin] = []
        if settings.roughness is None:
            return
        self.apart, self.columns = max(1, round(KNOT_MM / level.grid.step_mm)), level.grid.columns
        rows, columns = (_knots(n, self.apart) for n in level.grid.shape)
        self.down = np.maximum(1 - np.abs(np.arange(level.grid.rows)[:, None] - rows) / self.apart, 0)
        inside = (np.clip(at, 0, n - 1).astype(int) for at, n in zip((rows, columns), level.grid.shape, strict=True))
        albedo = paint(state, settings)[np.ix_(*inside)]
        lamps = (level.lighting_at(view, rows, columns) for view in range(len(level.seen)))
        self.knots = [forward.skin(lamp.sine, albedo, settings.roughness) for lamp in lamps]

    def over(self, view: int, rows: slice) -> forward.Skin | None:
        """A view's skin over some rows."""
        if not self.knots:
            return None
        skin = self.knots[view]
        return replace(skin, body=self._spread(skin.body, rows), highlight=self._spread(skin.highlight, rows))

    def _spread(self, values: np.ndarray, rows: slice) -> np.ndarray:
        between = (self.down[rows] @ values).astype(np.float32)
        size = (between.shape[1] * self.apart, len(between))
        return cv2.resize(between, size, interpolation=cv2.INTER_LINEAR)[:, self.apart : self.apart + self.columns]


def _knots(count: int, apart: int) -> np.ndarray:
    """Middles of blocks of so many pixels that cover `count` pixels, and of one block more at either end."""
    return (np.arange(-1, -(-count // apart) + 1) + 0.5) * apart - 0.5


def _unblur(level: Level, state: State, skins: _Skins) -> np.ndarray | None:
    """What the photo's blur took from each pixel of the re-lit views; None where the blur is far under a pixel."""
    if level.blur_px < LEAST_BLUR_PX:
        return None
    p, q = integrate.slopes(state.nodes_mm, level.grid.step_mm)
    height = integrate.pixels(state.nodes_mm)
    taken = np.empty_like(level.seen)
    for rows in strips(level.grid.rows):
        faces = forward.faces(p[rows], q[rows])
        for view in range(len(taken)):
            f = forward.brightness(faces, level.lighting(view, rows), skins.over(view, rows))
            np.maximum(f, 0, out=taken[view, rows])
    for relit, bounced, over in zip(taken, state.bounced, level.fans, strict=True):
        relit *= shadows.lit_share(height, over)
        relit += bounced
        relit -= cv2.GaussianBlur(relit, (0, 0), level.blur_px)
    return taken


def lit_pixels(level: Level, state: State, settings: Settings) -> np.ndarray:
    """(views, rows, columns) bool, True where the view shows lit deck; False in shadow and where unmeasured."""
    lit = np.empty(level.seen.shape, bool)
    for rows in strips(level.grid.rows):
        lit[:, rows] = _beyond_bounced(level, state, rows) > np.float32(settings.margin)
    return lit


def relit_residual(level: Level, state: State, settings: Settings) -> float:
    """Relative rms of the lit pixels against the re-lit views, each pixel's own albedo fitted; NaN if none is lit."""
    p, q = integrate.slopes(state.nodes_mm, level.grid.step_mm)
    skins = _Skins(level, state, settings)
    left, whole = 0.0, 0.0
    for rows in strips(level.grid.rows):
        faces = forward.faces(p[rows], q[rows])
        lamps = ((level.lighting(view, rows), skins.over(view, rows)) for view in range(len(level.seen)))
        f = np.stack([forward.brightness(faces, *lamp) for lamp in lamps])
        ratio = _beyond_bounced(level, state, rows)
        unlit = ~(ratio > np.float32(settings.margin))
        ratio[unlit], f[unlit] = 0, 0
        gain = (f * ratio).sum(axis=0) / np.maximum((f * f).sum(axis=0), 1e-6)
        whole += float(np.vdot(ratio, ratio))
        ratio -= f * gain
        left += float(np.vdot(ratio, ratio))
    return math.sqrt(left / whole) if whole else math.nan


def _albedo_sums(w, f, light, bounced) -> tuple[np.ndarray, np.ndarray]:
    """Weighted sums over the views, on some rows: light that the model expects at level, and light seen."""
    strength = w * np.maximum(f, 0)
    expected = (strength * (f + bounced)).sum(axis=0)
    return expected, (strength * np.where(w > 0, light + bounced, 0)).sum(axis=0)


def _weights(excess: np.ndarray, f: np.ndarray, settings: Settings, scale: float) -> np.ndarray:
    """
    Weights of the views' pixels [1 / brightness over level, squared]: 0 in shadow, falling with the misfit (Cauchy).

    `excess` is the light beyond the bounced, over level. The misfit is told after the pixel's own albedo has been
    fitted, so a stain is none.
    """
    lit = excess > np.float32(settings.margin)
    ratio, own = np.where(lit, excess, 0), np.where(lit, f, 0)
    base = np.where(lit, np.float32(settings.shading_u**-2), 0)
    if math.isfinite(settings.bright_knee):
        bright = np.maximum((ratio - 1) / np.float32(settings.bright_knee), 0)
        bright *= bright
        base /= 1 + bright * bright
    share = np.float32(settings.albedo_u**2)
    w = base
    for _ in range(2):
        weighted = w * own
        gain = share * (weighted * (ratio - own)).sum(axis=0) / (1 + share * (weighted * own).sum(axis=0))
        misfit = (ratio - own * (1 + gain)) * np.float32(1 / scale)
        w = base / (1 + misfit * misfit)
    return w


def _normal_equations(
    w: np.ndarray, f: np.ndarray, by_slopes: tuple[np.ndarray, np.ndarray], residuals, settings: Settings
) -> list[np.ndarray]:
    """
    M and, for each residual, the right-hand side of each pixel's slope step, with the pixel's own albedo eliminated.

    The brightness over level of all views together has covariance  diag(1/w) + albedo_u^2 f f';  its inverse follows
    from Sherman and Morrison.
    """
    share = np.float32(settings.albedo_u**2)
    by_p, by_q = by_slopes
    wf, wp, wq = w * f, w * by_p, w * by_q
    shrink = share / (1 + share * (wf * f).sum(axis=0))
    fp, fq = (wf * by_p).sum(axis=0), (wf * by_q).sum(axis=0)
    out = [
        np.stack(
            [
                (wp * by_p).sum(axis=0) - shrink * fp * fp,
                (wp * by_q).sum(axis=0) - shrink * fp * fq,
                (wq * by_q).sum(axis=0) - shrink * fq * fq,
            ]
        )
    ]
    for residual in residuals:
        fr = shrink * (wf * residual).sum(axis=0)
        out.append(np.stack([(wp * residual).sum(axis=0) - fp * fr, (wq * residual).sum(axis=0) - fq * fr]))
    return out


def seen_dark(level: Level, state: State, settings: Settings) -> Iterator[shadows.Dark]:
    """Where each view is dark, blurred as seen."""
    for seen, bounced, over in zip(level.seen, state.bounced, level.fans, strict=True):
        excess = seen / state.albedo
        excess -= bounced
        excess -= np.float32(settings.margin)
        yield shadows.dark(excess, over)


def run_equations(level: Level, view: int, seen: shadows.Dark):
    """A view's shadow runs, with their equations on the nodes."""
    look = int(np.ceil(1.5 + 1.5 * level.blur_px))
    runs = shadows.find_runs(seen, level.fans[view], look_px=look)
    return runs, *shadows.equations(runs, level.grid.shape)


def _slope_pull(settings: Settings, p: np.ndarray, q: np.ndarray) -> np.ndarray:
    """Weight of the pull of slopes to zero: strong on level land, weak beyond the knee, so that flanks stay steep."""
    steep = (p * p + q * q) * np.float32(settings.slope_knee**-2)
    return np.float32(settings.slope_u**-2) / (1 + steep) + np.float32(SLOPE_MOST**-2)


def _shadow_equations(
    level: Level, state: State, settings: Settings, scale: float, slopes: tuple[np.ndarray, np.ndarray]
) -> tuple[sparse.csr_array, np.ndarray]:
    """
    Weighted shadow-run equations of all views, robust against the heights of the last pass.

    Adds to `slopes` (M and the right-hand side) what is likely where no view sees the deck: a flank, then a floor.
    """
    matrices, sides = [sparse.csr_array((0, state.nodes_mm.size), dtype=np.float32)], [np.zeros(0, np.float32)]
    unseen = ~lit_pixels(level, state, settings).any(axis=0) if math.isfinite(settings.hidden_u) else None
    needed = settings.runs or unseen is not None
    for view, seen in enumerate(seen_dark(level, state, settings) if needed else ()):
        if unseen is not None:
            _add_hidden(*slopes, level, view, (seen, unseen), settings)
        if not settings.runs:
            continue
        runs, matrix, side = run_equations(level, view, seen)
        misfit = (side - matrix @ state.nodes_mm.ravel()) / runs.u_mm
        weight = settings.run_weight / runs.u_mm / np.sqrt(1 + (misfit / (RUN_OUTLIER * scale)) ** 2)
        matrix.data *= np.repeat(weight.astype(np.float32), np.diff(matrix.indptr))
        matrices.append(matrix)
        sides.append((weight * side).astype(np.float32))
    return sparse.vstack(matrices, format="csr"), np.concatenate(sides)


def _add_hidden(m, v, level: Level, view: int, dark: tuple, settings: Settings) -> None:
    """
    Adds to M and the right-hand side what is likely in a view's shadows that no other view sees either.

    dark : where this view is dark (Dark), and where all views are (rows, columns).
    """
    seen, unseen = dark
    slope, inside = shadows.hidden_slopes(seen, level.fans[view], flank=HIDDEN_FLANK)
    at = np.nonzero(inside & unseen)
    light = level.lighting(view)
    x, y = (np.broadcast_to(a, unseen.shape)[at] for a in (light.x, light.y))
    tangent = 1 / np.hypot(x, y)
    away = -x * tangent, -y * tangent
    weight = np.float32(settings.hidden_u**-2)
    for number, (one, other) in enumerate(((0, 0), (0, 1), (1, 1))):
        m[number][at] += weight * away[one] * away[other]
    for number in (0, 1):
        v[number][at] += weight * slope[at] * away[number]


def _smooth_albedo(level: Level, state: State, settings: Settings, sums: np.ndarray) -> np.ndarray:
    """The level deck's brightness, smooth over albedo_mm, from the light expected at level and the light seen."""
    expected, seen = sums
    value = np.clip(seen / np.maximum(expected, 1e-6), 0.3, 3)
    value *= state.albedo
    return _smooth(value, expected, settings.albedo_mm / level.grid.step_mm)


def _smooth(values: np.ndarray, weight: np.ndarray, sigma_px: float) -> np.ndarray:
    """Weighted Gaussian mean, worked out on coarser pixels; far from any weight it tends to the mean of all."""
    shrink = max(1, int(sigma_px / 4))
    size = (max(1, values.shape[1] // shrink), max(1, values.shape[0] // shrink))
    small = [cv2.resize(a, size, interpolation=cv2.INTER_AREA) for a in (values * weight, weight)]
    sigma = sigma_px / shrink
    above, below = (cv2.GaussianBlur(a, (0, 0), sigma, borderType=cv2.BORDER_REFLECT) for a in small)
    mean, little = float(above.sum() / max(below.sum(), 1e-12)), 1e-3 * float(below.max()) + 1e-12
    return cv2.resize((above + little * mean) / (below + little), values.shape[::-1], interpolation=cv2.INTER_LINEAR)
