"""Two results compared: registration, changes with their intervals, promises, files, and the command."""

import csv
import json
import math
import re
import shutil

import numpy as np
import pytest
from scipy import ndimage
from skimage.registration import phase_cross_correlation
from typer.testing import CliRunner

from texscan import files, filters, pattern, texture
from texscan.cli import app
from texscan.compare import change, ground, promise, registration
from texscan.compare.change import LESS, MORE, NONE, Gains, Reading
from texscan.compare.correlation import common_shape, correlation, peak, spectrum
from texscan.compare.picture import change_picture, signed
from texscan.compare.registration import Map, Registration, Unregistered
from texscan.errors import SettingsError
from texscan.model import Budget, Filters, Grid, Measured, Pattern, Term
from texscan.survey.outcome import PatchOutcome, panel_outcome

USED = Filters()
STEP = 0.3
FIGURES = ("Sq_mm", "relief_mm", "void_depth_mm", "contact_area_fraction")
EXACT = Gains(0.0, 0.0)


# Invented decks: a large piece of texture, of which each result sees a part under its own frame


def grit(rng, side_mm=130.0, *, grain_mm=0.6):
    """Random texture with flat ground between its grains [mm]."""
    size = round(side_mm / STEP)
    z = ndimage.gaussian_filter(rng.normal(size=(size, size)), grain_mm / STEP)
    return np.maximum(0.12 * z / z.std(), -0.1)


def studs(rng=None, side_mm=130.0, *, pitch_mm=3.0):
    """Moulded texture; with `rng` each stud stands a little higher or lower."""
    y, x = np.mgrid[: round(side_mm / STEP), : round(side_mm / STEP)] * STEP
    z = 0.2 * np.clip(2 * np.sin(2 * np.pi * x / pitch_mm) * np.sin(2 * np.pi * y / pitch_mm), -1, 1)
    if rng is None:
        return z
    faults = ndimage.gaussian_filter(rng.normal(size=z.shape), 1.2 / STEP)
    return z * (1 + 0.15 * faults / faults.std())


def seen(deck, centre_mm, turn_deg=0.0, *, size_mm=(70.0, 60.0), stretch=1.0):
    """
    Heights (rows, columns) in the frame of a card that lies turned on the deck, and that frame's matrix to the deck
    (2, 3); `stretch` = lengths of the deck over those that the card's print makes of them.
    """
    columns, rows = (round(length / STEP) for length in size_mm)
    angle = math.radians(turn_deg)
    a = stretch * np.array([[math.cos(angle), -math.sin(angle)], [math.sin(angle), math.cos(angle)]])
    b = np.array(centre_mm) - a @ (np.array([columns - 1, rows - 1]) * STEP / 2)
    x, y = np.meshgrid(np.arange(columns) * STEP, (rows - 1 - np.arange(rows)) * STEP)
    on_x, on_y = a[0, 0] * x + a[0, 1] * y + b[0], a[1, 0] * x + a[1, 1] * y + b[1]
    z = ndimage.map_coordinates(deck, [deck.shape[0] - 1 - on_y / STEP, on_x / STEP], order=3)
    return z.astype(np.float32), np.column_stack([a, b])


def measured_map(z, rng=None, *, noise_mm=0.01, kind=None):
    """As a result holds it: noise of a measurement, filters, pattern (told from the map unless said)."""
    if rng is not None:
        noise = ndimage.gaussian_filter(rng.normal(size=z.shape), 0.3 / STEP)
        z = z + noise_mm * noise / noise.std()
    z = filters.filtered(z.astype(np.float32), STEP, USED)
    grid = Grid(0.0, STEP * (z.shape[0] - 1), STEP, *z.shape)
    return Map(z, grid, pattern.find(z, STEP) if kind is None else Pattern(kind))


def places_apart(found, before_frame, after_frame, size_mm=(70.0, 60.0)):
    """Greatest distance over the patch between where a registration puts a point and where it is [mm]."""
    corners = np.array([[0, 0, 1], [size_mm[0], 0, 1], [0, size_mm[1], 1], [*size_mm, 1]]).T
    truth = np.linalg.inv(np.vstack([before_frame, [0, 0, 1]])) @ np.vstack([after_frame, [0, 0, 1]])
    return float(np.hypot(*((found.to_before - truth[:2]) @ corners)).max())


# Correlation with holes


