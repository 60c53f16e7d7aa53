"""
Texture figures of a filtered height map: areal parameters, void, contact, each with its 95 % interval.

Parameters follow ISO 25178-2; relief, void depth, contact-area fraction and the rule of the top plane are this
package's words (see README). A figure belongs to the pixels it is given: pass a whole patch, a zone or a cell, and
it stands on that part's own top plane. None of the figures is, or predicts, a friction rating.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import fft

from texscan import contact
from texscan.curve import TOP_RATIO, core_figures, deciding_figures, height_figures, levels_at, pressed, ratios_at
from texscan.errors import ReliefError
from texscan.model import COVERAGE_FACTOR, Budget, Filters, Grid, Measured

LEAST_PIXELS = 25  # fewer measured pixels hold no distribution
CORRELATION_LEVEL = 0.2  # of Sal and Str (ISO 25178-3 default)
LONGEST_LAG_MM = 25.0  # correlation is looked for no farther: the L-filter's default nesting index
RAYS = 180  # directions in which the correlation is followed, 1 degree apart
TILE_MM = 10.0  # side of the blocks that the sampling scatter is drawn from: several pitches of common textures
LEAST_TILES_A_SIDE = 4  # smaller areas are cut into smaller blocks, so that there are about 16
REPLICATES, BINS = 200, 1000  # of the block bootstrap
THINNED = 50_000  # levels of a curve that only tells how far a figure swings
CELL_REPLICATES, CELL_BINS = 60, 250
SEED = 25178  # fixed, so that a result is the same every time
LEAST_GAIN = 0.01  # of the reading at the interval's low end, when the gain is all but unknown
SAND_PATCH_VOLUME_MM3 = 25_000.0  # least volume of ASTM E965 / EN 13036-1

# Figures that cannot be negative and those that are shares; all others may take any value.
SIGNED = {"Ssk"}
SHARES = {"contact_area_fraction", "sole_contact_fraction", "Smr1", "Smr2", "Str"}
CORE_KEYS = ("Sk_mm", "Spk_mm", "Svk_mm", "Smr1", "Smr2")
LAG_KEYS = ("Sal_mm", "Str")
SOLE_KEYS = ("sole_contact_fraction", "sole_sink_mm")  # need Sal
SLOPE_KEYS = ("Sdq", "Sdr")  # need four measured neighbours


def figures(z: np.ndarray, step_mm: float, filters: Filters) -> dict[str, float]:
    """
    All texture figures of the measured pixels of z, on their own mean plane and top plane.

    Parameters
    ----------
    z : (rows, columns) array
        Filtered heights [mm]; NaN = not measured or not of this area.
    step_mm : float
        Grid step [mm].
    filters : Filters
        Only `contact_depth_mm` is used; z is taken as filtered.

    Returns
    -------
    figures : dict
        Keys carry the unit. `CORE_KEYS` are absent where the core is not defined (flat land, ties), `LAG_KEYS` where
        the correlation does not fall to 0.2 within reach, `SOLE_KEYS` without Sal; `flags` tells which.

    Raises
    ------
    ReliefError
        Fewer than `LEAST_PIXELS` measured pixels.
    """
    z = z[measured_box(z)]
    lags = _correlation_lengths(z, step_mm)
    return _height_figures(_curve(z)[0], filters, sal_mm=lags.get("Sal_mm")) | _slope_figures(z, step_mm) | lags


def flags(found: dict) -> tuple[str, ...]:
    """Why figures are missing: names of `model.FLAGS`."""
    missing = {key for key in (*CORE_KEYS, *LAG_KEYS, *SLOPE_KEYS) if found.get(key) is None}
    names = (("core-undefined", CORE_KEYS), ("correlation-undefined", LAG_KEYS), ("slope-undefined", SLOPE_KEYS))
    return tuple(name for name, keys in names if missing & set(keys))


def measured(z: np.ndarray, step_mm: float, filters: Filters, budget: Budget) -> dict[str, Measured | None]:
    """
    The figures with 95 % intervals; None for a figure that is not defined here (see `flags`).

    The interval joins, as independent parts: the common gain (all heights larger or smaller together by
    `budget.gain_u`, the figures read again, so that contact is read at depth / gain), the solver's own
    `budget.contact_u`, and the sampling scatter from a block bootstrap. With a budget without terms only the
    sampling scatter is left.
    """
    z = z[measured_box(z)]
    values = figures(z, step_mm, filters)
    scatter = sampling_u(z, step_mm, filters, sal_mm=values.get("Sal_mm"))
    swings = _gain_swings(z, step_mm, filters, gain_u=budget.gain_u, sal_mm=values.get("Sal_mm"))
    found: dict[str, Measured | None] = {}
    for key, value in values.items():
        u = scatter.get(key, 0.0)
        if key == "contact_area_fraction":
            u = math.hypot(u, budget.contact_u)
        found[key] = _joined(key, value, u, [value + swing.get(key, 0.0) for swing in swings])
    return found | {key: None for key in (*CORE_KEYS, *LAG_KEYS, *SOLE_KEYS, *SLOPE_KEYS) if key not in values}


def sampling_u(z: np.ndarray, step_mm: float, filters: Filters, *, sal_mm: float | None = None) -> dict[str, float]:
    """
    Standard uncertainty of each figure from the scatter of the texture itself.

    Blocks of `TILE_MM` (smaller on small areas) are drawn with replacement, weighted by their measured pixels, and
    the figures of the joined heights computed anew (block bootstrap).
    """
    labels, count = _tiles(z, step_mm)
    draws = draws_of(count, REPLICATES)
    levels, weights = tile_curves(z, labels, count, BINS)
    drawn = normalised(draws @ weights)
    replicates = height_figures(levels, drawn, filters.contact_depth_mm)
    replicates |= (core_figures(levels, drawn) or {}) | _under_sole(levels, drawn, sal_mm)
    squared, area = _slope_terms(z, step_mm)
    per_tile = []
    for term in (squared, area):
        known = np.isfinite(term)
        inner = labels[: term.shape[0], : term.shape[1]][known]
        per_tile += [np.bincount(inner, term[known], count), np.bincount(inner, minlength=count)]
    replicates["Sdq"] = np.sqrt((draws @ per_tile[0]) / np.maximum(draws @ per_tile[1], 1))
    replicates["Sdr"] = (draws @ per_tile[2]) / np.maximum(draws @ per_tile[3], 1)
    found = {key: float(np.std(value)) for key, value in replicates.items()}
    found["sand_patch_diameter_mm"] = float(np.std(sand_patch_diameter_mm(replicates["void_depth_mm"])))
    return found | _lag_scatter(z, step_mm)


def sand_patch_depth_mm(volume_mm3: float, diameter_mm: float | np.ndarray) -> float | np.ndarray:
    """Texture depth from a spread circle, MTD = 4 V / (pi D^2) (ASTM E965, EN 13036-1) [mm]."""
    return 4 * volume_mm3 / (math.pi * np.square(diameter_mm))


def sand_patch_diameter_mm(depth_mm: float | np.ndarray, volume_mm3: float = SAND_PATCH_VOLUME_MM3):
    """
    Diameter of the circle that the volume would cover on voids of this mean depth [mm]; the inverse of the above.

    A cross-reading from geometry, for whoever wants to check with a sand patch; not the test itself.
    """
    return np.sqrt(4 * volume_mm3 / (math.pi * np.maximum(depth_mm, 1e-6)))


@dataclass(frozen=True, slots=True)
class Cell:
    """A square of the patch with the figures that decide, on its own top plane."""

    x_mm: float  # centre, card frame
    y_mm: float
    measured_share: float
    figures: dict[str, Measured]


def cells(
    z: np.ndarray, grid: Grid, *, filters: Filters, budget: Budget, cell_mm: float = TILE_MM
) -> tuple[Cell, ...]:
    """
    Figures of each square cell with at least half of its pixels measured, row by row from the top left.

    Sq, relief, void depth and contact with intervals as in `measured`; the cell grid starts at the grid's top left
    corner.
    """
    size = max(1, round(cell_mm / grid.step_mm))
    found = []
    for top in range(0, grid.rows, size):
        for left in range(0, grid.columns, size):
            part = z[top : top + size, left : left + size]
            share = np.isfinite(part).sum() / size**2
            if share >= 0.5 and np.isfinite(part).sum() >= LEAST_PIXELS:
                x = grid.x0_mm + grid.step_mm * (left + (size - 1) / 2)
                y = grid.y1_mm - grid.step_mm * (top + (size - 1) / 2)
                found.append(Cell(x, y, float(share), measured_heights(part, grid.step_mm, filters, budget)))
    return tuple(found)


DECIDING_KEYS = ("Sq_mm", "relief_mm", "void_depth_mm", "contact_area_fraction")


def measured_heights(z: np.ndarray, step_mm: float, filters: Filters, budget: Budget) -> dict[str, Measured]:
    """The figures that decide (`DECIDING_KEYS`) with intervals as in `measured`, for zones and cells; quicker."""
    depth = filters.contact_depth_mm
    levels, weights = _curve(z)
    values = deciding_figures(levels, weights, depth)
    labels, count = _tiles(z, step_mm)
    binned, tile_weights = tile_curves(z, labels, count, CELL_BINS)
    drawn = deciding_figures(binned, normalised(draws_of(count, CELL_REPLICATES) @ tile_weights), depth)
    top = levels_at(levels, weights, np.array([TOP_RATIO]))[:, 0]
    found = {}
    for key in DECIDING_KEYS:
        value, u = float(values[key][0]), float(np.std(drawn[key]))
        if key == "contact_area_fraction":
            u = math.hypot(u, budget.contact_u)
            swings = [float(ratios_at(levels, weights, top - depth / end)[0]) for end in _gain_ends(budget.gain_u)]
        else:
            swings = [value * end for end in _gain_ends(budget.gain_u)]
        found[key] = _joined(key, value, u, swings)
    return found


def _gain_ends(gain_u: float) -> list[float]:
    """Both ends of the 95 % interval of the common gain; none where it is exact."""
    if gain_u == 0:
        return []
    return [max(1 + side * COVERAGE_FACTOR * gain_u, LEAST_GAIN) for side in (-1, 1)]


def _height_figures(levels: np.ndarray, filters: Filters, *, sal_mm: float | None) -> dict[str, float]:
    """The figures of the heights (n,) in falling order, each of the same area."""
    weights = np.full((1, levels.size), 1 / levels.size)
    found = height_figures(levels, weights, filters.contact_depth_mm) | (core_figures(levels, weights) or {})
    found |= _under_sole(levels, weights, sal_mm)
    found["sand_patch_diameter_mm"] = sand_patch_diameter_mm(found["void_depth_mm"])
    return {key: float(value[0]) for key, value in found.items()}


def _slope_figures(z: np.ndarray, step_mm: float) -> dict[str, float]:
    """Sdq and Sdr, absent where no square of four pixels is measured."""
    squared, area = _slope_terms(z, step_mm)
    if not np.isfinite(squared).any():
        return {}
    return {"Sdq": math.sqrt(float(np.nanmean(squared, dtype=float))), "Sdr": float(np.nanmean(area, dtype=float))}


def _under_sole(levels: np.ndarray, weights: np.ndarray, sal_mm: float | None) -> dict[str, np.ndarray]:
    """Share (b,) that a standing person's sole touches and its sink below the top plane (b,); see `contact`."""
    if sal_mm is None:
        return {}
    sole = contact.Sole()
    face, share = pressed(levels, weights, sole.pressure_mpa / contact.sole_stiffness(sal_mm, sole))
    top = levels_at(levels, weights, np.array([TOP_RATIO]))[:, 0]
    return {"sole_contact_fraction": share, "sole_sink_mm": top - face}


