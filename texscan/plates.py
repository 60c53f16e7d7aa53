"""
The plates: how each figure reads from the height map, so that a reader can check it.

The map and a profile with the planes, material-ratio curves with relief, void and contact marked, the distribution of
heights, and on a repeating texture the mould's cell beside the worn and the filled one. Lines differ by dash as well
as by colour, heights by lightness, so that the page serves in grey and for every kind of colour vision.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from texscan import cell_plates, chart, outlines
from texscan.chart import Frame, text_at
from texscan.curve import FLOOR_RATIO, TOP_RATIO
from texscan.filters import measured_box
from texscan.model import Filters, Grid, Measured, ZoneMap
from texscan.mould import Mould
from texscan.overlay import BAR_LENGTHS_MM, CAUTION, MARGIN, PAGE_WIDTH, figure_text
from texscan.typeset import INK, MUTED, RULE, Block, Label, blank, place, typeset
from texscan.zone_drawing import CODES, COLOURS, fill_with_hatch, lettered, outline_zones
from texscan.zones import INSET_MM, LEAST_INNER_SHARE

WIDTH = PAGE_WIDTH - 2 * MARGIN
HEADER = 150
FOOTER = 76
HEADING = 26  # size of a plate's title
MAP_BOX = (880, 720)
TABLE_X = MARGIN + MAP_BOX[0] + 190
TABLE_TABS = (190, 360, 530)
PROFILE_HEIGHT = 250
CURVE_HEIGHT = 330
GAP = 96  # between charts of a row: ticks and titles
PLATE_TOP = 92  # from a plate's rule to its charts
DASH_OF = {"sound": "solid", "worn": "dashed", "filled": "dotted"}
VOID_TINT = (222, 232, 240)
MATERIAL_TINT = (226, 222, 214)
SHOWN = (0.002, 0.998)  # shares of the area between which heights are coloured
LEAST_SPAN_MM = 0.02  # of an axis of heights: smooth land is not drawn as mountains
CURVE_POINTS = 400
HEIGHT_LEVELS = 1 << 16  # between the lowest and the highest: 0.05 micrometres apart on 3 mm
BINS = 90  # of the height distribution
LEAST_STRETCH_MM = 4.0  # of a profile, to draw the zone's own top plane over it
NEAR_BEST = 0.95  # of the most measured pixels that a row has
MOST_BESIDE = 0.6  # contact up to which its words fit to the right of its mark
EDGE_SHARE = 0.10  # of the rows, at either edge, that no profile is taken from
LEAST_CROSSED = 0.08  # share of a profile that counts as crossing a condition
FIGURE_KEYS = ("relief_mm", "void_depth_mm", "contact_area_fraction")


@dataclass(frozen=True, slots=True)
class Words:
    """What stands beside the drawings; `figures` are the patch's, by their names in score.json."""

    panel: str
    note: str
    figures: dict[str, Measured | None]
    filters: Filters


@dataclass(frozen=True, slots=True)
class Heights:
    """Heights of one area in falling order [mm], and their planes."""

    name: str
    falling_mm: np.ndarray

    @property
    def top_mm(self) -> float:
        return float(self.above(TOP_RATIO))

    @property
    def floor_mm(self) -> float:
        return float(self.above(FLOOR_RATIO))

    def above(self, ratio):
        """Heights that these shares of the area stand above, as `curve.levels_at` reads them [mm]."""
        last = self.falling_mm.size - 1
        place = np.clip(np.asarray(ratio) * (last + 1) - 0.5, 0, last)
        before = place.astype(int)
        high, low = (self.falling_mm[np.minimum(before + k, last)].astype(float) for k in (0, 1))
        return high + (place - before) * (low - high)

    def share_above(self, height_mm):
        """Shares of the area that stand above these heights or as high."""
        return np.searchsorted(-self.falling_mm, -np.asarray(height_mm), side="right") / self.falling_mm.size


