"""
A batch under ill treatment: 60 panels with ten bad files among them, killed at ten random moments and resumed.

    python tests/soak/batch.py FOLDER [--jobs 2] [--panels 60] [--seed 1] [--reuse] [--without-cluster]

Makes the photos from the samples at a quarter of their size in FOLDER, runs the batch undisturbed, then another one
that is killed with SIGKILL ten times, then two at once, then one on a dask cluster of two workers, and compares all
that was written, byte by byte. Not collected by pytest: it takes some twenty minutes on two cores. Ends with 1 and a
sentence where something is lost, there twice, or different.
"""

from __future__ import annotations

import argparse
import csv
import json
import os
import random
import shutil
import signal
import subprocess
import sys
import time
from itertools import cycle
from pathlib import Path

import cv2
import numpy as np

SAMPLES = Path(__file__).parents[2] / "sample_images" / "panels"
SETS = [  # sample and photos; few of four, to keep the time down
    ("bow-grit-sound", "a"), ("aft-deck-sun", "a"), ("cabin-top-filled", "ab"), ("quarter-deck-dark", "a"),
    ("locker-lid-filled-tilted", "a"), ("side-deck-pebble-worn", "ab"), ("cockpit-sole-both", "a"),
    ("companionway-grit-worn", "a"), ("foredeck-sound", "ac"), ("side-deck-worn-lane", "abcd"),
]  # fmt: skip
HARD_NAMES = ("with  spaces", 'the "owner\'s" locker', "two\nlines", "前甲板 палуба ñandú")
KILLS = 10
LONGEST_S = 3600


def main() -> None:
    asked = _arguments()
    folder = asked.folder / "photos"
    if not folder.exists():
        make_photos(folder, asked.panels)
    print(f"{len(list(folder.rglob('*.jpg')))} photos in {folder}", flush=True)
    rng = random.Random(asked.seed)
    whole = asked.folder / "whole"
    if not (asked.reuse and (whole / "run.json").exists()):
        undisturbed(folder, whole, asked.jobs)
    check(whole, asked.panels)
    killed(folder, asked.folder / "killed", whole, asked.jobs, rng)
    two_at_once(folder, asked.folder / "killed", whole, asked.jobs)
    if not asked.without_cluster:
        on_a_cluster(folder, asked.folder / "cluster", whole)
    print("All the same, nothing lost, nothing twice.")


