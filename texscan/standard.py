"""
A height standard that anyone can make: strips of known thickness on a flat board, measured over known, with a date.

`measure_step` reads the strips in a height map; `Verification` is what later scores hold against it.
"""

from __future__ import annotations

import datetime
import json
import math
from dataclasses import dataclass

import cv2
import numpy as np
from scipy import ndimage, special

from texscan.errors import ReliefError, SettingsError
from texscan.model import Grid, Measured
from texscan.rectify import disk

SCHEMA = "texscan.verify/1"
KNOWN_RANGE_MM = (0.2, 1.5)  # thinner is lost in the paper's own waviness; thicker shades all of the gap beside it
KNOWN_U_MM = 0.01  # of a thickness read with a calliper on a stack and divided; from memory
OLD_DAYS = 180  # a check older than this is old; common practice, no source
STRIP_WIDTH_MM = (2.0, 8.0)  # the solver pulls lands wider than about 12 mm flat, so a wide plate would sink
LEAST_STRIP_MM2 = 30.0
LEAST_STRIPS = 3
STRAIGHT_SHARE = 0.75  # of the smallest rectangle around a strip: a plateau with straight edges fills this much of it
EDGE_MM = 0.7  # left out on both sides of an edge: the photo's blur
BESIDE_MM = 3.2  # the board is read this far from a strip; farther off the level is not held
DRIFT_MM, COARSE_MM, BOARD_SHARE = 25.0, 1.0, 30  # side of a window that most is board of; step; percentile of board
TWO_LEVELS = 0.75  # share of the variance that two levels explain (Otsu): less is no step
ROUGH_BOARD = 0.3  # of the step: a board that scatters more is no flat board
LINE_COLOUR = (0, 114, 178)  # of the strips' outlines; Okabe and Ito 2008
FEW_STRIPS_U = 0.02  # relative standard uncertainty of a mean of strips at the least: glue and burrs, no source


@dataclass(frozen=True, slots=True)
class Strip:
    """One strip: its corners (4, 2) in the card frame and its height over the board beside it [mm]."""

    corners_mm: np.ndarray
    step_mm: float


@dataclass(frozen=True, slots=True)
class Step:
    """The height of all strips together [mm], `u_mm` from their scatter alone."""

    value_mm: float
    u_mm: float
    strips: tuple[Strip, ...]


@dataclass(frozen=True, slots=True)
class Verification:
    """Measured over known height of a standard, and the day of its photos."""

    day: datetime.date
    ratio: Measured

    @property
    def is_off(self) -> bool:
        """Whether the standard was misread by more than the interval."""
        return not self.ratio.low <= 1 <= self.ratio.high


def measure_step(
    height_mm: np.ndarray, grid: Grid, *, box_mm: tuple[float, float, float, float] | None = None
) -> Step:
    """
    Height of the strips of a standard over the flat board that they lie on.

    Parameters
    ----------
    height_mm : (rows, columns) on `grid`, NaN = not measured
    box_mm : x0, y0, x1, y1 in the card frame, where the strips lie; None looks everywhere

    Raises
    ------
    ReliefError
        No two levels, too few plateaus with straight edges, or a board that is not flat.

    Notes
    -----
    The board's slow drift is a percentile within DRIFT_MM; above it stand two levels, split by Otsu's threshold. Each
    plateau that fills its smallest rectangle counts as a strip. Its step is the median height inside, EDGE_MM from
    its edges, less that of the board within BESIDE_MM. The mean of the strips has Student's t for their scatter.
    """
    z = height_mm if box_mm is None else np.where(_inside(grid, box_mm), height_mm, np.nan)
    high = _upper_level(z - _board(z, grid))
    near = cv2.dilate(high.astype(np.uint8), disk(EDGE_MM, grid)).astype(bool)
    strips = [s for mask in _plateaus(high, grid) if (s := _strip(mask, near, height_mm, grid)) is not None]
    if len(strips) < LEAST_STRIPS:
        raise ReliefError(
            f"{len(strips)} strips with straight edges were found, {LEAST_STRIPS} are needed. Lay five straight "
            "strips, 4 mm wide and 10 mm from middle to middle, on a flat matt board inside the card, or name their "
            "place with --box."
        )
    steps = np.array([strip.step_mm for strip in strips])
    value = float(steps.mean())
    t = float(special.stdtrit(len(steps) - 1, 0.975)) / 1.96
    return Step(value, max(t * float(steps.std(ddof=1)) / math.sqrt(len(steps)), FEW_STRIPS_U * value), tuple(strips))


