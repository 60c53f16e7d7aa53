"""
Loaded by every Python started with this folder in PYTHONPATH, worker processes too: misfortunes on demand.

TEXSCAN_TEST_FAULT: no-network (nothing but this machine's own pipes), clock-back (time steps back a day, again and
again), vanish:FOLDER (the folder is removed as the first file is about to be finished), memory:MB (that much more and
no more memory, once the libraries are loaded).
"""

import os
import shutil
import sys
import time

FAULT, _, FOLDER = os.environ.get("TEXSCAN_TEST_FAULT", "").partition(":")
DAY_S = 86_400.0


def _no_network(event: str, arguments: tuple) -> None:
    """An audit hook (PEP 578): every attempt to name, open or reach a network address ends the program's work."""
    if event in (
        "socket.getaddrinfo",
        "socket.gethostbyname",
        "socket.sendto",
        "urllib.Request",
        "http.client.connect",
    ):
        raise RuntimeError(f"network: {event} {arguments[:2]!r}")
    if event in ("socket.connect", "socket.bind") and isinstance(arguments[1], tuple):  # a path is a local socket
        raise RuntimeError(f"network: {event} {arguments[1]!r}")


def _clock_back() -> None:
    now, calls = time.time, [0]

    def earlier() -> float:
        calls[0] += 1
        return now() - DAY_S * calls[0]

    time.time = earlier


def _vanish() -> None:
    finish = os.fsync

    def vanish(descriptor: int) -> None:
        shutil.rmtree(FOLDER, ignore_errors=True)
        finish(descriptor)

    os.fsync = vanish


def _little_memory(more_mb: int) -> None:
    """All is loaded first, and OpenBLAS has its buffers: it waits for ever where it gets none."""
    import importlib.util
    import resource

    import cv2
    import numpy as np

    cv2.setNumThreads(1)
    importlib.import_module("typer._adapters" if importlib.util.find_spec("typer._adapters") else "typer")
    for module in ("score", "result", "batch.run", "plan.programme_job", "proposal.make", "compare.job", "inputs"):
        importlib.import_module(f"texscan.{module}")
    square = np.eye(400) + np.ones((400, 400))
    np.linalg.solve(square, square @ square)
    with open("/proc/self/statm", encoding="ascii") as file:
        held = int(file.read().split()[0]) * resource.getpagesize()
    limit, most = held + (more_mb << 20), resource.getrlimit(resource.RLIMIT_AS)[1]
    if most == resource.RLIM_INFINITY or limit < most:  # a worker process inherits its parent's, and may not raise it
        resource.setrlimit(resource.RLIMIT_AS, (limit, limit))


if FAULT == "no-network":
    sys.addaudithook(_no_network)
elif FAULT == "clock-back":
    _clock_back()
elif FAULT == "vanish":
    _vanish()
elif FAULT == "memory":
    _little_memory(int(FOLDER))
