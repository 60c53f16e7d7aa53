"""What is wrong with one photo and what to change, in words that a tired person follows."""

from __future__ import annotations

import math
from dataclasses import dataclass

from texscan.capture.reading import Reading
from texscan.capture.sides import listed
from texscan.card import Card
from texscan.lamp import HIGH_TORCH_DEG
from texscan.model import Light
from texscan.views import (
    BLURRED_MM,
    CLIPPED_LEFT_OUT,
    CLIPPED_REFUSED,
    DARKEST_DECK,
    LARGEST_TILT_DEG,
    SOFT_MM,
    TILT_FLAG_DEG,
)

USABLE, WEAK, NOT_USABLE = "usable", "usable, with a weakness", "not usable"
CORD_MM = 600.0  # from the patch to the torch, along a cord
NEAREST_TORCH_MM = 300.0  # nearer, the light falls off over the patch by more than the camera holds; from memory
FEW_SIDES_DEG, ALL_SIDES_DEG = (15.0, 25.0), (25.0, 35.0)  # one or two photos; three or four: where relief reads best
SLACK_DEG = 5.0  # beyond those ranges before it is said
ALL_SIDES_FROM = 3  # photos
COARSEST_MM_PER_PX = 0.20  # where the score flags the sampling as coarse
LEAST_PATCH_SEEN, WHOLE_PATCH_SEEN = 0.5, 0.98
DIM = 4.0  # times the darkest usable deck
LEAST_UPRIGHTS = 3  # that tell the light; two would do, with nothing left to contradict them


@dataclass(frozen=True, slots=True)
class Remark:
    """One thing to change; `serious` = the photo is not usable as it is."""

    name: str
    serious: bool
    sentence: str


def verdict_of(remarks: tuple[Remark, ...]) -> str:
    """USABLE, WEAK or NOT_USABLE."""
    if any(remark.serious for remark in remarks):
        return NOT_USABLE
    return WEAK if remarks else USABLE


def remarks_on(reading: Reading, card: Card, *, photos: int = 1, torch_off_known: bool = False) -> tuple[Remark, ...]:
    """
    What to change about a photo, the serious first.

    Parameters
    ----------
    photos : how many lit photos its set has so far
    torch_off_known : the set has a photo with the torch off, which takes steady light out
    """
    found = [*_card(reading, card), *_camera(reading), *_light(reading), *_torch(reading, photos)]
    found += [] if torch_off_known else _ambient(reading)
    return tuple(sorted(found, key=lambda remark: not remark.serious))


def refusal_of(reading: Reading, card: Card) -> str:
    """Why a photo cannot be used: the sentence of the step that could not go on, else of the first serious remark."""
    serious = (remark.sentence for remark in remarks_on(reading, card) if remark.serious)
    return reading.refusal or next(serious, "")


def _card(reading: Reading, card: Card) -> list[Remark]:
    if reading.sighting is None:
        return [_no_card(reading)]
    found = []
    if reading.cut_off:
        few = reading.patch_seen < LEAST_PATCH_SEEN
        text = f"card cut off at the {listed(reading.cut_off)} of the picture: move back until all of it shows."
        found.append(Remark("card-cut-off", few, text))
    if reading.mm_per_px > COARSEST_MM_PER_PX:
        text = f"card too small in the picture ({1 / reading.mm_per_px:.1f} pixels a mm, 5 are needed): go nearer."
        found.append(Remark("card-too-small", False, text))
    if reading.other_tags:
        tags = [str(tag) for tag in (reading.tag, *reading.other_tags)]
        text = f"tags {listed(tags)} are in the picture: leave only this panel's; {reading.tag} is nearest."
        found.append(Remark("several-tags", False, text))
    return found


def _no_card(reading: Reading) -> Remark:
    cut = f"card cut off at the {listed(reading.cut_off)} of the picture: move back until all of it shows."
    sentence = {
        "few pixels": "too few pixels for a card to be read: send the photo itself, not a preview of it.",
        "burnt out": "burnt out, no card can be seen: lower the exposure, or move the torch back.",
        "dark": "too dark, no card can be seen: bring the torch nearer, or raise the exposure.",
        "blurred": "blurred, no card can be seen: hold the phone with both hands or lean on the rail, and tap on the "
        "card to focus.",
        "cut off": cut if reading.cut_off else "",
        "few markers": "most of the card cannot be read: uncover it, let the torch light all of it, and focus on it.",
        "none seen": "no card found: lay it around the patch, whole in the picture and lit by the torch.",
    }.get(reading.no_card, "")
    return Remark("card-not-found" if reading.no_card else "file", True, sentence or _without_file(reading))


def _without_file(reading: Reading) -> str:
    """The refusal; the line has the file's name in front already."""
    return (
        "it" + reading.refusal.removeprefix(reading.file)
        if reading.refusal.startswith(reading.file)
        else (reading.refusal)
    )


