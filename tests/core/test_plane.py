"""Planes through samples: least squares, scale, weights and rounds, against libraries, tables, real relief."""

from __future__ import annotations

import importlib.metadata
import statistics
from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import ndimage, stats

from geoadjust.core.plane import ROUNDS, fit_planes, powers, residuals, solve_planes
from geoadjust.core.ring import Ring
from geoadjust.core.road import covariance
from geoadjust.core.robust import BISQUARE, MAD_TO_SD, bisquare, robust_scale

RING = Ring()


def lstsq(east, north, height, weight=None):
    """One least-squares plane, by numpy's singular values."""
    basis = np.stack([np.ones_like(east), east, north], axis=1)
    root = np.ones_like(east) if weight is None else np.sqrt(weight)
    return np.linalg.lstsq(basis * root[:, None], height * root, rcond=None)[0]


def exact_plane(east, north, height):
    """Slopes east and north of one least-squares plane, in rational numbers."""
    e, n, z = ([Fraction(float(v)) for v in values] for values in (east, north, height))
    k = len(e)
    e, n, z = ([v - sum(values) / k for v in values] for values in (e, n, z))
    pairs = (e, e), (e, n), (n, n), (e, z), (n, z)
    ee, en, nn, ez, nz = (sum(a * b for a, b in zip(x, y, strict=True)) for x, y in pairs)
    determinant = ee * nn - en * en
    return float((nn * ez - en * nz) / determinant), float((ee * nz - en * ez) / determinant)


@settings(deadline=None, max_examples=100)
@given(seed=st.integers(0, 10**6), m=st.integers(3, 60), scale=st.floats(0.01, 1e4))
def test_planes_are_numpys_least_squares(seed, m, scale):
    rng = np.random.default_rng(seed)
    east, north = rng.uniform(-scale, scale, (2, 4, m))
    height, weight = rng.normal(0, 1, (4, m)), rng.uniform(0.1, 1, (4, m))
    offsets = zip(east, north, strict=True)
    spread = [np.linalg.svd(np.stack([e - e.mean(), n - n.mean()]), compute_uv=False) for e, n in offsets]
    planes = solve_planes(weight, east, north, height)
    for i, (large, small) in enumerate(spread):
        if small > 0.05 * large:
            expected = lstsq(east[i], north[i], height[i], weight[i])
            assert planes[i] * [1, scale, scale] == pytest.approx(expected * [1, scale, scale], rel=1e-9, abs=1e-9)


def test_a_weight_of_nought_leaves_a_sample_out():
    rng = np.random.default_rng(5)
    east, north, height = rng.normal(0, 1, (3, 20))
    weight = np.ones(20)
    weight[[3, 11]] = 0
    height[[3, 11]] = 1e6
    kept = weight > 0
    found = solve_planes(weight[None], east[None], north[None], height[None])[0]
    assert found == pytest.approx(lstsq(east[kept], north[kept], height[kept]), abs=1e-12)


@pytest.mark.parametrize("offset", [(5e5, 5e6), (2.1e6, 7.3e5)])
def test_map_coordinates_cost_no_digits(offset):
    # truth in rational numbers: no rounding at all
    rng = np.random.default_rng(8)
    for _ in range(20):
        east, north = offset[0] + rng.uniform(-1.5, 1.5, 60), offset[1] + rng.uniform(-1.5, 1.5, 60)
        height = 431.7 - 0.02 * (east - offset[0]) + 0.031 * (north - offset[1]) + rng.normal(0, 0.004, 60)
        expected = exact_plane(east, north, height)
        found = solve_planes(np.ones((1, 60)), east[None], north[None], height[None])[0]
        assert found[1:] == pytest.approx(expected, abs=1e-12)
        centre = found[0] + found[1] * east.mean() + found[2] * north.mean()
        assert centre == pytest.approx(height.mean(), abs=1e-8)


def test_samples_on_a_line_span_no_plane():
    east = np.linspace(0, 1, 12)[None]
    for north in (2 * east + 0.3, np.zeros_like(east)):
        assert np.isnan(solve_planes(np.ones_like(east), east, north, east)).all()
    assert np.isnan(solve_planes(np.zeros((1, 4)), np.eye(4)[:1], np.eye(4)[1:2], np.ones((1, 4)))).all()


