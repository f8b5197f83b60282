"""Ring stacks against an exhaustive search that knows nothing of sorting, shelves or arcs; rules one by one."""

import itertools
import math
from dataclasses import fields

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from geoadjust.core import stack
from geoadjust.core.columns import POLICIES, arrays_of, equal, take
from geoadjust.core.parts import Catalogue, RingPart
from geoadjust.core.rules import RuleSet
from geoadjust.core.stack import Demand, choose_stacks, only, steepest, tallest

JOINT = 0.006
ASKED = {
    "height": 0.062,
    "tilt_east": 0.0,
    "tilt_north": 0.0,
    "bed": 0.0,
    "mark": 0.0,
    "flange": 0.9,
    "extent": 0.9,
    "shift": 0.0,
    "flange_inside": np.nan,
    "spare": np.inf,
    "on_top": False,
}


def ask(height=0.062, **given):
    """What stacks have to make; all but the height is harmless unless said."""
    asked = {**ASKED, "height": height, **given}
    n = np.broadcast_shapes(*(np.shape(np.atleast_1d(value)) for value in asked.values()))
    columns = {name: np.array(np.broadcast_to(value, n)) for name, value in asked.items()}
    return Demand(**{name: column if name == "on_top" else column.astype(float) for name, column in columns.items()})


def part_of(demand, index):
    return Demand(*(getattr(demand, item.name)[index] for item in fields(demand)))


def rule_set(**rules):
    return RuleSet(**{"joint": JOINT, "tolerance": 0.006, "max_rings": 4, **rules})


def choose(height, parts, *, rules=None, **given):
    """Stacks for these heights [m]."""
    return choose_stacks(ask(height, **given), rule_set(**(rules or {})), Catalogue(ring=tuple(parts)))


def flats(*millimetres, **fields):
    return tuple(RingPart(f"R{index}", mm / 1000, **fields) for index, mm in enumerate(millimetres))


def flat(mm, outside=0.9, inside=0.6, **fields):
    return RingPart(f"F{mm}", mm / 1000, outside_diameter=outside, inside_diameter=inside, **fields)


def taper(thin, thick, outside=0.9, inside=0.6, **fields):
    return RingPart(
        f"T{thin}-{thick}", thin=thin / 1000, thick=thick / 1000, outside_diameter=outside, inside_diameter=inside,
        **fields,
    )  # fmt: skip


def near(expected, off=1e-9):
    return pytest.approx(expected, abs=off, rel=0, nan_ok=True)


# --- the exhaustive twin: plain loops over all multisets and all turns


def carries(one, ring):
    """25 mm of iron on the ring all round, 25 mm of overhang at most; common practice, no source."""
    inside = 0.0 if ring.inside_diameter is None else ring.inside_diameter / 2
    outside = math.inf if ring.outside_diameter is None else ring.outside_diameter / 2
    flange = math.inf if math.isnan(one["flange"]) else one["flange"] / 2
    hole = 0.0 if math.isnan(one["flange_inside"]) else one["flange_inside"] / 2
    for off in (-one["shift"], one["shift"]):
        if min(flange + off, outside) - max(hole + off, inside) < 0.025 - 5e-7:
            return False
        if flange < math.inf and flange + off - outside > 0.025 + 5e-7:
            return False
    return True


def turned(one, tapered, limit):
    """Best turns: (slope left, its vector east and north, places); None where the limit bars all."""
    best = None
    for places in itertools.product(*(range(round(360 / ring.turn_step)) for ring in tapered)):
        east, north = one["tilt_east"], one["tilt_north"]
        made_east = made_north = 0.0
        for ring, place in zip(tapered, places, strict=True):
            azimuth = one["mark"] + math.radians(place * ring.turn_step)
            made_east += ring.taper * math.sin(azimuth)
            made_north += ring.taper * math.cos(azimuth)
        if math.hypot(made_east, made_north) > limit:
            continue
        left = math.hypot(east - made_east, north - made_north)
        found = (round(left, 9), places, left, east - made_east, north - made_north)
        best = found if best is None or found[:2] < best[:2] else best
    return best


def height_of(one, stack_, wedge, joint):
    """Mortar and rings at the centre, told piece by piece from the bottom."""
    pieces = [ring.middle for ring in stack_]
    if one["on_top"]:
        return sum(pieces) + len(stack_) * joint + wedge / 2  # as many new joints as rings: the old top joint goes
    if not stack_:
        return joint + wedge / 2 + one["bed"]
    return (joint + one["bed"]) + sum(pieces) + (len(stack_) - 1) * joint + (joint + wedge / 2)


