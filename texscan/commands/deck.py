"""texscan deck: the deck plan."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from texscan.commands.ending import ending_in_words


def deck(
    out: Annotated[Path, typer.Argument(metavar="OUT", help="Folder that 'texscan batch' wrote.")],
    survey: Annotated[Path, typer.Option(help="survey.toml with the panels' outlines.")],
    to: Annotated[Path | None, typer.Option(help="Folder for the pictures; OUT unless given.")] = None,
) -> None:
    """Draw the boat with its panels coloured and hatched by verdict, and by void depth."""
    with ending_in_words():
        print("\n".join(draw_deck(out, survey, to or out)))


def draw_deck(out: Path, survey: Path, folder: Path) -> list[str]:
    """
    Write the deck plan of the results in `out` into `folder`; what there is to say of it, a line each.

    Raises
    ------
    InputError, StorageError
        No survey, no outlines, no results, or no room, in words.
    """
    from texscan import files
    from texscan.inputs import read_survey
    from texscan.survey.deck_files import deck_files
    from texscan.survey.results import read_results

    noted = read_survey(survey)
    outcomes = read_results(out, noted)
    plan = noted.deck_plan.picture
    picture = files.load_photo(survey.parent / plan).pixels if plan else None
    contents = deck_files(noted, outcomes, picture=picture)
    files.write_result(folder, contents)
    strangers = sorted({one.name for one in outcomes} - {panel.name for panel in noted.panels})
    lines = [f"Scored but not in the survey, so not on the plan: {', '.join(strangers)}."] if strangers else []
    return [*lines, *(str(folder / name) for name in contents)]
