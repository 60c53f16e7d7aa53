"""
Where one height map lies on another of the same place: told from the texture itself, or "cannot be registered".

A random texture is its own fingerprint. A repeating one fits again at every pitch: there the repeating part is taken
out first, and what is left (faults of the mould, wear, chips, borders) has to place the maps. Either way the best
place must stand out from the second best by far.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np

from texscan.compare.correlation import Peak, common_shape, correlation, peak, spectrum
from texscan.model import Grid, Pattern

SEARCH_STEP_MM = 0.8  # grid of the search: fine enough for textures of 2 mm and more
FIT_STEP_MM = 0.4  # grid of the last fit, which is good to a tenth of it
TURNS_DEG = (0.0, 180.0, 90.0, 270.0)  # ways round that a card is laid down again
MOST_TURN_DEG = 12.0  # aslant of those
TURN_STEP_DEG = 0.75  # 0.65 mm at 100 mm from the middle, half of it lost at most: under one step of the search
FINE_TURN_DEG = 0.15
APART_MM = 3.0  # places nearer than this to the best one are the same place,
APART_PITCHES = 0.6  # on a repeating texture also nearer than this: the next cell is another place
LEAST_CORRELATION = 0.2  # of the best place: less has no height to compare
LEAST_STANDOUT = 1.6  # best over second best: measured on pairs of other places, see Decisions in DEVELOPERS.md
SAME_PLACE_MM, SAME_PLACE_DEG = 1.5, 0.5  # a card laid down again by hand, without marks, lies farther off
MOST_STRETCH = 0.06  # scales of two cards, both printed unconfirmed
LEAST_FIT_CORRELATION = 0.2
FIT_ROUNDS, FIT_GAIN = 60, 1e-6  # of the last fit

BY_TEXTURE, BY_CARD = "texture", "card"


@dataclass(frozen=True, slots=True)
class Registration:
    """
    How the later map lies on the earlier one.

    to_before : (2, 3) float64, from the later card frame to the earlier one [mm]: p_before = A p_after + b.
    how : "texture" = told from the maps; "card" = the card lay in the same place, by the user's word.
    """

    to_before: np.ndarray
    how: str
    correlation: float = 0.0  # of the best place
    standout: float = 0.0  # best over second best

    @property
    def scale(self) -> float:
        """Lengths of the earlier result over those of the later one, on the same ground."""
        return math.sqrt(abs(float(np.linalg.det(self.to_before[:, :2]))))

    @property
    def turn_deg(self) -> float:
        """By how much the later card was turned against the earlier one, anticlockwise seen from above."""
        a = self.to_before[:, :2]
        return math.degrees(math.atan2(a[1, 0] - a[0, 1], a[0, 0] + a[1, 1]))


@dataclass(frozen=True, slots=True)
class Unregistered:
    """Why the maps cannot be laid on each other."""

    reason: str
    correlation: float = 0.0
    standout: float = 0.0


@dataclass(frozen=True, slots=True)
class Map:
    """One filtered height map with its grid and pattern."""

    z: np.ndarray  # (rows, columns) [mm], NaN = not measured
    grid: Grid
    pattern: Pattern


@dataclass(frozen=True, slots=True)
class _Coarse:
    """A map on a coarser grid, and where its pixels lie: mm = frame @ (column, row, 1)."""

    z: np.ndarray
    frame: np.ndarray  # (3, 3)


def same_place() -> Registration:
    """The card lay in the same place, by the user's word."""
    return Registration(np.eye(2, 3), BY_CARD)


def register(before: Map, after: Map) -> Registration | Unregistered:
    """
    The later map's place on the earlier one.

    Parameters
    ----------
    before, after : filtered with the same filters; any grids. The card may have lain anywhere near, aslant by up to
        12 degrees from any of the four ways round.

    Returns
    -------
    Unregistered, with the reason in words, where no place stands out.
    """
    if before.pattern.kind == "none" or after.pattern.kind == "none":
        return Unregistered("one of the two shows no texture that could be found again")
    first = _coarse(_fingerprint(before), before.grid, SEARCH_STEP_MM)
    second = _coarse(_fingerprint(after), after.grid, SEARCH_STEP_MM)
    if not (np.isfinite(first.z).any() and np.isfinite(second.z).any()):
        return Unregistered("too little is measured")
    top, guess = _best_way_round(first, second, _apart_mm(before, after))
    standout = _standout(top)
    if not _stands_out(top):
        repeats = before.pattern.kind == after.pattern.kind == "repeating"
        why = "the texture repeats, and nothing else in it tells one place from the next" if repeats else (
            "no place of the later map fits the earlier one better than others")  # fmt: skip
        return Unregistered(why, top.raw, standout)
    fitted = _fitted(before, after, guess)
    if fitted is None:
        return Unregistered("the place found does not hold when the maps are fitted", top.raw, standout)
    found = Registration(fitted[:2], BY_TEXTURE, top.raw, standout)
    if before.pattern.kind == "repeating" and _where_the_card_lay(found, after.grid):
        return Unregistered(
            "what is left of the repeating texture fits best where the card lay, which the same set-up of card and "
            "light would show too; say --same-place if the card lay in the same place",
            top.raw,
            standout,
        )
    return found


