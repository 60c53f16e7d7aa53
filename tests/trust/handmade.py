"""Files made to do harm: sizes that lie, little files that unpack to gigabytes, pictures that are no photo."""

from __future__ import annotations

import functools
import io
import random
import struct
import zipfile
import zlib

import numpy as np
import tifffile
from originals import Original, picture, saved, tiff
from PIL import Image, ImageCms
from spoiling import DEEP, png_chunk

from texscan.x3p_archive import x3p_bytes

MIB = 1 << 20
ODD_MISSING = "", "x", "nan", "1e999"
LARGE = 13_000  # pixels a side: 169 million, just within what may be read


def handmade(rng: random.Random) -> Original:
    """One hostile file."""
    return rng.choice(MAKERS)(rng)


def huge_png(rng: random.Random, *, side: int | None = None, depth: int = 16, kind: int = 6) -> Original:
    """A PNG whose header promises more pixels than its data hold, or than any photo has."""
    side = side or rng.choice((0, 1, 15, 20_000, 65_535, 2**31 - 1, 2**32 - 1))
    head = struct.pack(">IIBBBBB", side, rng.choice((side, 20, 0)), depth, kind, 0, 0, 0)
    parts = (b"IHDR", head), (b"IDAT", zlib.compress(b"\0" * 5000)), (b"IEND", b"")
    body = b"\x89PNG\r\n\x1a\n" + b"".join(png_chunk(*part) for part in parts)
    return Original(rng.choice(("photo", "mask")), f"png that says {side}", "png", body)


