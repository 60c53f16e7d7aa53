"""
The scored image: what an owner sees. The photo on the mm grid with its zones on the left, the verdict and its
reasons, the figures with their intervals and what weakens them on the right.

Zones differ by hatch, letter and outline as well as by colour, so that the picture serves in greyscale and for every
kind of colour vision.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

from texscan.model import FLAGS, Forecast, Grid, Light, Measured, Recommendation, ZoneMap
from texscan.typeset import INK, MUTED, PAPER, RULE, Block, blank, height_of, place, typeset
from texscan.window import window_of
from texscan.zone_drawing import COLOURS, draw_zones, fill_with_hatch, lettered

PAGE_WIDTH = 1920
MARGIN = 56
RING = 70  # room around the picture for the light arrows
PICTURE_BOX = (1080, 1200)  # the picture fits into this width and height
HEADER = 150
FOOTER = 76
SHARE_BAR = 40
COLUMN_X = MARGIN + RING + PICTURE_BOX[0] + RING + 34
COLUMN_WIDTH = PAGE_WIDTH - MARGIN - COLUMN_X
MOST_ZONES = 6
ZONE_TABS = (36, 122, 200, 420)  # columns of the table of zones
MOST_REASONS = 5
MOST_FLAGS = 6
LONGEST_NAME = 16  # characters of a coat's name that fit before the column of its figures
CROP_MARGIN_MM = 18.0  # what is shown around the measured part
SHADE_ELEVATION_DEG = 35.0  # of the light in the picture of a height map
SHADE_LEVEL = 140.0  # its grey on level ground, of 255
BAR_LENGTHS_MM = (1, 2, 5, 10, 20, 50, 100, 200)
BAR_SHARE = 0.30  # the scale bar takes at most this share of the picture's width

VERDICTS = {
    "recoat": ("Recoat", (11, 94, 86)),
    "sand-flat-and-retexture": ("Sand flat and retexture", (150, 52, 8)),
    "inconclusive": ("Inconclusive", (74, 82, 92)),
}
FIGURES = (
    ("relief_mm", "Relief", "mm"),
    ("void_depth_mm", "Void depth", "mm"),
    ("contact_area_fraction", "Contact area", "%"),
    ("Sq_mm", "Sq, rms height", "mm"),
)
CAUTION = (
    "Measured from photos; not a slip rating. Before sanding, have old coatings tested for lead and biocides, "
    "and keep to the data sheets."
)


@dataclass(frozen=True, slots=True)
class Caption:
    """The words and figures beside the picture; `figures` are the patch's, by their names in score.json."""

    panel: str
    figures: dict[str, Measured | None]
    recommendation: Recommendation
    flags: tuple[str, ...] = ()
    forecast: Forecast | None = None
    note: str = ""  # one muted line under the panel's name: views, version, date of the photos


def scored_image(
    photo: np.ndarray, zone_map: ZoneMap, *, grid: Grid, lights: tuple[Light, ...], caption: Caption
) -> np.ndarray:
    """
    The scored image of one patch.

    Parameters
    ----------
    photo : (rows, columns) or (rows, columns, 3) uint8 RGB, on the grid; any picture of the patch serves
    zone_map : condition on the same grid
    lights : one a view, in the order of the views; none for heights measured by other means

    Returns
    -------
    page : (H, PAGE_WIDTH, 3) uint8 RGB

    Raises
    ------
    ValueError
        If photo, zone map and grid are not of one shape.
    """
    if photo.shape[:2] != grid.shape or zone_map.condition.shape != grid.shape:
        raise ValueError(f"photo {photo.shape[:2]}, zones {zone_map.condition.shape} and grid {grid.shape} differ")
    photo, zone_map, grid = _cropped(photo, zone_map, grid)
    picture, per_pixel = _fitted(photo, zone_map, grid)
    blocks = _column(zone_map, caption)
    top = HEADER + RING
    height = max(top + picture.shape[0] + RING + 84, HEADER + height_of(blocks, COLUMN_WIDTH) + 40) + FOOTER
    page = blank(height, PAGE_WIDTH)
    left = MARGIN + RING + (PICTURE_BOX[0] - picture.shape[1]) // 2
    rows, columns = picture.shape[:2]
    page[top : top + rows, left : left + columns] = picture
    cv2.rectangle(page, (left - 1, top - 1), (left + columns, top + rows), INK, 2)
    labels = _draw_lights(page, lights, (left, top, columns, rows))
    labels += _draw_scale(page, grid.step_mm * per_pixel, top + rows + RING, note=_legend(lights))
    _draw_column_shapes(page, blocks, zone_map, caption)
    cv2.line(page, (MARGIN, HEADER - 18), (PAGE_WIDTH - MARGIN, HEADER - 18), RULE, 2)
    header = [
        Block(caption.panel, 46, bold=True, one_line=True),
        Block(caption.note, 22, colour=MUTED, one_line=True, before=4),
    ]
    labels += place(header, MARGIN, 26, PAGE_WIDTH - 2 * MARGIN)
    labels += place(blocks, COLUMN_X, HEADER, COLUMN_WIDTH)
    labels += place([Block(CAUTION, 19, colour=MUTED)], MARGIN, height - FOOTER + 16, PAGE_WIDTH - 2 * MARGIN)
    return typeset(page, labels)


