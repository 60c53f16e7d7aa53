"""The scale card: its geometry as card.json (schema texscan.card/1) tells it."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TypeVar

import numpy as np

from texscan.errors import CardError

Kind = TypeVar("Kind")
SCHEMA = "texscan.card/1"
DEFAULT_PAPER_REFLECTANCE = 0.8  # white office paper, from memory; card.json may state its own
DEFAULT_HEIGHT_U_MM = 0.2  # standard uncertainty of a folded upright's height; card.json may state its own
KIND_WORDS = {dict: "an object in braces", list: "a list", str: "a text", int: "a whole number"}
LARGEST_MM = 1e5  # no length of a card is near it; keeps every later sum finite
CARD_THICKNESS_MM = 0.15  # of the card lying on the peaks; a setting of the contract


@dataclass(frozen=True, slots=True)
class Marker:
    """A square fiducial; corners (4, 2) mm: top-left, top-right, bottom-right, bottom-left as printed."""

    dictionary: str
    id: int
    corners_mm: np.ndarray


@dataclass(frozen=True, slots=True)
class Upright:
    """A folded paper piece: vertices (n, 3) mm, flat faces as index tuples, outward."""

    name: str
    vertices_mm: np.ndarray
    faces: tuple[tuple[int, ...], ...]
    reflectance: float

    @property
    def height_mm(self) -> float:
        return float(self.vertices_mm[:, 2].max())

    @property
    def base_mm(self) -> np.ndarray:
        """(2,) centre of the vertices that stand on the card."""
        low = self.vertices_mm[:, 2] <= self.vertices_mm[:, 2].min() + 1e-6
        return self.vertices_mm[low, :2].mean(axis=0)

    @property
    def footprint_mm(self) -> np.ndarray:
        """(n, 2) convex outline of all its vertices seen from above; holds what it stands on."""
        import cv2

        return cv2.convexHull(self.vertices_mm[:, :2].astype(np.float32)).reshape(-1, 2).astype(float)


@dataclass(frozen=True, slots=True)
class GreyPatch:
    """A printed grey of known reflectance relative to the paper."""

    name: str
    polygon_mm: np.ndarray
    reflectance: float


@dataclass(frozen=True, slots=True)
class Card:
    """
    Geometry in the card frame [mm].

    artwork : (rows, columns) float32, linear reflectance relative to the paper; pixel (0, 0)'s corner at
        (artwork_left_mm, artwork_top_mm), rows falling in y.
    """

    outline_mm: np.ndarray
    artwork: np.ndarray
    artwork_px_per_mm: float
    artwork_left_mm: float
    artwork_top_mm: float
    markers: tuple[Marker, ...]
    uprights: tuple[Upright, ...]
    patches: tuple[GreyPatch, ...]
    saddles_mm: np.ndarray  # (n, 2), may be empty
    holes_mm: tuple[np.ndarray, ...] = ()
    paper_reflectance: float = DEFAULT_PAPER_REFLECTANCE
    height_u_mm: float = DEFAULT_HEIGHT_U_MM
    revision: str = ""

    def scaled(self, factor: float) -> Card:
        """The card as it came out of the printer: all lengths, uprights' heights too, times `factor`."""
        return replace(
            self,
            outline_mm=self.outline_mm * factor,
            artwork_px_per_mm=self.artwork_px_per_mm / factor,
            artwork_left_mm=self.artwork_left_mm * factor,
            artwork_top_mm=self.artwork_top_mm * factor,
            markers=tuple(replace(m, corners_mm=m.corners_mm * factor) for m in self.markers),
            uprights=tuple(replace(u, vertices_mm=u.vertices_mm * factor) for u in self.uprights),
            patches=tuple(replace(p, polygon_mm=p.polygon_mm * factor) for p in self.patches),
            saddles_mm=self.saddles_mm * factor,
            holes_mm=tuple(h * factor for h in self.holes_mm),
        )


def read_card(path: str | Path) -> Card:
    """
    Card from card.json and the artwork beside it.

    Raises
    ------
    CardError
        With what was found in the file, what is needed and what to do.
    """
    path = Path(path)
    try:
        data = json.loads(path.read_text(encoding="utf-8"), parse_constant=_refuse_constant)
    except OSError as error:
        raise CardError(f"The card file {path.name} cannot be read ({error.strerror}). Check --card.") from error
    except (ValueError, RecursionError) as error:
        raise CardError(f"{path.name} is not a card file: {error}. Make one with 'texscan card'.") from error
    return card_from_dict(data, path)