def search(one, parts, rules):
    """Best stack as a dict, or None; and the least |misfit| of all whose slope would do, or None."""
    usable = [
        index
        for index, ring in enumerate(parts)
        if ring.available and (ring.taper == 0 or ring.thin >= rules.min_edge - 1e-6)
    ]
    sizes = list(dict.fromkeys((parts[i].outside_diameter, parts[i].inside_diameter) for i in usable)) or [(None, None)]
    best, least, memory = None, None, {}
    for size in sizes:
        group = [i for i in usable if (parts[i].outside_diameter, parts[i].inside_diameter) == size]
        if not carries(one, RingPart("size", 1.0, outside_diameter=size[0], inside_diameter=size[1])):
            continue
        for count in range(rules.max_rings + 1):
            for some in itertools.combinations_with_replacement(group, count):
                chosen = [i for i in some if parts[i].taper == 0] + [i for i in some if parts[i].taper > 0]
                tapered = [parts[i] for i in chosen if parts[i].taper > 0]
                if len(tapered) > 2 or count > one["spare"]:
                    continue
                key = tuple((ring.taper, ring.turn_step) for ring in tapered)
                if key not in memory:
                    memory[key] = turned(one, tapered, rules.max_taper + 1e-6)
                if memory[key] is None:
                    continue
                _, places, rest, east, north = memory[key]
                over = max(0.0, rest - rules.bedding_wedge / one["extent"])
                slope = math.hypot(one["tilt_east"], one["tilt_north"])
                excess = (rest if tapered else over) - rules.tilt_tolerance
                if excess > 1e-6 or (tapered and slope <= rules.tilt_tolerance + 1e-6):
                    continue
                wedge = min(rest * one["extent"], rules.bedding_wedge)
                misfit = height_of(one, [parts[i] for i in chosen], wedge, rules.joint) - one["height"]
                least = abs(misfit) if least is None else min(least, abs(misfit))
                price = round(sum(parts[i].price for i in chosen), 6)
                order = (count, round(abs(misfit), 9), price, tuple(chosen))
                if abs(misfit) <= rules.tolerance + 1e-6 and (best is None or order < best["order"]):
                    share = over / rest if rest else 0.0
                    best = {
                        "order": order, "parts": chosen, "places": places, "misfit": misfit, "wedge": wedge,
                        "left": (east * share, north * share),
                    }  # fmt: skip
    return best, least


def check(found, index, one, parts, rules):
    """One structure's stack equals the twin's in all its fields."""
    best, least = search(one, parts, rules)
    if best is None:
        assert (found.count[index], found.policy[index]) == (-1, -1)
        assert (found.parts[index] == -1).all()
        assert np.isnan(found.turn[index]).all()
        for name in ("misfit", "bottom", "top", "wedge", "left_east", "left_north"):
            assert np.isnan(getattr(found, name)[index])
        assert abs(found.nearest[index]) == near(math.nan if least is None else least)
        return best
    rest = rules.max_rings - len(best["parts"])
    assert found.parts[index].tolist() == best["parts"] + [-1] * rest
    tapered = [parts[i] for i in best["parts"] if parts[i].taper > 0]
    turns = [math.radians(place * ring.turn_step) for place, ring in zip(best["places"], tapered, strict=True)]
    blank = [math.nan] * (len(best["parts"]) - len(turns))
    assert found.turn[index].tolist() == near(blank + turns + [math.nan] * rest)
    assert POLICIES[found.policy[index]] == ("add_on_top" if one["on_top"] else "replace_all")
    assert found.count[index] == len(best["parts"])
    for name in ("misfit", "nearest"):
        assert getattr(found, name)[index] == near(best["misfit"])
    assert found.wedge[index] == near(best["wedge"])
    assert (found.left_east[index], found.left_north[index]) == (near(best["left"][0]), near(best["left"][1]))
    none = not best["parts"] and not one["on_top"]
    on_bearing = 0.0 if one["on_top"] or none else rules.joint + one["bed"]
    assert found.bottom[index] == near(on_bearing)
    assert found.top[index] == near(rules.joint + best["wedge"] / 2 + (one["bed"] if none else 0.0))
    return best


SIZES = ((0.91, 0.6), (0.91, 0.6), (None, None), (0.8, 0.61), (0.86, 0.5))  # with the flanges below none on a limit
STEPS = (15.0, 22.5, 30.0, 45.0, 90.0, 120.0, 360.0)


def _rings(sizes, drawn):
    """A catalogue of two sizes, most rings of the first."""
    rings = []
    for tapered, tenths, more, size, step, price, available in drawn:
        outside, inside = sizes[size]
        thin = tenths / 3e4
        sides = {"thin": thin, "thick": thin + more / 1e4} if tapered and outside else {"thickness": tenths / 1e4}
        diameters = {"outside_diameter": outside, "inside_diameter": inside}
        rings.append(RingPart("r", **sides, **diameters, turn_step=step, price=price, available=available))
    return tuple(rings)


