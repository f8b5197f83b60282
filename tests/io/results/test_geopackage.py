"""The GeoPackage of a result, as others read it: sqlite3, fiona, pyogrio and an XML parser.

Requirements by number are those of OGC 12-128r17 (GeoPackage 1.3).
"""

from __future__ import annotations

import hashlib
import re
import sqlite3
from contextlib import closing
from xml.etree import ElementTree

import numpy as np
import pyarrow as pa
import pytest
import shapely

from geoadjust.errors import OutputError
from geoadjust.io.results.columns import DESCRIPTIONS, MODELS, ORDINATES, REASONS, RUN, SCHEDULE, STACK_PARTS, TABLES
from geoadjust.io.results.geopackage import (
    SCHEDULE_STYLE,
    alias,
    finish,
    style_qml,
    style_sld,
    write_layer,
    write_polygons,
    write_table,
)
from geoadjust.io.results.tables import RING_SCHEMA, schedule_schema, table_schema

# isort: split
import fiona
import pyogrio
from pyproj import CRS

N = 7
SIDE = {"ordinates": ORDINATES, "stack_parts": STACK_PARTS, "reasons": REASONS, "models": MODELS, "run": RUN}
UTM = CRS("EPSG:32617").to_wkt()
SOURCE = pa.schema([("ASSET_NO", pa.string()), ("fid", pa.int64()), ("checked", pa.bool_()), ("seen", pa.date32())])
WORDS = ("info", "warn", "stop")


def values(kind, n):
    if pa.types.is_integer(kind):
        return pa.array(range(n), kind)
    if pa.types.is_floating(kind):
        return pa.array([None, *(i + 0.5 for i in range(1, n))], kind)
    if pa.types.is_boolean(kind):
        return pa.array([i % 2 == 0 for i in range(n)])
    if pa.types.is_date(kind):
        return pa.array([18_000 + i for i in range(n)], pa.int32()).cast(kind)
    return pa.array([None, *(f"=Größe {i}" for i in range(1, n))], kind)


def batch(schema, n=N):
    """Rows of any table; the last geometry is missing."""
    points = [shapely.to_wkb(shapely.Point(500_000 + i, 4e6)) for i in range(n - 1)]
    arrays = {
        "geom": pa.array([*points, None], pa.binary()),
        "severity": pa.array([WORDS[i % 3] for i in range(n)]),
        "row": pa.array(range(n), pa.int64()),
        "structure_id": pa.array([f"=s{i}" for i in range(n)]),
        "key": pa.array([f"k{i}" for i in range(n)]),
    }
    return pa.record_batch([arrays.get(field.name, values(field.type, n)) for field in schema], schema=schema)


def write(path, crs=UTM, style=True):
    """A whole result file; gives the rows of each table."""
    schema = schedule_schema(SOURCE)
    first, second = batch(schema).slice(0, 3), batch(schema).slice(3)
    write_layer(path, iter([first, second]), schema, crs)
    for name, columns in SIDE.items():
        write_table(path, name, iter([batch(table_schema(columns))]), table_schema(columns))
    ring = shapely.to_wkb(shapely.Point(500_000, 4e6).buffer(1.5))
    rings = pa.record_batch([[0], ["a"], [0.8], [1.5], pa.array([ring], pa.binary())], schema=RING_SCHEMA)
    write_polygons(path, "rings", iter([rings]), RING_SCHEMA, crs)
    counts = {"schedule": N, **dict.fromkeys(SIDE, N), "rings": 1}
    if style:
        finish(path, counts)
    return counts


@pytest.fixture(scope="module")
def path(tmp_path_factory):
    found = tmp_path_factory.mktemp("result") / "schedule.gpkg"
    write(found)
    return found


@pytest.fixture
def query(path):
    def run(text, *values):
        with closing(sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True)) as database:
            return database.execute(text, values).fetchall()

    return run


# ---------------------------------------------------------------- the file


def test_the_header_is_that_of_version_1_3(path, query):
    # requirement 2: application id 'GPKG' at byte 68, user version 10300 for 1.3.0
    head = path.read_bytes()[:100]
    assert head.startswith(b"SQLite format 3\0")
    assert head[68:72] == b"GPKG"
    assert query("PRAGMA user_version") == [(10_300,)]


def test_the_database_is_whole(query):
    assert query("PRAGMA integrity_check") == [("ok",)]
    assert query("PRAGMA foreign_key_check") == []
    assert query("PRAGMA journal_mode") == [("delete",)]


def test_nothing_lies_beside_the_file(path):
    assert [item.name for item in path.parent.iterdir()] == ["schedule.gpkg"]


def test_contents_list_every_table(query):
    # requirements 13 to 16
    found = {row[0]: row[1:] for row in query("SELECT table_name, data_type, description FROM gpkg_contents")}
    kinds = {name: kind for name, (kind, _) in found.items()}
    assert kinds == {
        "schedule": "features",
        **dict.fromkeys(SIDE, "attributes"),
        "rings": "features",
        "layer_styles": "attributes",
    }
    assert all(found[name][1] == text for name, text in DESCRIPTIONS.items() if name in found)
    assert {row[0] for row in query("SELECT DISTINCT last_change FROM gpkg_contents")} == {"1970-01-01T00:00:00.000Z"}


