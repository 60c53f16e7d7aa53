"""
Reader of X3P height maps (ISO 25178-72): a zip archive with main.xml and a binary matrix, lengths in metres.

The archive is unpacked in memory only, each member no further than the matrix size in main.xml asks for, and main.xml
may define no entities.
"""

from __future__ import annotations

import hashlib
import io
import lzma
import math
import struct
import zipfile
import zlib
from xml.etree import ElementTree
from xml.parsers import expat

import numpy as np

from texscan.errors import ReliefError

MAX_POINTS = 200_000_000
MAX_XML_BYTES = 1 << 20
MM_PER_M = 1000.0
ARCHIVE_ERRORS = (  # what zipfile raises on a damaged archive
    zipfile.BadZipFile,
    zlib.error,
    lzma.LZMAError,
    EOFError,
    NotImplementedError,
    RuntimeError,
    ValueError,
    OverflowError,
    OSError,
    struct.error,
)
STEP_TOLERANCE = 0.005  # columns and rows may differ in step by this ratio and still be one square grid
TYPES = {"I": "<i2", "L": "<i4", "F": "<f4", "D": "<f8"}  # ISO 25178-72 data types of an axis, little-endian


def heights_from_x3p(data: bytes, name: str) -> tuple[np.ndarray, float]:
    """
    Height map of an X3P file.

    Returns
    -------
    height_mm : (rows, columns) float32 [mm], row 0 at the largest y (the file counts upwards); NaN = not measured
    step_mm : one step for both axes [mm]

    Raises
    ------
    ReliefError
        For a damaged archive, a profile or point cloud instead of a surface, unequal steps, a wrong checksum.
    """
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            root = _root(_member(archive, "main.xml", MAX_XML_BYTES, name), name)
            columns, rows = _matrix_size(root, name)
            height_m = _matrix(archive, root, columns * rows, name)
    except ARCHIVE_ERRORS as error:
        raise ReliefError(f"{name} is a damaged X3P archive; the whole file is needed. Export it again.") from error
    step_mm = _step_mm(root, name)
    with np.errstate(over="ignore"):  # what is too large becomes infinite, and is refused as such
        return (height_m.reshape(rows, columns)[::-1] * MM_PER_M).astype(np.float32), step_mm


def _member(archive: zipfile.ZipFile, path: str, limit: int, name: str) -> bytes:
    try:
        with archive.open(path) as stream:
            body = stream.read(limit + 1)
    except KeyError:
        raise ReliefError(f"{name} has no {path}; an X3P file (ISO 25178-72) is needed. Export it again.") from None
    if len(body) > limit:
        raise ReliefError(f"{path} in {name} is larger than it may be ({limit} bytes). Export the file again.")
    return body


def _root(xml: bytes, name: str) -> ElementTree.Element:
    """The XML tree without namespaces; a document type, and with it any entity, is refused."""

    def refuse(*_: object) -> None:
        raise ReliefError(f"main.xml in {name} defines a document type, which X3P does not have. Export it again.")

    guard = expat.ParserCreate()
    guard.StartDoctypeDeclHandler = refuse
    try:
        guard.Parse(xml, True)
        root = ElementTree.fromstring(xml)
    except (expat.ExpatError, ElementTree.ParseError, ValueError, LookupError) as error:
        raise ReliefError(f"main.xml in {name} is not XML ({error}). Export the file again.") from error
    for element in root.iter():
        element.tag = element.tag.rpartition("}")[2]
    return root


def _text(root: ElementTree.Element, path: str, name: str) -> str:
    text = (root.findtext(path) or "").strip()
    if not text:
        raise ReliefError(f"main.xml in {name} lacks {path}; X3P (ISO 25178-72) asks for it. Export the file again.")
    return text


def _number(text: str, path: str, name: str) -> float:
    try:
        number = float(text)
    except ValueError:
        number = math.nan
    if not math.isfinite(number):
        raise ReliefError(f"main.xml in {name}: {path} is {text!r}, a number is needed. Export the file again.")
    return number


def _matrix_size(root: ElementTree.Element, name: str) -> tuple[int, int]:
    kind = _text(root, "Record1/FeatureType", name)
    if kind != "SUR":
        raise ReliefError(f"{name} holds a feature of type {kind!r}; a surface (SUR) is needed.")
    sizes = []
    for axis in "XYZ":
        path = f"Record3/MatrixDimension/Size{axis}"
        sizes.append(_number(_text(root, path, name), path, name))
    columns, rows, layers = sizes
    if any(s != int(s) or s < 1 for s in sizes) or layers != 1:
        raise ReliefError(f"{name} has a matrix of {columns:g} x {rows:g} x {layers:g} points; one layer is needed.")
    if columns * rows > MAX_POINTS:
        raise ReliefError(f"{name} has {columns * rows / 1e6:.0f} million points; at most 200 can be read. Crop it.")
    return int(columns), int(rows)


def _step_mm(root: ElementTree.Element, name: str) -> float:
    steps = []
    for axis in ("CX", "CY"):
        path = f"Record1/Axes/{axis}/Increment"
        steps.append(abs(_number(_text(root, path, name), path, name)) * MM_PER_M)
    x_mm, y_mm = steps
    if min(steps) <= 0 or abs(x_mm / y_mm - 1) > STEP_TOLERANCE:
        raise ReliefError(f"{name} has steps of {x_mm:g} and {y_mm:g} mm; one square grid is needed. Resample it.")
    return (x_mm + y_mm) / 2


def _matrix(archive: zipfile.ZipFile, root: ElementTree.Element, points: int, name: str) -> np.ndarray:
    """(points,) float64 heights in metres, NaN where the file says invalid."""
    axis = "Record1/Axes/CZ"
    kind = _text(root, f"{axis}/DataType", name)
    if kind not in TYPES:
        raise ReliefError(f"{name} has heights of type {kind!r}; one of {', '.join(TYPES)} is needed.")
    link = root.findtext("Record3/DataLink/PointDataLink")
    if link is None:
        raise ReliefError(f"{name} keeps its heights as text; a binary matrix is needed. Export it as binary X3P.")
    size = points * np.dtype(TYPES[kind]).itemsize
    body = _member(archive, link.strip(), size, name)
    if len(body) < size:
        raise ReliefError(f"{name} holds fewer heights than its {points} points. Export the file again.")
    _check_sum(body, root.findtext("Record3/DataLink/MD5ChecksumPointData"), name)
    height = np.frombuffer(body, dtype=TYPES[kind]).astype(np.float64)
    increment, offset = root.findtext(f"{axis}/Increment"), root.findtext(f"{axis}/Offset")
    with np.errstate(over="ignore", invalid="ignore"):
        if kind in "IL":
            height = height * (_number(increment, f"{axis}/Increment", name) if increment else 1.0)
        height = height + (_number(offset, f"{axis}/Offset", name) if offset and offset.strip() else 0.0)
    valid = root.findtext("Record3/DataLink/ValidPointsLink")
    if valid and valid.strip():
        flags = _member(archive, valid.strip(), (points + 7) // 8, name)
        bits = np.unpackbits(np.frombuffer(flags, dtype=np.uint8), bitorder="little")[:points]
        if len(bits) < points:
            raise ReliefError(f"{name} holds fewer validity bits than points. Export the file again.")
        height[bits == 0] = np.nan
    return height


def _check_sum(body: bytes, expected: str | None, name: str) -> None:
    if (
        expected
        and expected.strip()
        and expected.strip().lower() != hashlib.md5(body, usedforsecurity=False).hexdigest()
    ):
        raise ReliefError(f"The heights in {name} do not match their checksum; the file is damaged. Export it again.")
