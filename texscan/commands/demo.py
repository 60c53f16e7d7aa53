"""texscan demo: the samples of an invented boat, scored."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from texscan.commands.ending import ending_in_words


def demo(
    out: Annotated[Path, typer.Option("--out", help="Folder for the results.")] = Path("texscan-demo"),
    proposal: Annotated[
        bool, typer.Option("--proposal", help="Write the invented boat's proposal too, into a folder beside them.")
    ] = False,
) -> None:
    """Score every sample panel of an invented boat and show the verdicts."""
    with ending_in_words():
        from texscan.demo import run_demo

        run_demo(out)
        if proposal:
            from texscan.demo import demo_proposal

            for path in demo_proposal(out):
                print(path)
