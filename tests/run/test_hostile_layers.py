"""Layers of strangers through a whole run: every row comes back, ids as they were written, nobody's columns lost."""

from __future__ import annotations

import csv
import json
import os
import sqlite3
import struct
import subprocess
import sys
from pathlib import Path
from typing import Any

import geopandas
import numpy as np
import pandas as pd
import pytest
import shapely
from shapely.geometry import GeometryCollection, LineString, MultiPoint, Point, Polygon

from tests.run.commands import run

EAST, NORTH = 500_000.0, 4_500_000.0
IDS = [
    "0012",
    "NA",
    "TRUE",
    "1e5",
    "9223372036854775808",
    "null",
    "-0",
    "1.0",
    " 7",
    "=1+1",
    "é\u0301",
    "\u202e12",
    "a,b",
]


def road(site: Any) -> Any:
    site.road(lambda e, n: 100 + 0.02 * e - 0.01 * n)
    site.flags |= {("structures", "vertical_unit"): "m", ("structures", "dimension_unit"): "mm"}
    return site


def spread(count: int) -> list[Point]:
    return [Point(EAST - 12 + 24 * i / max(1, count - 1), NORTH + (i % 3) * 4 - 4) for i in range(count)]


def write_layer(site: Any, ending: str, ids: list[str]) -> Path:
    """The ids as a text column of each format."""
    path = site.folder / f"covers.{ending}"
    frame = geopandas.GeoDataFrame({"id": ids}, geometry=spread(len(ids)), crs="EPSG:32617")
    if ending == "csv":
        with path.open("w", newline="", encoding="utf-8") as file:
            writer = csv.writer(file)
            writer.writerow(["id", "easting", "northing"])
            writer.writerows([name, point.x, point.y] for name, point in zip(ids, frame.geometry, strict=True))
        site.flags["structures", "crs"] = "EPSG:32617"
    elif ending == "geojson":
        frame.to_crs("EPSG:4326").to_file(path, driver="GeoJSON")
    elif ending == "shp":
        frame.to_file(path, encoding="utf-8")
    else:
        frame.to_file(path)
    site.flags["structures", "path"] = str(path)
    return path


@pytest.mark.parametrize("ending", ["gpkg", "geojson", "csv", "shp"])
def test_ids_stay_text_from_every_format_to_every_output(site: Any, ending: str) -> None:
    ids = [name for name in IDS if ending != "shp" or name.strip() == name]
    write_layer(road(site), ending, ids)
    rows = site.run()
    out = site.folder / "out"
    read = [name.strip() for name in ids]
    assert [row["structure_id"] for row in rows] == read
    with (out / "schedule.csv").open(encoding="utf-8", newline="") as file:
        assert [line["structure_id"].removeprefix("'") for line in csv.DictReader(file)] == read
    run("export", out, "--as", "geojson,points,xlsx", "--out", site.folder / "files")
    features = json.loads((site.folder / "files" / "schedule.geojson").read_text())["features"]
    assert [feature["properties"]["structure_id"] for feature in features] == read
    import openpyxl

    sheet = openpyxl.load_workbook(site.folder / "files" / "schedule.xlsx")["schedule"]
    column = [cell.value for cell in sheet[1]].index("structure id")
    cells = [row[column] for row in sheet.iter_rows(min_row=2)]
    assert [cell.value for cell in cells] == read
    assert {cell.data_type for cell in cells} <= {"s"}
    run("history", "add", site.folder / "h.jsonl", out)
    events = [json.loads(line) for line in (site.folder / "h.jsonl").read_text(encoding="utf-8").splitlines()]
    assert [event["structure"] for event in events] == read


GEOMETRIES: dict[str, Any] = {
    "point": Point(EAST, NORTH),
    "with z": Point(EAST + 1, NORTH, 99.0),
    "one part": MultiPoint([(EAST + 2, NORTH)]),
    "two parts": MultiPoint([(EAST + 3, NORTH), (EAST + 4, NORTH)]),
    "empty": Point(),
    "empty parts": MultiPoint(),
    "null": None,
    "nan": Point(np.nan, NORTH),
    "inf": Point(np.inf, NORTH),
    "far": Point(1e300, -1e300),
    "elsewhere": Point(0.0, 0.0),
}
PLACED = ("point", "with z", "one part")


