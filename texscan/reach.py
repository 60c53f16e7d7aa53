"""
What an abrasive with a round tip touches of a texture: closing of the height map with a ball.

Paint holds where contaminant and gloss are taken off; a flat disc keys the tops only. The tip radii that stand for
real tools (0.1 mm a bristle, 2 to 5 mm a soft pad) are assumptions, from memory, and no published test ties adhesion
to reach: read it as a risk, not as a strength.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise, product

import cv2
import numpy as np

from texscan.curve import TOP_RATIO, level_of
from texscan.model import COVERAGE_FACTOR, Budget, Measured, Reach

RADII_MM: tuple[float | None, ...] = (0.1, 0.25, 0.5, 1.0, 2.0, 5.0, None)
TOUCH_MM = 0.02  # a gap up to this counts as touched: roughness below the S-filter; a setting
LEAST_GAIN = 0.05  # keeps the low end of all heights finite under a hopeless budget
# A ball can stand on grid points only, which leaves it up to half a step times the slope too high: the grid is made
# finer until the ball is this wide, and coarser only when it is wider than the second figure.
FINE_PIXELS, COARSE_PIXELS = 8, 20
FINEST = 2  # parts of a step
TILE_MM = 20.0  # side of the tiles that stand for a large map: several pitches of common textures
LEAST_TILES = 4
ENDS_EVERY = 3  # of the tiles read, one in so many is read at both ends of the heights too
MOST_OPERATIONS = 2e8  # pixels times ball offsets of one reading; beyond it evenly spread tiles are read
PIXEL_OPERATIONS = 40  # what a pixel costs beside its offsets
PIXELS_AT_ONCE = 131_072  # keeps the working numbers in the processor's cache
HOLE = np.float32(-np.inf)
# Heights in whole numbers of 16 bits are twice as quick: a hole stands below the lowest height by more than a cap.
LEVELS, WHOLE_HOLE = 13_106, np.int16(-19_662)
LEAST_TOUCH_LEVELS = 50  # the limit of touch is told to a hundredth
LEAST_CUT = 8  # half-width of a cap [pixels] from which it is worth looking where it can be left
LEAST_WHOLE = 1e6  # pixels times the ball's half-width squared [pixels]; small maps are quick enough without


def reach(
    height_mm: np.ndarray,
    step_mm: float,
    radii: tuple[float | None, ...] = RADII_MM,
    *,
    budget: Budget,
    touch_mm: float = TOUCH_MM,
) -> tuple[Reach, ...]:
    """
    Share of the true area that each tip touches, and the mean gap under it.

    Parameters
    ----------
    height_mm : (rows, columns), form removed and filtered, z up [mm]. NaN = not measured: no tip rests there, and
        what a tip over it would touch is left out. Outer edges are mirrored.
    step_mm : of the grid [mm].
    radii : tip radii [mm], > 0; None is a flat disc that rests on the top plane.
    budget : standard uncertainty of all heights together.
    touch_mm : gap that counts as touched [mm].

    Returns
    -------
    One Reach a radius. The interval is the reading at the low and high ends of all heights.

    Raises
    ------
    ValueError : nothing measured.

    Notes
    -----
    Large maps are read on evenly spread tiles, whose scatter is in the interval; both ends of the heights on some of
    these, as a shift of the reading.
    Touched where closing(z) - z <= touch; areas weighed by sqrt(1 + |grad z|^2); gap = mean(closing(z) - z). A tip
    smaller than a step touches all that the map can show. Near-tangent gaps are tiny, so the share depends on
    `touch_mm` where the gap does not.
    """
    surface = _surface(np.asarray(height_mm, np.float32), step_mm)
    spread = COVERAGE_FACTOR * budget.gain_u
    gains = (1.0,) if spread == 0 else (1.0, max(1 - spread, LEAST_GAIN), 1 + spread)
    results = []
    for radius in radii:
        if radius is None:
            readings = _flat_readings(surface, gains, touch_mm)
        else:
            readings = _ball_readings(surface, radius, gains=gains, touch_mm=touch_mm)
        fraction, gap = (_measured([reading[i] for reading in readings]) for i in (0, 1))
        results.append(Reach(radius, Measured(fraction.value, fraction.low, min(fraction.high, 1.0)), gap))
    return tuple(results)


def closing(height_mm: np.ndarray, step_mm: float, radius_mm: float) -> np.ndarray:
    """
    Height of the lowest ball that rolls over the surface: morphological closing with a ball.

    Parameters
    ----------
    height_mm : (rows, columns), z up [mm]; NaN stays NaN, and no ball rests on it or has its centre over it.
    step_mm, radius_mm : of the grid and of the ball [mm].

    Returns
    -------
    (rows, columns) float32 >= height_mm [mm], mirrored at the outer edges.

    Notes
    -----
    Dilation then erosion with the ball's cap sag(d) = r - sqrt(r^2 - d^2), as far out as the relief lets it touch;
    areal ball closing of ISO 16610-81 (number from memory).
    """
    height = np.asarray(height_mm, np.float32)
    cap = _cap(_half_width_mm(float(np.nanmax(height) - np.nanmin(height)), radius_mm), step_mm, radius_mm)
    padded = np.pad(np.where(np.isfinite(height), height, HOLE), 2 * (len(cap) - 1), mode="symmetric")
    return np.maximum(_closed(padded, cap, HOLE), height)


def _closed(height: np.ndarray, cap: list[np.ndarray], hole: np.float32 | np.int16) -> np.ndarray:
    """
    Closing of what lies more than twice the ball's reach inside the array.

    `hole` stands for what is not measured: further below all heights than the cap is deep.
    """
    return -_highest(-_highest(height, cap, hole), cap, hole)


def _without_edge(array: np.ndarray, width: int) -> np.ndarray:
    return array[width : array.shape[0] - width, width : array.shape[1] - width]


def _cap(half_mm: float, step_mm: float, radius_mm: float) -> list[np.ndarray]:
    """-sag of the ball for each row offset from 0 on, over the column offsets from 0 on, out to the half-width."""
    rows = np.arange(int(half_mm / step_mm) + 1) * step_mm
    squared = rows[:, None] ** 2 + rows[None, :] ** 2
    drops = np.sqrt(np.maximum(radius_mm**2 - squared, 0)) - radius_mm
    return [drop[near].astype(np.float32) for drop, near in zip(drops, squared <= half_mm**2, strict=True)]


def _half_width_mm(span_mm: float, radius_mm: float) -> float:
    """How far from its lowest point a ball can touch a surface of this span."""
    depth = min(span_mm, radius_mm)
    return math.sqrt(max(2 * radius_mm * depth - depth**2, 0.0))


def _highest(height: np.ndarray, cap: list[np.ndarray], hole: np.float32 | np.int16) -> np.ndarray:
    """
    Dilation: highest of the shifted copies, each lowered by the ball's sag; -hole over holes. Smaller than the array
    by the ball's reach on each side.

    The cap is the same on all four sides, so the higher of two mirrored neighbours is taken before it is lowered.
    Where even the highest neighbour, once lowered, ends below the lowest place, the rest of the cap is left. Rows are
    strung together, which is several times quicker than row by row: what is wrong at their ends lies in the edge.
    """
    n, width = len(cap) - 1, height.shape[1]
    line = height.ravel()
    found = np.where(line == hole, -hole, hole)
    edge = n * width + n
    for start in range(edge, line.size - edge, PIXELS_AT_ONCE):
        stop = min(start + PIXELS_AT_ONCE, line.size - edge)
        block, pair = found[start:stop], np.empty(stop - start, line.dtype)
        for row, drops in enumerate(cap):
            shift = row * width
            higher = np.maximum(
                line[start - n - shift : stop + n - shift], line[start - n + shift : stop + n + shift]
            )
            useful = len(drops)
            if n >= LEAST_CUT:
                useful = int(np.count_nonzero(drops > float(block.min()) - float(higher.max())))
            if useful == 0:
                break
            for column, drop in enumerate(drops[:useful]):
                left, right = (higher[at : at + stop - start] for at in (n - column, n + column))
                np.maximum(left, right, out=pair)
                np.add(pair, drop, out=pair)
                np.maximum(block, pair, out=block)
    return _without_edge(found.reshape(height.shape), n)


@dataclass(frozen=True, slots=True)
class _Surface:
    """A map, and what the reading of every tip needs of it."""

    height_mm: np.ndarray  # (rows, columns) float32
    step_mm: float
    measured: np.ndarray  # bool
    hole_px: np.ndarray | None  # distance of each pixel from the nearest hole [pixels]; None without a hole
    steep: np.ndarray  # as of `_steepness`
    lowest_mm: float
    highest_mm: float

    @property
    def span_mm(self) -> float:
        return self.highest_mm - self.lowest_mm


def _surface(height_mm: np.ndarray, step_mm: float) -> _Surface:
    measured = np.isfinite(height_mm)
    if not measured.any():
        raise ValueError("no measured height to reach")
    hole_px = None
    if not measured.all():
        hole_px = cv2.distanceTransform(measured.astype(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_PRECISE)
    lowest, highest = float(np.nanmin(height_mm)), float(np.nanmax(height_mm))
    return _Surface(height_mm, step_mm, measured, hole_px, _steepness(height_mm, step_mm), lowest, highest)


def _flat_readings(surface: _Surface, gains: tuple[float, ...], touch_mm: float) -> list:
    """(value, 0) of the touched share and of the mean gap, under a flat disc on the top plane, for each gain."""
    height, judged = surface.height_mm, surface.measured
    gap = np.where(judged, np.maximum(level_of(height[judged], TOP_RATIO) - height, 0), 0)
    sums = [_sums(surface.steep, np.float32(gain) * gap, gain, touch_mm, judged) for gain in gains]
    return [((touched / area, 0.0), (depth / count, 0.0)) for area, touched, count, depth in sums]


def _ball_readings(surface: _Surface, radius_mm: float, *, gains: tuple[float, ...], touch_mm: float) -> list:
    """
    (value, standard uncertainty from the choice of tiles) of the touched share and of the mean gap, for each gain.
    """
    height, step_mm = surface.height_mm, surface.step_mm
    if radius_mm <= step_mm:
        return [((1.0, 0.0), (0.0, 0.0)) for _ in gains]  # all that the map can show
    half_mm = _half_width_mm(surface.span_mm * max(gains), radius_mm)
    factor = _working_factor(height.size, half_mm / step_mm)
    judged = _judged(surface, half_mm / step_mm)
    tiles, share_read = _tiles(judged, step_mm, half_mm, factor)
    margin = 2 * math.ceil(half_mm / step_mm) + math.ceil(factor)
    padded = np.pad(height, margin, mode="symmetric")
    every = ENDS_EVERY if len(tiles) > LEAST_TILES else 1
    ball = _ball(surface, radius_mm, half_mm=half_mm, factor=factor, most_gain=max(gains), touch_mm=touch_mm)
    edge, sums = 2 * (len(ball.cap) - 1), []
    for number, tile in enumerate(tiles):
        around = tuple(slice(part.start, part.stop + 2 * margin) for part in tile)
        block = _resampled(padded[around], factor)
        if factor == 1:
            block, core, steep = _without_edge(block, margin - edge), judged[tile], surface.steep[tile]
        else:
            core = _without_edge(_resampled(np.pad(judged[tile].astype(np.float32), margin), factor) > 0.5, edge)
            steep = _without_edge(_steepness(block, step_mm * factor), edge)
        sums.append(_tile_sums(block, core, steep, ball, gains=gains if number % every == 0 else gains[:1]))
    values, u = _from_tiles(np.array([of_tile[0] for of_tile in sums]), share_read)
    both = np.array(sums[::every])
    shifts = [_ratios(both[:, end]) - _ratios(both[:, 0]) for end in range(len(gains))]
    return [tuple(zip(values + shift, u, strict=True)) for shift in shifts]


@dataclass(frozen=True, slots=True)
class _Ball:
    """A ball's cap in the numbers that it is laid on heights with."""

    cap: list[np.ndarray]  # as of `_cap`, times `scale`
    hole: np.float32 | np.int16  # stands for what is not measured
    middle_mm: float  # is number 0
    scale: float  # numbers a mm
    touch_mm: float

    def numbers(self, height: np.ndarray, holes: np.ndarray, gain: float) -> np.ndarray:
        """Heights [mm] times the gain, as numbers."""
        raised = height * np.float32(gain * self.scale)
        if self.hole.dtype.kind == "i":
            raised -= np.float32(self.middle_mm * gain * self.scale)
            np.rint(raised, out=raised)
        np.copyto(raised, self.hole, where=holes)
        return raised.astype(self.hole.dtype)


