"""
Texture figures of a filtered height map: areal parameters, void, contact, each with its 95 % interval.

Parameters follow ISO 25178-2; relief, void depth, contact-area fraction and the rule of the top plane are this
package's words (see README). A figure belongs to the pixels it is given: pass a whole patch, a zone or a cell, and
it stands on that part's own top plane. None of the figures is, or predicts, a friction rating.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import reduce

import numpy as np

from texscan import contact
from texscan.autocorrelation import LAG_KEYS, correlation_lengths, lag_scatter
from texscan.curve import curve_figures, curve_of, deciding_figures, deciding_of
from texscan.errors import ReliefError
from texscan.filters import measured_box
from texscan.model import COVERAGE_FACTOR, Budget, Filters, Grid, Measured

LEAST_PIXELS = 25  # fewer measured pixels hold no distribution
TILE_MM = 10.0  # side of the blocks that the sampling scatter is drawn from: several pitches of common textures
LEAST_TILES_A_SIDE = 4  # smaller areas are cut into smaller blocks, so that there are about 16
REPLICATES, BINS = 200, 1000  # of the block bootstrap
STRIP_ROWS = 64  # of a map whose slopes are summed at a time, so that they stay in the processor's cache
CELL_REPLICATES, CELL_BINS = 60, 250
PARTS_AT_ONCE = 16  # cells whose drawn curves fit the processor's cache together
SEED = 25178  # fixed, so that a result is the same every time
LEAST_GAIN = 0.01  # of the reading at the interval's low end, when the gain is all but unknown
SAND_PATCH_VOLUME_MM3 = 25_000.0  # least volume of ASTM E965 / EN 13036-1

# Figures that cannot be negative and those that are shares; all others may take any value.
SIGNED = {"Ssk"}
SHARES = {"contact_area_fraction", "sole_contact_fraction", "Smr1", "Smr2", "Str"}
CORE_KEYS = ("Sk_mm", "Spk_mm", "Svk_mm", "Smr1", "Smr2")
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
    lags = correlation_lengths(z, step_mm)
    slopes = _slope_figures(_slope_sums(z, step_mm, STRIP_ROWS))
    return _height_figures(*curve_of(_measured_of(z)), filters, sal_mm=lags.get("Sal_mm")) | slopes | lags


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
    curve, lags = curve_of(_measured_of(z)), correlation_lengths(z, step_mm)
    blocks, ends = _blocks(z, step_mm), _gain_ends(budget.gain_u)
    slopes = _slope_sums(z, step_mm, blocks.size, gains=(1.0, *ends))
    sal_mm = lags.get("Sal_mm")
    values = _height_figures(*curve, filters, sal_mm=sal_mm) | _slope_figures(slopes) | lags
    scatter = sampling_u(z, filters, blocks=blocks, slopes=slopes, sal_mm=sal_mm) | lag_scatter(z, step_mm)
    swings = _gain_swings(curve, slopes, filters, ends=ends, sal_mm=sal_mm)
    found: dict[str, Measured | None] = {}
    for key, value in values.items():
        u = scatter.get(key, 0.0)
        if key == "contact_area_fraction":
            u = math.hypot(u, budget.contact_u)
        found[key] = _joined(key, value, u, [value + swing.get(key, 0.0) for swing in swings])
    return found | {key: None for key in (*CORE_KEYS, *LAG_KEYS, *SOLE_KEYS, *SLOPE_KEYS) if key not in values}


def sampling_u(
    z: np.ndarray, filters: Filters, *, blocks: _Blocks, slopes: np.ndarray, sal_mm: float | None = None
) -> dict[str, float]:
    """
    Standard uncertainty of each figure of heights and slopes from the scatter of the texture itself.

    Blocks of `TILE_MM` (smaller on small areas) are drawn with replacement, weighted by their measured pixels, and
    the figures of the joined heights computed anew (block bootstrap). `slopes` as of `_slope_sums`.
    """
    draws = draws_of(blocks.count, REPLICATES)
    levels, weights = tile_curves(z, blocks.labels(z.shape), blocks.count, BINS)
    drawn = normalised(draws @ weights)
    replicates = curve_figures(levels, drawn, filters.contact_depth_mm, carried_mm=_carried_mm(sal_mm))
    count, squared, area = (draws @ each[blocks.number >= 0] for each in slopes[:3])
    replicates["Sdq"] = np.sqrt(squared / np.maximum(count, 1))
    replicates["Sdr"] = area / np.maximum(count, 1)
    found = {key: float(np.std(value)) for key, value in replicates.items()}
    found["sand_patch_diameter_mm"] = float(np.std(sand_patch_diameter_mm(replicates["void_depth_mm"])))
    return found


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
    places, parts = [], []
    for top in range(0, grid.rows, size):
        for left in range(0, grid.columns, size):
            part = z[top : top + size, left : left + size]
            measured_px = np.count_nonzero(np.isfinite(part))
            share = measured_px / size**2
            if share >= 0.5 and measured_px >= LEAST_PIXELS:
                x = grid.x0_mm + grid.step_mm * (left + (size - 1) / 2)
                y = grid.y1_mm - grid.step_mm * (top + (size - 1) / 2)
                places.append((x, y, float(share)))
                parts.append(part)
    read = _measured_parts(parts, grid.step_mm, filters, budget)
    return tuple(Cell(*place, found) for place, found in zip(places, read, strict=True))


def measured_heights(z: np.ndarray, step_mm: float, filters: Filters, budget: Budget) -> dict[str, Measured]:
    """The figures that decide with intervals as in `measured`, for zones and cells; quicker."""
    return _measured_parts([z], step_mm, filters, budget)[0]


def _measured_parts(
    parts: list[np.ndarray], step_mm: float, filters: Filters, budget: Budget
) -> list[dict[str, Measured]]:
    """`measured_heights` of each part; the drawn curves of several are read at once."""
    depth, ends = filters.contact_depth_mm, _gain_ends(budget.gain_u)
    found = []
    for first in range(0, len(parts), PARTS_AT_ONCE):
        some = parts[first : first + PARTS_AT_ONCE]
        scatter = _parts_scatter(some, step_mm, depth)
        for part, of_part in zip(some, scatter, strict=True):
            values, contacts = deciding_of(_measured_of(part), [depth, *(depth / end for end in ends)])
            u = dict(zip(values, of_part, strict=True))
            u["contact_area_fraction"] = math.hypot(u["contact_area_fraction"], budget.contact_u)
            swings = {key: [value * end for end in ends] for key, value in values.items()}
            swings["contact_area_fraction"] = contacts[1:]
            found.append({key: _joined(key, value, u[key], swings[key]) for key, value in values.items()})
    return found


def _parts_scatter(parts: list[np.ndarray], step_mm: float, depth_mm: float) -> list[list[float]]:
    """Standard uncertainties of the figures that decide, in their order, of each part: block bootstrap."""
    widths, drawn = [], []
    for part in parts:
        blocks = _blocks(part, step_mm)
        levels, weights = tile_curves(part, blocks.labels(part.shape), blocks.count, CELL_BINS)
        widths.append(levels[0] - levels[1])
        drawn.append(normalised(draws_of(blocks.count, CELL_REPLICATES) @ weights))
    width = np.repeat(widths, CELL_REPLICATES)  # heights are counted in bins, which all parts have as many of
    found = deciding_figures(-np.arange(CELL_BINS) - 0.5, np.concatenate(drawn), depth_mm / width[:, None])
    scaled = [values if key in SHARES else values * width for key, values in found.items()]
    return np.std(np.reshape(scaled, (len(scaled), len(parts), CELL_REPLICATES)), axis=2).T.tolist()


def _gain_ends(gain_u: float) -> list[float]:
    """Both ends of the 95 % interval of the common gain; none where it is exact."""
    if gain_u == 0:
        return []
    return [max(1 + side * COVERAGE_FACTOR * gain_u, LEAST_GAIN) for side in (-1, 1)]


def _height_figures(
    levels: np.ndarray, weights: np.ndarray | None, filters: Filters, *, sal_mm: float | None
) -> dict[str, float]:
    """The figures of one curve, its levels (n,) in falling order."""
    found = curve_figures(levels, weights, filters.contact_depth_mm, carried_mm=_carried_mm(sal_mm))
    found["sand_patch_diameter_mm"] = sand_patch_diameter_mm(found["void_depth_mm"])
    return {key: float(value[0]) for key, value in found.items()}


def _slope_figures(slopes: np.ndarray, gain_number: int = 0) -> dict[str, float]:
    """Sdq (without gain) and Sdr from `_slope_sums`, absent where no square of four pixels is measured."""
    count, squared, area = (float(slopes[number].sum()) for number in (0, 1, 2 + gain_number))
    return {"Sdq": math.sqrt(squared / count), "Sdr": area / count} if count else {}


def _carried_mm(sal_mm: float | None) -> float | None:
    """Material that carries a standing person's sole [mm], see `contact`; None without Sal."""
    sole = contact.Sole()
    return None if sal_mm is None else sole.pressure_mpa / contact.sole_stiffness(sal_mm, sole)


