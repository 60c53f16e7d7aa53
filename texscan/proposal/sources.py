"""Where a proposal's content comes from: results, survey, templates, each file read and checked."""

from __future__ import annotations

import struct
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path

from texscan import __version__, files
from texscan.coating import DEFAULT_COATS
from texscan.errors import SettingsError
from texscan.inputs import read_limits, read_survey
from texscan.plan.choice import choice_from_text, choices
from texscan.plan.job import Job, read_job, read_rates
from texscan.plan.logs import logs_pdf
from texscan.plan.programme_job import programme_files, read_forecast
from texscan.proposal.content import Picture
from texscan.proposal.evidence_drawing import evidence_of
from texscan.proposal.material import Issue, Material, Plan, panels_of
from texscan.proposal.pictures import logo_picture
from texscan.proposal.wording import Words, words_from_toml
from texscan.scored_patch import check_whole
from texscan.stored import read_patch
from texscan.survey.deck_plan import deck_plan_png
from texscan.survey.outcome import PanelOutcome
from texscan.survey.records import Boat, Survey
from texscan.survey.results import read_results

SHIPPED = Path(__file__).parent / "templates"
TEMPLATE_FILES = ("en.toml", "page.html", "page.css", "page.js")
FONT_FILES = {"regular.ttf": "SourceSansPro-Regular.ttf", "bold.ttf": "SourceSansPro-Semibold.ttf"}
LOGO_MM, TEXT_MM = 46.0, 174.0  # print widths


@dataclass(frozen=True, slots=True)
class Wanted:
    """The files that a proposal is to be made from; None = not given."""

    out: Path  # folder that `texscan batch` or `texscan score` wrote
    survey: Path | None = None
    rates: Path | None = None
    forecast: Path | None = None
    limits: Path | None = None
    choose: tuple[str, ...] = ()  # PANEL=OPTION


def read_material(wanted: Wanted, issue: Issue) -> Material:
    """
    Everything that the document says, read and worked out.

    Raises
    ------
    InputError, StorageError
        With the sentence that says which file cannot be used. A survey that does not suffice for quantities or a
        programme is no error: the document says what is missing.
    """
    noted = None if wanted.survey is None else read_survey(wanted.survey)
    outcomes = read_results(wanted.out, noted)
    for one in outcomes:
        for patch in one.patches:
            check_whole(patch.score, patch.folder)
    named = tuple(map(choice_from_text, wanted.choose))
    chosen = choices(outcomes, noted or Survey(Boat("")), named)
    evidence = {one.name: evidence_of(read_patch(wanted.out / one.deciding.folder)) for one in outcomes}
    plan, no_plan = _plan(wanted)
    return Material(
        panels=panels_of(outcomes, noted, evidence, chosen),
        survey=noted,
        issue=issue,
        limits=read_limits(wanted.limits),
        version=__version__,
        deck=None if noted is None or wanted.survey is None else _deck(noted, outcomes, wanted.survey),
        logo=None if noted is None or wanted.survey is None else _logo(noted, wanted.survey),
        plan=plan,
        no_plan=no_plan,
        default_coats=DEFAULT_COATS,
    )


def _plan(wanted: Wanted) -> tuple[Plan | None, str]:
    """Quantities and programme, or why there are none. A rates or forecast file that cannot be used is an error."""
    if wanted.survey is None:
        return None, ""
    read_rates(wanted.rates)
    weather = None if wanted.forecast is None else read_forecast(wanted.forecast)
    try:
        job = read_job(wanted.out, wanted.survey, rates=wanted.rates, limits=wanted.limits, choose=wanted.choose)
    except SettingsError as error:
        return None, str(error)
    try:
        timed = programme_files(job, forecast=weather)
    except SettingsError as error:
        return Plan(job, None, None, str(error), ()), ""
    if timed.programme is None:
        return Plan(job, None, None, " ".join(timed.lines).removeprefix("No programme: "), ()), ""
    chart = _png(timed.contents["programme.png"], TEXT_MM)
    return Plan(job, timed.programme, chart, "", job.yard.assumed()), ""


def log_sheets(job: Job) -> bytes:
    """The sheets to fill in by hand, as `texscan plan` writes them."""
    return logs_pdf(job.survey, job.panel_limits, smooth=job.smooth_limits)


def _png(data: bytes, width_mm: float) -> Picture:
    """A PNG as it is, with the size that its head tells."""
    columns, rows = struct.unpack(">II", data[16:24])
    return Picture(data, "png", columns, rows, width_mm)


def _deck(survey: Survey, outcomes: tuple[PanelOutcome, ...], path: Path) -> Picture | None:
    """The deck plan; None where the survey states no outlines."""
    if not any(panel.outline_m or panel.outline_px for panel in survey.panels):
        return None
    plan = survey.deck_plan.picture
    under = files.load_photo(path.parent / plan).pixels if plan else None
    return _png(deck_plan_png(survey, outcomes, shade_by="verdict", picture=under), TEXT_MM)


def _logo(survey: Survey, path: Path) -> Picture | None:
    if survey.looks.logo is None:
        return None
    place = path.parent / survey.looks.logo
    return logo_picture(files.read_bytes(place, "logo"), place.name, LOGO_MM)


def read_words(templates: Path | None, *, language: str, units: str) -> Words:
    """
    The words of a language: the user's file, with the shipped English where it leaves a text out.

    Raises
    ------
    SettingsError : no such language file, or one that cannot be used.
    """
    shipped = words_from_toml(files.read_text(SHIPPED / "en.toml", "language file"), "en.toml")
    name = f"{language}.toml"
    if templates is not None and (templates / name).is_file():
        return Words(words_from_toml(files.read_text(templates / name, "language file"), name, shipped), units)
    if language != "en":
        where = "the shipped templates" if templates is None else str(templates)
        raise SettingsError(
            f"The survey asks for the language {language!r}, and {where} hold no {name}. Copy the templates with "
            "--write-templates, translate en.toml under that name, and name their folder with --templates."
        )
    return Words(shipped, units)


def read_template(templates: Path | None, name: str) -> str:
    """A file of the page's look: the user's, else the shipped one."""
    own = None if templates is None else templates / name
    return files.read_text(own if own is not None and own.is_file() else SHIPPED / name, "template")


def read_fonts(templates: Path | None) -> tuple[bytes, bytes]:
    """Regular and bold typeface: the user's, else the ones that the program brings along."""
    return tuple(_font(templates, name) for name in FONT_FILES)  # type: ignore[return-value]


def _font(templates: Path | None, name: str) -> bytes:
    own = None if templates is None else templates / name
    if own is not None and own.is_file():
        return files.read_bytes(own, "typeface")
    spec = find_spec("font_source_sans_pro")
    folder = Path(next(iter(spec.submodule_search_locations))) / "files"  # type: ignore[union-attr,arg-type]
    return files.read_bytes(folder / FONT_FILES[name], "typeface")


def template_files() -> dict[str, bytes]:
    """The shipped templates, to be copied and changed."""
    return {name: files.read_bytes(SHIPPED / name, "template") for name in TEMPLATE_FILES}
