"""Methods: one case for each, one for each reason why an earlier one did not fit, limits from both sides."""

import itertools

import numpy as np
import pytest

from geoadjust.core.columns import ACTIONS, KINDS, METHODS
from geoadjust.core.method import TRIES, choose_actions
from geoadjust.core.parts import CastingPart, Catalogue, RingPart, RiserPart
from geoadjust.core.rules import CHOSEN_METHODS, RuleSet

HAIR = 2e-6
RINGS = tuple(RingPart(f"R{mm}", mm / 1000) for mm in (50, 75, 100))
PARTS = Catalogue(ring=RINGS, riser=(RiserPart("U40", 0.040),))
NOT_YET = ("not_paved", "liner")  # words that no code chooses yet: no paving areas, no liners

# The road is level at 100 m, the casting 200 mm high, the flange 900 mm and the frame 660 mm wide, unless a case says
# otherwise. A bearing at 99.688 leaves a chimney of 112 mm: one ring of 100 mm and two joints of 6 mm.
KNOWN = {"bearing": 99.688}


def near(expected, off=1e-6):
    return pytest.approx(expected, abs=off, rel=0, nan_ok=True)


def method_of(found, row=0):
    return METHODS[found.verdicts.method[row]]


# --- one case for each method


CASES = {
    "monument": {"kind": KINDS.index("monument"), "gap": 0.0},
    "other_owner": {"other_owner": True, "gap": 0.0},
    "keep": {"gap": -0.004},
    "riser": {"overlay": 0.04},
    "rings": KNOWN,
    "adjust": {"overlay": 0.1},
    "rebuild": {"overlay": 0.31},
    "unknown": {"casting_height": 0.2, "new_casting_height": np.nan, "recast": True, "overlay": 0.1},
}


@pytest.mark.parametrize("method", CASES)
def test_one_of_each(make_structures, find, method):
    assert method_of(find(make_structures(**CASES[method]), catalogue=PARTS)) == method


def test_every_method_is_a_case_or_not_yet_there():
    assert set(CASES) | set(NOT_YET) == set(METHODS)
    assert not set(CASES) & set(NOT_YET)
    assert set(TRIES) == set(CHOSEN_METHODS)


def test_side_by_side_as_alone(make_structures, find):
    """Rows of one run do not touch each other."""
    names = [name for name in CASES if name != "monument"]
    keys = {key for name in names for key in CASES[name]}
    blank = {"gap": np.nan, "overlay": 0.0, "casting_height": 0.2, "new_casting_height": 0.2, "bearing": np.nan}
    columns = {key: [CASES[name].get(key, blank.get(key, False)) for name in names] for key in keys}
    found = find(make_structures(len(names), **columns), catalogue=PARTS)
    assert [method_of(found, row) for row in range(len(names))] == names
    for row, name in enumerate(names):
        alone = find(make_structures(**CASES[name]), catalogue=PARTS)
        assert repr(found.notes(row)) == repr(alone.notes(0))  # to the last bit, NaN too


def test_nothing_known_of_the_road(make_structures, make_no_roads, find):
    found = find(make_structures(rim=100.0, bearing=99.5), make_no_roads(), catalogue=PARTS)
    assert method_of(found) == "unknown"
    assert not {"not_flush", "raise_past_riser", "no_ring_stack"} & set(found.notes())


def test_the_stop_kinds_need_no_road(make_structures, make_no_roads, find):
    found = find(make_structures(3, kind=[4, 4, 0], other_owner=[False, True, True]), make_no_roads(3), catalogue=PARTS)
    assert [method_of(found, row) for row in range(3)] == ["monument", "monument", "other_owner"]
    assert {"monument", "other_owner"} <= set(found.notes(1))  # both are told


def test_a_monument_is_never_worked_on(make_structures, find):
    found = find(make_structures(kind=4, overlay=0.04, **KNOWN), catalogue=PARTS)
    assert method_of(found) == "monument"
    assert ACTIONS[found.verdicts.action[0]] == "none"
    assert found.verdicts.riser.tolist() == [-1]
    assert not {"not_flush", "raise_past_riser", "measure_on_site"} & set(found.notes())


# --- keep


@pytest.mark.parametrize(
    ("gap", "kept"), [(0.006 - HAIR, True), (0.006 + HAIR, False), (-0.006 + HAIR, True), (-0.006 - HAIR, False)]
)
def test_keep_up_to_the_tolerance(make_structures, find, gap, kept):
    found = find(make_structures(gap=gap))
    assert (method_of(found) == "keep") == kept
    assert ("not_flush" in found.notes()) != kept
    if not kept:
        assert found.notes()["not_flush"] == near((1000 * abs(gap), 6.0), 1e-5)