def holed(rng, shape):
    z = rng.normal(size=shape).astype(np.float32)
    z[rng.random(shape) < 0.2] = np.nan
    return z


def test_correlation_of_maps_with_holes_is_pearsons_of_what_both_have():
    rng = np.random.default_rng(1)
    one, other = holed(rng, (24, 30)), holed(rng, (20, 26))
    shape = common_shape(one.shape, other.shape)
    r, _ = correlation(spectrum(one, shape), spectrum(other, shape))
    for down, right in [(0, 0), (3, 2), (-4, 5), (2, -6)]:
        wide = np.full((60, 70), np.nan)
        wide[20 + down : 40 + down, 20 + right : 46 + right] = other
        pair = wide[20:44, 20:50]
        both = np.isfinite(one) & np.isfinite(pair)
        # numpy.corrcoef is the definition; single precision of the transforms
        assert r[down, right] == pytest.approx(np.corrcoef(one[both], pair[both])[0, 1], abs=2e-4)


def test_the_best_shift_is_the_one_that_scikit_image_finds():
    rng = np.random.default_rng(2)
    whole = ndimage.gaussian_filter(rng.normal(size=(90, 90)), 1.5).astype(np.float32)
    one, other = whole[10:70, 12:72].copy(), whole[17:77, 8:68].copy()
    one[5:15, 20:40] = np.nan
    other[30:50, 10:18] = np.nan
    shape = common_shape(one.shape, other.shape)
    found = peak(*correlation(spectrum(one, shape), spectrum(other, shape)), 4)
    theirs, _, _ = phase_cross_correlation(
        np.nan_to_num(one), np.nan_to_num(other), reference_mask=np.isfinite(one), moving_mask=np.isfinite(other)
    )
    assert found.shift == tuple(int(n) for n in theirs) == (7, -4)
    assert found.raw > 0.99 > 2 * found.second


# Registration


@pytest.mark.parametrize(("turn_deg", "stretch"), [(3.3, 1.0), (-8.1, 1.0), (184.0, 1.0), (1.0, 1.02)])
def test_a_random_texture_is_found_again_however_the_card_lies(turn_deg, stretch):
    rng = np.random.default_rng(3)
    deck = grit(rng)
    before, frame = seen(deck, (62, 60))
    after, later = seen(deck, (68, 63), turn_deg, stretch=stretch)
    found = registration.register(measured_map(before, rng), measured_map(after, rng))
    assert isinstance(found, Registration)
    # a tenth of the texture's finest part, which the filter sets to 0.25 mm, at the corners twice that
    assert places_apart(found, frame, later) < 0.05
    assert found.scale == pytest.approx(stretch, abs=0.0005)
    assert (found.turn_deg - turn_deg + 180) % 360 - 180 == pytest.approx(0, abs=0.05)


def test_a_repeating_texture_is_found_by_its_faults_and_not_without_them():
    rng = np.random.default_rng(4)
    for deck, known in [(studs(rng), True), (studs(), False)]:
        before, frame = seen(deck, (62, 60))
        after, later = seen(deck, (70, 63), 1.2)
        maps = measured_map(before, rng), measured_map(after, rng)
        assert {one.pattern.kind for one in maps} == {"repeating"}
        found = registration.register(*maps)
        if known:
            assert places_apart(found, frame, later) < 0.05
        else:
            assert isinstance(found, Unregistered)
            assert "repeats" in found.reason


def test_a_worn_lane_tells_the_place_across_but_not_along_and_that_is_no_place():
    rng = np.random.default_rng(5)
    deck = studs()
    x = np.arange(deck.shape[1]) * STEP
    deck = np.where(np.abs(x - 65) < 14, np.minimum(deck, 0.05), deck)
    maps = [measured_map(seen(deck, centre)[0], rng) for centre in ((62, 60), (68, 66))]
    assert isinstance(registration.register(*maps), Unregistered)


@pytest.mark.parametrize("seed", range(2))
def test_another_place_of_the_same_deck_is_not_taken_for_the_first(seed):
    rng = np.random.default_rng(seed)
    deck = grit(rng)
    maps = [measured_map(seen(deck, c, size_mm=(55, 45))[0], rng) for c in ((33, 30), (95, 100))]
    assert isinstance(registration.register(*maps), Unregistered)


