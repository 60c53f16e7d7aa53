"""The key of a deck plan: number, fill and verdict of each panel, the legend of fills, and the table below."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from texscan.overlay import VERDICTS
from texscan.report import figure_words
from texscan.survey.area import panel_area_m2
from texscan.survey.checking import area_of_all
from texscan.survey.outcome import PanelOutcome
from texscan.survey.records import Survey, SurveyPanel
from texscan.survey.shapes import Area, Colour, Points, Shape, Strokes, Words, hatch, plain
from texscan.survey.units import AREA, in_units
from texscan.typeset import INK, MUTED, PAPER, RULE, font

VERDICT, VOID = "verdict", "void-depth"
MARGIN, ROW, KEY_SIZE, SMALL = 40, 33, 18, 15  # px
# Void depth in classes [mm]: the less, the darker and the closer the lines.
VOID_EDGES_MM = (0.1, 0.2, 0.3, 0.4)
VOID_WORDS = ("below 0.1 mm", "0.1 to 0.2 mm", "0.2 to 0.3 mm", "0.3 to 0.4 mm", "0.4 mm and more")
VOID_INK: Colour = (0, 74, 128)
VOID_TINTS = (0.62, 0.48, 0.34, 0.20, 0.08)  # share of the ink in the fill, from least void to most
VOID_PITCH = (7, 11, 17, 26, 40)  # px
VERDICT_TINT = 0.22
HATCH_OF = {"recoat": (0.0, 0), "sand-flat-and-retexture": (45.0, 11), "inconclusive": (0.0, 20)}  # degrees, px


@dataclass(frozen=True, slots=True)
class Look:
    """How a panel is filled; pitch 0 = no lines, dash 0 = a whole outline."""

    words: str
    rank: int  # place in the legend
    fill: Colour
    line: Colour = INK
    angle_deg: float = 0.0
    pitch: float = 0.0
    dash: float = 0.0


NOT_SCORED = Look("Not scored", 9, PAPER, line=MUTED, dash=8.0)
NO_FIGURE = Look("Not defined", 8, PAPER, line=INK, dash=3.0)


@dataclass(frozen=True, slots=True)
class Numbered:
    """A panel of the survey with its number on the plan and what came out."""

    number: int
    panel: SurveyPanel
    outcome: PanelOutcome | None
    look: Look
    corners: Points  # in the frame of the plan; empty = no outline there

    @property
    def repairs(self) -> str:
        """What is to be repaired first, in a word or two each."""
        fails = self.panel.adhesion is not None and self.panel.adhesion.outcome == "fails"
        noted = {"soft spots": self.panel.soft_spots, "cracks": self.panel.cracks, "adhesion": fails}
        return ", ".join(words for words, there in noted.items() if there)


def numbered(
    survey: Survey, outcomes: tuple[PanelOutcome, ...], shade_by: str, in_metres: bool
) -> tuple[Numbered, ...]:
    """The panels in the survey's order; `in_metres` picks the outlines in metres, else those in pixels."""
    scored = {outcome.name: outcome for outcome in outcomes}
    look: Callable[[PanelOutcome], Look] = {VERDICT: _by_verdict, VOID: _by_void}[shade_by]
    panels = []
    for number, panel in enumerate(survey.panels, start=1):
        outcome = scored.get(panel.name)
        fill = look(outcome) if outcome else NOT_SCORED
        panels.append(Numbered(number, panel, outcome, fill, panel.outline_m if in_metres else panel.outline_px))
    return tuple(panels)


def _by_verdict(outcome: PanelOutcome) -> Look:
    words, ink = VERDICTS[outcome.action]
    angle, pitch = HATCH_OF[outcome.action]
    return Look(words, list(HATCH_OF).index(outcome.action), _tint(ink, VERDICT_TINT), ink, angle, pitch)


def _by_void(outcome: PanelOutcome) -> Look:
    void = outcome.figures["void_depth_mm"]
    if void is None:
        return NO_FIGURE
    level = sum(void.value >= edge for edge in VOID_EDGES_MM)
    return Look(VOID_WORDS[level], level, _tint(VOID_INK, VOID_TINTS[level]), VOID_INK, -45.0, VOID_PITCH[level])


def _tint(ink: Colour, share: float) -> Colour:
    mixed = [round(share * i + (1 - share) * p) for i, p in zip(ink, PAPER, strict=True)]
    return mixed[0], mixed[1], mixed[2]


