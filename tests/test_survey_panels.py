"""Areas of panels, panels from their patches, and results read back from folders."""

import json
import math
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from texscan.compatibility import RagTest
from texscan.errors import SettingsError
from texscan.model import FLAGS, Measured
from texscan.survey.area import CORNER_U_M, outline_fault, panel_area_m2, panel_perimeter_m
from texscan.survey.outcome import PatchOutcome, combined, panel_outcome, student_factor
from texscan.survey.records import Boat, FieldTest, Patch, Survey, SurveyPanel
from texscan.survey.results import read_results
from texscan.survey.units import AREA, LENGTH, VOLUME, in_units

# Area and perimeter


def outlined(points, **fields):
    return SurveyPanel("p", outline_m=tuple(points), **fields)


# Corners, area and perimeter by school geometry.
HEXAGON = [(math.cos(k * math.pi / 3), math.sin(k * math.pi / 3)) for k in range(6)]
SHAPES = [
    ([(0, 0), (3, 0), (3, 2), (0, 2)], 6, 10),
    ([(0, 0), (3, 0), (0, 4)], 6, 12),  # 3, 4, 5
    (HEXAGON, 1.5 * math.sqrt(3), 6),
    ([(0, 0), (3, 0), (3, 1), (1, 1), (1, 3), (0, 3)], 5, 12),  # an L
]


@pytest.mark.parametrize(("points", "area", "perimeter"), SHAPES)
def test_outlines_of_known_figures_have_their_area_and_perimeter(points, area, perimeter):
    for ring in (points, points[::-1], points[2:] + points[:2]):
        turned = [(0.6 * x - 0.8 * y + 5, 0.8 * x + 0.6 * y - 7) for x, y in ring]
        for corners in (ring, turned):
            assert panel_area_m2(outlined(corners)).value == pytest.approx(area)
            assert panel_perimeter_m(outlined(corners)).value == pytest.approx(perimeter)


@pytest.mark.parametrize(("points", "area", "perimeter"), SHAPES)
def test_the_interval_is_the_scatter_of_corners_taped_with_their_error(points, area, perimeter):
    rng = np.random.default_rng(3)
    taped = np.array(points) + rng.normal(0, CORNER_U_M, (4000, len(points), 2))
    following = np.roll(taped, -1, axis=1)
    areas = (taped[..., 0] * following[..., 1] - following[..., 0] * taped[..., 1]).sum(axis=1) / 2
    perimeters = np.hypot(*(following - taped).transpose(2, 0, 1)).sum(axis=1)
    # 4000 draws tell a standard deviation to 1.1 %; five of that, and curvature of the lengths.
    assert panel_area_m2(outlined(points)).u == pytest.approx(areas.std(), rel=0.06)
    assert panel_perimeter_m(outlined(points)).u == pytest.approx(perimeters.std(), rel=0.06)


def test_what_was_entered_goes_before_sides_and_those_before_outlines():
    square = ((0.0, 0.0), (2.0, 0.0), (2.0, 2.0), (0.0, 2.0))
    assert panel_area_m2(SurveyPanel("p", area_m2=1.5, outline_m=square)).value == 1.5
    assert panel_area_m2(SurveyPanel("p", sides_m=(2.0, 0.5), outline_m=square)).value == 1.0
    assert panel_perimeter_m(SurveyPanel("p", sides_m=(2.0, 0.5), outline_m=square)).value == 5.0
    pixels = SurveyPanel("p", outline_px=tuple((100 * x, 100 * y) for x, y in square), metres_per_px=0.01)
    assert panel_area_m2(pixels).value == pytest.approx(4)
    assert panel_perimeter_m(pixels).value == pytest.approx(8)
    assert panel_area_m2(SurveyPanel("p", outline_px=square)) is None
    assert panel_area_m2(SurveyPanel("p")) is None and panel_perimeter_m(SurveyPanel("p")) is None


