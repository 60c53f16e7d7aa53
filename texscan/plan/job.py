"""A whole planning job: the survey, its scored panels, the user's rates, and the quantities that follow."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from texscan import files, inputs
from texscan.limits import Limits
from texscan.plan.boat import BoatQuantities, boat_quantities
from texscan.plan.choice import choice_from_text, choices
from texscan.plan.log_limits import PanelLimits, Sheets, panel_limits, smooth_limits, sound_void
from texscan.plan.materials import Material, materials_from_toml, with_users
from texscan.plan.quantities import Means
from texscan.plan.rates import Rates, rates_from_toml
from texscan.plan.yard import PASSES, Yard, yard_from_tables
from texscan.survey.outcome import PanelOutcome
from texscan.survey.records import Survey
from texscan.survey.results import read_results


@dataclass(frozen=True, slots=True)
class Job:
    """What a plan is made from."""

    survey: Survey
    outcomes: tuple[PanelOutcome, ...]
    rates: Rates
    limits: Limits
    means: Means
    yard: Yard
    quantities: BoatQuantities
    panel_limits: tuple[PanelLimits, ...]  # for the log sheets
    smooth_limits: PanelLimits | None


def read_job(
    out: Path,
    survey: Path,
    *,
    rates: Path | None = None,
    limits: Path | None = None,
    choose: tuple[str, ...] = (),
) -> Job:
    """
    Read the files of a planning job and work out its quantities.

    Parameters
    ----------
    out : results of `texscan batch` or `score`.
    choose : PANEL=OPTION, other ways than recommended.

    Raises
    ------
    InputError, StorageError
        With the sentence that says which file cannot be used.
    """
    noted = inputs.read_survey(survey)
    outcomes = read_results(out, noted)
    given = read_rates(rates)
    held = inputs.read_limits(limits)
    where = "rates file" if rates is None else rates.name
    materials = with_users(read_materials(), given.materials, f"{where}, materials")
    means = Means(materials, given, held.practice["grit_coarse"].value)
    yard = yard_from_tables(
        given.of_programme,
        where,
        paces=given.paces,
        passes={name: means[name] for name in PASSES},
        fitting_h=given.h_per_fitting,
    )
    chosen = choices(outcomes, noted, tuple(choice_from_text(text) for text in choose))
    guard = held.decision["share_guard"].value
    found = boat_quantities(outcomes, noted, chosen, means, share_guard=guard, yard=yard)
    sheets = Sheets(yard.sheets, held, sound_void(outcomes, noted))
    return Job(
        survey=noted,
        outcomes=outcomes,
        rates=given,
        limits=held,
        means=means,
        yard=yard,
        quantities=found,
        panel_limits=panel_limits(found, outcomes, means, sheets),
        smooth_limits=smooth_limits(found, means, sheets),
    )


def read_rates(path: Path | None) -> Rates:
    """The user's rates, or none at all."""
    return Rates() if path is None else rates_from_toml(files.read_text(path, "rates file"), path.name)


def read_materials() -> dict[str, Material]:
    """The shipped figures of materials."""
    text = files.read_text(files.find_calibration("materials.toml"), "materials file")
    return materials_from_toml(text, "materials.toml")