@pytest.mark.filterwarnings("ignore::RuntimeWarning")  # shapely's own, when the fixture is made
def test_every_point_comes_back_and_only_usable_places_are_computed(site: Any) -> None:
    road(site).structures({"id": list(GEOMETRIES)}, list(GEOMETRIES.values()))
    rows = {row["structure_id"]: row for row in site.run()}
    assert list(rows) == list(GEOMETRIES)
    for name, row in rows.items():
        assert (row["existing_m"] is not None) == (name in PLACED), name
        flags = row["flags"].split()
        assert ("position_missing" in flags) == (name not in (*PLACED, "far", "elsewhere")), (name, flags)
        assert name in (*PLACED, *(each for each in rows if "position_missing" in flags or "no_surface" in flags))


@pytest.mark.parametrize(
    "odd",
    [LineString([(EAST, NORTH), (EAST + 1, NORTH)]), Polygon([(EAST, NORTH), (EAST + 1, NORTH), (EAST, NORTH + 1)])],
)
def test_a_layer_of_other_geometries_is_refused(site: Any, odd: Any) -> None:
    road(site).structures({"id": ["a"]}, [odd])
    text = run("schedule", "--structures", site.flags["structures", "path"], "--surface", site.flags["surface", "path"],
               "--vertical-unit", "m", "--out", site.folder / "out", code=3)  # fmt: skip
    assert "covers.gpkg" in text
    assert "point" in text.lower()


def test_other_geometries_among_points_are_rows_without_a_place(site: Any) -> None:
    line = LineString([(EAST, NORTH), (EAST + 1, NORTH)])
    mixed = [Point(EAST, NORTH), line, GeometryCollection([Point(EAST, NORTH), line])]
    path = site.folder / "covers.geojson"
    frame = geopandas.GeoDataFrame({"id": ["a", "b", "c"]}, geometry=mixed, crs="EPSG:32617").to_crs("EPSG:4326")
    frame.to_file(path, driver="GeoJSON")
    road(site).flags["structures", "path"] = str(path)
    rows = site.run()
    assert [row["structure_id"] for row in rows] == ["a", "b", "c"]
    assert ["position_missing" in row["flags"] for row in rows] == [False, True, True]


def test_points_with_m_are_points(site: Any) -> None:
    """GeoPackage points with a measure (WKB 2001 and 3001), written by hand: shapely knows no M."""
    road(site).structures({"id": ["m", "zm"]}, [Point(EAST, NORTH), Point(EAST + 2, NORTH)])
    database = sqlite3.connect(site.flags["structures", "path"])
    for (trigger,) in database.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
        database.execute(f'DROP TRIGGER "{trigger}"')
    for row, (kind, numbers) in enumerate([(2001, (EAST, NORTH, 7.0)), (3001, (EAST + 2, NORTH, 5.0, 7.0))], start=1):
        wkb = struct.pack(f"<BI{len(numbers)}d", 1, kind, *numbers)
        head = b"GP\x00\x01" + struct.pack("<i", 32617)
        database.execute("UPDATE covers SET geom = ? WHERE fid = ?", (head + wkb, row))
    database.execute("UPDATE gpkg_geometry_columns SET m = 2, z = 2")
    database.commit()
    database.close()
    rows = site.run()
    assert [row["existing_m"] for row in rows] == pytest.approx([100.0, 100.04], abs=1e-5)


def test_two_thousand_columns_and_some_named_like_ours(site: Any) -> None:
    road(site)
    table: dict[str, list[Any]] = {"id": ["a", "b"], "Method": ["theirs", "own"], "RAISE_MM": [1, 2], "fid_": [3, 4]}
    table |= {f"column {i}": [i, i + 1] for i in range(1900)}
    site.structures(table, spread(2))
    rows = site.run()
    assert [row["src_Method"] for row in rows] == ["theirs", "own"]
    assert [row["src_RAISE_MM"] for row in rows] == [1, 2]
    assert [row["column 1899"] for row in rows] == [1899, 1900]
    assert {row["method"] for row in rows} != {"theirs", "own"}


