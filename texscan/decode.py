"""
A photo's bytes to upright RGB pixels: JPEG, PNG, TIFF (8 and 16 bit) and HEIC.

The size is read from the file's own header and held against MAX_PIXELS before anything is unpacked. 16-bit pixels
stay 16-bit (Pillow would make them 8-bit without a word), the stored orientation is applied exactly once (a HEIC
container has applied it already), and a colour profile that is not sRGB is converted or refused, never ignored.
"""

from __future__ import annotations

import io
import logging
import re
import struct
import warnings
import zlib
from dataclasses import dataclass, replace

import cv2
import numpy as np
import tifffile
from PIL import Image, ImageCms, JpegImagePlugin

from texscan.errors import PhotoError
from texscan.exif import (
    TAG_EXIF_IFD,
    TAG_ORIENTATION,
    Facts,
    exposure_of,
    facts_from_block,
    positive,
    taken_of,
    upright,
)
from texscan.headers import check_packing, check_size, jpeg_frame, kind_of, png_chunks, truncated
from texscan.model import Photo
from texscan.silence import decoded_quietly

HDR_TRANSFERS = {16: "PQ", 18: "HLG"}  # ITU-T H.273 transfer characteristics that are no photo tone curve
# what tifffile raises on tags with absurd contents
TIFF_ERRORS = (
    tifffile.TiffFileError,
    ValueError,
    TypeError,
    LookupError,
    ArithmeticError,
    AttributeError,
    OSError,
    struct.error,
)

# tifffile reports broken tags to its log, which would reach stderr beside our own sentence
logging.getLogger("tifffile").addHandler(logging.NullHandler())


@dataclass(frozen=True, slots=True)
class Decoded:
    """Pixels as stored: (rows, columns, 1 to 4), uint8 or uint16, RGB order; not yet turned upright."""

    pixels: np.ndarray
    facts: Facts
    icc: bytes | None = None
    shrunk: int = 1  # the file has this many times as many pixels a side


def photo_from_bytes(data: bytes, name: str, *, sha256: str, long_side_px: int | None = None) -> Photo:
    """
    Photo from the bytes of a JPEG, PNG, TIFF or HEIC file.

    Parameters
    ----------
    data : the whole file
    name : names the file in messages and in the record
    sha256 : of `data`, handed on
    long_side_px : enough for the caller: a larger picture is halved while its long side keeps this many pixels

    Returns
    -------
    photo : pixels (rows, columns, 3) RGB, uint8 or uint16, upright as displayed, sRGB-encoded

    Raises
    ------
    PhotoError
        With what was found, what is needed and what to do next.
    """
    kind = kind_of(data, name)
    decoder = {"jpeg": _from_jpeg, "png": _from_png, "tiff": _from_tiff, "heic": _from_heic}[kind]
    more = {"long_side_px": long_side_px} if kind == "jpeg" else {}
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the decoders warn about broken side information; pixels are checked here
        decoded = _halved(decoder(data, name, **more), long_side_px)
        pixels = _opaque(decoded.pixels, name)
        pixels = _to_srgb(pixels, decoded.icc, name)
    pixels = upright(pixels, decoded.facts.orientation)
    return Photo(
        file=name,
        sha256=sha256,
        pixels=np.ascontiguousarray(pixels),
        encoding="srgb",
        focal_35mm=decoded.facts.focal_35mm,
        exposure=decoded.facts.exposure,
        taken_s=decoded.facts.taken_s,
        shrunk=decoded.shrunk,
    )


# JPEG


