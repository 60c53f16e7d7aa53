"""Reading and writing: every kind of file that comes in, every kind of bad file, and results written whole or not."""

import io
import json
import math
import os
import shutil
import struct
import zlib
from pathlib import Path

import cv2
import numpy as np
import pytest
import tifffile
from PIL import Image, ImageCms, ImageOps

from texscan import files
from texscan.errors import PhotoError, ReliefError, SettingsError, StorageError
from texscan.files import json_bytes, load_heights, load_mask, load_photo, png_bytes, tiff_bytes, write_result
from texscan.inputs import read_settings
from texscan.model import Measured

DATA = Path(__file__).parent / "data"


def picture(rows=40, columns=60, *, full=255, dtype=np.uint8):
    """A smooth picture without any symmetry, so that every turn and every swapped channel shows."""
    r, c = np.mgrid[:rows, :columns]
    stack = np.stack([r / rows, c / columns, (r + 2 * c) / (rows + 2 * columns)], axis=-1)
    return np.round(stack * full).astype(dtype)


def saved(path, pixels, **options):
    Image.fromarray(pixels).save(path, **options)
    return path


def exif_block(orientation=1):
    exif = Image.Exif()
    exif[0x0112] = orientation
    inner = exif.get_ifd(0x8769)
    inner[0xA405], inner[0x829A], inner[0x829D], inner[0x8827] = 26, 0.02, 2.0, 200
    return exif


# Good photos


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("suffix", ["jpg", "png", "tif"])
def test_each_exif_orientation_is_applied_once_as_pillow_applies_it(tmp_path, orientation, suffix):
    options = {"jpg": {"quality": 95}, "png": {}, "tif": {}}[suffix]
    path = saved(tmp_path / f"p.{suffix}", picture(), exif=exif_block(orientation), **options)
    with Image.open(path) as opened:
        expected = np.asarray(ImageOps.exif_transpose(opened))  # an independent implementation of the same table
    assert np.array_equal(load_photo(path).pixels, expected)


def test_exif_gives_focal_length_and_exposure(tmp_path):
    photo = load_photo(saved(tmp_path / "p.jpg", picture(), exif=exif_block()))
    assert photo.focal_35mm == 26
    assert photo.exposure == pytest.approx(0.02 * 200 / (100 * 2.0**2))  # t ISO / (100 N^2)


def test_a_broken_exif_block_leaves_the_pixels_usable(tmp_path):
    path = saved(tmp_path / "p.jpg", picture(), exif=b"Exif\0\0MM\0*\0\0\0\x08\xff\xff" + b"\xff" * 30)
    photo = load_photo(path)
    assert photo.pixels.shape == (40, 60, 3)
    assert photo.focal_35mm is None


def test_sha256_is_that_of_the_file(tmp_path):
    import hashlib

    path = saved(tmp_path / "p.png", picture())
    assert load_photo(path).sha256 == hashlib.sha256(path.read_bytes()).hexdigest()


@pytest.mark.parametrize("suffix", ["png", "tif"])
def test_16_bit_stays_16_bit_and_rgb(tmp_path, suffix):
    pixels = picture(full=65535, dtype=np.uint16)
    path = tmp_path / f"p.{suffix}"
    if suffix == "png":
        path.write_bytes(cv2.imencode(".png", pixels[..., ::-1])[1].tobytes())
    else:
        tifffile.imwrite(path, pixels, photometric="rgb")
    photo = load_photo(path)
    assert photo.pixels.dtype == np.uint16
    assert np.array_equal(photo.pixels, pixels)


@pytest.mark.parametrize(
    "options",
    [
        {},
        {"compression": "zlib"},
        {"compression": "zlib", "predictor": True},
        {"planarconfig": "separate"},
        {"tile": (16, 16)},
        {"byteorder": ">"},
        {"bigtiff": True},
    ],
)
@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_tiff_variants_give_the_pixels_that_were_written(tmp_path, options, dtype):
    pixels = picture(full=np.iinfo(dtype).max, dtype=dtype)
    stored = np.moveaxis(pixels, -1, 0) if "planarconfig" in options else pixels
    tifffile.imwrite(tmp_path / "p.tif", np.ascontiguousarray(stored), photometric="rgb", **options)
    assert np.array_equal(load_photo(tmp_path / "p.tif").pixels, pixels)


