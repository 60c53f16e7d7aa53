"""
The decision: recoat, or sand flat and retexture, or what would settle it.

Every rule sets one reading against one limit. A rule speaks only when the whole 95 % interval clears the limit (guard
bands, JCGM 106); otherwise it is open. One rule against a recoat is enough to sand flat and retexture; one open rule
without any against leaves the decision inconclusive; a recoat needs every rule that applies. Making a limit stricter
moves a rule from "for" to "open" to "against" and never back, so it can never turn a retexture into a recoat.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from texscan.coating import void_depth_after
from texscan.compatibility import AGAINST, FOR, NOT_APPLIED, OPEN, Job, paint_verdict
from texscan.limits import Limits
from texscan.model import Forecast, Measured, Reach, Recommendation, RuleReading, ZoneMap
from texscan.parts import WHOLE_PATCH_SHARE, Case, Part, lost_share, possible_parts, share_of, sure_parts, worst_part
from texscan.settle import settle

RECOAT, RETEXTURE, INCONCLUSIVE = "recoat", "sand-flat-and-retexture", "inconclusive"
LEAST_OF_ABSOLUTE = 0.5  # a limit relative to a reference never falls below this share of the absolute one
VOID_RULE = "void_left_mm"  # of the limits
SMALLEST_MM = 0.01  # of the sentences
NUMBER_WORDS = (
    "no",
    "one",
    "two",
    "three",
    "four",
    "five",
    "six",
    "seven",
    "eight",
    "nine",
    "ten",
    "eleven",
    "twelve",
)


@dataclass(frozen=True, slots=True)
class Rule:
    """One rule as data: what it reads, which limit it must clear and on which side."""

    name: str
    read: Callable[[Case], Measured | None]
    limit: Callable[[Case], float]
    wants: str  # "above" or "below"
    says: Callable[[Case, Measured | None], str]  # the reading in words, without the limit; None: why there is none
    unit: str  # "mm" or "%"
    change: Callable[[Case, Measured, float], str]
    without: str = NOT_APPLIED  # the outcome when there is nothing to read
    of_part: bool = False  # whether it reads the part that decides


def decide(
    figures: dict[str, Measured | None],
    zone_map: ZoneMap,
    forecast: Forecast,
    reach: tuple[Reach, ...],
    *,
    job: Job,
    limits: Limits,
) -> Recommendation:
    """
    What to do with a panel, and why.

    Parameters
    ----------
    figures : of the whole patch ("relief_mm", "void_depth_mm"); used only where no zone has figures of its own.
    zone_map, forecast, reach : of the same patch. A forecast without coats leaves the rule of the coats out.
    job : old and new coating, rag test, hours since the last coat, lights of the photos so far.
    limits : of `limits_from_toml`.

    Returns
    -------
    Recommendation. `reasons` are the sentences that carry the decision, `would_change_it` what would turn it (for an
    inconclusive one, first the one thing that would settle it), `readings` every rule and what it saw.

    Notes
    -----
    No figure here is, or stands for, a friction rating.
    """
    case = Case(figures, zone_map, forecast, tuple(reach), job, limits)
    readings = (_coating(case), *(_apply(rule, case) for rule in RULES))
    action = _action(readings)
    carrying = {RECOAT: FOR, RETEXTURE: AGAINST, INCONCLUSIVE: OPEN}[action]
    deciding = tuple(reading for reading in readings if reading.outcome == carrying)
    changes = tuple(dict.fromkeys(r.would_change_it for r in deciding if r.would_change_it))
    if action == INCONCLUSIVE:
        part = worst_part(case)
        void = part.void_depth_mm if part else None
        first = settle(case.job, zone_map, forecast, void, readings=readings, limits=limits)
        changes = (first, *(change for change in changes if change != first))
    flags = ("coating-not-stated",) if job.existing is None and job.planned is None else ()
    return Recommendation(action, tuple(r.sentence for r in deciding), changes, readings, flags)


def _action(readings: tuple[RuleReading, ...]) -> str:
    outcomes = {reading.outcome for reading in readings}
    if AGAINST in outcomes:
        return RETEXTURE
    return INCONCLUSIVE if OPEN in outcomes or FOR not in outcomes else RECOAT


def _coating(case: Case) -> RuleReading:
    verdict = paint_verdict(case.job, case.limits)
    return RuleReading("old coating", verdict.outcome, verdict.sentence, verdict.would_change_it)


def _apply(rule: Rule, case: Case) -> RuleReading:
    """
    One rule's reading; where a part decides, of the parts that surely are too large to repair, and of those that may
    be.

    A part that only may be too large can hold a recoat back, but not speak against it.
    """
    if not rule.of_part:
        return _reading(rule, case)
    sure, possible = worst_part(case, sure_parts(case)), worst_part(case, possible_parts(case))
    first = _reading(rule, replace(case, part=sure))
    if possible is None or possible == sure or first.outcome == AGAINST:
        return first
    second = _reading(rule, replace(case, part=possible))
    if second.outcome == AGAINST:
        sentence = (
            f"{second.sentence} That part may be small enough to repair: {_share_range(case, possible)} of the patch."
        )
        return replace(second, outcome=OPEN, sentence=sentence)
    return first if first.outcome == OPEN else second


def _reading(rule: Rule, case: Case) -> RuleReading:
    reading = rule.read(case)
    if reading is None:
        return RuleReading(rule.name, rule.without, f"Not read: {rule.says(case, None)}.")
    limit = rule.limit(case)
    outcome, margin = compare(reading, limit, rule.wants)
    sentence = f"{rule.says(case, reading)}; the limit is {_number(limit, rule.unit)}"
    if outcome == OPEN:
        sentence += ", inside the interval."
    else:
        sentence += f", {'cleared' if outcome == FOR else 'missed'} by {_number(margin, rule.unit)}."
    return RuleReading(rule.name, outcome, sentence, rule.change(case, reading, limit))


def _share_range(case: Case, part: Part) -> str:
    return _range(share_of(case, part), "%")


def compare(reading: Measured, limit: float, wants: str) -> tuple[str, float]:
    """
    Outcome and margin of a reading that must lie above (or below) a limit.

    Returns
    -------
    (FOR, distance of the near end from the limit) when the whole interval is on the wanted side, ends included;
    (AGAINST, that distance) when it is wholly on the other side; (OPEN, 0) otherwise.
    """
    clear = reading.low - limit if wants == "above" else limit - reading.high
    missed = limit - reading.high if wants == "above" else reading.low - limit
    if clear >= 0:
        return FOR, clear
    return (AGAINST, missed) if missed > 0 else (OPEN, 0.0)


def void_to_keep(case: Case) -> tuple[Part | None, float]:
    """
    The part whose void depth decides what a coat may take, and the void depth that must remain there [mm].

    The part is None where the whole patch decides.
    """
    part = worst_part(case)
    limit = _limit_of(VOID_RULE, "void_left_of_reference", "void_depth_mm")(case)
    return (None if part is None or part.share >= WHOLE_PATCH_SHARE else part), limit


def _relief(case: Case) -> Measured | None:
    part = worst_part(case)
    return part.relief_mm if part else None


def _void_left(case: Case) -> Measured | None:
    """Void depth after the last coat, where it decides."""
    part = worst_part(case)
    if part is None or not case.forecast.coats:
        return None
    if part.share >= WHOLE_PATCH_SHARE:
        low, likely, high = case.forecast.void_depth_mm[-1]
        return Measured(likely, low, high)
    return void_depth_after(part.void_depth_mm, case.forecast.coats)


def _bad_share(case: Case) -> Measured:
    if _rests_on_open_relief(case):
        share = case.zone_map.shares.get("worn", 0.0) + case.zone_map.shares.get("filled", 0.0)
        return Measured(share, 0.0, 1.0)
    return lost_share(case)


def _rests_on_open_relief(case: Case) -> bool:
    """Zones that were told by the limits of relief alone, while the relief's interval holds that limit."""
    relief = _relief(case)
    if case.zone_map.reference != "limits" or relief is None:
        return False
    return compare(relief, case.limits.decision["relief_mm"].value, "above")[0] == OPEN


