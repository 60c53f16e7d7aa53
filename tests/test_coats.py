"""The coats file: what it takes, what it refuses and in which words."""

from pathlib import Path

import pytest

from texscan.coating import DEFAULT_COATS
from texscan.coats import coats_from_toml, describe, systems_from_toml, to_toml, with_peak_share
from texscan.errors import SettingsError
from texscan.model import Measured

SHIPPED = Path(__file__).parents[1] / "calibration" / "coats.toml"
GOOD = """
[[coat]]
name = "primer"
kind = "primer"
volume_solids = 0.5
dry_um = 50
thinning = 0.1
peak_share = [0.2, 0.4, 0.8]
[[coat]]
name = "topcoat"
kind = "topcoat"
volume_solids = 0.65
wet_um = 100
"""


def test_coats_come_in_the_order_they_are_laid():
    primer, topcoat = coats_from_toml(GOOD, "coats.toml")
    # Industry coating guides: WFT = DFT (100 + T) / VS%, 50 * 110 / 50 = 110 um; 50 % thinned by 10 % is 45.45 %.
    assert primer.wet_um == pytest.approx(110)
    assert primer.solids_as_applied == pytest.approx(0.4545, abs=5e-5)
    assert primer.peak_share == (0.2, 0.4, 0.8)
    assert topcoat.dry_um == pytest.approx(65)
    assert topcoat.peak_share == (0.3, 0.5, 0.9)
    assert describe((primer, topcoat)) == "primer, 50 um; topcoat, 65 um dry"


# Industry coating guides: WFT = DFT 100 / VS%.
@pytest.mark.parametrize(
    ("dry", "solids", "thinning", "wet"), [(50, 0.5, 0, 100), (100, 0.65, 0, 153.8), (100, 0.65, 0.2, 184.6)]
)
def test_dry_films_become_wet_films_as_the_guides_say(dry, solids, thinning, wet):
    text = f'[[coat]]\nname="a"\nkind="primer"\nvolume_solids={solids}\ndry_um={dry}\nthinning={thinning}'
    assert coats_from_toml(text, "coats.toml")[0].wet_um == pytest.approx(wet, abs=0.05)


def test_a_viscosity_stands_in_for_the_peak_share():
    text = GOOD.replace("peak_share = [0.2, 0.4, 0.8]", "viscosity_pa_s = [1, 3, 10]\nopen_time_s = 120")
    flow = coats_from_toml(text, "coats.toml")[0].flow
    assert flow.viscosity_pa_s == (1, 3, 10)
    assert flow.open_time_s == 120


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("volume_solids = 0.5\n", "volume_solid = 0.5\n", "'volume_solid'. Did you mean 'volume_solids'"),
        ('[[coat]]\nname = "topcoat"', '[[coats]]\nname = "topcoat"', "unknown entry 'coats'. Did you mean 'coat'"),
        ("wet_um = 100", "", "coat 2 has neither wet_um nor dry_um; exactly one of them is needed"),
        ("wet_um = 100", "wet_um = 100\ndry_um = 50", "coat 2 has both wet_um and dry_um"),
        ("volume_solids = 0.65", "volume_solids = 65", "volume_solids is 65; a number from 0.01 to 1 is needed"),
        ("volume_solids = 0.65", "volume_solids = true", "volume_solids is True"),
        ("volume_solids = 0.65", "volume_solids = nan", "volume_solids is nan"),
        ("kind = \"topcoat\"", "kind = \"varnish\"", "kind is 'varnish'; primer or topcoat is needed"),
        ("[0.2, 0.4, 0.8]", "[0.4, 0.2, 0.8]", "the three numbers must rise"),
        ("[0.2, 0.4, 0.8]", "0.4", "three numbers [low, likely, high] are needed"),
        ("name = \"primer\"", "name = 3", "name is 3; words in quotes are needed"),
        ("thinning = 0.1", "open_time_s = 60", "both peak_share and open_time_s"),
        ("name = \"primer\"", "name = ", "not valid TOML"),
    ],
)  # fmt: skip
def test_a_wrong_coats_file_is_refused_in_words(old, new, words):
    assert old in GOOD
    with pytest.raises(SettingsError) as refusal:
        coats_from_toml(GOOD.replace(old, new, 1), "coats.toml")
    assert words in str(refusal.value)
    assert str(refusal.value).startswith("coats.toml")


@pytest.mark.parametrize("text", ["", "coat = 3", "coat = [1]"])
def test_a_file_without_coats_is_refused(text):
    with pytest.raises(SettingsError, match=r"\[\[coat\]\]"):
        coats_from_toml(text, "coats.toml")


def test_the_shipped_systems_are_whole_and_state_where_figures_come_from():
    text = SHIPPED.read_text(encoding="utf-8")
    systems = systems_from_toml(text, "coats.toml")
    assert systems["default"].coats == DEFAULT_COATS
    assert {"two-part-rolled", "two-part-sprayed", "one-part-rolled"} <= set(systems)
    assert text.count("sources = {") == sum(len(system.coats) for system in systems.values())
    for system in systems.values():
        for coat in system.coats:
            assert 25 <= coat.dry_um <= 60  # span of data sheets of deck paint seen: 25 to 60 um dry a coat


def test_coats_written_out_read_back_the_same():
    flowing = coats_from_toml(
        GOOD.replace("peak_share = [0.2, 0.4, 0.8]", "viscosity_pa_s = [1, 3, 10]\nopen_time_s = 120"), "coats.toml"
    )
    for coats in (coats_from_toml(GOOD, "coats.toml"), flowing, DEFAULT_COATS):
        assert coats_from_toml(to_toml(coats), "again.toml") == coats
    measured = with_peak_share(flowing, Measured(0.4, 0.35, 0.5))
    assert {coat.peak_share for coat in measured} == {(0.35, 0.4, 0.5)}
    assert coats_from_toml(to_toml(measured), "again.toml") == measured


def test_two_systems_of_one_name_are_refused():
    one = '[[system]]\nname = "a"\n' + GOOD.replace("[[coat]]", "[[system.coat]]")
    with pytest.raises(SettingsError, match="two systems named 'a'"):
        systems_from_toml(one + one, "systems.toml")
