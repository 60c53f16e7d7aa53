"""The solver's stated uncertainty is the one that its calibration readings give."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

from texscan.relief.solver import SOLVER_U

FOLDER = Path(__file__).parent.parent / "calibration" / "relief"
VIEWS = {"one": "1", "opposed": "2", "square": "sq", "many": "4"}  # as the readings name the sets


def readings(name: str, views: str) -> tuple[np.ndarray, np.ndarray]:
    """Signed relative errors of Sq, relief and void depth, (decks, 3); errors of the contact-area fraction."""
    with (FOLDER / name).open(newline="") as lines:
        rows = [row for row in csv.DictReader(lines) if row["method"] == "solver" and row["views"] == views]
    figures = [[float(row[key]) / 100 for key in ("Sq_mm", "relief_mm", "void_depth_mm")] for row in rows]
    return np.array(figures), np.array([float(row["contact"]) for row in rows])


@pytest.mark.parametrize("arrangement", VIEWS)
def test_the_table_is_the_95_percent_quantile_of_the_development_decks(arrangement):
    figures, contact = readings("readings-dev.csv", VIEWS[arrangement])
    assert len(contact) >= 100
    gain_u, contact_u = SOLVER_U[arrangement]
    # the interval stands about the reading, so an error counts as a share of the reading
    assert gain_u == pytest.approx(np.quantile(np.abs(figures / (1 + figures)), 0.95) / 1.96, rel=0.05)
    assert contact_u == pytest.approx(np.quantile(np.abs(contact), 0.95) / 1.96, rel=0.05)


@pytest.mark.parametrize("arrangement", VIEWS)
def test_the_intervals_hold_on_decks_kept_out(arrangement):
    figures, contact = readings("readings-held.csv", VIEWS[arrangement])
    gain_u, contact_u = SOLVER_U[arrangement]
    held = (np.abs(figures / (1 + figures)) <= 1.96 * gain_u).mean()
    assert 0.90 <= held <= 0.99  # 95 % meant; the development decks are few
    assert 0.90 <= (np.abs(contact) <= 1.96 * contact_u).mean() <= 0.99
