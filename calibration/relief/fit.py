"""
What the solver leaves, from the readings beside this file, and how often its intervals hold on decks kept out.

    python calibration/relief/fit.py

Prints SIZE_READ, SOLVER_U and U_POWER as they stand in texscan/relief/solver.py (from readings-dev.csv), the errors
with and without the correction of size, and coverage (on readings-held.csv), also by contrast.
"""

from __future__ import annotations

import csv
import math
from pathlib import Path

import numpy as np
from scipy.optimize import minimize
from scipy.stats import binomtest

from texscan.relief.grooves import MOST_IN_ONE_FAMILY
from texscan.relief.solver import CONTRAST_AT, CONTRAST_RANGE, RATIO_AT, RATIO_RANGE, SIZE_READ, size_read

HERE = Path(__file__).parent
COVERAGE = 1.96  # standard uncertainties in half a 95 % interval
# Names in the solver, and sets of views in the readings.
ARRANGEMENTS = {"one": ("1",), "opposed": ("2", "2b"), "square": ("sq",), "many": ("4",)}
HIDDEN = "grooves hidden"  # opposed, and one family of grooves missing
FIGURES = ("Sq_mm", "relief_mm", "void_depth_mm")  # their columns hold signed errors [%]
POWERS = np.arange(0, 2.01, 0.1)  # of CONTRAST_AT / contrast, tried
LEAST = 1e-4  # added to an error, so that its logarithm is finite


def readings(name: str, arrangement: str) -> list[dict[str, str]]:
    """The solver's rows of a readings file for one arrangement of the lights, or for `HIDDEN`."""
    views = ARRANGEMENTS["opposed" if arrangement == HIDDEN else arrangement]
    with (HERE / name).open(newline="") as lines:
        rows = [row for row in csv.DictReader(lines) if row["method"] == "solver" and row["views"] in views]
    if arrangement not in ("opposed", HIDDEN):
        return rows
    return [row for row in rows if (float(row["in_one_family"]) > MOST_IN_ONE_FAMILY) == (arrangement == HIDDEN)]


def signed(rows: list[dict[str, str]]) -> np.ndarray:
    """(decks, 3) relative errors of the three figures."""
    return np.array([[float(row[key]) / 100 for key in FIGURES] for row in rows])


def ratios(rows: list[dict[str, str]]) -> np.ndarray:
    """(decks,) size by shading alone over size by shadows; NaN where a deck throws too few shadows."""
    return np.array([float(row["ratio"] or "nan") for row in rows])


def uncorrected(rows: list[dict[str, str]], arrangement: str) -> np.ndarray:
    """(decks, 3) figures over the true ones as they were before the solver's correction of size."""
    used = [size_read(arrangement, None if np.isnan(ratio) else float(ratio)) for ratio in ratios(rows)]
    return (1 + signed(rows)) * np.array(used)[:, None]


def fitted_size(rows: list[dict[str, str]], arrangement: str) -> tuple[float, float]:
    """
    Size read over true size at RATIO_AT and its change per unit of the ratio.

    Least absolute deviations of the middle of each deck's three figures; the middle makes the worst of them smallest.
    """
    read, ratio = uncorrected(rows, arrangement), ratios(rows)
    known = np.isfinite(ratio)
    middle = (read.max(axis=1) + read.min(axis=1))[known] / 2
    at = np.clip(ratio[known], *RATIO_RANGE) - RATIO_AT
    found = minimize(lambda c: np.abs(middle - c[0] - c[1] * at).sum(), (1.0, 0.1), method="Nelder-Mead")
    return float(found.x[0]), float(found.x[1])


def misses(rows: list[dict[str, str]]) -> tuple[np.ndarray, np.ndarray]:
    """
    Of each deck, without sign: the errors of the figures as shares of what was read, (decks, 3), because an interval
    stands about the reading; and that of the contact-area fraction, (decks, 1).
    """
    errors = signed(rows)
    return np.abs(errors / (1 + errors)), np.abs([[float(row["contact"])] for row in rows])


def flatness(rows: list[dict[str, str]]) -> np.ndarray:
    """(decks,) CONTRAST_AT over the views' contrast."""
    return CONTRAST_AT / np.clip([float(row["contrast"]) for row in rows], *CONTRAST_RANGE)


def fitted_u(errors: np.ndarray, flat: np.ndarray) -> tuple[float, float]:
    """
    Standard uncertainty at CONTRAST_AT and its power.

    The power is the likeliest for errors of Student's t with 3 degrees of freedom. The size is that of the figure
    that needs the most: its error of rank 0.95 (n + 1) among n decks, so that 95 of 100 new decks are expected within
    (split conformal prediction, Vovk et al. 2005).
    """
    errors = errors + LEAST

    def unlikely(power: float) -> float:
        scales = np.exp(np.linspace(-6, -0.5, 60))[:, None, None] * flat[:, None] ** power
        return (np.log(scales) + 2 * np.log1p((errors / scales) ** 2 / 3)).mean(axis=(1, 2)).min()

    power = float(min(POWERS, key=unlikely))
    rank = math.ceil(0.95 * (len(errors) + 1)) - 1
    return float(np.sort(errors / flat[:, None] ** power, axis=0)[rank].max()) / COVERAGE, power


def held(
    rows: list[dict[str, str]], figures: tuple[float, float], contact: tuple[float, float]
) -> dict[str, np.ndarray]:
    """(decks,) bool by figure: did the interval hold. `figures`, `contact` are (u, power)."""
    flat = flatness(rows)
    relative, absolute = misses(rows)
    inside = relative <= (COVERAGE * figures[0] * flat ** figures[1])[:, None]
    out = dict(zip(FIGURES, inside.T, strict=True))
    return out | {"contact_area_fraction": absolute[:, 0] <= COVERAGE * contact[0] * flat ** contact[1]}


def main() -> None:
    for name in ARRANGEMENTS:
        rows, out = readings("readings-dev.csv", name), readings("readings-held.csv", name)
        if name in SIZE_READ:
            at, change = fitted_size(rows, name)
            print(f'SIZE_READ["{name}"] = ({at:.3f}, {change:.3f})')
            before = 100 * np.abs(uncorrected(out, name) - 1).max(axis=1)
            print(f"  error on decks kept out without it: {np.median(before):.1f} % (worst {before.max():.0f})")
        after = 100 * np.abs(signed(out)).max(axis=1)
        print(f"  error on {len(out)} decks kept out: {np.median(after):.1f} % (worst {after.max():.0f})")
        figures, contact = (fitted_u(part, flatness(rows)) for part in misses(rows))
        print(f'SOLVER_U["{name}"] = ({figures[0]:.3f}, {contact[0]:.3f})')
        print(f'U_POWER["{name}"] = ({figures[1]:.1f}, {contact[1]:.1f})')
        low = flatness(out) > np.median(flatness(out))
        for key, inside in held(out, figures, contact).items():
            low_p, high_p = binomtest(int(inside.sum()), len(out)).proportion_ci(0.95)
            half = f"{100 * inside[low].mean():.0f} and {100 * inside[~low].mean():.0f} in low and high contrast"
            print(f"  {key:22} {100 * inside.mean():.1f} % ({100 * low_p:.1f} to {100 * high_p:.1f}); {half}")


if __name__ == "__main__":
    main()