def _key_reach(case: Case) -> Reach | None:
    """The reach whose tip is nearest to the limits' tool."""
    wanted = case.limits.decision["key_radius_mm"].value
    round_tips = [(abs(reach.radius_mm - wanted), reach) for reach in case.reach if reach.radius_mm is not None]
    return min(round_tips, key=lambda tip: tip[0])[1] if round_tips else None


def _gap(case: Case) -> Measured | None:
    """Mean gap under the keying tool; nothing to key inside the chemical window."""
    found = _key_reach(case)
    return None if found is None or in_window(case) else found.gap_mm


def in_window(case: Case) -> bool:
    """The last coat still bonds chemically with the next one."""
    hours = case.job.hours_since_coat
    return hours is not None and hours <= case.limits.practice["recoat_window_h"].value


def _limit_of(name: str, relative: str, figure: str) -> Callable[[Case], float]:
    """Relative to a named reference where there is one, absolute otherwise."""

    def limit(case: Case) -> float:
        absolute = case.limits.decision[name].value
        if case.zone_map.reference != "named":
            return absolute
        of_reference = case.limits.decision[relative].value * case.zone_map.reference_figures[figure]
        return max(of_reference, LEAST_OF_ABSOLUTE * absolute)

    return limit


def _number(value: float, unit: str) -> str:
    return f"{100 * value:.0f} %" if unit == "%" else f"{value:.2f} {unit}"


