"""Cells of points: exact sums, the places of means, planes read back, heights between cells, the limit of a raster."""

from __future__ import annotations

from collections import defaultdict
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geoadjust.core import cloud
from geoadjust.core.cloud import choose_cell, merge_sums, no_sums, plan_cells, spread_cells, sum_points
from geoadjust.core.columns import take
from geoadjust.core.ring import Ring, inner_radius
from geoadjust.core.road import fit_roads

RING = Ring()
FLANGE = 0.4575
FOOT = 0.3048
JACOBIANS = {
    "metres": np.eye(2),
    "feet, turned": np.array([[0.8, 0.6], [-0.6, 0.8]]) / FOOT,
    "mirrored": np.array([[-1.0, 0.0], [0.0, 1.0002]]),
    "degrees": np.diag([1 / 78_000, 1 / 111_200]),
}


def scatter(n, density, reach=2.5, seed=0):
    """Structure, east and north [m] of points scattered evenly round n structures."""
    rng = np.random.default_rng(seed)
    count = rng.poisson(density * (2 * reach) ** 2, n)
    who = np.repeat(np.arange(n), count)
    return who, *rng.uniform(-reach, reach, (2, len(who)))


def keyed(plan, who, east, north):
    """Key of each point's cell, and which points have one; from the definition of a cell."""
    column, row = np.floor(east / plan.cell + 0.5), np.floor(north / plan.cell + 0.5)
    on = (np.abs(column) <= plan.half) & (np.abs(row) <= plan.half)
    key = (who * plan.size + row + plan.half) * plan.size + column + plan.half
    return key.astype(np.int64), on


def made(road, *, density=20.0, cell=0.25, n=3, seed=0, jacobian=None, unit=1.0, noise=0.0, gap=None):
    """A CloudSurface of the road z(e, n) [m], its points scattered evenly; `gap(e, n)` says where there is none."""
    jacobian = np.eye(2) if jacobian is None else jacobian
    per_unit = 1e6 if np.abs(jacobian).max() > 1e-3 else 1e11
    plan = plan_cells(cell, RING, per_unit=per_unit)
    who, east, north = scatter(n, density, seed=seed)
    if gap is not None:
        keep = ~gap(east, north)
        who, east, north = who[keep], east[keep], north[keep]
    height = road(east[:, None, None], north[:, None, None])[:, 0, 0]
    height = height + np.random.default_rng(seed + 1).normal(0, noise, len(east)) if noise else height
    place = np.random.default_rng(seed + 2).uniform(0.1, 0.9, (2, n))
    corner = np.rint(place * per_unit)
    off = np.rint((place[:, who] + jacobian @ np.stack([east, north])) * per_unit) - corner[:, who]
    key, on = keyed(plan, who, east, north)
    sums = sum_points(*(part[..., on].astype(np.int64) for part in (key, *off, np.rint(height / unit * 1e6))))
    return spread_cells(sums, plan, *place, np.broadcast_to(jacobian, (n, 2, 2)), unit)


def modelled(roads, surface, side=None):
    samples = surface.samples(roads.flange(surface), RING, side)
    return fit_roads(samples, RING, roads.edge(samples))


@pytest.mark.parametrize("jacobian", JACOBIANS.values(), ids=JACOBIANS)
@pytest.mark.parametrize("cell", [0.1, 0.25, 0.55])
@pytest.mark.parametrize("unit", [1.0, FOOT])
def test_a_plane_comes_back_wherever_its_points_lie(roads, jacobian, cell, unit):
    # closed form: the mean of points of a plane is a point of the plane; coordinates are read to a micrometre
    road = roads.plane(1234.5, 0.021, -0.034)
    surface = made(road, jacobian=jacobian, cell=cell, density=3 / cell**2, unit=unit)
    models = modelled(roads, surface)
    assert models.height == pytest.approx(np.full(3, 1234.5), abs=1e-6)
    assert models.slope_east == pytest.approx(np.full(3, 0.021), abs=2e-6)
    assert models.slope_north == pytest.approx(np.full(3, -0.034), abs=2e-6)
    assert (models.spacing == cell).all()


def test_cells_hold_the_means_of_their_points(roads):
    # naive twin: exact fractions, one point after the other
    plan = plan_cells(0.3, RING)
    who, east, north = scatter(4, 15.0, seed=5)
    height = np.random.default_rng(5).uniform(-3, 900, len(who))
    steps = [np.rint(values * 1e6).astype(np.int64) for values in (east, north, height)]
    key, on = keyed(plan, who, east, north)
    sums = sum_points(key[on], *(values[on] for values in steps))
    surface = spread_cells(sums, plan, np.zeros(4), np.zeros(4), np.broadcast_to(np.eye(2), (4, 2, 2)), 1.0)
    cells = defaultdict(list)
    for point in np.flatnonzero(on).tolist():
        column, row = (int(np.floor(v[point] / 0.3 + 0.5)) + plan.half for v in (east, north))
        cells[int(who[point]), row, column].append([Fraction(int(v[point]), 10**6) for v in steps])
    assert len(sums) == len(cells) == np.isfinite(surface.height).sum()
    for place, points in cells.items():
        means = [float(sum(values) / len(points)) for values in zip(*points, strict=True)]
        found = [surface.east[place], surface.north[place], surface.height[place]]
        assert found == pytest.approx(means, abs=1e-12)
    assert sums.points(4, plan).tolist() == np.bincount(who[on], minlength=4).tolist()


