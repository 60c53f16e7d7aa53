"""The plates: lines at the right places, words inside their room, heights told apart in grey."""

import cv2
import numpy as np
import pytest
from skimage.color import rgb2lab

from texscan import chart, mould, plates, zones
from texscan.chart import Frame
from texscan.model import FILLED, SOUND, WORN, Budget, Filters, Grid, Measured, Pattern, Zone, ZoneMap
from texscan.overlay import PAGE_WIDTH
from texscan.typeset import INK, PAPER, font

STEP_MM = 0.25
SHAPE = (240, 480)  # 60 x 120 mm
GRID = Grid(10.0, 90.0, STEP_MM, *SHAPE)
PITCH_MM = 3.0
CONDITION = np.repeat([SOUND, WORN, FILLED], 160)[None].repeat(SHAPE[0], axis=0).astype(np.uint8)
FIGURES = {key: Measured(0.4, 0.35, 0.45) for key in plates.FIGURE_KEYS}
WORDS = plates.Words("Foredeck", "4 photos", FIGURES, Filters())


def deck():
    y, x = (np.arange(size) * STEP_MM + 0.07 for size in SHAPE)
    u, v = np.abs(x % PITCH_MM - PITCH_MM / 2), np.abs(y % PITCH_MM - PITCH_MM / 2)
    z = np.clip((1.0 - np.maximum(v[:, None], u[None])) / 0.5, 0, 1) * 0.5
    z[:, 160:320] = np.minimum(z[:, 160:320], 0.3)
    z[:, 320:] = np.maximum(z[:, 320:], 0.15)
    return z + 0.005 * np.random.default_rng(1).normal(size=SHAPE)


def zone_map(condition=CONDITION):
    names = {SOUND: "sound", WORN: "worn", FILLED: "filled"}
    made = []
    for code, x0 in ((SOUND, 10.0), (WORN, 50.0), (FILLED, 90.0)):
        polygon = np.array([[x0, 30.5], [x0 + 39, 30.5], [x0 + 39, 89.5], [x0, 89.5]])
        made.append(Zone(names[code], polygon, 2400.0, *FIGURES.values()))
    return ZoneMap(condition, tuple(made), {"sound": 1 / 3, "worn": 1 / 3, "filled": 1 / 3}, "patch", {})


def found_mould(z, condition=CONDITION):
    lattice = Pattern("repeating", vectors_mm=np.eye(2) * PITCH_MM)
    return mould.compare(z, GRID, pattern=lattice, condition=condition, budget=Budget())


def composed(z, condition=CONDITION, words=WORDS, *, repeating=True):
    cells = found_mould(z, condition) if repeating else None
    return plates.composed(z, GRID, zone_map=zone_map(condition), mould=cells, words=words)


def long_words():
    wide = {key: Measured(123.456, 99.123, 223.456) for key in plates.FIGURE_KEYS}
    return plates.Words("Foredeck, port side, forward of the windlass " * 4, "note " * 80, wide, Filters())


def holed():
    z = deck()
    z[:40] = np.nan
    z[60:90, 100:400] = np.nan
    return z


def check_words(page, labels):
    """Every word stands on the page and none on another."""
    boxes = []
    for label in (each for each in labels if each.text):
        left, top, right, bottom = font(label.size, label.bold).getbbox(label.text)
        box = label.x + left, label.y + top, label.x + right, label.y + bottom
        assert min(box) >= 0 and box[2] <= PAGE_WIDTH and box[3] <= page.shape[0], label.text
        boxes.append((box, label.text))
    for number, (a, text) in enumerate(boxes):
        for b, other in boxes[:number]:
            apart = a[2] <= b[0] or b[2] <= a[0] or a[3] <= b[1] or b[3] <= a[1]
            assert apart, f"{text!r} on {other!r}"


@pytest.mark.parametrize("repeating", [True, False])
@pytest.mark.parametrize("words", [WORDS, long_words()], ids=["usual", "long"])
@pytest.mark.parametrize("make", [deck, holed])
def test_no_word_leaves_the_page_or_stands_on_another(make, words, repeating):
    z = make()
    page, labels = composed(z, np.where(np.isnan(z), 0, CONDITION).astype(np.uint8), words, repeating=repeating)
    assert page.shape[1:] == (PAGE_WIDTH, 3) and page.dtype == np.uint8
    check_words(page, labels)


