"""Whole runs of the command line on spoiled files: each in a process of its own, and each one's ending judged."""

from __future__ import annotations

import json
import os
import random
import shutil
import sys
import time
import traceback
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import originals
from guarded import LONGEST_CPU_S, LONGEST_WALL_S, MOST_BYTES, TICKS, cpu_s
from handmade import handmade
from originals import COATS, LIMITS, RATES
from spoiling import ODD_FLOATS, ODD_TEXTS, spoiled

WARM = ("texscan.score", "texscan.result", "texscan.capture.advice", "texscan.batch.run", "texscan.plan.job",
        "texscan.proposal.make", "texscan.plan.programme_job", "texscan.survey.deck_files")  # fmt: skip


@dataclass(frozen=True, slots=True)
class Run:
    """A command with its files laid out in a folder; `spoilt` says which one is bad."""

    number: int
    command: str
    arguments: tuple[str, ...]
    spoilt: str
    out: str | None  # the folder that it writes


@dataclass(frozen=True, slots=True)
class Ended:
    """How a run ended; fault is empty where it ended as it should."""

    run: Run
    code: int
    seconds: float
    peak_bytes: int
    stderr: str
    fault: str


def all_runs(seed: int, numbers: list[int], folder: Path) -> Iterator[Ended]:
    """The runs of these numbers and this seed."""
    import importlib

    for module in WARM:
        importlib.import_module(module)
    whole = _files(folder)
    for number in numbers:
        place = folder / "run"
        shutil.rmtree(place, ignore_errors=True)
        run = _laid_out(number, random.Random(f"{seed}:run:{number}"), whole, place, folder)
        yield _judged(run, place)


def _files(folder: Path) -> dict[str, tuple[str, bytes]]:
    """Name -> (suffix, whole bytes) of the files that the runs take."""
    small = {f"{side}.jpg": ("jpg", originals.quarter("foredeck-sound", side)) for side in "ac"}
    root = originals.ROOT
    return small | {
        "card/card.json": ("json", (root / "calibration" / "card.json").read_bytes()),
        "card/card.png": ("png", (root / "calibration" / "card.png").read_bytes()),
        "coats.toml": ("toml", COATS.encode()),
        "limits.toml": ("toml", LIMITS.encode()),
        "rates.toml": ("toml", RATES.encode()),
        "forecast.csv": ("csv", (root / "sample_images" / "forecast.csv").read_bytes()),
        "survey.toml": ("toml", (folder / "survey.toml").read_bytes()),
        "heights.tif": ("tif", (folder / "out" / "flat" / "relief.tif").read_bytes()),
        "mask.png": ("png", originals.saved(originals.picture(600, 450)[..., 0], "PNG")),
    }


RESULT = ("score.json", "relief.tif", "conditions.tif", "patch.jpg", "scored.png")
RUNS = (  # command, arguments, files of which one is spoiled (those of a result in OUT/lane), folder written
    ("score", "a.jpg c.jpg --out new --existing gelcoat", ("a.jpg", "c.jpg"), "new"),
    ("score", "a.jpg --out new --card card/card.json", ("card/card.json", "card/card.png", "a.jpg"), "new"),
    ("score", "a.jpg --out new --coats coats.toml --limits limits.toml", ("coats.toml", "limits.toml"), "new"),
    ("score", "a.jpg --out new --mask mask.png", ("mask.png",), "new"),
    ("score", "--heights heights.tif --step-mm 0.25 --out new", ("heights.tif",), "new"),
    ("score", "--heights heights.tif --step-mm 0.25 --out new --reference OUT/lane", RESULT[:3], "new"),
    ("check", "a.jpg c.jpg", ("a.jpg", "c.jpg"), None),
    ("watch", "photos --once", ("photos/a.jpg",), None),
    ("batch", "photos --out new --jobs 1", ("photos/p/a.jpg",), "new"),
    ("explain", "OUT/lane", ("score.json",), None),
    ("export", "OUT/lane --to new", RESULT, "new"),
    ("coats", "--from OUT/lane OUT/deep --coat 1 --coats coats.toml --out new.toml",
     ("score.json", "coats.toml"), None),
    ("survey check", "survey.toml", ("survey.toml",), None),
    ("deck", "OUT --survey survey.toml --to new", ("survey.toml", "score.json"), "new"),
    ("plan", "OUT --survey survey.toml --rates rates.toml --forecast forecast.csv --to new",
     ("survey.toml", "rates.toml", "forecast.csv", "score.json"), "new"),
    ("proposal", "OUT --survey survey.toml --rates rates.toml --format html --to new",
     ("survey.toml", "rates.toml", "score.json", "scored.png"), "new"),
    ("compare", "OUT/deep OUT/lane --out new", RESULT, "new"),
    ("score", "a.jpg --out new --printed-bar-mm NUMBER --hours-since-coat NUMBER", ("a number",), "new"),
    ("score", "a.jpg --out new --mm-per-px NUMBER --light-azimuth NUMBER --light-elevation NUMBER",
     ("a number",), "new"),
    ("score", "--heights heights.tif --step-mm NUMBER --out new --panel TEXT", ("a number",), "new"),
)  # fmt: skip


