"""Stake-out points read by the csv module and by geoadjust's own reader of survey points. Truth: the GeoPackage by
sqlite3, pyproj for the ground, numpy's least squares for the plane."""

from __future__ import annotations

import csv
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from pyproj import CRS, Geod, Transformer

from geoadjust.io.exports.frame import frame_of
from geoadjust.io.exports.points import PointCounts, PointOptions, is_points, write_points
from geoadjust.io.results.people import FORMULA_STARTS
from geoadjust.io.results.whole import open_set
from geoadjust.io.tin.shots import has_code, read_shots
from tests.io.exports.conftest import EAST, NORTH, make_covers, read_table

ORDER = ("point", "northing", "easting", "elevation", "description")
METRES = {"m": 1.0, "ft": 0.3048, "us-ft": 1200 / 3937}


def export(folder: Path, path: Path, unit: str = "", **options: Any) -> PointCounts:
    with open_set(folder) as whole:
        return write_points(whole, frame_of(whole, unit), path, PointOptions(**options))


def lines_of(path: Path) -> list[list[str]]:
    with open(path, encoding="utf-8", newline="") as file:
        return list(csv.reader(file, strict=True))


def records_of(path: Path) -> dict[int, list[str]]:
    return {int(line[0]): line for line in lines_of(path)[1:]}


def test_centres_are_the_stored_targets(demo: Path, tmp_path: Path) -> None:
    counts = export(demo, tmp_path / "p.csv")
    schedule = read_table(demo, "schedule")
    with open(demo / "schedule.csv", encoding="utf-8", newline="") as file:
        places = [(row["northing"], row["easting"]) for row in csv.DictReader(file)]
    found = records_of(tmp_path / "p.csv")
    assert lines_of(tmp_path / "p.csv")[0] == ["point", "northing_m", "easting_m", "elevation_ft", "description"]
    for row, (north, east) in zip(schedule, places, strict=True):
        point = found.pop(1000 + 10 * row["row"], None)
        untouched = row["method"] in ("monument", "other_owner", "not_paved")
        assert (point is None) == (untouched or not north or row["target_rim_m"] is None)
        if point:
            assert float(point[1]) == pytest.approx(float(north), abs=6e-4)
            assert float(point[2]) == pytest.approx(float(east), abs=6e-4)
            assert float(point[3]) * 0.3048 == pytest.approx(row["target_rim_m"], abs=2e-5)
            assert point[4].startswith(f"TARGET {row['structure_id'] or 'row'} ")
            assert f" - {row['method']} - ready: {row['ready']}" in point[4]
            assert "cut" not in point[4]
    assert found == {}
    assert counts.structures == counts.points == 46
    assert dict(counts.absent) == {"position": 1, "target": 3, "monument": 1, "other_owner": 1, "not_paved": 1}


def test_descriptions_say_what_is_done(demo: Path, tmp_path: Path) -> None:
    export(demo, tmp_path / "p.csv")
    found = records_of(tmp_path / "p.csv")
    assert found[1000][4] == "TARGET SS-101 manhole - Raise 1/4 in - rings - ready: measure"
    assert found[1030][4] == "TARGET SS-104 manhole - keep - ready: order"
    assert found[1440][4] == "TARGET SS-144 manhole - Lower 1/2 in - rings - ready: measure"
    assert found[1080][4].startswith("TARGET row 8 manhole")


@pytest.mark.parametrize("stations", [4, 8])
@pytest.mark.parametrize("unit", ["m", "ft", "us-ft"])
def test_stations_read_back_give_the_target_plane(demo: Path, tmp_path: Path, stations: int, unit: str) -> None:
    """A plane by least squares through the shots of each structure, as geoadjust reads them, in metres on the map."""
    path = tmp_path / "p.csv"
    export(demo, path, unit, stations=stations)
    shots = read_shots(str(path), ORDER, where="surface.path", codes=("EDGE",))
    shots = shots.take(has_code(shots.code, ("EDGE",)))
    place = shots.place.copy()
    place[:, 2] *= METRES[unit]
    row = (np.array([int(number) for number in shots.number]) - 1000) // 10
    schedule, models = read_table(demo, "schedule"), read_table(demo, "models")
    centres = {int(line[0]): line for line in lines_of(path)[1:]}
    for each in np.unique(row).tolist():
        points = place[row == each]
        assert len(points) == stations
        centre = [float(centres[1000 + 10 * each][column]) for column in (2, 1)]
        offsets = points[:, :2] - centre
        (height, east, north), *_ = np.linalg.lstsq(np.c_[np.ones(stations), offsets], points[:, 2], rcond=None)
        assert height == pytest.approx(schedule[each]["target_rim_m"], abs=1e-4)
        small = np.abs(offsets).max() < 0.2
        assert east == pytest.approx(models[each]["rims_target_slope_east"], abs=1.5e-3 if small else 5e-4)
        assert north == pytest.approx(models[each]["rims_target_slope_north"], abs=1.5e-3 if small else 5e-4)


