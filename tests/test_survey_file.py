"""survey.toml: what it takes, what it refuses, in which words and with which line."""

import re
import tomllib
from dataclasses import fields
from datetime import date
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from typer.testing import CliRunner

from texscan.cli import app
from texscan.compatibility import Job, paint_verdict
from texscan.errors import SettingsError
from texscan.inputs import read_limits, read_survey
from texscan.survey.area import panel_area_m2
from texscan.survey.checking import lacking, slips
from texscan.survey.lines import lines_of
from texscan.survey.photos import find_photos, missing_files, panels_in, photos_of
from texscan.survey.reading import PANEL_KEYS, SURVEY_KEYS, survey_from_toml
from texscan.survey.records import Boat, Crew, DeckPlan, Looks, Party, Patch, Survey, SurveyPanel
from texscan.survey.template import survey_template

SAMPLES = Path(__file__).parents[1] / "sample_images"
GOOD = """\
surveyor = "Sam Sample"
surveyed_on = 2026-05-16
[boat]
name = "Imaginary"
length_m = 11.0
[crew]
people = 2
first_day = 2026-06-01
last_day = 2026-06-26
closed = [2026-06-04]
[[panel]]
name = "foredeck"
photos = ["foredeck/*.jpg"]
tag = 3
sides_m = [2.0, 1.2]
existing = "gelcoat"
[[panel]]
name = "side deck"
outline_m = [[0, 0], [2, 0], [2, 1]]
rag_test = { reducer = "two-part", minutes = 10, seen = "unharmed" }
[panel.adhesion]
method = "ISO 2409"
outcome = "holds"
[[panel.patch]]
name = "worst"
photos = ["side/worst/*.jpg"]
share_of_area = 0.25
[[panel.patch]]
name = "typical"
photos = ["side/typical/*.jpg"]
share_of_area = 0.75
"""


def test_a_survey_is_read_as_written():
    survey = survey_from_toml(GOOD, "survey.toml")
    assert survey.boat.name == "Imaginary"
    assert survey.surveyed_on == date(2026, 5, 16)
    assert survey.crew.closed == (date(2026, 6, 4),)
    assert survey.crew.days_off == ("saturday", "sunday")
    fore, side = survey.panels
    assert fore.sets == (Patch("", ("foredeck/*.jpg",)),)
    assert (fore.tag, fore.sides_m, fore.existing) == (3, (2.0, 1.2), "gelcoat")
    assert [patch.share_of_area for patch in side.sets] == [0.25, 0.75]
    assert side.rag_test.seen == "unharmed"
    assert side.adhesion.outcome == "holds"


