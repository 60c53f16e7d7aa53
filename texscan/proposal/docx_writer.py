"""The proposal as a word-processor file (ISO/IEC 29500), with real headings, tables, captions and page fields."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Sequence

from texscan.errors import SettingsError
from texscan.proposal import content
from texscan.proposal.colour import colour_of, hex_of, legible, verdict_colour
from texscan.proposal.content import Proposal

try:
    import docx
    from docx.document import Document
    from docx.enum.text import WD_ALIGN_PARAGRAPH, WD_TAB_ALIGNMENT
    from docx.oxml import OxmlElement
    from docx.oxml.ns import qn
    from docx.shared import Length, Mm, Pt, RGBColor
    from docx.table import Table, _Cell
    from docx.text.paragraph import Paragraph
except ImportError as missing:
    raise SettingsError(
        "Word-processor files need the package python-docx, which is not installed. Install it with "
        "pip install 'texscan[docx]', or ask for pdf or html."
    ) from missing

PAPERS_MM = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
MARGIN_MM = 18.0
LEAST_WRITING_MM = 9.0
BODY_PT, TABLE_PT, FINE_PT = 10, 9, 8
GAP_PT = 6
FACTS_SHARES = (0.26, 0.74)  # of the width: label and value
FIXED_DAY = "2000-01-01T00:00:00Z"  # in place of the clock: the same content gives the same file
ZIP_EPOCH = (1980, 1, 1, 0, 0, 0)
FONT = "Arial"


def docx_bytes(proposal: Proposal) -> bytes:
    document = docx.Document()
    writer = _Writer(document, RGBColor(*legible(colour_of(proposal.accent))), _page(document, proposal))
    writer.first_page(proposal)
    for section in proposal.sections:
        writer.section(section)
    _properties(document, proposal)
    stream = io.BytesIO()
    document.save(stream)
    return _timeless(stream.getvalue())


def _timeless(data: bytes) -> bytes:
    """The archive with one fixed time on all its members."""
    stream = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as old, zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as new:
        for name in old.namelist():
            new.writestr(zipfile.ZipInfo(name, ZIP_EPOCH), old.read(name), zipfile.ZIP_DEFLATED)
    return stream.getvalue()


def _page(document: Document, proposal: Proposal) -> float:
    """Paper, margins, head and foot; gives the width of the text [mm]."""
    page = document.sections[0]
    wide, high = PAPERS_MM[proposal.paper]
    page.page_width, page.page_height = Mm(wide), Mm(high)
    page.left_margin = page.right_margin = page.top_margin = page.bottom_margin = Mm(MARGIN_MM)
    stops = document.styles["Header"].paragraph_format.tab_stops
    stops.clear_all()
    stops.add_tab_stop(Mm(wide - 2 * MARGIN_MM), WD_TAB_ALIGNMENT.RIGHT)
    page.header.paragraphs[0].text = f"{proposal.title}\t{proposal.running}"
    foot = page.footer.paragraphs[0]
    foot.alignment = WD_ALIGN_PARAGRAPH.RIGHT
    for text in _around(proposal.page):
        _field(foot, {"{number}": "PAGE", "{count}": "NUMPAGES"}[text], "1") if text[:1] == "{" else foot.add_run(
            text
        )
    return wide - 2 * MARGIN_MM


def _around(page: str) -> list[str]:
    """ "Page {number} of {count}" in pieces, the braces apart."""
    pieces = [page]
    for mark in ("{number}", "{count}"):
        pieces = [part for piece in pieces for part in _split(piece, mark)]
    return [piece for piece in pieces if piece]


def _split(text: str, mark: str) -> list[str]:
    before, found, after = text.partition(mark)
    return [before, found, after]


def _field(paragraph: Paragraph, instruction: str, shown: str) -> None:
    """A field that the word processor works out anew, such as a page number."""
    field = OxmlElement("w:fldSimple")
    field.set(qn("w:instr"), instruction)
    run, text = OxmlElement("w:r"), OxmlElement("w:t")
    text.text = shown
    run.append(text)
    field.append(run)
    paragraph._p.append(field)


def _properties(document: Document, proposal: Proposal) -> None:
    core = document.core_properties
    core.title, core.author, core.subject = proposal.title, proposal.author, proposal.description
    core.language, core.comments = proposal.language, ""
    for name in ("created", "modified"):
        getattr(core._element, f"get_or_add_{name}")().text = FIXED_DAY


class _Writer:
    """Writes blocks at the end of a document."""

    def __init__(self, document: Document, accent: RGBColor, width_mm: float) -> None:
        self.document, self.accent, self.width_mm = document, accent, width_mm
        self._styles()

    def _styles(self) -> None:
        styles = self.document.styles
        for name, size in (("Normal", BODY_PT), ("Caption", FINE_PT + 0.5), ("List Bullet", BODY_PT),
                           ("Title", 24), ("Heading 1", 16), ("Heading 2", 13), ("Heading 3", 11)):  # fmt: skip
            style = styles[name]
            style.font.name, style.font.size = FONT, Pt(size)
            fonts = style.element.get_or_add_rPr().get_or_add_rFonts()
            for theme in ("w:asciiTheme", "w:hAnsiTheme", "w:eastAsiaTheme", "w:cstheme"):
                fonts.attrib.pop(qn(theme), None)
            if name.startswith(("Title", "Heading")):
                style.font.color.rgb = self.accent
        styles["Caption"].font.color.rgb = RGBColor(0x58, 0x62, 0x6E)
        styles["Normal"].paragraph_format.space_after = Pt(5)

    def first_page(self, proposal: Proposal) -> None:
        document = self.document
        if proposal.logo is not None:
            self._picture(proposal.logo, proposal.author, proposal.logo.width_mm)
        document.add_paragraph(proposal.title, style="Title")
        document.add_paragraph(proposal.subtitle, style="Subtitle")
        for label, lines in proposal.parties:
            if lines:
                self._labelled(label, ", ".join(lines))
        document.add_heading(proposal.brief.heading, 1)
        for part in proposal.brief.parts:
            paragraph = document.add_paragraph()
            paragraph.add_run(f"{part.amount}  ").bold = True
            self._verdict(paragraph, part.verdict)
            paragraph.add_run(f", {part.count}: {part.meaning}")
        for question, sentences in proposal.brief.answers:
            document.add_heading(question, 3)
            self.bullets(sentences)
        document.add_paragraph(proposal.brief.never)

    def section(self, section: content.Section) -> None:
        heading = self.document.add_heading(f"{section.number}  {section.heading}", 1)
        heading.paragraph_format.page_break_before = section.new_page
        for before, block in zip((None, *section.blocks), section.blocks, strict=False):
            if isinstance(block, content.EvidencePage):
                self.evidence(block, new_page=isinstance(before, content.EvidencePage))
            else:
                self.block(block)

    def block(self, block: content.Block) -> None:
        match block:
            case content.Paragraph(style="title"):
                self.document.add_heading(block.text, 2)
            case content.Paragraph():
                self.document.add_paragraph(block.text)
            case content.Bullets():
                self.bullets(block.items)
            case content.Caution():
                self.document.add_paragraph(block.text, style="Intense Quote")
            case content.Facts():
                self.facts(block)
            case content.Figure():
                self.figure(block)
            case content.Table():
                self.table(block)

    def bullets(self, items: tuple[str, ...]) -> None:
        for item in items:
            self.document.add_paragraph(item, style="List Bullet")

    def evidence(self, page: content.EvidencePage, *, new_page: bool) -> None:
        heading = self.document.add_heading(page.heading, 2)
        heading.paragraph_format.page_break_before = new_page
        self._verdict(self.document.add_paragraph(), page.verdict)
        self.figure(page.photo)
        for label, items in zip(page.labels, (page.reasons, page.changes, page.weakens), strict=True):
            if items:
                self.document.add_heading(label, 3)
                self.bullets(items)
        self.facts(page.facts)
        self.figure(page.texture)
        for table in (page.figures, page.views, page.reach, page.ways, page.patches):
            if table is not None:
                self.table(table)

    def figure(self, figure: content.Figure) -> None:
        self._picture(figure.picture, figure.alt, min(figure.picture.width_mm, self.width_mm))
        self._caption(figure.caption, "Figure")

    def _picture(self, picture: content.Picture, alt: str, width_mm: float) -> None:
        run = self.document.add_paragraph().add_run()
        shape = run.add_picture(io.BytesIO(picture.data), width=Mm(width_mm))
        shape._inline.docPr.set("descr", alt)
        run._r.getparent().get_or_add_pPr().append(OxmlElement("w:keepNext"))

    def _caption(self, text: str, kind: str) -> None:
        """The caption with its number as a field, so that lists of figures and tables can be made."""
        number = next((word for word in text.replace(".", " ").split() if word.isdigit()), "")
        before, found, after = text.partition(number) if number else (text, "", "")
        paragraph = self.document.add_paragraph(before, style="Caption")
        paragraph.paragraph_format.keep_with_next = kind == "Table"
        if found:
            _field(paragraph, f"SEQ {kind} \\* ARABIC", number)
            paragraph.add_run(after)

    def table(self, block: content.Table) -> None:
        self._caption(block.caption, "Table")
        size = FINE_PT if block.small else TABLE_PT
        made = self.document.add_table(rows=1, cols=len(block.head), style="Table Grid")
        made.autofit = False
        whole = sum(block.widths)
        widths = [Mm(self.width_mm * share / whole) for share in block.widths]
        rows = [block.head, *block.rows]
        for number, texts in enumerate(rows):
            cells = made.rows[0].cells if number == 0 else made.add_row().cells
            strong = number == 0 or (block.total and number == len(rows) - 1)
            for at, (cell, text) in enumerate(zip(cells, texts, strict=True)):
                self._cell(cell, text, size, widths[at], strong=strong, right=at in block.numeric)
        _set_columns(made, widths)
        _repeat(made.rows[0])
        if block.roomy:
            for row in made.rows[1:]:
                row.height = Mm(LEAST_WRITING_MM)
        self._gap()

    def _cell(
        self, cell: _Cell, text: content.Cell, size: float, width: Length, *, strong: bool, right: bool
    ) -> None:
        cell.width = width
        paragraph = cell.paragraphs[0]
        paragraph.paragraph_format.space_after = Pt(1)
        if right:
            paragraph.alignment = WD_ALIGN_PARAGRAPH.RIGHT
        if isinstance(text, content.Verdict):
            self._verdict(paragraph, text)
        else:
            paragraph.add_run(text).bold = strong
        for run in paragraph.runs:
            run.font.size = Pt(size)

    def facts(self, block: content.Facts) -> None:
        made = self.document.add_table(rows=0, cols=2)
        made.autofit = False
        widths = [Mm(share * self.width_mm) for share in FACTS_SHARES]
        for label, value in block.rows:
            row = made.add_row()
            for cell, text, width in zip(row.cells, (label, value or "_" * 40), widths, strict=True):
                cell.width = width
                cell.paragraphs[0].paragraph_format.space_after = Pt(1)
                cell.paragraphs[0].add_run(text).font.size = Pt(TABLE_PT)
        _set_columns(made, widths)
        self._gap()

    def _gap(self) -> None:
        """Between two tables; so low that it opens no page of its own."""
        paragraph = self.document.add_paragraph()
        paragraph.paragraph_format.space_after = Pt(0)
        paragraph.paragraph_format.line_spacing = Pt(GAP_PT)

    def _labelled(self, label: str, text: str) -> None:
        paragraph = self.document.add_paragraph()
        paragraph.add_run(f"{label}: ").bold = True
        paragraph.add_run(text)

    def _verdict(self, paragraph: Paragraph, verdict: content.Verdict) -> None:
        run = paragraph.add_run(verdict.words)
        run.bold = True
        run.font.color.rgb = RGBColor.from_string(hex_of(verdict_colour(verdict.action))[1:].upper())


def _set_columns(made: Table, widths: Sequence[Length]) -> None:
    """The table's own grid, beside the widths of its cells: word processors go by one or the other."""
    for column, width in zip(made.columns, widths, strict=True):
        column.width = width


def _repeat(row) -> None:
    """The row stands at the head of each page that the table goes over."""
    mark = OxmlElement("w:tblHeader")
    mark.set(qn("w:val"), "true")
    row._tr.get_or_add_trPr().append(mark)
