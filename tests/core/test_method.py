"""Methods: one case for each, one for each reason why an earlier one did not fit, tolerances from both sides."""

import itertools

import numpy as np
import pytest

from geoadjust.core.columns import ACTIONS, KINDS, METHODS
from geoadjust.core.method import TRIES, choose_actions
from geoadjust.core.parts import CastingPart, Catalogue, LinerPart, RingPart, RiserPart
from geoadjust.core.paving import lay_bars
from geoadjust.core.ring import Ring
from geoadjust.core.rules import CHOSEN_METHODS, RuleSet

HAIR = 2e-6
RINGS = tuple(RingPart(f"R{mm}", mm / 1000) for mm in (50, 75, 100))
LINER = LinerPart("L800", outside_diameter=0.8, inside_diameter=0.7)
PARTS = Catalogue(ring=RINGS, riser=(RiserPart("U40", 0.040),), liner=(LINER,))

# The road is level at 100 m, the casting 200 mm high, the flange 900 mm and the frame 660 mm wide, unless a case says
# otherwise. A bearing at 99.688 leaves a chimney of 112 mm: one ring of 100 mm and two joints of 6 mm.
KNOWN = {"bearing": 99.688}
# A flange of known inside, below which nothing hangs: a liner carries it.
CARRIED = {"flange_inside_diameter": 0.6, "ridge_diameter": 0.0}
VALVE = {"kind": KINDS.index("valve"), "overlay": 0.1}


def near(expected, off=1e-6):
    return pytest.approx(expected, abs=off, rel=0, nan_ok=True)


def method_of(found, row=0):
    return METHODS[found.verdicts.method[row]]


# --- one case for each method


CASES = {
    "monument": {"kind": KINDS.index("monument"), "gap": 0.0},
    "other_owner": {"other_owner": True, "gap": 0.0},
    "not_paved": {"paved": 0, "gap": -0.02},
    "keep": {"gap": -0.004},
    "riser": {"overlay": 0.04},
    "rings": KNOWN,
    "liner": {"bearing": 99.7, **CARRIED},  # 100 mm, of which no ring makes anything
    "extend": {**VALVE, "travel": 0.15},
    "replace_top": {**VALVE, "travel": 0.05},
    "float": {"floating": True, "overlay": 0.1},
    "adjust": {"overlay": 0.1},
    "rebuild": {"overlay": 0.31},
    "unknown": {"casting_height": 0.2, "new_casting_height": np.nan, "recast": True, "overlay": 0.1},
}


@pytest.mark.parametrize("method", CASES)
def test_one_of_each(make_structures, find, method):
    assert method_of(find(make_structures(**CASES[method]), catalogue=PARTS)) == method


def test_every_method_is_a_case():
    assert set(CASES) == set(METHODS)
    assert set(TRIES) == set(CHOSEN_METHODS)


def test_side_by_side_as_alone(make_structures, find):
    """Rows of one run do not touch each other."""
    names = list(CASES)
    keys = {key for name in names for key in CASES[name]}
    blank = dict.fromkeys(("gap", "bearing", "travel", "flange_inside_diameter", "ridge_diameter"), np.nan)
    blank |= {"overlay": 0.0, "casting_height": 0.2, "new_casting_height": 0.2, "kind": 0, "paved": -1}
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


def test_outside_the_paving_the_rim_stays_as_it_is(make_structures, find):
    found = find(make_structures(2, paved=[0, 1], gap=-0.02, overlay=0.04), catalogue=PARTS)
    assert [method_of(found, row) for row in range(2)] == ["not_paved", "adjust"]  # 60 mm: past the risers
    assert "not_paved" in found.notes(0)
    assert not {"not_flush", "raise_past_riser"} & set(found.notes(0))
    assert found.rims.raise_.tolist() == near([0.0, 0.06])
    assert found.results.gap_max.tolist() == near([99.98 - 100.04, 0.0])


def test_outside_the_paving_nothing_is_tried(make_structures, find):
    found = find(make_structures(paved=0, gap=0.02, bearing=99.688), catalogue=PARTS)
    assert ACTIONS[found.verdicts.action[0]] == "none"
    assert set(found.notes()) == {"not_paved"}