def plates(z: np.ndarray, grid: Grid, *, zone_map: ZoneMap, mould: Mould | None, words: Words) -> np.ndarray:
    """
    The page of plates of one patch.

    Parameters
    ----------
    z : (rows, columns) array
        Filtered heights [mm]; NaN = not measured.
    grid, zone_map : on the same grid
    mould : Mould or None
        From `mould.compare`; None leaves the cells out and says so.

    Returns
    -------
    page : (H, PAGE_WIDTH, 3) uint8 RGB
    """
    return typeset(*composed(z, grid, zone_map=zone_map, mould=mould, words=words))


def composed(
    z: np.ndarray, grid: Grid, *, zone_map: ZoneMap, mould: Mould | None, words: Words
) -> tuple[np.ndarray, list[Label]]:
    """The page as in `plates` before its words are drawn, and the words."""
    box = measured_box(z)
    rows, columns = box
    corner = columns.start or 0, rows.start or 0
    part = Grid(grid.x0_mm + corner[0] * grid.step_mm, grid.y1_mm - corner[1] * grid.step_mm, grid.step_mm,
                *z[box].shape)  # fmt: skip
    zones = ZoneMap(zone_map.condition[box], zone_map.zones, zone_map.shares, zone_map.reference, {})
    z = z[box]
    patch = Heights("whole patch", _falling(z))
    areas = [patch, *largest_zones(z, zones.condition, grid.step_mm)]
    tops = [HEADER]
    for tall in (MAP_BOX[1], PROFILE_HEIGHT, CURVE_HEIGHT, CURVE_HEIGHT):
        tops.append(tops[-1] + PLATE_TOP + tall + 96)
    page = blank(tops[-1] + cell_plates.height_of(mould) + FOOTER, PAGE_WIDTH)
    row = profile_row(z, zones.condition, grid.step_mm)
    labels = _titles(words, page.shape[0])
    labels += _map_plate(page, tops[0], z=z, patch=patch, grid=part, zones=zones, row=row)
    labels += place(_table(zone_map, words), TABLE_X, tops[0] + 30, PAGE_WIDTH - MARGIN - TABLE_X)
    line = Grid(part.x0_mm, float(part.y_mm[row]), part.step_mm, 1, part.columns)
    labels += _profile_plate(page, tops[1], z=z[row], condition=zones.condition[row], line=line, areas=areas)
    labels += _curve_plates(page, tops[2], areas, words.filters.contact_depth_mm)
    labels += _distribution_plate(page, tops[3], areas)
    labels += cell_plates.section_plate(page, tops[3], mould)
    labels += cell_plates.map_plates(page, tops[4], mould)
    return page, labels


def largest_zones(z: np.ndarray, condition: np.ndarray, step_mm: float) -> list[Heights]:
    """Heights of the largest zone of each condition, read as its figures are: inside its edge if there is room."""
    everywhere = outlines.spread(condition, step_mm)
    inner = outlines.inner(everywhere, INSET_MM / step_mm)
    measured = (condition > 0) & np.isfinite(z)
    found = []
    for name, code in CODES.items():
        count, parts = cv2.connectedComponents((everywhere == code).astype(np.uint8), connectivity=4)
        if count == 1 or not (measured & (parts > 0)).any():
            continue
        largest = parts == 1 + np.bincount(parts[measured], minlength=count)[1:].argmax()
        whole = largest & measured
        inside = whole & inner
        least = max(LEAST_INNER_SHARE * whole.sum(), outlines.LEAST_ZONE_MM2 / 2 / step_mm**2)
        found.append(Heights(name, _falling(z[inside if inside.sum() >= least else whole])))
    return [each for each in found if each.falling_mm.size > CURVE_POINTS]


