"""Patches of a raster: places of cells, heights between cells, and planes read back through any raster geometry."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.interpolate import RegularGridInterpolator

from geoadjust.core.ring import Ring
from geoadjust.core.road import fit_roads
from geoadjust.core.surface import GridSurface

RING = Ring()

GEOMETRIES = {
    "north up": {},
    "turned 30": {"turn": np.radians(30)},
    "turned 217": {"turn": np.radians(217)},
    "mirror": {"mirror": True},
    "south up": {"south_up": True},
    "mirror, south up, turned": {"mirror": True, "south_up": True, "turn": 1.0},
    "tall cells": {"tall": 1.3},
    "flat cells": {"tall": 0.7, "turn": 0.4},
    "sheared": {"shear": 0.15},
    "sheared, turned, mirror": {"shear": -0.2, "turn": 2.0, "mirror": True},
}


def modelled(roads, samples, **more):
    """Road models of the samples under frames of radius `roads.FRAME`."""
    return fit_roads(samples, RING, roads.edge(samples), **more)


@pytest.mark.parametrize("geometry", GEOMETRIES.values(), ids=GEOMETRIES)
@pytest.mark.parametrize("cell", [0.1, 0.25, 0.3, 0.5, 1.0])
def test_a_plane_comes_back_through_any_raster(roads, geometry, cell):
    # closed form: every sample of a plane lies on it, so the fit gives its height at the centre and its gradient
    geometry = {**geometry, "tall": min(geometry.get("tall", 1.0), 1.2 / cell)}
    column, row = np.array([[0.0, 0.0], [0.49, -0.49], [-0.5, 0.21], [0.037, -0.333]]).T
    surface = roads.make_surface(
        roads.plane(5e3 + 1.25, 0.021, -0.034), matrix=roads.raster_matrix(cell, **geometry), column=column, row=row
    )
    models = modelled(roads, surface.samples(roads.flange(surface), RING))
    assert models.height == pytest.approx(np.full(4, 5e3 + 1.25), abs=1e-9)
    assert models.slope_east == pytest.approx(np.full(4, 0.021), abs=1e-9)
    assert models.slope_north == pytest.approx(np.full(4, -0.034), abs=1e-9)
    assert (models.fold == 0).all()
    assert (models.left_out == 0).all()


@settings(deadline=None, max_examples=60)
@given(
    cell=st.sampled_from([0.1, 0.25, 0.3, 0.5, 1.0]),
    turn=st.floats(0, 2 * np.pi),
    mirror=st.booleans(),
    south_up=st.booleans(),
    datum=st.sampled_from([0.0, 5e3, -400.0]),
    slopes=st.tuples(st.floats(-0.3, 0.3), st.floats(-0.3, 0.3)),
    place=st.tuples(st.floats(-0.5, 0.5), st.floats(-0.5, 0.5)),
)
def test_any_plane_comes_back(roads, cell, turn, mirror, south_up, datum, slopes, place):
    matrix = roads.raster_matrix(cell, turn=turn, mirror=mirror, south_up=south_up)
    surface = roads.make_surface(roads.plane(datum, *slopes), matrix=matrix, column=place[0], row=place[1])
    models = modelled(roads, surface.samples(roads.flange(surface), RING))
    assert [models.height[0], models.slope_east[0], models.slope_north[0]] == pytest.approx([datum, *slopes], abs=1e-9)
    edge = surface.heights_at(np.array([[0.3, -1.2]]), np.array([[-1.1, 0.4]]))[0]
    expected = [datum + 0.3 * slopes[0] - 1.1 * slopes[1], datum - 1.2 * slopes[0] + 0.4 * slopes[1]]
    assert edge == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize("cell", [0.1, 0.25, 0.5])
@pytest.mark.parametrize("datum", [10.0, 5e3])
def test_a_raster_of_float32_costs_its_own_rounding_only(roads, cell, datum):
    # float32 has 24 bits: heights of 4096 to 8192 m come in steps of 2**-11 m, rounding is at most half of that
    n = 40
    column, row = np.random.default_rng(1).uniform(-0.5, 0.5, (2, n))
    place = {"matrix": cell, "column": column, "row": row}
    surface = roads.make_surface(roads.plane(datum, 0.03, 0.01), dtype=np.float32, **place)
    half_step = np.spacing(np.float32(datum)) / 2
    models = modelled(roads, surface.samples(roads.flange(surface), RING))
    assert np.abs(models.height - datum).max() <= half_step
    # least squares of errors within +/- h over a ring of mean square radius r^2 / 2: at most 2 h / r, r > 0.8 m
    assert np.abs(models.slope_east - 0.03).max() <= 2 * half_step / 0.8
    assert np.abs(models.slope_north - 0.01).max() <= 2 * half_step / 0.8


def test_a_datum_shift_moves_the_height_and_nothing_else(roads):
    place = {"matrix": 0.1, "column": 0.2, "row": -0.3}
    base = roads.crown(0.02, 0.7, 0.1, slope_east=0.01)
    low, high = (
        modelled(roads, s.samples(roads.flange(s), RING))
        for s in (
            roads.make_surface(base, **place),
            roads.make_surface(lambda e, n: 5e3 + base(e, n), **place),
        )
    )
    assert high.height - low.height == pytest.approx([5e3], abs=1e-8)
    for name in ("slope_east", "slope_north", "fold", "fold_azimuth", "fold_offset"):
        assert getattr(high, name) == pytest.approx(getattr(low, name), abs=1e-7)


@settings(deadline=None, max_examples=30)
@given(turn=st.floats(0, 2 * np.pi), rotate=st.floats(0, 2 * np.pi), mirror=st.booleans())
def test_turning_road_and_raster_together_changes_nothing_but_the_azimuth(roads, turn, rotate, mirror):
    # symmetry: the same cells of the same road, seen from another north
    gradient = np.array([0.02, -0.05])
    s, c = np.sin(rotate), np.cos(rotate)
    turned = np.array([[c, s], [-s, c]]) @ gradient
    found = []
    for angle, (a, b) in ((turn, gradient), (turn + rotate, turned)):
        matrix = roads.raster_matrix(0.25, turn=angle, mirror=mirror)
        surface = roads.make_surface(roads.plane(30.0, a, b), matrix=matrix, column=0.1, row=0.4)
        samples = surface.samples(roads.flange(surface), RING)
        models = modelled(roads, samples)
        found.append((np.hypot(models.slope_east, models.slope_north)[0], models.height[0], models.samples[0]))
        assert np.arctan2(models.slope_east, models.slope_north) == pytest.approx(np.arctan2(a, b), abs=1e-9)
    assert found[0] == pytest.approx(found[1], abs=1e-10)


def test_a_sample_is_the_cell_that_lies_there(roads):
    # each cell holds a number that tells its own place: 1000 column + row, so that none can be taken for another
    matrix = roads.raster_matrix(0.25, turn=0.6, tall=1.2)
    inverse = np.linalg.inv(matrix)
    column, row = 0.31, -0.44

    def number(east, north):
        c, r = (inverse[i, 0] * east + inverse[i, 1] * north + (column, row)[i] for i in (0, 1))
        return 1000 * np.round(c) + np.round(r)

    surface = roads.make_surface(number, matrix=matrix, column=column, row=row)
    samples = surface.samples(roads.flange(surface), RING)
    seen = np.isfinite(samples.height)
    assert samples.height[seen] == pytest.approx(number(samples.east, samples.north)[seen], abs=0)
    assert seen.sum() == samples.pattern[0]
    # naive twin: every cell of the patch, one by one
    inside = {}
    for r in range(-9, 10):
        for c in range(-9, 10):
            east, north = matrix @ [c - column, r - row]
            if 0.4575 + 0.35 <= np.hypot(east, north) <= 1.5:
                inside[1000.0 * c + r] = (east, north)
    assert set(samples.height[seen]) == set(inside)
    for height, east, north in zip(samples.height[seen], samples.east[seen], samples.north[seen], strict=True):
        assert (east, north) == pytest.approx(inside[height], abs=1e-12)


def test_cells_without_a_value_are_counted_in_the_pattern_only(roads):
    place = {"matrix": 0.1, "column": 0.3, "row": 0.1}
    whole = roads.make_surface(roads.plane(10.0), **place)
    holed = roads.make_surface(roads.plane(10.0), hole=lambda e, n: e > 0.9, **place)
    full, part = (s.samples(roads.flange(s), RING) for s in (whole, holed))
    assert full.pattern == part.pattern
    missing = np.isfinite(full.height) & ~np.isfinite(part.height)
    assert np.array_equal(missing, np.isfinite(full.height) & (full.east > 0.9))
    assert missing.sum() > 50


def test_spacing_is_the_longer_side_of_a_cell(roads):
    matrices = np.stack(
        [
            roads.raster_matrix(0.1),
            roads.raster_matrix(0.25, turn=1.1),
            roads.raster_matrix(0.3, tall=1.5, turn=0.3, mirror=True),
            roads.raster_matrix(0.5, tall=0.6),
        ]
    )
    surface = roads.make_surface(roads.plane(0.0), matrix=matrices)
    assert surface.spacing() == pytest.approx([0.1, 0.25, 0.45, 0.5], abs=1e-12)
    assert surface.samples(roads.flange(surface), RING).spacing == pytest.approx(surface.spacing(), abs=0)


@settings(deadline=None, max_examples=40)
@given(turn=st.floats(0, 2 * np.pi), seed=st.integers(0, 10**6), mirror=st.booleans(), tall=st.floats(0.6, 1.5))
def test_heights_between_cells_are_bilinear(roads, turn, seed, mirror, tall):
    # another library: scipy's RegularGridInterpolator on the patch's own grid of columns and rows
    rng = np.random.default_rng(seed)
    matrix = roads.raster_matrix(0.3, turn=turn, mirror=mirror, tall=tall)
    column, row = rng.uniform(-0.5, 0.5, 2)
    surface = roads.make_surface(lambda e, n: rng.normal(100, 1, e.shape), matrix=matrix, column=column, row=row)
    east, north = rng.uniform(-1.0, 1.0, (2, 1, 50))
    half = surface.heights.shape[1] // 2
    index = np.arange(-half, half + 1)
    twin = RegularGridInterpolator((index, index), surface.heights[0])
    place = np.linalg.inv(matrix) @ np.stack([east[0], north[0]]) + np.array([[column], [row]])
    assert surface.heights_at(east, north)[0] == pytest.approx(twin(place[::-1].T), abs=1e-10)


def test_a_missing_cell_spoils_only_points_that_it_weighs_on(roads):
    # cells of 0.5 m, the cover on a cell's centre; the cell at (e, n) = (0.5, 0) has no value
    surface = roads.make_surface(
        roads.plane(7.0, 0.1, 0.2), matrix=0.5, hole=lambda e, n: (np.abs(e - 0.5) < 0.1) & (np.abs(n) < 0.1)
    )
    points = {
        (0.25, 0.0): False,  # half way to the missing cell
        (0.25, 0.25): False,  # a quarter of the weight
        (0.5, 0.49): False,  # two hundredths
        (0.5, 0.5): True,  # on a neighbour's centre: all the weight there
        (0.5, -0.5): True,
        (1.0, 0.0): True,
        (0.0, 0.0): True,
        (0.0, 0.3): True,  # on the neighbouring column: no weight on the missing one
        (1.0, 0.2): True,
        (-0.3, 0.1): True,
    }
    east, north = np.array(list(points)).T[:, None, :]
    heights = surface.heights_at(east, north)[0]
    assert np.isfinite(heights).tolist() == list(points.values())
    known = np.isfinite(heights)
    assert heights[known] == pytest.approx((7 + 0.1 * east[0] + 0.2 * north[0])[known], abs=1e-12)


def test_points_off_the_patch_have_no_height(roads):
    surface = roads.make_surface(roads.plane(7.0), matrix=0.25)
    reach = (surface.heights.shape[1] // 2) * 0.25
    east = np.array([[reach + 0.01, -reach - 0.01, 0.0, 0.0, 50.0, reach - 0.01]])
    north = np.array([[0.0, 0.0, reach + 0.01, -reach - 0.01, 50.0, 0.0]])
    assert np.isfinite(surface.heights_at(east, north))[0].tolist() == [False] * 5 + [True]


def test_take_gives_the_same_samples(roads):
    n = 12
    column, row = np.random.default_rng(4).uniform(-0.5, 0.5, (2, n))
    surface = roads.make_surface(roads.plane(np.arange(n), 0.01, 0.02), matrix=0.25, column=column, row=row)
    index = np.array([7, 0, 11])
    some = surface.take(index)
    assert isinstance(some, GridSurface)
    assert len(surface) == 12
    assert len(some) == 3
    whole, part = (s.samples(roads.flange(s), RING) for s in (surface, some))
    for name in ("east", "north", "height", "pattern", "spacing", "widened"):
        assert np.array_equal(getattr(whole, name)[index], getattr(part, name), equal_nan=name == "height")


@pytest.mark.parametrize("turn", [0.0, 1.0, 3.5])
def test_a_side_leaves_half_of_the_ring(roads, turn):
    # naive twin: of the whole ring's samples those that do not lie behind the line at right angles to the side
    place = {"matrix": roads.raster_matrix(0.1, turn=0.3), "column": 0.3, "row": 0.1}
    surface = roads.make_surface(roads.plane(10.0, 0.02, 0.01), n=2, **place)
    whole = surface.samples(roads.flange(surface), RING)
    half = surface.samples(roads.flange(surface), RING, np.array([turn, np.nan]))
    ahead = whole.east[0] * np.sin(turn) + whole.north[0] * np.cos(turn) >= 0
    assert np.array_equal(half.height[0], np.where(ahead, whole.height[0], np.nan), equal_nan=True)
    assert np.array_equal(half.height[1], whole.height[1], equal_nan=True)  # unknown: the whole ring
    assert half.pattern[0] == np.isfinite(half.height[0]).sum()
    assert half.pattern[0] == pytest.approx(whole.pattern[0] / 2, rel=0.03)


def test_holes_on_the_side_count_in_its_pattern_and_holes_behind_do_not(roads):
    # the street lies east: the pattern is that of the whole half, and only a hole in it takes coverage away
    place, side = {"matrix": 0.1, "column": 0.3, "row": 0.1}, np.array([np.pi / 2])
    whole = roads.make_surface(roads.plane(10.0), **place)
    ahead = roads.make_surface(roads.plane(10.0), hole=lambda e, n: e > 0.9, **place)
    behind = roads.make_surface(roads.plane(10.0), hole=lambda e, n: e < -0.9, **place)
    full, part, same = (s.samples(roads.flange(s), RING, side) for s in (whole, ahead, behind))
    assert full.pattern.tolist() == part.pattern.tolist() == same.pattern.tolist()
    lost = np.isfinite(full.height) & ~np.isfinite(part.height)
    assert np.array_equal(lost, np.isfinite(full.height) & (full.east > 0.9))
    assert lost.sum() > 50
    assert modelled(roads, part).coverage == pytest.approx(1 - lost.sum() / full.pattern, abs=1e-12)
    assert modelled(roads, same).coverage.tolist() == [1.0]


def test_a_kerb_behind_an_inlet_is_not_read(roads):
    # the street lies east; a kerb of 150 mm beyond 0.6 m west leaves the half ring a plane without a sample left out
    z = roads.raised(roads.plane(10.0, -0.02, 0.01), 0.15, roads.beyond(3 * np.pi / 2, 0.6))
    surface = roads.make_surface(z, matrix=0.1, column=0.2, row=-0.4)
    side = np.array([np.pi / 2])
    models = modelled(roads, surface.samples(roads.flange(surface), RING, side))
    assert models.left_out.tolist() == [0]
    assert models.coverage.tolist() == [1.0]
    assert [models.height[0], models.slope_east[0], models.slope_north[0]] == pytest.approx([10.0, -0.02, 0.01])
    assert modelled(roads, surface.samples(roads.flange(surface), RING)).left_out[0] > 50
