"""Straight pieces: frames against numpy's inverse and singular values, distances against shapely's, an open search."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from numpy.testing import assert_allclose

from geoadjust.io.lines.pieces import Pieces, inverse, nearest_spots


@pytest.fixture
def generator():
    return np.random.default_rng(11)


def test_frames_are_inverted_and_their_largest_stretch_is_a_singular_value(generator):
    frames = generator.normal(0, 3, (50, 2, 2))
    back, stretch = inverse(frames)
    assert_allclose(back.T.reshape(-1, 2, 2), np.linalg.inv(frames), rtol=1e-9)
    assert_allclose(stretch, np.linalg.svd(frames, compute_uv=False)[:, 0], rtol=1e-12)


def test_frames_that_cannot_be_inverted():
    frames = np.array([[[1.0, 2.0], [2.0, 4.0]], [[np.nan, 0.0], [0.0, 1.0]], [[1.0, 0.0], [0.0, 1.0]]])
    assert np.isnan(inverse(frames)[1]).tolist() == [True, True, False]


def test_nearest_spots_are_as_near_as_shapely_says(generator):
    start, end = generator.normal(0, 5, (2, 2, 200))
    spots = nearest_spots(start, end, np.zeros_like(start))
    lines = shapely.linestrings(np.stack([start.T, end.T], axis=1))
    assert_allclose(np.hypot(*spots), shapely.distance(lines, shapely.Point(0, 0)), atol=1e-12)
    assert_allclose(shapely.distance(lines, shapely.points(spots.T)), 0, atol=1e-12)


def test_ends_are_hit_exactly():
    start, end = np.array([[0.1], [0.2]]), np.array([[0.3], [0.7]])
    assert nearest_spots(start, end, np.array([[5.0], [5.0]])).tolist() == end.tolist()
    assert nearest_spots(start, end, np.array([[-5.0], [-5.0]])).tolist() == start.tolist()


def test_the_search_finds_all_pieces_within_reach_on_the_ground(generator):
    vertices, line = generator.uniform(0, 60, (90, 2)), np.repeat(np.arange(30), 3)
    pieces = Pieces(vertices, line, shortest=0.0)
    assert len(pieces) == 60
    assert pieces.line.tolist() == np.repeat(np.arange(30), 2).tolist()
    east, north = generator.uniform(0, 60, (2, 40))
    frames = np.array([[0.6, 0.5], [-0.4, 0.9]]) * generator.uniform(0.5, 1.5, (40, 1, 1))
    back, stretch = inverse(frames)
    point, piece = pieces.within(east, north, stretch, 6.0)
    assert (np.lexsort((piece, point)) == np.arange(len(point))).all()
    found = set(zip(point.tolist(), piece.tolist(), strict=True))
    every = np.repeat(np.arange(40), 60), np.tile(np.arange(60), 40)
    start, end = pieces.offsets(back, east, north, *every)
    near = np.hypot(*nearest_spots(start, end, np.zeros_like(start))) <= 6.0
    assert 0 < near.sum() < len(near)
    assert set(zip(every[0][near].tolist(), every[1][near].tolist(), strict=True)) <= found


def test_pieces_without_length_are_left_out_even_where_none_is_too_short():
    vertices = np.array([[0.0, 0.0], [0.0, 0.0], [0.0, 1e-9], [0.0, 5.0]])
    assert len(Pieces(vertices, np.zeros(4, dtype=int), shortest=0.0)) == 2
    assert len(Pieces(vertices, np.zeros(4, dtype=int), shortest=1e-3)) == 1


def test_no_pieces():
    nothing = Pieces(np.zeros((0, 2)), np.zeros(0, dtype=int), shortest=0.0)
    assert len(nothing.one_near(np.zeros(3), np.zeros(3))[0]) == 0
    assert len(nothing.within(np.zeros(3), np.zeros(3), np.ones(3), 9.0)[0]) == 0