def test_lzw_tiff_gives_the_pixels_that_pillow_wrote(tmp_path):
    path = saved(tmp_path / "p.tif", picture(), compression="tiff_lzw")
    assert np.array_equal(load_photo(path).pixels, picture())


def test_grey_becomes_three_equal_channels_and_inverted_grey_is_turned_right(tmp_path):
    grey = picture()[..., 0]
    for path in (saved(tmp_path / "g.png", grey), saved(tmp_path / "g.tif", grey)):
        assert np.array_equal(load_photo(path).pixels, np.repeat(grey[..., None], 3, axis=2))
    tifffile.imwrite(tmp_path / "i.tif", 255 - grey, photometric="miniswhite")
    assert np.array_equal(load_photo(tmp_path / "i.tif").pixels[..., 0], grey)


def test_palette_and_opaque_alpha_are_read_as_rgb(tmp_path):
    image = Image.fromarray(picture()).quantize(64)
    image.save(tmp_path / "p.png")
    assert np.array_equal(load_photo(tmp_path / "p.png").pixels, np.asarray(image.convert("RGB")))
    alpha = np.dstack([picture(), np.full((40, 60), 255, np.uint8)])
    assert np.array_equal(load_photo(saved(tmp_path / "a.png", alpha)).pixels, picture())


def test_a_heic_turned_by_its_container_is_not_turned_again():
    # four fields red, green / blue, white as stored; EXIF says 6, so blue comes to the upper left as displayed
    photo = load_photo(DATA / "turned.heic")
    assert photo.pixels.shape == (64, 48, 3)
    corners = [photo.pixels[r, c].astype(int) for r in (8, -8) for c in (8, -8)]
    wanted = [(40, 60, 220), (230, 40, 40), (240, 240, 240), (40, 200, 60)]
    assert np.abs(np.array(corners) - np.array(wanted)).max() <= 4  # lossy coding
    assert photo.focal_35mm == 26


def test_the_shipped_heic_looks_like_the_jpeg_that_it_was_made_from():
    samples = Path(__file__).parents[1] / "sample_images"
    photo = load_photo(samples / "heic" / "small.heic")
    with Image.open(samples / "panels" / "foredeck-sound" / "a.jpg") as twin:
        expected = np.asarray(twin.resize((450, 600), Image.Resampling.LANCZOS)).astype(int)
    assert np.abs(photo.pixels - expected).mean() < 3  # of 255; coding at quality 80
    assert photo.focal_35mm == 53


def test_a_profile_that_is_not_srgb_is_converted(tmp_path):
    """A profile with gamma 1: code 188 of 255 in sRGB is linear 0.503 (IEC 61966-2-1), stored here as 128."""
    path = saved(tmp_path / "p.png", np.full((20, 20, 3), 128, np.uint8), icc_profile=linear_rgb_profile())
    assert np.abs(load_photo(path).pixels.astype(int) - 188).max() <= 2


def test_an_srgb_profile_changes_nothing(tmp_path):
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    path = saved(tmp_path / "p.png", picture(), icc_profile=profile)
    assert np.array_equal(load_photo(path).pixels, picture())


def linear_rgb_profile():
    """A matrix profile (ICC.1:2010, 8.3) with the sRGB primaries and gamma 1."""

    def xyz(x, y, z):
        return b"XYZ \0\0\0\0" + struct.pack(">3i", *(round(v * 65536) for v in (x, y, z)))

    curve = b"curv\0\0\0\0" + struct.pack(">I", 0)  # count 0 is the identity
    text = b"desc\0\0\0\0" + struct.pack(">I", 7) + b"linear\0" + b"\0" * 78
    tags = [
        (b"desc", text),
        (b"wtpt", xyz(0.9642, 1, 0.8249)),
        (b"rXYZ", xyz(0.4361, 0.2225, 0.0139)),
        (b"gXYZ", xyz(0.3851, 0.7169, 0.0971)),
        (b"bXYZ", xyz(0.1431, 0.0606, 0.7141)),
        (b"rTRC", curve),
        (b"gTRC", curve),
        (b"bTRC", curve),
    ]
    table, body = b"", b""
    start = 128 + 4 + 12 * len(tags)
    for name, data in tags:
        padded = data + b"\0" * (-len(data) % 4)
        table += name + struct.pack(">II", start + len(body), len(data))
        body += padded
    size = start + len(body)
    header = struct.pack(">I4sI4s4s4s", size, b"\0" * 4, 0x02100000, b"mntr", b"RGB ", b"XYZ ") + b"\0" * 12
    header += b"acsp" + b"\0" * 28 + struct.pack(">3i", 63190, 65536, 54061) + b"\0" * 48
    return header + struct.pack(">I", len(tags)) + table + body


