"""
The parts of a patch by condition, and which of them decide.

A worn or filled part that is small enough is repaired and does not decide. How large it is is known to a guard only,
so the parts that surely are too large and the ones that may be are told apart.
"""

from __future__ import annotations

from dataclasses import dataclass

from texscan.compatibility import Job
from texscan.limits import Limits
from texscan.model import Forecast, Measured, Reach, Zone, ZoneMap

WHOLE_PATCH_SHARE = 0.98  # a condition with this share of the patch is the patch: its own forecast is used


@dataclass(frozen=True, slots=True)
class Part:
    """The zones of one condition, area-weighted."""

    condition: str
    share: float
    relief_mm: Measured
    void_depth_mm: Measured

    @property
    def words(self) -> str:
        return "on the patch" if self.share >= WHOLE_PATCH_SHARE else f"in the {self.condition} part"


@dataclass(frozen=True, slots=True)
class Case:
    """All that the rules look at."""

    figures: dict[str, Measured | None]  # of the whole patch, the fall-back where no zone has figures
    zone_map: ZoneMap
    forecast: Forecast
    reach: tuple[Reach, ...]
    job: Job
    limits: Limits
    part: Part | None = None  # the part that decides, where it is not to be looked for


def parts(case: Case) -> tuple[Part, ...]:
    """Conditions with figures, as one part each; the whole patch as sound where no zone has figures."""
    found = []
    for condition, share in case.zone_map.shares.items():
        zones = [z for z in case.zone_map.zones if z.condition == condition and z.void_depth_mm and z.relief_mm]
        if zones:
            found.append(Part(condition, share, _mean(zones, "relief_mm"), _mean(zones, "void_depth_mm")))
    relief, void = (case.figures.get(key) for key in ("relief_mm", "void_depth_mm"))
    if not found and relief and void:
        found.append(Part("measured", 1.0, relief, void))
    return tuple(found)


def lost_share(case: Case) -> Measured:
    """Share of the patch that is worn or filled; the outlines' guard and the size of a reference in the interval."""
    share = case.zone_map.shares.get("worn", 0.0) + case.zone_map.shares.get("filled", 0.0)
    guard = case.limits.decision["share_guard"].value
    low, high = case.zone_map.lost_share or (share, share)
    return Measured(share, max(min(low, share) - guard, 0.0), min(max(high, share) + guard, 1.0))


def share_of(case: Case, part: Part) -> Measured:
    """Share of the patch that a part holds: as uncertain as the worn and filled share together."""
    lost = lost_share(case)
    below, above = lost.value - lost.low, lost.high - lost.value
    if part.condition == "sound":
        below, above = above, below
    return Measured(part.share, max(part.share - below, 0.0), min(part.share + above, 1.0))


def sure_parts(case: Case) -> tuple[Part, ...]:
    """Parts that surely hold more than may be repaired; the largest where none does."""
    least = case.limits.decision["worn_or_filled_share"].value
    found = parts(case)
    return tuple(p for p in found if share_of(case, p).low >= least) or _largest(found)


def possible_parts(case: Case) -> tuple[Part, ...]:
    """Parts that may hold more than may be repaired, the sure ones among them."""
    least = case.limits.decision["worn_or_filled_share"].value
    sure = sure_parts(case)
    return tuple(p for p in parts(case) if p in sure or share_of(case, p).high >= least)


def worst_part(case: Case, among: tuple[Part, ...] | None = None) -> Part | None:
    """
    The part that decides: least void depth among the conditions that hold at least the share that the limits let go.

    The largest part where none does; None where nothing has figures. `among` names the parts to choose from.
    """
    if case.part is not None:
        return case.part
    if among is None:
        found = parts(case)
        least = case.limits.decision["worn_or_filled_share"].value
        among = tuple(part for part in found if part.share >= least) or _largest(found)
    return min(among, key=lambda part: part.void_depth_mm.value, default=None)


def _largest(found: tuple[Part, ...]) -> tuple[Part, ...]:
    return tuple(sorted(found, key=lambda part: part.share)[-1:])


def _mean(zones: list[Zone], name: str) -> Measured:
    """Area-weighted; the ends of the intervals too, as they share their gain."""
    total = sum(zone.area_mm2 for zone in zones)

    def over(end: str) -> float:
        return sum(zone.area_mm2 * getattr(getattr(zone, name), end) for zone in zones) / total

    value = over("value")
    return Measured(value, min(over("low"), value), max(over("high"), value))
