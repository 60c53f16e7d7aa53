"""
The proposal of a small invented boat: what stands in each of its formats, and what hostile texts may not do.

The documents are read by others' code: PDF by pdfium, HTML by the standard library's parser, DOCX by python-docx, PNG
by Pillow.
"""

import io
import json
import re
import shutil
import string
import zipfile
from collections import Counter
from datetime import date
from html.parser import HTMLParser

import numpy as np
import proposal_case
import pypdfium2
import pytest
from PIL import Image
from typer.testing import CliRunner

from texscan.cautions import CAUTIONS, CLOSING
from texscan.cli import app
from texscan.proposal import sources
from texscan.proposal.build import ORDER, proposal_of
from texscan.proposal.docx_writer import docx_bytes
from texscan.proposal.html_writer import Template, html_bytes
from texscan.proposal.make import Make, proposal_files
from texscan.proposal.material import Issue
from texscan.proposal.pdf_type import typeface
from texscan.proposal.pdf_writer import pdf_bytes
from texscan.proposal.work import price, specification

docx = pytest.importorskip("docx", reason="needs python-docx")
ISSUE = Issue("B", date(2026, 5, 20), date(2026, 8, 31))
TEMPLATE = lambda: Template(*(sources.read_template(None, f"page.{kind}") for kind in ("html", "css", "js")))
A4_PT, LETTER_PT = (595.28, 841.89), (612.0, 792.0)  # ISO 216 and ANSI/ASME Y14.1 at 72 points an inch


def material_of(out, survey=None, **wanted):
    return sources.read_material(sources.Wanted(out, survey, **wanted), ISSUE)


@pytest.fixture(scope="module", autouse=True)
def drawn_once():
    """The pictures of a panel are drawn once for all tests: what differs between them is the rest."""
    drawn, draw = {}, sources.evidence_of

    def once(patch):
        if patch.folder not in drawn:
            drawn[patch.folder] = draw(patch)
        return drawn[patch.folder]

    with pytest.MonkeyPatch.context() as patching:
        patching.setattr(sources, "evidence_of", once)
        yield


@pytest.fixture(scope="module")
def boat(tmp_path_factory):
    return proposal_case.small_boat(tmp_path_factory.mktemp("boat"))


@pytest.fixture(scope="module")
def made(boat):
    """(files of the proposal, its content)"""
    out, survey = boat
    material = material_of(out, survey)
    words = sources.read_words(None, language="en", units="metric")
    return proposal_files(material, out, Make()), proposal_of(material, words)


def pdf_of(material, templates=None):
    """The PDF alone."""
    looks = material.survey.looks if material.survey else None
    words = sources.read_words(templates, language=looks.language if looks else "en", units="metric")
    return pdf_bytes(proposal_of(material, words), typeface(*sources.read_fonts(templates)))


def squeezed(text):
    return re.sub(r"\s+", " ", text)


def pdf_pages(data):
    """Text of each page; hyphens that pdfium marks at line ends are taken back."""
    document = pypdfium2.PdfDocument(data)
    return [squeezed(page.get_textpage().get_text_bounded().replace("\ufffe", "-")) for page in document]


def bare(survey):
    """The survey without areas and outlines: no plan is worked out from it."""
    return re.sub(r"(area_m2|outline_m) = .*\n", "", survey.read_text(encoding="utf-8"))


def closed_up(text):
    return re.sub(r"[\s\-]+", "", text)


class Page(HTMLParser):
    """Tags, attributes and texts of a page."""

    def __init__(self, data):
        super().__init__()
        self.tags, self.attributes, self.texts = Counter(), [], []
        self.feed(data.decode("utf-8"))

    def handle_starttag(self, tag, attrs):
        self.tags[tag] += 1
        self.attributes += [(tag, *pair) for pair in attrs]

    def handle_data(self, data):
        if self.lasttag not in ("script", "style"):
            self.texts.append(data)

    @property
    def text(self):
        return squeezed(" ".join(self.texts))


def docx_text(data):
    document = docx.Document(io.BytesIO(data))
    cells = [cell.text for table in document.tables for row in table.rows for cell in row.cells]
    return squeezed(" ".join([*(paragraph.text for paragraph in document.paragraphs), *cells]))