def simple(points):
    """The slow obvious version, in exact fractions: no corner twice, no two sides share a point but neighbours."""
    corners = [(Fraction(x), Fraction(y)) for x, y in points]
    n = len(corners)

    def side(a, b, c):
        return (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])

    def within(a, b, c):
        return min(a[0], b[0]) <= c[0] <= max(a[0], b[0]) and min(a[1], b[1]) <= c[1] <= max(a[1], b[1])

    def meet(a, b, c, d):
        s, t, u, v = side(a, b, c), side(a, b, d), side(c, d, a), side(c, d, b)
        crossing = (s > 0) != (t > 0) and (u > 0) != (v > 0) and 0 not in (s, t, u, v)
        touching = [(s, (a, b, c)), (t, (a, b, d)), (u, (c, d, a)), (v, (c, d, b))]
        return crossing or any(turn == 0 and within(*three) for turn, three in touching)

    if len(set(corners)) < max(n, 3):
        return False
    for i in range(n):
        for j in range(i + 1, n):
            a, b, c, d = corners[i], corners[(i + 1) % n], corners[j], corners[(j + 1) % n]
            if b == c or d == a:  # neighbours share a corner; they may not fold back onto each other
                first, shared, last = (a, b, d) if b == c else (c, d, b)
                if side(first, shared, last) == 0 and not (within(first, last, shared)):
                    return False
            elif meet(a, b, c, d):
                return False
    return True


@given(st.lists(st.tuples(st.integers(0, 4), st.integers(0, 4)), min_size=3, max_size=7))
@settings(max_examples=300, deadline=None, derandomize=True)
def test_outlines_that_cross_or_touch_themselves_are_found(points):
    assert (outline_fault(tuple((float(x), float(y)) for x, y in points)) is None) == simple(points)


def test_feet_and_gallons_are_those_of_the_handbook():
    # NIST Handbook 44, appendix C: 1 m2 = 10.76391 ft2, 1 m = 3.280840 ft, 1 L = 0.2641720 US gallons.
    for kind, factor in ((AREA, 10.76391), (LENGTH, 3.280840), (VOLUME, 0.2641720)):
        assert in_units(1.0, kind, "imperial")[0] == pytest.approx(factor, rel=1e-6)
        assert in_units(1.0, kind, "metric")[0] == 1.0


# A panel from its patches


def test_student_factors_are_those_of_the_printed_table():
    # JCGM 100, table G.2, 95 %.
    for dof, factor in {1: 12.71, 2: 4.30, 3: 3.18, 4: 2.78, 9: 2.26, 19: 2.09, 50: 2.01}.items():
        assert student_factor(dof) == pytest.approx(factor, abs=0.005)


def test_twenty_readings_give_the_mean_and_standard_uncertainty_of_the_guide():
    # JCGM 100, 4.4.3 and table 1: 20 temperatures, mean 100.145, standard uncertainty of the mean 0.333; t = 2.09.
    readings = [96.90, 98.18, 98.25, 98.61, 99.03, 99.49, 99.56, 99.74, 99.89, 100.07,
                100.33, 100.42, 100.68, 100.95, 101.11, 101.20, 101.57, 101.84, 102.36, 102.72]  # fmt: skip
    mean = combined([Measured(x, x, x) for x in readings], np.full(20, 0.05))
    assert mean.value == pytest.approx(100.145, abs=5e-4)
    assert (mean.high - mean.low) / 2 == pytest.approx(2.09 * 0.333, rel=3e-3)


def test_shares_weigh_the_mean_and_the_scatter():
    # By hand: 0.3, 0.6 with weights 1/4, 3/4: mean 0.525; s2 = (1/4 * 0.225^2 + 3/4 * 0.075^2) / (1 - 10/16) = 0.045;
    # standard error sqrt(0.045 * 10/16) = 0.16771; times 12.7062 it is 2.13, cut at zero below.
    figure = combined([Measured(0.3, 0.3, 0.3), Measured(0.6, 0.6, 0.6)], np.array([0.25, 0.75]))
    assert figure.value == pytest.approx(0.525)
    assert figure.high - figure.value == pytest.approx(12.7062 * 0.16771, rel=1e-4)
    assert figure.low == 0


