"""
The old coating and the new one: what may go over what, the solvent-rag test, and the recoat window.

Strong solvents of a two-part paint lift a one-part film. The rules here are trade practice (several published trade
sources agree on the lifting); the data sheet of the paint in hand and a taped adhesion test on a cured patch (ISO
2409 or ASTM D3359 on a smooth border, ISO 4624 pull-off on texture) outrank them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import pairwise

from texscan.errors import SettingsError
from texscan.limits import Limits

EXISTING = ("gelcoat", "one-part", "two-part", "unknown")
PLANNED = ("one-part", "two-part")
SEEN = ("unharmed", "softened", "wrinkled", "lifted")
ATTACKED = ("wrinkled", "lifted")
BARRIER = (
    "Another paint whose reducer leaves the film unharmed, or a tie coat that the paint's maker approves for it."
)
FOR, AGAINST, OPEN, NOT_APPLIED = "for recoat", "against recoat", "open", "not applied"


@dataclass(frozen=True, slots=True)
class RagTest:
    """A rag wet with a reducer, left covered on the old film."""

    reducer: str  # "one-part" or "two-part": the kind of paint whose reducer was used
    minutes: float
    seen: str  # one of SEEN


@dataclass(frozen=True, slots=True)
class Job:
    """What is known of the job beside the photos; None = not stated."""

    existing: str | None = None  # one of EXISTING
    planned: str | None = None  # one of PLANNED
    rag_test: RagTest | None = None
    hours_since_coat: float | None = None  # since the last coat of the film that is to be painted
    azimuths_deg: tuple[float, ...] = ()  # lights of the photos taken so far; empty = heights by other means

    def __post_init__(self) -> None:
        for name, value, known in (("existing", self.existing, EXISTING), ("planned", self.planned, PLANNED)):
            if value is not None and value not in known:
                raise SettingsError(f"The {name} coating is {value!r}; one of {', '.join(known)} is needed.")
        minutes = None if self.rag_test is None else self.rag_test.minutes
        for what, time in (
            ("hours since the last coat", self.hours_since_coat),
            ("minutes of the rag test", minutes),
        ):
            if time is not None and not (math.isfinite(time) and time >= 0):
                raise SettingsError(f"The {what} are {time:g}; a number from 0 on is needed.")
        if self.rag_test and (self.rag_test.seen not in SEEN or self.rag_test.reducer not in PLANNED):
            raise SettingsError(
                f"The rag test has reducer {self.rag_test.reducer!r} and saw {self.rag_test.seen!r}; a reducer of "
                f"{' or '.join(PLANNED)} paint and one of {', '.join(SEEN)} are needed."
            )


@dataclass(frozen=True, slots=True)
class PaintVerdict:
    """What the two coatings allow."""

    outcome: str  # FOR, AGAINST, OPEN or NOT_APPLIED
    sentence: str
    would_change_it: str


# (existing, planned) -> outcome, sentence, what would change it. None = not stated.
TABLE: dict[tuple[str | None, str | None], tuple[str, str, str]] = {
    (None, None): (NOT_APPLIED, "Neither the old nor the new coating was stated.", "State both coatings."),
    **{
        ("gelcoat", planned): (
            FOR,
            "Bare gelcoat takes one-part and two-part paint: degrease with solvent and two rags before any sanding, "
            "key, prime as the data sheet says.",
            "Wax or silicone that does not come off.",
        )
        for planned in (None, *PLANNED)
    },
    **{
        ("two-part", planned): (
            FOR,
            "A sound two-part film takes one-part and two-part paint once it is keyed ({grit}) and an adhesion test "
            "holds.",
            "An adhesion test that fails, or flaking and chalking: then the old film comes off.",
        )
        for planned in (None, *PLANNED)
    },
    **{
        (existing, "one-part"): (
            FOR,
            "A one-part paint does not lift an older film: key it ({grit}) and paint a test patch.",
            "An adhesion test that fails, or flaking and chalking: then the old film comes off.",
        )
        for existing in (None, "one-part", "unknown")
    },
    ("one-part", "two-part"): (
        AGAINST,
        "Two-part paint over a one-part film lifts it: the old film has to come off.",
        "A one-part paint instead, or a tie coat that the paint's maker approves for this film.",
    ),
    **{
        (existing, "two-part"): (
            OPEN,
            "Two-part paint lifts a one-part film, and what the old film is has not been found out.",
            "{rag_test}",
        )
        for existing in (None, "unknown")
    },
    **{
        (existing, None): (
            FOR,
            "The old film allows a recoat with one-part paint only; two-part paint could lift it.",
            "{rag_test}",
        )
        for existing in ("one-part", "unknown")
    },
}


def rag_test_words(limits: Limits) -> str:
    """How to do the solvent-rag test, in two sentences."""
    least, most = (limits.practice[key].value for key in ("rag_test_least_min", "rag_test_most_min"))
    return (
        "Do the rag test: lay a white rag wet with the new paint's own reducer on the old film, covered, for "
        f"{least:g} to {most:g} minutes, gloves on and no flame near. Unharmed: two-part paint may go over it. "
        "Softened, wrinkled, lifted, or colour on the rag: treat it as one-part."
    )


def after_rag_test(job: Job, limits: Limits) -> Job:
    """
    The job with the old coating that the rag test tells.

    Attacked by any reducer: one-part, whatever was stated, save bare gelcoat. Unharmed by two-part reducer for the
    least time: an unknown film counts as two-part. A shorter or milder test tells nothing.
    """
    test = job.rag_test
    if test is None or job.existing == "gelcoat":
        return job
    if test.seen != "unharmed":
        return replace(job, existing="one-part")
    long_enough = test.minutes >= limits.practice["rag_test_least_min"].value
    if test.reducer == "two-part" and long_enough and job.existing in (None, "unknown"):
        return replace(job, existing="two-part")
    return job


def paint_verdict(job: Job, limits: Limits) -> PaintVerdict:
    """What may go over the old coating, rag test taken into account; the rules are `TABLE`."""
    test = job.rag_test
    if test and test.seen in ATTACKED and test.reducer == job.planned and job.existing != "gelcoat":
        return PaintVerdict(
            AGAINST, f"The new paint's own reducer {test.seen} the old film: it has to come off.", BARRIER
        )
    known = after_rag_test(job, limits)
    outcome, sentence, change = TABLE[known.existing, known.planned]
    coarse, fine = (limits.practice[key].value for key in ("grit_coarse", "grit_fine"))
    words = {"grit": f"P{coarse:g} to P{fine:g}", "rag_test": rag_test_words(limits)}
    return PaintVerdict(outcome, sentence.format(**words), change.format(**words))


def window_state(hours: float, least_h: float, most_h: float) -> str:
    """
    Where a film stands in its recoat window: "wait", "coat" (no sanding, the coats bond chemically) or "key" (wash,
    key, wipe, then coat). Both ends of the window count as inside.
    """
    if hours < least_h:
        return "wait"
    return "coat" if hours <= most_h else "key"


def window_at_temperature(table: tuple[tuple[float, float], ...], temperature_c: float) -> float:
    """
    A time of the data sheet at this temperature [h].

    Parameters
    ----------
    table : (temperature [deg C], hours) pairs, temperatures rising.
    temperature_c : of the film.

    Raises
    ------
    SettingsError : outside the table; times are never extrapolated.

    Notes
    -----
    log(time) is linear in temperature between two entries.
    """
    if not table or not table[0][0] <= temperature_c <= table[-1][0]:
        span = f"{table[0][0]:g} to {table[-1][0]:g}" if table else "no"
        raise SettingsError(
            f"The film is at {temperature_c:g} degrees C and the data sheet covers {span} degrees. Wait for weather "
            "that the sheet covers, or ask the paint's maker."
        )
    for (cold, cold_h), (warm, warm_h) in pairwise(table):
        if cold <= temperature_c <= warm:
            share = (temperature_c - cold) / (warm - cold)
            return math.exp((1 - share) * math.log(cold_h) + share * math.log(warm_h))
    return table[0][1]