def test_stations_begin_at_the_mark_and_go_clockwise(hostile: Path, tmp_path: Path) -> None:
    """Axis 30 degrees, frame 660 mm; UTM's 0.9996 between ground and map."""
    export(hostile, tmp_path / "p.csv", stations=8)
    found = records_of(tmp_path / "p.csv")
    east, north = (np.array([float(found[1000 + k][column]) for k in range(9)]) for column in (2, 1))
    azimuth = np.degrees(np.arctan2(east[1:] - east[0], north[1:] - north[0])) % 360
    assert azimuth == pytest.approx((30 + 45 * np.arange(8)) % 360, abs=0.03)
    radius = np.hypot(east[1:] - east[0], north[1:] - north[0])
    assert radius == pytest.approx(np.full(8, 0.33 * 0.9996), abs=1.5e-4)
    assert found[1003][4] == "EDGE 0012 - 3 of 8 clockwise from the mark"


def test_four_stations_of_a_rectangle_are_its_sides(demo: Path, tmp_path: Path) -> None:
    """The demo's inlets are rectangles along the street: mid-sides lie half a length and half a width away."""
    models = read_table(demo, "models")
    export(demo, tmp_path / "p.csv", stations=4)
    found = records_of(tmp_path / "p.csv")
    width, length = (models[6][f"structures_frame_top_{name}"] for name in ("diameter", "length"))
    centre = np.array(found[1060][1:3], dtype=float)
    away = [np.hypot(*(np.array(found[1061 + k][1:3], dtype=float) - centre)) for k in range(4)]
    scale = 0.9996
    assert away == pytest.approx([scale * side / 2 for side in (length, width, length, width)], abs=5e-4)
    assert found[1062][4] == "EDGE SD-107 - 2 of 4 clockwise from the side at its direction"


def test_places_in_degrees_hold_on_the_ground(tmp_path: Path, demo: Path) -> None:
    """Of structures in degrees, northing is the latitude; stations lie 0.33 m away by geodesics."""
    import geopandas
    from shapely.geometry import Point

    from tests.run.conftest import Site

    site = Site(tmp_path)
    site.road(lambda e, n: 100 + 0.03 * e - 0.02 * n)
    lon, lat = Transformer.from_crs("EPSG:32617", "EPSG:4326", always_xy=True).transform(EAST, NORTH)
    table = {"id": ["a"], "frame_top_diameter": ["660 mm"], "gap": [0.0]}
    layer = geopandas.GeoDataFrame(table, geometry=[Point(lon, lat)], crs="EPSG:4326")
    layer.to_file(tmp_path / "covers.gpkg")
    site.flags |= {("structures", "path"): str(tmp_path / "covers.gpkg"), ("structures", "dimension_unit"): "mm"}
    site.run()
    export(tmp_path / "out", tmp_path / "p.csv", stations=4)
    lines = lines_of(tmp_path / "p.csv")
    assert lines[0][1:3] == ["northing_deg", "easting_deg"]
    found = np.array([line[1:3] for line in lines[1:]], dtype=float)
    assert found[0] == pytest.approx([lat, lon], abs=1e-9)
    geod: Geod = CRS("EPSG:4326").get_geod()
    *_, distance = geod.inv(np.full(4, lon), np.full(4, lat), found[1:, 1], found[1:, 0])
    assert distance == pytest.approx(np.full(4, 0.33), abs=2e-4)


# ---------------------------------------------------------------- the file


