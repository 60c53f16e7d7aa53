"""The pictures of an evidence page: the patch with its zones, the mould's cell beside the changed ones, a profile."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

from texscan import chart, filters, mould, plates
from texscan.cell_plates import DASH_OF, without_gaps
from texscan.chart import Frame, text_at
from texscan.errors import SettingsError
from texscan.model import Grid, Zone, ZoneMap
from texscan.mould import ChangedCell, Mould
from texscan.overlay import BAR_LENGTHS_MM, shaded_relief
from texscan.pattern import unfolded
from texscan.proposal.content import Picture
from texscan.proposal.pictures import drawing_picture, heights_picture, photo_picture
from texscan.scored_patch import FAULTS, NEXT, ScoredPatch, budget_of, filters_of, pattern_of, zone_map_of
from texscan.typeset import INK, PAPER, Label, typeset
from texscan.window import window_of
from texscan.zone_drawing import COLOURS, draw_zones, fill_with_hatch, lettered, outline_zones

PHOTO_MM = 96.0  # print width of the patch
PHOTO_PX = 1134  # 300 dpi
TALLEST = 1.0  # height of the patch on the page over its width; taller ones are set narrower
EDGE_MM = 8.0  # shown around what was measured
STRIP_PX = 62  # scale bar and legend below the patch
LEGEND_TEXT = 25
BAR_SHARE = 0.3
TEXTURE_MM = 174.0  # print width of the cells and the profile
TEXTURE_PX = 1300
CELL_PX, SMALL_CELL_PX = 262, 206  # side of a map; where there are three of them
SECTION_GAP = 142  # from the maps to the section: scale of colour and ticks
CELL_GAP = 34
CELL_TOP = 40
PITCHES = 2.5  # side of a cell's map, in pitches of the longer vector
MATERIAL_TINT = (226, 222, 214)
PROFILE_PX = 210
SCREEN_QUALITY = 78
SCREEN_PX = 840  # width of the pictures for the screen
HEIGHTS_PX = 480


@dataclass(frozen=True, slots=True)
class Evidence:
    """What a patch shows, drawn."""

    photo: Picture
    texture: Picture  # the mould's cells, or a profile
    cells: bool  # False: `texture` is a profile
    changed: tuple[ChangedCell, ...]  # against the mould's cell
    zones: tuple[tuple[str, Zone], ...]  # with their letters
    plain: Picture  # the patch for the screen
    marked: Picture  # the same with its zones
    heights: Picture  # the height map in colour, for the screen, with its zones
    grey: Picture  # the height map as grey values
    range_mm: tuple[float, float]  # that the grey values span, over the top plane
    grid: Grid  # of the grey values
    from_photo: bool  # False: shaded from the height map


def evidence_of(patch: ScoredPatch) -> Evidence:
    """The pictures of one patch; SettingsError if its score.json is not whole."""
    zones = zone_map_of(patch)
    picture = patch.picture if patch.picture is not None else shaded_relief(patch.height_mm, patch.grid.step_mm)
    try:
        used, pattern, budget = filters_of(patch.score), pattern_of(patch.score), budget_of(patch.score)
    except FAULTS as error:
        raise SettingsError(f"{patch.folder}/score.json is not whole ({error!r}). {NEXT}") from error
    z = filters.filtered(patch.height_mm, patch.grid.step_mm, used)
    cells = mould.compare(z, patch.grid, pattern=pattern, condition=patch.condition, budget=budget)
    changed = cells.changed if cells else ()
    part, grid = _shown(patch.condition, patch.grid)
    cut = replace(zones, condition=zones.condition[part])
    plain = _resized(picture[part], SCREEN_PX)
    depth, thin = _depths(z[part], grid)
    grey, low, high = heights_picture(depth)
    return Evidence(
        photo=photo_picture(patch_picture(picture[part], cut, grid), PHOTO_MM),
        texture=drawing_picture(
            cells_picture(cells) if cells else profile_picture(z, patch.condition, patch.grid), TEXTURE_MM
        ),
        cells=cells is not None,
        changed=changed,
        zones=tuple(lettered(zones)),
        plain=photo_picture(plain, PHOTO_MM, quality=SCREEN_QUALITY),
        marked=photo_picture(draw_zones(plain, cut, grid), PHOTO_MM, quality=SCREEN_QUALITY),
        heights=photo_picture(_in_colour(depth, cut, grid), PHOTO_MM, quality=SCREEN_QUALITY),
        grey=grey,
        range_mm=(low, high),
        grid=thin,
        from_photo=patch.picture is not None,
    )


def _shown(condition: np.ndarray, grid: Grid) -> tuple[tuple[slice, slice], Grid]:
    """What was measured with a margin, as slices and as a grid of its own."""
    part = window_of(condition == 0, round(EDGE_MM / grid.step_mm))
    return part, grid.part(part)


def _resized(picture: np.ndarray, width: int) -> np.ndarray:
    scale = width / picture.shape[1]
    size = width, max(round(picture.shape[0] * scale), 1)
    way = cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC
    return cv2.resize(np.ascontiguousarray(picture), size, interpolation=way)


def patch_picture(picture: np.ndarray, zones: ZoneMap, grid: Grid) -> np.ndarray:
    """
    The patch with its zones at print size, scale bar and legend below.

    Parameters
    ----------
    picture : (rows, columns, 3) uint8, of the shape of `zones.condition`
    grid : of the same shape
    """
    width = PHOTO_PX if grid.rows <= TALLEST * grid.columns else round(PHOTO_PX * TALLEST * grid.columns / grid.rows)
    drawn = draw_zones(_resized(picture, width), zones, grid)
    page = np.full((drawn.shape[0] + STRIP_PX, PHOTO_PX, 3), PAPER, np.uint8)
    page[: drawn.shape[0], :width] = drawn
    cv2.rectangle(page, (0, 0), (width - 1, drawn.shape[0] - 1), INK, 2)
    per_mm = width / grid.columns / grid.step_mm
    fitting = [length for length in BAR_LENGTHS_MM if length * per_mm <= BAR_SHARE * width] or [BAR_LENGTHS_MM[0]]
    top = drawn.shape[0] + 22
    labels = chart.scale_bar(page, 1, top + 6, length_mm=fitting[-1], px_per_mm=per_mm)
    labels = [replace(label, size=LEGEND_TEXT, y=top - 4) for label in labels]
    x = PHOTO_PX
    for name in ("filled", "worn", "sound"):
        if zones.shares.get(name, 0.0) <= 0:
            continue
        label = text_at(name, x, top - 4, size=LEGEND_TEXT, align="right")
        x = label.x - 64
        _swatch(page, name, x, top - 4)
        labels.append(label)
        x -= 30
    return typeset(page, labels)


def _swatch(page: np.ndarray, name: str, x: int, y: int) -> None:
    box = np.s_[y : y + 32, x : x + 52]
    page[box] = fill_with_hatch(np.full((32, 52, 3), (225, 225, 225), np.uint8), name, pitch=16)
    cv2.rectangle(page, (x, y), (x + 52, y + 32), COLOURS[name], 3)


def cells_picture(cells: Mould) -> np.ndarray:
    """The mean cells as maps on one scale of colour, and a section through them."""
    shown = [("sound", cells.cell_mm), *((c.condition, c.cell_mm) for c in cells.changed)]
    side = CELL_PX if len(shown) < 3 else SMALL_CELL_PX
    page = np.full((CELL_TOP + side + 66, TEXTURE_PX, 3), PAPER, np.uint8)
    side_mm = PITCHES * float(np.hypot(*cells.vectors_mm.T).max())
    labels: list[Label] = []
    for number, (name, cell) in enumerate(shown):
        left = number * (side + CELL_GAP)
        heights = unfolded(without_gaps(cell), cells.vectors_mm, (side, side), side_mm / side)
        page[CELL_TOP : CELL_TOP + side, left : left + side] = chart.height_colours(heights, 0.0, cells.top_mm)
        cv2.rectangle(page, (left, CELL_TOP), (left + side - 1, CELL_TOP + side - 1), INK, 1)
        labels.append(text_at(name, left, 8, size=21, bold=True))
    length = [mm for mm in BAR_LENGTHS_MM if mm <= 0.5 * side_mm] or [BAR_LENGTHS_MM[0]]
    labels += chart.scale_bar(page, 1, CELL_TOP + side + 16, length_mm=length[-1], px_per_mm=side / side_mm)
    right = len(shown) * (side + CELL_GAP)
    bar = Frame(right - 6, CELL_TOP + 6, 18, side - 6, (0.0, 1.0), (0.0, cells.top_mm))
    labels += chart.colour_scale(page, bar, title="mm")
    two_pitches, heights_mm = 2 * float(np.hypot(*cells.vectors_mm[1])), (-0.15 * cells.top_mm, 1.35 * cells.top_mm)
    left = right + SECTION_GAP
    frame = Frame(left, CELL_TOP + 2, TEXTURE_PX - left - 4, side - 2, (0.0, two_pitches), heights_mm)
    return typeset(page, labels + _section(page, cells, frame))


def _section(page: np.ndarray, cells: Mould, frame: Frame) -> list[Label]:
    """A section through the mould's cell and the changed ones, two pitches long."""
    whole = without_gaps(cells.cell_mm)
    row, count = int(whole.var(axis=1).argmax()), cells.cell_mm.shape[1]
    along = (np.arange(2 * count) + 0.5) / (2 * count) * frame.x_range[1]
    labels = chart.axes(page, frame, x_title="mm along the pattern", y_title="section, mm over the floor")
    lines = [("sound", whole, "solid"), *((c.condition, c.cell_mm, DASH_OF[c.condition]) for c in cells.changed)]
    for number, (name, cell, dash) in enumerate(lines):
        heights = np.tile(without_gaps(cell)[row], 2)
        chart.curve(page, frame, along, heights, colour=COLOURS[name], dash=dash)
        x = frame.left + 14 + number * frame.width // 3
        key = Frame(x, frame.top + 20, 44, 2, (0.0, 1.0), (0.0, 1.0))
        chart.curve(page, key, np.array([0.0, 1.0]), np.array([0.5, 0.5]), colour=COLOURS[name], dash=dash)
        labels.append(text_at(name, x + 54, frame.top + 9, size=chart.TICK_TEXT))
    return labels


