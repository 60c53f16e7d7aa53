"""texscan watch: photos checked and grouped as they arrive from the phone."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Annotated

import typer

from texscan.commands.ending import ending_in_words


def watch(
    folder: Annotated[Path, typer.Argument(help="Folder in which the photos arrive.")],
    card: Annotated[Path | None, typer.Option(help="Another card (card.json).")] = None,
    once: Annotated[bool, typer.Option("--once", help="Check what is there, and end.")] = False,
    every: Annotated[float, typer.Option(min=0.1, max=60, help="Seconds between two looks at the folder.")] = 1.0,
) -> None:
    """Check photos as they arrive in a folder, and group them into sets; Ctrl-C ends with a summary."""
    with ending_in_words():
        from texscan import inputs
        from texscan.capture import arrivals
        from texscan.capture.photos import reading_of, stamps_in
        from texscan.card import read_card

        own = inputs.shipped_card() if card is None else read_card(card)
        arrived: dict[str, arrivals.Arrived] = {}
        before = stamps_in(folder)
        if not once:
            before = {}  # what is there already may still be on its way
            print(f"Watching {folder}; Ctrl-C ends.", flush=True)
        try:
            while True:
                now = stamps_in(folder)
                for name in arrivals.settled(before, now, arrived):
                    arrived[name] = arrivals.Arrived(now[name], reading_of(folder / name, own))
                    print("\n".join(arrivals.lines_on(name, arrived, own)), flush=True)
                if once:
                    break
                before = now
                time.sleep(every)
        finally:
            print("\n".join(arrivals.summary_lines(arrived, own, folder)) or "No photos arrived.", flush=True)
