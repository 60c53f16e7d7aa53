"""A planned figure: low, likely, high, and where it comes from."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from texscan.model import Measured

MEASURED, DATA_SHEET, USER, ASSUMED = SOURCES = ("measured", "data sheet", "user", "assumed")  # strongest first


@dataclass(frozen=True, slots=True)
class Figure:
    """A figure >= 0 with the range it may take; `source` is the weakest of what went into it."""

    low: float
    likely: float
    high: float
    source: str

    def __post_init__(self) -> None:
        if not all(map(math.isfinite, self.ends)) or not 0 <= self.low <= self.likely <= self.high:
            raise ValueError(f"a planned figure must rise from 0 on, got {self.ends}")
        if self.source not in SOURCES:
            raise ValueError(f"unknown source {self.source!r}")

    @property
    def ends(self) -> tuple[float, float, float]:
        return self.low, self.likely, self.high


def exactly(value: float, source: str) -> Figure:
    """A figure without a range."""
    return Figure(value, value, value, source)


def of_measured(reading: Measured, source: str = MEASURED) -> Figure:
    """A reading with its 95 % interval, cut at 0."""
    return Figure(max(reading.low, 0.0), max(reading.value, 0.0), max(reading.high, 0.0), source)


def rising(function: Callable[..., float], *figures: Figure) -> Figure:
    """
    The function of figures, where it falls with none of them.

    Low takes every figure at its low end, high every one at its high end: what may go wrong at once, so the range is
    wider than 95 %.
    """
    low, likely, high = (float(function(*values)) for values in zip(*(f.ends for f in figures), strict=True))
    return Figure(low, likely, high, weakest(*figures))


def inverse(figure: Figure) -> Figure:
    """1 / figure; ValueError where it may be 0."""
    if figure.low <= 0:
        raise ValueError("no inverse of a figure that may be 0")
    return Figure(1 / figure.high, 1 / figure.likely, 1 / figure.low, figure.source)


def total(figures: tuple[Figure, ...]) -> Figure:
    """Sum, end by end; 0 of the strongest source where there is nothing to add."""
    if not figures:
        return exactly(0.0, MEASURED)
    return rising(lambda *values: sum(values), *figures)


def weakest(*figures: Figure) -> str:
    """The weakest source among them."""
    return max((figure.source for figure in figures), key=SOURCES.index)
