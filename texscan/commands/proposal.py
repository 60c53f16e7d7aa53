"""texscan proposal: the document that an owner understands and a yard can sign."""

from __future__ import annotations

import sys
from datetime import date, datetime
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from texscan.commands.ending import ending_in_words


class Format(StrEnum):
    pdf = "pdf"
    html = "html"
    docx = "docx"
    all = "all"


def proposal(
    out: Annotated[
        Path | None, typer.Argument(metavar="[OUT]", help="Folder that 'texscan batch' or 'score' wrote.")
    ] = None,
    to: Annotated[Path | None, typer.Option("--to", help="Folder for the proposal.")] = None,
    survey: Annotated[
        Path | None, typer.Option(help="survey.toml; without it parties are blanks and quantities stand per m2.")
    ] = None,
    format: Annotated[Format | None, typer.Option(help="One format; all that are installed unless given.")] = None,
    rates: Annotated[Path | None, typer.Option(help="Your prices, paces and packs (TOML).")] = None,
    forecast: Annotated[Path | None, typer.Option(help="Weather by the hour (CSV) for the programme.")] = None,
    limits: Annotated[Path | None, typer.Option(help="Your own limits of the decision (TOML).")] = None,
    choose: Annotated[
        list[str] | None, typer.Option(metavar="PANEL=OPTION", help="Another way than recommended.")
    ] = None,
    revision: Annotated[str, typer.Option(help="Revision of the document.")] = "1",
    dated: Annotated[
        datetime | None,
        typer.Option("--date", formats=["%Y-%m-%d"], help="Date of the document; today unless given."),
    ] = None,
    valid_until: Annotated[
        datetime | None, typer.Option(formats=["%Y-%m-%d"], help="Until when the document holds.")
    ] = None,
    print_width_mm: Annotated[
        float, typer.Option(help="Print width of the scored images in images/, at 300 dpi.")
    ] = 160.0,
    templates: Annotated[
        Path | None, typer.Option(help="Your own words, page, style or typeface (see --write-templates).")
    ] = None,
    write_templates: Annotated[
        Path | None, typer.Option(metavar="FOLDER", help="Write the templates to change, and end.")
    ] = None,
) -> None:
    """Write the condition-and-options part of a refit proposal: PDF, HTML, DOCX and images to attach."""
    with ending_in_words():
        from texscan import files

        if write_templates is not None:
            _write_templates(write_templates)
            return
        if out is None or to is None:
            raise typer.BadParameter("OUT and --to are needed (or --write-templates alone).")
        if survey is None and (rates or forecast):
            raise typer.BadParameter("--rates and --forecast go with --survey, which tells areas and crew.")
        from texscan.proposal.make import Make, proposal_files
        from texscan.proposal.material import Issue
        from texscan.proposal.sources import Wanted, read_material

        formats = _formats(format)
        if templates is not None and not templates.is_dir():
            from texscan.errors import SettingsError

            raise SettingsError(f"{templates} is no folder; the folder that --write-templates wrote is needed.")
        issue = Issue(revision, dated.date() if dated else date.today(), valid_until.date() if valid_until else None)
        wanted = Wanted(out, survey, rates, forecast, limits, tuple(choose or ()))
        material = read_material(wanted, issue)
        contents = proposal_files(material, out, Make(formats, templates, print_width_mm))
        files.write_result(to, contents)
        for missing in (material.no_plan, material.plan.no_programme if material.plan else ""):
            if missing:
                print(f"texscan: {missing}", file=sys.stderr)
        for name in contents:
            print(to / name)


def _formats(wanted: Format | None) -> tuple[str, ...]:
    """The formats asked for; without a wish those whose packages are installed."""
    from texscan.proposal.make import FORMATS, installed_formats

    if wanted is not None:
        return FORMATS if wanted is Format.all else (wanted.value,)
    found = installed_formats()
    if found != FORMATS:
        print("texscan: no proposal.docx; it needs pip install 'texscan[docx]'.", file=sys.stderr)
    return found


def _write_templates(folder: Path) -> None:
    from texscan import files
    from texscan.errors import SettingsError
    from texscan.proposal.sources import template_files

    contents = template_files()
    there = sorted(name for name in contents if (folder / name).exists())
    if there:
        raise SettingsError(
            f"{folder} holds {', '.join(there)} already, and they are not written over. Choose another folder."
        )
    files.write_result(folder, contents)
    print("\n".join(str(folder / name) for name in contents))
