"""Two planes that meet in a break: found where there is one, exactly; not found where there is none."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import minimize

from geoadjust.core.edge import edge_plane
from geoadjust.core.fold import LEAST_CHANGE, find_folds
from geoadjust.core.plane import fit_planes, powers
from geoadjust.core.ring import Ring
from geoadjust.core.road import fit_roads
from geoadjust.core.robust import BISQUARE

RING = Ring()


def covers(roads, z, *, n=1, cell=0.1, seed=1, noise=0.0, **more):
    """Samples of n covers anywhere in their cell on the road z."""
    column, row = np.random.default_rng(seed + 1000).uniform(-0.5, 0.5, (2, n))
    surface = roads.make_surface(z, matrix=cell, column=column, row=row, noise=noise, seed=seed, **more)
    return surface.samples(roads.flange(surface), RING)


def folds(samples):
    """Folds of the samples, with the planes and settings of a whole run."""
    settings_ = {"step": RING.step, "floor": RING.noise_floor}
    planes, _, _ = fit_planes(powers(samples.east, samples.north), samples.height, **settings_)
    return find_folds(powers(samples.east, samples.north), samples.height, planes, **settings_)


def under_cover(roads, samples):
    """Height and slopes of the road along the frame's edge, (n, 3)."""
    models = fit_roads(samples, RING, roads.edge(samples))
    return edge_plane(models, roads.edge(models)), models


@settings(deadline=None, max_examples=80)
@given(
    cell=st.sampled_from([0.1, 0.25]),
    side=st.one_of(st.floats(0.01, 0.06), st.floats(-0.06, -0.01)),
    azimuth=st.floats(0, 2 * np.pi),
    offset=st.floats(-0.7, 0.7),
    slopes=st.tuples(st.floats(-0.08, 0.08), st.floats(-0.08, 0.08)),
    place=st.tuples(st.floats(-0.5, 0.5), st.floats(-0.5, 0.5)),
)
def test_a_clean_break_comes_back(roads, cell, side, azimuth, offset, slopes, place):
    # closed form: the road is -side |s - offset| plus a plane; crowns (side > 0) and valleys (side < 0)
    z = roads.crown(side, azimuth, offset, height=100.0, slope_east=slopes[0], slope_north=slopes[1])
    surface = roads.make_surface(z, matrix=cell, column=place[0], row=place[1])
    samples = surface.samples(roads.flange(surface), RING)
    found = folds(samples)
    assert found.found.tolist() == [True]
    assert found.change == pytest.approx([-2 * side], abs=1e-6)
    # one break has two descriptions: across it either way. The gentler it is, the less its place matters
    direct = np.cos(found.azimuth[0] - azimuth)
    assert np.sin(found.azimuth[0] - azimuth) * side == pytest.approx(0, abs=1e-6)
    assert (found.offset[0] * np.sign(direct) - offset) * side == pytest.approx(0, abs=1e-6)
    seen = np.isfinite(samples.height)
    plane = (
        found.planes[:, 0, None] + found.planes[:, 1, None] * samples.east + found.planes[:, 2, None] * samples.north
    )
    model = plane + found.lift(samples.east, samples.north)
    assert np.abs(model - samples.height)[seen].max() < 1e-6


@pytest.mark.parametrize("cell", [0.1, 0.25])
def test_the_road_under_a_crown_is_not_the_ring_plane(roads, cell):
    # worked number of the product's own definition: on a 2 + 2 % crown a plane through the ring reads 15 mm low where
    # the mean along the frame's edge is 4.2 mm below the apex (2 c R / pi = 4.2017 mm)
    samples = covers(roads, roads.crown(0.02), n=20, cell=cell)
    plane, _, _ = fit_planes(
        powers(samples.east, samples.north), samples.height, step=RING.step, floor=RING.noise_floor
    )
    assert plane[:, 0] == pytest.approx(np.full(20, -0.015), abs=0.001)
    road, _ = under_cover(roads, samples)
    assert road[:, 0] == pytest.approx(np.full(20, -0.0042017), abs=1e-7)


