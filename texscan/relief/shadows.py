"""
Shadows of a lamp over the deck: where a height map throws them, and what heights the seen ones tell.

Everything happens in the lamp's fan: rays from the lamp's foot, one row each, so that a shadow is a run along a row.
A distant lamp is a very far one.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from scipy import sparse

from ..model import Grid, Light

DISTANT_MM = 1e5  # stands for a lamp at infinity; rays over 300 mm of deck then diverge by under 0.2 degrees
RUN_U_MM = 0.010  # standard uncertainty of a height drop told by a shadow run, besides its ends [mm]
END_U_PX = 0.5  # standard uncertainty of where a shadow begins and ends [pixels]
NOWHERE_MM = -1e6  # a height that throws no shadow
STRIP_RAYS = 32  # rays worked on at a time: arrays of that size stay in the processor's cache
SHORTEST_RUN_PX = 2.0  # shorter dark runs are noise or blur


@dataclass(frozen=True, slots=True)
class Fan:
    """The polar grid of one lamp: sample (i, j) lies on ray i at radius_mm[j] from the lamp's foot."""

    on_grid: tuple[np.ndarray, np.ndarray]  # column and row of each sample, (rays, samples) float32
    in_fan: tuple[np.ndarray, np.ndarray]  # sample and ray of each pixel, (rows, columns) float32
    angle: np.ndarray  # (rays,) float64, of the ray against +x [radians]
    foot_px: tuple[float, float]  # column and row of the lamp's foot
    radius_mm: np.ndarray  # (samples,) float64
    lamp_mm: float  # the lamp's height above z = 0


@dataclass(frozen=True, slots=True)
class Dark:
    """A view unrolled into its fan, and its runs below 0: ray, last sample before and last sample of each."""

    values: np.ndarray  # (rays, samples) float32
    ray: np.ndarray
    before: np.ndarray
    last: np.ndarray


@dataclass(frozen=True, slots=True)
class Runs:
    """Shadow runs: begin and end of each on the grid, their distances from the lamp's foot, their uncertainty."""

    begin: np.ndarray  # (runs, 2) column, row [pixels]
    end: np.ndarray
    begin_mm: np.ndarray  # (runs,) distance from the lamp's foot
    end_mm: np.ndarray
    lamp_mm: float
    u_mm: np.ndarray  # (runs,) standard uncertainty of the height drop

    @property
    def drop_mm(self) -> np.ndarray:
        """Height that the ray loses from begin to end, for a begin at z = 0 [mm]."""
        return self.lamp_mm * (self.end_mm / self.begin_mm - 1)


def fan(light: Light, grid: Grid) -> Fan:
    """The fan of a light over a grid; rays and samples are no further apart than one pixel."""
    lamp = light.position_mm
    if lamp is None:
        lamp = np.array([*grid.centre_mm, 0.0]) + light.direction * DISTANT_MM
    x, y = grid.x_mm[None, :] - lamp[0], grid.y_mm[:, None] - lamp[1]
    # Angles are taken about the direction to the grid's centre, so that they do not wrap unless the lamp is above it.
    to_centre = np.arctan2(grid.centre_mm[1] - lamp[1], grid.centre_mm[0] - lamp[0])
    c, s = np.cos(to_centre), np.sin(to_centre)
    angle = np.arctan2((y * c - x * s).astype(np.float32), (x * c + y * s).astype(np.float32))
    radius = x * x + y * y
    np.sqrt(radius, out=radius)
    near, far = max(radius.min() - grid.step_mm, grid.step_mm), radius.max() + grid.step_mm
    turn = grid.step_mm / far
    angles = np.arange(angle.min() - turn, angle.max() + 2 * turn, turn)
    radii = np.arange(near, far + grid.step_mm, grid.step_mm)
    foot = float((lamp[0] - grid.x0_mm) / grid.step_mm), float((grid.y1_mm - lamp[1]) / grid.step_mm)
    radius -= near
    radius /= grid.step_mm
    angle -= np.float32(angles[0])
    angle *= np.float32(1 / turn)
    return Fan(
        on_grid=_from_foot(foot, angles[:, None] + to_centre, radii[None, :] / grid.step_mm),
        in_fan=(radius.astype(np.float32), angle),
        angle=angles + to_centre,
        foot_px=foot,
        radius_mm=radii,
        lamp_mm=float(lamp[2]),
    )


