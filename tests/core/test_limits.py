"""Limits that an engineer decides on: each from both sides, at the side of the chimney where it bites."""

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from geoadjust.core.columns import KINDS, LOWER_HOW, METHODS
from geoadjust.core.parts import Catalogue, RingPart
from geoadjust.core.rules import RuleSet

HAIR = 2e-6
RINGS = tuple(RingPart(f"R{mm}", mm / 1000) for mm in (50, 75, 100))
VALVE = KINDS.index("valve")

# The road is level at 100 m, the casting 200 mm high, the flange 900 mm wide, unless a case says otherwise: a bearing
# at 99.800 leaves a chimney of nothing. At most 300 mm, at least 25 mm anywhere.


def near(expected, off=1e-6):
    return pytest.approx(expected, abs=off, rel=0, nan_ok=True)


def method_of(found, row=0):
    return METHODS[found.verdicts.method[row]]


def both_sides(make_structures, find, code, method, inside, outside, **given):
    """Just inside the limit another method, just outside `rebuild` and its reason; returns value and limit."""
    near_by, past = (find(make_structures(**fields), **given) for fields in (inside, outside))
    assert method_of(near_by) == method
    assert code not in near_by.notes()
    assert method_of(past) == "rebuild"
    return past.notes()[code]


def test_limit_on_a_known_chimney(make_structures, find):
    sides = [{"bearing": 99.5 + HAIR}, {"bearing": 99.5 - HAIR}]
    assert both_sides(make_structures, find, "chimney_past_limit", "adjust", *sides) == near((300.002, 300.0))
    ring = Catalogue(ring=(RingPart("R", 0.288),))
    assert both_sides(make_structures, find, "chimney_past_limit", "rings", *sides, catalogue=ring) == near(
        (300.002, 300.0)
    )


def test_limit_on_a_known_chimney_bites_at_the_tall_side(make_structures, make_roads, find):
    """2 % under a 900 mm flange: 9 mm more on the long side."""
    deep = 100 - 0.2 * np.sqrt(1.0004) - 0.3 + 0.009
    sides = [{"bearing": deep + HAIR}, {"bearing": deep - HAIR}]
    roads = make_roads(slope_north=0.02)
    assert both_sides(make_structures, find, "chimney_past_limit", "adjust", *sides, existing=roads) == near(
        (300.002, 300.0)
    )


def test_limit_on_an_unknown_chimney_is_for_what_is_added(make_structures, find):
    sides = [{"overlay": 0.3 - HAIR}, {"overlay": 0.3 + HAIR}]
    assert both_sides(make_structures, find, "chimney_past_limit", "adjust", *sides) == near((300.002, 300.0))


def test_bearing_too_high(make_structures, find):
    sides = [{"bearing": 99.8 - HAIR}, {"bearing": 99.8 + HAIR}]
    # one joint alone does not pass for a chimney of nothing, and nothing is too thin
    rules = RuleSet(tolerance=0.003, min_part=0.0)
    value, limit = both_sides(make_structures, find, "bearing_too_high", "adjust", *sides, rules=rules)
    assert value == near(-0.002)
    assert np.isnan(limit)


def test_bearing_too_high_bites_at_the_low_side(make_structures, make_roads, find):
    level = 100 - 0.2 * np.sqrt(1.0004) - 0.009
    sides = [{"bearing": level - HAIR}, {"bearing": level + HAIR}]
    rules = RuleSet(tolerance=0.002, min_part=0.0)
    roads = make_roads(slope_north=0.02)
    assert both_sides(make_structures, find, "bearing_too_high", "adjust", *sides, rules=rules, existing=roads)[
        0
    ] == near(-0.002)


@pytest.mark.parametrize(
    ("height", "thin"), [(0.025 + HAIR, False), (0.025 - HAIR, True), (HAIR, True), (-HAIR, False)]
)
def test_too_thin_is_a_rebuild_like_too_high(make_structures, find, height, thin):
    found = find(make_structures(bearing=99.8 - height), rules=RuleSet(tolerance=0.002))
    assert ("chimney_too_thin" in found.notes()) == thin
    assert ("bearing_too_high" in found.notes()) == (height < 0)
    assert method_of(found) == ("adjust" if height > 0.025 else "rebuild")
    if thin:
        assert found.notes()["chimney_too_thin"] == near((1000 * height, 25.0), 1e-5)


