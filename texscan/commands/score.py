"""texscan score: one patch from its photos, or from a height map."""

from __future__ import annotations

import sys
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from texscan.commands.ending import ending_in_words


class Existing(StrEnum):
    gelcoat = "gelcoat"
    one_part = "one-part"
    two_part = "two-part"
    unknown = "unknown"


class Planned(StrEnum):
    one_part = "one-part"
    two_part = "two-part"


def score(
    out: Annotated[Path, typer.Option("--out", help="Folder for the result.")],
    photos: Annotated[list[Path] | None, typer.Argument(help="Photos of one patch, each under one light.")] = None,
    card: Annotated[Path | None, typer.Option(help="Another card (card.json).")] = None,
    ambient: Annotated[Path | None, typer.Option(help="Photo with the torch off, same place and exposure.")] = None,
    reference: Annotated[
        Path | None, typer.Option(help="Result folder that shows what sound looks like here.")
    ] = None,
    mask: Annotated[
        Path | None, typer.Option(help="PNG, white = leave out, over the first photo or relief.tif.")
    ] = None,
    coats: Annotated[Path | None, typer.Option(help="Planned coats (TOML).")] = None,
    limits: Annotated[Path | None, typer.Option(help="Limits of the decision (TOML).")] = None,
    existing: Annotated[Existing | None, typer.Option(help="The old coating.")] = None,
    planned: Annotated[Planned | None, typer.Option(help="The new coating.")] = None,
    rag_test: Annotated[
        str | None,
        typer.Option(
            metavar="REDUCER:MINUTES:SEEN",
            help="Solvent-rag test on the old coating, e.g. two-part:15:unharmed (or softened, wrinkled, lifted).",
        ),
    ] = None,
    hours_since_coat: Annotated[
        float | None, typer.Option(min=0, help="Hours since the last coat, if it is fresh (recoat window).")
    ] = None,
    printed_bar_mm: Annotated[float | None, typer.Option(help="What a ruler says of the card's 100 mm bar.")] = None,
    panel: Annotated[str, typer.Option(help="Name of the panel.")] = "",
    mm_per_px: Annotated[
        float | None, typer.Option("--mm-per-px", help="Without a card: scale of the photos.")
    ] = None,
    light_azimuth: Annotated[
        list[float] | None, typer.Option(help="Without a card: degrees anticlockwise from right, once a photo.")
    ] = None,
    light_elevation: Annotated[
        list[float] | None, typer.Option(help="Without a card: degrees above the panel, once a photo.")
    ] = None,
    heights: Annotated[Path | None, typer.Option(help="Height map (TIFF in mm, or X3P) instead of photos.")] = None,
    step_mm: Annotated[float | None, typer.Option(help="Grid step of a TIFF height map.")] = None,
    verified: Annotated[
        Path | None, typer.Option(metavar="FILE", help="The verify.json of 'texscan verify', read with this camera.")
    ] = None,
    budget: Annotated[bool, typer.Option("--budget", help="Print the uncertainty budget.")] = False,
) -> None:
    """Score one patch from its photos (or from a height map)."""
    with ending_in_words():
        photos = photos or []
        lights = _stated_lights(photos, light_azimuth or [], light_elevation or [], mm_per_px)
        _check_call(photos, heights, ambient, lights)
        from texscan import files, result
        from texscan.compatibility import Job
        from texscan.inputs import read_settings
        from texscan.memory import check_room, handed_over
        from texscan.overlay import shaded_relief
        from texscan.score import score_heights, score_photos

        job = Job(
            existing and existing.value,
            planned and planned.value,
            rag_test=None if rag_test is None else _rag_test(rag_test),
            hours_since_coat=hours_since_coat,
        )
        settings = read_settings(
            card=card,
            coats=coats,
            limits=limits,
            reference=reference,
            mask=mask,
            job=job,
            printed_bar_mm=printed_bar_mm,
            panel=panel or out.name,
            lights=lights,
            mm_per_px=mm_per_px,
            verified=verified,
        )
        if heights is not None:
            check_room(())
            height, step = files.load_heights(heights, step_mm)
            done = score_heights(height, step, settings, picture=shaded_relief(height, step))
        else:
            loaded = [files.load_photo(path) for path in photos]
            torch_off = None if ambient is None else files.load_photo(ambient)
            check_room(loaded)
            done = score_photos(handed_over(loaded), settings, torch_off=torch_off)
        files.write_result(out, result.result_files(done))
        from texscan.report import budget_lines, summary_lines

        for file, reason in done.refused:
            print(f"texscan: left out {file}: {reason}", file=sys.stderr)
        print("\n".join(summary_lines(done)))
        if budget:
            print("\n".join(budget_lines(done)))
        print(f"Result: {out}")


def _stated_lights(
    photos: list[Path], azimuths: list[float], elevations: list[float], mm_per_px: float | None
) -> tuple[tuple[float, float], ...]:
    if not azimuths and not elevations and mm_per_px is None:
        return ()
    if len(azimuths) != len(photos) or len(elevations) != len(photos) or mm_per_px is None:
        raise typer.BadParameter(
            f"{len(photos)} photos without a card need --mm-per-px once and --light-azimuth and --light-elevation "
            f"{len(photos)} times each; found {len(azimuths)} and {len(elevations)}."
        )
    return tuple(zip(azimuths, elevations, strict=True))


def _rag_test(text: str):
    """The record of a rag test from REDUCER:MINUTES:SEEN."""
    from texscan.compatibility import PLANNED, SEEN, RagTest

    try:
        reducer, minutes, seen = (part.strip() for part in text.split(":"))
        test = RagTest(reducer, float(minutes), seen)
    except ValueError:
        test = None
    if test is None or test.reducer not in PLANNED or test.seen not in SEEN:
        raise typer.BadParameter(
            f"--rag-test is {text!r}; the reducer ({' or '.join(PLANNED)}), minutes and what was seen "
            f"({', '.join(SEEN)}) are needed, as in two-part:15:unharmed."
        )
    return test


def _check_call(photos: list[Path], heights: Path | None, ambient: Path | None, lights: tuple) -> None:
    if bool(photos) == (heights is not None):
        raise typer.BadParameter("Give the photos of one patch, or one height map with --heights.")
    if ambient is not None and (heights is not None or lights):
        raise typer.BadParameter("--ambient goes with photos that show the card.")