def test_pontius(data):
    # NIST StRD, linear least squares, "Pontius" (load cell calibration, P. Pontius; public domain), certified values.
    # x and x^2 are the two predictors, scaled to the same size as a ring's offsets
    table = np.genfromtxt(data / "pontius.csv", delimiter=",", names=True)
    assert len(table) == 40
    x = table["x"][None] / 1e6
    found = solve_planes(np.ones((1, 40)), x, x * x, table["y"][None])
    certified = np.array([0.673565789473684e-03, 0.732059160401003e-06, -0.316081871345029e-14])
    assert found[0] / [1, 1e6, 1e12] == pytest.approx(certified, rel=1e-12)
    squares = (residuals(found, x, x * x, table["y"][None]) ** 2).sum()
    assert squares == pytest.approx(0.155761768796992e-05, rel=1e-12)
    deviation = [0.107938612033077e-03, 0.157817399981659e-09, 0.486652849992036e-16]
    scale = np.array([np.sqrt(squares / 37)])
    errors = np.sqrt(np.diag(covariance(np.ones((1, 40), dtype=bool), powers(x, x * x), scale)[0]))
    assert errors / [1, 1e6, 1e12] == pytest.approx(deviation, rel=1e-11)


def test_trees(data):
    # 31 black cherry trees (Ryan, Joiner and Ryan 1976, The Minitab Student Handbook), Volume ~ Girth + Height:
    # published -57.9877 4.7082 0.3393, s.e. 8.6382 0.2643 0.1302, s 3.882 on 28 degrees of freedom
    table = np.genfromtxt(data / "trees.csv", delimiter=",", names=True)
    assert len(table) == 31
    girth, height, volume = (table[name][None] for name in ("girth", "height", "volume"))
    found = solve_planes(np.ones((1, 31)), girth, height, volume)
    assert found[0].round(4).tolist() == [-57.9877, 4.7082, 0.3393]
    scale = np.sqrt((residuals(found, girth, height, volume) ** 2).sum(axis=1) / 28)
    assert scale.round(3).tolist() == [3.882]
    errors = np.sqrt(np.diag(covariance(np.ones((1, 31), dtype=bool), powers(girth, height), scale)[0]))
    assert errors.round(4).tolist() == [8.6382, 0.2643, 0.1302]


HORN = np.array([1, 2, 1, 2, 4, 2, 1, 2, 1])
"""With these weights a plane through 3 x 3 cells has Horn's slopes: sum of w x z over sum of w x x = (...) / 8."""
CROSS = np.array([0, 1, 0, 1, 1, 1, 0, 1, 0])
"""With these it has Zevenbergen and Thorne's."""

WINDOWS = {
    # heights row by row from the north, cell; slope in degrees by Horn, Zevenbergen-Thorne, unweighted plane
    "textbook": ([50, 45, 50, 30, 30, 30, 8, 10, 10], 5.0, (75.25766, 74.05460, 75.62062)),
    "course": ([80, 74, 63, 69, 67, 56, 60, 52, 48], 30.0, (21.85491, 23.06905, 21.47207)),
    "lecture": ([42, 45, 47, 40, 44, 49, 44, 48, 52], 10.0, (22.79182, 25.37693, 21.93801)),
}


def window_plane(heights, cell, weight):
    row, column = np.mgrid[0:3, 0:3].reshape(2, 1, 9)
    east, north = cell * (column - 1.0), cell * (1.0 - row)
    return solve_planes(weight[None].astype(float), east, north, np.array([heights], dtype=float))[0]


@pytest.mark.parametrize("name", WINDOWS)
def test_slopes_of_published_windows(name):
    # 3 x 3 windows of a GIS documentation page, a university course and a lecture; the slopes by arithmetic from the
    # published formulae (Horn; Zevenbergen and Thorne; the plane through nine cells)
    heights, cell, slopes = WINDOWS[name]
    for weight, expected in zip((HORN, CROSS, np.ones(9)), slopes, strict=True):
        _, east, north = window_plane(heights, cell, weight)
        assert np.degrees(np.arctan(np.hypot(east, north))) == pytest.approx(expected, abs=1e-5)


