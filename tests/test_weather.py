"""Dew point, gates, windows and pot life against published cases; forecasts that cannot be used."""

from contextlib import suppress
from datetime import date, datetime, timedelta

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from texscan.compatibility import window_state
from texscan.errors import SettingsError
from texscan.inputs import read_limits
from texscan.model import Coat
from texscan.plan import weather, windows
from texscan.plan.shifts import shifts, slots_of, works_on
from texscan.plan.windows import CoatTimes
from texscan.survey.records import Crew

DAY = datetime(2026, 6, 1)
CREW = Crew(first_day=DAY.date())
LIMITS = read_limits(None)
HEAD = "time,air_c,rh_percent"


def forecast(rows, *, start=DAY, surface=None, rain=None, step_h=1.0):
    """Rows of (air, humidity), one each step."""
    air, humidity = (np.array(column, dtype=float) for column in zip(*rows, strict=True))
    times = tuple(start + timedelta(hours=step_h * n) for n in range(len(air)))
    wet = np.zeros(len(air)) if rain is None else np.array(rain, dtype=float)
    deck = air if surface is None else np.array(surface, dtype=float)
    return weather.Forecast(times, air, humidity, deck, wet, surface is not None)


# --- dew point. Magnus with 17.62 and 243.12: WMO-No. 8 (Guide to Instruments), also Sonntag 1990


@pytest.mark.parametrize(
    ("air_c", "humidity", "dew_c"),  # worked by hand from the published formula, to 0.01
    [
        (20, 60, 12.00),
        (10, 85, 7.59),
        (15, 80, 11.58),
        (25, 50, 13.85),
        (30, 75, 25.08),
        (5, 90, 3.50),
        (20, 100, 20),
    ],
)
def test_dew_points_of_the_published_formula(air_c, humidity, dew_c):
    assert weather.dew_point_c(air_c, humidity) == pytest.approx(dew_c, abs=0.005)


@given(st.floats(-40, 60))
def test_at_100_percent_the_dew_point_is_the_temperature(air_c):
    assert weather.dew_point_c(air_c, 100.0) == pytest.approx(air_c, abs=1e-9)


@given(st.floats(-20, 50), st.floats(2, 98))
def test_dew_point_is_where_the_vapour_saturates(air_c, humidity):
    """Vapour pressure over saturation at the air is the humidity: Magnus' own definition, run forwards."""
    dew = weather.dew_point_c(air_c, humidity)
    saturation = lambda t: 6.112 * np.exp(17.62 * t / (243.12 + t))  # hPa
    assert 100 * saturation(dew) / saturation(air_c) == pytest.approx(humidity, rel=1e-9)


# --- the gate: surface 3 degrees above the dew point (practice with ISO 8502-4), at most 85 % (ISO 12944-7)

OPEN = CoatTimes("paint", least_c=0, most_c=40)


@pytest.mark.parametrize(
    ("air_c", "surface_c", "most"),  # humidity at which 3 degrees are just left; worked by hand
    [(20, 20, 82.9), (10, 10, 81.6), (30, 30, 84.0), (20, 18, 73.0)],
)
def test_three_degrees_bite_before_85_percent(air_c, surface_c, most):
    rows = [(air_c, most - 0.1), (air_c, most + 0.1)]
    assert weather.passing(forecast(rows, surface=[surface_c] * 2), OPEN).tolist() == [True, False]


@pytest.mark.parametrize(
    ("air_c", "humidity", "surface_c", "word"),
    [
        (10, 85, 10.0, "above the dew point"),  # 10.59 needed
        (20, 60, 14.99, "above the dew point"),  # 15.00 needed
        (20, 86, 30.0, "humidity 86.0 %"),
        (-1, 40, 10.0, "air -1.0"),
        (20, 40, 41.0, "surface 41.0"),
    ],
)
def test_why_a_coat_is_refused_is_said(air_c, humidity, surface_c, word):
    found = forecast([(air_c, humidity)] * 3, surface=[surface_c] * 3)
    assert word in weather.refusal(found, OPEN, DAY + timedelta(hours=0.5), DAY + timedelta(hours=1))
    assert not weather.passing(found, OPEN).any()


def test_good_weather_is_refused_for_nothing():
    found = forecast([(20, 60)] * 3, surface=[15.01] * 3)
    assert weather.refusal(found, OPEN, DAY, DAY + timedelta(hours=2)) == ""
    assert weather.passing(found, OPEN).all()


