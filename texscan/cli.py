"""The command line. Heavy imports stand inside the commands, so that --help answers at once."""

from __future__ import annotations

import os
import shutil
import sys
import traceback
from collections.abc import Iterator
from contextlib import contextmanager
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from texscan.errors import InputError, StorageError

REFUSED, NO_STORAGE, BUG, INTERRUPTED = 1, 3, 70, 130  # 2, a wrong command line, is the parser's own

app = typer.Typer(
    name="texscan",
    help="Score boat-deck non-skid from raking-light photos: recoat, or sand flat and retexture.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)


class Paper(StrEnum):
    a4 = "a4"
    letter = "letter"


class Existing(StrEnum):
    gelcoat = "gelcoat"
    one_part = "one-part"
    two_part = "two-part"
    unknown = "unknown"


class Planned(StrEnum):
    one_part = "one-part"
    two_part = "two-part"


def main() -> None:
    """Entry point of the command `texscan`."""
    app()


@contextmanager
def _ending_in_words() -> Iterator[None]:
    """Our errors become their sentence and exit code; anything else is a bug and keeps its traceback."""
    try:
        yield
        sys.stdout.flush()
    except BrokenPipeError:  # whoever read the output has seen enough, as `| head` does
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    except InputError as error:
        _say_and_exit(str(error), REFUSED)
    except StorageError as error:
        _say_and_exit(str(error), NO_STORAGE)
    except MemoryError:
        _say_and_exit("There is not enough memory. Close other programs, or use smaller photos.", NO_STORAGE)
    except KeyboardInterrupt:
        _say_and_exit("Interrupted; nothing was half-written.", INTERRUPTED)
    except (typer.Exit, typer.Abort, typer.BadParameter):
        raise
    except Exception:
        traceback.print_exc()
        raise SystemExit(BUG) from None


def _say_and_exit(sentence: str, code: int) -> None:
    print(f"texscan: {sentence}", file=sys.stderr)
    raise SystemExit(code)


def _version(wanted: bool) -> None:
    if wanted:
        from texscan import __version__

        print(f"texscan {__version__}")
        raise typer.Exit


@app.callback()
def _options(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version and end.")
    ] = False,
) -> None:
    pass


@app.command()
def score(
    photos: Annotated[list[Path] | None, typer.Argument(help="Photos of one patch, each under one light.")] = None,
    out: Annotated[Path, typer.Option("--out", help="Folder for the result.")] = ...,
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
    budget: Annotated[bool, typer.Option("--budget", help="Print the uncertainty budget.")] = False,
) -> None:
    """Score one patch from its photos (or from a height map)."""
    with _ending_in_words():
        lights = _stated_lights(photos or [], light_azimuth or [], light_elevation or [], mm_per_px)
        _check_call(photos or [], heights, ambient, lights)
        from texscan import files, result
        from texscan.compatibility import Job
        from texscan.inputs import read_settings
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
        )
        if heights is not None:
            height, step = files.load_heights(heights, step_mm)
            done = score_heights(height, step, settings, picture=shaded_relief(height, step))
        else:
            loaded = tuple(files.load_photo(path) for path in photos)
            torch_off = None if ambient is None else files.load_photo(ambient)
            done = score_photos(loaded, settings, torch_off=torch_off)
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


@app.command("card")
def card_command(
    out: Annotated[Path, typer.Option("--out", help="Folder for card.pdf, card.png and card.json.")] = ...,
    paper: Annotated[Paper, typer.Option(help="Paper to print on.")] = Paper.a4,
    tags: Annotated[int, typer.Option(min=0, max=99, help="Numbered tags for sorting photos by panel.")] = 0,
) -> None:
    """Write the scale card to print, cut and fold."""
    with _ending_in_words():
        from texscan.card_drawing import write_card

        for path in write_card(out, paper=paper.value, tags=tags):
            print(path)
        print("Print card.pdf at 100 %, measure the 100 mm bar with a ruler and note what it says.")


@app.command()
def explain(
    folder: Annotated[Path, typer.Argument(metavar="RESULT_FOLDER", help="Folder that 'texscan score' wrote.")],
) -> None:
    """Print why a result says what it says, the ways to do the work, and their cautions."""
    with _ending_in_words():
        from texscan.explain import explained
        from texscan.inputs import read_score

        width = shutil.get_terminal_size().columns
        print("\n".join(explained(read_score(folder), name=f"{folder.name}/score.json", width=width)))


@app.command("coats")
def coats_command(
    list_: Annotated[bool, typer.Option("--list", help="Print generic systems and where their figures are from.")] = (
        False
    ),
    system: Annotated[str | None, typer.Option(help="Write this generic system as a coats file (--out).")] = None,
    from_: Annotated[
        tuple[Path, Path] | None,
        typer.Option(
            "--from", metavar="BEFORE AFTER", help="Result folders of one test patch before and after one coat."
        ),
    ] = None,
    coat: Annotated[str | None, typer.Option(help="With --from: the coat between them, by number or name.")] = None,
    coats: Annotated[Path | None, typer.Option(help="With --from: the coats file that holds it.")] = None,
    out: Annotated[Path | None, typer.Option(help="The coats file to write; it must not be there yet.")] = None,
) -> None:
    """List or write coats files, or measure on a test patch how much paint stays on the peaks."""
    with _ending_in_words():
        if [list_, system is not None, from_ is not None].count(True) != 1:
            raise typer.BadParameter("Give one of --list, --system and --from.")
        if (system is not None and out is None) or (list_ and out is not None):
            raise typer.BadParameter("--system needs --out, and --list takes none.")
        if (from_ is None) != (coat is None) or (from_ is None and coats is not None):
            raise typer.BadParameter("--from and --coat go together; --coats goes with them.")
        from texscan import coats_file, files, inputs

        if list_:
            print("\n\n".join("\n".join(coats_file.system_lines(s)) for s in inputs.read_systems().values()))
            print(f"\n{coats_file.PROVENANCE}")
            return
        if system is not None:
            text = coats_file.of_system(inputs.read_systems(), system)
        else:
            patch = coats_file.TestPatch(*(folder.name for folder in from_), *inputs.read_test_patch(*from_))
            planned = inputs.read_coats(coats)
            print("\n".join(coats_file.measured_lines(planned, coat, patch)))
            text = coats_file.measured(planned, coat, patch)
        if out is not None:
            files.write_new(out, text, "coats file")
            print(f"Coats file: {out}")


@app.command()
def demo(
    out: Annotated[Path, typer.Option("--out", help="Folder for the results.")] = Path("texscan-demo"),
) -> None:
    """Score every sample panel of an invented boat and show the verdicts."""
    with _ending_in_words():
        from texscan.demo import run_demo

        run_demo(out)
