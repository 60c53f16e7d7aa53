"""Zones as polygons in mm for other programs: JSON, and an SVG drawing at true size."""

from __future__ import annotations

from xml.etree import ElementTree

import numpy as np
import shapely

from texscan.model import Grid, ZoneMap
from texscan.survey.shapes import FAMILY
from texscan.zone_drawing import COLOURS, lettered

SCHEMA = "texscan.zones/1"
FRAME = "card frame: x to the right and y up on the card as printed, mm"
MARGIN_MM = 8.0
BAR_MM = 20.0
HATCH_MM = 3.0
LETTER_MM = 5.0
SVG = "http://www.w3.org/2000/svg"
INK = "#1c242e"


def zones_dict(panel: str, grid: Grid, zones: ZoneMap) -> dict:
    """The zones with their letters as on the scored image, the largest first."""
    left, right, low, high = _extent(grid)
    return {
        "schema": SCHEMA,
        "units": "mm",
        "frame": FRAME,
        "panel": panel,
        "extent_mm": {"x_low": left, "x_high": right, "y_low": low, "y_high": high},
        "zones": [
            {
                "letter": letter,
                "condition": zone.condition,
                "polygon_mm": zone.polygon_mm,
                "area_mm2": zone.area_mm2,
                "relief_mm": zone.relief_mm,
                "void_depth_mm": zone.void_depth_mm,
                "contact_area_fraction": zone.contact_area_fraction,
            }
            for letter, zone in lettered(zones)
        ],
    }


def zones_svg(panel: str, grid: Grid, zones: ZoneMap) -> str:
    """The zones as SVG whose units are mm: outlines, hatches that tell them apart without colour, letters, a bar."""
    left, right, low, high = _extent(grid)
    wide, tall = right - left + 2 * MARGIN_MM, high - low + 2 * MARGIN_MM
    ElementTree.register_namespace("", SVG)
    top = ElementTree.Element(
        f"{{{SVG}}}svg",
        {"width": f"{wide:g}mm", "height": f"{tall:g}mm", "viewBox": f"{left - MARGIN_MM:g} {-high - MARGIN_MM:g} "
         f"{wide:g} {tall:g}", "role": "img"},
    )  # fmt: skip
    _add(top, "title").text = _printable(panel) or "Zones"
    _add(top, "desc").text = "; ".join(f"{letter}: {zone.condition}" for letter, zone in lettered(zones))
    _patterns(top)
    _add(top, "rect", x=left, y=-high, width=right - left, height=high - low, fill="none", stroke=INK)
    drawn = sorted(lettered(zones), key=lambda pair: pair[1].condition != "sound")  # what changed lies on top
    for letter, zone in drawn:
        points = " ".join(f"{x:.3f},{-y:.3f}" for x, y in zone.polygon_mm)
        shape = _add(top, "polygon", points=points, fill=f"url(#{zone.condition})", stroke=_colour(zone.condition))
        shape.set("stroke-width", "0.8")
        _add(shape, "title").text = f"{letter}: {zone.condition}"
    for letter, zone in lettered(zones):
        x, y = _middle(zone.polygon_mm)
        label = _add(top, "text", x=x, y=-y + LETTER_MM / 3, fill=INK)
        label.set("text-anchor", "middle")
        label.set("font-size", f"{LETTER_MM:g}")
        label.set("font-family", FAMILY)
        label.text = letter
    _add(top, "path", d=f"M{left:g} {-low + 4:g}h{BAR_MM:g}", stroke=INK)
    bar = _add(top, "text", x=left + BAR_MM + 1.5, y=-low + 5, fill=INK)
    bar.set("font-size", "3")
    bar.set("font-family", FAMILY)
    bar.text = f"{BAR_MM:g} mm"
    return ElementTree.tostring(top, encoding="unicode", xml_declaration=False) + "\n"


def _extent(grid: Grid) -> tuple[float, float, float, float]:
    """Outer edges of the grid's pixels: x low, x high, y low, y high [mm]."""
    half = grid.step_mm / 2
    x, y = grid.x_mm, grid.y_mm
    return float(x[0]) - half, float(x[-1]) + half, float(y[-1]) - half, float(y[0]) + half


def _add(parent: ElementTree.Element, name: str, **attributes: object) -> ElementTree.Element:
    texts = {key: f"{value:.3f}" if isinstance(value, float) else str(value) for key, value in attributes.items()}
    if name in ("rect", "path"):
        texts.setdefault("stroke-width", "0.3")
    return ElementTree.SubElement(parent, f"{{{SVG}}}{name}", texts)


def _patterns(top: ElementTree.Element) -> None:
    """Sound plain, worn slanted, filled dotted, as on the scored image."""
    defs = _add(top, "defs")
    for condition in COLOURS:
        pattern = _add(defs, "pattern", id=condition, width=HATCH_MM, height=HATCH_MM, patternUnits="userSpaceOnUse")
        ground = _add(pattern, "rect", width=HATCH_MM, height=HATCH_MM, fill=_colour(condition))
        ground.set("fill-opacity", "0.15")
        ground.set("stroke", "none")
        if condition == "worn":
            _add(pattern, "path", d=f"M0 {HATCH_MM:g}L{HATCH_MM:g} 0", stroke=INK)
        elif condition == "filled":
            _add(pattern, "circle", cx=HATCH_MM / 2, cy=HATCH_MM / 2, r=0.5, fill=INK)


def _colour(condition: str) -> str:
    return "#{:02x}{:02x}{:02x}".format(*COLOURS[condition])


def _middle(polygon: np.ndarray) -> tuple[float, float]:
    """A place well inside a polygon."""
    whole = shapely.Polygon(polygon).buffer(0)
    place = shapely.Point(polygon[0]) if whole.is_empty else whole.representative_point()
    return float(place.x), float(place.y)


def _printable(text: str) -> str:
    return "".join(letter if letter.isprintable() else " " for letter in text).strip()
