"""
The decision: guard bands, rules of the trade, and laws that no set of limits may break.

Guard bands after JCGM 106: a rule speaks when the whole interval clears the limit. The rules about coatings are trade
practice (several published trade sources; the rag test's minutes: common practice, no source). The figures of the
decks below are made up; no outcome here is a measured truth about footing.
"""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from texscan.cautions import CAUTIONS, CLOSING, OF_OPTION, cautions_of
from texscan.coating import DEFAULT_COATS, forecast
from texscan.compatibility import (
    AGAINST,
    FOR,
    OPEN,
    Job,
    RagTest,
    after_rag_test,
    paint_verdict,
    window_at_temperature,
    window_state,
)
from texscan.errors import SettingsError
from texscan.explain import explain, recommendation_from
from texscan.limits import limits_from_toml, zone_limits
from texscan.model import Budget, Coat, Filters, Measured, Reach, Term, Zone, ZoneMap
from texscan.settle import missing_azimuths
from texscan.verdict import compare, decide
from texscan.zones import ZoneLimits

LIMITS_TEXT = (Path(__file__).parents[1] / "calibration" / "limits.toml").read_text(encoding="utf-8")
LIMITS = limits_from_toml(LIMITS_TEXT, "limits.toml")
NOT_STATED = Job()
SQUARE_MM = np.array([[0.0, 0.0], [100.0, 0.0], [100.0, 100.0], [0.0, 100.0]])


def around(value, relative_u):
    return Measured.from_u(value, relative_u * value, at_least=0.0)


def deck(relief, void, *, u=0.05, shares=(1.0, 0.0, 0.0), reference="limits", bad=(0.2, 0.08)):
    """Zones of a patch: the sound part with this relief and void depth, worn and filled parts with `bad`."""
    zones = []
    for condition, share in zip(("sound", "worn", "filled"), shares, strict=True):
        if share > 0:
            r, v = (relief, void) if condition == "sound" else bad
            zones.append(Zone(condition, SQUARE_MM, 1e4 * share, around(r, u), around(v, u), None))
    named = {"sound": shares[0], "worn": shares[1], "filled": shares[2]}
    figures = {"relief_mm": relief, "void_depth_mm": void, "contact_area_fraction": 0.3}
    return ZoneMap(np.ones((2, 2), np.uint8), tuple(zones), named, reference, figures)


def ridges(depth, void):
    """Square ridges of this depth with land so that the void depth is as given, as a height map."""
    land = 1 - void / depth
    return np.tile(np.where(np.arange(1000) < 1000 * land, depth, 0.0), (4, 1))


def verdict(
    relief,
    void,
    *,
    u=0.05,
    coats=DEFAULT_COATS,
    job=NOT_STATED,
    limits=LIMITS,
    gap=0.01,
    **zones,
):
    budget = Budget((Term("all", u),))
    figures = {"relief_mm": around(relief, u), "void_depth_mm": around(void, u)}
    left = forecast(ridges(relief, void), 0.1, coats, filters=Filters(), budget=budget)
    reach = (Reach(0.5, Measured(0.9, 0.85, 0.95), Measured(gap, gap * 0.9, gap * 1.1)),)
    return decide(figures, deck(relief, void, u=u, **zones), left, reach, job=job, limits=limits)


# --- guard bands


@pytest.mark.parametrize(
    ("low", "high", "wants", "outcome", "margin"),
    [
        (0.16, 0.20, "above", FOR, 0.01),
        (0.15, 0.20, "above", FOR, 0.0),
        (0.14, 0.20, "above", OPEN, 0.0),
        (0.10, 0.15, "above", OPEN, 0.0),
        (0.10, 0.14, "above", AGAINST, 0.01),
        (0.10, 0.14, "below", FOR, 0.01),
        (0.10, 0.16, "below", OPEN, 0.0),
        (0.16, 0.20, "below", AGAINST, 0.01),
    ],
)
def test_a_rule_speaks_only_when_the_interval_clears_the_limit(low, high, wants, outcome, margin):
    assert compare(Measured((low + high) / 2, low, high), 0.15, wants) == (outcome, pytest.approx(margin))


# --- the limits divide decks


@pytest.mark.parametrize(("relief", "void"), [(0.5, 0.25), (0.6, 0.3), (0.75, 0.4)])
@pytest.mark.parametrize("coats", [DEFAULT_COATS[:2], DEFAULT_COATS])
def test_a_deep_sound_texture_is_recoated(relief, void, coats):
    assert verdict(relief, void, coats=coats).action == "recoat"


