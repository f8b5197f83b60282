"""Chimney heights: published cylinders and mitres, fractions of an inch, dense twins, differences of known chimneys."""

from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad

from geoadjust.core.chimney import unrolled
from geoadjust.core.columns import BEARING_SOURCES, REFERENCES, arrays_of
from geoadjust.core.rules import RuleSet

SLOPES = st.floats(-0.15, 0.15)
ANGLES = st.floats(0.0, 2 * np.pi)
FREE = RuleSet(joint=0.0, max_measure_down=5.0)
HEIGHT, CHANGE = 0, 1


def near(expected, off=1e-9):
    return pytest.approx(expected, abs=off, rel=0, nan_ok=True)


def cylinder(make_structures, make_roads, find, radius, centre, slope, uphill=0.0, rules=FREE, **fields):
    """A chimney of this height under a casting of no height, so that H(t) is the cylinder cut by the road's plane."""
    roads = make_roads(slope_east=slope * np.sin(uphill), slope_north=slope * np.cos(uphill))
    structures = make_structures(casting_height=0.0, flange_diameter=2 * radius, bearing=100.0 - centre, **fields)
    return find(structures, roads, rules=replace(rules, max_measure_down=20.0)).chimneys


# --- heights and extremes


def test_measure_down_less_casting_in_fractions_of_an_inch(make_structures, find):
    """9 3/8 in - 7 3/4 in = 1 5/8 in on a level road without joints; common practice, no source."""
    inch = Fraction(254, 10000)
    down, casting = 9 + Fraction(3, 8), 7 + Fraction(3, 4)
    assert down - casting == 1 + Fraction(5, 8)
    structures = make_structures(
        measure_down=float(down * inch), measure_down_from=0, casting_height=float(casting * inch)
    )
    c = find(structures, rules=RuleSet(joint=0.0)).chimneys
    for height in (c.height, c.height_min, c.height_max, *c.ordinates.T):
        assert height[0] == near(float((down - casting) * inch))
    assert c.foot_shift.tolist() == [0.0]


def test_worked_sloping_chimney(make_structures, make_roads, find):
    """h 196.85 mm at 3.6056 %: the foot moves 7.09 mm uphill, a 27 in flange is 24.73 mm higher uphill."""
    structures = make_structures(
        gap=-0.1 * 1200 / 3937, mill=0.040, overlay=0.050, measure_down=0.238125, measure_down_from=0,
        casting_height=0.19685, flange_diameter=0.6858, axis=np.pi / 2,
    )  # fmt: skip
    found = find(structures, make_roads(slope_east=0.02, slope_north=-0.03), rules=RuleSet(joint=0.0))
    c = found.chimneys
    assert 1000 * found.rims.raise_[0] == near(40.480, 5e-4)
    assert 1000 * c.height[0] == near(81.627, 5e-4)
    assert 1000 * (c.height_max - c.height_min)[0] == near(24.727, 5e-4)
    assert 1000 * c.foot_shift[0] == near(7.093, 5e-4)
    assert np.degrees(c.long_side[0]) == near(146.3099, 5e-5)
    assert np.degrees(np.arctan2(0.02, -0.03)) == near(146.3099, 5e-5)


@given(east=SLOPES, north=SLOPES, height=st.floats(0.05, 0.5))
@settings(max_examples=40, deadline=None)
def test_flange_and_rim_planes_are_a_casting_apart(make_structures, make_roads, find, east, north, height):
    """Distance of the two parallel planes, measured at right angles, is the casting's height; shift likewise."""
    structures = make_structures(bearing=99.0, casting_height=height)
    found = find(structures, make_roads(slope_east=east, slope_north=north), rules=FREE)
    flange = found.chimneys.height[0] + 99.0
    normal = np.array([-east, -north, 1.0]) / np.sqrt(1 + east**2 + north**2)
    assert normal @ [0, 0, found.rims.target[0] - flange] == near(height, 1e-10)
    foot = -height * normal  # the casting's axis meets the flange here, seen from the rim's centre
    assert np.hypot(*foot[:2]) == near(found.chimneys.foot_shift[0])
    if np.hypot(east, north) > 1e-6:
        towards = [np.sin(found.rims.uphill[0]), np.cos(found.rims.uphill[0])]
        assert foot[:2] @ towards == near(found.chimneys.foot_shift[0])  # uphill, not downhill


