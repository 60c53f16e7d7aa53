"""
The height standard: strips of known thickness, from height maps and from photos.

Strips are lit by the slow renderer of `relief_scenes` (marched shadows, no code of texscan), or photographed by the
outside renderer (tests/trust/renders.py), where their thickness is a number in the scene. Intervals follow JCGM 100
(relative variances of a product add).
"""

import datetime
import json
from pathlib import Path

import numpy as np
import pytest
import relief_scenes
from typer.testing import CliRunner

from texscan import relief
from texscan.cli import app
from texscan.errors import ReliefError, SettingsError
from texscan.inputs import read_settings
from texscan.model import Measured
from texscan.standard import (
    Step,
    Verification,
    day_of,
    measure_step,
    over_known,
    verification_flags,
    verification_from_json,
)
from texscan.verification import check_known

PHOTOS = Path(__file__).parent / "trust" / "photos"
WIDTH_MM, PITCH_MM, LENGTH_MM = 4.0, 10.0, 34.0
GRID = relief_scenes.grid_of(300, 300, 0.14)
RECORD = {
    "schema": "texscan.verify/1",
    "day": "2026-05-17",
    "measured_over_known": {"value": 1.0, "low": 0.9, "high": 1.1},
}


def strips(thickness_mm, *, half_count=1, turn_deg=0.0):
    """A function (x, y) -> height of strips along y, turned."""
    a = np.radians(turn_deg)

    def height(x, y):
        across, along = x * np.cos(a) + y * np.sin(a), y * np.cos(a) - x * np.sin(a)
        nearest = np.clip(np.rint(across / PITCH_MM), -half_count, half_count) * PITCH_MM
        inside = np.minimum(WIDTH_MM / 2 - abs(across - nearest), LENGTH_MM / 2 - abs(along))
        return thickness_mm * np.clip(0.5 + inside / 0.03, 0, 1)

    return height


def on_grid(height_of):
    return height_of(*np.meshgrid(GRID.x_mm, GRID.y_mm)).astype(np.float32)


@pytest.mark.parametrize("turn_deg", [0.0, 30.0])
def test_a_known_map_gives_its_step_and_the_corners_of_its_strips(turn_deg):
    step = measure_step(on_grid(strips(0.5, turn_deg=turn_deg)), GRID)
    assert step.value_mm == pytest.approx(0.5, abs=1e-4)
    assert len(step.strips) == 3
    for strip in step.strips:
        sides = np.linalg.norm(np.diff(strip.corners_mm, axis=0), axis=1)
        assert sorted(sides)[0] == pytest.approx(WIDTH_MM, abs=0.3)  # a pixel on either side
        assert sorted(sides)[-1] == pytest.approx(LENGTH_MM, abs=0.3)


@pytest.mark.parametrize("thickness_mm", [0.5, 1.0])
def test_strips_lit_from_four_sides_are_measured_within_the_stated_interval(thickness_mm):
    lights = [relief_scenes.lamp(azimuth, 27, 560) for azimuth in (20, 110, 205, 290)]
    views, _ = relief_scenes.views_of(strips(thickness_mm), GRID, lights, albedo=0.7, noise=0.005)
    solved = relief.solve(views, GRID, paper_reflectance=0.8)
    step = measure_step(solved.height_mm, GRID)
    _, ratio = over_known(step, thickness_mm, known_u_mm=0.01, gain_u=solved.gain_u)
    assert ratio.low <= 1 <= ratio.high
    assert ratio.value == pytest.approx(1, abs=0.06)  # what four views promise for relief is 0.10


def test_the_box_chooses_the_strips():
    whole = on_grid(strips(0.5))
    whole[:, :20] = 3.0  # something tall that is no strip
    with pytest.raises(ReliefError, match="strips"):
        measure_step(whole, GRID)
    assert measure_step(whole, GRID, box_mm=(-16, -20, 16, 20)).value_mm == pytest.approx(0.5, abs=1e-4)


def test_what_is_no_standard_is_refused_with_what_to_lay_instead():
    rng = np.random.default_rng(3)
    with pytest.raises(ReliefError, match="two levels"):
        measure_step(rng.normal(0, 0.1, GRID.shape).astype(np.float32), GRID)
    x, y = np.meshgrid(GRID.x_mm, GRID.y_mm)
    with pytest.raises(ReliefError, match="0 strips"):
        measure_step((0.5 * (np.hypot(x, y) < 12)).astype(np.float32), GRID)
    with pytest.raises(ReliefError, match="flat matt board"):
        measure_step(on_grid(strips(0.5)) + rng.normal(0, 0.25, GRID.shape).astype(np.float32) * (abs(x) < 19), GRID)
    with pytest.raises(ReliefError, match="Hardly any"):
        measure_step(np.full(GRID.shape, np.nan, np.float32), GRID)