def test_patches_that_agree_leave_the_measurement_alone_in_the_interval():
    one = Measured.from_u(0.5, 0.02)
    for n in (1, 2, 5):
        figure = combined([one] * n, np.full(n, 1 / n))
        assert (figure.low, figure.high) == pytest.approx((one.low, one.high))


@pytest.mark.parametrize("patches", [2, 3, 5])
@pytest.mark.parametrize("scatter", [0.3, 1.0, 3.0])
def test_the_interval_holds_the_panels_mean_in_95_of_100_panels(patches, scatter):
    rng = np.random.default_rng(11)
    held = []
    for _ in range(1500):
        common = rng.normal(0, 1.0)  # error of card and method, the same in all patches
        values = 100 + scatter * rng.normal(size=patches) + common
        figure = combined([Measured.from_u(v, 1.0) for v in values], np.full(patches, 1 / patches))
        held.append(figure.low <= 100 <= figure.high)
    assert np.mean(held) >= 0.95 - 3 * math.sqrt(0.95 * 0.05 / 1500)  # three standard errors of the count


def figure(value, u=0.01):
    return {"value": value, "low": value - 1.96 * u, "high": value + 1.96 * u}


def score(action="recoat", *, void=0.3, sound=1.0, flags=(), panel=""):
    figures = dict.fromkeys(("Sq_mm", "relief_mm", "contact_area_fraction"), figure(0.2))
    return {
        "schema": "texscan.score/1",
        "panel": panel,
        "grid": {"step_mm": 0.1},
        "texture": {**figures, "void_depth_mm": None if void is None else figure(void)},
        "shares": {"sound": sound, "worn": 1 - sound, "filled": 0.0},
        "recommendation": {"action": action, "reasons": [f"because {action}"], "would_change_it": ["more photos"]},
        "flags": list(flags),
    }


def patch(name, *args, **kwargs):
    return PatchOutcome(name, f"p/{name}", score(*args, **kwargs))


RETEXTURE, OPEN, RECOAT = "sand-flat-and-retexture", "inconclusive", "recoat"


@pytest.mark.parametrize(
    ("actions", "decided"),
    [
        ((RECOAT, RECOAT), RECOAT),
        ((RECOAT, OPEN), OPEN),
        ((OPEN, RETEXTURE, RECOAT), RETEXTURE),
        ((RETEXTURE,), RETEXTURE),
    ],
)
def test_the_worst_patch_decides(actions, decided):
    outcome = panel_outcome("p", tuple(patch(f"n{k}", action) for k, action in enumerate(actions)), None)
    assert outcome.action == decided
    assert outcome.deciding.name == f"n{actions.index(decided)}"
    assert ("one-patch-only" in outcome.flags) == (len(actions) == 1)


def test_among_equal_verdicts_the_patch_with_less_sound_decides_and_reasons_carry_names():
    patches = patch("typical", RETEXTURE, sound=0.7), patch("worst", RETEXTURE, sound=0.2), patch("edge")
    outcome = panel_outcome("p", patches, None)
    assert outcome.reasons == (
        "Patch worst: because sand-flat-and-retexture",
        "Patch typical: sand flat and retexture.",
        "Patch edge: recoat.",
    )
    assert outcome.shares["sound"] == pytest.approx((0.7 + 0.2 + 1) / 3)
    assert outcome.would_change_it == ("more photos",)


def test_one_patch_speaks_for_itself():
    outcome = panel_outcome("p", (patch("", RECOAT, flags=("one-view",)),), None)
    assert outcome.reasons == ("because recoat",)
    assert outcome.flags == ("one-view", "one-patch-only")
    assert outcome.figures["void_depth_mm"].value == 0.3


