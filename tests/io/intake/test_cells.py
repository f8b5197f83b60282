"""Whole columns of cells: what is rounded alike is written once, and reads as if each were written by itself."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geoadjust.io.intake.cells import alike, different, numbers, rounded, texts_of, words
from geoadjust.units import format_mm, format_raise, round_half_up

BESIDE = (0.0, 1e-15, -1e-15, 2e-12, -2e-12, 1e-7, -1e-7, 4e-4, -4e-4, 0.01)
NEAR_TIES = st.builds(lambda half, beside: half / 2 + beside, st.integers(-50, 50), st.sampled_from(BESIDE))
"""Multiples of half a step, and values beside them."""
ANY = st.one_of(NEAR_TIES, st.floats(), st.sampled_from([math.nan, math.inf, -math.inf, -0.0, 1e300, 1e9 + 0.5]))


def by_key(values, keys):
    """Values of one key together; NaN is one key."""
    groups = {}
    for value, key in zip(values, keys.tolist(), strict=True):
        groups.setdefault("nan" if math.isnan(key) else key, []).append(value)
    return groups.values()


def test_words_and_numbers():
    assert words(np.array([0, -1, 1], dtype=np.int8), ("a", "b")).to_pylist() == ["a", None, "b"]
    assert words(np.array([-1, -1]), ()).to_pylist() == [None, None]
    assert numbers(np.array([1.5, np.nan, np.inf])).to_pylist() == [1.5, None, None]


# ---------------------------------------------------------------- different rows


CELLS = st.sampled_from([0.0, 1.0, -1.0, 0.1, math.nan, math.inf])


@given(st.lists(st.tuples(st.integers(-2, 2), CELLS, CELLS), max_size=60))
def test_every_different_row_stands_once(rows):
    columns = [np.array(column) for column in zip(*rows, strict=True)] if rows else [np.empty(0)] * 3
    found, index = different(*columns)
    texts = [repr(row) for row in rows]
    assert len(found) == len(set(texts))
    assert [texts[found[i]] for i in index] == texts


def test_large_numbers_are_told_apart():
    found, index = different(np.array([2**53 - 1, 2**53 - 2, 2**53 - 1]))
    assert (len(found), index.tolist()) == (2, [0, 1, 0])


# ---------------------------------------------------------------- rounding


@given(st.lists(ANY, max_size=60))
def test_what_is_alike_is_rounded_alike(steps):
    for per_unit, decimals in ((1.0, 0), (10.0, 1), (1000.0, 3)):
        values = [step / per_unit for step in steps]
        for group in by_key(values, alike(np.array(values, dtype=float), per_unit)):
            assert len({repr(round(value, decimals) + 0.0) for value in group}) == 1
            finite = [value for value in group if math.isfinite(value)]
            assert len({round_half_up(value, 10.0**-decimals) for value in finite}) <= 1
            assert len({format_mm(value / 1000, decimals) for value in finite}) <= 1


@given(st.lists(NEAR_TIES, max_size=60), st.sampled_from([("us", 16 / 0.0254), ("metric", 1000.0)]))
def test_raises_that_are_alike_read_alike(steps, system):
    units, per_metre = system
    values = [step / per_metre for step in steps]
    for group in by_key(values, alike(np.array(values, dtype=float), per_metre)):
        assert len({format_raise(value, units) for value in group}) == 1


def test_away_from_ties_one_step_is_one_key():
    # that is what it is for: 0.2 steps of 1 hold a thousand values, and two of them are ties
    values = np.linspace(-0.1, 0.1, 1001)
    assert len(np.unique(alike(values, 1.0))) == 1
    assert len(np.unique(alike(values + 0.5, 1.0))) > 1


def test_each_value_may_have_its_own_step():
    assert alike(np.array([0.123, 0.123]), np.array([10.0, 100.0])).tolist() == [0.1, 0.12]


@given(st.lists(ANY, max_size=60), st.integers(0, 9))
def test_rounded_as_the_built_in_rounds(values, decimals):
    found = rounded(np.array(values, dtype=float), decimals).tolist()
    assert list(map(repr, found)) == [repr(round(value, decimals) + 0.0) for value in values]


@pytest.mark.parametrize("decimals", [1, 3])
def test_rounded_beside_ties(decimals):
    ties = (np.arange(-2001, 2001, 2) / 2) / 10.0**decimals
    values = np.concatenate([ties, np.nextafter(ties, np.inf), np.nextafter(ties, -np.inf)])
    assert rounded(values, decimals).tolist() == [round(value, decimals) + 0.0 for value in values.tolist()]


# ---------------------------------------------------------------- texts


@given(st.lists(st.integers(-2000, 2000).map(lambda each: each / 10_000), max_size=60))
def test_texts_are_those_of_each_value(values):
    found = texts_of(np.array(values, dtype=float), 1000.0, lambda value: format_mm(value, 0))
    assert found.to_pylist() == [format_mm(value, 0) for value in values]


def test_texts_are_written_once():
    count = itertools.count()
    found = texts_of(np.array([0.1, 0.1001, 0.2, 0.0999]), 100.0, lambda _: str(next(count)))
    assert sorted(set(found.to_pylist())) == ["0", "1"]
    assert found[0] == found[1] == found[3] != found[2]