def _from_foot(
    foot_px: tuple[float, float], angle: np.ndarray, radius_px: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Column and row, float32, of what lies at this angle and distance from the lamp's foot."""
    right, up = radius_px * np.cos(angle), radius_px * np.sin(angle)
    right += foot_px[0]
    np.subtract(foot_px[1], up, out=up)
    return right.astype(np.float32), up.astype(np.float32)


def unroll(values: np.ndarray, over: Fan) -> np.ndarray:
    """(rows, columns) on the grid to (rays, samples) in the fan, float32; NaN outside the grid and beside NaN."""
    return cv2.remap(
        values.astype(np.float32, copy=False), *over.on_grid, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT,
        borderValue=float("nan"),
    )  # fmt: skip


def lit_share(height_mm: np.ndarray, over: Fan) -> np.ndarray:
    """
    Share of the lamp that each pixel sees, 0 (in shadow) to 1, float32 (rows, columns); soft over about one pixel.

    Along a ray a point is lit unless a point nearer the lamp stands above the line to it: the downward slope of the
    ray, (H - z) / r, must not exceed the smallest so far. NaN heights throw no shadow and get none.
    """
    fan = unroll(height_mm, over)
    radius = over.radius_mm.astype(np.float32)
    # A pixel whose surface lies a good part of a pixel's fall below the shadow's edge is wholly dark.
    fall = (over.radius_mm[1] - over.radius_mm[0]) * over.lamp_mm / over.radius_mm.mean()
    softness = radius * np.float32(-2 / fall)
    for first in range(0, len(fan), STRIP_RAYS):
        rays = fan[first : first + STRIP_RAYS]
        unknown = np.isnan(rays)
        rays[unknown] = NOWHERE_MM
        np.subtract(np.float32(over.lamp_mm), rays, out=rays)
        rays /= radius
        rays -= np.minimum.accumulate(rays, axis=1)
        rays *= softness
        rays += 1
        np.maximum(rays, 0, out=rays)
        rays[unknown] = 1
    return cv2.remap(fan, *over.in_fan, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)


def dark(excess: np.ndarray, over: Fan) -> Dark:
    """
    Where one view is dark along its rays.

    excess : (rows, columns) float32, brightness over the level deck's minus the shadow level: negative in shadow, NaN
    where not measured, which ends a run.
    """
    values = unroll(excess, over)
    below = values < 0
    ray, at = np.divmod(np.flatnonzero(below[:, 1:] != below[:, :-1]), values.shape[1] - 1)
    # Along a ray a run's begin and its end take turns, so the end is the very next change.
    begins = np.flatnonzero(below[ray[:-1], at[:-1] + 1] & (ray[1:] == ray[:-1]))
    return Dark(values, ray[begins], at[begins], at[begins + 1])


def find_runs(seen: Dark, over: Fan, *, look_px: int) -> Runs:
    """
    Shadow runs of one view, as the fan shows them.

    Parameters
    ----------
    seen : Dark
    over : Fan
    look_px : int
        How far from a shadow's end to look for its dark and its lit level [pixels]; cover the blur.

    Returns
    -------
    Runs; those that touch an unmeasured pixel or are shorter than SHORTEST_RUN_PX are left out.

    Notes
    -----
    A run begins where the surface turns out of the light, smoothly, so the crossing of the level serves. It ends in a
    step, whose place is where brightness passes half-way between dark and lit, whatever the blur.
    """
    values, ray, begin, end = seen.values, seen.ray, seen.before, seen.last
    samples = values.shape[1]
    v0, v1 = values[ray, begin], values[ray, begin + 1]
    at_begin = begin + np.clip((v0) / np.where(v0 - v1 == 0, 1, v0 - v1), -1, 1)
    at_end = _half_way(values, ray, end, begin + 1, look_px)
    # what lies just beyond both ends must have been measured
    good = np.isfinite(at_begin) & np.isfinite(at_end) & (end + look_px < samples)
    good &= at_end - at_begin >= SHORTEST_RUN_PX
    ray, at_begin, at_end = ray[good], at_begin[good], at_end[good]
    step = over.radius_mm[1] - over.radius_mm[0]
    begin_mm, end_mm = over.radius_mm[0] + step * at_begin, over.radius_mm[0] + step * at_end
    end_u = END_U_PX * step * over.lamp_mm / end_mm
    return Runs(
        begin=_on_grid(over, ray, at_begin), end=_on_grid(over, ray, at_end), begin_mm=begin_mm, end_mm=end_mm,
        lamp_mm=over.lamp_mm, u_mm=np.hypot(RUN_U_MM, end_u),
    )  # fmt: skip


def _half_way(values, ray, end, first_dark, look_px) -> np.ndarray:
    """Sample position where the step from dark to lit at `end` passes half-way; NaN if it does not or is not seen."""
    samples = values.shape[1]
    span = np.arange(-look_px, look_px + 1)
    at = np.clip(end[:, None] + span[None, :], 0, samples - 1)
    profile = values[ray[:, None], at]
    profile = np.where(at < first_dark[:, None], np.float32(np.inf), profile)  # not back over the occluder
    low = profile[:, : look_px + 1].min(axis=1, initial=np.inf)
    high = profile[:, look_px + 1 :].max(axis=1, initial=-np.inf)
    half = 0.5 * (low + high)
    lit = (profile >= half[:, None]) & (at >= first_dark[:, None])
    k = np.where(lit.any(axis=1), lit.argmax(axis=1), 0)
    index = np.arange(len(ray))
    before = np.clip(k - 1, 0, None)
    v0, v1 = profile[index, before], profile[index, k]
    with np.errstate(invalid="ignore", divide="ignore"):
        position = at[index, before] + (half - v0) / (v1 - v0)
    return np.where((k > 0) & np.isfinite(position), position, np.nan)


def _on_grid(over: Fan, ray: np.ndarray, sample: np.ndarray) -> np.ndarray:
    """(n, 2) column and row of fractional samples on given rays."""
    step = over.radius_mm[1] - over.radius_mm[0]
    return np.stack(_from_foot(over.foot_px, over.angle[ray], over.radius_mm[0] / step + sample), axis=1)


def equations(runs: Runs, shape: tuple[int, int]) -> tuple[sparse.csr_array, np.ndarray]:
    """
    One equation a run on the nodes of a (rows, columns) grid:  z_a r_b / r_a - z_b = H (r_b / r_a - 1).

    Returns the (runs, nodes) matrix and the right-hand side [mm], without weights. Exact for a near lamp: the ray
    from the lamp over the occluder's edge a meets the deck again at b.
    """
    rows, columns = shape
    ratio = runs.end_mm / runs.begin_mm
    index_a, weight_a = _bilinear(runs.begin, rows, columns)
    index_b, weight_b = _bilinear(runs.end, rows, columns)
    data = np.concatenate([weight_a * ratio[:, None], -weight_b], axis=1).astype(np.float32)
    index = np.concatenate([index_a, index_b], axis=1)
    start = np.arange(len(ratio) + 1, dtype=np.int32) * 8  # as `index`, or both become twice as wide
    matrix = sparse.csr_array((data.ravel(), index.ravel(), start), shape=(len(ratio), (rows + 1) * (columns + 1)))
    return matrix, runs.drop_mm.astype(np.float32)


def _bilinear(at: np.ndarray, rows: int, columns: int) -> tuple[np.ndarray, np.ndarray]:
    """Node indices (n, 4) and weights (n, 4); pixel centre (0, 0) lies at node coordinates (0.5, 0.5)."""
    c = np.clip(at[:, 0] + 0.5, 0, columns - 1e-6)
    r = np.clip(at[:, 1] + 0.5, 0, rows - 1e-6)
    c0, r0 = c.astype(np.int32), r.astype(np.int32)
    fc, fr = c - c0, r - r0
    first = r0 * (columns + 1) + c0
    index = np.stack([first, first + 1, first + columns + 1, first + columns + 2], axis=1)
    weight = np.stack([(1 - fr) * (1 - fc), (1 - fr) * fc, fr * (1 - fc), fr * fc], axis=1)
    return index, weight


def hidden_slopes(seen: Dark, over: Fan, *, flank: float) -> tuple[np.ndarray, np.ndarray]:
    """
    Likely slope away from the lamp inside shadows: a flank that falls by `flank`, then a level floor.

    Parameters
    ----------
    seen : Dark
    over : Fan
    flank : float
        Tangent of the flank's angle; where the light falls more steeply than that, the light's own slope is taken.

    Returns
    -------
    slope : (rows, columns) float32, 0 or negative
    inside : (rows, columns) bool
        Where the run begins and ends on measured deck; elsewhere nothing is said.

    Notes
    -----
    The straight line from a run's begin to its end would be the highest surface that the shadow allows. A run loses
    its length times tan(elevation); a flank of tangent `flank` does so over the share tan(elevation) / flank of it.
    """
    values, ray, before, last = seen.values, seen.ray, seen.before, seen.last
    measured = np.isfinite(values[ray, before]) & np.isfinite(values[ray, last + 1])
    ray, before, last = ray[measured], before[measured], last[measured]
    # every dark sample: its ray, its place in its run, its place on the ray
    length = last - before
    rays = np.repeat(ray, length)
    place = 1 + np.arange(rays.size) - np.repeat(np.cumsum(length) - length, length)
    at = np.repeat(before, length) + place
    tangent = over.lamp_mm / over.radius_mm
    steep = np.maximum(flank, tangent)
    slope, known = np.zeros((2, *values.shape), np.float32)
    slope[rays, at] = np.where(place * steep[at] <= np.repeat(length + 1, length) * tangent[at], -steep[at], 0)
    known[rays, at] = 1
    back = (*over.in_fan, cv2.INTER_LINEAR)
    return cv2.remap(slope, *back), cv2.remap(known, *back) > 0.5
