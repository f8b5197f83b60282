"""Centrelines: closed forms, the same street in several CRSs, a naive twin that loops over all pieces, and refusals."""

from __future__ import annotations

import itertools
import json
import math
import sqlite3
import struct

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from pyproj import CRS, Geod

from geoadjust.core.columns import concat, equal, take
from geoadjust.core.rules import CentrelinesTable
from geoadjust.errors import InputError
from geoadjust.io.coordinates.georeference import Georeference
from geoadjust.io.lines.centrelines import Centrelines, read_centrelines

UTM = CRS("EPSG:32617")
LONLAT = CRS("EPSG:4326")
FEET = CRS("EPSG:2263")


def lines_of(*lines):
    vertices = np.concatenate([np.asarray(line, dtype=float)[:, :2] for line in lines])
    return Centrelines(vertices, np.repeat(np.arange(len(lines)), [len(line) for line in lines]))


def plain_axes(lines, points, limit=25.0):
    points = np.atleast_2d(np.asarray(points, dtype=float))
    frame = np.tile(np.eye(2), (len(points), 1, 1))
    return lines.axes(points[:, 0].copy(), points[:, 1].copy(), frame, limit=limit)


def frames(crs, east, north):
    return Georeference(crs, crs, where="structures.crs").jacobians(np.asarray(east), np.asarray(north))


def ring_of(radius, count=72):
    angles = np.linspace(0, 2 * math.pi, count + 1)
    return np.stack([radius * np.sin(angles), radius * np.cos(angles)], axis=1)


def heading(azimuth, length=100.0):
    return np.array([[0, 0], [length * math.sin(azimuth), length * math.cos(azimuth)]])


def geojson(path, *geometries, crs="urn:ogc:def:crs:EPSG::32617"):
    features = [{"type": "Feature", "properties": {}, "geometry": geometry} for geometry in geometries]
    layer = {"type": "FeatureCollection", "features": features}
    if crs:
        layer["crs"] = {"type": "name", "properties": {"name": crs}}
    path.write_text(json.dumps(layer))
    return str(path)


def write(path, geometries, crs="EPSG:32617", **options):
    import geopandas

    geopandas.GeoDataFrame({"name": ["a"] * len(geometries)}, geometry=geometries, crs=crs).to_file(path, **options)
    return str(path)


def fault_of(table, crs=UTM):
    with pytest.raises(InputError) as caught:
        read_centrelines(table, crs)
    return str(caught.value)


# ---------------------------------------------------------------- azimuth and distance


@pytest.mark.parametrize("degrees", [0, 1e-7, 10, 45, 90, 123.4, 180, 200, 270, 315, 359.9])
@pytest.mark.parametrize("offset", [0.0, 3.0, -20.0])
def test_straight_line_in_every_direction(degrees, offset):
    azimuth = math.radians(degrees)
    line = np.array([5e5, 4.4e6]) + heading(azimuth)
    point = line.mean(axis=0) + offset * np.array([math.cos(azimuth), -math.sin(azimuth)])
    axes = plain_axes(lines_of(line), point)
    assert_allclose(np.mod(axes.azimuth - azimuth + 1, 2 * math.pi), 1, atol=1e-9)
    assert_allclose(axes.distance, abs(offset), atol=1e-8)
    assert_allclose(axes.offset, offset, atol=1e-8)
    assert not axes.ambiguous[0]
    assert np.isnan(axes.difference[0])
    assert 0 <= axes.azimuth[0] < 2 * math.pi


def test_tiny_negative_direction_is_zero_not_a_whole_turn():
    axes = plain_axes(lines_of([[0, 0], [-1e-18, 10]]), [0, 5])
    assert axes.azimuth[0] == 0


@given(st.floats(0, 2 * math.pi), st.floats(-20, 20))
def test_reversed_digitising_adds_half_a_turn(azimuth, offset):
    line = heading(azimuth)
    point = line.mean(axis=0) + offset * np.array([math.cos(azimuth), -math.sin(azimuth)])
    ahead, back = (plain_axes(lines_of(way), point) for way in (line, line[::-1]))
    assert_allclose(abs(ahead.azimuth - back.azimuth), math.pi, atol=1e-9)
    assert_allclose(ahead.distance, back.distance, atol=1e-9)
    assert_allclose([ahead.offset[0], -back.offset[0]], offset, atol=1e-9)


