"""The evidence of one panel on one page."""

from __future__ import annotations

from collections.abc import Sequence

from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.platypus import Flowable, KeepInFrame, Table
from reportlab.platypus import Paragraph as Text

from texscan.proposal import content
from texscan.proposal.pdf_blocks import bullets, facts, figure, table, verdict_chip
from texscan.proposal.pdf_type import Styles, Typeface

PHOTO_MM = (92.0, 88.0, 84.0, 80.0, 76.0, 72.0, 68.0, 64.0, 60.0, 56.0, 50.0, 44.0)  # widths that are tried
TEXTURE_SHARES = (1.0, 0.94, 0.88, 0.82, 0.76, 0.7, 0.62)  # of the page's width
ENDLESS = 1e6  # points
GUTTER_MM = 6.0
CHIP_MM = 62.0
REACH_SHARE = 0.36
MOST_WEAKENS = 5


class Heading(Text):
    """A heading that the list of contents and the PDF's outline point to."""

    def __init__(self, text: str, style: ParagraphStyle, *, face: Typeface, anchor: str, level: int) -> None:
        super().__init__(face.markup(text), style)
        self.plain, self.anchor, self.level = text, anchor, level

    def draw(self) -> None:
        self.canv.bookmarkPage(self.anchor)
        self.canv.addOutlineEntry(self.plain, self.anchor, self.level, closed=self.level > 0)
        super().draw()


def evidence_flow(
    page: content.EvidencePage, styles: Styles, width: float, height: float, *, level: int = 1
) -> KeepInFrame:
    """One page: the largest pictures that leave room for the words; with the smallest ones all shrinks together."""
    above, below = [_top(page, styles, width, level)], _below(page, styles, width)
    room = height - height_of(above + below, width)
    photos = {size: [_photo_row(page, styles, width, size * mm)] for size in PHOTO_MM}
    textures = {share: figure(page.texture, styles, share * width) for share in TEXTURE_SHARES}
    tall = {size: height_of(row, width) for size, row in photos.items()}
    deep = {share: height_of(row, width) for share, row in textures.items()}
    fitting = [
        (size * share, size, share) for size in photos for share in textures if tall[size] + deep[share] <= room
    ]
    _, size, share = max(fitting, default=(0, PHOTO_MM[-1], TEXTURE_SHARES[-1]))
    rows = [*above, *photos[size], *textures[share], *below]
    return KeepInFrame(width, height, rows, mode="shrink", name=page.anchor)


def _below(page: content.EvidencePage, styles: Styles, width: float) -> list[Flowable]:
    """What stands below the pictures."""
    rows: list[Flowable] = [_figures_row(page, styles, width), *_table(page.ways, styles, width)]
    if page.patches is not None:
        rows += _table(page.patches, styles, width)
    if page.weakens:
        rows.append(Text(styles.face.markup(page.labels[2]), styles["fine-title"]))
        rows += bullets(page.weakens[:MOST_WEAKENS], styles, "fine-bullet")
    return rows


def height_of(rows: Sequence[Flowable], width: float) -> float:
    """Height that the pieces take below each other [points]."""
    return sum(row.wrap(width, ENDLESS)[1] + row.getSpaceBefore() + row.getSpaceAfter() for row in rows)


def _side_by_side(left: Sequence[Flowable], right: Sequence[Flowable], widths: tuple[float, float]) -> Table:
    made = Table([[left, right]], colWidths=list(widths))
    made.setStyle(
        [
            ("VALIGN", (0, 0), (-1, -1), "TOP"),
            ("LEFTPADDING", (0, 0), (-1, -1), 0),
            ("RIGHTPADDING", (0, 0), (-1, -1), 0),
            ("TOPPADDING", (0, 0), (-1, -1), 0),
            ("BOTTOMPADDING", (0, 0), (-1, -1), 0),
        ]
    )
    made.hAlign = "LEFT"
    return made


def _top(page: content.EvidencePage, styles: Styles, width: float, level: int) -> Table:
    chip = CHIP_MM * mm
    heading = [Heading(page.heading, styles["panel"], face=styles.face, anchor=page.anchor, level=level)]
    made = _side_by_side(heading, [verdict_chip(page.verdict, styles, chip)], (width - chip, chip))
    made.spaceAfter = 7
    return made


def _photo_row(page: content.EvidencePage, styles: Styles, width: float, wide: float) -> Table:
    gutter = GUTTER_MM * mm
    right: list[Flowable] = []
    for label, items in zip(page.labels[:2], (page.reasons, page.changes), strict=True):
        if items:
            right.append(Text(styles.face.markup(label), styles["fine-title"]))
            right += bullets(items, styles, "fine-bullet")
    room = width - wide - gutter
    noted = facts(page.facts, styles, room, style="fine")
    noted.spaceBefore = noted.spaceAfter = 4
    right.append(noted)
    if page.views is not None:
        right += _table(page.views, styles, room)
    made = _side_by_side(figure(page.photo, styles, wide), right, (wide + gutter, room))
    made.spaceAfter = 4
    return made


def _figures_row(page: content.EvidencePage, styles: Styles, width: float) -> Table:
    if page.reach is None:
        return _side_by_side(_table(page.figures, styles, width), [], (width, 0))
    room, gutter = REACH_SHARE * width, GUTTER_MM * mm
    left = _table(page.figures, styles, width - room - gutter)
    return _side_by_side(left, _table(page.reach, styles, room), (width - room, room))


def _table(block: content.Table, styles: Styles, width: float) -> list[Flowable]:
    return [table(block, styles, width, fine=True)]