def over_known(step: Step, known_mm: float, *, known_u_mm: float, gain_u: float) -> tuple[Measured, Measured]:
    """
    The measured step [mm], and measured over known.

    `gain_u` is the relative standard uncertainty that a score from such photos states for all its heights together:
    the standard tells whether that statement holds.
    """
    u = math.hypot(step.u_mm, gain_u * step.value_mm)
    ratio = step.value_mm / known_mm
    return (
        Measured.from_u(step.value_mm, u, at_least=0.0),
        Measured.from_u(ratio, ratio * math.hypot(u / step.value_mm, known_u_mm / known_mm), at_least=0.0),
    )


def verification_from_json(text: str, name: str) -> Verification:
    """
    The record that `texscan verify` wrote.

    Raises
    ------
    SettingsError
        Another file, or a damaged one.
    """
    try:
        data = json.loads(text)
        if data["schema"] != SCHEMA:
            raise ValueError(data["schema"])
        ratio = data["measured_over_known"]
        figure = Measured(*(float(ratio[key]) for key in ("value", "low", "high")))
        return Verification(datetime.date.fromisoformat(data["day"]), figure)
    except (ValueError, TypeError, KeyError, RecursionError) as error:
        raise SettingsError(
            f"{name} is no record of a height standard ({error!r}). Name the verify.json that 'texscan verify' wrote."
        ) from error


def verification_flags(found: Verification | None, day: datetime.date) -> tuple[str, ...]:
    """What a score of photos taken on that day says about the check of the method."""
    if found is None:
        return ("not-verified",)
    old = abs((day - found.day).days) > OLD_DAYS
    return (*(("verification-old",) if old else ()), *(("verification-off",) if found.is_off else ()))


def day_of(taken_s: tuple[float | None, ...]) -> datetime.date:
    """The day of the first photo that tells one (seconds since 1970 on the camera's clock), else today."""
    told = [second for second in taken_s if second is not None]
    if not told:
        return datetime.date.today()
    return datetime.datetime.fromtimestamp(told[0], datetime.UTC).date()


def marked(picture: np.ndarray, grid: Grid, step: Step) -> np.ndarray:
    """The photo on the grid (rows, columns, 3) uint8 with each strip's outline and step [mm]."""
    shown = np.ascontiguousarray(picture)
    thick = max(1, round(0.3 / grid.step_mm))
    for strip in step.strips:
        corners = np.column_stack(
            [
                (strip.corners_mm[:, 0] - grid.x0_mm) / grid.step_mm,
                (grid.y1_mm - strip.corners_mm[:, 1]) / grid.step_mm,
            ]
        )
        cv2.polylines(shown, [np.rint(corners).astype(np.int32)], True, LINE_COLOUR, thick, cv2.LINE_AA)
        at = np.rint([corners[:, 0].min(), corners[:, 1].min() - 1.0 / grid.step_mm]).astype(int)
        size, text = 0.09 / grid.step_mm, f"{strip.step_mm:.2f}"
        cv2.putText(shown, text, at.tolist(), cv2.FONT_HERSHEY_SIMPLEX, size, LINE_COLOUR, thick, cv2.LINE_AA)
    return shown


def _inside(grid: Grid, box_mm: tuple[float, float, float, float]) -> np.ndarray:
    x0, y0, x1, y1 = box_mm
    x, y = grid.x_mm[None, :], grid.y_mm[:, None]
    return (x >= min(x0, x1)) & (x <= max(x0, x1)) & (y >= min(y0, y1)) & (y <= max(y0, y1))


