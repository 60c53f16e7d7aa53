"""
Log sheets: what is filled in, read back out of the PDF by an independent reader (pypdfium2), and the command.

Dew points are those of the worked table (Magnus, WMO-No. 8: 20 degrees C at 60 % 12.00, 15 at 80 % 11.58, 25 at 50 %
13.85); the other figures are worked beside the check. The scenario is invented.
"""

import csv
import io
import json
import re
import subprocess
import sys
from dataclasses import replace

import pypdfium2
import pytest
from plan_scene import GUARD, TOPCOATS, exact_means, patch, survey_of
from typer.testing import CliRunner

from texscan import inputs
from texscan.cautions import CLOSING
from texscan.cli import app
from texscan.model import Measured
from texscan.plan import boat, choice, log_limits, logs
from texscan.plan.windows import CoatTimes
from texscan.plan.yard import Yard
from texscan.survey.outcome import panel_outcome
from texscan.survey.records import Crew, Looks, SurveyPanel

SHEET = CoatTimes("primer", least_h=10, most_h=72, stated=frozenset({"least_h", "most_h"}))


def limits_of(*panels, actions=("recoat",), text="", sheets=(SHEET,), **figures):
    outcomes = tuple(
        panel_outcome(panel.name, (patch(action=action),), panel)
        for panel, action in zip(panels, actions, strict=True)
    )
    survey, means = survey_of(*panels), exact_means(text, **figures)
    found = boat.boat_quantities(outcomes, survey, choice.choices(outcomes, survey), means, share_guard=GUARD)
    given = log_limits.Sheets(sheets, inputs.read_limits(None), log_limits.sound_void(outcomes, survey))
    return survey, log_limits.panel_limits(found, outcomes, means, given)


def text_of(pdf: bytes) -> list[str]:
    document = pypdfium2.PdfDocument(pdf)
    return [re.sub(r"\s+", " ", document[n].get_textpage().get_text_bounded()) for n in range(len(document))]


def deck(name="deck", **more):
    return SurveyPanel(name, area_m2=12, **more)


# --- limits


def test_windows_come_from_the_data_sheet_or_the_limits():
    _, (panel,) = limits_of(deck())
    primer, topcoat, _ = panel.coats
    assert (primer.times.least_h, primer.times.most_h) == (10, 72)
    assert topcoat.times.most_h == 24  # common practice where no sheet is given: limits.toml
    assert "most_h" not in topcoat.times.stated


def test_coats_of_one_name_keep_their_own_paint():
    panel = deck()
    thin, thick = (replace(TOPCOATS[0], name="topcoat", wet_um=wet_um, thinning=0.1) for wet_um in (60, 110))
    survey = survey_of(panel, coats=(thin, thick))
    outcomes = (panel_outcome(panel.name, (patch(fewer=("topcoat",)),), panel),)
    means = exact_means()
    found = boat.boat_quantities(outcomes, survey, choice.choices(outcomes, survey), means, share_guard=GUARD)
    given = log_limits.Sheets((), inputs.read_limits(None), None)
    (one,) = log_limits.panel_limits(found, outcomes, means, given)
    # 12 m2 of 60 and 110 um wet, a tenth of thinner on the paint, loss 0.20
    assert [limit.paint_l.likely for limit in one.coats] == pytest.approx([0.72 / 1.1 / 0.8, 1.32 / 1.1 / 0.8])
    assert [limit.thinner_l.likely for limit in one.coats] == pytest.approx([0.072 / 1.1 / 0.8, 0.132 / 1.1 / 0.8])
    fewer = [row.figure.likely for row in found.rows if row.option == "fewer-coats" and row.item == "paint"]
    assert fewer == pytest.approx([1.32 / 1.1 / 0.8])  # the last coat stays


def test_wet_film_limits():
    _, (panel,) = limits_of(deck())
    assert (panel.coats[0].least_wet_um, panel.coats[0].most_wet_um) == pytest.approx((80, 120))  # of 100 um


def test_a_recoated_panel_has_to_keep_what_was_forecast():
    _, (panel,) = limits_of(deck())
    assert panel.target_mm == Measured(0.2, 0.1, 0.3)  # the last coat of the patch's forecast


def test_a_new_texture_of_grit_loses_what_its_sealing_coats_take():
    # two 50 um dry coats with r = 0 on a layer of grit of 0.240 mm leave 0.140 mm [D]; here the grit falls into the
    # first topcoat, so one coat seals: 0.190 mm
    panel = deck()
    outcomes = (panel_outcome(panel.name, (patch(action="sand-flat-and-retexture"),), panel),)
    drained = tuple(replace(coat, peak_share=(0.0, 0.0, 0.0)) for coat in survey_of().coats)
    survey, means = survey_of(panel, coats=drained), exact_means()
    found = boat.boat_quantities(outcomes, survey, choice.choices(outcomes, survey), means, share_guard=GUARD)
    given = log_limits.Sheets((), inputs.read_limits(None), None)
    (one,) = log_limits.panel_limits(found, outcomes, means, given)
    assert one.target_mm.value == pytest.approx(0.190, abs=5e-4)
    assert "sample panel" in one.why