def test_a_monument_outside_the_paving_is_still_one(make_structures, find):
    found = find(make_structures(2, paved=0, gap=0.0, kind=[4, 0], other_owner=[False, True]))
    assert [method_of(found, row) for row in range(2)] == ["monument", "other_owner"]


@pytest.mark.parametrize(("bearing", "method"), [(99.7, "adjust"), (99.688, "rings"), (np.nan, "unknown")])
def test_without_a_rim_of_today_a_known_height_will_do(
    make_structures, make_roads, make_no_roads, find, bearing, method
):
    """A new road on a bearing that is known: the chimney can be told, the raise cannot."""
    found = find(make_structures(bearing=bearing), make_no_roads(), make_roads(), catalogue=PARTS)
    assert method_of(found) == method
    assert np.isnan(found.rims.raise_[0])
    assert np.isnan(found.chimneys.change[0])
    assert found.chimneys.height.tolist() == near([100 - bearing - 0.2])
    assert found.verdicts.action.tolist() == [-1]


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
    "why",
    [
        {"riser_present": 1}, {"chimney_condition": 1}, {"recast": True, "new_casting_height": 0.2},
        {"kind": KINDS.index("inlet")}, {"kind": KINDS.index("valve")},
    ],
)  # fmt: skip
def test_no_riser_on_a_riser_a_poor_chimney_a_casting_to_go_or_a_kind_without(make_structures, find, why):
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
        casting=tuple(CastingPart(name, 0.2, (0.66, 0.0), (0.9, 0.0)) for name in "AB"),
        riser=(RiserPart("U", 0.04, castings=castings),),
    )
    found = find(make_structures(overlay=0.04, casting=casting), catalogue=parts)
    assert (method_of(found) == "riser") == fits
    assert found.verdicts.riser.tolist() == [0 if fits else -1]
    assert ("no_riser_seats" in found.notes()) != fits
    assert not {"no_riser_fits", "seat_unknown"} & set(found.notes())  # the height would do, the seat was not asked for


@pytest.mark.parametrize(
    ("seat", "reason"),
    [(0.602 - HAIR, None), (0.598 + HAIR, None), (0.602 + HAIR, "no_riser_seats"), (0.598 - HAIR, "no_riser_seats"),
     (np.nan, "seat_unknown")],
)  # fmt: skip
def test_a_riser_of_stated_seat_needs_a_frame_of_that_seat(make_structures, find, seat, reason):
    """A seat of 600 mm, and 2 mm that they may differ by."""
    parts = Catalogue(riser=(RiserPart("U", 0.04, seat_diameter=0.6),))
    found = find(make_structures(overlay=0.04, seat_diameter=seat), catalogue=parts)
    assert (method_of(found) == "riser") == (reason is None)
    assert {"no_riser_seats", "seat_unknown", "no_riser_fits"} & set(found.notes()) == ({reason} if reason else set())


def test_a_riser_that_states_no_seat_asks_for_none(make_structures, find):
    """Of two risers the one with a seat does not get in the way of the one without."""
    parts = Catalogue(riser=(RiserPart("seated", 0.04, seat_diameter=0.6), RiserPart("any", 0.038)))
    found = find(make_structures(2, overlay=0.04, seat_diameter=[np.nan, 0.6]), catalogue=parts)
    assert [method_of(found, row) for row in range(2)] == ["riser", "riser"]
    assert found.verdicts.riser.tolist() == [1, 0]
    assert found.results.gap_max.tolist() == near([-0.002, 0.0])


@pytest.mark.parametrize(("off", "fits"), [(0.006 - HAIR, True), (0.006 + HAIR, False)])
@pytest.mark.parametrize("side", [-1, 1])
def test_a_riser_on_a_tilted_frame_lifts_by_more_than_its_height(make_structures, make_roads, find, off, fits, side):
    """40 mm square to a frame that slopes 30 %: 40 x root of 1.09 = 41.761 mm straight up."""
    up = 0.04 * np.sqrt(1.09)
    assert up == near(0.041761)
    found = find(make_structures(overlay=up + side * off), make_roads(slope_east=0.3), catalogue=PARTS)
    assert (method_of(found) == "riser") == fits
    if fits:
        assert found.results.gap_max.tolist() == near([-side * off])
    else:
        assert found.notes()["no_riser_fits"] == near((6.002, 6.0), 1e-4)


