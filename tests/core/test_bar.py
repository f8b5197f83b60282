"""The straightedge: exact on a plane, a chord over a crown, the upper hull elsewhere, no value where there is none."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial import ConvexHull

from geoadjust.core.bar import (
    BAR_WIDTH,
    DIAMETERS,
    LEAST_STEP,
    _chord,
    _profile,
    _smooth,
    bar_plane,
    read_bars,
)
from geoadjust.core.ring import Ring, inner_radius

RING = Ring()
TOLERANCE = 0.006


def bars(roads, z, *, n=1, cell=0.1, mark=0.0, noise=0.0, said=None, tolerance=TOLERANCE, seed=1, **more):
    """Bars across n covers anywhere in their cell on the road z; `said` is the noise that the bar is told."""
    column, row = np.random.default_rng(seed + 1000).uniform(-0.5, 0.5, (2, n))
    surface = roads.make_surface(z, matrix=cell, column=column, row=row, noise=noise, seed=seed, **more)
    marks = np.broadcast_to(np.asarray(mark, dtype=float), n)
    told = np.full(n, noise if said is None else said)
    return read_bars(surface, marks, roads.flange(surface), told, RING, tolerance)


def places(cell):
    """Distance of the innermost smoothed point from the cover, and the step of the profile [m]."""
    step = max(cell / 2, LEAST_STEP)
    edge = inner_radius(np.array([0.4575]), np.array([cell]), RING)[0]
    return edge + int(BAR_WIDTH / 2 / step + 1e-9) * step, step


def outermost(cell):
    """Distance of the outermost smoothed point from the cover [m]: profile points end at half the bar, 1.5 m."""
    inner, step = places(cell)
    edge = 0.4575 + 0.35
    trimmed = round((inner - edge) / step)
    return edge + step * (int((1.5 - edge) / step + 1e-9) - trimmed)


# ------------------------------------------------------------------------------------------------- closed forms


@pytest.mark.parametrize("cell", [0.05, 0.1, 0.2, 0.25, 0.3, 0.5])
def test_on_a_plane_the_bar_lies_on_the_plane(roads, cell):
    n = 24
    mark = np.linspace(0, 2 * np.pi, n)
    found = bars(roads, roads.plane(5e3, 0.02, -0.03), n=n, cell=cell, mark=mark)
    assert np.abs(found.height - 5e3).max() < 1e-9
    expected = 0.02 * np.sin(found.azimuth) - 0.03 * np.cos(found.azimuth)
    assert np.abs(found.slope - expected).max() < 1e-10
    assert bar_plane(found) == pytest.approx(np.tile([5e3, 0.02, -0.03], (n, 1)), abs=1e-9)


@settings(deadline=None, max_examples=40)
@given(
    turn=st.floats(0, 2 * np.pi),
    mirror=st.booleans(),
    tall=st.floats(0.7, 1.0),
    mark=st.floats(-4, 8),
    slopes=st.tuples(st.floats(-0.2, 0.2), st.floats(-0.2, 0.2)),
)
def test_on_a_plane_in_any_raster(roads, turn, mirror, tall, mark, slopes):
    matrix = roads.raster_matrix(0.2, turn=turn, mirror=mirror, tall=tall)
    surface = roads.make_surface(roads.plane(3.0, *slopes), matrix=matrix, column=0.4, row=-0.2)
    found = read_bars(surface, np.array([mark]), roads.flange(surface), np.zeros(1), RING, TOLERANCE)
    assert bar_plane(found)[0] == pytest.approx([3.0, *slopes], abs=1e-9)
    assert found.azimuth[0] == pytest.approx(mark + np.arange(8) * np.pi / 8, abs=1e-12)


@pytest.mark.parametrize("cell", [0.05, 0.1, 0.2, 0.25, 0.5])
@pytest.mark.parametrize("side", [0.01, 0.02, 0.04])
def test_across_a_crown_the_bar_is_the_chord_between_the_inner_edges(roads, side, cell):
    # closed form: on z = -side |e| the highest chord over the hole joins the two innermost points
    found = bars(roads, roads.crown(side), n=10, cell=cell)
    inner, _ = places(cell)
    assert found.height[:, 4] == pytest.approx(np.full(10, -side * inner), abs=1e-12)
    assert found.slope[:, 4] == pytest.approx(np.zeros(10), abs=1e-12)
    # smoothing moves the innermost point outward by at most half the bar's width
    cut_out = 0.4575 + max(0.35, 0.71 * cell)
    assert np.abs(found.height[:, 4] + side * cut_out).max() <= side * BAR_WIDTH / 2 + 1e-12
    # along the crest the bar lies on the crest; bilinear cells round it off by at most a quarter of 2 side cell
    assert (found.height[:, 0] <= 1e-12).all()
    assert (found.height[:, 0] >= -side * cell / 2 - 1e-12).all()


@pytest.mark.parametrize("cell", [0.1, 0.25])
def test_over_a_gutter_the_bar_spans_from_end_to_end(roads, cell):
    # closed form: on z = +side |e| (a valley) the highest chord joins the two outermost points
    found = bars(roads, roads.crown(-0.03), n=10, cell=cell)
    assert found.height[:, 4] == pytest.approx(np.full(10, 0.03 * outermost(cell)), abs=1e-9)


def test_a_small_cover_leaves_the_bar_its_whole_length(roads):
    # flange radius 20 mm: profile points every 50 mm from 0.37 m to 1.47 m, smoothed ones to 1.42 m; a valley shows it
    surface = roads.make_surface(roads.crown(-0.03), matrix=0.1)
    found = read_bars(surface, np.zeros(1), np.array([0.02]), np.zeros(1), RING, TOLERANCE)
    assert found.height[0, 4] == pytest.approx(0.03 * 1.42, abs=1e-9)


def test_the_bar_lies_on_a_kerb(roads):
    # it is laid as a crew lays it: one end on the road, the other side on a 150 mm kerb 1.1 m off; along the kerb it
    # stays down. Closed form: 0.15 o / (o + x), o = outermost point opposite, x = where the kerb stands; cells blur x
    # by a cell and half the bar's width
    found = bars(roads, roads.raised(roads.plane(0.0), 0.15, roads.beyond(0.0, 1.1)))
    assert found.height[0, 4] == pytest.approx(0.0, abs=1e-12)
    far = outermost(0.1)
    assert 0.15 * far / (far + 1.25) < found.height[0, 0] < 0.15 * far / (far + 0.95)
    assert found.slope[0, 0] == pytest.approx(found.height[0, 0] / far, rel=1e-9)


# -------------------------------------------------------------------------------------------------- naive twins


def hull_at_nought(x, z):
    """Height and slope at x = 0 of the upper convex hull, by scipy's ConvexHull."""
    points = np.stack([x, z], axis=1)
    hull = ConvexHull(points)
    for i, j in hull.simplices:
        (xa, za), (xb, zb) = sorted([tuple(points[i]), tuple(points[j])])
        slope = (zb - za) / (xb - xa) if xb > xa else np.inf
        over = np.isfinite(slope) and (z <= za + slope * (x - xa) + 1e-12).all()
        if xa < 0 < xb and over:
            return za - slope * xa, slope
    raise AssertionError("no edge of the hull spans the hole")