# What is written instead of what, the line where the slip stands (counted by hand in GOOD), words of the sentence.
SLIPS = [
    ('surveyor = "Sam Sample"', 'surveyr = "Sam"', 1, "unknown entry 'surveyr'. Did you mean 'surveyor'?"),
    ("surveyed_on = 2026-05-16", 'surveyed_on = "16 May"', 2, "a date without quotes is needed, such as 2026-05-31"),
    ('name = "Imaginary"', 'name = ""', 4, "boat: name is ''; a name in quotes is needed: name = \"...\""),
    ('name = "Imaginary"\n', "", 3, 'boat has no name. Write name = "..." under it.'),
    ("length_m = 11.0", "length_m = 1100", 5, "boat: length_m is 1100; a number from 1 to 200 is needed"),
    ("length_m = 11.0", "lenght_m = 11", 5, "'lenght_m'. Did you mean 'length_m'?"),
    ("people = 2", "people = 2.5", 7, "people is 2.5; a whole number from 1 to 50 is needed"),
    ("people = 2", 'day_starts = "8 am"', 7, 'a text such as "08:00" is needed'),
    ("people = 2", 'days_off = ["funday"]', 7, "days_off names 'funday'; of monday"),
    ("people = 2", "hours_a_day = 20", 7, "past midnight"),
    ("last_day = 2026-06-26", "last_day = 2026-05-26", 9, "a day from first_day (2026-06-01) on is needed"),
    ("closed = [2026-06-04]", "closed = 2026-06-04", 10, "a list of dates without quotes is needed"),
    ('photos = ["foredeck/*.jpg"]', 'photos = ["../other/*.jpg"]', 13, "outside the survey's folder"),
    ('photos = ["foredeck/*.jpg"]', 'photos = ["/photos/*.jpg"]', 13, "outside the survey's folder"),
    ('photos = ["foredeck/*.jpg"]', "photos = ['C:\\a\\*.jpg']", 13, "outside the survey's folder"),
    ('photos = ["foredeck/*.jpg"]', "photos = ['fore\\*.jpg']", 13, "Write folders with /"),
    ('photos = ["foredeck/*.jpg"]', 'photos = ["a.jpg", "a.jpg"]', 13, "names 'a.jpg' twice"),
    ('photos = ["foredeck/*.jpg"]', 'photos = "a.jpg"', 13, "a list of texts in quotes is needed"),
    ("tag = 3", "tag = 0", 14, "panel 'foredeck': tag is 0; a whole number from 1 to 99 is needed"),
    ("sides_m = [2.0, 1.2]", "sides_m = [2.0]", 15, "2 numbers in brackets are needed"),
    ("sides_m = [2.0, 1.2]", "sides_m = [2.0, -1.2]", 15, "is -1.2; a number from 0.05 to 200 is needed"),
    ("tag = 3", "area_m2 = 2.4", 15, "sides_m stands beside area_m2"),
    ('existing = "gelcoat"', 'existing = "paint"', 16, "one of gelcoat, one-part, two-part, unknown is needed"),
    ('existing = "gelcoat"', 'chosen = "paint it"', 16, "one of recoat-as-planned"),
    ('name = "side deck"', 'name = "Foredeck"', 18, "another panel is named 'foredeck'"),
    ('name = "side deck"', 'name = "side deck"\ntag = 3', 19, "panel 'foredeck' has that tag too"),
    ("[[0, 0], [2, 0], [2, 1]]", "[[0, 0], [2, 0]]", 19, "has 2 different corners; at least 3 are needed"),
    ("[[0, 0], [2, 0], [2, 1]]", "[[0, 0], [2, 1], [2, 0], [0, 1]]", 19, "crosses or touches itself at (1, 0.5)"),
    ("[[0, 0], [2, 0], [2, 1]]", "[[0, 0], [1, 0], [2, 0]]", 19, "crosses or touches itself"),
    ("[[0, 0], [2, 0], [2, 1]]", "[0, 0, 2]", 19, "a list of points is needed"),
    ("[[0, 0], [2, 0], [2, 1]]", "[[0, 0], [nan, 0], [2, 1]]", 19, "a coordinate is nan"),
    ("outline_m = [[0, 0]", "outline_px = [[0, 0]", 19, "stands on a plan picture and none is named"),
    ('seen = "unharmed"', 'seen = "fine"', 20, "one of unharmed, softened, wrinkled, lifted is needed"),
    (', seen = "unharmed"', "", 20, "is not whole. Write it as rag_test = {"),
    ('outcome = "holds"', 'outcome = "good"', 23, "one of holds, fails is needed"),
    ('method = "ISO 2409"', "", 21, "needs the method in words and the outcome"),
    ('name = "typical"', 'name = "Worst"', 29, "another patch of this panel has that name"),
    ("share_of_area = 0.75", "share_of_area = 0.5", 24, "add up to 0.75"),
    ("share_of_area = 0.75", "", 24, "1 of 2 patches have a share_of_area"),
    ('photos = ["side/worst/*.jpg"]\n', "", 24, 'has no photos. Write photos = ["folder/*.jpg"]'),
    ('name = "side deck"', 'name = "side deck"\nphotos = ["a.jpg"]', 25, "patch stands beside photos"),
]


@pytest.mark.parametrize(("old", "new", "line", "words"), SLIPS)
def test_a_slip_is_refused_with_its_line_and_what_to_write(old, new, line, words):
    assert GOOD.count(old) == 1
    with pytest.raises(SettingsError) as refused:
        survey_from_toml(GOOD.replace(old, new), "survey.toml")
    sentence = str(refused.value)
    assert sentence.startswith(f"survey.toml, line {line}")
    assert words in sentence


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "survey.toml has no boat"),
        ("[boat]\nname = ", "not valid TOML"),
        ('boat = "Imaginary"', "line 1: boat is 'Imaginary'; a table is needed"),
        ('panel = 3\n[boat]\nname = "B"', "Write each one under [[panel]]"),
        ('[boat]\nname = "B"\n[panel]\nname = "p"', "line 3: panel is a table; a list of tables is needed"),
        ('[boat]\nname = "B"\n[boat]\n', "not valid TOML"),
        ("a = " + "[" * 20_000, "not valid TOML"),
        ("a = " + "9" * 20_000, "not valid TOML"),
    ],
)
def test_a_file_that_is_no_survey_is_refused_in_words(text, words):
    with pytest.raises(SettingsError, match=re.escape(words)):
        survey_from_toml(text, "survey.toml")


