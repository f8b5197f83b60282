"""The annulus: its radii, how many cells it holds, and the stencil that must never miss one."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geoadjust.core.ring import Ring, grid_stencil, inner_radius, outer_radius, patch_half

RING = Ring()


def counts(roads, cell, n=1500, seed=3):
    """Cells in the ring of a 915 mm flange for n covers anywhere in their cell, (n,)."""
    column, row = np.random.default_rng(seed).uniform(-0.5, 0.5, (2, n))
    surface = roads.make_surface(roads.plane(0.0), matrix=cell, column=column, row=row)
    return surface.samples(roads.flange(surface), RING).pattern


@pytest.mark.parametrize(
    ("cell", "inner", "outer", "about", "spread"),
    [
        (0.1, 0.8075, 1.5, 495, 15),
        (0.25, 0.8075, 1.5, 74, 10),
        (0.5, 0.8125, 1.5, 17, 6),
        (1.0, 1.1675, 2.5, 12, 6),
    ],
)
def test_radii_and_counts_of_the_worked_ring(roads, cell, inner, outer, about, spread):
    # worked numbers of the product's own definition for a 915 mm flange: radii 0.81-1.5 m (1 m cells: 1.17-2.5 m) and
    # 495, 74, 17, 12 cells; the count depends on where the cover lies in its cell, so it is a range round the area
    assert inner_radius(np.array([0.4575]), np.array([cell]), RING) == pytest.approx([inner], abs=1e-12)
    assert outer_radius(np.array([cell]), RING) == pytest.approx([outer], abs=1e-12)
    found = counts(roads, cell)
    assert found.min() <= about <= found.max()
    area = np.pi * (outer**2 - inner**2) / cell**2
    assert np.abs(found - area).max() <= spread


@pytest.mark.parametrize("cell", [0.05, 0.1, 0.25, 0.3, 0.5, 1.0])
def test_cells_times_area_is_the_ring_area(roads, cell):
    # limit: averaged over all places in a cell, count * cell^2 is the area pi (R^2 - r^2) exactly
    n = 4000 if cell >= 0.25 else 400
    found = counts(roads, cell, n)
    inner, outer = 0.4575 + max(0.35, 0.71 * cell), max(1.5, 2.5 * cell)
    area = np.pi * (outer**2 - inner**2)
    assert found.mean() * cell**2 == pytest.approx(area, abs=4 * found.std() / np.sqrt(n) * cell**2 + 1e-9)


def test_the_ring_does_not_touch_a_cell_that_shows_the_casting(roads):
    # a cell's corner lies at most half a diagonal, 0.7072 cells, from its centre
    for cell in (0.1, 0.3, 0.5, 1.0):
        inner = inner_radius(np.array([0.4575]), np.array([cell]), RING)[0]
        assert inner - cell / np.sqrt(2) > 0.4575


@pytest.mark.parametrize("cell", [0.1, 0.5, 0.6, 0.61, 1.0, 1.25])
def test_only_coarse_cells_widen_the_ring(roads, cell):
    surface = roads.make_surface(roads.plane(0.0), matrix=cell)
    samples = surface.samples(roads.flange(surface), RING)
    assert samples.widened.tolist() == [cell > 0.6]
    far = np.hypot(samples.east, samples.north)[np.isfinite(samples.height)].max()
    assert far <= max(1.5, 2.5 * cell)


def brute_force(matrix, column, row, inner, outer):
    """Offsets (row, column) of every cell whose centre lies in the ring, one by one."""
    reach = int(np.ceil(outer * np.abs(np.linalg.inv(matrix)).sum(axis=1).max())) + 2
    found = set()
    for r in range(-reach, reach + 1):
        for c in range(-reach, reach + 1):
            east, north = matrix @ [c - column, r - row]
            if inner <= np.hypot(east, north) <= outer:
                found.add((r, c))
    return found


@settings(deadline=None, max_examples=150)
@given(
    cell=st.sampled_from([0.25, 0.3, 0.5, 0.8, 1.0, 1.25]),
    turn=st.floats(0, 2 * np.pi),
    tall=st.floats(0.5, 1.0),
    shear=st.floats(-0.3, 0.3),
    mirror=st.booleans(),
    column=st.one_of(st.sampled_from([-0.5, 0.5]), st.floats(-0.5, 0.5)),
    row=st.one_of(st.sampled_from([-0.5, 0.5]), st.floats(-0.5, 0.5)),
    flange=st.floats(0.0, 0.8),
)
def test_the_stencil_holds_every_cell_of_any_ring(roads, cell, turn, tall, shear, mirror, column, row, flange):
    matrix = roads.raster_matrix(cell, turn=turn, tall=tall, shear=shear, mirror=mirror)
    surface = roads.make_surface(roads.plane(0.0), matrix=matrix, column=column, row=row)
    spacing = surface.spacing()
    inner, outer = inner_radius(np.array([flange]), spacing, RING)[0], outer_radius(spacing, RING)[0]
    samples = surface.samples(np.array([flange]), RING)
    seen = np.isfinite(samples.height[0])
    found = {tuple(offset) for offset in surface.stencil[seen].tolist()}
    # a cell on the edge of the ring may fall on either side of it
    assert brute_force(matrix, column, row, inner + 1e-9, outer - 1e-9) <= found
    assert found <= brute_force(matrix, column, row, inner - 1e-9, outer + 1e-9)
    assert samples.pattern[0] == len(found)


def test_the_stencil_does_not_depend_on_the_structures(roads):
    cells = np.linalg.inv(roads.raster_matrix(0.25, turn=0.3))[None]
    rng = np.random.default_rng(0)
    one = grid_stencil(cells, RING)
    for n in (2, 30):
        again = grid_stencil(np.repeat(cells, n, axis=0)[rng.permutation(n)], RING)
        assert np.array_equal(one, again)
    assert len({tuple(offset) for offset in one.tolist()}) == len(one)
    order = one[:, 0] * 10_000 + one[:, 1]
    assert (np.diff(order) > 0).all()


@pytest.mark.parametrize("cell", [0.1, 0.25, 0.5])
def test_the_stencil_is_no_larger_than_it_needs_to_be(roads, cell):
    # every cell of it is needed by a ring of some cover: nearest place of a cell <= outer, and farthest >= inner;
    # a cover may lie anywhere in its cell, so the band is one cell's diagonal wider than the ring
    cells = np.linalg.inv(roads.raster_matrix(cell))[None]
    band = np.pi * ((1.5 * 1.01 + cell) ** 2 - max(0.35 - 2.2 * cell, 0) ** 2) / cell**2
    assert len(grid_stencil(cells, RING)) <= 1.05 * band + 8


@settings(deadline=None, max_examples=60)
@given(
    cell=st.sampled_from([0.1, 0.25, 0.5, 1.0]),
    turn=st.floats(0, 2 * np.pi),
    tall=st.floats(0.5, 1.0),
    shear=st.floats(-0.3, 0.3),
    azimuth=st.floats(0, 2 * np.pi),
    place=st.tuples(st.floats(-0.5, 0.5), st.floats(-0.5, 0.5)),
)
def test_the_patch_holds_the_ring_and_the_bar(roads, cell, turn, tall, shear, azimuth, place):
    matrix = roads.raster_matrix(cell, turn=turn, tall=tall, shear=shear)
    half = patch_half(np.linalg.inv(matrix)[None], RING)
    reach = max(1.5, 2.5 * np.hypot(*matrix).max())
    end = np.linalg.inv(matrix) @ [reach * np.sin(azimuth), reach * np.cos(azimuth)] + place
    assert np.abs(end).max() + 1 <= half  # one more cell for the bilinear neighbour


def test_a_longer_bar_needs_a_larger_patch(roads):
    cells = np.linalg.inv(roads.raster_matrix(0.1))[None]
    assert patch_half(cells, Ring(bar_length=5.0)) >= 25
    assert patch_half(cells, Ring(bar_length=3.0)) < 20