def profile_row(z: np.ndarray, condition: np.ndarray, step_mm: float) -> int:
    """
    Of the rows that cross most conditions and have next to the most measured pixels, the one with most flanks.

    Only rows in the middle of the map: at its edge the filters have half of their surroundings.
    """
    least = max(LEAST_CROSSED * condition.shape[1], LEAST_STRETCH_MM / step_mm)
    crossed = np.sum([(condition == code).sum(axis=1) >= least for code in CODES.values()], axis=0)
    known = (condition > 0).sum(axis=1)
    edge = int(EDGE_SHARE * condition.shape[0])
    inside = np.abs(np.arange(condition.shape[0]) - (condition.shape[0] - 1) / 2) <= condition.shape[0] / 2 - edge
    good = inside & (crossed == crossed[inside].max())
    good &= known >= NEAR_BEST * known[good].max()
    good = np.flatnonzero(good)
    rise = np.abs(np.nan_to_num(np.diff(z[good], axis=1))).sum(axis=1)
    return int(good[rise.argmax()])


def _falling(z: np.ndarray) -> np.ndarray:
    """Heights in falling order, told apart as finely as `HEIGHT_LEVELS`: whole numbers are sorted by counting."""
    known = z[np.isfinite(z)].astype(np.float32)
    if not known.size:
        return known
    high, low = float(known.max()), float(known.min())
    step = (high - low) / (HEIGHT_LEVELS - 1) or 1.0
    levels = np.sort(((high - known) / np.float32(step) + np.float32(0.5)).astype(np.uint16), kind="stable")
    return np.float32(high) - levels * np.float32(step)


# The words


def _titles(words: Words, height: int) -> list[Label]:
    header = [
        Block(f"{words.panel}: from the height map to its figures", 46, bold=True, one_line=True),
        Block(words.note, 22, colour=MUTED, one_line=True, before=4),
    ]
    labels = place(header, MARGIN, 26, WIDTH)
    return labels + place([Block(CAUTION, 19, colour=MUTED)], MARGIN, height - FOOTER + 16, WIDTH)


def _heading(page: np.ndarray, text: str, x: int, y: int, width: int) -> list[Label]:
    cv2.line(page, (x, y), (x + width, y), RULE, 2)
    return place([Block(text, HEADING, bold=True, one_line=True)], x, y + 10, width)


def _table(zone_map: ZoneMap, words: Words) -> list[Block]:
    """Figures of the patch and of the largest zones, each with its interval on a second line."""
    used = words.filters
    blocks = [
        Block("\tRelief, mm\tVoid depth, mm\tContact, %", 19, colour=MUTED, tabs=TABLE_TABS),
        *_figure_rows("Whole patch", [words.figures.get(key) for key in FIGURE_KEYS]),
    ]
    for letter, zone in lettered(zone_map)[:6]:
        figures = [zone.relief_mm, zone.void_depth_mm, zone.contact_area_fraction]
        blocks += _figure_rows(f"{letter} {zone.condition}", figures)
    reading = (
        "Top plane: the height that 2 % of the area stands above. Each zone has its own.",
        "Relief: from the top plane down to the height that 98 % stand above.",
        "Void depth: mean depth below the top plane; 1 mm holds 1 litre a square metre.",
        f"Contact: share of the area not more than {used.contact_depth_mm:g} mm below the top plane.",
        f"Filters: second-order form removed, Gaussian S-filter {used.s_mm:g} mm, L-filter {used.l_mm:g} mm "
        "(ISO 25178-2, ISO 16610-61).",
        "Over the whole patch, contact falls when a lane wears; wear is read from the zones only.",
    )
    blocks.append(Block("How to read", 22, bold=True, before=26))
    return blocks + [Block(text, 19, before=8, bullet=True) for text in reading]


