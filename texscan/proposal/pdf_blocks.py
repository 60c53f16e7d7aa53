"""The blocks of a proposal as flowing pieces of a PDF page."""

from __future__ import annotations

import io

from reportlab.lib.colors import HexColor
from reportlab.lib.units import mm
from reportlab.platypus import Flowable, Image, Table
from reportlab.platypus import Paragraph as Text

from texscan.proposal import content
from texscan.proposal.colour import hex_of, verdict_colour
from texscan.proposal.material import ACTIONS, NOT_SCORED
from texscan.proposal.pdf_type import RULE, TINT, Styles, cell_markup

VERDICT_COLOURS = {action: hex_of(verdict_colour(action)) for action in (*ACTIONS, NOT_SCORED)}
LINE_MM = 8.0  # a line to write on
ROOMY_MM = 8.5
LONGEST_ROOMY, LONGEST_VERDICT = 60, 28  # characters that surely stand on one or two lines
GUTTER = 14.0  # points between a column set to the right and the next
FINE_PAD = 1.2
PAD = 3.0  # points above and below a row


def flowing(block: content.Block, styles: Styles, width: float) -> list[Flowable]:
    """
    Parameters
    ----------
    width : of the column [points]
    """
    match block:
        case content.Paragraph():
            return [Text(styles.face.markup(block.text), styles[block.style])]
        case content.Bullets():
            return bullets(block.items, styles)
        case content.Facts():
            return [facts(block, styles, width)]
        case content.Caution():
            return [caution(block, styles, width)]
        case content.Figure():
            picture, caption = figure(block, styles, width)
            picture.keepWithNext = 1
            return [picture, caption]
        case content.Table():
            return captioned(block, styles, width)
    raise TypeError(f"no way to set a {type(block).__name__}")


def bullets(items: tuple[str, ...], styles: Styles, style: str = "bullet") -> list[Flowable]:
    return [Text(styles.face.markup(item), styles[style], bulletText="\u2022") for item in items]


def facts(block: content.Facts, styles: Styles, width: float, *, style: str = "cell") -> Table:
    """Labels and values; an empty value is a line to write on."""
    rows = [[Text(styles.face.markup(label), styles["label" if style == "cell" else style]),
             Text(styles.face.markup(value), styles[style])] for label, value in block.rows]  # fmt: skip
    share = 0.24 if style == "cell" else 0.3
    pad = 1.6 if style == "cell" else 0.5
    heights = [None if value else LINE_MM * mm for _, value in block.rows]
    set_ = Table(rows, colWidths=[share * width, (1 - share) * width], rowHeights=heights)
    commands: list[tuple] = [
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ("LEFTPADDING", (0, 0), (-1, -1), 0),
        ("TOPPADDING", (0, 0), (-1, -1), pad),
        ("BOTTOMPADDING", (0, 0), (-1, -1), pad),
    ]
    commands += [
        ("LINEBELOW", (1, n), (1, n), 0.5, HexColor("#8a939c")) for n, row in enumerate(block.rows) if not row[1]
    ]
    set_.setStyle(commands)
    set_.hAlign = "LEFT"
    return set_


def caution(block: content.Caution, styles: Styles, width: float) -> Table:
    """A text with a bar beside it."""
    box = Table([[Text(styles.face.markup(block.text), styles["body"])]], colWidths=[width])
    box.setStyle(
        [
            ("BACKGROUND", (0, 0), (-1, -1), HexColor(TINT)),
            ("LINEBEFORE", (0, 0), (0, -1), 3, styles.accent),
            ("LEFTPADDING", (0, 0), (-1, -1), 9),
            ("BOTTOMPADDING", (0, 0), (-1, -1), 0),
        ]
    )
    box.spaceAfter = 5
    return box


def figure(block: content.Figure, styles: Styles, width: float) -> list[Flowable]:
    wide = min(block.picture.width_mm * mm, width)
    return [image(block.picture, wide), Text(styles.face.markup(block.caption), styles["caption"])]


