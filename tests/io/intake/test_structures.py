"""The layer of structures: every row of every format comes back, in order, with its texts untouched.

Files are written by fiona, by pyogrio, or byte by byte from the published formats: OGC 12-128r18 (GeoPackage binary),
OGC 06-103r4 (well-known binary) and the shapefile description of 1998. Read back by sqlite3 and csv where they can.
"""

from __future__ import annotations

import csv
import hashlib
import itertools
import json
import math
import sqlite3
import struct
from pathlib import Path

import numpy as np
import pytest

from geoadjust.core.rules import StructuresTable
from geoadjust.errors import InputError
from geoadjust.io.intake import structures
from geoadjust.io.intake.structures import (
    BATCH,
    describe_columns,
    describe_structures,
    find_columns,
    lookalikes,
    read_batches,
)
from geoadjust.io.intake.values import read_texts
from geoadjust.io.working.spill import BUCKET

# isort: split
import fiona
import pyarrow as pa
import shapely
from pyogrio.raw import write_arrow

EAST, NORTH = 500_000.0, 4_000_000.0
DRIVERS = {".gpkg": "GPKG", ".geojson": "GeoJSON", ".shp": "ESRI Shapefile"}


def wkb(kind, *values):
    return struct.pack(f"<BI{len(values)}d", 1, kind, *values)


def multi(*points, kind=4):
    return struct.pack("<BII", 1, kind, len(points)) + b"".join(wkb(kind - 3, *point) for point in points)


POINT = wkb(1, EAST, NORTH)
EMPTY = wkb(1, math.nan, math.nan)
LINE = struct.pack("<BII4d", 1, 2, 2, 0.0, 0.0, 1.0, 1.0)


def write(path, geometries, kind="Point", *, crs="EPSG:32617", append=False, layer=None, index=True, **columns):
    """Write geometries as well-known binary with the columns given; an id column is made where there is none."""
    columns.setdefault("id", [f"s{n}" for n in range(len(geometries))])
    table = pa.table({**columns, "geometry_": pa.array(geometries, pa.binary())})
    options = {"layer_options": {"SPATIAL_INDEX": "YES" if index else "NO"}} if path.suffix == ".gpkg" else {}
    named = {"layer": layer} if layer else {}
    driver = DRIVERS[path.suffix]
    write_arrow(
        table,
        str(path),
        driver=driver,
        geometry_name="geometry_",
        geometry_type=kind,
        crs=crs,
        append=append,
        **named,
        **options,
    )
    return path


def write_geojson(path, rows, geometry=None):
    features = [
        {"type": "Feature", "properties": row, "geometry": geometry or {"type": "Point", "coordinates": [-81.0, 36.0]}}
        for row in rows
    ]
    path.write_text(json.dumps({"type": "FeatureCollection", "features": features}), encoding="utf-8")
    return path


def write_csv(path, text, encoding="utf-8"):
    path.write_bytes(text.encode(encoding))
    return path


def describe(path, **table):
    return describe_structures(StructuresTable(path=str(path), **table))


def read(path, **table):
    """All batches of a layer."""
    return list(read_batches(describe(path, **table)))


def only(path, **table):
    """The one batch of a small layer."""
    (batch,) = read(path, **table)
    return batch


def texts(batch, name="id"):
    return read_texts(batch.attributes.column(name), len(batch)).tolist()


def faults(path, **table):
    with pytest.raises(InputError) as caught:
        describe(path, **table)
    return {fault.where: fault for fault in caught.value.faults}


# ---------------------------------------------------------------- geometries