def test_beyond_the_end_of_a_line_the_last_piece_counts():
    axes = plain_axes(lines_of([[0, 0], [50, 0], [100, 10]]), [110, 10])
    assert_allclose([axes.azimuth[0], axes.distance[0]], [math.atan2(50, 10), 10])


def test_limit_is_inclusive_and_beyond_it_there_is_nothing():
    axes = plain_axes(lines_of([[0, 0], [100, 0]]), [[50, 25], [50, 25.001], [126, 0]])
    assert_allclose(axes.azimuth, [math.pi / 2, np.nan, np.nan])
    assert_allclose(axes.distance, [25, np.nan, np.nan])
    assert not axes.ambiguous.any()


def test_equally_near_lines_the_first_in_the_file_wins():
    east, west = [[0, 0], [100, 0]], [[100, 0], [0, 0]]
    assert_allclose(plain_axes(lines_of(east, west), [50, 3]).azimuth, math.pi / 2)
    assert_allclose(plain_axes(lines_of(west, east), [50, 3]).azimuth, 3 * math.pi / 2)


def test_points_and_frames_without_a_value():
    frame = np.tile(np.eye(2), (4, 1, 1))
    frame[2], frame[3] = np.nan, [[1, 2], [2, 4]]
    axes = lines_of([[0, 0], [100, 0]]).axes(np.array([np.nan, 50, 50, 50]), np.zeros(4), frame, limit=25.0)
    assert_allclose(axes.azimuth, [np.nan, math.pi / 2, np.nan, np.nan])
    assert not axes.ambiguous.any()


def test_no_lines_and_no_points():
    nothing = Centrelines(np.zeros((0, 2)), np.zeros(0, dtype=np.int64))
    assert np.isnan(plain_axes(nothing, [0, 0]).distance).all()
    assert len(lines_of([[0, 0], [1, 0]]).axes(np.zeros(0), np.zeros(0), np.zeros((0, 2, 2)), limit=1.0)) == 0


@pytest.mark.parametrize("limit", [0.0, -1.0, math.nan, math.inf])
def test_limit_must_be_a_positive_number(limit):
    with pytest.raises(ValueError, match="limit"):
        plain_axes(lines_of([[0, 0], [1, 0]]), [0, 0], limit=limit)


def test_shapes_must_agree():
    with pytest.raises(ValueError, match="shapes"):
        lines_of([[0, 0], [1, 0]]).axes(np.zeros(2), np.zeros(2), np.eye(2)[None], limit=1.0)


# ---------------------------------------------------------------- side


def test_at_a_vertex_the_side_is_that_of_the_nearest_piece():
    # a street that bends 20 degrees to the right at the origin: outside of the bend both pieces have the place on the
    # left, inside of it on the right; the distance is that of the vertex, or of the nearer piece
    turn = math.radians(20)
    line = np.array([[0, -50], [0, 0], [50 * math.sin(turn), 50 * math.cos(turn)]])
    outside = 6 * np.array([-math.cos(turn / 2), math.sin(turn / 2)])
    axes = plain_axes(lines_of(line), [outside, -outside, [-4, -20], [4, -20]])
    assert_allclose(axes.offset, [-6, 6 * math.cos(turn / 2), -4, 4])
    assert_allclose(plain_axes(lines_of(line[::-1]), [outside, -outside]).offset, [6, -6 * math.cos(turn / 2)])


def test_past_an_end_the_last_piece_is_prolonged():
    axes = plain_axes(lines_of([[0, 0], [0, 50]]), [[3, 54], [-3, 54], [0, 55], [0, -5], [0, 20]])
    assert_allclose(axes.offset, [5, -5, 5, 5, 0])
    assert not np.signbit(axes.offset[4])


def test_of_equally_near_lines_the_first_says_which_side():
    east, west = [[0, 0], [100, 0]], [[100, 0], [0, 0]]
    assert_allclose(plain_axes(lines_of(east, west), [50, 3]).offset, -3)
    assert_allclose(plain_axes(lines_of(west, east), [50, 3]).offset, 3)
    assert_allclose(plain_axes(lines_of(east, [[0, 6], [100, 6]]), [[50, 3], [50, 3.01]]).offset, [-3, 2.99])