RING = st.tuples(
    st.booleans(),
    st.integers(20, 160).map(lambda tenths: tenths * 5),
    st.sampled_from([130, 215, 215, 340, 50]),
    st.sampled_from([0, 0, 0, 1]),
    st.sampled_from(STEPS),
    st.sampled_from([1.0, 1.0, 0.0, 2.5]),
    st.sampled_from([True, True, True, True, False]),
)
PARTS = st.builds(_rings, st.tuples(st.sampled_from(SIZES), st.sampled_from(SIZES)), st.lists(RING, max_size=4))
SLOPE = st.sampled_from([0, 0, 1, -3, 10, -15, 60, -120]).map(lambda halves: halves / 2000)
ONE = st.fixed_dictionaries(
    {
        "recipe": st.lists(st.tuples(st.integers(0, 3), st.integers(0, 23)), min_size=2, max_size=3),
        "height": st.one_of(st.integers(-100, 100), st.integers(-400, 400)).map(lambda tenths: tenths / 1e4),
        "tilt_east": SLOPE,
        "tilt_north": SLOPE,
        "bed": st.sampled_from([0.0, 0.0, 0.0082]),
        "mark": st.sampled_from([0.0, 90.0, 33.3, 250.0]).map(math.radians),
        "flange": st.sampled_from([0.9, 0.83, math.nan]),
        "extent": st.sampled_from([0.9, 0.83, 1.27]),
        "shift": st.sampled_from([0.0, 0.0, 0.011]),
        "flange_inside": st.sampled_from([math.nan, 0.62]),
        "spare": st.sampled_from([math.inf, math.inf, math.inf, math.inf, 4.0, 2.0, 1.0, 0.0, -1.0]),
        "on_top": st.booleans(),
    }
)
RULES = st.builds(
    RuleSet,
    joint=st.sampled_from([0.0, 0.006, 0.0095]),
    max_rings=st.sampled_from([3, 3, 2, 1, 0]),
    tolerance=st.sampled_from([0.03, 0.006, 0.006, 0.0]),
    bedding_wedge=st.sampled_from([0.020, 0.020, 0.05, 0.0]),
    tilt_tolerance=st.sampled_from([0.0101, 0.0003]),
    max_taper=st.sampled_from([0.1, 0.1, 0.0303]),
    min_edge=st.sampled_from([0.0, 0.0101]),
)


def follow(one, parts, joint):
    """What is asked for: height and slope of the recipe's rings, each turned by so many times 15 degrees, and more."""
    asked = {name: value for name, value in one.items() if name != "recipe"}
    asked["height"] += 0.0 if one["on_top"] or "recipe" not in one else joint + one["bed"]
    rings = [(parts[index], math.radians(15 * turn)) for index, turn in one.get("recipe", ()) if index < len(parts)]
    for ring, turn in rings:
        asked["height"] += ring.middle + joint
        asked["tilt_east"] += ring.taper * math.sin(turn)
        asked["tilt_north"] += ring.taper * math.cos(turn)
    return asked


STEEP = {**ASKED, "height": 0.0996, "tilt_east": 0.03, "tilt_north": 0.04}


@given(parts=PARTS, many=st.lists(ONE, min_size=1, max_size=4), rules=RULES)
@example((flat(50), flat(50, price=1.0)), [ASKED, {**ASKED, "height": 0.118}], RuleSet())
@example((flat(54), flat(46)), [ASKED], RuleSet())
@example((taper(20, 45), taper(20, 45, price=1.0), flat(32.5)), [ASKED, STEEP, {**STEEP, "on_top": True}], RuleSet())
@example((taper(20, 45, turn_step=15.0), taper(20, 60, turn_step=22.5)), [STEEP, {**STEEP, "spare": 1.0}], RuleSet())
@settings(max_examples=300, deadline=None)
def test_equals_exhaustive_search(parts, many, rules):
    many = [follow(one, parts, rules.joint) for one in many]
    demand = ask(**{name: np.array([one[name] for one in many]) for name in ASKED})
    found = choose_stacks(demand, rules, Catalogue(ring=parts))
    for index, one in enumerate(many):
        one = {**one, "bed": 0.0 if one["on_top"] else one["bed"]}
        check(found, index, one, parts, rules)


def test_equals_exhaustive_search_where_tapers_are_needed():
    rng = np.random.default_rng(5)
    parts = (
        flat(25), flat(40), flat(30, outside=0.86), taper(13, 38, turn_step=15.0), flat(75, price=1.0),
        taper(20, 60, turn_step=10.0, price=3.0), taper(15, 35, outside=0.86, turn_step=7.5), flat(75),
    )  # fmt: skip
    rules, n = rule_set(max_rings=3), 80
    slope, azimuth = rng.uniform(0.02, 0.10, n), rng.uniform(0, 2 * np.pi, n)
    demand = ask(
        rng.uniform(0.03, 0.2, n), tilt_east=slope * np.sin(azimuth), tilt_north=slope * np.cos(azimuth),
        mark=rng.uniform(0, 7, n), extent=rng.uniform(0.8, 1.1, n), on_top=rng.random(n) < 0.3,
        bed=rng.uniform(0, 0.02, n), shift=rng.uniform(0, 0.03, n), spare=rng.integers(1, 9, n),
    )  # fmt: skip
    found = choose_stacks(demand, rules, Catalogue(ring=parts))
    kinds = set()
    for index in range(n):
        one = {item.name: getattr(demand, item.name)[index].item() for item in fields(demand)}
        best = check(found, index, {**one, "bed": 0.0 if one["on_top"] else one["bed"]}, parts, rules)
        kinds.add(None if best is None else (len(best["parts"]), len(best["places"])))
    assert {None, (1, 1), (2, 1), (2, 2), (3, 0), (3, 1), (3, 2)} <= kinds


