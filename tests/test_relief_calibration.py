"""The solver's stated correction and uncertainty are the ones that its calibration readings give."""

from __future__ import annotations

import csv
import importlib.util
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import binomtest

from texscan.relief.grooves import MOST_IN_ONE_FAMILY
from texscan.relief.solver import CONTRAST_AT, CONTRAST_RANGE, SIZE_READ, SOLVER_U, U_POWER

FOLDER = Path(__file__).parent.parent / "calibration" / "relief"
VIEWS = {"one": ("1",), "opposed": ("2", "2b"), "square": ("sq",), "many": ("4",)}  # as the readings name the sets
FIGURES = ("Sq_mm", "relief_mm", "void_depth_mm")
# What README.md of the calibration states: least median correlation, greatest median errors.
LEAST_CORRELATION = {"one": 0.89, "opposed": 0.96, "square": 0.96, "many": 0.985}
MOST_ERROR = {"one": 21.0, "opposed": 7.0, "square": 7.0, "many": 4.0}  # %
MOST_CONTACT_ERROR = {"one": 0.06, "opposed": 0.04, "square": 0.04, "many": 0.02}


def readings(name: str, views: tuple[str, ...], *, hidden: bool | None = None) -> dict[str, np.ndarray]:
    """Columns of the solver's rows: with grooves hidden, without, or all."""
    with (FOLDER / name).open(newline="") as lines:
        rows = [row for row in csv.DictReader(lines) if row["method"] == "solver" and row["views"] in views]
    if hidden is not None:
        rows = [row for row in rows if (float(row["in_one_family"]) > MOST_IN_ONE_FAMILY) == hidden]
    columns = (*FIGURES, "contact", "contrast", "r", "error")
    return {key: np.array([float(row[key]) for row in rows]) for key in columns}


def fit():
    spec = importlib.util.spec_from_file_location("relief_fit", FOLDER / "fit.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def inside(seen: dict[str, np.ndarray], arrangement: str) -> dict[str, np.ndarray]:
    """By figure, (decks,) bool: the truth lies in the 95 % interval about the reading."""
    flat = CONTRAST_AT / np.clip(seen["contrast"], *CONTRAST_RANGE)
    (gain_u, contact_u), (gain_power, contact_power) = SOLVER_U[arrangement], U_POWER[arrangement]
    half = 1.96 * gain_u * flat**gain_power
    signed = {key: seen[key] / 100 for key in FIGURES}
    out = {key: np.abs(part / (1 + part)) <= half for key, part in signed.items()}
    return out | {"contact": np.abs(seen["contact"]) <= 1.96 * contact_u * flat**contact_power}


@pytest.mark.parametrize("arrangement", VIEWS)
def test_the_tables_are_those_of_the_fit_to_the_development_decks(arrangement):
    module = fit()
    rows = module.readings("readings-dev.csv", arrangement)
    assert len(rows) >= 100
    for part, u, power in zip(module.misses(rows), SOLVER_U[arrangement], U_POWER[arrangement], strict=True):
        fitted_u, fitted_power = module.fitted_u(part, module.flatness(rows))
        assert (u, power) == (pytest.approx(fitted_u, rel=0.02), pytest.approx(fitted_power))
    if arrangement in SIZE_READ:
        # fitted on readings of the same decks with slightly other settings, before the correction was built in
        at, change = module.fitted_size(rows, arrangement)
        assert SIZE_READ[arrangement] == (pytest.approx(at, abs=0.01), pytest.approx(change, abs=0.04))


@pytest.mark.parametrize("arrangement", VIEWS)
def test_the_intervals_hold_on_decks_kept_out(arrangement):
    """Asked for: 93 to 97 of 100; refuted where the count's own 95 % interval (Clopper and Pearson) lies outside."""
    hidden = False if arrangement == "opposed" else None
    for key, held in inside(readings("readings-held.csv", VIEWS[arrangement], hidden=hidden), arrangement).items():
        assert held.size >= 400
        low, high = binomtest(int(held.sum()), held.size).proportion_ci(0.95)
        assert high >= 0.93, key
        # one uncertainty serves three figures: relief is told better than the one that needs most
        assert low <= 0.97 or key in ("relief_mm", "Sq_mm"), key


def test_where_grooves_are_hidden_the_intervals_hold_and_say_little():
    """All of the decks on which void depth was read 40 % or more too low under opposed lights are among these."""
    seen = readings("readings-held.csv", VIEWS["opposed"], hidden=True)
    for key, held in inside(seen, "grooves hidden").items():
        assert held.size >= 10
        assert binomtest(int(held.sum()), held.size).proportion_ci(0.95).high >= 0.93, key
    found = readings("readings-held.csv", VIEWS["opposed"], hidden=False)
    assert found["void_depth_mm"].min() > -40
    assert seen["void_depth_mm"].min() < -40


@pytest.mark.parametrize("arrangement", VIEWS)
def test_the_readings_on_decks_kept_out_are_what_the_calibration_notes_say(arrangement):
    seen = readings("readings-held.csv", VIEWS[arrangement])
    assert np.median(seen["r"]) >= LEAST_CORRELATION[arrangement]
    assert np.median(seen["error"]) <= MOST_ERROR[arrangement]
    assert np.median(np.abs(seen["contact"])) <= MOST_CONTACT_ERROR[arrangement]
