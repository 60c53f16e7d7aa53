"""
Quantities of panels and of the boat: worked by hand on panels of round figures, laws, and refusals.

The hand cases use the formulas that tests/test_consumption.py holds to published cases. Figures of the scenario are
invented.
"""

import re
from dataclasses import replace
from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from plan_scene import COATS, GUARD, PRIMER, SHIPPED, exact_means, lines, patch, plain_basis, survey_of

from texscan.errors import SettingsError
from texscan.model import Coat, Measured
from texscan.plan import boat, choice, costs, materials, orders, quantities, quantity_table, rates, yard
from texscan.plan.basis import basis_of, edge_of_area
from texscan.plan.figure import ASSUMED, DATA_SHEET, USER, Figure, exactly
from texscan.plan.rates_template import MATERIAL, TEMPLATE
from texscan.survey.outcome import PatchOutcome, panel_outcome
from texscan.survey.records import FieldTest, Patch, SurveyPanel

# --- one panel, worked by hand


def test_recoating_12_m2():
    rows = quantities.quantities_of(plain_basis(), choice.RECOAT, exact_means())
    for coat in COATS:  # 12 m2, 50 um, 50 %, loss 0.20 -> 1.50 L
        assert lines(rows, "paint", coat.name).ends == pytest.approx((1.5, 1.5, 1.5))
    assert lines(rows, "tape").likely == pytest.approx(14.0)
    assert lines(rows, "sanding", "P120").likely == pytest.approx(12.0)
    assert lines(rows, "paint lost", "primer").likely == pytest.approx(0.3)  # 20 % of 1.5 L
    assert not [row for row in rows if row.item in ("filler powder", "epoxy", "grit")]
    # r = 0.5 doubles it: DFT_min / (r 10 VS%) / (1 - LF)
    assert lines(rows, quantities.FULL_PEAKS, "primer").likely == pytest.approx(3.0)
    # 0.25 mm over 12 m2 at 50 % solids
    assert lines(rows, quantities.BURYING).likely == pytest.approx(6.0)


def test_filling_12_m2_flat_and_broadcasting_grit():
    rows = quantities.quantities_of(plain_basis(), choice.RETEXTURE, exact_means())
    assert lines(rows, "filler, mixed").likely == pytest.approx(3.0)  # 0.25 mm x 12 m2
    assert lines(rows, "epoxy").likely == pytest.approx(1.797, abs=5e-4)
    assert lines(rows, "filler powder").likely == pytest.approx(0.359, abs=5e-4)
    assert lines(rows, "sanding", "P80").likely == pytest.approx(24.0)
    assert lines(rows, "grit that stays").likely == pytest.approx(12 * 0.424, rel=1e-3)  # 0.4 mm, 0.6, 2650
    assert lines(rows, "grit").likely == pytest.approx(3 * 12 * 0.424, rel=1e-3)


def test_sealing_coat_sinks_into_the_grit():
    # all of the 0.240 mm between the grains: 12 m2 x 0.240 / (1 - 0.20) more for the coat that follows the grit
    rows = quantities.quantities_of(plain_basis(), choice.RETEXTURE, exact_means(grit_sink=1))
    assert lines(rows, "paint", "topcoat 1").likely == pytest.approx(1.5)
    assert lines(rows, "paint", "topcoat 2").likely == pytest.approx(1.5 + 12 * 0.240 / 0.8)


def test_cutting_to_the_floors_makes_dust_and_needs_no_filler():
    rows = quantities.quantities_of(plain_basis(), choice.RETEXTURE, exact_means('flatten = "cut"'))
    assert lines(rows, "dust").likely == pytest.approx(2.4)  # 0.2 mm x 12 m2
    assert not [row for row in rows if row.item in ("filler powder", "filler, mixed", "epoxy")]


