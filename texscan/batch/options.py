"""From the options of the command to a plan and what its patches share; every file that is named is checked first."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from texscan import inputs
from texscan.batch.finding import find_photos
from texscan.batch.planning import plan_of_folder, plan_of_survey
from texscan.batch.records import Common, Plan
from texscan.compatibility import Job
from texscan.errors import SettingsError
from texscan.survey.records import Survey


@dataclass(frozen=True, slots=True)
class Options:
    """What a user may set about a batch."""

    folder: Path
    out: Path
    survey: Path | None = None
    card: Path | None = None
    coats: Path | None = None
    limits: Path | None = None
    reference: Path | None = None
    existing: str | None = None
    planned: str | None = None
    printed_bar_mm: float | None = None


def prepare(options: Options) -> tuple[Plan, Common, Survey | None]:
    """
    What there is to do.

    Raises
    ------
    InputError, StorageError : a file that is named cannot be used, or there is nothing to score.
    """
    survey = None if options.survey is None else inputs.read_survey(options.survey)
    bar = options.printed_bar_mm if options.printed_bar_mm is not None or survey is None else survey.printed_bar_mm
    inputs.read_settings(
        card=options.card, limits=options.limits, reference=options.reference, printed_bar_mm=bar
    )  # refused now, not at the first patch
    coats = inputs.read_coats(options.coats)
    if options.out.resolve() == options.folder.resolve():
        raise SettingsError(f"--out is the folder of the photos, {options.folder}. Name another folder for results.")
    found = find_photos(options.folder, options.out)
    job = Job(options.existing, options.planned)
    if survey is None:
        plan = plan_of_folder(found, {}, job)
    else:
        plan = plan_of_survey(
            survey, options.survey.resolve().parent, found, {}, job, folder=options.folder.resolve()
        )
    if not plan.tasks:
        raise SettingsError(
            f"{options.folder} holds no photos to score. Make a sub-folder for each panel and put its photos there."
        )
    common = Common(
        str(options.folder.resolve()),
        coats,
        card=_absolute(options.card),
        limits=_absolute(options.limits),
        reference=_absolute(options.reference),
        printed_bar_mm=bar,
    )
    return plan, common, survey


def _absolute(path: Path | None) -> str | None:
    return None if path is None else str(path.resolve())
