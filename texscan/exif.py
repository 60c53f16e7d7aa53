"""What a photo's EXIF block tells: which way is up, and a little about the lens and the exposure."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime

import numpy as np
from PIL import Image

# EXIF tags (CIPA DC-008, Exif 2.32)
TAG_ORIENTATION = 0x0112
TAG_EXIF_IFD = 0x8769
TAG_EXPOSURE_TIME = 0x829A
TAG_F_NUMBER = 0x829D
TAG_ISO = 0x8827
TAG_TAKEN = 0x9003  # DateTimeOriginal, on the camera's clock
TAG_TAKEN_PART = 0x9291  # the digits of its second's fraction
TAG_FOCAL_35MM = 0xA405


@dataclass(frozen=True, slots=True)
class Facts:
    """
    What EXIF tells: orientation 1 to 8, focal length in 35 mm terms [mm], exposure t ISO / (100 N^2), and when the
    photo was taken [s since 1970, the camera's clock read as this machine's].
    """

    orientation: int = 1
    focal_35mm: float | None = None
    exposure: float | None = None
    taken_s: float | None = None


def upright(pixels: np.ndarray, orientation: int) -> np.ndarray:
    """Pixels turned as displayed, after EXIF orientation 1 to 8 (CIPA DC-008, table of orientation values)."""
    turns = {
        2: lambda p: p[:, ::-1],
        3: lambda p: p[::-1, ::-1],
        4: lambda p: p[::-1],
        5: lambda p: p.swapaxes(0, 1),
        6: lambda p: p[::-1].swapaxes(0, 1),
        7: lambda p: p[::-1, ::-1].swapaxes(0, 1),
        8: lambda p: p[:, ::-1].swapaxes(0, 1),
    }
    return turns.get(orientation, lambda p: p)(pixels)


def exif_facts(exif: Image.Exif) -> Facts:
    """The few EXIF facts that are used; a missing, broken or absurd entry gives the neutral value."""
    inner = exif.get_ifd(TAG_EXIF_IFD)
    orientation = exif.get(TAG_ORIENTATION, 1)
    iso = inner.get(TAG_ISO)
    return Facts(
        orientation=orientation if isinstance(orientation, int) and 1 <= orientation <= 8 else 1,
        focal_35mm=positive(inner.get(TAG_FOCAL_35MM)),
        exposure=exposure_of(inner.get(TAG_EXPOSURE_TIME), inner.get(TAG_F_NUMBER), iso),
        taken_s=taken_of(inner.get(TAG_TAKEN), inner.get(TAG_TAKEN_PART)),
    )


def exposure_of(time_s: object, f_number: object, iso: object) -> float | None:
    """t ISO / (100 N^2), None where one of them is missing or not a positive number."""
    time, f, speed = positive(time_s), positive(f_number), positive(iso)
    if time is None or f is None or speed is None:
        return None
    return time * speed / (100 * f * f)


def taken_of(text: object, part: object = None) -> float | None:
    """Seconds since 1970 from an EXIF time ("2026:05:16 21:11:10", no zone) and the digits of its fraction."""
    try:
        whole = datetime.strptime(str(text).strip("\0 "), "%Y:%m:%d %H:%M:%S").timestamp()
    except (ValueError, OverflowError, OSError):  # a clock that was never set, or a year that no machine knows
        return None
    digits = str(part).strip("\0 ")
    return whole + (float(f"0.{digits}") if digits.isascii() and digits.isdigit() else 0.0)


def positive(value: object) -> float | None:
    """A positive finite float from an EXIF entry (number, fraction or 1-tuple), or None."""
    if isinstance(value, tuple | list) and value:
        value = value[0]
    try:
        number = float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError, ZeroDivisionError):
        return None
    return number if math.isfinite(number) and number > 0 else None


def facts_from_block(block: bytes | None) -> Facts:
    if not block:
        return Facts()
    exif = Image.Exif()
    try:
        exif.load(block)
        return exif_facts(exif)
    except Exception:  # a broken EXIF block raises almost anything; it is side information, the pixels are still good
        return Facts()