def test_discs_by_what_they_take_off():
    text = 'flatten = "cut"\n[[disc]]\ngrit = 80\nm2_per_disc = 4\nl_per_disc = 0.1\n'
    rows = quantities.quantities_of(plain_basis(), choice.RETEXTURE, exact_means(text))
    assert lines(rows, "discs", "P80").likely == pytest.approx(24.0)  # 2.4 L / 0.1, more than 24 m2 / 4
    sheet = 'flatten = "cut"\n[[disc]]\ngrit = 80\ndiameter_mm = 150\ntimes_own_area = 100\n'
    rows = quantities.quantities_of(plain_basis(), choice.RETEXTURE, exact_means(sheet))
    assert lines(rows, "discs", "P80").likely == pytest.approx(24 / 1.767, rel=1e-3)  # pi 0.15^2 / 4 = 0.01767 m2


def test_grit_in_paint_goes_by_the_topcoats():
    means = exact_means('texture = "grit-in-paint"\n[materials]\ngrit_per_paint = 0.1')
    rows = quantities.quantities_of(plain_basis(), choice.RETEXTURE, means)
    assert lines(rows, "grit").likely == pytest.approx(0.1 * 3.0)  # two topcoats of 1.5 L


def test_thick_coating_and_gelcoat_stand_for_the_topcoats():
    thick = exact_means('texture = "texture-coating"', texture_coating_wet=800)
    rows = quantities.quantities_of(plain_basis(), choice.RETEXTURE, thick)
    assert lines(rows, "texture coating").likely == pytest.approx(12 * 0.8 / 0.8)  # 0.8 mm, loss 0.20
    assert [row.detail for row in rows if row.item == "paint"] == ["primer"]
    rows = quantities.quantities_of(plain_basis(), choice.RETEXTURE, exact_means('texture = "moulded"'))
    assert lines(rows, "gelcoat").ends == pytest.approx((4.8, 6.0, 7.2))  # 0.4, 0.5, 0.6 mm
    assert not [row for row in rows if row.item == "paint"]


def test_thinner_is_of_the_paint():
    # exam case: 500 m2, 2 coats, 60 um, 65 %, thinned by 15 %, loss 40 % -> paint 153.8 L, thinner 23.1 L
    coats = tuple(Coat(f"coat {n}", "topcoat", 0.65, 60 * 1.15 / 0.65, thinning=0.15) for n in (1, 2))
    rows = quantities.quantities_of(plain_basis(500.0, coats=coats), choice.RECOAT, exact_means(loss_rolled=0.40))
    assert sum(one.likely for one in lines(rows, "paint")) == pytest.approx(153.8, abs=0.05)
    assert sum(one.likely for one in lines(rows, "thinner")) == pytest.approx(23.1, abs=0.05)


def test_a_coat_that_may_leave_nothing_on_the_peaks_has_no_paint_for_them():
    coats = (replace(PRIMER, peak_share=(0.0, 0.5, 0.9)),)
    rows = quantities.quantities_of(plain_basis(coats=coats), choice.RECOAT, exact_means())
    assert lines(rows, "paint", "primer").likely == pytest.approx(1.5)
    assert quantities.FULL_PEAKS not in [row.item for row in rows]


def test_ways_to_recoat_differ_in_coats_and_loss():
    means = exact_means(loss_sprayed=0.40)
    fewer = quantities.quantities_of(plain_basis(), "fewer-coats", means)
    assert [row.detail for row in fewer if row.item == "paint"] == ["primer", "topcoat 2"]
    sprayed = quantities.quantities_of(plain_basis(), "sprayed", means)
    assert lines(sprayed, "paint", "primer").likely == pytest.approx(2.0)  # 12 m2 / 10 m2/L / 0.6
    assert quantities.quantities_of(plain_basis(), choice.NO_WORK, means) == ()


