"""Paving areas: closed forms, a twin in exact fractions that walks round every ring, other CRSs, and refusals."""

from __future__ import annotations

import json
import math
import sqlite3
import struct
from fractions import Fraction
from itertools import pairwise

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from pyproj import CRS, Geod

from geoadjust.core.columns import concat, equal, take
from geoadjust.core.rules import FinishedTable
from geoadjust.errors import InputError
from geoadjust.io.coordinates.georeference import Georeference
from geoadjust.io.lines.areas import PavingAreas, read_areas

UTM = CRS("EPSG:32617")
LONLAT = CRS("EPSG:4326")
FEET = CRS("EPSG:2263")
NAN = float("nan")


def areas_of(*polygons, mill=None, overlay=None):
    blank = [NAN] * len(polygons)
    return PavingAreas(np.array(polygons, dtype=object), np.array(mill or blank), np.array(overlay or blank))


def ask(areas, points, frame=None):
    """What the areas say of points; ground metres are map units where no frame is given."""
    points = np.atleast_2d(np.asarray(points, dtype=float))
    frames = np.broadcast_to(np.eye(2) if frame is None else frame, (len(points), 2, 2)).copy()
    return areas.find(points[:, 0].copy(), points[:, 1].copy(), frames)


def frames(crs, east, north):
    return Georeference(crs, crs, where="structures.crs").jacobians(np.asarray(east), np.asarray(north))


def polygon(*rings):
    return {"type": "Polygon", "coordinates": [[*ring, ring[0]] for ring in rings]}


def square(west, south, side=10.0):
    return polygon([[west, south], [west + side, south], [west + side, south + side], [west, south + side]])


def geojson(path, *geometries, cells=None, crs="urn:ogc:def:crs:EPSG::32617"):
    """A layer of areas; `cells` is a list of dictionaries, one for each feature."""
    cells = cells or [{} for _ in geometries]
    features = [
        {"type": "Feature", "properties": cell, "geometry": geometry}
        for cell, geometry in zip(cells, geometries, strict=True)
    ]
    layer = {"type": "FeatureCollection", "features": features}
    if crs:
        layer["crs"] = {"type": "name", "properties": {"name": crs}}
    path.write_text(json.dumps(layer))
    return str(path)


def write(path, geometries, crs="EPSG:32617", columns=None, **options):
    import geopandas

    columns = columns or {"name": ["a"] * len(geometries)}
    geopandas.GeoDataFrame(columns, geometry=geometries, crs=crs).to_file(path, **options)
    return str(path)


def read(path, target=UTM, unit="", **table):
    return read_areas(FinishedTable(areas=str(path), **table), target, dimension_unit=unit)


def faults_of(path, target=UTM, unit="", **table):
    with pytest.raises(InputError) as caught:
        read(path, target, unit, **table)
    return [str(fault) for fault in caught.value.faults]


def fault_of(*arguments, **more):
    (fault,) = faults_of(*arguments, **more)
    return fault


# ---------------------------------------------------------------- inside, edge, count


def test_a_square_in_closed_form():
    found = ask(
        areas_of(shapely.box(0, 0, 30, 20), mill=[0.04], overlay=[0.05]),
        [[15, 5], [-3, 25], [15, 10], [15.0, -10.0], [15, -10.001], [300, 300]],
    )
    assert found.inside.tolist() == [True, False, True, False, False, False]
    assert found.count.tolist() == [1, 0, 1, 0, 0, 0]
    assert_allclose(found.mill, [0.04, NAN, 0.04, NAN, NAN, NAN])
    assert_allclose(found.overlay, [0.05, NAN, 0.05, NAN, NAN, NAN])
    assert_allclose(found.edge, [5, math.hypot(3, 5), 10, 10, NAN, NAN])