def test_lines_are_those_that_a_reader_counts():
    text = 'a = """\n[not]\nb = 1\n"""\n\n[boat] # c = 1\n"na me".x = [\n  1, # ]\n  2,\n]\r\n\n'
    text += "  [[p]]\nz={y=1}\n[[p]]\nk=2"
    assert tomllib.loads(text)["p"] == [{"z": {"y": 1}}, {"k": 2}]
    found = lines_of(text)
    expected = {
        ("a",): 1, ("boat",): 6, ("boat", "na me", "x"): 7, ("p",): 12, ("p", 0): 12, ("p", 0, "z"): 13,
        ("p", 0, "z", "y"): 13, ("p", 1): 14, ("p", 1, "k"): 15,
    }  # fmt: skip
    assert {path: found[path] for path in expected} == expected
    assert ("b",) not in found and ("not",) not in found


def test_a_remark_that_ends_with_a_comma_ends_with_its_line():
    assert lines_of("a = 1  # one,\nb = 2  # [\nc = 3\n") == {("a",): 1, ("b",): 2, ("c",): 3}


def paths_in(value, path=()):
    """Every path of a TOML document, told from what the standard reader gives."""
    inner = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    return {path} | {found for key, part in inner for found in paths_in(part, (*path, key))}


def test_every_entry_of_the_sample_survey_has_a_line_that_names_it():
    text = (SAMPLES / "survey.toml").read_text(encoding="utf-8")
    found, lines = lines_of(text), text.splitlines()
    assert set(found) == paths_in(tomllib.loads(text)) - {()}
    for path, line in found.items():
        keys = [key for key in path if isinstance(key, str)]
        assert any(key in lines[line - 1] for key in keys), path


def read_or_refused(text):
    """The sentence of the refusal, empty for a survey that is taken; anything else raises."""
    try:
        assert isinstance(survey_from_toml(text, "survey.toml"), Survey)
    except SettingsError as refused:
        return str(refused)
    return ""


@given(st.text() | st.text("[]{}=\"'#.,\n ab1-:T").map(lambda tail: '[boat]\nname = "B"\n' + tail))
@settings(max_examples=150, deadline=None, derandomize=True)
def test_any_text_is_a_survey_or_is_refused_in_words(text):
    sentence = read_or_refused(text)
    assert sentence == "" or "survey.toml" in sentence


VALUES = st.sampled_from(
    ["0", "-1", "1e999", "nan", "true", '""', '"x"', "[]", "[[]]", "{}", "2026-05-16", "08:00:00", '["a"]',
     "[[0, 0]]", '"a\\u0000b"', '"\\u202e"', '["**a"]', '["."]', "2026-05-16T00:00:00Z", "[1, 2]", "[{}]",
     "99999999999999999999"]
)  # fmt: skip


@given(st.integers(0, GOOD.count("\n") - 1), VALUES)
@settings(max_examples=250, deadline=None, derandomize=True)
def test_any_value_in_any_place_is_taken_or_refused_at_its_line(number, value):
    lines = GOOD.splitlines()
    if " = " not in lines[number]:
        return
    lines[number] = f"{lines[number].partition(' = ')[0]} = {value}"
    sentence = read_or_refused("\n".join(lines))
    assert sentence == "" or re.match(r"survey\.toml(, line \d+| is not valid TOML)", sentence)


def test_a_closed_ring_is_taken_as_the_same_outline():
    closed = GOOD.replace("[2, 1]]", "[2, 1], [0, 0]]")
    assert survey_from_toml(closed, "s").panels == survey_from_toml(GOOD, "s").panels


# The sample survey


def test_the_sample_survey_speaks_of_the_sample_panels_as_their_list_does():
    survey = read_survey(SAMPLES / "survey.toml")
    listed = tomllib.loads((SAMPLES / "panels.toml").read_text(encoding="utf-8"))["panel"]
    assert [panel.name for panel in survey.panels] == [panel["name"] for panel in listed]
    for panel, other in zip(survey.panels, listed, strict=True):
        assert (panel.existing, panel.planned) == (other["existing"], other["planned"])
        assert panel.history == other["story"]
        folder = SAMPLES / "panels" / panel.name
        assert find_photos(SAMPLES, panel.photos) == tuple(folder / name for name in other["photos"])
        assert panel.ambient == (f"panels/{panel.name}/{other['ambient']}" if "ambient" in other else None)
    assert survey.printed_bar_mm == listed[0]["printed_bar_mm"]