def test_no_side_where_the_axis_is_ambiguous_or_too_far():
    cross = lines_of([[-50, 0], [50, 0]], [[0, -50], [0, 50]])
    axes = plain_axes(cross, [[3, 2], [40, 30], [20, 2]], limit=25.0)
    assert_allclose(axes.offset, [np.nan, np.nan, -2])
    assert axes.ambiguous.tolist() == [True, False, False]


# ---------------------------------------------------------------- ambiguity


@pytest.mark.parametrize(("degrees", "expected"), [(20, False), (29.9, False), (30.1, True), (90, True), (149, True)])
def test_crossing_streets(degrees, expected):
    line = heading(math.radians(degrees), 50)
    axes = plain_axes(lines_of([[0, -50], [0, 50]], np.concatenate([-line[1:], line[1:]])), [0, 0.5])
    assert axes.ambiguous.tolist() == [expected]
    if expected:
        assert np.isnan(axes.azimuth[0])
        assert_allclose(axes.difference, math.radians(min(degrees, 180 - degrees)))
    else:
        assert_allclose(axes.azimuth, 0)
        assert np.isnan(axes.difference[0])
    assert axes.distance[0] < 0.5 + 1e-9


@pytest.mark.parametrize(
    ("point", "expected"), [((4.9, 0), True), ((5.1, 0), False), ((5.5, 4), True), ((6.1, 4), False)]
)
def test_side_street_of_a_tee_counts_within_five_metres_or_half_as_far_again(point, expected):
    axes = plain_axes(lines_of([[-50, 0], [50, 0]], [[0, 0], [0, 50]]), point)
    assert axes.ambiguous.tolist() == [expected]
    assert_allclose(axes.azimuth, np.nan if expected else math.pi / 2)


def test_rival_beyond_the_limit_does_not_count():
    lines = lines_of([[-50, 0], [50, 0]], [[4.5, 1], [4.5, 50]])
    assert plain_axes(lines, [0, 0], limit=25.0).ambiguous[0]
    assert not plain_axes(lines, [0, 0], limit=4.0).ambiguous[0]


def test_roundabout_and_cul_de_sac():
    ring, stem = ring_of(8), np.array([[0, -60], [0, -8]])
    for lines in (lines_of(ring), lines_of(np.concatenate([stem, ring_of(8)[36:], ring_of(8)[1:37]]))):
        axes = plain_axes(lines, [[0, 0], [0.5, 0.2], [8, 0], [0, -9]])
        assert axes.ambiguous.all()
        assert np.isnan(axes.azimuth).all()
        assert (axes.difference > math.radians(30)).all()
        assert_allclose(axes.difference[0], math.pi / 2, atol=0.05)


def test_on_the_stem_of_a_cul_de_sac_and_on_a_wide_bend_the_axis_is_clear():
    stem = np.array([[0, -60], [0, -8]])
    assert_allclose(plain_axes(lines_of(stem, ring_of(8)), [1, -30]).azimuth, 0)
    wide = plain_axes(lines_of(ring_of(50, 720)), [50, 0])
    assert_allclose(wide.azimuth, math.pi, atol=0.005)


@pytest.mark.parametrize(("degrees", "expected"), [(25, False), (40, True), (90, True), (140, True), (170, False)])
def test_corner(degrees, expected):
    turn = math.radians(degrees)
    line = np.array([[-50, 0], [0, 0], [50 * math.cos(turn), 50 * math.sin(turn)]])
    axes = plain_axes(lines_of(line), [[-2, 0.0], [-20, 0]])
    assert axes.ambiguous[0] == expected
    if expected:
        assert_allclose(axes.difference[0], min(turn, math.pi - turn))
    assert not axes.ambiguous[1] or degrees > 150  # a hairpin comes back close by


def test_a_bend_within_three_metres_counts_beyond_a_short_limit():
    lines = lines_of([[-50, 0], [0, 0], [0, 50]])
    assert plain_axes(lines, [[-2.9, 0], [-3.1, 0]], limit=1.0).ambiguous.tolist() == [True, False]
    apart = lines_of([[-50, 0], [0, 0]], [[0, 0], [0, 50]])
    assert not plain_axes(apart, [-2.9, 0], limit=1.0).ambiguous[0]


def test_difference_is_the_largest_between_any_two_candidates():
    lines = lines_of(
        [[0, -50], [0, 50]], *(np.array([-1, 1])[:, None] * heading(math.radians(d), 50)[1] for d in (40, 140))
    )
    axes = plain_axes(lines, [0, 0])
    assert_allclose(axes.difference, math.radians(80))


