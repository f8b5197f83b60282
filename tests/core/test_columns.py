"""Bundles: read-only everywhere, cut and joined without loss, and every field described once."""

import copy
import pickle
from dataclasses import FrozenInstanceError, fields
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geoadjust.core import columns
from geoadjust.core.columns import (
    Bars,
    Bundle,
    Chimneys,
    Cuts,
    Liners,
    Millings,
    Pavings,
    Quantity,
    Reasons,
    Results,
    Rims,
    RoadModels,
    Samples,
    Stacks,
    Structures,
    Uncertainties,
    Verdicts,
    arrays_of,
    concat,
    equal,
    quantities_of,
    take,
)

BUNDLES = (
    Structures, Samples, RoadModels, Bars, Pavings, Rims, Millings, Chimneys, Stacks, Liners, Cuts, Results,
    Uncertainties, Verdicts, Reasons,
)  # fmt: skip

# The schedule's columns that come from the core, written down here a second time: a renamed column breaks files of
# users, so that it has to be renamed in two places.
SCHEDULE = [
    "row",
    "kind",
    "axis_deg",
    "axis_source",
    "convergence_deg",
    "existing_m",
    "finished_m",
    "existing_rim_m",
    "rim_basis",
    "gap_mm",
    "target_rim_m",
    "paving_off_mm",
    "raise_mm",
    "action",
    "slope_pct",
    "uphill_deg",
    "grade_pct",
    "cross_slope_pct",
    "samples",
    "samples_left_out",
    "coverage_pct",
    "fit_rms_mm",
    "road_shape",
    "gap_max_mm",
    "gap_min_mm",
    "gap_mean_mm",
    "gap_along_mm",
    "gap_across_mm",
    "bar_along_mm",
    "bar_across_mm",
    "milled_m",
    "lower_by_mm",
    "lower_how",
    "interim_bump_mm",
    "interim_hole_mm",
    "bearing_m",
    "chimney_mm",
    "chimney_min_mm",
    "chimney_max_mm",
    "long_side_deg",
    "rough_cut_mm",
    "foot_shift_mm",
    "stack_change_mm",
    "stack_change_min_mm",
    "stack_change_max_mm",
    "method",
    "stack_policy",
    "ring_count",
    "stack_misfit_mm",
    "bedding_wedge_mm",
    "raise_sd_mm",
    "chimney_sd_mm",
    "p_keep_pct",
    "p_riser_pct",
    "p_chimney_pct",
    "p_rebuild_pct",
    "ready",
    "severity",
]


def sample(bundle, n=4, seed=0):
    """A bundle of different numbers, with NaN; some fields (n, 3) to show that rows are cut, not columns."""
    rng = np.random.default_rng(seed)
    arrays = []
    for index, _ in enumerate(fields(bundle)):
        array = rng.normal(size=(n, 3) if index % 5 == 4 else n)
        if index % 3 == 1:
            array = (10 * array).astype(np.int16)
        elif index % 3 == 2:
            array[:1] = np.nan
        arrays.append(array)
    return bundle(*arrays)


def test_every_bundle_is_looked_at():
    declared = {item for item in vars(columns).values() if isinstance(item, type) and issubclass(item, Bundle)}
    assert declared - {Bundle} == set(BUNDLES)


@pytest.mark.parametrize("bundle", BUNDLES)
@pytest.mark.parametrize(
    "path", [lambda b: b, lambda b: pickle.loads(pickle.dumps(b)), copy.copy, copy.deepcopy], ids=str
)
def test_arrays_cannot_be_written(bundle, path):
    made = path(sample(bundle))
    for name, array in arrays_of(made):
        assert not array.flags.writeable, name
        with pytest.raises(ValueError, match="read-only"):
            array[0] = 1


@pytest.mark.parametrize("bundle", BUNDLES)
def test_fields_cannot_be_replaced_or_added(bundle):
    made = sample(bundle)
    with pytest.raises(FrozenInstanceError):
        setattr(made, fields(bundle)[0].name, np.zeros(4))
    with pytest.raises((FrozenInstanceError, AttributeError, TypeError)):
        made.something_else = np.zeros(4)


@pytest.mark.parametrize("protocol", range(2, pickle.HIGHEST_PROTOCOL + 1))
@pytest.mark.parametrize("bundle", BUNDLES)
def test_pickling_keeps_the_bits(bundle, protocol):
    made = sample(bundle)
    back = pickle.loads(pickle.dumps(made, protocol))
    assert type(back) is bundle
    assert all(a.tobytes() == b.tobytes() for (_, a), (_, b) in zip(arrays_of(made), arrays_of(back), strict=True))
    assert equal(made, back)


def test_pickled_empty_bundle(make_structures):
    empty = take(make_structures(3), np.zeros(3, dtype=bool))
    back = pickle.loads(pickle.dumps(empty))
    assert len(back) == 0
    assert equal(empty, back)
    assert not back.rim.flags.writeable


@pytest.mark.parametrize("bundle", BUNDLES)
def test_length_is_the_number_of_rows(bundle):
    assert [len(sample(bundle, n)) for n in (0, 1, 7)] == [0, 1, 7]


@pytest.mark.parametrize("bundle", BUNDLES)
def test_take_picks_rows_in_the_order_of_the_index(bundle):
    made, index = sample(bundle), np.array([2, 0, 2])
    for (name, array), (_, part) in zip(arrays_of(made), arrays_of(take(made, index)), strict=True):
        assert part.tobytes() == array[2].tobytes() + array[0].tobytes() + array[2].tobytes(), name
        assert part.dtype == array.dtype
        assert part.flags.c_contiguous
        assert not part.flags.writeable


