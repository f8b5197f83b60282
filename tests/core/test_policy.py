"""Whether the old stack stays: who may, what is asked of the rings, totals and counts, against a plain search."""

from itertools import combinations_with_replacement

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geoadjust.core.columns import CONDITIONS, METHODS, POLICIES, equal
from geoadjust.core.outline import Outlines
from geoadjust.core.parts import Catalogue, LinerPart, RingPart
from geoadjust.core.policy import extent, whole_demand
from geoadjust.core.rules import RuleSet

GOOD, POOR, UNSURE, BLANK = 0, 1, 2, -1
REPLACE, ON_TOP = 0, 1
ADD = RuleSet(existing_stack="add_on_top")
SIZES = (25, 38, 50, 75, 100)
PARTS = Catalogue(ring=tuple(RingPart(f"R{mm}", mm / 1000) for mm in SIZES))
JOINT, TOLERANCE = 0.006, 0.006

# The old stack of 150 mm stands under a casting of 200 mm whose rim is flush at 100 m; 56 mm of overlay ask for 56 mm
# more: one ring of 50 mm and its joint. The whole would be 206 mm.
OLD = {"existing_chimney": 0.150, "existing_rings": 2.0, "rim": 100.0, "overlay": 0.056}


def near(expected, off=1e-9):
    return pytest.approx(expected, abs=off, rel=0, nan_ok=True)


def parts_of(stacks, row=0):
    return [int(part) for part in stacks.parts[row] if part >= 0]


def test_words():
    assert CONDITIONS == ("good", "poor", "unknown")
    assert POLICIES == ("replace_all", "add_on_top")


# --- who may stay


@pytest.mark.parametrize(
    ("condition", "policy", "other", "note"),
    [
        (GOOD, ON_TOP, False, None), (POOR, REPLACE, False, "condition_poor"),
        (UNSURE, REPLACE, True, "condition_unknown"), (BLANK, REPLACE, True, "condition_unknown"),
    ],
)  # fmt: skip
def test_only_a_good_stack_is_added_to(make_structures, find, condition, policy, other, note):
    found = find(make_structures(chimney_condition=condition, **OLD), catalogue=PARTS, rules=ADD)
    assert METHODS[found.verdicts.method[0]] == "rings"
    assert found.stacks.policy.tolist() == [policy]
    assert found.stacks.count.tolist() == [1 if policy == ON_TOP else 3]
    assert (found.others.count >= 0).tolist() == [other]
    if other:
        assert found.others.policy.tolist() == [ON_TOP]
    for stacks in [found.stacks] * (policy == ON_TOP) + [found.others] * other:
        assert parts_of(stacks) == [2]
    assert {"condition_poor", "condition_unknown"} & set(found.notes()) == ({note} if note else set())


def test_the_owner_who_replaces_is_not_asked(make_structures, find):
    """Rules of replacing all: the condition does not matter, and there is no other quantity."""
    conditions = [GOOD, POOR, UNSURE, BLANK]
    found = find(make_structures(4, chimney_condition=conditions, **OLD), catalogue=PARTS)
    assert found.stacks.policy.tolist() == [REPLACE] * 4
    assert found.others.count.tolist() == [-1] * 4
    for row in range(4):
        assert not {"condition_poor", "condition_unknown", "rings_unknown"} & set(found.notes(row))
    first, others = parts_of(found.stacks), [parts_of(found.stacks, row) for row in range(4)]
    assert others == [first] * 4


def test_without_an_old_height_nothing_is_added(make_structures, find):
    """A good stack of unknown height on a known bearing: replaced, and its condition is no matter."""
    structures = make_structures(chimney_condition=GOOD, bearing=99.65, rim=100.0, overlay=0.056)
    found = find(structures, catalogue=PARTS, rules=ADD)
    assert found.stacks.policy.tolist() == [REPLACE]
    assert not {"condition_unknown", "condition_poor"} & set(found.notes())


