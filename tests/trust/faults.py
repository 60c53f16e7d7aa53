"""
What goes wrong around a program: a full disk, no permission, a read-only place, a folder that vanishes, too little
memory, a killed worker, a clock set back, Ctrl-C.

    python tests/trust/faults.py [--only FAULT] [--seed 1]

Each fault befalls score, batch, plan, proposal and compare. Held is: the exit code (0, 1, 3 or 130 as the contract
has it), one sentence on stderr and no traceback, what stood before stands still, nothing half-written beside it, and
without the fault the same command then ends well. Prints a table, ends with 1 where one fails.
Not collected by pytest: some minutes of two cores. Linux; a full and a read-only file system need the right to mount
one (else a limit on the size of files stands for the former, and the latter is left out).
"""

from __future__ import annotations

import os

os.environ["OMP_NUM_THREADS"] = "1"

import argparse
import contextlib
import ctypes
import json
import random
import resource
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import originals

HOOKS = Path(__file__).parent / "hooks"
CHECKOUT = Path(__file__).parents[2]  # it is what is tried, whatever is installed
COMMANDS = {
    "score": "score a.jpg --out {made}/panel",
    "batch": "batch photos --out {made}/panel --jobs 2",
    "plan": "plan out --survey survey.toml --to {made}/panel",
    "proposal": "proposal out --survey survey.toml --format all --to {made}/panel",
    "compare": "compare out/deep out/lane --out {made}/panel",
}
LONGEST_S = 300
INTERRUPTED = 130
PR_CAPBSET_DROP, CAP_DAC_OVERRIDE, CAP_DAC_READ_SEARCH = 24, 1, 2  # prctl(2), capabilities(7)
SMALL, ROOMY = "4k", "200m"  # of a file system that fills up: one page of memory, and enough
MEMORY_MB = (5, 20, 60, 120, 200)  # beside the loaded libraries


@dataclass(frozen=True, slots=True)
class Ended:
    """How a command ended."""

    code: int
    stderr: str
    seconds: float


@dataclass(frozen=True, slots=True)
class Scene:
    """A folder with photos, a scored boat and its survey; commands write below `made`."""

    folder: Path
    made: Path
    rng: random.Random

    def start(self, command: str, *, fault: str = "", limits: Callable[[], None] | None = None) -> subprocess.Popen:
        line = COMMANDS[command].format(made=self.made)
        code = "from texscan.cli import main; main()"
        environment = {**os.environ, "TEXSCAN_TEST_FAULT": fault, "COLUMNS": "200"}
        environment["PYTHONPATH"] = f"{HOOKS}{os.pathsep}{CHECKOUT}"

        def before() -> None:
            signal.signal(signal.SIGINT, signal.SIG_DFL)  # a shell's background jobs ignore it, and so would this one
            if limits is not None:
                limits()

        return subprocess.Popen(
            [sys.executable, "-c", code, *line.split()], cwd=self.folder, env=environment, preexec_fn=before,
            stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True,
        )  # fmt: skip

    def run(self, command: str, **options) -> Ended:
        began = time.monotonic()
        running = self.start(command, **options)
        return ended(running, began)


def ended(running: subprocess.Popen, began: float) -> Ended:
    """Wait for the end; one that does not come is a fault of its own."""
    try:
        _, stderr = running.communicate(timeout=LONGEST_S)
    except subprocess.TimeoutExpired:
        os.killpg(running.pid, signal.SIGKILL)
        return Ended(-9, f"no end within {LONGEST_S} s", LONGEST_S)
    return Ended(running.returncode, stderr, time.monotonic() - began)


def tree(folder: Path) -> dict[str, bytes]:
    """Every file below a folder, but what a batch keeps for itself while it is not done."""
    found = (path for path in folder.rglob("*") if path.is_file() and path.name != "lock")
    return {str(path.relative_to(folder)): path.read_bytes() for path in found}