def test_labour_counts_what_the_user_gives_a_pace_for():
    # hours = sum(area / pace): 12 m2 at 2 m2/h are 6 h, three coats at 8 m2/h 4.5 h, 14 m of tape at 10 m/h 1.4 h;
    # low and high take the fast and the slow pace
    text = "[pace]\nkey = 2\ncoat = [6, 8, 12]\nmask = 10\n[labour]\nh_per_fitting = 0.5\n"
    rows = quantities.quantities_of(plain_basis(fittings=3), choice.RECOAT, exact_means(text))
    assert lines(rows, "labour", "key").likely == pytest.approx(6.0)
    assert lines(rows, "labour", "coat").ends == pytest.approx((3.0, 4.5, 6.0))
    assert lines(rows, "labour", "mask").likely == pytest.approx(1.4)
    assert lines(rows, "labour", "fittings").likely == pytest.approx(1.5)
    assert len([row for row in rows if row.item == "labour"]) == 4
    assert lines(rows, quantities.WITHOUT_PACE, "wash").likely == pytest.approx(12.0)  # said, and in no total
    assert not [row for row in orders.totals(rows) if row.item == quantities.WITHOUT_PACE]


def test_fewer_coats_that_a_result_does_not_name_are_refused():
    panel = SurveyPanel("deck", area_m2=12)
    outcomes = (panel_outcome("deck", (patch(fewer=()),), panel),)
    survey = survey_of(panel)
    for users, refused in (((), False), ((("deck", "fewer-coats"),), True)):
        picked = choice.choices(outcomes, survey, users)
        if not refused:
            found = boat.boat_quantities(outcomes, survey, picked, exact_means(), share_guard=GUARD)
            assert "fewer-coats" not in [row.option for row in found.rows]
            continue
        with pytest.raises(SettingsError, match="does not name the coats"):
            boat.boat_quantities(outcomes, survey, picked, exact_means(), share_guard=GUARD)


def test_a_local_repair_takes_the_share_of_the_area():
    basis = plain_basis(bad_share=Figure(0.20, 0.25, 0.30, "measured"))
    rows = quantities.quantities_of(basis, "local-repair", exact_means())
    assert lines(rows, "area").ends == pytest.approx((2.4, 3.0, 3.6))
    assert lines(rows, "filler, mixed").likely == pytest.approx(0.75)  # 0.25 mm x 3 m2


def test_edge_of_an_unmeasured_outline_lies_between_circle_and_long_rectangle():
    # a circle, a rectangle 2 : 1 and one of 4 : 1, each of 8 m2
    low, likely, high = edge_of_area(exactly(8.0, USER)).ends
    assert (low, likely, high) == pytest.approx((2 * (3.14159265 * 8) ** 0.5, 2 * (2 + 4), 2 * (2**0.5 + 32**0.5)))


def test_an_own_loss_on_the_data_sheet_goes_before_the_usual_one():
    text = '[[paint]]\nname = "P"\ncoats = ["primer"]\nloss = 0.5'
    rows = quantities.quantities_of(plain_basis(), choice.RECOAT, exact_means(text))
    assert lines(rows, "paint", "primer").likely == pytest.approx(2.4)  # 1.2 L / 0.5
    assert "loss 0.5 (data sheet)" in next(r.rests_on for r in rows if r.item == "paint" and r.detail == "primer")
    assert lines(rows, "paint", "topcoat 1").likely == pytest.approx(1.5)


# --- what a panel rests on


def test_patches_count_by_their_share_of_the_area():
    panel = SurveyPanel("deck", area_m2=10, patches=(Patch("a", share_of_area=0.75), Patch("b", share_of_area=0.25)))
    outcome = panel_outcome("deck", (patch("a", fill=0.2, sdr=0.10), patch("b", fill=0.4, sdr=0.02)), panel)
    basis = basis_of(outcome, survey_of(panel), share_guard=GUARD)
    assert basis.fill_mm.likely == pytest.approx(0.75 * 0.2 + 0.25 * 0.4)
    assert basis.true_area.likely == pytest.approx(1.08)
    assert basis.fill_mm.low < 0.25 < basis.fill_mm.high


