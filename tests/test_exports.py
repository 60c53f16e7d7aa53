"""
What other programs take from a result: height maps as X3P and TIFF, zones in mm, score.json by its schema.

Read back by independent code: x3pio (ISO 25178-72), tifffile, shapely, the standard library's XML, resvg, jsonschema.
"""

import copy
import io
import json
import xml.etree.ElementTree as ElementTree
import zipfile

import jsonschema
import numpy as np
import proposal_case
import pytest
import resvg_py
import shapely
import tifffile
import x3pio
from PIL import Image
from typer.testing import CliRunner

from texscan.cli import app
from texscan.files import json_bytes
from texscan.model import Measured
from texscan.x3p import heights_from_x3p
from texscan.x3p_archive import x3p_bytes

WHEN = "2026-05-16T10:00:00+00:00"


def run(*arguments, expect=0):
    done = CliRunner().invoke(app, [*map(str, arguments)])
    assert done.exit_code == expect, done.output
    return done


@pytest.fixture(scope="module")
def exported(tmp_path_factory):
    """(result folder, folder of the exported files)"""
    folder = tmp_path_factory.mktemp("export")
    out, _ = proposal_case.small_boat(folder, names=("lane",))
    run("export", out / "lane", "--to", folder / "to")
    return out / "lane", folder / "to"


# X3P


def slanted():
    """Heights that no turn or mirror maps onto themselves, with a hole."""
    row, column = np.mgrid[:6, :9]
    height = (0.1 * row + 0.003 * column**2).astype(np.float32)
    height[2, 3] = np.nan
    return height


def test_an_independent_reader_finds_the_heights_in_metres_the_lowest_row_first():
    data = x3p_bytes(slanted(), 0.15, version="1", measured_at=WHEN)
    found = x3pio.read(io.BytesIO(data))
    assert found.header.x.increment == found.header.y.increment == pytest.approx(0.15e-3)
    layer = np.asarray(found.layers[0].z)
    assert layer.reshape(6, 9)[::-1] * 1000 == pytest.approx(slanted(), abs=1e-6, nan_ok=True)


def test_our_own_reader_gives_the_same_map_back_and_the_bytes_do_not_change():
    data = x3p_bytes(slanted(), 0.15, version="1", measured_at=WHEN)
    height, step = heights_from_x3p(data, "map.x3p")
    assert step == pytest.approx(0.15)
    assert height == pytest.approx(slanted(), abs=1e-6, nan_ok=True)
    assert x3p_bytes(slanted(), 0.15, version="1", measured_at=WHEN) == data


def test_a_changed_height_is_found_by_the_independent_readers_checksum():
    data = x3p_bytes(slanted(), 0.15, version="1", measured_at=WHEN)
    stream = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as old, zipfile.ZipFile(stream, "w") as new:
        for name in old.namelist():
            body = old.read(name)
            new.writestr(name, body[:-1] + bytes([body[-1] ^ 1]) if name.endswith(".bin") else body)
    with pytest.raises(x3pio.X3pError):
        x3pio.read(io.BytesIO(stream.getvalue()))


def test_the_command_writes_maps_that_agree(exported):
    folder, to = exported
    height, step = heights_from_x3p((to / "heights.x3p").read_bytes(), "heights.x3p")
    assert step == pytest.approx(proposal_case.STEP_MM)
    with tifffile.TiffFile(to / "heights.tif") as tiff:
        page = tiff.pages.first
        # TIFF 6.0: resolution unit 3 is the centimetre; 0.25 mm a pixel are 40 a cm.
        assert page.tags["ResolutionUnit"].value == 3
        for tag in ("XResolution", "YResolution"):
            numerator, denominator = page.tags[tag].value
            assert numerator / denominator == pytest.approx(40.0)
        assert page.asarray() == pytest.approx(height, abs=1e-6, nan_ok=True)
    assert tifffile.imread(folder / "relief.tif") == pytest.approx(height, abs=1e-6, nan_ok=True)


# Zones


def test_zones_are_polygons_in_mm_with_their_own_area(exported):
    folder, to = exported
    zones = json.loads((to / "zones.json").read_text(encoding="utf-8"))
    assert [zone["letter"] for zone in zones["zones"]] == ["A", "B", "C"]
    assert {zone["condition"] for zone in zones["zones"]} == {"sound", "worn"}
    for zone in zones["zones"]:
        # An outline may be off by half a cell of 5 mm along its rim, smoothed corners included.
        outline = shapely.Polygon(zone["polygon_mm"])
        assert outline.area == pytest.approx(zone["area_mm2"], rel=0.1)
    # The lane was cut over pixels 90 to 150 of 0.25 mm.
    worn = shapely.Polygon(next(z for z in zones["zones"] if z["condition"] == "worn")["polygon_mm"])
    score = json.loads((folder / "score.json").read_text(encoding="utf-8"))
    left, _, right, _ = worn.bounds
    assert left - score["grid"]["x0_mm"] == pytest.approx(90 * 0.25, abs=2.5)
    assert right - score["grid"]["x0_mm"] == pytest.approx(150 * 0.25, abs=2.5)


