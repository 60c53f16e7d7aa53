"""texscan coats: coats files, and the peak share of a paint from a test patch."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from texscan.commands.ending import ending_in_words


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
    with ending_in_words():
        if [list_, system is not None, from_ is not None].count(True) != 1:
            raise typer.BadParameter("Give one of --list, --system and --from.")
        if (system is not None and out is None) or (list_ and out is not None):
            raise typer.BadParameter("--system needs --out, and --list takes none.")
        if (from_ is None) != (coat is None) or (from_ is None and coats is not None):
            raise typer.BadParameter("--from and --coat go together; --coats goes with them.")
        from texscan import coats_file, files, inputs

        if system is not None:
            text = coats_file.of_system(inputs.read_systems(), system)
        elif from_ is not None and coat is not None:
            before, after = from_
            patch = coats_file.TestPatch(before.name, after.name, *inputs.read_test_patch(before, after))
            planned = inputs.read_coats(coats)
            print("\n".join(coats_file.measured_lines(planned, coat, patch)))
            text = coats_file.measured(planned, coat, patch)
        else:
            print("\n\n".join("\n".join(coats_file.system_lines(s)) for s in inputs.read_systems().values()))
            print(f"\n{coats_file.PROVENANCE}")
            return
        if out is not None:
            files.write_new(out, text, "coats file")
            print(f"Coats file: {out}")
