"""
How often a print without relief is told from relief under a single light.

    python calibration/relief/prints.py FOLDER [--prints N] [--first SEED] [--side MM] [--csv FILE]

FOLDER holds decks as .npz (see README.md here); each of their views counts as a photo of its own. Prints are drawn
here: ten kinds, ink of 10 to 70 % of the paint's reflectance with edges 0.02 to 0.1 mm soft, on stained decks that
are level but for 1 to 5 um of the paint's own waviness, through the same phone (sample_images/make/patches.py).
"""

from __future__ import annotations

import argparse
import json
import math
import sys
from pathlib import Path

import cv2
import numpy as np
from benchmark import views_of, write_csv
from scipy.ndimage import gaussian_filter

from texscan.model import Grid, Light, LitView
from texscan.one_light import LEAST_ORDER, MOST_ACROSS, across_light_share, order

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "sample_images" / "make"))

import decks
import patches

STEP_MM = patches.STEP_MM
SMOOTH_MM = 0.06  # decks of less relief are called nearly smooth
FAR_MM = 1000.0  # keeps remainders positive


def checks(u, v, pitch, rng):
    return (np.floor(u / pitch) + np.floor(v / pitch)) % 2


def dots(u, v, pitch, rng):
    around = np.hypot((u + FAR_MM) % pitch - pitch / 2, (v + FAR_MM) % pitch - pitch / 2)
    return around < rng.uniform(0.2, 0.45) * pitch


def stripes(u, v, pitch, rng):
    return (u + FAR_MM) % pitch < rng.uniform(0.2, 0.6) * pitch


def crossed_lines(u, v, pitch, rng):
    width, angle = rng.uniform(0.15, 0.35) * pitch, rng.uniform(0.5, 1.5)
    w = u * np.cos(angle) + v * np.sin(angle)
    return ((u + FAR_MM) % pitch < width) | ((w + FAR_MM) % pitch < width)


def grain(u, v, pitch, rng):
    """Even grain: each line is alike on both sides."""
    return (0.5 + 0.5 * np.sin(2 * np.pi * _rings(u, pitch, rng))) ** rng.uniform(1, 3)


def grain_with_a_sharp_side(u, v, pitch, rng):
    """Wood's own: early wood grows dark slowly and ends sharply."""
    return (_rings(u, pitch, rng) % 1) ** rng.uniform(1, 3)


def speckle(u, v, pitch, rng):
    noise = _noise(u.shape, rng.uniform(0.15, 0.8), rng)
    return noise > rng.uniform(-0.5, 1) if rng.random() < 0.5 else np.clip(0.5 + 0.3 * noise, 0, 1)


def blotches(u, v, pitch, rng):
    return np.clip(0.5 + 0.8 * _noise(u.shape, rng.uniform(0.8, 2.5), rng), 0, 1)