@pytest.mark.parametrize(("relief", "void"), [(0.25, 0.1), (0.2, 0.08), (0.1, 0.03)])
def test_a_shallow_texture_is_sanded_flat(relief, void):
    found = verdict(relief, void, shares=(0.0, 0.0, 1.0), bad=(relief, void))
    assert found.action == "sand-flat-and-retexture"


def test_a_half_filled_deck_is_sanded_flat_though_its_sound_part_is_deep():
    assert verdict(0.6, 0.3, shares=(0.5, 0.0, 0.5)).action == "sand-flat-and-retexture"


def test_a_small_worn_lane_does_not_condemn_the_deck():
    assert verdict(0.6, 0.3, shares=(0.9, 0.1, 0.0)).action == "recoat"


@pytest.mark.parametrize(
    ("share", "action"),
    [(0.15, "recoat"), (0.22, "inconclusive"), (0.28, "inconclusive"), (0.35, "sand-flat-and-retexture")],
)
def test_a_worn_part_decides_only_as_far_as_its_share_is_known(share, action):
    # the share is known to 5 %: on either side of 25 % the same deck must not flip from one action to the other
    assert verdict(0.6, 0.3, shares=(1 - share, share, 0.0)).action == action


def test_a_share_that_hangs_on_the_size_of_a_reference_decides_nothing():
    zones = deck(0.6, 0.3, reference="named")
    figures = {"relief_mm": around(0.6, 0.05), "void_depth_mm": around(0.3, 0.05)}
    left = forecast(ridges(0.6, 0.3), 0.1, DEFAULT_COATS, filters=Filters(), budget=Budget())
    reach = (Reach(0.5, Measured(0.9, 0.85, 0.95), Measured(0.01, 0.009, 0.011)),)
    for lost_share, action in (((0.0, 0.1), "recoat"), ((0.0, 1.0), "inconclusive")):
        unsure = replace(zones, lost_share=lost_share)
        assert decide(figures, unsure, left, reach, job=NOT_STATED, limits=LIMITS).action == action


def test_many_coats_bury_a_texture_that_few_leave():
    assert verdict(0.45, 0.22, coats=DEFAULT_COATS[:1]).action == "recoat"
    running = replace(DEFAULT_COATS[0], peak_share=(0.2, 0.3, 0.4))
    assert verdict(0.45, 0.22, coats=(running,) * 8).action == "sand-flat-and-retexture"
    assert (
        verdict(0.45, 0.22, coats=DEFAULT_COATS * 4).action == "inconclusive"
    )  # nobody knows what stays on the peaks


def test_valleys_that_cannot_be_keyed_need_a_fresh_film():
    assert verdict(0.6, 0.3, gap=0.2).action == "sand-flat-and-retexture"
    # inside the recoat window the next coat bonds without keying (24 h: common practice, no source)
    assert verdict(0.6, 0.3, gap=0.2, job=Job(hours_since_coat=12.0)).action == "recoat"
    assert verdict(0.6, 0.3, gap=0.2, job=Job(hours_since_coat=30.0)).action == "sand-flat-and-retexture"


def test_a_named_reference_makes_the_limits_relative():
    # a fine texture, sound by the boat's own reference: 0.4 of 0.16 mm has to remain, one thin coat leaves that
    thin = (Coat("thin", "topcoat", 0.5, 50.0),)
    assert verdict(0.3, 0.16, coats=thin, reference="named").action == "recoat"
    assert verdict(0.3, 0.16, coats=thin).action == "inconclusive"


def test_a_patch_without_figures_is_never_recoated():
    left = forecast(ridges(0.5, 0.25), 0.1, DEFAULT_COATS, filters=Filters(), budget=Budget())
    bare = ZoneMap(np.ones((2, 2), np.uint8), (), {"sound": 1.0, "worn": 0.0, "filled": 0.0}, "limits", {})
    found = decide({"relief_mm": None}, bare, left, (), job=NOT_STATED, limits=LIMITS)
    assert found.action == "inconclusive"
    figures = {"relief_mm": around(0.5, 0.05), "void_depth_mm": around(0.25, 0.05)}
    assert decide(figures, bare, left, (), job=NOT_STATED, limits=LIMITS).action == "recoat"