def test_shares_of_the_survey_are_used_where_every_scored_patch_has_one():
    panel = SurveyPanel("p", patches=(Patch("a", share_of_area=0.25), Patch("b", share_of_area=0.75)))
    both = panel_outcome("p", (patch("a", void=0.2), patch("b", void=0.4)), panel)
    assert both.figures["void_depth_mm"].value == pytest.approx(0.35)
    assert both.flags == ()
    strange = panel_outcome("p", (patch("a", void=0.2), patch("c", void=0.4)), panel)
    assert strange.figures["void_depth_mm"].value == pytest.approx(0.3)
    assert set(strange.flags) == {"shares-not-used", "patch-not-scored"}


def test_a_figure_that_one_patch_does_not_have_rests_on_the_others():
    outcome = panel_outcome("p", (patch("a", void=0.2), patch("b", void=None), patch("c", void=0.3)), None)
    assert outcome.figures["void_depth_mm"].value == pytest.approx(0.25)
    assert "figure-left-out" in outcome.flags
    none = panel_outcome("p", (patch("a", void=None), patch("b", void=None)), None)
    assert none.figures["void_depth_mm"] is None


def test_every_flag_of_a_panel_stands_in_the_table_of_flags():
    assert {"one-patch-only", "figure-left-out", "shares-not-used", "patch-not-scored"} <= set(FLAGS)


def test_soft_spots_cracks_and_failed_adhesion_are_repaired_first_and_lead_is_a_caution():
    noted = SurveyPanel(
        "p",
        soft_spots="by the stanchion",
        cracks="two hairlines",
        adhesion=FieldTest("ISO 2409", "fails"),
        lead=FieldTest("swab", "found"),
        rag_test=RagTest("two-part", 10, "unharmed"),
    )
    outcome = panel_outcome("p", (patch(""),), noted)
    for words, said in zip(("by the stanchion", "two hairlines", "ISO 2409"), outcome.repair_first, strict=True):
        assert words in said
    assert "no dry sanding" in outcome.cautions[0] and "local codes" in outcome.cautions[0]
    fine = SurveyPanel("p", adhesion=FieldTest("ISO 2409", "holds"), lead=FieldTest("swab", "none found"))
    clean = panel_outcome("p", (patch(""),), fine)
    assert clean.repair_first == clean.cautions == ()


# Results in folders


def write(folder, data):
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "score.json").write_text(data if isinstance(data, str) else json.dumps(data))


def write_run(out, scored, **more):
    out.mkdir(parents=True, exist_ok=True)
    (out / "run.json").write_text(json.dumps({"schema": "texscan.run/1", "scored": scored, **more}))


def test_a_batch_is_read_by_its_list_in_the_order_of_the_survey(tmp_path):
    write(tmp_path / "b", score())
    write(tmp_path / "a" / "x", score(RETEXTURE))
    write(tmp_path / "a" / "y", score())
    write(tmp_path / "old", score())  # not in the list: left alone
    write_run(
        tmp_path,
        [
            {"panel": "b", "patches": [{"name": "", "folder": "b"}]},
            {"panel": "a/1", "patches": [{"name": "x", "folder": "a/x"}, {"name": "y", "folder": "a/y"}]},
        ],
        refused=[],
    )
    assert [(one.name, one.action) for one in read_results(tmp_path, None)] == [("b", RECOAT), ("a/1", RETEXTURE)]
    survey = Survey(Boat("B"), panels=(SurveyPanel("a/1", cracks="one"), SurveyPanel("c"), SurveyPanel("b")))
    first, second = read_results(tmp_path, survey)
    assert (first.name, second.name) == ("a/1", "b")
    assert first.repair_first and not second.repair_first


