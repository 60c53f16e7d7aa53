"""The deck plan: panels where they lie on the boat, coloured and hatched by verdict or by void depth."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from PIL import Image

from texscan.errors import SettingsError
from texscan.survey.deck_key import KEY_SIZE, MARGIN, VERDICT, VOID, Numbered, cut, key_table, legend, numbered
from texscan.survey.outcome import PanelOutcome
from texscan.survey.records import Survey
from texscan.survey.shapes import (
    Area,
    Disc,
    Drawing,
    Picture,
    Points,
    Shape,
    Strokes,
    Words,
    hatch,
    png_file,
    svg_text,
)
from texscan.survey.units import LENGTH, in_units
from texscan.typeset import INK, MUTED, PAPER, RULE, font

TITLES = {VERDICT: "Deck plan by verdict", VOID: "Deck plan by void depth"}
WIDTH, HEAD = 1200, 112  # px
PLAN_MOST = 1000  # px, height of the plan
NOTE_SIZE, NOTE_HEIGHT, RADIUS = 17, 26, 17  # px: words beside a number and their box; the number's disc
SCALE_LENGTHS = (0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0)  # m or ft
SCALE_SHARE = 0.25  # of the plan's width, the most that the scale bar takes
DECK = (247, 248, 249)
PICTURE_INK = 0.45  # share of a picture's ink that is left under the panels
AHEAD = {"right": (1, 0), "left": (-1, 0), "up": (0, -1), "down": (0, 1)}  # on the page, y down


def deck_plan_svg(
    survey: Survey, outcomes: tuple[PanelOutcome, ...], *, shade_by: str, picture: np.ndarray | None = None
) -> str:
    """
    The deck plan as SVG.

    Parameters
    ----------
    shade_by : "verdict" or "void-depth".
    picture : (rows, columns, 3) uint8, the plan picture under outlines in pixels; None = none at hand.

    Raises
    ------
    SettingsError : no panel has an outline; what to write in survey.toml.
    """
    return svg_text(deck_plan(survey, outcomes, shade_by=shade_by, picture=picture))


def deck_plan_png(
    survey: Survey, outcomes: tuple[PanelOutcome, ...], *, shade_by: str, picture: np.ndarray | None = None
) -> bytes:
    """The deck plan as PNG, as `deck_plan_svg`."""
    return png_file(deck_plan(survey, outcomes, shade_by=shade_by, picture=picture))


def deck_plan(
    survey: Survey, outcomes: tuple[PanelOutcome, ...], *, shade_by: str, picture: np.ndarray | None = None
) -> Drawing:
    """The drawing behind both files; arguments as `deck_plan_svg`."""
    in_metres = not any(panel.outline_px for panel in survey.panels)
    panels = numbered(survey, outcomes, shade_by, in_metres)
    outlined = [panel for panel in panels if panel.corners]
    if not outlined:
        raise SettingsError(
            "No panel of the survey has an outline, so there is no deck plan. Write outline_m for each panel: its "
            "corners in order, x forward from the transom, y to port."
        )
    edge = survey.deck_plan.outline_m if in_metres else ()
    under = None if in_metres else picture
    frame = _frame([corner for panel in outlined for corner in panel.corners], edge, under, in_metres)
    shapes = _heading(survey, shade_by) + _underlay(frame, edge, under)
    for panel in outlined:
        shapes += _panel_shapes(panel, frame)
    for panel in outlined:
        shapes += _label(panel, frame, shade_by)
    unit_m = 1.0 if in_metres else survey.deck_plan.metres_per_px
    shapes += _scale(frame, unit_m, survey.units) + _bow(frame, "right" if in_metres else survey.deck_plan.bow)
    samples, below = legend(panels, frame.bottom + 70, width=WIDTH, units=survey.units)
    rows, height = key_table(panels, below, width=WIDTH, units=survey.units)
    summary = "; ".join(f"{panel.number} {panel.panel.name}: {panel.look.words}" for panel in panels)
    return Drawing(WIDTH, height, f"{TITLES[shade_by]}: {survey.boat.name}", summary, (*shapes, *samples, *rows))


@dataclass(frozen=True, slots=True)
class Frame:
    """From the plan's own units, metres or pixels of the picture, to the page."""

    least: tuple[float, float]  # corner of the plan in its own units
    y_from: float  # the y that lies at the top
    y_sign: int  # -1: y points up the page (to port), 1: down (a picture)
    scale: float  # px a unit
    left: float  # px
    bottom: float  # px

    def to_page(self, at: tuple[float, float]) -> tuple[float, float]:
        x, y = at[0] - self.least[0], self.y_sign * (at[1] - self.y_from)
        return self.left + self.scale * x, HEAD + self.scale * y


