"""The proposal as PDF: first page, list of contents, sections, head and foot of every page."""

from __future__ import annotations

import io
from collections.abc import Iterator, Sequence
from contextlib import contextmanager

from reportlab import rl_config
from reportlab.lib.colors import HexColor
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import (
    BaseDocTemplate,
    Flowable,
    Frame,
    KeepInFrame,
    PageBreak,
    PageTemplate,
    Spacer,
    Table,
    TableStyle,
)
from reportlab.platypus import Paragraph as Text
from reportlab.platypus.tableofcontents import TableOfContents

from texscan.card_sheet import PAPERS_MM
from texscan.proposal import content
from texscan.proposal.colour import colour_of
from texscan.proposal.content import Proposal
from texscan.proposal.pdf_blocks import VERDICT_COLOURS, bullets, flowing, image
from texscan.proposal.pdf_evidence import Heading, evidence_flow, height_of
from texscan.proposal.pdf_type import MUTED, RULE, SMALL_PT, TINT, Styles, Typeface, styles_of, texts_of

SIDE_MM, TOP_MM, FOOT_MM = 18.0, 20.0, 17.0
LOGO_MM = (46.0, 18.0)
PASSES = 6  # until page numbers in the list of contents stand
HEAD_PT = 7.8
CONTENTS_STYLE = TableStyle(
    [
        ("TOPPADDING", (0, 0), (-1, -1), 0),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 0.6),
        ("LEFTPADDING", (0, 0), (-1, -1), 0),
    ]
)


class _Document(BaseDocTemplate):
    """Knows how many pages the pass before had, and tells the list of contents where sections start."""

    count = 0

    def _endBuild(self) -> None:  # noqa: N802 - named by reportlab
        self.count = self.page
        super()._endBuild()  # type: ignore[misc]  # the stubs leave it out

    def afterFlowable(self, flowable: Flowable) -> None:  # noqa: N802 - named by reportlab
        if isinstance(flowable, Heading) and flowable.level == 0:
            self.notify("TOCEntry", (0, flowable.text, self.page, flowable.anchor))


def pdf_bytes(proposal: Proposal, face: Typeface) -> bytes:
    """The document; the same content gives the same bytes."""
    styles = styles_of(face, colour_of(proposal.accent))
    page = tuple(side * mm for side in PAPERS_MM[proposal.paper])
    size = page[0] - 2 * SIDE_MM * mm, page[1] - (TOP_MM + FOOT_MM) * mm
    stream = io.BytesIO()
    document = _Document(
        stream,
        pagesize=page,
        title=proposal.title,
        author=proposal.author,
        subject=proposal.description,
        creator="texscan",
        lang=proposal.language,
        invariant=1,
    )
    frame = Frame(SIDE_MM * mm, FOOT_MM * mm, *size, leftPadding=0, rightPadding=0, topPadding=0, bottomPadding=0)
    draw = lambda canvas, doc: _head_and_foot(canvas, doc, proposal, styles)
    document.addPageTemplates([PageTemplate("page", [frame], onPage=draw)])
    with binary_images():
        document.multiBuild(_story(proposal, styles, size), maxPasses=PASSES)
    return stream.getvalue()


@contextmanager
def binary_images() -> Iterator[None]:
    """Pictures go in as they are: packed as text (reportlab's default) they take a quarter more and much longer."""
    before = rl_config.useA85
    rl_config.useA85 = 0
    try:
        yield
    finally:
        rl_config.useA85 = before


def _head_and_foot(canvas: Canvas, document: _Document, proposal: Proposal, styles: Styles) -> None:
    width, height = document.pagesize
    left, right = SIDE_MM * mm, width - SIDE_MM * mm
    face = styles.face
    canvas.saveState()
    canvas.setFont(face.regular, HEAD_PT)
    canvas.setFillColor(HexColor(MUTED))
    if document.page > 1:
        canvas.drawString(left, height - 12 * mm, face.plain(proposal.title))
        canvas.drawRightString(right, height - 12 * mm, face.plain(proposal.running))
        canvas.setStrokeColor(HexColor(RULE))
        canvas.setLineWidth(0.5)
        canvas.line(left, height - 14 * mm, right, height - 14 * mm)
    else:
        canvas.setFillColor(styles.accent)
        canvas.rect(0, height - 4 * mm, width, 4 * mm, stroke=0, fill=1)
        canvas.setFillColor(HexColor(MUTED))
        canvas.drawString(left, 10 * mm, face.plain(proposal.running))
    numbers = {"number": str(document.page), "count": str(max(document.count, document.page))}
    canvas.drawRightString(right, 10 * mm, face.plain(proposal.page.format_map(numbers)))
    canvas.restoreState()


def _story(proposal: Proposal, styles: Styles, size: tuple[float, float]) -> list[Flowable]:
    width, _ = size
    story = first_page(proposal, styles, width)
    for section in proposal.sections:
        story += [PageBreak()] if section.new_page else []
        heading = f"{section.number}  {section.heading}"
        story.append(Heading(heading, styles["section"], face=styles.face, anchor=section.anchor, level=0))
        story += _blocks(section.blocks, styles, size, used=height_of(story[-1:], width))
    lacking = styles.face.lacking(texts_of(proposal))
    if lacking:
        shown = proposal.missing_note.format_map({"characters": " ".join(f"U+{ord(c):04X}" for c in lacking)})
        story.append(Text(styles.face.markup(shown), styles["small"]))
    return story