@settings(deadline=None, max_examples=40)
@given(seed=st.integers(0, 2**32 - 1), parts=st.integers(1, 9))
def test_sums_do_not_depend_on_order_or_division(seed, parts):
    rng = np.random.default_rng(seed)
    count = int(rng.integers(1, 400))
    table = rng.integers(-(10**12), 10**12, (4, count))
    table[0] = rng.integers(0, 30, count)
    whole = sum_points(*table)
    order, cuts = rng.permutation(count), np.sort(rng.integers(0, count, parts - 1))
    pieces = [sum_points(*table[:, index]) for index in np.split(order, cuts)]
    again = merge_sums([pieces[i] for i in rng.permutation(parts)])
    assert (again.key == whole.key).all()
    assert (again.total == whole.total).all()
    assert whole.total[0].sum() == count
    assert (np.diff(whole.key) > 0).all()


def test_sums_of_some_structures_count_from_zero():
    plan = plan_cells(0.5, RING)
    cells = plan.size**2
    key = np.array([0, cells - 1, cells, 3 * cells + 7])
    sums = sum_points(key, *np.arange(12).reshape(3, 4))
    assert sums.between(1, 4, plan).key.tolist() == [0, 2 * cells + 7]
    assert sums.between(1, 4, plan).total.tolist() == [[1, 1], [2, 3], [6, 7], [10, 11]]
    assert len(sums.between(2, 3, plan)) == 0
    assert len(merge_sums([])) == len(no_sums()) == len(sum_points(*np.empty((4, 0), dtype=np.int64))) == 0
    assert sums.points(5, plan).tolist() == [2, 1, 0, 1, 0]


def test_the_ring_is_that_of_the_cells_centres(roads):
    # naive twin over every cell; density so low that some are empty
    surface = made(roads.plane(9.0), density=10.0, cell=0.25)
    side = np.array([np.nan, 0.7, 4.0])
    samples = surface.samples(roads.flange(surface), RING, side)
    half = surface.height.shape[1] // 2
    for one in range(3):
        pattern, expected = 0, set()
        for row in range(-half, half + 1):
            for column in range(-half, half + 1):
                east, north = 0.25 * column, 0.25 * row
                ahead = east * np.sin(side[one]) + north * np.cos(side[one])
                if FLANGE + 0.35 <= np.hypot(east, north) <= 1.5 and not ahead < 0:
                    pattern += 1
                    place = one, row + half, column + half
                    if np.isfinite(surface.height[place]):
                        expected.add((surface.east[place], surface.north[place]))
        seen = np.isfinite(samples.height[one])
        assert samples.pattern[one] == pattern
        assert set(zip(samples.east[one, seen], samples.north[one, seen], strict=True)) == expected
        assert 0 < seen.sum() < pattern
    assert np.isfinite(samples.east).all()
    assert not samples.widened.any()


@pytest.mark.parametrize("cell", [0.1, 0.3, 0.6, 1.0])
def test_no_sample_has_a_point_on_the_casting(roads, cell):
    # iron of another height inside the flange shows in no sample, whatever the cell
    road = roads.raised(roads.plane(20.0), 5.0, lambda e, n: np.hypot(e, n) <= FLANGE)
    surface = made(road, density=60.0, cell=cell)
    samples = surface.samples(roads.flange(surface), RING)
    assert np.nanmax(samples.height) == pytest.approx(20.0, abs=1e-6)
    assert (surface.height > 20.5).any()
    assert (samples.widened == (cell > 0.6)).all()
    assert inner_radius(np.array([FLANGE]), np.array([cell]), RING)[0] - cell * np.sqrt(0.5) > FLANGE


@pytest.mark.parametrize("cell", [0.15, 0.4])
def test_cells_of_a_plan_hold_ring_and_bar(cell):
    plan = plan_cells(cell, RING)
    reach = (plan.half - 1) * cell
    assert reach >= max(RING.outer_radius, RING.bar_length / 2)
    assert np.abs(plan.stencil).max() <= plan.half
    centres = np.hypot(*(plan.stencil.T * cell))
    rows, columns = np.mgrid[-plan.half : plan.half + 1, -plan.half : plan.half + 1] * cell
    every = np.hypot(rows, columns)
    wanted = (every >= 0.35) & (every <= 1.5)
    assert (np.sort(centres[(centres >= 0.35) & (centres <= 1.5)]) == np.sort(every[wanted])).all()


