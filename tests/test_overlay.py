"""The scored image: its zones are where the map has them, and they are told apart without colour."""

import cv2
import numpy as np
import pytest

from texscan.model import FILLED, SOUND, WORN, Grid, Light, Measured, Recommendation, Zone, ZoneMap
from texscan.overlay import (
    HEADER,
    MARGIN,
    PAGE_WIDTH,
    PICTURE_BOX,
    RING,
    Caption,
    figure_text,
    scored_image,
    shaded_relief,
)
from texscan.typeset import Block, font, lines_of
from texscan.zone_drawing import draw_zones

STEP_MM = 0.5
GRID = Grid(-60.0, 60.0, STEP_MM, 240, 240)
ADVICE = Recommendation("recoat", ("Enough relief is left after the coats.",), ())


def zone_map(left=SOUND, right=WORN):
    """Left half one condition, right half the other, the upper 20 rows not measured."""
    condition = np.full(GRID.shape, left, dtype=np.uint8)
    condition[:, 120:] = right
    condition[:20] = 0
    names = {SOUND: "sound", WORN: "worn", FILLED: "filled"}
    zones = tuple(
        Zone(
            names[code],
            np.array([[x0, -59.75], [x0 + 60, -59.75], [x0 + 60, 50], [x0, 50.0]]),
            6600.0,
            Measured(0.4, 0.35, 0.45),
            None,
            None,
        )
        for code, x0 in ((left, -60), (right, 0))
    )
    shares = dict.fromkeys(("sound", "worn", "filled"), 0.0)
    shares[names[left]] += 0.5
    shares[names[right]] += 0.5
    return ZoneMap(condition, zones, shares, "patch", {})


def light(azimuth_deg):
    return Light(azimuth_deg, 25.0, 0.0, (0.0, 0.0), np.eye(3))


def page(lights=(), zones=None, **caption):
    words = {"panel": "Foredeck", "figures": {"relief_mm": None}, "recommendation": ADVICE} | caption
    photo = np.full((*GRID.shape, 3), 128, dtype=np.uint8)
    return scored_image(photo, zones or zone_map(), grid=GRID, lights=lights, caption=Caption(**words))


def picture_of(image):
    top, left = HEADER + RING, MARGIN + RING
    return image[top : top + PICTURE_BOX[0], left : left + PICTURE_BOX[0]]


def test_the_page_has_its_width_and_holds_the_whole_picture():
    image = page()
    assert image.dtype == np.uint8
    assert image.shape[1:] == (PAGE_WIDTH, 3)
    assert image.shape[0] > HEADER + RING + PICTURE_BOX[0]


def test_nothing_that_was_given_is_changed():
    zones = zone_map()
    before = zones.condition.copy()
    photo = np.full((*GRID.shape, 3), 128, dtype=np.uint8)
    scored_image(photo, zones, grid=GRID, lights=(light(0),), caption=Caption("a", {}, ADVICE))
    assert np.array_equal(zones.condition, before)
    assert (photo == 128).all()


@pytest.mark.parametrize("level", [20, 128, 235])
@pytest.mark.parametrize("code", [WORN, FILLED])
def test_a_hatched_zone_shows_in_greyscale_on_dark_and_light_decks(level, code):
    """Spread over the hatch at least 12 of 255 levels, where the bare deck of one grey has none."""
    photo = np.full((900, 900, 3), level, dtype=np.uint8)
    drawn = cv2.cvtColor(draw_zones(photo, zone_map(SOUND, code), GRID), cv2.COLOR_RGB2GRAY).astype(float)
    assert drawn[500:860, 60:200].std() < 1  # sound stays as photographed
    assert drawn[500:860, 700:840].std() > 12


def test_worn_and_filled_differ_in_pattern_not_only_in_colour():
    """Slanted lines and dots: the share of the zone that is drawn over differs by more than half."""
    photo = np.full((900, 900, 3), 128, dtype=np.uint8)
    covered = {}
    for code in (WORN, FILLED):
        drawn = draw_zones(photo, zone_map(SOUND, code), GRID)[500:860, 700:840]
        covered[code] = (drawn != 128).any(axis=2).mean()
    assert covered[FILLED] < 0.7 * covered[WORN]


def test_a_place_that_was_not_measured_is_paler():
    picture = picture_of(page()).astype(float)
    assert picture[20:70, 100:400].mean() > picture[300:400, 50:150].mean() + 40