def _gain_swings(
    z: np.ndarray, step_mm: float, filters: Filters, *, gain_u: float, sal_mm: float | None
) -> list[dict[str, float]]:
    """
    How far the figures move with all heights at both ends of the gain's 95 % interval; those of the heights are told
    from a thinned curve, which keeps the highest and the lowest.
    """
    levels = _curve(z)[0]
    levels = levels[np.linspace(0, levels.size - 1, min(levels.size, THINNED)).round().astype(int)]
    plain, *moved = (
        _height_figures(levels * end, filters, sal_mm=sal_mm) | _slope_figures(z * np.float32(end), step_mm)
        for end in (1.0, *_gain_ends(gain_u))
    )
    return [{key: each[key] - plain[key] for key in plain.keys() & each.keys()} for each in moved]


def _joined(key: str, value: float, u: float, swings: list[float]) -> Measured:
    """Independent parts joined in quadrature on each side, cut at physical bounds."""
    at_least = -math.inf if key in SIGNED else 0.0
    at_most = 1.0 if key in SHARES else math.inf
    below = max([value - swing for swing in swings] + [0.0])
    above = max([swing - value for swing in swings] + [0.0])
    low = value - math.hypot(below, COVERAGE_FACTOR * u)
    high = value + math.hypot(above, COVERAGE_FACTOR * u)
    return Measured(float(value), float(min(max(low, at_least), value)), float(max(min(high, at_most), value)))