def test_a_mould_that_fits_best_where_the_card_lay_is_not_believed():
    """The same card and lamp would put the same artefacts there."""
    rng = np.random.default_rng(9)
    z, _ = seen(studs(rng), (62, 60))
    found = registration.register(measured_map(z, rng), measured_map(z, rng))
    assert isinstance(found, Unregistered)
    assert "--same-place" in found.reason


def test_smooth_land_cannot_be_registered():
    flat = measured_map(np.zeros((200, 200), np.float32))
    assert "no texture" in registration.register(flat, flat).reason


# Changes and their intervals


def test_the_interval_of_a_change_by_hand():
    # 0.30 and 0.24 mm; scatter 0.004 of the difference; 3 % and 4 % apart, 2 % in common. JCGM 100, 5.2.2:
    # (0.009^2 + 0.0096^2 + (0.06 x 0.02)^2)^0.5 = 0.013213; 1.96 x that = 0.025898; with 2 x 0.004: 0.027105.
    found = change.changed(
        Reading(0.30, 0.0, 0.30), Reading(0.24, 0.0, 0.24), Gains(0.03, 0.04, 0.02), sampling_u=0.004, factor=2.0
    )
    assert found.change.value == pytest.approx(-0.06)
    assert found.change.high - found.change.value == pytest.approx(0.027105, abs=2e-6)
    assert found.claim == LESS


def budget(**terms):
    return Budget(tuple(Term(name.replace("_", " "), u) for name, u in terms.items()), 0.0, 4)


def test_only_an_unmeasured_bar_of_the_same_card_cancels_without_registration():
    one, other = budget(print_scale=0.0153, height_solver=0.03), budget(print_scale=0.0153, height_solver=0.04)
    found = change.gains_apart(one, other, same_card=True, unconfirmed=True)
    assert found == Gains(0.03, pytest.approx(0.04), pytest.approx(0.0153), cancelled=("print scale",))
    for card, bar in [(False, True), (True, False), (False, False)]:
        apart = change.gains_apart(one, other, same_card=card, unconfirmed=bar)
        assert apart == Gains(one.gain_u, other.gain_u)


def test_registration_brings_both_to_the_better_known_scale():
    known, loose = budget(print_scale=0.003, light_elevation=0.01), budget(print_scale=0.0153, light_elevation=0.01)
    forth, back = change.gains_laid_on(known, loose, 1.02), change.gains_laid_on(loose, known, 1.02)
    assert forth.factors == (1.0, 1.02)
    assert back.factors == (pytest.approx(1 / 1.02), 1.0)
    assert forth.both_u == back.both_u == pytest.approx(0.003)
    assert forth.cancelled == ("print scale",)
    gauges = change.gains_laid_on(Budget(), Budget(), 1.0003)
    assert gauges == EXACT


@pytest.mark.parametrize("registered", [False, True])
def test_where_nothing_changed_one_claim_in_twenty_is_false(registered):
    """The interval's definition: the share of draws without change in which a change is claimed."""
    rng = np.random.default_rng(6)
    draws, true_mm, scatter = 20_000, 0.3, 0.004
    light, printing = (0.03, 0.04), 0.0153
    prints = [rng.normal(0, printing, draws)] * 2 if not registered else rng.normal(0, printing, (2, draws))
    values = [true_mm * (1 + rng.normal(0, u, draws) + p) + rng.normal(0, scatter, draws)
              for u, p in zip(light, prints, strict=True)]  # fmt: skip
    budgets = [budget(light_elevation=u, print_scale=printing) for u in light]
    claims = 0
    for k in range(draws):
        if registered:  # the deck tells the ratio of both scales, here exactly
            gains = change.gains_laid_on(*budgets, 1 + prints[0][k] - prints[1][k])
        else:
            gains = change.gains_apart(*budgets, same_card=True, unconfirmed=True)
        pair = [Reading(v[k] * f, scatter, true_mm) for v, f in zip(values, gains.factors, strict=True)]
        claims += change.changed(*pair, gains, sampling_u=scatter * math.sqrt(2), factor=1.96).claim != NONE
    # 20,000 draws tell 5 % to 0.15 %; three of that, and products of errors that first order leaves out
    assert claims / draws == pytest.approx(0.05, abs=0.006)


