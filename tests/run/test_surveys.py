"""Survey points with breaklines as the road of a whole job.

Truth: closed forms of the road; scipy's Delaunay triangulation and linear interpolation as the twin without breaklines.
Which shots are busts is known, since they were made so.
"""

from __future__ import annotations

import json
from itertools import pairwise
from pathlib import Path
from typing import Any

import geopandas
import numpy as np
import pytest
from scipy.interpolate import LinearNDInterpolator
from shapely.geometry import LineString, Point

from geoadjust.core.rules import SurfaceTable
from geoadjust.errors import InputError
from geoadjust.io.tin.shots import read_shots
from geoadjust.io.tin.tins import describe_tin
from geoadjust.io.tin.triangulate import triangulate
from geoadjust.run.check import check_job

EAST, NORTH = 500_000.0, 4_500_000.0
COVERS = [(0.0, 0.0), (7.3, -4.1), (-9.2, 5.5), (3.3, 11.7), (-12.4, -10.6)]
ORDER = ("point", "northing", "easting", "elevation", "description")
SCALE = 0.9996
"""Of lengths on the map at the central meridian of UTM (Snyder, PP 1395)."""


def crown(e: Any, n: Any) -> Any:
    """2.5 % to both sides of east = 0, rising 1 % to the north."""
    return 100 - 0.025 * np.abs(e) + 0.01 * n


def plane(e: Any, n: Any) -> Any:
    return 100 + 0.03 * e - 0.02 * n


def write_shots(path: Path, places: Any, z: Any, codes: Any = "ground", header: str = "") -> Path:
    """Places (n, 2) about the site's centre, numbered from 1."""
    codes = np.broadcast_to(codes, len(places))
    rows = [
        f"{i},{NORTH + n!r},{EAST + e!r},{float(z(e, n))!r},{code}"
        for i, ((e, n), code) in enumerate(zip(places.tolist(), codes.tolist(), strict=True), start=1)
    ]
    path.write_text("\n".join([header] * bool(header) + rows) + "\n")
    return path


def cross_sections() -> Any:
    """Shots every 6 m along three lines of the street: both edges and the crown, as a crew takes them."""
    along = np.arange(-24.0, 24.1, 6)
    return np.array([(e, n) for n in along for e in (-20.0, 0.0, 20.0)])


def make(site: Any, path: Path) -> Any:
    layer = [Point(EAST + e, NORTH + n) for e, n in COVERS]
    site.structures({"id": [f"c{i}" for i in range(5)], "casting_height": ["200 mm"] * 5}, layer)
    site.flags |= {("surface", "path"): str(path), ("surface", "crs"): "EPSG:32617", ("surface", "vertical_unit"): "m"}
    return site


def faults(site: Any, *settings: str) -> dict[str, str]:
    with pytest.raises(InputError) as caught:
        check_job(site.job(*settings))
    return {fault.where: str(fault) for fault in caught.value.faults}


def test_plane_in_closed_form(site: Any) -> None:
    random = np.random.default_rng(3).uniform(-22, 22, (300, 2))
    rows = make(site, write_shots(site.folder / "shots.csv", random, plane)).run()
    for row, (east, north) in zip(rows, COVERS, strict=True):
        assert row["existing_m"] == pytest.approx(plane(east, north), abs=1e-6)
        assert row["slope_pct"] == pytest.approx(100 * SCALE * np.hypot(0.03, 0.02), rel=1e-5)