def _figure_rows(name: str, figures: list[Measured | None]) -> list[Block]:
    units = ("mm", "mm", "%")
    texts = [figure_text(figure, unit) for figure, unit in zip(figures, units, strict=True)]
    values = [text.split(" ")[0] if figure else "-" for text, figure in zip(texts, figures, strict=True)]
    spans = [text[text.find("(") + 1 : -1] if figure else "" for text, figure in zip(texts, figures, strict=True)]
    return [
        Block("\t".join([name, *values]), 21, before=12, tabs=TABLE_TABS),
        Block("\t".join(["", *spans]), 17, colour=MUTED, tabs=TABLE_TABS),
    ]


# The plates


def _map_plate(
    page: np.ndarray, top: int, *, z: np.ndarray, patch: Heights, grid: Grid, zones: ZoneMap, row: int
) -> list[Label]:
    """Heights over the patch's top plane in colour, zones outlined, and where the profile lies."""
    labels = _heading(page, "Heights over the top plane of the whole patch", MARGIN, top, MAP_BOX[0] + 130)
    per_mm = min(MAP_BOX[0] / grid.columns, MAP_BOX[1] / grid.rows) / grid.step_mm
    size = max(round(grid.columns * grid.step_mm * per_mm), 8), max(round(grid.rows * grid.step_mm * per_mm), 8)
    low, high = (float(patch.above(1 - share)) - patch.top_mm for share in SHOWN)
    high = max(high, low + LEAST_SPAN_MM)
    colours = chart.height_colours(z, low + patch.top_mm, high + patch.top_mm)
    picture = cv2.resize(colours, size, interpolation=cv2.INTER_AREA)
    picture = outline_zones(picture, zones, grid)
    left, upper = MARGIN, top + PLATE_TOP
    page[upper : upper + size[1], left : left + size[0]] = picture
    cv2.rectangle(page, (left - 1, upper - 1), (left + size[0], upper + size[1]), INK, 1)
    y = upper + (row + 0.5) * size[1] / grid.rows
    frame = Frame(left, upper, size[0], size[1], (0.0, 1.0), (0.0, 1.0))
    chart.level(page, frame, float(1 - (y - upper) / size[1]), dash="dashed")
    labels.append(text_at("profile", left + size[0] + 6, y - 11, size=chart.TICK_TEXT))
    fitting = [length for length in BAR_LENGTHS_MM if length * per_mm <= 0.3 * size[0]] or [BAR_LENGTHS_MM[0]]
    labels += chart.scale_bar(page, left, upper + size[1] + 18, length_mm=fitting[-1], px_per_mm=per_mm)
    bar = Frame(left + size[0] + 84, upper, 22, min(size[1], 420), (0.0, 1.0), (low, high))
    return labels + chart.colour_scale(page, bar, title="mm")


def _profile_plate(
    page: np.ndarray, top: int, *, z: np.ndarray, condition: np.ndarray, line: Grid, areas: list[Heights]
) -> list[Label]:
    """The profile with the patch's planes, the zones' own top planes, and the condition underneath."""
    patch = areas[0]
    x, step_mm = line.x_mm, line.step_mm
    relief = max(patch.top_mm - patch.floor_mm, LEAST_SPAN_MM)
    span = (min(patch.floor_mm - 0.15 * relief, np.nanmin(z)), max(patch.top_mm + 0.15 * relief, np.nanmax(z)))
    frame = Frame(MARGIN + 66, top + PLATE_TOP, WIDTH - 66 - 190, PROFILE_HEIGHT, (x[0], x[-1]),
                  (span[0] - patch.top_mm, span[1] - patch.top_mm))  # fmt: skip
    larger = frame.height / (span[1] - span[0]) / (frame.width / (x[-1] - x[0]))
    title = f"Profile along x at y = {line.y1_mm:.1f} mm, heights {larger:.0f} times larger than lengths"
    labels = _heading(page, title, MARGIN, top, WIDTH)
    over = z - patch.top_mm
    chart.area(page, frame, x, over, np.full(x.shape, frame.y_range[0]), colour=MATERIAL_TINT)
    labels += chart.axes(page, frame, x_title="x, mm", y_title="mm over the patch's top plane")
    chart.curve(page, frame, x, over)
    labels += _planes(page, frame, patch)
    for area in areas[1:]:
        for start, end in _stretches(condition == CODES[area.name], LEAST_STRETCH_MM / step_mm):
            ends, height = x[[start, end - 1]], area.top_mm - patch.top_mm
            chart.curve(page, frame, ends, np.full(2, height), colour=COLOURS[area.name], dash=DASH_OF[area.name])
    condition_strip(page, frame, condition)
    note = "Coloured lines: top plane of each zone. Strip: sound plain, worn slanted, filled dotted."
    labels.append(text_at(note, frame.left, frame.top + frame.height + 54, size=chart.TICK_TEXT, colour=MUTED))
    return labels