def test_a_stack_thinner_than_its_joint_is_no_stack(make_structures, find):
    """Its top joint is renewed, so that it must have one."""
    structures = make_structures(2, chimney_condition=GOOD, **{**OLD, "existing_chimney": [0.006, 0.005]})
    found = find(structures, catalogue=PARTS, rules=ADD)
    assert found.stacks.policy.tolist() == [ON_TOP, REPLACE]


def test_where_nothing_can_be_added_it_is_replaced(make_structures, find):
    """15 mm more are no ring's height; 165 mm are two of them: 50 and 100 mm and 18 mm of joints."""
    structures = make_structures(chimney_condition=GOOD, **{**OLD, "overlay": 0.015})
    found = find(structures, catalogue=PARTS, rules=ADD)
    assert METHODS[found.verdicts.method[0]] == "rings"
    assert found.stacks.policy.tolist() == [REPLACE]
    assert parts_of(found.stacks) == [2, 4]
    assert found.stacks.misfit.tolist() == near([0.168 - 0.165])


# --- heights


def test_added_rings_and_joints_make_the_change(make_structures, find):
    found = find(make_structures(chimney_condition=GOOD, **OLD), catalogue=PARTS, rules=ADD)
    stacks = found.stacks
    assert stacks.count.tolist() == [1]
    assert stacks.misfit.tolist() == near([0.050 + JOINT - 0.056])
    assert stacks.bottom.tolist() == [0.0]
    assert stacks.top.tolist() == near([JOINT])
    assert found.results.gap_mean.tolist() == near([0.0])


def test_added_rings_make_the_change_of_slope(make_structures, make_roads, find):
    """Old and new road differ by 1.2 %: the bedding's wedge is 900 x 1.2 % = 10.8 mm, 5.4 mm of it at the centre."""
    design = make_roads(height=100.0614, slope_east=0.022)
    structures = make_structures(chimney_condition=GOOD, casting_height=0.0, **{**OLD, "overlay": 0.0})
    found = find(structures, make_roads(slope_east=0.01), design, catalogue=PARTS, rules=ADD)
    assert found.stacks.policy.tolist() == [ON_TOP]
    assert parts_of(found.stacks) == [2]
    assert found.stacks.wedge.tolist() == near([0.0108])
    assert found.stacks.top.tolist() == near([JOINT + 0.0054])
    assert found.stacks.misfit.tolist() == near([0.050 + JOINT + 0.0054 - 0.0614])


@pytest.mark.parametrize(("change", "policy"), [(0.005, ON_TOP), (-0.005, ON_TOP), (0.007, REPLACE), (-0.007, REPLACE)])
def test_a_small_change_is_taken_by_the_top_joint(make_structures, find, change, policy):
    """No ring at all: the old stack stays, the rim ends where it was. Keeping is left out here."""
    structures = make_structures(chimney_condition=GOOD, **{**OLD, "overlay": 0.1, "mill": 0.1 - change})
    rules = RuleSet(existing_stack="add_on_top", methods=("rings",))
    found = find(structures, catalogue=PARTS, rules=rules)
    if policy == ON_TOP:
        assert found.stacks.count.tolist() == [0]
        assert found.stacks.misfit.tolist() == near([-change])
        assert "rings_unknown" not in found.notes()
    assert (found.stacks.policy.tolist() == [ON_TOP]) == (policy == ON_TOP)


def best(change, most):
    """Plain search: fewest rings within the tolerance, then the nearest; None where nothing is."""
    for count in range(most + 1):
        sums = [sum(some) / 1000 + count * JOINT - change for some in combinations_with_replacement(SIZES, count)]
        near_enough = [off for off in sums if abs(off) <= TOLERANCE]
        if near_enough:
            return count, min(near_enough, key=abs)
    return None


