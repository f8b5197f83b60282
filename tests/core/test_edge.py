"""The road along the frame's top edge: closed forms against dense sums over the circle."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geoadjust.core.edge import edge_gaps, edge_plane, extreme_gaps, road_heights

DENSE = np.linspace(0, 2 * np.pi, 20_000, endpoint=False)

radii = st.floats(0.1, 0.6)
slopes = st.floats(-0.2, 0.2)
changes = st.floats(-0.15, 0.15)
azimuths = st.floats(0, 2 * np.pi)
shares = st.one_of(st.floats(-1.5, 1.5), st.sampled_from([-1.0, -0.5, 0.0, 0.5, 1.0]))


def circle(z, radius):
    """Heights of the road z(e, n) all round the edge, and the places."""
    east, north = radius * np.sin(DENSE), radius * np.cos(DENSE)
    return z(east, north).ravel(), east, north


@settings(deadline=None, max_examples=150)
@given(radii, slopes, slopes, changes, azimuths, shares)
def test_the_edge_plane_is_the_least_squares_plane_round_the_edge(roads, radius, a, b, change, azimuth, share):
    # numpy's lstsq through 20 000 heights on the circle
    offset = share * radius
    z = roads.folded(12.0, a, b, change, azimuth, offset)
    heights, east, north = circle(z, radius)
    expected = np.linalg.lstsq(np.stack([np.ones_like(east), east, north], axis=1), heights, rcond=None)[0]
    found = edge_plane(roads.road_models(12.0, a, b, change, azimuth, offset), np.array([radius]))
    assert found[0] == pytest.approx(expected, abs=2e-8)


@settings(deadline=None, max_examples=100)
@given(radii, slopes, slopes, changes, azimuths, st.floats(1.0, 20.0))
def test_a_fold_beyond_the_edge_is_not_there(roads, radius, a, b, change, azimuth, share):
    # limits: wholly on the near side the fold does nothing, wholly on the far side the road is the other plane
    near = edge_plane(roads.road_models(5.0, a, b, change, azimuth, share * radius), np.array([radius]))
    assert near[0] == pytest.approx([5.0, a, b], abs=1e-12)
    far = edge_plane(roads.road_models(5.0, a, b, change, azimuth, -share * radius), np.array([radius]))
    other = [5.0 + change * share * radius, a + change * np.sin(azimuth), b + change * np.cos(azimuth)]
    assert far[0] == pytest.approx(other, abs=1e-12)


def test_the_worked_crown(roads):
    # worked number of the product's own definition: on a 2 + 2 % crown the mean along the frame's edge (radius 0.33 m)
    # lies 4.2 mm under the apex: 2 c R / pi = 4.2017 mm
    crown = roads.road_models(0.0, 0.02, 0.0, -0.04, np.pi / 2, 0.0)
    found = edge_plane(crown, np.array([0.33]))[0]
    assert found == pytest.approx([-2 * 0.02 * 0.33 / np.pi, 0.0, 0.0], abs=1e-15)
    assert found[0] == pytest.approx(-0.0042017, abs=5e-8)


def test_without_a_road_there_is_no_edge(roads):
    nothing = roads.road_models(np.nan, np.nan, np.nan)
    assert np.isnan(edge_plane(nothing, np.array([0.33]))).all()
    assert np.isnan(road_heights(nothing, np.array([0.33]), DENSE[None, :8])).all()


@settings(deadline=None, max_examples=100)
@given(radii, slopes, slopes, changes, azimuths, shares)
def test_heights_on_the_edge_are_the_roads(roads, radius, a, b, change, azimuth, share):
    offset = share * radius
    expected, _, _ = circle(roads.folded(3.0, a, b, change, azimuth, offset), radius)
    found = road_heights(roads.road_models(3.0, a, b, change, azimuth, offset), np.array([radius]), DENSE[None])
    assert np.abs(found[0] - expected).max() < 1e-13


@settings(deadline=None, max_examples=150)
@given(radii, st.tuples(slopes, slopes), changes, azimuths, shares, st.tuples(st.floats(-0.05, 0.05), slopes, slopes))
def test_extreme_gaps_are_those_of_the_whole_edge(roads, radius, flat, change, azimuth, share, rim):
    # dense sampling never passes the true extremes, and misses them by at most half a step times the steepest change
    models = roads.road_models(0.0, *flat, change, azimuth, share * radius)
    plane, size = np.array([rim]), np.array([radius])
    low, high = extreme_gaps(plane, models, size)
    gaps = edge_gaps(plane, models, size, DENSE[None])[0]
    steepest = radius * (np.hypot(*(np.array(rim[1:]) - flat)) + abs(change))
    miss = steepest * np.pi / len(DENSE) + 1e-13
    assert low[0] <= gaps.min() + 1e-13
    assert gaps.min() <= low[0] + miss
    assert high[0] >= gaps.max() - 1e-13
    assert gaps.max() >= high[0] - miss


def test_gaps_are_plus_where_the_cover_is_proud(roads):
    # a level cover 5 mm over a level road; and a level cover on a road that rises 2 % east: low at its east edge
    level = roads.road_models(100.0)
    proud = edge_gaps(np.array([[100.005, 0, 0]]), level, np.array([0.3]), DENSE[None])
    assert np.abs(proud - 0.005).max() < 1e-12
    rising = roads.road_models(100.0, 0.02, 0.0)
    at = np.radians([[0.0, 90.0, 180.0, 270.0]])
    gaps = edge_gaps(np.array([[100.0, 0, 0]]), rising, np.array([0.3]), at)[0]
    assert gaps == pytest.approx([0, -0.006, 0, 0.006], abs=1e-12)
    low, high = extreme_gaps(np.array([[100.0, 0, 0]]), rising, np.array([0.3]))
    assert (low[0], high[0]) == pytest.approx((-0.006, 0.006), abs=1e-12)


@settings(deadline=None, max_examples=50)
@given(radii, slopes, slopes, st.floats(-0.05, 0.05))
def test_a_cover_parallel_to_a_plane_has_one_gap(roads, radius, a, b, gap):
    low, high = extreme_gaps(np.array([[50 + gap, a, b]]), roads.road_models(50.0, a, b), np.array([radius]))
    assert (low[0], high[0]) == pytest.approx((gap, gap), abs=1e-12)


def test_a_crown_cannot_be_flush_all_round(roads):
    # closed form: the best plane on a crown z = -c |e| is level at -2 c R / pi: proud by c R (1 - 2 / pi) at the two
    # sides, low by 2 c R / pi on the crest
    crown = roads.road_models(0.0, 0.02, 0.0, -0.04, np.pi / 2, 0.0)
    size = np.array([0.33])
    low, high = extreme_gaps(edge_plane(crown, size), crown, size)
    assert low == pytest.approx([-0.0066 * 2 / np.pi], abs=1e-15)
    assert high == pytest.approx([0.0066 * (1 - 2 / np.pi)], abs=1e-15)


def test_many_edges_are_each_their_own(roads):
    rng = np.random.default_rng(6)
    n = 30
    parts = [rng.normal(0, 0.05, n) for _ in range(4)] + [rng.uniform(0, 6, n), rng.uniform(-0.4, 0.4, n)]
    radius, rim = rng.uniform(0.2, 0.5, n), rng.normal(0, 0.01, (n, 3))
    models = roads.road_models(*parts)
    planes, extremes = edge_plane(models, radius), extreme_gaps(rim, models, radius)
    for i in range(n):
        one = roads.road_models(*(part[i] for part in parts))
        assert np.array_equal(edge_plane(one, radius[i : i + 1])[0], planes[i])
        assert [v[0] for v in extreme_gaps(rim[i : i + 1], one, radius[i : i + 1])] == [v[i] for v in extremes]
