"""Camera raw, on a DNG written here after the DNG specification (version 1.4): a grey scene on a Bayer sensor."""

import io

import numpy as np
import pytest
import tifffile

from texscan.errors import PhotoError
from texscan.files import load_photo

WHITE = 16383


def dng_bytes(orientation=1):
    """A level ramp to the right: 2000 at column 0, 100 more a column; all colours alike."""
    sensor = np.tile((2000 + 100 * np.arange(96)).astype(np.uint16), (64, 1))
    matrix = tuple(int(v) for entry in np.eye(3).ravel() for v in (round(entry * 10000), 10000))
    tags = [
        (33421, "H", 2, (2, 2), True),  # CFARepeatPatternDim
        (33422, "B", 4, bytes([0, 1, 1, 2]), True),  # CFAPattern: red, green, green, blue
        (50706, "B", 4, bytes([1, 4, 0, 0]), True),  # DNGVersion
        (50708, "s", 0, "invented camera", True),  # UniqueCameraModel
        (50714, "H", 1, 0, True),  # BlackLevel
        (50717, "H", 1, WHITE, True),  # WhiteLevel
        (50721, "2i", 9, matrix, True),  # ColorMatrix1
        (50728, "2I", 3, (1, 1, 1, 1, 1, 1), True),  # AsShotNeutral
        (50778, "H", 1, 21, True),  # CalibrationIlluminant1: D65
        (274, "H", 1, orientation, True),
    ]
    stream = io.BytesIO()
    tifffile.imwrite(stream, sensor, photometric=32803, extratags=tags, metadata=None)
    return stream.getvalue()


@pytest.fixture
def raw_extra():
    return pytest.importorskip("rawpy", reason="the extra 'raw' is not installed")


@pytest.mark.usefixtures("raw_extra")
def test_a_raw_photo_is_linear_16_bit_and_on_the_sensors_scale(tmp_path):
    (tmp_path / "p.dng").write_bytes(dng_bytes())
    photo = load_photo(tmp_path / "p.dng")
    assert photo.encoding == "linear"
    assert photo.pixels.dtype == np.uint16
    assert photo.pixels.shape == (64, 96, 3)
    expected = (2000 + 100 * np.arange(96)) / WHITE
    green = photo.pixels[32, 8:-8, 1] / 65535
    assert green == pytest.approx(expected[8:-8], rel=0.01)  # 1 %: rounding of the white balance inside the decoder


@pytest.mark.usefixtures("raw_extra")
def test_a_raw_photo_is_turned_once(tmp_path):
    (tmp_path / "p.dng").write_bytes(dng_bytes(orientation=6))  # 6: turn a quarter clockwise; right goes down
    green = load_photo(tmp_path / "p.dng").pixels[..., 1].astype(int)
    assert green.shape == (96, 64)
    assert green[80, 32] > green[16, 32] * 2


@pytest.mark.usefixtures("raw_extra")
def test_a_damaged_raw_file_is_refused(tmp_path):
    (tmp_path / "p.dng").write_bytes(dng_bytes()[:200])
    with pytest.raises(PhotoError, match="cannot be opened"):
        load_photo(tmp_path / "p.dng")


def test_without_the_extra_the_sentence_names_it(tmp_path, monkeypatch):
    monkeypatch.setitem(__import__("sys").modules, "rawpy", None)
    (tmp_path / "p.dng").write_bytes(dng_bytes())
    with pytest.raises(PhotoError, match=r"pip install 'texscan\[raw\]'"):
        load_photo(tmp_path / "p.dng")
