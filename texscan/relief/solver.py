"""The height solver: from one to many raking-light views to a height map in mm, with what is known of its errors."""

from __future__ import annotations

import math
from dataclasses import replace

import cv2
import numpy as np
from scipy import fft, ndimage

from ..errors import ReliefError
from ..model import Grid, LitView, Relief
from ..window import window_of
from . import forward, grooves, integrate, passes
from .passes import Settings, State
from .pyramid import Level, pyramid

CARD_MM = 0.15  # thickness of the card: the deck's top plane lies this far below z = 0 [mm]
TOP_SHARE = 0.02  # of the area that stands above the top plane
PAPER_REFLECTANCE = 0.8  # of plain printing paper, where the card does not say; common practice, no source
ALBEDO_WITHOUT_CARD = 0.6  # of a deck's paint, where there is no paper to compare with
LEAST_MEASURED = 2000  # pixels: below this no texture figure means anything
GAP_MM = 2.0  # a shadow gap is filled this far from lit deck; farther in, nothing is known [mm]
SPECK_MM = 0.5  # unmeasured specks are filled this far from measured deck [mm]
# Passes of the coarsest grid, and of each finer one, after which bounced light is told anew. More on the finer grids
# moves the median error of 60 decks of calibration/relief by at most 0.1 of its 2.8, 5.0 and 20.6 %.
BOUNCED_AFTER = (0, 2), (1,)
SAME_SIDE_DEG = 30.0  # two lights closer in azimuth than this tell much the same
OPPOSED_DEG = 135.0  # two lights farther apart than this are opposed, nearer they are square
# Size by shading alone over size by shadows: steep flanks hold it under 1; 4 in 100 decks kept out are below 0.41.
AGREE = (0.41, 1.10)
FEWEST_RUNS = 200  # fewer shadow runs confirm no size
SMOOTH_MM = 0.03  # relief (2 to 98 %) below this is nearly smooth [mm]

# What the solver itself leaves, by the arrangement of the lights; fitted on the rendered decks of calibration/relief.
# Size read over true size: at a ratio (shading over shadows) of RATIO_AT, and its change per unit of that ratio.
# Where the ratio is high, flanks are gentle and a shadow begins before the surface has quite turned out of the light.
SIZE_READ: dict[str, tuple[float, float]] = {
    "opposed": (1.011, 0.155),
    "square": (1.036, 0.322),
    "many": (1.018, 0.150),
}
RATIO_AT = 0.8
RATIO_RANGE = (0.50, 0.95)  # of nearly all those decks; beyond it the correction stays as at its end
# Standard uncertainty of all heights together (relative) and of the contact-area fraction (absolute) where the views'
# contrast is CONTRAST_AT, and the powers of CONTRAST_AT / contrast with which the two grow: views that show little
# light and shade tell little.
SOLVER_U: dict[str, tuple[float, float]] = {
    "one": (0.269, 0.133),
    "opposed": (0.097, 0.0317),
    "grooves hidden": (0.73, 0.21),  # nine sets are too few for a fit: their largest misses
    "square": (0.094, 0.051),
    "many": (0.047, 0.0130),
}
U_POWER: dict[str, tuple[float, float]] = {
    "one": (0.6, 0.7),
    "opposed": (0.9, 1.0),
    "grooves hidden": (0.0, 0.0),
    "square": (0.5, 0.5),
    "many": (0.3, 0.0),
}
CONTRAST_AT = 0.4
CONTRAST_RANGE = (0.15, 0.8)  # of nearly all those decks
U_WITHOUT_CARD = 1.5  # factor on both when the paint's albedo is not known


def solve(
    views: tuple[LitView, ...],
    grid: Grid,
    *,
    paper_reflectance: float | None,
    settings: Settings | None = None,
) -> Relief:
    """
    Height map of a patch from its lit views.

    Parameters
    ----------
    views : tuple of LitView, one or more, all on `grid`
        NaN brightness is not used. Two views count as opposed, square or the same side by their azimuths.
    grid : Grid
    paper_reflectance : float or None
        Of the card's bare paper, 0 to 1; None without a card: the paint's albedo is then assumed and intervals widen.
    settings : Settings, optional
        Instead of those for this number of views.

    Returns
    -------
    Relief, the 2 % top plane at z = -CARD_MM; NaN where no view measured and deep inside gaps that no light reaches.

    Raises
    ------
    ReliefError
        Nothing measured, or nothing lit.

    Notes
    -----
    Gauss-Newton on the forward model (matt paint under a clear skin, bounced light, blur), coarse to fine, with
    robust weights from wide to tight; every shadow run adds the exact equation of its ray. The paint's albedo is
    smooth up to a small scatter that is eliminated pixel by pixel. Wavelengths beyond 12 mm are pulled flat: form is
    not claimed. The camera is taken to look straight down.
    """
    full = grid.shape
    views, seen, grid, window = _cropped(_checked(views, grid), grid)
    known = settings or settings_for(len(views), paper_reflectance)
    if paper_reflectance is None:
        level = float(np.nanmedian([np.nanmedian(view.brightness) for view in views]))
        known = replace(known, paper=ALBEDO_WITHOUT_CARD / level)
    levels = pyramid(seen, views, grid)
    state, ratio = _climb(levels, known)
    told = np.where(_told(levels[-1], state, known), integrate.pixels(state.nodes_mm), np.nan)
    kind = arrangement(views)
    height = _on_top_plane(told / np.float32(size_read(kind, ratio)))
    whole = np.full(full, np.nan, np.float32)
    whole[window] = height[: window[0].stop - window[0].start, : window[1].stop - window[1].start]
    shape = grooves.shape_flag(kind, height, grid.step_mm)
    hidden = shape == grooves.HIDDEN
    gain_u, contact_u = solver_u(views, card=paper_reflectance is not None, grooves_hidden=hidden)
    lit = passes.lit_pixels(levels[-1], state, known)
    return Relief(
        height_mm=whole,
        gain_u=gain_u,
        contact_u=contact_u,
        shading_over_shadow=ratio,
        lit_share=tuple((lit.sum(axis=(1, 2)) / np.isfinite(seen).sum(axis=(1, 2))).tolist()),
        residual=passes.relit_residual(levels[-1], state, known),
        flags=(*_flags(views, height, ratio), *([shape] if shape else [])),
    )