def test_the_sample_survey_lacks_nothing_and_has_no_slip():
    survey = read_survey(SAMPLES / "survey.toml")
    found = photos_of(survey, SAMPLES)
    assert missing_files(survey, SAMPLES) == ()
    assert (
        sum(len(photos) for patches in found.values() for photos in patches.values()) == 24
    )  # as README counts them
    assert lacking(survey, found) == {}
    assert slips(survey, found) == ()
    beam = 3.5  # m; a sloop of 11 m, from memory
    for panel in survey.panels:
        assert all(0 <= x <= survey.boat.length_m and abs(y) <= beam / 2 for x, y in panel.outline_m)
        assert panel_area_m2(panel).value > 0.2


# The template


def uncommented(text):
    """The template with every example entry in use."""
    return "".join(re.sub(r"^#(?=[\w\[])", "", line) for line in text.splitlines(keepends=True))


def test_the_template_is_a_survey_once_the_boat_has_a_name():
    text = survey_template(())
    with pytest.raises(SettingsError, match="line 15, boat: name is ''"):
        survey_from_toml(text, "survey.toml")
    assert survey_from_toml(text.replace('name = ""', 'name = "B"'), "survey.toml").panels == ()


def test_every_example_in_the_template_is_valid():
    text = uncommented(survey_template(()).replace('name = ""', 'name = "B"'))
    text = text.replace("area_m2 = 2.4\n", "", 1)
    text = "".join(line for line in text.splitlines(keepends=True) if not line.startswith("outline_px"))
    survey = survey_from_toml(text, "survey.toml")
    assert [panel.name for panel in survey.panels] == ["foredeck", "side deck"]
    named = {line.partition(" = ")[0].strip("#") for line in survey_template(()).splitlines()}
    assert {key for key in (*SURVEY_KEYS, *PANEL_KEYS) if key not in named} == {
        "boat", "owner", "yard", "looks", "crew", "deck_plan", "panel", "patch"  # headings
    }  # fmt: skip
    for record in (Boat, Party, Looks, Crew, DeckPlan, Patch):
        assert {field.name for field in fields(record)} <= named


def test_folders_with_photos_become_panels_of_the_template(tmp_path):
    for name in ('fore "deck"', "side [1]/worst", "side [1]/typical", "empty", ".hidden"):
        (tmp_path / name).mkdir(parents=True)
    for name in ('fore "deck"/A.JPG', 'fore "deck"/b.png', "side [1]/worst/a.jpg", "side [1]/typical/a.jpg"):
        (tmp_path / name).touch()
    (tmp_path / ".hidden" / "a.jpg").touch()
    (tmp_path / "loop").symlink_to(tmp_path)
    text = survey_template(panels_in(tmp_path)).replace('name = ""', 'name = "B"')
    fore, side = survey_from_toml(text, "survey.toml").panels
    assert [path.name for path in find_photos(tmp_path, fore.photos)] == ["A.JPG", "b.png"]
    assert {patch.name: len(find_photos(tmp_path, patch.photos)) for patch in side.sets} == {"typical": 1, "worst": 1}


def test_a_link_out_of_the_folder_is_no_photo(tmp_path):
    (tmp_path / "survey").mkdir()
    (tmp_path / "secret.jpg").touch()
    (tmp_path / "survey" / "a.jpg").symlink_to(tmp_path / "secret.jpg")
    with pytest.raises(SettingsError, match="is a link out of the survey's folder"):
        find_photos(tmp_path / "survey", ("*.jpg",))


# What is missing and what looks like a slip


def test_what_is_missing_is_said_for_each_step():
    survey = survey_from_toml(GOOD, "survey.toml")
    lacks = lacking(survey, {"foredeck": {"": (Path("a.jpg"),)}})
    nothing_found = "side deck: side/worst/*.jpg finds no photo of patch worst. Correct it, or copy the photos."
    assert nothing_found in lacks["scoring"]
    assert "side deck: the old coating is not stated. Write existing = ..." in lacks["scoring"]
    assert lacks["the deck plan"] == ("foredeck: no outline.",)
    assert lacks["the proposal"] == ("Not stated: [boat] place, [owner] name, [yard] name.",)
    assert "the programme" not in lacks