def test_random_maps_without_change_are_claimed_to_differ_in_one_of_twenty_pairs_at_most():
    """100 pairs of other places of one kind of deck, and 100 pairs of one place measured twice."""
    claims = dict.fromkeys(("apart", "paired", "cells"), 0)
    for seed in range(100):
        rng = np.random.default_rng(seed)
        z = grit(rng, 100.0)
        one, other = z[:134, :167], z[200:334, 167:]  # 50 by 40 mm each
        maps = [measured_map(part, rng, kind="random") for part in (one, other, one)]
        read = [
            change.readings(texture.measured_heights(m.z, STEP, USED, Budget()), m.z, filters=USED, budget=Budget())
            for m in maps[:2]
        ]
        tiles = tuple(change.tiles_of(m.z, STEP) for m in maps[:2])
        apart = change.changes_apart(*read, EXACT, tiles=tiles)
        claims["apart"] += sum(apart[key].claim != NONE for key in FIGURES)
        here = Registration(np.eye(2, 3), registration.BY_TEXTURE)
        found = ground.common_ground(maps[0], maps[2], here, ground.Comparing(USED, (Budget(), Budget()), EXACT))
        claims["paired"] += sum(found.changes[key].claim != NONE for key in FIGURES)
        claims["cells"] += any(cell.marked for cell in found.cells)
    assert claims["apart"] <= 0.05 * 400
    assert claims["paired"] <= 0.05 * 400
    assert claims["cells"] <= 0.05 * 400  # four figures, each of which may mark a map by chance


def test_a_panel_of_patches_has_the_scatter_of_its_patches_in_the_interval():
    # Changes -0.02 and -0.06 with half widths 0.03 and 0.01, equal areas: mean -0.04; s = 0.028284, standard error
    # 0.02, times t(1) = 12.706 (JCGM 100, table G.2) = 0.25412; with 0.02 of the measurement: 0.25491.
    moved = [Measured(-0.02, -0.05, 0.01), Measured(-0.06, -0.07, -0.05)]
    parts = [change.Change(0.3, 0.3 + one.value, one) for one in moved]
    found = change.mean_change(parts, np.array([1.0, 1.0]))
    assert found.change.value == pytest.approx(-0.04)
    assert found.change.high + 0.04 == pytest.approx(0.25491, abs=5e-5)
    assert (found.before, found.after) == (pytest.approx(0.3), pytest.approx(0.26))
    assert change.mean_change(parts[:1], np.array([0.4])) is parts[0]


# Promises


def score_of(relief, *, void=(0.2, 0.19, 0.21), coats=True):
    def figure(value, low, high):
        return {"value": value, "low": low, "high": high}

    left = {"coat": "topcoat", "low": 0.15, "likely": 0.2, "high": 0.25}
    return {
        "texture": {"relief_mm": figure(*relief), "void_depth_mm": figure(*void)},
        "shares": {"sound": 1.0, "worn": 0.0, "filled": 0.0},
        "recommendation": {"action": "recoat", "reasons": [], "would_change_it": []},
        "coats": {"void_depth_mm": [left], "relief_mm": [left]} if coats else {},
        "flags": [],
    }


def outcome_of(*patches):
    return panel_outcome("deck", tuple(PatchOutcome(n, n, score_of(r)) for n, r in patches), None)


@pytest.mark.parametrize(
    ("reading", "outcome"),
    [
        ((0.20, 0.15, 0.25), promise.KEPT),  # ends included
        ((0.20, 0.16, 0.24), promise.KEPT),
        ((0.20, 0.14, 0.24), promise.OPEN),
        ((0.24, 0.22, 0.26), promise.OPEN),
        ((0.20, 0.10, 0.30), promise.OPEN),  # wider than the range: a poorer measurement never helps
        ((0.10, 0.06, 0.14), promise.NOT_KEPT),
        ((0.30, 0.26, 0.34), promise.NOT_KEPT),
    ],
)
def test_a_promise_is_kept_or_broken_only_by_a_whole_interval(reading, outcome):
    """Guarded acceptance and rejection with w = U (JCGM 106, 8.3.2 and 8.3.3)."""
    wanted = promise.Promise("deck", "relief_mm", 0.15, 0.25)
    panel = outcome_of(("", reading))
    assert [line.outcome for line in promise.judged((wanted,), panel, panel)] == [outcome]