@pytest.mark.parametrize(
    "order",
    [
        ("point", "easting", "northing", "elevation", "description"),
        ("easting", "northing", "elevation", "description", "point"),
        ("point", "northing", "skip", "easting", "elevation", "skip", "description"),
        ("northing", "easting", "elevation"),
    ],
)
@pytest.mark.parametrize("header", [True, False])
def test_any_order_is_read_back(demo: Path, tmp_path: Path, order: tuple[str, ...], header: bool) -> None:
    export(demo, tmp_path / "a.csv", stations=4)
    export(demo, tmp_path / "b.csv", stations=4, order=order, header=header)
    usual = read_shots(str(tmp_path / "a.csv"), ORDER, where="surface.path")
    other = read_shots(str(tmp_path / "b.csv"), order, where="surface.path")
    np.testing.assert_array_equal(other.place, usual.place)
    if "point" in order:
        assert other.number.tolist() == usual.number.tolist()
    if "description" in order:
        assert other.code.tolist() == usual.code.tolist()
        assert set(usual.code) == {"TARGET", "EDGE"}


def test_lines_are_as_rfc_4180_asks(hostile: Path, tmp_path: Path) -> None:
    """CR LF after each line and nowhere else; all lines have one count of cells; quotes are doubled."""
    export(hostile, tmp_path / "p.csv", stations=4)
    data = (tmp_path / "p.csv").read_bytes().decode("utf-8")
    assert data.endswith("\r\n")
    assert re.sub("\r\n", "", data).count("\r") + re.sub("\r\n", "", data).count("\n") == 0
    assert {len(line) for line in lines_of(tmp_path / "p.csv")} == {5}
    assert '"TARGET a,b;""c"" manhole' in data
    assert data.count("\r\n") == 1 + 5 * len(read_table(hostile, "schedule"))


def test_names_come_out_and_none_is_a_formula(hostile: Path, tmp_path: Path) -> None:
    export(hostile, tmp_path / "p.csv", stations=4)
    pictures = str.maketrans({"\n": "␊", "\t": "␉", "\r": "␍", "\a": "␇"})
    found = records_of(tmp_path / "p.csv")
    for row in read_table(hostile, "schedule"):
        name = row["structure_id"].translate(pictures) or f"row {row['row']}"
        assert found[1000 + 10 * row["row"]][4].startswith(f"TARGET {name} manhole - ")
        assert found[1004 + 10 * row["row"]][4] == f"EDGE {name} - 4 of 4 clockwise from the mark"
    texts = [line[4] for line in found.values()]
    assert not [text for text in texts if re.match(FORMULA_STARTS, text)]


def test_numbers_are_whole_unique_and_stay_when_stations_come(demo: Path, tmp_path: Path) -> None:
    export(demo, tmp_path / "a.csv", first=500)
    export(demo, tmp_path / "b.csv", first=500, stations=8)
    few, many = ([line[0] for line in lines_of(tmp_path / name)[1:]] for name in ("a.csv", "b.csv"))
    assert len(set(many)) == len(many) == 9 * len(few)
    assert set(few) <= set(many)
    assert min(map(int, many)) == 500


def test_unit_is_that_of_the_structures(tmp_path: Path) -> None:
    """Stated for the structures, else by the road; a CRS with heights says it itself."""
    stated = make_covers(tmp_path, ["a"], "structures.vertical_unit='us-ft'")
    with open_set(stated) as whole:
        assert frame_of(whole).height_unit == "us-ft"
        assert frame_of(whole, "m").height_unit == "m"
    road = make_covers(tmp_path, ["a"], "output.units='us'", "output.path='" + str(tmp_path / "other") + "'")
    assert road
    with open_set(tmp_path / "other") as whole:
        assert (whole.units, frame_of(whole).height_unit) == ("us", "m")


@pytest.mark.parametrize(
    ("text", "ours"),
    [
        ("point,northing_m,easting_m,elevation_ft,description\r\n", True),
        ("northing_deg,easting_deg,elevation_m\r\n", True),
        ("1000,5.0,6.0,7.0,TARGET a\r\n", True),
        ("point,northing,easting,elevation,description\r\n", False),
        ("1,5.0,6.0,7.0,ep\r\n", False),
        ("", False),
        ("\xff", False),
    ],
)
def test_ours_is_known(tmp_path: Path, text: str, ours: bool) -> None:
    (tmp_path / "p.csv").write_bytes(text.encode("latin-1"))
    assert is_points(tmp_path / "p.csv") is ours