def chain_at_nought(x, z):
    """The same by a plain walk from left to right that drops every point under a chord (Andrew's chain)."""
    chain = []
    for point in sorted(zip(x, z, strict=True)):
        while len(chain) > 1:
            (xa, za), (xb, zb) = chain[-2:]
            if (zb - za) * (point[0] - xa) > (point[1] - za) * (xb - xa):
                break
            chain.pop()
        chain.append(point)
    (xa, za), (xb, zb) = next((a, b) for a, b in pairwise(chain) if a[0] < 0 < b[0])
    return za - (zb - za) / (xb - xa) * xa, (zb - za) / (xb - xa)


@settings(deadline=None, max_examples=80)
@given(seed=st.integers(0, 10**6), points=st.integers(3, 20), share=st.floats(0, 0.4))
def test_the_chord_is_the_upper_hull(seed, points, share):
    rng = np.random.default_rng(seed)
    distance = 0.8 + 0.05 * np.arange(points)
    left, right = rng.normal(0, 0.01, (2, 1, 8, points))
    for side in (left, right):
        side[rng.random(side.shape) < share] = np.nan
    height, slope = _chord(left.transpose(0, 2, 1), right.transpose(0, 2, 1), -distance[None], distance[None])
    for k in range(8):
        x = np.concatenate([-distance, distance])
        z = np.concatenate([left[0, k], right[0, k]])
        seen = np.isfinite(z)
        if min(np.isfinite(left[0, k]).sum(), np.isfinite(right[0, k]).sum()) < 3:
            assert np.isnan(height[0, k])
            assert np.isnan(slope[0, k])
            continue
        for twin in (hull_at_nought, chain_at_nought):
            assert (height[0, k], slope[0, k]) == pytest.approx(twin(x[seen], z[seen]), abs=1e-12)


