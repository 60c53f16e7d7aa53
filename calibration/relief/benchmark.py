"""
How far the height maps are from the truth on rendered decks: the height solver beside two peers and a flat plate.

    python calibration/relief/benchmark.py FOLDER [--every N] [--only 4,2,sq,1] [--peers] [--jobs N] [--csv FILE]

FOLDER holds decks as .npz (see README.md here). Figures are those of texscan.texture after S 0.25 and L 25 mm.
"""

from __future__ import annotations

import argparse
import csv
import json
import math
import time
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path

import numpy as np
from scipy import fft

from texscan import texture
from texscan.filters import filtered
from texscan.model import Filters, Grid, Light, LitView
from texscan.relief import solve
from texscan.relief.grooves import in_one_family
from texscan.relief.solver import contrast

FILTERS = Filters()
SETS = {"4": (0, 1, 2, 3), "2": (0, 2), "2b": (1, 3), "sq": (0, 1), "3": (0, 1, 2), "1": (0,), "1b": (1,)}
PAPER = 0.8  # reflectance of the paper that the decks' brightness is relative to
FIGURES = ("Sq_mm", "relief_mm", "void_depth_mm")


def views_of(deck, chosen: tuple[int, ...], *, phone: bool) -> tuple[tuple[LitView, ...], Grid]:
    """The chosen views of a deck, ambient light subtracted as a torch-off photo allows."""
    x, y = deck["x_mm"], deck["y_mm"]
    grid = Grid(float(x[0]), float(y[0]), float(x[1] - x[0]), len(y), len(x))
    params = json.loads(str(deck["params"]))
    seen = deck["brightness_phone" if phone else "brightness"] - deck["ambient_phone" if phone else "ambient"]
    blur = params["blur_mm"] if phone else math.nan
    views = []
    for k in chosen:
        lamp = deck["lamps_mm"][k] - [*grid.centre_mm, 0]
        far = float(np.linalg.norm(lamp))
        azimuth, elevation = math.degrees(math.atan2(lamp[1], lamp[0])) % 360, math.degrees(math.asin(lamp[2] / far))
        light = Light(azimuth, elevation, 1 / far, grid.centre_mm, np.zeros((3, 3)))
        views.append(LitView(seen[k].astype(np.float32), light, blur))
    return tuple(views), grid


def plain_least_squares(views: tuple[LitView, ...], grid: Grid) -> np.ndarray:
    """Woodham's photometric stereo with exact lamps and no thought of shadows, then a DCT Poisson solve."""
    lamps = [view.light.towards(grid.x_mm[None, :], grid.y_mm[:, None]) for view in views]
    rays = np.stack([lamp / lamp[2] for lamp in lamps], axis=-1)  # (3, rows, columns, views)
    seen = np.stack([np.nan_to_num(view.brightness, nan=1.5) for view in views], axis=-1)
    matrix = np.einsum("irck,jrck->rcij", rays, rays)
    normal = np.linalg.solve(matrix + 1e-6 * np.eye(3), np.einsum("irck,rck->rci", rays, seen)[..., None])[..., 0]
    up = np.maximum(normal[..., 2], 0.1 * np.abs(normal[..., :2]).max(axis=-1) + 1e-3)
    return poisson(-normal[..., 0] / up, -normal[..., 1] / up, grid.step_mm)


def linear_shading(views: tuple[LitView, ...], grid: Grid) -> np.ndarray:
    """Linear shape from shading along the light for one view, or the ratio of two opposed ones; then Poisson."""
    x, y, z = views[0].light.towards(grid.x_mm[None, :], grid.y_mm[:, None])
    first = np.nan_to_num(views[0].brightness, nan=1.5)
    if len(views) == 1:
        signal = 1 - first / first.mean()
    else:
        second = np.nan_to_num(views[1].brightness, nan=1.5)
        signal = (second - first) / np.maximum(first + second, 0.02)
    along = signal * z / np.hypot(x, y)
    return poisson(along * x / np.hypot(x, y), along * y / np.hypot(x, y), grid.step_mm)


def poisson(p: np.ndarray, q: np.ndarray, step_mm: float) -> np.ndarray:
    """Heights whose slopes are nearest to p, q, by cosine transform."""
    rows, columns = p.shape
    fx, fy = 0.5 * (p[:, 1:] + p[:, :-1]) * step_mm, -0.5 * (q[1:] + q[:-1]) * step_mm
    divergence = np.zeros_like(p)
    divergence[:, :-1] += fx
    divergence[:, 1:] -= fx
    divergence[:-1] += fy
    divergence[1:] -= fy
    eigen = 2 * np.cos(np.pi * np.arange(rows) / rows)[:, None] + 2 * np.cos(np.pi * np.arange(columns) / columns) - 4
    eigen[0, 0] = 1
    spectrum = fft.dctn(divergence, norm="ortho") / eigen
    spectrum[0, 0] = 0
    return fft.idctn(spectrum, norm="ortho")


def reading(height: np.ndarray, truth: np.ndarray, step_mm: float) -> dict[str, float]:
    """Correlation, signed errors of the figures [%] and of the contact-area fraction, over the measured pixels."""
    truth = np.where(np.isfinite(height), truth, np.nan)
    a, b = (filtered(z, step_mm, FILTERS) for z in (height, truth))
    got, want = (texture.figures(z, step_mm, FILTERS) for z in (a, b))
    both = np.isfinite(a) & np.isfinite(b)
    out = {"r": float(np.corrcoef(a[both], b[both])[0, 1]) if np.ptp(a[both]) else 0.0}
    out |= {key: 100 * (got[key] / want[key] - 1) for key in FIGURES}
    out["contact"] = got["contact_area_fraction"] - want["contact_area_fraction"]
    out["error"] = max(abs(out[key]) for key in FIGURES)
    return out


