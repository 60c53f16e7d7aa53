"""A small invented boat for the tests of the proposal: three panels of known relief, scored once."""

from __future__ import annotations

import functools
import json

import numpy as np

from texscan import files, result
from texscan.compatibility import Job
from texscan.inputs import read_settings
from texscan.overlay import shaded_relief
from texscan.score import score_heights

STEP_MM = 0.25
SHAPE = (200, 240)  # 50 by 60 mm
PITCH_MM = 3.0
HASH = "0123456789abcdef" * 4

SURVEY = """
surveyor = "Nobody N."
surveyed_on = 2026-05-16
printed_bar_mm = 100.0
[boat]
name = "Imaginary"
ashore = true
[owner]
name = "Olive Example"
address = ["1 Example Quay"]
[yard]
name = "Sample Yard"
[looks]
accent = "#ffdd00"
[crew]
people = 2
first_day = 2026-06-01
[[panel]]
name = "deep"
area_m2 = 2.0
perimeter_m = 6.0
outline_m = [[0, 0], [2, 0], [2, 1], [0, 1]]
existing = "two-part"
planned = "two-part"
[[panel]]
name = "lane"
area_m2 = 3.0
perimeter_m = 8.0
outline_m = [[2.2, 0], [5, 0], [5, 1], [2.2, 1]]
existing = "two-part"
planned = "two-part"
lead = { method = "swab", outcome = "found" }
[[panel]]
name = "flat"
area_m2 = 1.0
perimeter_m = 4.0
soft_spots = "by the mast"
outline_m = [[5.2, 0], [6, 0], [6, 1], [5.2, 1]]
existing = "two-part"
planned = "two-part"
[[panel]]
name = "unseen"
area_m2 = 0.5
perimeter_m = 3.0
outline_m = [[6.2, 0], [7, 0], [7, 1], [6.2, 1]]
planned = "two-part"
"""


def heights(name: str) -> np.ndarray:
    """Crossed cosines: deep all over, worn in a lane, or nearly flat."""
    row, column = np.mgrid[: SHAPE[0], : SHAPE[1]] * STEP_MM
    wave = 0.5 + 0.25 * (np.cos(2 * np.pi * column / PITCH_MM) + np.cos(2 * np.pi * row / PITCH_MM))
    size = {"deep": 0.6, "lane": 0.6, "flat": 0.12}[name]
    z = size * wave
    if name == "lane":
        z[:, 90:150] = np.minimum(z[:, 90:150], 0.2)
    return z.astype(np.float32)


@functools.cache
def scored(name: str) -> dict[str, bytes]:
    """The files of one panel's result."""
    settings = read_settings(job=Job("two-part", "two-part"), panel=name)
    z = heights(name)
    score = score_heights(z, STEP_MM, settings, picture=shaded_relief(z, STEP_MM))
    contents = result.result_files(score)
    data = json.loads(contents["score.json"])
    angle = lambda value: {"value": value, "low": value - 1, "high": value + 1}
    data["views"] = [
        {
            "file": f"{side}.jpg",
            "sha256": HASH,
            "azimuth_deg": angle(azimuth),
            "elevation_deg": angle(25.0),
            "at_mm": [0.0, 0.0],
            "light_position_mm": None,
            "ambient_share": None,
            "blur_mm": None,
            "uprights_left_out": [],
            "flags": [],
        }
        for side, azimuth in (("left", 180.0), ("right", 10.0))
    ]
    return contents | {"score.json": files.json_bytes(data)}


def small_boat(folder, names=("deep", "lane", "flat"), survey=SURVEY):
    """(OUT with the panels' results, survey.toml) below a folder."""
    for name in names:
        files.write_result(folder / "out" / name, scored(name))
    (folder / "survey.toml").write_text(survey, encoding="utf-8")
    return folder / "out", folder / "survey.toml"


def said_by(done) -> str:
    """What a command said on stderr; Click before 8.2 mixes it into the output."""
    try:
        return done.stderr
    except ValueError:
        return done.output
