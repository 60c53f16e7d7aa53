"""Words on a picture: blocks of text broken into lines, placed, and drawn with an outline font."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cache, lru_cache
from importlib.util import find_spec
from pathlib import Path

import numpy as np
from PIL import Image, ImageDraw, ImageFont

INK = (28, 36, 46)
MUTED = (88, 98, 110)
RULE = (206, 212, 219)
PAPER = (255, 255, 255)
LEADING = 1.32  # line height over font size
BULLET_INDENT = 22
FONT_FILES = {False: "Vera.ttf", True: "VeraBd.ttf"}  # free to use and to pass on; they come with reportlab
ELLIPSIS = "..."
NO_BREAK = "\u00a0"
GLUE = re.compile(r"(\d) (%|mm|cm|°)")  # a number and its unit stay on one line


@dataclass(frozen=True, slots=True)
class Block:
    """A paragraph: text (tab characters jump to `tabs` [px]), size [px], and the space before it [px]."""

    text: str
    size: int
    bold: bool = False
    colour: tuple[int, int, int] = INK
    before: int = 0
    indent: int = 0
    tabs: tuple[int, ...] = ()
    bullet: bool = False
    one_line: bool = False
    role: str = "text"


@dataclass(frozen=True, slots=True)
class Label:
    """One line of text at its place; (x, y) is the upper left corner [px]."""

    text: str
    x: int
    y: int
    size: int
    bold: bool
    colour: tuple[int, int, int]


@cache
def font(size: int, bold: bool) -> ImageFont.FreeTypeFont:
    """The page's font; reportlab brings it along."""
    spec = find_spec("reportlab")
    folder = Path(next(iter(spec.submodule_search_locations))) / "fonts"  # type: ignore[union-attr,arg-type]
    return ImageFont.truetype(str(folder / FONT_FILES[bold]), size)


def lines_of(block: Block, width: int) -> list[str]:
    """The block's text broken at spaces to fit the width; words longer than a line are broken inside."""
    return [line.replace(NO_BREAK, " ") for line in _broken(block, width)]


@lru_cache(maxsize=256)  # a page asks thrice: for its height, for what lies behind the words, and for the words
def _broken(block: Block, width: int) -> tuple[str, ...]:
    face = font(block.size, block.bold)
    room = width - block.indent - (BULLET_INDENT if block.bullet else 0)
    text = GLUE.sub(f"\\1{NO_BREAK}\\2", block.text)
    if block.tabs:
        return (text,)
    if block.one_line:
        return (_shortened(text, face, room),)
    lines, line = [], ""
    for word in text.split(" "):
        trial = f"{line} {word}" if line else word
        if line and face.getlength(trial) > room:
            lines.append(line)
            trial = word
        while face.getlength(trial) > room and len(trial) > 1:
            cut = next(n for n in range(len(trial) - 1, 0, -1) if n == 1 or face.getlength(trial[:n]) <= room)
            lines.append(trial[:cut])
            trial = trial[cut:]
        line = trial
    return (*lines, line)


def _shortened(text: str, face: ImageFont.FreeTypeFont, room: int) -> str:
    if face.getlength(text) <= room:
        return text
    while text and face.getlength(text + ELLIPSIS) > room:
        text = text[:-1]
    return text + ELLIPSIS


def height_of(blocks: list[Block], width: int) -> int:
    """Height that the blocks take below each other [px]."""
    return sum(block.before + _body(block, width) for block in blocks)


def _body(block: Block, width: int) -> int:
    if block.role == "shares":
        return block.size
    if block.role == "verdict":
        return round(block.size * 2.1)
    return round(len(lines_of(block, width)) * block.size * LEADING)


def place(blocks: list[Block], x: int, y: int, width: int) -> list[Label]:
    """The blocks' lines below each other from (x, y) down."""
    labels: list[Label] = []
    for block in blocks:
        y += block.before
        if block.text and block.role != "shares":
            top = y + round(block.size * 0.45) if block.role == "verdict" else y
            labels += _block_labels(block, x, top, width)
        y += _body(block, width)
    return labels


def _block_labels(block: Block, x: int, y: int, width: int) -> list[Label]:
    left = x + block.indent
    labels = []
    if block.bullet:
        labels.append(Label("•", left, y, block.size, block.bold, block.colour))
        left += BULLET_INDENT
    for number, line in enumerate(lines_of(block, width)):
        at = y + round(number * block.size * LEADING)
        for part, jump in zip(line.split("\t"), (0, *block.tabs), strict=False):
            labels.append(Label(part, left + jump, at, block.size, block.bold, block.colour))
    return labels


def blank(height: int, width: int) -> np.ndarray:
    """A page of paper, (height, width, 3) uint8."""
    page = np.empty((height, width, 3), np.uint8)
    page[0] = PAPER
    page[1:] = page[0]  # row by row is quick
    return page


def typeset(page: np.ndarray, labels: list[Label]) -> np.ndarray:
    """A copy of the page with the labels drawn."""
    drawn = page.copy()
    for label in labels:
        face = font(label.size, label.bold)
        left, top, right, bottom = map(round, face.getbbox(label.text))
        x, y = max(label.x + left - 1, 0), max(label.y + top - 1, 0)
        part = drawn[y : max(label.y + bottom + 1, 0), x : max(label.x + right + 1, 0)]
        if part.size:  # the rest of the page stays where it is: a picture of it all would be copied twice
            words = Image.fromarray(part)
            ImageDraw.Draw(words).text((label.x - x, label.y - y), label.text, font=face, fill=label.colour)
            part[:] = words
    return drawn