@pytest.mark.parametrize("basis", [{"rim": 100.002}, {"gap": 0.002, "claimed_basis": 0}])
def test_a_known_rim_may_be_kept(make_structures, find, basis):
    assert method_of(find(make_structures(**basis))) == "keep"


@pytest.mark.parametrize("basis", [{}, {"claimed_basis": 2, "rim": 100.0}, {"rim": 0.0}])
def test_an_assumed_rim_is_never_kept(make_structures, find, basis):
    found = find(make_structures(**basis))
    assert method_of(found) != "keep"
    assert "assumed_flush" in found.notes()  # which is the reason


def test_a_casting_to_be_replaced_is_not_kept(make_structures, find):
    found = find(make_structures(gap=0.0, recast=True))
    assert method_of(found) == "adjust"
    assert "new_casting" in found.notes()


@pytest.mark.parametrize(("tilt", "kept"), [(0.01 - HAIR, True), (0.01 + HAIR, False)])
def test_keep_up_to_the_tilt(make_structures, make_roads, find, tilt, kept):
    """A small cover, so that only the tilt matters: 0.01 x 50 mm = 0.5 mm."""
    found = find(make_structures(gap=0.0, frame_top_diameter=0.1), make_roads(), make_roads(slope_north=tilt))
    assert (method_of(found) == "keep") == kept
    assert ("tilt_off" in found.notes()) != kept
    if not kept:
        assert found.notes()["tilt_off"] == near((100 * tilt, 1.0), 1e-6)


def test_tilt_counts_at_the_frame_s_edge(make_structures, make_roads, find):
    """4 mm at the centre and 0.9 % over 330 mm: 6.97 mm at the edge."""
    found = find(make_structures(gap=-0.004), make_roads(), make_roads(slope_east=0.009))
    assert method_of(found) != "keep"
    assert found.notes()["not_flush"] == near((4 + 330 * 0.009, 6.0))
    assert "tilt_off" not in found.notes()


# --- riser


@pytest.mark.parametrize(
    ("lift", "past"),
    [(0.05 - HAIR, False), (0.05 + HAIR, True), (0.0, True), (-0.02, True), (0.0004, True), (0.0006, False)],
)
def test_a_riser_raises_and_not_too_far(make_structures, find, lift, past):
    parts = Catalogue(riser=(RiserPart("U", max(lift, 0.005)),))
    found = find(make_structures(overlay=0.2, mill=0.2 - lift), catalogue=parts)
    assert (method_of(found) != "riser") == past
    assert ("raise_past_riser" in found.notes()) == past
    if past:
        assert found.notes()["raise_past_riser"] == near((1000 * lift, 50.0), 1e-5)


@pytest.mark.parametrize(
    "why", [{"riser_present": 1}, {"chimney_condition": 1}, {"recast": True, "new_casting_height": 0.2}]
)
def test_no_riser_on_a_riser_a_poor_chimney_or_a_casting_to_go(make_structures, find, why):
    found = find(make_structures(overlay=0.04, **why), catalogue=PARTS)
    assert method_of(found) == "adjust"
    assert "riser_not_allowed" in found.notes()
    assert "no_riser_fits" not in found.notes()


@pytest.mark.parametrize(
    "fine", [{"riser_present": 0}, {"riser_present": -1}, {"chimney_condition": 0}, {"chimney_condition": 2}]
)
def test_a_riser_where_nothing_speaks_against_it(make_structures, find, fine):
    assert method_of(find(make_structures(overlay=0.04, **fine), catalogue=PARTS)) == "riser"


@pytest.mark.parametrize(("off", "fits"), [(0.006 - HAIR, True), (0.006 + HAIR, False)])
@pytest.mark.parametrize("side", [-1, 1])
def test_a_riser_comes_in_one_height(make_structures, find, off, fits, side):
    found = find(make_structures(overlay=0.04 + side * off), catalogue=PARTS)
    assert (method_of(found) == "riser") == fits
    if not fits:
        assert found.notes()["no_riser_fits"] == near((6.002, 6.0), 1e-4)


def test_a_riser_keeps_the_tilt_of_the_frame(make_structures, make_roads, find):
    """40 mm of raise, but the road turns by 2 %: 6.6 mm are left at the edge of a 660 mm frame."""
    design = make_roads(height=100.04, slope_east=0.02)
    found = find(make_structures(), make_roads(), design, catalogue=PARTS)
    assert found.notes()["no_riser_fits"] == near((6.6, 6.0))
    same = find(make_structures(), make_roads(slope_east=0.02), design, catalogue=PARTS)
    assert method_of(same) == "riser"


