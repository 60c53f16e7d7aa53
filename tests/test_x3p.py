"""X3P height maps, against files written here after ISO 25178-72."""

import hashlib
import io
import zipfile

import numpy as np
import pytest
import x3pio

from texscan.errors import ReliefError, SettingsError
from texscan.files import load_heights
from texscan.x3p import heights_from_x3p

ROWS, COLUMNS = 5, 7
DATATYPES = {"I": "<i2", "L": "<i4", "F": "<f4", "D": "<f8"}


def heights_m():
    """Heights in metres, rising with the row's number; no symmetry."""
    row, column = np.mgrid[:ROWS, :COLUMNS]
    return (100.0 * row + column) * 1e-6


def main_xml(kind="D", *, scale="", link="bindata/data.bin", md5="", **changes):
    values = {
        "feature": "SUR",
        "dx": "1.5e-4",
        "dy": "1.5e-4",
        "columns": COLUMNS,
        "rows": ROWS,
        "extra": "",
    } | changes
    return f"""<?xml version="1.0" encoding="UTF-8"?>{values["extra"]}
<p:ISO5436_2 xmlns:p="http://www.opengps.eu/2008/ISO5436_2"><Record1><Revision>ISO5436 - 2000</Revision>
<FeatureType>{values["feature"]}</FeatureType><Axes>
<CX><AxisType>I</AxisType><DataType>D</DataType><Increment>{values["dx"]}</Increment><Offset>0</Offset></CX>
<CY><AxisType>I</AxisType><DataType>D</DataType><Increment>{values["dy"]}</Increment><Offset>0</Offset></CY>
<CZ><AxisType>A</AxisType><DataType>{kind}</DataType>{scale}</CZ></Axes></Record1>
<Record3><MatrixDimension><SizeX>{values["columns"]}</SizeX><SizeY>{values["rows"]}</SizeY><SizeZ>1</SizeZ>
</MatrixDimension><DataLink><PointDataLink>{link}</PointDataLink>{md5}</DataLink></Record3></p:ISO5436_2>"""


def archive(xml, body, name="bindata/data.bin"):
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as packed:
        packed.writestr("main.xml", xml)
        packed.writestr(name, body)
    return stream.getvalue()


@pytest.mark.parametrize(("kind", "unit_m"), [("D", 1.0), ("F", 1.0), ("I", 1e-6), ("L", 1e-6)])
def test_metres_become_mm_and_the_first_row_of_the_file_is_the_lowest(tmp_path, kind, unit_m):
    body = np.round(heights_m() / unit_m, 9).astype(DATATYPES[kind]).tobytes()
    md5 = f"<MD5ChecksumPointData>{hashlib.md5(body).hexdigest()}</MD5ChecksumPointData>"
    scale = f"<Increment>{unit_m}</Increment>" if kind in "IL" else ""
    (tmp_path / "z.x3p").write_bytes(archive(main_xml(kind, md5=md5, scale=scale), body))
    height_mm, step_mm = load_heights(tmp_path / "z.x3p")
    assert step_mm == pytest.approx(0.15)
    assert height_mm == pytest.approx(heights_m()[::-1] * 1000, abs=1e-6)
    with pytest.raises(SettingsError, match="Leave it out"):
        load_heights(tmp_path / "z.x3p", 0.2)


def test_points_marked_invalid_become_nan():
    body = heights_m().tobytes()
    valid = np.ones(ROWS * COLUMNS, dtype=np.uint8)
    valid[9] = 0  # second row of the file, third column
    stream = io.BytesIO(archive(main_xml(md5="<ValidPointsLink>bindata/valid.bin</ValidPointsLink>"), body))
    with zipfile.ZipFile(stream, "a") as packed:
        packed.writestr("bindata/valid.bin", np.packbits(valid, bitorder="little").tobytes())
    height_mm, _ = heights_from_x3p(stream.getvalue(), "z.x3p")
    assert np.argwhere(np.isnan(height_mm)).tolist() == [[ROWS - 2, 2]]


@pytest.mark.parametrize("kind", ["D", "F", "L", "I"])
def test_files_of_an_independent_writer_are_read_back(kind):
    """Written by x3pio (MIT), which shares nothing with the reader here."""
    height_m = heights_m()
    height_m[1, 2] = np.nan
    stream = io.BytesIO()
    x3pio.write(stream, height_m, x_scale=1.5e-4, y_scale=1.5e-4, z_type=x3pio.DataType(kind))
    height_mm, step_mm = heights_from_x3p(stream.getvalue(), "z.x3p")
    assert step_mm == pytest.approx(0.15)
    tolerance_mm = np.nanmax(height_m) * 1000 / 2**15  # half a step of a 16-bit axis over the span, doubled
    assert height_mm == pytest.approx(height_m[::-1] * 1000, abs=tolerance_mm, nan_ok=True)


def refused(data, words):
    with pytest.raises(ReliefError) as caught:
        heights_from_x3p(data, "z.x3p")
    assert words in str(caught.value)


def test_archives_that_cannot_be_trusted_are_refused():
    body = heights_m().tobytes()
    whole = archive(main_xml(), body)
    refused(whole[: len(whole) // 2], "damaged")
    refused(archive(main_xml(), body[:-8]), "fewer heights")
    refused(archive(main_xml(), body + b"x"), "larger than it may be")
    refused(archive(main_xml(link="elsewhere.bin"), body), "no elsewhere.bin")
    refused(archive(main_xml(md5="<MD5ChecksumPointData>00</MD5ChecksumPointData>"), body), "checksum")
    refused(archive(main_xml(feature="PRF"), body), "a surface (SUR) is needed")
    refused(archive(main_xml(dy="3e-4"), body), "square grid")
    refused(archive(main_xml(columns=0), body), "one layer is needed")
    refused(archive(main_xml(columns=10**6, rows=10**6), body), "million points")
    refused(archive(main_xml(columns="many"), body), "a number is needed")
    refused(archive("<p", body), "not XML")


def test_an_entity_bomb_and_a_zip_bomb_are_refused_before_they_unfold():
    entities = '<!DOCTYPE x [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;">]>'
    refused(archive(main_xml(extra=entities), heights_m().tobytes()), "document type")
    refused(archive(main_xml(), bytes(200_000_000)), "larger than it may be")
    refused(archive(" " * 3_000_000, heights_m().tobytes()), "larger than it may be")
