"""The road next to a cover: the gate that a kerb cannot pass, and whole road models."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import statsmodels.api as sm

from geoadjust.core.columns import Samples, arrays_of, take
from geoadjust.core.edge import edge_plane
from geoadjust.core.outline import Outlines
from geoadjust.core.plane import fit_planes, powers, solve_planes
from geoadjust.core.ring import Ring
from geoadjust.core.road import covariance, fit_roads

RING = Ring()
TRUTH = np.array([100.0, -0.02, 0.01])


# ----------------------------------------------------------------------------------------------------- the gate

GATE = 0.0025
CELLS = [0.1, 0.25]
NOISES = [0.0, 0.002, 0.004]


def moved(roads, step, where, *, cell, noise, n=60):
    """How far a step moves what the road model says under the cover: slope (n,) [m/m], height (n,) [m], models."""
    base = roads.plane(*TRUTH)
    stepped = roads.modelled(roads.covers(roads.raised(base, step, where), n=n, cell=cell, noise=noise))
    clean = roads.modelled(roads.covers(base, n=n, cell=cell, noise=noise))
    difference = roads.under_cover(stepped) - roads.under_cover(clean)
    return np.hypot(difference[:, 1], difference[:, 2]), np.abs(difference[:, 0]), stepped


def test_a_huber_fit_would_fail(roads):
    # contrast, another library: the worked example (150 mm kerb where e > 0.75, ring 0.81-1.5 m), statsmodels' Huber
    # fit gives gE near +4 % where the truth is -2 %
    z = roads.raised(roads.plane(*TRUTH), 0.15, lambda e, n: e > 0.75)
    samples = roads.covers(z)
    seen = np.isfinite(samples.height[0])
    basis = np.stack([np.ones(seen.sum()), samples.east[0, seen], samples.north[0, seen]], axis=1)
    huber = sm.RLM(samples.height[0, seen], basis, M=sm.robust.norms.HuberT()).fit(maxiter=200)
    assert huber.params[1] == pytest.approx(0.04, abs=0.01)
    models = roads.modelled(samples)
    assert models.slope_east == pytest.approx([-0.02], abs=1e-9)
    assert models.slope_north == pytest.approx([0.01], abs=1e-9)
    assert models.height == pytest.approx([100.0], abs=1e-9)


@pytest.mark.parametrize("noise", NOISES)
@pytest.mark.parametrize("cell", CELLS)
@pytest.mark.parametrize("step", [0.15, 1.2])
def test_a_raised_quarter_does_not_tilt_the_road(roads, step, cell, noise):
    where = roads.sector(np.linspace(0, 2 * np.pi, 60, endpoint=False), np.pi / 2)
    slope, height, models = moved(roads, step, where, cell=cell, noise=noise)
    assert slope.max() < GATE
    assert height.max() < 0.002
    share = models.left_out / (models.left_out + models.samples)
    assert share == pytest.approx(0.25, abs=0.05)
    assert (models.shape == 0).all()


@pytest.mark.parametrize("noise", NOISES)
@pytest.mark.parametrize("cell", CELLS)
@pytest.mark.parametrize("distance", [0.6, 0.65, 0.7, 0.75, 0.8, 0.9, 1.0, 1.1, 1.2, 1.35])
def test_a_kerb_does_not_tilt_the_road(roads, distance, cell, noise):
    where = roads.beyond(np.linspace(0, 2 * np.pi, 60, endpoint=False), distance)
    slope, height, models = moved(roads, 0.15, where, cell=cell, noise=noise)
    assert slope.max() < GATE
    assert height.max() < 0.003
    assert (models.shape == 0).all()


@pytest.mark.parametrize("noise", NOISES)
def test_a_sunk_quarter_does_not_tilt_the_road(roads, noise):
    where = roads.sector(np.linspace(0, 2 * np.pi, 60, endpoint=False), np.pi / 2)
    slope, height, _ = moved(roads, -0.05, where, cell=0.1, noise=noise)
    assert slope.max() < GATE
    assert height.max() < 0.002


@pytest.mark.parametrize("noise", NOISES)
@pytest.mark.parametrize("cell", CELLS)
@pytest.mark.parametrize("side", [0.02, 0.04])
def test_a_crown_off_centre_stays_at_its_least_squares_plane(roads, side, cell, noise):
    # a 2 + 2 % and a 4 + 4 % crown 0.2 m off the centre: no part of it is a kerb, nothing may be thrown out
    z = roads.crown(side, np.linspace(0, 2 * np.pi, 60, endpoint=False), 0.2)
    samples = roads.covers(z, n=60, cell=cell, noise=noise)
    planes, weights, _ = roads.fit(samples)
    valid = np.isfinite(samples.height)
    square = solve_planes(valid.astype(float), samples.east, samples.north, np.where(valid, samples.height, 0))
    assert np.hypot(*(planes - square)[:, 1:].T).max() < 0.001
    assert (weights[valid] > 0).all()


def test_a_road_with_16_mm_of_noise_is_still_found(roads):
    # 16 mm of stated noise on 0.1 m cells, a quarter raised by 150 mm; the gate itself ends at 4 mm
    n = 60
    z = roads.raised(roads.plane(*TRUTH), 0.15, roads.sector(np.linspace(0, 2 * np.pi, n, endpoint=False), np.pi / 2))
    samples = roads.covers(z, n=n, noise=0.016)
    clean = roads.covers(roads.plane(*TRUTH), n=n, noise=0.016)
    found, expected = (roads.under_cover(roads.modelled(s, noise=0.016)) for s in (samples, clean))
    assert np.hypot(*(found - expected)[:, 1:].T).max() < 2 * GATE
    # three standard errors of a slope from three quarters of 495 cells with an rms radius of 1.2 m, each axis
    assert np.hypot(found[:, 1] + 0.02, found[:, 2] - 0.01).max() < 0.006


# -------------------------------------------------------------------------------------------- documented limits


@pytest.mark.parametrize("cell", CELLS)
def test_limit_a_quarter_at_30_mm_tilts_the_road(roads, cell):
    # documented limit, not a truth: a plate as thick as the step reads as a fold and moves the road under the cover by
    # up to 2 %; a plane alone moves by about 1.1 %. This pins today's behaviour: the road is mostly called a break
    where = roads.sector(np.linspace(0, 2 * np.pi, 60, endpoint=False), np.pi / 2)
    slope, _, models = moved(roads, 0.03, where, cell=cell, noise=0.002)
    assert 0.005 < slope.max() < 0.02
    assert (models.shape == 1).mean() > 0.95
    planes, _, _ = roads.fit(roads.covers(roads.raised(roads.plane(*TRUTH), 0.03, where), n=60, cell=cell), 100.0)
    assert np.hypot(planes[:, 1] + 0.02, planes[:, 2] - 0.01) == pytest.approx(np.full(60, 0.0115), abs=0.0025)


@pytest.mark.parametrize("distance", [0.45, 0.5, 0.55])
def test_limit_a_kerb_across_a_third_of_the_ring(roads, distance):
    # documented limit: beyond a third of the ring no promise is made on the slope; more than a quarter is left out, so
    # the structure is flagged and goes to a person
    where = roads.beyond(np.linspace(0, 2 * np.pi, 60, endpoint=False), distance)
    slope, _, models = moved(roads, 0.15, where, cell=0.1, noise=0.002)
    share = models.left_out / (models.left_out + models.samples)
    assert (share > RING.max_left_out).all()
    assert (slope < GATE).mean() > 0.9


def test_limit_coarse_cells(roads):
    # documented limit: 0.5 m cells have some twenty samples; a kerb there is usually, not always, kept out of the slope
    where = roads.beyond(np.linspace(0, 2 * np.pi, 200, endpoint=False), np.linspace(0.6, 1.35, 200))
    slope, _, _ = moved(roads, 0.15, where, cell=0.5, noise=0.002, n=200)
    assert (slope < GATE).mean() > 0.95


# --------------------------------------------------------------------------------------------------- road models


def mixed(roads, n=211):
    """Samples of every sort of road: planes, kerbs, crowns, holes."""
    rng = np.random.default_rng(17)
    kind = np.arange(n) % 6
    turn = rng.uniform(0, 2 * np.pi, n)
    flat = roads.plane(rng.uniform(0, 900, n), rng.normal(0, 0.04, n), rng.normal(0, 0.04, n))
    bent = roads.folded(0, 0, 0, np.where(kind == 1, -0.05, 0.0), turn, rng.uniform(-0.6, 0.6, n))
    step = np.where(kind == 2, 0.15, np.where(kind == 3, 0.035, 0.0)).reshape(-1, 1, 1)

    def z(east, north):
        return flat(east, north) + bent(east, north) + step * roads.beyond(turn, 0.7)(east, north)

    gap = np.where(kind == 4, 0.9, np.where(kind == 5, 0.1, 9.0))
    return roads.covers(z, n=n, noise=0.003, hole=roads.beyond(turn, gap))


def test_splitting_rows_changes_no_bit(roads):
    samples = mixed(roads)
    whole = roads.modelled(samples)
    assert set(whole.shape.tolist()) == {0, 1}
    for size in (1, 97, 211):
        for start in range(0, 211, size):
            index = np.arange(start, min(start + size, 211))
            part = roads.modelled(take(samples, index))
            for (name, left), (_, right) in zip(arrays_of(take(whole, index)), arrays_of(part), strict=True):
                assert np.array_equal(left, right, equal_nan=left.dtype.kind == "f"), (name, size, start)


def test_order_of_rows_changes_no_bit(roads):
    samples = mixed(roads)
    order = np.random.default_rng(3).permutation(211)
    left, right = take(roads.modelled(samples), order), roads.modelled(take(samples, order))
    for (name, a), (_, b) in zip(arrays_of(left), arrays_of(right), strict=True):
        assert np.array_equal(a, b, equal_nan=a.dtype.kind == "f"), name


def test_counts_add_up(roads):
    samples = mixed(roads)
    models = roads.modelled(samples)
    count = np.isfinite(samples.height).sum(axis=1)
    assert np.array_equal(models.samples + models.left_out, count)
    assert np.array_equal(models.pattern, samples.pattern)
    assert models.coverage == pytest.approx(count / samples.pattern, abs=1e-15)
    assert np.array_equal(models.source, np.where(models.shape >= 0, 0, -1))
    fitted = models.source == 0
    assert np.array_equal(fitted, (count >= RING.min_samples) & (count >= RING.min_coverage * samples.pattern))
    for name in ("height", "slope_east", "slope_north", "rms", "scale"):
        assert np.array_equal(np.isfinite(getattr(models, name)), fitted)
    assert np.isfinite(models.covariance).all(axis=(1, 2)).tolist() == fitted.tolist()
    assert (models.fold[models.shape != 1] == 0).all()
    assert (models.left_out[~fitted] == 0).all()


def blank_rows(roads):
    """Samples of `mixed`, every third structure with too few of them or none."""
    samples = mixed(roads)
    height = samples.height.copy()
    height[::3] = np.nan
    height[3::6, 300:310] = 5.0
    return replace(samples, height=height)


def test_structures_without_a_road_are_data(roads):
    # a bad structure is NaN and a flag, never a warning, and changes no bit of its neighbours
    samples = blank_rows(roads)
    models = roads.modelled(samples)
    assert np.array_equal(models.source, np.where(np.arange(211) % 3 == 0, -1, 0))
    assert np.array_equal(models.shape < 0, models.source < 0)
    blank = models.source < 0
    for name in ("height", "slope_east", "slope_north", "rms", "scale"):
        assert np.array_equal(np.isnan(getattr(models, name)), blank)
    assert np.isnan(models.covariance[blank]).all()
    assert (models.left_out[blank] == 0).all()
    alone = roads.modelled(mixed(roads))
    for (name, left), (_, right) in zip(arrays_of(models), arrays_of(alone), strict=True):
        assert np.array_equal(left[~blank], right[~blank], equal_nan=left.dtype.kind == "f"), name
    for start in range(0, 211, 97):
        index = np.arange(start, min(start + 97, 211))
        part = roads.modelled(take(samples, index))
        for (name, left), (_, right) in zip(arrays_of(take(models, index)), arrays_of(part), strict=True):
            assert np.array_equal(left, right, equal_nan=left.dtype.kind == "f"), name


def test_too_few_samples_give_no_road(roads):
    samples = roads.covers(roads.plane(5.0, 0.01, 0.02), n=4, cell=0.25)
    height = samples.height.copy()
    seen = [np.flatnonzero(np.isfinite(row)) for row in height]
    height[0, seen[0][7:]] = np.nan  # seven: under min_samples
    height[1, seen[1][: len(seen[1]) // 2 + 1]] = np.nan  # under half of the pattern
    height[2] = np.nan
    models = roads.modelled(replace(samples, height=height))
    assert models.source.tolist() == [-1, -1, -1, 0]
    assert np.isnan(models.height[:3]).all()
    # seven and eight samples of a small pattern
    few = np.full(height.shape, np.nan)
    for i, count in enumerate((7, 8)):
        some = seen[i][:: len(seen[i]) // count][:count]
        few[i, some] = samples.height[i, some]
    models = roads.modelled(replace(samples, height=few, pattern=np.full(4, 10)))
    assert models.source.tolist() == [-1, 0, -1, -1]
    coarse = replace(samples, spacing=np.array([1.24, 1.25, 1.26, 2.0]))
    assert roads.modelled(coarse).source.tolist() == [0, 0, -1, -1]
    # samples on one line, enough of them by count: no plane, no exception
    line = Samples(
        east=np.linspace(-1, 1, 20)[None],
        north=np.zeros((1, 20)),
        height=np.ones((1, 20)),
        pattern=np.array([20]),
        spacing=np.array([0.1]),
        widened=np.array([False]),
    )
    models = roads.modelled(line)
    assert models.source.tolist() == [-1]
    assert np.isnan(models.covariance).all()


def test_scatter_is_that_of_the_kept_samples(roads):
    # naive twin of rms: sqrt(sum of squares / (kept - 3)) about the model, one row after the other
    samples = mixed(roads)
    models = roads.modelled(samples)
    _, weights, _ = roads.fit(samples)
    for i in np.flatnonzero(models.shape == 0):
        kept = weights[i] > 0
        slopes = models.slope_east[i] * samples.east[i] + models.slope_north[i] * samples.north[i]
        r = samples.height[i] - models.height[i] - slopes
        assert models.rms[i] == pytest.approx(np.sqrt((r[kept] ** 2).sum() / (kept.sum() - 3)), rel=1e-6)


def test_noise_comes_back_as_scatter_and_scale(roads):
    models = roads.modelled(roads.covers(roads.plane(40.0, 0.01, 0.0), n=300, noise=0.010))
    assert models.rms.mean() == pytest.approx(0.010, rel=0.02)
    assert models.scale.mean() == pytest.approx(0.010, rel=0.02)


def test_covariance_is_the_textbooks(roads):
    # statsmodels' OLS: s^2 (X'X)^-1
    samples = roads.covers(roads.plane(0.0, 0.01, 0.0), n=3, cell=0.25, noise=0.01, hole=lambda e, n: e + n > 1)
    valid = np.isfinite(samples.height)
    scale = np.array([0.006, 0.01, 0.02])
    found = covariance(valid, powers(samples.east, samples.north), scale)
    for i in range(3):
        basis = sm.add_constant(np.stack([samples.east[i], samples.north[i]], axis=1)[valid[i]])
        ols = sm.OLS(samples.height[i, valid[i]], basis).fit()
        expected = ols.cov_params() * scale[i] ** 2 / ols.mse_resid
        assert found[i] == pytest.approx(expected, rel=1e-9)


def test_covariance_tells_the_spread_of_the_fits(roads):
    # simulation: fits on many rings of the same road scatter as the covariance says (5 % more: bisquare)
    models = roads.modelled(roads.covers(roads.plane(40.0, 0.01, 0.0), n=1500, cell=0.25, noise=0.010))
    plain = models.shape == 0
    assert plain.mean() > 0.99
    said = np.sqrt(np.einsum("naa->na", models.covariance[plain]).mean(axis=0))
    spread = [getattr(models, name)[plain].std() for name in ("height", "slope_east", "slope_north")]
    assert spread == pytest.approx(said * 1.026, rel=0.08)


@pytest.mark.parametrize("shape", ["round", "rectangle"])
def test_covariance_of_a_broken_road_is_that_along_the_frame(roads, shape):
    # simulation: the edge's planes of many noisy crowns scatter as said, once the samples' own noise is put in
    n = 1500
    samples = roads.covers(roads.crown(0.03, 0.7, 0.1, height=40.0), n=n, noise=0.004)
    edge = roads.edge(samples)
    if shape == "rectangle":
        edge = Outlines(np.full(n, 0.4), np.full(n, 0.8), np.full(n, 0.2))
    models = fit_roads(samples, RING, edge, noise=0.004)
    assert (models.shape == 1).mean() > 0.99
    found = edge_plane(models, edge)
    variance = np.einsum("naa->na", models.covariance) * (models.noise / models.scale)[:, None] ** 2
    assert found.std(axis=0) == pytest.approx(np.sqrt(variance.mean(axis=0)), rel=0.08)
    # and so do its heights 0.4 m off in eight directions: without the correlations some would be 15 to 30 % off
    turn = np.arange(8) * np.pi / 4
    basis = np.stack([np.ones(8), 0.4 * np.sin(turn), 0.4 * np.cos(turn)], axis=1)
    said = models.covariance * ((models.noise / models.scale) ** 2)[:, None, None]
    spread = np.sqrt(np.einsum("ka,nab,kb->nk", basis, said, basis).mean(axis=0))
    assert (found @ basis.T).std(axis=0) == pytest.approx(spread, rel=0.1)


def test_noise_of_a_sample_is_the_stated_one_else_the_scatter(roads):
    # bisquare weights cost 5 % of the efficiency of least squares: a sample counts as 0.95 of one
    samples = roads.covers(roads.plane(40.0, 0.01, 0.0), n=4, noise=0.010)
    stated, found = roads.modelled(samples, noise=0.007), roads.modelled(samples)
    assert stated.noise == pytest.approx(np.full(4, 0.007 / np.sqrt(0.95)), rel=1e-12)
    assert found.noise == pytest.approx(found.rms / np.sqrt(0.95), rel=1e-12)


@pytest.mark.parametrize(("density", "points"), [(0.0, 1.0), (4.0, 1.0), (1.0, 0.25), (0.4, 0.1), (400.0, 1.0)])
def test_cells_of_few_points_share_their_errors(roads, density, points):
    # cells of 0.5 m hold a quarter of a point each at one point per square metre; many points per cell add nothing
    samples = roads.covers(roads.plane(40.0, 0.01, 0.0), n=3, cell=0.5)
    found = roads.modelled(samples, noise=0.010, density=density)
    assert found.noise == pytest.approx(np.full(3, 0.010 / np.sqrt(0.95 * points)), rel=1e-9)


def test_a_stated_noise_widens_the_gate(roads):
    # 16 mm of noise: residuals reach 3.9 sd in 495 cells. The gate of 28 mm is not what a plane of them looks like;
    # with the noise stated it is 48 mm, so that the start is least squares of the whole ring, as on a quiet road
    samples = roads.covers(roads.plane(0.0, 0.02, 0.01), n=60, noise=0.016)
    planes, weight, _ = fit_planes(
        powers(samples.east, samples.north), samples.height, step=0.048, floor=RING.noise_floor
    )
    models = roads.modelled(samples, noise=0.016)
    plain = models.shape == 0
    assert plain.mean() > 0.9
    assert models.height[plain] == pytest.approx(planes[plain, 0], abs=1e-12)
    assert models.samples[plain].tolist() == (weight > 0).sum(axis=1)[plain].tolist()
