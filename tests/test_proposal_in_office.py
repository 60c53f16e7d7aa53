"""The proposal's word-processor file opened by a word processor: LibreOffice, where it is installed."""

import shutil
import subprocess
from datetime import date

import proposal_case
import pypdfium2
import pytest

from texscan.proposal import sources
from texscan.proposal.build import proposal_of
from texscan.proposal.material import Issue

pytest.importorskip("docx", reason="needs python-docx")
OFFICE = shutil.which("soffice") or shutil.which("libreoffice")
pytestmark = [
    pytest.mark.skipif(OFFICE is None, reason="needs LibreOffice"),
]


def test_libreoffice_opens_it_and_prints_every_section(tmp_path):
    from texscan.proposal.docx_writer import docx_bytes

    out, survey = proposal_case.small_boat(tmp_path, names=("lane",))
    material = sources.read_material(sources.Wanted(out, survey), Issue("1", date(2026, 5, 20)))
    proposal = proposal_of(material, sources.read_words(None, language="en", units="metric"))
    (tmp_path / "proposal.docx").write_bytes(docx_bytes(proposal))
    profile = f"-env:UserInstallation={(tmp_path / 'profile').as_uri()}"
    command = [OFFICE, profile, "--headless", "--convert-to", "pdf", "--outdir", str(tmp_path), "proposal.docx"]
    subprocess.run(command, cwd=tmp_path, check=True, capture_output=True, timeout=200)
    document = pypdfium2.PdfDocument(tmp_path / "proposal.pdf")
    pages = [" ".join(page.get_textpage().get_text_bounded().split()) for page in document]
    text = " ".join(pages)
    for section in proposal.sections:
        assert section.heading in text
    head, foot = f"{proposal.title} {proposal.running}", "Page 10 of 10"
    assert min(map(len, pages)) > len(head) + len(foot) + 2  # no page is empty but for its head and foot
    assert f"Page {len(document)} of {len(document)}" in text
