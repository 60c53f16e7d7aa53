"""
What a compliant sole touches: a pad of stated stiffness pressed on the texture under a stated pressure.

The contact-area fraction at a fixed depth treats flat tops and points alike; a sole does not, it sinks until the
texture carries the load. The pad is a bed of independent springs (Winkler), as stiff as an elastic half-space is
against a wave as long as the texture's own (Westergaard 1939: full contact of a wave of amplitude h at
pi E* h / wavelength), times `PARTIAL_CONTACT`, because only the tops are touched. The share so found lies within
-15 to +25 % of a half-space's on moulded, domed and grit textures (tests). It is no friction rating and predicts
none: water, dirt and the rubber's own grip are not in it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from texscan.curve import TOP_RATIO, pressed
from texscan.errors import SettingsError

# A wave's autocorrelation falls to 0.2 at arccos(0.2) / 2 pi of its length (closed form): wavelength = 4.588 Sal.
WAVELENGTH_PER_SAL = 2 * math.pi / math.acos(0.2)
# Contacts are smaller than the wave, and smaller contacts are stiffer. Against a half-space on frusta, domes, pebble
# and grit at 0.03 to 0.12 MPa: 0.9 to 1.2 of its touched share with 3, 1.1 to 2.2 with 1.
PARTIAL_CONTACT = 3.0


@dataclass(frozen=True, slots=True)
class Sole:
    """
    A shoe's sole under a standing person.

    modulus_mpa : E / (1 - nu^2) of the rubber; 4 MPa is E 3 MPa, nu 0.5 (about 60 Shore A, from memory)
    pressure_mpa : mean pressure under the foot; 0.06 MPa is 700 N on 120 cm2 (common practice, no source)
    """

    modulus_mpa: float = 4.0
    pressure_mpa: float = 0.06


@dataclass(frozen=True, slots=True)
class Contact:
    """What the pad touches: share of the area, sink below the top plane [mm], pressure where it touches."""

    fraction: float
    sink_mm: float
    pressure_mpa: float


def bed_stiffness(modulus_mpa: float, wavelength_mm: float) -> float:
    """Stiffness of springs that stand for a half-space against a wave of this length, pi E* / wavelength [MPa/mm]."""
    if not (modulus_mpa > 0 and wavelength_mm > 0):
        raise SettingsError(
            f"A sole of {modulus_mpa:g} MPa on a texture of {wavelength_mm:g} mm cannot be pressed. "
            "Give a modulus and a wavelength above 0."
        )
    return math.pi * modulus_mpa / wavelength_mm


def winkler(z: np.ndarray, *, pressure_mpa: float, stiffness_mpa_per_mm: float) -> Contact:
    """
    Contact of a flat bed of springs under a mean pressure.

    Parameters
    ----------
    z : array
        Heights [mm], any shape; NaN = not measured.
    pressure_mpa, stiffness_mpa_per_mm : float
        Mean pressure over the whole area, and pressure per sink of the bed; both above 0.

    Returns
    -------
    contact : Contact

    Notes
    -----
    The bed's face sinks to the level c at which stiffness * Vm(c) = pressure, Vm(c) = mean of max(z - c, 0).
    """
    if not (pressure_mpa > 0 and stiffness_mpa_per_mm > 0):
        raise SettingsError(
            f"A bed of {stiffness_mpa_per_mm:g} MPa/mm under {pressure_mpa:g} MPa cannot be pressed. "
            "Give both above 0."
        )
    levels = np.sort(np.asarray(z, np.float64)[np.isfinite(z)])[::-1]
    weights = np.full((1, levels.size), 1 / levels.size)
    face, fraction = (float(each[0]) for each in pressed(levels, weights, pressure_mpa / stiffness_mpa_per_mm))
    return Contact(fraction, float(np.quantile(levels, 1 - TOP_RATIO) - face), pressure_mpa / fraction)


def sole_stiffness(sal_mm: float, sole: Sole) -> float:
    """Springs for a sole on a texture with this Sal (`texture.figures`) [MPa/mm]."""
    return PARTIAL_CONTACT * bed_stiffness(sole.modulus_mpa, WAVELENGTH_PER_SAL * sal_mm)


def under_sole(z: np.ndarray, *, sal_mm: float, sole: Sole | None = None) -> Contact:
    """Contact of a sole on a texture with this autocorrelation length; z as in `winkler`, Sal from `texture`."""
    sole = sole or Sole()
    return winkler(z, pressure_mpa=sole.pressure_mpa, stiffness_mpa_per_mm=sole_stiffness(sal_mm, sole))