# --- rule by rule: height


def test_fewest_rings_before_smallest_misfit():
    # 112 mm: one ring of 105 with two joints is 117 (+5), two of 47 with three joints are exact
    found = choose(0.112, flats(105, 47))
    assert found.parts.tolist() == [[0, -1, -1, -1]]
    assert found.misfit.tolist() == near([0.005])


def test_smallest_misfit_before_price():
    parts = (RingPart("cheap", 0.053, price=1.0), RingPart("near", 0.051, price=9.0))
    assert choose(0.062, parts).parts[0, 0] == 1  # 65 and 63 with joints
    parts = (RingPart("cheap", 0.049998, price=1.0), RingPart("near", 0.050001, price=9.0))
    assert choose(0.062, parts).parts[0, 0] == 1  # by a thousandth of a millimetre


def test_price_where_the_misfit_is_the_same_too_tall_or_too_short():
    for prices in ((1.0, 9.0), (9.0, 1.0)):
        parts = (RingPart("tall", 0.054, price=prices[0]), RingPart("short", 0.046, price=prices[1]))
        found = choose(0.062, parts)  # 66 and 58
        assert found.parts[0, 0] == int(prices[1] < prices[0])
        assert abs(found.misfit[0]) == near(0.004)


def test_price_where_the_total_is_the_same():
    parts = tuple(RingPart(str(mm), mm / 1000, price=price) for mm, price in ((30, 5.0), (40, 1.0), (50, 5.0)))
    found = choose(0.098, parts)  # 80 of rings: 40 + 40 for 2 or 30 + 50 for 10
    assert found.parts[0].tolist() == [1, 1, -1, -1]


def test_catalogue_order_where_all_is_the_same():
    assert choose(0.062, (RingPart("first", 0.05), RingPart("second", 0.05))).parts[0].tolist() == [0, -1, -1, -1]
    assert choose(0.062, (flat(50), flat(50, outside=0.91))).parts[0].tolist() == [0, -1, -1, -1]
    mixed = (flat(30), flat(50, outside=0.91), flat(50))
    assert choose(0.062, mixed).parts[0].tolist() == [1, -1, -1, -1]
    for pair in ((54, 46), (46, 54)):  # as much too tall as too short
        assert choose(0.062, flats(*pair)).parts[0].tolist() == [0, -1, -1, -1]


@pytest.mark.parametrize(("off", "fits"), [(0.006 - 2e-6, True), (0.006, True), (0.006 + 2e-6, False)])
@pytest.mark.parametrize("side", [-1, 1])
def test_tolerance(off, fits, side):
    found = choose(0.062 + side * off, flats(50), rules={"max_rings": 1})
    assert (found.count[0] == 1) == fits
    assert found.nearest[0] == near(-side * off)


def test_zero_rings_are_one_joint():
    found = choose([0.006, 0.0, 0.012, 0.0121, -0.001], flats(50))
    assert found.count.tolist() == [0, 0, 0, -1, -1]
    assert (found.parts == -1).all()
    assert found.misfit.tolist() == near([0.0, 0.006, -0.006, np.nan, np.nan])
    assert found.bottom.tolist() == near([0.0, 0.0, 0.0, np.nan, np.nan])
    assert found.top.tolist() == near([0.006, 0.006, 0.006, np.nan, np.nan])


def test_zero_rings_on_an_old_stack_are_its_own_joint():
    found = choose([0.0, 0.005, -0.006, -0.0061], flats(50), on_top=True)
    assert found.count.tolist() == [0, 0, 0, -1]
    assert found.misfit.tolist() == near([0.0, -0.005, 0.006, np.nan])
    assert found.policy.tolist() == [1, 1, 1, -1]


@pytest.mark.parametrize(
    "parts", [(), flats(50, available=False), (RingPart("size unknown", thin=0.02, thick=0.04),)], ids=len
)
def test_no_rings_at_all(parts):
    found = choose([0.006, 0.062], parts)
    assert found.count.tolist() == [0, -1]
    assert found.nearest.tolist() == near([0.0, -0.056])


def test_no_rings_allowed():
    found = choose([0.006, 0.062], flats(50), rules={"max_rings": 0})
    assert found.parts.shape == found.turn.shape == (2, 0)
    assert found.count.tolist() == [0, -1]


def test_no_structures():
    found = choose(np.empty(0), flats(50))
    assert len(found) == 0
    assert found.parts.shape == (0, 4)


UNKNOWN = [*((name, np.nan) for name in ("height", "tilt_east", "tilt_north", "bed", "extent")), ("extent", 0.0)]


