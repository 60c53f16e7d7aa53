"""A batch from its plan to its tables: what still stands is kept, the rest is scored, each result written whole."""

from __future__ import annotations

import platform
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass, replace
from functools import partial
from pathlib import Path

import cv2
import numpy as np
import scipy

from texscan import __version__, files
from texscan.batch import state
from texscan.batch.contact_sheet import Line, contact_sheet, line_of
from texscan.batch.engine import Failure, Pool, results
from texscan.batch.names import shown
from texscan.batch.records import Common, Outcome, PatchTask, Plan
from texscan.batch.tables import PANEL_COLUMNS, PATCH_COLUMNS, Row, csv_bytes, panel_row, parquet_bytes, patch_row
from texscan.batch.work import score_patch
from texscan.stored import read_score
from texscan.survey.outcome import PanelOutcome, PatchOutcome, panel_outcome

SCHEMA = "texscan.run/1"


@dataclass(frozen=True, slots=True)
class Step:
    """One patch is through: what came of it, and what was refused of it."""

    task: PatchTask
    is_scored: bool  # there is a result
    refused: tuple[tuple[str, str], ...]
    is_kept: bool = False  # as an earlier run left it
    bug: str = ""  # a traceback


@dataclass(frozen=True, slots=True)
class Means:
    """
    Who does the work, and how.

    pool, jobs : see `engine.results`.
    again : everything is scored again, also what stands.
    unit : the work on one patch, `unit(task, common=...)`, a function that other processes can import.
    """

    pool: Pool
    jobs: int
    again: bool = False
    unit: Callable[..., Outcome] = score_patch


@dataclass(frozen=True, slots=True)
class Finished:
    """What a batch came to."""

    panels: int
    patches: int
    refused: tuple[tuple[str, str], ...]
    left: tuple[str, ...]  # result folders of earlier runs that this one did not ask for
    has_parquet: bool


def run_batch(
    plan: Plan, common: Common, out: Path, means: Means, *, tell: Callable[[Step], None] = lambda step: None
) -> Finished:
    """
    Score what the plan asks for and is not done yet, and write the tables. The caller holds the lock of `out`.

    Parameters
    ----------
    tell : called after each patch.

    Raises
    ------
    StorageError : OUT cannot be written; what was done so far is kept.
    """
    state.clear_leftovers(out)
    _clear_moved(plan, out)
    by_option = common.reference is not None
    first = [task for task in plan.tasks if task.is_reference and not by_option]
    _do(first, common, out, means, tell)
    with_reference = replace(common, reference=common.reference or _scored_reference(first, out))
    _do([task for task in plan.tasks if by_option or not task.is_reference], with_reference, out, means, tell)
    return _write_tables(plan, common, out)


def _do(tasks: list[PatchTask], common: Common, out: Path, means: Means, tell: Callable[[Step], None]) -> None:
    """Score the tasks that do not stand yet."""
    if not tasks:
        return
    shared, folder = state.digest_of(common), Path(common.folder)
    handed: dict[str, tuple[state.Record, state.Record | None]] = {}

    def still_to_do() -> Iterator[PatchTask]:
        for task in tasks:
            now, old = state.record_of(task, shared, folder), state.read_record(out, task.folder)
            if old is not None and not means.again and state.still_stands(old, now, out):
                tell(Step(task, bool(old.files), old.refused, is_kept=True))
                continue
            handed[task.folder] = now, old
            yield task

    unit = partial(means.unit, common=common)
    for task, done in results(still_to_do(), unit, pool=means.pool, jobs=means.jobs):
        outcome = Outcome({}, ((task.source, done.reason),), False, done.bug) if isinstance(done, Failure) else done
        now, old = handed.pop(task.folder)
        record = state.with_outcome(now, outcome)
        state.keep(out, record, old, outcome.files)
        tell(Step(task, bool(record.files), record.refused, bug=outcome.bug))


def _clear_moved(plan: Plan, out: Path) -> None:
    """Results of the plan's panels that the plan has in other folders now, as when a panel gets a second patch."""
    wanted = {task.folder for task in plan.tasks}
    panels = {task.panel for task in plan.tasks}
    for record in state.all_records(out):
        if record.folder not in wanted and record.panel in panels:
            state.forget(out, record)


