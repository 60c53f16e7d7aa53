"""
One Gauss-Newton pass of the height solver: albedo, robust weights, shadow runs, heights, bounced light.

"Over level" is short for: divided by the brightness that a level deck of the paint's smooth albedo would have there.
"""

from __future__ import annotations

import math
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
BOUNCE_STEP_MM = 0.34  # grid of the bounced light [mm]


@dataclass(frozen=True, slots=True)
class Settings:
    """How to solve. The numbers were chosen on the decks of calibration/relief that are named dev there."""

    roughness: float | None  # of the paint's skin (GGX); None takes the deck as plain matt paint
    cauchy: tuple[float, ...]  # scales of the robust weights, pass by pass on the coarsest grid, over level
    paper: float  # reflectance of the paper that brightness is relative to
    fine_passes: int = 4  # finer grids use the last ones of `cauchy`
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
    unblur: np.ndarray | None = None  # (views, rows, columns) what blur took, over level


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
    rows, rhs = _run_equations(level, state, settings, scale)
    form = integrate.Quadratic(m, v, rows, rhs, level.grid.step_mm, FLAT_MM, settings.flat_u_mm**-2)
    return replace(state, nodes_mm=integrate.minimise(form, state.nodes_mm, tolerance=TOLERANCE, most=MOST_STEPS))


def _slope_equations(
    level: Level, state: State, settings: Settings, scale: float
) -> tuple[State, tuple[np.ndarray, np.ndarray]]:
    """The state with its new albedo and unblurring; M and the right-hand side of each pixel's slopes."""
    p, q = integrate.slopes(state.nodes_mm, level.grid.step_mm)
    f, by_p, by_q = _responses(level, state, settings, p, q)
    if scale < 1:  # heights are worth re-lighting
        state = replace(state, unblur=_unblur(level, state, f))
    w = robust_weights(level, state, settings, f, scale)
    state = replace(state, albedo=_smooth_albedo(level, state, settings, f, w))
    residual = over_level(level, state)
    residual -= state.bounced
    residual -= f
    residual[~(w > 0)] = 0
    m, v = _normal_equations(w, f, by_p, by_q, residual, settings)
    v[0] += m[0] * p + m[1] * q
    v[1] += m[1] * p + m[2] * q
    pull = _slope_pull(settings, p, q)
    m[0] += pull
    m[2] += pull
    if math.isfinite(settings.hidden_u):
        more_m, more_v = _hidden(level, state, settings)
        m += more_m
        v += more_v
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
    wide = [cv2.resize(a, grid.shape[::-1], interpolation=cv2.INTER_LINEAR) for a in arrived]
    return replace(state, bounced=np.float32(bounce.GAIN) * np.stack(wide))


def paint(state: State, settings: Settings) -> np.ndarray:
    """Albedo of the paint itself, (rows, columns)."""
    return np.clip(state.albedo * np.float32(settings.paper), *PAINT_RANGE).astype(np.float32)


def over_level(level: Level, state: State) -> np.ndarray:
    """Brightness over level, the photo's blur undone as far as the present heights tell it."""
    ratio = level.seen / state.albedo
    return ratio if state.unblur is None else ratio + state.unblur


def responses(level: Level, state: State, settings: Settings) -> np.ndarray:
    """Each view's response to the present slopes, (views, rows, columns)."""
    p, q = integrate.slopes(state.nodes_mm, level.grid.step_mm)
    f = np.empty_like(level.seen)
    for at, (shade, _, _) in _by_strips(level, state, settings, p, q):
        f[at] = shade
    return f


def _responses(level, state, settings, p, q) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """`responses`, and their derivatives by p and q."""
    f, by_p, by_q = np.empty((3, *level.seen.shape), np.float32)
    for at, found in _by_strips(level, state, settings, p, q):
        f[at], by_p[at], by_q[at] = found
    return f, by_p, by_q