@pytest.mark.parametrize("off", [0.0, 5e-7, -5e-7])
def test_on_an_edge_or_a_corner_is_inside(off):
    points = [[off, 7], [30 - off, 7], [12, off], [12, 20 - off], [off / 2, off / 2]]
    found = ask(areas_of(shapely.box(0, 0, 30, 20)), points)
    assert found.inside.all()
    assert (found.count == 1).all()
    assert_allclose(found.edge, 0, atol=1e-6)


def test_a_little_off_an_edge_is_outside():
    assert not ask(areas_of(shapely.box(0, 0, 30, 20)), [[-2e-6, 7], [12, 20 + 2e-6]]).inside.any()


def test_on_a_slanting_edge_that_no_number_hits():
    # thirds are no binary fractions: rounding puts these places to either side of the edge
    places = [[0.1 + share * 0.7, 0.3 + share * 0.1] for share in np.linspace(0, 1, 50)]
    assert ask(areas_of(shapely.Polygon([(0.1, 0.3), (0.8, 0.4), (0.3, 0.9)])), places).inside.all()


def test_a_hole_is_outside_and_has_an_edge():
    ring = shapely.box(0, 0, 40, 40).difference(shapely.box(10, 10, 30, 30))
    found = ask(areas_of(ring), [[20, 13], [20, 10], [20, 7], [20, 20.5]])
    assert found.inside.tolist() == [False, True, True, False]
    assert_allclose(found.edge, [3, 0, 3, 9.5])


def test_of_areas_that_overlap_the_first_in_the_file_decides():
    first, second = shapely.box(0, 0, 20, 20), shapely.box(10, 0, 30, 20)
    points = [[5, 10], [15, 10], [25, 10]]
    found = ask(areas_of(first, second, mill=[0.04, 0.06], overlay=[NAN, 0.05]), points)
    assert found.count.tolist() == [1, 2, 1]
    assert_allclose(found.mill, [0.04, 0.04, 0.06])
    assert_allclose(found.overlay, [NAN, NAN, 0.05])  # what the first one leaves open is not taken from the second
    assert_allclose(found.edge, [5, 5, 5])
    other = ask(areas_of(second, first, mill=[0.06, 0.04]), points)
    assert_allclose(other.mill, [0.04, 0.06, 0.06])
    assert other.count.tolist() == [1, 2, 1]


def test_neighbours_share_an_edge_that_belongs_to_both():
    found = ask(areas_of(shapely.box(0, 0, 20, 20), shapely.box(20, 0, 40, 20), mill=[0.04, 0.06]), [[20, 10], [22, 9]])
    assert found.count.tolist() == [2, 1]
    assert_allclose(found.mill, [0.04, 0.06])
    assert_allclose(found.edge, [0, 2])


def test_a_multipolygon_is_one_area():
    both = shapely.MultiPolygon([shapely.box(0, 0, 20, 20), shapely.box(30, 0, 50, 20)])
    found = ask(areas_of(both, mill=[0.03]), [[19, 10], [25, 10], [31, 10]])
    assert len(areas_of(both)) == 1
    assert found.count.tolist() == [1, 0, 1]
    assert_allclose(found.edge, [1, 5, 1])
    behind = areas_of(both, shapely.box(60, 0, 80, 20), mill=[0.03, 0.05])
    assert_allclose(ask(behind, [[50 + 5e-7, 10], [60 - 5e-7, 10]]).mill, [0.03, 0.05])


def test_places_and_frames_without_a_value():
    east, north = np.array([NAN, 5.0, 5.0, np.inf]), np.array([5.0, 5.0, NAN, 5.0])
    turns = np.tile(np.eye(2), (4, 1, 1))
    turns[1] = NAN
    found = areas_of(shapely.box(0, 0, 9, 9), mill=[0.04]).find(east, north, turns)
    assert found.inside.tolist() == [False, True, False, False]
    assert found.count.tolist() == [0, 1, 0, 0]
    assert_allclose(found.mill, [NAN, 0.04, NAN, NAN])
    assert np.isnan(found.edge).all()


