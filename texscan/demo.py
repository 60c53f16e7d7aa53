"""The samples scored one after the other, with a table of verdicts."""

from __future__ import annotations

from pathlib import Path

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn
from rich.table import Table

from texscan import files, result
from texscan.compatibility import Job
from texscan.inputs import read_settings
from texscan.report import ACTION_WORDS, FIGURES, figure_words
from texscan.samples import SamplePanel, sample_panels, sample_path
from texscan.score import Score, score_photos


def run_demo(out: Path) -> list[Score]:
    """Score every sample panel into a folder of its own under `out`, and print what came out."""
    console = Console()
    panels = sample_panels()
    console.print("The boat, its panels and their stories are invented; the photos are rendered.")
    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    scores = []
    with Progress(*columns, console=console) as progress:
        task = progress.add_task("Scoring", total=len(panels))
        for panel in panels:
            progress.update(task, description=panel.title)
            scores.append(score_sample(panel))
            files.write_result(out / panel.name, result.result_files(scores[-1]))
            progress.advance(task)
    console.print(_table(panels, scores))
    console.print(f"Scored images: {out}/PANEL/scored.png", soft_wrap=True)
    return scores


def score_sample(panel: SamplePanel) -> Score:
    """One sample panel scored as its story says."""
    settings = read_settings(
        job=Job(panel.existing, panel.planned), printed_bar_mm=panel.printed_bar_mm, panel=panel.title
    )
    photos = tuple(files.load_photo(sample_path(name)) for name in panel.photos)
    torch_off = files.load_photo(sample_path(panel.ambient)) if panel.ambient else None
    return score_photos(photos, settings, torch_off=torch_off)


def _table(panels: tuple[SamplePanel, ...], scores: list[Score]) -> Table:
    table = Table(title="Verdicts")
    table.add_column("panel")
    table.add_column("photos", justify="right")
    for _, name, _, _ in FIGURES:
        table.add_column(name)
    table.add_column("worn", justify="right")
    table.add_column("filled", justify="right")
    table.add_column("verdict")
    for panel, score in zip(panels, scores, strict=True):
        figures = [figure_words(score.figures[key], unit, factor) for key, _, unit, factor in FIGURES]
        shares = [f"{score.zone_map.shares.get(name, 0):.0%}" for name in ("worn", "filled")]
        verdict = ACTION_WORDS[score.recommendation.action]
        table.add_row(panel.title, str(len(score.photos)), *figures, *shares, verdict)
    return table