@pytest.mark.parametrize(("name", "unknown"), UNKNOWN)
def test_nothing_is_asked_where_something_is_unknown(name, unknown):
    parts = (flat(50), taper(20, 40))
    found = choose_stacks(ask(**{name: [unknown, ASKED[name]]}), rule_set(), Catalogue(ring=parts))
    assert found.count.tolist() == [-1, 1]
    for name in ("misfit", "nearest", "bottom", "top", "wedge", "left_east", "left_north"):
        assert np.isnan(getattr(found, name)[0])
        assert np.isfinite(getattr(found, name)[1])
    assert found.joint.tolist() == [JOINT, JOINT]


def test_no_tapered_ring_without_a_mark():
    parts = (flat(50), taper(20, 40))
    found = choose([0.05, 0.07], parts, tilt_north=0.03, mark=np.nan)
    assert found.count.tolist() == [-1, 1]
    assert found.nearest.tolist() == near([0.022, 0.002])  # flat rings and 20 mm of wedge
    assert (found.left_east[1], found.left_north[1]) == (near(0.0), near(0.03 - 0.02 / 0.9))


def test_nearest_is_told_where_none_fits():
    found = choose([0.080, 0.5], flats(50, 100), rules={"max_rings": 1})
    assert found.count.tolist() == [-1, -1]
    assert found.nearest.tolist() == near([-0.018, -0.388])  # 62 for 80, 112 for 500: too short is minus


def test_nearest_is_the_misfit_where_one_is_chosen():
    found = choose(0.112, flats(105, 47))  # two rings would be exact, one will do
    assert found.nearest.tolist() == found.misfit.tolist() == near([0.005])


@pytest.mark.parametrize(("spare", "count"), [(np.inf, 2), (np.nan, 2), (4.0, 2), (2.0, 2), (1.0, -1), (0.0, -1)])
def test_rings_to_spare(spare, count):
    found = choose(0.118, flats(50), spare=spare)
    assert found.count.tolist() == [count]
    assert found.nearest.tolist() == near([{-1: {1.0: -0.056, 0.0: -0.112}, 2: {}}[count].get(spare, 0.0)])


def test_joints_are_one_more_than_rings():
    found = choose(3 * 0.05 + 4 * 0.01, flats(50), rules={"joint": 0.01})
    assert found.count.tolist() == [3]
    assert found.misfit.tolist() == near([0.0])
    assert found.joint.tolist() == [0.01]


def test_joints_on_an_old_stack_are_as_many_as_rings():
    found = choose(2 * 0.05 + 2 * 0.01, flats(50), rules={"joint": 0.01}, on_top=True)
    assert found.count.tolist() == [2]
    assert found.misfit.tolist() == near([0.0])
    assert (found.bottom.tolist(), found.top.tolist()) == (near([0.0]), near([0.01]))


def test_bed_lies_on_the_bearing_but_under_no_rings_below_the_flange():
    found = choose([0.070, 0.014], flats(50), bed=0.008)
    assert found.count.tolist() == [1, 0]
    assert found.misfit.tolist() == near([0.0, 0.0])
    assert found.bottom.tolist() == near([0.014, 0.0])
    assert found.top.tolist() == near([0.006, 0.014])


def test_bed_does_not_count_on_an_old_stack():
    on_top = ask(0.056, bed=[0.0, 0.02, np.nan], on_top=True)
    found = choose_stacks(on_top, rule_set(), Catalogue(ring=flats(50)))
    assert found.misfit.tolist() == near([0.0, 0.0, 0.0])


# --- sizes


@pytest.mark.parametrize(("shift", "fits"), [(0.0, True), (0.010 - 1e-6, True), (0.010 + 1e-6, False)])
def test_flange_bears_on_the_ring(shift, fits):
    demand = ask(flange=0.93, shift=shift)  # 15 mm over the outside of 0.9 m all round, and the shift on one side
    parts = (flat(50), taper(20, 40))
    found = choose_stacks(demand, rule_set(), Catalogue(ring=parts))
    assert (found.count[0] == 1) == fits
    assert np.isfinite(found.nearest[0]) == fits
    rules, catalogue = rule_set(max_rings=2), Catalogue(ring=parts)
    assert tallest(demand, rules, catalogue).tolist() == near([0.118 if fits else 0.0])
    assert steepest(demand, rules, catalogue).tolist() == near([(0.04 if fits else 0.02) / 0.9 + 0.01])


def test_rings_of_two_sizes_never_stand_on_each_other():
    found = choose(0.098, (flat(50), flat(30, outside=0.92)))  # 50 + 30 and three joints would be exact
    assert found.count.tolist() == [-1]
    assert found.nearest.tolist() == near([0.016])  # three of 30 and four joints: 114
    assert choose(0.098, (flat(50), flat(30))).misfit.tolist() == near([0.0])


