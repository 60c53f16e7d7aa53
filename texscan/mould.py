"""
The mould's unit cell, averaged over the sound zones, against the cell of the worn and of the filled zones.

A moulded texture repeats, so averaging over a zone leaves its shape without its noise, and the flanks that both cells
share show how much was taken off the top and how much was laid on the floor, each by itself.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from texscan import outlines
from texscan.curve import FLOOR_RATIO, TOP_RATIO
from texscan.filters import measured_box
from texscan.model import CONDITION_NAMES, COVERAGE_FACTOR, SOUND, Budget, Grid, Measured, Pattern
from texscan.pattern import LEAST_RELIEF_MM
from texscan.pattern import places as pattern_places
from texscan.zones import INSET_MM

LEAST_CELLS = 20  # repeats that a zone must hold; fewer leave the noise in
GROUPS, GROUP_MM = 6, 10.0  # of the jackknife: blocks of this side [mm], dealt into so many groups
SEED = 26
STEPS, ZOOMS = 13, 4  # of the search for the two losses: steps a side, and how often it closes in
# Standard uncertainty of a loss as a share of the mould's relief, by number of views, because measured cells differ
# by more than a cut and a fill: rms of 4 to 6 readings less the renderer's truth on two rendered decks (none: the
# truth itself read; three views: between two and four).
SHAPE_U = {0: 0.010, 1: 0.135, 2: 0.035, 3: 0.025}
SHAPE_U_OF_MORE = 0.018
# Losses that together take more than this of the relief leave no flank to hold one cell against the other.
MOST_LOSS = 0.90


@dataclass(frozen=True, slots=True)
class ChangedCell:
    """The mean cell of the zones in one condition, and what it lost and gained against the mould's."""

    condition: str  # "worn" or "filled"
    cell_mm: np.ndarray  # (n, m) float32, on the level of the mould's cell
    lost_at_top_mm: Measured | None
    gained_at_floor_mm: Measured | None
    flags: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Mould:
    """The mould's cell and the changed cells; phase and axes as in `pattern.unit_cell`, heights above its floor."""

    vectors_mm: np.ndarray  # (2, 2), rows are lattice vectors (x, y)
    cell_mm: np.ndarray  # (n, m) float32, 0 at the floor
    changed: tuple[ChangedCell, ...]

    @property
    def top_mm(self) -> float:
        """Smc(2 %) of the mould's cell above its floor."""
        return _top(self.cell_mm)


def compare(z: np.ndarray, grid: Grid, *, pattern: Pattern, condition: np.ndarray, budget: Budget) -> Mould | None:
    """
    The mould's cell and how the cells of the worn and the filled zones differ from it.

    Parameters
    ----------
    z : (rows, columns) array
        Filtered heights [mm]; NaN = not measured.
    grid : Grid
    pattern : Pattern
        Told from the same map.
    condition : (rows, columns) uint8
        As in `ZoneMap`; 0 where nothing is measured.
    budget : Budget
        Its gain and number of views widen the intervals.

    Returns
    -------
    mould : Mould or None
        None without two lattice vectors, or without a sound zone of `LEAST_CELLS` repeats.

    Notes
    -----
    A changed cell is read as max(min(mould, top - lost), floor + gained) + level, by least squares over lost, gained
    and level; top and floor are Smc(2 %) and Smc(98 %) of the mould's cell. Film that lies equally on tops and floors
    shifts the level only and is not seen. Intervals: the scatter between groups of blocks (delete-one jackknife),
    `SHAPE_U` and the common gain.
    """
    if pattern.kind != "repeating" or pattern.vectors_mm is None:
        return None
    vectors, step, box = pattern.vectors_mm, grid.step_mm, measured_box(z)
    rows, columns = (np.arange(length)[part] for length, part in zip(z.shape, box, strict=True))
    z, condition = z[box], condition[box]
    inside = outlines.inner(outlines.spread(condition, step), INSET_MM / step) & np.isfinite(z)
    places, size = pattern_places(rows, columns, step, vectors)
    of_groups = _groups(grid, rows, columns) * (size[0] * size[1]) + places
    least_px = LEAST_CELLS * abs(np.linalg.det(vectors)) / step**2
    cells: dict[int, np.ndarray] = {}
    for value in CONDITION_NAMES:
        use = inside & (condition == value)
        if np.count_nonzero(use) >= least_px:
            cells[value] = _cells(z[use], of_groups[use], size)
    sound = cells.pop(SOUND, None)
    if sound is None or not np.isfinite(sound[0]).any():
        return None
    floor = _floor(sound[0])
    changed = tuple(_changed(CONDITION_NAMES[value], cell, sound, floor, budget) for value, cell in cells.items())
    return Mould(vectors, (sound[0] - floor).astype(np.float32), changed)


