"""The proposal's page in a headless Chromium: slider, heights, keyboard, phone, and nothing asked from outside."""

import re
from datetime import date

import numpy as np
import proposal_case
import pytest

from texscan.filters import filtered
from texscan.model import Filters
from texscan.proposal import sources
from texscan.proposal.make import Make, proposal_files
from texscan.proposal.material import Issue


@pytest.fixture(scope="module")
def page_file(tmp_path_factory):
    folder = tmp_path_factory.mktemp("page with spaces & ünicode")  # alone in it: it may ask for nothing else
    out, survey = proposal_case.small_boat(tmp_path_factory.mktemp("boat"), names=("lane",))
    material = sources.read_material(sources.Wanted(out, survey), Issue("1", date(2026, 5, 20)))
    html = proposal_files(material, out, Make(("html",)))["proposal.html"]
    (folder / "proposal.html").write_bytes(html)
    return folder / "proposal.html"


def test_the_page_is_as_wide_as_the_screen(page):
    assert page.evaluate("document.documentElement.scrollWidth") == page.viewport_size["width"]


def test_every_picture_loads_and_the_grey_one_stays_out_of_sight(page):
    page.evaluate("document.querySelectorAll('img').forEach((img) => { img.loading = 'eager'; })")
    page.wait_for_function("[...document.images].every((img) => img.complete && img.naturalWidth > 0)")
    assert not page.locator(".grey").first.is_visible()


def test_the_slider_shows_photo_or_zones_by_keyboard(page):
    slider, over = page.locator(".slider input").first, page.locator(".slider .over").first
    shown = lambda: over.evaluate("(img) => img.style.clipPath")
    assert re.fullmatch(r"inset\(0(px)? 0% 0(px)? 0(px)?\)", shown()) or shown() == "inset(0px)"
    slider.focus()
    page.keyboard.press("Home")
    assert "100%" in shown()
    page.keyboard.press("End")
    assert "100%" not in shown()


def test_heights_under_the_cross_are_those_of_the_map(page, page_file):
    """Each step of an arrow key is one pixel of the map; the height is the filtered one below the top plane."""
    z = filtered(proposal_case.heights("lane"), proposal_case.STEP_MM, Filters())
    below = z - np.nanquantile(z, 0.98)
    page.locator(".map").first.focus()
    output = page.locator(".heights output").first
    seen = []
    for key in ("ArrowRight", "ArrowRight", "ArrowDown", "Shift+ArrowLeft", "ArrowUp"):
        page.keyboard.press(key)
        page.wait_for_timeout(60)
        said = re.fullmatch(r"(-?[\d.]+) mm at x (-?[\d.]+) mm, y (-?[\d.]+) mm", output.inner_text())
        assert said, output.inner_text()
        height, x, y = map(float, said.groups())
        figure = page.locator(".heights").first
        x0, y1, step = (float(figure.get_attribute(f"data-{name}")) for name in ("x0", "y1", "step"))
        assert step == proposal_case.STEP_MM
        at = round((y1 - y) / step), round((x - x0) / step)
        near = below[max(at[0] - 1, 0) : at[0] + 2, max(at[1] - 1, 0) : at[1] + 2]  # places are said to 0.1 mm
        assert near.min() - 0.01 <= height <= near.max() + 0.01
        seen.append((x, y))
    assert len(set(seen)) == len(seen)


def test_a_reader_without_a_mouse_reaches_all_that_moves(page):
    reached = set()
    for _ in range(60):
        page.keyboard.press("Tab")
        reached.add(page.evaluate("document.activeElement.className || document.activeElement.tagName"))
    assert {"skip", "SUMMARY", "INPUT", "map"} <= reached