def said(end: Ended, codes: tuple[int, ...]) -> list[str]:
    """What is wrong with an ending: code, traceback, number of sentences."""
    wrong = [] if end.code in codes else [f"exit {end.code} instead of {codes}"]
    lines = [line for line in end.stderr.splitlines() if line.strip()]
    if any("Traceback" in line for line in lines):
        wrong.append("traceback")
    if any(not line.startswith("texscan: ") for line in lines):
        wrong.append("words that are not ours")
    if end.code in (1, 3, 130) and not lines:
        wrong.append("no sentence")
    return wrong


def untouched(before: dict[str, bytes], place: Path, command: str) -> list[str]:
    """What is wrong with what lies there now: lost, changed, or half-written."""
    now = tree(place)
    wrong = [f"lost or changed {name}" for name, body in before.items() if now.get(name) != body]
    new = [name for name in now if name not in before]
    if command == "batch":  # what was done so far is kept, each result whole
        new = [name for name in new if not name.startswith("panel/")]
    return wrong + [f"left behind {name}" for name in new]


def after(scene: Scene, command: str, whole: dict[str, bytes]) -> list[str]:
    """Without the fault the command ends well and writes what an undisturbed one does."""
    end = scene.run(command)
    wrong = said(end, (0,))
    return wrong or differences(tree(scene.made), whole)


def differences(now: dict[str, bytes], whole: dict[str, bytes]) -> list[str]:
    """Names that one of two trees lacks, and score.json and tables that differ (documents carry the hour)."""
    wrong = [f"without {name}" for name in whole if name not in now]
    wrong += [f"beside {name}" for name in now if name not in whole]
    same = (".json", ".csv", ".tif", ".png", "index.html")
    return wrong + [f"other {name}" for name in whole if name.endswith(same) and now.get(name, b"") != whole[name]]


# The faults: each gives what went wrong, nothing where all is as it should be


def disk_full(scene: Scene, command: str, whole: dict[str, bytes]) -> list[str]:
    with small_disk(scene.made, SMALL) as mounted:
        limits = None if mounted else lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (1000, 1000))
        wrong = said(scene.run(command, limits=limits), (3,)) + untouched({}, scene.made, command)
        if mounted:
            subprocess.run(["mount", "-o", f"remount,size={ROOMY}", str(scene.made)], check=True)
        return wrong + after(scene, command, whole)


def no_permission(scene: Scene, command: str, whole: dict[str, bytes]) -> list[str]:
    scene.made.chmod(0o555)
    try:
        wrong = said(scene.run(command, limits=obey_permissions), (3,))
    finally:
        scene.made.chmod(0o755)
    return wrong + untouched({}, scene.made, command) + after(scene, command, whole)


def read_only_result(scene: Scene, command: str, whole: dict[str, bytes]) -> list[str]:
    """An earlier result that may not be written."""
    panel = scene.made / "panel"
    panel.mkdir()
    (panel / "score.json").write_text("earlier")
    before = tree(scene.made)
    panel.chmod(0o555)
    try:
        wrong = said(scene.run(command, limits=obey_permissions), (3,))
    finally:
        panel.chmod(0o755)
    wrong += untouched(before, scene.made, command)
    shutil.rmtree(panel)
    return wrong + after(scene, command, whole)


def read_only_disk(scene: Scene, command: str, whole: dict[str, bytes]) -> list[str]:
    with small_disk(scene.made, ROOMY) as mounted:
        if not mounted:
            return ["left out: no right to mount"]
        subprocess.run(["mount", "-o", "remount,ro", str(scene.made)], check=True)
        wrong = said(scene.run(command), (3,)) + untouched({}, scene.made, command)
        subprocess.run(["mount", "-o", "remount,rw", str(scene.made)], check=True)
        return wrong + after(scene, command, whole)


def output_vanishes(scene: Scene, command: str, whole: dict[str, bytes]) -> list[str]:
    """The folder above the result is removed while it is written."""
    wrong = said(scene.run(command, fault=f"vanish:{scene.made}"), (3,))
    scene.made.mkdir(exist_ok=True)
    return wrong + untouched({}, scene.made, command) + after(scene, command, whole)