def _blocks(
    blocks: tuple[content.Block, ...], styles: Styles, size: tuple[float, float], *, used: float
) -> list[Flowable]:
    """The blocks of a section below its heading, which took `used` of its page [points]."""
    width, height = size
    story: list[Flowable] = []
    for block in blocks:
        if not isinstance(block, content.EvidencePage):
            story += flowing(block, styles, width)
        elif any(isinstance(piece, KeepInFrame) for piece in story):
            story += [PageBreak(), evidence_flow(block, styles, width, height - 1)]
        else:  # the first one shares its page with the section's heading
            story.append(evidence_flow(block, styles, width, height - 1 - used - height_of(story, width)))
    return story


def first_page(proposal: Proposal, styles: Styles, width: float) -> list[Flowable]:
    """Title, parties, the half page in short, list of contents."""
    mark = styles.face.markup
    title: list[Flowable] = [
        Text(mark(proposal.title), styles["document"]),
        Text(mark(proposal.subtitle), styles["subtitle"]),
    ]
    logo = [] if proposal.logo is None else [image(proposal.logo, LOGO_MM[0] * mm, most_high=LOGO_MM[1] * mm)]
    for picture in logo:
        picture.hAlign = "RIGHT"
    room = (LOGO_MM[0] + 4) * mm if logo else 0
    story: list[Flowable] = [_bare([[title, logo]], (width - room, room)) if logo else title[0]]
    story += [] if logo else [title[1]]
    named = [(label, lines) for label, lines in proposal.parties if lines]
    if named:
        cells: list[Sequence[Flowable]] = [
            [Text(mark(label), styles["label"]), *(Text(mark(line), styles["cell"]) for line in lines)]
            for label, lines in named
        ]
        story.append(_bare([cells], (width / len(cells),) * len(cells)))
    story += [Spacer(0, 8), _brief(proposal.brief, styles, width), Spacer(0, 8)]
    contents = TableOfContents(dotsMinLevel=0, tableStyle=CONTENTS_STYLE)
    contents.levelStyles = [styles["contents"]]
    story += [Text(mark(proposal.contents), styles["title"]), contents]
    return story


def _bare(rows: list[list[Sequence[Flowable]]], widths: tuple[float, ...]) -> Table:
    made = Table(rows, colWidths=list(widths))
    made.setStyle([("VALIGN", (0, 0), (-1, -1), "TOP"), ("LEFTPADDING", (0, 0), (-1, -1), 0),
                   ("RIGHTPADDING", (-1, 0), (-1, -1), 0), ("TOPPADDING", (0, 0), (-1, -1), 0),
                   ("BOTTOMPADDING", (0, 0), (-1, -1), 2)])  # fmt: skip
    made.hAlign = "LEFT"
    return made


def _brief(brief: content.Brief, styles: Styles, width: float) -> Table:
    """Amounts by recommendation, then why, when and with what doubt, in a tinted box."""
    mark = styles.face.markup
    rows: list[list[object]] = [[Text(mark(brief.heading), styles["section"]), ""]]
    commands: list[tuple] = [("SPAN", (0, 0), (-1, 0))]
    for part in brief.parts:
        colour = VERDICT_COLOURS[part.verdict.action]
        says = (
            f'<font name="{styles.face.bold}" color="{colour}">{mark(part.verdict.words)}</font>, {mark(part.count)}'
        )
        meaning = f'<font size="{SMALL_PT}" color="{MUTED}">{mark(part.meaning)}</font>'
        rows.append([Text(mark(part.amount), styles["amount"]), Text(f"{says}<br/>{meaning}", styles["body"])])
        commands.append(("LINEBEFORE", (0, len(rows) - 1), (0, len(rows) - 1), 4, HexColor(colour)))
    for question, sentences in brief.answers:
        said = bullets(sentences, styles) if len(sentences) > 1 else Text(mark(sentences[0]), styles["body"])
        rows.append([Text(mark(question), styles["head"]), said])
    rows.append([Text(mark(brief.never), styles["small"]), ""])
    commands.append(("SPAN", (0, len(rows) - 1), (-1, len(rows) - 1)))
    box = Table(rows, colWidths=[0.24 * width, 0.76 * width])
    box.setStyle(
        [
            ("BACKGROUND", (0, 0), (-1, -1), HexColor(TINT)),
            ("VALIGN", (0, 0), (-1, -1), "TOP"),
            ("LEFTPADDING", (0, 0), (0, -1), 12),
            ("RIGHTPADDING", (-1, 0), (-1, -1), 12),
            ("TOPPADDING", (0, 0), (-1, -1), 3),
            ("BOTTOMPADDING", (0, 0), (-1, -1), 2),
            ("LINEABOVE", (0, 0), (-1, 0), 2, styles.accent),
            *commands,
        ]
    )
    return box
