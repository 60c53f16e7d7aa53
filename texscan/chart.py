"""Axes, curves and heights in colour: the drawing that the plates share, without a plotting library."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np

from texscan.typeset import INK, MUTED, PAPER, RULE, Label, font

TICK_TEXT = 17
TITLE_TEXT = 18
SUBPIXEL = 4  # binary digits of a pixel that curves are drawn to
DASHES = {"solid": (), "dashed": (14, 8), "dotted": (3, 6)}  # lengths drawn and left out [px]
SMOOTH_STEPS = (1.0, 2.0, 2.5, 5.0, 10.0)  # ticks stand at whole multiples of these times a power of ten
# Lightness L* of CIELAB rises evenly from the deepest to the highest, so that the ramp reads the same in grey; its
# hue runs from blue to yellow only, which red-green blindness leaves apart.
DARKEST, LIGHTEST = (20.0, 8.0, -34.0), (94.0, -6.0, 44.0)  # L*, a*, b*
NOT_MEASURED = (236, 238, 241)


@dataclass(frozen=True, slots=True)
class Frame:
    """A chart's place on the page [px] and the values at its edges; y upwards."""

    left: int
    top: int
    width: int
    height: int
    x_range: tuple[float, float]
    y_range: tuple[float, float]

    def x_px(self, x):
        low, high = self.x_range
        return self.left + (np.clip(x, low, high) - low) / (high - low) * self.width

    def y_px(self, y):
        low, high = self.y_range
        return self.top + (high - np.clip(y, low, high)) / (high - low) * self.height


def ticks(low: float, high: float, *, most: int) -> np.ndarray:
    """At most `most` round values from low to high, one step apart."""
    rough = (high - low) / max(most - 1, 1)
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(s * power for s in SMOOTH_STEPS if s * power >= rough * (1 - 1e-9))
    return step * np.arange(math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9) + 1)


def axes(page: np.ndarray, frame: Frame, *, x_title: str, y_title: str, x_factor: float = 1.0) -> list[Label]:
    """Ticks, rules and the frame drawn on the page; gives the labels. `x_factor` 100 writes shares as per cent."""
    labels = []
    bottom, right = frame.top + frame.height, frame.left + frame.width
    for value in ticks(*frame.y_range, most=max(frame.height // 44, 2)):
        y = round(float(frame.y_px(value)))
        cv2.line(page, (frame.left, y), (right, y), RULE, 1)
        text = _plain(value)
        labels.append(text_at(text, frame.left - 8, y - 11, size=TICK_TEXT, align="right", colour=MUTED))
    for value in ticks(*frame.x_range, most=max(frame.width // 90, 2)):
        x = round(float(frame.x_px(value)))
        cv2.line(page, (x, bottom), (x, bottom + 6), INK, 1)
        text = _plain(value * x_factor)
        labels.append(text_at(text, x, bottom + 8, size=TICK_TEXT, align="middle", colour=MUTED))
    cv2.rectangle(page, (frame.left, frame.top), (right, bottom), INK, 1)
    labels.append(text_at(y_title, frame.left, frame.top - 28, size=TITLE_TEXT, colour=MUTED))
    labels.append(text_at(x_title, right, bottom + 30, size=TITLE_TEXT, align="right", colour=MUTED))
    return labels


def text_at(
    text: str, x: float, y: float, *, size: int, align: str = "left", bold: bool = False, colour=INK
) -> Label:
    """One line whose left end, middle or right end is at x."""
    wide = font(size, bold).getlength(text)
    shift = {"left": 0.0, "middle": wide / 2, "right": wide}[align]
    return Label(text, round(x - shift), round(y), size, bold, colour)


def curve(page: np.ndarray, frame: Frame, x: np.ndarray, y: np.ndarray, *, colour=INK, dash: str = "solid") -> None:
    """A line through the points; it breaks where y is NaN. Coloured lines get a dark edge, to stand out in grey."""
    known = np.isfinite(y)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], known, [False]]).astype(int)))
    for start, end in zip(edges[::2], edges[1::2], strict=True):
        points = np.stack([frame.x_px(x[start:end]), frame.y_px(y[start:end])], axis=1)
        pieces = _dashed(points, DASHES[dash])
        if colour != INK:
            _lines(page, pieces, INK, 5)
        _lines(page, pieces, colour, 2 if colour == INK else 3)


def level(page: np.ndarray, frame: Frame, y: float, *, dash: str, x_range: tuple[float, float] | None = None) -> None:
    """A level line across the frame, or over a part of it."""
    ends = np.array(x_range or frame.x_range, dtype=float)
    curve(page, frame, ends, np.array([y, y], dtype=float), dash=dash)


