"""
Height maps of invented boat decks, in mm: moulded lozenge, square frusta, pebble, broadcast grit; worn and filled.

A `Deck` is a recipe; `height` evaluates it at any separable grid, so that a coarse and a fine mesh of one deck agree.
x to the right, y up, z out of the deck; arrays are (rows, columns) with row 0 at the largest y. The shapes are
geometry of our own making, within the ranges that the trade's patterns have (0.25 to 0.8 mm deep, flanks of 30 to 60
degrees: common practice, no source). Nothing here comes from texscan: renders made from it are checks from outside.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

CARD_THICKNESS_MM = 0.15  # the card lies on the peaks: the top plane is this far below z = 0
TOP_SHARE = 0.02  # the top plane is the height that this share of the area stands above
HALF_EXTENT_MM = 400.0  # random patterns are drawn over +- this, whatever part of it is asked for
PATTERNS = ("lozenge", "square", "pebble", "grit")
BEVEL_MM = 0.6  # over which the pattern runs out to a smooth border
FAR_MM = 0.6  # how far an unworn cut stands above, an unfilled level below, the pattern


@dataclass(frozen=True)
class Region:
    """
    Where something happened: "all", a "lane" of `width_mm` across (x_mm, y_mm), or the "half" to its left.

    `angle_deg` is the lane's direction anticlockwise from +x; the edge fades over about `edge_mm` and wanders by
    `wobble_mm`.
    """

    kind: str = "all"
    x_mm: float = 0.0
    y_mm: float = 0.0
    angle_deg: float = 0.0
    width_mm: float = 40.0
    edge_mm: float = 10.0
    wobble_mm: float = 2.0

    def distance_mm(self, x, y):
        """Signed distance inside the region's edge (positive inside) [mm]."""
        a = np.radians(self.angle_deg)
        along = (x - self.x_mm) * np.cos(a) + (y - self.y_mm) * np.sin(a)
        across = (y - self.y_mm) * np.cos(a) - (x - self.x_mm) * np.sin(a)
        across = across + self.wobble_mm * np.sin(along / 17.0) + 0.5 * self.wobble_mm * np.sin(along / 7.3 + 1.0)
        return self.width_mm / 2 - np.abs(across) if self.kind == "lane" else across

    def weight(self, x, y):
        """0 outside to 1 inside, float32, 0.5 on the edge."""
        if self.kind == "all":
            return np.ones(np.broadcast(x, y).shape, np.float32)
        t = np.clip(0.5 + self.distance_mm(x, y) / self.edge_mm, 0, 1)
        return (t * t * (3 - 2 * t)).astype(np.float32)


@dataclass(frozen=True)
class Wear:
    """Peaks taken down by `share` of the height, edges rounded over about `round_mm`."""

    share: float = 0.4
    round_mm: float = 0.02
    where: Region = field(default_factory=Region)


@dataclass(frozen=True)
class Fill:
    """Rolled paint: valleys flooded to `share` of the height, `film_mm` left everywhere, a meniscus of `round_mm`."""

    share: float = 0.5
    film_mm: float = 0.04
    round_mm: float = 0.04
    where: Region = field(default_factory=Region)


@dataclass(frozen=True)
class Border:
    """A smooth moulded strip from x0 to x1, level with the pattern's floor; it runs the whole length of y."""

    x0_mm: float
    x1_mm: float

    def distance_mm(self, x):
        """Signed distance outside the strip [mm]."""
        return np.abs(x - (self.x0_mm + self.x1_mm) / 2) - (self.x1_mm - self.x0_mm) / 2


@dataclass(frozen=True)
class Fitting:
    """A plain round plate on the deck; `height_mm` is its top above the floor of the sound pattern."""

    x_mm: float
    y_mm: float
    radius_mm: float = 8.0
    height_mm: float = 2.5

    def covers(self, x, y):
        return np.hypot(x - self.x_mm, y - self.y_mm) <= self.radius_mm


@dataclass(frozen=True)
class Deck:
    """One deck's recipe; lengths in mm, angles in degrees."""

    pattern: str
    seed: int
    height_mm: float = 0.6
    flank_deg: float = 50.0
    pitch_mm: float = 4.0  # lozenge: long diagonal of the cell; square: side of the cell; else mean spacing
    pitch_ratio: float = 0.6  # lozenge: short diagonal over long one
    groove_mm: float = 0.7  # lozenge, square: width of the groove's floor
    angle_deg: float = 0.0
    round_mm: float = 0.02
    peel_mm: float = 0.004  # amplitude of the paint's own waviness
    camber_radius_mm: float | None = None
    wear: Wear | None = None
    fill: Fill | None = None
    border: Border | None = None
    fitting: Fitting | None = None


