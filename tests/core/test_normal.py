"""The normal distribution against the standard library, printed tables, and unions cut into pieces."""

import math
from itertools import pairwise
from statistics import NormalDist

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from geoadjust.core.normal import interval_probability, normal_cdf, union_probability

NAN, INF = float("nan"), float("inf")


def near(expected, off=1e-11):
    return pytest.approx(expected, abs=off, rel=0, nan_ok=True)


def interval(mean, sd, low, high):
    """One interval."""
    return float(interval_probability(*(np.array([value], dtype=float) for value in (mean, sd, low, high)))[0])


def union(mean, sd, *intervals):
    """One union."""
    ends = np.array(intervals, dtype=float).reshape(1, len(intervals), 2)
    return float(union_probability(np.array([mean]), np.array([sd]), ends[:, :, 0], ends[:, :, 1])[0])


# --- the distribution


def test_cdf_against_the_error_function():
    z = np.concatenate([np.linspace(-40, 40, 16001), np.linspace(-1, 1, 20001)])
    truth = np.array([0.5 * math.erfc(-value / math.sqrt(2)) for value in z])
    assert np.abs(normal_cdf(z) - truth).max() < 3e-12


def test_far_tail_keeps_its_digits():
    z = np.linspace(-37, -0.7, 2000)
    truth = np.array([0.5 * math.erfc(-value / math.sqrt(2)) for value in z])
    assert normal_cdf(z) == pytest.approx(truth, rel=1e-9)


@pytest.mark.parametrize(
    ("z", "published"),
    [
        (0.5, 0.691462461274013),
        (1.0, 0.841344746068543),
        (2.0, 0.977249868051821),
        (3.0, 0.998650101968370),
        (1.959963984540054, 0.975),
    ],
)
def test_cdf_against_printed_tables(z, published):
    """Abramowitz and Stegun, Handbook of Mathematical Functions, tables 26.1 and 26.5 (from memory)."""
    assert normal_cdf(z) == near(published)
    assert normal_cdf(-z) == near(1 - published)


def test_cdf_rises_and_is_symmetric():
    z = np.sort(np.concatenate([np.linspace(-9, 9, 40001), np.array([-1e-300, -0.0, 0.0, 1e-300, -INF, INF])]))
    values = normal_cdf(z)
    assert (np.diff(values) >= 0).all()
    assert np.array_equal((values + normal_cdf(-z))[z != 0], np.ones((z != 0).sum()))
    assert (values[0], values[-1]) == (0.0, 1.0)


def test_cdf_of_any_shape():
    z = np.array([[0.3, NAN], [-INF, INF]])
    values = normal_cdf(z)
    assert values.shape == (2, 2)
    assert values.tolist() == [[near(NormalDist().cdf(0.3)), near(NAN)], [0.0, 1.0]]
    assert normal_cdf(np.zeros((0, 3))).shape == (0, 3)


# --- one interval


@given(
    mean=st.floats(-1, 1), sd=st.floats(1e-4, 1), low=st.floats(-2, 2), high=st.floats(-2, 2)
)  # fmt: skip
@settings(max_examples=200, deadline=None)
def test_interval_against_the_standard_library(mean, sd, low, high):
    normal = NormalDist(mean, sd)
    assert interval(mean, sd, low, high) == near(max(normal.cdf(high) - normal.cdf(low), 0.0))


def test_sigma_rule():
    """68.27, 95.45, 99.73 % within one, two, three standard deviations (any handbook)."""
    for times, share in ((1, 0.682689492137), (2, 0.954499736104), (3, 0.997300203937)):
        assert interval(5.0, 0.2, 5.0 - times * 0.2, 5.0 + times * 0.2) == near(share)


def test_endless_intervals():
    assert interval(0.01, 0.1, -INF, INF) == 1.0
    assert interval(0.0, 1.0, -INF, 0.0) == near(0.5)
    assert interval(0.3, 0.1, 0.3, INF) == near(0.5)
    assert interval(0.0, 1.0, INF, INF) == 0.0
    assert interval(0.0, 1.0, -INF, -INF) == 0.0
    assert interval(0.0, 1.0, INF, -INF) == 0.0


def test_without_error_the_mean_is_in_or_out():
    assert interval(0.5, 0.0, 0.5, 0.6) == 1.0
    assert interval(0.5, 0.0, 0.4, 0.5) == 1.0
    assert interval(0.5, 0.0, 0.5, 0.5) == 1.0
    assert interval(0.5, 0.0, 0.500001, 0.6) == 0.0
    assert interval(0.5, 0.0, -INF, INF) == 1.0
    assert interval(0.5, 0.0, 0.6, 0.4) == 0.0


def test_small_error_goes_to_no_error():
    for low, high, limit in ((0.4, 0.6, 1.0), (0.6, 0.7, 0.0), (0.5, 0.7, 0.5)):
        for sd in (1e-9, 1e-300, 5e-324):
            assert interval(0.5, sd, low, high) == near(limit)


@pytest.mark.parametrize("place", range(4))
def test_unknown_stays_unknown(place):
    values = [0.0, 1.0, -1.0, 1.0]
    values[place] = NAN
    assert math.isnan(interval(*values))