def test_tallest():
    two = ask([0.1, 0.1])
    assert tallest(two, rule_set(), Catalogue(ring=flats(50, 75))).tolist() == near([0.330, 0.330])
    assert tallest(two, rule_set(), Catalogue()).tolist() == near([JOINT, JOINT])
    lone = (RingPart("a", 0.05), RingPart("b", 0.2, available=False))
    assert tallest(two, rule_set(joint=0.0, max_rings=2), Catalogue(ring=lone)).tolist() == near([0.1, 0.1])
    spare = ask(spare=[np.inf, np.nan, 3.0, 0.0, -1.0], on_top=[False, False, False, True, True])
    expected = [0.330, 0.330, 0.249, 0.0, 0.0]
    assert tallest(spare, rule_set(), Catalogue(ring=flats(50, 75))).tolist() == near(expected)
    added = ask(spare=2.0, on_top=True)
    assert tallest(added, rule_set(), Catalogue(ring=flats(50, 75))).tolist() == near([2 * 0.075 + 2 * JOINT])
    thick = (flat(50), taper(80, 100))  # two tapered rings at most
    assert tallest(ask(), rule_set(max_rings=3), Catalogue(ring=thick)).tolist() == near([0.23 + 4 * JOINT])


def test_steepest():
    catalogue = Catalogue(ring=(flat(50), taper(20, 40), taper(9, 90), taper(20, 60, available=False)))
    bedding = 0.02 / 0.9 + 0.01
    tapers = 0.04 / 0.9 + 0.01
    demand = ask(spare=[np.inf, np.nan, 1.0, 0.0, -1.0])
    found = steepest(demand, rule_set(), catalogue)  # the ring with the thin edge of 9 mm may not be used
    assert found.tolist() == near([tapers, tapers, bedding, bedding, bedding])
    # with it: 9 % and 2.2 % within 10 %, by the law of cosines at least 69.4 degrees apart, so 70 in steps of 5
    sum_ = abs(0.09 + 0.02 / 0.9 * np.exp(1j * np.radians(70)))
    assert steepest(ask(), rule_set(min_edge=0.009), catalogue)[0] == near(0.01 + sum_)
    assert steepest(ask(), rule_set(), Catalogue()).tolist() == near([bedding])
    assert steepest(ask(), rule_set(max_rings=0), catalogue).tolist() == near([bedding])
    assert np.isnan(steepest(ask(extent=np.nan), rule_set(), catalogue)[0])


def test_no_stack_past_the_steepest_and_one_just_under_it():
    parts = (taper(20, 40), taper(20, 45))
    rules = rule_set(tolerance=0.05)
    most = steepest(ask(), rules, Catalogue(ring=parts))[0]
    assert most == near(0.05 / 0.9 + 0.01)
    found = choose(0.1, parts, rules={"tolerance": 0.05}, tilt_north=np.array([most - 1e-5, most + 1e-5]))
    assert found.count.tolist() == [2, -1]
    assert np.isnan(found.nearest[1])
    assert found.wedge[0] == near(0.9 * (0.01 - 1e-5))


# --- slope: bedding and tapers


@pytest.mark.parametrize(
    ("slope", "wedge", "left"),
    [
        (0.0, 0.0, 0.0),
        (0.01, 0.009, 0.0),
        (0.02, 0.018, 0.0),
        (0.03, 0.020, 0.03 - 0.02 / 0.9),
        (0.02 / 0.9 + 0.01 + 5e-7, 0.020, 0.01 + 5e-7),
        (0.02 / 0.9 + 0.01 + 2e-6, np.nan, np.nan),
        (0.2, np.nan, np.nan),
    ],
)
def test_bedding_takes_the_tilt_up_to_the_owner_s_limit(slope, wedge, left):
    found = choose(0.066, flats(50), tilt_north=-slope)  # 20 mm
    assert found.wedge.tolist() == near([wedge])
    assert found.left_north.tolist() == near([-left])
    assert found.left_east.tolist() == near([0.0 * left])


def test_a_steeper_road_takes_a_tapered_ring():
    found = choose(0.104, (flat(50), taper(20, 40)), tilt_east=0.026, rules={"tilt_tolerance": 0.005})
    assert found.parts.tolist() == [[0, 1, -1, -1]]
    assert np.degrees(found.turn[0, :2]).tolist() == near([np.nan, 90.0])
    rest = 0.026 - 0.02 / 0.9
    assert found.wedge.tolist() == near([rest * 0.9])
    assert found.misfit.tolist() == near([0.05 + 0.03 + 3 * JOINT + rest * 0.45 - 0.104])


@pytest.mark.parametrize(("rules", "count"), [({}, 1), ({"min_edge": 0.0201}, -1), ({"max_taper": 0.022}, -1)])
def test_limits_of_tapered_rings(rules, count):
    found = choose(0.042, (taper(20, 40),), tilt_north=0.03, rules={"max_rings": 1, "tolerance": 0.01, **rules})
    assert found.count.tolist() == [count]