@given(change=st.integers(-20, 300), there=st.sampled_from([0, 1, 2, 3, 4, 5, None]))
@settings(max_examples=100, deadline=None)
def test_added_rings_are_those_of_a_plain_search(make_structures, find, change, there):
    """Fewest rings, with those that stand there at most four; unknown counts as none. Half millimetres avoid ties."""
    change = change / 1000 + 0.0005
    old = {**OLD, "existing_rings": np.nan if there is None else there, "overlay": 0.4, "mill": 0.4 - change}
    rules = RuleSet(existing_stack="add_on_top", methods=("rings",), max_chimney=1.0)
    found = find(make_structures(chimney_condition=GOOD, **old), catalogue=PARTS, rules=rules)
    expected = best(change, 4 - min(there or 0, 4))
    if expected is None:
        assert found.stacks.policy[0] != ON_TOP
    else:
        assert found.stacks.policy.tolist() == [ON_TOP]
        assert found.stacks.count.tolist() == [expected[0]]
        assert abs(found.stacks.misfit[0]) == near(abs(expected[1]))


# --- counts and totals


@pytest.mark.parametrize(
    ("there", "added"), [(2.0, True), (3.0, True), (4.0, False), (9.0, False), (0.0, True), (np.nan, True)]
)
def test_old_and_added_rings_together_are_counted(make_structures, find, there, added):
    """At most four: one more on three, none on four."""
    structures = make_structures(chimney_condition=GOOD, **{**OLD, "existing_rings": there})
    found = find(structures, catalogue=PARTS, rules=ADD)
    assert found.stacks.policy.tolist() == [ON_TOP if added else REPLACE]
    assert ("rings_unknown" in found.notes()) == np.isnan(there)


def test_the_total_is_what_the_limit_is_for(make_structures, find):
    """56 mm on 244 mm are 300 mm; a hair more, and an engineer decides, though 56 mm are no height for a stack."""
    for hair, method in ((-2e-6, "rings"), (2e-6, "rebuild")):
        structures = make_structures(chimney_condition=GOOD, **{**OLD, "existing_chimney": 0.244 + hair})
        found = find(structures, catalogue=PARTS, rules=ADD)
        assert METHODS[found.verdicts.method[0]] == method
        assert found.chimneys.height.tolist() == near([0.3 + hair])


def test_both_quantities_where_the_condition_is_unknown(make_structures, find):
    """The whole stack is planned, as without a choice; what would be added is the good stack's."""
    fields = {**OLD, "overlay": 0.080}
    unsure = find(make_structures(chimney_condition=UNSURE, **fields), catalogue=PARTS, rules=ADD)
    whole = find(make_structures(chimney_condition=UNSURE, **fields), catalogue=PARTS)
    good = find(make_structures(chimney_condition=GOOD, **fields), catalogue=PARTS, rules=ADD)
    assert equal(unsure.stacks, whole.stacks)
    assert equal(unsure.others, good.stacks)
    assert parts_of(good.stacks) == [3]
    assert unsure.stacks.policy.tolist() == [REPLACE]


@pytest.mark.parametrize(("methods", "told"), [(("rings",), True), (("liner",), True), ((), True), (("keep",), False)])
def test_the_other_quantity_is_told_where_a_chimney_is_built(make_structures, find, methods, told):
    """Rings, a liner or adjusting leave both figures; a cover that stays needs neither."""
    under = {"flange_inside_diameter": 0.61, "ridge_diameter": 0.0}
    fields = OLD if methods != ("keep",) else {**OLD, "overlay": 0.0}
    parts = Catalogue(ring=PARTS.ring, liner=(LinerPart("L", outside_diameter=0.76, inside_diameter=0.66),))
    rules = RuleSet(existing_stack="add_on_top", methods=methods)
    found = find(make_structures(chimney_condition=UNSURE, **fields, **under), catalogue=parts, rules=rules)
    assert METHODS[found.verdicts.method[0]] == (methods[0] if methods else "adjust")
    assert (found.others.count >= 0).tolist() == [told]


# --- what is asked of the rings