def test_no_places():
    assert len(ask(areas_of(shapely.box(0, 0, 1, 1)), np.zeros((0, 2)))) == 0


def test_shapes_must_agree():
    with pytest.raises(ValueError, match="shapes"):
        areas_of(shapely.box(0, 0, 1, 1)).find(np.zeros(2), np.zeros(2), np.eye(2)[None])


# ---------------------------------------------------------------- twin, other coordinates, splitting


def twin(polygons, point):
    """Areas that hold the point, in exact fractions, and the distance of the nearest edge, ring by ring."""
    east, north = (Fraction(value) for value in point)
    held, nearest = [], math.inf
    for number, shape in enumerate(polygons):
        crossings, on = 0, False
        for ring in shape:
            for (ax, ay), (bx, by) in pairwise([*ring, ring[0]]):
                ax, ay, bx, by = (Fraction(value) for value in (ax, ay, bx, by))
                cross = (bx - ax) * (north - ay) - (by - ay) * (east - ax)
                between = (east - ax) * (east - bx) + (north - ay) * (north - by) <= 0
                on |= cross == 0 and between
                if (ay > north) != (by > north):
                    crossings += (cross > 0) == (by > ay)
                share = ((east - ax) * (bx - ax) + (north - ay) * (by - ay)) / ((bx - ax) ** 2 + (by - ay) ** 2)
                share = min(max(share, 0), 1)
                nearest = min(nearest, math.hypot(ax + share * (bx - ax) - east, ay + share * (by - ay) - north))
        if on or crossings % 2:
            held.append(number)
    return held, nearest if nearest <= 10 + 1e-6 else NAN


NUMBER = st.integers(-24, 24).map(lambda number: number / 2)
SPOT = st.tuples(NUMBER, NUMBER)


@st.composite
def shapes(draw):
    """A triangle or a block, sometimes with a hole, as rings."""
    corner, (wide, tall) = draw(SPOT), draw(st.tuples(st.integers(2, 30), st.integers(2, 30)))
    west, south = corner
    if draw(st.booleans()):
        return [[(west, south), (west + wide, south + draw(NUMBER)), (west, south + tall)]]
    block = [[(west, south), (west + wide, south), (west + wide, south + tall), (west, south + tall)]]
    if draw(st.booleans()):
        inner = (
            (west + wide / 4, south + tall / 4),
            (west + wide / 2, south + tall / 4),
            (west + wide / 4, south + tall / 2),
        )
        block.append(list(inner))
    return block


@settings(max_examples=300, deadline=None)
@given(st.lists(shapes(), min_size=1, max_size=5), st.lists(SPOT, min_size=1, max_size=6))
def test_agrees_with_exact_fractions(outlines, points):
    depths = [0.01 * (number + 1) for number in range(len(outlines))]
    areas = areas_of(*(shapely.Polygon(shape[0], shape[1:]) for shape in outlines), mill=depths)
    found = ask(areas, points)
    expected = [twin(outlines, point) for point in points]
    assert found.count.tolist() == [len(held) for held, _ in expected]
    assert found.inside.tolist() == [bool(held) for held, _ in expected]
    assert_allclose(found.mill, [depths[held[0]] if held else NAN for held, _ in expected])
    assert_allclose(found.edge, [edge for _, edge in expected], atol=1e-9)


@settings(max_examples=100, deadline=None)
@given(
    st.lists(shapes(), min_size=1, max_size=4), SPOT, st.floats(0, 6), st.floats(0.2, 5), st.booleans(), st.booleans()
)
def test_map_coordinates_with_another_scale_and_direction_give_the_same(outlines, point, turn, scale, mirrored, on):
    rotation = np.array([[math.cos(turn), -math.sin(turn)], [math.sin(turn), math.cos(turn)]])
    frame = rotation @ np.diag([-scale if mirrored else scale, 1.0])
    point = outlines[0][0][1] if on else point  # rounding must not put a corner outside
    mapped = [[(frame @ np.array(ring).T).T for ring in shape] for shape in outlines]
    areas = areas_of(*(shapely.Polygon(shape[0], shape[1:]) for shape in mapped))
    found = ask(areas, frame @ np.array(point), frame)
    held, edge = twin(outlines, point)
    assert found.count.tolist() == [len(held)]
    assert_allclose(found.edge, edge, atol=1e-9)