@pytest.mark.parametrize(("mean", "sd"), [(INF, 1.0), (0.0, INF), (0.0, -1.0), (NAN, 0.0), (-INF, 0.0)])
def test_what_is_no_distribution_is_unknown(mean, sd):
    assert math.isnan(interval(mean, sd, -INF, INF))
    assert math.isnan(union(mean, sd, (-1.0, 1.0)))


# --- a union

ENDS = st.one_of(st.integers(-8, 8).map(lambda value: value / 4), st.sampled_from([NAN, INF, -INF]))
PAIRS = st.lists(st.tuples(ENDS, ENDS), max_size=7)


def pieces(mean, sd, intervals):
    """Cut the line at every end; add the pieces whose middle lies in an interval; with sd 0 ask the mean itself."""
    some = [(low, high) for low, high in intervals if low <= high]
    if sd == 0:
        return float(any(low <= mean <= high for low, high in some))
    normal = NormalDist(mean, sd)
    cuts = sorted({-50.0, 50.0, *(min(max(end, -50.0), 50.0) for pair in some for end in pair)})
    total = 0.0
    for left, right in pairwise(cuts):
        if any(low <= (left + right) / 2 <= high for low, high in some):
            total += normal.cdf(right) - normal.cdf(left)
    return total


@given(mean=st.integers(-8, 8).map(lambda value: value / 4), sd=st.sampled_from([0.0, 0.05, 0.5, 2.0]), intervals=PAIRS)
@example(mean=0.0, sd=1.0, intervals=[])
@example(mean=0.25, sd=0.0, intervals=[(0.0, 0.25), (0.25, 1.0)])
@example(mean=0.0, sd=1.0, intervals=[(-2.0, 2.0), (-1.0, 0.0), (-1.0, 1.0)])  # one holds all the others
@example(mean=0.0, sd=1.0, intervals=[(0.0, NAN), (NAN, 0.0), (1.0, -1.0), (-1.0, 0.0)])
@settings(max_examples=300, deadline=None)
def test_union_against_pieces(mean, sd, intervals):
    assert union(mean, sd, *intervals) == near(pieces(mean, sd, intervals))


@given(intervals=PAIRS.filter(len), order=st.permutations(range(7)), sd=st.sampled_from([0.0, 0.3, 1.0]))
@settings(max_examples=100, deadline=None)
def test_order_and_repeats_do_not_matter(intervals, order, sd):
    turned = [intervals[index % len(intervals)] for index in order] + intervals
    assert union(0.25, sd, *turned) == near(union(0.25, sd, *intervals), 1e-14)


@given(intervals=PAIRS, more=st.tuples(ENDS, ENDS), sd=st.sampled_from([0.0, 0.3, 1.0]))
@settings(max_examples=100, deadline=None)
def test_more_intervals_are_never_less_likely(intervals, more, sd):
    """And by no more than the new one's own probability."""
    few, many = union(0.0, sd, *intervals), union(0.0, sd, *intervals, more)
    assert few - 1e-14 <= many <= few + union(0.0, sd, more) + 1e-14
    assert 0.0 <= many <= 1.0


def test_union_on_a_fine_grid():
    """A sum over 400,001 points of the density knows nothing of ends and order."""
    x = np.linspace(-8, 8, 400_001)
    density = np.exp(-x * x / 2) / np.sqrt(2 * np.pi)
    intervals = [(-3.0, -1.2), (0.4, 0.9), (-1.5, -1.0), (0.7, INF), (0.1, 0.2)]
    inside = np.any([(low <= x) & (x <= high) for low, high in intervals], axis=0)
    assert union(0.0, 1.0, *intervals) == near(float((density * inside).sum() * (x[1] - x[0])), 1e-4)


def test_a_line_cut_in_two_is_whole():
    assert union(0.02, 0.01, (-INF, 0.015), (0.015, INF)) == near(1.0, 1e-15)


def test_one_interval_is_a_union():
    assert union(0.1, 0.2, (0.0, 0.3)) == interval(0.1, 0.2, 0.0, 0.3)


def test_rows_do_not_know_of_each_other():
    """Bit for bit; each row's result is that of the row alone."""
    count = np.arange(60)
    mean, sd = 0.01 * count, 0.003 * (count % 9)
    low = np.sin(np.outer(count, [1.0, 2.0, 3.0, 5.0, 7.0])) * 0.5
    high = low + 0.1 * np.cos(np.outer(count, [1.0, 4.0, 9.0, 2.0, 6.0]))
    whole = union_probability(mean, sd, low, high)
    alone = [union_probability(mean[i : i + 1], sd[i : i + 1], low[i : i + 1], high[i : i + 1])[0] for i in count]
    assert np.array_equal(whole, alone)
    assert len(np.unique(whole)) > 30


def test_no_intervals_and_no_rows():
    nothing = union_probability(np.array([0.0, NAN]), np.array([1.0, 1.0]), np.zeros((2, 0)), np.zeros((2, 0)))
    assert nothing.tolist() == [0.0, near(NAN)]
    assert union_probability(np.zeros(0), np.zeros(0), np.zeros((0, 3)), np.zeros((0, 3))).shape == (0,)
    assert interval_probability(np.zeros(0), np.zeros(0), np.zeros(0), np.zeros(0)).shape == (0,)