def test_take_by_mask(make_structures):
    made = make_structures(4, rim=[1.0, 2.0, 3.0, 4.0])
    assert take(made, np.array([True, False, False, True])).rim.tolist() == [1.0, 4.0]


def test_taken_rows_do_not_share_memory(make_structures):
    made = make_structures(3)
    assert not any(
        np.shares_memory(a, b)
        for (_, a), (_, b) in zip(arrays_of(made), arrays_of(take(made, np.array([0, 1, 2]))), strict=True)
    )


@given(n=st.integers(1, 6), cuts=st.lists(st.integers(0, 6), max_size=3), seed=st.integers(0, 99))
@settings(max_examples=30, deadline=None)
def test_concat_undoes_cutting(n, cuts, seed):
    made = sample(Rims, n, seed)
    edges = sorted({0, n, *(cut for cut in cuts if cut <= n)})
    parts = [take(made, np.arange(a, b)) for a, b in pairwise(edges)]
    assert equal(concat(parts), made)


def test_concat_keeps_order_and_protection(make_structures):
    joined = concat([make_structures(2, rim=1.0), make_structures(1, rim=2.0)])
    assert joined.rim.tolist() == [1.0, 1.0, 2.0]
    assert not joined.rim.flags.writeable


@pytest.mark.parametrize("bundle", BUNDLES)
def test_equal_sees_every_field(bundle):
    made = sample(bundle)
    assert equal(made, made)
    for item in fields(bundle):
        arrays = dict(arrays_of(made))
        changed = arrays[item.name].copy()
        changed[-1] += 1
        assert not equal(made, bundle(**{**arrays, item.name: changed})), item.name


def test_equal_sees_nan_as_a_value_like_others(make_structures):
    known, unknown = make_structures(1, rim=5.0), make_structures(1)
    assert equal(unknown, make_structures(1))
    assert not equal(known, unknown)
    assert not equal(unknown, known)


def test_equal_sees_type_and_length(make_structures):
    assert not equal(make_structures(1), make_structures(2))
    assert not equal(sample(Verdicts), sample(Reasons))  # five fields each


# --- what the fields mean


def described():
    return [
        pytest.param(bundle, name, quantity, id=f"{bundle.__name__}.{name}")
        for bundle in BUNDLES
        for name, quantity in quantities_of(bundle).items()
    ]


@pytest.mark.parametrize("bundle", BUNDLES)
def test_every_field_has_a_quantity(bundle):
    quantities = quantities_of(bundle)
    assert list(quantities) == [item.name for item in fields(bundle)]
    assert all(isinstance(quantity, Quantity) and quantity.title for quantity in quantities.values())


@pytest.mark.parametrize(("bundle", "name", "quantity"), described())
def test_unit_inside_is_si(bundle, name, quantity):
    assert quantity.unit in ("", "m", "m/m", "rad")


@pytest.mark.parametrize(("bundle", "name", "quantity"), described())
def test_published_column_ends_in_its_unit(bundle, name, quantity):
    if not quantity.column:
        return
    ending = quantity.column.rsplit("_", 1)[-1]
    allowed = {"m": ("m", "mm"), "m/m": ("pct",), "rad": ("deg",), "": ()}[quantity.unit]
    if quantity.unit:
        assert ending in allowed
        assert quantity.shown == {"m": "m", "mm": "mm", "pct": "%", "deg": "deg"}[ending]
    else:
        assert ending not in ("m", "mm", "pct", "deg", "in", "ft")
        assert quantity.shown == ""


@pytest.mark.parametrize(("bundle", "name", "quantity"), described())
def test_words_have_no_unit_and_no_blank(bundle, name, quantity):
    if quantity.words:
        assert quantity.unit == ""
        assert len(set(quantity.words)) == len(quantity.words)
        assert all(word == word.strip().lower() and " " not in word for word in quantity.words)


def test_published_columns_are_unique_and_known():
    published = [q.column for bundle in BUNDLES for q in quantities_of(bundle).values() if q.column]
    assert len(set(published)) == len(published)
    assert sorted(published) == sorted(SCHEDULE)


def test_signed_columns_say_what_plus_means():
    signed = ("gap_mm", "raise_mm", "paving_off_mm", "grade_pct", "cross_slope_pct", "gap_max_mm", "gap_min_mm",
              "gap_mean_mm", "gap_along_mm", "gap_across_mm", "bar_along_mm", "bar_across_mm", "lower_by_mm",
              "interim_bump_mm", "interim_hole_mm", "stack_change_mm",
              "stack_change_min_mm", "stack_change_max_mm", "stack_misfit_mm", "convergence_deg")  # fmt: skip
    plus = {q.column: q.plus for bundle in BUNDLES for q in quantities_of(bundle).values()}
    assert [column for column in signed if not plus[column]] == []
    assert {plus[column] for column in signed if column.startswith(("gap", "bar"))} == {"PROUD"}


def test_closed_lists_fit_their_integers():
    words = [q.words for bundle in BUNDLES for q in quantities_of(bundle).values()]
    assert max(map(len, words)) < 127  # int8
    assert columns.STATIONS == 16  # h01 to h16 of the published ordinates