def _board(z: np.ndarray, grid: Grid) -> np.ndarray:
    """(rows, columns) level of the ground: a low percentile within a window, more than half of which is board."""
    stride = max(1, round(COARSE_MM / grid.step_mm))
    coarse = z[::stride, ::stride]
    known = np.isfinite(coarse)
    if not known.any():
        return np.zeros(z.shape, np.float32)
    nearest = ndimage.distance_transform_edt(~known, return_distances=False, return_indices=True)
    size = round(DRIFT_MM / (stride * grid.step_mm))
    level = ndimage.percentile_filter(coarse[tuple(nearest)], BOARD_SHARE, size=size, mode="nearest")
    return cv2.resize(level.astype(np.float32), z.shape[::-1], interpolation=cv2.INTER_LINEAR)


def _upper_level(z: np.ndarray) -> np.ndarray:
    """(rows, columns) bool: above the threshold that best splits the heights in two."""
    known = z[np.isfinite(z)]
    if known.size < 1000:
        raise ReliefError("Hardly any height was measured where the strips should lie. Correct or leave out --box.")
    low, high = np.quantile(known, [0.001, 0.999])
    code = np.clip((known - low) / max(high - low, 1e-6) * 255, 0, 255).astype(np.uint8)
    cut, _ = cv2.threshold(code.reshape(1, -1), 0, 255, cv2.THRESH_BINARY + cv2.THRESH_OTSU)
    upper = code > cut
    share = upper.mean()
    apart = float(code[upper].mean()) - float(code[~upper].mean()) if 0 < share < 1 else 0.0
    if share * (1 - share) * apart**2 < TWO_LEVELS * float(code.var()):
        raise ReliefError(
            "No step was found: the heights do not fall into two levels. Lay the strips on a flat matt board inside "
            "the card, light them low from the sides, or name their place with --box."
        )
    return z > low + (cut + 0.5) / 255 * (high - low)  # NaN is not above


def _plateaus(high: np.ndarray, grid: Grid) -> list[np.ndarray]:
    """Masks of the connected parts that are as long, as wide and as straight as strips."""
    opened = cv2.morphologyEx(high.astype(np.uint8), cv2.MORPH_OPEN, disk(0.5, grid))
    count, labels, numbers, _ = cv2.connectedComponentsWithStats(opened)
    found = []
    for label in range(1, count):
        mask = labels == label
        if numbers[label, cv2.CC_STAT_AREA] * grid.step_mm**2 < LEAST_STRIP_MM2:
            continue
        sides = np.array(_rectangle(mask)[1]) * grid.step_mm
        width_fits = STRIP_WIDTH_MM[0] <= sides.min() <= STRIP_WIDTH_MM[1]
        if width_fits and mask.sum() * grid.step_mm**2 >= STRAIGHT_SHARE * sides.prod():
            found.append(mask)
    return found


def _rectangle(mask: np.ndarray):
    rows, columns = np.nonzero(mask)
    return cv2.minAreaRect(np.column_stack([columns, rows]).astype(np.float32))


def _strip(mask: np.ndarray, near: np.ndarray, z: np.ndarray, grid: Grid) -> Strip | None:
    """The strip's step over the board beside it; None where too little of either was measured."""
    own = mask.astype(np.uint8)
    inside = cv2.erode(own, disk(EDGE_MM, grid)).astype(bool) & np.isfinite(z)
    beside = cv2.dilate(own, disk(BESIDE_MM, grid)).astype(bool) & ~near & np.isfinite(z)
    if min(inside.sum(), beside.sum()) * grid.step_mm**2 < LEAST_STRIP_MM2 / 4:
        return None
    step = float(np.median(z[inside]) - np.median(z[beside]))
    scatter = 1.4826 * float(np.median(np.abs(z[beside] - np.median(z[beside]))))
    if scatter > ROUGH_BOARD * step:
        raise ReliefError(
            f"The ground beside a strip scatters by {scatter:.2f} mm, {ROUGH_BOARD * step:.2f} mm is the most beside "
            f"a step of {step:.2f} mm. Lay the strips on a flat matt board, not on the texture."
        )
    corners = cv2.boxPoints(_rectangle(mask))
    places = [grid.x0_mm, grid.y1_mm] + corners * grid.step_mm * [1, -1]
    return Strip(places.astype(float), step)
