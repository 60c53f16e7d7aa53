"""Advice as lines to print and as data for other programs."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from texscan.capture.advice import TORCH_OFF, Advice, Judged
from texscan.capture.sides import side_in_picture
from texscan.card import Card

SCHEMA = "texscan.check/1"


def printable(name: str) -> str:
    """A file's name for a line of text: control characters spelled out."""
    return name if name.isprintable() else ascii(name)


def photo_lines(judged: Judged, card: Card) -> list[str]:
    """One line for a photo, and one a remark."""
    name = printable(judged.reading.file)
    first = f"{name}: {judged.verdict}{_light_words(judged, card)}"
    return [first, *(f"  - {remark.sentence}" for remark in judged.remarks)]


def advice_lines(advice: Advice, card: Card) -> list[str]:
    """All photos, then what to do next."""
    return [*(line for judged in advice.photos for line in photo_lines(judged, card)), *advice.next_steps]


def advice_data(advice: Advice) -> dict:
    """Advice as a dict for JSON."""
    return {
        "schema": SCHEMA,
        "photos": [_photo_data(judged) for judged in advice.photos],
        "next_steps": list(advice.next_steps),
    }


def unique_names(paths: Sequence) -> list[str]:
    """The files' names, or their whole paths where two have one name."""
    short = [path.name for path in paths]
    return short if len(set(short)) == len(short) else [str(path) for path in paths]


def _light_words(judged: Judged, card: Card) -> str:
    light, sighting = judged.reading.light, judged.reading.sighting
    if light is None or sighting is None or judged.verdict == TORCH_OFF:
        return ""
    a = np.radians(light.azimuth_deg)
    side = side_in_picture(sighting, card, np.array([np.cos(a), np.sin(a)]))
    return f" (light from the {side}, {light.elevation_deg:.0f} degrees high)"


def _photo_data(judged: Judged) -> dict:
    reading = judged.reading
    return {
        "file": reading.file,
        "sha256": reading.sha256,
        "verdict": judged.verdict,
        "azimuth_deg": None if reading.light is None else reading.light.azimuth_deg,
        "elevation_deg": None if reading.light is None else reading.light.elevation_deg,
        "tag": reading.tag,
        "remarks": [
            {"name": remark.name, "serious": remark.serious, "sentence": remark.sentence} for remark in judged.remarks
        ],
    }
