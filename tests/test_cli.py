"""The commands as a person types them: files of the contract, one sentence for wrong input, exit codes."""

import json
import math
import os
import subprocess
import sys
from pathlib import Path

import cv2
import numpy as np
import pytest
import scene
import tifffile

ROOT = Path(__file__).parents[1]
SAMPLES = ROOT / "sample_images" / "panels"
ONE_VIEW = SAMPLES / "bow-grit-sound" / "a.jpg"


def texscan(*arguments, cwd=None, expect=0):
    command = [sys.executable, "-c", "from texscan.cli import main; main()", *map(str, arguments)]
    env = {**os.environ, "OMP_NUM_THREADS": "1", "NO_COLOR": "1"}
    done = subprocess.run(command, capture_output=True, text=True, timeout=280, cwd=cwd, env=env)
    assert done.returncode == expect, done.stdout + done.stderr
    return done


def sentence_of(done) -> str:
    """The one line on stderr; no traceback."""
    lines = done.stderr.strip().splitlines()
    assert len(lines) == 1 and lines[0].startswith("texscan: "), done.stderr
    return lines[0]


def measured(value) -> bool:
    """A number with its interval after the contract, or null."""
    return value is None or (
        set(value) == {"value", "low", "high"} and value["low"] <= value["value"] <= value["high"]
    )


@pytest.fixture(scope="module")
def result(tmp_path_factory):
    out = tmp_path_factory.mktemp("score") / "bow"
    done = texscan("score", ONE_VIEW, "--out", out, "--panel", "Bow", "--existing", "unknown", "--budget")
    return out, done, json.loads((out / "score.json").read_text(), parse_constant=pytest.fail)


def test_a_score_writes_the_six_files_and_nothing_else(result):
    out, done, _ = result
    names = ["cells.csv", "conditions.tif", "figures.png", "patch.jpg", "relief.tif", "score.json", "scored.png"]
    assert sorted(p.name for p in out.iterdir()) == names
    assert "Bow" in done.stdout and "height solver" in done.stdout


def test_score_json_holds_the_contract(result):
    _, _, data = result
    assert data["schema"] == "texscan.score/1" and data["panel"] == "Bow"
    (view,) = data["views"]
    assert view["file"] == "a.jpg" and len(view["sha256"]) == 64 and len(view["at_mm"]) == 2
    assert all(measured(view[key]) for key in ("azimuth_deg", "elevation_deg", "ambient_share"))
    assert set(data["grid"]) == {"x0_mm", "y1_mm", "step_mm", "rows", "columns"}
    assert data["filters"] == {"s_mm": 0.25, "l_mm": 25, "form": "polynomial-2", "contact_depth_mm": 0.1}
    wanted = ["Sq_mm", "Sa_mm", "Ssk", "Sku", "Sdq", "Sdr", "relief_mm", "void_depth_mm", "contact_area_fraction"]
    assert all(measured(data["texture"][key]) and data["texture"][key] for key in wanted)
    assert all(measured(value) for value in data["texture"].values())
    assert data["pattern"]["kind"] in ("repeating", "random", "none")
    assert math.isclose(sum(data["shares"].values()), 1.0, abs_tol=1e-6)
    for zone in data["zones"]:
        assert (
            zone["condition"] in ("sound", "worn", "filled") and zone["area_mm2"] > 0 and len(zone["polygon_mm"]) > 2
        )
        assert all(measured(zone[key]) for key in ("relief_mm", "void_depth_mm", "contact_area_fraction"))
    assert [set(entry) for entry in data["coats"]["void_depth_mm"]] == [{"coat", "low", "likely", "high"}] * 3
    assert [r["radius_mm"] for r in data["coats"]["reach"]][-1] is None
    assert data["recommendation"]["action"] in ("recoat", "sand-flat-and-retexture", "inconclusive")
    assert data["recommendation"]["reasons"] and data["recommendation"]["would_change_it"]
    assert "print-scale-unconfirmed" in data["flags"] and "one-view" in data["flags"]


def test_an_unconfirmed_print_leaves_three_percent_in_the_scale(result):
    scale = result[2]["scale"]["mm_per_px"]
    assert (scale["high"] - scale["low"]) / 2 / scale["value"] == pytest.approx(0.03, abs=0.006)