def _by_strips(level, state, settings, p, q):
    """Each view's response a few rows at a time, with its place in (views, rows, columns)."""
    albedo = paint(state, settings)
    for rows in strips(level.grid.rows):
        for view in range(len(level.seen)):
            light = level.lighting(view, rows)
            yield (
                (view, rows),
                forward.response(p[rows], q[rows], light, albedo[rows], roughness=settings.roughness),
            )


def _unblur(level: Level, state: State, f: np.ndarray) -> np.ndarray | None:
    """What the photo's blur took from each pixel of the re-lit views; None where the blur is far under a pixel."""
    if level.blur_px < LEAST_BLUR_PX:
        return None
    height = integrate.pixels(state.nodes_mm)
    taken = np.empty_like(f)
    for view, over in enumerate(level.fans):
        relit = shadows.lit_share(height, over) * np.maximum(f[view], 0) + state.bounced[view]
        taken[view] = relit - cv2.GaussianBlur(relit, (0, 0), level.blur_px)
    return taken


def lit_pixels(level: Level, state: State, settings: Settings) -> np.ndarray:
    """(views, rows, columns) bool, True where the view shows lit deck; False in shadow and where unmeasured."""
    return over_level(level, state) > state.bounced + np.float32(settings.margin)


def robust_weights(level: Level, state: State, settings: Settings, f: np.ndarray, scale: float) -> np.ndarray:
    """
    Weights of the views' pixels [1 / brightness over level, squared]: 0 in shadow, falling with the misfit (Cauchy).

    The misfit is told after the pixel's own albedo has been fitted, so a stain is none.
    """
    excess = over_level(level, state) - state.bounced
    w = np.empty_like(excess)
    for rows in strips(level.grid.rows):
        w[:, rows] = _strip_weights(excess[:, rows], f[:, rows], settings, scale)
    return w


def _strip_weights(excess: np.ndarray, f: np.ndarray, settings: Settings, scale: float) -> np.ndarray:
    """`robust_weights` of some rows; `excess` is the light beyond the bounced, over level."""
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


def _normal_equations(w, f, by_p, by_q, residual, settings) -> tuple[np.ndarray, np.ndarray]:
    """
    M and the right-hand side of each pixel's slope step, with the pixel's own albedo eliminated.

    The brightness over level of all views together has covariance  diag(1/w) + albedo_u^2 f f';  its inverse follows
    from Sherman and Morrison.
    """
    share = np.float32(settings.albedo_u**2)
    m, v = np.empty((3, *f.shape[1:]), np.float32), np.empty((2, *f.shape[1:]), np.float32)
    for rows in strips(f.shape[1]):
        at = np.s_[:, rows]
        wf, wp, wq = w[at] * f[at], w[at] * by_p[at], w[at] * by_q[at]
        shrink = share / (1 + share * (wf * f[at]).sum(axis=0))
        fp, fq, fr = ((wf * a[at]).sum(axis=0) for a in (by_p, by_q, residual))
        m[0, rows] = (wp * by_p[at]).sum(axis=0) - shrink * fp * fp
        m[1, rows] = (wp * by_q[at]).sum(axis=0) - shrink * fp * fq
        m[2, rows] = (wq * by_q[at]).sum(axis=0) - shrink * fq * fq
        v[0, rows] = (wp * residual[at]).sum(axis=0) - shrink * fp * fr
        v[1, rows] = (wq * residual[at]).sum(axis=0) - shrink * fq * fr
    return m, v


def _excess(level: Level, state: State, settings: Settings) -> np.ndarray:
    """Brightness over level minus the shadow level, (views, rows, columns); negative in shadow, blurred as seen."""
    return level.seen / state.albedo - state.bounced - np.float32(settings.margin)


def seen_runs(
    level: Level, state: State, settings: Settings
) -> list[tuple[shadows.Runs, sparse.csr_array, np.ndarray]]:
    """Each view's shadow runs, with their equations on the nodes."""
    look = int(np.ceil(1.5 + 1.5 * level.blur_px))
    found = []
    for excess, over in zip(_excess(level, state, settings), level.fans, strict=True):
        runs = shadows.find_runs(excess, over, look_px=look)
        found.append((runs, *shadows.equations(runs, level.grid.shape)))
    return found


