"""
Zones and decisions from rendered photos against the true condition and the decision from the true heights.

    python calibration/zones/benchmark.py FOLDER --csv FILE [--seeds 3000:3040] [--only 4,2,sq,1] [--jobs N]

FOLDER holds SEED.npz of `pictures.py`. One row a deck, set of views and kind of reference; the set "true" scores the
true heights themselves, as `texscan score --heights` does.
"""

from __future__ import annotations

import argparse
import csv
import math
import sys
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np
import recipe

sys.path.insert(0, str(Path(__file__).parents[2]))
from texscan import coating, filters, pattern, reach, texture, verdict, zones
from texscan.compatibility import Job
from texscan.limits import limits_from_toml, zone_limits
from texscan.model import SOUND, Budget, Coat, Filters, Grid, Light, LitView, Term
from texscan.relief import solve
from texscan.relief.grooves import shape_unsure

patches = recipe.patches
SETS = {"4": (0, 1, 2, 3), "2": (0, 2), "sq": (0, 1), "1": (0,)}
TRUE = "true"
PAPER = 0.8  # reflectance of the paper that the decks' brightness is relative to
FILTERS = Filters()
SPRAYED = tuple(Coat(f"topcoat {n}", "topcoat", 0.5, 60.0, peak_share=(0.6, 0.8, 1.0)) for n in (1, 2))
JOBS = {  # what a user may say beside the photos: coatings, coats
    "none stated": (Job(), coating.DEFAULT_COATS),
    "two-part": (Job("two-part", "two-part"), coating.DEFAULT_COATS),
    "two-part, sprayed": (Job("two-part", "two-part"), SPRAYED),
}
LIMITS = limits_from_toml((Path(__file__).parents[1] / "limits.toml").read_text(encoding="utf-8"), "limits.toml")

# Of the true heights the outlines are exact, so the guard of the shares can be left out.
EXACT = limits_from_toml("[decision]\nshare_guard = 0.0\n", "exact outlines", LIMITS)


def lit_views(jpegs, full, light, side_mm):
    """The four views of a patch as the solver takes them, lamps exact and the torch-off picture subtracted; grid."""
    pictures = [patches.decode(jpeg, f) for jpeg, f in zip(jpegs, full, strict=True)]
    x, y = patches.axes(side_mm, recipe.STEP_MM)
    grid = Grid(float(x[0]), float(y[0]), recipe.STEP_MM, len(y), len(x))
    views = []
    for picture, place in zip(pictures, patches.lamps(light), strict=False):
        lamp = place - [*grid.centre_mm, 0]
        far = float(np.linalg.norm(lamp))
        azimuth, elevation = math.degrees(math.atan2(lamp[1], lamp[0])) % 360, math.degrees(math.asin(lamp[2] / far))
        towards = Light(azimuth, elevation, 1 / far, grid.centre_mm, np.zeros((3, 3)))
        seen = (picture - pictures[-1]).astype(np.float32)
        views.append(LitView(seen, towards, light["blur_mm"]))
    return tuple(views), grid


def measured(views, grid, chosen):
    """Heights [mm] and their budget from the chosen views."""
    some = tuple(views[k] for k in chosen)
    solved = solve(some, grid, paper_reflectance=PAPER)
    terms = (Term("height solver", solved.gain_u),)
    budget = Budget(terms, solved.contact_u, len(some), shape_unsure(solved.flags))
    return solved.height_mm, budget, tuple(v.light.azimuth_deg for v in some)


def maps_of(file, names):
    """
    For each set of views: height map, budget, azimuths, and the reference's height map and budget; the truth as a
    further set. Also the deck, its grid, the true condition, what its harms take, and the condition's name.
    """
    deck, light, reference_light = recipe.recipe(int(file.stem))
    stored = np.load(file)
    both = []
    for name, lamps, side in (
        ("deck", light, recipe.SIDE_MM),
        ("reference", reference_light, recipe.REFERENCE_SIDE_MM),
    ):
        both.append(lit_views([stored[f"{name}_{i}"] for i in range(5)], stored[f"{name}_full"], lamps, side))
    maps = {}
    for name in names:
        maps[name] = (*measured(*both[0], SETS[name]), *measured(*both[1], SETS[name])[:2])
    true = patches.heights(deck, recipe.SIDE_MM, step_mm=recipe.STEP_MM)
    other = patches.heights(
        recipe.sound_patch(deck), recipe.REFERENCE_SIDE_MM, step_mm=recipe.STEP_MM, shift_mm=recipe.REFERENCE_SHIFT_MM
    )
    maps[TRUE] = true[2].astype(np.float32), Budget(), (), other[2].astype(np.float32), Budget()
    taken, sound = recipe.losses(deck)
    return maps, both[0][1], recipe.conditions(deck, true[0], true[1], taken), (taken, sound, light["condition"])