def test_a_forecast_is_held_against_its_own_patch_and_a_new_texture_against_all():
    before = outcome_of(("worst", (0.4, 0.3, 0.5)), ("typical", (0.5, 0.4, 0.6)))
    after = outcome_of(("typical", (0.2, 0.19, 0.21)), ("worst", (0.3, 0.28, 0.32)))
    lines = promise.judged(promise.promises_of(before), before, after)
    relief = [(one.patch, one.outcome) for one in lines if one.promise.figure == "relief_mm"]
    assert relief == [("worst", "not kept"), ("typical", "kept")]
    new = promise.Promise("deck", "relief_mm", 0.15, 0.25, option="sand-flat-and-retexture")
    assert {one.patch for one in promise.judged((new,), before, after)} == {"typical", "worst"}
    gone = outcome_of(("typical", (0.2, 0.19, 0.21)), ("other", (0.2, 0.19, 0.21)))
    lines = promise.judged(promise.promises_of(before), before, gone)
    assert {one.outcome for one in lines if one.patch == "worst"} == {promise.OPEN}
    bare = panel_outcome("p", (PatchOutcome("", "p", score_of((1, 1, 1), coats=False)),), None)
    assert promise.promises_of(bare) == ()


def test_targets_of_a_plan_are_read_back():
    text = (
        "panel,option,figure,low,likely,high,why\n"
        "'=deck,recoat-as-planned,void_depth_mm,0.1,0.2,0.3,forecast\n"
        '"lid, aft",sand-flat-and-retexture,void_depth_mm,,,,to be agreed\n'
    )
    one, two = promise.promises_from_csv(text, "targets.csv")
    assert (one.panel, one.low, one.high, one.option) == ("=deck", 0.1, 0.3, "recoat-as-planned")
    assert (two.panel, two.low, two.high) == ("lid, aft", None, None)
    (short,) = promise.promises_from_csv("panel,figure,low,high\ndeck,relief_mm\n", "t.csv")
    assert (short.low, short.high) == (None, None)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("panel,low\nx,1\n", "no column figure, high"),
        ("panel,figure,low,high\n", "promises nothing"),
        ("panel,figure,low,high\nx,relief_mm,0.1,0.2\nx,depth,0.1,0.2\n", "line 3: the figure is 'depth'"),
        ("panel,figure,low,high\nx,relief_mm,0.3,0.2\n", "line 2: low is 0.3, above high"),
        ("panel,figure,low,high\nx,relief_mm,nan,0.2\n", "line 2: low is 'nan'"),
        ("panel,figure,low,high\nx,relief_mm,,0.2\n", "only one end"),
    ],
)
def test_a_table_of_promises_that_cannot_be_used_is_named_with_its_line(text, words):
    with pytest.raises(SettingsError, match=words):
        promise.promises_from_csv(text, "t.csv")


# The command


def texscan(*arguments, expect=0):
    done = CliRunner().invoke(app, [str(a) for a in arguments])
    assert done.exit_code == expect, done.output
    return done.output


@pytest.fixture(scope="module")
def folders(tmp_path_factory):
    """Results of one deck: before; moved and turned; 0.8 times as high; a worn lane; as two batches by name."""
    rng = np.random.default_rng(7)
    root = tmp_path_factory.mktemp("compare")
    deck = grit(rng)
    x = np.arange(deck.shape[1]) * STEP
    lane = np.where(np.abs(x - 66) < 12, np.minimum(deck, 0.05), deck)
    cases = {
        "before": (deck, (62, 60), 0.0, 1.0),
        "moved": (deck, (66, 62), 2.5, 1.0),
        "lower": (deck, (62, 60), 0.0, 0.8),
        "lane": (lane, (66, 62), 2.5, 1.0),
        "moulded": (studs(), (62, 60), 0.0, 1.0),
        "moulded-lower": (0.7 * studs(), (62, 60), 0.0, 1.0),
    }
    for name, (land, centre, turn, factor) in cases.items():
        z = factor * seen(land, centre, turn)[0]
        (root / f"{name}.tif").write_bytes(files.tiff_bytes(z, STEP))
        heights = "--heights", root / f"{name}.tif", "--step-mm", STEP
        texscan("score", *heights, "--panel", "deck", "--out", root / name)
    return root


def compared(folders, after, *options):
    out = folders / f"to-{after}-{len(options)}"
    words = texscan("compare", folders / "before", folders / after, "--out", out, *options)
    return words, json.loads((out / "compare.json").read_text()), out