@pytest.mark.parametrize("ending", DRIVERS)
@pytest.mark.parametrize(
    ("kind", "geometry", "elevation"),
    [("Point", POINT, math.nan), ("Point Z", wkb(1001, EAST, NORTH, 12.5), 12.5)],
    ids=["2d", "3d"],
)
def test_points(tmp_path, ending, kind, geometry, elevation):
    crs, place = ("EPSG:4326", (-81.0, 36.0)) if ending == ".geojson" else ("EPSG:32617", (EAST, NORTH))
    geometry = geometry[:5] + struct.pack("<2d", *place) + geometry[21:]
    batch = only(write(tmp_path / f"covers{ending}", [geometry, geometry], kind, crs=crs))
    assert texts(batch) == ["s0", "s1"]
    assert (batch.first, len(batch), batch.parts.tolist()) == (0, 2, [1, 1])
    assert batch.east.tolist() == [place[0]] * 2
    assert batch.north.tolist() == [place[1]] * 2
    np.testing.assert_array_equal(batch.elevation, [elevation] * 2)


def test_multipoints_say_how_many_points_they_have(tmp_path):
    geometries = [multi((EAST, NORTH)), multi((EAST, NORTH), (EAST + 1, NORTH)), multi(), None]
    for ending in (".gpkg", ".shp"):
        batch = only(write(tmp_path / f"covers{ending}", geometries, "MultiPoint"))
        assert texts(batch) == ["s0", "s1", "s2", "s3"]
        assert batch.parts.tolist() == [1, 2, 0, 0]
        np.testing.assert_array_equal(batch.east, [EAST, math.nan, math.nan, math.nan])
        np.testing.assert_array_equal(batch.points[:, 0], [EAST, EAST, math.nan, math.nan])  # kept for writing back


def test_multipoint_z_keeps_its_elevation(tmp_path):
    batch = only(write(tmp_path / "covers.gpkg", [multi((EAST, NORTH, 3.25), kind=1004)], "MultiPoint Z"))
    assert (batch.parts.tolist(), batch.elevation.tolist()) == ([1], [3.25])


def test_mixed_layer_keeps_every_row_in_order(tmp_path):
    path = write(tmp_path / "covers.gpkg", [POINT, None, EMPTY, multi(), LINE, POINT], "Unknown")
    batch = only(path)
    assert texts(batch) == [f"s{n}" for n in range(6)]
    assert batch.parts.tolist() == [1, 0, 0, 0, 0, 1]
    np.testing.assert_array_equal(np.isfinite(batch.east), [True, False, False, False, False, True])
    np.testing.assert_array_equal(np.isfinite(batch.north), [True, False, False, False, False, True])


def test_null_geometries_in_geojson(tmp_path):
    path = write_geojson(tmp_path / "covers.geojson", [{"id": "a"}, {"id": "b"}])
    data = json.loads(path.read_text())
    data["features"].insert(1, {"type": "Feature", "properties": {"id": "none"}, "geometry": None})
    path.write_text(json.dumps(data))
    batch = only(path)
    assert (texts(batch), batch.parts.tolist()) == (["a", "none", "b"], [1, 0, 1])


m_is_dropped = pytest.mark.filterwarnings("ignore:Measured")
"""The driver says so by a warning; the row itself must be there."""


def with_m(path, blobs, z, m):
    """Put geometries of our own into a GeoPackage: header 'GP', version 0, flags 1 (little endian), srs, ISO WKB."""
    write(path, [POINT] * len(blobs), index=False)
    with sqlite3.connect(path) as database:
        database.execute("UPDATE gpkg_geometry_columns SET z = ?, m = ?", (z, m))
        (srs,) = database.execute("SELECT srs_id FROM gpkg_geometry_columns").fetchone()
        for fid, blob in enumerate(blobs, 1):
            header = b"GP\x00\x01" + struct.pack("<i", srs)
            database.execute("UPDATE covers SET geom = ? WHERE rowid = ?", (header + blob, fid))
    database.close()
    return path


@m_is_dropped
def test_measured_points_of_a_geopackage(tmp_path):
    path = with_m(tmp_path / "covers.gpkg", [wkb(2001, EAST, NORTH, 7.0)] * 2, 0, 1)
    batch = only(path)
    assert (batch.parts.tolist(), batch.east.tolist()) == ([1, 1], [EAST, EAST])
    assert np.isnan(batch.elevation).all()  # M is no height