def _where_the_card_lay(found: Registration, grid: Grid) -> bool:
    """Whether both card frames coincide more closely than a card is laid down by hand."""
    return moved_mm(found, grid) < SAME_PLACE_MM and abs(found.turn_deg) < SAME_PLACE_DEG


def moved_mm(found: Registration, grid: Grid) -> float:
    """How far the middle of the later patch lies from where the card's own place would put it [mm]."""
    middle = np.array([*grid.centre_mm, 1.0])
    return float(np.hypot(*(found.to_before @ middle - middle[:2])))


def _apart_mm(*maps: Map) -> float:
    """Places nearer to each other than this are one place."""
    pitches = [m.value for one in maps for m in one.pattern.pitch_mm if one.pattern.kind == "repeating"]
    return min([APART_MM, *(APART_PITCHES * pitch for pitch in pitches)])


def _standout(top: Peak) -> float:
    return top.height / max(top.second, 1e-6)


def _stands_out(top: Peak) -> bool:
    return top.raw >= LEAST_CORRELATION and _standout(top) >= LEAST_STANDOUT


# The fingerprint


def _fingerprint(one: Map) -> np.ndarray:
    """
    The map; of a repeating texture less the mean of the cells around each place, which takes the pattern out. Places
    without all of these cells are left out: their rim would be a mark of the card, not of the deck.
    """
    if one.pattern.kind != "repeating":
        return one.z
    known = np.isfinite(one.z)
    values, weight = np.where(known, one.z, 0).astype(np.float32), known.astype(np.float32)
    total, whole = np.zeros_like(values), known.copy()
    vectors = _vectors_mm(one.pattern)
    for vector in np.concatenate([vectors, -vectors]):
        move = np.array([[1, 0, vector[0] / one.grid.step_mm], [0, 1, -vector[1] / one.grid.step_mm]], dtype=float)
        size = one.grid.columns, one.grid.rows
        there = cv2.warpAffine(weight, move, size, flags=cv2.INTER_LINEAR) > 0.999
        total += cv2.warpAffine(values, move, size, flags=cv2.INTER_LANCZOS4)
        whole &= there
    return np.where(whole, one.z - total / (2 * len(vectors)), np.nan)


def _vectors_mm(pattern: Pattern) -> np.ndarray:
    """(1 or 2, 2) lattice vectors; ridges have one."""
    angle = np.radians(pattern.direction_deg)
    return np.array([m.value for m in pattern.pitch_mm])[:, None] * np.stack([np.cos(angle), np.sin(angle)], axis=1)


def _coarse(z: np.ndarray, grid: Grid, step_mm: float) -> _Coarse:
    """Block means on a grid of about this step, NaN where less than half of a block is measured."""
    block = max(1, round(step_mm / grid.step_mm))
    rows, columns = grid.rows // block, grid.columns // block
    parts = z[: rows * block, : columns * block].reshape(rows, block, columns, block)
    known = np.isfinite(parts)
    share = known.mean(axis=(1, 3))
    sums = np.where(known, parts, 0).sum(axis=(1, 3), dtype=np.float64)
    means = np.where(share >= 0.5, sums / np.maximum(share * block**2, 1e-9), np.nan).astype(np.float32)
    shift = grid.step_mm * (block - 1) / 2
    step = grid.step_mm * block
    frame = np.array([[step, 0, grid.x0_mm + shift], [0, -step, grid.y1_mm - shift], [0, 0, 1]])
    return _Coarse(means, frame)


# The search


def _best_way_round(first: _Coarse, second: _Coarse, apart_mm: float) -> tuple[Peak, np.ndarray]:
    """The first of the ways round in which a place stands out, else the best of all."""
    found = []
    for turn in TURNS_DEG:
        found.append(_searched(first, second, turn, apart_mm))
        if _stands_out(found[-1][0]):
            return found[-1]
    return max(found, key=lambda one: one[0].height)


