"""All files of a proposal, from its content."""

from __future__ import annotations

from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path

import numpy as np

from texscan import files
from texscan.proposal import sources
from texscan.proposal.attachments import file_stem, panel_pdf, picture_caption, print_picture
from texscan.proposal.build import proposal_of
from texscan.proposal.content import EvidencePage, Proposal
from texscan.proposal.html_writer import Template, html_bytes
from texscan.proposal.material import Material
from texscan.proposal.pdf_type import Typeface, typeface
from texscan.proposal.pdf_writer import pdf_bytes
from texscan.proposal.wording import Words

FORMATS = ("pdf", "html", "docx")
PRINT_WIDTH_MM = 160.0  # of a scored image: the text width of common paper


@dataclass(frozen=True, slots=True)
class Make:
    """What is to be written, and in which look."""

    formats: tuple[str, ...] = FORMATS
    templates: Path | None = None
    print_width_mm: float = PRINT_WIDTH_MM


def installed_formats() -> tuple[str, ...]:
    """All formats whose packages are there; DOCX needs an extra."""
    return FORMATS if find_spec("docx") else tuple(name for name in FORMATS if name != "docx")


def proposal_files(material: Material, out: Path, make: Make) -> dict[str, bytes]:
    """
    Name -> bytes: proposal.pdf, .html, .docx as asked for, logs.pdf, images/.

    Parameters
    ----------
    out : where the scored images are

    Raises
    ------
    InputError
        Templates, typefaces or a print width that cannot be used; a scored image that is missing.
    """
    survey = material.survey
    words = sources.read_words(
        make.templates,
        language=survey.looks.language if survey else "en",
        units=survey.units if survey else "metric",
    )
    face = typeface(*sources.read_fonts(make.templates))
    proposal = proposal_of(material, words)
    images = _images(material, out, make, words)
    contents: dict[str, bytes] = {}
    if "pdf" in make.formats:
        contents["proposal.pdf"] = pdf_bytes(proposal, face)
    if "html" in make.formats:
        contents["proposal.html"] = html_bytes(proposal, _template(make.templates))
    if "docx" in make.formats:
        from texscan.proposal.docx_writer import docx_bytes

        contents["proposal.docx"] = docx_bytes(proposal)
    if material.plan is not None:
        contents["logs.pdf"] = sources.log_sheets(material.plan.job)
    return contents | images | _pages(material, proposal, face)


def _template(folder: Path | None) -> Template:
    return Template(*(sources.read_template(folder, name) for name in ("page.html", "page.css", "page.js")))


def _images(material: Material, out: Path, make: Make, words: Words) -> dict[str, bytes]:
    """images/NN-panel.png of every patch."""
    found = {}
    for panel in material.panels:
        for patch in panel.outcome.patches if panel.outcome else ():
            pixels = files.load_photo(out / patch.folder / "scored.png").pixels
            caption = picture_caption(panel, patch.name, patch.score, words)
            picture = print_picture(
                np.asarray(pixels)[..., :3], make.print_width_mm, title=panel.name, caption=caption
            )
            found[f"images/{file_stem(panel, patch.name)}.png"] = picture
    return found


def _pages(material: Material, proposal: Proposal, face: Typeface) -> dict[str, bytes]:
    """images/NN-panel.pdf of every scored panel."""
    blocks = [block for section in proposal.sections for block in section.blocks]
    pages = {page.anchor: page for page in blocks if isinstance(page, EvidencePage)}
    return {
        f"images/{file_stem(panel)}.pdf": panel_pdf(pages[f"panel-{panel.number}"], proposal, face)
        for panel in material.panels
        if f"panel-{panel.number}" in pages
    }
