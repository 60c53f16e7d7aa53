"""
Cells of the patch as a table, and the mould's cell against worn and filled ones, on decks of plain geometry.

Square frusta, tops cut to a plane and floors raised to one: every depth is known by construction.
"""

import csv
import io

import numpy as np
import pytest

from texscan import cell_table, filters, mould, pattern, texture
from texscan.model import FILLED, FLAGS, SOUND, WORN, Budget, Filters, Grid, Pattern, Term

STEP_MM = 0.1
PITCH_MM, TOP_MM, BASE_MM, HEIGHT_MM = 3.0, 1.0, 2.0, 0.5
SHAPE = (360, 900)  # 36 x 90 mm: three zones of 30 mm
GRID = Grid(20.0, 100.0, STEP_MM, *SHAPE)
VECTORS = np.array([[PITCH_MM, 0.0], [0.0, PITCH_MM]])
REPEATING = Pattern("repeating", vectors_mm=VECTORS)
LOST_MM, GAINED_MM = 0.2, 0.15
CONDITION = np.repeat([SOUND, WORN, FILLED], SHAPE[1] // 3)[None].repeat(SHAPE[0], axis=0).astype(np.uint8)


def frusta(shape=SHAPE, step=STEP_MM, height=HEIGHT_MM):
    """Frusta on a floor at 0."""
    y, x = (np.arange(size) * step + 0.037 for size in shape)
    u, v = np.abs(x % PITCH_MM - PITCH_MM / 2), np.abs(y % PITCH_MM - PITCH_MM / 2)
    across = np.maximum(v[:, None], u[None])
    return np.clip((BASE_MM / 2 - across) / ((BASE_MM - TOP_MM) / 2), 0, 1) * height


def changed(lost=LOST_MM, gained=GAINED_MM, noise_mm=0.02, levels=(0.0, 0.07, -0.05)):
    """Left third as made, middle with its peaks cut, right with its floor raised; each zone on a level of its own."""
    z = frusta()
    third = SHAPE[1] // 3
    z[:, third : 2 * third] = np.minimum(z[:, third : 2 * third], HEIGHT_MM - lost)
    z[:, 2 * third :] = np.maximum(z[:, 2 * third :], gained)
    z += np.repeat(levels, third)[None]
    return z + noise_mm * np.random.default_rng(4).normal(size=SHAPE)


def compared(z, condition=CONDITION, budget=None, found=REPEATING):
    return mould.compare(z, GRID, pattern=found, condition=condition, budget=budget or Budget())


# within 0.02 mm: a sixth of the noise that each pixel has is left in a cell, the rest is room for the clip's corners
def test_peaks_cut_by_0_2_mm_and_floors_raised_by_0_15_mm_are_told_apart():
    found = compared(changed())
    assert found.top_mm == pytest.approx(HEIGHT_MM, abs=0.02)
    worn, filled = found.changed
    assert (worn.condition, filled.condition) == ("worn", "filled")
    assert worn.lost_at_top_mm.value == pytest.approx(LOST_MM, abs=0.02)
    assert worn.gained_at_floor_mm.value == pytest.approx(0.0, abs=0.02)
    assert filled.lost_at_top_mm.value == pytest.approx(0.0, abs=0.02)
    assert filled.gained_at_floor_mm.value == pytest.approx(GAINED_MM, abs=0.02)


def test_both_in_one_zone_are_told_apart():
    z = frusta()
    third = SHAPE[1] // 3
    z[:, third:] = np.clip(z[:, third:], GAINED_MM, HEIGHT_MM - LOST_MM) - 0.11
    z += 0.02 * np.random.default_rng(5).normal(size=SHAPE)
    (cell,) = compared(z, np.where(CONDITION == FILLED, WORN, CONDITION)).changed
    assert cell.lost_at_top_mm.value == pytest.approx(LOST_MM, abs=0.02)
    assert cell.gained_at_floor_mm.value == pytest.approx(GAINED_MM, abs=0.02)


def test_the_same_through_the_filters_and_the_pattern_that_is_found():
    z = filters.filtered(changed(), STEP_MM, Filters())
    worn, filled = compared(z, found=pattern.find(z, STEP_MM)).changed
    assert worn.lost_at_top_mm.value == pytest.approx(LOST_MM, abs=0.02)
    assert filled.gained_at_floor_mm.value == pytest.approx(GAINED_MM, abs=0.02)


def test_the_level_of_a_zone_changes_nothing():
    first = compared(changed(noise_mm=0.0, levels=(0.0, 0.0, 0.0))).changed
    second = compared(changed(noise_mm=0.0, levels=(0.3, -0.2, 0.1))).changed
    for a, b in zip(first, second, strict=True):
        assert a.lost_at_top_mm.value == pytest.approx(b.lost_at_top_mm.value, abs=1e-6)
        assert a.gained_at_floor_mm.value == pytest.approx(b.gained_at_floor_mm.value, abs=1e-6)


def test_a_zone_as_made_lost_and_gained_nothing():
    for cell in compared(changed(lost=0.0, gained=0.0)).changed:
        assert cell.lost_at_top_mm.value < 0.01 and cell.gained_at_floor_mm.value < 0.01
        assert cell.lost_at_top_mm.low == 0.0


def test_all_heights_twice_as_large_double_both_depths():
    one, two = compared(changed()), compared(2 * changed())
    for a, b in zip(one.changed, two.changed, strict=True):
        assert b.lost_at_top_mm.value == pytest.approx(2 * a.lost_at_top_mm.value, abs=1e-6)
        assert b.gained_at_floor_mm.value == pytest.approx(2 * a.gained_at_floor_mm.value, abs=1e-6)


def test_the_interval_holds_the_truth_and_grows_with_the_gain():
    narrow = compared(changed()).changed[0].lost_at_top_mm
    wide = compared(changed(), budget=Budget((Term("gain", 0.1),))).changed[0].lost_at_top_mm
    assert narrow.low <= LOST_MM <= narrow.high
    assert wide.high - wide.value == pytest.approx(
        np.hypot(narrow.high - narrow.value, 1.96 * 0.1 * LOST_MM), rel=0.05
    )


def test_next_to_no_relief_left_is_said():
    worn = compared(changed(lost=0.47, gained=0.0)).changed[0]
    assert worn.lost_at_top_mm is None and worn.gained_at_floor_mm is None
    assert worn.flags == ("cell-split-unsure",)
    assert set(worn.flags) <= set(FLAGS)


def test_no_mould_without_a_sound_zone_or_a_lattice():
    z = changed()
    assert compared(z, np.where(CONDITION == SOUND, WORN, CONDITION)) is None
    assert compared(z, found=Pattern("random")) is None
    assert compared(z, found=Pattern("repeating")) is None  # ridges: one vector
    assert [c.condition for c in compared(z, np.where(CONDITION == WORN, SOUND, CONDITION)).changed] == ["filled"]


def test_holes_and_the_map_itself_stay():
    z = changed()
    z[100:200, 350:500] = np.nan
    before = z.copy()
    condition = np.where(np.isnan(z), 0, CONDITION).astype(np.uint8)
    worn = compared(z, condition).changed[0]
    assert worn.lost_at_top_mm.value == pytest.approx(LOST_MM, abs=0.02)
    assert np.array_equal(z, before, equal_nan=True)


# cells.csv


FINE = Grid(-5.0, 40.0, 0.05, 480, 720)  # 24 x 36 mm: six cells of 12 mm, each of 16 whole pitches


def table_of(z, condition, cell_mm=12.0):
    used = Filters(contact_depth_mm=1e-6)
    cells = texture.cells(z, FINE, filters=used, budget=Budget(), cell_mm=cell_mm)
    text = cell_table.cell_table(cells, condition, FINE, cell_mm=cell_mm)
    return text, list(csv.DictReader(io.StringIO(text)))


# Frusta by the same closed forms as in test_texture.py: plateau (t / P)^2 = 1/9; void = h less the frustum's volume
# h (t^2 + t b + b^2) / 3 over P^2 = 0.370370; Sq from the moments of z: of the flank, whose square of width w is
# h (b - w) / (b - t) high, 1 / P^2 times the integral of 2 w dw. Pixels of 0.05 mm at the edges of a top of 1 mm
# leave 5 % of its area open, hence that tolerance.
def test_cells_of_frusta_have_the_closed_form_figures():
    z = frusta(FINE.shape, FINE.step_mm)
    _, rows = table_of(z, np.full(z.shape, SOUND, np.uint8))
    t, b, p, h = TOP_MM, BASE_MM, PITCH_MM, HEIGHT_MM
    w = t + (b - t) * (np.arange(10_000) + 0.5) / 10_000
    flank = h * (b - w) / (b - t)
    mean = (t**2 * h + (b - t) * (flank * 2 * w).mean()) / p**2
    square = (t**2 * h**2 + (b - t) * (flank**2 * 2 * w).mean()) / p**2
    assert len(rows) == 6
    for row in rows:
        assert row["condition"] == "sound" and float(row["measured_share"]) == 1.0
        assert float(row["relief_mm"]) == pytest.approx(h, rel=0.01)
        assert float(row["void_depth_mm"]) == pytest.approx(0.370370, rel=0.01)
        assert float(row["contact_area_fraction"]) == pytest.approx(1 / 9, rel=0.06)
        assert float(row["Sq_mm"]) == pytest.approx(np.sqrt(square - mean**2), rel=0.01)


def test_the_table_has_its_columns_places_and_conditions():
    z = frusta(FINE.shape, FINE.step_mm)
    z[:240, :240] = np.nan
    condition = np.full(z.shape, SOUND, np.uint8)
    condition[:, 480:] = WORN
    condition[240:, :150] = FILLED  # most of the second cell of the first column
    condition[np.isnan(z)] = 0
    text, rows = table_of(z, condition)
    assert text.splitlines()[0] == (
        "x_mm,y_mm,measured_share,condition,relief_mm,relief_mm_low,relief_mm_high,void_depth_mm,void_depth_mm_low,"
        "void_depth_mm_high,contact_area_fraction,contact_area_fraction_low,contact_area_fraction_high,"
        "Sq_mm,Sq_mm_low,Sq_mm_high"
    )
    # centres: x0 + (12 mm - step) / 2 + 12 mm k, y1 - the same
    places = {(r["x_mm"], r["y_mm"]): r["condition"] for r in rows}
    assert places == {
        ("12.975", "34.025"): "sound",
        ("24.975", "34.025"): "worn",
        ("0.975", "22.025"): "filled",
        ("12.975", "22.025"): "sound",
        ("24.975", "22.025"): "worn",
    }  # nothing is measured of the first
    for row in rows:
        for key in cell_table.KEYS:
            assert float(row[f"{key}_low"]) <= float(row[key]) <= float(row[f"{key}_high"])