# What stands in it


def test_the_pdf_holds_every_section_in_the_trades_order_and_every_caution(made):
    files, proposal = made
    text = " ".join(pdf_pages(files["proposal.pdf"]))
    headings = [f"{section.number} {section.heading}" for section in proposal.sections]
    assert len(headings) == len(ORDER) == 18
    places = [text.rindex(heading) for heading in headings]  # the last: behind the list of contents
    assert places == sorted(places)
    # One panel is sanded flat, so all cautions are called for.
    flat = closed_up(text)
    assert [name for name, said in CAUTIONS.items() if closed_up(said) not in flat] == []
    assert closed_up(CLOSING) in flat
    assert "Lead was found" in text


def test_pages_are_numbered_and_of_the_paper_asked_for(made, boat):
    files, _ = made
    pages = pdf_pages(files["proposal.pdf"])
    for number, text in enumerate(pages, start=1):
        assert f"Page {number} of {len(pages)}" in text
    assert pypdfium2.PdfDocument(files["proposal.pdf"])[0].get_size() == pytest.approx(A4_PT, abs=0.1)
    out, survey = boat
    letter = survey.with_name("letter.toml")
    letter.write_text(bare(survey).replace("[looks]", '[looks]\npaper = "letter"'))
    pdf = pdf_of(material_of(out, letter))
    assert {page.get_size() for page in pypdfium2.PdfDocument(pdf)} == {LETTER_PT}


def test_every_font_is_embedded(made):
    """As pdfium sees the fonts of every text on every page (ISO 32000-1, 9.9)."""
    raw = pypdfium2.raw
    for name in ("proposal.pdf", "images/02-lane.pdf"):
        texts = 0
        for page in pypdfium2.PdfDocument(made[0][name]):
            for thing in page.get_objects(filter=[raw.FPDF_PAGEOBJ_TEXT]):
                assert raw.FPDFFont_GetIsEmbedded(raw.FPDFTextObj_GetFont(thing)) == 1
                texts += 1
        assert texts > 100


def test_a_panels_evidence_is_one_page_even_with_endless_notes(boat, made):
    out, survey = boat
    long = survey.with_name("long.toml")
    long.write_text(bare(survey).replace('name = "lane"', f'name = "lane"\nnotes = "{"very long " * 900}"'))
    pages = pdf_pages(pdf_of(material_of(out, long)))
    for found in (pages, pdf_pages(made[0]["proposal.pdf"])):
        held = [n for n, text in enumerate(found) if "Ways to do the work, side by side" in text]
        assert len(held) == 3  # panels
        assert held == list(range(held[0], held[0] + 3))
        for n, name in zip(held, ("1 deep", "2 lane", "3 flat"), strict=True):
            assert name in found[n] and "Views and their light" in found[n] and "What an abrasive touches" in found[n]
    for name in ("01-deep", "02-lane", "03-flat"):
        assert len(pypdfium2.PdfDocument(made[0][f"images/{name}.pdf"])) == 1


def test_the_first_page_says_how_much_what_why_when_and_with_what_doubt(made):
    """Areas of the survey: 2 m2 recoat, 3 open, 1 retexture, 0.5 not scored."""
    first = pdf_pages(made[0]["proposal.pdf"])[0]
    for amount, verdict in (("2.0 m²", "Recoat"), ("1.0 m²", "Sand flat and retexture"), ("3.0 m²", "Open"),
                            ("0.50 m²", "Not scored")):  # fmt: skip
        assert re.search(f"{amount} {verdict}, 1 panel", first), amount
    for question in ("Why", "When", "With what doubt", "by the mast", "1 June 2026", "slip rating"):
        assert question in first


def test_all_formats_say_the_same(made):
    files, proposal = made
    texts = {
        "pdf": closed_up(" ".join(pdf_pages(files["proposal.pdf"]))),
        "html": closed_up(Page(files["proposal.html"]).text),
        "docx": closed_up(docx_text(files["proposal.docx"])),
    }
    for section in proposal.sections:
        for block in section.blocks:
            cells = [cell for row in getattr(block, "rows", ()) for cell in row] if block.kind == "table" else []
            for text in [getattr(block, "text", ""), *(cell for cell in cells if isinstance(cell, str))]:
                for name, whole in texts.items():
                    assert closed_up(text) in whole, (name, section.anchor, text)