def test_the_same_deck_under_a_card_that_lies_otherwise_has_not_changed(folders):
    words, data, out = compared(folders, "moved")
    patch = data["panels"][0]["patches"][0]
    assert patch["registration"]["how"] == "texture"
    assert patch["registration"]["turn_deg"] == pytest.approx(2.5, abs=0.05)
    assert {one["claim"] for one in patch["changes"].values()} == {NONE}
    assert patch["cells"]["void_depth_mm"]["less"] == patch["cells"]["void_depth_mm"]["more"] == 0
    assert "no change can be claimed" in words
    names = ["change-cells.csv", "change.png", "compare.csv", "compare.json"]
    assert sorted(path.name for path in out.iterdir()) == names


def test_heights_times_four_fifths_lower_every_height_figure_by_a_fifth(folders):
    _, data, _ = compared(folders, "lower")
    patch = data["panels"][0]["patches"][0]
    for key in ("Sq_mm", "relief_mm", "void_depth_mm"):
        one = patch["changes"][key]
        # figures are proportional to heights; the fit of the place moves some pixels over the edge of cells
        assert one["change"]["value"] == pytest.approx(-0.2 * one["before"], rel=2e-3)
        assert one["claim"] == LESS
        assert patch["cells"][key][LESS] == patch["cells"]["count"]
    # less relief, more of it within 0.10 mm below the top
    assert patch["changes"]["contact_area_fraction"]["claim"] == MORE


def test_a_worn_lane_is_found_in_its_own_cells(folders):
    _, data, out = compared(folders, "lane")
    assert data["panels"][0]["patches"][0]["changes"]["void_depth_mm"]["claim"] == LESS
    with (out / "change-cells.csv").open() as file:
        rows = list(csv.DictReader(file))
    # the lane's middle at 66 mm on the deck is at 66 - 62 + (70 - 0.3) / 2 = 38.9 mm in the earlier frame
    away = np.array([abs(float(row["x_mm"]) - 38.9) for row in rows])
    less = np.array([row["void_depth_mm_claim"] == LESS for row in rows])
    assert less[away < 7].all()
    assert not less[away > 18].any()


def test_figures_only_and_the_stated_place(folders):
    _, data, out = compared(folders, "lower", "--figures-only")
    patch = data["panels"][0]["patches"][0]
    assert patch["basis"] == "whole patches"
    assert not (out / "change.png").exists()
    whole = [json.loads((folders / n / "score.json").read_text())["texture"]["void_depth_mm"]["value"]
             for n in ("before", "lower")]  # fmt: skip
    assert patch["changes"]["void_depth_mm"]["change"]["value"] == pytest.approx(whole[1] - whole[0], abs=1e-6)


def test_a_mould_is_compared_by_cell_only_where_the_place_is_stated(folders):
    pair = folders / "moulded", folders / "moulded-lower"
    assert "Cannot be registered: the texture repeats" in texscan("compare", *pair)
    words = texscan("compare", *pair, "--same-place")
    assert "Registered by the card's place, as stated" in words
    cells = re.search(r"Void depth in (\d+) squares of 10 mm: less in (\d+), more in 0", words)
    assert cells and cells[1] == cells[2]


def test_grids_far_apart_bring_no_claim(folders, tmp_path):
    z, _ = files.load_heights(folders / "lower.tif", STEP)
    rows, columns = z.shape[0] // 2, z.shape[1] // 2
    coarse = z[: 2 * rows, : 2 * columns].reshape(rows, 2, columns, 2).mean(axis=(1, 3))
    (tmp_path / "coarse.tif").write_bytes(files.tiff_bytes(coarse, 2 * STEP))
    texscan("score", "--heights", tmp_path / "coarse.tif", "--step-mm", 2 * STEP, "--out", tmp_path / "coarse")
    words = texscan("compare", folders / "before", tmp_path / "coarse", "--promised", "none")
    assert "grids of 0.3 and 0.6 mm" in words
    assert not re.search(r"\): (less|more)", words)
    assert re.search(r"less in 0, more in 0", words)