@pytest.mark.parametrize("turn", [0.0, 0.6, np.pi / 2, 2.5])
def test_noise_leaves_the_road_under_a_crown_where_it_is(roads, turn):
    # simulation, 3 mm noise on 0.1 m cells: mean error of the height under the cover below 0.2 mm, no bias
    n = 400
    samples = covers(roads, roads.crown(0.02, turn), n=n, noise=0.003)
    road, models = under_cover(roads, samples)
    error = road[:, 0] + 2 * 0.02 * roads.FRAME / np.pi
    assert np.abs(error).mean() < 0.0002
    assert abs(error.mean()) < 4 * error.std() / np.sqrt(n)
    assert np.hypot(road[:, 1], road[:, 2]).mean() < 0.0015
    assert (models.shape == 1).all()


@pytest.mark.parametrize("cell", [0.1, 0.25, 0.5, 1.0])
@pytest.mark.parametrize("noise", [0.001, 0.003, 0.006, 0.02])
def test_a_plane_with_noise_is_no_break(roads, cell, noise):
    found = folds(covers(roads, roads.plane(0.0, 0.02, 0.01), n=500, cell=cell, noise=noise, seed=77))
    assert found.found.mean() < 0.01


@pytest.mark.parametrize("cell", [0.1, 0.25])
def test_a_gutter_at_the_edge_of_the_ring(roads, cell):
    # a gutter line 0.9 m off, 8 % steeper behind it: the road under the cover is the near plane, nothing else
    n = 40
    turn = np.linspace(0, 2 * np.pi, n, endpoint=False)
    z = roads.folded(100.0, -0.02, 0.01, 0.08, turn, 0.9)
    road, models = under_cover(roads, covers(roads, z, n=n, cell=cell))
    assert road == pytest.approx(np.tile([100.0, -0.02, 0.01], (n, 1)), abs=1e-8)
    assert (models.shape == 1).all()
    noisy, _ = under_cover(roads, covers(roads, z, n=n, cell=cell, noise=0.003))
    assert np.abs(noisy[:, 0] - 100).max() < 0.002
    assert np.hypot(noisy[:, 1] + 0.02, noisy[:, 2] - 0.01).max() < 0.0025


@pytest.mark.parametrize("noise", [0.0, 0.002, 0.004])
@pytest.mark.parametrize("cell", [0.1, 0.25])
@pytest.mark.parametrize("step", [0.15, 1.2])
def test_a_step_is_no_break(roads, step, cell, noise):
    n = 40
    turn = np.linspace(0, 2 * np.pi, n, endpoint=False)
    flat = roads.plane(0.0, -0.02, 0.01)
    for where in (roads.sector(turn, np.pi / 2), *(roads.beyond(turn, d) for d in (0.6, 0.7, 0.9, 1.1, 1.35))):
        assert not folds(covers(roads, roads.raised(flat, step, where), n=n, cell=cell, noise=noise)).found.any()


@pytest.mark.parametrize("noise", [0.0, 0.001, 0.002])
def test_a_sunk_patch_is_no_break(roads, noise):
    n = 40
    where = roads.sector(np.linspace(0, 2 * np.pi, n, endpoint=False), np.pi / 2)
    z = roads.raised(roads.plane(0.0, -0.02, 0.01), -0.05, where)
    assert not folds(covers(roads, z, n=n, noise=noise)).found.any()


def test_a_change_below_the_least_is_no_break(roads):
    for change, expected in ((0.9 * LEAST_CHANGE, False), (2 * LEAST_CHANGE, True)):
        found = folds(covers(roads, roads.folded(0.0, 0.01, 0.0, change, 0.3, 0.1), n=5))
        assert found.found.tolist() == [expected] * 5
        assert expected or not found.change.any()


def test_a_break_outside_the_ring_is_no_break(roads):
    # nothing of it can be seen
    for offset in (-1.6, 1.6):
        assert not folds(covers(roads, roads.folded(0.0, 0.01, 0.0, 0.08, 1.0, offset), n=5)).found.any()


def test_a_dome_does_not_pass_for_a_crown_between_two_planes(roads):
    # a road that bends gently along both axes alike has no direction of its own; whatever is reported, the height
    # under the cover stays between the apex and the ring
    samples = covers(roads, lambda e, n: -0.004 * (e * e + n * n), n=10)
    road, _ = under_cover(roads, samples)
    assert (road[:, 0] < 0.001).all()
    assert (road[:, 0] > -0.004 * 1.5**2).all()


