"""The ground that two results have in common: its figures, and those of each of its cells, before and after."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.stats import false_discovery_control
from scipy.stats import t as student

from texscan.compare.change import (
    CONTACT,
    LESS,
    MORE,
    NONE,
    Change,
    Gains,
    Reading,
    changed,
    contact_slope,
    scatter_factor,
)
from texscan.compare.registration import BY_TEXTURE, Map, Registration
from texscan.curve import deciding_figures
from texscan.model import Budget, Filters, Grid
from texscan.survey.outcome import FIGURES, student_factor
from texscan.texture import (
    BINS,
    CELL_BINS,
    CELL_REPLICATES,
    LEAST_PIXELS,
    REPLICATES,
    TILE_MM,
    draws_of,
    normalised,
    tile_curves,
)

PARTS = 4  # a side: blocks of a cell that its scatter is drawn from
LEAST_SHARE = 0.5  # of a cell that both must have measured
LEAST_CELLS = 9  # fewer hold no scatter
FALSE_SHARE = 0.05  # of the cells marked as changed, at most, by chance (Benjamini and Hochberg 1995)


@dataclass(frozen=True, slots=True)
class CellChange:
    """A square of the earlier card frame; `marked` names the figures whose change stands out among all cells."""

    x_mm: float  # centre
    y_mm: float
    common_share: float
    changes: dict[str, Change]
    marked: frozenset[str] = frozenset()

    def claim(self, figure: str) -> str:
        """Less, more, or no change; among many cells only those that stand out from chance."""
        if figure not in self.marked:
            return NONE
        return LESS if self.changes[figure].change.value < 0 else MORE


@dataclass(frozen=True, slots=True)
class Ground:
    """What both results show: its share of the earlier one's measured area, figures and cells."""

    share: float
    changes: dict[str, Change]
    cells: tuple[CellChange, ...]


@dataclass(frozen=True, slots=True)
class Comparing:
    """How the two are read."""

    filters: Filters
    budgets: tuple[Budget, Budget]
    gains: Gains


@dataclass(frozen=True, slots=True)
class _Side:
    """The common pixels of one result, sorted by cell: heights [mm], and the block of the cell that each is in."""

    heights: np.ndarray
    blocks: np.ndarray
    starts: np.ndarray  # of each cell