@pytest.mark.parametrize(("mark", "thick"), [(0, 33.690), (180, 213.690), (90, 303.690)])
def test_sheet_of_two_tapered_rings(mark, thick):
    # gradient .02 east, .03 north, each ring 2.5 % and turned 43.85 degrees from uphill, worked by hand; 1 degree steps
    ring = taper(20, 40, outside=0.8, turn_step=1.0)
    rules = {"bedding_wedge": 0.0, "tilt_tolerance": 0.00125}
    found = choose(0.078, (ring,), tilt_east=0.02, tilt_north=0.03, mark=np.radians(mark), rules=rules, flange=0.8)
    assert found.count.tolist() == [2]
    turns = sorted(np.degrees(found.turn[0, :2]))
    assert turns == near(sorted([(thick - 43.854) % 360, (thick + 43.854) % 360]), 0.51)
    total = sum(np.exp(1j * np.radians(turns)))
    assert np.degrees(np.angle(total)) % 360 == near(thick, 0.51)


STEEP_MANY = {
    "tilt_east": np.array([0.02, -0.05, 0.031, 0.06, 0.0]),
    "tilt_north": np.array([0.03, 0.021, -0.04, 0.03, 0.07]),
}
TAPERED = (flat(25), flat(40), taper(13, 38), taper(20, 60))


def test_rotation_of_the_whole_scene():
    heights = np.array([0.09, 0.11, 0.13, 0.10, 0.12])
    mark = np.array([0.3, 1.0, 2.0, 3.0, 4.0])
    rules = {"tolerance": 0.02}
    first = choose(heights, TAPERED, mark=mark, rules=rules, **STEEP_MANY)
    assert np.isfinite(first.turn).any(axis=1).all()
    for angle in np.radians([17.0, 90.0, 200.0]):
        east, north = STEEP_MANY["tilt_east"], STEEP_MANY["tilt_north"]
        again = choose(
            heights, TAPERED, mark=mark + angle, rules=rules,
            tilt_east=east * np.cos(angle) + north * np.sin(angle),
            tilt_north=north * np.cos(angle) - east * np.sin(angle),
        )  # fmt: skip
        assert again.parts.tolist() == first.parts.tolist()
        assert again.turn.tolist() == [near(row) for row in first.turn.tolist()]
        assert again.wedge.tolist() == near(first.wedge.tolist())
        left = first.left_east + 1j * first.left_north
        assert np.abs(again.left_east + 1j * again.left_north - left * np.exp(-1j * angle)).max() < 1e-9


def test_roles_of_the_tapered_rings_are_symmetric():
    rules = {"tolerance": 0.02, "tilt_tolerance": 0.001}
    one = choose(0.09, TAPERED, rules=rules, **STEEP_MANY)
    other = choose(0.09, TAPERED[::-1], rules=rules, **STEEP_MANY)
    assert (np.isfinite(one.turn).sum(axis=1) == 2).any()
    for name in ("count", "misfit", "wedge", "top"):
        assert getattr(one, name).tolist() == near(getattr(other, name).tolist())
    for row, (parts, back) in enumerate(zip(one.parts, other.parts, strict=True)):
        assert sorted(part for part in parts if part >= 0) == sorted(3 - part for part in back if part >= 0), row


def planes(found, index, parts, demand):
    """Heights of the stack's top and of the flange's underside on a circle round the axis, piece by piece."""
    azimuth = np.radians(np.arange(0, 360, 0.1))
    radius, slope_east, slope_north = demand.extent[index] / 2, 0.0, 0.0
    height = found.bottom[index] + (found.count[index] - 1) * JOINT
    for part, turn in zip(found.parts[index], found.turn[index], strict=True):
        if part >= 0:
            height += parts[part].middle
            if np.isfinite(turn):
                slope_east += parts[part].taper * np.sin(demand.mark[index] + turn)
                slope_north += parts[part].taper * np.cos(demand.mark[index] + turn)
    top = height + radius * (slope_east * np.sin(azimuth) + slope_north * np.cos(azimuth))
    flange_east = demand.tilt_east[index] - found.left_east[index]
    flange_north = demand.tilt_north[index] - found.left_north[index]
    centre = demand.height[index] + found.misfit[index]
    return top, centre + radius * (flange_east * np.sin(azimuth) + flange_north * np.cos(azimuth))


@pytest.mark.parametrize("on_top", [False, True])
def test_low_side_keeps_exactly_one_joint(on_top):
    rng = np.random.default_rng(6)
    n = 200
    slope, azimuth = rng.uniform(0, 0.1, n), rng.uniform(0, 2 * np.pi, n)
    demand = ask(
        rng.uniform(0.04, 0.2, n), tilt_east=slope * np.sin(azimuth), tilt_north=slope * np.cos(azimuth),
        mark=rng.uniform(0, 6, n), bed=0.0 if on_top else rng.uniform(0, 0.02, n), on_top=on_top,
    )  # fmt: skip
    found = choose_stacks(demand, rule_set(), Catalogue(ring=TAPERED))
    some = np.flatnonzero(found.count > 0)
    assert len(some) > 60
    for index in some:
        top, underside = planes(found, index, TAPERED, demand)
        mortar = underside - top
        # sum rule: the mortar at the centre is `top`; the least of it is one joint, the difference across the wedge
        assert mortar.mean() == near(found.top[index])
        assert mortar.min() == near(JOINT, 1e-6)
        assert np.ptp(mortar) == near(found.wedge[index], 1e-6)
    assert np.hypot(found.left_east, found.left_north)[some].max() <= 0.01 + 1e-6
    assert found.wedge[some].max() <= 0.02 + 1e-9