def _from_jpeg(data: bytes, name: str, *, long_side_px: int | None = None) -> Decoded:
    components = jpeg_frame(data, name)[2]
    if components == 4:
        raise PhotoError(f"{name} is a CMYK picture for printing; an RGB photo is needed. Export it as RGB JPEG.")
    try:
        # the class, not Image.open: the size is checked above, and 8-bit JPEG is all that it reads
        with JpegImagePlugin.JpegImageFile(io.BytesIO(data)) as picture:
            facts = facts_from_block(picture.info.get("exif"))
            icc = picture.info.get("icc_profile")
            full = picture.size
            if long_side_px is not None and max(full) >= 2 * long_side_px:  # the decoder's own 1/2, 1/4, 1/8
                wide, high = (max(1, side * long_side_px // max(full)) for side in full)
                picture.draft(None, (wide, high))
            pixels = np.asarray(picture)
    except (OSError, SyntaxError, ValueError, struct.error) as error:
        raise truncated(name) from error
    return Decoded(_with_channels(pixels), facts, icc, round(max(full) / max(pixels.shape[:2])))


# PNG


def png_pixels(data: bytes, name: str) -> tuple[np.ndarray, dict[bytes, bytes]]:
    """Stored pixels (rows, columns, 1 to 4) of a PNG file and its chunks; refuses a damaged or oversized one."""
    chunks = png_chunks(data, name)
    if b"IHDR" not in chunks:
        raise truncated(name)
    return _by_opencv(data, name), chunks


def _from_png(data: bytes, name: str) -> Decoded:
    pixels, chunks = png_pixels(data, name)
    exif = b"Exif\0\0" + chunks[b"eXIf"] if b"eXIf" in chunks else None
    return Decoded(pixels, facts_from_block(exif), _png_profile(chunks.get(b"iCCP"), name))


def _png_profile(chunk: bytes | None, name: str) -> bytes | None:
    """The ICC profile of an iCCP chunk; a profile that unpacks to more than 4 MiB is no profile."""
    if chunk is None:
        return None
    try:
        packed = chunk[chunk.index(b"\0") + 2 :]
        return zlib.decompressobj().decompress(packed, 4 << 20)
    except (ValueError, zlib.error) as error:
        raise _broken_profile(name) from error


def _by_opencv(data: bytes, name: str) -> np.ndarray:
    """Stored pixels of PNG and packed TIFF, RGB order, depth kept; OpenCV unpacks no more than the header says."""
    pixels = decoded_quietly(data, cv2.IMREAD_UNCHANGED | cv2.IMREAD_IGNORE_ORIENTATION)
    if pixels is None:
        raise truncated(name)
    pixels = _with_channels(pixels)
    if pixels.shape[2] >= 3:
        pixels = pixels[..., [2, 1, 0, *range(3, pixels.shape[2])]]
    return pixels


# TIFF


def _from_tiff(data: bytes, name: str) -> Decoded:
    try:
        with tifffile.TiffFile(io.BytesIO(data)) as tiff:
            page = tiff.pages.first
            check_size(page.imagewidth, page.imagelength, name)
            _check_tiff_photo(page, name)
            facts = _tiff_facts(page)
            icc = page.tags.get(34675)
            pixels = tiff_pixels(page, data, name)
            white_is_zero = page.photometric == tifffile.PHOTOMETRIC.MINISWHITE
    except PhotoError:
        raise
    except TIFF_ERRORS as error:
        raise truncated(name) from error
    if white_is_zero:
        pixels = np.iinfo(pixels.dtype).max - pixels
    return Decoded(_with_channels(pixels), facts, bytes(icc.value) if icc is not None else None)


def _check_tiff_photo(page: tifffile.TiffPage, name: str) -> None:
    if page.dtype is not None and page.dtype.kind == "f":
        raise PhotoError(
            f"{name} holds fractional numbers like a height map; a photo has 8 or 16 bits. "
            "To score heights give it with --heights and --step-mm."
        )
    if page.dtype not in (np.uint8, np.uint16) or page.bitspersample not in (8, 16):
        raise PhotoError(f"{name} has {page.bitspersample} bits a value; 8 or 16 are needed. Export it as JPEG.")
    photometric = tifffile.PHOTOMETRIC
    if page.photometric in (photometric.CFA, photometric.LINEAR_RAW):
        raise PhotoError(
            f"{name} is a camera raw file inside a TIFF; developed RGB is needed. Name it .dng, or export it as JPEG."
        )
    if page.photometric == photometric.SEPARATED:
        raise PhotoError(f"{name} is a CMYK picture for printing; an RGB photo is needed. Export it as RGB.")
    wanted = (photometric.RGB, photometric.MINISBLACK, photometric.MINISWHITE, photometric.YCBCR)
    if page.photometric not in wanted or page.samplesperpixel > 4 or page.imagedepth != 1:
        kind = getattr(page.photometric, "name", str(page.photometric)).lower()
        raise PhotoError(f"{name} is a TIFF of kind {kind}; an RGB photo is needed. Export it as JPEG.")


def tiff_pixels(page: tifffile.TiffPage, data: bytes, name: str) -> np.ndarray:
    """
    Stored pixels of a TIFF page, (rows, columns[, channels]); refuses a file that ends before its last strip.

    Compressed strips go through OpenCV's libtiff, which unpacks no more than a strip should hold; tifffile would
    unpack whatever is packed.
    """
    ends = [o + n for o, n in zip(page.dataoffsets, page.databytecounts, strict=True)]
    if not ends or max(ends) > len(data):
        raise truncated(name)
    planar = page.samplesperpixel > 1 and page.planarconfig == tifffile.PLANARCONFIG.SEPARATE
    if page.compression == tifffile.COMPRESSION.NONE:
        pixels = page.asarray()
        return np.moveaxis(pixels, 0, -1) if planar else pixels
    if planar or page.photometric == tifffile.PHOTOMETRIC.MINISWHITE or page.dtype is None:
        raise PhotoError(
            f"{name} is packed in a way that cannot be read. Save the TIFF uncompressed, or export a JPEG."
        )
    check_packing(page.imagewidth * page.imagelength * page.samplesperpixel * page.dtype.itemsize, len(data), name)
    pixels = _by_opencv(data, name)
    if pixels.dtype != page.dtype or pixels.shape[:2] != (page.imagelength, page.imagewidth):
        raise truncated(name)
    return pixels


def _tiff_facts(page: tifffile.TiffPage) -> Facts:
    tag = page.tags.get(TAG_ORIENTATION)
    orientation = int(tag.value) if tag is not None else 1
    inner = page.tags.get(TAG_EXIF_IFD)
    values = inner.value if inner is not None and isinstance(inner.value, dict) else {}

    def ratio(key: str) -> float | None:
        value = values.get(key)
        if isinstance(value, tuple) and len(value) == 2 and all(isinstance(v, int) for v in value):
            return value[0] / value[1] if value[1] else None
        return positive(value)

    iso = values.get("PhotographicSensitivity", values.get("ISOSpeedRatings"))
    return Facts(
        orientation if 1 <= orientation <= 8 else 1,
        positive(values.get("FocalLengthIn35mmFilm")),
        exposure_of(ratio("ExposureTime"), ratio("FNumber"), iso),
        taken_of(values.get("DateTimeOriginal"), values.get("SubsecTimeOriginal")),
    )


# HEIC


def _check_items(data: bytes, name: str) -> None:
    """Refuse a HEIC whose item types are no text: the decoder would end the whole program on them (seen in 1.4)."""
    for found in re.finditer(rb"infe([\x02\x03])...", data, re.DOTALL):  # ItemInfoEntry, ISO/IEC 14496-12, 8.11.6
        at = found.end() + (2 if found[1] == b"\x02" else 4) + 2
        if not data[at : at + 4].isascii():
            raise truncated(name)


def _from_heic(data: bytes, name: str) -> Decoded:
    import pi_heif

    _check_items(data, name)
    try:
        heif = pi_heif.open_heif(io.BytesIO(data), convert_hdr_to_8bit=True)
        wide, high = heif.size
        check_size(wide, high, name)
        check_packing(3 * wide * high, len(data), name)
        picture = heif[heif.primary_index]
        transfer = (picture.info.get("nclx_profile") or {}).get("transfer_characteristics")
        if transfer in HDR_TRANSFERS:
            raise PhotoError(
                f"{name} is an HDR picture ({HDR_TRANSFERS[transfer]}); its brightness is not a photo's. "
                "Switch HDR off, or export it as JPEG."
            )
        pixels = np.array(picture)  # a copy: the decoder frees its own memory with `picture`
    except (ValueError, EOFError, SyntaxError, RuntimeError, OSError, IndexError) as error:
        raise truncated(name) from error
    # libheif has turned the pixels already: the EXIF orientation is a leftover and must not be used again
    facts = facts_from_block(picture.info.get("exif"))
    return Decoded(_with_channels(pixels), replace(facts, orientation=1), picture.info.get("icc_profile"))


# Size, channels and colour


def _halved(decoded: Decoded, long_side_px: int | None) -> Decoded:
    """Pixels averaged two by two while the long side keeps `long_side_px`."""
    pixels, shrunk = decoded.pixels, decoded.shrunk
    while long_side_px is not None and max(pixels.shape[:2]) >= 2 * long_side_px and min(pixels.shape[:2]) >= 2:
        size = pixels.shape[1] // 2, pixels.shape[0] // 2
        pixels, shrunk = _with_channels(cv2.resize(pixels, size, interpolation=cv2.INTER_AREA)), 2 * shrunk
    return replace(decoded, pixels=pixels, shrunk=shrunk)


def _with_channels(pixels: np.ndarray) -> np.ndarray:
    return pixels[..., None] if pixels.ndim == 2 else pixels


def _opaque(pixels: np.ndarray, name: str) -> np.ndarray:
    """Drop an alpha channel that hides nothing; refuse one that does. Gives 1 or 3 channels."""
    if pixels.shape[2] in (2, 4):
        if (pixels[..., -1] != np.iinfo(pixels.dtype).max).any():
            raise PhotoError(f"{name} has transparent parts; a photo hides nothing. Export the original as JPEG.")
        pixels = pixels[..., :-1]
    return pixels


def _broken_profile(name: str) -> PhotoError:
    return PhotoError(f"{name} carries a broken colour profile; sRGB is needed. Export it again as sRGB JPEG.")


def _to_srgb(pixels: np.ndarray, icc: bytes | None, name: str) -> np.ndarray:
    """
    (rows, columns, 3) sRGB-encoded. Without a profile the photo is taken as sRGB, as the EXIF and PNG rules have it.
    """
    if icc:
        try:
            profile = ImageCms.ImageCmsProfile(io.BytesIO(icc))
            title = ImageCms.getProfileDescription(profile).strip()
            space = profile.profile.xcolor_space.strip()
        except (ImageCms.PyCMSError, OSError, TypeError, ValueError) as error:
            raise _broken_profile(name) from error
        if "srgb" not in title.lower().replace(" ", ""):
            pixels = _converted(pixels, profile, (title, space), name)
    return np.repeat(pixels, 3, axis=2) if pixels.shape[2] == 1 else pixels


def _converted(
    pixels: np.ndarray, profile: ImageCms.ImageCmsProfile, called: tuple[str, str], name: str
) -> np.ndarray:
    title, space = called
    mode = {"RGB": "RGB", "GRAY": "L"}.get(space)
    if mode is None or (mode == "RGB") != (pixels.shape[2] == 3):
        raise PhotoError(f"{name} has the colour profile {title!r}, which does not fit a photo. Export it as sRGB.")
    if pixels.dtype != np.uint8:
        raise PhotoError(
            f"{name} has 16 bits and the colour profile {title!r}; 16-bit photos must be sRGB. "
            "Export it as 16-bit sRGB TIFF, or as JPEG."
        )
    picture = Image.fromarray(pixels[..., 0] if mode == "L" else np.ascontiguousarray(pixels))
    try:
        turned = ImageCms.profileToProfile(
            picture,
            profile,
            ImageCms.createProfile("sRGB"),
            renderingIntent=ImageCms.Intent.RELATIVE_COLORIMETRIC,
            outputMode="RGB",
        )
    except (ImageCms.PyCMSError, ValueError) as error:
        raise _broken_profile(name) from error
    return np.asarray(turned)