def png_bomb(rng: random.Random, *, side: int = LARGE, channels: int = 4, depth: int = 16) -> Original:
    """A whole PNG of one colour: one megabyte or so that unpacks to more than one gigabyte."""
    row = b"\0" + b"\xff" * (side * channels * depth // 8)
    packer = zlib.compressobj(9)
    packed = b"".join(packer.compress(row) for _ in range(side)) + packer.flush()
    kind = {1: 0, 2: 4, 3: 2, 4: 6}[channels]
    head = struct.pack(">IIBBBBB", side, side, depth, kind, 0, 0, 0)
    parts = (b"IHDR", head), (b"IDAT", packed), (b"IEND", b"")
    body = b"\x89PNG\r\n\x1a\n" + b"".join(png_chunk(*part) for part in parts)
    return Original(rng.choice(("photo", "mask")), f"png bomb {channels} x {depth} bit", "png", body)


def huge_jpeg(rng: random.Random) -> Original:
    """A JPEG whose frame promises another size than its data hold."""
    body = bytearray(saved(picture(), "JPEG", quality=80, progressive=rng.random() < 0.5))
    frame = max(body.find(b"\xff\xc0"), body.find(b"\xff\xc2"))
    rows, columns = rng.choice(((65_535, 65_535), (14_000, 14_000), (0, 128), (96, 0), (8, 8), (4000, 128)))
    struct.pack_into(">HH", body, frame + 5, rows, columns)
    return Original("photo", f"jpeg that says {columns} x {rows}", "jpg", bytes(body))


def scan_bomb(rng: random.Random, *, scans: int = 2000, side: int = 4000) -> Original:
    """A progressive JPEG with thousands of empty scans: each costs a walk over all its blocks."""
    whole = saved(np.zeros((side, side), np.uint8), "JPEG", quality=30, progressive=True)
    last = whole.rfind(b"\xff\xda")
    scan = whole[last:-2]
    return Original("photo", f"jpeg of {scans} scans", "jpg", whole[:last] + scan * scans + b"\xff\xd9")


def odd_jpeg(rng: random.Random) -> Original:
    """JPEGs that are whole and yet no plain photo: CMYK, two pictures in one, a lying EXIF block, an odd profile."""
    rgb = picture()
    way = rng.randrange(6)
    if way == 0:
        return Original("photo", "jpeg cmyk", "jpg", _as_jpeg(Image.fromarray(rgb).convert("CMYK")))
    if way == 1:
        stream = io.BytesIO()
        first, second = Image.fromarray(rgb), Image.fromarray(rgb[::-1])
        first.save(stream, "MPO", save_all=True, append_images=[second])
        return Original("photo", "jpeg of two pictures", "jpg", stream.getvalue())
    if way == 2:
        block = b"Exif\0\0" + _lying_exif(rng)
        return Original("photo", "jpeg lying exif", "jpg", saved(rgb, "JPEG", exif=block))
    if way == 3:
        return Original("photo", "jpeg odd profile", "jpg", saved(rgb, "JPEG", icc_profile=_profile(rng)))
    if way == 4:
        body = saved(rgb, "JPEG") + rng.randbytes(rng.choice((10, 4000)))
        return Original("photo", "jpeg with something behind", "jpg", body)
    return Original("photo", "jpeg comments", "jpg", _with_comments(saved(rgb, "JPEG")))


def _as_jpeg(image: Image.Image) -> bytes:
    stream = io.BytesIO()
    image.save(stream, "JPEG")
    return stream.getvalue()


def _with_comments(body: bytes) -> bytes:
    """Thousands of segments before the picture."""
    return body[:2] + (b"\xff\xfe" + struct.pack(">H", 2)) * 200_000 + body[2:]


def _lying_exif(rng: random.Random) -> bytes:
    """A block whose numbers are zero, negative, fractions of zero, texts, or whose directory points at itself."""

    def entry(tag: int, kind: int, count: int, value: bytes) -> bytes:
        return struct.pack("<HHI", tag, kind, count) + value.ljust(4, b"\0")[:4]

    odd = [struct.pack("<I", rng.choice((0, 1, 8, 9, 26, 2**31, 2**32 - 1))) for _ in range(8)]
    inner = [
        entry(0x829A, 5, 1, struct.pack("<I", rng.choice((8, 200, 2**31)))),  # exposure time, a fraction
        entry(0x829D, rng.choice((2, 5, 12)), rng.choice((1, 2**30)), odd[0]),
        entry(0x8827, rng.choice((1, 2, 3, 9)), rng.choice((1, 0, 2**28)), odd[1]),
        entry(0x9003, 2, rng.choice((1, 20, 2**31)), odd[2]),
        entry(0x9291, rng.choice((2, 3)), 4, rng.choice((b"1e99", b"\xb2\xb3", b"9" * 4, b"-1"))),
        entry(0xA405, rng.choice((3, 4, 11)), 1, rng.choice((odd[3], struct.pack("<f", float("nan"))))),
    ]
    outer = [entry(0x0112, rng.choice((1, 2, 3, 4, 7)), rng.choice((1, 9)), odd[4]),
             entry(0x8769, 4, 1, struct.pack("<I", rng.choice((8, 38, 38, 38, 2**31))))]  # fmt: skip
    directories = (struct.pack("<H", len(d)) + b"".join(d) + b"\0" * 4 for d in (outer, inner))
    return b"II*\0" + struct.pack("<I", 8) + b"".join(directories) + b"\0" * 200


def _profile(rng: random.Random) -> bytes:
    """A profile for print or Lab, a cut one, noise, or one of two megabytes."""
    lab = ImageCms.ImageCmsProfile(ImageCms.createProfile("LAB")).tobytes()
    srgb = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    cmyk = srgb[:16] + b"CMYK" + srgb[20:]
    odd = bytearray(srgb.replace(b"s\0R\0G\0B", b"x\0R\0G\0B").replace(b"sRGB", b"xRGB"))
    for _ in range(8):
        odd[rng.randrange(len(odd))] ^= 1 << rng.randrange(8)
    return rng.choice((lab, cmyk, srgb[:200], rng.randbytes(400), srgb + b"\0" * 2 * MIB, bytes(odd)))


def odd_png(rng: random.Random) -> Original:
    """1 bit, an animation, transparent parts, a profile that unpacks to a gigabyte."""
    rgb = picture()
    way = rng.randrange(5)
    stream = io.BytesIO()
    if way == 0:
        Image.fromarray(rgb).convert("1").save(stream, "PNG")
    elif way == 1:
        frames = [Image.fromarray(np.roll(rgb, n, 0)) for n in range(3)]
        frames[0].save(stream, "PNG", save_all=True, append_images=frames[1:])
    elif way == 2:
        Image.fromarray(np.dstack([rgb, rgb[..., :1]])).save(stream, "PNG")
    elif way == 3:
        Image.fromarray(rgb).save(stream, "PNG", icc_profile=_profile(rng))
    else:
        plain = saved(rgb, "PNG")
        stream.write(plain[:33] + png_chunk(b"iCCP", b"x\0\0" + _packed_zeros(200)) + plain[33:])
    return Original(rng.choice(("photo", "mask")), f"odd png {way}", "png", stream.getvalue())


@functools.cache
def _packed_zeros(mib: int) -> bytes:
    return zlib.compress(b"\0" * mib * MIB)


def odd_kind(rng: random.Random) -> Original:
    """Pictures of kinds that are not read: GIF, BMP, WebP, animated or not."""
    kind = rng.choice(("GIF", "BMP", "WEBP", "ICO", "PPM"))
    frames = [Image.fromarray(np.roll(picture(), n, 0)) for n in range(3)]
    stream = io.BytesIO()
    more = {"save_all": True, "append_images": frames[1:]} if kind in ("GIF", "WEBP") else {}
    frames[0].save(stream, kind, **more)
    return Original("photo", f"a {kind.lower()} file", rng.choice(("jpg", "png")), stream.getvalue())


def odd_tiff(rng: random.Random) -> Original:
    """TIFFs that are no photo, or no height map: 1 bit, CMYK, pages, floats with NaN, complex, empty, huge."""
    rgb = picture()
    height = np.linspace(-1, 1, 96 * 128, dtype=np.float32).reshape(96, 128)
    holes = np.where(height > 0, np.float32("nan"), height)
    ways = {
        "1 bit": lambda: saved(rgb[..., 0] > 99, "TIFF"),
        "cmyk": lambda: tiff(np.dstack([rgb, rgb[..., :1]]), photometric="separated"),
        "pages": lambda: tiff(np.stack([rgb] * 5), photometric="rgb"),
        "float photo": lambda: tiff(rgb.astype(np.float32) / 255, photometric="rgb"),
        "NaN only": lambda: tiff(np.full((60, 80), np.nan, np.float32)),
        "infinite": lambda: tiff(np.where(height > 0, np.float32("inf"), height)),
        "holes": lambda: tiff(holes),
        "too high": lambda: tiff(height * 1e30),
        "half float": lambda: tiff(height.astype(np.float16)),
        "whole numbers": lambda: tiff((height * 1000).astype(np.int32)),
        "complex": lambda: tiff(height.astype(np.complex64)),
        "one pixel": lambda: tiff(height[:1, :1]),
        "one row": lambda: tiff(height[:1]),
        "missing value": lambda: tiff(height, extratags=[(42113, "s", 0, rng.choice(ODD_MISSING), True)]),
        "planar heights": lambda: tiff(np.stack([height] * 3), photometric="rgb", planarconfig="separate"),
        "a volume": lambda: tiff(np.stack([height] * 4), volumetric=True, tile=(4, 16, 16), photometric="minisblack"),
    }  # fmt: skip
    name = rng.choice(list(ways))
    return Original(rng.choice(("photo", "heights", "heights", "conditions")), f"tiff {name}", "tif", ways[name]())


def tiff_bomb(rng: random.Random, *, side: int = LARGE, dtype: str = "float32", packed: bool = True) -> Original:
    """A TIFF of one value in one strip, deflated: it says, or unpacks to, a thousand times its size."""
    strip = zlib.compress(b"\0" * (side * side * np.dtype(dtype).itemsize if packed else 1000), 9)
    stream = io.BytesIO()
    with tifffile.TiffWriter(stream) as writer:
        writer.write(iter([strip]), shape=(side, side), dtype=dtype, compression="zlib", rowsperstrip=side)
    kind = {"float32": "heights", "uint8": rng.choice(("photo", "conditions"))}[dtype]
    return Original(kind, f"tiff bomb {dtype}", "tif", stream.getvalue())


def x3p_bomb(rng: random.Random) -> Original:
    """Archives that unpack to gigabytes, nest, lie about their size, or define entities."""
    way = rng.randrange(4)
    return Original("x3p", f"x3p bomb {way}", "x3p", _x3p_bomb(way))


@functools.cache
def _x3p_bomb(way: int) -> bytes:
    body = x3p_bytes(np.zeros((40, 50), np.float32), 0.25, version="0", measured_at="2026-05-16T12:00:00")
    with zipfile.ZipFile(io.BytesIO(body)) as archive:
        members = {name: archive.read(name) for name in archive.namelist()}
    xml = members["main.xml"]
    if way == 0:
        members["main.xml"] = xml + b" " * 64 * MIB
    elif way == 1:
        members["bindata/data.bin"] = b"\0" * 256 * MIB
    elif way == 2:
        laugh = b'<!DOCTYPE x [<!ENTITY a "ha"><!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;">]>'
        members["main.xml"] = xml.replace(b"?>", b"?>" + laugh, 1)
    else:
        members["main.xml"] = xml[:200] + b"<a>" * 100_000 + xml[200:]
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in members.items():
            archive.writestr(name, content)
    return stream.getvalue()


def odd_text(rng: random.Random) -> Original:
    """Texts that are none, nest without end, hold numbers of thousands of digits, or are not in UTF-8."""
    suffix = rng.choice(("json", "toml", "toml", "csv"))
    kind = rng.choice({"json": ("card", "score", "run"), "toml": ("survey", "coats", "limits", "rates"),
                       "csv": ("forecast",)}[suffix])  # fmt: skip
    whole = {"json": '{"schema": %s}', "toml": "currency = %s", "csv": "time,air_c,rh_percent\n%s"}[suffix]
    odd = rng.choice((
        "[" * 100_000 + "]" * 100_000, '{"a":' * DEEP + "1" + "}" * DEEP, "9" * 100_000, '"' + "x" * 3 * MIB + '"',
        "1e" + "9" * 5000, '"\\ud800"', "NaN", "", "\0" * 100, "'''", "{a={a={a={a=1}}}}",
    ))  # fmt: skip
    body = (whole % odd).encode()
    body = rng.choice((body, body.decode().encode("utf-16"), b"\xff\xfe" + body, b"\xef\xbb\xbf" + body, body))
    return Original(kind, f"{kind} of odd text", suffix, body)


MAKERS = (huge_png, huge_png, huge_jpeg, huge_jpeg, *[odd_jpeg] * 6, *[odd_png] * 4, odd_kind, *[odd_tiff] * 6,
          *[odd_text] * 6, x3p_bomb)  # fmt: skip
BOMBS = (png_bomb, scan_bomb, tiff_bomb)  # slow to make: once each, with every depth