def test_the_published_answers_themselves():
    # the documentation prints dz/dx 0.05, dz/dy -3.8 (southward), 75.25762 deg from rounded steps; the exact value is
    # 75.25766, so 1e-4 is the honest tolerance
    heights, cell, _ = WINDOWS["textbook"]
    _, east, north = window_plane(heights, cell, HORN)
    assert (east, -north) == pytest.approx((0.05, -3.8), abs=1e-12)
    assert np.degrees(np.arctan(np.hypot(east, north))) == pytest.approx(75.25762, abs=1e-4)
    # published: dz/dx -8.125, dz/dy -0.375, aspect (downhill) 92.64 deg
    _, east, north = window_plane([101, 92, 85, 101, 92, 85, 101, 91, 84], 1.0, HORN)
    assert (east, -north) == pytest.approx((-8.125, -0.375), abs=1e-12)
    assert np.degrees(np.arctan2(-east, -north)) % 360 == pytest.approx(92.64, abs=5e-3)


# ------------------------------------------------------------------------------------------------- real relief


@pytest.fixture(scope="module")
def relief():
    """Elevations [m] and cell sizes (east, north) [m] of a real hillside.

    USGS National Elevation Dataset round the Jacksboro fault, public domain, 3 seconds of arc; it travels in the
    wheel of matplotlib as sample data.
    """
    files = importlib.metadata.files("matplotlib")
    path = next(file for file in files if file.name == "jacksboro_fault_dem.npz").locate()
    with np.load(path) as table:
        elevation = table["elevation"].astype(float)
        tall = 111_200 * float(table["dy"])
        wide = 111_200 * float(table["dx"]) * np.cos(np.radians(float(table["ymin"])))
    return elevation, wide, tall


def windows(elevation, wide, tall):
    """Every 3 x 3 window: offsets east and north [m] and heights, (n, 9) each."""
    view = np.lib.stride_tricks.sliding_window_view(elevation, (3, 3))
    height = view.reshape(-1, 9)
    row, column = np.mgrid[0:3, 0:3].reshape(2, 1, 9)
    east, north = wide * (column - 1.0), tall * (1.0 - row)
    return np.broadcast_to(east, height.shape), np.broadcast_to(north, height.shape), height


def test_slopes_of_real_relief_are_scipys(relief):
    # another library: scipy.ndimage.sobel is eight cells times Horn's slope
    elevation, wide, tall = relief
    east, north, height = windows(elevation, wide, tall)
    planes = solve_planes(np.broadcast_to(HORN.astype(float), height.shape), east, north, height)
    inner = slice(1, -1), slice(1, -1)
    expected_east = ndimage.sobel(elevation, axis=1)[inner] / (8 * wide)
    expected_north = -ndimage.sobel(elevation, axis=0)[inner] / (8 * tall)
    assert len(planes) > 100_000
    assert planes[:, 1] == pytest.approx(expected_east.ravel(), abs=1e-11)
    assert planes[:, 2] == pytest.approx(expected_north.ravel(), abs=1e-11)
    assert np.hypot(planes[:, 1], planes[:, 2]).max() > 0.4


def naive_fit(east, north, height, step, floor):
    """The same robust plane for one structure, written plainly: numpy's lstsq, statistics' median, loops."""

    def cost(plane):
        return sum(min(abs(r), step) ** 2 for r in height - plane[0] - plane[1] * east - plane[2] * north)

    best = lstsq(east, north, height)
    if max(abs(height - best[0] - best[1] * east - best[2] * north)) > step:
        arc = np.degrees(np.arctan2(east, north)) % 360 // 22.5
        for first in range(16):
            kept = np.isin(arc, [(first + i) % 16 for i in range(10)])
            plane = lstsq(east[kept], north[kept], height[kept])
            if cost(plane) < cost(best):
                best = plane
    for _ in range(8):
        r = height - best[0] - best[1] * east - best[2] * north
        scale = max(1.4826 * statistics.median_high(abs(r)), floor)
        weight = np.where(abs(r) < 4.685 * scale, (1 - (r / (4.685 * scale)) ** 2) ** 2, 0)
        best = lstsq(east, north, height, weight)
    return best, weight, scale