def run(files: list[Path], names: list[str], *, phone: bool, peers: bool, jobs: int = 1) -> list[dict]:
    """Readings of all decks, in order; `jobs` processes work side by side."""
    each = partial(deck_readings, names=names, phone=phone, peers=peers)
    if jobs == 1:
        return [row for file in files for row in each(file)]
    with ProcessPoolExecutor(jobs) as pool:
        return [row for rows in pool.map(each, files) for row in rows]


def deck_readings(file: Path, *, names: list[str], phone: bool, peers: bool) -> list[dict]:
    """Readings of one deck with each set of views by each method."""
    rows = []
    deck = np.load(file)
    params = json.loads(str(deck["params"]))
    for name in names:
        views, grid = views_of(deck, SETS[name], phone=phone)
        begun = time.process_time()
        relief = solve(views, grid, paper_reflectance=PAPER)
        seconds = time.process_time() - begun
        told = np.isfinite(relief.height_mm)
        base = {
            "deck": file.stem, "pattern": params["deck"]["pattern"], "condition": params["condition"],
            "albedo": params["albedo"], "alpha": params["alpha"], "stain": params["stain"],
            "height": params["deck"]["height_mm"], "flank": params["deck"].get("flank_deg", math.nan),
            "elevation": float(np.mean([v.light.elevation_deg for v in views])), "views": name,
        }  # fmt: skip
        tries = {"solver": relief.height_mm}
        if peers:
            tries["plain"] = (plain_least_squares if len(views) > 2 else linear_shading)(views, grid)
            tries["flat"] = None
        for method, height in tries.items():
            got = (
                {"r": 0.0, "Sq_mm": -100.0, "relief_mm": -100.0, "void_depth_mm": -100.0, "contact": math.nan,
                 "error": 100.0} if height is None
                else reading(np.where(told, height, np.nan), deck["height_mm"].astype(float), grid.step_mm)
            )  # fmt: skip
            more = {
                "ratio": relief.shading_over_shadow,
                "residual": relief.residual,
                "told": told.mean(),
                "contrast": contrast(views),
                "in_one_family": in_one_family(relief.height_mm, grid.step_mm),
            }
            rows.append(base | {"method": method} | got | more | {"seconds": seconds})
    return rows


def table(rows: list[dict]) -> str:
    """Medians over decks, the worst deck in brackets."""
    lines = ["method  views  decks  r              error %        Sq %    relief %  void %   contact       seconds"]
    for method in dict.fromkeys(row["method"] for row in rows):
        for name in dict.fromkeys(row["views"] for row in rows):
            some = [row for row in rows if row["method"] == method and row["views"] == name]
            col = {key: np.array([row[key] for row in some], float) for key in (*FIGURES, "r", "error", "contact")}
            contact = np.abs(col["contact"])
            lines.append(
                f"{method:7} {name:5} {len(some):5}   {np.median(col['r']):.3f} ({col['r'].min():.3f})  "
                f"{np.median(col['error']):5.1f} ({col['error'].max():5.1f})  "
                + "  ".join(f"{np.median(col[key]):+6.1f}" for key in FIGURES)
                + f"  {np.median(contact):.3f} ({contact.max():.3f})  {np.median([r['seconds'] for r in some]):.1f}"
            )
    return "\n".join(lines)


def write_csv(path: Path, rows: list[dict], *, digits: int) -> None:
    """Rows of the same columns, their numbers to so many significant digits."""
    with path.open("w", newline="", encoding="utf-8") as out:
        writer = csv.DictWriter(out, rows[0].keys())
        writer.writeheader()
        writer.writerows(
            {key: f"{value:.{digits}g}" if isinstance(value, float) else value for key, value in row.items()}
            for row in rows
        )


def main() -> None:
    parse = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parse.add_argument("folder", type=Path)
    parse.add_argument("--every", type=int, default=1, help="take every N-th deck")
    parse.add_argument("--first", type=int, default=0, help="number of the first deck taken")
    parse.add_argument("--only", default="4,2,1", help="sets of views: " + ", ".join(SETS))
    parse.add_argument("--linear", action="store_true", help="the decks' linear light instead of the phone's")
    parse.add_argument("--peers", action="store_true", help="also plain least squares and the flat plate")
    parse.add_argument("--jobs", type=int, default=1, help="processes side by side")
    parse.add_argument("--csv", type=Path, help="write the readings here")
    parse.add_argument("--verbose", action="store_true", help="print each reading")
    args = parse.parse_args()
    files = sorted(args.folder.glob("*.npz"))[args.first :: args.every]
    rows = run(files, args.only.split(","), phone=not args.linear, peers=args.peers, jobs=args.jobs)
    if args.csv:
        write_csv(args.csv, rows, digits=5)
    if args.verbose:
        for row in rows:
            about = "{deck} {pattern:8} {condition:6} albedo {albedo:.2f} roughness {alpha:.2f} {method:6} {views:2}"
            found = (
                " r {r:.3f} Sq {Sq_mm:+.0f} relief {relief_mm:+.0f} void {void_depth_mm:+.0f} contact {contact:+.3f}"
            )
            print((about + found).format(**row))
    print(table(rows))


if __name__ == "__main__":
    main()