def test_the_same_content_gives_the_same_bytes(made):
    files, proposal = made
    assert pdf_bytes(proposal, typeface(*sources.read_fonts(None))) == files["proposal.pdf"]
    assert docx_bytes(proposal) == files["proposal.docx"]


def test_html_asks_for_nothing_and_is_built_for_every_reader(made):
    page = Page(made[0]["proposal.html"])
    links = [value for _, key, value in page.attributes if key in ("src", "href", "data", "action", "srcset")]
    assert links and all(link.startswith(("data:", "#")) for link in links)
    images = page.tags["img"]
    assert images == sum(1 for tag, key, _ in page.attributes if (tag, key) == ("img", "alt"))
    assert {"header", "nav", "main", "footer", "section", "h1", "h2", "h3", "table", "caption"} <= set(page.tags)
    ids = [value for _, key, value in page.attributes if key == "id"]
    assert len(ids) == len(set(ids))
    assert {link[1:] for link in links if link.startswith("#")} <= set(ids)
    assert ("html", "lang", "en") in page.attributes
    policy = next(
        value for tag, key, value in page.attributes if tag == "meta" and str(value).startswith("default-src")
    )
    assert "default-src 'none'" in policy and "unsafe-inline" not in policy.partition("script-src")[2]


def test_docx_has_real_headings_tables_captions_and_fields(made):
    files, proposal = made
    document = docx.Document(io.BytesIO(files["proposal.docx"]))
    headings = [p.text for p in document.paragraphs if p.style.name == "Heading 1"]
    assert headings[1:] == [f"{section.number}  {section.heading}" for section in proposal.sections]
    xml = document.element.xml
    captions = [p for p in document.paragraphs if p.style.name == "Caption"]
    assert len(captions) == xml.count("SEQ Table") + xml.count("SEQ Figure") > 20
    assert xml.count("<w:tblHeader") == xml.count("SEQ Table")
    assert all(shape._inline.docPr.get("descr") for shape in document.inline_shapes)
    foot = document.sections[0].footer._element.xml
    assert "NUMPAGES" in foot and '"PAGE"' in foot
    page = document.sections[0]
    for table in document.tables:  # word processors lay columns by the grid or by the cells: both say the same
        widths = [column.width for column in table.columns]
        assert widths == [cell.width for cell in table.rows[0].cells]
        assert sum(widths) <= page.page_width - page.left_margin - page.right_margin + docx.shared.Pt(1)


def test_the_yards_logo_and_colour_are_on_every_format(boat, tmp_path):
    """A logo with a transparent ground, 3 by 1; its pixels are found again where the format keeps them."""
    out, survey = boat
    logo = np.zeros((40, 120, 4), np.uint8)
    logo[10:30, 20:100] = (200, 30, 60, 255)
    Image.fromarray(logo).save(tmp_path / "logo.png")
    own = tmp_path / "survey.toml"
    own.write_text(bare(survey).replace("[looks]", '[looks]\nlogo = "logo.png"'), encoding="utf-8")
    proposal = proposal_of(material_of(out, own), sources.read_words(None, language="en", units="metric"))
    with Image.open(io.BytesIO(proposal.logo.data)) as kept:
        assert kept.size == (120, 40)
        assert kept.convert("RGB").getpixel((60, 20)) == (200, 30, 60)
        assert kept.convert("RGB").getpixel((2, 2)) == (255, 255, 255)  # not black
    document = docx.Document(io.BytesIO(docx_bytes(proposal)))
    first = document.inline_shapes[0]
    assert first.width / first.height == pytest.approx(3, rel=0.01)
    page = Page(html_bytes(proposal, TEMPLATE()))
    assert ("img", "class", "logo") in page.attributes
    (tmp_path / "logo.png").write_bytes(b"no picture")
    done = run("proposal", out, "--to", tmp_path / "to", "--survey", own, "--format", "html", expect=1)
    assert "logo.png is no whole PNG or JPEG picture" in proposal_case.said_by(done)


