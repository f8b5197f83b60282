"""Ring stacks against an exhaustive search that knows nothing of sorting or shelves."""

import itertools
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from geoadjust.core.columns import equal, take
from geoadjust.core.parts import Catalogue, RingPart
from geoadjust.core.rules import RuleSet
from geoadjust.core.stack import choose_stacks, expand, tallest

JOINT = 0.006


def rings(*millimetres, **fields):
    return tuple(RingPart(f"R{index}", mm / 1000, **fields) for index, mm in enumerate(millimetres))


def choose(make_structures, heights, parts, *, slope=0.0, flange=0.9, **rules):
    """Stacks for chimneys of these heights [m]."""
    heights = np.atleast_1d(np.asarray(heights, dtype=float))
    structures = make_structures(len(heights), flange_diameter=flange)
    rims = SimpleNamespace(slope=np.full(len(heights), slope))
    chimneys = SimpleNamespace(height=heights)
    rules = RuleSet(**{"joint": JOINT, "tolerance": 0.006, "max_rings": 4, **rules})
    return choose_stacks(structures, rims, chimneys, rules, Catalogue(ring=parts))


def near(expected, off=1e-9):
    return pytest.approx(expected, abs=off, rel=0, nan_ok=True)


# --- the exhaustive twin, in whole tenths of a millimetre


def bears(flange, ring):
    """The flange bears on 25 mm all round and overhangs by at most 25 mm; common practice, no source."""
    inside = ring.inside_diameter is None or flange - ring.inside_diameter >= 0.05 - 1e-9
    outside = ring.outside_diameter is None or flange - ring.outside_diameter <= 0.05 + 1e-9
    return inside and outside


def search(height, parts, flange, joint, max_rings, tolerance):
    """Every multiset of rings of one size: best by (count, |misfit|, price), and the least |misfit| of all."""
    usable = [ring for ring in parts if ring.available and bears(flange, ring)]
    best, least = None, None
    sizes = {(ring.outside_diameter, ring.inside_diameter) for ring in usable}
    for size in sizes:
        group = [ring for ring in usable if (ring.outside_diameter, ring.inside_diameter) == size]
        for count in range(max_rings + 1):
            for some in itertools.combinations_with_replacement(group, count):
                tenths = sum(round(1e4 * ring.thickness) for ring in some) + (count + 1) * joint
                off = abs(tenths - height)
                least = off if least is None else min(least, off)
                found = (count, off, sum(ring.price for ring in some))
                if off <= tolerance and (best is None or found < best):
                    best = found
    return best, least


