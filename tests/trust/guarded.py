"""Work that may crash, hang or eat memory, in a process of its own: timed, measured, and ended in time. Linux."""

from __future__ import annotations

import multiprocessing
import os
import signal
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

LONGEST_CPU_S = 30.0  # of its own time; the wall clock of a busy machine says nothing about a hang
LONGEST_WALL_S = 1200.0  # waiting for something that never comes
MOST_BYTES = 2 << 30
BACKSTOP_BYTES = 12 << 30  # of address space, so that the machine survives what is measured
TICKS = os.sysconf("SC_CLK_TCK")


@dataclass(frozen=True, slots=True)
class Done:
    """One piece of work: its number, what it gave (None where the process was lost), and what it took."""

    number: int
    value: object
    seconds: float
    peak_bytes: int
    lost: str = ""  # "crashed (SIGSEGV)", "over 30 s"


def guarded(prepare: Callable[[int], object], work: Callable[[object], object], numbers: list[int]) -> Iterator[Done]:
    """
    Each number prepared and, timed and measured, worked on in one child process; another one is started where it is
    lost. Both functions may hold anything, since children are forked; what `work` gives travels back.
    """
    context = multiprocessing.get_context("fork")
    waiting = list(numbers)
    while waiting:
        ours, theirs = context.Pipe()
        child = context.Process(target=_serve, args=(theirs, prepare, work, list(waiting)), daemon=True)
        child.start()
        theirs.close()
        while waiting:
            done = _next(ours, child, waiting[0])
            waiting.pop(0)
            yield done
            if done.lost:
                break
        child.kill()
        child.join()
        ours.close()


def _serve(pipe, prepare: Callable, work: Callable, numbers: list[int]) -> None:
    """In the child: one piece after the other."""
    import resource

    signal.signal(signal.SIGINT, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_AS, (BACKSTOP_BYTES, BACKSTOP_BYTES))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    for number in numbers:
        prepared = prepare(number)
        Path("/proc/self/clear_refs").write_text("5")  # the peak counts from here, proc(5)
        before = time.process_time()
        value = work(prepared)
        pipe.send((value, time.process_time() - before, peak_bytes(os.getpid())))
    time.sleep(LONGEST_WALL_S)


def _next(pipe, child, number: int) -> Done:
    """What the child sends for this number, or how it was lost."""
    began, before = time.monotonic(), cpu_s(child.pid)
    while True:
        try:
            if pipe.poll(0.5):
                return Done(number, *pipe.recv())
        except EOFError:
            child.join()
            code = child.exitcode or 0
            name = signal.Signals(-code).name if code < 0 else f"exit {code}"
            return Done(number, None, time.monotonic() - began, 0, f"crashed ({name})")
        spent = cpu_s(child.pid) - before
        if spent > LONGEST_CPU_S or time.monotonic() - began > LONGEST_WALL_S:
            return Done(number, None, spent, peak_bytes(child.pid), f"over {LONGEST_CPU_S:.0f} s")


def cpu_s(pid: int) -> float:
    """Processor time of a process so far [s]; 0 once it is gone."""
    try:
        fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    except OSError:
        return 0.0
    return (int(fields[11]) + int(fields[12])) / TICKS


def peak_bytes(pid: int) -> int:
    """Most memory that a process held since it was started or its count was cleared [bytes]; 0 once it is gone."""
    try:
        lines = Path(f"/proc/{pid}/status").read_text().splitlines()
    except OSError:
        return 0
    return next((int(line.split()[1]) * 1024 for line in lines if line.startswith("VmHWM")), 0)


def need_linux() -> None:
    """End with a sentence where /proc is not as on Linux."""
    if not Path("/proc/self/clear_refs").exists():
        sys.exit("This command measures memory through /proc and runs on Linux only.")
