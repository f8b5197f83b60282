"""Outlines of frames and flanges: figures worked by hand, and dense walks round the outline."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geoadjust.core.outline import Outlines

NAN = np.nan

sizes = st.floats(0.2, 1.5)
lengths = st.one_of(st.just(NAN), sizes)
azimuths = st.floats(0, 2 * np.pi)
slopes = st.floats(-0.3, 0.3)


def one(width, length=NAN, azimuth=0.0):
    return Outlines(np.array([width]), np.array([length]), np.array([azimuth]))


def walk(width, length, azimuth, count=4001):
    """Places all round one outline, corners among them; written from the definition, by complex numbers."""
    if np.isnan(length):
        return width / 2 * np.exp(1j * np.linspace(0, 2 * np.pi, count))
    turn = np.exp(-1j * azimuth)  # north is the imaginary axis, and azimuths run clockwise
    right, front = turn * width / 2, turn * 1j * length / 2
    corners = [right + front, right - front, -right - front, -right + front, right + front]
    return np.concatenate([np.linspace(a, b, count) for a, b in pairwise(corners)])


@settings(deadline=None, max_examples=100)
@given(sizes, lengths, azimuths, slopes, slopes)
def test_the_support_is_the_highest_point_of_the_whole_outline(width, length, azimuth, east, north):
    # a dense walk never passes the true height; on a circle it misses it by at most R s (1 - cos(half a step))
    places = walk(width, length, azimuth)
    highest = (places.real * east + places.imag * north).max()
    found = one(width, length, azimuth).support(np.array([east]), np.array([north]))[0]
    assert highest - 1e-15 <= found <= highest + width * np.hypot(east, north) * (np.pi / 4000) ** 2 / 4 + 1e-15


@settings(deadline=None, max_examples=100)
@given(sizes, lengths, azimuths)
def test_the_reach_is_the_farthest_point(width, length, azimuth):
    assert one(width, length, azimuth).reach()[0] == pytest.approx(
        np.abs(walk(width, length, azimuth)).max(), rel=1e-14
    )


def test_the_support_in_figures():
    # by hand: 400 wide and 600 long, length to the east; 2 % up east and 1 % up north: 0.3 x 0.02 + 0.2 x 0.01
    box = one(0.4, 0.6, np.pi / 2)
    assert box.support(np.array([0.02]), np.array([0.01])) == pytest.approx([0.008], abs=1e-15)
    assert box.support(np.array([-0.02]), np.array([0.01])) == pytest.approx([0.008], abs=1e-15)
    assert one(0.66).support(np.array([0.03]), np.array([-0.04])) == pytest.approx([0.0165], abs=1e-15)


def test_stations_of_a_circle_run_clockwise_from_the_first():
    east, north, count = one(0.9).stations(np.array([np.pi / 2]))
    assert count.tolist() == [16]
    assert np.column_stack([east[0], north[0]])[[0, 4, 8, 12]] == pytest.approx(
        np.array([[0.45, 0], [0, -0.45], [-0.45, 0], [0, 0.45]]), abs=1e-15
    )
    step = np.diff(np.unwrap(np.arctan2(east[0], north[0])))
    assert step == pytest.approx(np.full(15, np.pi / 8), abs=1e-14)
    assert np.hypot(east, north) == pytest.approx(0.45, abs=1e-15)


def test_stations_of_a_rectangle_are_mid_sides_and_corners_by_turns():
    # by hand: 400 wide, 600 long, length to the east: front is east, right is south
    east, north, count = one(0.4, 0.6, np.pi / 2).stations(np.array([1.0]))
    assert count.tolist() == [8]
    hand = [[0.3, 0], [0.3, -0.2], [0, -0.2], [-0.3, -0.2], [-0.3, 0], [-0.3, 0.2], [0, 0.2], [0.3, 0.2]]
    assert np.column_stack([east[0], north[0]])[:8] == pytest.approx(np.array(hand), abs=1e-15)
    assert np.isnan(east[0, 8:]).all()
    assert np.isnan(north[0, 8:]).all()


@settings(deadline=None, max_examples=50)
@given(sizes, sizes, azimuths, slopes, slopes)
def test_a_plane_is_highest_at_a_corner_station(width, length, azimuth, east, north):
    box = one(width, length, azimuth)
    at_east, at_north, _ = box.stations(np.zeros(1))
    heights = at_east[0, :8] * east + at_north[0, :8] * north
    assert heights[1::2].max() == pytest.approx(box.support(np.array([east]), np.array([north]))[0], abs=1e-15)
    corner_east, corner_north = box.corners()
    assert np.array_equal(corner_east, at_east[:, 1:8:2])
    assert np.array_equal(corner_north, at_north[:, 1:8:2])


def test_unknown_sizes_and_vectors_stay_unknown():
    unknown = one(NAN)
    assert np.isnan(unknown.reach()).all()
    assert np.isnan(unknown.stations(np.zeros(1))[0]).all()
    assert np.isnan(one(0.6).support(np.array([NAN]), np.zeros(1))).all()
    assert np.isnan(one(0.6, 0.5).support(np.array([NAN]), np.zeros(1))).all()


def test_a_circle_has_no_direction():
    turned = one(0.66, azimuth=NAN)
    assert turned.support(np.array([0.02]), np.zeros(1)) == pytest.approx([0.0066], abs=1e-16)
    assert np.array_equal(turned.stations(np.zeros(1))[0], one(0.66).stations(np.zeros(1))[0])


def test_rows_of_a_mixed_batch_are_each_their_own():
    rng = np.random.default_rng(3)
    n = 17
    length = np.where(np.arange(n) % 2, rng.uniform(0.3, 1, n), NAN)
    many = Outlines(rng.uniform(0.3, 1, n), length, rng.uniform(0, 6, n))
    east, north, first = rng.normal(0, 0.1, (3, n))
    assert len(many) == n
    assert many.is_round.tolist() == [i % 2 == 0 for i in range(n)]
    for i in range(n):
        row = many.take(np.array([i]))
        assert row.reach()[0] == many.reach()[i]
        assert row.support(east[i : i + 1], north[i : i + 1])[0] == many.support(east, north)[i]
        for alone, among in zip(row.stations(first[i : i + 1]), many.stations(first), strict=True):
            assert np.array_equal(alone[0], among[i], equal_nan=True)
    assert np.array_equal(many.take(many.is_round).width, many.width[::2])
    none = many.take(np.zeros(n, dtype=bool))
    assert [part.shape for part in none.stations(np.zeros(0))] == [(0, 16), (0, 16), (0,)]
