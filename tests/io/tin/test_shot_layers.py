"""Layers of points with heights as survey points.

Truth: the points that were written, by geopandas, and the same shots as a CSV.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import geopandas
import numpy as np
import pytest
from shapely.geometry import LineString, MultiPoint, Point, box

from geoadjust.core.rules import SurfaceTable
from geoadjust.errors import InputError
from geoadjust.io.coordinates.heights import datum_name
from geoadjust.io.tin.shot_layers import find_points, read_shot_layer
from geoadjust.io.tin.tins import TinFacts, describe_tin, is_tin

EAST, NORTH, UTM = 500_000.0, 4_500_000.0, "EPSG:32617"
FILES = ["shots.gpkg", "shots.geojson", "shots.shp"]


def plane(e: Any, n: Any) -> Any:
    return 100 + 0.03 * e - 0.02 * n


PLACES = np.random.default_rng(7).uniform(-20, 20, (60, 2))
POINTS = [Point(EAST + e, NORTH + n, plane(e, n)) for e, n in PLACES]


def write(path: Path, points: list[Any] = POINTS, crs: str | None = UTM, layer: str = "", **columns: Any) -> Path:
    frame = geopandas.GeoDataFrame(columns or {"a": range(len(points))}, geometry=points, crs=crs)
    frame.to_file(path, **({"layer": layer} if layer else {}))
    return path


def look(path: Path, **settings: Any) -> TinFacts:
    return describe_tin(SurfaceTable(str(path), **{"vertical_unit": "m", **settings}), where="surface")


def faults(path: Path, **settings: Any) -> dict[str, str]:
    with pytest.raises(InputError) as caught:
        look(path, **settings)
    return {fault.where: str(fault) for fault in caught.value.faults}


def height_at(facts: TinFacts, east: float, north: float) -> float:
    """By barycentric coordinates of every triangle."""
    corners = facts.index.mesh.vertices[facts.index.mesh.faces]
    a, b, c = corners[:, 0], corners[:, 1], corners[:, 2]
    matrix = np.stack([(b - a)[:, :2], (c - a)[:, :2]], axis=2)
    u, v = np.linalg.solve(matrix, (np.array([east, north]) - a[:, :2])[:, :, None])[:, :, 0].T
    inside = np.flatnonzero((u >= 0) & (v >= 0) & (u + v <= 1))[0]
    return float((a + u[:, None] * (b - a) + v[:, None] * (c - a))[inside, 2])


@pytest.mark.parametrize("name", FILES)
def test_a_layer_is_the_csv(tmp_path: Path, name: str) -> None:
    """The same triangles and heights as from a text file of the same shots."""
    lines = [f"{i},{point.y!r},{point.x!r},{point.z!r}" for i, point in enumerate(POINTS)]
    (tmp_path / "shots.csv").write_text("\n".join(lines) + "\n")
    text = look(tmp_path / "shots.csv", crs=UTM)
    path = write(tmp_path / name)
    assert is_tin(str(path))
    layer = look(path, vertical_unit="m")
    assert layer.index.mesh.vertices == pytest.approx(text.index.mesh.vertices, abs=1e-6)
    assert {frozenset(face) for face in layer.index.mesh.faces.tolist()} == {
        frozenset(face) for face in text.index.mesh.faces.tolist()
    }
    assert layer.fingerprint != text.fingerprint


def test_longitude_and_latitude(tmp_path: Path) -> None:
    """Distances in degrees are those on the ground: a quarter of the points lies less than 0.1 m from another."""
    close = [Point(point.x + 0.05, point.y + 0.05, point.z) for point in POINTS[:20]]
    frame = geopandas.GeoDataFrame({"a": range(80)}, geometry=[*POINTS, *close], crs=UTM).to_crs(4326)
    frame.to_file(tmp_path / "shots.gpkg")
    facts = look(tmp_path / "shots.gpkg", longest_side=12.0)
    assert len(facts.index.mesh.vertices) == 80
    assert not any("where another one does" in note for note in facts.notes)
    ground = geopandas.GeoSeries([Point(x, y) for x, y, _ in facts.index.mesh.vertices], crs=4326).to_crs(UTM)
    flat = np.array([(point.x, point.y) for point in ground])[facts.index.mesh.faces]
    sides = np.hypot(*(flat - np.roll(flat, 1, axis=1)).transpose(2, 0, 1))
    assert 11 < sides.max() < 12.05


@pytest.mark.parametrize(
    ("crs", "unit", "datum"),
    [("EPSG:32617+5703", "m", "North American Vertical Datum 1988"), ("EPSG:6346+6360", "us-ft", "")],
)
def test_a_compound_crs_says_the_unit(tmp_path: Path, crs: str, unit: str, datum: str) -> None:
    facts = look(write(tmp_path / "shots.gpkg", crs=crs), vertical_unit="")
    assert facts.vertical_unit == unit
    assert datum in (datum_name(facts.vertical_datum) if datum else "")
    factor = {"m": 1.0, "us-ft": 1200 / 3937}[unit]
    assert height_at(facts, EAST, NORTH) == pytest.approx(100 * factor, abs=1e-6)
    told = faults(tmp_path / "shots.gpkg", vertical_unit="ft")
    assert "the job says ft" in told["surface.vertical_unit"]


def test_the_crs_of_file_and_job(tmp_path: Path) -> None:
    assert "EPSG:32618" not in look(write(tmp_path / "shots.gpkg")).crs
    assert "the job says" in faults(tmp_path / "shots.gpkg", crs="EPSG:32618")["surface.crs"]
    write(tmp_path / "none.shp")
    (tmp_path / "none.prj").unlink()
    assert "states no CRS" in faults(tmp_path / "none.shp")["surface.crs"]
    assert look(tmp_path / "none.shp", crs=UTM).mesh.vertices == 60
    assert set(faults(tmp_path / "none.shp", vertical_unit="")) == {"surface.crs", "surface.vertical_unit"}


@pytest.mark.parametrize("field", ["code", "CODE", "Description", "desc"])
def test_codes_stand_in_a_field(tmp_path: Path, field: str) -> None:
    """Hydrants a metre above the plane are no road; they may lack a height."""
    high = [Point(p.x + 0.3, p.y, p.z + 1) for p in POINTS[:9]] + [Point(EAST, NORTH)]
    columns = {"remark": ["x"] * 70, field: ["ep left"] * 60 + ["HYD"] * 10}
    path = write(tmp_path / "shots.gpkg", [*POINTS, *high], **columns)
    facts = look(path, codes=("EP",))
    assert height_at(facts, EAST, NORTH) == pytest.approx(100, abs=1e-6)
    assert "60 of 69 shots are taken; codes: EP 60, HYD 9" in facts.notes
    assert "EP 60, HYD 9" in faults(path, codes=("CL",))["surface.codes"]
    assert "1 of 70 points have no height (Z)" in faults(path)["surface.path"]


def test_code_beats_description(tmp_path: Path) -> None:
    path = write(tmp_path / "shots.gpkg", desc=["XX"] * 60, Code=["EP"] * 60)
    assert look(path, codes=("EP",)).mesh.vertices == 60


def test_codes_without_a_field_are_told(tmp_path: Path) -> None:
    path = write(tmp_path / "shots.gpkg", feature=["EP"] * 60, height=[1.0] * 60)
    told = faults(path, codes=("EP",))["surface.codes"]
    assert "no field of codes" in told
    assert "feature, height" in told
    assert "code, description, desc" in told


@pytest.mark.parametrize("numbers", [list(range(60)), [float(i) for i in range(60)], [str(i) for i in range(60)]])
def test_pairs_name_points_by_their_field(tmp_path: Path, numbers: list[Any]) -> None:
    """A side between two points that triangles would not join by themselves."""
    order = np.argsort(PLACES[:, 1])
    south, north = int(order[0]), int(order[-1])
    (tmp_path / "pairs.csv").write_text(f"from,to\n{south},{north}\n")
    path = write(tmp_path / "shots.gpkg", Point=numbers)
    facts = look(path, breaklines=str(tmp_path / "pairs.csv"), longest_side=100.0)
    sides = {frozenset(pair) for a, b, c in facts.index.mesh.faces.tolist() for pair in ((a, b), (b, c), (c, a))}
    assert frozenset((south, north)) in sides
    assert "1 pieces of breaklines are sides of triangles" in facts.notes


def test_pairs_need_numbers_that_differ(tmp_path: Path) -> None:
    (tmp_path / "pairs.csv").write_text("1,2\n")
    lines = str(tmp_path / "pairs.csv")
    without = write(tmp_path / "without.gpkg", name=["1"] * 60)
    assert "no field of point numbers" in faults(without, breaklines=lines)["surface.breaklines"]
    twice = write(tmp_path / "twice.gpkg", PT=[1, 1, *range(2, 60)])
    assert "point 1 twice" in faults(twice, breaklines=lines)["surface.path"]
    assert look(twice).mesh.vertices == 60  # nobody asks for numbers


def test_breaklines_as_a_layer_of_the_same_file(tmp_path: Path) -> None:
    """One layer of points and one of lines need no name."""
    write(tmp_path / "topo.gpkg", layer="shots")
    line = LineString([(EAST - 15, NORTH, plane(-15, 0)), (EAST + 15, NORTH, plane(15, 0))])
    write(tmp_path / "topo.gpkg", [line], layer="lines")
    assert is_tin(str(tmp_path / "topo.gpkg"))
    assert look(tmp_path / "topo.gpkg").mesh.vertices == 60
    facts = look(tmp_path / "topo.gpkg", breaklines=str(tmp_path / "topo.gpkg"))
    assert facts.mesh.vertices == 62
    write(tmp_path / "topo.gpkg", [line], layer="kerbs")
    told = faults(tmp_path / "topo.gpkg", breaklines=str(tmp_path / "topo.gpkg"))["surface.breaklines"]
    assert "lines, kerbs" in told


def test_several_layers_of_points(tmp_path: Path) -> None:
    path = write(tmp_path / "topo.gpkg", layer="day 1")
    write(path, POINTS[:30], layer="day 2")
    assert is_tin(str(path))
    told = faults(path)["surface.path"]
    assert "several layers of Point" in told
    assert "day 1, day 2" in told
    assert look(path, layer="day 2").mesh.vertices == 30
    assert "no layer 'day 3'" in faults(path, layer="day 3")["surface.path"]


def test_parts_and_gaps(tmp_path: Path) -> None:
    one = [MultiPoint([point]) for point in POINTS]
    assert look(write(tmp_path / "one.gpkg", one)).mesh.vertices == 60
    some = [None, MultiPoint(POINTS[:2]), *POINTS[2:50], *(Point(p.x, p.y, np.nan) for p in POINTS[50:])]
    with pytest.raises(InputError) as caught:
        look(write(tmp_path / "some.gpkg", some))
    told = [str(fault) for fault in caught.value.faults]
    assert "2 of 60 points have no geometry, or several points in one" in told[0]
    assert "10 of 60 points have no height (Z)" in told[1]


def test_other_geometries(tmp_path: Path) -> None:
    """Polygons are an index of tiles, never survey points; a layer of mixed things is refused as points."""
    areas = [box(EAST + i, NORTH, EAST + i + 1, NORTH + 1) for i in range(3)]
    assert not is_tin(str(write(tmp_path / "index.gpkg", areas, location=["a.tif", "b.tif", "c.tif"])))
    mixed = write(tmp_path / "mixed.geojson", [*POINTS, *areas])
    assert is_tin(str(mixed))
    assert "3 Polygon" in faults(mixed)["surface.path"]
    located = write(tmp_path / "located.geojson", [*POINTS[:1], *areas], location=["a.tif"] * 4)
    assert not is_tin(str(located))


def test_hostile_files_are_no_survey(tmp_path: Path) -> None:
    """What cannot be opened is left to the next door, which tells why; the door of points is guarded too."""
    (tmp_path / "text.gpkg").write_text("no database")
    (tmp_path / "cut.gpkg").write_bytes(write(tmp_path / "shots.gpkg").read_bytes()[:5000])
    names = [str(tmp_path / name) for name in ("text.gpkg", "cut.gpkg", "missing.shp")]
    for name in [*names, "https://example.org/shots.gpkg", "/vsicurl/https://example.org/shots.geojson"]:
        assert not is_tin(name)
        with pytest.raises(InputError):
            find_points(name, "", where="surface.path")


def test_an_empty_layer_is_told(tmp_path: Path) -> None:
    path = tmp_path / "empty.gpkg"
    geopandas.GeoDataFrame({"a": [1]}, geometry=POINTS[:1], crs=UTM).iloc[:0].to_file(path, geometry_type="Point Z")
    with pytest.raises(InputError, match="has no points"):
        read_shot_layer(find_points(str(path), "", where="surface.path"), where="surface")
