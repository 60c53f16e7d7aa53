"""
Loose photos to sets. Where each photo belongs is known because the scenes are made so; laws (each photo once, order
and clock do not matter, one tag a set) hold for any photos.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from texscan.capture.grouping import PhotoSet, Pose, Sighted, agreements, group, names

ABOVE = Pose((100.0, 100.0, 400.0), 90.0)
SIDES = (10.0, 100.0, 190.0, 280.0)


def lit(file, taken_s, azimuth_deg, **more):
    return Sighted(
        file, taken_s, **{"pose": ABOVE, "azimuth_deg": azimuth_deg, "elevation_deg": 25.0, "paper_light": 0.5} | more
    )


def patch_of(seed, noise=0.0):
    """A map of one deck: the same for the same seed, with its own noise."""
    own = np.random.default_rng(1000 * seed + int(1e6 * noise))
    return np.random.default_rng(seed).standard_normal((120, 120)) + noise * own.standard_normal((120, 120))


def files_of(sets):
    return [one.photos for one in sets]


def test_four_sides_within_a_minute_are_one_set_and_the_next_turn_is_another():
    first = [lit(f"a{k}", 20.0 * k, side) for k, side in enumerate(SIDES)]
    second = [lit(f"b{k}", 140.0 + 20.0 * k, side) for k, side in enumerate(SIDES)]
    assert files_of(group(first + second)) == [("a0", "a1", "a2", "a3"), ("b0", "b1", "b2", "b3")]


def test_two_tags_never_go_together_and_a_hidden_tag_follows_its_set():
    seen = [lit("a", 0, 10, tag=3), lit("b", 10, 100), lit("c", 20, 190, tag=4), lit("d", 30, 280, tag=4)]
    sets = group(seen)
    assert files_of(sets) == [("a", "b"), ("c", "d")]
    assert [one.tag for one in sets] == [3, 4]
    assert names(sets) == ("tag-03", "tag-04")


def test_two_patches_of_one_tag_have_a_name_each():
    seen = [lit("a", 0, 10, tag=3), lit("b", 900, 10, tag=3), lit("c", 1800, 50)]
    assert names(group(seen)) == ("tag-03/patch-1", "tag-03/patch-2", "set-01")


def test_a_long_pause_ends_a_set():
    assert files_of(group([lit("a", 0, 10), lit("b", 1000, 190)])) == [("a",), ("b",)]


@pytest.mark.parametrize("pose", [Pose((100.0, 100.0, 700.0), 90.0), Pose((100.0, 100.0, 400.0), 0.0)])
def test_another_place_of_the_camera_is_another_set(pose):
    assert files_of(group([lit("a", 0, 10), lit("b", 10, 190, pose=pose)])) == [("a",), ("b",)]


def test_photos_that_show_one_patch_go_together_across_the_photos_of_another():
    """Two people, two cards: the patches alternate, and all stand at one place."""
    seen = [lit(f"{name}{k}", 10.0 * k, side, patch=patch_of(seed, 0.5 + 0.01 * k))
            for k, side in enumerate(SIDES) for name, seed in (("p", 1), ("q", 2))]  # fmt: skip
    assert sorted(files_of(group(seen))) == [("p0", "p1", "p2", "p3"), ("q0", "q1", "q2", "q3")]


def test_a_photo_taken_again_counts_once_and_the_last_one_stays():
    seen = [lit("a", 0, 10, patch=patch_of(1, 0.1)), lit("b", 9, 12, patch=patch_of(1, 0.2)),
            lit("c", 20, 190, patch=patch_of(1, 0.3))]  # fmt: skip
    (one,) = group(seen)
    assert one.photos == ("b", "c")
    assert one.left_out == (("a", "Taken again with the torch at the same place: b is used."),)


def test_the_dark_photo_without_shadows_is_the_torch_off_photo_and_a_bad_one_is_not():
    off = Sighted("off", 30, pose=ABOVE, paper_light=0.03, refusal="No shadow.")
    bad = Sighted("bad", 31, pose=ABOVE, paper_light=0.5, refusal="Blurred.")
    (one,) = group([off, bad, lit("a", 0, 10), lit("b", 15, 190)])
    assert one == PhotoSet(("a", "b"), "off", None, (("bad", "Blurred."),))


def test_a_photo_without_a_card_stands_alone():
    sets = group([lit("a", 0, 10), Sighted("dog.jpg", 5, refusal="No card.")])
    assert files_of(sets) == [("a",), ()]
    assert sets[1].left_out == (("dog.jpg", "No card."),)


def test_agreements_are_correlations_where_both_maps_are_known():
    """Against numpy's corrcoef, pair by pair."""
    maps = [patch_of(k % 3, 0.3 + 0.1 * k) for k in range(70)]  # more than one block
    for k, one in enumerate(maps):
        one[k : k + 20] = np.nan
    table = agreements([*maps, None, np.ones((3, 3)), np.full((120, 120), np.nan)])
    for a, b in [(0, 1), (0, 3), (5, 69), (66, 2), (7, 7)]:
        both = np.isfinite(maps[a]) & np.isfinite(maps[b])
        assert table[a, b] == pytest.approx(np.corrcoef(maps[a][both], maps[b][both])[0, 1], abs=1e-4)
    assert np.isnan(table[70:]).all() and np.isfinite(table[:70, :70]).all()
    assert np.array_equal(table, table.T, equal_nan=True)


def photo_lists():
    one = st.builds(
        Sighted,
        file=st.just(""),
        taken_s=st.integers(0, 2000).map(float),
        tag=st.sampled_from([None, None, 1, 2]),
        pose=st.sampled_from([None, ABOVE, ABOVE, Pose((100.0, 300.0, 400.0), 90.0)]),
        azimuth_deg=st.sampled_from([None, *SIDES]),
        elevation_deg=st.just(25.0),
        refusal=st.sampled_from(["", "", "", "Blurred."]),
        paper_light=st.sampled_from([None, 0.02, 0.5]),
        patch=st.sampled_from([None, patch_of(1), patch_of(2)]),
    )
    return st.lists(one, max_size=12).map(lambda many: [replace(s, file=f"{k}") for k, s in enumerate(many)])


@settings(max_examples=60, deadline=None)
@given(photo_lists(), st.randoms(use_true_random=False), st.sampled_from([-1e6, 0.0, 1e9]))
def test_every_photo_is_in_one_set_whatever_the_order_and_the_clock(seen, random, shift_s):
    sets = group(seen)
    assert sorted(file for one in sets for file in one.files) == sorted(s.file for s in seen)
    mixed = [replace(s, taken_s=s.taken_s + shift_s) for s in seen]
    random.shuffle(mixed)
    assert group(mixed) == sets
    by_file = {s.file: s for s in seen}
    for one in sets:
        assert len({by_file[f].tag for f in one.files} - {None}) <= 1
        assert len(set(names(sets))) == len(sets)
