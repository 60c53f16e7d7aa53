"""Sentences that a person meets when photos, scales, masks or folders do not serve, and that no other test meets.

Each is brought about by what is wrong itself; what is held is that the sentence names it, with the number found.
"""

import io
from types import SimpleNamespace

import numpy as np
import pytest
import tifffile

from texscan import files
from texscan.errors import LightError, PhotoError, ReliefError, SettingsError, StorageError
from texscan.mapping import _mask_on
from texscan.model import Budget, Grid, LinearPhoto, Photo, Term
from texscan.report import budget_lines
from texscan.scored_patch import patch_from
from texscan.views import _exposure_flags, stated_views

FOUND = SimpleNamespace(flat_field=np.zeros(6))  # white paper in full light is at 1, the sensor's white
DECK = np.ones((50, 40), bool)


def flat(level):
    return np.full(DECK.shape, level, np.float32)


@pytest.mark.parametrize(
    ("share", "expected"),
    [(0.0, []), (0.1, ["deck-clipped"])],  # limits: 2 % and 35 % of the deck
)
def test_little_clipping_is_flagged(share, expected):
    clipped = np.zeros(DECK.shape, bool)
    clipped[: round(50 * share)] = True
    assert _exposure_flags("a.jpg", flat(0.5), clipped, DECK, FOUND) == expected


@pytest.mark.parametrize(
    ("brightness", "clipped", "deck", "words"),
    [
        (flat(0.5), np.arange(50)[:, None] < 20 * np.ones((1, 40)), DECK, "40% of the deck in a.jpg is clipped"),
        (flat(0.001), ~DECK, DECK, r"too dark: 0\.10% of full scale"),
        (flat(0.5), ~DECK, ~DECK, "a.jpg shows no deck beside the card"),
        (flat(np.nan), ~DECK, DECK, "a.jpg shows no deck beside the card"),
    ],
    ids=["clipped", "dark", "no deck", "nothing measured"],
)
def test_photos_whose_deck_cannot_be_read_are_refused(brightness, clipped, deck, words):
    with pytest.raises(PhotoError, match=words):
        _exposure_flags("a.jpg", brightness, clipped, deck, FOUND)


def linear(rows, columns):
    return LinearPhoto("a.jpg", np.full((rows, columns), 0.5, np.float32), np.zeros((rows, columns), bool))


@pytest.mark.parametrize(
    ("sizes", "elevation", "mm_per_px", "error", "words"),
    [
        ([(60, 80)], 30, 3.0, SettingsError, "--mm-per-px is 3"),
        ([(60, 80), (80, 60)], 30, 0.1, PhotoError, "found 80 x 60, 60 x 80"),
        ([(60, 80)], 75, 0.1, LightError, "75 degrees above the panel"),
    ],
    ids=["scale", "sizes", "steep"],
)
def test_photos_without_a_card_need_one_place_a_scale_and_a_low_light(sizes, elevation, mm_per_px, error, words):
    with pytest.raises(error, match=words):
        stated_views(tuple(linear(*size) for size in sizes), ((90.0, elevation),) * len(sizes), mm_per_px)


def test_a_mask_over_neither_photo_nor_grid_is_refused_with_both_sizes():
    photo = Photo("a.jpg", "", np.zeros((60, 80, 3), np.uint8), "srgb")
    with pytest.raises(SettingsError, match=r"7 x 5 pixels; .* a\.jpg \(80 x 60\) .* \(30 x 20\)"):
        _mask_on(np.zeros((5, 7), bool), photo, None, Grid(0.0, 10.0, 0.5, 20, 30))
    with pytest.raises(PhotoError, match=r"a\.jpg, in which no card was found"):
        _mask_on(np.zeros((60, 80), bool), photo, None, Grid(0.0, 10.0, 0.5, 20, 30))


def test_a_height_map_whose_missing_value_is_no_number_is_refused(tmp_path):
    packed = io.BytesIO()
    tifffile.imwrite(packed, np.zeros((20, 20), np.float32), extratags=[(42113, 2, 0, "none", True)])
    (tmp_path / "heights.tif").write_bytes(packed.getvalue())
    with pytest.raises(ReliefError, match=r"names 'none.*' as its missing value; a number is needed"):
        files.load_heights(tmp_path / "heights.tif", 0.1)


def test_folders_made_for_a_result_that_cannot_be_are_taken_away_again(tmp_path):
    """A name of 300 letters is longer than common file systems take (255 bytes)."""
    with pytest.raises(StorageError):
        files.write_result(tmp_path / "new" / "deeper" / ("x" * 300), {"score.json": b"{}"})
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("lost", ["x0_mm", "rows"])
def test_a_result_without_a_whole_grid_says_so(lost):
    grid = {"x0_mm": 0.0, "y1_mm": 10.0, "step_mm": 0.5, "rows": 20, "columns": 30}
    height, condition = np.zeros((20, 30), np.float32), np.zeros((20, 30), np.uint8)
    patch_from("lane", {"grid": grid}, height_mm=height, condition=condition, picture=None)
    del grid[lost]
    with pytest.raises(SettingsError, match=f"lane/score.json has no whole grid .*{lost}"):
        patch_from("lane", {"grid": grid}, height_mm=height, condition=condition, picture=None)


def test_a_result_whose_maps_differ_in_size_says_which():
    grid = {"x0_mm": 0.0, "y1_mm": 10.0, "step_mm": 0.5, "rows": 20, "columns": 30}
    height, condition = np.zeros((20, 30), np.float32), np.zeros((20, 31), np.uint8)
    with pytest.raises(SettingsError, match=r"conditions\.tif has 20 x 31 points, score.json says 20 x 30"):
        patch_from("lane", {"grid": grid}, height_mm=height, condition=condition, picture=None)


def test_the_printed_budget_adds_up_in_quadrature():
    """Terms of 3 and 4 % are 5 % together (JCGM 100, 5.1.2), 36 and 64 % of the variance."""
    budget = Budget((Term("scale", 0.03), Term("light", 0.04)))
    words = [line.split() for line in budget_lines(SimpleNamespace(budget=budget))[1:]]
    assert [row[:3] for row in words] == [["scale", "3.00%", "36%"], ["light", "4.00%", "64%"], ["together", "5.00%"]]