@pytest.mark.parametrize("factor", [1e-3, 1e-4])
def test_batched_fits_on_real_relief_are_a_naive_twins(roads, relief, factor):
    # the hillside as a model, 1 : 1000 with true slopes (rough: many starts are tried) and with a tenth of its height
    elevation, wide, tall = relief
    rng = np.random.default_rng(11)
    matrix = np.array([[wide, 0.0], [0.0, -tall]]) * 1e-3
    n, half = 40, 22
    rows, columns = rng.integers(half, 344 - half, n), rng.integers(half, 403 - half, n)
    column, row = rng.uniform(-0.5, 0.5, (2, n))
    surface = roads.make_surface(roads.plane(0.0), matrix=matrix, column=column, row=row)
    half = surface.heights.shape[1] // 2
    patches = [elevation[r - half : r + half + 1, c - half : c + half + 1] for r, c in zip(rows, columns, strict=True)]
    surface = replace(surface, heights=np.array(patches) * factor)
    samples = surface.samples(roads.flange(surface), RING)
    planes, weights, scales = roads.fit(samples)
    least = 1.0
    for i in range(n):
        seen = np.isfinite(samples.height[i])
        east, north = samples.east[i, seen], samples.north[i, seen]
        plane, weight, scale = naive_fit(east, north, samples.height[i, seen], RING.step, RING.noise_floor)
        assert planes[i] == pytest.approx(plane, abs=5e-9)
        assert weights[i, seen] == pytest.approx(weight, abs=2e-6)  # a plane may still move by 1e-8 m
        assert scales[i] == pytest.approx(scale, abs=1e-9)
        least = min(least, weight.min())
    assert least == 0 if factor == 1e-3 else 0 < least < 0.99


# ------------------------------------------------------------------------------------------------ robust rounds


@settings(deadline=None, max_examples=200)
@given(seed=st.integers(0, 10**6), m=st.integers(1, 40), share=st.floats(0, 1))
def test_the_scale_is_a_median_whatever_is_missing(seed, m, share):
    # naive twin: Python's statistics; of an even number the upper one of the two middle values
    rng = np.random.default_rng(seed)
    residual, valid = rng.normal(0, 1, (3, m)), rng.random((3, m)) >= share
    found = robust_scale(residual, valid, 0.0)
    for i in range(3):
        if valid[i].any():
            assert found[i] == 1.4826 * statistics.median_high(abs(residual[i, valid[i]]).tolist())


def test_the_scale_has_a_floor():
    assert robust_scale(np.full((1, 9), 0.001), np.ones((1, 9), dtype=bool), 0.006).tolist() == [0.006]
    assert robust_scale(np.full((1, 9), 0.1), np.ones((1, 9), dtype=bool), 0.006) == pytest.approx([0.14826])


def test_the_constants():
    # scipy and statsmodels: 1 / normal quantile of 3/4, and the bisquare constant of 95 % efficiency
    assert abs(MAD_TO_SD - 1 / stats.norm.ppf(0.75)) < 5e-5
    assert abs(BISQUARE - sm.robust.norms.TukeyBiweight().get_tuning(eff=0.95)[0]) < 5e-4


def test_the_weights_are_statsmodels():
    r = np.linspace(-0.08, 0.08, 401)[None]
    scale = np.array([0.011])
    expected = sm.robust.norms.TukeyBiweight(c=BISQUARE).weights(r[0] / scale[0])
    assert bisquare(r, np.ones(r.shape, dtype=bool), scale)[0] == pytest.approx(expected, abs=1e-14)
    assert (bisquare(r, np.zeros(r.shape, dtype=bool), scale) == 0).all()