def _known() -> tuple:
    from texscan.cli import app

    names = {command.name for command in app.registered_commands} | {"survey check"}
    return tuple(row for row in RUNS if row[0] in names)


def _laid_out(number: int, rng: random.Random, whole: dict, place: Path, folder: Path) -> Run:
    """The files of one run in its folder, one of them spoiled."""
    known = _known()
    command, line, files, out = known[number % len(known)]
    spoilt = rng.choice(files)
    for name, (_, body) in whole.items():
        _put(place / name, body)
    shutil.copytree(folder / "out", place / "OUT")
    if "photos" in line:
        for name in ("p/a.jpg", "q/c.jpg") if command == "batch" else ("a.jpg", "c.jpg"):
            _put(place / "photos" / name, whole[name[-5:]][1])
    if spoilt in RESULT:
        path = place / "OUT" / "lane" / spoilt
        _put(path, _bad(path.read_bytes(), path.suffix[1:], rng, spoilt))
    elif spoilt != "a number":
        path = place / spoilt
        _put(path, _bad(path.read_bytes(), path.suffix[1:], rng, spoilt))
    words = []
    for word in line.split():
        word = rng.choice((*ODD_FLOATS[:9], "0.3", "40", "-1", "100")) if word == "NUMBER" else word
        words.append(rng.choice(ODD_TEXTS[1:2] + ODD_TEXTS[3:8] + ODD_TEXTS[9:10] + ODD_TEXTS[11:])
                     if word == "TEXT" else word)  # fmt: skip
    return Run(number, command, (*command.split(), *words), spoilt, out)


def _bad(body: bytes, suffix: str, rng: random.Random, name: str) -> bytes:
    """Spoiled, or a hostile file of the same suffix in its place."""
    if suffix in ("jpg", "png", "tif") and rng.random() < 0.25:
        for _ in range(20):
            odd = handmade(rng)
            if odd.suffix == suffix:
                return odd.body
    return spoiled(body, suffix, rng)


def _put(path: Path, body: bytes) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(body)


def _judged(run: Run, place: Path) -> Ended:
    """Run it and hold its ending against what is promised."""
    before = _tree(place)
    code, seconds, peak, lost = _in_a_child(run.arguments, place)
    stderr = (place / "stderr").read_text(encoding="utf-8", errors="replace")
    fault = lost or _fault(run, code, stderr) or _left(run, place, before, code)
    if not fault and peak > MOST_BYTES:
        fault = f"{peak / 1e9:.1f} GB of memory"
    return Ended(run, code, seconds, peak, stderr, fault)


def _fault(run: Run, code: int, stderr: str) -> str:
    lines = stderr.splitlines()
    if "Traceback" in stderr:
        return "traceback"
    if code == 2 and run.spoilt == "a number":
        return ""
    if code not in (0, 1):
        return f"exit code {code}"
    ours = [line for line in lines if line.startswith("texscan: ")]
    if len(ours) < len(lines):
        return "words on stderr that are not ours"
    if code == 1 and run.command not in ("batch", "check") and len(lines) != 1:
        return f"{len(lines)} lines instead of one sentence"
    return ""


