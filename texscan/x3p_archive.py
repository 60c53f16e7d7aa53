"""Writer of X3P height maps (ISO 25178-72), for other programs to read."""

from __future__ import annotations

import hashlib
import io
import zipfile
from xml.etree import ElementTree

import numpy as np

from texscan.x3p import MM_PER_M

NAMESPACE = "http://www.opengps.eu/2008/ISO5436_2"
REVISION = "ISO5436 - 2000"  # as ISO 25178-72 asks for it
MATRIX = "bindata/data.bin"
EPOCH = (1980, 1, 1, 0, 0, 0)  # of the archive's members: the same map gives the same bytes
UNKNOWN = "not stated"


def x3p_bytes(height_mm: np.ndarray, step_mm: float, *, version: str, measured_at: str) -> bytes:
    """
    A height map as X3P archive.

    Parameters
    ----------
    height_mm : (rows, columns), row 0 at the largest y; NaN = not measured
    step_mm : of both axes
    version : of this program
    measured_at : when, ISO 8601 with time

    Returns
    -------
    Zip archive of main.xml, the binary matrix (float64 metres, little-endian, the lowest row first, NaN = not
    measured) with its MD5 sum, and md5checksum.hex of main.xml.
    """
    matrix = np.ascontiguousarray(height_mm[::-1].astype("<f8") / MM_PER_M).tobytes()
    xml = _main_xml(height_mm.shape, step_mm / MM_PER_M, _md5(matrix), version=version, measured_at=measured_at)
    members = {"main.xml": xml, MATRIX: matrix, "md5checksum.hex": f"{_md5(xml)} *main.xml\n".encode("ascii")}
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w") as archive:
        for name, body in members.items():
            archive.writestr(zipfile.ZipInfo(name, EPOCH), body, zipfile.ZIP_DEFLATED)
    return stream.getvalue()


def _md5(data: bytes) -> str:
    return hashlib.md5(data, usedforsecurity=False).hexdigest()


def _main_xml(shape: tuple[int, int], step_m: float, matrix_sum: str, *, version: str, measured_at: str) -> bytes:
    rows, columns = shape
    increment = {"AxisType": "I", "DataType": "D", "Increment": repr(step_m), "Offset": "0.0"}
    root = {
        "Record1": {
            "Revision": REVISION,
            "FeatureType": "SUR",
            "Axes": {"CX": increment, "CY": increment, "CZ": {"AxisType": "A", "DataType": "D"}},
        },
        "Record2": {
            "Date": measured_at,
            "Instrument": {
                "Manufacturer": "texscan",
                "Model": "photos beside a scale card, or heights by other means",
                "Serial": UNKNOWN,
                "Version": version,
            },
            "CalibrationDate": measured_at,
            "ProbingSystem": {"Type": "NonContacting", "Identification": UNKNOWN},
            "Comment": "Not filtered. Heights in metres on the card's frame, their level arbitrary. "
            "The date of calibration is not known and repeats the date of the file.",
        },
        "Record3": {
            "MatrixDimension": {"SizeX": str(columns), "SizeY": str(rows), "SizeZ": "1"},
            "DataLink": {"PointDataLink": MATRIX, "MD5ChecksumPointData": matrix_sum},
        },
        "Record4": {"ChecksumFile": "md5checksum.hex"},
    }
    ElementTree.register_namespace("p", NAMESPACE)
    top = ElementTree.Element(f"{{{NAMESPACE}}}ISO5436_2")
    _fill(top, root)
    return ElementTree.tostring(top, encoding="utf-8", xml_declaration=True)


def _fill(element: ElementTree.Element, content: dict) -> None:
    """Children of an element; only the root has a namespace."""
    for name, inner in content.items():
        child = ElementTree.SubElement(element, name)
        if isinstance(inner, dict):
            _fill(child, inner)
        else:
            child.text = inner