def twin(east, north, height, start):
    """The break with the least bisquare loss at the floor's scale, by scipy's simplex search from `start`."""
    limit = BISQUARE * RING.noise_floor

    def model(parameters):
        h, a, b, k, azimuth, offset = parameters
        return h + a * east + b * north + k * np.maximum(0, east * np.sin(azimuth) + north * np.cos(azimuth) - offset)

    def loss(parameters):
        u = np.minimum(np.abs(height - model(parameters)) / limit, 1)
        return (1 - (1 - u * u) ** 3).sum()

    best = np.array(start, dtype=float)
    for _ in range(3):
        options = {"xatol": 1e-9, "fatol": 1e-13, "maxiter": 6000, "maxfev": 6000, "adaptive": True}
        best = minimize(loss, best, method="Nelder-Mead", options=options).x
    return best, loss


@pytest.mark.parametrize("case", range(4))
def test_a_noisy_break_is_scipys(roads, case):
    # another optimiser: Nelder-Mead on the same loss (Beaton and Tukey's rho; noise below the floor, so one scale)
    rng = np.random.default_rng(case)
    truth = [0.0, 0.02, -0.01, -0.05, rng.uniform(0.3, 2.8), rng.uniform(-0.4, 0.4)]
    samples = covers(roads, roads.folded(*truth), n=1, noise=0.003, seed=case)
    found = folds(samples)
    seen = np.isfinite(samples.height[0])
    east, north, height = (values[0, seen] for values in (samples.east, samples.north, samples.height))
    ours = np.array([*found.planes[0], found.change[0], found.azimuth[0], found.offset[0]])
    best, loss = twin(east, north, height, ours)
    other, _ = twin(east, north, height, truth)
    assert min(loss(best), loss(other)) >= loss(ours) * (1 - 2e-3)
    frame = roads.edge(samples)
    edges = [edge_plane(roads.road_models(*p), frame)[0] for p in (ours, best)]
    assert edges[0] == pytest.approx(edges[1], abs=2e-4)


def test_where_nothing_is_found_everything_is_nought(roads):
    found = folds(covers(roads, roads.plane(0.0, 0.02, 0.03), n=3, noise=0.002))
    for name in ("found", "planes", "change", "azimuth", "offset", "weight", "cofactor"):
        assert not getattr(found, name).any()
    assert (found.lift(np.ones((3, 4)), np.ones((3, 4))) == 0).all()


def test_splitting_rows_changes_no_bit(roads):
    n = 60
    turn = np.linspace(0, np.pi, n)
    change = np.where(np.arange(n) % 3 == 0, 0.0, -0.04)
    samples = covers(roads, roads.folded(10.0, 0.01, 0.0, change, turn, 0.1), n=n, noise=0.003)
    planes, _, _ = fit_planes(powers(samples.east, samples.north), samples.height, step=0.028, floor=0.006)
    parts = (powers(samples.east, samples.north), samples.height, planes)
    whole = find_folds(*parts, step=0.028, floor=0.006)
    assert whole.found.sum() == (change != 0).sum()
    for size in (1, 7):
        for i in range(0, n, size):
            some = find_folds(*(part[i : i + size] for part in parts), step=0.028, floor=0.006)
            for name in ("found", "planes", "change", "azimuth", "offset", "weight", "cofactor"):
                assert np.array_equal(getattr(whole, name)[i : i + size], getattr(some, name)), name


def test_limit_coarse_cells(roads):
    # documented limit: 0.5 m cells have some twenty samples for six unknowns; a clean 2 + 2 % crown is found in nearly
    # all places, not in all, and the height under the cover is then off by up to 4 mm. Pins today's behaviour
    n = 400
    rng = np.random.default_rng(5)
    turn, offset = rng.uniform(0, np.pi, n), rng.uniform(-0.7, 0.7, n)
    samples = covers(roads, roads.crown(0.02, turn, offset), n=n, cell=0.5)
    road, _ = under_cover(roads, samples)
    east, north = (roads.FRAME * f(np.linspace(0, 2 * np.pi, 2000, endpoint=False)) for f in (np.sin, np.cos))
    across = np.sin(turn)[:, None] * east + np.cos(turn)[:, None] * north - offset[:, None]
    error = np.abs(road[:, 0] - (-0.02 * np.abs(across)).mean(axis=1))
    assert (error < 1e-6).mean() > 0.97
    assert error.max() < 0.006
