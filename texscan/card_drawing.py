"""Draws the scale card: card.json, its picture, and the sheet to print, from the one layout."""

from __future__ import annotations

import itertools
import json
import struct
import zlib
from pathlib import Path

import numpy as np

from texscan.card import SCHEMA
from texscan.card_layout import BLACK, HEIGHT_MM, PX_PER_MM, WHITE, WIDTH_MM, Block, Layout, Stroke, layout
from texscan.errors import SettingsError

PICTURE_FILE = "card.png"
TAGS_SCHEMA = "texscan.tags/1"
DECIMALS = 4  # of a millimetre in card.json


def card_dict(card: Layout) -> dict:
    """card.json as a dictionary, schema texscan.card/1."""
    return {
        "schema": SCHEMA,
        "units": "mm",
        "revision": card.revision,
        "outline": _list(card.outline_mm),
        "artwork": {"file": PICTURE_FILE, "px_per_mm": PX_PER_MM, "left": 0.0, "top": HEIGHT_MM},
        "markers": [{"dictionary": m.dictionary, "id": m.id, "corners": _list(m.corners_mm)} for m in card.markers],
        "uprights": [
            {
                "name": u.name,
                "vertices": _list(u.vertices_mm),
                "faces": [list(face) for face in u.faces],
                "reflectance": u.reflectance,
            }
            for u in card.uprights
        ],
        "patches": [
            {"name": p.name, "polygon": _list(p.polygon_mm), "reflectance": p.reflectance} for p in card.patches
        ],
        "saddles": _list(card.saddles_mm),
        "paper_reflectance": card.paper_reflectance,
        "height_u_mm": card.height_u_mm,
    }


def card_json(card: Layout) -> str:
    """card.json as text: strict JSON, one marker, upright or patch a line."""
    rows = []
    for key, value in card_dict(card).items():
        if key in ("markers", "uprights", "patches"):
            inner = ",\n  ".join(json.dumps(item, allow_nan=False) for item in value)
            rows.append(f' "{key}": [\n  {inner}\n ]')
        else:
            rows.append(f' "{key}": {json.dumps(value, allow_nan=False)}')
    return "{\n" + ",\n".join(rows) + "\n}\n"


def picture(card: Layout) -> np.ndarray:
    """
    The card's face as printed.

    Returns
    -------
    grey : (rows, columns) uint8, sRGB, 12 px/mm; pixel (0, 0)'s corner is the outline's upper left corner. Edges that
        fall inside a pixel grey it by the covered share of its light.
    """
    rows, columns = round(HEIGHT_MM * PX_PER_MM), round(WIDTH_MM * PX_PER_MM)
    grey = np.full((rows, columns), WHITE, dtype=np.uint8)
    for block in card.blocks:
        _fill(grey, block)
    for stroke in card.strokes:
        _draw(grey, stroke)
    return grey


def _fill(grey: np.ndarray, block: Block) -> None:
    """Blocks lie on whole pixels; the layout's lengths are multiples of 1/12 mm."""
    x0, x1 = (round(x * PX_PER_MM) for x in (block.x0_mm, block.x1_mm))
    y0, y1 = (round((HEIGHT_MM - y) * PX_PER_MM) for y in (block.y1_mm, block.y0_mm))
    grey[y0:y1, x0:x1] = block.grey


def _draw(grey: np.ndarray, stroke: Stroke) -> None:
    points = np.column_stack([stroke.points_mm[:, 0], HEIGHT_MM - stroke.points_mm[:, 1]]) * PX_PER_MM
    radius = stroke.width_mm * PX_PER_MM / 2
    for start, end in itertools.pairwise(points):
        low = np.maximum(np.floor(np.minimum(start, end) - radius - 1).astype(int), 0)
        high = np.ceil(np.maximum(start, end) + radius + 1).astype(int)
        part = grey[low[1] : high[1], low[0] : high[0]]
        y, x = np.mgrid[low[1] : low[1] + part.shape[0], low[0] : low[0] + part.shape[1]] + 0.5
        along = end - start
        share = ((x - start[0]) * along[0] + (y - start[1]) * along[1]) / max(float(along @ along), 1e-12)
        share = np.clip(share, 0, 1)
        distance = np.hypot(x - start[0] - share * along[0], y - start[1] - share * along[1])
        ink = np.clip(radius + 0.5 - distance, 0, 1)
        part[:] = np.minimum(part, np.round(WHITE + (BLACK - WHITE) * ink).astype(np.uint8))