def settings_for(views: int, paper_reflectance: float | None) -> Settings:
    """
    Settings by number of views; one view is sized better by the plain matt model, two gain by a fourth pass on the
    finer grids (see calibration/relief).
    """
    paper = PAPER_REFLECTANCE if paper_reflectance is None else paper_reflectance
    if views == 1:
        return Settings(
            None, (3.0, 1.5, 0.75, 0.5), paper, run_weight=15.0, bright_knee=1.2, hidden_u=0.1,
            slope_u=0.25, slope_knee=math.inf, flat_u_mm=0.02,
        )  # fmt: skip
    tight = (3.0, 1.5, 0.75, 0.4, 0.2)
    if views == 2:
        return Settings(
            forward.ROUGHNESS, tight, paper, fine_passes=4,
            hidden_u=0.1, slope_u=0.02, slope_knee=0.03, flat_u_mm=0.06,
        )  # fmt: skip
    return Settings(forward.ROUGHNESS, tight, paper)


def arrangement(views: tuple[LitView, ...]) -> str:
    """
    "one", "opposed", "square" or "many": what the lights together tell. Lights on one side count once.
    """
    apart: list[float] = []
    for azimuth in (view.light.azimuth_deg for view in views):
        if all(_between(azimuth, other) >= SAME_SIDE_DEG for other in apart):
            apart.append(azimuth)
    if len(apart) == 1:
        return "one"
    if len(apart) == 2:
        return "opposed" if _between(*apart) >= OPPOSED_DEG else "square"
    return "many"


def solver_u(views: tuple[LitView, ...], *, card: bool, grooves_hidden: bool = False) -> tuple[float, float]:
    """Standard uncertainty that the solver leaves: relative of the heights, absolute of the contact-area fraction."""
    kind = "grooves hidden" if grooves_hidden else arrangement(views)
    factor = 1.0 if card else U_WITHOUT_CARD
    flat = CONTRAST_AT / float(np.clip(contrast(views), *CONTRAST_RANGE))
    gain_u, contact_u = (u * factor * flat**power for u, power in zip(SOLVER_U[kind], U_POWER[kind], strict=True))
    return gain_u, contact_u


def size_read(kind: str, ratio: float | None) -> float:
    """Size read over the true size, by arrangement and by the size by shading over the size by shadows."""
    if ratio is None or kind not in SIZE_READ:
        return 1.0
    at, change = SIZE_READ[kind]
    return at + change * (min(max(ratio, RATIO_RANGE[0]), RATIO_RANGE[1]) - RATIO_AT)


def contrast(views: tuple[LitView, ...]) -> float:
    """Standard deviation of brightness over its median, root mean square over the views; NaN left out."""
    parts = [np.nanvar(view.brightness / np.nanmedian(view.brightness)) for view in views]
    return float(np.sqrt(np.mean(parts)))


def _between(a_deg: float, b_deg: float) -> float:
    """Angle between two azimuths, 0 to 180."""
    return abs((a_deg - b_deg + 180) % 360 - 180)


def _checked(views: tuple[LitView, ...], grid: Grid) -> tuple[LitView, ...]:
    if not views:
        raise ReliefError("No lit view was left to measure from. Take at least one photo with the torch at the side.")
    for view in views:
        if view.brightness.shape != grid.shape:
            raise ValueError(f"a view of {view.brightness.shape} pixels does not lie on a grid of {grid.shape}")
    measured = _measured(views)
    if measured.sum() < LEAST_MEASURED:
        raise ReliefError(
            f"Only {int(measured.sum())} pixels show deck that can be measured; {LEAST_MEASURED} are needed. "
            "Move closer, or uncover more of the deck inside the card."
        )
    for number, view in enumerate(views, start=1):
        seen, bright = np.isfinite(view.brightness).sum(), (view.brightness > 0).sum()
        if 2 * bright <= seen:
            raise ReliefError(f"View {number} shows no lit deck. Check that the torch reaches the patch.")
    return views