def _frame(corners: list[tuple[float, float]], edge: Points, under: np.ndarray | None, in_metres: bool) -> Frame:
    around = [*corners, *edge]
    if under is not None:
        around += [(0.0, 0.0), (float(under.shape[1]), float(under.shape[0]))]
    low, high = np.min(around, axis=0), np.max(around, axis=0)
    wide, tall = (float(v) for v in high - low)
    scale = min((WIDTH - 2 * MARGIN) / wide, PLAN_MOST / tall)
    return Frame(
        least=(float(low[0]), float(low[1])),
        y_from=float(high[1] if in_metres else low[1]),
        y_sign=-1 if in_metres else 1,
        scale=scale,
        left=(WIDTH - scale * wide) / 2,
        bottom=HEAD + scale * tall,
    )


def _underlay(frame: Frame, edge: Points, under: np.ndarray | None) -> list[Shape]:
    """The edge of the deck, or the picture, faded so that the panels stand out."""
    if edge:
        return [Area(tuple(map(frame.to_page, edge)), DECK, stroke=RULE, width=3.0, title="edge of the deck")]
    if under is None:
        return []
    (left, top), (right, bottom) = frame.to_page((0, 0)), frame.to_page((under.shape[1], under.shape[0]))
    eight_bit = under if under.dtype == np.uint8 else (under >> 8).astype(np.uint8)
    size = round(right - left), round(bottom - top)
    small = np.asarray(Image.fromarray(eight_bit[..., :3]).resize((max(size[0], 1), max(size[1], 1))))
    faded = (255 - (255 - small.astype(np.float32)) * PICTURE_INK).astype(np.uint8)
    return [Picture(faded, (left, top, right - left, bottom - top))]


def _heading(survey: Survey, shade_by: str) -> list[Shape]:
    boat = ", ".join(part for part in (survey.boat.name, survey.boat.kind, survey.boat.place) if part)
    when = f" · surveyed {survey.surveyed_on}" if survey.surveyed_on else ""
    rule = ((MARGIN, 88), (WIDTH - MARGIN, 88))
    return [
        Words(TITLES[shade_by], (MARGIN, 44), 30, bold=True),
        Words(cut(boat + when, KEY_SIZE, WIDTH - 2 * MARGIN), (MARGIN, 74), KEY_SIZE, colour=MUTED),
        Strokes((rule,), RULE, 2.0),
    ]


def _panel_shapes(panel: Numbered, frame: Frame) -> list[Shape]:
    look, corners = panel.look, tuple(map(frame.to_page, panel.corners))
    title = f"{panel.number} {panel.panel.name}: {look.words}"
    shapes: list[Shape] = [Area(corners, look.fill, stroke=look.fill, width=1.0, title=title)]
    if look.pitch:
        shapes.append(Strokes(hatch(corners, angle_deg=look.angle_deg, pitch=look.pitch), look.line, 2.0))
    return [*shapes, Area(corners, None, stroke=look.line, width=3.0, dash=look.dash)]


