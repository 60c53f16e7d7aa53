"""The one thing that would settle an open decision, told from what leaves it open."""

from __future__ import annotations

from texscan.compatibility import OPEN, Job, rag_test_words
from texscan.limits import Limits
from texscan.model import Forecast, Measured, RuleReading, ZoneMap

FULL_SET = 4  # lights from four sides: more photos add little
SAME_SIDE_DEG = 45.0  # two lights closer than this are from the same side


def settle(
    job: Job,
    zone_map: ZoneMap,
    forecast: Forecast,
    void_depth_mm: Measured | None,
    *,
    readings: tuple[RuleReading, ...],
    limits: Limits,
) -> str:
    """
    The next step that tells most, in one sentence.

    The coating first, as only a test can tell it; then a test patch, when the paint's peak share leaves more open
    than the measured heights do; then photos from the sides that are missing; then a reference patch; then more
    patches.
    """
    open_rules = {reading.name for reading in readings if reading.outcome == OPEN}
    if "old coating" in open_rules:
        return rag_test_words(limits)
    if open_rules == {"void depth left"} and _paint_dominates(forecast, void_depth_mm):
        return (
            "Paint a test patch with one coat and measure it before and after: that tells how much of this paint "
            "stays on the peaks."
        )
    missing = missing_azimuths(job.azimuths_deg)
    if missing:
        return f"Take {_count(missing)} of this patch with the torch at {_degrees(missing)} degrees."
    if zone_map.reference != "named":
        return (
            "Measure a reference patch where nobody walks (under a locker, beside the coaming) and name it as the "
            "reference: it tells what sound looks like on this boat."
        )
    return "Measure another patch of this panel; this one lies on the limit."


def missing_azimuths(azimuths_deg: tuple[float, ...]) -> tuple[int, ...]:
    """
    The sides from which the patch has not been lit, degrees rounded to 5: opposite and square to the first light.

    Empty without photos, or once all four sides are there; the opposite side first, two at most.
    """
    if not azimuths_deg:
        return ()
    sides = [(azimuths_deg[0] + turn) % 360 for turn in (180, 90, 270)]
    missing = [side for side in sides if all(_apart(side, azimuth) > SAME_SIDE_DEG for azimuth in azimuths_deg)]
    if len(missing) + len(azimuths_deg) > FULL_SET:
        missing = missing[: max(FULL_SET - len(azimuths_deg), 0)]
    return tuple(5 * round(side / 5) % 360 for side in missing[:2])


def _apart(first_deg: float, second_deg: float) -> float:
    return abs((first_deg - second_deg + 180) % 360 - 180)


def _paint_dominates(forecast: Forecast, void_depth_mm: Measured | None) -> bool:
    """Whether the spread of what the coats take is wider than the spread of the measured void depth."""
    if void_depth_mm is None:
        return False
    paint_mm = sum(coat.dry_um * (coat.peak_share[2] - coat.peak_share[0]) for coat in forecast.coats) / 1000
    return paint_mm > void_depth_mm.high - void_depth_mm.low


def _count(missing: tuple[int, ...]) -> str:
    return "one more photo" if len(missing) == 1 else "two more photos"


def _degrees(missing: tuple[int, ...]) -> str:
    return " and ".join(str(side) for side in missing)
