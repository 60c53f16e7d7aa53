"""
Do two results say the same? Compares two score.json files, or all of two folders, number by number.

    python tests/trust/same_scores.py ONE OTHER [--relative 0.06] [--absolute 0.001]

Two numbers are the same where they differ by no more than the absolute or the relative tolerance; texts, flags,
conditions and the action must be equal. Outlines and versions are not compared: a zone's corners may move by a pixel.
For one machine, version and set of libraries both tolerances are 0: the bytes must be equal. For the oldest and
newest libraries the defaults hold; they lie far below the 95 % interval of any figure (`DEVELOPERS.md`, Trust).
Prints the largest differences; ends with 1 where a tolerance is passed.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

RELATIVE, ABSOLUTE = 0.06, 0.001
LEFT_OUT = {"texscan_version", "polygon_mm"}
LINES = 12


@dataclass(frozen=True, slots=True)
class Difference:
    """Two values in one place; ratio of their difference to what is allowed, infinite where no number differs."""

    place: str
    one: object
    other: object
    ratio: float


def differences(
    one: object, other: object, *, relative: float = RELATIVE, absolute: float = ABSOLUTE, place: str = ""
) -> Iterator[Difference]:
    """Every value in which two decoded JSON texts differ at all."""
    if isinstance(one, dict) and isinstance(other, dict):
        for key in sorted(set(one) | set(other)):
            if key in LEFT_OUT:
                continue
            if key not in one or key not in other:
                yield Difference(f"{place}.{key}", one.get(key), other.get(key), float("inf"))
            else:
                yield from differences(
                    one[key], other[key], relative=relative, absolute=absolute, place=f"{place}.{key}"
                )
    elif isinstance(one, list) and isinstance(other, list) and len(one) == len(other):
        for number, pair in enumerate(zip(one, other, strict=True)):
            yield from differences(*pair, relative=relative, absolute=absolute, place=f"{place}[{number}]")
    elif _is_number(one) and _is_number(other):
        allowed = max(absolute, relative * max(abs(one), abs(other)))
        gap = abs(one - other)
        if gap:
            yield Difference(place, one, other, gap / allowed if allowed else float("inf"))
    elif one != other and not (_is_number_in_words(place) and isinstance(one, str)):
        yield Difference(place, one, other, float("inf"))


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _is_number_in_words(place: str) -> bool:
    """Sentences quote figures, whose last digit may differ; the figures themselves are compared where they stand."""
    return any(part in place for part in ("sentence", "reasons", "would_change_it", "warnings"))


def pairs(one: Path, other: Path) -> Iterator[tuple[str, Path, Path]]:
    """The score.json files to compare, by the folder in which they lie."""
    if one.is_file():
        yield "", one, other
        return
    for path in sorted(one.rglob("score.json")):
        yield str(path.relative_to(one).parent), path, other / path.relative_to(one)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("one", type=Path)
    parser.add_argument("other", type=Path)
    parser.add_argument("--relative", type=float, default=RELATIVE)
    parser.add_argument("--absolute", type=float, default=ABSOLUTE)
    asked = parser.parse_args()
    found = [
        (name, difference)
        for name, one, other in pairs(asked.one, asked.other)
        for difference in differences(
            *(json.loads(path.read_text(encoding="utf-8")) for path in (one, other)),
            relative=asked.relative, absolute=asked.absolute, place=name,
        )
    ]  # fmt: skip
    if not list(pairs(asked.one, asked.other)):
        sys.exit(f"{asked.one} holds no score.json.")
    found.sort(key=lambda pair: -pair[1].ratio)
    for _, difference in found[:LINES]:
        values = f"{difference.one!r}, {difference.other!r}"
        print(f"{difference.ratio:>10.3g} of what is allowed  {difference.place}: {values}")
    beyond = sum(difference.ratio > 1 for _, difference in found)
    print(f"{len(found)} values differ, {beyond} by more than is allowed.")
    raise SystemExit(1 if beyond else 0)


if __name__ == "__main__":
    main()
