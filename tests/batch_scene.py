"""Folders of photos, and quick work in place of scoring, for the tests of batches."""

from __future__ import annotations

import json
from pathlib import Path

import hard_work

from texscan.batch.lock import locked
from texscan.batch.records import Common, Outcome, PatchTask


def score_dict(panel: str, *, relief: float = 0.5, action: str = "recoat", worn: float = 0.0) -> dict:
    """A score.json of a patch 100 mm wide and 80 mm high, with what a batch needs of it."""
    figure = {"value": relief, "low": relief - 0.05, "high": relief + 0.05}
    square = [[10, 10], [50, 10], [50, 50], [10, 50]]
    return {
        "schema": "texscan.score/1",
        "panel": panel,
        "grid": {"x0_mm": 0.5, "y1_mm": 79.5, "step_mm": 1.0, "rows": 80, "columns": 100},
        "texture": {"Sq_mm": figure, "relief_mm": figure, "void_depth_mm": figure, "contact_area_fraction": None},
        "zones": [{"condition": "worn" if worn else "sound", "polygon_mm": square, "area_mm2": 1600}],
        "shares": {"sound": 1 - worn, "worn": worn, "filled": 0.0},
        "recommendation": {"action": action, "reasons": ["Because."], "would_change_it": ["Nothing."]},
        "flags": ["one-view"],
    }


def quick(task: PatchTask, common: Common) -> Outcome:
    """A result that hangs on the bytes of the photos; what the first photo says in words is done."""
    texts = [(Path(common.folder) / photo).read_text() for photo in task.photos]
    said = texts[0]
    if said.startswith("refuse"):
        return Outcome({}, ((task.photos[0], "It is not a photo. Take another."),))
    hard_work.do(said)
    score = score_dict(task.title, relief=0.5 + len("".join(texts)) / 1000)
    files = {"score.json": json.dumps(score), "relief.tif": "".join(texts), "thumbnail.jpg": "a picture"}
    return Outcome({name: text.encode() for name, text in files.items()})


def panels(folder: Path, number: int, text: str = "slow") -> Path:
    """A folder of panels with one photo each; the photos are texts that `quick` understands."""
    for n in range(number):
        photo = folder / f"panel {n:02d}" / "a.jpg"
        photo.parent.mkdir(parents=True)
        photo.write_text(f"{text} {n}")
    return folder


def tree(out: Path) -> dict[str, bytes]:
    """Every file under a folder but the lock."""
    files = (path for path in out.rglob("*") if path.is_file() and path.name != "lock")
    return {str(path.relative_to(out)): path.read_bytes() for path in files}


def run(folder: Path, out: Path, *, settings=None, sets=None, tell=lambda step: None, **means):
    """A batch with `quick` as its work, threads of this process, under the lock."""
    from concurrent.futures import ThreadPoolExecutor

    from texscan.batch.finding import OWN_FOLDER
    from texscan.batch.options import Options, plan_of, read_options
    from texscan.batch.run import Means, run_batch

    asked = read_options(Options(folder, out, **(settings or {})))
    how = Means(**{"pool": ThreadPoolExecutor, "jobs": 2, "unit": quick, **means})
    with locked(out / OWN_FOLDER / "lock"):
        return run_batch(plan_of(asked, sets or {}), asked.common, out, how, tell=tell)


def main(folder: str, out: str, jobs: str) -> None:
    """The same in processes, to be killed."""
    from texscan.batch.engine import local_pool

    run(Path(folder), Path(out), pool=local_pool, jobs=int(jobs))