def test_maps_lie_on_the_grid_and_agree_where_nothing_was_measured(result):
    out, _, data = result
    height, condition = (tifffile.imread(out / name) for name in ("relief.tif", "conditions.tif"))
    assert height.shape == condition.shape == (data["grid"]["rows"], data["grid"]["columns"])
    assert height.dtype == np.float32 and condition.dtype == np.uint8
    assert np.array_equal(condition == 0, np.isnan(height))
    assert set(np.unique(condition)) <= {0, 1, 2, 3}
    card = np.isfinite(height[int((data["grid"]["y1_mm"] - 40) / data["grid"]["step_mm"])])  # y = 40 mm: all card
    assert not card.any()


def test_heights_score_like_the_photos_they_came_from(result, tmp_path):
    out, _, data = result
    texscan(
        "score", "--heights", out / "relief.tif", "--step-mm", data["grid"]["step_mm"], "--out", tmp_path / "again"
    )
    again = json.loads((tmp_path / "again" / "score.json").read_text())
    assert again["views"] == [] and again["scale"] is None
    for key in ("relief_mm", "void_depth_mm", "Sq_mm"):
        assert again["texture"][key]["value"] == pytest.approx(data["texture"][key]["value"], rel=1e-3)
        assert again["texture"][key]["high"] < data["texture"][key]["high"]  # sampling only


def encoded(photo: np.ndarray, path: Path) -> Path:
    cv2.imwrite(str(path), photo)
    return path


