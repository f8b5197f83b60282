"""Turned rings against trying all pairs, closed forms, rigid rotations, and the symmetries of the plane."""

import itertools
import math

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from geoadjust.core.turn import Tapers, bounds_of_rest, seen_from, spread, turn_rings


def near(expected, off=1e-9):
    return pytest.approx(expected, abs=off, rel=0, nan_ok=True)


def turned(tapers, ahead, right, limit=0.3):
    """Slope left and turns of one slope."""
    left, turns = turn_rings(tapers, np.array([float(ahead)]), np.array([float(right)]), limit)
    return left[0], turns[0]


# --- the twin: all pairs


def try_all(tapers, ahead, right, limit):
    """Least slope left over all turns within the limit: rounded to 1e-9, then first place, then second place."""
    best = None
    for places in itertools.product(*(range(number) for number in tapers.places)):
        angles = [2 * math.pi * place / number for place, number in zip(places, tapers.places, strict=True)]
        east = sum(slope * math.sin(angle) for slope, angle in zip(tapers.slopes, angles, strict=True))
        north = sum(slope * math.cos(angle) for slope, angle in zip(tapers.slopes, angles, strict=True))
        if math.hypot(east, north) <= limit:
            found = (round(math.hypot(right - east, ahead - north), 9), *places)
            best = found if best is None else min(best, found)
    return best


PLACES = st.sampled_from([1, 2, 3, 4, 7, 8, 12, 24, 36])
SLOPES = st.integers(1, 60).map(lambda thousandths: thousandths / 1000)
RINGS = st.lists(st.tuples(SLOPES, PLACES), min_size=1, max_size=2).map(lambda rings: Tapers(*zip(*rings, strict=True)))
PARTS = st.floats(-0.13, 0.13).map(lambda part: round(part, 5))


@given(tapers=RINGS, ahead=PARTS, right=PARTS, limit=st.sampled_from([0.3, 0.3, 0.1, 0.0511, 0.0303]))
@example(Tapers((0.025, 0.025), (36, 36)), 0.0, 0.0, 0.3)  # opposite rings make nothing, at every turn
@example(Tapers((0.025, 0.025), (36, 24)), 0.05, 0.0, 0.3)  # only one pair of turns makes the sum
@example(Tapers((0.04, 0.02), (36, 36)), 0.04, 0.0, 0.3)  # nothing is left to the second ring
@example(Tapers((0.04, 0.01), (1, 36)), 0.04, 0.0, 0.3)  # and it cannot be helped: all its turns are equal
@example(Tapers((0.04, 0.01), (1, 36)), 0.04, 0.0, 0.0303)
@example(Tapers((0.03, 0.03), (24, 36)), 0.06, 0.0, 0.0511)  # the limit bars what would be best
@example(Tapers((0.05, 0.04), (3, 8)), -0.03605, 0.06, 0.0511)  # the farther side of the barred arc is the nearer place
@example(Tapers((0.03, 0.03), (1, 1)), 0.06, 0.0, 0.0511)  # every turn is barred
@settings(max_examples=250, deadline=None)
def test_equals_trying_all_turns(tapers, ahead, right, limit):
    left, turns = turned(tapers, ahead, right, limit)
    best = try_all(tapers, ahead, right, limit)
    if best is None:
        assert left == np.inf
        return
    assert left == near(best[0])
    assert turns.tolist() == near([2 * np.pi * place / of for place, of in zip(best[1:], tapers.places, strict=True)])


@given(
    turns=st.tuples(st.integers(0, 23), st.integers(0, 35)),
    off=st.sampled_from([0.0, 1e-12, 1e-8, 1e-6]),
    tapers=st.tuples(SLOPES, SLOPES),
)
@settings(max_examples=100, deadline=None)
def test_equals_trying_all_turns_next_to_slopes_that_turns_make(turns, off, tapers):
    rings = Tapers(tapers, (24, 36))
    first, second = (2 * np.pi * place / of for place, of in zip(turns, rings.places, strict=True))
    ahead = tapers[0] * np.cos(first) + tapers[1] * np.cos(second) + off
    right = tapers[0] * np.sin(first) + tapers[1] * np.sin(second)
    left, found = turned(rings, ahead, right)
    best = try_all(rings, ahead, right, 0.3)
    assert left <= off + 1e-12
    assert found.tolist() == near([2 * np.pi * best[1] / 24, 2 * np.pi * best[2] / 36])


@pytest.mark.parametrize("degrees", [1, 5, 7.5, 15])
def test_equals_all_pairs_at_once_for_fine_steps(degrees):
    rng = np.random.default_rng(3)
    rings = Tapers((0.028, 0.042), (round(360 / degrees), 72))
    ahead, right = rng.normal(0, 0.03, (2, 40))
    left, _ = turn_rings(rings, ahead, right, 0.3)
    angles = [2 * np.pi * np.arange(of) / of for of in rings.places]
    pairs = (0.028 * np.exp(1j * angles[0])[:, None] + 0.042 * np.exp(1j * angles[1])).ravel()
    least = np.abs((ahead + 1j * right)[:, None] - pairs).min(axis=1)
    assert left.tolist() == near(least.tolist())