def test_every_table_has_its_own_primary_key(query):
    # requirement 29 and 119: an integer primary key; the input's own fid is another column
    for name in TABLES:
        keys = [row[1] for row in query(f'PRAGMA table_info("{name}")') if row[5]]
        assert keys == ["fid"], name
        assert query(f'SELECT count(DISTINCT fid) FROM "{name}"') == [(N,)]
    assert query("SELECT src_fid FROM schedule ORDER BY fid") == [(i,) for i in range(N)]


def test_the_crs_and_the_extent(query):
    assert query("SELECT srs_id, geometry_type_name FROM gpkg_geometry_columns WHERE table_name = 'schedule'") == [
        (32617, "POINT")
    ]
    assert query("SELECT min_x, max_x FROM gpkg_contents WHERE table_name = 'schedule'") == [(500_000.0, 500_005.0)]
    organisation = "SELECT organization, organization_coordsys_id FROM gpkg_spatial_ref_sys WHERE srs_id = 32617"
    assert query(organisation) == [("EPSG", 32617)]


# ---------------------------------------------------------------- other readers


def test_fiona_reads_every_row_in_order(path):
    with fiona.open(path, layer="schedule") as layer:
        rows = list(layer)
        assert layer.crs.to_epsg() == 32617
    assert [row.properties["row"] for row in rows] == list(range(N))
    assert [row.properties["structure_id"] for row in rows] == [f"=s{i}" for i in range(N)]
    assert rows[2].geometry.coordinates == (500_002.0, 4e6)
    assert rows[-1].geometry is None
    assert rows[0].properties["raise_mm"] is None
    assert (rows[1].properties["seen"], rows[1].properties["checked"]) == ("2019-04-15", False)  # day 18001 of 1970


def test_pyogrio_reads_every_table(path):
    layers = {name for name, _ in pyogrio.list_layers(path)}
    assert set(TABLES) | {"rings"} <= layers
    frame = pyogrio.read_dataframe(path, layer="schedule", use_arrow=True)
    assert len(frame) == N
    assert [*frame.columns][: len(SCHEDULE)] == [column.name for column in SCHEDULE]
    for name, columns in SIDE.items():
        table = pyogrio.read_dataframe(path, layer=name, read_geometry=False)
        assert list(table.columns) == [column.name for column in columns], name
        assert len(table) == N
    ring = pyogrio.read_dataframe(path, layer="rings").geometry[0]
    assert ring.area == pytest.approx(np.pi * 1.5**2, rel=0.02)


def test_sqlite_sees_texts_and_numbers(query):
    assert query("SELECT typeof(raise_mm), typeof(structure_id), typeof(samples) FROM schedule WHERE row = 1") == [
        ("real", "text", "integer")
    ]
    assert query("SELECT ASSET_NO FROM schedule WHERE row = 3") == [("=Größe 3",)]


def test_a_spatial_index_finds_points(query):
    found = query("SELECT id FROM rtree_schedule_geom WHERE minx BETWEEN 500001.5 AND 500003.5 ORDER BY id")
    assert found == [(3,), (4,)]


# ---------------------------------------------------------------- aliases


def test_every_column_has_a_title_in_data_columns(query):
    # GeoPackage schema extension (F.9)
    titles = {
        (row[0], row[1]): row[2:]
        for row in query("SELECT table_name, column_name, title, description FROM gpkg_data_columns")
    }
    assert set(titles) == {(table, column.name) for table, columns in TABLES.items() for column in columns}
    assert titles["schedule", "raise_mm"] == ("Raise [mm]", "target rim minus existing rim; plus = up")
    for table, column in titles:
        assert column in {row[1] for row in query(f'PRAGMA table_info("{table}")')}


def test_the_schema_extension_is_registered(query):
    found = query("SELECT table_name, definition, scope FROM gpkg_extensions WHERE extension_name = 'gpkg_schema'")
    assert {row[0] for row in found} == {"gpkg_data_columns", "gpkg_data_column_constraints"}
    assert {row[2] for row in found} == {"read-write"}


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("raise_mm", "Raise [mm]"),
        ("target_rim_m", "Target rim [m]"),
        ("slope_pct", "Slope [%]"),
        ("uphill_deg", "Uphill [deg]"),
        ("row", "Row"),
        ("structure_id", "Structure id"),
        ("rim_basis", "Rim basis"),
    ],
)
def test_aliases(name, text):
    assert alias(next(column for column in SCHEDULE if column.name == name)) == text


# ---------------------------------------------------------------- style


