"""Colours of a document: the accent made legible, and the colour of each verdict."""

from __future__ import annotations

from texscan.overlay import VERDICTS
from texscan.typeset import MUTED

Colour = tuple[int, int, int]
LEAST_CONTRAST = 4.5  # of text on white: WCAG 2.2, success criterion 1.4.3
DARKEN = 0.92  # of each channel, a step


def colour_of(text: str) -> Colour:
    """ "#rrggbb" as (red, green, blue), 0 to 255."""
    return tuple(int(text[at : at + 2], 16) for at in (1, 3, 5))  # type: ignore[return-value]


def hex_of(colour: Colour) -> str:
    return "#{:02x}{:02x}{:02x}".format(*colour)


def contrast_on_white(colour: Colour) -> float:
    """Contrast ratio with white, 1 to 21 (WCAG 2.2)."""
    linear = [c / 255 / 12.92 if c / 255 <= 0.04045 else ((c / 255 + 0.055) / 1.055) ** 2.4 for c in colour]
    luminance = 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]
    return 1.05 / (luminance + 0.05)


def legible(colour: Colour) -> Colour:
    """The colour, darkened until text in it can be read on white."""
    while contrast_on_white(colour) < LEAST_CONTRAST:
        colour = tuple(int(c * DARKEN) for c in colour)  # type: ignore[assignment]
    return colour


def verdict_colour(action: str) -> Colour:
    """As on the scored image; what is not scored is muted."""
    return VERDICTS[action][1] if action in VERDICTS else MUTED