def test_coats_that_nobody_stated_are_marked_assumed():
    panel = SurveyPanel("deck", area_m2=10)
    outcome = panel_outcome("deck", (patch(),), panel)
    assert basis_of(outcome, survey_of(panel, coats=()), share_guard=GUARD).coats_source == ASSUMED
    own = replace(panel, coats=(PRIMER,))
    found = basis_of(outcome, survey_of(own), share_guard=GUARD)
    assert (found.coats, found.coats_source) == ((PRIMER,), USER)
    assert "forecast with other coats" in found.notes[0]


def test_a_panel_without_area_says_what_to_write():
    panel = SurveyPanel("port side deck")
    with pytest.raises(SettingsError, match=r"no area for 'port side deck'\. Write area_m2 = \.\.\. or sides_m"):
        basis_of(panel_outcome(panel.name, (patch(),), panel), survey_of(panel), share_guard=GUARD)


@pytest.mark.parametrize("area", [-3.0, 0.0])
def test_a_negative_area_is_refused(area):
    panel = SurveyPanel("deck", area_m2=area)
    with pytest.raises(SettingsError, match="more than 0 is needed"):
        basis_of(panel_outcome("deck", (patch(),), panel), survey_of(panel), share_guard=GUARD)


def test_a_scored_panel_that_the_survey_does_not_know_is_named():
    with pytest.raises(SettingsError, match=r"no panel 'deck', which is scored\. Add \[\[panel\]\]"):
        basis_of(panel_outcome("deck", (patch(),), None), survey_of(), share_guard=GUARD)


def test_a_damaged_result_is_named():
    panel = SurveyPanel("deck", area_m2=1)
    broken = patch()
    broken.score["options"] = [{"offered": True}]
    with pytest.raises(SettingsError, match="result of 'deck' is damaged"):
        basis_of(panel_outcome("deck", (broken,), panel), survey_of(panel), share_guard=GUARD)


# --- the boat


def boat_of(*areas, actions=None, text="", chosen=(), **figures):
    names = [f"panel {n}" for n in range(len(areas))]
    panels = tuple(SurveyPanel(name, area_m2=area) for name, area in zip(names, areas, strict=True))
    actions = actions or ["recoat"] * len(areas)
    outcomes = tuple(
        panel_outcome(panel.name, (patch(action=action),), panel)
        for panel, action in zip(panels, actions, strict=True)
    )
    survey = survey_of(*panels)
    picked = choice.choices(outcomes, survey, tuple(chosen))
    return boat.boat_quantities(outcomes, survey, picked, exact_means(text, **figures), share_guard=GUARD)


PRICED = """
currency = "EUR"
tax_percent = 20
contingency_percent = [5, 10, 15]
[labour]
hourly = 40
fixed_h = 2.5
[[paint]]
name = "primer P"
coats = ["primer"]
pack_l = 0.75
mix = [2, 1]
price = 31.99
[[paint]]
name = "gloss"
coats = ["topcoat 1", "topcoat 2"]
pack_l = [2.0, 1.0]
mix = [2, 1]
price = [50, 20]
[[buy]]
item = "tape"
pack = 50
price = 3.335
[[sum]]
name = "tent"
price = [100, 150, 300]
"""


def test_packs_are_rounded_up_once_for_the_boat():
    found = boat_of(6.0, 6.0, text=PRICED)
    (case,) = found.cases
    order = {one.what: one for one in case.orders}
    assert order["primer P"].needed.likely == pytest.approx(1.5)  # two panels of 0.75 L
    assert order["primer P"].packs[1] == 2  # 1.50 L, 0.75 L pack
    assert order["primer P, base"].needed.likely == pytest.approx(1.0)  # 1.5 L at 2 : 1
    assert order["primer P, hardener"].needed.likely == pytest.approx(0.5)
    assert order["gloss"].needed.likely == pytest.approx(3.0)  # both topcoats, at 2 : 1 -> 2.0 + 1.0
    assert order["gloss, base"].packs[1] == 1
    assert order["gloss, hardener"].packs[1] == 1


