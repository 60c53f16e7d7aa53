"""The commands that read a result again: why it says what it says, and what a test patch says of the paint."""

import json
import math
import tomllib

import numpy as np
import pytest
import tifffile
from typer.testing import CliRunner

from texscan.cautions import CAUTIONS, CLOSING
from texscan.cli import app
from texscan.coats import coats_from_toml
from texscan.errors import SettingsError
from texscan.explain import explain, explained, recommendation_from

STEP = 0.2
WAYS = ("recoat-as-planned", "fewer-coats", "sprayed", "local-repair", "sand-flat-and-retexture", "no-work-due")


def said_by(done) -> str:
    """What a command said on stderr; Click before 8.2 mixes it into the output."""
    try:
        return done.stderr
    except ValueError:
        return done.output


def texscan(*arguments, expect=0):
    done = CliRunner().invoke(app, [*map(str, arguments)])
    assert done.exit_code == expect, done.output
    return done


def ridges(amplitude_mm, path):
    """A sinusoid of pitch 3 mm, 50 mm by 40 mm, as a height map file."""
    x = np.arange(250) * STEP
    height = np.tile(amplitude_mm * np.cos(2 * np.pi * x / 3), (200, 1))
    tifffile.imwrite(path, height.astype(np.float32))
    return path


def scored(folder, amplitude_mm, *more):
    heights = ridges(amplitude_mm, folder.with_suffix(".tif"))
    texscan("score", "--heights", heights, "--step-mm", STEP, "--out", folder, *more)
    return folder


@pytest.fixture(scope="module")
def deep(tmp_path_factory):
    """0.5 mm of relief before a coat."""
    return scored(tmp_path_factory.mktemp("deep") / "before", 0.25, "--existing", "one-part", "--planned", "one-part")


def data_of(folder):
    return json.loads((folder / "score.json").read_text(encoding="utf-8"))


def test_a_result_holds_every_option_with_its_figures_and_cautions(deep):
    data = data_of(deep)
    assert tuple(way["name"] for way in data["options"]) == WAYS
    assert [way["name"] for way in data["options"] if way["recommended"]] == ["recoat-as-planned"]
    ways = {way["name"]: way for way in data["options"]}
    planned = ways["recoat-as-planned"]["void_depth_mm"]
    last = data["coats"]["void_depth_mm"][-1]
    assert planned == {end: last[end] for end in ("low", "likely", "high")}
    # Void depth of a sinusoid is its amplitude below Smc(2 %), cos(0.02 pi) of it; filler goes up to that plane.
    assert ways["sand-flat-and-retexture"]["fill_mm"]["value"] == pytest.approx(0.25, abs=0.006)
    assert ways["no-work-due"]["void_depth_mm"] is None and ways["no-work-due"]["fill_mm"] is None
    for way in ways.values():
        assert way["cautions"][-1] == CLOSING
        assert CAUTIONS["no-slip-rating"] in way["cautions"]
    assert CAUTIONS["epoxy"] in ways["sand-flat-and-retexture"]["cautions"]
    assert data["job"]["existing"] == "one-part" and data["job"]["rag_test"] is None


def test_explain_prints_what_each_rule_saw_the_options_and_the_cautions(deep):
    data, text = data_of(deep), texscan("explain", deep).output
    joined = " ".join(text.split())
    for rule in data["recommendation"]["rules"]:
        assert f"{rule['name']}: {rule['outcome']} {rule['sentence']}" in joined
        assert rule["would_change_it"] in joined
    for way in data["options"]:
        assert f"{way['title']}: {way['sentence']}" in joined
        assert all(warning in joined for warning in way["warnings"])
    assert f"- {CAUTIONS['isocyanates']}" in joined
    assert CAUTIONS["epoxy"] not in joined  # belongs to another option than the recommended one
    assert joined.endswith(CLOSING)
    assert "void depth left: for recoat" in joined and "the limit is 0.08 mm, cleared by" in joined


@pytest.mark.parametrize("width", [40, 60, 79, 80, 100])
def test_no_line_is_wider_than_the_terminal(deep, width):
    lines = explained(data_of(deep), name="score.json", width=width)
    assert max(map(len, lines)) <= width
    assert "* Recoat as planned" in "\n".join(lines)


