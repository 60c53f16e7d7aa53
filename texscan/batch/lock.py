"""One run at a time on one OUT: a lock of the operating system, freed when the process ends in whatever way."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from texscan.errors import SettingsError, StorageError


@contextmanager
def locked(file: Path) -> Iterator[None]:
    """
    Hold the lock file, made with its folder where missing.

    Raises
    ------
    SettingsError : another process holds it.
    StorageError : it cannot be made.
    """
    try:
        file.parent.mkdir(parents=True, exist_ok=True)
        handle = os.open(file, os.O_RDWR | os.O_CREAT, 0o644)
    except OSError as error:
        raise StorageError(
            f"Nothing can be written into {file.parent.parent} ({error.strerror}). Choose another --out."
        ) from error
    try:
        _take(handle, file)
        yield
    finally:
        os.close(handle)


def _take(handle: int, file: Path) -> None:
    try:
        if sys.platform == "win32":
            import msvcrt

            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
        else:
            import fcntl

            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        raise SettingsError(
            f"Another run is writing into {file.parent.parent}. Wait until it has ended, or choose another --out."
        ) from error