def _label(panel: Numbered, frame: Frame, shade_by: str) -> list[Shape]:
    """The number in a disc, and beside or below it the void depth, or that a repair comes first."""
    polygon = shapely.Polygon([frame.to_page(corner) for corner in panel.corners])
    void = panel.outcome.figures["void_depth_mm"] if panel.outcome else None
    told = "repair" if shade_by == VERDICT and panel.repairs else ""
    if shade_by == VOID and void:
        told = f"{void.value:.2f}"
    wide = font(NOTE_SIZE, False).getlength(told) + 14 if told else 0.0
    (x, y), fits = _spot(polygon, wide)
    if fits:
        x -= wide / 2
        left, top = x + RADIUS - 2, y - NOTE_HEIGHT / 2
    else:
        y -= NOTE_HEIGHT / 2
        left, top = x - wide / 2, y + RADIUS
    shapes: list[Shape] = []
    if told:
        low = top + NOTE_HEIGHT
        box = ((left, top), (left + wide, top), (left + wide, low), (left, low))
        shapes = [
            Area(box, PAPER, stroke=INK, width=1.5),
            Words(told, (left + wide / 2, top + 19), NOTE_SIZE, anchor="middle"),
        ]
    disc = Disc((x, y), RADIUS)
    return [*shapes, disc, Words(str(panel.number), (x, y + 7), KEY_SIZE, bold=True, anchor="middle")]


def _spot(polygon: shapely.Polygon, wide: float) -> tuple[tuple[float, float], bool]:
    """
    Where the label goes, and whether the disc and a box of that width beside it fit there.

    The centroid is tried where it lies well within the panel, then the place with most room.
    """
    roomy = shapely.maximum_inscribed_circle(polygon, tolerance=1.0)
    centroid = polygon.centroid
    central = polygon.contains(centroid) and polygon.exterior.distance(centroid) > 0.7 * roomy.length
    places = [(x, y) for x, y in [*([centroid.coords[0]] if central else []), roomy.coords[0]]]
    for x, y in places:
        disc = shapely.Point(x - wide / 2, y).buffer(RADIUS)
        if polygon.contains(
            disc.union(shapely.box(x, y - NOTE_HEIGHT / 2, x + wide / 2 + RADIUS, y + NOTE_HEIGHT / 2))
        ):
            return (x, y), True
    return places[0], wide == 0


def _scale(frame: Frame, unit_m: float | None, units: str) -> list[Shape]:
    """The scale bar below the plan on the left; `unit_m` is the length of the plan's unit [m], None = not stated."""
    y = frame.bottom + 30
    if unit_m is None:
        return [Words("Scale of the picture not stated", (MARGIN, y + 7), KEY_SIZE, colour=MUTED)]
    one, name = in_units(unit_m, LENGTH, units)
    fitting = [long for long in SCALE_LENGTHS if long / one * frame.scale <= SCALE_SHARE * (WIDTH - 2 * MARGIN)]
    if not fitting:
        return []
    half = fitting[-1] / one * frame.scale / 2
    bars: list[Shape] = []
    for left, fill in ((MARGIN, INK), (MARGIN + half, PAPER)):
        box = ((left, y - 6), (left + half, y - 6), (left + half, y + 6), (left, y + 6))
        bars.append(Area(box, fill, width=1.5))
    return [*bars, Words(f"{fitting[-1]:g} {name}", (MARGIN + 2 * half + 12, y + 7), KEY_SIZE)]


def _bow(frame: Frame, bow: str | None) -> list[Shape]:
    """The arrow to the bow, below the plan on the right."""
    if bow is None:
        return []
    ahead = np.array(AHEAD[bow], dtype=float)
    aside, centre = np.array([-ahead[1], ahead[0]]), np.array([WIDTH - MARGIN - 45, frame.bottom + 30])
    tip, root = centre + 34 * ahead, centre - 34 * ahead
    head = (tip, tip - 22 * ahead + 11 * aside, tip - 22 * ahead - 11 * aside)
    side = ", port side up" if bow == "right" else ""
    return [
        Strokes((_points(root, tip - 18 * ahead),), INK, 5.0),
        Area(_points(*head), INK, width=1.0),
        Words(f"Bow{side}", (WIDTH - MARGIN - 92, frame.bottom + 37), KEY_SIZE, anchor="end"),
    ]


def _points(*places: np.ndarray) -> Points:
    return tuple((float(x), float(y)) for x, y in places)
