"""
What a photo's file says about itself, checked before anything is unpacked: its kind, its size, whether it is whole.
"""

from __future__ import annotations

import re
import struct
import zlib

from texscan.errors import PhotoError

MAX_PIXELS = 200_000_000  # larger photos are refused before decoding; a limit of the command's contract
MOST_UNPACKED = 1 << 28  # bytes: below it any packing is harmless
MOST_PACKING = 200  # times: photos pack 2 to 50 times; a picture of one colour packs 1000 times
MOST_SCANS = 100  # of a progressive JPEG, each a walk over the whole picture; encoders write about 10
MIN_SIDE_PX = 16  # smaller than this is an icon, not a photo
FORMATS = "JPEG, PNG, TIFF or HEIC"

HEIF_BRANDS = frozenset({b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"mif1", b"msf1"})
JPEG_MARKER = re.compile(
    rb"\xff[^\x00\xff\xd0-\xd7]", re.DOTALL
)  # a marker inside entropy-coded data, ITU-T T.81 B.1.1
JPEG_FRAMES = frozenset(range(0xC0, 0xD0)) - {0xC4, 0xC8, 0xCC}  # SOF0..SOF15 without DHT, JPG, DAC


def kind_of(data: bytes, name: str) -> str:
    """'jpeg', 'png', 'tiff' or 'heic', told from the first bytes, not from the file's name."""
    if not data:
        raise PhotoError(f"{name} is empty (0 bytes). Copy it from the camera again.")
    if data[:3] == b"\xff\xd8\xff":
        return "jpeg"
    if data[:8] == b"\x89PNG\r\n\x1a\n":
        return "png"
    if data[:4] in (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+"):
        return "tiff"
    if data[4:8] == b"ftyp" and data[8:12] in HEIF_BRANDS:
        return "heic"
    if not data.strip(b"\0"):
        raise PhotoError(f"{name} holds only zeros; a {FORMATS} photo is needed. Copy it from the camera again.")
    raise PhotoError(f"{name} is not a photo that can be read; {FORMATS} is needed. Export it as JPEG.")


def check_size(columns: int, rows: int, name: str) -> None:
    """Refuse a picture larger than MAX_PIXELS or smaller than MIN_SIDE_PX, from its header alone."""
    if columns * rows > MAX_PIXELS:
        raise PhotoError(
            f"{name} is {columns} x {rows} pixels ({columns * rows / 1e6:.0f} Mpx); at most "
            f"{MAX_PIXELS / 1e6:.0f} Mpx can be read. Export it smaller or crop it to the card."
        )
    if min(columns, rows) < MIN_SIDE_PX:
        raise PhotoError(f"{name} is only {columns} x {rows} pixels. Give the photo itself, not a preview of it.")


def check_packing(unpacked: int, packed: int, name: str) -> None:
    """Refuse a small file that unpacks to a very large picture [bytes], before it is unpacked."""
    if unpacked > MOST_UNPACKED and unpacked > MOST_PACKING * packed:
        raise PhotoError(
            f"{name} has {packed / 1e6:.1f} MB and would unpack to {unpacked / 1e6:.0f} MB, as no photo does; it is "
            "damaged or of one colour. Copy it from the camera again."
        )


def truncated(name: str) -> PhotoError:
    return PhotoError(f"{name} is cut short or damaged; the whole file is needed. Copy it from the camera again.")


def jpeg_frame(data: bytes, name: str) -> tuple[int, int, int]:
    """(columns, rows, components) from the frame header; walks all segments and refuses a file without its end."""
    at, frame, scans = 2, None, 0
    while True:
        found = JPEG_MARKER.search(data, at)
        if found is None:
            raise truncated(name)
        code, at = data[found.start() + 1], found.end()
        if code == 0xD9:  # EOI
            break
        if code in (0x01, 0xD8):  # TEM, SOI: no length
            continue
        if at + 2 > len(data):
            raise truncated(name)
        length = struct.unpack_from(">H", data, at)[0]
        if code in JPEG_FRAMES and frame is None:
            if at + 8 > len(data):
                raise truncated(name)
            rows, columns, components = struct.unpack_from(">HHB", data, at + 3)
            frame = columns, rows, components
            check_size(columns, rows, name)
            check_packing(columns * rows * components, len(data), name)
        scans += code == 0xDA
        if scans > MOST_SCANS:
            raise PhotoError(f"{name} has more than {MOST_SCANS} scans, as no photo has. Export it as plain JPEG.")
        at += length
    if frame is None:
        raise truncated(name)
    return frame


def png_chunks(data: bytes, name: str) -> dict[bytes, bytes]:
    """First chunk of each kind (image data left out); lengths and checksums hold (PNG, ISO/IEC 15948, clause 5)."""
    chunks: dict[bytes, bytes] = {}
    at = 8
    while True:
        if at + 12 > len(data):
            raise truncated(name)
        length, kind = struct.unpack_from(">I4s", data, at)
        body = data[at + 8 : at + 8 + length]
        end = data[at + 8 + length : at + 12 + length]
        if len(end) < 4 or struct.unpack(">I", end)[0] != zlib.crc32(body, zlib.crc32(kind)):
            raise truncated(name)
        if kind != b"IDAT":
            chunks.setdefault(kind, body)
        if kind == b"IHDR":
            if length != 13:
                raise truncated(name)
            _check_png_head(body, len(data), name)
        if kind == b"IEND":
            return chunks
        at += 12 + length


def _check_png_head(head: bytes, packed: int, name: str) -> None:
    columns, rows, depth, kind = struct.unpack_from(">IIBB", head)
    check_size(columns, rows, name)
    channels = {2: 3, 3: 3, 4: 2, 6: 4}.get(kind, 1)
    check_packing(columns * rows * channels * max(1, depth // 8), packed, name)
