"""
The tables of README.md from a readings file of `benchmark.py`.

    python calibration/zones/summary.py calibration/zones/readings-held.csv
"""

from __future__ import annotations

import csv
import sys
from collections import Counter
from itertools import pairwise
from pathlib import Path

import numpy as np
from scipy.stats import binomtest

TARGETS = {"4": 0.80, "2": 0.70, "sq": 0.70, "1": 0.70}  # of the overlap, by views
CLEAR_LOSS = 0.45  # of the relief, from which a harm must be found
FALSE_SHARE = 0.02  # of a sound deck
SOUND_RELIEF_MM = 0.36  # sound decks have at least this (calibration/limits.toml)
CALLED_SOUND = 0.5  # share called sound from which a deck harmed all over passes as sound
RELIEF_EDGES_MM = (0.0, 0.26, 0.31, 0.36, 2.0)
TRUE = "true"  # the set of views that is the true heights
REFERENCES = ("none", "named")
KINDS = ("agree", "inconclusive", "decided, open, right", "decided, open", "decided, open, wrong", "flip")
JOBS = ("none stated", "two-part", "two-part, sprayed")
RECOAT, INCONCLUSIVE = "recoat", "inconclusive"


def read(path: Path) -> list[dict[str, str]]:
    with path.open(newline="") as lines:
        return list(csv.DictReader(lines))


def some(rows, **given):
    return [row for row in rows if all(row[key] == value for key, value in given.items())]


def share(hits: int, of: int) -> str:
    """A share with its binomial 95 % interval."""
    if of == 0:
        return "none"
    low, high = binomtest(hits, of).proportion_ci(0.95)
    return f"{hits} of {of} ({100 * low:.0f} to {100 * high:.0f} %)"


def overlaps(rows) -> list[float]:
    """Overlap of each clear harm in a part of a deck, under its own name."""
    return [
        float(row[f"overlap_{name}"])
        for row in rows
        for name in ("worn", "filled")
        if row["condition"] in ("worn", "filled", "both") and row[f"loss_{name}"]
        and float(row[f"loss_{name}"]) >= CLEAR_LOSS
    ]  # fmt: skip


def overlaps_of_lost(rows) -> list[float]:
    """Overlap of all that is worn or filled, of each deck with a clear harm in a part of it."""
    return [float(row["overlap_harmed"]) for row in rows if overlaps([row])]


def outcome(photo: str, true: str, exact: str) -> str:
    """
    What the decision from photos is beside the one from the true heights, as a score of them gives it and, where that
    is open, with the outlines' guard left out.
    """
    if photo == true:
        return "agree"
    if photo == INCONCLUSIVE:
        return "inconclusive"
    if true != INCONCLUSIVE:
        return "flip"
    return {photo: "decided, open, right", INCONCLUSIVE: "decided, open"}.get(exact, "decided, open, wrong")


def decisions(rows, views: str, reference: str, job: str) -> Counter:
    true = {
        row["deck"]: (row[job], row[f"{job}, exact outlines"]) for row in some(rows, views=TRUE, reference=reference)
    }
    return Counter(outcome(row[job], *true[row["deck"]]) for row in some(rows, views=views, reference=reference))


def header(*names: str) -> str:
    return f"\n| {' | '.join(names)} |\n{'|---' * len(names)}|"


def zone_tables(rows) -> None:
    columns = ("median overlap", "lowest", "target met", "with the true heights")
    for what, of_rows in (("under its own name", overlaps), ("whatever the cause", overlaps_of_lost)):
        print(header("reference", "views", f"harms {what}", *columns))
        for reference in REFERENCES:
            true = np.array(of_rows(some(rows, views=TRUE, reference=reference)))
            for views in views_in(rows):
                found, target = np.array(of_rows(some(rows, views=views, reference=reference))), TARGETS[views]
                met, best = (share(int((these >= target).sum()), len(these)) for these in (found, true))
                numbers = f"{len(found)} | {np.median(found):.3f} | {found.min():.3f}"
                print(f"| {reference} | {views} | {numbers} | {met} | {best} |")
    print(header("reference", "views", "sound decks", "mean false share", "worst", "under 2 %"))
    for reference in REFERENCES:
        for views in views_in(rows):
            sound = some(rows, views=views, reference=reference, condition="sound")
            deep = [row for row in sound if float(row["sound_relief_mm"]) >= SOUND_RELIEF_MM]
            false = np.array([float(row["called_harmed"]) for row in deep])
            under = share(int((false < FALSE_SHARE).sum()), len(false))
            print(f"| {reference} | {views} | {len(false)} | {false.mean():.4f} | {false.max():.3f} | {under} |")


def passes(row) -> bool:
    """A deck harmed all over is called sound, and nothing says that it may not be."""
    return float(row["share_sound"]) > CALLED_SOUND and float(row["most_lost"] or 0) < CALLED_SOUND


def all_over_table(rows) -> None:
    """Of the decks harmed all over, by their true relief: how many pass as sound, how many are recoated."""
    bins = list(pairwise(RELIEF_EDGES_MM))
    print(header("reference", "views", *(f"{low:g} to {high:g} mm" for low, high in bins)))
    true = {row["deck"]: float(row["relief_mm"]) for row in some(rows, views=TRUE, reference="none")}
    for reference in REFERENCES:
        for views in (TRUE, *views_in(rows)):
            harmed = [r for r in some(rows, views=views, reference=reference) if r["condition"].endswith("-all")]
            cells = []
            for low, high in bins:
                here = [row for row in harmed if low <= true[row["deck"]] < high]
                recoated = sum(row[JOBS[0]] == RECOAT for row in here)
                cells.append(f"{sum(map(passes, here))}, {recoated} of {len(here)}")
            print(f"| {reference} | {views} | {' | '.join(cells)} |")


def views_in(rows) -> list[str]:
    return [views for views in TARGETS if some(rows, views=views)]


def decision_table(rows) -> None:
    print(header("job", "reference", "views", *KINDS))
    for job in JOBS:
        for reference in REFERENCES:
            true = Counter(row[job] for row in some(rows, views=TRUE, reference=reference))
            for views in views_in(rows):
                found = decisions(rows, views, reference, job)
                cells = " | ".join(share(found[kind], found.total()) for kind in KINDS)
                print(f"| {job} | {reference} | {views} | {cells} |")
            print(f"| {job} | {reference} | {TRUE} | {', '.join(f'{n} {action}' for action, n in true.items())} |")


def main() -> None:
    rows = read(Path(sys.argv[1]))
    print(f"{len({row['deck'] for row in rows})} decks")
    zone_tables(rows)
    all_over_table(rows)
    decision_table(rows)


if __name__ == "__main__":
    main()