def test_the_style_is_one_default_row(query):
    (row,) = query("SELECT f_table_name, f_geometry_column, useAsDefault, styleName FROM layer_styles")
    assert row == ("schedule", "geom", 1, "severity")
    ((qml, sld),) = query("SELECT styleQML, styleSLD FROM layer_styles")
    assert (qml, sld) == (style_qml(SCHEDULE_STYLE), style_sld(SCHEDULE_STYLE))


def test_the_style_is_well_formed(path):
    for text in (style_qml(SCHEDULE_STYLE), style_sld(SCHEDULE_STYLE)):
        assert ElementTree.fromstring(text) is not None
    with fiona.open(path, layer="layer_styles") as layer:
        assert len(layer) == 1


def test_the_style_has_a_symbol_for_each_severity():
    root = ElementTree.fromstring(style_qml(SCHEDULE_STYLE))
    categories = root.findall("./renderer-v2/categories/category")
    assert [category.get("value") for category in categories] == list(WORDS)
    symbols = {symbol.get("name"): symbol for symbol in root.findall("./renderer-v2/symbols/symbol")}
    shapes = [symbols[category.get("symbol")].find("./layer/prop[@k='name']").get("v") for category in categories]
    assert len(set(shapes)) == 3  # told apart in black and white
    assert root.find("./renderer-v2").get("attr") == "severity"


def test_the_style_names_every_column():
    root = ElementTree.fromstring(style_qml(SCHEDULE_STYLE))
    found = {item.get("field"): item.get("name") for item in root.findall("./aliases/alias")}
    assert found == {column.name: alias(column) for column in SCHEDULE}
    label = root.find("./labeling/settings/text-style").get("fieldName")
    assert set(re.findall(r'"(\w+)"', label)) <= {column.name for column in SCHEDULE}


def test_the_sld_has_a_rule_for_each_severity():
    names = {"se": "http://www.opengis.net/se", "ogc": "http://www.opengis.net/ogc"}
    root = ElementTree.fromstring(style_sld(SCHEDULE_STYLE))
    assert [item.text for item in root.findall(".//ogc:Literal", names)] == list(WORDS)
    known = {"square", "circle", "triangle", "star", "cross", "x"}  # OGC 05-077r4, 11.3.2
    marks = [item.text for item in root.findall(".//se:WellKnownName", names)]
    assert set(marks) <= known
    assert len(set(marks)) == 3


# ---------------------------------------------------------------- equal bytes and errors


def digest(path):
    return hashlib.sha256(path.read_bytes()).hexdigest()


def test_written_again_the_bytes_are_equal(path, tmp_path):
    write(tmp_path / "schedule.gpkg")
    assert digest(tmp_path / "schedule.gpkg") == digest(path)


def test_other_rows_give_other_bytes(path, tmp_path):
    write(tmp_path / "schedule.gpkg", crs=CRS("EPSG:32618").to_wkt())
    assert digest(tmp_path / "schedule.gpkg") != digest(path)


@pytest.mark.parametrize("crs", ["EPSG:2263", "EPSG:4326", 'LOCAL_CS["site grid",UNIT["metre",1]]'])
def test_other_crs(tmp_path, crs):
    write(tmp_path / "schedule.gpkg", crs=CRS(crs).to_wkt() if crs.startswith("EPSG") else crs)
    with fiona.open(tmp_path / "schedule.gpkg", layer="schedule") as layer:
        assert len(layer) == N


def test_a_wrong_count_is_an_error(tmp_path):
    counts = write(tmp_path / "schedule.gpkg", style=False)
    with pytest.raises(OutputError, match=f"table reasons holds {N} rows, {N + 1} were computed"):
        finish(tmp_path / "schedule.gpkg", {**counts, "reasons": N + 1})


def test_an_error_of_the_rows_arrives_unchanged(tmp_path):
    def rows():
        yield batch(schedule_schema(SOURCE)).slice(0, 2)
        raise OutputError("2 of 7 structures came back")

    with pytest.raises(OutputError, match="2 of 7 structures came back"):
        write_layer(tmp_path / "schedule.gpkg", rows(), schedule_schema(SOURCE), UTM)


def test_a_folder_that_is_not_there_is_an_output_error(tmp_path):
    schema = table_schema(RUN)
    with pytest.raises(OutputError, match="run"):
        write_table(tmp_path / "no" / "run.gpkg", "run", iter([batch(schema)]), schema)


def test_empty_tables_keep_their_columns(tmp_path):
    path = tmp_path / "schedule.gpkg"
    schema = schedule_schema(SOURCE)
    write_layer(path, iter([batch(schema)]), schema, UTM)
    write_table(path, "reasons", iter([]), table_schema(REASONS))
    finish(path, {"schedule": N, "reasons": 0})
    with closing(sqlite3.connect(path)) as database:
        found = [row[1] for row in database.execute("PRAGMA table_info(reasons)")]
    assert found == ["fid", *(column.name for column in REASONS)]


def test_the_layer_has_the_name_that_the_style_speaks_of():
    assert SCHEDULE_STYLE.layer == "schedule" in TABLES