def test_a_whole_stack_square_to_its_bearing_is_measured_along_its_axis(make_structures, make_roads, find):
    """Road and bearing rise 6 and 8 % alike: height and slope along the axis are H / sqrt(1.01) and 0."""
    structures = make_structures(bearing=99.5, bearing_slope_east=0.06, bearing_slope_north=0.08)
    rules = RuleSet(stand="square_to_bearing")
    found = find(structures, make_roads(slope_east=0.06, slope_north=0.08), rules=rules)
    asked = whole_demand(structures, found.rims, found.chimneys, rules)
    assert asked.height.tolist() == near((found.chimneys.height / np.sqrt(1.01)).tolist())
    assert asked.tilt_east.tolist() == near([0.0])
    assert asked.bed.tolist() == [0.0]
    plumb = find(structures, make_roads(slope_east=0.06, slope_north=0.08))
    asked = whole_demand(structures, plumb.rims, plumb.chimneys, RuleSet())
    assert asked.height.tolist() == near(plumb.chimneys.height.tolist())
    assert (asked.tilt_east.tolist(), asked.bed.tolist()) == (near([0.06]), near([0.045]))


@pytest.mark.parametrize(("hold", "shift"), [("chimney", 0.0), ("cover", 0.2 * 0.1 / np.sqrt(1.01))])
def test_a_cover_that_keeps_its_place_stands_off_the_rings_axis(make_structures, make_roads, find, hold, shift):
    structures, rules = make_structures(bearing=99.5), RuleSet(hold=hold)
    found = find(structures, make_roads(slope_east=0.06, slope_north=0.08), rules=rules)
    assert whole_demand(structures, found.rims, found.chimneys, rules).shift.tolist() == near([shift])


@given(east=st.floats(-0.1, 0.1), north=st.floats(-0.1, 0.1), azimuth=st.floats(0, 6.3))
@settings(max_examples=40, deadline=None)
def test_extent_is_the_flange_s_size_along_the_slope(east, north, azimuth):
    """By brute force over the corners; a circle has one size, and without a slope it is the width."""
    box = Outlines(np.array([0.6, 0.9]), np.array([0.8, np.nan]), np.array([azimuth, azimuth]))
    found = extent(box, np.array([east, east]), np.array([north, north]))
    size = np.hypot(east, north)
    if size < 1e-9:
        return
    along, across = (np.sin(azimuth), np.cos(azimuth)), (np.cos(azimuth), -np.sin(azimuth))
    corners = [(0.3 * a * across[0] + 0.4 * b * along[0], 0.3 * a * across[1] + 0.4 * b * along[1]) for a, b in SIGNS]
    heights = [(x * east + y * north) / size for x, y in corners]
    assert found.tolist() == near([max(heights) - min(heights), 0.9])
    assert extent(box, np.zeros(2), np.zeros(2)).tolist() == [0.6, 0.9]


SIGNS = [(-1, -1), (-1, 1), (1, -1), (1, 1)]


def on_a_steep_road(make_structures, make_roads, find):
    """A good and a poor stack of 150 mm on a road of 5 %, before and after."""
    structures = make_structures(2, chimney_condition=[GOOD, POOR], **OLD)
    return find(structures, make_roads(2, slope_east=0.05), catalogue=PARTS, rules=ADD)


def test_an_old_stack_that_has_the_slope_takes_one_more_flat_ring(make_structures, make_roads, find):
    """Flat rings alone make 20 / 900 + 1 %; what is added to a stack that has 5 % already need make none."""
    found = on_a_steep_road(make_structures, make_roads, find)
    assert [METHODS[index] for index in found.verdicts.method] == ["rings", "adjust"]
    assert found.chimneys.change.tolist() == near([0.056, 0.056])
    assert parts_of(found.stacks) == [2]
    assert found.notes(1)["taper_past_limit"] == near((5.0, 100 * (0.02 / 0.9 + 0.01)), 1e-6)


def test_where_rings_are_added_it_is_not_said_that_there_are_none(make_structures, make_roads, find):
    found = on_a_steep_road(make_structures, make_roads, find)
    assert "taper_past_limit" not in found.notes(0)