# ---------------------------------------------------------------- other coordinates


@pytest.mark.parametrize("azimuth", np.radians([0.0, 33.0, 90.0, 161.0, 250.0]))
@pytest.mark.parametrize("place", [(500000.0, 4400000.0), (720000.0, 6900000.0)])
def test_true_azimuth_and_metres_for_longitude_and_latitude(tmp_path, azimuth, place):
    line = np.array(place) + heading(azimuth, 120) - heading(azimuth, 120).mean(axis=0)
    table = CentrelinesTable(geojson(tmp_path / "s.geojson", {"type": "LineString", "coordinates": line.tolist()}))
    ends = Georeference(UTM, LONLAT, where="x").to_target(*np.ascontiguousarray(line.T))
    east, north = (values.mean(keepdims=True) for values in ends)
    true = Geod(ellps="WGS84").inv(east[0], north[0], ends[0][1], ends[1][1])[0]
    side = Geod(ellps="WGS84").fwd(east[0], north[0], math.degrees(azimuth) + 90, 10.0)
    axes = read_centrelines(table, LONLAT).axes(east, north, frames(LONLAT, east, north), limit=25.0)
    assert_allclose(np.mod(axes.azimuth - math.radians(true) + 1, 2 * math.pi), 1, atol=1e-4)
    point = np.array([side[0]]), np.array([side[1]])
    beside = read_centrelines(table, LONLAT).axes(*point, frames(LONLAT, *point), limit=25.0)
    convergence = Georeference(UTM, UTM, where="x").convergence(np.array(place[:1]), np.array(place[1:]))
    assert_allclose(beside.distance, 10 * np.cos(convergence), atol=2e-3)
    assert_allclose(beside.offset, beside.distance)  # the place was taken on the right of the line
    assert_allclose(np.mod(axes.azimuth - azimuth - convergence + 1, 2 * math.pi), 1, atol=1e-4)


def test_nearest_on_the_ground_not_in_degrees():
    """At 70 degrees north 8 m east are 2.1e-4 degrees, 12 m north only 1.1e-4."""
    metres = frames(LONLAT, [20.0], [70.0])[0]
    offsets = np.array([[[8, -40], [8, 40]], [[-40, 12], [40, 12]]], dtype=float)
    lines = Centrelines(
        np.concatenate([[20.0, 70.0] + offset @ metres.T for offset in offsets]), np.array([0, 0, 1, 1]), shortest=1e-8
    )
    axes = lines.axes(np.array([20.0]), np.array([70.0]), metres[None], limit=10.0)
    assert_allclose([axes.azimuth[0], axes.distance[0]], [0, 8], atol=1e-6)
    wide = lines.axes(np.array([20.0]), np.array([70.0]), metres[None], limit=25.0)
    assert wide.ambiguous[0]
    assert_allclose(wide.difference, math.pi / 2)


def test_limit_is_in_metres_where_the_crs_is_in_feet():
    line = np.array([[1e6, 2e5], [1e6, 2.01e5]])
    east, north = 1e6 + np.array([80.0, 84.0]), np.full(2, 2.005e5)
    axes = lines_of(line).axes(east, north, frames(FEET, east, north), limit=25.0)
    assert_allclose(axes.azimuth, [0, np.nan], atol=1e-9)
    assert_allclose(axes.distance, [80 * 1200 / 3937, np.nan], rtol=1e-4)
    assert_allclose(axes.offset, axes.distance)


def test_frame_of_utm_turns_metres_of_the_map_into_metres_on_the_ground():
    east, north = np.array([500010.0]), np.array([4400000.0])
    axes = lines_of([[5e5, 4.39e6], [5e5, 4.41e6]]).axes(east, north, frames(UTM, east, north), limit=25.0)
    assert_allclose(axes.distance, 10 / 0.9996, rtol=1e-8)


# ---------------------------------------------------------------- splitting, naive twin


@pytest.fixture(scope="module")
def city():
    generator = np.random.default_rng(4)
    starts = generator.uniform(0, 2000, (400, 1, 2))
    lines = [5e5 + start + np.cumsum(generator.normal(0, 15, (12, 2)), axis=0) for start in starts]
    return lines_of(*lines), generator.uniform(5e5, 5e5 + 2000, (5000, 2))


