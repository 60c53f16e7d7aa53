"""Do the photos of one patch make a set, and what is missing?"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from texscan.capture.grouping import OTHER_PATCH, Sighted, agreements, is_torch_off, turn_between
from texscan.capture.reading import Reading, sighted
from texscan.capture.remarks import Remark, refusal_of, remarks_on, verdict_of
from texscan.capture.sides import listed, side_in_picture, uprights_towards
from texscan.card import Card
from texscan.locate import Sighting
from texscan.settle import FULL_SET, SAME_SIDE_DEG, missing_azimuths

TORCH_OFF = "photo with the torch off"


@dataclass(frozen=True, slots=True)
class Judged:
    """One photo of a set: USABLE, WEAK, NOT_USABLE or TORCH_OFF, and what to change."""

    reading: Reading
    verdict: str
    remarks: tuple[Remark, ...] = ()


@dataclass(frozen=True, slots=True)
class Advice:
    """A whole set: its photos in the order given, and what to do next (sentences)."""

    photos: tuple[Judged, ...]
    next_steps: tuple[str, ...]


def judge(readings: tuple[Reading, ...], card: Card) -> Advice:
    """
    Each photo of a set judged beside the others.

    Parameters
    ----------
    readings : of photos that should show one patch, each under its own light; one may have the torch off
    """
    seen = [sighted(reading, taken_s=0.0, refusal=refusal_of(reading, card)) for reading in readings]
    lit = [s for s in seen if s.is_lit]
    dark = [is_torch_off(s, lit) for s in seen]
    judged: list[Judged] = []
    earlier: list[Sighted] = []
    for reading, own, off in zip(readings, seen, dark, strict=True):
        if off:
            judged.append(Judged(reading, TORCH_OFF))
            continue
        remarks = remarks_on(reading, card, photos=len(lit), torch_off_known=any(dark))
        remarks += _beside(own, earlier)
        judged.append(Judged(reading, verdict_of(remarks), tuple(sorted(remarks, key=lambda r: not r.serious))))
        earlier += [own] if own.is_lit else []
    return Advice(tuple(judged), _next_steps(judged, card))


def _beside(own: Sighted, earlier: list[Sighted]) -> tuple[Remark, ...]:
    """What is wrong with a photo beside those before it: other panel, other patch, same side."""
    if not own.is_lit or not earlier:
        return ()
    tags = {s.tag for s in earlier if s.tag is not None}
    if own.tag is not None and tags and own.tag not in tags:
        shown = listed([str(tag) for tag in sorted(tags)])
        text = f"shows tag {own.tag}, the photos before it tag {shown}: keep each panel's photos apart."
        return (Remark("other-tag", True, text),)
    alike = agreements([own.patch, *(other.patch for other in earlier)])[0, 1:]
    if np.isfinite(alike).all() and alike.max() < OTHER_PATCH:
        text = f"does not show the same patch as {earlier[0].file}, or the card was moved: leave the card in place."
        return (Remark("other-patch", True, text),)
    same = next((other.file for other in earlier if _same_side(own, other)), None)
    if same is None:
        return ()
    text = f"from the same side as {same}: the two count as one; move the torch to another side."
    return (Remark("same-side", False, text),)


def _same_side(one: Sighted, other: Sighted) -> bool:
    if one.azimuth_deg is None or other.azimuth_deg is None:
        return False
    return turn_between(one.azimuth_deg, other.azimuth_deg) < SAME_SIDE_DEG


def _next_steps(judged: list[Judged], card: Card) -> tuple[str, ...]:
    usable = [
        (j.reading.sighting, float(j.reading.light.azimuth_deg))
        for j in judged
        if j.reading.sighting is not None and j.reading.light is not None and not any(r.serious for r in j.remarks)
    ]
    again = [j.reading.file for j in judged if any(r.serious for r in j.remarks)]
    steps = [f"Take {listed(again)} again."] if again and len(judged) > 1 else []
    if not usable:
        return tuple(steps)
    sides = _sides([azimuth for _, azimuth in usable])
    missing = missing_azimuths(tuple(sides))
    if not missing:
        return (*steps, "All sides are there.")
    have = f"{len(sides)} of {FULL_SET} sides" if len(sides) > 1 else "One side"
    opposite = len(sides) == 1 or _have_opposite(sides)
    more = "" if opposite else ", none opposite another"
    where = [_in_words(usable[0][0], card, azimuth) for azimuth in missing]
    steps.append(f"{have}{more}. Next: torch at the {', then at the '.join(where)}.")
    return tuple(steps)


def _sides(azimuths_deg: list[float]) -> list[float]:
    """Azimuths that lie on sides of their own."""
    kept: list[float] = []
    for azimuth in azimuths_deg:
        if all(turn_between(azimuth, other) >= SAME_SIDE_DEG for other in kept):
            kept.append(azimuth)
    return kept


def _have_opposite(sides: list[float]) -> bool:
    return any(turn_between(a, b) > 180 - SAME_SIDE_DEG for k, a in enumerate(sides) for b in sides[:k])


def _in_words(sighting: Sighting, card: Card, azimuth_deg: float) -> str:
    """ "right of the picture (the side of uprights B and G)"."""
    a = np.radians(azimuth_deg)
    side = side_in_picture(sighting, card, np.array([np.cos(a), np.sin(a)]))
    return f"{side} of the picture (the side of {uprights_towards(card, azimuth_deg)})"