def test_panels_with_coats_of_their_own_get_a_table_of_their_own(boat, tmp_path):
    out, survey = boat
    (tmp_path / "own.toml").write_text(
        '[[coat]]\nname = "one thick coat"\nkind = "topcoat"\nvolume_solids = 0.6\nwet_um = 100\n'
    )
    own = tmp_path / "survey.toml"
    own.write_text(bare(survey).replace('name = "lane"', 'name = "lane"\ncoats = "own.toml"'), encoding="utf-8")
    material = material_of(out, own)
    words = sources.read_words(None, language="en", units="metric")
    blocks = specification(material, words, quantities="8", quality="13")
    tables = {block.caption: block.rows for block in blocks if block.kind == "table"}
    assert list(tables) == ["Planned coats: 1 deep, 3 flat, 4 unseen", "Planned coats: 2 lane"]
    # 100 um wet with 60 % of solids dry to 60 um.
    assert tables["Planned coats: 2 lane"][0][4:6] == ("100 µm", "60 µm")


# Images to attach


def test_images_sort_by_panel_and_print_at_300_dpi_with_their_caption(made):
    files, _ = made
    names = [name for name in files if name.endswith(".png")]
    assert names == sorted(names) == ["images/01-deep.png", "images/02-lane.png", "images/03-flat.png"]
    with Image.open(io.BytesIO(files["images/02-lane.png"])) as picture:
        picture.load()
        assert picture.width == round(160 / 25.4 * 300)
        assert picture.info["dpi"] == pytest.approx((300, 300), abs=0.01)
        assert "lane: Open" in picture.text["Description"] and picture.text["Print width"] == "160 mm at 300 dpi"
        assert not picture.getexif()  # no position, no camera


def test_a_print_wider_than_the_pixels_is_refused(boat):
    out, survey = boat
    done = run("proposal", out, "--to", out.parent / "wide", "--survey", survey, "--print-width-mm", 300, expect=1)
    assert "60 to 163 mm wide at 300 dpi" in proposal_case.said_by(done)
    assert not (out.parent / "wide").exists()


# Without a survey, without areas


def test_without_a_survey_parties_are_blank_and_quantities_stand_per_square_metre(boat):
    out, _ = boat
    material = material_of(out)
    assert material.plan is None
    text = " ".join(pdf_pages(pdf_of(material)))
    assert "area not stated" in text and "Per square metre, before waste" in text
    assert "a survey with the area of each panel is needed" in text
    # 80 um of wet film on a square metre is 0.080 L.
    assert "primer, wet, theory 0.080 L" in text
    words = sources.read_words(None, language="en", units="metric")
    page = Page(html_bytes(proposal_of(material, words), TEMPLATE()))
    assert ("dd", "class", "blank") in page.attributes


def test_a_survey_without_an_area_names_the_panel_and_still_gives_a_document(boat):
    out, survey = boat
    poor = survey.with_name("poor.toml")
    poor.write_text(bare(survey))
    done = run("proposal", out, "--to", out.parent / "poor", "--survey", poor, "--format", "html")
    assert "deep" in proposal_case.said_by(done) and "area" in proposal_case.said_by(done)
    text = Page((out.parent / "poor" / "proposal.html").read_bytes()).text
    assert "No quantities: " in text and "No deck plan: " in text


def test_rates_put_money_into_it(boat, tmp_path):
    """A pack of primer costs 10, so the line is ten times the packs that are ordered."""
    out, survey = boat
    rates = tmp_path / "rates.toml"
    rates.write_text(
        'currency = "XTS"\n[[paint]]\nname = "any"\ncoats = ["primer"]\npack_l = [1.0]\nprice = [10.0]\n'
    )
    material = material_of(out, survey, rates=rates)
    table, left_out = price(material, sources.read_words(None, language="en", units="metric"))[1:3]
    assert "XTS" in table.caption
    order = next(order for order in material.plan.job.quantities.cases[0].orders if order.what == "any")
    assert table.rows[0][:4] == ("any", *(f"{10 * packs:.2f}" for packs in order.packs))
    assert "topcoat 1" in left_out.text