def test_results_do_not_depend_on_how_points_are_split(city):
    lines, points = city
    whole = plain_axes(lines, points)
    assert whole.ambiguous.any()
    assert np.isfinite(whole.azimuth).any()
    parts = [plain_axes(lines, part) for part in np.array_split(points, 37)]
    assert equal(whole, concat(parts))
    order = np.random.default_rng(5).permutation(len(points))
    assert equal(take(whole, order), plain_axes(lines, points[order]))


def naive_axes(lines, point, limit):
    """The rules of the module once more, piece by piece, with complex numbers; no side where rounding decides it."""
    pieces = []
    for number, line in enumerate(lines):
        spots = [complex(*vertex) - complex(*point) for vertex in line]
        pieces += [(number, a, b) for a, b in itertools.pairwise(spots) if abs(b - a) >= 1e-3]
    distances = [abs(nearest_spot(a, b, 0)) for _, a, b in pieces]
    if not distances or min(distances) > limit + 1e-6:
        return math.nan, False, math.nan, math.nan, math.nan
    least = min(distances)
    chosen = next(i for i, distance in enumerate(distances) if distance <= least + 1e-6)
    line, a, b = pieces[chosen]
    foot = nearest_spot(a, b, 0)
    near = [distance <= min(limit, max(5, 1.5 * least)) + 1e-6 for distance in distances]
    bend = [n == line and abs(nearest_spot(c, d, foot) - foot) <= 3 + 1e-6 for n, c, d in pieces]
    turns = [angle_between(b - a, d - c) for _, c, d in pieces]
    rivals = [(n or m) and turn > math.radians(30) + 1e-9 for n, m, turn in zip(near, bend, turns, strict=True)]
    if not any(rivals):
        side = (-a * (b - a).conjugate()).imag / abs(b - a)  # plus = the place lies left of the piece
        offset = math.nan if 0 < abs(side) < 1e-9 else -least if side > 0 else least
        return math.atan2((b - a).real, (b - a).imag) % (2 * math.pi), False, math.nan, least, offset
    meant = [d - c for (_, c, d), n, r in zip(pieces, near, rivals, strict=True) if n or r]
    return math.nan, True, max(angle_between(v, w) for v in meant for w in meant), least, math.nan


def nearest_spot(a, b, origin):
    share = ((origin - a) * (b - a).conjugate()).real / abs(b - a) ** 2
    return a if share <= 0 else b if share >= 1 else a + share * (b - a)


def angle_between(v, w):
    """Angle between two lines without a direction."""
    product = v * w.conjugate()
    return math.atan2(abs(product.imag), abs(product.real))


GRID = st.integers(-60, 60).map(lambda number: number / 2)
SPOT = st.tuples(GRID, GRID)
FREE = st.tuples(st.floats(-30, 30), st.floats(-30, 30))
LINE = st.lists(SPOT, min_size=1, max_size=6) | st.lists(FREE, min_size=1, max_size=6)


@settings(max_examples=300, deadline=None)
@given(st.lists(LINE, min_size=1, max_size=5), st.lists(SPOT | FREE, min_size=1, max_size=5), st.floats(1, 40))
def test_agrees_with_a_loop_over_all_pieces(lines, points, limit):
    axes = plain_axes(lines_of(*lines), points, limit=limit)
    expected = np.array([naive_axes(lines, point, limit) for point in points], dtype=float)
    assert axes.ambiguous.tolist() == (expected[:, 1] == 1).tolist()
    assert_allclose(axes.distance, expected[:, 3], atol=2e-6)
    assert_allclose(axes.difference, expected[:, 2], atol=1e-7)
    assert_allclose(np.isnan(axes.azimuth), np.isnan(expected[:, 0]))
    assert_allclose(np.nan_to_num(np.cos(axes.azimuth - expected[:, 0]), nan=1), 1, atol=1e-9)
    assert_allclose(np.abs(axes.offset), np.where(np.isnan(axes.azimuth), np.nan, axes.distance))
    told = np.isfinite(expected[:, 4])
    assert_allclose(axes.offset[told], expected[told, 4], atol=2e-6)