def test_light_arrows_stand_on_the_side_the_light_comes_from():
    """Azimuth is anticlockwise from +x (right), y up: 90 is above the picture, 180 to its left."""
    bare = page().astype(int)
    top, left, size = HEADER + RING, MARGIN + RING, PICTURE_BOX[0]
    strips = {
        0: np.s_[top : top + size, left + size + 4 : left + size + RING],
        90: np.s_[top - RING + 4 : top - 4, left : left + size],
        180: np.s_[top : top + size, left - RING : left - 4],
        270: np.s_[top + size + 4 : top + size + RING - 8, left : left + size],
    }
    for azimuth_deg in strips:
        changed = np.abs(page(lights=(light(azimuth_deg),)).astype(int) - bare).sum(axis=2)
        drawn = {side: changed[strip].sum() for side, strip in strips.items()}
        assert max(drawn, key=drawn.get) == azimuth_deg
        assert sum(value > 0 for value in drawn.values()) == 1


def test_the_verdict_block_has_its_own_colour():
    import itertools

    blocks = []
    for action in ("recoat", "sand-flat-and-retexture", "inconclusive"):
        image = page(recommendation=Recommendation(action, ("Because.",), ()))
        blocks.append(image[HEADER + 4, PAGE_WIDTH - MARGIN - 40].astype(int))
    assert all(np.abs(a - b).max() > 30 for a, b in itertools.combinations(blocks, 2))


def test_long_words_flags_and_many_zones_stay_on_the_page():
    zones = zone_map()
    many = ZoneMap(zones.condition, zones.zones * 20, zones.shares, "patch", {})
    image = page(zones=many, panel="x" * 400, flags=("one-view",) * 20, note="n" * 500)
    paper = image[:, PAGE_WIDTH - MARGIN + 8 :]
    assert (paper == 255).all()


def test_a_shaded_bump_is_bright_on_its_upper_left_and_pale_where_nothing_was_measured():
    row, column = np.mgrid[:101, :101]
    height = (1.5 * np.exp(-((row - 50) ** 2 + (column - 50) ** 2) / 200)).astype(np.float32)
    height[:5] = np.nan
    picture = shaded_relief(height, 0.5)[..., 0].astype(int)
    assert picture[42, 42] > picture[90, 90] + 20 > picture[58, 58] + 40
    assert (picture[:5] == 255).all()


def test_the_picture_shows_the_measured_part_and_its_scale_bar_stays_true():
    """Only 40 x 40 mm measured: the page shows them 18 mm wider on each side, 76 mm over the picture's width."""
    condition = np.zeros(GRID.shape, dtype=np.uint8)
    condition[80:160, 80:160] = SOUND
    photo = np.full((*GRID.shape, 3), 128, dtype=np.uint8)
    photo[119:121] = 0  # a line 1 mm thick through the middle
    zones = ZoneMap(condition, (), {"sound": 1.0}, "patch", {})
    image = scored_image(photo, zones, grid=GRID, lights=(), caption=Caption("a", {}, ADVICE))
    middle = HEADER + RING + PICTURE_BOX[0] // 2
    column = image[middle - 60 : middle + 60, MARGIN + RING + 700].astype(int).sum(axis=1)
    assert np.count_nonzero(column < 3 * 64) == pytest.approx(PICTURE_BOX[0] / 76, abs=2)
    bar = (
        image[HEADER + RING + PICTURE_BOX[0] + RING + 7, MARGIN + RING : MARGIN + RING + 340].astype(int).sum(axis=1)
    )
    dark = np.flatnonzero(bar < 3 * 100)
    assert dark[-1] == pytest.approx(20 * PICTURE_BOX[0] / 76, abs=3)  # 20 mm is the longest bar within 30 % of 76


def test_shapes_that_do_not_fit_are_a_programming_error():
    with pytest.raises(ValueError, match="differ"):
        scored_image(
            np.zeros((3, 3, 3), np.uint8), zone_map(), grid=GRID, lights=(), caption=Caption("a", {}, ADVICE)
        )


@pytest.mark.parametrize(
    ("measured", "unit", "text"),
    [
        (Measured(0.4312, 0.391, 0.4688), "mm", "0.43 mm (0.39 to 0.47)"),
        (Measured(0.1234, 0.1211, 0.1302), "mm", "0.123 mm (0.121 to 0.130)"),
        (Measured(0.183, 0.141, 0.224), "%", "18 % (14 to 22)"),
        (None, "mm", "not measured"),
    ],
)
def test_figures_show_the_digits_that_their_interval_supports(measured, unit, text):
    assert figure_text(measured, unit) == text


def test_lines_fit_their_width_and_lose_no_word():
    block = Block("Peaks are gone on 31 % of the patch and " + "w" * 90 + " more words follow here", 21)
    lines = lines_of(block, 300)
    assert all(font(21, False).getlength(line) <= 300 for line in lines)
    assert "".join(lines).replace(" ", "") == block.text.replace(" ", "")
    assert not any(line.endswith("31") for line in lines)  # the number keeps its unit