def png_bytes(grey: np.ndarray, *, px_per_mm: float) -> bytes:
    """An 8-bit grey PNG (ISO/IEC 15948) that states its pixels per metre; the same bytes for the same picture."""
    rows, columns = grey.shape
    lines = np.zeros((rows, columns + 1), dtype=np.uint8)  # a leading 0 a row: no filter
    lines[:, 1:] = grey
    per_metre = round(px_per_mm * 1000)
    return b"\x89PNG\r\n\x1a\n" + b"".join(
        struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))
        for kind, data in (
            (b"IHDR", struct.pack(">IIBBBBB", columns, rows, 8, 0, 0, 0, 0)),
            (b"pHYs", struct.pack(">IIB", per_metre, per_metre, 1)),
            (b"IDAT", zlib.compress(lines.tobytes(), 9)),
            (b"IEND", b""),
        )
    )


def _list(points: np.ndarray) -> list:
    return np.round(points, DECIMALS).tolist()


def card_files(*, paper: str = "a4", tags: int = 0) -> dict[str, bytes]:
    """
    The card's files by name: card.json, card.png, card.pdf and, with tags, tags.json and tags.pdf.

    Parameters
    ----------
    paper : "a4" or "letter"; the card is the same on both.
    tags : how many numbered tags, 0 to 99.

    Raises
    ------
    SettingsError
        Another paper, or more tags than there are markers for.
    """
    from texscan.card_layout import TAG_MOST
    from texscan.card_sheet import PAPERS_MM, card_pdf, tags_pdf

    if paper not in PAPERS_MM:
        raise SettingsError(f"No card is drawn for paper {paper!r}. Choose {' or '.join(PAPERS_MM)}.")
    if not 0 <= tags <= TAG_MOST:
        raise SettingsError(f"{tags} tags were asked for; there are markers for 0 to {TAG_MOST}. Print fewer.")
    card = layout()
    files = {
        "card.json": card_json(card).encode(),
        PICTURE_FILE: png_bytes(picture(card), px_per_mm=PX_PER_MM),
        "card.pdf": card_pdf(card, paper=paper),
    }
    if tags:
        files["tags.json"] = _tags_json(tags).encode()
        files["tags.pdf"] = tags_pdf(tags, paper=paper)
    return files


def write_card(folder: str | Path, *, paper: str = "a4", tags: int = 0) -> list[Path]:
    """
    Write the files of `card_files` into `folder`, all or none; their paths in the order written.

    Raises
    ------
    SettingsError
        As `card_files`.
    StorageError
        The folder cannot be written.
    """
    from texscan.files import write_result

    files = card_files(paper=paper, tags=tags)
    write_result(folder, files)
    return [Path(folder) / name for name in files]


def _tags_json(count: int) -> str:
    from texscan.card_layout import TAG_MM, tag_marker

    rows = []
    for number in range(1, count + 1):
        marker = tag_marker(number)
        tag = {
            "number": number,
            "dictionary": marker.dictionary,
            "id": marker.id,
            "corners": _list(marker.corners_mm),
        }
        rows.append(json.dumps(tag, allow_nan=False))
    head = f' "schema": "{TAGS_SCHEMA}",\n "units": "mm",\n "size": {json.dumps(TAG_MM)},\n'
    return "{\n" + head + ' "tags": [\n  ' + ",\n  ".join(rows) + "\n ]\n}\n"