def test_a_panel_of_two_patches_shows_the_one_that_decides_and_lists_both(boat, tmp_path):
    """Sanding flat outranks recoating, so the flat patch decides; each patch has an image of its own."""
    out, _ = boat
    for patch, source in (("fore", "deep"), ("aft", "flat")):
        shutil.copytree(out / source, tmp_path / "out" / "sole" / patch)
    material = material_of(tmp_path / "out")
    (page,) = [
        block
        for section in proposal_of(material, sources.read_words(None, language="en", units="metric")).sections
        for block in section.blocks
        if block.kind == "evidence"
    ]
    assert page.verdict.action == "sand-flat-and-retexture"
    assert dict(page.facts.rows)["Patch shown"] == "aft"
    assert {row[0]: row[3].action for row in page.patches.rows} == {
        "fore": "recoat",
        "aft": "sand-flat-and-retexture",
    }
    names = [name for name in proposal_files(material, tmp_path / "out", Make(())) if name.startswith("images/")]
    assert names == ["images/01-sole-aft.png", "images/01-sole-fore.png", "images/01-sole.pdf"]


@pytest.mark.parametrize("missing", ["views", "options", "coats", "filters", "pattern"])
def test_a_damaged_result_is_refused_in_words(boat, tmp_path, missing):
    out, _ = boat
    shutil.copytree(out / "flat", tmp_path / "out" / "flat")
    path = tmp_path / "out" / "flat" / "score.json"
    data = json.loads(path.read_text(encoding="utf-8"))
    del data[missing]
    path.write_text(json.dumps(data), encoding="utf-8")
    done = run("proposal", tmp_path / "out", "--to", tmp_path / "to", expect=1)
    assert "flat/score.json" in proposal_case.said_by(done) and missing in proposal_case.said_by(done)
    assert not (tmp_path / "to").exists()


# Hostile texts

HOSTILE = {
    "deep": "../../up/<b onmouseover=alert(1)>\"'&amp;</b>",
    "lane": "=cmd|' /C calc'!A0",
    "flat": "{panel} %s \\n {0.__class__} {{ 7*7 }} </script><script>alert(1)</script>",
}
NOTE = "one\ntwo \x07\x1b[31m<para>&nbsp;\ufffe"
TURNED = "\u202egnp.\u2066x\u2069 \u200f"  # marks that turn the direction of writing


def toml_text(text):
    return (
        '"' + "".join(c if c in string.printable[:94] and c not in '"\\' else f"\\U{ord(c):08x}" for c in text) + '"'
    )


@pytest.fixture(scope="module")
def hostile(boat, tmp_path_factory):
    """The same results under names that mean harm."""
    out, survey = boat
    folder = tmp_path_factory.mktemp("hostile")
    shutil.copytree(out, folder / "out")
    text = bare(survey)
    for name, bad in HOSTILE.items():
        text = text.replace(f'name = "{name}"', f"name = {toml_text(bad)}\nhistory = {toml_text(TURNED + bad * 2)}")
    text = text.replace('"Olive Example"', toml_text("<script>alert('o')</script>"))
    text = text.replace("surveyed_on", f"notes = {toml_text(NOTE)}\nsurveyed_on")
    text = text.replace('"Imaginary"', toml_text("<img src=http://example.org/x onerror=alert(1)>"))
    (folder / "survey.toml").write_text(text, encoding="utf-8")
    entries = [{"panel": bad, "patches": [{"name": "", "folder": name}]} for name, bad in HOSTILE.items()]
    from texscan.files import json_bytes

    run_json = {"schema": "texscan.run/1", "scored": entries, "refused": []}
    (folder / "out" / "run.json").write_bytes(json_bytes(run_json))
    files = proposal_files(material_of(folder / "out", folder / "survey.toml"), folder / "out", Make())
    return files