# --- closed forms


@pytest.mark.parametrize(("mark", "thick"), [(0, 33.690), (180, 213.690), (90, 303.690)])
def test_two_rings_of_a_fortieth_on_a_sheet_worked_by_hand(mark, thick):
    # gradient .02 east, .03 north: slope .036056 towards 33.690 degrees; cos = .036056 / .05, 43.854 degrees
    ahead, right = seen_from(np.radians([mark]), np.array([0.02]), np.array([0.03]))
    uphill = np.degrees(np.arctan2(right, ahead))[0] % 360
    assert uphill == near(thick, 5e-4)
    assert np.degrees(spread(np.hypot(ahead, right), 0.025, 0.025)).tolist() == near([43.854], 5e-4)
    left, turns = turn_rings(Tapers((0.025, 0.025), (360, 360)), ahead, right, 0.3)
    assert sorted(np.degrees(turns[0])) == near(sorted([(thick + 43.854) % 360, (thick - 43.854) % 360]), 0.5 + 1e-3)
    assert left[0] < 0.025 * np.radians(1)


@given(
    first=st.floats(0.005, 0.06), second=st.floats(0.005, 0.06), share=st.floats(0.01, 0.99),
    uphill=st.floats(0, 2 * np.pi),
)  # fmt: skip
@settings(max_examples=100, deadline=None)
def test_law_of_cosines_makes_the_slope_on_either_side(first, second, share, uphill):
    slope = np.array([abs(first - second) + share * (first + second - abs(first - second))])
    one, other = spread(slope, first, second), spread(slope, second, first)
    for side in (1, -1):
        total = first * np.exp(1j * (uphill + side * one)) + second * np.exp(1j * (uphill - side * other))
        assert abs(total - slope * np.exp(1j * uphill))[0] < 1e-9


def test_spread_where_no_angle_makes_the_slope():
    assert spread(np.array([0.06, 0.0, 0.005]), 0.025, 0.025).tolist() == near([0.0, np.pi / 2, np.arccos(0.1)], 1e-6)
    assert spread(np.array([0.01, 0.01]), 0.04, 0.02).tolist() == near([0.0, 0.0])
    assert spread(np.array([0.01]), 0.02, 0.04).tolist() == near([np.pi])


def test_one_ring_turns_uphill_and_leaves_the_difference():
    for uphill in range(0, 360, 5):
        towards = np.radians(uphill)
        for slope in (0.01, 0.03, 0.05):
            left, turns = turned(Tapers((0.03,), (72,)), slope * np.cos(towards), slope * np.sin(towards))
            assert left == near(abs(slope - 0.03))
            assert np.degrees(turns).tolist() == near([uphill])


def test_one_ring_on_a_level_road_stays_on_the_mark():
    left, turns = turned(Tapers((0.03,), (72,)), 0.0, 0.0)
    assert (left, turns.tolist()) == (near(0.03), [0.0])


def test_two_equal_rings_on_a_level_road_lie_opposite():
    left, turns = turned(Tapers((0.03, 0.03), (72, 72)), 0.0, 0.0)
    assert left == near(0.0)
    assert turns.tolist() == near([0.0, np.pi])


def test_no_tapered_rings_leave_the_slope():
    left, turns = turn_rings(Tapers(), np.array([0.03]), np.array([0.04]), 0.1)
    assert left.tolist() == near([0.05])
    assert turns.shape == (1, 0)


def test_no_structures():
    for tapers in (Tapers(), Tapers((0.02,), (72,)), Tapers((0.02, 0.03), (72, 36))):
        left, turns = turn_rings(tapers, np.empty(0), np.empty(0), 0.1)
        assert left.shape == (0,)
        assert turns.shape == (0, len(tapers.slopes))


# --- rigid planes


def tip(azimuth, slope):
    """Rotation that raises a plane by this slope towards an azimuth; Rodrigues' formula."""
    axis, angle = np.array([np.cos(azimuth), -np.sin(azimuth), 0.0]), np.arctan(slope)
    cross = np.array([[0, -axis[2], axis[1]], [axis[2], 0, -axis[0]], [-axis[1], axis[0], 0]])
    return np.eye(3) + np.sin(angle) * cross + (1 - np.cos(angle)) * cross @ cross


def rigid(*rings):
    """Gradient (east, north) of the top of rings (azimuth, taper) that stand on each other as rigid bodies do."""
    normal = np.linalg.multi_dot([*(tip(*ring) for ring in rings), np.array([0.0, 0.0, 1.0])])
    return -normal[:2] / normal[2]


