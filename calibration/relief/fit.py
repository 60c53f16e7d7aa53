"""
The solver's own uncertainty from the readings beside this file, and how often its intervals hold on decks kept out.

    python calibration/relief/fit.py

Prints SOLVER_U as it stands in texscan/relief/solver.py (from readings-dev.csv) and coverage (on readings-held.csv).
"""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
from scipy.stats import binomtest

HERE = Path(__file__).parent
COVERAGE = 1.96  # standard uncertainties in half a 95 % interval
ARRANGEMENTS = {"one": "1", "opposed": "2", "square": "sq", "many": "4"}  # names in the solver and in the readings
FIGURES = ("Sq_mm", "relief_mm", "void_depth_mm")  # their columns hold signed errors [%]


def readings(name: str) -> list[dict[str, str]]:
    """The solver's rows of a readings file."""
    with (HERE / name).open(newline="") as lines:
        return [row for row in csv.DictReader(lines) if row["method"] == "solver"]


def misses(rows: list[dict[str, str]], arrangement: str) -> tuple[np.ndarray, np.ndarray]:
    """
    Of each deck: the error of the three figures as a share of what was read, (decks, 3), and that of the contact-area
    fraction, (decks,); both without sign.
    """
    some = [row for row in rows if row["views"] == ARRANGEMENTS[arrangement]]
    signed = np.array([[float(row[key]) / 100 for key in FIGURES] for row in some])
    return np.abs(signed / (1 + signed)), np.abs([float(row["contact"]) for row in some])


def solver_u(rows: list[dict[str, str]]) -> dict[str, tuple[float, float]]:
    """Standard uncertainties whose 95 % interval holds for 95 of 100 figures."""
    out = {}
    for arrangement in ARRANGEMENTS:
        figures, contact = misses(rows, arrangement)
        out[arrangement] = tuple(float(np.quantile(part, 0.95)) / COVERAGE for part in (figures, contact))
    return out


def coverage(rows: list[dict[str, str]], arrangement: str, u: tuple[float, float]) -> list[tuple[str, int, int]]:
    """(figure, held, decks) for each figure."""
    figures, contact = misses(rows, arrangement)
    held = [(key, int((figures[:, i] <= COVERAGE * u[0]).sum()), len(figures)) for i, key in enumerate(FIGURES)]
    return [*held, ("contact_area_fraction", int((contact <= COVERAGE * u[1]).sum()), len(contact))]


def main() -> None:
    fitted = solver_u(readings("readings-dev.csv"))
    for arrangement, u in fitted.items():
        print(f'    "{arrangement}": ({u[0]:.3f}, {u[1]:.3f}),')
    for arrangement, u in fitted.items():
        for key, held, decks in coverage(readings("readings-held.csv"), arrangement, u):
            low, high = binomtest(held, decks).proportion_ci(0.95)
            share = f"{held} of {decks}: {100 * held / decks:.1f} % ({100 * low:.1f} to {100 * high:.1f})"
            print(f"{arrangement:8} {key:22} {share}")


if __name__ == "__main__":
    main()