def test_folders_of_results_are_read_without_a_list(tmp_path):
    write(tmp_path / "a", score(panel="Fore deck"))
    write(tmp_path / "b" / "worst", score(RETEXTURE))
    write(tmp_path / "b" / "typical", score())
    (tmp_path / "empty").mkdir()
    (tmp_path / ".hidden").mkdir()
    a, b = read_results(tmp_path, None)
    assert (a.name, [p.folder for p in a.patches]) == ("a", ["a"])
    assert (b.name, b.deciding.folder) == ("b", "b/worst")
    named = read_results(tmp_path, Survey(Boat("B"), panels=(SurveyPanel("Fore deck"),)))
    assert [one.name for one in named] == ["Fore deck", "b"]
    assert [one.name for one in read_results(tmp_path / "a", None)] == ["Fore deck"]


def test_two_results_of_one_panel_are_refused(tmp_path):
    write(tmp_path / "Fore deck", score())
    write(tmp_path / "older", score(panel="Fore deck"))
    assert len(read_results(tmp_path, None)) == 2
    with pytest.raises(SettingsError, match="holds 2 results of the panel 'Fore deck'"):
        read_results(tmp_path, Survey(Boat("B"), panels=(SurveyPanel("Fore deck"),)))


def without(data, *keys):
    data = json.loads(json.dumps(data))
    place = data
    for key in keys[:-1]:
        place = place[key]
    del place[keys[-1]]
    return data


DAMAGED = [
    "", "{", "[]", "{}", '{"schema": "texscan.score/1"}', "[" * 5000, json.dumps(score()).replace("0.2,", "NaN,"),
    without(score(), "recommendation"), without(score(), "recommendation", "action"), without(score(), "texture"),
    without(score(), "flags"), without(score(), "shares", "worn"), score("paint it"), {**score(), "flags": [3]},
    {**score(), "texture": []}, {**score(), "texture": {"Sq_mm": 0.2}}, {**score(), "shares": {"sound": "all"}},
    {**score(), "texture": {"relief_mm": {"value": 1, "low": 2, "high": 3}}},
    {**score(), "texture": {"relief_mm": {"value": True, "low": 0, "high": 3}}},
    {**score(), "recommendation": {"action": "recoat", "reasons": "none", "would_change_it": []}},
]  # fmt: skip


@pytest.mark.parametrize("data", DAMAGED)
def test_a_damaged_result_gives_a_sentence(tmp_path, data):
    write(tmp_path / "a", data)
    with pytest.raises(SettingsError, match=r"(damaged|no texscan result|is empty)"):
        read_results(tmp_path, None)


@pytest.mark.parametrize(
    "scored",
    [
        3, [3], [{}], [{"panel": "a"}], [{"panel": "a", "patches": []}], [{"panel": 3, "patches": [{}]}],
        [{"panel": "a", "patches": [{"name": "", "folder": "../a"}]}],
        [{"panel": "a", "patches": [{"name": "", "folder": "/etc"}]}],
        [{"panel": "a", "patches": [{"name": "", "folder": "b\\..\\..\\a"}]}],
    ],
)  # fmt: skip
def test_a_damaged_list_gives_a_sentence(tmp_path, scored):
    write(tmp_path / "a", score())
    write_run(tmp_path / "out", scored)
    with pytest.raises(SettingsError, match=r"run\.json: the list of scored panels is damaged"):
        read_results(tmp_path / "out", None)


def test_other_folders_are_refused_in_words(tmp_path):
    with pytest.raises(SettingsError, match="holds no scored panel"):
        read_results(tmp_path, None)
    with pytest.raises(SettingsError, match="cannot be listed"):
        read_results(tmp_path / "nowhere", None)
    write_run(tmp_path, [{"panel": "a", "patches": [{"name": "", "folder": "gone"}]}])
    with pytest.raises(SettingsError, match="There is no file"):
        read_results(tmp_path, None)
    (tmp_path / "run.json").write_text('{"schema": "other"}')
    with pytest.raises(SettingsError, match=r"no list of a batch"):
        read_results(tmp_path, None)
