"""
How much paint, filler, grit, abrasive and time an area takes: the formulas, each with a worked case in its test.

Films in um, depths in mm (1 mm of mean depth = 1 L/m2), areas in m2, volumes in L, masses in kg.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

UM_PER_MM = 1000.0
M2_PER_MM2 = 1e-6
ROUNDING = 1e-9  # of a pack: what adding floats may be off by


def spreading_rate_m2_per_l(volume_solids: float, dry_um: float) -> float:
    """
    Theoretical spreading rate [m2/L] of a paint of `volume_solids` (0 to 1) at a dry film [um].

    Raises
    ------
    ValueError : no solids or no film.
    """
    if not 0 < volume_solids <= 1 or dry_um <= 0:
        raise ValueError(f"solids must be above 0 and at most 1 and the film above 0, got {volume_solids}, {dry_um}")
    return UM_PER_MM * volume_solids / dry_um


def paint_l(area_m2: float, volume_solids: float, dry_um: float, *, loss: float, true_area: float = 1.0) -> float:
    """
    Paint as supplied for one coat [L], thinner not counted.

    Parameters
    ----------
    area_m2 : projected.
    loss : share of the paint that does not stay on the deck, 0 to below 1 (not a consumption factor: that is
        1 / (1 - loss)).
    true_area : true over projected area, 1 + Sdr.
    """
    if not 0 <= loss < 1 or true_area < 1 or area_m2 < 0:
        raise ValueError(f"loss 0 to below 1, true area from 1, area from 0; got {loss}, {true_area}, {area_m2}")
    return area_m2 * true_area / spreading_rate_m2_per_l(volume_solids, dry_um) / (1 - loss)


def paint_for_peaks_l(
    area_m2: float, volume_solids: float, least_um: float, *, loss: float, peak_share: float
) -> float:
    """Paint [L] for a coat that leaves a dry film of `least_um` on the peaks, where only `peak_share` stays there."""
    if not 0 < peak_share <= 1:
        raise ValueError(f"peak share must be above 0 and at most 1, got {peak_share}")
    return paint_l(area_m2, volume_solids, least_um / peak_share, loss=loss)


def burying_l_per_m2(void_depth_mm: float, volume_solids: float) -> float:
    """Wet paint that buries a relief for good [L/m2]: void depth over solids."""
    if not 0 < volume_solids <= 1:
        raise ValueError(f"solids must be above 0 and at most 1, got {volume_solids}")
    return void_depth_mm / volume_solids


def split(litres: float, parts: tuple[float, ...]) -> tuple[float, ...]:
    """Volume of each component of a paint that is mixed in these parts by volume, such as (2, 1) [L]."""
    return tuple(litres * part / sum(parts) for part in parts)


def packs(amount: float, pack: float) -> int:
    """Whole packs that hold the amount; 0 for none."""
    if pack <= 0:
        raise ValueError(f"a pack must hold something, got {pack}")
    return math.ceil(amount / pack - ROUNDING)


@dataclass(frozen=True, slots=True)
class Mixture:
    """Epoxy with filler in it."""

    density_kg_l: float
    resin_share: float  # of the volume
    epoxy_kg: float
    filler_kg: float


def mixture(litres: float, filler_per_epoxy: float, epoxy_kg_l: float, filler_kg_l: float) -> Mixture:
    """
    Masses in so many litres of filled epoxy.

    Parameters
    ----------
    filler_per_epoxy : kg of filler per kg of mixed epoxy.
    epoxy_kg_l, filler_kg_l : true densities (of the particles, not of the loose powder).

    Notes
    -----
    Volumes add: density = (1 + m) / (1 / rho_e + m / rho_f).
    """
    per_epoxy_kg = 1 / epoxy_kg_l + filler_per_epoxy / filler_kg_l  # litres of mixture that one kg of epoxy makes
    epoxy_kg = litres / per_epoxy_kg
    return Mixture(
        density_kg_l=(1 + filler_per_epoxy) / per_epoxy_kg,
        resin_share=1 / epoxy_kg_l / per_epoxy_kg,
        epoxy_kg=epoxy_kg,
        filler_kg=epoxy_kg * filler_per_epoxy,
    )


def grit_kg_per_m2(size_mm: float, cover: float, density_kg_m3: float) -> float:
    """One layer of near-spherical grains that cover the share `cover` of the area: 2/3 cover density size."""
    return 2 / 3 * cover * density_kg_m3 * size_mm / UM_PER_MM


def grit_void_mm(size_mm: float, cover: float) -> float:
    """Void depth of that layer before a binder [mm]."""
    return size_mm * (1 - 2 / 3 * cover)


def disc_m2(diameter_mm: float) -> float:
    """Area of an abrasive disc."""
    return math.pi * diameter_mm**2 / 4 * M2_PER_MM2


def discs_needed(
    area_m2: float, *, passes: float, m2_per_disc: float, cut_l: float = 0.0, l_per_disc: float | None = None
) -> float:
    """
    Discs by area or by what they take off, whichever needs more; not rounded, so that panels add up.

    Parameters
    ----------
    m2_per_disc, l_per_disc : yields of the user's own experience; no published value is known. None = not by volume.
    cut_l : to be sanded away [L].
    """
    by_volume = 0.0 if l_per_disc is None else cut_l / l_per_disc
    return max(area_m2 * passes / m2_per_disc, by_volume)
