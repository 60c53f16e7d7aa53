"""The change of a figure between two results, with an interval in which what both have in common has gone out."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from texscan.curve import TOP_RATIO, levels_at, ratios_at
from texscan.model import COVERAGE_FACTOR, Budget, Filters, Measured
from texscan.survey.outcome import FIGURES, student_factor
from texscan.texture import TILE_MM

LESS, MORE, NONE = "less", "more", "no change can be claimed"
SHARE_KEYS = {"share_worn": "worn", "share_filled": "filled"}
CONTACT = "contact_area_fraction"
PRINT_TERM = "print scale"
SCALE_TERMS = (PRINT_TERM, "stated scale", "camera scale")  # of the budget: they stretch lengths and heights alike
RATIO_U = 0.001  # of the ratio of two scales told by registration: 0.1 mm over 100 mm
# A bootstrap of n blocks reads the scatter of a map too small, by up to 1 + 2/sqrt(n): of filtered random maps, true
# over bootstrapped was 1.03 to 1.33 with 30 blocks and 0.92 to 1.15 with 120 (100 maps each, textures of 1 to 3 mm).
BLOCKS_FALL_SHORT = 2.0
SLOPE_STEP = 0.05  # of all heights, to read how contact answers to them
LEAST_TILES = 4  # smaller areas are counted as so many blocks: texture.sampling_u cuts them smaller


@dataclass(frozen=True, slots=True)
class Change:
    """
    A figure before and after; `change` is after minus before with its 95 % interval.

    claimable : False where the two were measured so unlike that the interval does not hold all of it.
    """

    before: float
    after: float
    change: Measured
    claimable: bool = True

    @property
    def claim(self) -> str:
        if not self.claimable:
            return NONE
        if self.change.high < 0:
            return LESS
        return MORE if self.change.low > 0 else NONE


@dataclass(frozen=True, slots=True)
class Reading:
    """
    A figure of one result with what it may be wrong by kept apart.

    sampling_u : standard uncertainty from the scatter of the texture.
    slope : change of the figure over relative change of all heights together.
    own_u : the solver's own standard uncertainty, contact only.
    """

    value: float
    sampling_u: float
    slope: float
    own_u: float = 0.0


@dataclass(frozen=True, slots=True)
class Gains:
    """
    Relative standard uncertainties of all heights together: of each result alone, and of both alike.

    factors : what the heights of the earlier and the later result are multiplied with, so that both have one scale.
    cancelled : names of the terms that both have in common.
    """

    before_u: float
    after_u: float
    both_u: float = 0.0
    factors: tuple[float, float] = (1.0, 1.0)
    cancelled: tuple[str, ...] = ()


def gains_apart(before: Budget, after: Budget, *, same_card: bool, unconfirmed: bool) -> Gains:
    """
    Gains of two results that are not laid on each other.

    Parameters
    ----------
    same_card : the same print of the card lay on the deck both times, by the user's word.
    unconfirmed : in neither result the printed bar was measured; then its whole error is the print's own, and the
        same both times. A bar that was measured leaves errors of reading, which are not the same.
    """
    shared = same_card and unconfirmed and all(PRINT_TERM in _names(one) for one in (before, after))
    if not shared:
        return Gains(before.gain_u, after.gain_u)
    out = (PRINT_TERM,)
    both = math.sqrt(_u_of(before, out) * _u_of(after, out))
    return Gains(_u_without(before, out), _u_without(after, out), both, cancelled=out)


def gains_laid_on(before: Budget, after: Budget, scale: float) -> Gains:
    """
    Gains of two results that are laid on each other: the deck itself tells the ratio of their scales.

    Parameters
    ----------
    scale : lengths of the earlier result over those of the later one on the same ground.

    Notes
    -----
    Heights grow with lengths, so the later heights times `scale` have the earlier result's error of scale. The scale
    that is better known is kept for both.
    """
    first, second = (_u_of(one, SCALE_TERMS) for one in (before, after))
    if first == second == 0:  # gauges: their scale is exact, what the fit tells is its own error
        return Gains(before.gain_u, after.gain_u)
    factors, both = ((1.0, scale), first) if first <= second else ((1 / scale, 1.0), second)
    names = tuple(name for name in SCALE_TERMS if name in _names(before) | _names(after))
    rest = [math.hypot(_u_without(one, SCALE_TERMS), RATIO_U / math.sqrt(2)) for one in (before, after)]
    return Gains(rest[0], rest[1], both, factors, names)


def changed(before: Reading, after: Reading, gains: Gains, *, sampling_u: float, factor: float) -> Change:
    """
    A figure's change.

    Parameters
    ----------
    sampling_u : standard uncertainty of the difference from the scatter of the texture.
    factor : half of that part's 95 % interval over it, from `scatter_factor`.

    Notes
    -----
    u^2 = u_s^2 + (s1 g1)^2 + (s2 g2)^2 + ((s2 - s1) g)^2 + c1^2 + c2^2 (JCGM 100, 5.2.2, with g common to both).
    """
    shared = (after.slope - before.slope) * gains.both_u
    systematic = math.hypot(
        before.slope * gains.before_u, after.slope * gains.after_u, shared, before.own_u, after.own_u
    )
    half = math.hypot(factor * sampling_u, COVERAGE_FACTOR * systematic)
    value = after.value - before.value
    return Change(before.value, after.value, Measured(value, value - half, value + half))


def changes_apart(
    before: dict[str, Reading], after: dict[str, Reading], gains: Gains, *, tiles: tuple[int, int]
) -> dict[str, Change]:
    """Changes of whole patches that may show different places: their scatter is independent."""
    factor = scatter_factor(min(tiles))
    return {
        key: changed(
            before[key],
            after[key],
            gains,
            sampling_u=math.hypot(before[key].sampling_u, after[key].sampling_u),
            factor=factor,
        )
        for key in FIGURES
        if key in before and key in after
    }


def scatter_factor(blocks: int) -> float:
    """Half the 95 % interval over the standard uncertainty that a bootstrap of so many blocks gives."""
    count = max(blocks, LEAST_TILES)
    return student_factor(count - 1) * (1 + BLOCKS_FALL_SHORT / math.sqrt(count))


def readings(
    figures: dict[str, Measured | None], z: np.ndarray, *, filters: Filters, budget: Budget
) -> dict[str, Reading]:
    """
    The figures of a whole patch as score.json has them, with their parts kept apart; undefined ones are left out.

    Parameters
    ----------
    z : (rows, columns) filtered heights of the patch [mm].
    """
    falling = np.sort(z[np.isfinite(z)].astype(np.float64))[::-1]
    found = {}
    for key in FIGURES:
        figure = figures.get(key)
        if figure is None:
            continue
        slope = contact_slope(falling, filters.contact_depth_mm) if key == CONTACT else figure.value
        own = budget.contact_u if key == CONTACT else 0.0
        whole = max(figure.high - figure.value, figure.value - figure.low) / COVERAGE_FACTOR
        rest = whole**2 - (slope * budget.gain_u) ** 2 - own**2
        found[key] = Reading(figure.value, math.sqrt(max(rest, 0.0)), slope, own)
    return found


def contact_slope(falling_mm: np.ndarray, depth_mm: float) -> float:
    """Change of the contact-area fraction over relative change of all heights (n,) in falling order [mm]."""
    weights = np.full((1, falling_mm.size), 1 / falling_mm.size)
    top = levels_at(falling_mm, weights, np.array([TOP_RATIO]))[:, 0]
    ends = [ratios_at(falling_mm, weights, top - depth_mm / gain)[0] for gain in (1 - SLOPE_STEP, 1 + SLOPE_STEP)]
    return float(ends[1] - ends[0]) / (2 * SLOPE_STEP)


def tiles_of(z: np.ndarray, step_mm: float) -> int:
    """Number of blocks of texture that the measured area holds."""
    return int(np.isfinite(z).sum() * step_mm**2 / TILE_MM**2)


def mean_change(changes: list[Change], weights: np.ndarray) -> Change:
    """
    The change of a panel from those of its patches, as `survey.outcome.combined` joins figures: the scatter between
    the patches times Student's t, and the measurement part common to all.
    """
    if len(changes) == 1:
        return changes[0]
    w = weights / weights.sum()
    x = np.array([one.change.value for one in changes])
    half = np.array([one.change.high - one.change.value for one in changes])
    mean, effective = float(w @ x), float((w**2).sum())
    between = math.sqrt(float(w @ (x - mean) ** 2) / (1 - effective) * effective)
    whole = math.hypot(student_factor(len(x) - 1) * between, float(w @ half))
    before, after = (float(w @ [getattr(one, name) for one in changes]) for name in ("before", "after"))
    return Change(before, after, Measured(mean, mean - whole, mean + whole), all(one.claimable for one in changes))


def share_changes(
    before: dict[str, float], after: dict[str, float], *, guard: float, claimable: bool
) -> dict[str, Change]:
    """Changes of the worn and the filled share; `guard` = half the 95 % interval of a share, of the limits."""
    half = math.hypot(guard, guard)
    found = {}
    for key, name in SHARE_KEYS.items():
        value = after[name] - before[name]
        found[key] = Change(before[name], after[name], Measured(value, value - half, value + half), claimable)
    return found


def _names(budget: Budget) -> set[str]:
    return {term.name for term in budget.terms}


def _u_of(budget: Budget, names: tuple[str, ...]) -> float:
    return math.sqrt(sum(term.relative_u**2 for term in budget.terms if term.name in names))


def _u_without(budget: Budget, names: tuple[str, ...]) -> float:
    return math.sqrt(sum(term.relative_u**2 for term in budget.terms if term.name not in names))