def test_patches_of_a_panel_are_matched_by_name_and_joined(folders, tmp_path):
    for side, parts in {
        "B": {"worst": "before", "typical": "before"},
        "A": {"worst": "lower", "typical": "moved", "new": "lane"},
    }.items():
        for name, source in parts.items():
            shutil.copytree(folders / source, tmp_path / side / "deck" / name)
    words = texscan("compare", tmp_path / "B", tmp_path / "A", "--out", tmp_path / "out")
    panel = json.loads((tmp_path / "out" / "compare.json").read_text())["panels"][0]
    assert [one["patch"] for one in panel["patches"]] == ["typical", "worst"]
    assert panel["left_out"] == ["new"]
    parts = [one["changes"]["relief_mm"]["change"] for one in panel["patches"]]
    whole = panel["changes"]["relief_mm"]["change"]
    assert whole["value"] == pytest.approx(np.mean([one["value"] for one in parts]), rel=1e-4)
    # two patches: Student's t of one degree of freedom makes the panel's interval wide
    assert whole["high"] > 0 > parts[1]["high"]
    assert "all patches" in words
    assert (tmp_path / "out" / "deck" / "worst" / "change.png").stat().st_size > 1000


def test_promises_from_a_file_are_held_against_the_later_result(folders, tmp_path):
    score = json.loads((folders / "lower" / "score.json").read_text())["texture"]["void_depth_mm"]
    table = tmp_path / "targets.csv"
    table.write_text(
        "panel,option,figure,low,likely,high,why\n"
        f"deck,recoat-as-planned,void_depth_mm,{score['low'] - 0.01},,{score['high'] + 0.01},forecast\n"
        f"deck,recoat-as-planned,relief_mm,9,,10,forecast\n"
    )
    words = texscan("compare", folders / "before", folders / "lower", "--figures-only", "--promised", table)
    assert "kept, the whole interval lies within the range" in words
    assert "not kept, less than promised" in words
    table.write_text("panel,figure,low,high\ndeckk,void_depth_mm,0,1\n")
    words = texscan("compare", folders / "before", folders / "lower", "--promised", table, expect=1)


def test_what_cannot_be_compared_gets_one_sentence(folders, tmp_path, capfd):
    def sentence(*arguments):
        with pytest.raises(SystemExit) as ended:
            app(["compare", *map(str, arguments)])
        assert ended.value.code == 1
        return capfd.readouterr().err

    assert "named twice" in sentence(folders / "before", folders / "before")
    assert "no scored panel" in sentence(folders / "before", tmp_path)
    assert "There is no file" in sentence(folders / "before", folders / "lower", "--promised", tmp_path / "none.csv")
    for name in ("one", "two"):
        (tmp_path / name).mkdir()
        (tmp_path / name / f"panel-{name}").symlink_to(folders / "before")
    assert "No panel is in both" in sentence(tmp_path / "one", tmp_path / "two")
    texscan("compare", folders / "before", folders / "lower", "--same-place", "--figures-only", expect=2)


def test_a_damaged_result_gets_one_sentence(folders, tmp_path, capfd):
    harms = {"coats": {"void_depth_mm": [{"coat": "primer"}]}, "budget": {"terms": [3]}, "pattern": 5}
    for place, harm in harms.items():
        folder = tmp_path / place
        shutil.copytree(folders / "before", folder)
        score = json.loads((folder / "score.json").read_text())
        (folder / "score.json").write_text(json.dumps(score | {place: harm}))
        with pytest.raises(SystemExit) as ended:
            app(["compare", str(folder), str(folders / "lower"), "--figures-only"])
        assert ended.value.code == 1
        assert capfd.readouterr().err.count("\n") == 1


# The picture


def test_a_square_says_its_change_in_colour_and_number():
    rng = np.random.default_rng(8)
    deck = grit(rng, 80.0)
    before, after = measured_map(deck), measured_map(0.7 * deck)
    here = Registration(np.eye(2, 3), registration.BY_TEXTURE)
    found = ground.common_ground(before, after, here, ground.Comparing(USED, (Budget(), Budget()), EXACT))
    page = change_picture(found, (before, after), here, change_words())
    assert page.dtype == np.uint8
    colours = page.reshape(-1, 3).astype(int)
    orange = (colours[:, 0] - colours[:, 2] > 60).mean()
    assert orange > 0.1  # every square lost void depth
    assert [signed(v) for v in (-0.004, 0.004, -0.126, 0.2)] == ["0.00", "0.00", "\u22120.13", "+0.20"]


def change_words():
    from texscan.compare.picture import Words

    return Words("deck", ("before", "after"), ("one line",))
