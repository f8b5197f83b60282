"""Planes through readings, against numpy, statsmodels and worked figures; misreads by measured rates."""

import numpy as np
import pytest
import statsmodels.api as sm

from geoadjust.core.readings import LIMIT, ReadingFits, fit_readings

INCH = 0.0254
TAPE = 0.002


def _fit(turn: list[float], depth: list[float], radius: float = 0.3, tape: float = TAPE) -> ReadingFits:
    azimuth = np.radians([turn])
    return fit_readings(azimuth, np.full(azimuth.shape, radius), np.array([depth], dtype=float), tape)


def test_four_readings_of_the_worked_example() -> None:
    """By hand: gradients 0.25 in and 0.125 in over 12 in; the mean of opposite readings is 10 1/2 in."""
    found = _fit([0, 90, 180, 270], [10.75 * INCH, 10.625 * INCH, 10.25 * INCH, 10.375 * INCH], 12 * INCH)
    assert found.depth[0] / INCH == pytest.approx(10.5, abs=1e-12)
    assert 100 * np.hypot(found.east, found.north)[0] == pytest.approx(2.329237, abs=5e-7)
    assert np.degrees(np.arctan2(found.east, found.north))[0] == pytest.approx(26.565051, abs=5e-7)
    assert (found.misread[0], found.suspect[0], found.count[0]) == (False, -1, 4)
    assert found.worst[0] == pytest.approx(0, abs=1e-12)


def test_three_readings_fit_any_plane() -> None:
    """0, 120, 240 degrees: 200, 210, 220 mm have their mean at the centre; nothing checks them."""
    found = _fit([0, 120, 240], [0.200, 0.210, 0.220])
    assert found.depth[0] == pytest.approx(0.210, abs=1e-12)
    assert np.isnan(found.off).all()
    assert np.isnan(found.worst[0])
    assert not found.misread[0]


@pytest.mark.parametrize("wrong", range(4))
def test_a_misread_among_four_is_seen_but_not_named(wrong: int) -> None:
    """Opposite readings have equal sums on a plane; one inch too much shows in full at all four."""
    depth = np.array([10.75, 10.625, 10.25, 10.375]) * INCH
    depth[wrong] += INCH
    found = _fit([0, 90, 180, 270], depth.tolist(), 12 * INCH)
    assert found.misread[0]
    assert found.suspect[0] == -1
    assert np.abs(found.off[0]) == pytest.approx(INCH)
    assert found.limit[0] == pytest.approx(LIMIT * TAPE * 2)  # 1 - leverage = 1/4


@pytest.mark.parametrize("stations", [5, 6, 8])
def test_from_five_readings_on_the_misread_is_named_and_left_out(stations: int) -> None:
    turn = np.arange(stations) * 360.0 / stations
    plane = 0.25 + 0.3 * (0.02 * np.cos(np.radians(turn)) - 0.01 * np.sin(np.radians(turn)))
    for wrong in range(stations):
        depth = plane.copy()
        depth[wrong] -= INCH
        found = _fit(turn.tolist(), depth.tolist())
        assert (found.misread[0], found.suspect[0]) == (True, wrong)
        assert (found.depth[0], found.north[0], found.east[0]) == pytest.approx((0.25, 0.02, -0.01), abs=1e-12)
        assert found.off[0, wrong] == pytest.approx(-INCH)


def test_two_misreads_are_not_put_on_one() -> None:
    depth = [0.2, 0.25, 0.2, 0.28, 0.2]
    found = _fit([0, 72, 144, 216, 288], depth)
    assert (found.misread[0], found.suspect[0]) == (True, -1)


def test_random_readings_against_other_libraries() -> None:
    """Solution by numpy's lstsq; prediction errors are the PRESS residuals of statsmodels."""
    random = np.random.default_rng(7)
    for stations in (4, 5, 7, 16):
        azimuth = np.sort(random.uniform(0, 2 * np.pi, (40, stations)), axis=1)
        radius = random.uniform(0.2, 0.5, azimuth.shape)
        depth = random.uniform(0.1, 0.6, azimuth.shape)
        found = fit_readings(azimuth, radius, depth, 10.0)  # so coarse a tape that nothing is left out
        for row in range(len(azimuth)):
            design = np.column_stack(
                [np.ones(stations), radius[row] * np.sin(azimuth[row]), radius[row] * np.cos(azimuth[row])]
            )
            wanted, *_ = np.linalg.lstsq(design, depth[row])
            if found.edge[row] > 5:
                continue
            assert (found.depth[row], found.east[row], found.north[row]) == pytest.approx(tuple(wanted), rel=1e-9)
            press = sm.OLS(depth[row], design).fit().get_influence().resid_press
            assert found.off[row] == pytest.approx(press, rel=1e-6, abs=1e-9)


def test_rows_with_different_numbers_of_readings() -> None:
    turn = np.radians([[0, 90, 180, 270, 45], [0, 120, 240, 0, 0]])
    depth = np.array([[0.2, 0.2, 0.2, 0.2, 0.2], [0.1, 0.1, 0.1, np.nan, np.nan]])
    found = fit_readings(turn, np.full(turn.shape, 0.3), depth, TAPE)
    assert found.count.tolist() == [5, 3]
    assert found.depth == pytest.approx([0.2, 0.1])
    assert np.isnan(found.off[1]).all()


@pytest.mark.parametrize(
    ("turn", "depth"),
    [([0, 90], [0.2, 0.2]), ([0, 0, 180, 180], [0.2, 0.21, 0.2, 0.19])],
)
def test_readings_that_fix_no_plane(turn: list[float], depth: list[float]) -> None:
    found = _fit(turn, depth)
    assert np.isnan([found.depth[0], found.east[0], found.edge[0]]).all()
    assert not found.misread[0]


def test_the_sd_at_the_edge() -> None:
    """Three at thirds: 1; k evenly spread: sqrt(3/k) (closed form: 1/k + 2/k). Within a quarter turn it is large."""
    for stations in (3, 4, 6, 8):
        turn = (np.arange(stations) * 360 / stations).tolist()
        assert _fit(turn, [0.2] * stations).edge[0] == pytest.approx(np.sqrt(3 / stations), rel=1e-6)
    assert _fit([0, 30, 60, 90], [0.2] * 4).edge[0] > 4


def test_good_readings_are_seldom_called_misreads() -> None:
    """20,000 structures with normal errors: one test of 3 sd each (four stations) is passed by 99.73 %."""
    random = np.random.default_rng(1)
    turn = np.tile(np.arange(4) * np.pi / 2, (20_000, 1))
    found = fit_readings(turn, np.full(turn.shape, 0.3), 0.2 + TAPE * random.standard_normal(turn.shape), TAPE)
    assert 0.001 < found.misread.mean() < 0.005
    assert found.depth.std() == pytest.approx(TAPE / 2, rel=0.03)


def test_one_inch_is_always_seen_with_the_usual_tape() -> None:
    random = np.random.default_rng(2)
    turn = np.tile(np.arange(4) * np.pi / 2, (5_000, 1))
    depth = 0.2 + 0.002 * random.standard_normal(turn.shape)
    depth[:, 2] += INCH
    found = fit_readings(turn, np.full(turn.shape, 0.3), depth, 0.002)
    assert found.misread.mean() > 0.998