def profile_picture(z: np.ndarray, condition: np.ndarray, grid: Grid) -> np.ndarray:
    """Heights along one row of the patch below its top plane, with the condition as a strip."""
    page = np.full((40 + PROFILE_PX + 70, TEXTURE_PX, 3), PAPER, np.uint8)
    row = plates.profile_row(z, condition, grid.step_mm)
    line, along = z[row].astype(np.float64), grid.x_mm
    known = np.flatnonzero(np.isfinite(line))
    if known.size < 2:
        return page
    part = slice(int(known[0]), int(known[-1]) + 1)
    line, along = line[part] - _top_plane(z), along[part]
    span = max(float(np.nanmax(line) - np.nanmin(line)), plates.LEAST_SPAN_MM)
    frame = Frame(76, 40, TEXTURE_PX - 84, PROFILE_PX, (float(along[0]), float(along[-1])),
                  (float(np.nanmin(line)) - 0.2 * span, float(np.nanmax(line)) + 0.1 * span))  # fmt: skip
    chart.area(page, frame, along, line, np.full(along.shape, frame.y_range[0]), colour=MATERIAL_TINT)
    labels = chart.axes(page, frame, x_title="x, mm", y_title="profile, mm over the top plane")
    chart.curve(page, frame, along, line)
    chart.level(page, frame, 0.0, dash="dashed")
    plates.condition_strip(page, frame, condition[row, part])
    return typeset(page, labels)


def _top_plane(z: np.ndarray) -> float:
    return float(np.nanquantile(z, 1 - plates.TOP_RATIO))


def _depths(z: np.ndarray, grid: Grid) -> tuple[np.ndarray, Grid]:
    """Heights below the top plane, thinned to what a screen shows."""
    every = max(-(-max(grid.shape) // HEIGHTS_PX), 1)
    thin = (z[::every, ::every] - _top_plane(z)).astype(np.float32)
    return thin, Grid(grid.x0_mm, grid.y1_mm, every * grid.step_mm, *thin.shape)


def _in_colour(depth_mm: np.ndarray, zones: ZoneMap, grid: Grid) -> np.ndarray:
    """Heights by lightness, zones as outlines, at the screen's size."""
    known = depth_mm[np.isfinite(depth_mm)]
    low, high = np.quantile(known, plates.SHOWN) if known.size else (0.0, 0.0)
    picture = chart.height_colours(depth_mm, float(low), float(max(high, low + plates.LEAST_SPAN_MM)))
    return outline_zones(_resized(picture, SCREEN_PX), zones, grid)
