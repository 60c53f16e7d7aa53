"""texscan plan as its user sees the programme: files, words, refusals. The scenario is invented."""

import csv
import io

import icalendar
import pytest
from test_log_sheets import boat_folder, run  # noqa: F401

CREW = "[crew]\npeople = 2\nfirst_day = 2026-06-01\nlast_day = 2026-06-05\n"
RATES = """
[programme]
smooth_areas = false
repair_h = 3
[pace]
coat = 6
[[coat_times]]
coat = "topcoat"
most_h = 48
[[task]]
name = "shed up"
hours = 4
before = ["wash"]
"""


@pytest.fixture
def folder(boat_folder):  # noqa: F811
    survey = boat_folder / "survey.toml"
    survey.write_text(survey.read_text() + CREW)
    return boat_folder


def test_the_programme_stands_beside_the_quantities(folder):
    (folder / "rates.toml").write_text(RATES)
    done = run(folder, "--rates", "rates.toml")
    assert done.exit_code == 0, done.output
    made = folder / "made"
    assert {path.name for path in made.iterdir()} >= {f"programme.{kind}" for kind in ("csv", "svg", "png", "ics")}
    rows = {row["task"]: row for row in csv.DictReader(io.StringIO((made / "programme.csv").read_text()))}
    assert rows["shed up"]["end"] == "2026-06-01T12:00" <= rows["wash"]["start"]
    assert "tests" in rows  # neither adhesion nor lead was tested
    events = icalendar.Calendar.from_ical((made / "programme.ics").read_bytes()).walk("VEVENT")
    assert len(events) >= len(rows)
    assert "Programme: Mon 01 Jun" in done.output
    assert "Undecided, planned the longer way (sand flat and retexture): aft" in done.output
    assert "The work ends after the crew's last day" in done.output


def test_damp_weather_moves_the_coats_and_says_so(folder):
    hours = [f"2026-06-{day:02}T{hour:02}:00" for day in range(1, 13) for hour in range(24)]
    fair = "\n".join(f"{hour},20,50" for hour in hours)
    damp = "\n".join(f"{hour},20,{90 if hour < '2026-06-08' else 50}" for hour in hours)
    ends = []
    for text in (fair, damp):
        (folder / "weather.csv").write_text(f"time,air_c,rh_percent\n{text}\n")
        done = run(folder, "--forecast", str(folder / "weather.csv"))
        assert done.exit_code == 0, done.output
        rows = list(csv.DictReader(io.StringIO((folder / "made" / "programme.csv").read_text())))
        ends.append(min(row["start"] for row in rows if row["kind"] == "unbroken"))
    assert ends[0] < "2026-06-04" < "2026-06-08" <= ends[1]
    assert "humidity 90.0 %, more than 85 %" in done.output
    assert "In fair weather the work would be done" in done.output


@pytest.mark.parametrize(
    ("survey", "rates", "forecast", "sentence"),
    [
        (CREW.replace("05", "01").replace("first_day = 2026-06-01", "first_day = 2026-06-03"), "", "", "first_day"),
        ("", '[[task]]\nname = "x"\nhours = 1\nafter = ["walk-on"]\nbefore = ["wash"]\n', "", "in a circle"),
        ("", "[programme]\nsmoth_areas = true\n", "", "Did you mean 'smooth_areas'?"),
        ("", "", "time,air_c\n", "lacks the column 'rh_percent'"),
        (
            CREW + "hours_a_day = 1.25\n",
            "[programme]\nkey_between_coats = false\nsmooth_areas = false\nset_up_h = 0\n"
            '[[coat_times]]\ncoat = "primer"\nleast_h = 2\nmost_h = 12\n',
            "",
            "inside the window of 'Primer', 2 to 12 h after it, and it cannot be keyed",
        ),
    ],
)
def test_what_cannot_be_planned_ends_in_one_sentence(folder, survey, rates, forecast, sentence):
    given = folder / "survey.toml"
    if survey:
        given.write_text(given.read_text().replace(CREW, survey))
    (folder / "rates.toml").write_text(rates or "# none")
    (folder / "weather.csv").write_text(forecast)
    more = ["--forecast", str(folder / "weather.csv")] if forecast else []
    done = run(folder, "--rates", "rates.toml", *more)
    assert done.exit_code == 1, done.output
    assert sentence in done.output
    assert not (folder / "made").exists()


def test_without_a_first_day_quantities_stand_alone_and_it_is_said(boat_folder):  # noqa: F811
    done = run(boat_folder)
    assert done.exit_code == 0, done.output
    assert "No programme: the survey does not say when the work may start" in done.output
    assert not (boat_folder / "made" / "programme.csv").exists()
    assert (boat_folder / "made" / "quantities.csv").exists()
