"""texscan plan: what to buy, in what order, by when."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from texscan.commands.ending import ending_in_words


def plan(
    out: Annotated[
        Path | None, typer.Argument(metavar="[OUT]", help="Folder that 'texscan batch' or 'score' wrote.")
    ] = None,
    survey: Annotated[Path | None, typer.Option(help="The survey (survey.toml): areas, coats, crew.")] = None,
    rates: Annotated[Path | None, typer.Option(help="Your prices, paces and packs (TOML).")] = None,
    choose: Annotated[
        list[str] | None,
        typer.Option(metavar="PANEL=OPTION", help="Another way than recommended; as often as needed."),
    ] = None,
    limits: Annotated[Path | None, typer.Option(help="Your own limits of the decision (TOML).")] = None,
    forecast: Annotated[
        Path | None, typer.Option(help="Weather by the hour (CSV: time, air_c, rh_percent, surface_c, rain_mm).")
    ] = None,
    to: Annotated[Path | None, typer.Option("--to", help="Folder for the plan.")] = None,
    rates_template: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Write a rates file to fill in, and end.")
    ] = None,
) -> None:
    """Write what the work takes, by panel and over the boat, in packs and, with your rates, in money, and when."""
    with ending_in_words():
        if rates_template is not None:
            _write_template(rates_template)
            return
        if out is None or survey is None or to is None:
            raise typer.BadParameter("OUT, --survey and --to are needed (or --rates-template alone).")
        from texscan import files
        from texscan.plan.job import read_job
        from texscan.plan.log_limits import targets_csv
        from texscan.plan.logs import logs_pdf
        from texscan.plan.programme_job import programme_files, read_forecast
        from texscan.plan.quantity_table import costs_csv, quantities_csv, summary_lines

        job = read_job(out, survey, rates=rates, choose=tuple(choose or ()), limits=limits)
        contents = {
            "quantities.csv": quantities_csv(job.quantities),
            "targets.csv": targets_csv(job.panel_limits),
            "logs.pdf": logs_pdf(job.survey, job.panel_limits, smooth=job.smooth_limits),
        }
        if job.quantities.costs:
            contents["costs.csv"] = costs_csv(job.quantities.costs)
        weather = None if forecast is None else read_forecast(forecast)
        timed = programme_files(job, forecast=weather)
        contents |= timed.contents
        files.write_result(to, contents)
        print("\n".join(summary_lines(job.quantities, units=job.survey.units)))
        print("\n" + "\n".join(timed.lines))
        print(f"\n{to}: {', '.join(contents)}")


def _write_template(path: Path) -> None:
    from texscan import files
    from texscan.plan.rates_template import TEMPLATE

    files.write_new(path, TEMPLATE, "rates file")
    print(f"Rates file: {path}")