def card_from_dict(data: object, path: Path) -> Card:
    """Card from the decoded card.json; `path` names the file in messages and says where the artwork lies."""
    if not isinstance(data, dict) or data.get("schema") != SCHEMA:
        found = data.get("schema") if isinstance(data, dict) else type(data).__name__
        raise CardError(f"{path.name} has schema {found!r}, {SCHEMA!r} is needed. Make a card with 'texscan card'.")
    if data.get("units") != "mm":
        raise CardError(f'{path.name} has units {data.get("units")!r}; write its lengths in "mm".')
    where = path.name
    artwork = _need(data, "artwork", where, dict)
    outline = _points(_need(data, "outline", where, list), 2, 3, f"{where} outline")
    if _signed_area(outline) <= 0:
        raise CardError(f"{where}: the outline must run anticlockwise round an area; reverse its points.")
    holes = data.get("holes", [])
    if not isinstance(holes, list):
        raise CardError(f"{where}: holes must be lists of points.")
    return Card(
        outline_mm=outline,
        artwork=_face(path.parent / _file_beside(artwork, f"{where} artwork"), where),
        artwork_px_per_mm=_positive(artwork, "px_per_mm", f"{where} artwork"),
        artwork_left_mm=_number(artwork, "left", f"{where} artwork"),
        artwork_top_mm=_number(artwork, "top", f"{where} artwork"),
        markers=_markers(data, where),
        uprights=_uprights(data, where),
        patches=tuple(_patch(p, f"{where} patches") for p in _need(data, "patches", where, list)),
        saddles_mm=_points(data.get("saddles", []), 2, 0, f"{where} saddles"),
        holes_mm=tuple(_points(hole, 2, 3, f"{where} holes") for hole in holes),
        paper_reflectance=_paper_reflectance(data, where),
        height_u_mm=_positive(data, "height_u_mm", where) if "height_u_mm" in data else DEFAULT_HEIGHT_U_MM,
        revision=str(data.get("revision", "")),
    )


def _markers(data: dict, where: str) -> tuple[Marker, ...]:
    markers = tuple(_marker(marker, where) for marker in _need(data, "markers", where, list))
    if not markers:
        raise CardError(f"{where} lists no markers; the card cannot be found without them.")
    if len({(m.dictionary, m.id) for m in markers}) < len(markers):
        raise CardError(f"{where} lists a marker twice; each must differ from all others.")
    return markers


def _uprights(data: dict, where: str) -> tuple[Upright, ...]:
    uprights = tuple(_upright(upright, where) for upright in _need(data, "uprights", where, list))
    if not uprights:
        raise CardError(f"{where} lists no uprights; at least one is needed to tell the light.")
    return uprights


def _patch(data: object, where: str) -> GreyPatch:
    polygon = _points(_need(data, "polygon", where, list), 2, 3, where)
    return GreyPatch(_need(data, "name", where, str), polygon, _positive(data, "reflectance", where))


def _paper_reflectance(data: dict, where: str) -> float:
    if "paper_reflectance" not in data:
        return DEFAULT_PAPER_REFLECTANCE
    value = _positive(data, "paper_reflectance", where)
    if value > 1:
        raise CardError(f"{where}: 'paper_reflectance' is a share of the light, at most 1, found {value}.")
    return value


def _signed_area(polygon: np.ndarray) -> float:
    """Shoelace formula; positive for anticlockwise."""
    x, y = polygon.T
    return float(x @ np.roll(y, -1) - y @ np.roll(x, -1)) / 2


def _refuse_constant(name: str) -> float:
    raise ValueError(f"{name} is not a number that JSON allows")


def _need(data: object, key: str, where: str, kind: type[Kind]) -> Kind:
    if not isinstance(data, dict) or key not in data:
        raise CardError(f"{where} lacks {key!r}. Make a card with 'texscan card' and compare.")
    if not isinstance(data[key], kind) or isinstance(data[key], bool):
        raise CardError(f"{where}: {key!r} must be {KIND_WORDS[kind]}, found {str(data[key])[:40]!r}.")
    return data[key]


