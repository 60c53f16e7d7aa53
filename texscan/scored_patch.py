"""A result read back: one patch with its figures, height map, conditions and photo."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from texscan.errors import SettingsError
from texscan.model import CONDITION_NAMES, Budget, Filters, Grid, Pattern, Term, Zone, ZoneMap, measured

NEXT = "Score the patch again."
FAULTS = (AttributeError, KeyError, TypeError, ValueError, IndexError)


@dataclass(frozen=True, slots=True)
class ScoredPatch:
    """
    One result folder in memory.

    score : score.json
    height_mm : (rows, columns) float32, unfiltered; NaN = not measured
    condition : (rows, columns) uint8, as in `ZoneMap`
    picture : (rows, columns, 3) uint8, the photo on the grid; None where the result keeps none
    """

    folder: str
    score: dict
    grid: Grid
    height_mm: np.ndarray
    condition: np.ndarray
    picture: np.ndarray | None = None


def patch_from(
    folder: str, score: dict, *, height_mm: np.ndarray, condition: np.ndarray, picture: np.ndarray | None
) -> ScoredPatch:
    """
    The parts of a result put together.

    Raises
    ------
    SettingsError : grid, height map and conditions do not fit together.
    """
    try:
        found = score["grid"]
        grid = Grid(float(found["x0_mm"]), float(found["y1_mm"]), float(found["step_mm"]),
                    int(found["rows"]), int(found["columns"]))  # fmt: skip
    except FAULTS as error:
        raise SettingsError(f"{folder}/score.json has no whole grid ({error!r}). {NEXT}") from error
    for name, shape in (("relief.tif", height_mm.shape), ("conditions.tif", condition.shape)):
        if shape != grid.shape:
            raise SettingsError(
                f"{folder}/{name} has {shape[0]} x {shape[1]} points, score.json says {grid.rows} x {grid.columns}. "
                f"{NEXT}"
            )
    if picture is not None and picture.shape != (*grid.shape, 3):
        picture = None
    return ScoredPatch(folder, score, grid, height_mm, condition, picture)


def zone_map_of(patch: ScoredPatch) -> ZoneMap:
    """The zones of a patch. SettingsError if score.json is not whole."""
    try:
        zones = tuple(_zone(entry) for entry in patch.score["zones"])
        shares = {name: float(patch.score["shares"][name]) for name in CONDITION_NAMES.values()}
    except FAULTS as error:
        raise SettingsError(f"{patch.folder}/score.json has no whole zones ({error!r}). {NEXT}") from error
    return ZoneMap(patch.condition, zones, shares, "", {})


def _zone(entry: dict) -> Zone:
    polygon = np.asarray(entry["polygon_mm"], dtype=np.float64)
    if polygon.ndim != 2 or polygon.shape[1] != 2 or entry["condition"] not in CONDITION_NAMES.values():
        raise ValueError("a zone without condition or outline")
    return Zone(
        condition=entry["condition"],
        polygon_mm=polygon,
        area_mm2=float(entry["area_mm2"]),
        relief_mm=measured(entry["relief_mm"]),
        void_depth_mm=measured(entry["void_depth_mm"]),
        contact_area_fraction=measured(entry["contact_area_fraction"]),
        confidence=float(entry.get("confidence", 0.5)),
        void_ratio_to_sound=measured(entry.get("void_ratio_to_sound")),
    )


def pattern_of(score: dict) -> Pattern:
    """The pattern with its lattice vectors, told from pitch and direction."""
    found = score["pattern"]
    pitch = tuple(m for m in map(measured, found["pitch_mm"]) if m is not None)
    direction = tuple(float(a) for a in found["direction_deg"])
    vectors = None
    if len(pitch) == len(direction) == 2:
        angle = np.radians(direction)
        vectors = np.array([m.value for m in pitch])[:, None] * np.stack([np.cos(angle), np.sin(angle)], axis=1)
    return Pattern(found["kind"], pitch, direction, vectors)


def filters_of(score: dict) -> Filters:
    """The filters that the figures were read with."""
    found = score["filters"]
    return Filters(float(found["s_mm"]), float(found["l_mm"]), str(found["form"]),
                   float(found["contact_depth_mm"]))  # fmt: skip


def budget_of(score: dict) -> Budget:
    """The uncertainty budget; empty where a result has none."""
    found = score.get("budget") or {}
    terms = tuple(Term(str(t["name"]), float(t["relative_u"])) for t in found.get("terms", ()))
    return Budget(terms, float(found.get("contact_u", 0.0)), len(score["views"]))


def check_whole(score: dict, folder: str) -> None:
    """
    See that a score.json holds all that a document says of it.

    Raises
    ------
    SettingsError : something is missing or of another kind; a result of an older version, or damaged.
    """
    try:
        filters_of(score), pattern_of(score), budget_of(score)
        for view in score["views"]:
            str(view["file"]), str(view["sha256"])
            measured(view["azimuth_deg"]), measured(view["elevation_deg"]), measured(view.get("ambient_share"))
        for photo in (*score.get("ambient", ()), *score.get("refused", ())):
            str(photo["file"])
        for rule in score["recommendation"].get("rules", ()):
            [str(rule[key]) for key in ("name", "outcome", "sentence")]
        for way in score["options"]:
            [str(way[key]) for key in ("name", "title", "offered", "recommended", "warnings")]
            measured(way["fill_mm"]), measured(way["cut_mm"])
            left = way["void_depth_mm"]
            if left is not None:
                float(left["low"]), float(left["high"])
        for entry in score["coats"]["reach"]:
            measured(entry["fraction"]), measured(entry["gap_mm"])
    except FAULTS as error:
        raise SettingsError(f"{folder}/score.json is not whole ({error!r}). {NEXT}") from error