def _gain_swings(
    curve: tuple[np.ndarray, np.ndarray | None], slopes: np.ndarray, filters: Filters, *, ends: list[float],
    sal_mm: float | None,
) -> list[dict[str, float]]:  # fmt: skip
    """
    How far the figures move with all heights at both ends of the gain's 95 % interval; `slopes` of gain 1 and both
    ends.
    """
    (levels, weights), gains = curve, (1.0, *ends)
    read = [_height_figures(levels * gain, weights, filters, sal_mm=sal_mm) for gain in gains]
    for number, (gain, found) in enumerate(zip(gains, read, strict=True)):
        sloped = _slope_figures(slopes, number)
        found |= sloped | ({"Sdq": gain * sloped["Sdq"]} if sloped else {})
    plain, *moved = read
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


def _measured_of(z: np.ndarray) -> np.ndarray:
    """The measured heights (n,)."""
    heights = z[np.isfinite(z)]
    if heights.size < LEAST_PIXELS:
        raise ReliefError(
            f"Only {heights.size} measured pixels; texture figures need {LEAST_PIXELS} at least. "
            "Mask less, or photograph more of the panel."
        )
    return heights


@dataclass(frozen=True, slots=True)
class _Blocks:
    """The square blocks that a map is cut into for the bootstrap."""

    size: int  # pixels a side
    number: np.ndarray  # of each block (rows, columns), counted where something is measured; -1 elsewhere
    count: int

    def labels(self, shape: tuple[int, int]) -> np.ndarray:
        """Block number of every pixel (rows, columns) of the map."""
        wide = np.repeat(self.number, self.size, axis=1)[:, : shape[1]]
        return np.repeat(wide, self.size, axis=0)[: shape[0]]


