"""Ways to spoil a file: at random in its bytes, and with knowledge of its format. Every step hangs on `rng` alone."""

from __future__ import annotations

import io
import json
import random
import re
import struct
import zipfile
import zlib

ODD_NUMBERS = (0, 1, -1, 255, 256, 32767, 32768, 65535, 65536, 2**31 - 1, 2**31, 2**32 - 1, 2**63, 2**64 - 1)
ODD_FLOATS = ("nan", "inf", "-inf", "1e999", "-1e999", "1e308", "5e-324", "-0.0", "0x10", "1_000", "9" * 400)
ODD_TEXTS = (
    "", " ", "\0", "=1+1", "@SUM(A1)", "../../x", "/etc/hostname", "con", "a" * 70_000, "\u202egnp.exe", "\ud800",
    "\N{SNOWMAN}", "<script>alert(1)</script>", "]]>", "{{7*7}}", "%s%n", "line\nbreak", "\x1b[2J", "\x85",
)  # fmt: skip
HEADER_BYTES = 600  # where most formats keep what they say about themselves
MOST_BYTES = 8 << 20  # of lines put in: more is only slow to make, since files are refused by their size
DEEP = 3000  # lists within lists


def spoiled(body: bytes, suffix: str, rng: random.Random) -> bytes:
    """The bytes of a file after one to six changes that suit its kind."""
    ways = {
        "png": (_bytes, _png_chunk, _png_chunk),
        "tif": (_bytes, _header, _tiff_entry, _tiff_entry),
        "jpg": (_bytes, _header, _jpeg_segment),
        "heic": (_bytes, _header, _header),
        "x3p": (_bytes, _zip_member, _zip_member),
        "json": (_gentle, _gentle, _json_node, _json_node, _text_token, _bytes),
        "toml": (_gentle, _gentle, _gentle, _text_token, _text_line, _bytes),
        "csv": (_gentle, _gentle, _text_token, _text_line, _bytes),
    }[suffix]
    for _ in range(rng.choice((1, 1, 1, 2, 3, 6))):
        body = rng.choice(ways)(body, rng) or body
    return body


def _bytes(body: bytes, rng: random.Random) -> bytes:
    """Bits turned, a piece lost, doubled, zeroed or put in, the end cut off or something hung on."""
    if not body:
        return body
    data = bytearray(body)
    at = rng.randrange(len(data))
    length = min(rng.choice((1, 2, 4, 16, 256, 4096)), len(data) - at)
    way = rng.randrange(8)
    if way == 0:
        for _ in range(rng.choice((1, 4, 32))):
            data[rng.randrange(len(data))] ^= 1 << rng.randrange(8)
    elif way == 1:
        del data[at:]
    elif way == 2:
        del data[at : at + length]
    elif way == 3:
        data[at:at] = data[at : at + length]
    elif way == 4:
        data[at : at + length] = rng.choice((b"\0", b"\xff")) * length
    elif way == 5:
        data[at:at] = rng.randbytes(length)
    elif way == 6:
        data += rng.randbytes(length)
    else:
        _put_number(data, at, rng)
    return bytes(data)


def _header(body: bytes, rng: random.Random) -> bytes:
    """An odd number among the first bytes."""
    data = bytearray(body)
    _put_number(data, rng.randrange(min(HEADER_BYTES, len(data)) or 1), rng)
    return bytes(data)


def _put_number(data: bytearray, at: int, rng: random.Random) -> None:
    width = rng.choice((1, 2, 4, 8))
    number = rng.choice(ODD_NUMBERS) % (1 << 8 * width)
    data[at : at + width] = number.to_bytes(width, rng.choice(("big", "little")))


def _jpeg_segment(body: bytes, rng: random.Random) -> bytes:
    """Something odd within, or instead of, one segment: tables, frame, EXIF, profile."""
    marks = [m.start() for m in re.finditer(rb"\xff[\xc0-\xfe]", body[:4000])]
    if not marks:
        return body
    at = rng.choice(marks)
    data = bytearray(body)
    if rng.random() < 0.3:
        data[at + 1] = rng.randrange(0xC0, 0xFF)
    else:
        _put_number(data, min(at + 2 + rng.randrange(24), len(data) - 1), rng)
    return bytes(data)