def test_money_of_a_boat_worked_by_hand():
    found = boat_of(6.0, 6.0, text=PRICED)
    (priced,) = found.costs
    likely = {line.words: line.ends[1] for line in quantity_table.cost_lines(priced)}
    # edges of 6 m2: 3 sqrt(2) sqrt(6) = 10.39 m each, 20.8 m together: one roll. 3.335 rounds half up to 3.34
    assert likely["primer P"] == Decimal("63.98")
    assert likely["gloss, base"] == Decimal("50.00") and likely["gloss, hardener"] == Decimal("20.00")
    assert likely["tape"] == Decimal("3.34")
    assert likely["labour"] == Decimal("100.00")  # 2.5 h x 40, no paces given
    assert likely["tent"] == Decimal("150.00")
    assert likely["subtotal"] == Decimal("387.32")
    assert likely["contingency"] == Decimal("38.73")  # 10 % = 38.732
    assert likely["tax"] == Decimal("85.21")  # 20 % of 426.05
    assert likely["total"] == Decimal("511.26")
    assert priced.not_priced == ("labour of wash, mask, key, coat",)


def test_what_has_no_price_is_said():
    found = boat_of(6.0, actions=["sand-flat-and-retexture"], text='currency = "EUR"\n[labour]\nhourly = 40\n')
    missing = found.costs[0].not_priced
    assert {"primer", "epoxy", "grit", "tape"} <= set(missing)
    assert missing[-1] == "labour of wash, mask, sand_flat, fill, key, coat, texture"


def test_without_rates_quantities_stand_without_money():
    assert boat_of(6.0).costs == ()


def test_an_undecided_panel_is_worked_out_both_ways():
    found = boat_of(4.0, 5.0, actions=["recoat", "inconclusive"])
    assert [case.name for case in found.cases] == [orders.RECOATED, orders.SANDED]
    areas = [{(row.panel, row.option) for row in case.rows} for case in found.cases]
    assert areas[0] == {("panel 0", "recoat-as-planned"), ("panel 1", "recoat-as-planned")}
    assert areas[1] == {("panel 0", "recoat-as-planned"), ("panel 1", "sand-flat-and-retexture")}
    stands = {orders.standing(row, found.choices) for row in found.rows if row.panel == "panel 1"}
    assert stands == {"undecided", "other way"}


def test_the_owner_decides_before_the_survey_and_the_survey_before_the_photos():
    panel = SurveyPanel("deck", area_m2=4, chosen="sprayed")
    outcome = (panel_outcome("deck", (patch(),), panel),)
    assert choice.choices(outcome, survey_of(panel))[0].options == ("sprayed",)
    picked = choice.choices(outcome, survey_of(panel), (choice.choice_from_text("deck=local-repair"),))
    assert picked[0].options == ("local-repair",)


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("deck", "PANEL=OPTION is needed"),
        ("dekc=sprayed", "no panel 'dekc'. Did you mean 'deck'"),
        ("deck=spraid", "no option 'spraid'. Did you mean 'sprayed'"),
    ],
)
def test_an_unknown_choice_is_refused_with_the_nearest(text, sentence):
    panel = SurveyPanel("deck", area_m2=4)
    outcome = (panel_outcome("deck", (patch(),), panel),)
    with pytest.raises(SettingsError, match=sentence.replace("?", r"\?")):
        choice.choices(outcome, survey_of(panel), (choice.choice_from_text(text),))


def test_a_choice_against_the_result_and_lead_are_said():
    panel = SurveyPanel("deck", area_m2=4, lead=FieldTest("swab", "found"))
    score = patch().score
    score["options"][0]["offered"] = False
    outcomes = (panel_outcome("deck", (PatchOutcome("", "deck", score),), panel),)
    survey = survey_of(panel)
    picked = choice.choices(outcomes, survey, (("deck", choice.RECOAT),))
    notes = boat.boat_quantities(outcomes, survey, picked, exact_means(), share_guard=GUARD).notes
    assert any("recoat-as-planned is planned, though the result speaks against it" in note for note in notes)
    assert any("Lead was found (swab)" in note for note in notes)


