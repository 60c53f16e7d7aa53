"""A drawing of a few kinds of shapes, written as SVG and as PNG from the same places."""

from __future__ import annotations

import base64
import io
from dataclasses import dataclass
from itertools import pairwise
from xml.sax.saxutils import escape, quoteattr

import numpy as np
import shapely
from PIL import Image, ImageDraw
from shapely.ops import substring

from texscan.typeset import INK, PAPER, font

Colour = tuple[int, int, int]
Points = tuple[tuple[float, float], ...]
PNG_ZOOM = 2  # pixels of the PNG for one of the drawing: sharp in print, 360 a 25.4 mm at 170 mm of width
OVERSAMPLING = 2  # the PNG is drawn so much larger and shrunk, for smooth edges
FAMILY = "'Bitstream Vera Sans', 'DejaVu Sans', Verdana, sans-serif"  # the first is what the PNG is drawn with
ANCHORS = {"start": "l", "middle": "m", "end": "r"}  # of SVG, and of Pillow


@dataclass(frozen=True, slots=True)
class Area:
    """A polygon; fill None = open inside, dash 0 = a whole line. Title: what a reader or a screen reader is told."""

    points: Points
    fill: Colour | None
    stroke: Colour = INK
    width: float = 2.0
    dash: float = 0.0
    title: str = ""


@dataclass(frozen=True, slots=True)
class Strokes:
    """Straight lines, each from one point to another."""

    lines: tuple[Points, ...]
    colour: Colour = INK
    width: float = 2.0


@dataclass(frozen=True, slots=True)
class Disc:
    """A round patch."""

    at: tuple[float, float]
    radius: float
    fill: Colour = PAPER
    stroke: Colour = INK


@dataclass(frozen=True, slots=True)
class Words:
    """One line of text; its base line begins, centres or ends at the place."""

    text: str
    at: tuple[float, float]
    size: int
    bold: bool = False
    colour: Colour = INK
    anchor: str = "start"


@dataclass(frozen=True, slots=True)
class Picture:
    """A picture (rows, columns, 3) uint8 stretched over a box: left, top, width, height."""

    pixels: np.ndarray
    box: tuple[float, float, float, float]


Shape = Area | Strokes | Disc | Words | Picture


@dataclass(frozen=True, slots=True)
class Drawing:
    """Shapes from the lowest to the topmost on white paper; x to the right, y down, in pixels."""

    width: int
    height: int
    title: str
    summary: str
    shapes: tuple[Shape, ...]


def hatch(points: Points, *, angle_deg: float, pitch: float) -> tuple[Points, ...]:
    """Parallel lines across a polygon, as far as they lie within it; 0 = level, 90 = upright."""
    polygon = shapely.Polygon(points)
    angle = np.radians(angle_deg)
    along, across = np.array([np.cos(angle), -np.sin(angle)]), np.array([np.sin(angle), np.cos(angle)])
    corners = np.array(points)
    first, last = np.floor((corners @ across).min() / pitch), np.ceil((corners @ across).max() / pitch)
    reach = np.array([(corners @ along).min() - 1, (corners @ along).max() + 1])
    rows = [across * pitch * n + np.outer(reach, along) for n in np.arange(first, last + 1)]
    parts = [part for row in rows for part in shapely.get_parts(polygon.intersection(shapely.LineString(row)))]
    return tuple(tuple(part.coords) for part in parts if part.geom_type == "LineString" and part.length > 0)


def svg_text(drawing: Drawing) -> str:
    """The drawing as an SVG file, with nothing in it that asks for another file."""
    body = "\n".join(_svg(shape) for shape in drawing.shapes)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {drawing.width} {drawing.height}" '
        f'width="{drawing.width}" height="{drawing.height}" role="img" font-family="{FAMILY}">\n'
        f"<title>{escape(plain(drawing.title))}</title>\n<desc>{escape(plain(drawing.summary))}</desc>\n"
        f'<rect width="{drawing.width}" height="{drawing.height}" fill="{_hex(PAPER)}"/>\n{body}\n</svg>\n'
    )


