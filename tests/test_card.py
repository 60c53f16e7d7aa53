"""Reading card.json: each thing that can be wrong ends in one sentence, and a measured bar scales every length."""

import json
import math
from pathlib import Path

import numpy as np
import pytest

from texscan.card import read_card
from texscan.errors import CardError

CALIBRATION = Path(__file__).parents[1] / "calibration"


@pytest.fixture
def data(tmp_path):
    (tmp_path / "card.png").write_bytes((CALIBRATION / "card.png").read_bytes())
    return json.loads((CALIBRATION / "card.json").read_text(encoding="utf-8"))


def write(tmp_path, data):
    path = tmp_path / "card.json"
    path.write_text(json.dumps(data), encoding="utf-8")
    return path


def _set(data, keys, value):
    for key in keys[:-1]:
        data = data[key]
    data[keys[-1]] = value


WRONG = [  # where in card.json, the value put there, words of the sentence
    (("schema",), "other/1", "schema 'other/1'"),
    (("units",), "inch", "units 'inch'"),
    (("outline",), [[0, 0], [1, 0]], "at least 3 points"),
    (("outline",), [[0, 0], [0, 9], [9, 9], [9, 0]], "anticlockwise"),
    (("outline", 0), [0, 0, 0], "points of 2 finite numbers"),
    (("outline", 0), [0, math.nan], "NaN"),
    (("outline", 0), [0, math.inf], "Infinity"),
    (("outline", 0), [0, 10**400], "finite numbers"),
    (("outline", 0), [0, True], "found True"),
    (("outline", 0), [0, "7"], "found 7"),
    (("artwork",), [], "must be an object"),
    (("artwork", "file"), "none.png", "cannot be read"),
    (("artwork", "file"), "../card.png", "beside the card file"),
    (("artwork", "file"), "card.json", "not a picture"),
    (("artwork", "px_per_mm"), 0, "above zero"),
    (("artwork", "px_per_mm"), "12", "must be a number"),
    (("artwork", "top"), 10**400, "out of range"),
    (("markers",), [], "no markers"),
    (("markers", 0, "corners"), [[0, 0]] * 5, "4 corners, found 5"),
    (("markers", 0, "dictionary"), "DICT_9X9", "not known"),
    (("markers", 0, "id"), 50, "markers 0 to 49"),
    (("markers", 0, "id"), "0", "a whole number"),
    (("markers", 0, "id"), True, "a whole number"),
    (("markers", 1, "id"), 0, "twice"),
    (("uprights",), [], "no uprights"),
    (("uprights", 0, "vertices"), [[0, 0, 0], [1, 0, 0], [0, 1, 0]], "stand above the card"),
    (("uprights", 0, "faces"), [], "needs faces"),
    (("uprights", 0, "faces"), [[0, 1]], "at least 3 vertices"),
    (("uprights", 0, "faces"), [[0, 1, 6]], "not there"),
    (("uprights", 0, "faces"), [[0, 1, -1]], "not there"),
    (("patches", 0), 3, "lacks 'polygon'"),
    (("patches", 0, "reflectance"), -1, "above zero"),
    (("saddles",), 3, "points of 2 finite numbers"),
    (("holes",), {}, "lists of points"),
    (("paper_reflectance",), 1.5, "at most 1"),
    (("height_u_mm",), 0, "above zero"),
]


@pytest.mark.parametrize(("keys", "value", "words"), WRONG)
def test_a_wrong_value_is_named_in_one_sentence(tmp_path, data, keys, value, words):
    _set(data, keys, value)
    with pytest.raises(CardError, match=r"^card\.json|^The artwork") as caught:
        read_card(write(tmp_path, data))
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("key", ["outline", "artwork", "markers", "uprights", "patches"])
def test_a_missing_part_is_named(tmp_path, data, key):
    del data[key]
    with pytest.raises(CardError, match=f"lacks '{key}'"):
        read_card(write(tmp_path, data))


@pytest.mark.parametrize(
    ("text", "words"), [(b"", "not a card file"), (b"\xff\xfe{", "not a card file"), (b"[]", "schema 'list'")]
)
def test_a_file_that_is_no_card_is_refused(tmp_path, text, words):
    (tmp_path / "card.json").write_bytes(text)
    with pytest.raises(CardError, match=words):
        read_card(tmp_path / "card.json")


def test_a_card_file_that_is_not_there_is_refused(tmp_path):
    with pytest.raises(CardError, match=r"none\.json cannot be read"):
        read_card(tmp_path / "none.json")


def test_what_a_card_may_leave_out_gets_the_stated_values(tmp_path, data):
    for key in ("revision", "saddles", "paper_reflectance", "height_u_mm"):
        del data[key]
    card = read_card(write(tmp_path, data))
    assert card.saddles_mm.shape == (0, 2)
    assert (card.paper_reflectance, card.height_u_mm, card.revision) == (0.8, 0.2, "")  # the contract's own figures


def test_the_artwork_is_light_not_code():
    """IEC 61966-2-1: code 188 of 255 is 0.5029 of full light."""
    card = read_card(CALIBRATION / "card.json")
    patch = next(p for p in card.patches if p.name == "left 2")
    x, y = patch.polygon_mm.mean(axis=0)
    row = int((card.artwork_top_mm - y) * card.artwork_px_per_mm)
    column = int((x - card.artwork_left_mm) * card.artwork_px_per_mm)
    assert card.artwork[row, column] == pytest.approx(0.5029, abs=1e-4)
    assert patch.reflectance == pytest.approx(0.5029, abs=1e-4)


def test_a_print_2_percent_long_is_2_percent_long_everywhere_and_its_uprights_are_taller():
    card = read_card(CALIBRATION / "card.json")
    long = card.scaled(1.02)
    pairs = [
        (card.outline_mm, long.outline_mm),
        (card.markers[7].corners_mm, long.markers[7].corners_mm),
        (card.saddles_mm, long.saddles_mm),
        (card.uprights[2].vertices_mm, long.uprights[2].vertices_mm),
        (card.patches[3].polygon_mm, long.patches[3].polygon_mm),
    ]
    for nominal, printed in pairs:
        np.testing.assert_allclose(printed, nominal * 1.02, rtol=1e-12)
    size_mm = np.array(card.artwork.shape) / card.artwork_px_per_mm
    np.testing.assert_allclose(np.array(long.artwork.shape) / long.artwork_px_per_mm, size_mm * 1.02, rtol=1e-12)
    assert long.artwork_top_mm == pytest.approx(card.artwork_top_mm * 1.02)