def test_the_nearest_riser_then_the_cheaper_then_the_first(make_structures, find):
    def chosen(*risers):
        return find(make_structures(overlay=0.04), catalogue=Catalogue(riser=risers)).verdicts.riser[0]

    assert chosen(RiserPart("a", 0.036, price=1.0), RiserPart("b", 0.041, price=9.0)) == 1
    assert chosen(RiserPart("a", 0.038, price=9.0), RiserPart("b", 0.042, price=1.0)) == 1
    assert chosen(RiserPart("a", 0.04), RiserPart("b", 0.04)) == 0
    assert chosen(RiserPart("a", 0.04, available=False), RiserPart("b", 0.042)) == 1


def test_no_riser_where_the_frame_is_tilted_off(make_structures, make_roads, find):
    """A small frame, so that 1.5 % is no matter at its edge: a riser keeps the tilt all the same."""
    design = make_roads(height=100.04, slope_east=0.015)
    found = find(make_structures(frame_top_diameter=0.1), make_roads(), design, catalogue=PARTS)
    assert method_of(found) == "adjust"


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
    assert ("measure_on_site" in found.notes()) == (kind == "inlet")
    assert ("travel_unknown" in found.notes()) == (kind == "valve")


@pytest.mark.parametrize("kind", ["inlet", "valve"])
def test_inlets_and_valves_are_told_how_much_to_move(make_structures, find, kind):
    found = find(make_structures(kind=KINDS.index(kind), overlay=0.1, bearing=99.788), catalogue=PARTS)
    assert method_of(found) == "adjust"
    assert found.chimneys.change.tolist() == near([0.1])


@pytest.mark.parametrize(("slope", "level"), [(0.02 / 0.9 + 0.01 - HAIR, True), (0.02 / 0.9 + 0.01 + HAIR, False)])
def test_rings_up_to_the_slope_that_bedding_takes(make_structures, make_roads, find, slope, level):
    """20 mm of wedge under a 900 mm flange and 1 % that may stay: 3.22 %.

    The wedge is half as thick at the centre: 100 mm, two joints of 6 mm and 10 mm of it.
    """
    steep = np.sqrt(1 + slope**2)
    structures = make_structures(bearing=100 - 0.2 * steep - 0.122)
    found = find(structures, make_roads(slope_east=slope), catalogue=PARTS)
    assert (method_of(found) == "rings") == level
    assert ("taper_past_limit" in found.notes()) != level
    if not level:
        assert found.notes()["taper_past_limit"] == near((100 * slope, 100 * (0.02 / 0.9 + 0.01)))


@pytest.mark.parametrize(("slope", "made"), [(0.06 - HAIR, True), (0.06 + HAIR, False)])
def test_rings_up_to_the_slope_that_two_tapers_make(make_structures, make_roads, find, slope, made):
    """22.5 mm over 900 mm are 2.5 %; two of them, thick side on thick side, 5 %, and 1 % that may stay.

    31.25 mm twice, three joints, and half the wedge of 9 mm that bedding makes of the 1 %: 85 mm.
    """
    tapered = RingPart("T", thin=0.02, thick=0.0425, outside_diameter=0.9)
    structures = make_structures(bearing=100 - 0.2 * np.sqrt(1 + slope**2) - 0.085)
    found = find(structures, make_roads(slope_north=slope), catalogue=Catalogue(ring=(tapered,)))
    assert (method_of(found) == "rings") == made
    assert ("taper_past_limit" in found.notes()) != made
    if made:
        assert found.stacks.parts[0].tolist() == [0, 0, -1, -1]
        assert found.stacks.misfit.tolist() == near([0.0], 1e-5)
    else:
        assert found.notes()["taper_past_limit"] == near((100 * slope, 6.0))