def test_paint_that_sinks_between_the_grains_takes_void_depth():
    # all of 0.240 mm filled with paint of 50 % solids leaves half of it, less 0.025 mm of the sealing film on it
    _, (panel,) = limits_of(deck(), actions=["sand-flat-and-retexture"], grit_sink=1)
    assert panel.target_mm.value == pytest.approx(0.120 - 0.050 * (1 - 0.5), abs=5e-4)


def test_a_moulded_texture_has_to_look_like_the_reference():
    panels = (deck(), deck("locker", reference=True))
    _, found = limits_of(*panels, actions=["sand-flat-and-retexture", "recoat"], text='texture = "moulded"')
    assert found[0].target_mm == Measured(0.25, 0.25, 0.25)
    assert found[0].coats == ()
    _, (alone,) = limits_of(deck(), actions=["sand-flat-and-retexture"], text='texture = "moulded"')
    assert alone.target_mm is None
    assert "sample panel" in alone.why


def test_an_undecided_panel_has_a_sheet_for_either_way():
    _, found = limits_of(deck(), actions=["inconclusive"])
    assert [one.option for one in found] == ["recoat-as-planned", "sand-flat-and-retexture"]
    rows = list(csv.DictReader(io.StringIO(log_limits.targets_csv(found).decode())))
    assert (rows[0]["panel"], rows[0]["likely"]) == ("deck", "0.2")


# --- the PDF


def test_the_sheets_hold_every_limit():
    survey, found = limits_of(deck(), actions=["sand-flat-and-retexture"])
    first, air, panel = text_of(logs.logs_pdf(survey, found))
    assert "0.08 to" not in first  # no sinking, no range: one figure
    for hold in ("H1", "H2", "H3", "H4", "H5"):
        assert hold in first
    assert CLOSING[:60] in first
    assert "Epoxy can sensitise" in first  # a caution of sanding flat and filling
    for words in ("10 to 30 *", "85 *", "6 h *"):
        assert words in air
    assert "100 µm wet (50 dry): no reading under 80, mean not over 120" in panel
    assert "ended + 10 h " in panel and "ended + 72 h" in panel  # the primer's sheet
    assert "ended + 24 h *" in panel  # assumed for the topcoats
    for words in ("batch, hardener", "Filler", "Grit", "wet film 6"):
        assert words in panel


def test_smooth_borders_have_a_sheet_of_their_own():
    panel = deck(perimeter_m=14)
    outcomes = (panel_outcome(panel.name, (patch(),), panel),)
    survey, means = survey_of(panel), exact_means()
    found = boat.boat_quantities(
        outcomes, survey, choice.choices(outcomes, survey), means, share_guard=GUARD, yard=Yard()
    )
    given = log_limits.Sheets((SHEET,), inputs.read_limits(None), None)
    smooth = log_limits.smooth_limits(found, means, given)
    assert [limit.coat.name for limit in smooth.coats] == ["primer", "topcoat 1", "topcoat 2"]
    assert smooth.coats[0].paint_l.likely == pytest.approx(0.2625)  # 14 m x 0.15 m / 10 m2/L / 0.8
    pages = text_of(logs.logs_pdf(survey, log_limits.panel_limits(found, outcomes, means, given), smooth=smooth))
    assert "smooth areas: painted" in pages[2]
    assert "smooth areas" not in pages[0]  # no texture to accept


def test_dew_points_to_read_off_agree_with_worked_ones():
    survey, found = limits_of(deck())
    numbers = [
        float(n) for n in re.findall(r"-?\d+\.\d\b", text_of(logs.logs_pdf(survey, found))[1].split("Magnus")[1])
    ]
    table = [numbers[start : start + len(logs.RH_PERCENT)] for start in range(0, 16 * 13, 13)]
    assert table[logs.AIR_C.index(15)][logs.RH_PERCENT.index(80)] == 11.6  # 11.58
    assert table[logs.AIR_C.index(25)][logs.RH_PERCENT.index(50)] in (13.8, 13.9)  # 13.85
    assert table[logs.AIR_C.index(5)][logs.RH_PERCENT.index(90)] == 3.5
    assert [row[-1] for row in table] == list(logs.AIR_C)  # at 100 % it is the air's own


def test_hours_follow_the_crew_and_the_dew_free_time():
    survey, found = limits_of(deck())
    late = replace(survey, crew=Crew(day_starts="10:30", hours_a_day=4))
    words = text_of(logs.logs_pdf(late, found))[1]
    assert "09:00" in words and "21:00" in words  # an hour before; 10:30 + 4 h + 6 h without dew
    assert "08:00" not in words and "22:00" not in words


