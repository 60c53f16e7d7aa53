"""Pictures to attach: each scored image at print resolution with its caption inside, and a page of its own."""

from __future__ import annotations

import io
import re
import unicodedata

import cv2
import numpy as np
from PIL import Image, PngImagePlugin
from reportlab.lib.colors import HexColor
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import BaseDocTemplate, Frame, PageTemplate

from texscan.card_sheet import PAPERS_MM
from texscan.errors import SettingsError
from texscan.proposal.colour import colour_of
from texscan.proposal.content import EvidencePage, Proposal
from texscan.proposal.material import Panel
from texscan.proposal.pdf_evidence import evidence_flow
from texscan.proposal.pdf_type import MUTED, Typeface, styles_of
from texscan.proposal.pdf_writer import binary_images
from texscan.proposal.wording import Words, clean

DPI = 300
MM_PER_INCH = 25.4
LEAST_WIDTH_MM = 60.0
LONGEST_NAME = 60  # characters of a file name, before its ending
MARGIN_MM, FOOT_PT = 15.0, 7.3
RESERVED = re.compile(r"(?i)(con|prn|aux|nul|com\d|lpt\d)")  # names that Windows keeps for itself


def file_stem(panel: Panel, patch: str = "") -> str:
    """
    A file name that sorts by panel: "03-side-deck"; letters, digits and hyphens only, so that it leaves no folder.

    Letters of every alphabet stay; two panels never share a name, because the number leads.
    """
    words = unicodedata.normalize("NFC", clean(f"{panel.name} {patch}")).lower()
    kept = re.sub(r"[\W_]+", "-", words).strip("-")[:LONGEST_NAME].strip("-")
    return (
        f"{panel.number:02d}-{kept}" if kept and not RESERVED.fullmatch(kept) else f"{panel.number:02d}-panel{kept}"
    )


def print_picture(pixels: np.ndarray, width_mm: float, *, title: str, caption: str) -> bytes:
    """
    A picture as PNG for a print of this width at 300 dpi, its caption in the file's own text fields.

    Parameters
    ----------
    pixels : (rows, columns, 3) uint8 RGB
    width_mm : at most what the pixels give at 300 dpi; nothing is blown up

    Returns
    -------
    PNG with pHYs (pixels per metre) and the text fields Title, Description and Print width; no other notes.

    Raises
    ------
    SettingsError : a width that the pixels do not give.
    """
    columns = round(width_mm / MM_PER_INCH * DPI)
    most = pixels.shape[1] / DPI * MM_PER_INCH
    if not LEAST_WIDTH_MM <= width_mm <= most + 1:
        raise SettingsError(
            f"--print-width-mm is {width_mm:g}; the scored images have {pixels.shape[1]} pixels across and print "
            f"{LEAST_WIDTH_MM:g} to {most:.0f} mm wide at {DPI} dpi. Choose a width in between."
        )
    rows = round(pixels.shape[0] * columns / pixels.shape[1])
    sized = cv2.resize(np.ascontiguousarray(pixels), (columns, rows), interpolation=cv2.INTER_AREA)
    notes = PngImagePlugin.PngInfo()
    for key, text in (("Title", title), ("Description", caption), ("Print width", f"{width_mm:g} mm at {DPI} dpi")):
        notes.add_itxt(key, clean(text), lang="", tkey=key)
    stream = io.BytesIO()
    Image.fromarray(sized).save(stream, "PNG", pnginfo=notes, dpi=(DPI, DPI))
    return stream.getvalue()


def picture_caption(panel: Panel, patch_name: str, score: dict, words: Words) -> str:
    """ "3 Side deck: sand flat and retexture; relief 0.64 mm (0.58 to 0.70), ..." """
    texture, action = score["texture"], score["recommendation"]["action"]
    figures = []
    for key, name, digits in (("relief_mm", "relief", 2), ("void_depth_mm", "void", 2)):
        figure = texture.get(key)
        if figure is not None:
            interval = words.span(figure["low"], figure["high"], digits)
            value = words("format.figure_of", value=words.number(figure["value"], digits), span=interval)
            figures.append(f"{words(f'evidence.{name}')}: {value}")
    name = " ".join(filter(None, (panel.title.replace("\u00a0", " "), clean(patch_name))))
    return words("images.caption", panel=name, verdict=words(f"verdict.{action}"), figures="; ".join(figures))


def _foot(canvas: Canvas, proposal: Proposal, face: Typeface, width: float) -> None:
    """Which document the page belongs to, and that it is no slip rating."""
    canvas.setFont(face.regular, FOOT_PT)
    canvas.setFillColor(HexColor(MUTED))
    canvas.drawString(MARGIN_MM * mm, 8 * mm, face.plain(f"{proposal.title}, {proposal.running}"))
    canvas.drawRightString(width - MARGIN_MM * mm, 8 * mm, face.plain(proposal.brief.never))


def panel_pdf(page: EvidencePage, proposal: Proposal, face: Typeface) -> bytes:
    """The evidence of one panel as a document of one page."""
    styles = styles_of(face, colour_of(proposal.accent))
    paper = tuple(side * mm for side in PAPERS_MM[proposal.paper])
    size = paper[0] - 2 * MARGIN_MM * mm, paper[1] - 2 * MARGIN_MM * mm
    stream = io.BytesIO()
    document = BaseDocTemplate(
        stream,
        pagesize=paper,
        title=page.heading,
        author=proposal.author,
        subject=page.photo.alt,
        creator="texscan",
        lang=proposal.language,
        invariant=1,
    )
    frame = Frame(MARGIN_MM * mm, MARGIN_MM * mm, *size, leftPadding=0, rightPadding=0, topPadding=0, bottomPadding=0)
    foot = lambda canvas, _: _foot(canvas, proposal, face, paper[0])
    document.addPageTemplates([PageTemplate("page", [frame], onPage=foot)])
    with binary_images():
        document.build([evidence_flow(page, styles, size[0], size[1] - 1, level=0)])
    return stream.getvalue()