@settings(max_examples=100, deadline=None)
@given(st.lists(LINE, min_size=1, max_size=4), SPOT, st.floats(0, 6), st.floats(0.2, 5), st.booleans())
def test_map_coordinates_with_another_scale_and_direction_give_the_same(lines, point, turn, scale, mirrored):
    rotation = np.array([[math.cos(turn), -math.sin(turn)], [math.sin(turn), math.cos(turn)]])
    frame = rotation @ np.diag([-scale if mirrored else scale, 1.0])
    ground = [np.round(np.array(line), 1) for line in lines]  # no pieces about as short as the shortest
    mapped = lines_of(*(line @ frame.T for line in ground))
    east, north = (frame @ np.array(point))[:, None]
    axes, expected = mapped.axes(east, north, frame[None], limit=25.0), plain_axes(lines_of(*ground), point)
    assert axes.ambiguous.tolist() == expected.ambiguous.tolist()
    assert_allclose(axes.distance, expected.distance, atol=2e-6)
    assert_allclose(axes.difference, expected.difference, atol=1e-6)
    assert_allclose(np.nan_to_num(np.cos(axes.azimuth - expected.azimuth), nan=1), 1, atol=1e-9)
    told = np.isfinite([naive_axes(ground, point, 25.0)[4]])
    assert_allclose(axes.offset[told], expected.offset[told], atol=2e-6)


def test_agrees_with_the_loop_in_a_city():
    generator = np.random.default_rng(6)
    lines = [
        start + np.cumsum(generator.normal(0, 20, (8, 2)), axis=0) for start in generator.uniform(0, 300, (20, 1, 2))
    ]
    points = generator.uniform(0, 300, (300, 2))
    axes = plain_axes(lines_of(*lines), points)
    expected = np.array([naive_axes(lines, point, 25.0) for point in points], dtype=float)
    found = np.stack([axes.azimuth, axes.ambiguous, axes.difference, axes.distance, axes.offset], axis=1)
    assert {-1, 1} <= set(np.sign(expected[:, 4]))
    assert_allclose(found, expected, atol=1e-9)


# ---------------------------------------------------------------- read


@pytest.mark.parametrize("ending", [".gpkg", ".geojson", ".shp"])
def test_reads_lines_of_every_format(tmp_path, ending):
    lines = [shapely.LineString([(5e5, 0), (5e5, 100)]), shapely.LineString([(500100, 0), (500200, 0), (500300, 0)])]
    streets = read_centrelines(CentrelinesTable(write(tmp_path / f"streets{ending}", lines)), UTM)
    assert len(streets) == 3
    axes = plain_axes(streets, [[500003, 50], [500150, 2]])
    assert_allclose(axes.azimuth, [0, math.pi / 2], atol=1e-9)
    assert_allclose(axes.distance, [3, 2], atol=1e-6)


@pytest.mark.parametrize("ending", [".gpkg", ".shp"])
def test_parts_with_heights_are_separate_lines(tmp_path, ending):
    parts = shapely.MultiLineString([[(0, 0, 5), (50, 0, 6)], [(50, 0.5, 6), (50, 50, 9)]])
    streets = read_centrelines(CentrelinesTable(write(tmp_path / f"z{ending}", [parts])), UTM)
    assert len(streets) == 2
    assert not plain_axes(streets, [48.5, 0], limit=1.0).ambiguous[0]


def test_null_empty_and_degenerate_parts_are_dropped(tmp_path):
    good = {"type": "MultiLineString", "coordinates": [[[0, 0], [0, 0]], [[1, 1], [1, 1], [9, 1]], []]}
    broken = {"type": "LineString", "coordinates": [[3, 3]]}
    empty = {"type": "LineString", "coordinates": []}
    table = CentrelinesTable(geojson(tmp_path / "s.geojson", None, empty, broken, good))
    assert len(read_centrelines(table, UTM)) == 1


def test_crs_of_the_job_where_the_file_states_none(tmp_path):
    path = write(tmp_path / "s.shp", [shapely.LineString([(0, 0), (9, 0)])])
    (tmp_path / "s.prj").unlink()
    assert 'write crs = "EPSG:' in fault_of(CentrelinesTable(path))
    assert len(read_centrelines(CentrelinesTable(path, crs="EPSG:32617"), UTM)) == 1