@pytest.mark.parametrize("kind", ["lines", "pairs"])
def test_breaklines_keep_the_crown(site: Any, kind: str) -> None:
    """Shots of the crown 16 m apart, edges between: without its breakline the triangles cut the crown off."""
    places = np.array([(e, n) for n in (-24.0, -8.0, 8.0, 24.0) for e in (-3.0, 3.0)])
    ridge = np.array([(0.0, n) for n in (-32.0, -16.0 + 1e-3, 16.0, 32.0)])
    path = write_shots(site.folder / "shots.csv", np.vstack([places, ridge]), crown)
    first = len(places) + 1
    if kind == "pairs":
        lines = site.folder / "pairs.csv"
        lines.write_text("from,to\n" + "".join(f"{first + i},{first + i + 1}\n" for i in range(3)))
    else:
        lines = site.folder / "lines.gpkg"
        line = LineString([(EAST + e, NORTH + n, crown(e, n)) for e, n in ridge])
        geopandas.GeoDataFrame({"a": [1]}, geometry=[line], crs="EPSG:32617").to_file(lines)
    make(site, path)
    site.flags |= {("surface", "longest_side"): "60 m"}
    site.structures({"id": ["c"], "casting_height": ["200 mm"]}, [Point(EAST, NORTH)])
    row = site.run(f"surface.breaklines='{lines}'")[0]
    # mean of -g |r sin a| over the rim: -2 g r / pi, with the example catalogue's flange of 660 mm
    assert row["finished_m"] == pytest.approx(100 - 2 * 0.025 * SCALE * 0.330 / np.pi, abs=2e-5)
    assert row["road_shape"] == "break"
    cut_off = site.run(overwrite=True)[0]
    assert cut_off["finished_m"] < row["finished_m"] - 0.02
    text = "\n".join(check_job(site.job(f"surface.breaklines='{lines}'")).lines)
    assert "3 pieces of breaklines" in text


def test_codes_choose_the_ground(site: Any) -> None:
    """Hydrants a metre above the road are no road; what was taken is told and stands in the record."""
    ground = np.random.default_rng(3).uniform(-22, 22, (200, 2))
    above = np.random.default_rng(4).uniform(-22, 22, (40, 2))
    path = site.folder / "shots.csv"
    rows = write_shots(path, ground, plane, "EP left").read_text()
    high = write_shots(path, above, lambda e, n: plane(e, n) + 1, "hyd").read_text().splitlines()
    path.write_text("Pt,N,E,Z,Desc\n" + rows + "".join(f"h{line}\n" for line in high))
    make(site, path)
    assert "EP 200, HYD 40" in faults(site, "surface.codes=['CL']")["surface.codes"]
    found = site.run("surface.codes=['ep']")
    assert found[0]["existing_m"] == pytest.approx(100.0, abs=1e-6)
    assert any("200 of 240 shots are taken" in line for line in check_job(site.job("surface.codes=['ep']")).lines)
    record = json.loads((site.folder / "out" / "run.json").read_text())
    assert record["sources"]["surfaces"][0]["surface"].startswith("survey points by pythoncdt 2")


def test_another_order_of_columns(site: Any) -> None:
    path = site.folder / "shots.csv"
    places = np.random.default_rng(3).uniform(-22, 22, (100, 2)).tolist()
    path.write_text("".join(f"y;{EAST + e!r};{NORTH + n!r};x;{plane(e, n)!r}\n" for e, n in places))
    rows = make(site, path).run("surface.order=['skip', 'easting', 'northing', 'skip', 'elevation']")
    assert rows[0]["existing_m"] == pytest.approx(100.0, abs=1e-6)


def test_a_wide_gap_is_a_hole(site: Any) -> None:
    """No shot within 8 m of cover 1: triangles across have sides above 10 m, which the job takes for a hole."""
    places = np.random.default_rng(3).uniform(-22, 22, (600, 2))
    places = places[np.hypot(*(places - COVERS[1]).T) > 8]
    make(site, write_shots(site.folder / "shots.csv", places, plane))
    assert [row["existing_m"] is None for row in site.run()] == [False] * 5
    rows = site.run("surface.longest_side='7 m'", overwrite=True)
    assert [row["existing_m"] is None for row in rows] == [False, True, False, False, False]


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("1,2,3,4,a\n2,2,x,4,a\n", "line 2"),
        ("1,2,3,4,a\n1,3,3,4,a\n2,9,9,1,a\n", "point 1 twice"),
        ("1,2,3,4,a\n2,3,3,4,a\n", "2 places make no triangle"),
        ("Pt,N,E,Z,D\n", "no shot"),
        ("1,2,3\n", "lacks a number for elevation"),
    ],
)
def test_files_that_are_refused(site: Any, text: str, told: str) -> None:
    path = site.folder / "shots.csv"
    path.write_text(text)
    assert told in faults(make(site, path))["surface.path"]