def area(page: np.ndarray, frame: Frame, x: np.ndarray, upper: np.ndarray, lower: np.ndarray, *, colour) -> None:
    """The area between two lines; nothing where either is NaN."""
    known = np.isfinite(upper) & np.isfinite(lower)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], known, [False]]).astype(int)))
    for start, end in zip(edges[::2], edges[1::2], strict=True):
        part = np.s_[start:end]
        above = np.stack([frame.x_px(x[part]), frame.y_px(upper[part])], axis=1)
        below = np.stack([frame.x_px(x[part]), frame.y_px(lower[part])], axis=1)
        cv2.fillPoly(page, [_fixed(np.concatenate([above, below[::-1]]))], colour, cv2.LINE_AA, SUBPIXEL)


def height_colours(z: np.ndarray, low: float, high: float) -> np.ndarray:
    """Heights as colours (..., 3) uint8, dark = low, light = high; NaN pale grey."""
    known = np.isfinite(z)
    share = np.where(known, z, np.float32(low)).astype(np.float32) - np.float32(low)
    share *= np.float32(255 / max(high - low, 1e-9))
    steps = np.linspace(0, 1, 256, dtype=np.float32)[:, None]
    darkest, lightest = np.array(DARKEST, np.float32), np.array(LIGHTEST, np.float32)
    lab = darkest + steps * (lightest - darkest)
    ramp = np.round(np.clip(cv2.cvtColor(lab[None], cv2.COLOR_Lab2RGB)[0], 0, 1) * 255).astype(np.uint8)
    picture = cv2.applyColorMap(np.rint(np.clip(share, 0, 255)).astype(np.uint8), ramp[:, None])
    picture[~known] = NOT_MEASURED
    return picture


def colour_scale(page: np.ndarray, frame: Frame, *, title: str) -> list[Label]:
    """An upright bar of the heights' colours with its ticks to the right; the frame's y is height."""
    low, high = frame.y_range
    bar = height_colours(np.linspace(high, low, frame.height)[:, None], low, high)
    page[frame.top : frame.top + frame.height, frame.left : frame.left + frame.width] = bar
    right = frame.left + frame.width
    cv2.rectangle(page, (frame.left, frame.top), (right, frame.top + frame.height), INK, 1)
    labels = [text_at(title, frame.left, frame.top - 28, size=TITLE_TEXT, colour=MUTED)]
    for value in ticks(low, high, most=max(frame.height // 60, 2)):
        y = round(float(frame.y_px(value)))
        cv2.line(page, (right, y), (right + 6, y), INK, 1)
        labels.append(text_at(_plain(value), right + 10, y - 11, size=TICK_TEXT, colour=MUTED))
    return labels


def scale_bar(page: np.ndarray, x: int, y: int, *, length_mm: float, px_per_mm: float) -> list[Label]:
    """A bar of a round length in four steps, with its label to the right."""
    width = length_mm * px_per_mm
    for step in range(4):
        ends = round(x + width * step / 4), round(x + width * (step + 1) / 4)
        cv2.rectangle(page, (ends[0], y), (ends[1], y + 12), INK if step % 2 == 0 else PAPER, -1)
    cv2.rectangle(page, (x, y), (round(x + width), y + 12), INK, 1)
    return [text_at(f"{length_mm:g} mm", x + width + 12, y - 5, size=TICK_TEXT)]


def _plain(value: float) -> str:
    """A tick's number: no exponent, no trailing zeros, no minus zero."""
    text = f"{value:.3f}".rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text.replace("-", "\u2212")


def _fixed(points: np.ndarray) -> np.ndarray:
    return np.round(points * (1 << SUBPIXEL)).astype(np.int32)


def _lines(page: np.ndarray, pieces: list[np.ndarray], colour, width: int) -> None:
    fixed = [_fixed(piece) for piece in pieces]
    cv2.polylines(page, fixed, False, colour, width, cv2.LINE_AA, SUBPIXEL)


def _dashed(points: np.ndarray, dash: tuple[int, ...]) -> list[np.ndarray]:
    """The line in pieces: all of it, or dashes along its length."""
    if not dash or len(points) < 2:
        return [points]
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    pieces = []
    for start in np.arange(0.0, along[-1], sum(dash)):
        end = min(start + dash[0], along[-1])
        inside = along[(along > start) & (along < end)]
        at = np.concatenate([[start], inside, [end]])
        pieces.append(np.stack([np.interp(at, along, points[:, k]) for k in (0, 1)], axis=1))
    return pieces
