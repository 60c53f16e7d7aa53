"""texscan card: the scale card to print."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from texscan.commands.ending import ending_in_words


class Paper(StrEnum):
    a4 = "a4"
    letter = "letter"


def card_command(
    out: Annotated[Path, typer.Option("--out", help="Folder for card.pdf, card.png and card.json.")],
    paper: Annotated[Paper, typer.Option(help="Paper to print on.")] = Paper.a4,
    tags: Annotated[int, typer.Option(min=0, max=99, help="Numbered tags for sorting photos by panel.")] = 0,
) -> None:
    """Write the scale card to print, cut and fold."""
    with ending_in_words():
        from texscan.card_drawing import write_card

        for path in write_card(out, paper=paper.value, tags=tags):
            print(path)
        print("Print card.pdf at 100 %, measure the 100 mm bar with a ruler and note what it says.")