def scored(height, grid, budget, azimuths, references):
    """For each reference: zone map, the patch's figures, and the recommendation of each job, as a score goes."""
    z = filters.filtered(height, grid.step_mm, FILTERS)
    figures = texture.measured_heights(z, grid.step_mm, FILTERS, budget)
    found = pattern.find(z, grid.step_mm)
    reached = reach.reach(z, grid.step_mm, (LIMITS.decision["key_radius_mm"].value,), budget=budget)
    left = {
        name: coating.forecast(z, grid.step_mm, coats, filters=FILTERS, budget=budget)
        for name, (_, coats) in JOBS.items()
    }
    out = {}
    for kind, reference in references.items():
        zone_map = zones.find(
            height,
            z,
            grid,
            filters=FILTERS,
            budget=budget,
            pattern=found,
            limits=zone_limits(LIMITS),
            reference=reference,
        )
        decided = {}
        for name, (job, _) in JOBS.items():
            known = replace(job, azimuths_deg=azimuths)
            seen = figures, zone_map, left[name], reached
            decided[name] = verdict.decide(*seen, job=known, limits=LIMITS)
            decided[f"{name}, exact outlines"] = verdict.decide(*seen, job=known, limits=EXACT)
        out[kind] = zone_map, figures, decided
    return out


def overlap(seen, true):
    """Intersection over union; 1 where both are empty."""
    union = (seen | true).sum()
    return float((seen & true).sum() / union) if union else 1.0


def row_of(zone_map, figures, decided, truth, facts):
    taken, _, _ = facts
    told = zone_map.condition > 0
    row = {f"share_{name}": share for name, share in zone_map.shares.items()}
    row["called_harmed"] = float((told & (zone_map.condition != SOUND)).sum() / told.sum())
    for value, name in ((recipe.WORN, "worn"), (recipe.FILLED, "filled")):
        present = value in taken
        row[f"overlap_{name}"] = (
            overlap(told & (zone_map.condition == value), told & (truth == value)) if present else ""
        )
        row[f"loss_{name}"] = taken[value][0] if present else ""
        row[f"true_{name}"] = float((truth[told] == value).mean())
    row["overlap_harmed"] = overlap(told & (zone_map.condition != SOUND), told & (truth != SOUND))
    row |= {key: figures[key].value for key in zones.FIGURE_KEYS}
    row["judged_by"] = zone_map.reference
    row["least_lost"], row["most_lost"] = zone_map.lost_share or ("", "")
    for job, recommendation in decided.items():
        row[job] = recommendation.action
    for job in JOBS:
        row[f"{job}: rules"] = "; ".join(f"{r.name} {r.outcome}" for r in decided[job].readings)
    return row


def rows_of(file, names):
    """All rows of one deck."""
    maps, grid, truth, facts = maps_of(file, names)
    deck, light, _ = recipe.recipe(int(file.stem))
    about = {
        "deck": file.stem, "pattern": deck.pattern, "condition": facts[2], "albedo": light["albedo"],
        "roughness": light["alpha"], "stain": light["stain"], "sound_relief_mm": facts[1][0],
        "sound_void_depth_mm": facts[1][1],
    }  # fmt: skip
    rows = []
    for name, (height, budget, azimuths, other, known) in maps.items():
        named = zones.reference_from(other, grid.step_mm, FILTERS, shape_unsure=known.shape_unsure)
        references = {"none": None, "named": named}
        for kind, found in scored(height, grid, budget, azimuths, references).items():
            of_set = {
                "views": name,
                "reference": kind,
                "gain_u": budget.gain_u,
                "grooves": int(budget.shape_unsure or known.shape_unsure),
                "reference_relief_mm": named.figures["relief_mm"],
            }
            rows.append(about | of_set | row_of(*found, truth, facts))
    return rows


def main():
    parse = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parse.add_argument("folder", type=Path)
    parse.add_argument("--csv", type=Path, required=True)
    parse.add_argument("--seeds", help="FIRST:END, all in the folder if left out")
    parse.add_argument("--only", default="4,2,sq,1", help="sets of views: " + ", ".join(SETS))
    parse.add_argument("--jobs", type=int, default=1)
    args = parse.parse_args()
    files = sorted(args.folder.glob("*.npz"))
    if args.seeds:
        files = [args.folder / f"{seed}.npz" for seed in range(*map(int, args.seeds.split(":")))]
    with args.csv.open("w", newline="") as out, ProcessPoolExecutor(args.jobs) as pool:
        writer = None
        for rows in pool.map(partial(rows_of, names=args.only.split(",")), files):
            writer = writer or csv.DictWriter(out, rows[0].keys())
            if out.tell() == 0:
                writer.writeheader()
            writer.writerows({k: f"{v:.4g}" if isinstance(v, float) else v for k, v in row.items()} for row in rows)
            out.flush()


if __name__ == "__main__":
    main()