def legend(panels: tuple[Numbered, ...], y: float, *, width: float, units: str) -> tuple[list[Shape], float]:
    """A sample of each fill with the panels and the area that have it, in rows from y down, and where they end."""
    shapes: list[Shape] = []
    x: float = MARGIN
    for look in sorted({panel.look for panel in panels}, key=lambda look: look.rank):
        alike = tuple(panel.panel for panel in panels if panel.look == look)
        area = area_of_all(alike)
        count = f"{len(alike)} panel{'s' if len(alike) != 1 else ''}"
        if area and all(map(panel_area_m2, alike)):
            count += f", {_area(area.value, units, 1)}"
        wide = 66 + max(font(KEY_SIZE, False).getlength(look.words), font(SMALL, False).getlength(count))
        if x + wide > width - MARGIN:
            x, y = MARGIN, y + 48
        box = ((x, y), (x + 54, y), (x + 54, y + 30), (x, y + 30))
        shapes.append(Area(box, look.fill, stroke=look.fill, width=1.0))
        if look.pitch:
            shapes.append(Strokes(hatch(box, angle_deg=look.angle_deg, pitch=look.pitch), look.line, 2.0))
        shapes.append(Area(box, None, stroke=look.line, width=3.0, dash=look.dash))
        shapes.append(Words(look.words, (x + 66, y + 13), KEY_SIZE))
        shapes.append(Words(count, (x + 66, y + 32), SMALL, colour=MUTED))
        x += wide + 40
    return shapes, y + 74


# Heading, left edge [px], room [px]
COLUMNS = (("", 0, 40), ("panel", 40, 290), ("area", 340, 90), ("verdict", 440, 230),
           ("void depth, 95 % interval", 690, 230), ("repair first", 940, 180))  # fmt: skip


def key_table(panels: tuple[Numbered, ...], y: float, *, width: float, units: str) -> tuple[list[Shape], int]:
    """The table of panels from y down with equal margins on a page of that width, and where the page ends."""
    left, right = MARGIN, width - MARGIN
    shapes: list[Shape] = [Words(name, (left + x, y), SMALL, colour=MUTED) for name, x, _ in COLUMNS if name]
    for row, panel in enumerate(panels, start=1):
        base = y + row * ROW
        shapes.append(Strokes((((left, base - 24), (right, base - 24)),), RULE, 1.0))
        for cell, (_, x, room) in zip(_cells(panel, units), COLUMNS, strict=True):
            shapes.append(Words(cut(cell, KEY_SIZE, room), (left + x, base), KEY_SIZE, bold=x == 0))
    end = y + (len(panels) + 1) * ROW
    together = area_of_all(tuple(panel.panel for panel in panels))
    if together:
        all_have_one = all(panel_area_m2(panel.panel) for panel in panels)
        name = "together" if all_have_one else "those with an area"
        low, high = (in_units(v, AREA, units)[0] for v in (together.low, together.high))
        words = f"{_area(together.value, units, 1)} ({low:.1f} to {high:.1f})"
        shapes.append(Strokes((((left, end - 24), (right, end - 24)),), INK, 1.5))
        shapes += [
            Words(name, (left + COLUMNS[1][1], end), KEY_SIZE),
            Words(words, (left + COLUMNS[2][1], end), KEY_SIZE),
        ]
        end += ROW
    note = "Measured from photos; not a slip rating. Less void depth is less texture."
    return [*shapes, Words(note, (left, end + 14), SMALL, colour=MUTED)], round(end + 44)


def _cells(panel: Numbered, units: str) -> tuple[str, ...]:
    area, outcome = panel_area_m2(panel.panel), panel.outcome
    return (
        str(panel.number),
        panel.panel.name + ("" if panel.corners else " (no outline)"),
        _area(area.value, units, 2) if area else "-",
        VERDICTS[outcome.action][0] if outcome else NOT_SCORED.words,
        figure_words(outcome.figures["void_depth_mm"], "mm") if outcome else "-",
        panel.repairs,
    )


def _area(area_m2: float, units: str, digits: int) -> str:
    value, name = in_units(area_m2, AREA, units)
    return f"{value:.{digits}f} {name}"


def cut(text: str, size: int, room: float) -> str:
    """The text on one line, shortened to the room [px]."""
    face, text = font(size, False), plain(text)
    if face.getlength(text) <= room:
        return text
    while text and face.getlength(text + "...") > room:
        text = text[:-1]
    return text + "..."
