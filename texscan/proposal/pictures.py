"""Pictures packed as the document keeps them: photos as JPEG, drawings without loss."""

from __future__ import annotations

import numpy as np
from PIL import Image

from texscan import files
from texscan.proposal.content import Picture

FLAT_COLOURS = 4096  # a picture of fewer colours is a drawing
MM_OF_GREY = (1, 255)  # grey values that carry heights; 0 is "not measured"


def packed(pixels: np.ndarray, width_mm: float, *, quality: int = 88) -> Picture:
    """
    Parameters
    ----------
    pixels : (rows, columns, 3) uint8 RGB
    width_mm : of the print
    """
    rows, columns = pixels.shape[:2]
    if is_drawing(pixels):
        return Picture(files.png_bytes(pixels), "png", columns, rows, width_mm)
    return Picture(files.jpeg_bytes(pixels, quality), "jpeg", columns, rows, width_mm)


def is_drawing(pixels: np.ndarray) -> bool:
    """Few colours, as charts have them."""
    return Image.fromarray(np.ascontiguousarray(pixels[::2, ::2])).getcolors(FLAT_COLOURS) is not None


def heights_picture(depth_mm: np.ndarray) -> tuple[Picture, float, float]:
    """
    A height map as grey values for a screen: (picture, low_mm, high_mm).

    Parameters
    ----------
    depth_mm : (rows, columns), NaN = not measured, which becomes grey 0; low to high become 1 to 255

    Notes
    -----
    One grey step is 1/254 of the range: 0.003 mm for a relief of 0.8 mm.
    """
    known = np.isfinite(depth_mm)
    low, high = (float(depth_mm[known].min()), float(depth_mm[known].max())) if known.any() else (0.0, 0.0)
    first, last = MM_OF_GREY
    share = (np.where(known, depth_mm, low) - low) / max(high - low, 1e-9)
    grey = np.where(known, np.round(first + share * (last - first)), 0).astype(np.uint8)
    return Picture(files.png_bytes(grey), "png", grey.shape[1], grey.shape[0], 0.0), low, high
