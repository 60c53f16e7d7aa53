"""
Invented decks for measuring zones and decisions: 96 mm of deck, sound, or worn, filled or both in a part or all over.

Each seed gives a deck, its light and paint, and a second, unharmed patch of the same texture under its own light, as
a person would measure it for --reference. Shapes and renders come from sample_images/make, which imports nothing of
texscan.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2] / "sample_images" / "make"))
import decks
import patches

STEP_MM = 0.125  # of the pixels and of the grid, as in a score of a phone's photo
SIDE_MM = 96.0
REFERENCE_SIDE_MM = 48.0
REFERENCE_SHIFT_MM = 180.0  # from the patch to the reference, so that no texture is shared
CONDITIONS = ("sound", "worn", "filled", "sound", "worn", "filled", "both", "worn-all", "filled-all", "both-all")
SHARES = (0.12, 0.75)  # of the patch that a harm in a part of it covers
LEAST_SHARE_OF_BOTH = 0.10  # of the patch for each harm where there are two
TRIES = 200  # regions drawn until the shares fit
COARSE_MM = 2.0  # step on which the shares are told
LOSS_SIDE_MM = 40.0  # of the map that tells how much of the relief a harm takes
SOUND, WORN, FILLED = 1, 2, 3


def recipe(seed):
    """Deck, light and the reference's light of one seed, as `patches.recipe` gives them for small decks."""
    rng = np.random.default_rng([seed, 31])
    condition = CONDITIONS[(seed // 4) % len(CONDITIONS)]
    plain, light = patches.recipe(seed)  # pattern, paint and light alike; condition and depth are drawn anew
    height = rng.uniform(0.3, 0.85)
    steep = np.tan(np.radians(plain.flank_deg))
    pitch = max(plain.pitch_mm, height / steep * (4.5 if plain.pattern == "lozenge" else 2.5))
    sound = replace(plain, height_mm=height, pitch_mm=pitch, wear=None, fill=None)
    harmed = _harmed(sound, condition, rng)
    reference = patches.recipe(seed + 500_000)[1]
    reference |= {key: light[key] for key in ("albedo", "alpha", "stain", "lamp_radius_mm")}
    return harmed, light | {"condition": condition}, reference


def _harmed(sound, condition, rng):
    wear = decks.Wear(rng.uniform(0.35, 0.7), rng.uniform(0.01, 0.05))
    fill = decks.Fill(rng.uniform(0.4, 0.75), rng.uniform(0.02, 0.06), rng.uniform(0.02, 0.06))
    what, _, where = condition.partition("-")
    if what == "both" and where:  # all over: together they leave some relief
        wear, fill = replace(wear, share=0.5 * wear.share), replace(fill, share=0.6 * fill.share)
    worn, filled = what in ("worn", "both"), what in ("filled", "both")
    for _ in range(TRIES):
        deck = replace(
            sound,
            wear=replace(wear, where=_region(rng, where)) if worn else None,
            fill=replace(fill, where=_region(rng, where)) if filled else None,
        )
        if where or what == "sound" or _fits(deck, what):
            return deck
    raise ValueError("No region of a fitting size was drawn.")


def _region(rng, where):
    if where:
        return decks.Region("all")
    kind = str(rng.choice(["lane", "half"]))
    x, y, angle, width, edge = rng.uniform((-25, -25, 0, 22, 3), (25, 25, 180, 45, 10))
    return decks.Region(kind, x, y, angle, width, edge)


def _fits(deck, what):
    x, y = patches.axes(SIDE_MM, COARSE_MM)
    labels = decks.conditions(deck, x, y)
    worn, filled = (labels == WORN).mean(), (labels == FILLED).mean()
    if what == "both" and min(worn, filled) < LEAST_SHARE_OF_BOTH:
        return False
    return SHARES[0] <= worn + filled <= SHARES[1]


def losses(deck):
    """
    What each harm takes where it is whole: {condition value: (share of the relief, share of the void depth)}, and the
    relief and void depth of the sound texture [mm]; plain quantiles and means of the heights, 2 to 98 %.
    """
    x, y = patches.axes(LOSS_SIDE_MM, STEP_MM)
    everywhere = decks.Region("all")
    sound = _relief_and_void(decks.height(replace(deck, wear=None, fill=None), x, y))
    harms = {WORN: ("wear", "fill"), FILLED: ("fill", "wear")}
    out = {}
    for value, (kept, dropped) in harms.items():
        harm = getattr(deck, kept)
        if harm is not None:
            alone = replace(deck, **{kept: replace(harm, where=everywhere), dropped: None})
            left = _relief_and_void(decks.height(alone, x, y))
            out[value] = tuple(1 - a / b for a, b in zip(left, sound, strict=True))
    return out, sound


def _relief_and_void(z):
    top, floor = np.quantile(z, [1 - decks.TOP_SHARE, decks.TOP_SHARE])
    return float(top - floor), float(np.maximum(top - z, 0).mean())


def conditions(deck, x, y, taken):
    """
    The true condition (rows, columns) uint8: harmed from where half of the full wear or fill is reached; where both
    harms meet, the one that takes more void depth names it.

    taken : as `losses` gives it
    """
    order = sorted(taken, key=lambda value: taken[value][1])
    out = np.full((len(y), len(x)), SOUND, np.uint8)
    for value in order:
        harm = deck.wear if value == WORN else deck.fill
        out[harm.where.weight(x[None, :], y[:, None]) >= half_weight(harm, deck.height_mm)] = value
    return out


def half_weight(harm, height_mm):
    """
    Weight of its region at which a harm has half of its depth: the cut comes down from `decks.FAR_MM` above the tops
    (the fill up from below the floor), straight in the weight.
    """
    full = harm.share * height_mm
    return 1.0 if harm.where.kind == "all" else (decks.FAR_MM + full / 2) / (decks.FAR_MM + full)


def sound_patch(deck):
    """The deck as made, for the reference."""
    return replace(deck, wear=None, fill=None)
