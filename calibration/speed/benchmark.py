"""
Where the time of a score goes, from JPEG to all files of a result, on one core and after import.

    python calibration/speed/benchmark.py [--panel NAME] [--repeat N]

Each step's processor time as a share of the whole and as a ratio to decoding the JPEGs, the floor below which no
program comes; peak memory of the process. Without --panel: one photo enlarged to 12 megapixels (as a phone would
send it, though no sharper than the sample), and a set of four. Machines differ: compare ratios, within one run.
"""

from __future__ import annotations

import argparse
import os
import resource
import subprocess
import sys
import time
from collections import Counter
from pathlib import Path

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[name] = "1"

import cv2  # noqa: E402  the number of threads stands first

from texscan import cell_table, files, filters, mapping, relief, result, score, texture, zones  # noqa: E402
from texscan.compatibility import Job  # noqa: E402
from texscan.inputs import read_settings  # noqa: E402
from texscan.memory import handed_over  # noqa: E402
from texscan.samples import sample_panels, sample_path  # noqa: E402

cv2.setNumThreads(1)
TWELVE_MEGAPIXELS = (3000, 4000)  # columns, rows
DECODE = "decode the JPEGs"

# (module, function) -> the line it counts for. A step inside another one counts for itself.
STEPS = {
    (files, "load_photo"): DECODE,
    (mapping, "to_linear"): "linear light",
    (mapping, "locate"): "find the card",
    (mapping, "ready_view"): "light and brightness",
    (mapping, "refuse_other_patches"): "same patch, no deck",
    (mapping, "no_deck"): "same patch, no deck",
    (relief, "solve"): "height map",
    (mapping, "without_parallax"): "height map",
    (filters, "filtered"): "filters",
    (texture, "measured"): "figures",
    (texture, "cells"): "cells",
    (cell_table, "cell_table"): "cells",
    (score.pattern, "find"): "pattern and mould",
    (score.mould, "compare"): "pattern and mould",
    (zones, "find"): "zones",
    (score.coating, "forecast"): "coats and options",
    (score, "options"): "coats and options",
    (score.reach, "reach"): "reach",
    (result, "scored_picture"): "pictures",
    (result, "plates_picture"): "pictures",
    (files, "png_bytes"): "PNG and TIFF",
    (files, "tiff_bytes"): "PNG and TIFF",
}


class Clock:
    """Processor seconds of each line; what runs inside a counted step is taken out of that step."""

    def __init__(self) -> None:
        self.seconds: Counter[str] = Counter()
        self.inside: list[float] = []

    def watch(self, line: str, step):
        def watched(*args, **kwargs):
            self.inside.append(0.0)
            start = time.process_time()
            try:
                return step(*args, **kwargs)
            finally:
                took = time.process_time() - start
                self.seconds[line] += took - self.inside.pop()
                if self.inside:
                    self.inside[-1] += took

        return watched


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--panel", help="a sample panel as it is")
    parser.add_argument("--repeat", type=int, default=1, help="how often; the quickest run counts")
    parser.add_argument("--enlarge", action="store_true", help="its photos to 12 megapixels")
    options = parser.parse_args()
    if options.panel:
        print("\n".join(report(options.panel, enlarge=options.enlarge, repeat=options.repeat)))
        return
    for panel, more in (("bow-grit-sound", ["--enlarge"]), ("foredeck-sound", [])):  # a process each, for its memory
        command = [sys.executable, __file__, "--panel", panel, "--repeat", str(options.repeat), *more]
        subprocess.run(command, check=True)


def report(name: str, *, enlarge: bool, repeat: int) -> list[str]:
    """The table of one panel."""
    panel = next(panel for panel in sample_panels() if panel.name == name)
    paths = [sample_path(photo) for photo in panel.photos]
    if enlarge:
        paths = [_enlarged(path) for path in paths]
    runs = []
    for _ in range(repeat):
        clock = Clock()
        before = {place: getattr(*place) for place in STEPS}
        for (module, step), line in STEPS.items():
            setattr(module, step, clock.watch(line, before[module, step]))
        start = time.process_time()
        _score(paths, panel)
        whole = time.process_time() - start
        for (module, step), plain in before.items():
            setattr(module, step, plain)
        runs.append((whole, clock.seconds | {"the rest": whole - sum(clock.seconds.values())}))
    whole, seconds = min(runs, key=lambda run: run[0])
    floor = seconds[DECODE]
    columns, rows = TWELVE_MEGAPIXELS if enlarge else (1800, 2400)
    lines = [f"{name}: {len(paths)} photo(s) of {columns} x {rows}, {whole:.2f} s of processor time"]
    lines += [f"  {'step':24s}{'seconds':>9s}{'share':>8s}{'/ decode':>10s}"]
    for line in dict.fromkeys([*STEPS.values(), "the rest"]):
        lines.append(f"  {line:24s}{seconds[line]:9.2f}{seconds[line] / whole:8.1%}{seconds[line] / floor:10.1f}")
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    return [*lines, f"  {'all':24s}{whole:9.2f}{1:8.0%}{whole / floor:10.1f}", f"  peak memory {peak:.0f} MB", ""]


def _score(paths: list[Path], panel) -> None:
    settings = read_settings(
        job=Job(panel.existing, panel.planned), printed_bar_mm=panel.printed_bar_mm, panel=panel.title
    )
    photos = [files.load_photo(path) for path in paths]
    done = score.score_photos(handed_over(photos), settings)  # as `texscan score` and `texscan batch` do
    result.result_files(done)


def _enlarged(path: Path) -> Path:
    """The photo at 12 megapixels, as a JPEG in the folder for temporary files."""
    import tempfile

    picture = cv2.resize(cv2.imread(str(path)), TWELVE_MEGAPIXELS, interpolation=cv2.INTER_CUBIC)
    target = Path(tempfile.mkdtemp()) / path.name
    cv2.imwrite(str(target), picture, [cv2.IMWRITE_JPEG_QUALITY, 92])
    return target


if __name__ == "__main__":
    main()