# --- sentences


def test_the_reasons_state_number_limit_and_margin():
    found = verdict(0.6, 0.3)
    assert found.reasons[1] == (
        # V' = V - 0.12 (1 - r): r 0.3 on 0.3 (1 - 1.96 x 0.05), and r 0.9 on 0.3 (1 + 1.96 x 0.05)
        "After three coats 0.19 to 0.32 mm of void depth remain on the patch; "
        "the limit is 0.08 mm, cleared by 0.11 mm."
    )
    assert found.flags == ("coating-not-stated",)
    assert all(sentence.endswith(".") for sentence in (*found.reasons, *found.would_change_it))


def test_what_would_change_it_is_the_film_that_would_use_up_the_margin():
    found = verdict(0.6, 0.3, u=0.0)
    # at worst 0.7 of each film drains: 0.22 mm of spare void / 0.7 = 314 um
    assert "More than 314 um of dry film in all (120 um are planned)." in found.would_change_it


def test_a_texture_near_the_limits_says_which_reference_would_turn_it():
    found = verdict(0.34, 0.25, u=0.01)
    assert found.action == "recoat"
    # 0.34 mm is 0.6 of 0.57 mm
    words = "A reference patch with more than 0.57 mm of relief: this one would then be worn or filled."
    assert words in found.would_change_it
    named = deck(0.34, 0.25, u=0.01, reference="named")
    deeper = replace(named, reference_figures={"relief_mm": 0.60, "void_depth_mm": 0.3})
    left = forecast(ridges(0.34, 0.25), 0.1, DEFAULT_COATS[:1], filters=Filters(), budget=Budget())
    assert decide({}, deeper, left, (), job=NOT_STATED, limits=LIMITS).action == "sand-flat-and-retexture"


def test_the_tree_tells_every_rule_and_marks_those_that_carry():
    found = verdict(0.6, 0.3, shares=(0.5, 0.0, 0.5))
    tree = explain(found)
    assert tree.splitlines()[0] == "sand-flat-and-retexture"
    for reading in found.readings:
        assert reading.sentence in tree
        assert (f"* {reading.name}: against recoat" in tree) == (reading.outcome == AGAINST)


def test_the_tree_of_a_result_file_is_that_of_the_decision():
    found = verdict(0.6, 0.3, shares=(0.5, 0.0, 0.5))
    entry = {
        "action": found.action,
        "reasons": list(found.reasons),
        "would_change_it": list(found.would_change_it),
        "rules": [
            {"name": r.name, "outcome": r.outcome, "sentence": r.sentence, "would_change_it": r.would_change_it}
            for r in found.readings
        ],
    }
    assert explain(recommendation_from(entry, "score.json")) == explain(found)
    with pytest.raises(SettingsError, match=r"score\.json has no whole recommendation"):
        recommendation_from({"action": "recoat"}, "score.json")


# --- what would settle an open decision


def test_an_open_decision_asks_for_the_side_that_is_missing():
    job = Job(azimuths_deg=(12.0, 190.0))
    found = verdict(0.31, 0.2, u=0.1, job=job)
    assert found.action == "inconclusive"
    assert found.would_change_it[0] == "Take two more photos of this patch with the torch at 100 and 280 degrees."


# Geometry of a circle: the missing sides are opposite and square to the first light.
@pytest.mark.parametrize(
    ("taken", "missing"),
    [
        ((), ()),
        ((30.0,), (210, 120)),
        ((30.0, 210.0), (120, 300)),
        ((358.0, 91.0, 180.0), (270,)),
        ((0.0, 90.0, 180.0, 270.0), ()),
        ((0.0, 20.0), (180, 90)),
    ],
)
def test_missing_sides(taken, missing):
    assert missing_azimuths(taken) == missing


def test_with_all_four_sides_lit_a_reference_is_asked_for():
    found = verdict(0.31, 0.2, u=0.1, job=Job(azimuths_deg=(0.0, 90.0, 180.0, 270.0)))
    assert "reference patch" in found.would_change_it[0]


def test_a_wide_peak_share_asks_for_a_test_patch():
    found = verdict(0.45, 0.17, u=0.02)
    assert found.action == "inconclusive"
    assert "test patch with one coat" in found.would_change_it[0]


# --- coatings