def test_figures_of_the_table_stand_below_their_heads(deep):
    lines = explained(data_of(deep), name="score.json", width=80)
    (head,) = (line for line in lines if "void left" in line)
    rows = {line[2:33].strip(): line for line in lines if line[33:36] in ("yes", "no ", "no")}
    assert rows["Recoat as planned"].startswith("*")
    assert rows["Repair the worn or filled part"][head.index("offered") :].startswith("no")
    assert rows["Recoat as planned"][head.index("void left") :].startswith("0.")
    assert rows["Sand flat and retexture"][head.index("filler") :].startswith("0.2")


def test_the_file_gives_back_the_decision_it_was_written_from(deep):
    entry = data_of(deep)["recommendation"]
    decided = recommendation_from(entry, "score.json")
    assert [r.would_change_it for r in decided.readings] == [r["would_change_it"] for r in entry["rules"]]
    assert explain(decided).startswith("recoat\n* old coating: for recoat")


def test_an_open_decision_gets_the_longer_cautions(tmp_path):
    out = scored(tmp_path / "open", 0.25, "--existing", "unknown", "--planned", "two-part")
    assert data_of(out)["recommendation"]["action"] == "inconclusive"
    text = " ".join(texscan("explain", out).output.split())
    assert "Cautions for whatever follows:" in text
    assert CAUTIONS["epoxy"] in text and text.endswith(CLOSING)


def test_a_folder_without_a_result_is_one_sentence(tmp_path):
    done = texscan("explain", tmp_path / "nowhere", expect=1)
    assert said_by(done).count("\n") == 1 and "nowhere" in said_by(done)
    (tmp_path / "score.json").write_text('{"schema": "another"}', encoding="utf-8")
    assert "no texscan result" in said_by(texscan("explain", tmp_path, expect=1))


@pytest.mark.parametrize(
    "change",
    [
        lambda d: d.pop("recommendation"),
        lambda d: d.pop("options"),
        lambda d: d["options"][0].pop("title"),
        lambda d: d["options"][0].update(void_depth_mm={"low": "deep", "high": 1}),
        lambda d: d.update(recommendation=3),
    ],
    ids=["no recommendation", "no options", "no title", "words for a number", "a number for a table"],
)
def test_a_result_that_is_not_whole_is_refused_in_words(deep, change):
    data = data_of(deep)
    change(data)
    with pytest.raises(SettingsError, match="Score the patch again"):
        explained(data, name="score.json")


def test_what_a_terminal_takes_for_a_command_is_not_printed(deep):
    data = data_of(deep)
    data["panel"] = "Bow\x1b[2J"
    assert "\x1b" not in "\n".join(explained(data, name="score.json"))


# Trade practice, several published trade sources: two-part solvents lift a one-part film, which a rag test shows.
@pytest.mark.parametrize(
    ("rag_test", "action", "words"),
    [("two-part:15:unharmed", "recoat", "two-part film takes"),
     ("two-part:15:lifted", "sand-flat-and-retexture", "own reducer lifted"),
     ("two-part:2:unharmed", "inconclusive", "has not been found out")],
)  # fmt: skip
def test_the_rag_test_decides_on_an_unknown_film(tmp_path, rag_test, action, words):
    job = ("--existing", "unknown", "--planned", "two-part", "--rag-test", rag_test)
    data = data_of(scored(tmp_path / "a", 0.25, *job))
    assert data["recommendation"]["action"] == action
    assert words in data["recommendation"]["rules"][0]["sentence"]
    assert data["job"]["rag_test"]["minutes"] == float(rag_test.split(":")[1])


@pytest.mark.parametrize(
    "text", ["two-part", "two-part:long:lifted", "acid:15:lifted", "two-part:15:melted", "two-part:15:lifted:1"]
)
def test_a_rag_test_that_is_no_record_is_a_wrong_call(tmp_path, text):
    done = texscan("score", "a.jpg", "--out", tmp_path / "a", "--rag-test", text, expect=2)
    assert "two-part:15:unharmed" in " ".join(said_by(done).replace("│", " ").split())


def test_hours_since_the_last_coat_open_the_recoat_window(deep, tmp_path):
    # 24 h: common practice, no source.
    job = ("--existing", "one-part", "--planned", "one-part", "--hours-since-coat", "12")
    rule = data_of(scored(tmp_path / "a", 0.25, *job))["recommendation"]["rules"][-1]
    assert (rule["outcome"], rule["sentence"]) == (
        "not applied", "Not read: the last coat is still inside its recoat window.")  # fmt: skip
    assert data_of(deep)["recommendation"]["rules"][-1]["outcome"] == "for recoat"


