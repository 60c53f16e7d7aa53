"""check, watch and guide as a user meets them; times of photos; the guide against paper sizes and trigonometry."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from datetime import datetime

import cv2
import numpy as np
import pypdfium2
import pytest
from conftest import ROOT
from PIL import Image
from typer.testing import CliRunner

from texscan import files
from texscan.capture.arrivals import Arrived, Stamp, settled
from texscan.capture.guide_sheet import guide_pdf
from texscan.capture.reading import Reading
from texscan.cli import app
from texscan.errors import SettingsError
from texscan.exif import taken_of

PANELS = ROOT / "sample_images" / "panels"


@pytest.fixture(scope="module")
def arrived(tmp_path_factory):
    """A folder as a phone leaves it: two photos of a patch at half size, one bad file, and what is no photo."""
    folder = tmp_path_factory.mktemp("phone")
    for name in ("a", "c"):
        with Image.open(PANELS / "foredeck-sound" / f"{name}.jpg") as photo:
            half = photo.resize((photo.width // 2, photo.height // 2))
            half.save(folder / f"IMG {name}.jpg", quality=92, exif=photo.getexif())
    whole = (folder / "IMG a.jpg").read_bytes()
    (folder / "cut.jpg").write_bytes(whole[: len(whole) // 2])
    (folder / ".IMG hidden.jpg").write_bytes(whole)
    (folder / "notes.txt").write_text("rain at three")
    (folder / "folder.jpg").mkdir()
    return folder


def run(*arguments):
    return CliRunner().invoke(app, [str(argument) for argument in arguments])


def test_check_ends_0_when_all_are_usable_and_1_when_one_is_not(arrived):
    good = run("check", arrived / "IMG a.jpg")
    assert (good.exit_code, "not usable" in good.stdout) == (0, False)
    bad = run("check", arrived / "IMG a.jpg", arrived / "cut.jpg", "--json")
    assert bad.exit_code == 1
    data = json.loads(bad.stdout, parse_constant=lambda name: pytest.fail(name))
    assert [photo["verdict"] for photo in data["photos"]] == ["usable, with a weakness", "not usable"]
    assert data["photos"][0]["remarks"][0]["name"] == "card-too-small"  # half the sample's size: 4 pixels a mm
    assert "cut short" in data["photos"][1]["remarks"][0]["sentence"]


def test_watch_once_groups_what_is_there_and_names_the_command_that_scores_it(arrived):
    done = run("watch", arrived, "--once")
    assert done.exit_code == 0
    assert "cut.jpg: not usable" in done.stdout
    assert "hidden" not in done.stdout and "notes" not in done.stdout and "folder.jpg" not in done.stdout
    command = done.stdout[done.stdout.index("texscan score") :].splitlines()[0]
    assert command == f"texscan score '{arrived}/IMG a.jpg' '{arrived}/IMG c.jpg' --out set-01"


def test_watch_of_no_folder_is_refused_in_a_sentence(tmp_path):
    done = run("watch", tmp_path / "nowhere")
    assert done.exit_code == 1
    assert "Name the folder of the photos." in done.output


@pytest.mark.skipif(os.name == "nt", reason="no SIGINT to send to another process")
def test_watch_ended_by_the_keyboard_says_what_it_saw_and_ends_130(tmp_path):
    program = (
        "import signal; signal.signal(signal.SIGINT, signal.default_int_handler)  # a background job ignores it\n"
    )
    program += "from texscan.cli import main; main()"
    with subprocess.Popen(
        [sys.executable, "-c", program, "watch", str(tmp_path), "--every", "0.1"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    ) as process:
        assert process.stdout.readline().startswith("Watching")
        time.sleep(0.3)
        process.send_signal(signal.SIGINT)
        out, err = process.communicate(timeout=60)
    assert process.returncode == 130
    assert "No photos arrived." in out and "Traceback" not in err


def test_a_file_is_read_when_it_has_stopped_growing_and_again_when_it_changed():
    small, large = Stamp(10, 1.0), Stamp(20, 2.0)
    assert settled({}, {"a": small}, {}) == ()
    assert settled({"a": small}, {"a": large}, {}) == ()
    assert settled({"a": large}, {"a": large}, {}) == ("a",)
    read = {"a": Arrived(large, Reading("a"))}
    assert settled({"a": large}, {"a": large}, read) == ()
    assert settled({"a": small}, {"a": small}, read) == ("a",)
    assert settled({"a": Stamp(0, 1.0)}, {"a": Stamp(0, 1.0)}, {}) == ()
    now = {"b": Stamp(5, 1.0), "a": Stamp(5, 9.0)}
    assert settled(now, now, {}) == ("b", "a")


@pytest.mark.parametrize(
    ("text", "part", "expected"),
    [("2026:05:16 21:11:10", None, 0.0), ("2026:05:16 21:11:10\0", "25", 0.25), ("2026:05:16 21:11:10", "x", 0.0)],
)
def test_the_time_of_a_photo_is_the_local_time_that_exif_states(text, part, expected):
    assert taken_of(text, part) == datetime(2026, 5, 16, 21, 11, 10).timestamp() + expected


@pytest.mark.parametrize("text", [None, "", "0000:00:00 00:00:00", "yesterday", "    :  :     :  :  "])
def test_a_clock_that_was_never_set_tells_no_time(text):
    assert taken_of(text) is None


def test_the_time_survives_from_the_file_and_a_smaller_copy_says_how_much_smaller(tmp_path):
    path = tmp_path / "photo.jpg"
    pixels = cv2.GaussianBlur(np.random.default_rng(0).integers(0, 255, (402, 600, 3), np.uint8), (0, 0), 6)
    exif = Image.Exif()
    exif.get_ifd(0x8769)[0x9003] = "2026:05:16 21:11:10"
    Image.fromarray(pixels).save(path, quality=95, exif=exif)
    photo = files.load_photo(path, long_side_px=150)
    assert photo.taken_s == datetime(2026, 5, 16, 21, 11, 10).timestamp()
    assert (photo.shrunk, photo.pixels.shape) == (4, (101, 150, 3))
    average = pixels[:400].reshape(100, 4, 150, 4, 3).mean(axis=(1, 3))  # what a smaller picture is
    assert np.abs(photo.pixels[:100] - average).mean() < 2.0
    assert files.load_photo(path, long_side_px=400).shrunk == 1
    Image.fromarray(pixels).save(tmp_path / "photo.png")
    assert files.load_photo(tmp_path / "photo.png", long_side_px=150).pixels.shape == (100, 150, 3)


@pytest.mark.parametrize(("paper", "size_mm"), [("a4", (210.0, 297.0)), ("letter", (215.9, 279.4))])
def test_the_guide_is_one_page_with_all_words_on_it(paper, size_mm):
    """ISO 216 A4 and ANSI A; the lamp's height at the end of the cord is 60 cm times the sine of the angle."""
    document = pypdfium2.PdfDocument(guide_pdf(paper=paper))
    assert len(document) == 1
    page = document[0]
    assert np.array(page.get_size()) / 72 * 25.4 == pytest.approx(size_mm, abs=0.1)
    text = page.get_textpage()
    words = " ".join(text.get_text_bounded().split())
    for low, high in ((15, 25), (25, 35)):
        cm = [round(60 * np.sin(np.radians(angle))) for angle in (low, high)]
        assert f"{low} to {high} degrees" in words and f"{cm[0]} to {cm[1]} cm up" in words
    boxes = np.array([text.get_charbox(k) for k in range(text.count_chars())])
    margin = 10 / 25.4 * 72
    assert boxes[:, 0].min() > margin and boxes[:, 2].max() < page.get_size()[0] - margin
    assert boxes[:, 1].min() > 3 / 25.4 * 72 and boxes[:, 3].max() < page.get_size()[1] - margin / 2
    assert guide_pdf(paper=paper) == guide_pdf(paper=paper)


def test_the_guide_is_written_and_other_paper_is_refused(tmp_path):
    done = run("guide", "--out", tmp_path / "guide.pdf", "--paper", "letter")
    assert done.exit_code == 0
    assert (tmp_path / "guide.pdf").read_bytes() == guide_pdf(paper="letter")
    with pytest.raises(SettingsError, match="Choose a4 or letter"):
        guide_pdf(paper="a3")
