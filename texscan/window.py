"""The rows and columns of a map that hold something."""

from __future__ import annotations

import numpy as np


def window_of(mask: np.ndarray, around: int = 0) -> tuple[slice, slice]:
    """The rows and columns in which the mask is not all True, and `around` more; all of them where it is."""
    rows, columns = (np.flatnonzero(~mask.all(axis=axis)) for axis in (1, 0))
    if not rows.size:
        return slice(0, mask.shape[0]), slice(0, mask.shape[1])
    return widened((slice(int(rows[0]), int(rows[-1]) + 1), slice(int(columns[0]), int(columns[-1]) + 1)), around)


def widened(window: tuple[slice, slice], around: int) -> tuple[slice, slice]:
    """The window with `around` more rows and columns on each side, as far as there are any."""
    rows, columns = (slice(max(span.start - around, 0), span.stop + around) for span in window)
    return rows, columns