def test_a_deck_that_does_not_repeat_says_so_and_has_a_shorter_page():
    with_cells, without = composed(deck())[0], composed(deck(), repeating=False)
    assert without[0].shape[0] < with_cells.shape[0]
    assert any("does not repeat" in label.text for label in without[1])


def test_nothing_that_was_given_is_changed():
    z, condition = holed(), np.where(np.isnan(holed()), 0, CONDITION).astype(np.uint8)
    before = z.copy(), condition.copy()
    plates.plates(z, GRID, zone_map=zone_map(condition), mould=None, words=WORDS)
    assert np.array_equal(z, before[0], equal_nan=True) and np.array_equal(condition, before[1])


def is_ink(page):
    return (page == INK).all(axis=2)


# A deck of two levels, 30 % at 0 and 70 % at -0.4 mm: top plane 0, 98 % level -0.4, contact 30 %, void 0.28 mm
def two_levels():
    return plates.Heights("whole patch", np.repeat([0.0, -0.4], [3000, 7000]))


def test_planes_contact_and_void_are_drawn_at_their_rows_and_columns():
    frame = Frame(100, 50, 400, 300, (0.0, 1.0), (-0.5, 0.1))
    page = np.full((420, 640, 3), PAPER, np.uint8)
    labels = plates.curve_plate(page, frame, two_levels(), 0.1)
    ink = is_ink(page)
    # 500 px a millimetre: 0.1 mm at row 50, 0 at 100, -0.1 mm at 150, -0.4 mm at 300
    assert ink[100, 330:490].mean() > 0.95  # top plane, right of the curve's fall
    assert ink[300, 330:490].mean() > 0.95  # 98 % level and the curve's lower part
    assert 0.4 < ink[150, 102:218].mean() < 0.9  # contact depth: dashed, from the axis ...
    assert not ink[150, 226:495].any()  # ... to the contact share, 30 % of 400 px
    assert 0.3 < ink[305:345, 220].mean() < 0.95  # down to the axis, dashed
    tint = (page == plates.VOID_TINT).all(axis=2)
    # void between top plane and curve: 70 % of 400 px by 200 px, less lines and words
    assert tint.sum() == pytest.approx(0.7 * 400 * 200, rel=0.05)
    assert not tint[:99].any() and not tint[302:].any() and not tint[:, :219].any()
    texts = {label.text for label in labels}
    assert {"void 0.28 mm", "relief 0.40 mm", "contact 30 %"} <= texts


def test_a_curve_passes_through_its_points_and_breaks_at_holes():
    frame = Frame(0, 0, 200, 100, (0.0, 2.0), (0.0, 1.0))
    page = np.full((101, 201, 3), PAPER, np.uint8)
    x = np.linspace(0, 2, 201)
    y = np.where((x > 0.8) & (x < 1.2), np.nan, 0.25)
    chart.curve(page, frame, x, y)
    ink = is_ink(page)
    assert ink[75, 5:75].all() and ink[75, 125:195].all()
    assert not ink[:, 84:116].any()
    assert not ink[:70].any() and not ink[80:].any()


@pytest.mark.parametrize(
    ("low", "high", "most", "expected"),
    [
        (0, 1, 6, [0, 0.2, 0.4, 0.6, 0.8, 1]),
        (-0.65, 0.04, 5, [-0.6, -0.4, -0.2, 0]),
        (38, 158, 7, [40, 60, 80, 100, 120, 140]),
    ],
)
def test_ticks_are_round_and_inside(low, high, most, expected):
    assert chart.ticks(low, high, most=most) == pytest.approx(expected)


# Lightness after CIE 1976 by scikit-image; red-green blindness keeps lightness, so an even L* serves every reader.
def test_heights_rise_evenly_in_lightness():
    ramp = chart.height_colours(np.linspace(0, 1, 101)[None], 0.0, 1.0)
    lightness = rgb2lab(ramp)[0, :, 0]
    steps = np.diff(lightness)
    assert lightness[-1] - lightness[0] > 70
    assert steps.min() > 0
    assert lightness == pytest.approx(np.linspace(lightness[0], lightness[-1], 101), abs=2.5)
    assert (chart.height_colours(np.array([[np.nan]]), 0.0, 1.0)[0, 0] == chart.NOT_MEASURED).all()