def shaded_relief(height_mm: np.ndarray, step_mm: float) -> np.ndarray:
    """
    A picture of a height map where there is no photo: matt, lit from the upper left.

    Parameters
    ----------
    height_mm : (rows, columns), NaN = not measured (comes out pale)
    step_mm : grid step [mm]

    Returns
    -------
    picture : (rows, columns, 3) uint8
    """
    level = float(np.nanmedian(height_mm)) if np.isfinite(height_mm).any() else 0.0
    down, right = np.gradient(np.where(np.isfinite(height_mm), height_mm, level).astype(np.float64), step_mm)
    elevation = np.radians(SHADE_ELEVATION_DEG)
    aslant = np.cos(elevation) / np.sqrt(2)
    # normal (-dz/dx, -dz/dy, 1), y up = -down; light from (-1, 1) in the plane
    shade = (right * aslant + down * aslant + np.sin(elevation)) / np.sqrt(1 + right**2 + down**2)
    grey = np.clip(SHADE_LEVEL * shade / np.sin(elevation), 0, 255)
    grey[~np.isfinite(height_mm)] = 255
    return np.repeat(np.round(grey).astype(np.uint8)[..., None], 3, axis=2)


def _cropped(photo: np.ndarray, zone_map: ZoneMap, grid: Grid) -> tuple[np.ndarray, ZoneMap, Grid]:
    """The part of the grid that was measured, with a margin; all of it where nothing was."""
    part = window_of(zone_map.condition == 0, round(CROP_MARGIN_MM / grid.step_mm))
    return photo[part], replace(zone_map, condition=zone_map.condition[part]), grid.part(part)


def _fitted(photo: np.ndarray, zone_map: ZoneMap, grid: Grid) -> tuple[np.ndarray, float]:
    """The picture with its zones at the size it takes on the page, and grid pixels per page pixel."""
    scale = min(PICTURE_BOX[0] / grid.columns, PICTURE_BOX[1] / grid.rows)
    size = max(round(grid.columns * scale), 8), max(round(grid.rows * scale), 8)
    rgb = photo if photo.ndim == 3 else np.repeat(photo[..., None], 3, axis=2)
    way = cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC
    picture = cv2.resize(np.ascontiguousarray(rgb), size, interpolation=way)
    return draw_zones(picture, zone_map, grid), grid.columns / size[0]


# The words


