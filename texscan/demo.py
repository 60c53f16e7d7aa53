"""The samples scored one after the other, with a table of verdicts."""

from __future__ import annotations

from pathlib import Path

from rich.box import SIMPLE_HEAD
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn
from rich.table import Table

from texscan import files, result
from texscan.compatibility import Job
from texscan.inputs import read_settings, read_survey
from texscan.memory import check_room, handed_over
from texscan.model import Measured
from texscan.report import ACTION_WORDS
from texscan.samples import SamplePanel, sample_panels, sample_path, sample_survey
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
    console.print("Scored images:")
    for panel in panels:
        console.print(f"  {out / panel.name / 'scored.png'}", soft_wrap=True, highlight=False)
    return scores


def demo_proposal(out: Path) -> list[Path]:
    """The proposal for the invented boat, from the scored samples and their survey, in out/proposal."""
    from texscan.proposal.make import Make, installed_formats, proposal_files
    from texscan.proposal.material import Issue
    from texscan.proposal.sources import Wanted, read_material

    survey = sample_survey()
    wanted = Wanted(out, survey)
    material = read_material(wanted, Issue("1", read_survey(survey).surveyed_on))
    contents = proposal_files(material, out, Make(installed_formats()))
    folder = out / "proposal"
    files.write_result(folder, contents)
    return [folder / name for name in contents]


def score_sample(panel: SamplePanel) -> Score:
    """One sample panel scored as its story says."""
    settings = read_settings(
        job=Job(panel.existing, panel.planned), printed_bar_mm=panel.printed_bar_mm, panel=panel.title
    )
    photos = [files.load_photo(sample_path(name)) for name in panel.photos]
    torch_off = files.load_photo(sample_path(panel.ambient)) if panel.ambient else None
    check_room(photos)
    return score_photos(handed_over(photos), settings, torch_off=torch_off)


def _table(panels: tuple[SamplePanel, ...], scores: list[Score]) -> Table:
    """Fits 80 columns; the full figures stand in each panel's folder."""
    table = Table(title="Verdicts, with 95 % intervals", box=SIMPLE_HEAD, pad_edge=False, padding=(0, 1, 1, 0))
    for heading in ("panel", "photos", "relief, mm", "void depth, mm", "worn", "filled", "verdict"):
        number = heading in ("photos", "worn", "filled")
        table.add_column(heading, justify="right" if number else "left", no_wrap=heading.endswith("mm"))
    for panel, score in zip(panels, scores, strict=True):
        figures = [_compact(score.figures[key]) for key in ("relief_mm", "void_depth_mm")]
        shares = [f"{score.zone_map.shares.get(name, 0):.0%}" for name in ("worn", "filled")]
        place = panel.title.partition(":")[0]
        table.add_row(place, str(len(score.photos)), *figures, *shares, ACTION_WORDS[score.recommendation.action])
    return table


def _compact(measured: Measured | None) -> str:
    if measured is None:
        return "not defined"
    return f"{measured.value:.2f}\n{measured.low:.2f} to {measured.high:.2f}"