def _scored_reference(tasks: list[PatchTask], out: Path) -> str | None:
    """The folder of the first reference patch that was scored."""
    records = (state.read_record(out, task.folder) for task in tasks)
    return next((str(out.resolve() / record.folder) for record in records if record and record.files), None)


def _write_tables(plan: Plan, common: Common, out: Path) -> Finished:
    """results.csv, patches.csv, results.parquet, run.json and index.html, together."""
    survey = plan.survey
    noted = {panel.name: panel for panel in survey.panels} if survey else {}
    panel_rows: list[Row] = []
    patch_rows: list[Row] = []
    scored: list[dict] = []
    lines: list[Line] = []
    refused = list(plan.refused)
    for name, tasks in _by_panel(plan.tasks).items():
        records = [state.read_record(out, task.folder) for task in tasks]
        refused += [pair for record in records if record for pair in record.refused]
        done = [record for record in records if record and record.files]
        if not done:
            continue
        patches = tuple(PatchOutcome(r.patch, r.folder, read_score(out / r.folder)) for r in done)
        outcome = _outcome(name, patches, noted.get(name), lacks_some=len(done) < len(tasks))
        panel_rows.append(panel_row(outcome))
        patch_rows += [patch_row(name, patch) for patch in patches]
        scored.append(_listed(outcome, done))
        lines.append(line_of(outcome, len(lines)))
    parquet = parquet_bytes(PANEL_COLUMNS, panel_rows)
    left = tuple(r.folder for r in state.all_records(out) if r.folder not in {task.folder for task in plan.tasks})
    run = _run_dict(plan, common, scored, refused, left)
    files.write_result(
        out,
        {
            "results.csv": csv_bytes(PANEL_COLUMNS, panel_rows),
            "patches.csv": csv_bytes(PATCH_COLUMNS, patch_rows),
            **({"results.parquet": parquet} if parquet else {}),
            "run.json": files.json_bytes(run),
            "index.html": contact_sheet(lines, refused, title=survey.boat.name if survey else "").encode("utf-8"),
        },
    )
    return Finished(len(scored), len(patch_rows), tuple(refused), left, parquet is not None)


def _by_panel(tasks: tuple[PatchTask, ...]) -> dict[str, list[PatchTask]]:
    panels: dict[str, list[PatchTask]] = {}
    for task in tasks:
        panels.setdefault(task.panel, []).append(task)
    return panels


def _outcome(name, patches, noted, *, lacks_some: bool) -> PanelOutcome:
    outcome = panel_outcome(name, patches, noted)
    if lacks_some and "patch-not-scored" not in outcome.flags:
        return replace(outcome, flags=(*outcome.flags, "patch-not-scored"))
    return outcome


def _listed(outcome: PanelOutcome, records: list[state.Record]) -> dict:
    """A panel in run.json."""
    return {
        "panel": outcome.name,
        "action": outcome.action,
        "patches": [
            {
                "name": record.patch,
                "folder": record.folder,
                "fingerprint": record.fingerprint,
                "photos": [{"file": file, "sha256": digest} for file, digest in record.photos],
            }
            for record in records
        ],
    }


def _run_dict(plan: Plan, common: Common, scored: list[dict], refused: list, left: tuple[str, ...]) -> dict:
    def named(path: str | None) -> str | None:
        return None if path is None else Path(path).name

    return {
        "schema": SCHEMA,
        "scored": scored,
        "refused": [{"file": file, "reason": reason} for file, reason in refused],
        "skipped": [{"file": file, "reason": reason} for file, reason in plan.skipped],
        "grouped": [{"panel": name, "photos": list(map(shown, one.files))} for name, one in plan.sets.items()],
        "left_from_earlier_runs": list(left),
        "settings": {
            "card": named(common.card),
            "limits": named(common.limits),
            "reference": named(common.reference),
            "printed_bar_mm": common.printed_bar_mm,
            "coats": [asdict(coat) for coat in common.coats],
            "sha256": state.digest_of(common),
        },
        "versions": {
            "texscan": __version__,
            "python": platform.python_version(),
            "numpy": np.__version__,
            "scipy": scipy.__version__,
            "opencv": cv2.__version__,
        },
    }
