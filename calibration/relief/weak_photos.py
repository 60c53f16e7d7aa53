"""
What coarse pixels and light from a second side do to the heights, and whether the budget's terms for them suffice.

    python calibration/relief/weak_photos.py FOLDER [--every N] [--first N] [--only coarse,second] [--csv FILE]

FOLDER holds decks as .npz (see README.md here). Coarse: the phone's pictures averaged to pixels of 0.25 to 0.5 mm and
laid on a grid as `texscan.rectify.common_grid` lays them. Second: a share of another torch's picture (the view at
about a right angle) added to each, and its mean light subtracted as an umbra on the card would have it.
"""

from __future__ import annotations

import argparse
import json
import math
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
from benchmark import FIGURES, FILTERS, PAPER, SETS, views_of, write_csv

from texscan.budget import COARSE_CONTACT, COARSE_GAIN, EVEN_GAIN, coarse_excess_mm
from texscan.filters import filtered
from texscan.model import COVERAGE_FACTOR, Grid, LitView
from texscan.rectify import SOLVED_STEP_MM
from texscan.relief import solve
from texscan.texture import figures

PIXELS = (2.5, 3.0, 4.0, 5.0)  # of the decks' own, side of a coarse one
OTHER_LIGHT = (0.0, 0.1, 0.3, 0.7)  # of the torch's light
SECOND = 1  # number of the view that shines as the other light
CONTACT = "contact_area_fraction"
SMOOTH_MM = 0.06  # decks of less relief are nearly smooth and left out
Views = tuple[LitView, ...]


def coarse(views: Views, grid: Grid) -> Iterator[tuple[float, Views, Grid, float, float]]:
    """Pixel [mm], views, grid, and the budget's terms for heights and contact."""
    side_mm = grid.rows * grid.step_mm
    for factor in PIXELS:
        count = round(grid.rows / factor)
        pixel_mm = side_mm / count
        rows = round(side_mm / max(SOLVED_STEP_MM, pixel_mm / 2))
        step = side_mm / rows
        shift = (step - grid.step_mm) / 2
        fine = Grid(grid.x0_mm + shift, grid.y1_mm - shift, step, rows, rows)

        def laid(view: LitView, count: int = count, rows: int = rows, pixel_mm: float = pixel_mm) -> LitView:
            small = cv2.resize(view.brightness, (count, count), interpolation=cv2.INTER_AREA)
            picture = cv2.resize(small, (rows, rows), interpolation=cv2.INTER_CUBIC)
            blur = math.hypot(view.blur_mm, pixel_mm / math.sqrt(12))  # a square's standard deviation
            return replace(view, brightness=picture, blur_mm=blur)

        excess = coarse_excess_mm(pixel_mm)
        yield pixel_mm, tuple(map(laid, views)), fine, COARSE_GAIN * excess, COARSE_CONTACT * excess


def second(views: Views, grid: Grid, other: LitView) -> Iterator[tuple[float, Views, Grid, float, float]]:
    """Share of the light that is not the torch's, views, grid, and the budget's terms for heights and contact."""
    for strength in OTHER_LIGHT:
        lit = tuple(
            replace(
                v, brightness=v.brightness + np.float32(strength) * (other.brightness - np.nanmedian(v.brightness))
            )
            for v in views
        )
        share = strength / (1 + strength)
        yield share, lit, grid, EVEN_GAIN * share, 0.0


def deck_rows(file: Path, kinds: list[str]) -> list[dict]:
    """Errors of a deck under each fault and each set of views."""
    deck = np.load(file)
    true_mm, step = deck["height_mm"].astype(float), float(deck["x_mm"][1] - deck["x_mm"][0])
    true = figures(filtered(true_mm, step, FILTERS), step, FILTERS)
    if true["relief_mm"] < SMOOTH_MM:
        return []
    rows = []
    for name in ("4", "2", "1"):
        views, grid = views_of(deck, SETS[name], phone=True)
        (other,), _ = views_of(deck, (SECOND,), phone=True)
        for kind in kinds:
            for amount, seen, at, gain_u, contact_u in (
                coarse(views, grid) if kind == "coarse" else second(views, grid, other)
            ):
                relief = solve(seen, at, paper_reflectance=PAPER)
                read = figures(filtered(relief.height_mm.astype(float), at.step_mm, FILTERS), at.step_mm, FILTERS)
                row = {"deck": file.stem, "pattern": json.loads(str(deck["params"]))["deck"]["pattern"]}
                row |= {"kind": kind, "views": name, "amount": round(amount, 3)}
                row |= {"u_before": relief.gain_u, "u": math.hypot(relief.gain_u, gain_u)}
                row |= {"contact_u_before": relief.contact_u, "contact_u": math.hypot(relief.contact_u, contact_u)}
                row |= {key: read[key] / true[key] - 1 for key in FIGURES} | {CONTACT: read[CONTACT] - true[CONTACT]}
                rows.append(row)
    return rows


def covered(rows: list[dict], key: str, u: str) -> float:
    """Share of rows whose interval holds the truth; u is relative to the reading."""
    held = [abs(row[key] / (1 + row[key] if key != CONTACT else 1)) <= COVERAGE_FACTOR * row[u] for row in rows]
    return 100 * float(np.mean(held))


def table(rows: list[dict]) -> str:
    """Median and 5 to 95 % of the errors, and coverage without and with the term."""
    head = "Sq, relief, void %: median (5 to 95)"
    lines = [f"kind    views  amount  decks   {head:60}  coverage: before, with"]
    for kind, name, amount in sorted({(r["kind"], r["views"], r["amount"]) for r in rows}):
        some = [r for r in rows if (r["kind"], r["views"], r["amount"]) == (kind, name, amount)]
        spread = [np.quantile([100 * r[key] for r in some], [0.5, 0.05, 0.95]) for key in FIGURES]
        text = "  ".join(f"{middle:+4.0f} ({low:+4.0f} to {high:+4.0f})" for middle, low, high in spread)
        before = min(covered(some, key, "u_before") for key in FIGURES)
        after = min(covered(some, key, "u") for key in FIGURES)
        contact = (
            f"contact {covered(some, CONTACT, 'contact_u_before'):.0f}, {covered(some, CONTACT, 'contact_u'):.0f}"
        )
        lines.append(
            f"{kind:7} {name:5}  {amount:6.3f}  {len(some):5}   {text}  {before:.0f}, {after:.0f}  {contact}"
        )
    return "\n".join(lines)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--every", type=int, default=1, help="take every N-th deck")
    parser.add_argument("--first", type=int, default=0, help="number of the first deck taken")
    parser.add_argument("--only", default="coarse,second")
    parser.add_argument("--csv", type=Path, help="write the readings here")
    options = parser.parse_args()
    files = sorted(options.folder.glob("*.npz"))[options.first :: options.every]
    rows = [row for file in files for row in deck_rows(file, options.only.split(","))]
    if options.csv:
        write_csv(options.csv, rows, digits=4)
    print(table(rows))


if __name__ == "__main__":
    main()
