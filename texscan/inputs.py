"""From the options of a command to the settings of a score: every file that they name is read and checked here."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from texscan import files, zones
from texscan.card import Card, read_card
from texscan.coating import DEFAULT_COATS
from texscan.coats import CoatSystem, coats_from_toml, systems_from_toml
from texscan.compatibility import Job
from texscan.condition_map import conditions_from_tiff
from texscan.errors import SettingsError, on_one_line
from texscan.limits import Limits, limits_from_toml
from texscan.model import SOUND, Coat, Filters, Measured
from texscan.relief.grooves import shape_unsure
from texscan.score_settings import Settings
from texscan.settings import BAR_RANGE_MM
from texscan.standard import Verification, verification_from_json
from texscan.stored import read_score
from texscan.survey.lines import line_of, lines_of
from texscan.survey.reading import survey_from_toml
from texscan.survey.records import Survey


def read_settings(
    *,
    card: Path | None = None,
    coats: Path | None = None,
    limits: Path | None = None,
    reference: Path | None = None,
    mask: Path | None = None,
    job: Job | None = None,
    printed_bar_mm: float | None = None,
    panel: str = "",
    lights: tuple[tuple[float, float], ...] = (),
    mm_per_px: float | None = None,
    verified: Path | None = None,
) -> Settings:
    """
    Settings from files and values.

    Raises
    ------
    InputError, StorageError
        With the sentence that says which one cannot be used.
    """
    if printed_bar_mm is not None and not BAR_RANGE_MM[0] <= printed_bar_mm <= BAR_RANGE_MM[1]:
        raise SettingsError(
            f"--printed-bar-mm is {printed_bar_mm:g}; the printed bar is 100 mm, a ruler says between "
            f"{BAR_RANGE_MM[0]:g} and {BAR_RANGE_MM[1]:g}. Measure it again, in mm, or print the card at 100 %."
        )
    filters = Filters()
    return Settings(
        card=shipped_card() if card is None else read_card(card),
        limits=read_limits(limits),
        coats=read_coats(coats),
        job=job or Job(),
        filters=filters,
        printed_bar_mm=printed_bar_mm,
        panel=on_one_line(" ".join(panel.split())),
        reference=None if reference is None else read_reference(reference, filters),
        mask=None if mask is None else files.load_mask(mask),
        lights=lights,
        mm_per_px=mm_per_px,
        verified=None if verified is None else read_verification(verified),
    )


def read_verification(path: Path) -> Verification:
    """How a height standard was read: the record that `texscan verify` wrote."""
    return verification_from_json(files.read_text(path, "record of a height standard"), path.name)


def shipped_card() -> Card:
    """The card in calibration/."""
    return read_card(files.find_calibration("card.json"))


def read_limits(path: Path | None) -> Limits:
    """The shipped limits, with what the user's file changes of them."""
    shipped = limits_from_toml(files.read_text(files.find_calibration("limits.toml"), "limits file"), "limits.toml")
    if path is None:
        return shipped
    return limits_from_toml(files.read_text(path, "limits file"), path.name, shipped)


def read_coats(path: Path | None) -> tuple[Coat, ...]:
    """The user's coats, or the usual system: one primer and two topcoats, rolled."""
    return DEFAULT_COATS if path is None else coats_from_toml(files.read_text(path, "coats file"), path.name)


def read_survey(path: Path) -> Survey:
    """
    The survey in a survey.toml, with the coats files that it names.

    Raises
    ------
    SettingsError : as `survey_from_toml`, or a coats file that cannot be used, with the line that names it.
    """
    text = files.read_text(path, "survey")
    survey = survey_from_toml(text, path.name)
    lines = lines_of(text)

    def coats_in(file: str | None, *place: str | int) -> tuple[Coat, ...]:
        if file is None:
            return ()
        try:
            return read_coats(path.parent / file)
        except SettingsError as error:
            raise SettingsError(f"{path.name}, line {line_of(lines, (*place, 'coats'))}: coats: {error}") from error

    panels = tuple(replace(p, coats=coats_in(p.coats_file, "panel", n)) for n, p in enumerate(survey.panels))
    return replace(survey, coats=coats_in(survey.coats_file), panels=panels)


def read_systems() -> dict[str, CoatSystem]:
    """The generic systems in calibration/."""
    return systems_from_toml(files.read_text(files.find_calibration("coats.toml"), "coats file"), "coats.toml")


def read_test_patch(before: Path, after: Path) -> tuple[Measured, Measured]:
    """Void depth of a test patch before and after one coat, from its two result folders [mm]."""
    if before.resolve() == after.resolve():
        raise SettingsError(f"{before.name} is named twice; the results before and after the coat are needed.")
    first, second = read_score(before), read_score(after)
    if first.get("filters") != second.get("filters"):
        raise SettingsError(
            f"{before.name} and {after.name} were scored with different filters. Score both with one version."
        )
    return _void_depth(first, before.name), _void_depth(second, after.name)


def _void_depth(data: dict, name: str) -> Measured:
    try:
        figure = data["texture"]["void_depth_mm"]
        return Measured(*(float(figure[key]) for key in ("value", "low", "high")))
    except (KeyError, TypeError, ValueError) as error:
        raise SettingsError(f"{name}/score.json has no void depth ({error!r}). Score the patch again.") from error


def read_reference(folder: Path, filters: Filters) -> zones.Reference:
    """What sound looks like on this boat, from the sound part of an earlier result."""
    data = read_score(folder)
    step = data["grid"]["step_mm"]
    height, _ = files.load_heights(folder / "relief.tif", step)
    path = folder / "conditions.tif"
    condition = conditions_from_tiff(files.read_bytes(path, "map of conditions"), f"{folder.name}/{path.name}")
    sound = condition == SOUND
    if height.shape != condition.shape or not sound.any():
        raise SettingsError(
            f"The reference {folder.name} has no sound part to compare with. Score an unworn, unpainted corner and "
            "name its folder."
        )
    unsure = shape_unsure(data.get("flags", ()))
    return zones.reference_from(height, step, filters, use=sound, shape_unsure=unsure)
