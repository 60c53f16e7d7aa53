"""Bad files made to do harm or spoiled by chance: what `tests/trust/fuzz.py` found, and laws for any content."""

import io
import json
import struct
import zlib
from pathlib import Path

import cv2
import numpy as np
import pytest
import tifffile
import toy_card
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image, JpegImagePlugin

from texscan import files, inputs
from texscan.card import card_from_dict, read_card
from texscan.coats import coats_from_toml
from texscan.commands.ending import BUG, NO_STORAGE, ending_in_words
from texscan.errors import LONGEST, InputError, PhotoError, SettingsError, StorageError
from texscan.explain import explained
from texscan.limits import limits_from_toml
from texscan.plan.rates import rates_from_toml
from texscan.plan.weather import forecast_from_csv
from texscan.settings import number
from texscan.survey.reading import survey_from_toml

SHIPPED = Path(__file__).parents[1] / "calibration"


def png(columns, rows, *, depth=8, kind=2, packed=b""):
    """A PNG by its own rules (ISO/IEC 15948): the header says what it likes, the data are what they are."""

    def chunk(name, body):
        return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(body, zlib.crc32(name)))

    head = struct.pack(">IIBBBBB", columns, rows, depth, kind, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", zlib.compress(packed)) + chunk(b"IEND", b"")


@pytest.fixture
def no_decoder(monkeypatch):
    """Called: whoever unpacks a picture from then on fails the test."""

    def unpack(*_, **__):
        raise AssertionError("unpacked before it was refused")

    def forbid():
        monkeypatch.setattr(cv2, "imdecode", unpack)
        monkeypatch.setattr(JpegImagePlugin.JpegImageFile, "load", unpack)

    return forbid


def test_a_small_png_that_unpacks_to_more_than_a_gigabyte_is_refused_before(tmp_path, no_decoder):
    (tmp_path / "p.png").write_bytes(png(13_000, 13_000, depth=16, kind=6))  # 169 Mpx x 8 bytes, within 200 Mpx
    no_decoder()
    with pytest.raises(PhotoError, match="would unpack to 1352 MB"):
        files.load_photo(tmp_path / "p.png")
    with pytest.raises(SettingsError, match="would unpack to 1352 MB"):
        files.load_mask(tmp_path / "p.png")


def test_a_small_jpeg_that_says_196_million_pixels_is_refused_before(tmp_path, no_decoder):
    stream = io.BytesIO()
    Image.new("RGB", (64, 64)).save(stream, "JPEG")
    body = bytearray(stream.getvalue())
    struct.pack_into(">HH", body, body.find(b"\xff\xc0") + 5, 14_000, 14_000)  # ITU-T T.81 B.2.2: Y, X
    (tmp_path / "p.jpg").write_bytes(body)
    no_decoder()
    with pytest.raises(PhotoError, match="would unpack"):
        files.load_photo(tmp_path / "p.jpg")


def test_a_small_tiff_that_unpacks_to_hundreds_of_megabytes_is_refused_before(tmp_path, no_decoder):
    strips = [zlib.compress(b"\0" * 1000)]
    with tifffile.TiffWriter(tmp_path / "p.tif") as writer:
        writer.write(iter(strips), shape=(13_000, 13_000), dtype="float32", compression="zlib", rowsperstrip=13_000)
    no_decoder()
    with pytest.raises(InputError, match="height map"):
        files.load_heights(tmp_path / "p.tif", 0.1)


def test_a_progressive_jpeg_with_a_thousand_scans_is_refused_before(tmp_path, no_decoder):
    """Each scan is a walk over all blocks: 2000 of them on 16 Mpx took 18 s."""
    stream = io.BytesIO()
    Image.new("L", (64, 64)).save(stream, "JPEG", progressive=True)
    whole = stream.getvalue()
    last = whole.rfind(b"\xff\xda")
    (tmp_path / "p.jpg").write_bytes(whole[:last] + whole[last:-2] * 1000 + b"\xff\xd9")
    no_decoder()
    with pytest.raises(PhotoError, match="scans"):
        files.load_photo(tmp_path / "p.jpg")


def test_a_progressive_jpeg_as_encoders_write_it_is_read(tmp_path):
    Image.fromarray(np.full((64, 64, 3), 90, np.uint8)).save(tmp_path / "p.jpg", progressive=True)
    assert files.load_photo(tmp_path / "p.jpg").pixels.shape == (64, 64, 3)


def test_an_even_photo_of_12_megapixels_is_no_bomb(tmp_path):
    """A lens cap left on: it is told as a black photo later, not as a damaged file."""
    Image.new("RGB", (4000, 3000)).save(tmp_path / "p.jpg", quality=80)
    assert files.load_photo(tmp_path / "p.jpg").pixels.max() < 5


@pytest.mark.parametrize("damage", ["short data", "odd chunk", "bad filter"])
def test_the_png_decoder_says_nothing_on_stderr(tmp_path, capfd, damage):
    """libpng writes to the process's stderr itself, beside our sentence."""
    rows = b"".join(b"\0" + bytes(96) for _ in range(32))
    whole = png(32, 32, packed=rows)
    gamma = struct.pack(">I", 1) + b"gAMA\0" + struct.pack(">I", zlib.crc32(b"gAMA\0"))  # too short, clause 11.3.2.2
    bodies = {
        "short data": png(32, 32, packed=rows[:900]),
        "bad filter": png(32, 32, packed=b"\x09" + rows[1:]),
        "odd chunk": whole[:33] + gamma + whole[33:],
    }
    (tmp_path / "p.png").write_bytes(bodies[damage])
    try:
        files.load_photo(tmp_path / "p.png")
    except PhotoError:
        assert damage != "odd chunk"
    assert capfd.readouterr().err == ""


def test_a_whole_number_of_400_digits_is_refused_like_any_other():
    with pytest.raises(SettingsError, match="a number from 0 to 1 is needed"):
        number(10**400, 0, 1, "here")
    shipped = (SHIPPED / "limits.toml").read_text(encoding="utf-8")
    with pytest.raises(SettingsError, match="void_left_mm"):
        limits_from_toml(
            f"[decision]\nvoid_left_mm = {'9' * 400}", "l.toml", limits_from_toml(shipped, "limits.toml")
        )


ANY_TEXT = st.text(st.characters(exclude_categories=()), max_size=300)  # lone surrogates and control characters too


@given(ANY_TEXT, st.integers(0, 2000))
def test_every_refusal_is_one_line_of_printable_letters_whatever_it_quotes(found, times):
    for kind in (InputError, StorageError):
        sentence = str(kind(f"p.jpg has {found}{'x' * times}. Take another."))
        assert sentence.isprintable()
        assert len(sentence) <= LONGEST + len(" ... ")
        assert sentence.startswith("p.jpg has ") and sentence.endswith("Take another.")


def test_a_refusal_without_odd_letters_stays_as_it_is():
    assert str(PhotoError("Füße, 0.1 µm: copy it.")) == "Füße, 0.1 µm: copy it."


@pytest.mark.parametrize("dtype", ["float64", "float32"])
def test_heights_too_large_for_a_float_are_refused_without_a_warning(tmp_path, dtype):
    height = np.full((20, 20), np.finfo(dtype).max, dtype)
    tifffile.imwrite(tmp_path / "h.tif", height)
    with pytest.raises(InputError, match="single precision" if dtype == "float32" else "infinite"):
        files.load_heights(tmp_path / "h.tif", 0.1)


def test_heights_far_from_zero_are_refused_because_single_precision_loses_their_texture(tmp_path):
    """float32 has 24 bits: at 1e6 mm its steps are 0.06 mm (IEEE 754)."""
    tifffile.imwrite(tmp_path / "h.tif", 1e6 + 0.3 * np.random.default_rng(1).random((40, 40)))
    with pytest.raises(InputError, match="single precision"):
        files.load_heights(tmp_path / "h.tif", 0.1)


# Laws for any content: a record, or one sentence


def refusal_of(read):
    """What a reader refuses with; empty where it reads. Anything but our own refusal fails the test."""
    try:
        read()
    except InputError as error:
        return str(error)
    return ""


ODD = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(),
    st.sampled_from([10**400, 2**63, -1]),
    st.floats(),
    ANY_TEXT,
    st.lists(st.integers(), max_size=3),
    st.dictionaries(st.text(max_size=3), st.integers(), max_size=2),
)
QUICK = settings(max_examples=100, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


def places(node):
    pairs = node.items() if isinstance(node, dict) else enumerate(node) if isinstance(node, list) else ()
    for key, value in list(pairs):
        yield node, key
        yield from places(value)


@pytest.fixture(scope="module")
def card_file(tmp_path_factory):
    return toy_card.write(tmp_path_factory.mktemp("card"))


@QUICK
@given(st.data())
def test_a_card_with_any_value_anywhere_gives_a_card_or_one_sentence(card_file, monkeypatch, data):
    monkeypatch.setattr("texscan.card._face", lambda path, where: np.ones((2, 2), np.float32))  # the artwork is slow
    tree = json.loads(card_file.read_text(encoding="utf-8"))
    holder, key = data.draw(st.sampled_from(list(places(tree))))
    holder[key] = data.draw(ODD)
    refused = refusal_of(lambda: card_from_dict(tree, card_file))
    assert not refused or refused.startswith(card_file.name) or "artwork" in refused


def toml(value) -> str:
    """A value in TOML, as far as it has it."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, float):
        return {"nan": "nan", "inf": "inf", "-inf": "-inf"}.get(str(value), repr(value))
    if isinstance(value, list):
        return f"[{', '.join(map(toml, value))}]"
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{json.dumps(key)} = {toml(inner)}" for key, inner in value.items()) + " }"
    if isinstance(value, str):
        return json.dumps(value.encode("utf-8", "replace").decode())
    return '""' if value is None else str(value)


ENTRIES = {
    "coats": (
        lambda text: coats_from_toml(text, "c.toml"),
        "[[coat]]\n",
        ["name", "kind", "volume_solids", "wet_um", "dry_um", "thinning", "peak_share", "viscosity_pa_s",
         "open_time_s", "density_kg_m3", "sources"],
        {"name": '"p"', "kind": '"primer"', "volume_solids": "0.5", "wet_um": "80"},
    ),
    "rates": (
        lambda text: rates_from_toml(text, "r.toml"),
        "",
        ["currency", "decimals", "tax_percent", "contingency_percent", "texture", "flatten", "labour", "pace",
         "paint", "buy", "disc", "sum", "materials"],
        {"currency": '"EUR"'},
    ),
    "survey": (
        lambda text: survey_from_toml(text, "s.toml"),
        "",
        ["boat", "surveyor", "surveyed_on", "weather", "units", "printed_bar_mm", "notes", "owner", "yard", "looks",
         "crew", "deck_plan", "panel", "coats"],
        {"boat": '{ name = "Imaginary" }', "panel": '[{ name = "deck", photos = ["a.jpg"] }]'},
    ),
}  # fmt: skip


@pytest.mark.parametrize("kind", ENTRIES)
@QUICK
@given(st.data())
def test_a_settings_file_with_any_value_anywhere_gives_its_record_or_one_sentence(kind, data):
    read, heading, keys, whole = ENTRIES[kind]
    odd = data.draw(st.dictionaries(st.sampled_from(keys), ODD.map(toml), max_size=3))
    text = heading + "\n".join(f"{key} = {value}" for key, value in (whole | odd).items())
    refused = refusal_of(lambda: read(text))
    assert not refused or refused.startswith(f"{kind[0]}.toml")


@QUICK
@given(
    st.lists(st.lists(st.one_of(ANY_TEXT, st.sampled_from(["2026-06-01T00:00", "20", "nan", "1e999"])), max_size=5))
)
def test_any_table_gives_a_forecast_or_one_sentence(rows):
    text = "time,air_c,rh_percent\n" + "\n".join(",".join(row) for row in rows)
    refused = refusal_of(lambda: forecast_from_csv(text, "f.csv"))
    assert not refused or refused.startswith("f.csv")


SCORE = {
    "schema": "texscan.score/1",
    "panel": "deck",
    "grid": {"step_mm": 0.1},
    "recommendation": {"action": "recoat", "reasons": ["r"], "would_change_it": [], "rules": []},
    "options": [
        {"name": "recoat", "title": "Recoat", "sentence": "s", "offered": True, "recommended": True, "warnings": [],
         "cautions": ["a", "b"], "void_depth_mm": {"low": 0.1, "high": 0.2}, "fill_mm": None, "cut_mm": None},
    ],
}  # fmt: skip


@QUICK
@given(st.data())
def test_a_result_with_any_value_anywhere_is_explained_or_refused_in_one_sentence(data):
    tree = json.loads(json.dumps(SCORE))
    holder, key = data.draw(st.sampled_from(list(places(tree))))
    holder[key] = data.draw(ODD)
    said = []
    refused = refusal_of(lambda: said.extend(explained(tree, name="score.json")))
    assert not refused or refused.startswith("score.json")
    assert all(line.isprintable() for line in said)


def test_a_card_that_holds_commands_for_a_terminal_is_refused_in_one_printable_line(card_file, tmp_path):
    tree = json.loads(card_file.read_text(encoding="utf-8"))
    tree["outline"][0] = "\x1b[2J\nrm"
    (tmp_path / "c.json").write_text(json.dumps(tree))
    with pytest.raises(InputError) as caught:
        read_card(tmp_path / "c.json")
    assert str(caught.value).isprintable()


def test_a_text_nested_without_end_is_refused(tmp_path):
    for name, read in (("c.json", read_card), ("c.toml", inputs.read_coats), ("s.toml", inputs.read_survey)):
        (tmp_path / name).write_text(("" if name.endswith("json") else "a = ") + "[" * 100_000)
        with pytest.raises(InputError):
            read(tmp_path / name)


def test_memory_that_runs_out_within_opencv_ends_as_memory_that_runs_out(capsys):
    """OpenCV raises an error of its own with the code StsNoMem = -4 (its core/base.hpp); other codes are bugs."""
    for code, ends_with in ((-4, NO_STORAGE), (-215, BUG)):
        error = cv2.error("OpenCV: Failed to allocate")
        error.code = code
        with pytest.raises(SystemExit) as ended, ending_in_words():
            raise error
        assert ended.value.code == ends_with
        assert ("There is not enough memory." in capsys.readouterr().err) == (code == -4)


def test_the_artwork_of_a_card_says_nothing_on_stderr(tmp_path, capfd):
    card = toy_card.write(tmp_path)
    (picture,) = tmp_path.glob("*.png")
    rows = b"".join(b"\0" + bytes(32) for _ in range(32))
    whole = png(32, 32, kind=0, packed=rows)
    palette = (
        struct.pack(">I", 3) + b"PLTE\0\0\0" + struct.pack(">I", zlib.crc32(b"PLTE\0\0\0"))
    )  # not in grey, 11.2.2
    picture.write_bytes(whole[:33] + palette + whole[33:])
    read_card(card)
    assert capfd.readouterr().err == ""
