"""Zones and decisions on rendered decks kept out: the readings bear out what the code and its limits rest on."""

from __future__ import annotations

import csv
import math
from pathlib import Path

import pytest

from texscan.model import COVERAGE_FACTOR
from texscan.zones import REFERENCE_GAIN

FOLDER = Path(__file__).parent.parent / "calibration" / "zones"
LEAST_OVERLAP = {"4": 0.80, "2": 0.70, "1": 0.70}  # wanted of clear harms, by views
CLEAR_LOSS = 0.45  # of the relief
RECOAT, RETEXTURE, INCONCLUSIVE = "recoat", "sand-flat-and-retexture", "inconclusive"


def readings(**given):
    with (FOLDER / "readings-held.csv").open(newline="") as lines:
        return [row for row in csv.DictReader(lines) if all(row[key] == value for key, value in given.items())]


@pytest.mark.parametrize("views", LEAST_OVERLAP)
def test_clear_harms_are_outlined_where_they_are(views):
    found = sorted(
        float(row[f"overlap_{name}"])
        for row in readings(views=views, reference="none")
        for name in ("worn", "filled")
        if row["condition"] in ("worn", "filled", "both") and float(row[f"loss_{name}"] or 0) >= CLEAR_LOSS
    )
    assert len(found) >= 5
    assert found[len(found) // 2] >= LEAST_OVERLAP[views]


@pytest.mark.parametrize("views", LEAST_OVERLAP)
def test_sound_decks_have_next_to_no_false_zones(views):
    found = [float(row["called_harmed"]) for row in readings(views=views, reference="none", condition="sound")]
    assert sum(found) / len(found) < 0.02


@pytest.mark.parametrize("job", ["none stated", "two-part", "two-part, sprayed"])
def test_decisions_from_photos_are_those_from_the_true_heights_or_left_open_on_a_quarter_of_the_decks(job):
    decided = []
    for reference in ("none", "named"):
        true = {row["deck"]: row[job] for row in readings(views="true", reference=reference)}
        assert len(true) == 80
        for views in LEAST_OVERLAP:
            decided += [(row[job], true[row["deck"]]) for row in readings(views=views, reference=reference)]
    assert len(decided) == 480
    assert not [pair for pair in decided if set(pair) == {RECOAT, RETEXTURE}]
    left_open = [of_photos == INCONCLUSIVE != of_truth for of_photos, of_truth in decided]
    assert sum(left_open) <= 0.25 * len(decided)


@pytest.mark.parametrize("views", LEAST_OVERLAP)
def test_the_size_beside_a_reference_errs_no_more_than_the_code_takes(views):
    true = {row["deck"]: row for row in readings(views="true", reference="named")}
    held = []
    for row in readings(views=views, reference="named"):
        if row["condition"] in ("sound", "worn-all", "filled-all", "both-all"):
            of_photos, of_truth = (
                float(r["relief_mm"]) / float(r["reference_relief_mm"]) for r in (row, true[row["deck"]])
            )
            error = abs(math.log(of_photos / of_truth))
            held.append(error <= COVERAGE_FACTOR * REFERENCE_GAIN * float(row["gain_u"]))
    assert sum(held) >= 0.85 * len(held)  # 95 % meant; the decks are few