# Photos that are refused


def refused(path, words, error=PhotoError, reader=load_photo):
    """The sentence names the file and says what to do; it holds the words."""
    with pytest.raises(error) as caught:
        reader(path)
    sentence = str(caught.value)
    assert words in sentence
    assert Path(path).name in sentence
    assert sentence.endswith(".")
    assert len(sentence.splitlines()) == 1


def test_missing_folder_empty_and_zeros_are_refused(tmp_path):
    refused(tmp_path / "none.jpg", "There is no file")
    refused(tmp_path, "is a folder")
    (tmp_path / "e.jpg").write_bytes(b"")
    refused(tmp_path / "e.jpg", "is empty")
    (tmp_path / "z.jpg").write_bytes(b"\0" * 5000)
    refused(tmp_path / "z.jpg", "only zeros")
    (tmp_path / "t.jpg").write_text("not a picture at all")
    refused(tmp_path / "t.jpg", "is not a photo")


def test_a_locked_file_is_refused(tmp_path, monkeypatch):
    path = saved(tmp_path / "p.jpg", picture())

    def locked(self):
        raise PermissionError(13, "Permission denied", str(self))

    monkeypatch.setattr(Path, "read_bytes", locked)
    refused(path, "permission denied")


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no named pipes here")
def test_a_pipe_is_refused_without_waiting_for_it(tmp_path):
    os.mkfifo(tmp_path / "pipe.jpg")
    refused(tmp_path / "pipe.jpg", "not an ordinary file")


@pytest.mark.parametrize("progressive", [False, True])
@pytest.mark.parametrize("share", [0.02, 0.3, 0.6, 0.99])
def test_a_truncated_jpeg_is_refused_wherever_it_ends(tmp_path, share, progressive):
    path = saved(tmp_path / "p.jpg", picture(200, 300), quality=90, progressive=progressive)
    data = path.read_bytes()
    path.write_bytes(data[: int(len(data) * share)])
    refused(path, "cut short")