def _planes(page: np.ndarray, frame: Frame, heights: Heights) -> list[Label]:
    """Top plane and 98 % level across the frame, named to its right."""
    labels: list[Label] = []
    levels = ((0.0, "solid", "top plane, 2 %"), (heights.floor_mm - heights.top_mm, "dotted", "98 % level"))
    for y, dash, text in levels:
        chart.level(page, frame, y, dash=dash)
        at = max(float(frame.y_px(y)) - 11, labels[-1].y + chart.TICK_TEXT + 4 if labels else 0)
        labels.append(text_at(text, frame.left + frame.width + 10, at, size=chart.TICK_TEXT))
    return labels


def _stretches(inside: np.ndarray, least: float) -> list[tuple[int, int]]:
    """Starts and ends of the runs of True of at least this length."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], inside, [False]]).astype(int)))
    return [(a, b) for a, b in zip(edges[::2], edges[1::2], strict=True) if b - a >= least]


def condition_strip(page: np.ndarray, frame: Frame, condition: np.ndarray) -> None:
    """The condition along the profile, inside the frame's foot."""
    tall = 16
    column = (np.arange(frame.width) + 0.5) / frame.width * condition.size
    codes = condition[column.astype(int)]
    strip = page[frame.top + frame.height - tall : frame.top + frame.height, frame.left : frame.left + frame.width]
    for name, code in CODES.items():
        hatched = fill_with_hatch(np.full((tall, frame.width, 3), 232, np.uint8), name, pitch=tall)
        strip[:, codes == code] = hatched[:, codes == code]
    strip[0, codes > 0] = INK


def _curve_plates(page: np.ndarray, top: int, areas: list[Heights], depth_mm: float) -> list[Label]:
    """A material-ratio curve each for the patch and the zones, on one scale."""
    labels = _heading(page, "Material ratio: relief, void depth and contact area", MARGIN, top, WIDTH)
    lowest = min(-LEAST_SPAN_MM, *(each.floor_mm - each.top_mm for each in areas))
    width = (WIDTH - 66) // max(len(areas), 3) - GAP
    for number, area in enumerate(areas):
        left, y_range = MARGIN + 66 + number * (width + GAP), (1.2 * lowest, -0.22 * lowest)
        frame = Frame(left, top + PLATE_TOP + 30, width, CURVE_HEIGHT - 30, (0.0, 1.0), y_range)
        labels += curve_plate(page, frame, area, depth_mm)
    return labels


