"""results.csv, patches.csv and results.parquet as other programs read them; the page as a browser's parser does."""

import csv
import html.parser
import io

import batch_scene
import pytest

from texscan.batch.contact_sheet import contact_sheet, line_of
from texscan.batch.tables import PANEL_COLUMNS, PATCH_COLUMNS, csv_bytes, panel_row, parquet_bytes, patch_row
from texscan.survey.outcome import PatchOutcome, panel_outcome


def panel(name, *patches, **options):
    scores = [batch_scene.score_dict(name, **options) for _ in patches or [""]]
    made = tuple(PatchOutcome(p, f"{name}/{p}", score) for p, score in zip(patches or [""], scores, strict=True))
    return panel_outcome(name, made, None)


def read(body):
    return list(csv.reader(io.StringIO(body.decode("utf-8"), newline="")))


@pytest.mark.parametrize("name", ["=1+1", "+49", "-3", "@home", "=cmd|' /C calc'!A0"])
def test_a_text_that_a_spreadsheet_would_compute_gets_an_apostrophe(name):
    assert read(csv_bytes(PANEL_COLUMNS, [panel_row(panel(name))]))[1][0] == "'" + name


@pytest.mark.parametrize("name", ['a,"b"', "two\nlines", "two\r\nlines", "日本", " -3", "'quoted'", ""])
def test_other_texts_come_back_as_they_were(name):
    assert read(csv_bytes(PANEL_COLUMNS, [panel_row(panel(name))]))[1][0] == name


def test_numbers_get_no_apostrophe_and_a_figure_that_is_not_defined_is_empty():
    row = read(csv_bytes(("a", "b", "c"), [(-0.25, 1 / 3, None)]))[1]
    assert row == ["-0.25", "0.333333", ""]
    by_name = dict(zip(PANEL_COLUMNS, read(csv_bytes(PANEL_COLUMNS, [panel_row(panel("x"))]))[1], strict=True))
    assert by_name["contact_area_fraction"] == by_name["contact_area_fraction_low"] == ""
    assert (by_name["relief_mm_low"], by_name["relief_mm"], by_name["relief_mm_high"]) == ("0.45", "0.5", "0.55")


def test_a_patch_row_starts_with_panel_and_patch():
    one = panel("Bow", "worst", worn=0.25, action="inconclusive")
    by_name = dict(zip(PATCH_COLUMNS, patch_row("Bow", one.patches[0]), strict=True))
    assert (by_name["panel"], by_name["patch"], by_name["share_worn"]) == ("Bow", "worst", 0.25)
    assert (by_name["action"], by_name["flags"]) == ("inconclusive", "one-view")


def test_parquet_is_the_same_table_with_texts_as_they_are():
    parquet = pytest.importorskip("pyarrow.parquet", reason="needs pyarrow (extra table)")
    rows = [panel_row(panel("=1")), panel_row(panel("b", worn=0.5))]
    table = parquet.read_table(io.BytesIO(parquet_bytes(PANEL_COLUMNS, rows)))
    assert table.column_names == list(PANEL_COLUMNS)
    assert [tuple(row.values()) for row in table.to_pylist()] == rows
    assert str(table.schema.field("relief_mm").type) == "double"


class Page(html.parser.HTMLParser):
    """Elements and texts, and whether every element is closed in order."""

    VOID = frozenset(("meta", "img", "br", "rect", "polygon", "path", "circle"))

    def __init__(self, text):
        super().__init__()
        self.open, self.seen, self.texts = [], [], []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag, attrs):
        self.seen.append((tag, dict(attrs)))
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.seen.append((tag, dict(attrs)))

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        self.texts.append(data)

    def all(self, tag):
        return [attrs for name, attrs in self.seen if name == tag]


HOSTILE = '"><script>alert(1)</script><img src=http://example.org/x onerror=alert(2)>'


def page_of(*panels, refused=(), title=""):
    return Page(contact_sheet([line_of(one, n) for n, one in enumerate(panels)], refused, title=title))


def test_names_and_reasons_are_data_and_never_markup():
    page = page_of(panel(HOSTILE, HOSTILE, "b"), refused=[(HOSTILE, HOSTILE)], title=HOSTILE)
    assert page.open == []
    assert len(page.all("script")) == 1 and len(page.all("img")) == 2
    assert sum(HOSTILE in text for text in page.texts) >= 4
    assert not any("onerror" in attrs for _, attrs in page.seen)


def test_the_page_names_nothing_outside_its_folder():
    page = page_of(panel("Bow, port", "a b?c#d", "ä"))
    links = [attrs[key] for _, attrs in page.seen for key in ("src", "href") if key in attrs]
    assert len(links) == 6
    assert not any(":" in link or link.startswith("/") for link in links)
    assert "Bow%2C%20port/a%20b%3Fc%23d/thumbnail.jpg" in links
    (policy,) = [attrs["content"] for attrs in page.all("meta") if "http-equiv" in attrs]
    assert "default-src 'none'" in policy


def test_zones_lie_where_their_polygons_say():
    """Grid of 100 by 80 mm from (0, 0), a square of 10 to 50 mm: with a margin of 4 mm the picture is 48 mm wide."""
    page = page_of(panel("Bow", worn=0.3))
    zones = [
        attrs for attrs in page.all("svg") if attrs.get("preserveaspectratio") and attrs["viewbox"] != "0 0 100 8"
    ]
    assert [attrs["viewbox"] for attrs in zones] == ["0 0 48.0 48.0"]
    (square,) = page.all("polygon")
    assert square["class"] == "worn"
    assert square["points"].split() == ["4.0,44.0", "44.0,44.0", "44.0,4.0", "4.0,4.0"]  # y counts down on the page


def test_every_picture_has_words_and_every_cell_a_label():
    page = page_of(panel("Bow", worn=0.25), panel("Aft"))
    assert [attrs["alt"] for attrs in page.all("img")] == [
        "Bow: sound 75 %, worn 25 %, filled 0 %",
        "Aft: sound 100 %, worn 0 %, filled 0 %",
    ]
    labels = [attrs["data-label"] for attrs in page.all("td") if "data-label" in attrs]
    assert labels[:6] == ["Verdict", "Relief, mm", "Void depth, mm", "Contact area, %", "Worn, %", "Filled, %"]


def test_an_empty_batch_still_makes_a_page():
    assert page_of(refused=[("a.jpg", "No.")]).open == []