@pytest.mark.parametrize(
    ("slope", "reason"),
    [(0.04 + HAIR, None), (0.04 - HAIR, "no_ring_slope"), (0.06 - HAIR, None), (0.06 + HAIR, "no_ring_slope"),
     (0.11 + HAIR, "taper_past_limit")],
)  # fmt: skip
def test_no_rings_where_no_stack_makes_the_slope_though_steeper_ones_are_made(
    make_structures, make_roads, find, slope, reason
):
    """45 mm over 900 mm are 5 %, turned one way only: one ring makes 4 to 6 %, two make 9 to 11 %, none in between.

    42.5 mm, two joints, and half the wedge of 9 mm that bedding makes of the 1 %: 59 mm. 20 mm of wedge make 3.2 %.
    """
    tapered = RingPart("T", thin=0.02, thick=0.065, outside_diameter=0.9, turn_step=360.0)
    structures = make_structures(bearing=100 - 0.2 * np.sqrt(1 + slope**2) - 0.059)
    rules = RuleSet(min_part=0.0)
    found = find(structures, make_roads(slope_north=slope), catalogue=Catalogue(ring=(tapered,)), rules=rules)
    assert (method_of(found) == "rings") == (reason is None)
    assert {"no_ring_slope", "taper_past_limit", "no_ring_stack"} & set(found.notes()) == (
        {reason} if reason else set()
    )
    if reason == "no_ring_slope":
        assert found.notes()[reason][0] == near(100 * slope)


def test_no_ring_stack_tells_the_nearest(make_structures, find):
    found = find(make_structures(bearing=99.7), catalogue=PARTS)  # 100 mm: 87 and 112 are to be had
    assert method_of(found) == "adjust"
    assert found.notes()["no_ring_stack"] == near((12.0, 6.0))


def test_a_flange_that_no_ring_carries(make_structures, find):
    """Rings of 600 mm under a flange of 900 mm: it would stand over them by 150 mm."""
    parts = Catalogue(ring=(RingPart("R", 0.1, outside_diameter=0.6, inside_diameter=0.5),))
    found = find(make_structures(**KNOWN), catalogue=parts)
    assert method_of(found) != "rings"
    assert "foot_off_bearing" in found.notes()
    assert "no_ring_stack" not in found.notes()


def test_without_a_bearing_rings_are_not_tried(make_structures, find):
    found = find(make_structures(overlay=0.1), catalogue=PARTS)
    assert "chimney_total_unknown" in found.notes()
    assert not {"no_ring_stack", "taper_past_limit"} & set(found.notes())


# --- the owner's order


# 5 mm LOW: kept within 6 mm, or a riser of 5 mm, or a ring of 100 mm (112 with joints), or a liner of 100 mm
ALL_FOUR = {"gap": -0.005, "bearing": 99.688, **CARRIED}
FOUR = Catalogue(ring=RINGS, riser=(RiserPart("U5", 0.005),), liner=(LINER,))


@pytest.mark.parametrize(
    "order", [order for size in range(5) for order in itertools.permutations(CHOSEN_METHODS, size)], ids=str
)
def test_the_first_of_the_owner_s_methods_that_fits(make_structures, find, order):
    found = find(make_structures(**ALL_FOUR), catalogue=FOUR, rules=RuleSet(methods=order))
    assert method_of(found) == (order[0] if order else "adjust")
    assert found.verdicts.riser.tolist() == [0 if order[:1] == ("riser",) else -1]
    assert (found.stacks.count >= 0).tolist() == [order[:1] == ("rings",)]
    assert found.liners.part.tolist() == [0 if order[:1] == ("liner",) else -1]


def test_methods_not_in_use_leave_no_reason(make_structures, find):
    found = find(make_structures(overlay=0.1), rules=RuleSet(methods=("rings",)))
    assert not {"not_flush", "raise_past_riser"} & set(found.notes())


def test_reasons_end_with_the_method_that_fits(make_structures, find):
    reversed_ = RuleSet(methods=("rings", "riser", "keep"))
    found = find(make_structures(overlay=0.04, **KNOWN), catalogue=PARTS, rules=reversed_)  # 152 mm: no stack
    assert method_of(found) == "riser"
    assert "no_ring_stack" in found.notes()
    assert "not_flush" not in found.notes()


