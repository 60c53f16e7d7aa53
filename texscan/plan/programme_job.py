"""The programme of a planning job, and its files."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from pathlib import Path

from texscan import files
from texscan.plan.bar_chart import bar_chart
from texscan.plan.calendar_file import calendar_file
from texscan.plan.job import Job
from texscan.plan.programme import Site
from texscan.plan.programme_table import programme_csv, programme_lines
from texscan.plan.timetable import Programme, programme
from texscan.plan.weather import Forecast, forecast_from_csv
from texscan.plan.works import PanelWork, panel_works
from texscan.survey.shapes import png_file, svg_text


@dataclass(frozen=True, slots=True)
class ProgrammeFiles:
    """Files by name, and the lines to print; without files the lines say why."""

    contents: dict[str, bytes]
    lines: tuple[str, ...]
    programme: Programme | None = None


def programme_files(job: Job, *, forecast: Forecast | None = None) -> ProgrammeFiles:
    """
    programme.csv, .svg, .png and .ics of a job, or no files where no panel needs work or no first day is stated.

    Raises
    ------
    SettingsError : dates of the crew, or a window that no programme meets.
    """
    works = job_works(job)
    site = site_of(job, forecast=forecast)
    if not works:
        return ProgrammeFiles({}, ("No programme: no panel has work to do.",))
    if job.survey.crew.first_day is None and forecast is None:
        words = "No programme: the survey does not say when the work may start. Write first_day under [crew]."
        return ProgrammeFiles({}, (words,))
    found = programme(works, site)
    survey = job.survey
    drawing = bar_chart(found, boat=survey.boat.name, crew=survey.crew)
    issued = survey.surveyed_on or survey.crew.first_day or date.min
    contents = {
        "programme.csv": programme_csv(found),
        "programme.svg": svg_text(drawing).encode("utf-8"),
        "programme.png": png_file(drawing),
        "programme.ics": calendar_file(found, boat=survey.boat.name, place=survey.boat.place, issued=issued),
    }
    return ProgrammeFiles(contents, (*_open_panels(job), *programme_lines(found, site.yard)), found)


def job_works(job: Job) -> tuple[PanelWork, ...]:
    """What is to be done on each panel of a job."""
    found = job.quantities
    return panel_works(found.bases, found.choices, job.outcomes, job.survey, job.limits)


def site_of(job: Job, *, forecast: Forecast | None = None) -> Site:
    """Crew, yard and weather of a job."""
    return Site(job.survey.crew, job.yard, job.limits, forecast)


def read_forecast(path: Path) -> Forecast:
    """A forecast file; InputError with the line that cannot be used."""
    return forecast_from_csv(files.read_text(path, "forecast"), path.name)


def _open_panels(job: Job) -> tuple[str, ...]:
    panels = [choice.panel for choice in job.quantities.choices if choice.open]
    if not panels:
        return ()
    return (f"Undecided, planned the longer way (sand flat and retexture): {', '.join(panels)}.",)