def test_the_generic_systems_are_listed_with_where_their_figures_come_from():
    text = texscan("coats", "--list").output
    for words in (
        "two-part-sprayed: ",
        "48 % solids, 80 um wet, 35 um dry",
        "wet_um: from memory",
        "policy = set by",
    ):
        assert words in text


def test_a_system_is_written_as_a_coats_file_and_never_over_another(tmp_path):
    out = tmp_path / "mine.toml"
    texscan("coats", "--system", "two-part-rolled", "--out", out)
    text = out.read_text(encoding="utf-8")
    coats = coats_from_toml(text, "mine.toml")
    assert [coat.kind for coat in coats] == ["primer", "topcoat", "topcoat"]
    # Industry coating guides: DFT = WFT VS% / (100 + T); 80 um at 48 % thinned by 10 % is 34.9 um.
    assert coats[1].dry_um == pytest.approx(34.9, abs=0.05)
    assert "# volume_solids: from memory" in text
    assert max(map(len, text.splitlines())) <= 120
    assert "is there already" in said_by(texscan("coats", "--system", "default", "--out", out, expect=1))
    assert out.read_text(encoding="utf-8") == text
    done = texscan("coats", "--system", "two-part-roled", "--out", tmp_path / "b.toml", expect=1)
    assert "Did you mean 'two-part-rolled'" in said_by(done)


def test_a_test_patch_before_and_after_one_coat_gives_the_peak_share(deep, tmp_path):
    # Closed forms: a sinusoid's void depth is A cos(0.02 pi), its amplitude behind the Gaussian S-filter of ISO
    # 16610-61 exp(-ln 2 (0.25 / 3)^2); conservation of paint gives r = 1 - (Vb - Va) / dry film, of 40 um.
    after = scored(tmp_path / "after", 0.24)
    left = math.cos(0.02 * math.pi) * math.exp(-math.log(2) * (0.25 / 3) ** 2)
    share = 1 - left * 0.010 / 0.040
    out = tmp_path / "measured.toml"
    done = texscan("coats", "--from", deep, after, "--coat", "topcoat 1", "--out", out)
    primer, first, second = coats_from_toml(out.read_text(encoding="utf-8"), "measured.toml")
    assert first.peak_share[1] == pytest.approx(share, abs=0.01)  # 15 samples a wave: 1 % of the change
    assert first.peak_share[0] <= share <= first.peak_share[2]
    assert second.peak_share == first.peak_share  # laid alike
    assert primer.peak_share == (0.3, 0.5, 0.9)  # another kind: not measured
    assert f"Peak share: {first.peak_share[1]:.2f}" in done.output
    assert "measured on a test patch of topcoat 1" in out.read_text(encoding="utf-8")
    assert tomllib.loads(out.read_text(encoding="utf-8"))["coat"][1]["wet_um"] == 80


@pytest.mark.parametrize(
    ("coat", "words"), [("4", "1 (primer), 2 (topcoat 1), 3 (topcoat 2)"), ("varnish", "no coat 'varnish'")]
)
def test_a_coat_that_is_not_in_the_system_is_named(deep, tmp_path, coat, words):
    other = tmp_path / "other"
    other.mkdir()
    (other / "score.json").write_text((deep / "score.json").read_text(encoding="utf-8"), encoding="utf-8")
    assert words in said_by(texscan("coats", "--from", deep, other, "--coat", coat, expect=1))


def test_a_patch_that_gains_void_depth_is_no_test_of_a_coat(deep, tmp_path):
    after = scored(tmp_path / "deeper", 0.30)
    done = texscan("coats", "--from", deep, after, "--coat", "2", expect=1)
    assert "Check that both sets show the same patch" in said_by(done)
    assert "named twice" in said_by(texscan("coats", "--from", deep, deep, "--coat", "2", expect=1))


@pytest.mark.parametrize(
    "arguments", [[], ["--list", "--system", "default"], ["--system", "default"], ["--from", "a", "b"],
                  ["--list", "--coat", "1"]]
)  # fmt: skip
def test_a_call_that_asks_for_nothing_or_two_things_is_wrong(arguments):
    texscan("coats", *arguments, expect=2)