@pytest.mark.parametrize(("slope", "count"), [(0.01, -1), (0.01 + 5e-7, -1), (0.01 + 2e-6, 1)])
def test_rounding_does_not_decide_where_the_slope_is_the_tolerance(slope, count):
    # the tapered ring suits the height, the flat one is 20 mm too thick; whatever the azimuths of slope and mark
    azimuth, mark = np.meshgrid(np.linspace(0, 6, 40), np.linspace(0, 6.2, 40))
    tilt = {"tilt_east": slope * np.sin(azimuth.ravel()), "tilt_north": slope * np.cos(azimuth.ravel())}
    found = choose(0.0665, (flat(90), taper(50, 59)), mark=mark.ravel(), **tilt)
    assert set(found.count.tolist()) == {count}


# --- what is built


def test_only_what_is_built():
    found = choose([0.106, 0.106], (flat(50), taper(20, 40)), tilt_east=0.03)
    assert found.count.tolist() == [2, 2]
    built = only(found, np.array([False, True]))
    assert equal(take(built, [1]), take(found, [1]))
    blank = dict(arrays_of(take(built, [0])))
    assert (blank.pop("nearest")[0], blank.pop("joint")[0]) == (found.nearest[0], JOINT)
    for name, column in blank.items():
        assert (np.isnan(column) if column.dtype.kind == "f" else column == -1).all(), name
    assert {name: column.dtype for name, column in arrays_of(built)} == {
        name: column.dtype for name, column in arrays_of(found)
    }


# --- many


def test_a_hundred_thousand_heights_and_twelve_flat_rings():
    rng = np.random.default_rng(1)
    heights = rng.uniform(0.0, 0.6, 100_000)
    found = choose(heights, flats(*range(20, 140, 10)))
    # every height but those too thin and too tall is within reach of rings in steps of 10 mm, 6 mm off at most
    reach = (heights > 0.03) & (heights < 4 * 0.13 + 5 * JOINT)
    assert (found.count[reach] > 0).all()
    assert np.nanmax(np.abs(found.misfit)) <= 0.006 + 1e-6
    assert (found.count[heights > 0.557] == -1).all()


def random_demand(n):
    rng = np.random.default_rng(2)
    slope, azimuth = rng.uniform(0, 0.1, n), rng.uniform(0, 2 * np.pi, n)
    return ask(
        rng.uniform(-0.01, 0.4, n), tilt_east=slope * np.sin(azimuth), tilt_north=slope * np.cos(azimuth),
        mark=rng.uniform(0, 6, n), spare=rng.integers(0, 6, n), on_top=rng.random(n) < 0.4,
        bed=rng.uniform(0, 0.02, n), shift=rng.uniform(0, 0.03, n), extent=rng.uniform(0.8, 1.2, n),
    )  # fmt: skip


def test_structures_are_independent_of_order_company_and_block(monkeypatch):
    demand = random_demand(1500)
    rules, catalogue = rule_set(), Catalogue(ring=(*TAPERED, flat(75), taper(30, 48, outside=0.86)))
    found = choose_stacks(demand, rules, catalogue)
    assert set(np.isfinite(found.turn).sum(axis=1)) == {0, 1, 2}
    order = np.random.default_rng(3).permutation(1500)
    assert equal(take(found, order), choose_stacks(part_of(demand, order), rules, catalogue))
    for index in range(40):
        assert equal(take(found, [index]), choose_stacks(part_of(demand, [index]), rules, catalogue))
    for block in (1499, 64, 7):
        monkeypatch.setattr(stack, "BLOCK", block)
        assert equal(found, choose_stacks(demand, rules, catalogue))


@pytest.mark.parametrize(
    ("slope", "parts"), [(0.022, [0, 0]), (0.035, [0, 1]), (0.042, [0, 1]), (0.06, [1, 1]), (0.2, [-1, -1])]
)
def test_mortar_does_not_undo_a_taper(slope, parts):
    """A ring of 4.2 % suits the height, but not a road of 2.2 %: it would leave 2 %, past the tolerance of 1 %.

    On 3.5 % it leaves 0.7 %, on 4.2 % nothing; 6 % takes two of them, turned; 20 % is past both.
    """
    catalogue = (flat(50), taper(31, 31 + 0.042 * 900))
    found = choose(0.128, catalogue, tilt_north=slope, rules={"tolerance": 0.03, "max_rings": 2})
    assert found.parts[0, :2].tolist() == parts