def test_results_do_not_depend_on_how_places_are_split():
    generator = np.random.default_rng(7)
    corners = generator.uniform(5e5, 500_900, (80, 2))
    areas = areas_of(*(shapely.box(*corner, *(corner + 60)) for corner in corners), mill=list(np.arange(80) / 1000))
    points = generator.uniform(5e5, 501_000, (5000, 2))
    whole = ask(areas, points)
    assert {0, 1, 2} <= set(whole.count.tolist())
    assert 0 < np.isnan(whole.edge).sum() < len(points)
    assert equal(whole, concat([ask(areas, part) for part in np.array_split(points, 37)]))
    order = generator.permutation(len(points))
    assert equal(take(whole, order), ask(areas, points[order]))


@pytest.mark.parametrize("azimuth", [0.0, 77.0, 200.0])
def test_metres_on_the_ellipsoid_where_places_are_in_degrees(azimuth):
    # 6 m off the middle of an edge of 40 m, inside and outside; a geodesic bows 0.05 mm off the straight edge there
    geod = Geod(ellps="WGS84")
    lon, lat = 20.0, 60.0
    left = geod.fwd(lon, lat, azimuth - 90, 20.0)[:2]
    right = geod.fwd(lon, lat, azimuth + 90, 20.0)[:2]
    far = [geod.fwd(*corner, azimuth, 80.0)[:2] for corner in (right, left)]
    areas = areas_of(shapely.Polygon([left, right, *far]))
    places = np.array([geod.fwd(lon, lat, azimuth + turn, 6.0)[:2] for turn in (0, 180)])
    found = areas.find(*places.T, frames(LONLAT, *places.T))
    assert found.inside.tolist() == [True, False]
    assert_allclose(found.edge, 6.0, atol=1e-4)


def test_metres_where_the_crs_is_in_feet():
    east, north = 1e6 + np.array([10.0, 32.0, 33.0]), np.full(3, 200_050.0)
    found = areas_of(shapely.box(999_900, 2e5, 1e6, 200_100)).find(east, north, frames(FEET, east, north))
    assert_allclose(found.edge, [10 * 1200 / 3937, 32 * 1200 / 3937, NAN], rtol=1e-4)


# ---------------------------------------------------------------- read


@pytest.mark.parametrize("ending", [".gpkg", ".geojson", ".shp"])
def test_reads_areas_of_every_format(tmp_path, ending):
    boxes = [
        shapely.box(5e5, 0, 500_020, 20),
        shapely.box(500_020, 0, 500_040, 20),
        shapely.box(500_040, 0, 500_060, 20),
    ]
    columns = {"MILL": [40.0, NAN, 0.0], "Overlay": ["1 1/2 in", "", "50 mm"]}
    path = write(tmp_path / f"areas{ending}", boxes, columns=columns)
    areas = read(path, unit="mm")
    assert (len(areas), areas.left_out) == (3, 0)
    found = ask(areas, [[500_010, 10], [500_030, 10], [500_050, 10], [500_070, 10]])
    assert_allclose(found.mill, [0.04, NAN, 0.0, NAN])
    assert_allclose(found.overlay, [0.0381, NAN, 0.05, NAN])
    assert found.inside.tolist() == [True, True, True, False]