def curve_plate(page: np.ndarray, frame: Frame, heights: Heights, depth_mm: float) -> list[Label]:
    """
    The curve of one area over its own top plane: void shaded, planes, contact read off at its depth.

    The frame's x is the share of the area, 0 to 1, its y the height over the top plane [mm].
    """
    share = (np.arange(CURVE_POINTS) + 0.5) / CURVE_POINTS
    over = heights.above(share) - heights.top_mm
    floor = heights.floor_mm - heights.top_mm
    contact = float(heights.share_above(heights.top_mm - depth_mm))
    below = heights.falling_mm[round(float(heights.share_above(heights.top_mm)) * heights.falling_mm.size) :]
    void = float((heights.top_mm - below).sum(dtype=float)) / heights.falling_mm.size
    chart.area(page, frame, share, np.zeros_like(share), np.minimum(over, 0), colour=VOID_TINT)
    labels = chart.axes(page, frame, x_title="share of the area above, %", y_title="", x_factor=100.0)
    chart.level(page, frame, 0.0, dash="solid")
    chart.level(page, frame, floor, dash="dotted")
    chart.level(page, frame, -depth_mm, dash="dashed", x_range=(0.0, contact))
    chart.curve(page, frame, np.full(2, contact), np.array([-depth_mm, frame.y_range[0]]), dash="dashed")
    colour = COLOURS.get(heights.name, INK)
    chart.curve(page, frame, share, over, colour=colour, dash=DASH_OF.get(heights.name, "solid"))
    title = heights.name if heights.name not in CODES else f"largest {heights.name} zone"
    labels.append(text_at(title, frame.left, frame.top - 34, size=21, bold=True))
    right = frame.left + frame.width - 8
    line = chart.TICK_TEXT + 4
    middle = max(float(frame.y_px(0.55 * floor)) - 11, float(frame.y_px(0.0)) + 4)
    lowest = max(float(frame.y_px(floor)) + 4, middle + line)
    texts = ("top plane", f"void {void:.2f} mm", f"relief {abs(floor):.2f} mm")
    for y, text in zip((float(frame.y_px(0.0)) - 24, middle, lowest), texts, strict=True):
        labels.append(text_at(text, right, y, size=chart.TICK_TEXT, align="right"))
    x, text = float(frame.x_px(contact)), f"contact {100 * contact:.0f} %"
    if contact < MOST_BESIDE:
        y = max(float(frame.y_px(-depth_mm)) - 22, float(frame.y_px(0.0)) + 2)
        labels.append(text_at(text, x + 8, y, size=chart.TICK_TEXT))
    else:
        labels.append(text_at(text, x - 8, frame.top + frame.height - 26, size=chart.TICK_TEXT, align="right"))
    return labels


def _distribution_plate(page: np.ndarray, top: int, areas: list[Heights]) -> list[Label]:
    """How often each height occurs, the patch and its zones, each over its own top plane."""
    width = (WIDTH - GAP) // 2
    labels = _heading(page, "Distribution of heights", MARGIN, top, width)
    low = 1.25 * min(-LEAST_SPAN_MM, *(each.floor_mm - each.top_mm for each in areas))
    edges = np.linspace(low, -0.25 * low, BINS + 1)
    shown = areas[1:] or areas
    per_mm = [-np.diff(each.share_above(edges + each.top_mm)) / (edges[1] - edges[0]) for each in shown]
    frame = Frame(MARGIN + 66, top + PLATE_TOP, width - 66, CURVE_HEIGHT, (edges[0], edges[-1]),
                  (0.0, 1.08 * max(float(each.max()) for each in per_mm)))  # fmt: skip
    y_title = "share of the area per mm of height"
    labels += chart.axes(page, frame, x_title="mm over the area's own top plane", y_title=y_title)
    chart.curve(page, frame, np.zeros(2), np.array(frame.y_range))
    for number, (each, density) in enumerate(zip(shown, per_mm, strict=True)):
        colour, dash = COLOURS.get(each.name, INK), DASH_OF.get(each.name, "solid")
        chart.curve(page, frame, (edges[1:] + edges[:-1]) / 2, density, colour=colour, dash=dash)
        y = frame.top + 24 + 26 * number
        x = frame.left + 24
        key = Frame(x, y, 56, 2, (0.0, 1.0), (0.0, 1.0))
        chart.curve(page, key, np.array([0.0, 1.0]), np.array([0.5, 0.5]), colour=colour, dash=dash)
        labels.append(text_at(each.name, x + 70, y - 10, size=chart.TICK_TEXT))
    return labels