def test_heights_between_cells_are_exact_on_a_plane(roads):
    surface = made(roads.plane(40.0, 0.05, -0.08), density=200.0, cell=0.2)
    models = modelled(roads, surface)
    east, north = np.random.default_rng(3).uniform(-1.5, 1.5, (2, 3, 50))
    heights = surface.levelled(models).heights_at(east, north)
    assert heights == pytest.approx(40.0 + 0.05 * east - 0.08 * north, abs=2e-6)
    assert surface.levelled(models).step == 0.2
    assert (surface.levelled(models).spacing() == surface.spacing()).all()


def test_heights_between_cells_are_those_of_a_naive_twin(roads):
    surface = made(roads.crown(0.02, 0.7, 0.1), density=25.0, cell=0.25, noise=0.01)
    models = modelled(roads, surface)
    east, north = np.random.default_rng(4).uniform(-2.4, 2.4, (2, 3, 200))
    heights = surface.levelled(models).heights_at(east, north)
    half = surface.height.shape[1] // 2

    def road(one, e, n):
        beyond = e * np.sin(models.fold_azimuth[one]) + n * np.cos(models.fold_azimuth[one]) - models.fold_offset[one]
        plane = models.height[one] + models.slope_east[one] * e + models.slope_north[one] * n
        return plane + models.fold[one] * max(beyond, 0.0)

    for one in range(3):
        for at in range(200):
            e, n = east[one, at], north[one, at]
            total = carried = 0.0
            for row in range(2 * half + 1):
                for column in range(2 * half + 1):
                    x, y = 1 - abs(e / 0.25 + half - column), 1 - abs(n / 0.25 + half - row)
                    place = one, row, column
                    if x > 0 and y > 0 and np.isfinite(surface.height[place]):
                        above = surface.height[place] - road(one, surface.east[place], surface.north[place])
                        total, carried = total + x * y * above, carried + x * y
            if max(abs(e), abs(n)) < half * 0.25 and carried >= 0.5:
                assert heights[one, at] == pytest.approx(road(one, e, n) + total / carried, abs=1e-9)
            else:
                assert np.isnan(heights[one, at])
    assert 100 < np.isfinite(heights).sum() < heights.size


def test_without_a_model_there_is_no_height_between_cells(roads):
    surface = made(roads.plane(3.0), gap=lambda e, n: e > -1.2)
    models = modelled(roads, surface)
    assert (models.source == -1).all()
    assert np.isnan(surface.levelled(models).heights_at(np.full((3, 2), -1.4), np.zeros((3, 2)))).all()


@pytest.mark.parametrize(
    "road", ["crown", "valley", "twist", "kerb"], ids=["crown", "valley", "twisted", "a kerb and its gutter"]
)
def test_dense_points_give_the_raster_of_the_same_road(roads, road):
    # limit: as points fill the cells, means tend to the cells' own, and cells to a raster's; own bounds on what is left
    z = {
        "crown": roads.crown(0.02, 0.7, 0.13, height=20.0, slope_east=0.01),
        "valley": roads.folded(20.0, 0.01, -0.02, 0.05, 2.0, -0.2),
        "twist": lambda e, n: 20.0 + 0.02 * e + 0.002 * e * n,
        "kerb": roads.raised(roads.plane(20.0, 0.02, 0.01), 0.12, roads.beyond(1.0, 0.95)),
    }[road]
    raster = roads.make_surface(z, matrix=0.1, n=8)
    truth = roads.under_cover(modelled(roads, raster))
    errors = []
    for density, cell in ((40.0, 0.3), (4000.0, 0.1)):
        found = roads.under_cover(modelled(roads, made(z, density=density, cell=cell, n=8)))
        errors.append(np.abs(found - truth).mean(axis=0))
    assert (errors[1] <= 5e-4).all()
    assert (errors[0] <= 2e-3).all()


def test_a_subset_is_the_same(roads):
    surface = made(roads.crown(0.03, 1.0), n=6, density=12.0, noise=0.01)
    index = np.array([4, 1])
    some, models = surface.take(index), modelled(roads, surface)
    assert len(some) == 2
    assert (modelled(roads, some).height == models.height[index]).all()
    places = np.random.default_rng(0).uniform(-1, 1, (2, 6, 5))
    whole = surface.levelled(models).heights_at(*places)
    part = some.levelled(take(models, index)).heights_at(*places[:, index])
    assert np.array_equal(part, whole[index], equal_nan=True)


def test_noise_of_points_averages_out_in_cells(roads):
    # sd of a mean of k points: sd / sqrt(k), k = 16 on average, Poisson; 3 % beside what a draw can give
    surface = made(roads.plane(5.0), density=1600.0, cell=0.1, n=40, noise=0.02)
    assert np.nanstd(surface.height - 5.0) == pytest.approx(0.02 / 4, rel=0.1)


def test_a_cell_is_chosen_for_about_three_pulses():
    for density in np.geomspace(2, 200, 30):
        points = choose_cell(density) ** 2 * density
        assert 1.5 <= points <= 4.5
    assert choose_cell(1e6) == cloud.LEAST_CELL
    sides = [choose_cell(density) for density in np.geomspace(1, 1e5, 60)]
    assert sides == sorted(sides, reverse=True)