def image(picture: content.Picture, width: float, *, most_high: float = 225 * mm) -> Image:
    """A picture at a width [points], no higher than a page."""
    width = min(width, most_high * picture.columns / picture.rows)
    placed = Image(io.BytesIO(picture.data), width, width * picture.rows / picture.columns)
    placed.hAlign = "LEFT"
    return placed


def captioned(block: content.Table, styles: Styles, width: float) -> list[Flowable]:
    """A table below its caption; it may break over pages and repeats caption and head."""
    made = table(block, styles, width, fine=block.small)
    made.spaceBefore, made.spaceAfter = 6, 9
    return [made]


def table(block: content.Table, styles: Styles, width: float, *, fine: bool = False) -> Table:
    cell, head = ("fine", "fine-head") if fine else ("cell", "head")
    right = set(block.numeric)

    def row(cells: tuple[content.Cell, ...], style: str) -> list[Text | str]:
        return [
            Text(cell_markup(one, styles.face, VERDICT_COLOURS), styles[f"{style}-right" if n in right else style])
            for n, one in enumerate(cells)
        ]

    last = len(block.rows) - 1
    caption: list[Text | str] = [
        Text(styles.face.markup(block.caption), styles["above"]),
        *([""] * (len(block.head) - 1)),
    ]
    rows = [caption, row(block.head, head)]
    rows += [row(cells, head if block.total and n == last else cell) for n, cells in enumerate(block.rows)]
    whole = sum(block.widths)
    heights = [None, None] + [_height(cells, block.roomy) for cells in block.rows]
    made = Table(rows, colWidths=[width * w / whole for w in block.widths], rowHeights=heights, repeatRows=2)
    pad = FINE_PAD if fine else PAD
    made.setStyle(
        [
            ("SPAN", (0, 0), (-1, 0)),
            ("VALIGN", (0, 0), (-1, -1), "TOP"),
            ("VALIGN", (0, 1), (-1, 1), "BOTTOM"),
            ("LEFTPADDING", (0, 0), (-1, -1), 0),
            ("RIGHTPADDING", (0, 0), (-1, -1), 6),
            *(("RIGHTPADDING", (n, 1), (n, -1), GUTTER) for n in block.numeric if n + 1 not in block.numeric),
            ("RIGHTPADDING", (-1, 0), (-1, -1), 0),
            ("TOPPADDING", (0, 0), (-1, -1), pad),
            ("BOTTOMPADDING", (0, 0), (-1, -1), pad + 0.6),
            ("LINEBELOW", (0, 1), (-1, 1), 1.1, styles.accent),
            ("LINEBELOW", (0, 2), (-1, -1), 0.4, HexColor(RULE)),
            *([("LINEABOVE", (0, -1), (-1, -1), 0.8, styles.accent)] if block.total else []),
        ]
    )
    made.hAlign = "LEFT"
    return made


def _height(cells: tuple[content.Cell, ...], roomy: bool) -> float | None:
    """Room to write into where a row has empty cells and its texts are short."""
    longest = max((len(cell) for cell in cells if isinstance(cell, str)), default=0)
    verdict = max((len(cell.words) for cell in cells if isinstance(cell, content.Verdict)), default=0)
    short = longest < LONGEST_ROOMY and verdict < LONGEST_VERDICT
    return ROOMY_MM * mm if roomy and short and "" in cells else None


def verdict_chip(verdict: content.Verdict, styles: Styles, width: float) -> Table:
    """The recommendation on its colour, white."""
    words = f'<font color="#ffffff">{styles.face.markup(verdict.words)}</font>'
    chip = Table([[Text(words, styles["title"])]], colWidths=[width])
    chip.setStyle(
        [
            ("BACKGROUND", (0, 0), (-1, -1), HexColor(VERDICT_COLOURS[verdict.action])),
            ("TOPPADDING", (0, 0), (-1, -1), 2),
            ("BOTTOMPADDING", (0, 0), (-1, -1), 5),
            ("LEFTPADDING", (0, 0), (-1, -1), 7),
        ]
    )
    chip.hAlign = "RIGHT"
    return chip