@@EXTREMES@@

# --- where the bearing comes from


def test_order_of_the_sources():
    assert BEARING_SOURCES == ("bearing", "measure_down", "existing_chimney")


@pytest.mark.parametrize(
    ("given", "source", "bearing"),
    [
        ({"bearing": 99.5, "measure_down": 0.6, "measure_down_from": 0, "existing_chimney": 0.1}, 0, 99.5),
        ({"measure_down": 0.6, "measure_down_from": 0, "existing_chimney": 0.1}, 1, 99.4),
        ({"existing_chimney": 0.1}, 2, 99.7),
        ({"bearing": 100.5, "measure_down": 0.6, "measure_down_from": 0}, 1, 99.4),  # above the rim: not believed
        ({"bearing": 98.7, "existing_chimney": 0.1}, 2, 99.7),  # 1.3 m down: not believed
        ({"bearing": 0.0, "measure_down": 9.0, "measure_down_from": 0, "existing_chimney": 0.1}, 2, 99.7),
        ({"measure_down": 0.6, "existing_chimney": 0.1}, 2, 99.7),  # from where? not said
        ({"bearing": -9999.0}, -1, np.nan),
        ({}, -1, np.nan),
    ],
)
def test_bearing_by_priority(make_structures, find, given, source, bearing):
    c = find(make_structures(**given)).chimneys
    assert c.bearing_source.tolist() == [source]
    assert c.bearing.tolist() == near([bearing])
    assert c.basis.tolist() == [HEIGHT if source >= 0 else CHANGE]
    assert c.height.tolist() == near([99.8 - bearing])


@pytest.mark.parametrize(
    ("reference", "level"), [("rim", 100.012), ("existing", 100.0), ("milled", 99.96), ("finished", 100.01)]
)
def test_four_references_of_a_measure_down(make_structures, find, reference, level):
    structures = make_structures(
        rim=100.012, mill=0.04, overlay=0.05, measure_down=0.3, measure_down_from=REFERENCES.index(reference)
    )
    found = find(structures)
    assert found.chimneys.bearing.tolist() == near([level - 0.3])
    assert found.chimneys.height.tolist() == near([100.01 - 0.2 - (level - 0.3)])


def test_no_milled_road_no_measure_down_from_it(make_structures, find):
    found = find(make_structures(measure_down=0.3, measure_down_from=REFERENCES.index("milled"), overlay=0.05))
    assert np.isnan(found.chimneys.bearing[0])
    assert "bearing_missing" in found.notes()


@pytest.mark.parametrize(
    ("down", "refused"),
    [(1.2, False), (1.2 + 2e-6, True), (2.4, True), (30.0, True), (0.0, True), (-0.3, True), (0.001, False)],
)
def test_a_depth_of_the_structure_is_refused(make_structures, find, down, refused):
    found = find(make_structures(measure_down=down, measure_down_from=0))
    assert np.isnan(found.chimneys.bearing[0]) == refused
    notes = found.notes()
    assert ("measure_down_is_depth" in notes) == refused
    if refused:
        assert notes["measure_down_is_depth"] == near((1000 * down, 1200.0), 1e-5)


def test_existing_chimney_hangs_under_the_tilted_old_casting(make_structures, make_roads, find):
    """On a 10 % road a casting of 200 mm reaches 200 sqrt(1.01) = 200.9975 mm below the rim's centre."""
    structures = make_structures(existing_chimney=0.15, casting_height=0.2, new_casting_height=0.1, recast=True)
    c = find(structures, make_roads(slope_east=0.06, slope_north=0.08)).chimneys
    assert c.bearing.tolist() == near([100.0 - 0.2 * np.sqrt(1.01) - 0.15])
    assert 1000 * (100.0 - 0.15 - c.bearing[0]) == near(200.9975, 5e-5)
    assert c.height.tolist() == near([0.15 + 0.1 * np.sqrt(1.01)])  # the new casting is 100 mm lower


def test_a_bearing_may_lie_at_the_rim_and_no_higher(make_structures, find):
    c = find(make_structures(4, rim=100.0, bearing=[100.0, 100.0 + 2e-6, 98.8 + 2e-6, 98.8 - 2e-6])).chimneys
    assert c.bearing_source.tolist() == [0, -1, 0, -1]


# --- change


