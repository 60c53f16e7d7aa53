"""From the options of the command to a plan and what its patches share; every file that is named is checked first."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from texscan import inputs
from texscan.batch.finding import Found, find_photos
from texscan.batch.loose import loose_photos
from texscan.batch.planning import plan_of_folder, plan_of_survey, untold_photos
from texscan.batch.records import Common, Plan
from texscan.capture.grouping import PhotoSet
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
    verified: Path | None = None


@dataclass(frozen=True, slots=True)
class Asked:
    """Options that were read and checked, and what the folder holds."""

    options: Options
    common: Common
    survey: Survey | None
    found: Found

    @property
    def home(self) -> Path:
        """Where the patterns of the survey begin."""
        return (self.options.survey or self.options.folder / "survey.toml").resolve().parent

    @property
    def job(self) -> Job:
        return Job(self.options.existing, self.options.planned)


def read_options(options: Options) -> Asked:
    """
    Everything that can be refused before work begins.

    Raises
    ------
    InputError, StorageError : a file or folder that is named cannot be used.
    """
    survey = None if options.survey is None else inputs.read_survey(options.survey)
    bar = options.printed_bar_mm if options.printed_bar_mm is not None or survey is None else survey.printed_bar_mm
    inputs.read_settings(card=options.card, limits=options.limits, reference=options.reference, printed_bar_mm=bar)
    if options.out.resolve() == options.folder.resolve():
        raise SettingsError(f"--out is the folder of the photos, {options.folder}. Name another folder for results.")
    found = find_photos(options.folder, options.out)
    if not found.folders and not found.refused:
        raise SettingsError(
            f"{options.folder} holds no photos to score. Make a sub-folder for each panel and put its photos there."
        )
    common = Common(
        str(options.folder.resolve()),
        inputs.read_coats(options.coats),
        card=_absolute(options.card),
        limits=_absolute(options.limits),
        reference=_absolute(options.reference),
        printed_bar_mm=bar,
        verified=None if options.verified is None else inputs.read_verification(options.verified),
    )
    return Asked(options, common, survey, found)


def photos_to_group(asked: Asked) -> tuple[str, ...]:
    """Photos of which only their looks tell where they belong, relative to FOLDER."""
    if asked.survey is None:
        return loose_photos(asked.found)
    return untold_photos(asked.survey, asked.home, asked.found, folder=Path(asked.common.folder))


def plan_of(asked: Asked, sets: dict[str, PhotoSet]) -> Plan:
    """What there is to do; `sets` are the photos of `photos_to_group`, grouped."""
    if asked.survey is None:
        return plan_of_folder(asked.found, sets, asked.job)
    folder = Path(asked.common.folder)
    return plan_of_survey(asked.survey, asked.home, asked.found, sets, asked.job, folder=folder)


def _absolute(path: Path | None) -> str | None:
    return None if path is None else str(path.resolve())
