"""From the numbers in a photo to light: the sRGB curve and the photo's own tone curve."""

from __future__ import annotations

import numpy as np


def srgb_to_linear(values: np.ndarray) -> np.ndarray:
    """
    Linear light from sRGB-encoded integers (IEC 61966-2-1).

    Parameters
    ----------
    values : uint8 or uint16 array, any shape
        Full scale is the type's largest value.

    Returns
    -------
    linear : float32 array, same shape, 0 to 1
    """
    full = np.iinfo(values.dtype).max
    code = np.arange(full + 1, dtype=np.float64) / full
    table = np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4).astype(np.float32)
    return table[values]