def common_ground(before: Map, after: Map, place: Registration, how: Comparing) -> Ground | None:
    """
    The changes on the ground that both show.

    Parameters
    ----------
    before, after : filtered with `how.filters`.
    place : of the later map on the earlier one.

    Returns
    -------
    None where they have fewer than `LEAST_CELLS` cells in common.

    Notes
    -----
    No height is interpolated: each pixel counts in the cell that it falls into. Laid on each other by the texture,
    both show the same ground, and blocks are drawn in pairs, so that the texture's own scatter goes out. By the
    card's place alone they do not, and both scatters count.
    """
    size = max(PARTS, round(TILE_MM / before.grid.step_mm))
    wide = -(-before.grid.columns // size)
    cells = wide * -(-before.grid.rows // size)
    one, other, share = _sides(before, after, place, size, how.gains)
    size_after = size * before.grid.step_mm / (after.grid.step_mm * place.scale)
    least = LEAST_SHARE * size**2, LEAST_SHARE * size_after**2
    counts = np.diff(one.starts), np.diff(other.starts)
    used = np.flatnonzero((counts[0] >= max(least[0], LEAST_PIXELS)) & (counts[1] >= max(least[1], LEAST_PIXELS)))
    if used.size < LEAST_CELLS:
        return None
    paired = place.how == BY_TEXTURE
    found = [_cell(int(n), one, other, how, paired) for n in used]
    marks = _marks(found)
    half = before.grid.step_mm * (size - 1) / 2
    records = tuple(
        CellChange(
            before.grid.x0_mm + before.grid.step_mm * size * (n % wide) + half,
            before.grid.y1_mm - before.grid.step_mm * size * (n // wide) - half,
            float(counts[0][n] / size**2),
            changes,
            mark,
        )
        for n, changes, mark in zip(used, found, marks, strict=True)
    )
    whole = _whole(used, one, other, cells)
    return Ground(share, _changes(*whole, how, paired, (REPLICATES, BINS)), records)


def _sides(before: Map, after: Map, place: Registration, size: int, gains: Gains) -> tuple[_Side, _Side, float]:
    """The pixels of both that lie where the other has measured, and their share of the earlier ones."""
    there = np.vstack([place.to_before, [0, 0, 1]])
    shape = -(-before.grid.rows // size), -(-before.grid.columns // size)
    rows, columns = np.nonzero(np.isfinite(before.z))
    seen = _measured_at(after, _moved(before.grid, rows, columns, np.linalg.inv(there)))[0]
    share = float(seen.mean())
    first = _side(before.z[rows[seen], columns[seen]] * gains.factors[0], rows[seen], columns[seen], size, shape)
    rows, columns = np.nonzero(np.isfinite(after.z))
    seen, at_rows, at_columns = _measured_at(before, _moved(after.grid, rows, columns, there))
    heights = after.z[rows[seen], columns[seen]] * gains.factors[1]
    return first, _side(heights, at_rows[seen], at_columns[seen], size, shape), share


def _moved(grid: Grid, rows: np.ndarray, columns: np.ndarray, matrix: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """x and y [mm] of pixels in the other card frame."""
    x, y = grid.x0_mm + grid.step_mm * columns, grid.y1_mm - grid.step_mm * rows
    return matrix[0, 0] * x + matrix[0, 1] * y + matrix[0, 2], matrix[1, 0] * x + matrix[1, 1] * y + matrix[1, 2]


def _measured_at(one: Map, at_mm: tuple[np.ndarray, np.ndarray]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Whether the map has measured at these places, and the row and column of the pixel there."""
    columns = np.round((at_mm[0] - one.grid.x0_mm) / one.grid.step_mm).astype(np.intp)
    rows = np.round((one.grid.y1_mm - at_mm[1]) / one.grid.step_mm).astype(np.intp)
    inside = (rows >= 0) & (columns >= 0) & (rows < one.grid.rows) & (columns < one.grid.columns)
    known = np.isfinite(one.z)
    seen = inside & known[np.where(inside, rows, 0), np.where(inside, columns, 0)]
    return seen, rows, columns


def _side(heights: np.ndarray, rows: np.ndarray, columns: np.ndarray, size: int, shape: tuple[int, int]) -> _Side:
    cell = rows // size * shape[1] + columns // size
    block = (rows % size * PARTS // size) * PARTS + columns % size * PARTS // size
    order = np.argsort(cell, kind="stable")
    starts = np.searchsorted(cell[order], np.arange(shape[0] * shape[1] + 1))
    return _Side(heights[order], block[order], starts)


def _cell(number: int, one: _Side, other: _Side, how: Comparing, paired: bool) -> dict[str, Change]:
    parts = []
    for side in (one, other):
        piece = slice(side.starts[number], side.starts[number + 1])
        parts.append((side.heights[piece], side.blocks[piece]))
    return _changes(*_same_blocks(*parts), how, paired, (CELL_REPLICATES, CELL_BINS))


def _whole(used: np.ndarray, one: _Side, other: _Side, cells: int) -> tuple[tuple, tuple]:
    """Heights of both over all used cells, each cell a block."""
    keep = np.zeros(cells, bool)
    keep[used] = True
    sides = []
    for side in (one, other):
        cell = np.repeat(np.arange(cells), np.diff(side.starts))
        sides.append((side.heights[keep[cell]], cell[keep[cell]]))
    return _same_blocks(*sides)


def _same_blocks(one: tuple, other: tuple) -> tuple[tuple, tuple]:
    """Heights and blocks of both, only of blocks that both have, renumbered from 0."""
    both = np.intersect1d(one[1], other[1])
    sides = []
    for heights, blocks in (one, other):
        keep = np.isin(blocks, both)
        sides.append((heights[keep], np.searchsorted(both, blocks[keep])))
    return sides[0], sides[1]


def _changes(
    one: tuple, other: tuple, how: Comparing, paired: bool, replicates: tuple[int, int]
) -> dict[str, Change]:
    """Changes of the figures from heights and blocks of both; the scatter by a bootstrap of the blocks."""
    count = int(one[1].max()) + 1
    draws, depth = draws_of(count, replicates[0]), how.filters.contact_depth_mm
    values, slopes, drawn = [], [], []
    for heights, blocks in (one, other):
        falling = np.sort(heights.astype(np.float64))[::-1]
        values.append(deciding_figures(falling, np.full((1, falling.size), 1 / falling.size), depth))
        slopes.append(contact_slope(falling, depth))
        levels, weights = tile_curves(heights, blocks, count, replicates[1])
        drawn.append(deciding_figures(levels, normalised(draws @ weights), depth))
    factor = scatter_factor(count)
    found = {}
    for key in FIGURES:
        pair = []
        for side in (0, 1):
            value = float(values[side][key][0])
            contact = key == CONTACT
            own = how.budgets[side].contact_u if contact else 0.0
            pair.append(Reading(value, float(np.std(drawn[side][key])), slopes[side] if contact else value, own))
        together = float(np.std(drawn[1][key] - drawn[0][key]))
        scatter = together if paired else math.hypot(pair[0].sampling_u, pair[1].sampling_u)
        found[key] = changed(pair[0], pair[1], how.gains, sampling_u=scatter, factor=factor)
    return found


def _marks(cells: list[dict[str, Change]]) -> list[frozenset[str]]:
    """For each cell the figures whose change stands out when all cells are looked at together."""
    marked: list[set[str]] = [set() for _ in cells]
    for key in FIGURES:
        p = [_p_value(cell[key]) for cell in cells]
        for cell, adjusted in zip(marked, false_discovery_control(p), strict=True):
            if adjusted <= FALSE_SHARE:
                cell.add(key)
    return [frozenset(one) for one in marked]


def _p_value(change: Change) -> float:
    """Chance of a change so large where there is none: Student's t of the blocks of a cell, the interval's width."""
    half = change.change.high - change.change.value
    if change.change.value == 0 or half == 0:
        return 1.0 if change.change.value == 0 else 0.0
    freedom = PARTS**2 - 1
    return float(2 * student.sf(abs(change.change.value) * student_factor(freedom) / half, freedom))