def _column(zone_map: ZoneMap, caption: Caption) -> list[Block]:
    advice = caption.recommendation
    blocks = [
        Block(VERDICTS[advice.action][0], 36, bold=True, colour=PAPER, one_line=True, indent=22, role="verdict")
    ]
    blocks += [Block(reason, 21, before=12, bullet=True) for reason in advice.reasons[:MOST_REASONS]]
    if advice.would_change_it:
        blocks.append(_heading("What would change it"))
        blocks += [Block(text, 21, before=8, bullet=True) for text in advice.would_change_it[:2]]
    blocks.append(_heading("Condition"))
    blocks.append(Block("", SHARE_BAR, before=14, role="shares"))
    blocks.append(Block(_shares_text(zone_map.shares), 21, before=10))
    blocks += _zone_blocks(zone_map)
    if caption.figures:
        blocks.append(_heading("Whole patch, with 95 % interval"))
    for key, title, unit in FIGURES:
        if key in caption.figures:
            blocks.append(Block(f"{title}\t{figure_text(caption.figures[key], unit)}", 21, before=8, tabs=(220,)))
    if caption.forecast is not None:
        blocks += _forecast_blocks(caption.forecast)
    if caption.flags:
        blocks.append(_heading("What weakens this"))
        shown = caption.flags[:MOST_FLAGS]
        blocks += [Block(FLAGS.get(flag, flag), 19, before=6, bullet=True, colour=MUTED) for flag in shown]
        if len(caption.flags) > MOST_FLAGS:
            rest = len(caption.flags) - MOST_FLAGS
            blocks.append(Block(f"and {rest} more in score.json", 19, colour=MUTED, before=6))
    return blocks


def _forecast_blocks(forecast: Forecast) -> list[Block]:
    """What each planned coat would leave."""
    blocks = [_heading("Void depth of the patch after each coat")]
    for number, (coat, left) in enumerate(zip(forecast.coats, forecast.void_depth_mm, strict=True), start=1):
        low, likely, high = left
        name, text = f"{number}  {coat.name}", f"{likely:.2f} mm ({low:.2f} to {high:.2f})"
        short = len(name) <= LONGEST_NAME
        line = f"{name}\t{text}" if short else f"{name}: {text}"
        blocks.append(Block(line, 21, before=8, tabs=(220,) if short else ()))
    return blocks


def _heading(text: str) -> Block:
    return Block(text, 21, bold=True, before=30, role="heading")


def _zone_blocks(zone_map: ZoneMap) -> list[Block]:
    """A small table of the largest zones."""
    zones = lettered(zone_map)
    blocks = [Block("\t\tcm²\trelief, mm\tcontact, %", 18, colour=MUTED, before=14, tabs=ZONE_TABS)] if zones else []
    for letter, zone in zones[:MOST_ZONES]:
        relief = figure_text(zone.relief_mm, "mm").replace(" mm", "")
        contact = figure_text(zone.contact_area_fraction, "%").replace(" %", "")
        row = "\t".join((letter, zone.condition, f"{zone.area_mm2 / 100:.1f}", relief, contact))
        blocks.append(Block(row, 19, before=5, tabs=ZONE_TABS))
    if len(zones) > MOST_ZONES:
        blocks.append(Block(f"and {len(zones) - MOST_ZONES} smaller zones", 19, colour=MUTED, before=6))
    return blocks


def _shares_text(shares: dict[str, float]) -> str:
    return ", ".join(f"{name} {_percent(shares.get(name, 0.0))} %" for name in COLOURS)


def _percent(share: float) -> str:
    """Whole per cent; a share that is there but rounds to nothing reads "<1"."""
    return "<1" if 0 < share < 0.005 else f"{100 * share:.0f}"


def figure_text(measured: Measured | None, unit: str) -> str:
    """Value and 95 % interval as text, with no more digits than the interval supports; "%" takes a fraction."""
    if measured is None:
        return "not measured"
    factor = 100.0 if unit == "%" else 1.0
    value, low, high = (factor * v for v in (measured.value, measured.low, measured.high))
    width = high - low
    most = 1 if unit == "%" else 3
    digits = 0 if width >= 2 else 1 if width >= 0.4 else 2 if width >= 0.02 else 3
    digits = min(digits, most)
    return f"{value:.{digits}f} {unit} ({low:.{digits}f} to {high:.{digits}f})"


# The shapes


def _draw_column_shapes(page: np.ndarray, blocks: list[Block], zone_map: ZoneMap, caption: Caption) -> None:
    """Verdict block, rules above headings and the bar of shares, behind the words."""
    y = HEADER
    for block in blocks:
        y += block.before
        tall = height_of([block], COLUMN_WIDTH) - block.before
        if block.role == "verdict":
            colour = VERDICTS[caption.recommendation.action][1]
            cv2.rectangle(page, (COLUMN_X, y), (COLUMN_X + COLUMN_WIDTH, y + tall), colour, -1)
        elif block.role == "heading":
            cv2.line(page, (COLUMN_X, y - 10), (COLUMN_X + COLUMN_WIDTH, y - 10), RULE, 2)
        elif block.role == "shares":
            _draw_shares(page, zone_map.shares, (COLUMN_X, y, COLUMN_WIDTH, SHARE_BAR))
        y += tall


