"""Pictures unpacked by OpenCV without its libraries' own words on stderr."""

from __future__ import annotations

import os
import threading
from collections.abc import Iterator
from contextlib import contextmanager

import numpy as np

from texscan.errors import is_no_memory

_ONE_AT_A_TIME = threading.Lock()  # stderr belongs to the whole process


def decoded_quietly(data: bytes, flags: int) -> np.ndarray | None:
    """
    The picture that OpenCV finds in the bytes of a file, None where it finds none; `flags` as of cv2.imdecode.

    Raises
    ------
    MemoryError : not enough of it.
    """
    import cv2

    with _silence():
        try:
            return cv2.imdecode(np.frombuffer(data, dtype=np.uint8), flags) if data else None
        except cv2.error as error:
            if is_no_memory(error):
                raise MemoryError from error
            return None


@contextmanager
def _silence() -> Iterator[None]:
    """Neither OpenCV nor the libpng in it, which knows no log, writes to stderr beside our own sentence."""
    import cv2

    with _ONE_AT_A_TIME:
        level = cv2.utils.logging.setLogLevel(cv2.utils.logging.LOG_LEVEL_SILENT)
        kept, nowhere = os.dup(2), os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, 2)
        try:
            yield
        finally:
            os.dup2(kept, 2)
            os.close(kept)
            os.close(nowhere)
            cv2.utils.logging.setLogLevel(level)
