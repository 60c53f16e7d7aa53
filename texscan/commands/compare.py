"""texscan compare: what changed between two results, and whether what was promised was kept."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from texscan.commands.ending import ending_in_words


def compare(
    before: Annotated[Path, typer.Argument(metavar="BEFORE", help="Folder of 'texscan score' or 'batch', earlier.")],
    after: Annotated[Path, typer.Argument(metavar="AFTER", help="Likewise, later; panels go by name.")],
    promised: Annotated[
        str,
        typer.Option(
            metavar="FILE",
            help="What was promised: targets.csv of 'texscan plan'; or 'forecast', the coats planned in BEFORE; or "
            "'none'.",
        ),
    ] = "forecast",
    out: Annotated[Path | None, typer.Option("--out", help="Folder for compare.json, compare.csv, pictures.")] = None,
    survey: Annotated[Path | None, typer.Option(help="survey.toml, for the patches' shares of a panel.")] = None,
    same_card: Annotated[
        bool, typer.Option("--same-card", help="The same print of the card was used both times.")
    ] = False,
    same_place: Annotated[
        bool,
        typer.Option("--same-place", help="The card lay in the same place, by marks on the deck, within 2 mm."),
    ] = False,
    figures_only: Annotated[
        bool, typer.Option("--figures-only", help="Whole patches only: do not look for the place. Quicker.")
    ] = False,
) -> None:
    """Tell what changed between two results, with intervals, by cell where the texture can be found again."""
    with ending_in_words():
        from texscan import files
        from texscan.compare.job import PanelChange, Word, compared
        from texscan.compare.result import compare_files, panel_files
        from texscan.compare.words import summary_lines

        if same_place and figures_only:
            raise typer.BadParameter("--same-place is for the comparison by cell, which --figures-only leaves out.")
        word = Word(same_card=same_card, same_place=same_place, cells=not figures_only)
        folders = str(before), str(after)
        contents: dict[str, bytes] = {}

        def take(panel: PanelChange) -> None:
            if out is not None:
                contents.update(panel_files(panel, folders))

        found = compared(before, after, word=word, survey=survey, promised=promised, tell=_tell, take=take)
        if out is not None:
            contents = compare_files(found, word, folders) | contents
            files.write_result(out, contents)
        print("\n".join(summary_lines(found)))
        if out is not None:
            print(f"{out}: {', '.join(contents)}")


def _tell(panel: str) -> None:
    """A line on a terminal's stderr while panels are compared; each takes some seconds."""
    if sys.stderr.isatty():
        print(f"comparing {panel}", file=sys.stderr)
