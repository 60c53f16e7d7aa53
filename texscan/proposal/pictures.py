"""Pictures packed as the document keeps them: photos as JPEG, drawings without loss."""

from __future__ import annotations

import io

import numpy as np
from PIL import Image

from texscan import files
from texscan.errors import SettingsError
from texscan.proposal.content import Picture

MOST_LOGO_PX = 20_000_000
GREYS = (1, 255)  # grey values that carry heights; 0 is "not measured"


def photo_picture(pixels: np.ndarray, width_mm: float, *, quality: int = 88) -> Picture:
    """(rows, columns, 3) uint8 RGB as JPEG, for a print of this width."""
    return Picture(files.jpeg_bytes(pixels, quality), "jpeg", pixels.shape[1], pixels.shape[0], width_mm)


def drawing_picture(pixels: np.ndarray, width_mm: float) -> Picture:
    """(rows, columns, 3) uint8 RGB as PNG, for a print of this width."""
    return Picture(files.png_bytes(pixels), "png", pixels.shape[1], pixels.shape[0], width_mm)


def logo_picture(data: bytes, name: str, width_mm: float) -> Picture:
    """
    A logo on white.

    Parameters
    ----------
    data : PNG or JPEG, with or without transparent parts
    name : of the file, for the sentence

    Raises
    ------
    SettingsError : another kind of file, a damaged or a huge one.
    """
    try:
        with Image.open(io.BytesIO(data), formats=("PNG", "JPEG")) as opened:
            if opened.width * opened.height > MOST_LOGO_PX:
                raise SettingsError(
                    f"The logo {name} has {opened.width} x {opened.height} pixels; {MOST_LOGO_PX // 10**6} million "
                    "are enough. Save it smaller."
                )
            picture = opened.convert("RGBA")
    except (OSError, ValueError, SyntaxError, Image.DecompressionBombError) as error:
        raise SettingsError(f"The logo {name} is no whole PNG or JPEG picture. Export it again.") from error
    ground = Image.new("RGBA", picture.size, "white")
    return drawing_picture(np.asarray(Image.alpha_composite(ground, picture).convert("RGB")), width_mm)


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
    first, last = GREYS
    share = (np.where(known, depth_mm, low) - low) / max(high - low, 1e-9)
    grey = np.where(known, np.round(first + share * (last - first)), 0).astype(np.uint8)
    return Picture(files.png_bytes(grey), "png", grey.shape[1], grey.shape[0], 0.0), low, high