def _svg(shape: Shape) -> str:
    if isinstance(shape, Area):
        places = " ".join(f"{x:.1f},{y:.1f}" for x, y in shape.points)
        dash = f' stroke-dasharray="{shape.dash:g}"' if shape.dash else ""
        title = f"<title>{escape(plain(shape.title))}</title>" if shape.title else ""
        return (
            f'<polygon points="{places}" fill="{_hex(shape.fill)}" stroke="{_hex(shape.stroke)}" '
            f'stroke-width="{shape.width:g}"{dash}>{title}</polygon>'
        )
    if isinstance(shape, Strokes):
        ways = "".join(f"M{a[0]:.1f} {a[1]:.1f}L{b[0]:.1f} {b[1]:.1f}" for a, b in shape.lines)
        ink = f'stroke="{_hex(shape.colour)}" stroke-width="{shape.width:g}"'
        return f'<path d="{ways}" {ink} pointer-events="none"/>'
    if isinstance(shape, Disc):
        return (
            f'<circle cx="{shape.at[0]:.1f}" cy="{shape.at[1]:.1f}" r="{shape.radius:g}" fill="{_hex(shape.fill)}" '
            f'stroke="{_hex(shape.stroke)}" stroke-width="2"/>'
        )
    if isinstance(shape, Words):
        weight = ' font-weight="bold"' if shape.bold else ""
        return (
            f'<text x="{shape.at[0]:.1f}" y="{shape.at[1]:.1f}" font-size="{shape.size}" text-anchor='
            f'{quoteattr(shape.anchor)} fill="{_hex(shape.colour)}"{weight}>{escape(plain(shape.text))}</text>'
        )
    left, top, wide, high = shape.box
    return (
        f'<image x="{left:.1f}" y="{top:.1f}" width="{wide:.1f}" height="{high:.1f}" preserveAspectRatio="none" '
        f'href="data:image/png;base64,{base64.b64encode(_png(Image.fromarray(shape.pixels))).decode()}"/>'
    )


def plain(text: str) -> str:
    """The text without characters that XML does not allow or that turn the reading direction."""
    return "".join(c if c.isprintable() else " " for c in text)


def png_file(drawing: Drawing, *, zoom: int = PNG_ZOOM) -> bytes:
    """The drawing as a PNG file, `zoom` of its pixels for one of the drawing's."""
    fine = zoom * OVERSAMPLING
    large = Image.new("RGB", (drawing.width * fine, drawing.height * fine), PAPER)
    draw = ImageDraw.Draw(large)
    for shape in drawing.shapes:
        if isinstance(shape, Picture):
            left, top, wide, high = (round(fine * v) for v in shape.box)
            large.paste(Image.fromarray(shape.pixels).resize((max(wide, 1), max(high, 1))), (left, top))
        elif not isinstance(shape, Words):
            _draw(draw, shape, fine)
    picture = large.reduce(OVERSAMPLING)
    draw = ImageDraw.Draw(picture)  # words at their own size: their hinting is for it
    for shape in drawing.shapes:
        if isinstance(shape, Words):
            face, at = font(shape.size * zoom, shape.bold), (shape.at[0] * zoom, shape.at[1] * zoom)
            draw.text(at, plain(shape.text), font=face, fill=shape.colour, anchor=ANCHORS[shape.anchor] + "s")
    return _png(picture)


def _draw(draw: ImageDraw.ImageDraw, shape: Area | Strokes | Disc, fine: int) -> None:
    if isinstance(shape, Disc):
        ((x, y),), r = _fine((shape.at,), fine), shape.radius * fine
        draw.ellipse((x - r, y - r, x + r, y + r), fill=shape.fill, outline=shape.stroke, width=2 * fine)
        return
    if isinstance(shape, Strokes):
        lines, colour = shape.lines, shape.colour
    else:
        if shape.fill is not None:
            draw.polygon(_fine(shape.points, fine), fill=shape.fill)
        ring = (*shape.points, shape.points[0])
        lines, colour = _dashed(ring, shape.dash) if shape.dash else tuple(pairwise(ring)), shape.stroke
    r = shape.width * fine / 2
    for line in lines:
        places = _fine(line, fine)
        draw.line(places, fill=colour, width=round(2 * r))
        for x, y in places if isinstance(shape, Area) else ():  # corners without gaps
            draw.ellipse((x - r, y - r, x + r, y + r), fill=colour)


def _fine(points: Points, fine: int) -> list[tuple[float, float]]:
    return [(x * fine, y * fine) for x, y in points]


def _dashed(ring: Points, dash: float) -> tuple[Points, ...]:
    way = shapely.LineString(ring)
    starts = np.arange(0, way.length, 2 * dash)
    dashes = (substring(way, start, min(start + dash, way.length)) for start in starts)
    return tuple(tuple((x, y) for x, y in line.coords) for line in dashes)


def _png(picture: Image.Image) -> bytes:
    stream = io.BytesIO()
    picture.save(stream, "PNG", optimize=True)
    return stream.getvalue()


def _hex(colour: Colour | None) -> str:
    return "none" if colour is None else "#{:02x}{:02x}{:02x}".format(*colour)