def _ball(
    surface: _Surface, radius_mm: float, *, half_mm: float, factor: float, most_gain: float, touch_mm: float
) -> _Ball:
    """
    The ball for these heights, at the working step: in whole numbers where the map is large, unless they would blur
    the touch.
    """
    step_mm = surface.step_mm * factor
    cap = _cap(half_mm, step_mm, radius_mm)
    span_mm = surface.span_mm * most_gain
    touched = math.floor(touch_mm * LEVELS / span_mm) if span_mm > 0 else 0
    if touched < LEAST_TOUCH_LEVELS or surface.height_mm.size * (half_mm / step_mm) ** 2 < LEAST_WHOLE:
        return _Ball(cap, HOLE, 0.0, 1.0, touch_mm)
    middle = (surface.highest_mm + surface.lowest_mm) / 2
    scale = (touched - 0.5) / touch_mm  # the limit of touch lies between two numbers
    whole = [np.rint(drops * scale).astype(np.int16) for drops in cap]
    return _Ball(whole, WHOLE_HOLE, middle, scale, touch_mm)


def _ratios(sums: np.ndarray) -> np.ndarray:
    """Touched share and mean gap over tiles, from their `_sums` (tiles, 4)."""
    area, touched, count, depth = sums.sum(axis=0)
    return np.array([touched / area, depth / count]) if count else np.zeros(2)


