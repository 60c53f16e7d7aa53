"""texscan guide: the page that tells how to photograph."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from texscan.commands.card import Paper
from texscan.commands.ending import ending_in_words


def guide(
    out: Annotated[Path, typer.Option("--out", help="The PDF to write.")],
    paper: Annotated[Paper, typer.Option(help="Paper to print on.")] = Paper.a4,
) -> None:
    """Write the one-page capture guide that goes with the card."""
    with ending_in_words():
        from texscan.capture.guide_sheet import guide_pdf
        from texscan.files import write_result

        write_result(out.parent, {out.name: guide_pdf(paper=paper.value)})
        print(out)
