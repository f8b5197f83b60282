"""Shelves of stacks against an exhaustive list of multisets; where a flange bears against rays from the axis."""

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geoadjust.core.parts import RingPart
from geoadjust.core.shelf import expand

JOINT = 0.006


def flats(*millimetres, **fields):
    return tuple(RingPart(f"R{index}", mm / 1000, **fields) for index, mm in enumerate(millimetres))


def taper(thin, thick, outside=0.8, **fields):
    return RingPart(f"T{thin}-{thick}", thin=thin / 1000, thick=thick / 1000, outside_diameter=outside, **fields)


def shelves(rings, most=4, joint=JOINT, min_edge=0.010, max_taper=0.1):
    return expand(tuple(rings), most, joint, min_edge, max_taper)


def near(expected, off=1e-9):
    return pytest.approx(expected, abs=off, rel=0, nan_ok=True)


# --- which stacks


def multisets(rings, most):
    """The cheapest, then earliest stack of each (count, tapers, total), total in tenths of a millimetre."""
    best = {}
    for count in range(most + 1):
        for some in itertools.combinations_with_replacement(range(len(rings)), count):
            parts = sorted(some, key=lambda index: (rings[index].taper > 0, index))
            tapers = tuple(rings[index].taper for index in parts if rings[index].taper > 0)
            if len(tapers) > 2:
                continue
            tenths = round(sum(1e4 * rings[index].middle for index in parts))
            offer = (round(sum(rings[index].price for index in parts), 6), tuple(parts))
            best[count, tapers, tenths] = min(best.get((count, tapers, tenths), offer), offer)
    return best


RING = st.one_of(
    st.builds(
        lambda mm, price: RingPart("f", mm / 1000, outside_diameter=0.8, price=price),
        st.sampled_from([20, 30, 40, 50, 60]),
        st.sampled_from([0.0, 1.0, 2.0, 0.1]),
    ),
    st.builds(
        lambda thin, more, price: taper(thin, thin + more, price=price),
        st.sampled_from([10, 20, 30]),
        st.sampled_from([20, 30, 40]),
        st.sampled_from([0.0, 1.0, 2.0, 0.1]),
    ),
)


@given(rings=st.lists(RING, max_size=5), most=st.integers(0, 4))
@settings(max_examples=100, deadline=None)
def test_equals_all_multisets(rings, most):
    found = shelves(rings, most)
    expected = multisets(rings, most)
    listed = {}
    for count, rows in enumerate(found.rows):
        for row in rows:
            assert row.count == count
            total = found.total[row.first : row.last]
            assert (np.diff(total) > 0).all()
            for place in range(row.first, row.last):
                tenths = round(1e4 * (found.total[place] - (count + 1) * JOINT))
                parts = tuple(part for part in found.parts[place].tolist() if part >= 0)
                assert len(parts) == count
                listed[count, found.tapers[row.tapers].slopes, tenths] = parts
    assert listed == {key: parts for key, (_, parts) in expected.items()}
    assert len(found.total) == len(expected)


def test_order_is_price_then_catalogue():
    parts = (RingPart("a", 0.03, price=1.0), RingPart("b", 0.02, price=1.0), RingPart("c", 0.05, price=0.25))
    found = shelves(parts, 2)
    ranked = found.parts[np.argsort(found.order)].tolist()
    assert ranked == [[-1, -1], [2, -1], [2, 2], [0, -1], [1, -1], [0, 2], [1, 2], [0, 0], [0, 1], [1, 1]]
    assert sorted(found.order.tolist()) == list(range(10))


def test_sizes_stay_apart():
    parts = (*flats(50, outside_diameter=0.9, inside_diameter=0.6), *flats(30, outside_diameter=0.9), *flats(30))
    found = shelves(parts, 2)
    assert [len(rows) for rows in found.rows] == [3, 3, 3]
    assert found.parts.max(axis=1).tolist() == [-1, -1, -1, 0, 1, 2, 0, 1, 2]
    assert found.outside.tolist() == near([0.9, 0.9, np.nan])
    assert found.inside.tolist() == near([0.6, np.nan, np.nan])


def test_nominally_equal_sizes_share_a_shelf():
    found = shelves(flats(50, 30, outside_diameter=0.9, inside_diameter=0.6), 2)
    assert [row.last - row.first for rows in found.rows for row in rows] == [1, 2, 3]


def test_flat_rings_lie_below_tapered_ones():
    found = shelves((taper(20, 40), *flats(50, outside_diameter=0.8), taper(30, 60)), 3)
    assert [1, 0, 2] in found.parts.tolist()
    assert [1, 1, 0] in found.parts.tolist()
    assert all(list(parts).count(0) + list(parts).count(2) <= 2 for parts in found.parts)


@pytest.mark.parametrize(
    "ring",
    [
        RingPart("gone", 0.05, available=False),
        taper(20, 40, available=False),
        taper(9.99, 30),
        RingPart("size unknown", thin=0.02, thick=0.04),
    ],
    ids=lambda ring: ring.id,
)
def test_rings_that_are_left_out(ring):
    found = shelves((ring,))
    assert found.parts.tolist() == [[-1, -1, -1, -1]]
    assert found.total.tolist() == near([JOINT])
    assert np.isnan(found.outside).all()  # a catalogue of no rings has no sizes either