BAD = {
    "no card": (lambda p: encoded(np.full((900, 1200, 3), 120, np.uint8), p / "a.png"), "No scale card"),
    "not an image": (lambda p: _text(p / "notes.txt"), "notes.txt"),
    "truncated": (lambda p: _cut(p / "cut.jpg"), "cut.jpg"),
    "empty": (lambda p: _empty(p / "empty.jpg"), "empty.jpg"),
    "missing": (lambda p: p / "nowhere.jpg", "nowhere.jpg"),
    "a folder": (lambda p: _folder(p / "photo.jpg"), "photo.jpg"),
    "too large": (lambda p: _huge(p / "huge.png"), "200"),
    "blurred": (lambda p: encoded(cv2.GaussianBlur(cv2.imread(str(ONE_VIEW)), (0, 0), 5), p / "b.png"), "blur"),
    "deck clipped": (lambda p: encoded(_brighter(cv2.imread(str(ONE_VIEW)), 5), p / "w.png"), "clipped"),
    "too dark": (lambda p: encoded(cv2.imread(str(ONE_VIEW)) // 12, p / "d.png"), "dark"),
}


def _brighter(photo, factor):
    return np.clip(photo.astype(float) * factor, 0, 255).astype(np.uint8)


def _text(path):
    path.write_text("not a photo")
    return path


def _cut(path):
    path.write_bytes(ONE_VIEW.read_bytes()[:200_000])
    return path


def _empty(path):
    path.touch()
    return path


def _folder(path):
    path.mkdir()
    return path


def _huge(path):
    import struct
    import zlib

    header = struct.pack(">IIBBBBB", 30_000, 30_000, 8, 2, 0, 0, 0)
    chunk = b"IHDR" + header
    path.write_bytes(b"\x89PNG\r\n\x1a\n" + struct.pack(">I", 13) + chunk + struct.pack(">I", zlib.crc32(chunk)))
    return path


@pytest.mark.parametrize("kind", BAD)
def test_a_bad_photo_gets_one_sentence_and_leaves_nothing_behind(kind, tmp_path):
    make, expected = BAD[kind]
    done = texscan("score", make(tmp_path), "--out", tmp_path / "out", expect=1)
    assert expected in sentence_of(done)
    assert not (tmp_path / "out").exists()


def test_photos_of_two_patches_are_refused(tmp_path):
    other = SAMPLES / "cabin-top-filled" / "a.jpg"
    done = texscan("score", SAMPLES / "foredeck-sound" / "a.jpg", other, "--out", tmp_path / "out", expect=1)
    assert "same patch" in sentence_of(done)


@pytest.mark.parametrize(
    ("arguments", "expected"),
    [
        (["--printed-bar-mm", "30"], "printed"),
        (["--coats", "missing.toml"], "missing.toml"),
        (["--card", "missing.json"], "missing.json"),
        (["--reference", "nowhere"], "score.json"),
    ],
)
def test_settings_that_cannot_be_used_are_named(arguments, expected, tmp_path):
    done = texscan("score", ONE_VIEW, "--out", tmp_path / "out", *arguments, cwd=tmp_path, expect=1)
    assert expected in sentence_of(done)


@pytest.mark.parametrize(
    "arguments",
    [["score"], ["score", "--out", "x"], ["score", "a.jpg", "--heights", "b.tif", "--out", "x"], ["polish"],
     ["score", "a.jpg", "--mm-per-px", "0.1", "--out", "x"], ["score", "a.jpg", "--existing", "teak", "--out", "x"]],
)  # fmt: skip
def test_a_wrong_command_line_ends_with_2(arguments, tmp_path):
    texscan(*arguments, cwd=tmp_path, expect=2)


def test_an_output_that_cannot_be_written_ends_with_3(tmp_path):
    (tmp_path / "file").write_text("in the way")
    heights = tmp_path / "z.tif"
    rng = np.random.default_rng(0)
    tifffile.imwrite(heights, cv2.GaussianBlur(rng.normal(0, 1, (300, 300)).astype(np.float32), (0, 0), 4))
    done = texscan("score", "--heights", heights, "--step-mm", "0.1", "--out", tmp_path / "file", expect=3)
    assert "file" in sentence_of(done)


def bump_lit_from_the_left(folder: Path) -> list[Path]:
    """A plain board with one smooth bump under two distant lights, from the left and from the right."""
    x, y = np.meshgrid((np.arange(600) - 299.5) * 0.1, (299.5 - np.arange(600)) * 0.1)
    rng = np.random.default_rng(1)
    places = rng.uniform(-26, 26, (60, 2))
    slope_x = sum(-0.5 * (x - a) / 2.25 * np.exp(-((x - a) ** 2 + (y - b) ** 2) / 4.5) for a, b in places)
    slope_y = sum(-0.5 * (y - b) / 2.25 * np.exp(-((x - a) ** 2 + (y - b) ** 2) / 4.5) for a, b in places)
    paths = []
    for azimuth in (180.0, 0.0):
        s = scene.lamp_at(azimuth, 35.0, 1.0)
        light = np.maximum((-slope_x * s[0] - slope_y * s[1] + s[2]) / np.sqrt(1 + slope_x**2 + slope_y**2), 0)
        paths.append(encoded(scene.encode(0.5 * light), folder / f"{azimuth:.0f}.png"))
    return paths


def test_old_photos_without_a_card_are_scored_with_a_flag_and_the_right_sign(tmp_path):
    """Bumps lit from the left are bright on the left; the map must show them as bumps, not dents."""
    photos = bump_lit_from_the_left(tmp_path)
    lights = ["--light-azimuth", 180, "--light-elevation", 35, "--light-azimuth", 0, "--light-elevation", 35]
    texscan("score", *photos, "--mm-per-px", 0.1, *lights, "--out", tmp_path / "out")
    data = json.loads((tmp_path / "out" / "score.json").read_text())
    assert {"no-card", "light-from-user"} <= set(data["flags"])
    height = tifffile.imread(tmp_path / "out" / "relief.tif")
    x, y = np.meshgrid((np.arange(600) - 299.5) * 0.1, (299.5 - np.arange(600)) * 0.1)
    places = np.random.default_rng(1).uniform(-26, 26, (60, 2))
    true = sum(-0.5 * (x - a) / 2.25 * np.exp(-((x - a) ** 2 + (y - b) ** 2) / 4.5) for a, b in places)
    slope = np.gradient(height, 0.1, axis=1)  # along the lights, where two opposed ones tell the slope
    known = np.isfinite(slope)
    assert np.corrcoef(slope[known], true[known])[0, 1] > 0.9
    # gentle matt relief without shadows reads low under the satin model (calibration/relief/README.md)
    assert 0.5 < np.polyfit(true[known], slope[known], 1)[0] < 1.1