@pytest.mark.parametrize("cell", [0.1, 0.25])
@pytest.mark.parametrize("outliers", [0, 0.1])
def test_the_rounds_are_statsmodels(roads, cell, outliers):
    # reference library: statsmodels' RLM with Tukey's biweight, the same start (least squares), eight reweighted fits
    # (a negative tolerance keeps it from stopping earlier);
    # noise of 12 mm keeps the scale off its floor; a step of 1 m keeps the least-squares start
    rng = np.random.default_rng(2)
    samples = roads.covers(roads.plane(0.0, 0.03, -0.01), n=6, cell=cell, noise=0.012, seed=9)
    height = samples.height + np.where(rng.random(samples.height.shape) < outliers, 0.06, 0.0)
    planes, weights, scales = fit_planes(powers(samples.east, samples.north), height, step=1.0, floor=0.0)
    for i in range(6):
        seen = np.isfinite(height[i])
        basis = np.stack([np.ones(seen.sum()), samples.east[i, seen], samples.north[i, seen]], axis=1)
        model = sm.RLM(height[i, seen], basis, M=sm.robust.norms.TukeyBiweight(c=BISQUARE))
        twin = model.fit(maxiter=ROUNDS + 1, tol=-1, scale_est=upper_mad)
        assert planes[i] == pytest.approx(twin.params, abs=1e-9)
        # and statsmodels left to itself until it converges, with its own MAD
        free = model.fit(maxiter=500, tol=1e-12)
        assert planes[i] == pytest.approx(free.params, abs=1e-3)
        assert scales[i] == pytest.approx(free.scale, rel=0.05)
        assert weights[i, seen] == pytest.approx(free.weights, abs=0.05)


def upper_mad(residual):
    """1.4826 times the upper median of |residual|.

    statsmodels multiplies a one-argument scale by sqrt(n / degrees of freedom); that is taken back here.
    """
    n = len(residual)
    return MAD_TO_SD * statistics.median_high(abs(residual)) * np.sqrt((n - 3) / n)


def test_eight_rounds_are_as_good_as_least_squares_where_nothing_is_wrong(roads):
    # theory: the bisquare at 4.685 is 95 % efficient on normal noise, so the sd of (robust - least squares) is
    # sqrt(1 / 0.95 - 1) = 0.229 of the least-squares standard error; a scale on its floor brings it nearer
    for noise, low, high in ((0.012, 0.18, 0.29), (0.003, 0.0, 0.06)):
        samples = roads.covers(roads.plane(0.0, 0.03, -0.01), n=400, cell=0.25, noise=noise, seed=21)
        planes, _, _ = roads.fit(samples)
        valid = np.isfinite(samples.height)
        square = solve_planes(valid.astype(float), samples.east, samples.north, np.where(valid, samples.height, 0))
        error = np.sqrt(
            np.einsum("naa->na", covariance(valid, powers(samples.east, samples.north), np.full(400, noise)))
        )
        ratio = np.sqrt((((planes - square) / error) ** 2).mean(axis=0))
        assert (ratio >= low).all()
        assert (ratio <= high).all()


@pytest.mark.parametrize("height", [-2.0, 0.05, 40.0])
@pytest.mark.parametrize("cell", [0.1, 0.25, 0.5])
def test_a_stone_counts_for_nothing(roads, cell, height):
    # one sample far off: the plane is the one of the other samples, wherever in the ring it lies
    samples = roads.covers(roads.plane(0.0, 0.04, 0.11), n=40, cell=cell, noise=0.002)
    place = np.isfinite(samples.height).argmax(axis=1) + np.arange(40) % 5
    stone, gone = samples.height.copy(), samples.height.copy()
    stone[np.arange(40), place] += height
    gone[np.arange(40), place] = np.nan
    with_stone, weights, _ = roads.fit(replace(samples, height=stone))
    without, _, _ = roads.fit(replace(samples, height=gone))
    assert with_stone == pytest.approx(without, abs=2e-8)
    seen = np.isfinite(stone[np.arange(40), place])
    assert seen.any()
    assert (weights[np.arange(40), place][seen] == 0).all()


@pytest.mark.parametrize("cell", [0.1, 0.25, 0.5, 1.0])
def test_clean_planes_are_numpys_least_squares(roads, cell):
    samples = roads.covers(roads.plane(0.0, 0.04, 0.11), n=5, cell=cell)
    planes, weights, scales = roads.fit(samples)
    for i in range(5):
        seen = np.isfinite(samples.height[i])
        expected = lstsq(samples.east[i, seen], samples.north[i, seen], samples.height[i, seen])
        assert planes[i] == pytest.approx(expected, abs=1e-12)
        assert weights[i, seen] == pytest.approx(np.ones(seen.sum()), abs=1e-9)
        assert weights[i, ~seen].tolist() == [0] * (~seen).sum()
    assert scales.tolist() == [RING.noise_floor] * 5