def _from_tiles(sums: np.ndarray, share_read: float) -> tuple[np.ndarray, np.ndarray]:
    """`_ratios` and their standard uncertainty when the tiles are a choice: ratio estimate, finite population."""
    ratios = _ratios(sums)
    area, touched, count, depth = sums.T
    n = area.size
    if share_read == 1 or n < 2:
        return ratios, np.zeros(2)
    off = np.array([np.sum((touched - ratios[0] * area) ** 2), np.sum((depth - ratios[1] * count) ** 2)])
    return ratios, np.sqrt(off * (1 - share_read) * n / (n - 1)) / np.array([area.sum(), count.sum()])


def _tiles(
    judged: np.ndarray, step_mm: float, half_mm: float, factor: float
) -> tuple[list[tuple[slice, slice]], float]:
    """Tiles to read, and their share of those that hold something to judge."""
    shape = judged.shape
    ball_pixels = half_mm / (step_mm * factor)
    per_pixel = (math.pi * ball_pixels**2 + PIXEL_OPERATIONS) / factor**2
    if judged.size * per_pixel <= MOST_OPERATIONS:
        return [(slice(0, shape[0]), slice(0, shape[1]))], 1.0
    size = max(1, round(TILE_MM / step_mm))
    counts = [max(1, n // size) for n in shape]
    edges = [np.linspace(0, n, count + 1).round().astype(int) for n, count in zip(shape, counts, strict=True)]
    rows, columns = ([slice(start, stop) for start, stop in pairwise(edge)] for edge in edges)
    tiles = [tile for tile in product(rows, columns) if judged[tile].any()]
    most = max(LEAST_TILES, int(MOST_OPERATIONS / (size**2 * per_pixel)))
    if most >= len(tiles):
        return tiles, 1.0
    picked = ((np.arange(most) + 0.5) * len(tiles) / most).astype(int)
    return [tiles[i] for i in picked], most / len(tiles)


def _working_factor(size: int, ball_pixels: float) -> float:
    """Working step over the grid's step: 1/2, 1, 2, 3 ...; coarser only where map and ball are too large."""
    parts = FINEST
    while parts > 1 and ball_pixels * parts > FINE_PIXELS:
        parts //= 2
    if parts > 1 or size * math.pi * ball_pixels**2 <= MOST_OPERATIONS:
        return 1 / parts
    return max(1, math.ceil(ball_pixels / COARSE_PIXELS))


def _tile_sums(
    block: np.ndarray, core: np.ndarray, steep: np.ndarray, ball: _Ball, *, gains: tuple[float, ...]
) -> list[tuple[float, float, float, float]]:
    """
    `_sums` of a tile for each gain: core and steepness of it, and a block of heights that is wider by twice the
    ball's reach on each side.
    """
    edge = 2 * (len(ball.cap) - 1)
    holes = np.isnan(block)
    judged = core & ~_without_edge(holes, edge)
    if not judged.any():
        return [(0.0, 0.0, 0.0, 0.0)] * len(gains)
    sums, left_out = [], ~judged
    for gain in gains:
        numbers = ball.numbers(block, holes, gain)
        with np.errstate(invalid="ignore"):  # holes are endlessly deep on both sides
            gap = _closed(numbers, ball.cap, ball.hole) - _without_edge(numbers, edge)
        np.maximum(gap, 0, out=gap)
        np.copyto(gap, 0, where=left_out)
        area, touched, count, depth = _sums(steep, gap, gain, ball.touch_mm * ball.scale, judged)
        sums.append((area, touched, count, depth / ball.scale))
    return sums


def _steepness(height: np.ndarray, step_mm: float) -> np.ndarray:
    """|grad z|^2 from central differences; 0 beside holes."""
    steep = np.zeros(height.shape, np.float32)
    for way in ((1, 0), (0, 1)):
        slope = cv2.Sobel(height, cv2.CV_32F, *way, ksize=1, scale=0.5 / step_mm, borderType=cv2.BORDER_REPLICATE)
        steep += slope**2
    return np.where(np.isfinite(steep), steep, 0.0)


def _sums(
    steep: np.ndarray, gap: np.ndarray, gain: float, touch: float, judged: np.ndarray
) -> tuple[float, float, float, float]:
    """
    True area judged, true area touched, pixels judged, sum of gaps; areas in pixels, gaps and touch in one unit. Gaps
    are 0 where nothing is judged.
    """
    area = np.sqrt(1 + np.float32(gain**2) * steep) * judged
    touched = area * (gap <= touch)
    return float(area.sum()), float(touched.sum()), float(np.count_nonzero(judged)), float(gap.sum(dtype=float))


def _judged(surface: _Surface, reach_pixels: float) -> np.ndarray:
    """Measured pixels further from a hole than the ball reaches; all measured ones if none is."""
    if surface.hole_px is None:
        return surface.measured
    far = surface.hole_px > reach_pixels
    return far if far.any() else surface.measured


def _resampled(height: np.ndarray, factor: float) -> np.ndarray:
    """Linear between pixels on a finer grid (factor < 1), means over blocks on a coarser one."""
    if factor == 1:
        return height
    if factor < 1:
        return _finer(_finer(height, round(1 / factor)).T, round(1 / factor)).T
    size = int(factor)
    rows, columns = (max(1, n // size) for n in height.shape)
    if np.isfinite(height).all():
        return cv2.resize(height[: rows * size, : columns * size], (columns, rows), interpolation=cv2.INTER_AREA)
    parts = [height[i : rows * size : size, j : columns * size : size] for i in range(size) for j in range(size)]
    known = [np.isfinite(part) for part in parts]
    counts = np.sum(known, axis=0)
    sums = sum(np.where(seen, part, 0) for seen, part in zip(known, parts, strict=True))
    means = np.full(counts.shape, np.nan, np.float32)
    np.divide(sums, counts, out=means, where=counts > 0)
    return means


def _finer(height: np.ndarray, parts: int) -> np.ndarray:
    """Rows in between, linear; a row between a measured and a missing pixel is missing."""
    fine = np.empty(((height.shape[0] - 1) * parts + 1, height.shape[1]), np.float32)
    fine[::parts] = height
    for part in range(1, parts):
        share = np.float32(part / parts)
        fine[part::parts] = (1 - share) * height[:-1] + share * height[1:]
    return fine


def _measured(readings: list[tuple[float, float]]) -> Measured:
    """The first reading; its interval joins the readings at both ends of the heights and the choice of tiles."""
    value, u = readings[0]
    values = [reading[0] for reading in readings]
    low = value - math.hypot(value - min(values), COVERAGE_FACTOR * u)
    high = value + math.hypot(max(values) - value, COVERAGE_FACTOR * u)
    return Measured(float(value), max(float(low), 0.0), float(high))