def test_a_panel_that_is_not_scored_is_said_to_be_left_out():
    panels = (SurveyPanel("deck", area_m2=4), SurveyPanel("locker", area_m2=1))
    outcomes = (panel_outcome("deck", (patch(),), panels[0]),)
    survey = survey_of(*panels)
    found = boat.boat_quantities(outcomes, survey, choice.choices(outcomes, survey), exact_means(), share_guard=GUARD)
    assert "locker: in the survey but not scored; it is in no quantity." in found.notes


def test_smooth_borders_take_paint_too():
    # edges of 14 m, 0.15 m wide: 2.1 m2 -> 2.1 / 10 / 0.8 = 0.2625 L a coat, beside the panel's own 1.5 L
    panel = SurveyPanel("deck", area_m2=12, perimeter_m=14)
    outcomes = (panel_outcome("deck", (patch(),), panel),)
    survey = survey_of(panel)
    picked = choice.choices(outcomes, survey)
    painted, bare = (
        boat.boat_quantities(outcomes, survey, picked, exact_means(), share_guard=GUARD, yard=one)
        for one in (yard.Yard(), yard.Yard(smooth_areas=False))
    )
    litres = [
        next(line.figure for line in found.cases[0].totals if line.detail == "primer") for found in (painted, bare)
    ]
    assert litres[1].likely == pytest.approx(1.5)
    assert litres[0].likely == pytest.approx(1.5 + 0.2625)
    stated = yard.Yard(smooth_area_m2=exactly(4.0, USER))
    found = boat.boat_quantities(outcomes, survey, picked, exact_means(), share_guard=GUARD, yard=stated)
    assert next(row.figure.likely for row in found.rows if row.panel == quantities.SMOOTH) == pytest.approx(4.0)


# --- laws

areas = st.floats(0.05, 200)


@settings(max_examples=25, deadline=None)
@given(st.lists(areas, min_size=1, max_size=4), st.sampled_from(["recoat", "sand-flat-and-retexture"]))
def test_quantities_add_over_panels(sizes, action):
    found = boat_of(*sizes, actions=[action] * len(sizes), text=PRICED)
    (case,) = found.cases
    for line in case.totals:
        own = [row.figure for row in case.rows if (row.item, row.detail) == (line.item, line.detail)]
        for end in range(3):
            assert line.figure.ends[end] == pytest.approx(sum(one.ends[end] for one in own))
    # one panel of all the area takes the same paint and filler: nothing is rounded before the boat
    whole = boat_of(sum(sizes), actions=[action], text=PRICED).cases[0]
    for item in ("paint", "filler, mixed", "grit", "sanding"):
        ours = [line.figure.ends for line in case.totals if line.item == item]
        assert ours == [pytest.approx(line.figure.ends) for line in whole.totals if line.item == item]


@settings(max_examples=25, deadline=None)
@given(st.lists(areas, min_size=1, max_size=3))
def test_packs_of_the_boat_cover_its_litres(sizes):
    for order in boat_of(*sizes, text=PRICED).cases[0].orders:
        if order.packs is not None:
            for end in range(3):
                assert order.packs[end] * order.pack >= order.needed.ends[end] * (1 - 1e-6)


@settings(max_examples=25, deadline=None)
@given(areas, st.floats(1.0, 3.0), st.sampled_from(choice.OPTIONS))
def test_more_area_never_takes_less(area, times, option):
    few, many = (
        quantities.quantities_of(
            replace(plain_basis(size), edge_m=edge_of_area(exactly(size, USER))), option, exact_means()
        )
        for size in (area, area * times)
    )
    assert [row.item for row in few] == [row.item for row in many]
    for one, other in zip(few, many, strict=True):
        assert all(b >= a * (1 - 1e-9) for a, b in zip(one.figure.ends, other.figure.ends, strict=True))


def test_every_line_names_its_source_and_rises():
    found = boat_of(4.0, 5.0, actions=["inconclusive", "sand-flat-and-retexture"], text=PRICED)
    for row in found.rows:
        assert row.figure.source in ("measured", "data sheet", "user", "assumed")
        assert row.figure.low <= row.figure.likely <= row.figure.high