def _png_chunk(body: bytes, rng: random.Random) -> bytes:
    """One chunk spoiled, lost, doubled or made up, its checksum put right again."""
    chunks, at = [], 8
    while at + 12 <= len(body):
        length, kind = struct.unpack_from(">I4s", body, at)
        chunks.append((kind, bytearray(body[at + 8 : at + 8 + length])))
        at += 12 + length
    if not chunks:
        return body
    place = rng.randrange(len(chunks))
    kind, content = chunks[place]
    way = rng.randrange(5)
    if way == 0 and content:
        _put_number(content, rng.randrange(len(content)), rng)
    elif way == 1 and content:
        content[rng.randrange(len(content))] ^= 1 << rng.randrange(8)
    elif way == 2:
        del chunks[place]
    elif way == 3:
        chunks.insert(rng.randrange(len(chunks) + 1), (kind, bytearray(content)))
    else:
        odd = rng.choice((b"PLTE", b"tRNS", b"gAMA", b"cHRM", b"iCCP", b"eXIf", b"acTL", b"fdAT", b"zTXt", b"CgBI"))
        chunks.insert(rng.randrange(1, len(chunks) + 1), (odd, bytearray(rng.randbytes(rng.choice((0, 1, 8, 700))))))
    return body[:8] + b"".join(png_chunk(kind, bytes(content)) for kind, content in chunks)


def png_chunk(kind: bytes, content: bytes) -> bytes:
    """A PNG chunk with its checksum."""
    return struct.pack(">I", len(content)) + kind + content + struct.pack(">I", zlib.crc32(content, zlib.crc32(kind)))


def _tiff_entry(body: bytes, rng: random.Random) -> bytes:
    """An odd tag, type, count or value in the first directory of a (little- or big-endian, classic) TIFF."""
    order = {b"II": "<", b"MM": ">"}.get(body[:2])
    if order is None or len(body) < 10:
        return body
    at = struct.unpack_from(f"{order}I", body, 4)[0]
    if at + 2 > len(body):
        return body
    count = struct.unpack_from(f"{order}H", body, at)[0]
    entry = at + 2 + 12 * rng.randrange(max(1, min(count, 40)))
    data = bytearray(body)
    if rng.random() < 0.2:  # where the next directory lies: nowhere, or here again
        entry, field = at + 2 + 12 * count, ("I", 0, rng.choice((at, 0, 2**32 - 1)))
    else:
        field = rng.choice((
            ("H", 0, rng.choice((254, 256, 257, 258, 259, 262, 273, 274, 277, 278, 279, 284, 317, 322, 339, 34675))),
            ("H", 2, rng.randrange(20)),
            ("I", 4, rng.choice(ODD_NUMBERS) % 2**32),
            ("I", 8, rng.choice(ODD_NUMBERS) % 2**32),
            ("H", 8, rng.randrange(40)),
        ))  # fmt: skip
    code, offset, value = field
    if entry + offset + 4 <= len(data):
        struct.pack_into(f"{order}{code}", data, entry + offset, value)
    return bytes(data)


def _zip_member(body: bytes, rng: random.Random) -> bytes:
    """A member of an X3P archive spoiled and the archive packed again, so that it opens."""
    try:
        with zipfile.ZipFile(io.BytesIO(body)) as archive:
            members = {name: archive.read(name) for name in archive.namelist()}
    except Exception:  # spoiled before
        return body
    if not members:
        return body
    name = rng.choice(list(members))
    if rng.random() < 0.2:
        del members[name]
    elif name.endswith(".xml"):
        members[name] = rng.choice((_xml_text, _bytes))(members[name], rng)
    else:
        members[name] = _bytes(members[name], rng)
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in members.items():
            archive.writestr(name, content)
    return stream.getvalue()


def _xml_text(body: bytes, rng: random.Random) -> bytes:
    """What stands in one XML element replaced."""
    places = list(re.finditer(rb">([^<>]+)<", body))
    if not places:
        return body
    place = rng.choice(places)
    odd = rng.choice((*ODD_FLOATS, *map(str, ODD_NUMBERS), "../main.xml", "main.xml", "", "I", "L", "F", "PRF", "\n"))
    return body[: place.start(1)] + odd.encode() + body[place.end(1) :]


