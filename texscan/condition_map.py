"""The map of conditions of a result, read back: conditions.tif to sound, worn, filled."""

from __future__ import annotations

import io

import numpy as np
import tifffile

from texscan.decode import TIFF_ERRORS, tiff_pixels
from texscan.errors import PhotoError, SettingsError
from texscan.headers import MAX_PIXELS
from texscan.model import CONDITION_NAMES

NEXT = "Score the patch again."


def conditions_from_tiff(data: bytes, name: str) -> np.ndarray:
    """
    The condition of every pixel.

    Parameters
    ----------
    data : bytes of conditions.tif
    name : of the file, for the sentence

    Returns
    -------
    condition : (rows, columns) uint8: 0 not measured, else as in `model.CONDITION_NAMES`

    Raises
    ------
    SettingsError : no TIFF, too large, more than one channel, or values that name no condition.
    """
    try:
        with tifffile.TiffFile(io.BytesIO(data)) as tiff:
            page = tiff.pages.first
            if page.imagewidth * page.imagelength > MAX_PIXELS:
                raise SettingsError(f"{name} has {page.imagewidth} x {page.imagelength} points; too many. {NEXT}")
            if page.dtype != np.uint8 or page.samplesperpixel != 1:
                raise SettingsError(
                    f"{name} holds {page.samplesperpixel} channel(s) of {page.dtype}; one of uint8 is needed. {NEXT}"
                )
            condition = tiff_pixels(page, data, name).reshape(page.imagelength, page.imagewidth)
    except (*TIFF_ERRORS, PhotoError) as error:
        raise SettingsError(f"{name} is not a map of conditions that can be read. {NEXT}") from error
    if condition.max(initial=0) > max(CONDITION_NAMES):
        raise SettingsError(f"{name} holds values above {max(CONDITION_NAMES)}; 0 to 3 are conditions. {NEXT}")
    return condition