COMPATIBLE = [
    ("gelcoat", "one-part", FOR),
    ("gelcoat", "two-part", FOR),
    ("two-part", "one-part", FOR),
    ("two-part", "two-part", FOR),
    ("one-part", "one-part", FOR),
    ("unknown", "one-part", FOR),
    ("one-part", "two-part", AGAINST),
    ("unknown", "two-part", OPEN),
]


@pytest.mark.parametrize(("existing", "planned", "outcome"), COMPATIBLE)
def test_what_may_go_over_what(existing, planned, outcome):
    assert paint_verdict(Job(existing, planned), LIMITS).outcome == outcome


@pytest.mark.parametrize("existing", ["one-part", "unknown", None])
def test_two_part_paint_is_never_offered_over_a_film_that_it_may_lift(existing):
    found = verdict(0.75, 0.4, job=Job(existing, "two-part"))
    assert found.action != "recoat"
    if existing != "one-part":
        assert found.action == "inconclusive"
        assert found.would_change_it[0].startswith("Do the rag test")
        assert "10 to 20 minutes" in found.would_change_it[0]


@pytest.mark.parametrize(
    ("stated", "reducer", "minutes", "seen", "known"),
    [
        ("unknown", "two-part", 15, "unharmed", "two-part"),
        (None, "two-part", 15, "unharmed", "two-part"),
        ("unknown", "two-part", 5, "unharmed", "unknown"),
        ("unknown", "one-part", 15, "unharmed", "unknown"),
        ("unknown", "two-part", 15, "softened", "one-part"),
        ("unknown", "one-part", 2, "wrinkled", "one-part"),
        ("two-part", "two-part", 15, "lifted", "one-part"),
        ("one-part", "two-part", 15, "unharmed", "one-part"),
        ("gelcoat", "two-part", 15, "softened", "gelcoat"),
    ],
)
def test_what_the_rag_test_tells(stated, reducer, minutes, seen, known):
    job = Job(stated, "two-part", RagTest(reducer, minutes, seen))
    assert after_rag_test(job, LIMITS).existing == known


def test_a_film_that_its_own_kind_of_reducer_lifts_comes_off():
    job = Job("one-part", "one-part", RagTest("one-part", 15, "lifted"))
    assert paint_verdict(job, LIMITS).outcome == AGAINST


def test_words_that_are_no_coating_are_refused():
    with pytest.raises(SettingsError, match="'varnish'; one of gelcoat, one-part, two-part, unknown"):
        Job(existing="varnish")
    with pytest.raises(SettingsError, match="rag test"):
        Job(rag_test=RagTest("two-part", 10, "fine"))


# A data sheet's window of 16 to 48 h, worked by hand.
@pytest.mark.parametrize(("hours", "state"), [(10, "wait"), (16, "coat"), (24, "coat"), (48, "coat"), (60, "key")])
def test_recoat_window(hours, state):
    assert window_state(hours, 16, 48) == state


def test_times_between_the_sheets_temperatures_are_log_linear_and_never_beyond():
    sheet = ((10.0, 48.0), (20.0, 24.0), (30.0, 12.0))  # halves every 10 degrees, so exact in between: 24 sqrt 2
    assert window_at_temperature(sheet, 15.0) == pytest.approx(24 * 2**0.5)
    assert window_at_temperature(sheet, 30.0) == 12.0
    with pytest.raises(SettingsError, match="10 to 30 degrees"):
        window_at_temperature(sheet, 5.0)


# --- laws

DECKS = {
    "relief": st.floats(0.1, 0.9),
    "share": st.floats(0.0, 1.0),
    "filled": st.booleans(),
    "void_share": st.floats(0.2, 0.8),
    "u": st.floats(0.0, 0.2),
    "reference": st.sampled_from(["limits", "patch", "named"]),
    "gap": st.floats(0.0, 0.15),
}
STRICTER = {  # name: the direction that asks for more
    "void_left_mm": 1,
    "void_left_of_reference": 1,
    "relief_mm": 1,
    "relief_of_reference": 1,
    "worn_or_filled_share": -1,
    "reach_gap_mm": -1,
}
RANK = {"recoat": 0, "inconclusive": 1, "sand-flat-and-retexture": 2}


def drawn(values, limits=LIMITS, coats=DEFAULT_COATS[:1], u=None):
    bad = (0.0, 0.0, values["share"]) if values["filled"] else (0.0, values["share"], 0.0)
    return verdict(
        values["relief"],
        values["relief"] * values["void_share"],
        u=values["u"] if u is None else u,
        coats=coats,
        limits=limits,
        gap=values["gap"],
        shares=(1 - values["share"], *bad[1:]),
        reference=values["reference"],
    )


