"""The uncertainty budget: what each step may be wrong by, as a share of all heights together."""

from __future__ import annotations

import math

import numpy as np

from texscan.linear import ToneCurve
from texscan.locate import Sighting
from texscan.model import COVERAGE_FACTOR, Budget, LitView, Relief, Term
from texscan.one_light import PRINT
from texscan.relief.grooves import shape_unsure

UNCONFIRMED_PRINT = 0.03  # half width at 95 %: printers that "fit to page" shrink by 3 % and more, common practice
RULER_U = 0.003  # of 100 mm read with a steel rule to 0.5 mm, edges of the bar included; from memory
AMBIENT_GAIN = 2.0  # heights change by 2 % for each 1 % of ambient light left in (four views, 35 degrees; measured)
EVEN_GAIN = 0.42  # standard uncertainty of heights over the share of light that was taken as falling evenly: a second
# lamp or the sun shades the relief too; measured on rendered decks (calibration/relief/README.md)
FINE_PX_MM = 0.20  # photos of smaller pixels are what the solver's own uncertainty was measured on
LOSS_FROM_MM = 0.15  # what coarser ones lose grows with their size beyond this
COARSE_GAIN = 1.0  # standard uncertainty of heights over what a pixel measures beyond that [1/mm], and of the
COARSE_CONTACT = 0.3  # contact-area fraction [1/mm]; both measured on rendered decks (calibration/relief/README.md)
TONE_GAIN = 0.5  # shadows carry half of the size, shading the other half; only shading feels the curve
NOISE_U = 0.005  # noise and JPEG packing of phone photos: heights change by under 0.5 %; measured on renders
SIZES_DISAGREE = "shading-and-shadow-disagree"
SIZES_DISAGREE_U = 0.12  # then the deck is none of those that the solver's own uncertainty was measured on; a shadow
# of three quarters on the deck made relief 31 % too large (tests/trust/plausible.py)
PRINT_U, PRINT_CONTACT_U = 0.6, 0.6  # then there may be no relief at all: intervals of 95 % reach down to none of it
STATED_SCALE_U = 0.015  # of a user's mm per pixel


def print_scale_u(printed_bar_mm: float | None) -> float:
    """Relative standard uncertainty of the printed card's size."""
    return RULER_U if printed_bar_mm is not None else UNCONFIRMED_PRINT / COVERAGE_FACTOR


def elevation_gain_u(elevation_deg: float, elevation_u_deg: float) -> float:
    """
    Relative standard uncertainty of heights from that of the light's elevation.

    Heights grow as tan e, so d ln h = 2 de / sin 2e: 5.4 % a degree at 20, 4.0 % at 30 degrees.
    """
    return 2 * math.radians(elevation_u_deg) / math.sin(2 * math.radians(elevation_deg))


def coarse_excess_mm(pixel_mm: float) -> float:
    """What the budget's terms for coarse pixels are multiplied by [mm]; 0 up to FINE_PX_MM."""
    return pixel_mm - LOSS_FROM_MM if pixel_mm > FINE_PX_MM else 0.0


def budget_of(
    views: tuple[LitView, ...],
    relief: Relief,
    tones: tuple[ToneCurve, ...],
    sightings: tuple[Sighting, ...],
    *,
    printed_bar_mm: float | None,
) -> Budget:
    """
    Common-gain terms of a height map; `sightings` is empty without a card.

    The lights' elevation errors stem from the same uprights in every view, so they are averaged, not reduced.
    """
    lights = [view.light for view in views]
    elevation = np.mean(
        [elevation_gain_u(light.elevation_deg, math.sqrt(light.covariance[1, 1])) for light in lights]
    )
    ambient = np.mean([AMBIENT_GAIN * light.ambient.u for light in lights])
    even = np.mean([EVEN_GAIN * view.even_share for view in views])
    tone = np.mean([TONE_GAIN * curve.slope_u for curve in tones])
    scale = print_scale_u(printed_bar_mm) if sightings else STATED_SCALE_U
    fit = max((sighting.scale_u for sighting in sightings), default=0.0)
    sizes = SIZES_DISAGREE_U if SIZES_DISAGREE in relief.flags else 0.0
    coarse_mm = coarse_excess_mm(max((s.camera.mm_per_px(*lights[0].at_mm) for s in sightings), default=0.0))
    terms = (
        Term("light elevation", float(elevation)),
        Term("print scale" if sightings else "stated scale", scale),
        Term("camera scale", fit),
        Term("ambient light", float(ambient)),
        Term("ambient direction", float(even)),
        Term("tone curve", float(tone)),
        Term("noise and packing", NOISE_U),
        Term("height solver", relief.gain_u),
        *([Term("shading against shadow", sizes)] if sizes else []),
        *([Term("print or relief", PRINT_U)] if PRINT in relief.flags else []),
        *([Term("coarse pixels", COARSE_GAIN * coarse_mm)] if coarse_mm > 0 else []),
    )
    print_u = PRINT_CONTACT_U if PRINT in relief.flags else 0.0
    contact_u = math.hypot(relief.contact_u, print_u, COARSE_CONTACT * coarse_mm)
    return Budget(terms, contact_u, len(views), shape_unsure(relief.flags))