@pytest.mark.parametrize(("paper", "size_mm"), [("a4", (210, 297)), ("letter", (215.9, 279.4))])
def test_paper_is_the_surveys(paper, size_mm):
    survey, found = limits_of(deck(), actions=["sand-flat-and-retexture"])
    pdf = logs.logs_pdf(replace(survey, looks=Looks(paper=paper)), found)
    page = pypdfium2.PdfDocument(pdf)[0]
    assert tuple(side / 72 * 25.4 for side in page.get_size()) == pytest.approx(size_mm, abs=0.1)
    assert len(text_of(pdf)) == 3  # each sheet still fits its page


def test_hostile_names_are_data():
    name = '<b>=cmd</b> & "\u202e\x07π 漢'
    survey, found = limits_of(deck(name))
    words = " ".join(text_of(logs.logs_pdf(survey, found)))
    assert '<b>=cmd</b> & "' in words


def test_the_same_content_gives_the_same_bytes():
    survey, found = limits_of(deck())
    assert logs.logs_pdf(survey, found) == logs.logs_pdf(survey, found)


# --- the command


@pytest.fixture
def boat_folder(tmp_path):
    """Results of two panels, one undecided, and a survey of three."""
    for name, action in (("fore", "recoat"), ("aft", "inconclusive")):
        score = patch(action=action).score | {
            "schema": "texscan.score/1", "panel": name, "texscan_version": "0",
            "grid": {"x0_mm": 0, "y1_mm": 0, "step_mm": 0.1, "rows": 2, "columns": 2},
        }  # fmt: skip
        (tmp_path / "out" / name).mkdir(parents=True)
        (tmp_path / "out" / name / "score.json").write_text(json.dumps(score))
    (tmp_path / "survey.toml").write_text(
        '[boat]\nname = "invented"\n'
        '[[panel]]\nname = "fore"\narea_m2 = 4.0\n[[panel]]\nname = "aft"\nsides_m = [2.0, 1.0]\n'
        '[[panel]]\nname = "locker"\narea_m2 = 1.0\n'
    )
    return tmp_path


def run(folder, *more):
    arguments = ["plan", "out", "--survey", "survey.toml", "--to", "made", *more]
    found = [
        str(folder / word) if word in ("out", "survey.toml", "made", "rates.toml") else word for word in arguments
    ]
    return CliRunner().invoke(app, found)


def test_a_plan_is_written_and_summed_up(boat_folder):
    done = run(boat_folder)
    assert done.exit_code == 0, done.output
    assert "undecided panels sanded flat" in done.output
    assert "locker: in the survey but not scored" in done.output
    rows = list(csv.DictReader(io.StringIO((boat_folder / "made" / "quantities.csv").read_text())))
    assert {row["stands"] for row in rows if row["panel"] == "fore"} >= {"chosen", "other way"}
    assert all(row["source"] in ("measured", "data sheet", "user", "assumed") for row in rows)
    assert (boat_folder / "made" / "logs.pdf").read_bytes().startswith(b"%PDF")
    assert not (boat_folder / "made" / "costs.csv").exists()


def test_a_choice_and_prices_enter_the_plan(boat_folder):
    (boat_folder / "rates.toml").write_text('currency = "EUR"\n[[buy]]\nitem = "tape"\npack = 50\nprice = 8\n')
    done = run(boat_folder, "--choose", "aft=sand-flat-and-retexture", "--rates", "rates.toml")
    assert done.exit_code == 0, done.output
    assert "To order, as chosen" in done.output
    assert "Price, as chosen, EUR" in done.output
    assert (boat_folder / "made" / "costs.csv").exists()


@pytest.mark.parametrize(
    ("more", "sentence"),
    [
        (("--choose", "afft=sprayed"), "There is no panel 'afft'. Did you mean 'aft'?"),
        (("--choose", "aft"), "PANEL=OPTION is needed"),
        (("--rates", "rates.toml"), "There is no file"),
    ],
)
def test_wrong_input_ends_in_one_sentence(boat_folder, more, sentence):
    done = run(boat_folder, *more)
    assert done.exit_code == 1
    assert sentence in done.output
    assert not (boat_folder / "made").exists()


def test_the_template_is_written_once(tmp_path):
    target = tmp_path / "rates.toml"
    assert CliRunner().invoke(app, ["plan", "--rates-template", str(target)]).exit_code == 0
    done = CliRunner().invoke(app, ["plan", "--rates-template", str(target)])
    assert done.exit_code == 1
    assert "is there already" in done.output


def test_help_of_the_plan_loads_nothing_heavy():
    program = (
        "import sys\nfrom texscan.cli import main\nsys.argv = ['texscan', 'plan', '--help']\n"
        "try:\n    main()\nexcept SystemExit:\n    pass\nprint('LOADED', *sorted(sys.modules))\n"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, timeout=60, check=True)
    assert not {"numpy", "reportlab"} & set(done.stdout.rpartition("LOADED")[2].split())