def _blocks(z: np.ndarray, step_mm: float) -> _Blocks:
    known = np.isfinite(z)
    side_mm = math.sqrt(max(int(np.count_nonzero(known)), 1)) * step_mm
    size = max(1, round(min(TILE_MM, side_mm / LEAST_TILES_A_SIDE) / step_mm))
    down, across = (np.arange(0, length, size) for length in z.shape)
    used = np.logical_or.reduceat(np.logical_or.reduceat(known, down, axis=0), across, axis=1)
    number = np.where(used, np.cumsum(used).reshape(used.shape) - 1, -1)
    return _Blocks(size, number, int(np.count_nonzero(used)))


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
    heights, of_block = z[known], labels[known]
    low, high = float(heights.min()), float(heights.max())
    width = max((high - low) / bins, 1e-9)
    which = np.minimum(((high - heights) / width).astype(np.int32), bins - 1)
    weights = np.bincount(of_block * bins + which, minlength=count * bins).reshape(count, bins).astype(np.float64)
    return high - width * (np.arange(bins) + 0.5), weights


def _slope_sums(z: np.ndarray, step_mm: float, size: int, *, gains: tuple[float, ...] = (1.0,)) -> np.ndarray:
    """
    Sums over the squares between four pixels whose upper left one lies in each block of `size` pixels a side: how
    many, p^2 + q^2, and sqrt(1 + p^2 + q^2) - 1 with the heights times each gain; (2 + gains, rows, columns) float64.

    Over the four triangles that two diagonals make, so that facets with edges on the grid are exact. Squares without
    a measured corner are left out.
    """
    shape = [-(-length // size) for length in z.shape]
    sums = np.zeros((2 + len(gains), *shape))
    columns = np.arange(0, z.shape[1] - 1, size)
    for start in range(0, z.shape[0] - 1 if columns.size else 0, size):
        strip = z[start : start + size + 1]
        p2, q2 = (np.diff(strip, axis=axis) ** 2 / step_mm**2 for axis in (1, 0))
        squared = (p2[:-1] + p2[1:] + q2[:, :-1] + q2[:, 1:]) / 2
        known = np.isfinite(squared)
        terms = [known, np.where(known, squared, 0)]
        corners = [p + q for p in (p2[:-1], p2[1:]) for q in (q2[:, :-1], q2[:, 1:])]
        for gain in gains:
            area = reduce(np.add, (np.sqrt(1 + gain**2 * corner) for corner in corners)) / 4 - 1
            terms.append(np.where(known, area, 0))
        of_columns = [np.sum(term, axis=0, dtype=np.float64) for term in terms]
        sums[:, start // size, : columns.size] = np.add.reduceat(of_columns, columns, axis=1)
    return sums