@pytest.mark.parametrize(("unit", "metres"), [("mm", 0.002), ("in", 0.0508), ("m", 2.0), ("ft", 0.6096)])
def test_bare_numbers_are_in_the_dimension_unit(tmp_path, unit, metres):
    path = geojson(tmp_path / "a.geojson", square(0, 0), square(20, 0), cells=[{"mill": 2}, {"mill": 1}])
    if metres > 0.6:
        assert "column mill" in fault_of(path, unit=unit)
        return
    assert_allclose(ask(read(path, unit=unit), [5, 5]).mill, metres)


@pytest.mark.parametrize("cells", [[{"mill": 40}], [{"mill": "40"}], [{"MILL": "1 1/2"}], [{"overlay": 0.5}]])
def test_bare_numbers_without_a_unit_are_a_fault(tmp_path, cells):
    message = fault_of(geojson(tmp_path / "a.geojson", square(0, 0), cells=cells))
    assert message.startswith("structures.dimension_unit: missing, and column ")
    assert "numbers without a unit (allowed: mm, m, in, ft)" in message


def test_units_in_every_cell_need_no_dimension_unit(tmp_path):
    cells = [{"mill": "40 mm", "overlay": None}, {"mill": "", "overlay": "2 in"}]
    areas = read(geojson(tmp_path / "a.geojson", square(0, 0), square(20, 0), cells=cells))
    found = ask(areas, [[5, 5], [25, 5]])
    assert_allclose(found.mill, [0.04, NAN])
    assert_allclose(found.overlay, [NAN, 0.0508])


def test_a_layer_without_our_columns_states_nothing(tmp_path):
    found = ask(read(geojson(tmp_path / "a.geojson", square(0, 0), cells=[{"milling": 40}])), [5, 5])
    assert found.inside.all()
    assert np.isnan([*found.mill, *found.overlay]).all()


def test_cells_that_cannot_be_used_are_named_with_their_feature(tmp_path):
    cells = [{"mill": "40 mm"}, {"mill": "deep"}, {"mill": "4 m"}, {"mill": ""}, {"mill": "-1 in"}]
    path = geojson(tmp_path / "a.geojson", *(square(20 * place, 0) for place in range(5)), cells=cells)
    message = fault_of(path)
    assert message.startswith("finished.areas: column mill of ")
    assert "feature 2 says 'deep', feature 3 says '4 m', feature 5 says '-1 in'" in message
    assert "(allowed: a length from 0 to 600 mm, or blank)" in message
    assert "feature 1" not in message
    assert "feature 4" not in message


def test_many_bad_cells_are_counted(tmp_path):
    cells = [{"overlay": "?"}] * 9
    message = fault_of(geojson(tmp_path / "a.geojson", *(square(20 * place, 0) for place in range(9)), cells=cells))
    assert "feature 5 says '?' and 4 more" in message
    assert "feature 6" not in message


def test_a_column_that_is_there_twice(tmp_path):
    path = geojson(tmp_path / "a.geojson", square(0, 0), cells=[{"Mill": "1 in", "MILL": "2 in"}])
    assert "several columns mill: Mill and MILL" in fault_of(path)


def test_all_faults_at_once(tmp_path):
    bow = polygon([[0, 0], [10, 10], [10, 0], [0, 10]])
    path = geojson(tmp_path / "a.geojson", bow, square(30, 0), cells=[{"mill": "x"}, {"overlay": 3}])
    messages = faults_of(path, crs="EPSG:32618")
    assert len(messages) == 4
    for word in ("WGS 84 / UTM zone 18N", "feature 1 (Self-intersection", "feature 1 says 'x'", "dimension_unit"):
        assert any(word in message for message in messages), word


# ---------------------------------------------------------------- shapes that cannot be used


def test_a_bow_tie_is_a_fault_that_names_it_and_where_it_crosses(tmp_path):
    bow = polygon([[0, 0], [10, 10], [10, 0], [0, 10]])
    message = fault_of(geojson(tmp_path / "a.geojson", square(30, 0), bow))
    assert "feature 2 (Self-intersection at 5 5)" in message
    assert "feature 1" not in message


