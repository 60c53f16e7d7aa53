"""
What a batch does in an hour, and what an archive costs.

    python calibration/speed/throughput.py [--sets 4] [--views 4] [--jobs 1 2] [--photos 100000] [--price 0.05]

Scores copies of a sample set, enlarged to 12 megapixels as a phone would send them, by `texscan batch` with one and
with two jobs; says sets an hour by the clock, processor seconds a set, the largest process's memory, and from them
what an archive of --photos photos takes. --price is what a machine costs for each core and hour; 0.05 (in any
currency) is an assumption: put in your own. By the clock only on a machine that does nothing else.
"""

from __future__ import annotations

import argparse
import os
import resource
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

import cv2

SAMPLES = Path(__file__).parents[2] / "sample_images" / "panels"
SAMPLE = "foredeck-sound"
TWELVE_MEGAPIXELS = (3000, 4000)  # columns, rows
HOUR_S = 3600.0


@dataclass(frozen=True)
class Reading:
    """One batch: seconds by the clock and of processors, and the memory of its largest process [MB]."""

    clock_s: float
    processor_s: float
    memory_mb: float


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--sets", type=int, default=4)
    parser.add_argument("--views", type=int, default=4, choices=range(1, 5))
    parser.add_argument("--jobs", type=int, nargs="+", default=[1, 2])
    parser.add_argument("--photos", type=int, default=100_000)
    parser.add_argument("--price", type=float, default=0.05)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch) / "photos"
        make_sets(folder, asked.sets, asked.views)
        for jobs in asked.jobs:
            # started and ended without work, to be taken off: it does not grow with the sets
            small = batch(folder / "set 0", Path(scratch) / f"start {jobs}", jobs)
            whole = batch(folder, Path(scratch) / f"out {jobs}", jobs)
            print("\n".join(lines(small, whole, asked, jobs)), flush=True)


def make_sets(folder: Path, sets: int, views: int) -> None:
    """Copies of the sample, each with other bytes."""
    for name in "abcd"[:views]:
        picture = cv2.resize(cv2.imread(str(SAMPLES / SAMPLE / f"{name}.jpg")), TWELVE_MEGAPIXELS)
        for n in range(sets):
            target = folder / f"set {n}" / "patch" / f"{name}.jpg"
            target.parent.mkdir(parents=True, exist_ok=True)
            cv2.imwrite(str(target), picture, [cv2.IMWRITE_JPEG_QUALITY, 92 - n % 5])


def batch(folder: Path, out: Path, jobs: int) -> Reading:
    """One run of the command, measured from outside, with its workers."""
    program = "from texscan.cli import main; main()"
    command = [sys.executable, "-c", program, "batch", str(folder), "--out", str(out), "--jobs", str(jobs)]
    before, began = resource.getrusage(resource.RUSAGE_CHILDREN), time.monotonic()
    subprocess.run(command, check=True, env={**os.environ, "OMP_NUM_THREADS": "1"}, stdout=subprocess.DEVNULL)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    processor = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return Reading(time.monotonic() - began, processor, after.ru_maxrss / 1024)


def lines(small: Reading, whole: Reading, asked: argparse.Namespace, jobs: int) -> list[str]:
    """The figures in words; the cost from processor seconds, which other work on the machine hardly changes."""
    a_set = (whole.processor_s - small.processor_s) / (asked.sets - 1)
    an_hour = HOUR_S * asked.sets / whole.clock_s
    core_hours = asked.photos / asked.views * a_set / HOUR_S
    return [
        f"{jobs} job{'s' if jobs > 1 else ''}: {an_hour:.0f} sets of {asked.views} photos an hour by the clock, "
        f"{a_set:.2f} processor seconds a set, largest process {whole.memory_mb:.0f} MB",
        f"  {asked.photos} photos: {core_hours:.0f} core hours, {core_hours * asked.price:.2f} at {asked.price:g} a "
        "core hour",
    ]


if __name__ == "__main__":
    main()