def test_a_jpeg_whose_rest_is_zeros_is_refused(tmp_path):
    path = saved(tmp_path / "p.jpg", picture(200, 300))
    data = path.read_bytes()
    path.write_bytes(data[: len(data) // 2] + b"\0" * (len(data) // 2))
    refused(path, "cut short")


def test_bytes_after_the_end_of_a_jpeg_do_no_harm(tmp_path):
    path = saved(tmp_path / "p.jpg", picture())
    expected = load_photo(path).pixels
    path.write_bytes(path.read_bytes() + b"a film strip appended by the phone")
    assert np.array_equal(load_photo(path).pixels, expected)


@pytest.mark.parametrize("kind", ["png", "tif", "zip.tif", "heic"])
@pytest.mark.parametrize("share", [0.1, 0.5, 0.97])
def test_truncated_png_tiff_and_heic_are_refused(tmp_path, kind, share):
    path = tmp_path / f"p.{kind}"
    if kind == "heic":
        path.write_bytes((DATA / "turned.heic").read_bytes())
    elif kind == "zip.tif":  # a reader's directory stands first, so the cut falls into the strips
        tifffile.imwrite(path, picture(), photometric="rgb", compression="zlib")
    else:
        saved(path, picture())
    data = path.read_bytes()
    path.write_bytes(data[: int(len(data) * share)])
    refused(path, "cut short")


def test_a_png_with_a_flipped_bit_is_refused(tmp_path):
    path = saved(tmp_path / "p.png", picture())
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 4
    path.write_bytes(bytes(data))
    refused(path, "cut short or damaged")


def png_claiming(columns, rows):
    def chunk(kind, body):
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    head = struct.pack(">IIBBBBB", columns, rows, 8, 2, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", zlib.compress(b"\0" * 99)) + chunk(b"IEND", b"")
    )


def test_more_than_200_mpx_is_refused_from_the_header_alone(tmp_path):
    (tmp_path / "bomb.png").write_bytes(png_claiming(60000, 60000))
    refused(tmp_path / "bomb.png", "3600 Mpx")
    data = bytearray(saved(tmp_path / "p.jpg", picture()).read_bytes())
    at = data.index(b"\xff\xc0")
    data[at + 5 : at + 9] = struct.pack(">HH", 20000, 10001)
    (tmp_path / "bomb.jpg").write_bytes(bytes(data))
    refused(tmp_path / "bomb.jpg", "at most 200 Mpx")
    data = bytearray(saved(tmp_path / "p.tif", picture()).read_bytes())
    with tifffile.TiffFile(tmp_path / "p.tif") as tiff:
        for tag in (256, 257):
            entry = tiff.pages.first.tags[tag]
            size = struct.pack("<HI", 4, 1) + struct.pack("<I", 50000)
            data[entry.offset + 2 : entry.offset + 12] = size
    (tmp_path / "bomb.tif").write_bytes(bytes(data))
    refused(tmp_path / "bomb.tif", "2500 Mpx")


def test_exactly_200_mpx_is_allowed_by_the_size_check():
    from texscan.headers import check_size

    check_size(20000, 10000, "p.jpg")
    with pytest.raises(PhotoError, match="at most 200 Mpx"):
        check_size(20001, 10000, "p.jpg")


def test_cmyk_transparent_tiny_and_hdr_are_refused(tmp_path):
    Image.fromarray(picture()).convert("CMYK").save(tmp_path / "c.jpg")
    refused(tmp_path / "c.jpg", "CMYK")
    Image.fromarray(picture()).convert("CMYK").save(tmp_path / "c.tif")
    refused(tmp_path / "c.tif", "CMYK")
    alpha = np.dstack([picture(), np.full((40, 60), 200, np.uint8)])
    refused(saved(tmp_path / "a.png", alpha), "transparent")
    refused(saved(tmp_path / "tiny.png", picture(8, 60)), "only 60 x 8 pixels")
    refused(DATA / "hdr.heic", "HDR")


def test_a_height_map_given_as_a_photo_is_pointed_to_heights(tmp_path):
    tifffile.imwrite(tmp_path / "z.tif", np.zeros((40, 60), np.float32))
    refused(tmp_path / "z.tif", "--heights")


def test_a_16_bit_photo_in_another_colour_space_is_refused(tmp_path):
    pixels = picture(full=65535, dtype=np.uint16)
    tifffile.imwrite(tmp_path / "p.tif", pixels, photometric="rgb", iccprofile=linear_rgb_profile())
    refused(tmp_path / "p.tif", "must be sRGB")


def test_a_broken_profile_is_refused(tmp_path):
    refused(saved(tmp_path / "p.png", picture(), icc_profile=b"no profile"), "broken colour profile")


def test_a_camera_raw_file_says_which_extra_it_needs_or_that_it_is_damaged(tmp_path):
    (tmp_path / "p.dng").write_bytes(b"II*\0" + b"\0" * 400)
    with pytest.raises(PhotoError, match=r"texscan\[raw\]|cannot be opened"):
        load_photo(tmp_path / "p.dng")


# Heights


def test_a_float_tiff_comes_back_exactly_with_its_holes(tmp_path):
    height = np.random.default_rng(1).normal(size=(30, 40)).astype(np.float32)
    height[3, 4] = np.nan
    (tmp_path / "z.tif").write_bytes(tiff_bytes(height, 0.15))
    read, step_mm = load_heights(tmp_path / "z.tif", 0.15)
    assert step_mm == 0.15
    assert np.array_equal(read, height, equal_nan=True)
    with Image.open(tmp_path / "z.tif") as other:  # another reader sees the same numbers
        assert np.array_equal(np.asarray(other), height, equal_nan=True)
    with tifffile.TiffFile(tmp_path / "z.tif") as tiff:
        number, denominator = tiff.pages.first.tags["XResolution"].value
        assert number / denominator == pytest.approx(10 / 0.15, rel=1e-6)  # pixels a centimetre


def test_a_missing_value_number_becomes_nan(tmp_path):
    height = np.zeros((20, 20), np.float32)
    height[2, 3] = -9999
    tifffile.imwrite(tmp_path / "z.tif", height, extratags=[(42113, "s", 0, "-9999", True)])
    assert np.isnan(load_heights(tmp_path / "z.tif", 0.1)[0][2, 3])
    tifffile.imwrite(tmp_path / "y.tif", height)
    refused(tmp_path / "y.tif", "span 9999 mm", ReliefError, lambda p: load_heights(p, 0.1))


def test_heights_that_cannot_be_used_are_refused(tmp_path):
    def reader(path):
        return load_heights(path, 0.1)

    tifffile.imwrite(tmp_path / "i.tif", np.zeros((20, 20), np.uint16))
    refused(tmp_path / "i.tif", "float heights", ReliefError, reader)
    tifffile.imwrite(tmp_path / "n.tif", np.full((20, 20), np.nan, np.float32))
    refused(tmp_path / "n.tif", "only NaN", ReliefError, reader)
    tifffile.imwrite(tmp_path / "inf.tif", np.full((20, 20), np.inf, np.float32))
    refused(tmp_path / "inf.tif", "infinite", ReliefError, reader)
    refused(saved(tmp_path / "p.jpg", picture()), "not a height map", ReliefError, reader)
    tifffile.imwrite(tmp_path / "z.tif", np.zeros((20, 20), np.float32))
    refused(tmp_path / "z.tif", "--step-mm", SettingsError, load_heights)
    with pytest.raises(SettingsError, match="between"):
        load_heights(tmp_path / "z.tif", -1)


# Masks and texts


def test_a_mask_leaves_out_what_is_white(tmp_path):
    painted = np.zeros((20, 30), np.uint8)
    painted[2:5, 3:9] = 255
    assert np.array_equal(load_mask(saved(tmp_path / "m.png", painted)), painted == 255)
    rgb = np.repeat(painted[..., None], 3, axis=2)
    assert np.array_equal(load_mask(saved(tmp_path / "c.png", rgb)), painted == 255)
    refused(saved(tmp_path / "m.jpg", painted), "not a PNG", SettingsError, load_mask)
    (tmp_path / "t.png").write_bytes((tmp_path / "m.png").read_bytes()[:-20])
    refused(tmp_path / "t.png", "cut short", SettingsError, load_mask)


def test_text_is_utf8_with_or_without_a_mark(tmp_path):
    (tmp_path / "c.toml").write_bytes(b"\xef\xbb\xbfname = '\xc3\xa9'")
    assert files.read_text(tmp_path / "c.toml", "coats file") == "name = 'é'"
    (tmp_path / "d.toml").write_bytes(b"\xff\xfe\0")
    refused(tmp_path / "d.toml", "not UTF-8", SettingsError, lambda p: files.read_text(p, "coats file"))


# Writing


def test_png_bytes_are_read_back_as_rgb():
    with Image.open(io.BytesIO(png_bytes(picture()))) as opened:
        assert np.array_equal(np.asarray(opened), picture())


def test_json_is_strict_stable_and_rounded_to_six_digits():
    data = {
        "b": np.float32(0.1),
        "a": [np.int64(3), True, None, 1 / 3, 123456.789, -0.0],
        "m": Measured(0.5, 0.4, 0.6),
        "v": np.arange(3),
    }
    text = json_bytes(data).decode()
    assert list(json.loads(text)) == ["b", "a", "m", "v"]
    assert json.loads(text)["a"] == [3, True, None, 0.333333, 123457.0, 0.0]
    assert "-0.0" not in text
    assert json.loads(text)["b"] == 0.1
    assert json.loads(text)["m"] == {"value": 0.5, "low": 0.4, "high": 0.6}
    assert json_bytes(data) == json_bytes(dict(data))
    for bad in (math.nan, math.inf, np.float32("nan")):
        with pytest.raises(ValueError, match="not JSON compliant"):
            json_bytes({"x": bad})


def listing(folder):
    return {str(p.relative_to(folder)): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


def test_a_result_is_written_with_its_parents_and_leaves_other_files_alone(tmp_path):
    out = tmp_path / "a" / "b"
    write_result(out, {"score.json": b"1", "images/x.png": b"2"})
    (out / "mine.txt").write_bytes(b"kept")
    write_result(out, {"score.json": b"3"})
    assert listing(out) == {"score.json": b"3", "images/x.png": b"2", "mine.txt": b"kept"}
    assert sorted(p.name for p in (tmp_path / "a").iterdir()) == ["b"]


@pytest.mark.parametrize("step", range(1, 7))
def test_a_failure_at_any_step_leaves_everything_as_it_was(tmp_path, monkeypatch, step):
    out = tmp_path / "out"
    write_result(out, {"score.json": b"old", "relief.tif": b"old"})
    before = listing(tmp_path)
    calls = {"n": 0}

    def failing(real):
        def call(*arguments):
            calls["n"] += 1
            if calls["n"] == step:
                raise OSError(28, "No space left on device")
            return real(*arguments)

        return call

    monkeypatch.setattr(files.os, "fsync", failing(os.fsync))
    monkeypatch.setattr(files.os, "replace", failing(os.replace))
    with pytest.raises(StorageError, match="No space left on device"):
        write_result(out, {"score.json": b"new", "relief.tif": b"new"})
    assert listing(tmp_path) == before


def test_a_failed_first_result_leaves_no_folder(tmp_path, monkeypatch):
    def full(_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(files.os, "fsync", full)
    with pytest.raises(StorageError):
        write_result(tmp_path / "new" / "out", {"score.json": b"1"})
    assert list(tmp_path.iterdir()) == []


def test_an_interruption_leaves_everything_as_it_was(tmp_path, monkeypatch):
    out = tmp_path / "out"
    write_result(out, {"score.json": b"old"})

    def interrupted(*_):
        raise KeyboardInterrupt

    monkeypatch.setattr(files.os, "replace", interrupted)
    with pytest.raises(KeyboardInterrupt):
        write_result(out, {"score.json": b"new"})
    assert listing(tmp_path) == {"out/score.json": b"old"}


def test_a_file_in_the_way_and_names_outside_are_refused(tmp_path):
    (tmp_path / "out").write_bytes(b"a file")
    with pytest.raises(StorageError, match="is a file"):
        write_result(tmp_path / "out", {"score.json": b"1"})
    for name in ("../x", "/x", "a/../../x"):
        with pytest.raises(ValueError, match="leaves the result folder"):
            write_result(tmp_path / "ok", {name: b"1"})
    assert sorted(p.name for p in tmp_path.iterdir()) == ["out"]


def test_shipped_files_are_found():
    assert files.find_calibration("card.json").is_file()
    with pytest.raises(StorageError, match="missing from this installation"):
        files.find_calibration("no-such-file")


def test_a_folder_that_vanishes_while_it_is_written_ends_in_words(tmp_path, monkeypatch):
    made = tmp_path / "made"
    made.mkdir()
    monkeypatch.setattr(os, "fsync", lambda descriptor: shutil.rmtree(made, ignore_errors=True))
    with pytest.raises(StorageError, match="Nothing was changed"):
        write_result(made / "panel", {"a.json": b"1", "b.json": b"2"})
    assert not made.exists()


def test_a_photo_whose_name_is_no_text_and_a_panel_of_two_lines_get_names_that_every_file_can_hold(tmp_path):
    path = tmp_path / os.fsdecode(b"deck\xff.png")
    path.write_bytes(png_bytes(np.full((40, 40, 3), 90, np.uint8)))
    assert load_photo(path).file == "deck\\xff.png"
    assert read_settings(panel="Fore\ndeck \x07").panel == "Fore deck \\x07"