def test_a_text_of_a_megabyte(site: Any) -> None:
    long = "x" * 2**20
    road(site).structures({"id": [long, "b"], "note": [long, ""], "street": [long, "s"]}, spread(2))
    rows = site.run()
    assert rows[0]["structure_id"] == long
    assert rows[0]["street"] == long
    out = site.folder / "out"
    assert len(run("explain", out, "--row", "0")) < 2 * 2**20 + 200_000  # id and street, once each
    run("sheets", out, "--out", site.folder / "sheets")
    run("report", out, "--out", site.folder / "report")
    run("export", out, "--as", "xlsx,dxf,points,geojson", "--out", site.folder / "files")
    flags = ["--structures", site.flags["structures", "path"], "--surface", site.flags["surface", "path"]]
    mapped = f"structures.columns={{ rim = '{'y' * 10**5}' }}"
    text = run("schedule", *flags, "--set", mapped, "--out", out, "--overwrite", code=3)
    assert len(text) < 20_000


HOSTILE_LAYER = 'x"; DROP TABLE covers; --'


def test_a_layer_with_a_hostile_name_views_and_triggers(site: Any) -> None:
    road(site)
    path = site.folder / "covers.gpkg"
    frame = geopandas.GeoDataFrame({"id": ["a", "b"]}, geometry=spread(2), crs="EPSG:32617")
    frame.to_file(path, layer=HOSTILE_LAYER)
    database = sqlite3.connect(path)
    database.execute("CREATE VIEW v AS SELECT load_extension('/tmp/evil.so')")
    database.execute("CREATE TRIGGER t AFTER INSERT ON gpkg_contents BEGIN SELECT load_extension('x'); END")
    database.commit()
    database.close()
    before = path.read_bytes()
    site.flags["structures", "path"] = str(path)
    assert [row["structure_id"] for row in site.run()] == ["a", "b"]
    site.flags["structures", "layer"] = HOSTILE_LAYER
    assert [row["structure_id"] for row in site.run(overwrite=True)] == ["a", "b"]
    assert path.read_bytes() == before


ENVIRONMENTS = [
    {"TZ": "Asia/Kathmandu", "LC_ALL": "de_DE.UTF-8", "LANG": "de_DE.UTF-8"},
    {"TZ": "America/St_Johns", "LC_ALL": "C", "LANGUAGE": "tr", "PYTHONUTF8": "0"},
    {"TZ": "Pacific/Apia", "LC_ALL": "POSIX", "PYTHONIOENCODING": "ascii:strict", "PYTHONHASHSEED": "7"},
]


def test_clock_language_and_hash_seed_change_no_byte(site: Any) -> None:
    """A comma for the point, an I without its dot, another day: none of it may reach a figure."""
    write_layer(road(site), "gpkg", IDS)
    flags = ["--structures", site.flags["structures", "path"], "--surface", site.flags["surface", "path"]]
    flags += ["--vertical-unit", "m"]
    found = set()
    for number, environment in enumerate([{}, *ENVIRONMENTS]):
        out = site.folder / f"out{number}"
        words = [sys.executable, "-m", "geoadjust.cli", "schedule", *flags, "--out", str(out)]
        done = subprocess.run(words, env={**os.environ, **environment}, capture_output=True, check=False)
        assert done.returncode == 0, done.stderr
        found.add(tuple((out / name).read_bytes() for name in ("schedule.gpkg", "schedule.csv", "columns.csv")))
    assert len(found) == 1


def test_a_locale_with_a_decimal_comma_changes_nothing(site: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the system has no such locale, Python's own view of it is changed: whoever asked it would write a comma."""
    import locale

    write_layer(road(site), "csv", IDS)
    plain = site.run()
    comma = {**locale.localeconv(), "decimal_point": ",", "thousands_sep": "."}
    monkeypatch.setattr(locale, "localeconv", lambda: comma)
    monkeypatch.setattr(locale, "str", lambda value: f"{value}".replace(".", ","))
    assert site.run(overwrite=True) == plain


def test_coordinates_far_from_the_origin_lose_nothing(site: Any) -> None:
    """float32 has steps of 0.5 m at 4 500 000: a road of 10 % would be 50 mm off."""
    site.road(lambda e, n: 100 + 0.1 * n, centre=(EAST, NORTH + 0.123))
    site.structures({"id": ["a"]}, [Point(EAST, NORTH + 0.456)])
    (row,) = site.run()
    assert row["existing_m"] == pytest.approx(100 + 0.1 * (0.456 - 0.123), abs=1e-6)


def test_the_fixture_has_what_it_says() -> None:
    assert shapely.get_dimensions(GEOMETRIES["two parts"]) == 0
    assert len(set(IDS)) == len(IDS)
    assert pd.isna(GEOMETRIES["nan"].x)