def test_the_weakest_source_names_the_line():
    means = exact_means('[materials]\nloss_rolled = { value = 0.1, source = "data sheet" }')
    rows = quantities.quantities_of(plain_basis(), choice.RECOAT, means)
    assert next(row.figure.source for row in rows if row.item == "paint lost") == USER  # area and film are the user's
    assert means["loss_rolled"].source == DATA_SHEET


# --- tables


def test_a_name_that_looks_like_a_formula_is_quoted_in_the_table():
    panel = SurveyPanel("=2+5", area_m2=4)
    outcomes = (panel_outcome(panel.name, (patch(),), panel),)
    survey = survey_of(panel)
    found = boat.boat_quantities(outcomes, survey, choice.choices(outcomes, survey), exact_means(), share_guard=GUARD)
    rows = quantity_table.quantities_csv(found).decode().splitlines()
    assert all(row.startswith(("'=2+5,", "whole boat,")) for row in rows[1:])


@pytest.mark.parametrize(
    ("unit", "ours", "theirs"), [("m2", 1, 10.7639), ("m", 1, 3.28084), ("L", 1, 0.264172), ("kg", 1, 2.20462)]
)
def test_imperial_units_of_nist(unit, ours, theirs):
    # NIST SP 811, appendix B.8
    assert ours * quantity_table.IMPERIAL[unit][1] == pytest.approx(theirs, rel=1e-5)


def test_amounts_are_printed_in_the_surveys_units():
    litres = Figure(3.0, 3.785411784, 4.0, USER)
    assert quantity_table.amount(litres, "L", "imperial") == "1.00 US gal (0.79 to 1.06)"
    assert quantity_table.amount(litres, "L", "metric") == "3.79 L (3.00 to 4.00)"


# --- the rates file


def test_the_template_reads_as_no_rates_at_all():
    assert rates.rates_from_toml(TEMPLATE, "rates.toml") == rates.Rates()


def test_the_template_holds_no_figure_of_ours_and_names_every_entry():
    entries = [line for line in TEMPLATE.splitlines() if re.match(r"# \w+ =", line)]
    for line in entries:
        assert line.split("=", 1)[1].split("#")[0].strip() == "", line
    named = {line.split("=")[0].strip("# ") for line in entries}
    wanted = {*rates.PAINT_KEYS, *rates.DISC_KEYS, *materials.KNOWN, *materials.OPTIONAL, "currency", "decimals",
              "tax_percent", "contingency_percent", "texture", "flatten", "hourly", "fixed_h", "item"}  # fmt: skip
    assert wanted <= named
    assert all(good in TEMPLATE for good in rates.GOODS)


FILLED = {
    "currency": '"EUR"', "decimals": "2", "tax_percent": "20", "contingency_percent": "[5, 10, 15]",
    "texture": '"grit-in-paint"', "flatten": '"fill"', "hourly": "40", "fixed_h": "8", "h_per_fitting": "0.5",
    "name": '"n"', "coats": '["primer"]', "pack_l": "0.75", "price": "10", "mix": "[2, 1]", "loss": "[0.1, 0.2, 0.3]",
    "source": '"data sheet"', "item": '"tape"', "pack": "50", "grit": "80", "m2_per_disc": "1", "l_per_disc": "0.1",
}  # fmt: skip