def _file_beside(data: dict, where: str) -> str:
    name = _need(data, "file", where, str)
    if name in ("", ".", "..") or any(mark in name for mark in ("/", "\\", "\0")):
        raise CardError(f"{where}: 'file' must name a picture beside the card file, found {name!r}.")
    return name


def _number(data: object, key: str, where: str) -> float:
    value = data.get(key) if isinstance(data, dict) else None
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise CardError(f"{where}: {key!r} must be a number, found {value!r}.")
    if not abs(value) <= LARGEST_MM:
        raise CardError(f"{where}: {key!r} is out of range; a number up to {LARGEST_MM:g} is needed.")
    return float(value)


def _positive(data: object, key: str, where: str) -> float:
    value = _number(data, key, where)
    if value <= 0:
        raise CardError(f"{where}: {key!r} must be above zero, found {value}.")
    return value


def _points(values: object, width: int, at_least: int, where: str) -> np.ndarray:
    """(n, width) points, n >= at_least, all finite."""
    asked = f"at least {at_least} points of {width} finite numbers are needed"
    if not isinstance(values, list) or len(values) < at_least:
        raise CardError(f"{where}: {asked}.")
    for point in values:
        if not isinstance(point, list) or len(point) != width:
            raise CardError(f"{where}: {asked}, found {str(point)[:40]}.")
        for number in point:
            if isinstance(number, bool) or not isinstance(number, int | float) or not abs(number) <= LARGEST_MM:
                raise CardError(f"{where}: {asked}, found {str(number)[:40]}.")
    return np.array(values, dtype=float).reshape(-1, width)


def _marker(data: object, where: str) -> Marker:
    place = f"{where} markers"
    corners = _points(_need(data, "corners", place, list), 2, 4, place)
    if len(corners) != 4:
        raise CardError(f"{place}: a marker has 4 corners, found {len(corners)}.")
    name, number = _need(data, "dictionary", place, str), _need(data, "id", place, int)
    known = _dictionary_size(name)
    if known is None:
        raise CardError(f"{place}: dictionary {name!r} is not known; a name such as 'DICT_4X4_50' is needed.")
    if not 0 <= number < known:
        raise CardError(f"{place}: {name} has markers 0 to {known - 1}, found {number}.")
    return Marker(name, number, corners)


def _dictionary_size(name: str) -> int | None:
    import cv2

    code = getattr(cv2.aruco, name, None) if name.startswith("DICT_") else None
    return None if code is None else len(cv2.aruco.getPredefinedDictionary(code).bytesList)


def _upright(data: object, where: str) -> Upright:
    place = f"{where} uprights"
    vertices = _points(_need(data, "vertices", place, list), 3, 3, place)
    if vertices[:, 2].max() <= 0:
        raise CardError(f"{place}: an upright must stand above the card; its greatest z is {vertices[:, 2].max():g}.")
    faces = []
    for face in _need(data, "faces", place, list):
        if not isinstance(face, list) or len(face) < 3:
            raise CardError(f"{place}: a face needs at least 3 vertices.")
        if any(isinstance(i, bool) or not isinstance(i, int) or not 0 <= i < len(vertices) for i in face):
            raise CardError(f"{place}: face {face} names a vertex that is not there.")
        faces.append(tuple(face))
    if not faces:
        raise CardError(f"{place}: an upright needs faces.")
    stated = isinstance(data, dict) and "reflectance" in data
    reflectance = _positive(data, "reflectance", place) if stated else 1.0
    return Upright(_need(data, "name", place, str), vertices, tuple(faces), reflectance)


def _face(path: Path, where: str) -> np.ndarray:
    """(rows, columns) float32 linear reflectance relative to the paper."""
    import cv2

    from texscan.linear import srgb_to_linear
    from texscan.silence import decoded_quietly

    try:
        raw = path.read_bytes()
    except OSError as error:
        raise CardError(
            f"{where} names the artwork {path.name}, which cannot be read. Put it beside {where}."
        ) from error
    picture = decoded_quietly(raw, cv2.IMREAD_GRAYSCALE)
    if picture is None:
        raise CardError(f"The artwork {path.name} is not a picture. Make the card again with 'texscan card'.")
    return srgb_to_linear(picture)