def _searched(first: _Coarse, second: _Coarse, turn_deg: float, apart_mm: float) -> tuple[Peak, np.ndarray]:
    """The best place near one way round, and the matrix from the later frame to the earlier one [mm]."""
    wide = np.arange(-MOST_TURN_DEG, MOST_TURN_DEG + 1e-9, TURN_STEP_DEG) + turn_deg
    best = _best_of(first, second, wide, apart_mm)
    near = np.arange(-TURN_STEP_DEG, TURN_STEP_DEG + 1e-9, FINE_TURN_DEG) + best[2]
    fine = _best_of(first, second, near, apart_mm)
    # the second best of all turns: a false place may need another one
    return replace(fine[0], second=max(fine[0].second, best[3])), fine[1]


def _best_of(
    first: _Coarse, second: _Coarse, turns_deg: np.ndarray, apart_mm: float
) -> tuple[Peak, np.ndarray, float, float]:
    """Peak, matrix and turn of the best, and the highest correlation of all at other places."""
    side = math.ceil(math.hypot(*second.z.shape))
    shape = common_shape(first.z.shape, (side, side))
    mine = spectrum(first.z, shape)
    radius = apart_mm / abs(first.frame[0, 0])
    found = []
    for turn in turns_deg:
        turned, matrix = _turned(second, float(turn), side, abs(first.frame[0, 0]))
        r, weighted = correlation(mine, spectrum(turned, shape))
        top = peak(r, weighted, radius)
        shift = np.array([[1, 0, top.shift[1]], [0, 1, top.shift[0]], [0, 0, 1]], dtype=float)
        found.append((top, first.frame @ shift @ matrix @ np.linalg.inv(second.frame), float(turn)))
    best = max(found, key=lambda one: one[0].height)
    middle = second.frame @ np.array([second.z.shape[1] / 2, second.z.shape[0] / 2, 1])
    others = [one[0].second for one in found if one is not best]
    others += [one[0].height for one in found if np.hypot(*((one[1] - best[1]) @ middle)[:2]) > apart_mm]
    return *best, max(others, default=-1.0)


def _turned(one: _Coarse, turn_deg: float, side: int, step_mm: float) -> tuple[np.ndarray, np.ndarray]:
    """The map turned anticlockwise on a square of `side` pixels of `step_mm`, and the matrix of its pixels (3, 3)."""
    rows, columns = one.z.shape
    zoom = abs(one.frame[0, 0]) / step_mm
    angle = math.radians(turn_deg)
    a = zoom * np.array([[math.cos(angle), math.sin(angle)], [-math.sin(angle), math.cos(angle)]])
    b = np.array([side - 1, side - 1]) / 2 - a @ (np.array([columns - 1, rows - 1]) / 2)
    matrix = np.vstack([np.column_stack([a, b]), [0, 0, 1]])
    known = np.isfinite(one.z)
    values = cv2.warpAffine(np.where(known, one.z, 0), matrix[:2], (side, side), flags=cv2.INTER_CUBIC)
    weight = cv2.warpAffine(known.astype(np.float32), matrix[:2], (side, side), flags=cv2.INTER_LINEAR)
    return np.where(weight > 0.99, values, np.nan), matrix


# The fit


def _fitted(before: Map, after: Map, guess: np.ndarray) -> np.ndarray | None:
    """
    The matrix (3, 3) from the later frame to the earlier one, fitted on the heights themselves by the enhanced
    correlation coefficient (Evangelidis and Psarakis 2008); None where it does not hold.
    """
    first, second = (_coarse(one.z, one.grid, FIT_STEP_MM) for one in (before, after))
    start = np.linalg.inv(second.frame) @ np.linalg.inv(guess) @ first.frame  # earlier pixels to later ones
    known, others = np.isfinite(first.z), np.isfinite(second.z)
    size = second.z.shape[1], second.z.shape[0]
    seen = cv2.warpAffine(known.astype(np.uint8), start[:2], size, flags=cv2.INTER_NEAREST)
    mask = cv2.erode(seen & others.astype(np.uint8), np.ones((3, 3), np.uint8))
    images = [np.where(np.isfinite(one.z), one.z, 0).astype(np.float32) for one in (first, second)]
    try:
        r, warp = cv2.findTransformECC(
            images[0],
            images[1],
            start[:2].astype(np.float32),
            cv2.MOTION_AFFINE,
            (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, FIT_ROUNDS, FIT_GAIN),
            mask,
            1,
        )
    except cv2.error:
        return None
    found = first.frame @ np.linalg.inv(np.vstack([warp, [0, 0, 1]])) @ np.linalg.inv(second.frame)
    stretch = np.linalg.svd(found[:2, :2], compute_uv=False)
    middle = second.frame @ np.array([size[0] / 2, size[1] / 2, 1])
    moved = np.hypot(*((found - guess) @ middle)[:2])
    if r < LEAST_FIT_CORRELATION or moved > APART_MM or np.abs(np.log(stretch)).max() > MOST_STRETCH:
        return None
    return found