def make_photos(folder: Path, panels: int) -> None:
    """Panels of quarter-size samples, no two with the same bytes; then the ten bad files."""
    names = [*HARD_NAMES, *(f"panel {n:02d}" for n in range(panels - len(HARD_NAMES) - 2))]
    for n, (name, (sample, photos)) in enumerate(zip(names, cycle(SETS))):
        for photo in photos:
            pixels = cv2.imread(str(SAMPLES / sample / f"{photo}.jpg"))
            small = cv2.resize(pixels, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)
            write_jpeg(folder / name / f"{photo}.jpg", small, quality=85 + n // len(SETS) * 2)
    good = (folder / "panel 00" / "a.jpg").read_bytes()
    (folder / "panel 01" / "cut short.jpg").write_bytes(good[: len(good) // 2])
    (folder / "panel 02" / "no photo.jpg").write_text("a letter")
    write_jpeg(folder / "no card" / "a.jpg", np.full((450, 600, 3), 120, np.uint8), quality=90)
    (folder / "empty").mkdir()
    (folder / "empty" / "a.jpg").touch()
    (folder / "panel 03" / "again").symlink_to(folder)
    (folder / "panel 04" / "folder.jpg").mkdir()


def write_jpeg(path: Path, pixels: np.ndarray, *, quality: int) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(cv2.imencode(".jpg", pixels, [cv2.IMWRITE_JPEG_QUALITY, quality])[1].tobytes())


def undisturbed(folder: Path, out: Path, jobs: int) -> None:
    """One run from the start."""
    shutil.rmtree(out, ignore_errors=True)
    began = time.monotonic()
    said = ended(start(folder, out, "--jobs", str(jobs)), "the undisturbed run")
    seconds = time.monotonic() - began
    print(f"undisturbed: {seconds:.0f} s with {jobs} jobs, {said.count(' scored;')} patches", flush=True)


def check(out: Path, panels: int) -> None:
    """Every panel is there once, scored or refused, and each bad file has its sentence."""
    run = json.loads((out / "run.json").read_text(encoding="utf-8"))
    with (out / "results.csv").open(encoding="utf-8", newline="") as stream:
        rows = [row["panel"] for row in csv.DictReader(stream)]
    expect(len(rows) == len(set(rows)) == panels - 2, f"{len(rows)} rows, {len(set(rows))} panels in results.csv")
    expect(set(HARD_NAMES) <= set(rows), "a panel with a hard name is missing")
    refused = sorted(entry["file"] for entry in run["refused"])
    bad = ["empty/a.jpg", "no card/a.jpg", "panel 01/cut short.jpg", "panel 02/no photo.jpg", "panel 04/folder.jpg"]
    expect(refused == bad, f"refused: {refused}")
    expect([entry["file"] for entry in run["skipped"]] == ["panel 03/again"], f"skipped: {run['skipped']}")


def killed(folder: Path, out: Path, whole: Path, jobs: int, rng: random.Random) -> None:
    """Ten runs on one OUT, each killed at a random moment, then one that ends by itself."""
    shutil.rmtree(out, ignore_errors=True)
    there, scored = 0, 0
    most = 2 * len(list(whole.glob("*/score.json"))) // (KILLS + 2)
    for number in range(KILLS):
        running = start(folder, out, "--jobs", str(jobs))
        wanted, moment = there + rng.randint(0, most), rng.uniform(0, 3)
        began = time.monotonic()
        while (there := len(list(out.glob("*/score.json")))) < wanted and running.poll() is None:
            time.sleep(0.02)
        time.sleep(moment)
        running.send_signal(signal.SIGKILL)
        said, _ = running.communicate()
        scored += said.count(" scored;")
        there = len(list(out.glob("*/score.json")))
        print(f"killed {number + 1} after {time.monotonic() - began:.1f} s: {there} results", flush=True)
    said = ended(start(folder, out, "--jobs", str(jobs)), "the last run")
    scored += said.count(" scored;")
    print(f"resumed to the end; {scored} patches were scored in all, {said.count(' stands;')} stood", flush=True)
    same(out, whole)


def two_at_once(folder: Path, out: Path, whole: Path, jobs: int) -> None:
    """Of two runs on one OUT the second is refused; the first does its work."""
    for path in sorted(out.glob("panel*"))[:4]:
        shutil.rmtree(path)
    first = start(folder, out, "--jobs", str(jobs))
    while first.poll() is None and len(list(out.glob("panel*/score.json"))) < len(list(whole.glob("panel*"))) - 3:
        time.sleep(0.05)
    expect(first.poll() is None, "the first run was over too soon")
    second = start(folder, out, "--jobs", str(jobs))
    _, errors = second.communicate(timeout=LONGEST_S)
    expect(second.returncode == 1 and "Another run is writing" in errors, f"the second run: {errors}")
    ended(first, "the first run")
    print("two at once: the second was refused", flush=True)
    same(out, whole)


def on_a_cluster(folder: Path, out: Path, whole: Path) -> None:
    """The same on a dask cluster of two workers on this machine."""
    from distributed import LocalCluster

    shutil.rmtree(out, ignore_errors=True)
    with LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=":0", host="127.0.0.1") as cluster:
        ended(start(folder, out, "--scheduler", cluster.scheduler_address), "the run on the cluster")
    print("on a cluster: done", flush=True)
    same(out, whole)


def same(out: Path, whole: Path) -> None:
    """All files of two results are the same, byte by byte."""
    ours, theirs = tree(out), tree(whole)
    expect(ours.keys() == theirs.keys(), f"only in one of {out} and {whole}: {sorted(ours.keys() ^ theirs.keys())}")
    other = [name for name in ours if ours[name] != theirs[name]]
    expect(not other, f"{out} differs from {whole} in {other}")


def tree(out: Path) -> dict[str, bytes]:
    files = (path for path in out.rglob("*") if path.is_file() and path.name != "lock")
    return {str(path.relative_to(out)): path.read_bytes() for path in files}


def start(folder: Path, out: Path, *options: str) -> subprocess.Popen:
    program = "from texscan.cli import main; main()"
    stated = ["--existing", "two-part", "--planned", "two-part", "--printed-bar-mm", "100"]
    command = [sys.executable, "-c", program, "batch", str(folder), "--out", str(out), *stated, *options]
    env = {**os.environ, "OMP_NUM_THREADS": "1", "PYTHONUTF8": "1", "NO_COLOR": "1"}
    return subprocess.Popen(command, env=env, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)


def ended(running: subprocess.Popen, what: str) -> str:
    """What a run that must end well has said."""
    said, errors = running.communicate(timeout=LONGEST_S)
    expect(running.returncode == 0, f"{what} ended with {running.returncode}: {errors}")
    return said


def expect(holds: bool, otherwise: str) -> None:
    if not holds:
        sys.exit(f"soak: {otherwise}")


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--panels", type=int, default=60)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--reuse", action="store_true", help="the undisturbed result that is there already")
    parser.add_argument("--without-cluster", action="store_true")
    return parser.parse_args()


if __name__ == "__main__":
    main()
