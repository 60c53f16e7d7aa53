"""Camera raw photos, through the optional package rawpy (extra "raw")."""

from __future__ import annotations

import io
import warnings
from pathlib import PurePath

import numpy as np

from texscan.errors import PhotoError
from texscan.exif import Facts, exposure_of, positive, taken_of
from texscan.headers import check_size
from texscan.model import Photo

SUFFIXES = frozenset(
    (".dng", ".cr2", ".cr3", ".nef", ".nrw", ".arw", ".sr2", ".raf", ".orf", ".rw2", ".pef", ".srw", ".3fr", ".iiq")
)
MAGICS = (b"FUJIFILMCCD-RAW", b"IIRO", b"IIRS", b"MMOR", b"IIU\0")


def is_raw(data: bytes, name: str) -> bool:
    """True for a camera raw file, told from its name and from first bytes that no photo format shares."""
    return PurePath(name).suffix.lower() in SUFFIXES or data.startswith(MAGICS) or data[4:12] == b"ftypcrx "


def photo_from_raw(data: bytes, name: str, *, sha256: str) -> Photo:
    """
    Photo from a camera raw file: 16-bit, linear (no tone curve, no automatic brightening), upright.

    Raises
    ------
    PhotoError
        When the extra is not installed, or the file is damaged, too large, or packed in a way that cannot be read.
    """
    try:
        import rawpy
    except ImportError:
        raise PhotoError(
            f"{name} is a camera raw file, which needs the extra: pip install 'texscan[raw]'. Or export it as JPEG."
        ) from None
    try:
        with rawpy.imread(io.BytesIO(data)) as raw:
            check_size(raw.sizes.iwidth, raw.sizes.iheight, name)
            pixels = raw.postprocess(
                gamma=(1, 1),
                no_auto_bright=True,
                adjust_maximum_thr=0.0,  # the same white for all photos of a set
                output_bps=16,
                use_camera_wb=True,
                demosaic_algorithm=rawpy.DemosaicAlgorithm.LINEAR,
            )
    except rawpy.LibRawError as error:
        raise PhotoError(
            f"{name} is a camera raw file that cannot be opened; it is damaged or of a newer kind. Export it as JPEG."
        ) from error
    facts = _facts(data)
    pixels = np.ascontiguousarray(pixels)
    return Photo(name, sha256, pixels, "linear", facts.focal_35mm, facts.exposure, facts.taken_s)


def _facts(data: bytes) -> Facts:
    """What the optional package exifread can tell; the pixels are upright already."""
    try:
        import exifread
    except ImportError:
        return Facts()
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            tags = exifread.process_file(io.BytesIO(data), details=False)
    except Exception:  # side information only; a broken block raises almost anything
        return Facts()

    def first(key: str) -> float | None:
        values = getattr(tags.get(key), "values", None)
        return positive(values[0]) if values else None

    exposure = exposure_of(first("EXIF ExposureTime"), first("EXIF FNumber"), first("EXIF ISOSpeedRatings"))
    return Facts(1, first("EXIF FocalLengthIn35mmFilm"), exposure, taken_of(tags.get("EXIF DateTimeOriginal")))