def _left(run: Run, place: Path, before: dict[str, int], code: int) -> str:
    """What lies where it should not: half-written work, a result of a refused run, a broken result, changed input."""
    after = _tree(place)
    after = {name: size for name, size in after.items() if name not in ("stderr", "stdout")}
    if any(after.get(name) != size for name, size in before.items()):
        return "an input was changed"
    new = [name for name in after if name not in before]
    out = place / run.out if run.out else None
    if any(not name.startswith(f"{run.out}/") for name in new if name != "new.toml"):
        return f"left behind: {new[:3]}"
    if out is not None and (code == 0) != out.exists() and run.command != "batch":
        return "a result of a refused run" if out.exists() else "no result"
    for path in out.rglob("*.json") if out is not None and out.exists() else ():
        try:
            json.loads(path.read_text(encoding="utf-8"), parse_constant=lambda name: 1 / 0)
        except (ValueError, ZeroDivisionError):
            return f"{path.name} is not strict JSON"
    return ""


def _tree(place: Path) -> dict[str, int]:
    return {str(path.relative_to(place)): path.stat().st_size for path in place.rglob("*") if path.is_file()}


def _in_a_child(arguments: tuple[str, ...], place: Path) -> tuple[int, float, int, str]:
    """(exit code, processor time, most memory, how it was lost) of the command line in a forked process."""
    sys.stdout.flush()
    pid = os.fork()
    if pid == 0:
        _child(arguments, place)
    began = time.monotonic()
    spent = 0.0
    while True:
        found, status, usage = os.wait4(pid, os.WNOHANG)
        if found:
            code = os.waitstatus_to_exitcode(status)
            lost = f"killed by signal {-code}" if code < 0 else ""
            return code, usage.ru_utime + usage.ru_stime, usage.ru_maxrss * 1024, lost
        spent = cpu_s(pid)
        if spent > LONGEST_CPU_S or time.monotonic() - began > LONGEST_WALL_S:
            os.kill(pid, 9)
            os.wait4(pid, 0)
            return -9, spent, 0, f"over {LONGEST_CPU_S:.0f} s"
        time.sleep(1 / TICKS)


def _child(arguments: tuple[str, ...], place: Path) -> None:
    """The command line as its own process; never returns."""
    code = 70
    try:
        os.chdir(place)
        os.dup2(os.open("stdout", os.O_WRONLY | os.O_CREAT | os.O_TRUNC), 1)
        os.dup2(os.open("stderr", os.O_WRONLY | os.O_CREAT | os.O_TRUNC), 2)
        sys.stdout = open(1, "w", encoding="utf-8", closefd=False)  # noqa: SIM115
        sys.stderr = open(2, "w", encoding="utf-8", errors="backslashreplace", closefd=False)  # noqa: SIM115
        sys.argv = ["texscan", *arguments]
        from texscan.cli import main

        main()
        code = 0
    except SystemExit as error:
        code = error.code if isinstance(error.code, int) else int(bool(error.code))
    except BaseException:
        traceback.print_exc()
    sys.stdout.flush()
    sys.stderr.flush()
    os._exit(code)


def table(ended: Iterator[Ended], keep: Path | None) -> int:
    """Print a row a command and each failure; gives the number of failures."""
    rows: dict[str, Counter] = {}
    slowest: Counter = Counter()
    largest: Counter = Counter()
    failed = 0
    for one in ended:
        name = one.run.command
        how = "failed" if one.fault else {0: "result", 1: "refused"}.get(one.code, "option refused")
        rows.setdefault(name, Counter())[how] += 1
        slowest[name] = max(slowest[name], one.seconds)
        largest[name] = max(largest[name], one.peak_bytes)
        if one.fault:
            failed += 1
            print(f"\nRun {one.run.number}: texscan {' '.join(one.run.arguments)!r} with {one.run.spoilt} spoiled: "
                  f"{one.fault}\n{one.stderr[-1500:]}", flush=True)  # fmt: skip
            if keep:
                keep.mkdir(parents=True, exist_ok=True)
                (keep / f"run-{one.run.number}.txt").write_text(one.stderr)
    words = ("result", "refused", "option refused", "failed")
    heads = "".join(f"{word:>16}" for word in words)
    print(f"\n{'command':<14}{'runs':>6}{heads}{'slowest s':>12}{'most MB':>9}")
    for name in sorted(rows):
        row = "".join(f"{rows[name][word]:>16}" for word in words)
        print(f"{name:<14}{rows[name].total():>6}{row}{slowest[name]:>12.1f}{largest[name] / 1e6:>9.0f}")
    return failed