def test_too_thin_bites_at_the_low_side(make_structures, make_roads, find):
    """2 % under a 900 mm flange: 9 mm less on the short side."""
    level = 100 - 0.2 * np.sqrt(1.0004) - 0.009 - 0.025
    sides = [{"bearing": level - HAIR}, {"bearing": level + HAIR}]
    roads = make_roads(slope_north=0.02)
    found = both_sides(make_structures, find, "chimney_too_thin", "adjust", *sides, existing=roads)
    assert found == near((24.998, 25.0))


def test_more_rings_than_the_owner_allows(make_structures, find):
    """Two rings of 50 mm and three joints are 118 mm, and 6 mm of tolerance."""
    two = {"rules": RuleSet(max_rings=2), "catalogue": Catalogue(ring=RINGS[:1])}
    sides = [{"bearing": 99.8 - 0.124 + HAIR}, {"bearing": 99.8 - 0.124 - HAIR}]
    assert both_sides(make_structures, find, "rings_past_limit", "rings", *sides, **two) == near((124.002, 118.0))


def test_a_ring_limit_is_for_those_who_use_rings(make_structures, find):
    tall = make_structures(3, bearing=99.6, kind=[0, KINDS.index("inlet"), 0])
    with_rings = find(tall, rules=RuleSet(max_rings=2), catalogue=Catalogue(ring=RINGS[:1]))
    assert "rings_past_limit" in with_rings.notes(0)
    assert "rings_past_limit" not in with_rings.notes(1)
    without = find(tall, rules=RuleSet(max_rings=2, methods=("keep",)), catalogue=Catalogue(ring=RINGS[:1]))
    assert "rings_past_limit" not in without.notes(0)
    assert "rings_past_limit" not in find(tall).notes(0)  # no rings in the catalogue


def test_lowering_more_than_there_is(make_structures, find):
    """Down by 100 mm; the chimney of today is as tall, or a hair less. The bearing column says where the cone is."""
    common = {"gap": 0.1, "bearing": 99.5}
    sides = [{**common, "existing_chimney": 0.1 + HAIR}, {**common, "existing_chimney": 0.1 - HAIR}]
    values = both_sides(make_structures, find, "lowering_exceeds_stack", "adjust", *sides)
    assert values == near((100.0, 99.998))


def test_lowering_for_the_milling_takes_rings_out_or_the_casting(make_structures, find):
    """40 mm of milling and 13 mm of clearance under a flush cover: down by 53 mm, for a time and so no limit."""
    common = {"mill": 0.04, "overlay": 0.05}
    for stack, how in ((0.053 + HAIR, "rings_out"), (0.053 - HAIR, "casting_out_and_plate")):
        found = find(make_structures(existing_chimney=stack, **common))
        assert found.notes()["lower_before_milling"][0] == near(53.0)
        assert LOWER_HOW[found.millings.lower_how[0]] == how
        assert method_of(found) == "adjust"
        assert "lowering_exceeds_stack" not in found.notes()


def test_limits_do_not_matter_where_a_method_fits(make_structures, find):
    """A cover that is kept, on a chimney that is taller than a new one may be."""
    found = find(make_structures(gap=0.0, bearing=99.4))
    assert method_of(found) == "keep"
    assert "chimney_past_limit" not in found.notes()


# --- rectangles, sloping bearings, and who passes no limit


def test_limits_bite_at_a_rectangle_s_corner(make_structures, make_roads, find):
    """600 x 900 mm, 2 % across and 1 % along: 0.3 x 0.02 + 0.45 x 0.01 = 10.5 mm more, or less, at a corner."""
    box = {"flange_diameter": 0.6, "flange_length": 0.9, "frame_azimuth": 0.0}
    level = 100 - 0.2 * np.sqrt(1.0005)
    roads = make_roads(slope_east=0.02, slope_north=0.01)
    deep, high = level - 0.3 + 0.0105, level - 0.025 - 0.0105
    sides = [{"bearing": deep + HAIR, **box}, {"bearing": deep - HAIR, **box}]
    given = {"existing": roads}
    assert both_sides(make_structures, find, "chimney_past_limit", "adjust", *sides, **given) == near((300.002, 300.0))
    sides = [{"bearing": high - HAIR, **box}, {"bearing": high + HAIR, **box}]
    assert both_sides(make_structures, find, "chimney_too_thin", "adjust", *sides, **given) == near((24.998, 25.0))