def test_names_that_mean_harm_leave_no_folder_and_sort_by_panel(hostile):
    names = [name for name in hostile if name.startswith("images/")]
    assert len(names) == 6
    for name in names:
        assert re.fullmatch(r"images/\d\d-[\w-]+\.(png|pdf)", name), name


def test_html_of_hostile_names_holds_them_as_text_only(hostile, made):
    page, harmless = Page(hostile["proposal.html"]), Page(made[0]["proposal.html"])
    assert page.tags["script"] == harmless.tags["script"] == 1
    assert page.tags["b"] == 0
    assert page.tags["img"] == harmless.tags["img"] - 2  # no deck plan and no programme without areas
    assert not [pair for pair in page.attributes if pair[1].startswith("on")]
    assert "<b onmouseover=alert(1)>" in page.text and "<script>alert('o')</script>" in page.text
    assert "{panel} %s \\n {0.__class__} {{ 7*7 }}" in page.text
    assert "<para>&nbsp;" in page.text
    assert not set(TURNED + "\x07\x1b\ufffe") - set("gnp. x") & set(hostile["proposal.html"].decode())


def test_pdf_and_docx_print_markup_as_it_was_written(hostile):
    pdf = closed_up(" ".join(pdf_pages(hostile["proposal.pdf"])))
    word = closed_up(docx_text(hostile["proposal.docx"]))
    for text in (pdf, word):
        assert closed_up("<b onmouseover=alert(1)>\"'&amp;</b>") in text
        assert closed_up("<img src=http://example.org/x onerror=alert(1)>") in text
    with zipfile.ZipFile(io.BytesIO(hostile["proposal.docx"])) as archive:
        assert not [name for name in archive.namelist() if name.startswith("/") or ".." in name]
        relations = archive.read("word/_rels/document.xml.rels").decode()
    assert "External" not in relations


def test_an_unknown_alphabet_is_said_in_the_pdf_and_whole_elsewhere(boat, tmp_path):
    """Greek and Cyrillic are in the typeface, Han is not: U+6F22 is named in the appendix."""
    out, survey = boat
    own = tmp_path / "survey.toml"
    own.write_text(bare(survey).replace("Olive Example", "Ολίβια Олив Łódź 漢"), encoding="utf-8")
    material = material_of(out, own)
    text = " ".join(pdf_pages(pdf_of(material)))
    assert "Ολίβια Олив Łódź ■" in text and "U+6F22" in text
    proposal = proposal_of(material, sources.read_words(None, language="en", units="metric"))
    assert "Ολίβια Олив Łódź 漢" in docx_text(docx_bytes(proposal))


# Templates


def run(*arguments, expect=0):
    done = CliRunner().invoke(app, [*map(str, arguments)])
    assert done.exit_code == expect, done.output
    return done


def test_another_language_and_look_are_files(boat, tmp_path):
    out, survey = boat
    folder = tmp_path / "templates"
    run("proposal", "--write-templates", folder)
    assert "not written over" in proposal_case.said_by(run("proposal", "--write-templates", folder, expect=1))
    german = (folder / "en.toml").read_text().replace('heading = "Options"', 'heading = "Wege"')
    german = german.replace('decimal = "."', 'decimal = ","').replace('code = "en"', 'code = "de"')
    (folder / "de.toml").write_text(german, encoding="utf-8")
    (folder / "page.css").write_text("h1 { color: tomato; }")
    own = tmp_path / "survey.toml"
    own.write_text(bare(survey).replace("[looks]", '[looks]\nlanguage = "de"'))
    wrong = run("proposal", out, "--to", tmp_path / "to", "--survey", own, "--format", "html", expect=1)
    assert "hold no de.toml" in proposal_case.said_by(wrong)
    options = ("--survey", own, "--format", "html", "--templates", folder)
    run("proposal", out, "--to", tmp_path / "to", *options)
    page = (tmp_path / "to" / "proposal.html").read_text(encoding="utf-8")
    assert '<html lang="de">' in page and "Wege" in page and "tomato" in page and "0,25 mm" in page


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (("[options]", "[option]"), "option.* is not a text of the proposal"),
        (('heading = "Options"', 'heading = ["Options"]'), "options.heading must be a text"),
        (('none = "none"', 'none = "{nobody}"'), "which nothing fills in"),
        (('part_area = "{area},', 'part_area = "{area!r:>999999999},'), "with a format"),
        (('part_area = "{area},', 'part_area = "{area.__class__},'), "which nothing fills in"),
        (('part_area = "{area},', 'part_area = "{area,'), "brace that does not close"),
        (("[language]", "language"), "is not TOML"),
    ],
)
def test_a_language_file_that_cannot_be_used_is_refused_in_words(tmp_path, change, words):
    from texscan.errors import SettingsError
    from texscan.proposal.wording import words_from_toml

    shipped = (sources.SHIPPED / "en.toml").read_text(encoding="utf-8")
    base = words_from_toml(shipped, "en.toml")
    assert change[0] in shipped
    with pytest.raises(SettingsError, match=words):
        words_from_toml(shipped.replace(*change, 1), "xx.toml", base)


