"""texscan batch: a whole folder of photos."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import Annotated

import typer

from texscan.commands.ending import BUG, REFUSED, ending_in_words
from texscan.commands.score import Existing, Planned


def batch(
    folder: Annotated[Path, typer.Argument(help="Folder with a sub-folder of photos for each panel.")],
    out: Annotated[Path, typer.Option("--out", help="Folder for the results.")],
    jobs: Annotated[
        int | None, typer.Option(min=1, help="Patches at once, one core each; all cores if left out.")
    ] = None,
    survey: Annotated[Path | None, typer.Option(help="What was noted on board (survey.toml).")] = None,
    card: Annotated[Path | None, typer.Option(help="Another card (card.json).")] = None,
    coats: Annotated[Path | None, typer.Option(help="Planned coats (TOML); the survey's go before it.")] = None,
    limits: Annotated[Path | None, typer.Option(help="Limits of the decision (TOML).")] = None,
    existing: Annotated[Existing | None, typer.Option(help="The old coating, where the survey does not say.")] = None,
    planned: Annotated[Planned | None, typer.Option(help="The new coating, likewise.")] = None,
    printed_bar_mm: Annotated[float | None, typer.Option(help="What a ruler says of the card's 100 mm bar.")] = None,
    reference: Annotated[
        Path | None, typer.Option(help="Result folder that shows what sound looks like on this boat.")
    ] = None,
    verified: Annotated[
        Path | None, typer.Option(metavar="FILE", help="The verify.json of 'texscan verify', read with this camera.")
    ] = None,
    strict: Annotated[bool, typer.Option("--strict", help="End with 1 if anything was refused.")] = False,
    scheduler: Annotated[
        str | None, typer.Option(metavar="ADDRESS", help="Send the work to this dask.distributed scheduler.")
    ] = None,
    again: Annotated[bool, typer.Option("--again", help="Score everything again, also what stands.")] = False,
) -> None:
    """Score a whole folder: each sub-folder with photos is a panel. A run that was stopped goes on where it was."""
    with ending_in_words():
        from texscan.batch.engine import cluster_pool, local_pool
        from texscan.batch.finding import OWN_FOLDER
        from texscan.batch.lock import locked
        from texscan.batch.loose import sets_of
        from texscan.batch.options import Options, photos_to_group, plan_of, read_options
        from texscan.batch.run import Means, run_batch
        from texscan.batch.words import Progress, ending_lines, plan_lines, refusal_line

        options = Options(
            folder,
            out,
            survey=survey,
            card=card,
            coats=coats,
            limits=limits,
            reference=reference,
            existing=existing and existing.value,
            planned=planned and planned.value,
            printed_bar_mm=printed_bar_mm,
            verified=verified,
        )
        asked = read_options(options)
        pool, jobs = (local_pool, jobs or os.cpu_count() or 1) if scheduler is None else cluster_pool(scheduler)
        with locked(out / OWN_FOLDER / "lock"):
            loose = photos_to_group(asked)
            if loose:
                print(f"{len(loose)} loose photos: looking which belong together.", flush=True)
            plan = plan_of(asked, sets_of(loose, asked.common, out, pool=pool, jobs=jobs))
            print("\n".join(plan_lines(plan)), flush=True)
            with Progress(plan) as progress:
                done = run_batch(plan, asked.common, out, Means(pool, jobs, again), tell=progress.tell)
        for file, reason in done.refused:
            print(refusal_line(file, reason), file=sys.stderr)
        print("\n".join(ending_lines(done, out)))
        panels = () if asked.survey is None else asked.survey.panels
        if survey is not None and done.patches and any(p.outline_m or p.outline_px for p in panels):
            print("\n".join(deck_plan(out, survey)))
        if progress.bugs:
            print("\n".join(progress.bugs), file=sys.stderr)
            raise SystemExit(BUG)
        if not done.patches or (strict and done.refused):
            raise SystemExit(REFUSED)


def deck_plan(out: Path, survey: Path) -> list[str]:
    """The deck plan drawn into OUT; why not, where it cannot be: the results stand without it."""
    from texscan.commands.deck import draw_deck
    from texscan.errors import InputError

    try:
        return draw_deck(out, survey, out)
    except InputError as error:
        return [f"No deck plan: {error}"]