@pytest.mark.parametrize(
    "rings",
    [
        [[[0, 0], [10, 0], [10, 10], [0, 10]], [[20, 20], [21, 20], [21, 21]]],  # a hole outside
        [[[0, 0], [10, 0], [5, 0]]],  # no area
        [[[0, 0], [10, 0], [1e400, 10]]],  # no number
    ],
)
def test_other_polygons_that_are_not_valid(tmp_path, rings):
    assert "not valid: feature 1 (" in fault_of(geojson(tmp_path / "a.geojson", polygon(*rings)))


@pytest.mark.parametrize(
    ("ring", "why"),
    [([[0, 0], [10, 0], [0, 0]], "Too few points"), ([[0, 0], [0, 0]], "a ring is open or has too few")],
)
def test_a_ring_of_too_few_points_is_a_fault(tmp_path, ring, why):
    torn = {"type": "Polygon", "coordinates": [ring]}
    assert f"feature 2 ({why}" in fault_of(geojson(tmp_path / "a.geojson", square(30, 0), torn))


def test_null_and_empty_geometries_are_counted(tmp_path):
    empty = {"type": "Polygon", "coordinates": []}
    path = geojson(tmp_path / "a.geojson", None, empty, square(0, 0), cells=[{"mill": f"{k} in"} for k in (1, 2, 3)])
    areas = read(path)
    assert (len(areas), areas.left_out) == (1, 2)
    assert_allclose(ask(areas, [5, 5]).mill, 0.0762)


@pytest.mark.parametrize("geometries", [(), (None, None)])
def test_a_layer_of_nothing(tmp_path, geometries):
    assert "holds no polygon" in fault_of(geojson(tmp_path / "a.geojson", *geometries))


@pytest.mark.parametrize("geometry", [shapely.Point(0, 0), shapely.LineString([(0, 0), (9, 9)])])
def test_other_layers_are_refused(tmp_path, geometry):
    path = write(tmp_path / "a.gpkg", [geometry, geometry])
    assert f"holds 2 {geometry.geom_type} (allowed: Polygon, MultiPolygon)" in fault_of(path)


def test_points_among_the_areas_are_refused(tmp_path):
    path = geojson(tmp_path / "a.geojson", square(0, 0), {"type": "Point", "coordinates": [0, 0]})
    assert "holds 1 Point" in fault_of(path)


def test_arcs_are_refused(tmp_path):
    path = write(tmp_path / "a.gpkg", [shapely.box(0, 0, 9, 9)] * 2, SPATIAL_INDEX="NO")
    ring = b"\x01" + struct.pack("<II10d", 8, 5, 0, 0, 1, 1, 2, 0, 1, -1, 0, 0)
    arc = b"\x01" + struct.pack("<II", 10, 1) + ring
    with sqlite3.connect(path) as database:
        database.execute("UPDATE a SET geom = ? WHERE fid = 1", (b"GP\0\1" + struct.pack("<i", 32617) + arc,))
    database.close()
    message = fault_of(path)
    assert "holds 1 CurvePolygon" in message
    assert "arcs" in message


# ---------------------------------------------------------------- CRS and layer


def test_areas_are_carried_to_the_crs_of_the_structures(tmp_path):
    # corners by the geodesic: 100 m about 81 W, 40 N, which is on the central meridian of zone 17
    geod = Geod(ellps="WGS84")
    corners = [geod.fwd(-81.0, 40.0, azimuth, 100.0)[:2] for azimuth in (0, 90, 180, 270)]
    path = geojson(tmp_path / "a.geojson", polygon(corners), crs=None)
    east, north = (values[0] for values in Georeference(LONLAT, UTM, where="x").to_target(*np.array([[-81.0], [40.0]])))
    # a square on its point: across its sides the edge is 100 / sqrt(2) off; 7 m inside of the north corner
    places = np.array([[east, north + 93 * 0.9996], [east, north + 104 * 0.9996], [east, north]])
    found = read(path).find(*places.T, frames(UTM, *places.T))
    assert found.inside.tolist() == [True, False, True]
    assert_allclose(found.edge, [7 / math.sqrt(2), 4, NAN], atol=1e-3)