def _draw_shares(page: np.ndarray, shares: dict[str, float], box: tuple[int, int, int, int]) -> None:
    x, y, width, height = box
    at = float(x)
    for name in COLOURS:
        end = at + width * shares.get(name, 0.0)
        patch = page[y : y + height, round(at) : round(end)]
        if patch.size:
            patch[:] = fill_with_hatch(np.full_like(patch, 226), name, pitch=SHARE_BAR // 2)
        at = end
        if x < at < x + width - 1:
            cv2.line(page, (round(at), y), (round(at), y + height - 1), INK, 2)
    cv2.rectangle(page, (x, y), (x + width, y + height), INK, 2)


def _draw_lights(page: np.ndarray, lights: tuple[Light, ...], box: tuple[int, int, int, int]) -> list:
    """An arrow a view outside the picture, on the side its light comes from; gives the labels."""
    left, top, columns, rows = box
    labels = []
    centre = np.array([left + columns / 2, top + rows / 2])
    for number, light in enumerate(lights, start=1):
        angle = np.radians(light.azimuth_deg)
        towards = np.array([np.cos(angle), -np.sin(angle)])
        reach = min(columns / 2 / max(abs(towards[0]), 1e-9), rows / 2 / max(abs(towards[1]), 1e-9))
        edge = centre + towards * reach
        side = np.array([0.0, np.sign(towards[1])])
        if abs(towards[0]) * rows >= abs(towards[1]) * columns:
            side = np.array([np.sign(towards[0]), 0.0])
        tail, tip = edge + side * 30 + towards * 14, edge + side * 30 - towards * 24
        _arrow(page, tail, tip)
        text = f"{number}: {light.elevation_deg:.0f}°"
        across = 54 if side[0] else 0
        at = edge + side * (8 if side[0] else 34) + np.array([0.0, 34.0 if side[0] else -11.0])
        at = at + (np.array([-across - 6 if side[0] < 0 else 6, 0]) if side[0] else np.array([26.0, 0.0]))
        labels += place([Block(text, 19, colour=INK, one_line=True)], round(at[0]), round(at[1]), 80)
    return labels


def _arrow(page: np.ndarray, tail: np.ndarray, tip: np.ndarray) -> None:
    along = (tip - tail) / np.linalg.norm(tip - tail)
    across = np.array([-along[1], along[0]])
    neck = tip - along * 16
    shaft = np.array([tail + across * 3, neck + across * 3, neck - across * 3, tail - across * 3])
    head = np.array([tip, neck + across * 11, neck - across * 11])
    for shape in (shaft, head):
        cv2.fillPoly(page, [np.round(shape * 16).astype(np.int32)], INK, cv2.LINE_AA, 4)


def _legend(lights: tuple[Light, ...]) -> str:
    return ("Arrows: each view's light and its height. " if lights else "") + "Pale: not measured."


def _draw_scale(page: np.ndarray, mm_per_px: float, top: int, *, note: str) -> list:
    """A scale bar of a round length in four steps, below the picture, and the legend; gives their labels."""
    left = MARGIN + RING
    fitting = [length for length in BAR_LENGTHS_MM if length <= BAR_SHARE * PICTURE_BOX[0] * mm_per_px]
    length_mm = fitting[-1] if fitting else BAR_LENGTHS_MM[0]
    width = length_mm / mm_per_px
    for step in range(4):
        x0, x1 = round(left + width * step / 4), round(left + width * (step + 1) / 4)
        cv2.rectangle(page, (x0, top), (x1, top + 14), INK if step % 2 == 0 else PAPER, -1)
    cv2.rectangle(page, (left, top), (round(left + width), top + 14), INK, 2)
    labels = place([Block("0", 19, one_line=True)], left, top + 22, 60)
    labels += place([Block(f"{length_mm} mm", 19, one_line=True)], round(left + width) - 12, top + 22, 120)
    room = PICTURE_BOX[0] - round(width) - 110
    return labels + place([Block(note, 19, colour=MUTED)], left + round(width) + 110, top - 6, room)