def _slope_pull(settings: Settings, p: np.ndarray, q: np.ndarray) -> np.ndarray:
    """Weight of the pull of slopes to zero: strong on level land, weak beyond the knee, so that flanks stay steep."""
    steep = (p * p + q * q) * np.float32(settings.slope_knee**-2)
    return np.float32(settings.slope_u**-2) / (1 + steep) + np.float32(SLOPE_MOST**-2)


def _hidden(level: Level, state: State, settings: Settings) -> tuple[np.ndarray, np.ndarray]:
    """What to add to M and the right-hand side where no view sees the deck: a flank, then a floor."""
    m, v = (np.zeros((n, *level.grid.shape), np.float32) for n in (3, 2))
    unseen = ~lit_pixels(level, state, settings).any(axis=0)
    for view, (excess, over) in enumerate(zip(_excess(level, state, settings), level.fans, strict=True)):
        light = level.lighting(view)
        slope, inside = shadows.hidden_slopes(excess, over, flank=HIDDEN_FLANK)
        weight = np.where(inside & unseen, np.float32(settings.hidden_u**-2), 0)
        tangent = 1 / np.hypot(light.x, light.y)
        away = -light.x * tangent, -light.y * tangent
        m += weight * np.stack([away[0] * away[0], away[0] * away[1], away[1] * away[1]])
        v += weight * slope * np.stack(away)
    return m, v


def _run_equations(level: Level, state: State, settings: Settings, scale: float):
    """Weighted shadow-run equations of all views, robust against the heights of the last pass."""
    if not settings.runs:
        return sparse.csr_array((0, state.nodes_mm.size), dtype=np.float32), np.zeros(0, np.float32)
    matrices, sides = [], []
    for runs, matrix, side in seen_runs(level, state, settings):
        misfit = (side - matrix @ state.nodes_mm.ravel()) / runs.u_mm
        weight = settings.run_weight / runs.u_mm / np.sqrt(1 + (misfit / (RUN_OUTLIER * scale)) ** 2)
        matrices.append(sparse.diags_array(weight.astype(np.float32)) @ matrix)
        sides.append((weight * side).astype(np.float32))
    return sparse.vstack(matrices).tocsr(), np.concatenate(sides)


def _smooth_albedo(level: Level, state: State, settings: Settings, f: np.ndarray, w: np.ndarray) -> np.ndarray:
    """The level deck's brightness, smooth over albedo_mm, from the lit pixels."""
    seen = over_level(level, state)
    below, above = np.zeros((2, *f.shape[1:]), np.float32)
    for view in range(len(f)):
        strength = w[view] * np.maximum(f[view], 0)
        below += strength * (f[view] + state.bounced[view])
        above += strength * np.where(w[view] > 0, seen[view], 0)
    change = np.clip(above / np.maximum(below, 1e-6), 0.3, 3)
    value = (change * state.albedo).astype(np.float32)
    return _smooth(value, below.astype(np.float32), settings.albedo_mm / level.grid.step_mm)


def _smooth(values: np.ndarray, weight: np.ndarray, sigma_px: float) -> np.ndarray:
    """Weighted Gaussian mean, worked out on coarser pixels; far from any weight it tends to the mean of all."""
    shrink = max(1, int(sigma_px / 4))
    size = (max(1, values.shape[1] // shrink), max(1, values.shape[0] // shrink))
    small = [cv2.resize(a, size, interpolation=cv2.INTER_AREA) for a in (values * weight, weight)]
    sigma = sigma_px / shrink
    above, below = (cv2.GaussianBlur(a, (0, 0), sigma, borderType=cv2.BORDER_REFLECT) for a in small)
    mean, little = float(above.sum() / max(below.sum(), 1e-12)), 1e-3 * float(below.max()) + 1e-12
    return cv2.resize((above + little * mean) / (below + little), values.shape[::-1], interpolation=cv2.INTER_LINEAR)