def test_relative_variances_add():
    measured, ratio = over_known(Step(0.48, 0.012, ()), 0.5, known_u_mm=0.02, gain_u=0.03)
    u = 0.48 * np.hypot(0.025, 0.03)
    assert measured.u == pytest.approx(u)
    assert ratio.value == pytest.approx(0.96)
    assert ratio.u == pytest.approx(0.96 * np.hypot(u / 0.48, 0.04))


@pytest.mark.parametrize(
    ("ratio", "days", "expected"),
    [
        (Measured(1.02, 0.95, 1.09), 3, ()),
        (Measured(1.02, 0.95, 1.09), 181, ("verification-old",)),
        (Measured(0.80, 0.72, 0.88), 180, ("verification-off",)),
        (Measured(1.20, 1.10, 1.30), -200, ("verification-old", "verification-off")),
    ],
)
def test_old_and_off_checks_are_flagged(ratio, days, expected):
    day = datetime.date(2026, 5, 17)
    assert verification_flags(Verification(day, ratio), day + datetime.timedelta(days=days)) == expected


def test_no_check_is_flagged():
    assert verification_flags(None, datetime.date(2026, 5, 17)) == ("not-verified",)


def test_the_day_is_the_first_photo_s():
    assert day_of((None, 86_400.0 * 365 + 1)) == datetime.date(1971, 1, 1)


def test_a_record_is_read_back_and_others_are_refused():
    read = verification_from_json(json.dumps(RECORD), "verify.json")
    assert read == Verification(datetime.date(2026, 5, 17), Measured(1.0, 0.9, 1.1))
    upside_down = {"value": 2, "low": 3, "high": 4}
    wrong = ({"schema": "texscan.score/1"}, {"day": "soon"}, {"measured_over_known": upside_down})
    for text in ("", "[]", "{}", *(json.dumps({**RECORD, **change}) for change in wrong)):
        with pytest.raises(SettingsError, match="no record of a height standard"):
            verification_from_json(text, "other.json")


@pytest.mark.parametrize(("known_mm", "u_mm"), [(0.1, 0.01), (3.0, 0.01), (0.5, 0.06), (float("nan"), 0.01)])
def test_thicknesses_that_check_nothing_are_refused(known_mm, u_mm):
    with pytest.raises(SettingsError, match="--known"):
        check_known(known_mm, u_mm)


def test_photos_of_half_a_millimetre_give_a_record_that_scores_can_be_held_against(tmp_path):
    """The strips stand 0.5 mm over the board in the renderer's scene (tests/trust/renders.py, "step-0.5")."""
    photos = [str(PHOTOS / f"step-0.5-{letter}.jpg") for letter in "abcd"]
    record = tmp_path / "records" / "standard.json"
    called = ["verify", *photos, "--known-mm", "0.5", "--out", str(tmp_path / "out"), "--record", str(record)]
    done = CliRunner().invoke(app, [*called, "--printed-bar-mm", "100"])
    assert done.exit_code == 0, done.output
    assert "The interval holds the known height." in done.output
    data = json.loads(record.read_text())
    assert data == json.loads((tmp_path / "out" / "verify.json").read_text())
    ratio = data["measured_over_known"]
    assert ratio["low"] <= 1 <= ratio["high"]
    assert ratio["value"] == pytest.approx(1, abs=0.10)  # what four views promise for relief
    middles = sorted(np.mean(strip["corners_mm"], axis=0)[0] for strip in data["strips"])
    assert np.diff(middles) == pytest.approx([10.0] * 4, abs=0.3)  # mm from middle to middle, in the scene
    assert data["day"] == "2026-05-17"  # of the photos' EXIF
    read = read_settings(verified=record).verified
    assert verification_flags(read, datetime.date(2026, 5, 20)) == ()


@pytest.mark.parametrize(
    ("change", "code", "words"),
    [
        (["--known-mm", "9"], 1, "between 0.2 and 1.5 mm"),
        (["--known-mm", "0.5", "--known-u-mm", "0.2"], 1, "calliper"),
        (["--known-mm", "0.5", "--box", "1,2,3"], 2, "four numbers"),
    ],
)
def test_wrong_options_end_in_a_sentence(tmp_path, change, code, words):
    photo = str(PHOTOS / "step-0.5-a.jpg")
    done = CliRunner().invoke(app, ["verify", photo, "--out", str(tmp_path / "out"), *change])
    assert done.exit_code == code
    assert words in done.output
    assert not (tmp_path / "out").exists()