# --- liners, valves, castings that float


@pytest.mark.parametrize("missing", CARRIED)
def test_a_liner_needs_to_know_what_it_carries(make_structures, find, missing):
    found = find(make_structures(**{**CASES["liner"], missing: np.nan}), catalogue=PARTS)
    assert method_of(found) == "adjust"
    assert "liner_unchecked" in found.notes()


@pytest.mark.parametrize(
    ("lift", "travel", "method"),
    [
        (0.1, 0.1 + HAIR, "extend"), (0.1, 0.1 - HAIR, "replace_top"), (0.1, np.nan, "adjust"),
        (0.0, 0.1, "extend"), (-HAIR, 0.1, "replace_top"), (-0.1, np.nan, "adjust"),
    ],
)  # fmt: skip
def test_a_valve_s_top_section_slides_as_far_as_it_goes(make_structures, find, lift, travel, method):
    """Up only: there is nothing to push it down into."""
    valve = make_structures(kind=KINDS.index("valve"), overlay=0.2, mill=0.2 - lift, travel=travel)
    found = find(valve, catalogue=PARTS)
    assert method_of(found) == method
    assert ("travel_unknown" in found.notes()) == (method == "adjust")
    assert ("past_travel" in found.notes()) == (method == "replace_top")
    if method == "replace_top":
        assert found.notes()["past_travel"] == near((1000 * lift, 1000 * travel), 1e-5)


def test_travel_is_for_valves(make_structures, find):
    found = find(make_structures(overlay=0.1, travel=0.15), catalogue=PARTS)
    assert method_of(found) == "adjust"
    assert not {"travel_unknown", "past_travel"} & set(found.notes())


def test_a_casting_that_floats_has_no_chimney(make_structures, find):
    found = find(make_structures(floating=True, overlay=0.31, **KNOWN), catalogue=PARTS)
    assert method_of(found) == "float"
    assert "casting_floats" in found.notes()
    assert np.isnan(found.chimneys.height[0])
    assert not {"chimney_past_limit", "bearing_missing", "no_ring_stack"} & set(found.notes())


def test_a_liner_on_a_bearing_that_nobody_measured(make_structures, find):
    """What carries it and what hangs below it are known: it is chosen, and what is not known is told."""
    sizes = {**CASES["liner"], "bearing_outside_diameter": 0.9, "bearing_inside_diameter": 0.6}
    found = find(make_structures(2, **{**sizes, "bearing_inside_diameter": [0.6, np.nan]}), catalogue=PARTS)
    assert [method_of(found, row) for row in range(2)] == ["liner", "liner"]
    assert ["liner_unchecked" in found.notes(row) for row in range(2)] == [False, True]


def test_a_casting_that_floats_comes_before_the_valve(make_structures, find):
    found = find(make_structures(floating=True, travel=0.05, **VALVE), catalogue=PARTS)
    assert method_of(found) == "float"
    assert "past_travel" not in found.notes()


def test_a_valve_that_is_flush_is_kept(make_structures, find):
    found = find(make_structures(kind=VALVE["kind"], gap=0.002, travel=0.001))
    assert method_of(found) == "keep"
    assert not {"past_travel", "bearing_missing", "chimney_total_unknown"} & set(found.notes())


# --- what the owner's tolerance is held against


def on_a_crown(make_structures, make_roads, find, measured_by, gap=0.0, **more):
    """A cover of 660 mm on z = -.02 |e| under bars laid on that crown; the street runs north unless told otherwise.

    The mean along the edge lies 2 c R / pi = 4.2017 mm below the apex; a bar along the line lies on the apex, one
    across it on the chord of the hole's edges, 850 mm off: 17 mm below the apex.
    """
    structures = make_structures(gap=gap, frame_top_diameter=0.66, **more)
    roads = make_roads(slope_east=0.02, fold=-0.04, fold_azimuth=np.pi / 2)
    bars = lay_bars(structures, roads, np.nan_to_num(structures.axis), np.array([0.45]), Ring(), 0.006)
    rules = RuleSet(measured_by=measured_by, tolerance=0.001)
    return find(structures, roads, bars=bars, rules=rules)


