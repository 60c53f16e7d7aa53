"""texscan survey: begin survey.toml, and check it."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from texscan.commands.ending import ending_in_words

survey_app = typer.Typer(
    name="survey", help="Begin a survey of a boat, or check one.", no_args_is_help=True, rich_markup_mode=None
)


@survey_app.command("new")
def new(
    folder: Annotated[Path, typer.Argument(help="Folder of the survey; its sub-folders with photos become panels.")],
) -> None:
    """Write FOLDER/survey.toml with a word on each entry."""
    with ending_in_words():
        from texscan import files
        from texscan.survey.photos import panels_in
        from texscan.survey.template import survey_template

        panels = panels_in(folder) if folder.exists() else ()
        files.write_new(folder / "survey.toml", survey_template(panels), "survey")
        for panel in panels:
            patches = ", ".join(patch.name for patch in panel.patches)
            print(f"Panel {panel.name}" + (f": patches {patches}" if patches else ""))
        print(f"Survey: {folder / 'survey.toml'}")
        print("Fill it in, at least the boat's name, then: texscan survey check " + str(folder / "survey.toml"))


@survey_app.command("check")
def check(file: Annotated[Path, typer.Argument(metavar="SURVEY", help="A survey.toml.")]) -> None:
    """Print what a survey says and what is missing."""
    with ending_in_words():
        from texscan.inputs import read_survey
        from texscan.survey import checking
        from texscan.survey.photos import missing_files, photos_of

        survey = read_survey(file)
        found = photos_of(survey, file.parent)
        boat = survey.boat
        length = f"{boat.length_m:g} m" if boat.length_m else ""
        print(", ".join(part for part in (boat.name, boat.kind, length, boat.place) if part))
        _print_panels(survey, found)
        for step, sentences in checking.lacking(survey, found).items():
            print(f"Missing for {step}:")
            print("\n".join(f"  {sentence}" for sentence in sentences))
        for sentence in (*missing_files(survey, file.parent), *checking.slips(survey, found)):
            print(f"Look again: {sentence}")


def _print_panels(survey, found) -> None:
    from rich.box import SIMPLE_HEAD
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    from texscan.survey.area import panel_area_m2, panel_perimeter_m
    from texscan.survey.checking import area_of_all

    def figure(measured) -> str:
        return "-" if measured is None else f"{measured.value:.2f}"

    table = Table(box=SIMPLE_HEAD, pad_edge=False, padding=(0, 1, 0, 0))
    for heading in ("panel", "m2", "edge", "photos", "old", "new", "first"):
        table.add_column(heading, overflow="fold", no_wrap=heading != "panel")
    table.columns[1].justify = table.columns[2].justify = "right"
    for panel in survey.panels:
        fails = panel.adhesion is not None and panel.adhesion.outcome == "fails"
        noted = {"soft": panel.soft_spots, "cracks": panel.cracks, "adhesion": fails}
        cells = (
            panel.name,
            figure(panel_area_m2(panel)),
            figure(panel_perimeter_m(panel)),
            " + ".join(str(len(photos)) for photos in found[panel.name].values()) or (panel.tag and "by tag") or "-",
            panel.existing or "-",
            panel.planned or "-",
            ", ".join(word for word, there in noted.items() if there),
        )
        table.add_row(*(Text(cell) for cell in cells))
    if survey.panels:
        Console().print(table)
    area = area_of_all(survey.panels)
    together = f", {area.value:.1f} m2 ({area.low:.1f} to {area.high:.1f})" if area else ""
    photos = sum(len(photos) for patches in found.values() for photos in patches.values())
    print(f"{_counted(len(survey.panels), 'panel')}, {_counted(photos, 'photo')}{together}")


def _counted(number: int, noun: str) -> str:
    return f"{number} {noun}" + ("" if number == 1 else "s")