def _groups(grid: Grid, rows: np.ndarray, columns: np.ndarray) -> np.ndarray:
    """Group number of the pixels of rows and columns: square blocks dealt at random, the same every time."""
    size = max(1, round(GROUP_MM / grid.step_mm))
    blocks = -(-grid.rows // size), -(-grid.columns // size)
    dealt = np.random.default_rng(SEED).permutation(np.arange(blocks[0] * blocks[1]) % GROUPS).reshape(blocks)
    return dealt.astype(np.int32)[rows[:, None] // size, columns // size]


def _cells(heights: np.ndarray, of_groups: np.ndarray, size: tuple[int, int]) -> np.ndarray:
    """
    Mean cells (1 + GROUPS, n, m) [mm]: of all heights, then with one group left out at a time.

    `of_groups` numbers the places of the cell of the first group, then those of the second, and so on.
    """
    counts, totals = (
        np.bincount(of_groups, weights, GROUPS * size[0] * size[1]).reshape(GROUPS, *size)
        for weights in (None, heights)
    )
    counts, totals = (np.concatenate([a.sum(axis=0)[None], a.sum(axis=0) - a]) for a in (counts, totals))
    return np.where(counts > 0, totals / np.maximum(counts, 1), np.nan).astype(np.float32)


def _changed(condition: str, cells: np.ndarray, sound: np.ndarray, floor: float, budget: Budget) -> ChangedCell:
    """One condition's cell against the mould's; cells and sound as `_cells` gives them."""
    lost, gained, level = _losses(cells[0], sound[0])
    cell = (cells[0] - level - floor).astype(np.float32)
    relief = _top(sound[0]) - floor
    if relief < LEAST_RELIEF_MM or lost + gained > MOST_LOSS * relief:
        return ChangedCell(condition, cell, None, None, ("cell-split-unsure",))
    without = [_losses(cells[0], part)[:2] for part in sound[1:]], [_losses(part, sound[0])[:2] for part in cells[1:]]
    # delete-one jackknife: u^2 = (g - 1) / g times the sum of squared deviations (Efron 1982)
    u2 = sum((GROUPS - 1) * np.var(np.array(part), axis=0) for part in without)
    shape_u = SHAPE_U.get(budget.views, SHAPE_U_OF_MORE) * relief
    lost_mm, gained_mm = (
        _measured(v, math.hypot(math.sqrt(u), shape_u), budget) for v, u in zip((lost, gained), u2, strict=True)
    )
    return ChangedCell(condition, cell, lost_mm, gained_mm)


def _measured(value: float, u: float, budget: Budget) -> Measured:
    half = COVERAGE_FACTOR * math.hypot(u, value * budget.gain_u)
    return Measured(float(value), float(max(value - half, 0.0)), float(value + half))


def _losses(cell: np.ndarray, sound: np.ndarray) -> tuple[float, float, float]:
    """Depth lost at the top, gained at the floor, and the level of the cell over the sound one [mm]."""
    known = np.isfinite(cell) & np.isfinite(sound)
    seen, mould = cell[known].astype(np.float64), np.sort(sound[known].astype(np.float64))
    seen = seen[np.argsort(sound[known], kind="stable")]
    top, floor = _top(sound), _floor(sound)
    relief = top - floor
    middle, reach = np.array([0.5, 0.5]), 0.5
    for _ in range(ZOOMS):
        tried = np.clip(middle + reach * np.linspace(-1, 1, STEPS)[:, None], 0, 1) * relief
        lost, gained = (part.ravel() for part in np.meshgrid(tried[:, 0], tried[:, 1], indexing="ij"))
        possible = lost + gained <= relief
        lost, gained = lost[possible], gained[possible]
        misfit = seen - _clipped(mould, top - lost, floor + gained)
        level = misfit.mean(axis=1)
        misfit -= level[:, None]
        best = int(np.einsum("kn,kn->k", misfit, misfit).argmin())
        middle, reach = np.array([lost[best], gained[best]]) / max(relief, 1e-9), 2.0 * reach / (STEPS - 1)
    return float(lost[best]), float(gained[best]), float(level[best])


def _clipped(mould: np.ndarray, top: np.ndarray, floor: np.ndarray) -> np.ndarray:
    """The mould's heights (n,) cut at each top (k,) and raised to each floor (k,): (k, n)."""
    cut = np.where(top < _top(mould), top, np.inf)[:, None]
    raised = np.where(floor > _floor(mould), floor, -np.inf)[:, None]
    return np.clip(mould, raised, cut)


def _top(cell: np.ndarray) -> float:
    return float(np.nanquantile(cell, 1 - TOP_RATIO))


def _floor(cell: np.ndarray) -> float:
    return float(np.nanquantile(cell, 1 - FLOOR_RATIO))