@m_is_dropped
def test_points_with_z_and_m_of_a_geopackage(tmp_path):
    path = with_m(tmp_path / "covers.gpkg", [wkb(3001, EAST, NORTH, 12.5, 7.0)], 1, 1)
    batch = only(path)
    assert (batch.parts.tolist(), batch.north.tolist(), batch.elevation.tolist()) == ([1], [NORTH], [12.5])


def rewrite_shapefile(path, kind, *values):
    """One point with type 11 (x, y, z, m) or 21 (x, y, m), by the shapefile description of 1998, pages 4, 9 and 15."""
    write(path, [POINT])
    content = struct.pack(f"<i{len(values)}d", kind, *values)
    record = struct.pack(">2i", 1, len(content) // 2) + content
    box = struct.pack("<8d", EAST, NORTH, EAST, NORTH, 0, 0, 0, 0)
    for ending, body in ((".shp", record), (".shx", struct.pack(">2i", 50, len(content) // 2))):
        words = (100 + len(body)) // 2
        head = struct.pack(">7i", 9994, 0, 0, 0, 0, 0, words) + struct.pack("<2i", 1000, kind) + box
        path.with_suffix(ending).write_bytes(head + body)
    return path


@m_is_dropped
@pytest.mark.parametrize(
    ("kind", "values", "elevation"),
    [(11, (EAST, NORTH, 12.5, 7.0), 12.5), (21, (EAST, NORTH, 7.0), math.nan)],
)
def test_points_with_m_of_a_shapefile(tmp_path, kind, values, elevation):
    batch = only(rewrite_shapefile(tmp_path / "covers.shp", kind, *values))
    assert (texts(batch), batch.parts.tolist(), batch.east.tolist()) == (["s0"], [1], [EAST])
    np.testing.assert_array_equal(batch.elevation, [elevation])


@pytest.mark.parametrize("geometry", ["Polygon", "LineString"])
def test_layers_that_hold_no_points_are_refused(tmp_path, geometry):
    corners = [[-81, 36], [-81, 37], [-80, 36], [-81, 36]]
    coordinates = [corners] if geometry == "Polygon" else corners
    path = write_geojson(
        tmp_path / "covers.geojson", [{"id": 1}], geometry={"type": geometry, "coordinates": coordinates}
    )
    fault = faults(path)["structures.path"]
    assert geometry in fault.what
    assert fault.allowed == "points"


# ---------------------------------------------------------------- batches


ROWS = 65_536 + 3
"""The driver hands over 65,536 rows at a time unless it is told otherwise."""
BATCHES = [(first, min(BATCH, ROWS - first)) for first in range(0, ROWS, BATCH)]


@pytest.fixture(scope="module")
def large(tmp_path_factory):
    """A GeoPackage of some full batches and three rows."""
    n = ROWS
    east = EAST + np.arange(n) % 1000
    packed = np.zeros(n, dtype=np.dtype([("order", "u1"), ("type", "<u4"), ("east", "<f8"), ("north", "<f8")]))
    packed["order"], packed["type"], packed["east"], packed["north"] = 1, 1, east, NORTH
    blobs = pa.FixedSizeBinaryArray.from_buffers(pa.binary(21), n, [None, pa.py_buffer(packed.tobytes())])
    path = tmp_path_factory.mktemp("large") / "covers.gpkg"
    ids = [f"MH{n - i}" for i in range(n)]
    return write(path, blobs.cast(pa.binary()), id=ids, number=np.arange(n))


def test_batches_have_exactly_their_size(large):
    batches = read(large)
    assert [(batch.first, len(batch)) for batch in batches] == BATCHES
    numbers = np.concatenate([batch.attributes.column("number").to_numpy() for batch in batches])
    np.testing.assert_array_equal(numbers, np.arange(ROWS))
    np.testing.assert_array_equal(np.concatenate([batch.east for batch in batches]), EAST + np.arange(ROWS) % 1000)


@pytest.mark.parametrize("sizes", [[5, 0, BATCH, 7], [2 * BATCH + 1], [BATCH - 1, 1, 1], [1], []])
def test_batches_have_their_size_whatever_the_driver_hands_over(sizes):
    ends = np.cumsum([0, *sizes])
    handed = [pa.record_batch([np.arange(a, b)], ["n"]) for a, b in itertools.pairwise(ends)]
    found = [table.column("n").to_pylist() for table in structures._rechunked(handed)]
    assert [row for rows in found for row in rows] == list(range(sum(sizes)))
    assert [len(rows) for rows in found[:-1]] == [BATCH] * (len(found) - 1)
    assert all(0 < len(rows) <= BATCH for rows in found)


def test_batches_and_buckets_are_of_one_size():
    # results are joined bucket by bucket with the rows that are read again
    assert BATCH == BUCKET


def test_batches_agree_with_sqlite3(large):
    with sqlite3.connect(large) as database:
        rows = database.execute("SELECT id FROM covers ORDER BY rowid").fetchall()
    database.close()
    assert [text for batch in read(large) for text in texts(batch)] == [row[0] for row in rows]


def test_only_the_wanted_columns_are_read(large):
    batches = list(read_batches(describe(large), only=["id"]))
    assert [batch.attributes.column_names for batch in batches] == [["id"]] * len(BATCHES)
    nothing = next(read_batches(describe(large), only=[]))
    assert nothing.attributes.num_columns == 0
    assert len(nothing) == BATCH


def test_batches_of_a_csv(tmp_path):
    lines = [f"s{n},{500_000 + n},4000000" for n in range(BATCH + 1)]
    path = write_csv(tmp_path / "covers.csv", "id,easting,northing\n" + "\n".join(lines) + "\n")
    batches = read(path, crs="EPSG:32617")
    assert [(batch.first, len(batch)) for batch in batches] == [(0, BATCH), (BATCH, 1)]
    assert batches[1].east.tolist() == [500_000.0 + BATCH]


# ---------------------------------------------------------------- ids stay texts

ODD_IDS = ["0012", "NA", "TRUE", "1e5", "9223372036854775808", "null", "NaN", "1.0", "=1+1", "ΑΒ-7"]


def test_ids_of_a_csv_stay_as_they_stand(tmp_path):
    text = "id,easting,northing\n" + "".join(f"{name},1,2\n" for name in ODD_IDS)
    assert texts(only(write_csv(tmp_path / "covers.csv", text), crs="EPSG:32617")) == ODD_IDS


@pytest.mark.parametrize("ending", DRIVERS)
def test_ids_of_layers_stay_as_they_stand(tmp_path, ending):
    crs = "EPSG:4326" if ending == ".geojson" else "EPSG:32617"
    path = write(tmp_path / f"covers{ending}", [wkb(1, -81.0, 36.0)] * len(ODD_IDS), crs=crs, id=ODD_IDS)
    assert texts(only(path)) == ODD_IDS


def test_whole_numbers_as_ids(tmp_path):
    wide = [1, 2**53 + 1, 2**63 - 1]
    assert texts(only(write(tmp_path / "a.gpkg", [POINT] * 3, id=wide))) == [str(number) for number in wide]
    decimals = [7.0, 12.5, 1e5]
    assert texts(only(write(tmp_path / "b.gpkg", [POINT] * 3, id=decimals))) == ["7", "12.5", "100000"]


def test_ids_of_several_types_in_one_geojson(tmp_path):
    path = write_geojson(tmp_path / "covers.geojson", [{"id": "0012"}, {"id": 3}, {"id": True}, {"id": None}])
    assert texts(only(path)) == ["0012", "3", "true", ""]


# ---------------------------------------------------------------- CSV


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_delimiters(tmp_path, delimiter, end):
    rows = [["id", "easting", "northing", "street"], ["a", "1.5", "2.5", "Elm"], ["b", "3", "4", ""]]
    path = write_csv(tmp_path / "covers.csv", "".join(delimiter.join(row) + end for row in rows))
    batch = only(path, crs="EPSG:32617")
    assert (texts(batch), batch.east.tolist(), batch.north.tolist()) == (["a", "b"], [1.5, 3.0], [2.5, 4.0])
    assert texts(batch, "street") == ["Elm", ""]


def test_quoted_cells_agree_with_the_csv_module(tmp_path):
    path = tmp_path / "covers.csv"
    rows = [["a\nb", "1", "2", 'x, "y"'], ["c", "3", "4", "line\r\nbreak"], ["d;e", "5", "6", "'"]]
    with open(path, "w", encoding="utf-8", newline="") as file:
        csv.writer(file).writerows([["id", "easting", "northing", "note"], *rows])
    with open(path, encoding="utf-8", newline="") as file:
        back = list(csv.reader(file))[1:]
    batch = only(path, crs="EPSG:32617")
    assert back == rows
    assert batch.attributes.column("note").to_pylist() == [row[3] for row in rows]
    assert texts(batch) == [row[0] for row in rows]
    assert batch.north.tolist() == [2.0, 4.0, 6.0]


def test_a_byte_order_mark_is_no_part_of_the_first_name(tmp_path):
    path = write_csv(tmp_path / "covers.csv", "id,easting,northing\né,1,2\n", "utf-8-sig")
    assert texts(only(path, crs="EPSG:32617")) == ["é"]


def test_other_encodings(tmp_path):
    text = "id;easting;northing;street\nß;1;2;Größe\n"
    for encoding in ("cp1252", "utf-16"):
        path = write_csv(tmp_path / f"{encoding}.csv", text, encoding)
        batch = only(path, crs="EPSG:32617", encoding=encoding)
        assert (texts(batch), texts(batch, "street")) == (["ß"], ["Größe"])


@pytest.mark.parametrize("encoding", ["utf-8", "no-such"])
def test_a_wrong_encoding_says_what_to_write(tmp_path, encoding):
    path = write_csv(tmp_path / "covers.csv", "id,easting,northing\nß,1,2\n", "cp1252")
    fault = faults(path, crs="EPSG:32617", encoding=encoding)["structures.encoding"]
    assert "cp1252" in fault.remedy


def test_a_wrong_encoding_far_down_is_a_fault_too(tmp_path):
    rows = "".join(f"s{n},1,2\n" for n in range(100_000))
    path = write_csv(tmp_path / "covers.csv", f"id,easting,northing\n{rows}ß,1,2\n", "cp1252")
    with pytest.raises(InputError, match="cannot be read"):
        read(path, crs="EPSG:32617")


@pytest.mark.parametrize("cell", ["", "n/a", "1,5", "inf", "-inf", "nan", "0x10", "1 000", "5e", "12°"])
def test_rows_without_a_readable_place_stay(tmp_path, cell):
    path = write_csv(tmp_path / "covers.csv", f'id,easting,northing\na,"{cell}",2\nb,2,"{cell}"\nc, 3 ,4\n')
    batch = only(path, crs="EPSG:32617")
    assert texts(batch) == ["a", "b", "c"]
    assert batch.parts.tolist() == [0, 0, 1]
    for values, there in ((batch.east, 3.0), (batch.north, 4.0)):
        np.testing.assert_array_equal(values, [math.nan, math.nan, there])


def test_short_rows_and_blank_lines_stay(tmp_path):
    path = write_csv(tmp_path / "covers.csv", "id,easting,northing,note\na,1\n\nb,3,4,x\n")
    batch = only(path, crs="EPSG:32617")
    assert (texts(batch), texts(batch, "note"), batch.parts.tolist()) == (["a", "", "b"], ["", "", "x"], [0, 0, 1])


def test_a_row_that_is_too_long_is_a_fault(tmp_path):
    path = write_csv(tmp_path / "covers.csv", "id,easting,northing\na,1,2\nb,1,2,3\n")
    with pytest.raises(InputError, match="cannot be read"):
        read(path, crs="EPSG:32617")


def test_coordinates_of_a_csv_keep_all_digits(tmp_path):
    path = write_csv(tmp_path / "covers.csv", "id,easting,northing\na,583960.123456789,4506123.987654321\n")
    batch = only(path, crs="EPSG:32617")
    assert batch.east[0] == pytest.approx(float("583960.123456789"), abs=1e-9)
    assert batch.north[0] == pytest.approx(float("4506123.987654321"), abs=2e-9)


def test_a_csv_needs_coordinates_a_crs_and_rows(tmp_path):
    found = faults(write_csv(tmp_path / "covers.csv", "id,x,y\n"))
    assert set(found) == {
        "structures.path",
        "structures.crs",
        "structures.columns.easting",
        "structures.columns.northing",
    }
    assert "no rows" in found["structures.path"].what
    assert found["structures.columns.easting"].remedy == 'write columns = { easting = "..." }'


def test_two_columns_of_one_name(tmp_path):
    path = write_csv(tmp_path / "covers.csv", "id,easting,northing,note,note\na,1,2,x,y\n")
    assert "'note'" in faults(path, crs="EPSG:32617")["structures.path"].what


def test_mapped_coordinates_of_a_csv(tmp_path):
    path = write_csv(tmp_path / "covers.txt", "POINT_NO,X_,Y_\n7,1,2\n")
    batch = only(path, crs="EPSG:32617", columns={"id": "POINT_NO", "easting": "X_", "northing": "Y_"})
    assert (batch.east.tolist(), batch.north.tolist()) == ([1.0], [2.0])


# ---------------------------------------------------------------- columns


def test_own_names_are_found_in_any_case():
    found, wrong = find_columns(["ID", "Rim", "STREET", "Note_", "mill"], {})
    assert found == {"id": "ID", "rim": "Rim", "street": "STREET", "mill": "mill"}
    assert wrong == []


def test_a_mapping_beats_an_own_name():
    found, wrong = find_columns(["rim", "RIM_EL"], {"rim": "RIM_EL"})
    assert (found, wrong) == ({"rim": "RIM_EL"}, [])


def test_the_exact_name_beats_one_in_another_case():
    found, wrong = find_columns(["RIM", "rim"], {})
    assert (found, wrong) == ({"rim": "rim"}, [])


def test_two_columns_that_look_alike_are_not_guessed():
    _, (fault,) = find_columns(["RIM", "Rim"], {})
    assert (fault.where, fault.what) == ("structures.columns.rim", "RIM and Rim both look like it")


def test_a_missing_column_comes_with_a_suggestion():
    _, (fault,) = find_columns(["ASSET_NO", "RIM_ELEV"], {"rim": "RIM_ELEVATION"})
    assert fault.where == "structures.columns.rim"
    assert "'RIM_ELEVATION'" in fault.what
    assert fault.allowed == "ASSET_NO, RIM_ELEV"
    assert fault.remedy == "did you mean RIM_ELEV?"


def test_all_missing_columns_are_told_together(tmp_path):
    path = write(tmp_path / "covers.gpkg", [POINT])
    found = faults(path, columns={"rim": "A", "mill": "B"})
    assert set(found) == {"structures.columns.rim", "structures.columns.mill"}


def test_z_can_be_named_as_a_column(tmp_path):
    path = write(tmp_path / "covers.gpkg", [wkb(1001, EAST, NORTH, 1.0)], "Point Z")
    assert describe(path, columns={"rim": "@z"}).columns == {"id": "id", "rim": "@z"}


def test_lookalikes_are_told_and_not_used():
    fields = ["RIM_EL", "INVERT", "Grnd_Elev", "street", "TOPCOV"]
    assert lookalikes(fields, {"rim": "RIM_EL"}) == ["INVERT", "Grnd_Elev", "TOPCOV"]


def test_the_mapping_in_words(tmp_path):
    path = write(tmp_path / "covers.gpkg", [POINT], id=["a"], Rim=[1.0])
    assert describe_columns(describe(path)) == "id = id, rim = Rim"
    assert describe_columns(describe(write(tmp_path / "bare.gpkg", [POINT], id=["a"]), columns={"id": "id"})) == (
        "id = id"
    )


# ---------------------------------------------------------------- layers and CRS


def two_layers(path):
    write(path, [POINT], layer="covers")
    return write(path, [POINT, POINT], layer="valves", append=True)


def test_several_layers_need_a_name(tmp_path):
    path = two_layers(tmp_path / "network.gpkg")
    fault = faults(path)["structures.path"]
    assert "covers" in fault.allowed
    assert "valves" in fault.allowed
    assert len(only(path, layer="valves")) == 2
    assert "no layer" in faults(path, layer="pipes")["structures.path"].what


def test_an_empty_layer_is_a_fault(tmp_path):
    path = tmp_path / "covers.gpkg"
    schema = {"geometry": "Point", "properties": {"id": "str"}}
    with fiona.open(path, "w", driver="GPKG", crs="EPSG:32617", schema=schema):
        pass
    assert "no rows" in faults(path)["structures.path"].what


def test_no_crs(tmp_path):
    path = write(tmp_path / "covers.gpkg", [POINT])
    with sqlite3.connect(path) as database:
        database.execute("UPDATE gpkg_geometry_columns SET srs_id = -1")
        database.execute("UPDATE gpkg_contents SET srs_id = -1 WHERE table_name = 'covers'")
    database.close()
    assert "states no CRS" in faults(path)["structures.crs"].what
    assert "UTM zone 17N" in describe(path, crs="EPSG:32617").crs


def test_a_shapefile_without_prj_needs_a_crs(tmp_path):
    path = write(tmp_path / "covers.shp", [POINT])
    path.with_suffix(".prj").unlink()
    assert set(faults(path)) == {"structures.crs"}
    assert len(only(path, crs="EPSG:32617")) == 1


def test_a_contradicted_crs_is_refused(tmp_path):
    path = write(tmp_path / "covers.gpkg", [POINT])
    fault = faults(path, crs="EPSG:32618")["structures.crs"]
    assert "zone 18N" in fault.what
    assert "zone 17N" in fault.what
    assert describe(path, crs="EPSG:32617").crs == describe(path).crs


def test_geojson_is_longitude_and_latitude(tmp_path):
    # RFC 7946, section 4: WGS 84 unless the old member `crs` says otherwise
    assert "WGS 84" in describe(write_geojson(tmp_path / "covers.geojson", [{"id": 1}])).crs


# ---------------------------------------------------------------- shapefiles


@pytest.mark.parametrize("stated", [True, False])
def test_texts_of_a_shapefile_in_an_old_encoding(tmp_path, stated):
    path = tmp_path / "covers.shp"
    schema = {"geometry": "Point", "properties": {"id": "str:20"}}
    with fiona.open(path, "w", driver="ESRI Shapefile", crs="EPSG:32617", schema=schema, encoding="cp1252") as file:
        file.write({"geometry": {"type": "Point", "coordinates": (EAST, NORTH)}, "properties": {"id": "Größe"}})
    assert b"Gr\xf6\xdfe" in path.with_suffix(".dbf").read_bytes()
    if not stated:
        path.with_suffix(".cpg").unlink()
    assert texts(only(path, encoding="cp1252")) == ["Größe"]


# ---------------------------------------------------------------- odd columns and clean folders


def test_columns_of_odd_types_come_back(tmp_path):
    row = {"id": "a", "none": None, "list": ["x", "y"], "object": {"k": 1}, "day": "2020-01-02", "yes": True}
    batch = only(write_geojson(tmp_path / "covers.geojson", [row, {"id": "b"}]))
    assert texts(batch, "none") == ["", ""]
    assert texts(batch, "list") == ["['x', 'y']", ""]
    assert json.loads(texts(batch, "object")[0]) == {"k": 1}
    assert texts(batch, "day") == ["2020-01-02", ""]
    assert texts(batch, "yes") == ["true", ""]


def folder_hash(folder: Path):
    return {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in sorted(folder.iterdir())}


def test_nothing_is_left_beside_the_inputs(tmp_path):
    write(tmp_path / "a.gpkg", [POINT])
    write(tmp_path / "b.shp", [POINT])
    write_geojson(tmp_path / "c.geojson", [{"id": 1}])
    write_csv(tmp_path / "d.csv", "id,easting,northing\na,1,2\n")
    before = folder_hash(tmp_path)
    for name in ("a.gpkg", "b.shp", "c.geojson"):
        read(tmp_path / name)
    read(tmp_path / "d.csv", crs="EPSG:32617")
    assert folder_hash(tmp_path) == before


def test_a_missing_or_unknown_file_is_a_fault(tmp_path):
    assert "structures.path" in faults(tmp_path / "no.gpkg")
    (tmp_path / "covers.kml").write_text("<kml/>")
    assert "structures.path" in faults(tmp_path / "covers.kml")


def test_a_shapefile_in_another_encoding_is_a_fault_with_a_remedy(tmp_path):
    import geopandas
    import pyogrio
    from shapely.geometry import Point

    path = tmp_path / "covers.shp"
    frame = geopandas.GeoDataFrame({"id": ["caf\u00e9"]}, geometry=[Point(5e5, 4e6)], crs="EPSG:32617")
    pyogrio.write_dataframe(frame, path, encoding="cp1252")
    path.with_suffix(".cpg").unlink(missing_ok=True)
    with pytest.raises(InputError, match="encoding"):
        list(read_batches(describe_structures(StructuresTable(path=str(path)))))
    facts = describe_structures(StructuresTable(path=str(path), encoding="cp1252"))
    assert next(read_batches(facts)).attributes.column("id").to_pylist() == ["caf\u00e9"]


def packed(east, north):
    return shapely.to_wkb(shapely.points(east, north), byte_order=1)


@pytest.mark.parametrize(
    ("geometries", "plain"),
    [
        ([packed(1.5, -2.5), packed(3.0, 4.0)], True),
        ([packed(1.5, -2.5), packed(np.nan, np.nan), packed(np.inf, 0.0)], True),  # the second is an empty point
        ([packed(1.5, -2.5), None], False),
        ([packed(1.5, -2.5), shapely.to_wkb(shapely.Point(1, 2, 3))], False),
        ([packed(1.5, -2.5), shapely.to_wkb(shapely.Point(1, 2), byte_order=0)], False),
        ([packed(1.5, -2.5), shapely.to_wkb(shapely.MultiPoint([(1, 2)]))], False),
        ([], False),
    ],
)
def test_plain_points_are_read_as_the_geometry_library_reads_them(monkeypatch, geometries, plain):
    column = pa.chunked_array([pa.array(geometries[:1], pa.binary()), pa.array(geometries[1:], pa.binary())])
    assert (structures._plain_points(column) is not None) == plain
    found = structures._points(column)
    monkeypatch.setattr(structures, "_plain_points", lambda column: None)
    for ours, theirs in zip(found, structures._points(column), strict=True):
        np.testing.assert_array_equal(ours, theirs)
        assert ours.dtype == theirs.dtype
