"""The map of conditions read back from a result, and what is refused of it."""

import io

import numpy as np
import pytest
import tifffile

from texscan import files
from texscan.condition_map import conditions_from_tiff
from texscan.errors import SettingsError
from texscan.inputs import read_reference
from texscan.model import Filters

STEP_MM = 0.25


def map_of(shape=(120, 160)):
    condition = np.ones(shape, np.uint8)
    condition[:, : shape[1] // 3] = 2
    condition[:10] = 0
    return condition


def test_conditions_come_back_as_written():
    condition = map_of()
    assert np.array_equal(conditions_from_tiff(files.tiff_bytes(condition, STEP_MM), "conditions.tif"), condition)


def test_conditions_of_an_independent_writer_are_read():
    stream = io.BytesIO()
    tifffile.imwrite(stream, map_of())  # not packed, no resolution
    assert np.array_equal(conditions_from_tiff(stream.getvalue(), "conditions.tif"), map_of())


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"no picture at all", "is not a map of conditions"),
        (files.tiff_bytes(np.zeros((4, 4), np.float32), STEP_MM), "one of uint8 is needed"),
        (files.tiff_bytes(np.full((4, 4), 4, np.uint8), STEP_MM), "0 to 3 are conditions"),
        (files.tiff_bytes(map_of(), STEP_MM)[:60], "is not a map of conditions"),
    ],
)
def test_what_is_no_map_of_conditions_is_refused_in_words(data, words):
    with pytest.raises(SettingsError, match=words):
        conditions_from_tiff(data, "conditions.tif")


def test_a_result_serves_as_reference(tmp_path):
    rows, columns = np.mgrid[:120, :160] * STEP_MM
    height = 0.2 * (np.cos(2 * np.pi * rows / 3) * np.cos(2 * np.pi * columns / 3)).astype(np.float32)
    height[:10] = np.nan
    files.write_result(
        tmp_path,
        {
            "score.json": files.json_bytes({"schema": "texscan.score/1", "grid": {"step_mm": STEP_MM}}),
            "relief.tif": files.tiff_bytes(height, STEP_MM),
            "conditions.tif": files.tiff_bytes(map_of(), STEP_MM),
        },
    )
    assert read_reference(tmp_path, Filters()) is not None