def test_a_hole_that_touches_a_long_edge_stays_usable(tmp_path):
    # the hole's corner lies on the south edge, a parallel; carried, the edge is a chord and the corner lies outside it
    outer = [[-81.01, 40.0], [-81.0, 40.0], [-81.0, 40.01], [-81.01, 40.01]]
    hole = [[-81.005, 40.0], [-81.004, 40.003], [-81.006, 40.003]]
    areas = read(geojson(tmp_path / "a.geojson", polygon(outer, hole), crs=None))
    reference = Georeference(LONLAT, UTM, where="x")
    places = np.stack(reference.to_target(np.array([-81.005, -81.005, -81.009]), np.array([40.002, 40.004, 40.006])))
    assert areas.find(*places, frames(UTM, *places)).inside.tolist() == [False, True, True]


def test_no_crs_is_refused_unless_the_job_states_it(tmp_path):
    path = write(tmp_path / "a.shp", [shapely.box(0, 0, 9, 9)])
    (tmp_path / "a.prj").unlink()
    message = fault_of(path)
    assert message.startswith("finished.crs: ")
    assert 'write crs = "EPSG:' in message
    assert len(read(path, crs="EPSG:32617")) == 1


def test_contradiction_of_job_and_file(tmp_path):
    path = write(tmp_path / "a.gpkg", [shapely.box(0, 0, 9, 9)])
    assert "WGS 84 / UTM zone 18N" in fault_of(path, crs="EPSG:32618")
    assert len(read(path, crs="EPSG:32617")) == 1


def test_metres_taken_for_degrees_are_refused_with_the_first_point(tmp_path):
    good = polygon([[-81, 40], [-80, 40], [-80, 41]])
    path = geojson(tmp_path / "a.geojson", None, good, square(5e5, 4.4e6), crs=None)
    for crs in (UTM, LONLAT):
        message = fault_of(path, crs)
        assert "feature 3 of " in message
        assert "the first point is east 500000, north 4400000" in message
        assert "'WGS 84'" in message


def test_an_area_across_the_antimeridian_does_not_go_round_the_globe(tmp_path):
    path = geojson(tmp_path / "a.geojson", polygon([[179.99, -17], [-179.99, -17], [-179.99, -16.99]]), crs=None)
    assert "cut areas at the antimeridian" in fault_of(path, LONLAT)
    zone = CRS("EPSG:32760")
    reference = Georeference(LONLAT, zone, where="x")
    places = np.stack(reference.to_target(np.array([-179.995, 0.0]), np.array([-16.998, -17.0])))
    assert read(path, zone).find(*places, np.tile(np.eye(2), (2, 1, 1))).inside.tolist() == [True, False]


def test_layer_is_named_where_there_are_several(tmp_path):
    write(tmp_path / "a.gpkg", [shapely.box(0, 0, 9, 9)], layer="phase 1")
    path = write(tmp_path / "a.gpkg", [shapely.box(0, 0, 9, 9)] * 2, layer="phase 2", mode="a")
    message = fault_of(path)
    assert "phase 1, phase 2" in message
    assert "areas_layer = " in message
    assert len(read(path, areas_layer="phase 2")) == 2


def test_a_missing_file_carries_the_job_key(tmp_path):
    assert fault_of(tmp_path / "none.gpkg").startswith("finished.areas: ")
    with pytest.raises(InputError, match=r"^finished\.1\.areas: "):
        read_areas(FinishedTable(areas=str(tmp_path / "none.gpkg")), UTM, dimension_unit="", where="finished.1")