def _json_node(body: bytes, rng: random.Random) -> bytes:
    """One value of a JSON text lost, renamed, or replaced by one of another kind."""
    try:
        tree = json.loads(body)
    except (ValueError, RecursionError):
        return body
    places = list(_places(tree))
    if not places:
        return body
    holder, key = rng.choice(places)
    way = rng.random()
    if way < 0.2:
        del holder[key]
    elif way < 0.3 and isinstance(holder, dict):
        holder[rng.choice(ODD_TEXTS)] = holder.pop(key)
    elif way < 0.4 and isinstance(holder, list):
        holder.insert(0, holder[key])
    elif way < 0.5 and isinstance(holder[key], int | float):
        holder[key] *= rng.choice((-1, 0, 1e-9, 1e9, 1e300))
    else:
        holder[key] = odd_value(rng)
    return json.dumps(tree).encode()


def odd_value(rng: random.Random) -> object:
    """A value that JSON or TOML may hold and nobody expects."""
    simple = (None, True, False, [], {}, [[]], [{}], {"": {}}, [1, "a"], *map(float, ODD_FLOATS[:6]))
    return rng.choice((rng.choice(simple), rng.choice(ODD_NUMBERS), rng.choice(ODD_TEXTS)))


def _places(node: object):
    """(holder, key) of every value in a tree."""
    pairs = node.items() if isinstance(node, dict) else enumerate(node) if isinstance(node, list) else ()
    for key, value in list(pairs):
        yield node, key
        yield from _places(value)


def _gentle(body: bytes, rng: random.Random) -> bytes:
    """A number a little or much larger, or a text of the same file in the place of another: it may still be valid."""
    tokens = [token for token in TOKEN.finditer(body) if token[0][:1] in b'"-0123456789']
    if not tokens:
        return body
    token = rng.choice(tokens)
    alike = [other[0] for other in tokens if (other[0][:1] == b'"') == (token[0][:1] == b'"')]
    new = rng.choice(alike)
    if token[0][:1] != b'"' and rng.random() < 0.8:
        try:
            new = f"{float(token[0]) * rng.choice((0.5, 0.9, 1.1, 2, 10, 100, 1e-3)):.6g}".encode()
        except ValueError:  # a date
            new = rng.choice((b"2026-05-30", b"2025-01-01", b"9999-12-31", b"0001-01-01"))
    return body[: token.start()] + new + body[token.end() :]


ODD_TOKENS = (b"", b'""', b"[]", b"{}", b"true", b"2026-05-16", b"2026-05-16T25:00", b"9999-12-31T23:00")
TOKEN = re.compile(rb'"[^"\n]*"|-?\d[\d.eE+-]*|\b(?:true|false|null)\b|[\[\]{}=,]|[A-Za-z_][\w-]*')


def _text_token(body: bytes, rng: random.Random) -> bytes:
    """One word, number or bracket of a text replaced."""
    tokens = list(TOKEN.finditer(body))
    if not tokens:
        return body
    token = rng.choice(tokens)
    if rng.random() < 0.02:
        odd = b"[" * DEEP
    elif token[0][:1] == b'"' and rng.random() < 0.7:
        odd = json.dumps(rng.choice(ODD_TEXTS), ensure_ascii=rng.random() < 0.5).encode("utf-8", "surrogatepass")
    else:
        other = rng.choice(tokens)[0]
        number = rng.choice((rng.choice(ODD_FLOATS), str(rng.choice(ODD_NUMBERS))))
        odd = rng.choice((other, number.encode(), *ODD_TOKENS))
    return body[: token.start()] + odd + body[token.end() :]


def _text_line(body: bytes, rng: random.Random) -> bytes:
    """Lines lost, doubled, exchanged, or many times over."""
    lines = body.split(b"\n")
    one, two = rng.randrange(len(lines)), rng.randrange(len(lines))
    way = rng.randrange(4)
    if way == 0:
        del lines[one]
    elif way == 1:
        lines.insert(two, lines[one])
    elif way == 2:
        lines[one], lines[two] = lines[two], lines[one]
    else:
        times = rng.choice((2, 20, 2000))
        lines[one:one] = [lines[one]] * min(times, 1 + MOST_BYTES // (1 + len(lines[one])))
    return b"\n".join(lines)