def test_outlines_that_overlap_and_areas_that_differ_are_pointed_at():
    square = ((0.0, 0.0), (2.0, 0.0), (2.0, 2.0), (0.0, 2.0))
    moved = tuple((x + 1.5, y) for x, y in square)  # they share a strip of 0.5 by 2 m
    panels = (SurveyPanel("a", outline_m=square), SurveyPanel("b", outline_m=moved, area_m2=3.0))
    survey = survey_from_toml('[boat]\nname = "B"', "s")
    survey = Survey(boat=survey.boat, panels=panels)
    photo = Path("x.jpg")
    assert slips(survey, {"a": {"": (photo,)}, "b": {"worst": (photo,)}}) == (
        "The outlines of a and b overlap by 1.00 m2.",
        "b: 3.00 m2 are stated and its outline holds 4.00 m2.",
        "x.jpg is a photo of a and of b, worst.",
    )


def test_photos_come_by_pattern_or_from_the_folder_of_the_panels_name_without_torch_off_and_mask(tmp_path):
    for name in ("Fore Deck/a.jpg", "x/b.jpg", "x/off.jpg", "x/mask.png", "side deck/worst/c.jpg"):
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).touch()
    panels = (
        SurveyPanel("fore deck"),
        SurveyPanel("x", photos=("x/*",), ambient="x/off.jpg", mask="x/mask.png"),
        SurveyPanel("side deck"),
        SurveyPanel("lid", tag=4),
        SurveyPanel("sole", photos=("sole/*.jpg",), ambient="sole/off.jpg"),
        SurveyPanel("bow"),
    )
    survey = Survey(Boat("B"), panels=panels)
    found = photos_of(survey, tmp_path)
    told = {name: {patch: [p.name for p in photos] for patch, photos in one.items()} for name, one in found.items()}
    assert told == {
        "fore deck": {"": ["a.jpg"]}, "x": {"": ["b.jpg"]}, "side deck": {"worst": ["c.jpg"]}, "lid": {},
        "sole": {"": []}, "bow": {},
    }  # fmt: skip
    assert missing_files(survey, tmp_path) == ("sole: ambient: there is no file sole/off.jpg.",)
    assert lacking(survey, found)["scoring"][:2] == (
        "sole: sole/*.jpg finds no photo. Correct it, or copy the photos.",
        "bow: no photos. Write photos, patches or the tag in them.",
    )


def test_what_was_noted_on_board_leaves_the_paint_verdicts_of_the_samples_as_they_are():
    limits = read_limits(None)
    for panel in read_survey(SAMPLES / "survey.toml").panels:
        noted, bare = (Job(panel.existing, panel.planned, rag_test=test) for test in (panel.rag_test, None))
        assert paint_verdict(noted, limits).outcome == paint_verdict(bare, limits).outcome


# Files and commands


def test_coats_come_from_the_file_that_the_survey_names(tmp_path):
    coats = '[[coat]]\nname = "primer"\nkind = "primer"\nvolume_solids = 0.5\ndry_um = 50\n'
    (tmp_path / "mine.toml").write_text(coats)
    (tmp_path / "survey.toml").write_text('coats = "mine.toml"\n' + GOOD)
    survey = read_survey(tmp_path / "survey.toml")
    assert [coat.name for coat in survey.coats] == ["primer"]
    assert survey.panels[0].coats == ()
    (tmp_path / "survey.toml").write_text(GOOD.replace("tag = 3", 'coats = "gone.toml"'))
    with pytest.raises(SettingsError, match=r"survey\.toml, line 14: coats: There is no file"):
        read_survey(tmp_path / "survey.toml")


def test_new_writes_once_and_check_reads_it(tmp_path):
    runner = CliRunner()
    (tmp_path / "foredeck").mkdir()
    (tmp_path / "foredeck" / "a.jpg").touch()
    made = runner.invoke(app, ["survey", "new", str(tmp_path)])
    assert made.exit_code == 0 and "Panel foredeck" in made.output
    file = tmp_path / "survey.toml"
    assert runner.invoke(app, ["survey", "new", str(tmp_path)]).exit_code == 1
    assert runner.invoke(app, ["survey", "check", str(file)]).exit_code == 1
    file.write_text(file.read_text().replace('name = ""', 'name = "Imaginary"'))
    checked = runner.invoke(app, ["survey", "check", str(file)])
    assert checked.exit_code == 0
    assert "1 panel, 1 photo\n" in checked.output
    assert "foredeck: no area. Write area_m2, sides_m or outline_m." in checked.output


def test_new_makes_a_folder_that_is_not_there_yet(tmp_path):
    runner = CliRunner()
    assert runner.invoke(app, ["survey", "new", str(tmp_path / "boats" / "one")]).exit_code == 0
    assert (tmp_path / "boats" / "one" / "survey.toml").is_file()
    (tmp_path / "photo").touch()
    assert runner.invoke(app, ["survey", "new", str(tmp_path / "photo" / "two")]).exit_code == 3