def soft_max(a, b, k):
    """Smooth maximum; exceeds the larger by k ln 2 where both are equal."""
    return (k * np.logaddexp(a / k, b / k)).astype(np.float32)


def soft_min(a, b, k):
    """Smooth minimum, the mirror of `soft_max`."""
    return -soft_max(-a, -b, k)


def height(deck, x_mm, y_mm):
    """
    Height of the deck before it is levelled to the card, z = 0 about the floor of the sound pattern.

    Parameters
    ----------
    x_mm : (columns,) rising
    y_mm : (rows,) falling

    Returns
    -------
    (rows, columns) float32 [mm]
    """
    x, y = np.asarray(x_mm, np.float32)[None, :], np.asarray(y_mm, np.float32)[:, None]
    z = {"lozenge": _grooved, "square": _grooved, "pebble": _pebble, "grit": _grit}[deck.pattern](deck, x, y)
    if deck.wear is not None:
        weight = deck.wear.where.weight(x, y)
        cut = deck.height_mm * (1 - deck.wear.share) * weight + (deck.height_mm + FAR_MM) * (1 - weight)
        z = soft_min(z, cut, deck.wear.round_mm)
    if deck.fill is not None:
        weight = deck.fill.where.weight(x, y)
        level = deck.height_mm * deck.fill.share * weight - FAR_MM * (1 - weight)
        z = soft_max(z + deck.fill.film_mm * weight, level, deck.fill.round_mm)
    if deck.border is not None:
        t = np.clip(deck.border.distance_mm(x) / BEVEL_MM, 0, 1)
        z = z * (t * t * (3 - 2 * t))
    z = z + _waviness(deck, x, y)
    if deck.fitting is not None:
        z = np.where(deck.fitting.covers(x, y), deck.fitting.height_mm, z)
    if deck.camber_radius_mm is not None:
        z = z - x**2 / (2 * deck.camber_radius_mm)
    return z.astype(np.float32)


def top_plane(z):
    """Height that TOP_SHARE of the area stands above (ISO 25178-2 Smc)."""
    return float(np.quantile(z[np.isfinite(z)], 1 - TOP_SHARE))


def levelled_offset(deck, box_mm, step_mm=0.1):
    """What to add to `height`: puts the pattern's top plane in the box (x0, x1, y0, y1) a card thickness under 0."""
    x0, x1, y0, y1 = box_mm
    x, y = np.arange(x0, x1, step_mm), np.arange(y1, y0, -step_mm)
    return -CARD_THICKNESS_MM - top_plane(height(deck, x, y)[conditions(deck, x, y) > 0])


def conditions(deck, x_mm, y_mm):
    """(rows, columns) uint8: 0 border, fitting, 1 sound, 2 worn, 3 filled; a region's edge has weight 0.5."""
    x, y = np.asarray(x_mm, np.float32)[None, :], np.asarray(y_mm, np.float32)[:, None]
    out = np.ones((y.size, x.size), np.uint8)
    if deck.fill is not None:
        out[deck.fill.where.weight(x, y) >= 0.5] = 3
    if deck.wear is not None:
        out[deck.wear.where.weight(x, y) >= 0.5] = 2
    if deck.border is not None:
        out[:, deck.border.distance_mm(x)[0] <= 0] = 0
    if deck.fitting is not None:
        out[deck.fitting.covers(x, y)] = 0
    return out


def _turned(deck, x, y):
    a = np.radians(deck.angle_deg)
    return np.cos(a) * x + np.sin(a) * y, np.cos(a) * y - np.sin(a) * x


def _grooved(deck, x, y):
    """Plateaus between two families of straight grooves: lozenges or squares."""
    u, v = _turned(deck, x, y)
    if deck.pattern == "lozenge":
        a, b = deck.pitch_mm / 2, deck.pitch_mm * deck.pitch_ratio / 2
        u, v, width = u / a + v / b, u / a - v / b, 1 / np.hypot(1 / a, 1 / b)
    else:
        u, v, width = 2 * u / deck.pitch_mm, 2 * v / deck.pitch_mm, deck.pitch_mm / 2
    edge_u, edge_v = ((1 - np.abs((w + 1) % 2 - 1)) * width for w in (u, v))
    rise = np.tan(np.radians(deck.flank_deg))
    flank = (soft_min(edge_u, edge_v, deck.round_mm) - deck.groove_mm / 2) * rise
    return soft_min(soft_max(flank, np.float32(0), deck.round_mm), np.float32(deck.height_mm), deck.round_mm)