@pytest.mark.parametrize(
    ("castings", "casting", "fits"),
    [((), -1, True), ((), 1, True), (("B",), 1, True), (("B",), 0, False), (("B",), -1, False), (("A", "B"), 0, True),
     (("elsewhere",), 0, False)],
)  # fmt: skip
def test_a_riser_seats_on_its_castings(make_structures, find, castings, casting, fits):
    parts = Catalogue(
        casting=tuple(CastingPart(name, 0.2, 0.66, 0.9) for name in "AB"), riser=(RiserPart("U", 0.04, castings),)
    )
    found = find(make_structures(overlay=0.04, casting=casting), catalogue=parts)
    assert (method_of(found) == "riser") == fits
    assert found.verdicts.riser.tolist() == [0 if fits else -1]


def test_the_nearest_riser_then_the_cheaper_then_the_first(make_structures, find):
    def chosen(*risers):
        return find(make_structures(overlay=0.04), catalogue=Catalogue(riser=risers)).verdicts.riser[0]

    assert chosen(RiserPart("a", 0.036, price=1.0), RiserPart("b", 0.041, price=9.0)) == 1
    assert chosen(RiserPart("a", 0.038, price=9.0), RiserPart("b", 0.042, price=1.0)) == 1
    assert chosen(RiserPart("a", 0.04), RiserPart("b", 0.04)) == 0
    assert chosen(RiserPart("a", 0.04, available=False), RiserPart("b", 0.042)) == 1


# --- rings


def test_rings_and_what_they_leave(make_structures, find):
    found = find(make_structures(**KNOWN), catalogue=PARTS)
    assert method_of(found) == "rings"
    assert found.stacks.parts[0].tolist() == [2, -1, -1, -1]
    assert ACTIONS[found.verdicts.action[0]] == "none"  # the rim stays where it is, the chimney is renewed


@pytest.mark.parametrize("kind", KINDS)
def test_only_manholes_and_handholes_are_stacked(make_structures, find, kind):
    found = find(make_structures(kind=KINDS.index(kind), overlay=0.1, bearing=99.788), catalogue=PARTS)
    stacked = kind in ("manhole", "handhole")
    assert (method_of(found) == "rings") == stacked
    assert ("measure_on_site" in found.notes()) == (kind in ("inlet", "valve"))


@pytest.mark.parametrize("kind", ["inlet", "valve"])
def test_inlets_and_valves_are_told_how_much_to_move(make_structures, find, kind):
    found = find(make_structures(kind=KINDS.index(kind), overlay=0.1, bearing=99.788), catalogue=PARTS)
    assert method_of(found) == "adjust"
    assert found.chimneys.change.tolist() == near([0.1])


@pytest.mark.parametrize(("slope", "level"), [(0.02 / 0.9 + 0.01 - HAIR, True), (0.02 / 0.9 + 0.01 + HAIR, False)])
def test_rings_up_to_the_slope_that_bedding_takes(make_structures, make_roads, find, slope, level):
    """20 mm of wedge under a 900 mm flange and 1 % that may stay: 3.22 %."""
    steep = np.sqrt(1 + slope**2)
    structures = make_structures(bearing=100 - 0.2 * steep - 0.112)
    found = find(structures, make_roads(slope_east=slope), catalogue=PARTS)
    assert (method_of(found) == "rings") == level
    assert ("taper_past_limit" in found.notes()) != level
    if not level:
        assert found.notes()["taper_past_limit"] == near((100 * slope, 100 * (0.02 / 0.9 + 0.01)))


def test_no_ring_stack_tells_the_nearest(make_structures, find):
    found = find(make_structures(bearing=99.7), catalogue=PARTS)  # 100 mm: 87 and 112 are to be had
    assert method_of(found) == "adjust"
    assert found.notes()["no_ring_stack"] == near((12.0, 6.0))


def test_without_a_bearing_rings_are_not_tried(make_structures, find):
    found = find(make_structures(overlay=0.1), catalogue=PARTS)
    assert "chimney_total_unknown" in found.notes()
    assert not {"no_ring_stack", "taper_past_limit"} & set(found.notes())


# --- the owner's order


# 5 mm LOW: kept within 6 mm, or a riser of 5 mm, or a ring of 100 mm (105 + 12 for a chimney of 117)
ALL_THREE = {"gap": -0.005, "bearing": 99.688}
THREE = Catalogue(ring=RINGS, riser=(RiserPart("U5", 0.005),))


