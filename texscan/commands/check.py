"""texscan check: are the photos of one patch usable, and what to change?"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from texscan.commands.ending import REFUSED, ending_in_words


def check(
    photos: Annotated[list[Path], typer.Argument(help="Photos of one patch, in the order taken.")],
    card: Annotated[Path | None, typer.Option(help="Another card (card.json).")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON for other programs.")] = False,
) -> None:
    """Say at once whether photos are usable, and what to change before the torch moves on."""
    with ending_in_words():
        from texscan import inputs
        from texscan.capture.advice import judge
        from texscan.capture.photos import reading_of
        from texscan.capture.remarks import NOT_USABLE
        from texscan.capture.words import advice_data, advice_lines, unique_names
        from texscan.card import read_card
        from texscan.files import json_bytes

        own = inputs.shipped_card() if card is None else read_card(card)
        names = unique_names(photos)
        readings = tuple(reading_of(path, own, name=name) for path, name in zip(photos, names, strict=True))
        advice = judge(readings, own)
        print(json_bytes(advice_data(advice)).decode().rstrip() if as_json else "\n".join(advice_lines(advice, own)))
        if any(judged.verdict == NOT_USABLE for judged in advice.photos):
            raise typer.Exit(REFUSED)
