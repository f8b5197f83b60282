"""The road along the frame's top edge: closed forms, symmetry, and dense walks round circles and rectangles."""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geoadjust.core.columns import RoadModels, take
from geoadjust.core.edge import edge_gaps, edge_jacobian, edge_plane, extreme_gaps, road_heights
from geoadjust.core.outline import Outlines

NAN = np.nan
DENSE = 100_000
PARTS = ("height", "slope_east", "slope_north", "fold", "fold_azimuth", "fold_offset")

sizes = st.floats(0.2, 1.2)
lengths = st.one_of(st.just(NAN), sizes)
slopes = st.floats(-0.2, 0.2)
changes = st.floats(-0.15, 0.15)
azimuths = st.floats(0, 2 * np.pi)


def models(height=0.0, slope_east=0.0, slope_north=0.0, fold=0.0, fold_azimuth=0.0, fold_offset=0.0):
    """RoadModels of given geometry, (n,) by broadcasting; everything else is 0."""
    parts = np.broadcast_arrays(*(np.atleast_1d(v) for v in locals().values()))
    blank = RoadModels(*(np.zeros(len(parts[0])) for _ in fields(RoadModels)))
    return replace(blank, **{name: part.astype(float) for name, part in zip(PARTS, parts, strict=True)})


def outlines(width, length=NAN, azimuth=0.0):
    parts = np.broadcast_arrays(*(np.atleast_1d(v) for v in (width, length, azimuth)))
    return Outlines(*(np.array(part, dtype=float) for part in parts))


@st.composite
def edges(draw):
    """Width, length (NaN = round) and azimuth of one outline."""
    return draw(sizes), draw(lengths), draw(azimuths)


@st.composite
def scenes(draw):
    """One outline and the six numbers of a road; folds anywhere, along a side, through a corner, through the centre."""
    width, length, azimuth = draw(edges())
    box = not np.isnan(length)
    half = (np.hypot(width, length) if box else width) / 2
    fold_azimuth = draw(azimuths)
    places = ["inside", "outside", "centre"] + ["side", "corner"] * box
    place = draw(st.sampled_from(places))
    offset = draw(st.floats(-1, 1)) * half
    if place == "outside":
        offset = draw(st.sampled_from([-1, 1])) * draw(st.floats(1.0, 3.0)) * half
    if place == "centre":
        offset = 0.0
    if place == "side":
        quarter = draw(st.integers(0, 3))
        fold_azimuth = azimuth + quarter * np.pi / 2
        offset = (width if quarter % 2 else length) / 2 * draw(st.sampled_from([-1, 1]))
    if place == "corner":
        right, front = (draw(st.sampled_from([-1, 1])) * size / 2 for size in (width, length))
        offset = right * np.sin(fold_azimuth - azimuth) + front * np.cos(fold_azimuth - azimuth)
    return (width, length, azimuth), (draw(slopes), draw(slopes), draw(changes), fold_azimuth, offset)