@given(
    old=st.tuples(SLOPES, SLOPES), new=st.tuples(SLOPES, SLOPES), h0=st.floats(0.05, 0.3), h1=st.floats(0.05, 0.3),
    gap=st.floats(-0.05, 0.05), lift=st.floats(-0.1, 0.2), radius=st.floats(0.2, 0.8), axis=ANGLES,
)  # fmt: skip
@settings(max_examples=60, deadline=None)
def test_change_is_the_difference_of_two_known_chimneys(
    make_structures, make_roads, find, old, new, h0, h1, gap, lift, radius, axis
):
    """Chimney after less chimney before, station by station, on one bearing that the change does not know of."""
    before_road = make_roads(slope_east=old[0], slope_north=old[1])
    after_road = make_roads(height=100.0 + lift, slope_east=new[0], slope_north=new[1])
    common = {"axis": axis, "flange_diameter": 2 * radius, "gap": gap, "frame_top_diameter": 0.6}
    before = find(
        make_structures(bearing=99.2, casting_height=h0, **common), before_road, before_road, rules=FREE
    ).chimneys
    # the finished road of "before" is flush with the road, the old casting is not: add its gap
    heights_before = before.ordinates + gap
    castings = {"casting_height": h0, "new_casting_height": h1, "recast": True}
    after = find(make_structures(bearing=99.2, **castings, **common), before_road, after_road, rules=FREE).chimneys
    change = find(make_structures(**castings, **common), before_road, after_road, rules=FREE).chimneys
    assert (before.basis[0], after.basis[0], change.basis[0]) == (HEIGHT, HEIGHT, CHANGE)
    assert change.ordinates[0].tolist() == near((after.ordinates - heights_before)[0].tolist())
    assert change.change[0] == near(after.height[0] - before.height[0] - gap)
    assert after.change[0] == near(change.change[0], 1e-12)  # known bearing or not
    azimuth = np.arange(3600) * (2 * np.pi / 3600)
    e, n = radius * np.sin(azimuth), radius * np.cos(azimuth)
    dense = change.change[0] + (new[0] - old[0]) * e + (new[1] - old[1]) * n
    assert change.change_max[0] == near(dense.max(), 1e-6)
    assert change.change_min[0] == near(dense.min(), 1e-6)


def test_change_of_a_new_casting_at_three_and_two_per_cent(make_structures, make_roads, find):
    """10 + 50 sqrt(1 + .03^2 + .02^2) = 60.03 mm: 150 mm for 200 mm, mill 40, overlay 50."""
    structures = make_structures(mill=0.04, overlay=0.05, new_casting_height=0.15, recast=True)
    c = find(structures, make_roads(slope_east=0.03, slope_north=0.02)).chimneys
    assert 1000 * c.change[0] == near(60.03, 5e-3)
    assert 1000 * c.change_max[0] == near(60.03, 5e-3)  # the tilt stays, so all round the same


def test_casting_of_unknown_height_that_stays(make_structures, make_roads, find):
    """Only its tilt matters: from level to 10 %, 200 (sqrt(1.01) - 1) = 1.00 mm less of the usual casting's height."""
    structures = make_structures(casting_height=np.nan, overlay=0.05)
    level = find(structures, make_roads(), make_roads(height=100.05)).chimneys
    assert level.change.tolist() == near([0.05])
    tilted = find(structures, make_roads(), make_roads(height=100.05, slope_east=0.1)).chimneys
    assert 1000 * tilted.change[0] == near(50 - 200 * (np.sqrt(1.01) - 1), 1e-6)
    assert np.isnan(tilted.height[0])


@pytest.mark.parametrize("unknown", ["casting_height", "new_casting_height"])
def test_one_unknown_height_of_two_gives_no_change(make_structures, find, unknown):
    known = {"casting_height": 0.2, "new_casting_height": 0.15, unknown: np.nan}
    c = find(make_structures(**known, recast=True)).chimneys
    assert np.isnan(c.change[0])
    assert c.basis.tolist() == [-1]
    assert np.isnan(c.ordinates).all()
    assert np.isnan(c.long_side[0])


def test_without_a_road_everything_is_unknown(make_structures, make_no_roads, find):
    c = find(make_structures(bearing=99.5, existing_chimney=0.1), make_no_roads()).chimneys
    assert c.basis.tolist() == [-1]
    for name, array in arrays_of(c):
        if array.dtype.kind == "f" and name != "radius":
            assert np.isnan(array).all(), name