MEAN = 2 * 0.02 * 0.33 / np.pi


@pytest.mark.parametrize("measured_by", ["edge", "adjacent_mean"])
def test_at_the_mean_of_a_crown_the_cover_is_right(make_structures, make_roads, find, measured_by):
    found = on_a_crown(make_structures, make_roads, find, measured_by)
    assert method_of(found) == "keep"
    assert 1000 * found.results.gap_along[0] == near(-4.2017, 5e-5)  # all the same


def test_under_a_bar_on_a_crown_it_is_not(make_structures, make_roads, find):
    """4.2 mm LOW along the line, 17 - 4.2 mm PROUD of the chord across it: the worse one counts."""
    found = on_a_crown(make_structures, make_roads, find, "bar")
    assert 1000 * found.results.bar_along[0] == near(-1000 * MEAN)
    assert 1000 * found.results.bar_across[0] == near(17.0 - 1000 * MEAN)
    assert found.notes()["not_flush"] == near((17.0 - 1000 * MEAN, 1.0))
    # midway between both bars they are equally far off
    middle = on_a_crown(make_structures, make_roads, find, "bar", gap=-0.0085 + MEAN)
    assert middle.notes()["not_flush"] == near((8.5, 1.0))


def test_without_an_axis_all_eight_bars_count(make_structures, make_roads, find):
    """A street at 45 degrees has its bars there, 17 sin 45 mm below the apex; without one, the worst of all."""
    street = on_a_crown(make_structures, make_roads, find, "bar", axis=np.pi / 4)
    assert street.notes()["not_flush"][0] == near(17.0 * np.sin(np.pi / 4) - 1000 * MEAN)
    free = on_a_crown(make_structures, make_roads, find, "bar", axis=np.nan)
    assert free.notes()["not_flush"][0] == near(17.0 - 1000 * MEAN)


def test_where_no_bar_can_be_laid_the_mean_counts(make_structures, find):
    found = find(make_structures(gap=0.004), rules=RuleSet(measured_by="bar", tolerance=0.003))
    assert found.notes()["not_flush"] == near((4.0, 3.0))


def test_a_recess_is_no_gap(make_structures, make_bars, find):
    """Set 3 mm low on purpose: a cover 3 mm below the bar is right by every measure."""
    for measured_by in ("edge", "adjacent_mean", "bar"):
        rules = RuleSet(measured_by=measured_by, recess=0.003, tolerance=0.001)
        found = find(make_structures(gap=-0.003), bars=make_bars(height=100.0), rules=rules)
        assert method_of(found) == "keep", measured_by


@pytest.mark.parametrize(("measured_by", "off"), [("edge", 3.0 + 330 * 0.008), ("adjacent_mean", 3.0), ("bar", 3.0)])
def test_tilt_counts_at_the_edge_alone(make_structures, make_roads, make_bars, find, measured_by, off):
    """3 mm LOW in the middle of a road that turns by 0.8 %, within the tilt's own tolerance."""
    rules = RuleSet(measured_by=measured_by, tolerance=0.002)
    bars = make_bars(height=100.0)
    found = find(make_structures(gap=-0.003), make_roads(), make_roads(slope_north=0.008), bars=bars, rules=rules)
    assert found.notes()["not_flush"] == near((off, 2.0))
    assert "tilt_off" not in found.notes()


def test_a_riser_is_measured_as_the_cover_is(make_structures, make_roads, find):
    """40 mm of raise on a road that turns by 0.9 %: 2.97 mm at the edge, nothing in the middle."""
    design = make_roads(height=100.04, slope_east=0.009)
    for measured_by, fits in (("edge", False), ("adjacent_mean", True)):
        rules = RuleSet(measured_by=measured_by, tolerance=0.002)
        found = find(make_structures(), make_roads(), design, catalogue=PARTS, rules=rules)
        assert (method_of(found) == "riser") == fits
        if not fits:
            assert found.notes()["no_riser_fits"] == near((330 * 0.009, 2.0))


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