def test_rain_stops_dry_work_too():
    found = forecast([(20, 40)] * 4, rain=[0, 0, 0.2, 0])
    hours = shifts(CREW, 1)
    assert weather.admissible(found, None, hours)[:12].tolist() == [True] * 4 + [False] * 8
    assert "rain" in weather.refusal(found, None, DAY, DAY + timedelta(hours=3))


def test_between_two_entries_both_have_to_pass():
    found = forecast([(20, 40), (20, 99), (20, 40), (20, 40)])
    good = weather.admissible(found, OPEN, shifts(CREW, 1))
    assert good[:12].tolist() == [False] * 8 + [True] * 4
    assert good[12:].all()  # outside the forecast
    assert weather.covered(found, shifts(CREW, 1)).sum() == 12


def test_film_takes_the_mean_of_the_next_day():
    found = forecast([(10, 40)] * 24 + [(20, 40)] * 25)
    film = weather.film_c(found, shifts(CREW, 3), 17.0)
    assert film[0] == pytest.approx(10.0, abs=0.25)  # the step takes an hour
    assert film[slots_of(12)] == pytest.approx(15.0, abs=0.25)
    assert film[slots_of(30)] == pytest.approx(20.0)
    assert film[-1] == 17.0  # after the forecast


# --- recoat windows and pot life


@pytest.mark.parametrize(("hours", "state"), [(10, "wait"), (24, "coat"), (60, "key"), (16, "coat"), (48, "coat")])
def test_states_of_a_window_from_16_to_48_hours(hours, state):
    """A published two-part topcoat closes after 48 h; 10, 24 and 60 h worked by hand."""
    assert window_state(hours, *windows.window_h(CoatTimes("paint", least_h=16, most_h=48), 20.0)) == state


def test_windows_follow_the_temperature_in_the_logarithm():
    times = CoatTimes("paint", least_h_at=((10, 24), (20, 16), (30, 8)), most_h_at=((10, 72), (30, 18)))
    least, most = windows.window_h(times, 25.0)
    assert least == pytest.approx((16 * 8) ** 0.5)  # half way: the geometric mean
    assert most == pytest.approx(72**0.25 * 18**0.75)
    assert windows.span_c(times) == (10, 30)
    with pytest.raises(SettingsError, match="9 degrees"):
        windows.window_h(times, 9.0)


@pytest.mark.parametrize(("air_c", "hours"), [(20, 2), (30, 1), (10, 4), (35, 0.71)])
def test_pot_life_halves_for_each_ten_degrees(air_c, hours):
    """Trade guides; 2 h at 20 degrees, worked by hand."""
    assert windows.pot_life_at(2.0, air_c) == pytest.approx(hours, abs=0.005)


def test_a_batch_lasts_three_quarters_of_the_pot_life():
    assert windows.largest_batch_l(8, windows.pot_life_at(2.0, 30), 0.75, 10) == pytest.approx(0.60)


def test_a_sheet_goes_by_name_before_kind():
    sheets = windows.coat_times_from_toml(
        [{"coat": "topcoat", "most_h": 48}, {"coat": "gloss", "most_h": 12, "pot_life_h": False}], "r.toml"
    )
    gloss, other, primer = (
        Coat(n, k, 0.5, 80) for n, k in (("gloss", "topcoat"), ("matt", "topcoat"), ("p", "primer"))
    )
    assert windows.times_of(gloss, sheets, LIMITS).most_h == 12
    assert windows.times_of(gloss, sheets, LIMITS).pot_life_h is None
    assert windows.times_of(gloss, sheets, LIMITS).least_h == 12  # 16 h assumed would be after it closes
    assert windows.times_of(other, sheets, LIMITS).most_h == 48
    assert windows.times_of(primer, sheets, LIMITS).most_h == LIMITS.practice["recoat_window_h"].value == 24


@pytest.mark.parametrize(
    ("entry", "sentence"),
    [
        ({"coat": "x", "least": 3}, "unknown entry 'least'. Did you mean"),
        ({"least_h": 3}, "coat is None"),
        ({"coat": "x", "least_h": 20, "most_h": 10}, "closes after 10 h, before it opens at 20 h"),
        ({"coat": "x", "least_h": -1}, "least_h is -1; a number from 0"),
        ({"coat": "x", "most_h": 5, "most_h_at": [[20, 5]]}, "both most_h and most_h_at"),
        ({"coat": "x", "most_h_at": [[20, 5], [10, 8]]}, "must rise"),
        ({"coat": "x", "most_h_at": [20, 5]}, "pairs"),
        ({"coat": "x", "least_c": 30, "most_c": 5}, "no range"),
        ({"coat": "x", "pot_life_h": True}, "pot_life_h is True"),
    ],
)
def test_wrong_sheets_are_refused_in_words(entry, sentence):
    with pytest.raises(SettingsError, match=sentence):
        windows.coat_times_from_toml([entry], "rates.toml")


