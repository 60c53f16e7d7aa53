"""What `texscan batch` says while it works: what it found, how far it is, what came out."""

from __future__ import annotations

import time
from pathlib import Path

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, TextColumn, TimeRemainingColumn
from rich.progress import Progress as Bar

from texscan.batch.records import Plan
from texscan.batch.run import Finished, Step
from texscan.errors import on_one_line

LONGEST_LIST = 20  # lines of what was grouped


def plan_lines(plan: Plan) -> list[str]:
    """What will be done."""
    panels = len({task.panel for task in plan.tasks})
    photos = sum(len(task.photos) for task in plan.tasks)
    lines = [f"{_count(panels, 'panel')}, {_count(len(plan.tasks), 'patch', 'patches')}, {_count(photos, 'photo')}."]
    for name, one in list(plan.sets.items())[:LONGEST_LIST]:
        lines.append(f"  grouped as {name}: {', '.join(map(on_one_line, one.files))}")
    if len(plan.sets) > LONGEST_LIST:
        lines.append(f"  and {len(plan.sets) - LONGEST_LIST} more sets; all stand in run.json")
    torch_off = [task for task in plan.tasks if task.ambient]
    if torch_off:
        lines.append(f"  with a photo without the torch: {', '.join(on_one_line(t.title) for t in torch_off)}")
    masked = [task for task in plan.tasks if task.mask]
    if masked:
        lines.append(f"  with a mask: {', '.join(on_one_line(t.title) for t in masked)}")
    return lines


def refusal_line(file: str, reason: str) -> str:
    return f"texscan: refused {on_one_line(file)}: {on_one_line(reason)}"


def ending_lines(done: Finished, out: Path) -> list[str]:
    """What came out, and where it is."""
    lines = [f"{_count(done.panels, 'panel')} scored, {_count(len(done.refused), 'refusal')}."]
    if done.left:
        lines.append(f"{_count(len(done.left), 'result')} of earlier runs lie in {out} too; run.json names them.")
    if not done.has_parquet:
        lines.append("No results.parquet: that needs pip install 'texscan[table]'.")
    return [*lines, f"Results: {out / 'index.html'}"]


class Progress:
    """A bar with rate, time left and refusals so far on a terminal; a line a patch elsewhere."""

    def __init__(self, plan: Plan) -> None:
        self.total, self.through, self.worked, self.refusals = len(plan.tasks), 0, 0, len(plan.refused)
        self.bugs: list[str] = []
        self.started = time.monotonic()
        self.console = Console()
        self.bar = None
        if self.console.is_terminal:
            columns = BarColumn(), MofNCompleteColumn(), TextColumn("{task.description}"), TimeRemainingColumn()
            self.bar = Bar(*columns, console=self.console)
            self.row = self.bar.add_task("", total=self.total)

    def __enter__(self) -> Progress:
        if self.bar:
            self.bar.start()
        return self

    def __exit__(self, *_: object) -> None:
        if self.bar:
            self.bar.stop()

    def tell(self, step: Step) -> None:
        """One patch is through."""
        self.through += 1
        self.worked += not step.is_kept
        self.refusals += len(step.refused)
        self.bugs += [step.bug] if step.bug else []
        rate = 60 * self.worked / max(time.monotonic() - self.started, 1e-3)
        words = f"{rate:.1f} patches a minute, {_count(self.refusals, 'refusal')}"
        if self.bar:
            self.bar.update(self.row, advance=1, description=words)
        else:
            what = ("stands" if step.is_kept else "scored") if step.is_scored else "refused"
            print(f"{self.through} of {self.total}: {on_one_line(step.task.title)} {what}; {words}", flush=True)


def _count(number: int, one: str, more: str = "") -> str:
    return f"{number} {one if number == 1 else more or one + 's'}"