def test_the_drawing_of_zones_is_at_true_size_with_y_up(exported):
    _, to = exported
    text = (to / "zones.svg").read_text(encoding="utf-8")
    root = ElementTree.fromstring(text)
    assert root.get("width").endswith("mm")
    wide, tall = (float(root.get(side).removesuffix("mm")) for side in ("width", "height"))
    assert [float(v) for v in root.get("viewBox").split()][2:] == pytest.approx([wide, tall], abs=0.01)
    zones = json.loads((to / "zones.json").read_text(encoding="utf-8"))["zones"]
    drawn = root.findall("{http://www.w3.org/2000/svg}polygon")
    assert len(drawn) == len(zones)
    outlines = {zone["letter"]: np.array(zone["polygon_mm"]) for zone in zones}
    for shape in drawn:
        letter = shape[0].text.partition(":")[0]
        points = np.array([[float(v) for v in pair.split(",")] for pair in shape.get("points").split()])
        assert points * [1, -1] == pytest.approx(outlines[letter], abs=1e-3)
    picture = np.asarray(
        Image.open(io.BytesIO(bytes(resvg_py.svg_to_bytes(svg_string=text, dpi=25.4, background="#ffffff"))))
    )
    assert picture.shape[:2] == pytest.approx((tall, wide), abs=1)
    assert (picture[..., :3] < 250).any()


def test_a_name_that_means_harm_is_text_in_the_drawing(tmp_path):
    out, _ = proposal_case.small_boat(tmp_path, names=("lane",))
    path = out / "lane" / "score.json"
    data = json.loads(path.read_text(encoding="utf-8"))
    data["panel"] = "</title><script>alert(1)</script>\x00\u202e"
    path.write_bytes(json_bytes(data))
    run("export", out / "lane", "--to", tmp_path / "to")
    root = ElementTree.fromstring((tmp_path / "to" / "zones.svg").read_text(encoding="utf-8"))
    assert not [element for element in root.iter() if element.tag.endswith("script")]
    assert root[0].text.startswith("</title><script>")


def test_a_folder_without_a_result_is_refused_in_words(tmp_path):
    done = run("export", tmp_path, "--to", tmp_path / "to", expect=1)
    assert "score.json" in proposal_case.said_by(done)
    assert not (tmp_path / "to").exists()


# The schema of score.json


@pytest.fixture(scope="module")
def schema():
    return json.loads(run("schema").output)


def scores():
    return [json.loads(proposal_case.scored(name)["score.json"]) for name in ("deep", "lane", "flat")]


def test_the_schema_is_one_and_every_result_keeps_it(schema):
    jsonschema.Draft202012Validator.check_schema(schema)
    validator = jsonschema.Draft202012Validator(schema)
    for data in scores():
        assert list(validator.iter_errors(data)) == []


def put(*path, value):
    def change(data):
        *way, last = path
        for key in way:
            data = data[key]
        if value is ...:
            del data[last]
        else:
            data[last] = value

    return pytest.param(change, id=f"{'.'.join(map(str, path))}={'' if value is ... else value}")


@pytest.mark.parametrize(
    "change",
    [
        put("schema", value="texscan.score/2"),
        put("views", value=...),
        put("views", 0, "sha256", value="abc"),
        put("views", 0, "elevation_deg", "value", value=91.0),
        put("grid", "step_mm", value=0),
        put("grid", "rows", value=1.5),
        put("texture", "relief_mm", value=0.5),
        put("texture", "relief_mm", value={"value": 0.5, "low": 0.4}),
        put("texture", "relief_mm", value={"value": "0.5", "low": 0.4, "high": 0.6}),
        put("texture", "void_depth_mm", value=...),
        put("zones", 0, "condition", value="dirty"),
        put("zones", 0, "polygon_mm", value=[[0, 0], [1, 1]]),
        put("shares", "worn", value=1.2),
        put("recommendation", "action", value="paint it"),
        put("recommendation", "reasons", value=[]),
        put("coats", "void_depth_mm", 0, "likely", value=None),
        put("options", 0, "cautions", value=[]),
        put("flags", value=["No Flag"]),
        put("surprise", value=1),
    ],
)
def test_the_schema_refuses_what_is_no_result(schema, change):
    data = copy.deepcopy(scores()[1])
    change(data)
    assert not jsonschema.Draft202012Validator(schema).is_valid(data)


def test_a_figure_that_is_not_defined_is_null(schema):
    data = scores()[1]
    data["texture"]["Sq_mm"] = None
    assert jsonschema.Draft202012Validator(schema).is_valid(data)
    assert Measured(1.0, 0.5, 2.0)  # and only then: the record itself holds no NaN