def test_two_sheets_of_one_coat_are_refused():
    with pytest.raises(SettingsError, match="'x' twice"):
        windows.coat_times_from_toml([{"coat": "x"}, {"coat": "x"}], "rates.toml")


# --- forecast files


def test_a_forecast_file_is_read_with_its_optional_columns():
    text = f"{HEAD},surface_c,rain_mm\n2026-06-01T08:00,20,60,18.5,0\n2026-06-01 09:00,21,55,22,1.5\n"
    found = weather.forecast_from_csv(text, "w.csv")
    assert found.times == (datetime(2026, 6, 1, 8), datetime(2026, 6, 1, 9))
    assert found.surface_c.tolist() == [18.5, 22]
    assert found.rain_mm.tolist() == [0, 1.5]
    assert found.surface_stated
    plain = weather.forecast_from_csv(f"{HEAD}\n2026-06-01T08:00,20,60\n2026-06-01T09:00,21,55\n", "w.csv")
    assert plain.surface_c.tolist() == [20, 21]
    assert not plain.surface_stated


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("time,air_c\n", "lacks the column 'rh_percent'"),
        (f"{HEAD}\n2026-06-01T08:00,20,60\n", "1 rows; a forecast of at least two"),
        (f"{HEAD}\nnoon,20,60\n", "line 2: time is 'noon'"),
        (f"{HEAD}\n2026-06-01T08:00Z,20,60\n", "with a time zone"),
        (f"{HEAD}\n2026-06-01T08:00,warm,60\n", "line 2: air_c is 'warm'"),
        (f"{HEAD}\n2026-06-01T08:00,20,0\n", "rh_percent is '0'; a number from 1 to 100"),
        (f"{HEAD}\n2026-06-01T08:00,20\n", "rh_percent is None"),
        (f"{HEAD}\n2026-06-01T08:00,20,60\n2026-06-01T08:00,20,60\n", "line 3: .* does not come after"),
        (f"{HEAD}\n2026-06-01T08:00,20,60\n2026-06-01T15:00,20,60\n", "no entry between .* at most 6 h"),
        (f"{HEAD},rain_mm\n2026-06-01T08:00,20,60,nan\n", "rain_mm is 'nan'"),
        ("", "lacks the column 'time'"),
    ],
)
def test_wrong_forecasts_are_refused_with_their_line(text, sentence):
    with pytest.raises(SettingsError, match=sentence):
        weather.forecast_from_csv(text, "w.csv")


@given(st.text(max_size=200))
def test_any_text_is_a_forecast_or_is_refused(text):
    with suppress(SettingsError):
        weather.forecast_from_csv(f"{HEAD}\n{text}", "w.csv")


# --- working hours


def test_a_weekend_and_a_holiday_are_not_worked():
    crew = Crew(first_day=date(2026, 6, 4), closed=(date(2026, 6, 5),), hours_a_day=7.5, day_starts="07:30")
    found = shifts(crew, 5)  # Thursday to Monday
    by_day = found.working.reshape(5, -1)
    assert by_day.sum(axis=1).tolist() == [30, 0, 0, 0, 30]
    assert found.moment(int(np.flatnonzero(found.working)[0])) == datetime(2026, 6, 4, 7, 30)
    assert not works_on(crew, date(2026, 6, 6))


@pytest.mark.parametrize(
    ("crew", "sentence"),
    [
        (Crew(), "first_day = "),
        (Crew(first_day=date(2026, 6, 2), last_day=date(2026, 6, 1)), "2026-06-01 is before its first day"),
        (Crew(first_day=date(2026, 6, 2), people=0), "0 people"),
        (Crew(first_day=date(2026, 6, 2), days_off=(
            "monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")), "Every day of the week"),
        (Crew(first_day=date(2026, 6, 2), day_starts="noon"), "'noon'"),
        (Crew(first_day=date(2026, 6, 2), day_starts="20:00"), "does not fit between 0:00 and 24:00"),
    ],
)  # fmt: skip
def test_impossible_dates_and_hours_are_refused_in_words(crew, sentence):
    with pytest.raises(SettingsError, match=sentence):
        shifts(crew, 10)