def test_lines_that_cross_are_told_with_their_place(site: Any) -> None:
    places = np.array([(-10.0, -10.0), (10.0, 10.0), (-10.0, 10.0), (10.0, -10.0)])
    path = write_shots(site.folder / "shots.csv", places, plane)
    (site.folder / "pairs.csv").write_text("1,2\n3,4\n")
    told = faults(make(site, path), f"surface.breaklines='{site.folder / 'pairs.csv'}'")["surface.breaklines"]
    assert f"{EAST:.2f} east, {NORTH:.2f} north" in told
    (site.folder / "pairs.csv").write_text("1,2\n3,77\n")
    told = faults(site, f"surface.breaklines='{site.folder / 'pairs.csv'}'")["surface.breaklines"]
    assert "line 2" in told
    (site.folder / "pairs.csv").write_text("3,77\n1,2\n")  # no header: it has digits
    told = faults(site, f"surface.breaklines='{site.folder / 'pairs.csv'}'")["surface.breaklines"]
    assert "line 1" in told


def test_lines_over_one_another_and_through_a_shot(tmp_path: Path) -> None:
    """Collinear lines that overlap, and a shot in the middle of one: every piece is a side of a triangle."""
    points = np.array([[0.0, 0, 0], [3, 0, 1], [1, 0, 2], [2, 0, 3], [1, 2, 0], [2, -2, 0]])
    found = triangulate(points, np.array([[0, 3], [2, 1]]), 0.0, where="path", path="shots.csv").mesh.faces
    sides = {tuple(sorted(pair)) for a, b, c in found.tolist() for pair in ((a, b), (b, c), (c, a))}
    assert {(0, 2), (2, 3), (1, 3)} <= sides


@pytest.mark.parametrize("order", ["['northing', 'easting']", "['easting', 'northing', 'skip', 'skip']"])
def test_an_order_without_the_three_numbers_is_told(site: Any, order: str) -> None:
    make(site, write_shots(site.folder / "shots.csv", cross_sections(), plane))
    assert "elevation" in faults(site, f"surface.order={order}")["surface.order"]


def test_breaklines_without_heights_are_refused(site: Any) -> None:
    path = write_shots(site.folder / "shots.csv", np.random.default_rng(3).uniform(-22, 22, (30, 2)), plane)
    line = LineString([(EAST, NORTH), (EAST + 5, NORTH)])
    geopandas.GeoDataFrame({"a": [1]}, geometry=[line], crs="EPSG:32617").to_file(site.folder / "lines.gpkg")
    told = faults(make(site, path), f"surface.breaklines='{site.folder / 'lines.gpkg'}'")
    assert "2 of 2 vertices have no height" in told["surface.breaklines"]


def test_crs_and_unit_must_be_stated(site: Any) -> None:
    make(site, write_shots(site.folder / "shots.csv", cross_sections(), plane))
    del site.flags[("surface", "crs")]
    del site.flags[("surface", "vertical_unit")]
    assert set(faults(site)) == {"surface.crs", "surface.vertical_unit"}


def test_without_lines_it_is_the_twin(tmp_path: Path) -> None:
    """Heights between random points: scipy's Delaunay triangles and linear interpolation on them."""
    random = np.random.default_rng(11)
    points = np.column_stack([random.uniform(0, 50, (400, 2)), random.normal(0, 1, 400)])
    mesh = triangulate(points, np.zeros((0, 2), dtype=np.int64), 0.0, where="path", path="shots.csv").mesh
    assert np.array_equal(mesh.vertices, points)
    asked = random.uniform(5, 45, (500, 2))
    corners = mesh.vertices[mesh.faces]
    found = np.full(len(asked), np.nan)
    for a, b, c in corners:
        inverse = np.linalg.inv(np.stack([b[:2] - a[:2], c[:2] - a[:2]], axis=1))
        u, v = inverse @ (asked - a[:2]).T
        inside = (u >= 0) & (v >= 0) & (u + v <= 1)
        found[inside] = (a[2] + u * (b[2] - a[2]) + v * (c[2] - a[2]))[inside]
    assert found == pytest.approx(LinearNDInterpolator(points[:, :2], points[:, 2])(asked), abs=1e-9)