def test_the_template_filled_in_is_a_rates_file():
    lines = []
    for line in MATERIAL.splitlines():
        entry = re.match(r"# (\w+) =( +#.*)?$", line)
        if re.match(r"# \[", line):
            lines.append(line[2:])
        elif entry and entry[1] not in ("diameter_mm", "times_own_area"):  # they stand for m2_per_disc
            value = '"fill"' if entry[1] == "flatten" else FILLED.get(entry[1], "1")
            value = "5" if entry[1] == "texture" and "[pace]" in "".join(lines) else value
            lines.append(f"{entry[1]} = {value} {entry[2] or ''}")
    found = rates.rates_from_toml("\n".join(lines), "rates.toml")
    assert set(found.paces) == set(rates.PACES)
    assert found.paints[0].mix == (2, 1) and found.goods["tape"].pack == 50 and found.discs[0].grit == 80
    assert set(found.materials) == set(materials.KNOWN) | set(materials.OPTIONAL)


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("currencey = 'EUR'", "unknown entry 'currencey'. Did you mean 'currency'"),
        ("[labour]\nhourly = 40", "prices and no currency"),
        ("[[paint]]\nname = 'P'\ncoats = []", "names of coats"),
        ("[[paint]]\nname = 'P'\ncoats = ['a']\npack_l = [1, 2]", "one pack and its price for the kit"),
        ("[[paint]]\nname = 'P'\ncoats = ['a']\nloss = 1.5", "from 0 to 0.95"),
        ("[[paint]]\nname = 'P'\ncoats = ['a']\n[[paint]]\nname = 'Q'\ncoats = ['a']", "the coat 'a' more than once"),
        ("[[paint]]\nname = 'P'\ncoats = ['a']\nsource = 'a friend'", '"user" or "data sheet" is needed'),
        ("[[buy]]\nitem = 'varnish'\npack = 1", "one of thinner, epoxy"),
        ("[[buy]]\nitem = 'tape'\npack = 0", "from 0.001"),
        ("[[disc]]\ngrit = 80", "m2_per_disc, or diameter_mm and times_own_area"),
        ("[[sum]]\nname = 'tent'", "has no price"),
        ("contingency_percent = [3, 2, 1]", "must rise"),
        ("texture = 'sand'", "one of broadcast-grit"),
        ("decimals = 1.5", "a whole number"),
        ("tax_percent = -1", "a number from 0"),
        ("paint = 3", "Write each one under"),
        ("labour = 3", "Write it under"),
    ],
)
def test_wrong_rates_are_refused_in_words(text, sentence):
    with pytest.raises(SettingsError) as refusal:
        rates.rates_from_toml(text, "rates.toml")
    assert sentence in str(refusal.value)
    assert str(refusal.value).startswith("rates.toml")


@pytest.mark.parametrize(
    ("table", "sentence"),
    [
        ({"filler_wast": 0.1}, "Did you mean 'filler_waste'"),
        ({"epoxy_density": [1.0, 1.1, 1.2]}, "it is a recipe, so one number is needed"),
        ({"loss_rolled": [0.3, 0.2, 0.1]}, "must rise"),
        ({"grit_cover": 1.0}, "from 0.01 to 0.91"),
    ],
)
def test_wrong_material_figures_are_refused_in_words(table, sentence):
    with pytest.raises(SettingsError) as refusal:
        materials.with_users(SHIPPED, table, "rates.toml, materials")
    assert sentence in str(refusal.value)


def test_grit_in_paint_needs_the_users_figure():
    with pytest.raises(SettingsError, match="grit_per_paint"):
        quantities.quantities_of(plain_basis(), choice.RETEXTURE, exact_means('texture = "grit-in-paint"'))


def test_shipped_figures_say_where_they_come_from():
    assert set(SHIPPED) == set(materials.KNOWN)
    assert all(material.provenance and material.figure.source == ASSUMED for material in SHIPPED.values())


def test_sums_round_half_up_line_by_line():
    case = orders.Case("as chosen", (), (), ())
    three = rates.rates_from_toml(
        'currency = "X"\ndecimals = 0\n[[sum]]\nname = "a"\nprice = 0.5\n[[sum]]\nname = "b"\nprice = 1.5', "r"
    )
    assert costs.costs_of(case, three).whole.ends == (Decimal(3),) * 3  # 1 + 2; half to even would give 0 + 2


def test_measured_is_cut_at_zero():
    from texscan.plan.figure import of_measured

    assert of_measured(Measured(0.1, -0.1, 0.3)).ends == (0.0, 0.1, 0.3)