def _curve(z: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Levels in falling order (n,) and their equal weights (1, n)."""
    heights = z[np.isfinite(z)]
    if heights.size < LEAST_PIXELS:
        raise ReliefError(
            f"Only {heights.size} measured pixels; texture figures need {LEAST_PIXELS} at least. "
            "Mask less, or photograph more of the panel."
        )
    levels = np.sort(heights)[::-1].astype(np.float64)
    return levels, np.full((1, levels.size), 1 / levels.size)


def _tiles(z: np.ndarray, step_mm: float) -> tuple[np.ndarray, int]:
    """Block number of every pixel (rows, columns) int, and how many blocks there are."""
    known = np.isfinite(z)
    side_mm = math.sqrt(max(known.sum(), 1)) * step_mm
    size = max(1, round(min(TILE_MM, side_mm / LEAST_TILES_A_SIDE) / step_mm))
    rows, columns = np.arange(z.shape[0]) // size, np.arange(z.shape[1]) // size
    labels = rows[:, None] * (columns[-1] + 1) + columns
    used = np.unique(labels[known])
    renumbered = np.zeros(labels.max() + 1, np.intp)
    renumbered[used] = np.arange(used.size)
    return renumbered[labels], int(used.size)


def draws_of(count: int, replicates: int) -> np.ndarray:
    """How often each block is drawn, (replicates, count) float64."""
    return (
        np.random.default_rng(SEED).multinomial(count, np.full(count, 1 / count), size=replicates).astype(np.float64)
    )


def normalised(weights: np.ndarray) -> np.ndarray:
    return weights / weights.sum(axis=1, keepdims=True)


def tile_curves(z: np.ndarray, labels: np.ndarray, count: int, bins: int) -> tuple[np.ndarray, np.ndarray]:
    """Mean heights of equal-width bins in falling order (bins,), and pixels of each block in them (count, bins)."""
    known = np.isfinite(z)
    heights = z[known].astype(np.float64)
    low, high = heights.min(), heights.max()
    width = max((high - low) / bins, 1e-9)
    which = np.minimum(((high - heights) / width).astype(np.intp), bins - 1)
    weights = (
        np.bincount(labels[known] * bins + which, minlength=count * bins).reshape(count, bins).astype(np.float64)
    )
    return high - width * (np.arange(bins) + 0.5), weights


def _slope_terms(z: np.ndarray, step_mm: float) -> tuple[np.ndarray, np.ndarray]:
    """
    Of each square between four pixels: mean p^2 + q^2, and mean sqrt(1 + p^2 + q^2) - 1; (rows - 1, columns - 1).

    Over the four triangles that two diagonals make, so that facets with edges on the grid are exact. NaN where a
    corner is.
    """
    across, down = np.diff(z, axis=1) / step_mm, np.diff(z, axis=0) / step_mm
    p2 = np.stack([across[:-1], across[1:]]) ** 2
    q2 = np.stack([down[:, :-1], down[:, 1:]]) ** 2
    squared = p2.mean(axis=0) + q2.mean(axis=0)
    area = sum(np.sqrt(1 + p + q) for p in p2 for q in q2) / 4 - 1
    return squared, area


def _correlation_lengths(z: np.ndarray, step_mm: float) -> dict[str, float]:
    """
    Sal and Str: shortest lag at which the central lobe of the autocorrelation falls to 0.2, and that over the
    longest.

    Followed along rays out of the centre; absent when it never falls (Sal), or not in every direction (Str).
    """
    correlation = autocorrelation(z, step_mm, LONGEST_LAG_MM)
    if correlation is None or min(correlation.shape) < 3:
        return {}
    centre = correlation.shape[0] // 2, correlation.shape[1] // 2
    angles = np.radians(np.arange(RAYS) * 180 / RAYS)
    lags = np.arange(0, min(LONGEST_LAG_MM / step_mm, max(centre)), 0.5)
    rows = centre[0] - lags * np.sin(angles)[:, None]
    columns = centre[1] + lags * np.cos(angles)[:, None]
    values = _bilinear(correlation, rows, columns)
    below = values <= CORRELATION_LEVEL
    falls = below.any(axis=1)
    if not falls.any():
        return {}
    crossing = below[falls].argmax(axis=1)
    rays = values[falls]
    index = np.arange(len(rays))
    before, after = rays[index, crossing - 1], rays[index, crossing]
    distance = step_mm * (lags[crossing - 1] + 0.5 * (before - CORRELATION_LEVEL) / (before - after))
    found = {"Sal_mm": float(distance.min())}
    if falls.all():
        found["Str"] = float(distance.min() / distance.max())
    return found


def measured_box(z: np.ndarray) -> tuple[slice, slice]:
    """Rows and columns from the first to the last measured pixel; the whole map if there is none."""
    known = np.isfinite(z)
    if not known.any():
        return slice(None), slice(None)
    spans = (np.flatnonzero(known.any(axis=axis)) for axis in (1, 0))
    rows, columns = (slice(int(span[0]), int(span[-1]) + 1) for span in spans)
    return rows, columns


def autocorrelation(z: np.ndarray, step_mm: float, longest_lag_mm: float) -> np.ndarray | None:
    """
    Normalised autocorrelation, 1 at the centre, from measured pixels only.

    Returns (2 r + 1, 2 c + 1) float64 for lags up to `longest_lag_mm` or half of the map; NaN where too few pairs
    stand behind it; None for a map without variation. Row 0 holds the largest +y lag.
    """
    z = z[measured_box(z)]
    known = np.isfinite(z)
    values = np.where(known, z - np.nanmean(z), 0).astype(np.float32)
    variance = float((values**2).sum() / max(known.sum(), 1))
    if variance <= 1e-12:
        return None
    reach = [min(int(longest_lag_mm / step_mm), size // 2) for size in z.shape]
    shape = [fft.next_fast_len(size + r, real=True) for size, r in zip(z.shape, reach, strict=True)]
    sums = []
    for image in (values, known.astype(np.float32)):
        spectrum = fft.rfft2(image, shape)
        sums.append(fft.irfft2(np.abs(spectrum) ** 2, shape))
    rows, columns = (np.arange(-r, r + 1) for r in reach)
    product, pairs = (part[np.ix_(rows, columns)].astype(np.float64) for part in sums)
    return np.where(pairs > 0.02 * known.sum(), product / np.maximum(pairs, 1) / variance, np.nan)


def _bilinear(image: np.ndarray, rows: np.ndarray, columns: np.ndarray) -> np.ndarray:
    """Values between pixels; NaN outside."""
    top, left = np.floor(rows).astype(int), np.floor(columns).astype(int)
    inside = (top >= 0) & (left >= 0) & (top < image.shape[0] - 1) & (left < image.shape[1] - 1)
    top, left = np.where(inside, top, 0), np.where(inside, left, 0)
    down, right = rows - top, columns - left
    upper = image[top, left] * (1 - right) + image[top, left + 1] * right
    lower = image[top + 1, left] * (1 - right) + image[top + 1, left + 1] * right
    return np.where(inside, upper * (1 - down) + lower * down, np.nan)


def _lag_scatter(z: np.ndarray, step_mm: float) -> dict[str, float]:
    """Standard uncertainty of Sal and Str from the four quarters of the map, where each has them."""
    half_row, half_column = (size // 2 for size in z.shape)
    parts = [z[rows, columns] for rows in (slice(half_row), slice(half_row, None))
             for columns in (slice(half_column), slice(half_column, None))]  # fmt: skip
    read = [_correlation_lengths(part, step_mm) for part in parts if part.size and np.isfinite(part).mean() > 0.2]
    if len(read) < 2:
        return {}
    return {
        key: float(np.std([part[key] for part in read], ddof=1) / math.sqrt(len(read)))
        for key in LAG_KEYS
        if all(key in part for part in read)
    }
