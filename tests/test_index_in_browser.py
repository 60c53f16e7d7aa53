"""The page of a batch in a headless Chromium: sort, filter, tap, keyboard, phone, and nothing asked from outside."""

import batch_scene
import cv2
import numpy as np
import pytest

from texscan.batch.contact_sheet import contact_sheet, line_of
from texscan.survey.outcome import PatchOutcome, panel_outcome

PANELS = [  # name, relief, action, worn
    ("panel 10", 0.30, "inconclusive", 0.10),
    ("panel 9", 0.90, "recoat", 0.0),
    ('<b>"Cabin top"</b>', 0.20, "sand-flat-and-retexture", 0.60),
]


@pytest.fixture(scope="module")
def page_file(tmp_path_factory):
    out = tmp_path_factory.mktemp("out with spaces & ünicode")
    lines = []
    for n, (name, relief, action, worn) in enumerate(PANELS):
        score = batch_scene.score_dict(name, relief=relief, action=action, worn=worn)
        lines.append(line_of(panel_outcome(name, (PatchOutcome("", f"p{n}", score),), None), n))
        (out / f"p{n}").mkdir()
        cv2.imwrite(str(out / f"p{n}" / "thumbnail.jpg"), np.full((48, 48, 3), 60 * n, np.uint8))
    refused = [("no card.jpg", "No scale card was found.")]
    (out / "index.html").write_text(contact_sheet(lines, refused, title="Invented boat"), encoding="utf-8")
    return out / "index.html"


def names(page):
    """Panels as they stand on the page, without those that are hidden."""
    return [text.split("\n")[0] for text in page.locator("tbody tr:visible th").all_inner_texts()]


def sort_by(page, heading):
    if page.locator("#sort").is_visible():
        page.select_option("#sort", label=heading)
    else:
        page.get_by_role("columnheader", name=heading).get_by_role("button").click()


def test_it_sorts_by_figure_and_by_verdict(page):
    cabin = PANELS[2][0]
    assert names(page) == ["panel 10", "panel 9", cabin]
    sort_by(page, "Relief, mm")
    assert names(page) == [cabin, "panel 10", "panel 9"]
    sort_by(page, "Worn, %")
    assert names(page) == [cabin, "panel 10", "panel 9"]
    sort_by(page, "Verdict")
    assert names(page) == [cabin, "panel 10", "panel 9"]
    sort_by(page, "Panel")
    assert names(page) == ["panel 10", "panel 9", cabin]


def test_a_second_press_on_a_heading_turns_the_order(page):
    if page.locator("#sort").is_visible():
        pytest.skip("headings are for wide windows")
    heading = page.get_by_role("columnheader", name="Relief, mm")
    for expected, first in (("ascending", PANELS[2][0]), ("descending", "panel 9")):
        heading.get_by_role("button").press("Enter")
        assert heading.get_attribute("aria-sort") == expected and names(page)[0] == first


def test_it_filters_by_verdict_and_says_how_many_are_shown(page):
    page.get_by_role("button", name="Recoat").click()
    assert names(page) == ["panel 9"] and page.locator("#count").inner_text() == "1 of 3 shown"
    page.get_by_role("button", name="All 3").click()
    assert len(names(page)) == 3


def test_a_tap_shows_the_zones_and_another_hides_them(page):
    patch, zones = page.locator(".patch").first, page.locator(".patch svg").first
    aside = page.locator("h1")
    patch.click()
    aside.hover()
    assert patch.get_attribute("aria-pressed") == "true" and opacity(zones) == "1"
    patch.click()
    aside.hover()
    assert opacity(zones) == "0"
    patch.focus()
    page.keyboard.press("Space")
    assert opacity(zones) == "1"
    page.get_by_role("button", name="Zones on all").click()
    aside.hover()
    assert opacity(page.locator(".patch svg").last) == "1"


def test_hovering_shows_the_zones(page):
    page.locator(".patch").last.hover()
    assert opacity(page.locator(".patch svg").last) == "1"


def opacity(locator):
    return locator.evaluate("element => getComputedStyle(element).opacity")


def test_it_fits_the_window_and_its_pictures_load(page):
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
    for picture in page.locator("img").all():
        picture.scroll_into_view_if_needed()
    page.wait_for_function("[...document.images].every(picture => picture.complete)")
    assert page.evaluate("[...document.images].every(picture => picture.naturalWidth === 48)")


def test_what_a_finger_presses_is_large_enough(page):
    """44 CSS pixels: WCAG 2.2, success criterion 2.5.5."""
    if not page.locator("#sort").is_visible():
        pytest.skip("for phones")
    for control in page.locator(".controls button, .controls select, .patch").all():
        assert control.bounding_box()["height"] >= 44


def test_without_scripts_it_is_a_whole_table(browser, page_file):
    context = browser.new_context(java_script_enabled=False)
    page = context.new_page()
    page.goto(page_file.as_uri())
    assert page.locator("tbody tr").count() == 3 and not page.locator(".controls").is_visible()
    context.close()


def test_a_page_that_would_load_from_elsewhere_may_not(browser, page_file):
    """The policy in the page itself: even markup that slipped in could fetch nothing."""
    context = browser.new_context()
    page = context.new_page()
    blocked = []
    page.on("console", lambda message: blocked.append(message.text))
    page.goto(page_file.as_uri())
    page.evaluate("fetch('http://127.0.0.1:9/x').catch(() => 0)")
    assert any("Content Security Policy" in text for text in blocked)
    context.close()