def test_rotations_and_vectors_agree_to_third_order():
    one = np.tan(np.radians(1))
    assert rigid((np.pi / 3, one)).tolist() == near([one * np.sin(np.pi / 3), one / 2])
    planes = rigid((np.pi / 3, one), (-np.pi / 3, one))
    assert np.degrees(np.arctan(np.hypot(*planes))) == near(0.99996, 5e-6)
    left, turns = turned(Tapers((one, one), (72, 72)), one, 0.0)
    assert left == near(0.0)  # the vectors make tan 1 degree, exactly
    assert np.degrees(turns).tolist() == near([60.0, 300.0])


@pytest.mark.parametrize(("taper", "most"), [(0.0125, 0.0028e-3), (0.025, 0.022e-3), (0.05, 0.172e-3)])
def test_difference_of_rotations_and_vectors_across_a_frame(taper, most):
    # third order: eight times less for half the taper; over a frame of 686 mm at most .17 mm for two rings of 5 %
    worst = 0.0
    for turn in np.radians(np.arange(0, 360, 10)):
        vectors = taper * np.array([np.sin(turn), 1 + np.cos(turn)])
        worst = max(worst, 0.686 * np.hypot(*(rigid((0.0, taper), (turn, taper)) - vectors)))
    assert 0.9 * most < worst < most


# --- symmetries and bounds


@given(
    tapers=st.tuples(SLOPES, SLOPES), ahead=PARTS, right=PARTS, steps=st.integers(0, 23),
    limit=st.sampled_from([0.3, 0.0511]),
)  # fmt: skip
@settings(max_examples=100, deadline=None)
def test_turning_mirroring_and_changing_roles_leave_the_same(tapers, ahead, right, steps, limit):
    rings, turn = Tapers(tapers, (24, 24)), 2 * np.pi * steps / 24
    left, _ = turned(rings, ahead, right, limit)
    for slope in (
        (ahead, -right),
        (ahead * np.cos(turn) - right * np.sin(turn), ahead * np.sin(turn) + right * np.cos(turn)),
    ):
        assert turned(rings, *slope, limit)[0] == near(left, 2e-9)
    assert turned(Tapers(tapers[::-1], (24, 24)), ahead, right, limit)[0] == near(left, 2e-9)


@given(tapers=RINGS, ahead=PARTS, right=PARTS, limit=st.sampled_from([0.3, 0.1, 0.07, 0.0511, 0.0303]))
@example(Tapers((0.057, 0.034), (24, 3)), -0.041, 0.077, 0.0843)  # steps are coarse, and the limit bars the near ones
@settings(max_examples=200, deadline=None)
def test_least_and_greatest_rest_hold_before_turning(tapers, ahead, right, limit):
    if tapers.steepest(limit) < 0:
        return
    left, _ = turned(tapers, ahead, right, limit)
    least, most = bounds_of_rest(tapers, np.array([math.hypot(ahead, right)]), limit)
    assert least[0] - 2e-9 <= left <= most[0] + 2e-9


def test_bounds_are_tight():
    slope = np.array([0.0, 0.01, 0.03, 0.05, 0.07])
    least, most = bounds_of_rest(Tapers((0.03, 0.02), (72, 72)), slope, 0.3)
    assert least.tolist() == near([0.01, 0.0, 0.0, 0.0, 0.02])
    assert (most - least).tolist() == near([2 * 0.05 * np.sin(np.radians(1.25))] * 5)
    least, most = bounds_of_rest(Tapers((0.03, 0.02), (72, 72)), slope, 0.04)
    assert least.tolist() == near([0.01, 0.0, 0.0, 0.01, 0.03])
    assert bounds_of_rest(Tapers(), slope, 0.1)[0].tolist() == near(slope.tolist())


@given(tapers=RINGS, limit=st.floats(0.0, 0.13))
@settings(max_examples=60, deadline=None)
def test_steepest_sum_within_the_limit(tapers, limit):
    sums = []
    for places in itertools.product(*(range(of) for of in tapers.places)):
        parts = zip(tapers.slopes, places, tapers.places, strict=True)
        sums.append(abs(sum(slope * np.exp(2j * np.pi * place / of) for slope, place, of in parts)))
    within = [total for total in sums if total <= limit - 1e-12]
    assert tapers.steepest(limit - 1e-12) == (near(max(within), 1e-12) if within else -np.inf)


def test_seen_from_leads_back():
    mark, east, north = np.random.default_rng(4).normal(size=(3, 50))
    ahead, right = seen_from(mark, east, north)
    back = seen_from(mark, ahead, right)
    assert back[0].tolist() == near(east.tolist())
    assert back[1].tolist() == near(north.tolist())
    assert np.hypot(ahead, right).tolist() == near(np.hypot(east, north).tolist())