def letters(u, v, pitch, rng):
    page = np.zeros(u.shape, np.uint8)
    for row in range(24, len(page), 28):
        line = "".join(rng.choice(list("ABCDEFGHKLMNPRSTUZ"), len(page) // 16))
        cv2.putText(page, line, (2, row), cv2.FONT_HERSHEY_SIMPLEX, 0.8, 255, 3)
    return np.rot90(page, int(rng.integers(4))) / 255.0


def picture_of_a_deck(u, v, pitch, rng):
    """A texture's own heights as ink, graded or in two tones."""
    deck, _ = patches.recipe(int(rng.integers(5000, 6000)))
    x, y = patches.axes(len(u) * STEP_MM)
    z = decks.height(deck, x, y)
    low, high = np.quantile(z, [0.01, 0.99])
    depth = np.clip((high - z) / (high - low), 0, 1)
    return depth if rng.random() < 0.5 else depth > rng.uniform(0.3, 0.7)


def _rings(u, pitch, rng):
    return (u + 1.2 * _noise(u.shape, 5.0, rng)) / pitch * 3


def _noise(shape, sigma_mm, rng):
    noise = gaussian_filter(rng.normal(size=shape), sigma_mm / STEP_MM)
    return noise / noise.std()


KINDS = (
    *(checks, dots, stripes, crossed_lines, grain, grain_with_a_sharp_side, speckle, blotches, letters),
    picture_of_a_deck,
)


def printed_view(seed: int, side_mm: float) -> tuple[LitView, Grid, str]:
    """One photo of a print on a level deck, its ambient light subtracted, and the kind of print."""
    rng = np.random.default_rng([seed, 77])
    kind = KINDS[seed % len(KINDS)]
    _, light = patches.recipe(seed)
    x, y = patches.axes(side_mm)
    angle = rng.uniform(0, np.pi)
    u = x[None, :] * np.cos(angle) + y[:, None] * np.sin(angle)
    v = y[:, None] * np.cos(angle) - x[None, :] * np.sin(angle)
    ink = gaussian_filter(kind(u, v, rng.uniform(1.5, 8), rng).astype(float), rng.uniform(0.2, 1.0))
    ink = 1 - ink if rng.random() < 0.3 else ink
    flat = decks.Deck("lozenge", seed, height_mm=1e-3, peel_mm=float(rng.uniform(0.001, 0.005)))
    paint = patches.stained(flat, light, x, y)[..., 0] * (1 - (1 - rng.uniform(0.1, 0.7)) * ink)
    azimuth, elevation, far = (light[key][0] for key in ("azimuth_deg", "elevation_deg", "distance_mm"))
    down, right = np.gradient(decks.height(flat, x, y), STEP_MM)
    slope = right * math.cos(math.radians(azimuth)) - down * math.sin(math.radians(azimuth))  # towards the light
    level = paint / 0.8
    ambient = level * light["ambient_share"] / (1 - light["ambient_share"])
    torch = level * (1 - slope / math.tan(math.radians(elevation)))  # of gentle slopes, matt
    pictures, full = patches.phone_pictures(torch[None], ambient, light["blur_mm"] / STEP_MM, seed)
    seen, dark = (patches.decode(*one) for one in zip(pictures, full, strict=True))
    grid = Grid(float(x[0]), float(y[0]), STEP_MM, len(y), len(x))
    lamp = Light(azimuth % 360, elevation, 1 / far, grid.centre_mm, np.zeros((3, 3)))
    return LitView((seen - dark).astype(np.float32), lamp, light["blur_mm"]), grid, kind.__name__


def deck_rows(file: Path) -> list[dict]:
    """A reading of each of a deck's views."""
    deck = np.load(file)
    params = json.loads(str(deck["params"]))
    size = float(np.subtract(*np.quantile(deck["height_mm"], [0.98, 0.02])))
    kind = params["deck"]["pattern"] if size >= SMOOTH_MM else "nearly smooth"
    rows = []
    for k in range(4):
        (view,), grid = views_of(deck, (k,), phone=True)
        rows.append(
            {"what": "deck", "name": f"{file.stem}-{k}", "kind": kind, "relief_mm": size} | reading(view, grid)
        )
    return rows


def reading(view: LitView, grid: Grid) -> dict[str, float]:
    return {"order": order(view, grid), "across": across_light_share(view, grid)}


def table(rows: list[dict]) -> str:
    """By kind: range of the order, and the share that is refused or flagged."""
    lines = [
        "what   kind                      photos  order: least   5 %    median  95 %   most    flagged, %  refused, %"
    ]
    for what, kind in sorted({(row["what"], row["kind"]) for row in rows}):
        some = [row for row in rows if row["kind"] == kind]
        found = np.array([row["order"] for row in some])
        refused = np.array([row["across"] > MOST_ACROSS for row in some])
        flagged = (found < LEAST_ORDER) & ~refused
        spread = "  ".join(f"{value:6.3f}" for value in np.quantile(found, [0, 0.05, 0.5, 0.95, 1]))
        shares = f"{100 * flagged.mean():9.1f}  {100 * refused.mean():9.1f}"
        lines.append(f"{what:6} {kind:25} {len(some):6}        {spread}  {shares}")
    return "\n".join(lines)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--prints", type=int, default=500, help="how many prints")
    parser.add_argument("--first", type=int, default=20000, help="seed of the first print")
    parser.add_argument("--side", type=float, default=32.0, help="side of the prints [mm]")
    parser.add_argument("--csv", type=Path, help="write the readings here")
    options = parser.parse_args()
    rows = [row for file in sorted(options.folder.glob("*.npz")) for row in deck_rows(file)]
    for seed in range(options.first, options.first + options.prints):
        view, grid, kind = printed_view(seed, options.side)
        rows.append({"what": "print", "name": str(seed), "kind": kind, "relief_mm": 0.0} | reading(view, grid))
    if options.csv:
        write_csv(options.csv, rows, digits=4)
    print(table(rows))


if __name__ == "__main__":
    main()