def naive_profile(surface, i, azimuth, distances, window):
    """One side of one diameter, point after point: bilinear by hand, numpy's polyfit taken off, a median, put back."""
    half = surface.heights.shape[1] // 2
    heights = []
    for d in distances:
        c, r = (
            surface.cells[i] @ [d * np.sin(azimuth), d * np.cos(azimuth)] + [surface.column[i], surface.row[i]] + half
        )
        c0, r0 = int(np.floor(c)), int(np.floor(r))
        u, v = c - c0, r - r0
        z = surface.heights[i]
        top = z[r0, c0] * (1 - u) + z[r0, c0 + 1] * u
        heights.append(top * (1 - v) + (z[r0 + 1, c0] * (1 - u) + z[r0 + 1, c0 + 1] * u) * v)
    slope = np.polyfit(np.array(distances) - distances[0], heights, 1)[0] if window > 1 else 0.0
    left = [height - slope * d for height, d in zip(heights, distances, strict=True)]
    middle = distances[window // 2 : len(distances) - window // 2]
    return [float(np.median(left[j : j + window])) + slope * d for j, d in enumerate(middle)]


@pytest.mark.parametrize(("cell", "window"), [(0.05, 5), (0.1, 3), (0.25, 1)])
def test_whole_bars_are_a_naive_twins(roads, cell, window):
    n = 4
    rng = np.random.default_rng(5)
    column, row = rng.uniform(-0.5, 0.5, (2, n))
    matrix = roads.raster_matrix(cell, turn=0.7, mirror=True)
    z = roads.crown(0.02, 0.4, 0.1, slope_east=0.03)
    surface = roads.make_surface(z, matrix=matrix, column=column, row=row, noise=0.004, seed=3)
    mark = rng.uniform(0, 6, n)
    found = read_bars(surface, mark, roads.flange(surface), np.zeros(n), RING, TOLERANCE)
    edge, step = 0.4575 + 0.35, max(cell / 2, 0.025)
    distances = [edge + step * j for j in range(100) if edge + step * j <= 1.5 + 1e-9]
    middle = distances[window // 2 : len(distances) - window // 2]
    for i in range(n):
        for k in range(8):
            azimuth = mark[i] + k * np.pi / 8
            left = naive_profile(surface, i, azimuth + np.pi, distances, window)
            right = naive_profile(surface, i, azimuth, distances, window)
            twin = chain_at_nought(np.array([*(-d for d in middle), *middle]), np.array(left + right))
            assert (found.height[i, k], found.slope[i, k]) == pytest.approx(twin, abs=1e-11)


def test_profiles_have_no_value_where_a_cell_has_none(roads):
    # cells of 0.1 m, the one 1.1 m north of the cover is missing: bilinear points less than a cell away have no value,
    # nor have smoothed points that need one of them (points every 50 mm, three to a median)
    surface = roads.make_surface(roads.plane(0.0), matrix=0.1, hole=lambda e, n: np.hypot(e, n - 1.1) < 0.02)
    distance = (0.8 + 0.05 * np.arange(14))[None]
    profile = _profile(surface, np.zeros((1, DIAMETERS)), distance, 3)[0, :, 0]
    centre = 0.85 + 0.05 * np.arange(12)
    assert np.isnan(profile[np.abs(centre - 1.1) < 0.11]).all()
    assert np.isfinite(profile[np.abs(centre - 1.1) > 0.16]).all()
    assert np.isfinite(profile).sum() >= 5


def test_a_hole_in_the_profile_leaves_its_slope_alone(roads):
    # on a 15 % slope the smoothed heights stay on the slope, whatever is missing; a side of one height has no slope
    distance = (0.8 + 0.05 * np.arange(14))[None]
    for start in (0.9, 1.1, 1.3):
        surface = roads.make_surface(
            roads.plane(1e3, 0, 0.15), matrix=0.1, hole=lambda e, n, s=start: np.abs(n - s) < 0.1
        )
        profile = _profile(surface, np.zeros((1, DIAMETERS)), distance, 3)[0, :, 0]
        seen = np.isfinite(profile)
        assert 3 <= seen.sum() < len(profile)
        assert np.abs(profile - 1e3 - 0.15 * distance[0, 1:-1])[seen].max() < 1e-9
    lone = np.full((1, 5, DIAMETERS), np.nan)
    lone[:, 2] = 7.0
    assert np.isnan(_smooth(lone, distance[:, :5], 3)).all()


# ------------------------------------------------------------------------------------------------ no value rules


def test_fewer_than_three_points_on_a_side_are_no_bar(roads):
    # 0.25 m cells: points every 125 mm from 807.5 mm on, six of them; a hole from 1.0 m on leaves two, from 1.2 m four
    whole = bars(roads, roads.plane(1.0), cell=0.25)
    assert np.isfinite(whole.height).all()
    for start, known in ((1.0, False), (1.35, True)):
        found = bars(roads, roads.plane(1.0), cell=0.25, hole=lambda e, n, start=start: n > start)
        assert np.isfinite(found.height[0, 0]) == known
        assert np.isfinite(found.slope[0, 0]) == known
        assert np.isfinite(found.height[0, 4])
        assert np.isfinite(bar_plane(found)).all() == known


def test_a_bar_needs_cells_finer_than_a_metre(roads):
    # 1 m cells: the inner edge lies 1.17 m off, half a bar at 1.5 m; one point fits between them, so there is no bar
    found = bars(roads, roads.plane(1.0), cell=1.0)
    assert np.isnan(found.height).all()
    assert np.isnan(found.slope).all()
    assert np.isfinite(found.azimuth).all()


@pytest.mark.parametrize("cell", [0.05, 0.1, 0.25])
def test_too_much_noise_is_no_bar(roads, cell):
    quiet, loud = (bars(roads, roads.plane(1.0), cell=cell, said=said) for said in (0.001, 0.010))
    assert np.isfinite(quiet.height).all()
    assert np.isnan(loud.height).all()
    assert np.isnan(loud.slope).all()
    assert np.isnan(bars(roads, roads.plane(1.0), cell=cell, said=np.inf).height).all()
    # a wider tolerance bears more noise, in proportion
    assert np.isfinite(bars(roads, roads.plane(1.0), cell=cell, said=0.010, tolerance=0.06).height).all()


def most_noise(roads, cell):
    """Largest noise that still gives a value [m], by halving."""
    low, high = 0.0, 0.02
    for _ in range(20):
        middle = (low + high) / 2
        known = np.isfinite(bars(roads, roads.plane(0.0), cell=cell, said=middle).height).all()
        low, high = (middle, high) if known else (low, middle)
    return low


@pytest.mark.parametrize("slope", [0.0, 0.02, 0.1, 0.2])
@pytest.mark.parametrize("cell", [0.05, 0.0513, 0.06, 0.09, 0.1, 0.1053, 0.12, 0.15, 0.25, 0.3, 0.5])
def test_noise_lifts_a_bar_by_less_than_half_the_tolerance(roads, cell, slope):
    # simulation: the expected height of the bar over the road, at the largest noise that still gives a value
    noise = most_noise(roads, cell)
    assert noise > 0.001
    z = roads.plane(0.0, slope, -0.3 * slope)
    found = bars(roads, z, n=300, cell=cell, mark=np.linspace(0, 6, 300), noise=noise)
    assert np.isfinite(found.height).all()
    # and no bar is given up for much less
    least = 0.65 if cell == 0.5 else 0.8
    assert least * TOLERANCE / 2 < found.height.mean() < TOLERANCE / 2


@pytest.mark.parametrize(("length", "radius"), [(2.4, 0.1), (3.0, 0.1), (6.0, 0.4575), (6.0, 0.1)])
@pytest.mark.parametrize("cell", [0.0513, 0.1, 0.1053, 0.25])
def test_so_it_does_with_other_bars_and_covers(roads, cell, length, radius):
    # simulation again: more points on a side lift a hull more. A bar is read where half the tolerance is well above the
    # lift, and none where it is below it
    ring = Ring(bar_length=length)
    n = 120
    column, row = np.random.default_rng(3).uniform(-0.5, 0.5, (2, n))
    z = roads.plane(0.0, 0.05, 0.02)
    surface = roads.make_surface(z, matrix=cell, column=column, row=row, noise=1e-3, seed=4, ring=ring)

    def read(tolerance):
        mark = np.linspace(0, 6, n)
        return read_bars(surface, mark, roads.flange(surface, radius), np.full(n, 1e-3), ring, tolerance).height

    lift = read(1.0).mean()
    assert lift > 0
    assert np.isfinite(read(2 * lift / 0.65)).all()
    assert np.isnan(read(2 * lift * 0.98)).all()


def test_noise_of_3_mm_in_cells_of_a_tenth_is_no_hindrance(roads):
    # an airborne raster of good quality: bars are read on any slope, and lifted by less than 3 mm on the mean
    for slope in (0.0, 0.2):
        found = bars(roads, roads.plane(0.0, slope, 0.0), n=200, mark=np.linspace(0, 6, 200), noise=0.003)
        assert np.isfinite(found.height).all()
        assert found.height.mean() < 0.0025


@pytest.mark.parametrize("cell", [0.05, 0.0513, 0.1, 0.25])
@settings(deadline=None, max_examples=20)
@given(slopes=st.tuples(st.floats(-0.2, 0.2), st.floats(-0.2, 0.2)), mark=st.floats(0, 6))
def test_tilting_a_noisy_road_tilts_the_bar_with_it(roads, cell, slopes, mark):
    # symmetry: slope and noise do not meet, so the lift is the same on every slope. Without a slope taken off first it
    # grows with the slope
    made = {"cell": cell, "mark": mark, "noise": 0.002, "hole": lambda e, n: np.hypot(e - 1.2, n - 0.2) < 0.15}
    level, tilted = (bars(roads, roads.plane(3.0, *tilt), **made) for tilt in ((0, 0), slopes))
    assert np.isfinite(level.height).sum() >= 6
    assert tilted.height == pytest.approx(level.height, abs=1e-9, nan_ok=True)
    along = slopes[0] * np.sin(level.azimuth) + slopes[1] * np.cos(level.azimuth)
    assert tilted.slope == pytest.approx(level.slope + along, abs=1e-9, nan_ok=True)


@pytest.mark.parametrize("cell", [0.05, 0.1])
def test_the_running_median_lowers_the_lift(roads, cell):
    # contrast on a level road: the hull on raw cells reads higher than the smoothed one
    n = 200
    found = bars(roads, roads.plane(0.0), n=n, cell=cell, noise=0.003, tolerance=1.0)
    column, row = np.random.default_rng(1001).uniform(-0.5, 0.5, (2, n))
    surface = roads.make_surface(roads.plane(0.0), matrix=cell, column=column, row=row, noise=0.003, seed=1)
    step = max(cell / 2, LEAST_STEP)
    distance = np.broadcast_to(0.8075 + step * np.arange(int((1.5 - 0.8075) / step)), (n, int((1.5 - 0.8075) / step)))
    raw, _ = _chord(
        *(_profile(surface, found.azimuth, sign * distance, 1) for sign in (-1.0, 1.0)), -distance, distance
    )
    assert found.height.mean() < 0.9 * raw.mean()


# ------------------------------------------------------------------------------------------------- all together


def test_the_plane_of_eight_bars_is_their_least_squares_plane(roads):
    # numpy's lstsq: heights h + s d at both ends of every bar, d = 1 m
    found = bars(roads, roads.crown(0.02, 0.5, 0.2, slope_north=0.03), n=12, noise=0.002, mark=np.arange(12.0))
    planes = bar_plane(found)
    for i in range(12):
        azimuth = np.concatenate([found.azimuth[i], found.azimuth[i] + np.pi])
        heights = np.concatenate([found.height[i] + found.slope[i], found.height[i] - found.slope[i]])
        basis = np.stack([np.ones(16), np.sin(azimuth), np.cos(azimuth)], axis=1)
        assert planes[i] == pytest.approx(np.linalg.lstsq(basis, heights, rcond=None)[0], abs=1e-12)


def test_turning_the_mark_by_a_right_angle_shifts_the_diameters(roads):
    # the same eight lines: k stays k + 4 lines later, or the same line walked the other way
    z = roads.crown(0.03, 0.3, 0.15, slope_east=0.02)
    first, second = (bars(roads, z, mark=mark, noise=0.002) for mark in (0.3, 0.3 + np.pi / 2))
    assert second.height[0, :4] == pytest.approx(first.height[0, 4:], abs=1e-12)
    assert second.height[0, 4:] == pytest.approx(first.height[0, :4], abs=1e-12)
    assert second.slope[0, 4:] == pytest.approx(-first.slope[0, :4], abs=1e-12)


def test_splitting_rows_changes_no_bit(roads):
    n = 30
    column, row = np.random.default_rng(2).uniform(-0.5, 0.5, (2, n))
    surface = roads.make_surface(
        roads.crown(0.02, np.linspace(0, 3, n), 0.1),
        column=column,
        row=row,
        noise=0.003,
        hole=roads.beyond(np.linspace(0, 6, n), np.where(np.arange(n) % 3 == 0, 1.0, 9.0)),
    )
    mark, size, told = np.linspace(0, 6, n), roads.flange(surface), np.full(n, 0.002)
    whole = read_bars(surface, mark, size, told, RING, TOLERANCE)
    assert 0 < np.isnan(whole.height).sum() < whole.height.size
    for step in (1, 7):
        for start in range(0, n, step):
            index = np.arange(start, min(start + step, n))
            part = read_bars(surface.take(index), mark[index], size[index], told[index], RING, TOLERANCE)
            for name in ("height", "slope", "azimuth"):
                assert np.array_equal(getattr(whole, name)[index], getattr(part, name), equal_nan=True)