def input_vanishes(scene: Scene, command: str, whole: dict[str, bytes]) -> list[str]:
    """Photos and results are moved away soon after the start; a batch may have scored some of them."""
    aside = scene.folder / "aside"
    names = {"score": "a.jpg", "batch": "photos"}.get(command, "out")
    began = time.monotonic()
    running = scene.start(command)
    time.sleep(0.1)
    os.rename(scene.folder / names, aside)
    end = ended(running, began)
    os.rename(aside, scene.folder / names)
    wrong = said(end, (0, 1))
    wrong += untouched({}, scene.made, command) if end.code else []
    return wrong + after(scene, command, whole)


def too_little_memory(scene: Scene, command: str, whole: dict[str, bytes]) -> list[str]:
    """At each size it works, or says that the memory does not suffice; a batch refuses the panels by name."""
    wrong = []
    for size in MEMORY_MB:
        end = scene.run(command, fault=f"memory:{size}")
        wrong += [
            f"at {size} MB: {one}: {end.stderr[-300:]}"
            for one in said(end, (0, 1, 3) if command == "batch" else (0, 3))
        ]
        if end.code:
            wrong += [f"at {size} MB: {one}" for one in untouched({}, scene.made, command)]
        shutil.rmtree(scene.made / "panel", ignore_errors=True)
        if end.code == 0:
            break
    return wrong + after(scene, command, whole)


def killed(scene: Scene, command: str, whole: dict[str, bytes]) -> list[str]:
    """As the system does when memory runs out: a worker of a batch (once, then each), or the command itself."""
    running = scene.start(command)
    began = time.monotonic()
    if command != "batch":
        time.sleep(scene.rng.uniform(0.5, 3.0))
        running.kill()
        ended(running, began)
        left = [path for path in scene.made.rglob("*") if path.is_file() and path.parent.name not in ("new", "old")]
        for path in scene.made.glob(".panel-*"):
            shutil.rmtree(path)  # a killed command cannot clear up; its work folder says whose it was
        wrong = [f"half a result: {path.name}" for path in left if "panel/" in str(path) and not whole]
        shutil.rmtree(scene.made / "panel", ignore_errors=True)
        return wrong + after(scene, command, whole)
    victim = None
    while victim is None and running.poll() is None:
        time.sleep(0.05)
        victim = next((pid for pid in children(running.pid) if "spawn_main" in command_line(pid)), None)
    time.sleep(1.0)
    with contextlib.suppress(ProcessLookupError):
        os.kill(victim or 0, signal.SIGKILL)
    wrong = said(ended(running, began), (0,))
    return wrong + differences(tree(scene.made), whole) + after(scene, command, whole)


def clock_back(scene: Scene, command: str, whole: dict[str, bytes]) -> list[str]:
    """The clock steps back a day again and again, and all inputs come from next year."""
    next_year = time.time() + 365 * 86_400
    for path in scene.folder.rglob("*"):
        os.utime(path, (next_year, next_year))
    wrong = said(scene.run(command, fault="clock-back"), (0,))
    wrong += differences(tree(scene.made), whole)
    return wrong + (after(scene, command, whole) if command == "batch" else [])


def ctrl_c(scene: Scene, command: str, whole: dict[str, bytes]) -> list[str]:
    """At three moments between the start and the usual end."""
    wrong, codes = [], set()
    whole_s = scene.run(command).seconds
    for share in (0.3, 0.6, 0.9):
        shutil.rmtree(scene.made / "panel", ignore_errors=True)
        began = time.monotonic()
        running = scene.start(command)
        time.sleep(share * whole_s)
        with contextlib.suppress(ProcessLookupError):
            os.killpg(running.pid, signal.SIGINT)  # as a terminal does, to all of them
        end = ended(running, began)
        codes.add(end.code)
        if end.code == -signal.SIGINT and not end.stderr:  # it was done and about to leave; a shell says 130 too
            wrong += [f"at {share:g}: {one}" for one in differences(tree(scene.made), whole)]
            continue
        wrong += [f"at {share:g}: {one}" for one in said(end, (130, 0))]
        wrong += untouched({}, scene.made, command) if end.code else []
        wrong += after(scene, command, whole)
    return wrong if INTERRUPTED in codes else [*wrong, "never interrupted"]


