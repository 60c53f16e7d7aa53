"""The command line: every command of `texscan` by its name."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated

import typer

from texscan.commands.batch import batch
from texscan.commands.card import card_command
from texscan.commands.check import check
from texscan.commands.coats import coats_command
from texscan.commands.compare import compare
from texscan.commands.deck import deck
from texscan.commands.demo import demo
from texscan.commands.explain import explain
from texscan.commands.export import export
from texscan.commands.guide import guide
from texscan.commands.plan import plan
from texscan.commands.proposal import proposal
from texscan.commands.schema import schema
from texscan.commands.score import score
from texscan.commands.survey import survey_app
from texscan.commands.verify import verify
from texscan.commands.watch import watch

app = typer.Typer(
    name="texscan",
    help="Score boat-deck non-skid from raking-light photos: recoat, or sand flat and retexture.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)


def main() -> None:
    """Entry point of the command `texscan`."""
    app()


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


COMMANDS: dict[str, Callable[..., None]] = {
    "score": score,
    "guide": guide,
    "check": check,
    "watch": watch,
    "batch": batch,
    "card": card_command,
    "explain": explain,
    "coats": coats_command,
    "compare": compare,
    "deck": deck,
    "demo": demo,
    "plan": plan,
    "proposal": proposal,
    "export": export,
    "schema": schema,
    "verify": verify,
}
for name, command in COMMANDS.items():
    app.command(name)(command)
app.add_typer(survey_app)