def test_limits_count_from_the_sloping_bearing(make_structures, find):
    """A bearing that rises 2 % under a level casting: 9 mm less chimney on its high side, 9 mm more opposite."""
    slope = {"bearing_slope_east": 0.02}
    sides = [{"bearing": 99.509 + HAIR, **slope}, {"bearing": 99.509 - HAIR, **slope}]
    assert both_sides(make_structures, find, "chimney_past_limit", "adjust", *sides) == near((300.002, 300.0))
    sides = [{"bearing": 99.766 - HAIR, **slope}, {"bearing": 99.766 + HAIR, **slope}]
    assert both_sides(make_structures, find, "chimney_too_thin", "adjust", *sides) == near((24.998, 25.0))


@pytest.mark.parametrize("who", [{"kind": VALVE}, {"kind": VALVE, "travel": 0.05}, {"floating": True}])
def test_what_has_no_chimney_passes_no_limit(make_structures, find, who):
    """400 mm to add, a bearing 600 mm down: too much for a chimney, no matter for these."""
    found = find(make_structures(overlay=0.4, bearing=99.4, existing_chimney=0.1, **who))
    assert method_of(found) in ("adjust", "replace_top", "float")
    limits = {
        "chimney_past_limit",
        "bearing_too_high",
        "chimney_too_thin",
        "rings_past_limit",
        "lowering_exceeds_stack",
    }
    assert not limits & set(found.notes())


def test_an_inlet_passes_them_like_a_manhole(make_structures, find):
    found = find(make_structures(kind=KINDS.index("inlet"), overlay=0.31))
    assert method_of(found) == "rebuild"
    assert "chimney_past_limit" in found.notes()


def test_an_old_stack_that_is_lowered_on_one_side_only(make_structures, make_roads, find):
    """Down by 30 mm in the middle and 2 % more to the west: 39 mm there, of a stack of 39 mm or a hair less."""
    common = {"existing_chimney": 0.039, "bearing": 99.3, "casting_height": 0.0, "gap": 0.03}
    for hair, method in ((HAIR, "adjust"), (-HAIR, "rebuild")):
        structures = make_structures(**{**common, "existing_chimney": 0.039 + hair})
        rules = RuleSet(max_chimney=1.0)
        found = find(structures, make_roads(), make_roads(slope_east=0.02), rules=rules)
        assert method_of(found) == method
    assert found.notes()["lowering_exceeds_stack"] == near((39.0, 38.998))


def test_of_an_unknown_stack_no_lowering_is_too_much(make_structures, find):
    found = find(make_structures(gap=0.1, bearing=99.5))
    assert method_of(found) == "adjust"
    assert "lowering_exceeds_stack" not in found.notes()


def test_nothing_known_passes_nothing(make_structures, make_no_roads, find):
    """The change is unknown, and so is the height."""
    found = find(make_structures(casting_height=np.nan, new_casting_height=0.2, recast=True, overlay=0.5))
    assert method_of(found) == "unknown"
    assert "chimney_past_limit" not in found.notes()


@given(
    height=st.floats(-0.05, 0.4), change=st.floats(-0.4, 0.4), stack=st.one_of(st.just(np.nan), st.floats(0.0, 0.4)),
    known=st.booleans(), slope=st.floats(0.0, 0.05),
)  # fmt: skip
@settings(max_examples=100, deadline=None)
def test_a_twin_in_words(make_structures, make_roads, find, height, change, stack, known, slope):
    """Rebuild where anything of the owner's is passed, and only there; nothing else is in use."""
    casting = 0.2 * np.sqrt(1 + slope**2)
    assume(not known or casting + height - change > 1e-5)  # a bearing above today's rim would not be believed
    structures = make_structures(
        bearing=100.0 - casting - height if known else np.nan, gap=-change, existing_chimney=stack
    )
    rules = RuleSet(methods=(), max_measure_down=5.0, max_rim_gap=1.0)
    found = find(structures, make_roads(slope_east=slope), rules=rules)
    if not known:  # the old stack tells the bearing where it is known
        height = stack + change if np.isfinite(stack) else np.nan
    swing = 0.45 * slope
    passed = {
        "chimney_past_limit": (height + swing if np.isfinite(height) else change) - 0.3,
        "bearing_too_high": -(height - swing),
        "chimney_too_thin": 0.025 - (height - swing) if height - swing >= 0 else -1.0,
        "lowering_exceeds_stack": -change - stack,
    }
    assume(not any(abs(by) < 1e-5 for by in passed.values()) and not abs(height - swing) < 1e-5)
    expected = {code for code, by in passed.items() if by > 0}
    assert expected == set(passed) & set(found.notes())
    assert method_of(found) == ("rebuild" if expected else "adjust")
