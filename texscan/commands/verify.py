"""texscan verify: a height standard that anyone can make, measured over known."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from texscan.commands.ending import ending_in_words

HELP = """
Measure strips of known thickness and keep a dated record of measured over known.

Make the standard: cut five straight strips of card, 4 mm wide and 40 mm long, of layers glued to about half a
millimetre (or strips of steel shim, painted matt). Tape them flat on a flat, smooth, matt board, 10 mm from middle to
middle, strips and board of one paint or paper. Measure their thickness with a calliper, glue and paint included. Lay
the scale card around them and photograph as you photograph a deck, torch low, from four sides; two photos across the
strips tell it roughly. Wide plates do not serve: the method takes out what is flat for more than about 12 mm. Thick
strips need wider gaps, since their shadows hide the board.

Pass OUT/verify.json to 'texscan score' and 'texscan batch' with --verified: results then say so when it is older than
180 days or was off by more than its interval.
"""


def verify(
    photos: Annotated[list[Path], typer.Argument(help="Photos of the standard beside the card.")],
    known_mm: Annotated[float, typer.Option("--known-mm", help="Thickness of the strips, by calliper.")],
    out: Annotated[Path, typer.Option("--out", help="Folder for the result.")],
    known_u_mm: Annotated[
        float, typer.Option("--known-u-mm", help="Standard uncertainty of that thickness.", min=0.0)
    ] = 0.01,
    box: Annotated[
        str | None, typer.Option(metavar="X0,Y0,X1,Y1", help="Where the strips lie, mm on the card.")
    ] = None,
    record: Annotated[Path | None, typer.Option(metavar="FILE", help="Keep a copy of verify.json here.")] = None,
    card: Annotated[Path | None, typer.Option(help="Another card (card.json).")] = None,
    ambient: Annotated[Path | None, typer.Option(help="Photo with the torch off, same place and exposure.")] = None,
    printed_bar_mm: Annotated[float | None, typer.Option(help="What a ruler says of the card's 100 mm bar.")] = None,
) -> None:
    with ending_in_words():
        from texscan import files
        from texscan.inputs import read_settings
        from texscan.memory import check_room
        from texscan.verification import check_known, verification_files, verify_photos, words

        corners = None if box is None else _box(box)
        check_known(known_mm, known_u_mm)
        settings = read_settings(card=card, printed_bar_mm=printed_bar_mm)
        loaded = tuple(files.load_photo(path) for path in photos)
        torch_off = None if ambient is None else files.load_photo(ambient)
        check_room(loaded)
        done = verify_photos(loaded, settings, known=(known_mm, known_u_mm), box_mm=corners, torch_off=torch_off)
        contents = verification_files(done)
        files.write_result(out, contents)
        if record is not None:
            files.write_result(record.parent, {record.name: contents["verify.json"]})
        for file, reason in done.mapped.refused:
            print(f"texscan: left out {file}: {reason}", file=sys.stderr)
        print("\n".join(words(done)))
        print(f"Result: {out}" + ("" if record is None else f"\nRecord: {record}"))


verify.__doc__ = HELP


def _box(text: str) -> tuple[float, float, float, float]:
    try:
        x0, y0, x1, y1 = (float(part) for part in text.split(","))
    except ValueError:
        raise typer.BadParameter(f"--box is {text!r}; four numbers X0,Y0,X1,Y1 in mm are needed.") from None
    return x0, y0, x1, y1