def test_contradiction_of_job_and_file(tmp_path):
    path = write(tmp_path / "s.gpkg", [shapely.LineString([(0, 0), (9, 0)])])
    assert "WGS 84 / UTM zone 18N" in fault_of(CentrelinesTable(path, crs="EPSG:32618"))
    assert len(read_centrelines(CentrelinesTable(path, crs="EPSG:32617"), UTM)) == 1


def test_empty_layer(tmp_path):
    assert "no line" in fault_of(CentrelinesTable(geojson(tmp_path / "none.geojson")))


@pytest.mark.parametrize(
    "geometry",
    [shapely.Point(0, 0), shapely.box(0, 0, 1, 1), shapely.MultiPoint([(0, 0), (1, 1)])],
    ids=lambda g: g.geom_type,
)
def test_other_layers_are_refused_with_everything_that_is_wrong(tmp_path, geometry):
    path = write(tmp_path / "s.gpkg", [geometry, geometry])
    message = fault_of(CentrelinesTable(path, crs="EPSG:32618"))
    assert f"holds 2 {geometry.geom_type} (allowed: LineString, MultiLineString)" in message
    assert "UTM zone 18N" in message


def test_points_among_the_lines_are_refused(tmp_path):
    line, point = {"type": "LineString", "coordinates": [[0, 0], [1, 1]]}, {"type": "Point", "coordinates": [0, 0]}
    assert "holds 1 Point" in fault_of(CentrelinesTable(geojson(tmp_path / "s.geojson", line, point)))


def test_curves_are_refused(tmp_path):
    path = write(tmp_path / "s.gpkg", [shapely.LineString([(0, 0), (9, 0)])] * 2, SPATIAL_INDEX="NO")
    arc = b"\x01" + struct.pack("<II6d", 8, 3, 0, 0, 1, 1, 2, 0)
    with sqlite3.connect(path) as database:
        database.execute("UPDATE s SET geom = ? WHERE fid = 1", (b"GP\0\1" + struct.pack("<i", 32617) + arc,))
    database.close()
    message = fault_of(CentrelinesTable(path))
    assert "holds 1 CircularString" in message
    assert "arcs" in message


def test_layer_is_named_where_there_are_several(tmp_path):
    write(tmp_path / "s.gpkg", [shapely.LineString([(0, 0), (9, 0)])], layer="streets")
    path = write(tmp_path / "s.gpkg", [shapely.Point(0, 0)], layer="trees", mode="a")
    assert "streets, trees" in fault_of(CentrelinesTable(path))
    assert len(read_centrelines(CentrelinesTable(path, layer="streets"), UTM)) == 1


def test_metres_taken_for_degrees_are_refused_with_the_first_point(tmp_path):
    line = {"type": "LineString", "coordinates": [[500000, 4400000], [500100, 4400000]]}
    table = CentrelinesTable(geojson(tmp_path / "s.geojson", line, crs=None))
    for crs in (UTM, LONLAT):
        message = fault_of(table, crs)
        assert "the first point is east 500000, north 4400000" in message
        assert "'WGS 84'" in message


def test_lines_out_of_reach_are_counted(tmp_path):
    good = {"type": "LineString", "coordinates": [[-81, 40], [-81, 40.001]]}
    bad = {"type": "LineString", "coordinates": [[-81, 40], [-81, 4000]]}
    streets = read_centrelines(CentrelinesTable(geojson(tmp_path / "s.geojson", bad, good, crs=None)), UTM)
    assert (len(streets), streets.left_out) == (1, 1)


def test_a_piece_across_the_antimeridian_does_not_go_round_the_globe(tmp_path):
    line = {"type": "LineString", "coordinates": [[179.998, -17], [179.999, -17], [-179.999, -17], [-179.998, -17]]}
    streets = read_centrelines(CentrelinesTable(geojson(tmp_path / "s.geojson", line, crs=None)), LONLAT)
    point = np.array([0.0]), np.array([-17.0])
    assert len(streets) == 2
    assert np.isnan(streets.axes(*point, frames(LONLAT, *point), limit=25.0).distance[0])


def test_other_faults_carry_the_job_key(tmp_path):
    assert fault_of(CentrelinesTable(str(tmp_path / "none.gpkg"))).startswith("centrelines.path: ")
    path = write(tmp_path / "s.gpkg", [shapely.LineString([(0, 0), (9, 0)])])
    assert fault_of(CentrelinesTable(path, crs="32617")).startswith("centrelines.crs: ")