def _range(reading: Measured, unit: str) -> str:
    low, high = _number(reading.low, unit), _number(reading.high, unit)
    if unit == "mm" and reading.high < SMALLEST_MM:
        return f"less than {SMALLEST_MM} mm"
    return high if low == high else f"{low.removesuffix(f' {unit}')} to {high}"


def _relief_words(case: Case, reading: Measured | None) -> str:
    part = worst_part(case)
    if reading is None or part is None:
        return "no part of the patch has figures"
    return f"The relief {part.words} is {_range(reading, 'mm')} now"


def _void_words(case: Case, reading: Measured | None) -> str:
    part = worst_part(case)
    if reading is None or part is None:
        return "no coats are planned, or no part of the patch has figures"
    count = len(case.forecast.coats)
    words = NUMBER_WORDS[count] if count < len(NUMBER_WORDS) else str(count)
    coats = f"{words} coat{'s' if count > 1 else ''}"
    return f"After {coats} {_range(reading, 'mm')} of void depth remain {part.words}"


def _share_words(case: Case, reading: Measured | None) -> str:
    worn, filled = (round(100 * case.zone_map.shares.get(name, 0.0)) for name in ("worn", "filled"))
    if _rests_on_open_relief(case):
        return f"{worn} % of the patch reads worn and {filled} % filled, told by a relief too near its limit"
    return f"{worn} % of the patch is worn and {filled} % filled, together {_range(lost_share(case), '%')}"


def _reach_words(case: Case, reading: Measured | None) -> str:
    found = _key_reach(case)
    if reading is None or found is None:
        return "the last coat is still inside its recoat window" if in_window(case) else "no reach was computed"
    return (
        f"A tip of {found.radius_mm:g} mm touches {100 * found.fraction.value:.0f} % of the surface and leaves a "
        f"mean gap of {_range(reading, 'mm')}"
    )


def _relief_change(case: Case, reading: Measured, limit: float) -> str:
    if reading.low < limit:
        return f"More than {limit:.2f} mm of relief when measured again."
    if case.zone_map.reference != "limits" or reading.low >= case.limits.zones["sound_relief_mm"].value:
        return ""
    deeper_mm = reading.value / case.limits.decision["relief_of_reference"].value
    return f"A reference patch with more than {deeper_mm:.2f} mm of relief: this one would then be worn or filled."


def _void_change(case: Case, reading: Measured, limit: float) -> str:
    """How much dry film the deciding part takes at worst before the limit is reached."""
    coats = case.forecast.coats
    dry_um = sum(coat.dry_um for coat in coats)
    lost = sum(coat.dry_um * (1 - coat.peak_share[0]) for coat in coats)
    part = worst_part(case)
    if part is None:
        return ""
    spare_mm = part.void_depth_mm.low - limit
    if spare_mm <= 0:
        return f"No lighter coat: the void depth may be below {limit:.2f} mm before any paint."
    allowed_um = 1000 * spare_mm * dry_um / lost if lost else dry_um
    if reading.low >= limit:
        return f"More than {allowed_um:.0f} um of dry film in all ({dry_um:.0f} um are planned)."
    return f"At most {allowed_um:.0f} um of dry film in all ({dry_um:.0f} um are planned), laid thin or sprayed."


def _share_change(case: Case, reading: Measured, limit: float) -> str:
    if reading.high <= limit:
        return f"Other patches of the panel with more than {_number(limit, '%')} worn or filled."
    return f"Other patches of the panel that bring the worn and filled share below {_number(limit, '%')}."


def _reach_change(case: Case, reading: Measured, limit: float) -> str:
    if reading.high <= limit:
        return ""
    return "Keying by stiff bristle or blasting, shown by an adhesion test on a cured patch of this texture."


RULES: tuple[Rule, ...] = (
    Rule(
        "relief now",
        read=_relief,
        limit=_limit_of("relief_mm", "relief_of_reference", "relief_mm"),
        wants="above",
        says=_relief_words,
        unit="mm",
        change=_relief_change,
        without=OPEN,
        of_part=True,
    ),
    Rule(
        "void depth left",
        read=_void_left,
        limit=_limit_of(VOID_RULE, "void_left_of_reference", "void_depth_mm"),
        wants="above",
        says=_void_words,
        unit="mm",
        change=_void_change,
        of_part=True,
    ),
    Rule(
        "worn and filled share",
        read=_bad_share,
        limit=lambda case: case.limits.decision["worn_or_filled_share"].value,
        wants="below",
        says=_share_words,
        unit="%",
        change=_share_change,
    ),
    Rule(
        "abrasive reach",
        read=_gap,
        limit=lambda case: case.limits.decision["reach_gap_mm"].value,
        wants="below",
        says=_reach_words,
        unit="mm",
        change=_reach_change,
    ),
)
