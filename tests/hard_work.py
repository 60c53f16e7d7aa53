"""Work that goes wrong on purpose; the workers that do it load nothing else."""

from __future__ import annotations

import os
import signal
import time

from texscan.errors import StorageError


def do(said: str) -> str:
    """Does what it is told, and gives it back."""
    if said.startswith("die"):
        os.kill(os.getpid(), signal.SIGKILL)
    if said.startswith("full"):
        raise StorageError("There is not enough memory to open it.")
    if said.startswith("bug"):
        raise ZeroDivisionError("a bug on purpose")
    if said.startswith("slow"):
        time.sleep(0.05)
    return said
