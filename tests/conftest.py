"""What several test modules need: cards, photos of them through the tests' own ray tracer, and pages in a browser."""

from __future__ import annotations

import os
import shutil
import sys
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")  # one worker a core; set before numpy is loaded

import cv2
import numpy as np
import pytest
import scene
import toy_card

from texscan.card import read_card
from texscan.model import LinearPhoto

HERE = {None, "", "localhost", "127.0.0.1", "::1"}


def _stay_here(event: str, arguments: tuple) -> None:
    """Tests run offline: an audit hook (PEP 578) under which every other machine is out of reach."""
    if event == "socket.getaddrinfo":
        host = arguments[0]
    elif event == "socket.connect" and isinstance(arguments[1], tuple):  # a path is a local socket
        host = arguments[1][0]
    else:
        return
    if host not in HERE:
        raise ConnectionRefusedError(f"a test asks for {host!r}; tests run offline")


sys.addaudithook(_stay_here)
ROOT = Path(__file__).parents[1]
cv2.setNumThreads(1)
SHIPPED = ROOT / "calibration" / "card.json"
BROWSERS = ("chromium", "chromium-browser", "google-chrome")


@pytest.fixture(scope="session")
def shipped():
    """(card record, scene's own reading of card.json, artwork)"""
    return read_card(SHIPPED), *scene.read(SHIPPED)


@pytest.fixture(scope="session")
def other_card(tmp_path_factory):
    """Another card within the contract: other size, three uprights, bare markers."""
    path = toy_card.write(tmp_path_factory.mktemp("card"))
    return read_card(path), *scene.read(path)


def linear_photo(light: np.ndarray, *, blur_px: float = 0.7, noise: float = 0.003, seed: int = 0) -> LinearPhoto:
    """Light as a phone would hand it on, linear: a little blur, noise, 8-bit steps of the encoded value."""
    code = scene.encode(cv2.GaussianBlur(light, (0, 0), blur_px), noise=noise, seed=seed)[..., 0] / 255.0
    linear = np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4).astype(np.float32)
    return LinearPhoto("photo.jpg", linear, code > 0.985)


@pytest.fixture(scope="module")
def browser():
    """A headless Chromium; tests are left out where it or its driver is not installed."""
    sync_api = pytest.importorskip("playwright.sync_api", reason="needs playwright")
    program = os.environ.get("CHROMIUM") or next(filter(None, map(shutil.which, BROWSERS)), None)
    if program is None:
        pytest.skip("needs Chromium; name one in CHROMIUM")
    with sync_api.sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=program, args=["--no-sandbox"])
        yield browser
        browser.close()


@pytest.fixture(params=[(1280, 800), (360, 740)], ids=["desk", "phone"])
def page(request, browser, page_file):
    """The module's `page_file`, open; afterwards: no error, and nothing but files of its folder was asked for."""
    width, height = request.param
    context = browser.new_context(viewport={"width": width, "height": height}, has_touch=width < 500)
    page = context.new_page()
    asked, said = [], []
    page.on("request", lambda sent: asked.append(sent.url))
    page.on("pageerror", lambda error: said.append(str(error)))
    page.on("console", lambda message: said.append(message.text))
    page.goto(page_file.as_uri())
    yield page
    context.close()
    assert not said
    folder = page_file.parent.as_uri()
    assert asked and all(url.startswith((f"{folder}/", "data:")) for url in asked)