def walk(width, length, azimuth, count=DENSE):
    """Offsets east and north of the middles of many short stretches of one outline, and the stretches' lengths."""
    if np.isnan(length):
        turn = (np.arange(count) + 0.5) * (2 * np.pi / count)
        return width / 2 * np.sin(turn), width / 2 * np.cos(turn), np.full(count, np.pi * width / count)
    along = (np.arange(count // 4) + 0.5) / (count // 4) - 0.5
    half = np.full(count // 4, 0.5)
    across, ahead = np.concatenate([[along, half], [half, along], [along, -half], [-half, along]], axis=1)
    stretch = np.repeat([width, length, width, length], count // 4) / (count // 4)
    across, ahead = across * width, ahead * length
    east = across * np.cos(azimuth) + ahead * np.sin(azimuth)
    return east, ahead * np.cos(azimuth) - across * np.sin(azimuth), stretch


def heights_of(height, slope_east, slope_north, fold, fold_azimuth, fold_offset, east, north):
    """The road's definition, for one road and any places."""
    beyond = east * np.sin(fold_azimuth) + north * np.cos(fold_azimuth) - fold_offset
    return height + slope_east * east + slope_north * north + fold * np.where(beyond > 0, beyond, 0.0)


@settings(deadline=None, max_examples=150)
@given(scenes())
def test_the_edge_plane_is_the_least_squares_plane_round_the_edge(scene):
    # numpy's solution of the weighted normal equations over 100 000 stretches of the outline
    edge, road = scene
    east, north, stretch = walk(*edge)
    basis = np.stack([np.ones(DENSE), east, north])
    heights = heights_of(2.0, *road, east, north)
    expected = np.linalg.solve(basis * stretch @ basis.T, basis @ (stretch * heights))
    assert edge_plane(models(2.0, *road), outlines(*edge))[0] == pytest.approx(expected, abs=2e-9)


@settings(deadline=None, max_examples=100)
@given(edges(), slopes, slopes, changes, azimuths, st.floats(1.0, 20.0))
def test_a_fold_beyond_the_edge_is_not_there(edge, a, b, change, azimuth, share):
    # limits: wholly on the near side the fold does nothing, wholly on the far side the road is the other plane
    outline = outlines(*edge)
    offset = share * outline.reach()[0] + 1e-9
    near = edge_plane(models(5.0, a, b, change, azimuth, offset), outline)
    assert near[0].tolist() == [5.0, a, b]
    far = edge_plane(models(5.0, a, b, change, azimuth, -offset), outline)
    other = [5.0 + change * offset, a + change * np.sin(azimuth), b + change * np.cos(azimuth)]
    assert far[0] == pytest.approx(other, abs=1e-12)


@settings(deadline=None, max_examples=50)
@given(edges(), slopes, slopes, azimuths, st.floats(-0.5, 0.5))
def test_a_plane_is_its_own_edge_plane(edge, a, b, azimuth, offset):
    assert edge_plane(models(123.456, a, b, 0.0, azimuth, offset), outlines(*edge))[0].tolist() == [123.456, a, b]


@settings(deadline=None, max_examples=100)
@given(scenes())
def test_both_sides_of_a_fold_make_a_plane(scene):
    # identity: max(0, d) - max(0, -d) = d, and the plane through a plane is that plane
    edge, (_, _, change, azimuth, offset) = scene
    outline = outlines(*edge)
    beyond = edge_plane(models(0.0, 0.0, 0.0, change, azimuth, offset), outline)
    before = edge_plane(models(0.0, 0.0, 0.0, change, azimuth + np.pi, -offset), outline)
    whole = [-change * offset, change * np.sin(azimuth), change * np.cos(azimuth)]
    assert (beyond - before)[0] == pytest.approx(whole, abs=1e-14)


@settings(deadline=None, max_examples=50)
@given(sizes, sizes, azimuths)
def test_a_crown_through_the_centre_of_a_rectangle(width, length, azimuth):
    # closed form: the mean of |p| round the perimeter, over two sides at W/2 and two of mean W/4; slope 0 by symmetry
    crown = models(0.0, 0.02 * np.cos(azimuth), -0.02 * np.sin(azimuth), -0.04, azimuth + np.pi / 2, 0.0)
    mean = (length * width / 2 + width * width / 4) / (width + length)
    assert edge_plane(crown, outlines(width, length, azimuth))[0] == pytest.approx([-0.02 * mean, 0, 0], abs=1e-15)


def test_crowns_on_a_square():
    # closed forms for a square of side 2h: crown line along the sides 3/4 c h; along a diagonal c h / sqrt 2, where
    # the distance from the line runs from 0 to half a diagonal on every side
    h, c = 0.3, 0.02
    straight = models(0.0, c, 0.0, -2 * c, np.pi / 2, 0.0)
    assert edge_plane(straight, outlines(2 * h, 2 * h))[0] == pytest.approx([-0.75 * c * h, 0, 0], abs=1e-16)
    assert edge_plane(straight, outlines(2 * h, 2 * h, np.pi / 4))[0] == pytest.approx(
        [-c * h / np.sqrt(2), 0, 0], abs=1e-16
    )


def test_the_worked_crown():
    # worked number of the issue: on a 2 + 2 % crown the mean along the frame's edge (radius 0.33 m) lies 4.20 mm under
    # the apex; the cover is level, 4.20 mm low along the crown line and 2.40 mm proud at the sides.
    # Closed form: 2 c R / pi and c R (1 - 2 / pi)
    crown = models(0.0, 0.02, 0.0, -0.04, np.pi / 2, 0.0)
    edge = outlines(0.66)
    plane = edge_plane(crown, edge)
    assert plane[0] == pytest.approx([-2 * 0.02 * 0.33 / np.pi, 0.0, 0.0], abs=1e-15)
    low, high = extreme_gaps(plane, crown, edge)
    assert 1000 * plane[0, 0] == pytest.approx(-4.20, abs=0.005)
    assert [1000 * low[0], 1000 * high[0]] == pytest.approx([-4.20, 2.40], abs=0.005)
    on_line = edge_gaps(plane, crown, np.array([[0.0, 0.0, 0.33, -0.33]]), np.array([[0.33, -0.33, 0.0, 0.0]]))[0]
    proud = 0.0066 * (1 - 2 / np.pi)
    assert on_line == pytest.approx([low[0], low[0], proud, proud], abs=1e-15)
    assert low == pytest.approx([-0.0066 * 2 / np.pi], abs=1e-15)


def turned(scene, by):
    (width, length, azimuth), (a, b, change, fold_azimuth, offset) = scene
    sin, cos = np.sin(by), np.cos(by)
    road = (a * cos + b * sin, b * cos - a * sin, change, fold_azimuth + by, offset)
    return (width, length, azimuth + by), road


@settings(deadline=None, max_examples=100)
@given(scenes(), azimuths)
def test_turning_the_whole_scene_turns_the_plane_and_leaves_the_gaps(scene, by):
    edge, road = scene
    there, moved = turned(scene, by)
    plane, after = edge_plane(models(1.0, *road), outlines(*edge)), edge_plane(models(1.0, *moved), outlines(*there))
    sin, cos = np.sin(by), np.cos(by)
    _, a, b = plane[0]
    assert after[0] == pytest.approx([plane[0, 0], a * cos + b * sin, b * cos - a * sin], abs=1e-13)
    before = extreme_gaps(plane, models(1.0, *road), outlines(*edge))
    assert np.array(extreme_gaps(after, models(1.0, *moved), outlines(*there))) == pytest.approx(
        np.array(before), abs=1e-13
    )


@settings(deadline=None, max_examples=100)
@given(scenes())
def test_the_mirror_image_of_the_scene(scene):
    # east becomes west
    (width, length, azimuth), (a, b, change, fold_azimuth, offset) = scene
    road, image = models(1.0, a, b, change, fold_azimuth, offset), models(1.0, -a, b, change, -fold_azimuth, offset)
    edge, other = outlines(width, length, azimuth), outlines(width, length, -azimuth)
    plane, seen = edge_plane(road, edge), edge_plane(image, other)
    assert seen[0] == pytest.approx(plane[0] * [1, -1, 1], abs=1e-14)
    assert np.array(extreme_gaps(seen, image, other)) == pytest.approx(
        np.array(extreme_gaps(plane, road, edge)), abs=1e-14
    )


@settings(deadline=None, max_examples=50)
@given(scenes())
def test_length_and_width_change_places_on_a_quarter_turn(scene):
    (width, length, azimuth), road = scene
    length = 0.5 if np.isnan(length) else length
    first, second = outlines(width, length, azimuth), outlines(length, width, azimuth + np.pi / 2)
    assert edge_plane(models(1.0, *road), first) == pytest.approx(edge_plane(models(1.0, *road), second), abs=1e-14)


def test_without_a_road_or_a_size_there_is_no_edge():
    nothing, level = models(NAN, NAN, NAN), models(100.0)
    for edge in (outlines(0.66), outlines(0.4, 0.6)):
        assert np.isnan(edge_plane(nothing, edge)).all()
        assert np.isnan(extreme_gaps(np.zeros((1, 3)), nothing, edge)).all()
        assert np.isnan(extreme_gaps(np.full((1, 3), NAN), level, edge)).all()
    assert np.isnan(road_heights(nothing, np.zeros((1, 3)), np.zeros((1, 3)))).all()
    assert np.isnan(extreme_gaps(np.zeros((1, 3)), level, outlines(NAN, 0.6))).all()
    assert np.isnan(extreme_gaps(np.zeros((1, 3)), level, outlines(NAN))).all()


@settings(deadline=None, max_examples=50)
@given(scenes())
def test_heights_on_the_edge_are_the_roads(scene):
    edge, road = scene
    east, north, _ = walk(*edge, count=400)
    found = road_heights(models(3.0, *road), east[None], north[None])
    assert np.abs(found[0] - heights_of(3.0, *road, east, north)).max() < 1e-14


@settings(deadline=None, max_examples=150)
@given(scenes(), st.tuples(st.floats(-0.05, 0.05), slopes, slopes))
def test_extreme_gaps_are_those_of_the_whole_edge(scene, rim):
    # dense sampling never passes the true extremes, and misses them by at most half a step times the steepest change
    edge, road = scene
    east, north, stretch = walk(*edge)
    gaps = rim[0] + rim[1] * east + rim[2] * north - heights_of(0.0, *road, east, north)
    low, high = extreme_gaps(np.array([rim]), models(0.0, *road), outlines(*edge))
    steepest = np.hypot(rim[1] - road[0], rim[2] - road[1]) + abs(road[2])
    miss = steepest * stretch.max() / 2 + 1e-13
    assert gaps.min() - miss <= low[0] <= gaps.min() + 1e-13
    assert gaps.max() - 1e-13 <= high[0] <= gaps.max() + miss


def test_gaps_are_plus_where_the_cover_is_proud():
    # a level cover 5 mm over a level road; and a level cover on a road that rises 2 % east: low at its east edge
    level, rising = models(100.0), models(100.0, 0.02, 0.0)
    east, north = np.array([[0.0, 0.3, 0.0, -0.3]]), np.array([[0.3, 0.0, -0.3, 0.0]])
    proud = edge_gaps(np.array([[100.005, 0, 0]]), level, east, north)
    assert np.abs(proud - 0.005).max() < 1e-12
    flat = np.array([[100.0, 0, 0]])
    assert edge_gaps(flat, rising, east, north)[0] == pytest.approx([0, -0.006, 0, 0.006], abs=1e-12)
    for edge in (outlines(0.6), outlines(0.6, 0.4)):
        low, high = extreme_gaps(flat, rising, edge)
        assert (low[0], high[0]) == pytest.approx((-0.006, 0.006), abs=1e-12)


@settings(deadline=None, max_examples=50)
@given(edges(), slopes, slopes, st.floats(-0.05, 0.05))
def test_a_cover_parallel_to_a_plane_has_one_gap(edge, a, b, gap):
    low, high = extreme_gaps(np.array([[50 + gap, a, b]]), models(50.0, a, b), outlines(*edge))
    assert (low[0], high[0]) == pytest.approx((gap, gap), abs=1e-12)


def test_extreme_gaps_of_a_crown_on_an_inlet():
    # by hand: 400 x 600 mm, crown line along the length through the centre, level cover at the apex: 0 on the line,
    # 2 % of 200 mm proud along both sides; with a cover rising 1 % north, 3 mm more at the far corners
    crown, edge = models(0.0, 0.02, 0.0, -0.04, np.pi / 2, 0.0), outlines(0.4, 0.6)
    found = np.array(extreme_gaps(np.zeros((1, 3)), crown, edge))
    assert found.ravel() == pytest.approx([0.0, 0.004], abs=1e-16)
    tilted = np.array(extreme_gaps(np.array([[0.0, 0.0, 0.01]]), crown, edge))
    assert tilted.ravel() == pytest.approx([-0.003, 0.007], abs=1e-16)


@settings(deadline=None, max_examples=100)
@given(edges(), slopes, slopes, st.sampled_from([-0.12, -0.04, 0.03, 0.1]), azimuths, st.floats(-0.6, 0.6))
def test_the_jacobian_against_finite_differences(edge, a, b, change, azimuth, share):
    # central differences of edge_plane; a side near to lying in the fold is left out: the derivative jumps there
    outline = outlines(*edge)
    if not outline.is_round[0] and abs(np.sin(2 * (azimuth - edge[2]))) < 0.1:
        azimuth = edge[2] + 0.3
    values = np.array([1.0, a, b, change, azimuth, share * outline.width[0] / 2])
    step, six = 1e-7, outline.take(np.zeros(6, dtype=int))
    ups, downs = (edge_plane(models(*(values[:, None] + sign * step * np.eye(6))), six) for sign in (1, -1))
    differences = (ups - downs).T / (2 * step)
    assert edge_jacobian(models(*values), outline)[0] == pytest.approx(differences, abs=2e-5)


def test_the_jacobian_of_a_crown():
    # closed forms with the fold through the centre, direction east, change k: mean k R / pi, slope k / 2; moving the
    # fold takes half of the edge, turning it swings the slope
    k, radius = -0.04, 0.33
    turn = edge_jacobian(models(0.0, 0.02, 0.0, k, np.pi / 2, 0.0), outlines(2 * radius))[0]
    expected = [
        [1, 0, 0, radius / np.pi, 0, -k / 2],
        [0, 1, 0, 0.5, 0, -2 * k / (np.pi * radius)],
        [0, 0, 1, 0, -k / 2, 0],
    ]
    assert turn == pytest.approx(np.array(expected), abs=1e-15)
    # and on a rectangle, with mean |p| = W (W + 2 L) / (4 (W + L)), mean p^2 = W^2 (W + 3 L) / (12 (W + L)); moving
    # the fold takes half of the edge, and mean of p beyond it is half of mean |p|
    w, length = 0.4, 0.6
    mean, square = w * (w + 2 * length) / 4 / (w + length), w**2 * (w + 3 * length) / 12 / (w + length)
    turn = edge_jacobian(models(0.0, 0.02, 0.0, k, np.pi / 2, 0.0), outlines(w, length))[0]
    expected = [
        [1, 0, 0, mean / 2, 0, -k / 2],
        [0, 1, 0, 0.5, 0, -k * mean / 2 / square],
        [0, 0, 1, 0, -k / 2, 0],
    ]
    assert turn == pytest.approx(np.array(expected), abs=1e-15)


@settings(deadline=None, max_examples=50)
@given(edges(), slopes, slopes)
def test_the_jacobian_of_a_plane_is_the_plane(edge, a, b):
    turn = edge_jacobian(models(5.0, a, b), outlines(*edge))[0]
    assert np.array_equal(turn[:, :3], np.eye(3))
    assert not turn[:, 4:].any()


def test_many_edges_are_each_their_own():
    rng = np.random.default_rng(6)
    n = 60
    parts = [rng.normal(0, 0.05, n) for _ in range(4)] + [rng.uniform(0, 6, n), rng.uniform(-0.4, 0.4, n)]
    length = np.where(rng.random(n) < 0.5, rng.uniform(0.3, 1.0, n), NAN)
    edge, rim = outlines(rng.uniform(0.4, 1.0, n), length, rng.uniform(0, 6, n)), rng.normal(0, 0.01, (n, 3))
    road = models(*parts)
    whole = [edge_plane(road, edge), edge_jacobian(road, edge), *extreme_gaps(rim, road, edge)]
    for rows in [np.array([i]) for i in range(n)] + [rng.permutation(n), np.flatnonzero(edge.is_round)]:
        one, ours = take(road, rows), edge.take(rows)
        some = [edge_plane(one, ours), edge_jacobian(one, ours), *extreme_gaps(rim[rows], one, ours)]
        for all_rows, part in zip(whole, some, strict=True):
            assert np.array_equal(all_rows[rows], part)
    none = np.zeros(0, dtype=int)
    assert edge_plane(take(road, none), edge.take(none)).shape == (0, 3)
    assert edge_jacobian(take(road, none), edge.take(none)).shape == (0, 3, 6)
    assert extreme_gaps(rim[none], take(road, none), edge.take(none))[0].shape == (0,)
