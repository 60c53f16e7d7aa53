"""
The sample panels of an invented boat: deck, paint, light, phone, and what the panel list says of each.

Nothing here comes from texscan.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import decks
import numpy as np

SUN_DISTANCE_MM = 5e5


@dataclass(frozen=True)
class View:
    """One photo: the torch (or the sun) seen from the middle of the patch."""

    file: str
    azimuth_deg: float
    elevation_deg: float
    distance_mm: float = 580.0


@dataclass(frozen=True)
class Panel:
    """One sample: deck, paint, light and phone, and what the panel list says of it."""

    name: str
    title: str
    story: str
    deck: decks.Deck
    views: tuple[View, ...]
    albedo: tuple[float, float, float] = (0.8, 0.79, 0.75)
    alpha: float = 0.22
    stain: float = 0.1
    worn_tint: float = 1.0  # what the worn lane's albedo is multiplied by
    ambient_share: float = 0.01
    ambient_photo: str | None = None
    sun: bool = False
    exposed_for_deck: bool = False  # the phone was tapped on the deck; whatever is brighter may clip
    lamp_radius_mm: float = 9.0
    distance_mm: float = 430.0
    tilt_deg: float = 0.0
    k1: float = 0.012
    s_curve: float = 0.0
    orientation: int = 1
    existing: str = "gelcoat"
    planned: str = "two-part"
    printed_bar_mm: float = 100.0
    seed: int = field(default=0)


def four(first, *elevations, distances=(560, 610, 540, 590)):
    """Four views, from all sides."""
    angles = first + np.array([0, 88, 183, 271])
    names = ("a", "b", "c", "d")
    return tuple(
        View(f"{n}.jpg", float(a % 360), e, d)
        for n, a, e, d in zip(names, angles, elevations, distances, strict=True)
    )


def two(first, *elevations, distances=(600, 570)):
    """Two views from opposite sides."""
    return (
        View("a.jpg", first, elevations[0], distances[0]),
        View("b.jpg", (first + 177.0) % 360, elevations[1], distances[1]),
    )


def panels(box):
    """The list; `box` is the card's opening (x0, x1, y0, y1) in mm."""
    x, y = (box[0] + box[1]) / 2, (box[2] + box[3]) / 2
    lane = decks.Region("lane", x, y, 78.0, 46.0, 12.0, 2.5)
    lozenge = decks.Deck("lozenge", 11, height_mm=0.62, flank_deg=47, pitch_mm=7.0, pitch_ratio=0.56, groove_mm=0.9)
    square = decks.Deck("square", 12, height_mm=0.7, flank_deg=52, pitch_mm=4.2, groove_mm=1.1, angle_deg=3)
    pebble = decks.Deck("pebble", 13, height_mm=0.6, flank_deg=45, pitch_mm=2.8)
    grit = decks.Deck("grit", 14, height_mm=0.62, flank_deg=50, pitch_mm=1.9, round_mm=0.03)
    return (
        Panel(
            "foredeck-sound",
            "Foredeck, port: lozenge as moulded",
            "Never painted; the owner asks whether it needs anything at all.",
            replace(lozenge, angle_deg=4),
            four(12, 29, 31, 27, 33),
            s_curve=0.25,
            seed=1,
        ),
        Panel(
            "side-deck-worn-lane",
            "Side deck, starboard: a lane worn by feet",
            "The way from the cockpit to the shrouds, forty summers of shoes.",
            replace(lozenge, angle_deg=86, seed=21, wear=decks.Wear(0.55, 0.03, lane)),
            four(338, 30, 28, 32, 29),
            albedo=(0.72, 0.72, 0.68),
            worn_tint=0.93,
            k1=-0.015,
            seed=2,
        ),
        Panel(
            "cabin-top-filled",
            "Cabin top: pebble under eight coats of paint",
            "Rolled every other spring with what was left in the tin; only the tops still show.",
            replace(pebble, fill=decks.Fill(0.66, 0.05, 0.05)),
            two(20, 21, 23),
            albedo=(0.82, 0.8, 0.72),
            alpha=0.18,
            s_curve=0.3,
            orientation=6,
            existing="one-part",
            planned="two-part",
            seed=3,
        ),
        Panel(
            "cockpit-sole-both",
            "Cockpit sole: squares, half of them painted in, the rest walked flat",
            "Painted up to the hatch by one owner and trodden bare by the next.",
            replace(
                square,
                seed=22,
                fill=decks.Fill(0.55, 0.05, 0.04, decks.Region("half", x - 8, y, 100.0, 0, 10.0, 2.0)),
                wear=decks.Wear(0.5, 0.03, decks.Region("lane", x + 36, y, 97.0, 30.0, 9.0, 1.5)),
            ),
            four(55, 31, 27, 30, 28),
            albedo=(0.66, 0.7, 0.72),
            stain=0.18,
            s_curve=0.2,
            existing="two-part",
            planned="two-part",
            seed=4,
        ),
        Panel(
            "bow-grit-sound",
            "Bow: broadcast grit, sound",
            "Grit in two-part paint, two seasons old; one photo was all there was time for.",
            grit,
            (View("a.jpg", 143.0, 24.0, 620),),
            albedo=(0.5, 0.53, 0.56),
            alpha=0.26,
            existing="two-part",
            planned="two-part",
            seed=5,
        ),
        Panel(
            "companionway-grit-worn",
            "Companionway: grit trodden smooth, a lamp on the quay",
            "Every grain is a stump. Taken at dusk under a quay lamp, so one photo with the torch off goes with it.",
            replace(grit, seed=24, height_mm=0.66, wear=decks.Wear(0.7, 0.03)),
            two(205, 22, 20, distances=(520, 560)),
            albedo=(0.6, 0.6, 0.57),
            ambient_share=0.12,
            ambient_photo="torch-off.jpg",
            s_curve=0.2,
            k1=0.02,
            existing="two-part",
            planned="one-part",
            seed=6,
        ),
        Panel(
            "aft-deck-sun",
            "Aft deck: squares in the evening sun",
            "No torch: the sun 19 degrees up did it, with the sky's own light.",
            replace(square, seed=25, height_mm=0.55, angle_deg=31, camber_radius_mm=18_000.0),
            (View("a.jpg", 251.0, 19.0, SUN_DISTANCE_MM),),
            albedo=(0.74, 0.72, 0.64),
            ambient_share=0.15,
            sun=True,
            orientation=3,
            existing="unknown",
            seed=7,
        ),
        Panel(
            "locker-lid-filled-tilted",
            "Locker lid: lozenge painted in, photographed from the side",
            "Painted whenever the cabin top was. The rail was in the way; the phone was held at an angle.",
            replace(lozenge, seed=26, angle_deg=20, fill=decks.Fill(0.74, 0.05, 0.05)),
            two(172, 24, 22, distances=(640, 560)),
            albedo=(0.8, 0.8, 0.8),
            tilt_deg=25,
            distance_mm=440,
            existing="one-part",
            planned="one-part",
            seed=8,
        ),
        Panel(
            "side-deck-pebble-worn",
            "Side deck, port: pebble worn along the lifelines",
            "A narrow way where everyone steps; grey paint, sound beside it.",
            replace(pebble, seed=27, height_mm=0.55, wear=decks.Wear(0.5, 0.04, replace(lane, angle_deg=100.0))),
            two(275, 23, 21),
            albedo=(0.4, 0.42, 0.44),
            alpha=0.24,
            worn_tint=0.9,
            orientation=6,
            existing="two-part",
            planned="two-part",
            seed=9,
        ),
        Panel(
            "quarter-deck-dark",
            "Quarter deck: dark blue-grey squares, a smooth border and a fitting",
            "The phone was tapped on the dark deck, so the card's white is burnt out.",
            replace(
                square,
                seed=28,
                height_mm=0.5,
                flank_deg=50,
                pitch_mm=4.6,
                angle_deg=8,
                border=decks.Border(box[0] - 8, box[0] + 22),
                fitting=decks.Fitting(x + 29, y + 13),
            ),
            two(318, 26, 24),
            albedo=(0.085, 0.1, 0.125),
            alpha=0.24,
            exposed_for_deck=True,
            existing="two-part",
            planned="two-part",
            seed=10,
        ),
    )
