"""Whole files of every kind that texscan reads, small, to be spoiled. All content is invented or from the samples."""

from __future__ import annotations

import functools
import io
import json
import sys
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import tifffile
from PIL import Image, ImageCms

TESTS = Path(__file__).parents[1]
ROOT = TESTS.parent
sys.path.insert(0, str(TESTS))

RATES = """
currency = "EUR"
decimals = 2
tax_percent = 19
contingency_percent = [5, 10, 15]
texture = "broadcast-grit"
flatten = "fill"
[labour]
hourly = 62.5
fixed_h = [4, 6, 8]
h_per_fitting = 0.5
[pace]
wash = 20
mask = 15
key = 6
sand_flat = 1.5
fill = 2
coat = 8
texture = 4
[[paint]]
name = "two-part primer"
coats = ["primer"]
pack_l = [2, 0.5]
price = [80, 40]
mix = [4, 1]
loss = [0.1, 0.15, 0.2]
[[buy]]
item = "tape"
pack = 50
price = 4.2
[[disc]]
grit = 120
m2_per_disc = 0.4
pack = 50
price = 30
[[sum]]
name = "scaffold"
price = [300, 400, 500]
[materials]
loss_rolled = [0.05, 0.1, 0.2]
filler_waste = { value = 0.1, source = "user" }
[programme]
smooth_areas = false
repair_h = 3
[[coat_times]]
coat = "topcoat"
most_h = 48
[[task]]
name = "shed up"
hours = 4
before = ["wash"]
"""
COATS = """
[[coat]]
name = "primer"
kind = "primer"
volume_solids = 0.45
wet_um = 90
thinning = 0.05
peak_share = [0.3, 0.5, 0.9]
[[coat]]
name = "topcoat"
kind = "topcoat"
volume_solids = 0.5
dry_um = 40
viscosity_pa_s = [0.2, 0.4, 0.9]
open_time_s = 900
"""
LIMITS = """
[decision]
void_left_mm = 0.09
[zones.sound_relief_mm]
value = 0.4
unit = "mm"
reason = "measured on this boat"
provenance = "own"
[practice]
grit_coarse = 80
"""


@dataclass(frozen=True, slots=True)
class Original:
    """A file of one kind; `name` says what it is, `suffix` how it is called on disk."""

    kind: str
    name: str
    suffix: str
    body: bytes


def originals(folder: Path) -> list[Original]:
    """Every original; the folder takes a small scored boat (`boat_in`) and a small card."""
    boat_in(folder)
    return [*_photos(), *_maps(folder), *_texts(folder)]


def boat_in(folder: Path) -> tuple[Path, Path]:
    """(OUT, survey.toml) of a small invented boat with results, made once."""
    import proposal_case

    if (folder / "survey.toml").exists():
        return folder / "out", folder / "survey.toml"
    return proposal_case.small_boat(folder)


def exif(orientation: int = 6) -> bytes:
    """A phone's EXIF block."""
    block = Image.Exif()
    block[0x0112], block[0x010F] = orientation, "maker"
    inner = block.get_ifd(0x8769)
    inner[0xA405], inner[0x829A], inner[0x829D], inner[0x8827] = 26, 0.02, 2.0, 200
    inner[0x9003] = "2026:05:16 21:11:10"
    return block.tobytes()


def picture(rows: int = 96, columns: int = 128, full: int = 255) -> np.ndarray:
    """A piece of deck, RGB."""
    pixels = _sample("foredeck-sound", "a")[1200 : 1200 + rows, 900 : 900 + columns]
    return pixels.copy() if full == 255 else pixels.astype(np.uint16) * 257


@functools.cache
def _sample(name: str, photo: str) -> np.ndarray:
    """A sample photo, RGB."""
    return cv2.imread(str(ROOT / "sample_images" / "panels" / name / f"{photo}.jpg"))[..., ::-1]


def quarter(sample: str, photo: str) -> bytes:
    """A sample photo at a quarter of its size, as JPEG with a phone's EXIF block (upright)."""
    small = cv2.resize(_sample(sample, photo), None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)
    return saved(small, "JPEG", quality=92, exif=exif(1))


def saved(pixels: np.ndarray, kind: str, **options: object) -> bytes:
    """Pixels as Pillow writes them."""
    stream = io.BytesIO()
    Image.fromarray(np.ascontiguousarray(pixels)).save(stream, kind, **options)
    return stream.getvalue()


def tiff(pixels: np.ndarray, **options: object) -> bytes:
    """Pixels as tifffile writes them."""
    stream = io.BytesIO()
    tifffile.imwrite(stream, np.ascontiguousarray(pixels), **options)
    return stream.getvalue()


