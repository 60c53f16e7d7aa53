"""What a proposal says, apart from how it looks: frozen records that every writer of a format walks through."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar


@dataclass(frozen=True, slots=True)
class Paragraph:
    """Running text. Styles: "body", "lead", "small", "title" (a heading below a section's)."""

    kind: ClassVar[str] = "paragraph"
    text: str
    style: str = "body"


@dataclass(frozen=True, slots=True)
class Bullets:
    """A list of sentences."""

    kind: ClassVar[str] = "bullets"
    items: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Verdict:
    """An action, in words; `action` names its colour."""

    action: str
    words: str


Cell = str | Verdict


@dataclass(frozen=True, slots=True)
class Table:
    """
    Rows below a heading row: texts, and verdicts in their colour.

    widths : relative widths of the columns; their sum does not matter
    numeric : columns set to the right
    total : the last row is a sum
    roomy : rows high enough to write into by hand
    """

    kind: ClassVar[str] = "table"
    caption: str
    head: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]
    widths: tuple[float, ...]
    numeric: tuple[int, ...] = ()
    total: bool = False
    roomy: bool = False
    small: bool = False  # set smaller

    def __post_init__(self) -> None:
        columns = len(self.head)
        if len(self.widths) != columns or any(len(row) != columns for row in self.rows):
            raise ValueError(f"table {self.caption!r} has rows or widths that do not match its {columns} columns")


@dataclass(frozen=True, slots=True)
class Facts:
    """Labels and values; an empty value is a line to write on."""

    kind: ClassVar[str] = "facts"
    rows: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Picture:
    """A packed picture with its size in pixels and the width that it is to be printed in [mm]."""

    data: bytes
    media: str  # "png" or "jpeg"
    columns: int
    rows: int
    width_mm: float


@dataclass(frozen=True, slots=True)
class Figure:
    """A picture with its caption and the words that stand for it where it cannot be seen."""

    kind: ClassVar[str] = "figure"
    picture: Picture
    caption: str
    alt: str


@dataclass(frozen=True, slots=True)
class Caution:
    """A warning, set apart from other text."""

    kind: ClassVar[str] = "caution"
    text: str


@dataclass(frozen=True, slots=True)
class Heights:
    """The height map as a screen reads it out: grey 1 to 255 is low to high, 0 not measured."""

    grey: Picture
    shown: Picture  # the same in colour, with zones
    low_mm: float  # over the top plane
    high_mm: float
    step_mm: float
    x0_mm: float
    y1_mm: float
    help: str
    alt: str
    out: str  # sentence with {height}, {x}, {y}
    none: str  # "not measured"


@dataclass(frozen=True, slots=True)
class Slider:
    """The patch without and with its zones, of one size."""

    plain: Picture
    zones: Picture
    help: str


@dataclass(frozen=True, slots=True)
class EvidencePage:
    """All that is known of one panel; one printed page."""

    kind: ClassVar[str] = "evidence"
    anchor: str
    heading: str
    verdict: Verdict
    photo: Figure
    texture: Figure  # the mould's cells, or a profile
    facts: Facts
    figures: Table
    views: Table | None
    ways: Table
    reach: Table | None
    patches: Table | None
    reasons: tuple[str, ...]
    changes: tuple[str, ...]
    weakens: tuple[str, ...]
    labels: tuple[str, str, str]  # titles of reasons, changes, weakens
    slider: Slider | None = None
    heights: Heights | None = None


@dataclass(frozen=True, slots=True)
class Part:
    """One share of the deck in the summary on the first page."""

    verdict: Verdict
    amount: str  # "12.3 m2"
    count: str  # "4 panels"
    meaning: str


@dataclass(frozen=True, slots=True)
class Brief:
    """The half page that comes first."""

    heading: str
    parts: tuple[Part, ...]
    answers: tuple[tuple[str, tuple[str, ...]], ...]  # question, sentences
    never: str


Block = Paragraph | Bullets | Table | Facts | Figure | Caution | EvidencePage


@dataclass(frozen=True, slots=True)
class Section:
    """A heading with what stands below it."""

    anchor: str
    number: str
    heading: str
    blocks: tuple[Block, ...]
    new_page: bool = False


@dataclass(frozen=True, slots=True)
class Proposal:
    """The whole document."""

    title: str
    subtitle: str
    running: str  # at the head of each page
    page: str  # "Page {number} of {count}"
    contents: str  # title of the table of contents
    parties: tuple[tuple[str, tuple[str, ...]], ...]  # owner and yard on the first page: label, lines
    brief: Brief
    sections: tuple[Section, ...]
    language: str
    author: str
    description: str
    paper: str  # "a4" or "letter"
    accent: str  # "#rrggbb"
    missing_note: str  # sentence for characters that a typeface lacks, with {characters}
    logo: Picture | None = None