def test_points_at_one_place_count_once() -> None:
    points = np.array([[0.0, 0, 1], [4, 0, 1], [0, 4, 1], [4, 0, 9]])
    found = triangulate(points, np.array([[3, 2], [1, 3]]), 0.0, where="path", path="shots.csv")
    assert found.same_place == 1
    assert found.mesh.vertices.tolist() == points[:3].tolist()
    assert sorted(found.mesh.faces[0].tolist()) == [0, 1, 2]


def test_blank_lines_comments_and_quotes(tmp_path: Path) -> None:
    path = tmp_path / "shots.csv"
    path.write_text('# survey of day 3\n\n"7","1.5","2.5","3.5","GS, edge"\r\n8,1,2,3\n')
    shots = read_shots(str(path), ORDER, where="path")
    assert shots.number.tolist() == ["7", "8"]
    assert shots.code.tolist() == ["GS,", ""]
    assert shots.place.tolist() == [[2.5, 1.5, 3.5], [2.0, 1.0, 3.0]]


def test_changed_breaklines_change_the_fingerprint(tmp_path: Path) -> None:
    path = write_shots(tmp_path / "shots.csv", cross_sections(), plane)
    marks = []
    for pair in ("1,2\n", "1,4\n"):
        (tmp_path / "pairs.csv").write_text(pair)
        table = SurfaceTable(str(path), crs="EPSG:32617", vertical_unit="m", breaklines=str(tmp_path / "pairs.csv"))
        marks.append(describe_tin(table, where="surface").fingerprint)
    assert len(set(marks)) == 2


def told(site: Any, *settings: str) -> str:
    """All that a check says."""
    report = check_job(site.job(*settings))
    return "\n".join((*report.lines, *report.notices))


def busted(site: Any, *, pairs: bool) -> None:
    """A plane, shot every 2 m, with a breakline along north = 0 on which one shot is 1 m too high, and another bust."""
    places = np.array([(e, n) for n in np.arange(-20.0, 21, 2) for e in np.arange(-20.0, 21, 2)])
    wrong = {(2.0, 0.0): 1.0, (6.0, -6.0): -0.5}

    def z(e: float, n: float) -> float:
        return float(plane(e, n)) + wrong.get((e, n), 0.0)

    make(site, write_shots(site.folder / "shots.csv", places, z))
    line = [index for index, (_, n) in enumerate(places.tolist()) if n == 0]
    if pairs:
        path = site.folder / "pairs.csv"
        path.write_text("".join(f"{i + 1},{j + 1}\n" for i, j in pairwise(line)))
    else:
        path = site.folder / "lines.gpkg"
        shape = LineString([(EAST + e, NORTH + n, z(e, n)) for e, n in places[line].tolist()])
        geopandas.GeoDataFrame({"a": [1]}, geometry=[shape], crs="EPSG:32617").to_file(path)
    site.flags[("surface", "breaklines")] = str(path)


@pytest.mark.parametrize("pairs", [True, False])
def test_busts_are_told_and_left_out(site: Any, pairs: bool) -> None:
    """A breakline is broken where a shot of it is left out, whether it is named by number or lies there itself."""
    busted(site, pairs=pairs)
    report = told(site)
    assert "2 shots may be busts and are kept" in report
    assert f"point 222 about 1.00 m above its neighbours at {EAST + 2:.2f} east, {NORTH:.2f} north" in report
    assert "point 161 about 0.50 m below its neighbours" in report
    assert "of 441 points" in report
    rows = site.run("surface.busts='leave_out'")
    findings = json.loads((site.folder / "out" / "run.json").read_text())["findings"]
    assert any("2 shots may be busts and are left out" in text for text in findings)
    for row, (east, north) in zip(rows, COVERS, strict=True):
        assert row["existing_m"] == pytest.approx(plane(east, north), abs=1e-6)
    report = told(site, "surface.busts='leave_out'")
    assert "2 shots may be busts and are left out" in report
    assert "of 439 points" in report
    assert "2 pieces of breaklines that end in a shot that is left out are left out too" in report
    assert "may be busts" not in told(site, "surface.bust_limit='1.2 m'")