@given(st.fixed_dictionaries(DECKS), st.sampled_from(sorted(STRICTER)), st.floats(0.0, 0.3))
@settings(max_examples=60, deadline=None)
def test_a_stricter_limit_never_turns_retexture_into_recoat(values, name, change):
    limit = LIMITS.decision[name]
    moved = min(max(limit.value + STRICTER[name] * change, 0.0), 5.0)
    stricter = replace(LIMITS, decision=LIMITS.decision | {name: replace(limit, value=moved)})
    before, after = drawn(values), drawn(values, limits=stricter)
    if before.action == "sand-flat-and-retexture":
        assert after.action != "recoat"
    assert not (RANK[before.action] > 0 and after.action == "recoat")


@given(st.fixed_dictionaries(DECKS), st.floats(0.0, 0.2))
@settings(max_examples=40, deadline=None)
def test_worse_light_never_turns_the_decision_round(values, more):
    sharp, dull = drawn(values, u=0.0), drawn(values, u=more)
    assert {sharp.action, dull.action} != {"recoat", "sand-flat-and-retexture"}


@given(st.fixed_dictionaries(DECKS), st.integers(1, 4))
@settings(max_examples=30, deadline=None)
def test_more_coats_never_make_a_recoat_better(values, more):
    few, many = drawn(values, coats=DEFAULT_COATS[:1]), drawn(values, coats=(DEFAULT_COATS[0],) * (1 + more))
    assert RANK[many.action] >= RANK[few.action]


@given(st.fixed_dictionaries(DECKS))
@settings(max_examples=30, deadline=None)
def test_every_verdict_has_a_reason_and_says_what_would_change_it(values):
    found = drawn(values)
    assert found.reasons
    assert found.would_change_it


# --- the limits file


def test_the_shipped_limits_are_those_that_the_zones_use():
    assert zone_limits(LIMITS) == ZoneLimits()
    for section in (LIMITS.decision, LIMITS.zones, LIMITS.practice):
        for limit in section.values():
            assert limit.reason
            assert limit.provenance


def test_a_limits_file_changes_what_it_states_and_no_more():
    mine = limits_from_toml("[decision]\nvoid_left_mm = 0.2", "mine.toml", LIMITS)
    assert mine.decision["void_left_mm"].value == 0.2
    assert mine.decision["void_left_mm"].provenance == "set by the user's limits file"
    assert replace(mine, decision=LIMITS.decision) == LIMITS


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[decision]\nvoid_left = 0.2", "unknown entry 'void_left'. Did you mean 'void_left_mm'"),
        ("[decisions]\nvoid_left_mm = 0.2", "unknown entry 'decisions'. Did you mean 'decision'"),
        ("[decision]\nvoid_left_mm = -1", "void_left_mm is -1; a number from 0 to 5 is needed"),
        ("[decision.void_left_mm]\nvalue = 0.2", "reason is None; words in quotes are needed"),
        ("[zones]\nsound_relief_mm = 0.1", "the first must not be larger than the second"),
        ("zones = 3", "is no table"),
    ],
)
def test_a_wrong_limits_file_is_refused_in_words(text, words):
    with pytest.raises(SettingsError) as refusal:
        limits_from_toml(text, "mine.toml", LIMITS)
    assert words in str(refusal.value)


def test_without_a_base_the_limits_must_be_complete():
    with pytest.raises(SettingsError, match="lacks void_left_mm"):
        limits_from_toml("", "mine.toml")


# --- cautions


def test_every_option_carries_its_cautions_and_none_claims_a_rating():
    # Hazards by published guidance of health authorities: isocyanates in two-part paint, epoxy in filler, dust
    # of old paint, solvent vapour, self-heating rags, falls.
    assert set(OF_OPTION["sand-flat-and-retexture"]) == set(CAUTIONS)
    for option, names in OF_OPTION.items():
        assert {"falls", "no-slip-rating"} <= set(names)
        assert cautions_of(option)[-1] == CLOSING
    assert "air-fed" in CAUTIONS["isocyanates"]
    assert "data and safety sheets, local codes" in CLOSING
    assert "not a slip rating" in CLOSING
    assert cautions_of("recoat") == cautions_of("recoat-as-planned")