def test_heights_of_the_plates_are_those_of_the_zones():
    z = deck()
    found = zones.find(
        z,
        z,
        GRID,
        filters=Filters(),
        budget=Budget(),
        pattern=Pattern("repeating"),
        limits=zones.ZoneLimits(),
    )
    drawn = {each.name: each for each in plates.largest_zones(z, found.condition, STEP_MM)}
    assert len(found.zones) > 1
    for zone in found.zones:
        each = drawn[zone.condition]
        assert each.top_mm - each.floor_mm == pytest.approx(zone.relief_mm.value, abs=0.002)
        void = np.maximum(each.top_mm - each.falling_mm, 0).mean()
        assert void == pytest.approx(zone.void_depth_mm.value, abs=0.002)


def test_the_profile_crosses_every_condition_and_the_pattern():
    z, condition = deck(), CONDITION.copy()
    condition[:120, 320:] = SOUND  # filled only in the lower half
    row = plates.profile_row(z, condition, STEP_MM)
    assert row >= 120
    assert z[row].max() > 0.45  # a row of peaks, not a groove
    holes = condition.copy()
    holes[120:, ::2] = 0  # the lower half measured at half its pixels
    holes[200] = condition[200]
    assert plates.profile_row(z, holes, STEP_MM) == 200


@pytest.mark.parametrize("shape", [(240, 480), (30, 480), (480, 30), (12, 12)])
def test_flat_and_narrow_maps_are_drawn(shape):
    grid, condition = Grid(0.0, 10.0, STEP_MM, *shape), np.full(shape, SOUND, np.uint8)
    flat = ZoneMap(condition, (), {"sound": 1.0}, "limits", {})
    page, labels = plates.composed(np.zeros(shape), grid, zone_map=flat, mould=None, words=WORDS)
    check_words(page, labels)
    assert {"relief 0.00 mm", "void 0.00 mm", "contact 100 %"} <= {label.text for label in labels}


def test_the_largest_zone_of_each_condition_is_drawn_and_specks_are_not():
    z = deck()
    assert [each.name for each in plates.largest_zones(z, CONDITION, STEP_MM)] == ["sound", "worn", "filled"]
    condition = np.where(CONDITION == FILLED, SOUND, CONDITION).astype(np.uint8)
    condition[:4, :4] = FILLED
    assert [each.name for each in plates.largest_zones(z, condition, STEP_MM)] == ["sound", "worn"]


def test_gaps_of_a_cell_take_the_nearest_height_across_its_edges():
    cell = np.array([[1.0, np.nan, 3.0, np.nan], [np.nan] * 4, [7.0, 8.0, 9.0, 10.0]], np.float32)
    whole = plates.cell_plates.without_gaps(cell)
    assert np.isfinite(whole).all()
    assert whole[2].tolist() == [7.0, 8.0, 9.0, 10.0] and whole[0, 0] == 1.0 and whole[0, 2] == 3.0
    assert whole[0, 3] in (1.0, 3.0, 10.0)  # the first column and the last row are its neighbours as well


def test_cells_on_the_page_are_as_dark_as_they_are_deep():
    z = deck()
    page, _ = composed(z)
    tall = page.shape[0] - plates.FOOTER - plates.cell_plates.height_of(found_mould(z))
    grey = cv2.cvtColor(page, cv2.COLOR_RGB2GRAY)
    side, gap = plates.cell_plates.MAP_PX, 150
    top = tall + plates.cell_plates.PLATE_TOP
    spans = []
    for number in range(3):
        left = plates.MARGIN + number * (side + gap)
        part = grey[top + 5 : top + side - 5, left + 5 : left + side - 5]
        spans.append(np.quantile(part, [0.05, 0.98]))
    (sound, worn, filled) = spans
    assert worn[1] < sound[1] - 30 and abs(worn[0] - sound[0]) < 10  # lower tops, the same floor
    assert filled[0] > sound[0] + 20 and abs(filled[1] - sound[1]) < 10  # the same tops, a raised floor