def test_a_vertex_that_was_mended_stays(site: Any) -> None:
    """A breakline whose vertex lies where a bust does, but at the right height, is kept."""
    busted(site, pairs=True)
    line = LineString([(EAST + e, NORTH, plane(e, 0)) for e in np.arange(-20.0, 21, 2)])
    geopandas.GeoDataFrame({"a": [1]}, geometry=[line], crs="EPSG:32617").to_file(site.folder / "lines.gpkg")
    site.flags[("surface", "breaklines")] = str(site.folder / "lines.gpkg")
    report = told(site, "surface.busts='leave_out'")
    assert "20 pieces of breaklines are sides of triangles" in report
    assert "left out too" not in report


def test_busts_in_feet(site: Any) -> None:
    """The limit is a length, whatever the unit of the file; what is told is in the file's."""
    places = np.array([(e, n) for n in np.arange(-20.0, 21, 2) for e in np.arange(-20.0, 21, 2)])
    make(site, write_shots(site.folder / "shots.csv", places, lambda e, n: plane(e, n) + 0.6 * ((e, n) == (4.0, 4.0))))
    site.flags[("surface", "vertical_unit")] = "ft"
    assert "may be busts" not in told(site)
    report = told(site, "surface.bust_limit='0.5 ft'")
    assert "about 0.60 ft above" in report


@pytest.mark.parametrize("name", ["shots.gpkg", "shots.shp"])
def test_a_layer_of_points_is_a_road(site: Any, name: str) -> None:
    """The same figures as from the same shots as text."""
    places = np.random.default_rng(3).uniform(-22, 22, (300, 2))
    text = make(site, write_shots(site.folder / "shots.csv", places, crown)).run()
    points = [Point(EAST + e, NORTH + n, crown(e, n)) for e, n in places]
    geopandas.GeoDataFrame({"a": range(300)}, geometry=points, crs="EPSG:32617").to_file(site.folder / name)
    site.flags[("surface", "path")] = str(site.folder / name)
    del site.flags[("surface", "crs")]
    layer = site.run(overwrite=True)
    assert [row["existing_m"] for row in layer] == [row["existing_m"] for row in text]
    assert "300 of 300 shots are taken" in told(site)


def test_a_layer_in_degrees_is_a_road(site: Any) -> None:
    """GeoJSON in longitude and latitude; seven digits of a degree are 1 cm, so the height of a slope moves by 1 mm."""
    places = np.random.default_rng(3).uniform(-22, 22, (300, 2))
    points = [Point(EAST + e, NORTH + n, plane(e, n)) for e, n in places]
    frame = geopandas.GeoDataFrame({"a": range(300)}, geometry=points, crs="EPSG:32617").to_crs(4326)
    make(site, site.folder / "shots.geojson")
    frame.to_file(site.folder / "shots.geojson")
    del site.flags[("surface", "crs")]
    for row, (east, north) in zip(site.run(), COVERS, strict=True):
        assert row["existing_m"] == pytest.approx(plane(east, north), abs=1e-3)


def test_shots_of_other_codes_may_lack_a_number(site: Any) -> None:
    path = write_shots(site.folder / "shots.csv", np.random.default_rng(3).uniform(-22, 22, (50, 2)), plane, "GS")
    path.write_text(path.read_text() + "51,1,2,,TREE\n52,1,,3,MH\n50,1,2,3,TREE\n53,1,2\n")
    told = faults(make(site, path), "surface.codes=['GS']")["surface.path"]
    assert "line 54" in told  # nobody can tell what it is
    path.write_text(path.read_text().replace("53,1,2\n", ""))
    assert "2 further shots, of other codes, lack a coordinate" in "\n".join(
        check_job(site.job("surface.codes=['GS']")).lines
    )
    path.write_text(path.read_text().replace("50,1,2,3,TREE\n", ""))
    assert "lacks a number for easting" in faults(site)["surface.path"]