@pytest.mark.parametrize(
    "order", [order for size in range(4) for order in itertools.permutations(CHOSEN_METHODS, size)], ids=str
)
def test_the_first_of_the_owner_s_methods_that_fits(make_structures, find, order):
    found = find(make_structures(**ALL_THREE), catalogue=THREE, rules=RuleSet(methods=order))
    assert method_of(found) == (order[0] if order else "adjust")
    assert found.verdicts.riser.tolist() == [0 if order[:1] == ("riser",) else -1]


def test_methods_not_in_use_leave_no_reason(make_structures, find):
    found = find(make_structures(overlay=0.1), rules=RuleSet(methods=("rings",)))
    assert not {"not_flush", "raise_past_riser"} & set(found.notes())


def test_reasons_end_with_the_method_that_fits(make_structures, find):
    reversed_ = RuleSet(methods=("rings", "riser", "keep"))
    found = find(make_structures(overlay=0.04, **KNOWN), catalogue=PARTS, rules=reversed_)  # 152 mm: no stack
    assert method_of(found) == "riser"
    assert "no_ring_stack" in found.notes()
    assert "not_flush" not in found.notes()


# --- limits that an engineer decides on, from both sides


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
    rules = RuleSet(tolerance=0.003)  # so that one joint alone does not pass for a chimney of nothing
    value, limit = both_sides(make_structures, find, "bearing_too_high", "adjust", *sides, rules=rules)
    assert value == near(-0.002)
    assert np.isnan(limit)


def test_bearing_too_high_bites_at_the_low_side(make_structures, make_roads, find):
    level = 100 - 0.2 * np.sqrt(1.0004) - 0.009
    sides = [{"bearing": level - HAIR}, {"bearing": level + HAIR}]
    rules = RuleSet(tolerance=0.002)
    roads = make_roads(slope_north=0.02)
    assert both_sides(make_structures, find, "bearing_too_high", "adjust", *sides, rules=rules, existing=roads)[
        0
    ] == near(-0.002)


@pytest.mark.parametrize(
    ("height", "thin"), [(0.025 + HAIR, False), (0.025 - HAIR, True), (HAIR, True), (-HAIR, False)]
)
def test_too_thin_is_told_but_is_no_rebuild(make_structures, find, height, thin):
    found = find(make_structures(bearing=99.8 - height), rules=RuleSet(tolerance=0.002))
    assert ("chimney_too_thin" in found.notes()) == thin
    assert method_of(found) == ("adjust" if height > 0 else "rebuild")
    if thin:
        assert found.notes()["chimney_too_thin"] == near((1000 * height, 25.0), 1e-5)


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


def test_lowering_for_the_milling_counts_too(make_structures, find):
    """40 mm of milling and 13 mm of clearance under a flush cover: down by 53 mm."""
    common = {"mill": 0.04, "overlay": 0.05}
    sides = [{**common, "existing_chimney": 0.053 + HAIR}, {**common, "existing_chimney": 0.053 - HAIR}]
    values = both_sides(make_structures, find, "lowering_exceeds_stack", "adjust", *sides)
    assert values == near((53.0, 52.998))


def test_limits_do_not_matter_where_a_method_fits(make_structures, find):
    """A cover that is kept, on a chimney that is taller than a new one may be."""
    found = find(make_structures(gap=0.0, bearing=99.4))
    assert method_of(found) == "keep"
    assert "chimney_past_limit" not in found.notes()


# --- actions


@pytest.mark.parametrize(
    ("raise_", "action"),
    [(0.05, "raise"), (-0.05, "lower"), (0.0004, "none"), (-0.0004, "none"), (0.0006, "raise"), (-0.0006, "lower")],
)
def test_action_by_the_sign_of_the_raise(make_structures, find, raise_, action):
    found = find(make_structures(overlay=0.1, mill=0.1 - raise_), rules=RuleSet(methods=()))
    assert ACTIONS[found.verdicts.action[0]] == action


@pytest.mark.parametrize("method", METHODS)
def test_some_methods_leave_the_rim_alone(find, make_structures, method):
    rims = find(make_structures(overlay=0.05)).rims
    action = ACTIONS[choose_actions(np.array([METHODS.index(method)]), rims)[0]]
    assert action == ("none" if method in ("monument", "other_owner", "not_paved", "keep") else "raise")


def test_no_action_where_the_raise_is_unknown(make_structures, make_no_roads, find):
    assert find(make_structures(), make_no_roads()).verdicts.action.tolist() == [-1]
