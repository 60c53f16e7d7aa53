"""Areas, lengths and volumes as a survey's `units` says they are printed; inside, everything is metric."""

from __future__ import annotations

# Exact by definition: the international foot is 0.3048 m, the US gallon 3.785411784 L (NIST Handbook 44, appendix C).
METRES_A_FOOT = 0.3048
LITRES_A_GALLON = 3.785411784
AREA: dict[str, tuple[str, float]] = {"metric": ("m²", 1.0), "imperial": ("ft²", METRES_A_FOOT**-2)}
LENGTH: dict[str, tuple[str, float]] = {"metric": ("m", 1.0), "imperial": ("ft", 1 / METRES_A_FOOT)}
VOLUME: dict[str, tuple[str, float]] = {"metric": ("L", 1.0), "imperial": ("US gal", 1 / LITRES_A_GALLON)}


def in_units(value: float, kind: dict[str, tuple[str, float]], units: str) -> tuple[float, str]:
    """
    A number of m², m or L in the units of a survey, and the unit's name.

    Parameters
    ----------
    kind : AREA, LENGTH or VOLUME.
    units : "metric" or "imperial".
    """
    name, factor = kind[units]
    return value * factor, name