def _photos() -> list[Original]:
    rgb, deep = picture(), picture(full=65535)
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    made = {
        "jpeg": ("jpg", saved(rgb, "JPEG", quality=85, exif=exif(), icc_profile=profile)),
        "jpeg grey": ("jpg", saved(rgb[..., 0], "JPEG", quality=85)),
        "jpeg progressive": ("jpg", saved(rgb, "JPEG", quality=70, progressive=True, exif=exif(3))),
        "jpeg restarts": ("jpg", saved(rgb, "JPEG", quality=70, restart_marker_blocks=4)),
        "png": ("png", saved(rgb, "PNG", exif=exif(), icc_profile=profile)),
        "png palette": ("png", _palette(rgb)),
        "png 16 bit": ("png", cv2.imencode(".png", deep)[1].tobytes()),
        "png alpha": ("png", saved(np.dstack([rgb, np.full_like(rgb[..., :1], 255)]), "PNG")),
        "tiff": ("tif", tiff(rgb, photometric="rgb")),
        "tiff 16 bit": ("tif", tiff(deep, photometric="rgb", byteorder=">")),
        "tiff deflate": ("tif", tiff(rgb, photometric="rgb", compression="zlib")),
        "tiff tiles": ("tif", tiff(rgb, photometric="rgb", tile=(32, 32))),
        "tiff planar": ("tif", tiff(np.moveaxis(rgb, -1, 0), photometric="rgb", planarconfig="separate")),
        "tiff big": ("tif", tiff(rgb, photometric="rgb", bigtiff=True)),
        "tiff lzw": ("tif", saved(rgb, "TIFF", compression="tiff_lzw")),
        "tiff jpeg": ("tif", saved(rgb, "TIFF", compression="jpeg")),
        "heic": ("heic", (TESTS / "data" / "turned.heic").read_bytes()),
    }
    return [Original("photo", name, suffix, body) for name, (suffix, body) in made.items()]


def _palette(rgb: np.ndarray) -> bytes:
    stream = io.BytesIO()
    Image.fromarray(np.ascontiguousarray(rgb)).quantize(64).save(stream, "PNG", transparency=0)
    return stream.getvalue()


def _maps(folder: Path) -> list[Original]:
    from texscan.x3p_archive import x3p_bytes

    result = folder / "out" / "deep"
    height = tifffile.imread(result / "relief.tif").copy()[:60, :80]
    height[5:9, 5:9] = np.nan
    white = np.zeros((60, 80), np.uint8)
    white[10:20] = 255
    return [
        Original("mask", "mask", "png", saved(white, "PNG")),
        Original("mask", "mask alpha", "png", saved(np.dstack([white] * 4), "PNG")),
        Original("heights", "heights float32", "tif", tiff(height, photometric="minisblack")),
        Original("heights", "heights float64", "tif", tiff(height.astype(float), compression="zlib")),
        Original("heights", "heights of a result", "tif", (result / "relief.tif").read_bytes()),
        Original("x3p", "x3p", "x3p", x3p_bytes(height, 0.25, version="0", measured_at="2026-05-16T12:00:00")),
        Original("conditions", "conditions", "tif", (result / "conditions.tif").read_bytes()),
    ]


def _texts(folder: Path) -> list[Original]:
    import toy_card

    shipped = ROOT / "calibration"
    (folder / "card").mkdir(exist_ok=True)
    (folder / "card" / "card.png").write_bytes((shipped / "card.png").read_bytes())
    card = toy_card.write(folder / "card")
    score = (folder / "out" / "lane" / "score.json").read_bytes()
    return [
        Original("card", "card.json of another card", "json", card.read_bytes()),
        Original("card", "card.json shipped", "json", (shipped / "card.json").read_bytes()),
        Original("survey", "survey of a boat", "toml", (folder / "survey.toml").read_bytes()),
        Original("survey", "survey of the samples", "toml", (ROOT / "sample_images" / "survey.toml").read_bytes()),
        Original("coats", "coats", "toml", COATS.encode()),
        Original("limits", "limits", "toml", LIMITS.encode()),
        Original("limits", "limits shipped", "toml", (shipped / "limits.toml").read_bytes()),
        Original("rates", "rates", "toml", RATES.encode()),
        Original("forecast", "forecast", "csv", (ROOT / "sample_images" / "forecast.csv").read_bytes()),
        Original("score", "score.json", "json", score),
        Original("run", "run.json", "json", json.dumps(_run()).encode()),
    ]


def _run() -> dict:
    """run.json of a batch of the small boat, as far as other commands read it."""
    scored = [
        {"panel": name, "action": "recoat", "patches": [{"name": "", "folder": name}]}
        for name in ("deep", "lane", "flat")
    ]
    return {"schema": "texscan.run/1", "scored": scored, "refused": []}