def _cells(deck, numbers):
    """Jittered centres over the whole extent, and `numbers` uniform draws for each."""
    n = int(np.ceil(HALF_EXTENT_MM / deck.pitch_mm))
    rng = np.random.default_rng(deck.seed)
    i, j = np.meshgrid(np.arange(-n, n + 1), np.arange(-n, n + 1))
    draws = rng.random((numbers + 2, i.size))
    cx = (i.ravel() + 0.5 * (j.ravel() % 2) + 0.8 * (draws[0] - 0.5)) * deck.pitch_mm
    cy = (j.ravel() * 0.87 + 0.8 * (draws[1] - 0.5)) * deck.pitch_mm
    return cx, cy, draws[2:]


def _union(x, y, centres, reach, shape, k):
    """Smooth union of small shapes over a floor at 0: k log(1 + sum(exp(z / k) - 1))."""
    total = np.ones((y.size, x.size), np.float32)
    xs, down = x.ravel(), -y.ravel()
    cx, cy = centres
    inside = (cx > xs[0] - reach) & (cx < xs[-1] + reach) & (-cy > down[0] - reach) & (-cy < down[-1] + reach)
    for g in np.flatnonzero(inside):
        c0, c1 = np.searchsorted(xs, (cx[g] - reach, cx[g] + reach))
        r0, r1 = np.searchsorted(down, (-cy[g] - reach, -cy[g] + reach))
        if c1 > c0 and r1 > r0:
            z = shape(g, xs[None, c0:c1] - cx[g], -down[r0:r1, None] - cy[g])
            total[r0:r1, c0:c1] += np.expm1(np.maximum(z, 0) / k)
    return k * np.log(total)


def _pebble(deck, x, y):
    """Oval domes of uneven size and height, crowded so that most of the floor is covered."""
    cx, cy, u = _cells(deck, 4)
    long = deck.pitch_mm * (0.5 + 0.2 * u[0])
    short = long * (0.7 + 0.3 * u[1])
    turn = np.pi * u[2]
    peak = deck.height_mm * (0.72 + 0.28 * u[3])
    power = np.clip(np.tan(np.radians(deck.flank_deg)) * deck.pitch_mm * 0.55 / deck.height_mm, 1.6, 4.0)

    def dome(g, dx, dy):
        p = (dx * np.cos(turn[g]) + dy * np.sin(turn[g])) / long[g]
        q = (dy * np.cos(turn[g]) - dx * np.sin(turn[g])) / short[g]
        return peak[g] * (1 - (p * p + q * q) ** (power / 2))

    return _union(x, y, (cx, cy), deck.pitch_mm * 0.72, dome, max(2 * deck.round_mm, 0.03))


def _grit(deck, x, y):
    """Angular grains, each the part of a tilted slab that six to eight steep planes leave; some places are bare."""
    cx, cy, u = _cells(deck, 28)
    peak = deck.height_mm * (0.45 + 0.55 * np.sqrt(u[0]))
    size = deck.pitch_mm * (0.2 + 0.16 * u[1])
    there = u[2] < 0.85
    sides = 6 + (u[3] * 3).astype(int)
    rise = np.tan(np.radians(deck.flank_deg))

    def grain(g, dx, dy):
        tilt, towards = 0.35 * u[4, g], 2 * np.pi * u[5, g]
        z = peak[g] + tilt * (dx * np.cos(towards) + dy * np.sin(towards))
        for s in range(sides[g]):
            a = 2 * np.pi * (s + 0.7 * u[6 + s, g]) / sides[g]
            foot = size[g] * (0.75 + 0.6 * u[14 + s % 7, g]) + peak[g] / rise * 0.5
            steep = rise * (0.75 + 0.5 * u[21 + s % 7, g])
            z = np.minimum(z, (foot - dx * np.cos(a) - dy * np.sin(a)) * steep)
        return z

    centres = cx[there], cy[there]
    names = np.flatnonzero(there)
    reach = deck.pitch_mm * 0.6 + deck.height_mm / rise
    return _union(x, y, centres, reach, lambda g, dx, dy: grain(names[g], dx, dy), max(1.5 * deck.round_mm, 0.025))


def _waviness(deck, x, y):
    """The paint's orange peel: eight waves of 1.5 to 6 mm."""
    rng = np.random.default_rng([deck.seed, 1])
    z = np.zeros((y.size, x.size), np.float32)
    for wave, direction, phase in zip(
        rng.uniform(1.5, 6, 8), rng.uniform(0, np.pi, 8), rng.uniform(0, 6.28, 8), strict=True
    ):
        k = 2 * np.pi / wave
        z += np.sin(k * (x * np.cos(direction) + y * np.sin(direction)) + phase)
    return deck.peel_mm / 2 * z