def _measured(views: tuple[LitView, ...]) -> np.ndarray:
    """(rows, columns) bool: pixels that some view measured."""
    return np.logical_or.reduce([np.isfinite(view.brightness) for view in views])


def _cropped(
    views: tuple[LitView, ...], grid: Grid
) -> tuple[tuple[LitView, ...], np.ndarray, Grid, tuple[slice, slice]]:
    """
    Views, their brightness (views, rows, columns) and grid cut to the measured part, and the window that it fills.

    Rows and columns of nothing measured are added below and to the right, so that cosine transforms are fast.
    """
    measured = _measured(views)
    window = window_of(~measured)
    part = grid.part(window)
    shape = part.shape
    fast = (fft.next_fast_len(n + 1, real=True) - 1 for n in shape)
    cut = Grid(part.x0_mm, part.y1_mm, part.step_mm, *fast)
    seen = np.full((len(views), *cut.shape), np.nan, np.float32)
    for whole, view in zip(seen, views, strict=True):
        whole[: shape[0], : shape[1]] = view.brightness[window]
    return tuple(replace(v, brightness=a) for v, a in zip(views, seen, strict=True)), seen, cut, window


def _climb(levels: list[Level], settings: Settings) -> tuple[State, float | None]:
    """Solve from the coarsest level to the finest; also the size by shading alone over the size by shadows."""
    state, ratio = passes.flat_state(levels[0]), None
    compare_at = max(0, len(levels) - 2)
    for number, level in enumerate(levels):
        if number:
            state = passes.finer_state(state, level)
        scales = settings.cauchy if number == 0 else settings.cauchy[-settings.fine_passes :]
        for turn, scale in enumerate(scales):
            state = replace(state, unblur=None)  # not kept while it is told anew
            state = passes.height_pass(level, state, settings, scale)
            if settings.bounce and turn in BOUNCED_AFTER[min(number, 1)]:
                state = passes.bounce_pass(level, state, settings)
        if number == compare_at:
            ratio = _shading_over_shadow(level, state, settings)
    return state, ratio


def _shading_over_shadow(level: Level, state: State, settings: Settings) -> float | None:
    """
    Drops that shading alone gives between the ends of the shadow runs, over the drops that their rays lost.
    """
    if len(level.seen) < 2:  # what lies in shadow is lit by no other view
        return None
    dark = passes.seen_dark(level, state, settings)
    found = [passes.run_equations(level, view, seen) for view, seen in enumerate(dark)]
    if sum(side.size for _, _, side in found) < FEWEST_RUNS:
        return None
    bare = replace(settings, runs=False)
    for _ in range(2):
        state = passes.height_pass(level, state, bare, settings.cauchy[-1])
    told = np.concatenate([matrix @ state.nodes_mm.ravel() for _, matrix, _ in found])
    drop = np.concatenate([side for _, _, side in found])
    return float((told * drop).sum() / (drop * drop).sum())


def _told(level: Level, state: State, settings: Settings) -> np.ndarray:
    """(rows, columns) bool: pixels whose height is told by light or lies in a narrow gap between such pixels."""
    step = level.grid.step_mm
    measured = np.isfinite(level.seen).any(axis=0)
    lit = np.logical_or.reduce(passes.lit_pixels(level, state, settings))
    away_px = cv2.distanceTransform((~lit).astype(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_PRECISE)
    told = measured & (away_px * step <= GAP_MM)
    size = 2 * int(SPECK_MM / step) + 1
    closed = cv2.morphologyEx(told.astype(np.uint8), cv2.MORPH_CLOSE, np.ones((size, size), np.uint8))
    return told | (closed.astype(bool) & ~measured & _inside(measured))


def _inside(measured: np.ndarray) -> np.ndarray:
    """Measured pixels and the holes they enclose."""
    return ndimage.binary_fill_holes(measured)


def _on_top_plane(height: np.ndarray) -> np.ndarray:
    """Heights moved so that TOP_SHARE of the area stands above -CARD_MM."""
    return (height - np.nanquantile(height, 1 - TOP_SHARE) - CARD_MM).astype(np.float32)


def _flags(views: tuple[LitView, ...], height: np.ndarray, ratio: float | None) -> tuple[str, ...]:
    flags = []
    azimuths = [view.light.azimuth_deg for view in views]
    if arrangement(views) == "one":
        flags.append("one-view")
    if any(_between(a, b) < SAME_SIDE_DEG for i, a in enumerate(azimuths) for b in azimuths[:i]):
        flags.append("same-light")
    if ratio is None and len(views) > 1:
        flags.append("no-shadows-on-deck")
    if ratio is not None and not AGREE[0] <= ratio <= AGREE[1]:
        flags.append("shading-and-shadow-disagree")
    if np.nanquantile(height, 0.98) - np.nanquantile(height, 0.02) < SMOOTH_MM:
        flags.append("nearly-smooth")
    return tuple(flags)
