"""texscan explain: why a result says what it says."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Annotated

import typer

from texscan.commands.ending import ending_in_words


def explain(
    folder: Annotated[Path, typer.Argument(metavar="RESULT_FOLDER", help="Folder that 'texscan score' wrote.")],
) -> None:
    """Print why a result says what it says, the ways to do the work, and their cautions."""
    with ending_in_words():
        from texscan.explain import explained
        from texscan.inputs import read_score

        width = shutil.get_terminal_size().columns
        print("\n".join(explained(read_score(folder), name=f"{folder.name}/score.json", width=width)))