SIZES = ((None, None), (0.91, 0.6), (0.8, 0.61), (1.2, 0.87), (0.86, 0.5))  # with the flanges below none on a limit
RINGS = st.lists(
    st.builds(
        lambda tenths, size, price, available: (tenths, size, price, available),
        st.integers(50, 2000).map(lambda tenths: tenths // 5 * 5),
        st.sampled_from(SIZES),
        st.integers(0, 3),
        st.sampled_from([True, True, True, False]),
    ),
    min_size=1,
    max_size=5,
)


@given(
    drawn=RINGS,
    heights=st.lists(st.integers(-100, 4000), min_size=1, max_size=6),
    joint=st.integers(0, 120),
    max_rings=st.integers(0, 4),
    tolerance=st.integers(0, 100),
    flange=st.sampled_from([0.9, 0.7, 0.95, 0.6]),
)
@example([(500, (None, None), 1, True)], [560, 620, 500], 60, 1, 60, 0.9)
@settings(max_examples=150, deadline=None)
def test_equals_exhaustive_search(make_structures, drawn, heights, joint, max_rings, tolerance, flange):
    parts = tuple(
        RingPart(str(index), tenths / 1e4, outside, inside, float(price), available)
        for index, (tenths, (outside, inside), price, available) in enumerate(drawn)
    )
    if not any(ring.available for ring in parts):
        return
    found = choose(
        make_structures, np.array(heights) / 1e4, parts, flange=flange,
        joint=joint / 1e4, max_rings=max_rings, tolerance=tolerance / 1e4,
    )  # fmt: skip
    for index, height in enumerate(heights):
        best, least = search(height, parts, flange, joint, max_rings, tolerance)
        if best is None:
            assert found.count[index] == -1
            assert np.isnan(found.misfit[index])
            assert (found.parts[index] == -1).all()
        else:
            stack = [parts[part] for part in found.parts[index] if part >= 0]
            misfit = sum(ring.thickness for ring in stack) + (len(stack) + 1) * joint / 1e4 - height / 1e4
            assert (len(stack), near(abs(misfit)), near(sum(ring.price for ring in stack))) == (
                best[0], best[1] / 1e4, best[2],
            )  # fmt: skip
            assert found.count[index] == best[0]
            assert found.misfit[index] == near(misfit)
            assert all(ring.available and bears(flange, ring) for ring in stack)
            assert len({(ring.outside_diameter, ring.inside_diameter) for ring in stack}) <= 1
        if least is None:
            assert np.isnan(found.nearest[index])
        else:
            assert abs(found.nearest[index]) == near(least / 1e4)


# --- rule by rule


def test_fewest_rings_before_smallest_misfit(make_structures):
    # 112 mm: one ring of 105 with two joints is 117 (+5), two of 47 with three joints are exact
    found = choose(make_structures, 0.112, rings(105, 47))
    assert found.parts.tolist() == [[0, -1, -1, -1]]
    assert found.misfit.tolist() == near([0.005])


def test_smallest_misfit_before_price(make_structures):
    parts = (RingPart("cheap", 0.053, price=1.0), RingPart("near", 0.051, price=9.0))
    found = choose(make_structures, 0.062, parts)  # 65 and 63 with joints
    assert found.parts[0, 0] == 1


def test_price_where_the_misfit_is_the_same_too_tall_or_too_short(make_structures):
    for prices in ((1.0, 9.0), (9.0, 1.0)):
        parts = (RingPart("tall", 0.054, price=prices[0]), RingPart("short", 0.046, price=prices[1]))
        found = choose(make_structures, 0.062, parts)  # 66 and 58
        assert found.parts[0, 0] == int(prices[1] < prices[0])
        assert abs(found.misfit[0]) == near(0.004)


def test_price_where_the_total_is_the_same(make_structures):
    parts = tuple(RingPart(str(mm), mm / 1000, price=price) for mm, price in ((30, 5.0), (40, 1.0), (50, 5.0)))
    found = choose(make_structures, 0.098, parts)  # 80 of rings: 40 + 40 for 2 or 30 + 50 for 10
    assert found.parts[0].tolist() == [1, 1, -1, -1]


def test_catalogue_order_where_all_is_the_same(make_structures):
    twice = (RingPart("first", 0.05), RingPart("second", 0.05))
    assert choose(make_structures, 0.062, twice).parts[0].tolist() == [0, -1, -1, -1]
    sizes = (RingPart("first", 0.05, 0.9, 0.6), RingPart("second", 0.05, 0.91, 0.6))
    assert choose(make_structures, 0.062, sizes).parts[0].tolist() == [0, -1, -1, -1]


@pytest.mark.parametrize(("off", "fits"), [(0.006 - 2e-6, True), (0.006, True), (0.006 + 2e-6, False)])
@pytest.mark.parametrize("side", [-1, 1])
def test_tolerance(make_structures, off, fits, side):
    found = choose(make_structures, 0.062 + side * off, rings(50), max_rings=1)
    assert (found.count[0] == 1) == fits
    assert found.nearest[0] == near(-side * off)


def test_zero_rings_are_one_joint(make_structures):
    found = choose(make_structures, [0.006, 0.0, 0.012, 0.0121], rings(50))
    assert found.count.tolist() == [0, 0, 0, -1]
    assert (found.parts == -1).all()
    assert found.misfit.tolist() == near([0.0, 0.006, -0.006, np.nan])


def test_no_rings_at_all(make_structures):
    for parts in ((), rings(50, available=False)):
        found = choose(make_structures, [0.006, 0.062], parts)
        assert found.count.tolist() == [0, -1]
        assert found.nearest.tolist() == near([0.0, -0.056])


def test_no_rings_allowed(make_structures):
    found = choose(make_structures, [0.006, 0.062], rings(50), max_rings=0)
    assert found.parts.shape == (2, 0)
    assert found.count.tolist() == [0, -1]


def test_unknown_height_has_no_stack(make_structures):
    found = choose(make_structures, [np.nan, 0.062], rings(50))
    assert found.count.tolist() == [-1, 1]
    for unknown in (found.misfit, found.nearest, found.wedge):
        assert np.isnan(unknown[0])


def test_nearest_is_told_where_none_fits(make_structures):
    found = choose(make_structures, [0.080, 0.5], rings(50, 100), max_rings=1)
    assert found.count.tolist() == [-1, -1]
    assert found.nearest.tolist() == near([-0.018, -0.388])  # 62 for 80, 112 for 500: too short is minus


def test_joints_are_one_more_than_rings(make_structures):
    found = choose(make_structures, 3 * 0.05 + 4 * 0.01, rings(50), joint=0.01)
    assert found.count.tolist() == [3]
    assert found.misfit.tolist() == near([0.0])
    assert found.joint.tolist() == [0.01]


# --- sizes


@pytest.mark.parametrize(
    ("flange", "fits"),
    [
        (0.9, True),
        (0.95 - 2e-6, True),  # 25 mm over the outside of 0.9 m all round
        (0.95 + 2e-6, False),
        (0.65 + 2e-6, True),  # 25 mm on the iron all round of a hole of 0.6 m
        (0.65 - 2e-6, False),
        (np.nan, True),
    ],
)
def test_flange_bears_on_the_ring(make_structures, flange, fits):
    parts = rings(50, outside_diameter=0.9, inside_diameter=0.6)
    found = choose(make_structures, 0.062, parts, flange=flange)
    assert (found.count[0] == 1) == fits
    known = make_structures(flange_diameter=flange)
    top = tallest(known, RuleSet(joint=JOINT, max_rings=2), Catalogue(ring=parts))
    assert top.tolist() == near([0.118 if fits else 0.0])


def test_rings_of_two_sizes_never_stand_on_each_other(make_structures):
    parts = (RingPart("a", 0.05, 0.9, 0.6), RingPart("b", 0.03, 0.92, 0.6))
    found = choose(make_structures, 0.098, parts)  # 50 + 30 and three joints would be exact
    assert found.count.tolist() == [-1]
    assert found.nearest.tolist() == near([0.016])  # three of 30 and four joints: 114
    one_size = (RingPart("a", 0.05, 0.9, 0.6), RingPart("b", 0.03, 0.9, 0.6))
    assert choose(make_structures, 0.098, one_size).misfit.tolist() == near([0.0])


def test_nominally_equal_sizes_share_a_shelf():
    parts = (RingPart("a", 0.05, 0.9, 0.6), RingPart("b", 0.03, 0.9, 0.6), RingPart("c", 0.03))
    shelves = expand(parts, 2, JOINT)
    assert sorted(shelf.count.size for shelf in shelves) == [3, 6]  # 1 + 1 + 1, 1 + 2 + 3


# --- the shelf


def test_totals_are_sorted_within_each_count():
    (shelf,) = expand(rings(25, 38, 50, 75, 100), 4, JOINT)
    for count in range(5):
        total = shelf.total[shelf.count == count]
        assert (np.diff(total) > 0).all()
    assert (np.diff(shelf.count) >= 0).all()
    chosen = shelf.parts[shelf.count == 4]
    assert (chosen >= 0).all()
    assert (np.diff(chosen, axis=1) >= 0).all()


def test_shelf_is_made_once_and_shared():
    assert expand(rings(25, 50), 3, JOINT) is expand(rings(25, 50), 3, JOINT)


def test_tallest(make_structures):
    structures = make_structures(2)
    assert tallest(structures, RuleSet(joint=JOINT, max_rings=4), Catalogue(ring=rings(50, 75))).tolist() == near(
        [0.330, 0.330]
    )
    assert tallest(structures, RuleSet(joint=JOINT), Catalogue()).tolist() == near([JOINT, JOINT])
    lone = (RingPart("a", 0.05), RingPart("b", 0.2, available=False))
    assert tallest(structures, RuleSet(joint=0.0, max_rings=2), Catalogue(ring=lone)).tolist() == near([0.1, 0.1])


# --- the wedge under the flange


@pytest.mark.parametrize(("slope", "wedge"), [(0.0, 0.0), (0.01, 0.009), (0.02, 0.018), (0.03, 0.020), (0.2, 0.020)])
def test_bedding_takes_the_tilt_up_to_the_owner_s_limit(make_structures, slope, wedge):
    found = choose(make_structures, 0.062, rings(50), slope=slope, flange=0.9)  # 20 mm
    assert found.wedge.tolist() == near([wedge])


# --- many


def test_a_hundred_thousand_heights_and_twelve_rings(make_structures):
    rng = np.random.default_rng(1)
    parts = rings(*range(20, 140, 10))
    heights = rng.uniform(0.0, 0.6, 100_000)
    found = choose(make_structures, heights, parts)
    assert len(found.count) == 100_000
    # every height but those too thin and too tall is within reach of rings in steps of 10 mm, 6 mm off at most
    reach = (heights > 0.03) & (heights < 4 * 0.13 + 5 * JOINT)
    assert (found.count[reach] > 0).all()
    assert np.nanmax(np.abs(found.misfit)) <= 0.006 + 1e-6
    assert (found.count[heights > 0.557] == -1).all()
    some = rng.choice(100_000, 200)
    fewer = choose(make_structures, heights[some], parts)
    assert equal(fewer, take(found, some))


def test_rows_are_independent_of_their_order(make_structures):
    heights = np.linspace(-0.01, 0.5, 60)
    order = np.random.default_rng(2).permutation(60)
    parts = rings(25, 38, 50, 75)
    assert equal(take(choose(make_structures, heights, parts), order), choose(make_structures, heights[order], parts))