def _camera(reading: Reading) -> list[Remark]:
    found = []
    if reading.blur_mm > SOFT_MM:
        how = "blurred" if reading.blur_mm > BLURRED_MM else "a little soft"
        text = f"{how}: hold the phone with both hands or lean on the rail, and tap on the card to focus."
        found.append(Remark("blurred", reading.blur_mm > BLURRED_MM, text))
    tilt = 0.0 if reading.sighting is None else reading.sighting.camera.tilt_deg
    if tilt > TILT_FLAG_DEG:
        text = f"camera tilted by {tilt:.0f} degrees: hold the phone level, straight above the patch."
        found.append(Remark("camera-tilted", tilt > LARGEST_TILT_DEG, text))
    return found


def _light(reading: Reading) -> list[Remark]:
    found = []
    if reading.shaded_at:
        text = f"card in shadow at the {reading.shaded_at} of the picture: step aside, or move what is in the way."
        found.append(Remark("card-in-shadow", reading.light is None, text))
    elif reading.no_shadow:
        text = (
            "no torch light: the uprights throw no shadow. Switch the torch on, hold it low at one side, and see "
            "that the uprights stand."
        )
        found.append(Remark("no-torch", True, text))
    elif reading.sighting is not None and reading.light is None:
        found.append(Remark("light-not-told", True, _without_file(reading)))
    if reading.deck_clipped > CLIPPED_LEFT_OUT:
        text = f"{reading.deck_clipped:.0%} of the deck is burnt out: lower the exposure, or move the torch back."
        found.append(Remark("too-bright", reading.deck_clipped > CLIPPED_REFUSED, text))
    elif reading.light is not None and "card-clipped" in reading.light.flags:
        text = "the card's white is burnt out: tap on the card and lower the exposure a little."
        found.append(Remark("card-too-bright", False, text))
    if reading.deck_light < DIM * DARKEST_DECK:
        text = "too dark: raise the exposure, or bring the torch nearer."
        found.append(Remark("too-dark", reading.deck_light < DARKEST_DECK, text))
    return found


def _torch(reading: Reading, photos: int) -> list[Remark]:
    light = reading.light
    if light is None:
        return []
    found = _elevation(light, photos)
    if light.uprights_left_out:
        some = listed(light.uprights_left_out)
        text = f"upright {some} leans or has fallen and was left out: stand it straight."
        if len(light.uprights_left_out) > 1:
            text = f"uprights {some} lean or have fallen and were left out: stand them straight."
        found.append(Remark("upright-fallen", False, text))
    if len(light.uprights_used) < LEAST_UPRIGHTS:
        seen = listed(light.uprights_used) or "none"
        text = f"few shadows to go by (upright {seen}): stand all uprights on the card, and keep its white clear."
        found.append(Remark("few-uprights", False, text))
    distance = 1 / light.inverse_distance_per_mm if light.inverse_distance_per_mm > 0 else math.inf
    if distance < NEAREST_TORCH_MM:
        text = f"torch too near: {distance / 10:.0f} cm; move it back to the end of a {CORD_MM / 10:.0f} cm cord."
        found.append(Remark("torch-near", False, text))
    return found


def _elevation(light: Light, photos: int) -> list[Remark]:
    """Torch too high or too low, with where to put it."""
    degrees = float(light.elevation_deg)
    low, high = ALL_SIDES_DEG if photos >= ALL_SIDES_FROM else FEW_SIDES_DEG
    target = (low + high) / 2
    above_cm = CORD_MM / 10 * math.sin(math.radians(target))
    there = f"about {target:.0f}: {above_cm:.0f} cm above the deck at the end of a {CORD_MM / 10:.0f} cm cord"
    if "light-distant" in light.flags and degrees > HIGH_TORCH_DEG:
        text = f"light too high: {degrees:.0f} degrees; wait until the sun is at about {target:.0f}, or shade it."
        return [Remark("torch-high", False, text)]
    if degrees < low - SLACK_DEG:
        return [Remark("torch-low", False, f"torch too low: {degrees:.0f} degrees; raise it to {there}.")]
    if degrees > ALL_SIDES_DEG[1] + SLACK_DEG:
        return [Remark("torch-high", False, f"torch too high: {degrees:.0f} degrees; lower it to {there}.")]
    if degrees > high + SLACK_DEG:
        text = f"torch at {degrees:.0f} degrees: right for four photos; for one or two lower it to {there}."
        return [Remark("torch-high-for-few", False, text)]
    return []


def _ambient(reading: Reading) -> list[Remark]:
    light = reading.light
    if light is None or "ambient-high" not in light.flags:
        return []
    share = f"{light.ambient_share.value:.0%}" if light.ambient_share else "much"
    text = (
        f"{share} of the light is not the torch's: shade the patch or wait for dusk, or take one more photo with the "
        "torch off."
    )
    return [Remark("ambient-high", False, text)]