def test_a_page_template_cannot_reach_into_the_program(boat, tmp_path):
    out, _ = boat
    (tmp_path / "page.html").write_text("{{ proposal.title.__class__.__mro__ }}")
    done = run("proposal", out, "--to", tmp_path / "to", "--format", "html", "--templates", tmp_path, expect=1)
    assert "page.html cannot be filled in" in proposal_case.said_by(done)


def test_a_typeface_of_the_users_own_is_embedded(boat, tmp_path):
    """Vera, which reportlab brings along, in place of the usual one; what is no font is refused."""
    import reportlab

    out, _ = boat
    fonts = tmp_path / "fonts"
    fonts.mkdir()
    for name, file in (("regular.ttf", "Vera.ttf"), ("bold.ttf", "VeraBd.ttf")):
        shutil.copy(f"{reportlab.__path__[0]}/fonts/{file}", fonts / name)
    options = ("--to", tmp_path / "to", "--format", "pdf", "--templates", fonts)
    assert b"BitstreamVera" in pdf_of(material_of(out), fonts)
    (fonts / "bold.ttf").write_bytes(b"no font")
    assert "bold.ttf is no TrueType font" in proposal_case.said_by(run("proposal", out, *options, expect=1))


# Parts


def test_text_in_the_accent_can_be_read_on_white():
    """WCAG 2.2: 21:1 for black, 4.48:1 for #777777, which is known to fall just short of 4.5."""
    from texscan.proposal.colour import colour_of, contrast_on_white, legible

    assert contrast_on_white((0, 0, 0)) == pytest.approx(21.0)
    assert contrast_on_white(colour_of("#777777")) == pytest.approx(4.48, abs=0.005)
    assert legible((0, 0, 0)) == (0, 0, 0)
    for text in ("#ffdd00", "#ffffff", "#777777"):
        assert contrast_on_white(legible(colour_of(text))) >= 4.5


def test_grey_values_give_heights_back_to_half_a_step():
    from texscan.proposal.pictures import heights_picture

    depth = np.random.default_rng(5).uniform(-0.8, 0.1, (40, 30)).astype(np.float32)
    depth[3, 4] = np.nan
    picture, low, high = heights_picture(depth)
    with Image.open(io.BytesIO(picture.data)) as opened:
        grey = np.asarray(opened).astype(float)
    back = np.where(grey == 0, np.nan, low + (grey - 1) / 254 * (high - low))
    assert np.isnan(back[3, 4]) and np.isnan(back).sum() == 1
    assert np.nanmax(np.abs(back - depth)) <= (high - low) / 254 / 2 + 1e-6


def test_the_demo_can_end_with_its_proposal(boat, monkeypatch):
    """The small boat in place of the samples; one format, dated by the survey."""
    from texscan import demo
    from texscan.proposal import make

    out, survey = boat
    monkeypatch.setattr(demo, "sample_survey", lambda: survey)
    monkeypatch.setattr(make, "installed_formats", lambda: ("html",))
    written = demo.demo_proposal(out)
    assert out / "proposal" / "proposal.html" in written and all(path.is_file() for path in written)
    assert "16 May 2026" in Page((out / "proposal" / "proposal.html").read_bytes()).text
    shutil.rmtree(out / "proposal")
