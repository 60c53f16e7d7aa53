"""
What coats of paint leave of a texture: retain-and-flood on the measured heights, with the model-free bounds.

A share of the wet film stays where it was laid (the peak share, 1 = conformal), the rest runs to the lowest places
and finds a level; then every point shrinks to its solids. Paint is conserved exactly. Derived; not yet checked on a
painted deck: a test patch measured before and after one coat gives the true peak share (`peak_share_from_test`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from texscan.curve import TOP_RATIO, curve_of, deciding_figures, levels_at
from texscan.errors import SettingsError
from texscan.levelling import peak_share_range
from texscan.model import COVERAGE_FACTOR, Budget, Coat, Filters, Forecast, Measured

QUANTILES = 40_000  # equal-area steps that stand for the map: the forecast needs its distribution of heights only
LEAST_GAIN = 0.05  # the interval's low end of all heights, so that a hopeless budget stays finite
UM_PER_MM = 1000.0
DEFAULT_PEAK_SHARE = (0.3, 0.5, 0.9)  # rolled paint, policy: no measurement on a deck is published

DEFAULT_COATS = tuple(
    Coat(name, kind, volume_solids=0.5, wet_um=80.0, peak_share=DEFAULT_PEAK_SHARE)  # 40 um dry each, rolled
    for name, kind in (("primer", "primer"), ("topcoat 1", "topcoat"), ("topcoat 2", "topcoat"))
)


def flood_level_mm(film_mm: np.ndarray, wet_mm: float) -> float:
    """
    Level that a wet film of this mean thickness finds when it runs to the lowest places [mm].

    Parameters
    ----------
    film_mm : any shape, finite: the surface it runs over [mm].
    wet_mm : volume by projected area, >= 0 [mm].

    Notes
    -----
    mean(max(L - f, 0)) = wet, solved exactly on the sorted heights.
    """
    heights = np.sort(np.asarray(film_mm, float), axis=None)
    return _flood_level_mm(heights, wet_mm)


def _flood_level_mm(rising: np.ndarray, wet_mm: float) -> float:
    """`flood_level_mm` of heights (n,) in rising order."""
    count = np.arange(1, rising.size + 1)
    volume_at = rising * count - np.cumsum(rising)  # filled up to each height, in pixels x mm
    wanted = wet_mm * rising.size
    last = int(np.searchsorted(volume_at, wanted, side="right")) - 1
    return float(rising[last] + (wanted - volume_at[last]) / count[last])


def after_coat(height_mm: np.ndarray, coat: Coat, peak_share: float) -> np.ndarray:
    """
    The surface after one coat has dried, retain-and-flood.

    Parameters
    ----------
    height_mm : (rows, columns) or any shape, z up [mm]. NaN stays NaN and takes no paint.
    coat : wet film and solids.
    peak_share : share r of the wet film that stays where it was laid, 0 to 1.

    Returns
    -------
    float64, same shape [mm]; minus `height_mm` it is the map of dry film.

    Raises
    ------
    ValueError : peak_share outside 0 to 1, or nothing measured.

    Notes
    -----
    f = z + r w; L with mean(max(L - f, 0)) = (1 - r) w; z' = z + v (max(f, L) - z). Heights that were in order stay
    in order, and no step grows: void depth and relief never rise.
    """
    if not 0 <= peak_share <= 1:
        raise ValueError(f"peak share must be 0 to 1, got {peak_share}")
    before = np.asarray(height_mm, float)
    measured = np.isfinite(before)
    if not measured.any():
        raise ValueError("no measured height to paint")
    level = flood_level_mm(before[measured], (1 - peak_share) * coat.wet_um / UM_PER_MM)
    return _dried(before, level, coat, peak_share)


def _dried(before: np.ndarray, level: float, coat: Coat, peak_share: float) -> np.ndarray:
    """The surface whose drained paint floods it up to `level` [mm], the retained film not counted."""
    film = peak_share * coat.wet_um / UM_PER_MM
    return before + coat.solids_as_applied * (np.maximum(before, level) + film - before)


def _painted(falling: np.ndarray, coat: Coat, peak_share: float) -> np.ndarray:
    """`after_coat` of measured heights (n,) in falling order, in which they stay."""
    level = _flood_level_mm(falling[::-1], (1 - peak_share) * coat.wet_um / UM_PER_MM)
    return _dried(falling, level, coat, peak_share)


def void_depth_bounds(void_depth_mm: float, coats: tuple[Coat, ...]) -> tuple[float, float]:
    """
    Least and greatest void depth that any flow of these coats can leave [mm].

    Notes
    -----
    Conservation alone. A coat that all drains takes v w, but no more than v times the void: what would stand higher
    stands on the peaks too. A conformal coat takes nothing. Holds for a fixed top plane.
    """
    least = void_depth_mm
    for coat in coats:
        least -= coat.solids_as_applied * min(coat.wet_um / UM_PER_MM, least)
    return least, void_depth_mm


def void_depth_after(void_depth_mm: Measured, coats: tuple[Coat, ...]) -> Measured:
    """
    Void depth of any part of a texture after the coats, from its void depth alone.

    Parameters
    ----------
    void_depth_mm : of the part before the first coat [mm].
    coats : with the peak share that holds here.

    Returns
    -------
    Measured [mm]: low takes the low peak share of every coat on the low end of `void_depth_mm`, high the high ends.

    Notes
    -----
    V' = V - v w (1 - r), and never less than (1 - v) V: conservation, for a top plane that rises with its own film.
    """
    readings = (void_depth_mm.low, void_depth_mm.value, void_depth_mm.high)
    low, likely, high = (_drained(reading, coats, end) for end, reading in enumerate(readings))
    return Measured(likely, low, high)


def _drained(void_mm: float, coats: tuple[Coat, ...], end: int) -> float:
    """Void depth after the coats at the low, likely or high end (0, 1, 2) of every peak share."""
    for coat in coats:
        drained = void_mm - coat.dry_um / UM_PER_MM * (1 - coat.peak_share[end])
        void_mm = max(drained, (1 - coat.solids_as_applied) * void_mm)
    return void_mm


def peak_share_from_test(before: Measured, after: Measured, coat: Coat) -> Measured:
    """
    The peak share that a test patch showed: void depth measured before and after one coat.

    Parameters
    ----------
    before, after : void depth of the same patch [mm].
    coat : the coat that was laid between; its film by wet-film comb or by volume used.

    Returns
    -------
    Measured, 0 to 1.

    Raises
    ------
    SettingsError : the change of void depth is no possible effect of this coat.

    Notes
    -----
    r = 1 - (Vb - Va) / (v w). Both measurements count as independent, which is wide if light and camera stayed.
    """
    dry_mm = coat.dry_um / UM_PER_MM
    share = 1 - (before.value - after.value) / dry_mm
    u = math.hypot(before.u, after.u) / dry_mm
    if share + COVERAGE_FACTOR * u < 0 or share - COVERAGE_FACTOR * u > 1:
        raise SettingsError(
            f"The test patch went from {before.value:.3f} to {after.value:.3f} mm of void depth; one coat of "
            f"{coat.dry_um:.0f} um dry can take 0 to {dry_mm:.3f} mm. Check that both sets show the same patch and "
            "that the film is right."
        )
    return Measured.from_u(share, u, at_least=0.0, at_most=1.0)


def forecast(
    height_mm: np.ndarray, step_mm: float, coats: tuple[Coat, ...], *, filters: Filters, budget: Budget
) -> Forecast:
    """
    What each coat of a system leaves: void depth, relief, contact area, and the film on the peaks.

    Parameters
    ----------
    height_mm : (rows, columns), form removed and filtered, z up [mm]; NaN = not measured.
    step_mm : of the grid [mm].
    coats : in the order they are laid; may be empty.
    filters, budget : contact depth, and the standard uncertainty of all heights together.

    Returns
    -------
    Forecast; its coats carry the peak share that was used. Low and high are the least and greatest of the corners:
    low or high peak share of every coat on the low or high end of the measured heights. The low void depth is thus
    all that can go wrong at once; the range is wider than 95 %.

    Raises
    ------
    ValueError : nothing measured.

    Notes
    -----
    Retain-and-flood moves each height by its rank alone, so equal-area quantiles of the map stand for it.
    """
    return forecast_on(surface_of(height_mm, step_mm), coats, filters=filters, budget=budget)


@dataclass(frozen=True, slots=True)
class Surface:
    """What a forecast needs of a map."""

    heights_mm: np.ndarray  # (n,) equal-area heights in falling order
    map_mm: np.ndarray  # (rows, columns); NaN = not measured
    step_mm: float


def surface_of(height_mm: np.ndarray, step_mm: float) -> Surface:
    """
    The surface of a map, as in `forecast`; for several forecasts on one.

    Raises
    ------
    ValueError : nothing measured.
    """
    return Surface(_quantiles(height_mm), height_mm, step_mm)


def coats_on(surface: Surface, coats: tuple[Coat, ...]) -> tuple[Coat, ...]:
    """The coats with the peak share that a forecast on this surface uses."""
    if all(coat.flow is None for coat in coats):
        return coats
    shares = _peak_shares(surface.heights_mm, _slope(surface.map_mm, surface.step_mm), coats)
    return tuple(replace(coat, peak_share=share) for coat, share in zip(coats, shares, strict=True))


def forecast_on(surface: Surface, coats: tuple[Coat, ...], *, filters: Filters, budget: Budget) -> Forecast:
    """`forecast` on a surface."""
    heights, coats = surface.heights_mm, coats_on(surface, coats)
    spread = COVERAGE_FACTOR * budget.gain_u
    low, high = max(1 - spread, LEAST_GAIN), 1 + spread
    cases = ((1.0, 1), (low, 0), (low, 2), (high, 0), (high, 2))  # all heights times, which end of the peak share
    runs = [_run(heights * gain, coats, i, filters) for gain, i in cases]
    contact_spread = COVERAGE_FACTOR * budget.contact_u

    def entries(name: str, widen: float = 0.0) -> tuple[tuple[float, float, float], ...]:
        return tuple(_ordered(values, widen) for values in zip(*(run[name] for run in runs), strict=True))

    return Forecast(
        coats=coats,
        void_depth_mm=entries("void"),
        relief_mm=entries("relief"),
        contact_area_fraction=entries("contact", contact_spread),
        peak_film_um=entries("film"),
    )


def _quantiles(height_mm: np.ndarray) -> np.ndarray:
    """Equal-area heights in falling order, at most QUANTILES of them."""
    measured = np.asarray(height_mm)
    measured = measured[np.isfinite(measured)]
    if measured.size == 0:
        raise ValueError("no measured height to paint")
    levels, weights = curve_of(measured)
    if measured.size <= QUANTILES:
        return levels
    return levels_at(levels, weights, (np.arange(QUANTILES) + 0.5) / QUANTILES)[0]


def _slope(height_mm: np.ndarray, step_mm: float) -> float:
    """Root mean square slope over measured neighbours."""
    height = np.asarray(height_mm)
    if height.ndim != 2 or min(height.shape) < 2:
        return 0.0
    means = []
    for axis in (0, 1):
        steps = np.diff(height, axis=axis)
        steps = steps[np.isfinite(steps)]
        if steps.size:
            means.append(float(np.vdot(steps, steps)) / steps.size / step_mm**2)
    return math.sqrt(sum(means))


def _peak_shares(heights: np.ndarray, slope: float, coats: tuple[Coat, ...]) -> list[tuple[float, float, float]]:
    """
    Peak share of each coat, computed where the coat states its flow: on the sinusoid of equal Sq and Sdq, whose pitch
    stays while the likely coats before lower it.
    """
    sq = float(np.std(heights))
    if sq == 0 or slope == 0:
        return [coat.peak_share for coat in coats]
    pitch_mm = 2 * math.pi * sq / slope
    shares, surface = [], heights
    for coat in coats:
        share = coat.peak_share
        if coat.flow is not None:
            amplitude_mm = float(np.std(surface)) * math.sqrt(2)
            share = peak_share_range(amplitude_mm, pitch_mm, coat.wet_um / UM_PER_MM, coat.flow)
        shares.append(share)
        surface = _painted(surface, coat, share[1])
    return shares


def _run(heights: np.ndarray, coats: tuple[Coat, ...], end: int, filters: Filters) -> dict[str, list]:
    """Figures after each coat at one end (0, 1, 2) of every peak share; heights in falling order."""
    surfaces = [heights]
    for coat in coats:
        surfaces.append(_painted(surfaces[-1], coat, coat.peak_share[end]))
    figures = [deciding_figures(surface, None, filters.contact_depth_mm) for surface in surfaces[1:]]
    peaks = heights >= levels_at(heights, None, np.array([TOP_RATIO]))[0, 0]
    return {
        "void": [float(f["void_depth_mm"][0]) for f in figures],
        "relief": [float(f["relief_mm"][0]) for f in figures],
        "contact": [float(f["contact_area_fraction"][0]) for f in figures],
        "film": [UM_PER_MM * float(np.mean((after - before)[peaks])) for before, after in pairwise(surfaces)],
    }


def _ordered(values: tuple[float, ...], widen: float) -> tuple[float, float, float]:
    """Low, likely, high from the likely value and the corners; a share is widened and kept within 0 to 1."""
    likely = float(values[0])
    if widen == 0:
        return float(min(values)), likely, float(max(values))
    return max(float(min(values)) - widen, 0.0), likely, min(float(max(values)) + widen, 1.0)