FAULTS = {
    "disk full": disk_full,
    "no permission": no_permission,
    "read-only result": read_only_result,
    "read-only disk": read_only_disk,
    "output vanishes": output_vanishes,
    "input vanishes": input_vanishes,
    "too little memory": too_little_memory,
    "killed": killed,
    "clock set back": clock_back,
    "Ctrl-C": ctrl_c,
}


@contextlib.contextmanager
def small_disk(place: Path, size: str) -> Iterator[bool]:
    """A file system of that size at the place; False where that is not permitted."""
    made = subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={size}", "tmpfs", str(place)], capture_output=True)
    try:
        yield made.returncode == 0
    finally:
        if made.returncode == 0:
            subprocess.run(["umount", str(place)], check=True)


def obey_permissions() -> None:
    """In a child before it starts: without root's right to write everywhere."""
    libc = ctypes.CDLL(None, use_errno=True)
    for right in (CAP_DAC_OVERRIDE, CAP_DAC_READ_SEARCH):
        libc.prctl(PR_CAPBSET_DROP, right, 0, 0, 0)


def children(pid: int) -> list[int]:
    try:
        return [int(word) for word in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]
    except OSError:
        return []


def command_line(pid: int) -> str:
    try:
        return Path(f"/proc/{pid}/cmdline").read_bytes().replace(b"\0", b" ").decode()
    except OSError:
        return ""


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--only", choices=FAULTS)
    parser.add_argument("--command", choices=COMMANDS)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    began, bad = time.monotonic(), 0
    commands = [asked.command] if asked.command else list(COMMANDS)
    with tempfile.TemporaryDirectory(prefix="texscan-faults-") as name:
        scene = laid_out(Path(name), random.Random(asked.seed))
        whole = {command: undisturbed(scene, command) for command in commands}
        print(f"Seed {asked.seed}.\n{'fault':<20}" + "".join(f"{command:>12}" for command in commands), flush=True)
        for fault, befall in FAULTS.items():
            if asked.only and fault != asked.only:
                continue
            notes = []
            print(f"{fault:<20}", end="", flush=True)
            for command in commands:
                wrong = befall(scene, command, whole[command])
                fresh(scene)
                skipped = wrong[:1] == ["left out: no right to mount"]
                bad += bool(wrong) and not skipped
                notes += [f"{fault}, {command}: {one}" for one in wrong]
                print(f"{'left out' if skipped else 'FAILED' if wrong else 'held':>12}", end="", flush=True)
            print("".join(f"\n  {note}" for note in notes), flush=True)
    print(f"\n{bad} failed, {time.monotonic() - began:.0f} s.")
    raise SystemExit(1 if bad else 0)


def laid_out(folder: Path, rng: random.Random) -> Scene:
    """Two photos, a batch of two panels, a scored boat and its survey."""
    originals.boat_in(folder)
    for name, side in (("a.jpg", "a"), ("photos/p/a.jpg", "a"), ("photos/q/c.jpg", "c")):
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(originals.quarter("foredeck-sound", side))
    (folder / "made").mkdir()
    return Scene(folder, folder / "made", rng)


def undisturbed(scene: Scene, command: str) -> dict[str, bytes]:
    """What the command writes when nothing goes wrong."""
    end = scene.run(command)
    if end.code:
        sys.exit(f"{command} does not work at all: {end.stderr}")
    whole = tree(scene.made)
    assert all(json.loads(body) for name, body in whole.items() if name.endswith(".json"))
    fresh(scene)
    return whole


def fresh(scene: Scene) -> None:
    shutil.rmtree(scene.made, ignore_errors=True)
    scene.made.mkdir()


if __name__ == "__main__":
    main()