def test_thin_edge_on_the_limit():
    assert len(shelves((taper(9.9995, 30),), 1).total) == 2


def test_a_ring_of_equal_edges_is_flat_and_needs_no_thin_edge():
    found = shelves((RingPart("level", thin=0.008, thick=0.008),), 1)
    assert found.total.tolist() == near([JOINT, 0.008 + 2 * JOINT])
    assert [tapers.slopes for tapers in found.tapers] == [()]


@pytest.mark.parametrize(("limit", "counts"), [(0.024998, [1, 0, 0]), (0.0249995, [1, 1, 0]), (0.1, [1, 1, 1])])
def test_tapers_past_the_limit_are_left_out(limit, counts):
    # a lone ring of 2.5 %; a pair that has one place each and so makes 5 %
    found = shelves((taper(20, 40, turn_step=360.0),), 2, max_taper=limit)
    assert [len(rows) for rows in found.rows] == counts
    assert max(found.steepest) == near([0.0, 0.025, 0.05][sum(counts) - 1])


def test_steepest_of_each_class_of_tapers():
    found = shelves((taper(20, 40), taper(20, 60)), 2, max_taper=0.09)
    steep = {
        tuple(round(slope, 9) for slope in tapers.slopes): steepest
        for tapers, steepest in zip(found.tapers, found.steepest, strict=True)
    }
    assert steep[()] == 0.0
    assert steep[0.05,] == near(0.05)
    assert steep[0.025, 0.05] == near(0.075)
    # two of 5 % within 9 %: whole steps of 5 degrees apart, 2 x 5 % x cos(half), cos^-1(.9) = 25.84 -> 27.5 degrees
    assert steep[0.05, 0.05] == near(0.1 * np.cos(np.radians(27.5)))


def test_turn_steps_make_places():
    for step, places in ((5.0, 72), (360.0, 1), (22.5, 16), (360 / 7, 7)):
        assert shelves((taper(20, 40, turn_step=step),), 1).tapers[1].places == (places,)


def test_made_once_and_shared():
    assert shelves(flats(25, 50)) is shelves(flats(25, 50))


# --- where the flange bears


def bears(flange, hole, outside, inside, shift):
    """Least width of iron on the ring and largest overhang, along rays from the rings' axis."""
    angle = np.radians(np.arange(0, 360, 0.5))

    def edge(diameter):
        return shift * np.cos(angle) + np.sqrt(diameter**2 / 4 - (shift * np.sin(angle)) ** 2)

    width = np.minimum(edge(flange), outside / 2) - np.maximum(edge(hole), inside / 2)
    return width.min() >= 0.025 and (edge(flange) - outside / 2).max() <= 0.025


MM = st.integers(0, 400)


@given(flange=MM, hole=MM, outside=MM, inside=MM, shift=st.integers(0, 60))
@settings(max_examples=300, deadline=None)
def test_fits_equals_rays(flange, hole, outside, inside, shift):
    # odd tenths of a millimetre: none of the widths lies on its limit
    sizes = (0.6003 + flange / 1000, 0.4001 + hole / 2000, 0.6007 + outside / 1000, 0.5 + inside / 2000)
    ring = RingPart("r", 0.05, outside_diameter=sizes[2], inside_diameter=sizes[3])
    found = shelves((ring,)).fits(np.array([sizes[0]]), np.array([sizes[1]]), np.array([shift / 1000]))
    assert found.tolist() == [[bears(*sizes, shift / 1000)]]


@pytest.mark.parametrize(
    ("flange", "hole", "shift", "fits"),
    [
        (0.9, np.nan, 0.0, True),
        (0.95 - 2e-6, np.nan, 0.0, True),  # 25 mm over the outside of 0.9 m all round
        (0.95 + 2e-6, np.nan, 0.0, False),
        (0.93, np.nan, 0.010 - 1e-6, True),  # and where it stands off the axis, on the far side
        (0.93, np.nan, 0.010 + 1e-6, False),
        (0.65 + 2e-6, np.nan, 0.0, True),  # 25 mm on the iron all round of a hole of 0.6 m
        (0.65 - 2e-6, np.nan, 0.0, False),
        (0.67, np.nan, 0.010 - 1e-6, True),
        (0.67, np.nan, 0.010 + 1e-6, False),
        (0.9, 0.85 - 2e-6, 0.0, True),  # 25 mm between the flange's hole and its own edge or the ring's
        (0.9, 0.85 + 2e-6, 0.0, False),
        (0.9, 0.8, 0.025 - 1e-6, True),
        (0.9, 0.8, 0.025 + 1e-6, False),
        (np.nan, np.nan, 0.0, True),
        (np.nan, 0.7, 0.0, True),
        (0.9, 0.7, np.nan, True),
    ],
)
def test_flange_bears_on_the_ring(flange, hole, shift, fits):
    found = shelves(flats(50, outside_diameter=0.9, inside_diameter=0.6))
    assert found.fits(*np.array([[flange], [hole], [shift]])).tolist() == [[fits]]


def test_rings_of_unknown_size_fit_everywhere():
    found = shelves(flats(50))
    assert found.fits(np.array([0.1, 3.0]), np.array([0.05, np.nan]), np.zeros(2)).all()
