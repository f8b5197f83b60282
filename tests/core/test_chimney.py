"""Chimney heights: fractions of an inch, explicit planes in space, dense twins, differences of known chimneys."""

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geoadjust.core.chimney import along_axis, farthest
from geoadjust.core.columns import BEARING_SOURCES, REFERENCES, arrays_of
from geoadjust.core.outline import Outlines
from geoadjust.core.rim import flange_edges
from geoadjust.core.rules import STANDS, RuleSet

SLOPES = st.floats(-0.15, 0.15)
ANGLES = st.floats(0.0, 2 * np.pi)
FREE = RuleSet(joint=0.0, max_measure_down=5.0)
HEIGHT, CHANGE = 0, 1
HAIR = 2e-6


def near(expected, off=1e-9):
    return pytest.approx(expected, abs=off, rel=0, nan_ok=True)


def perimeter(structures, k=3600):
    """Many places on the flange's outside, its corners among them: offsets east and north."""
    if np.isnan(structures.flange_length[0]):
        turn = np.arange(k) * (2 * np.pi / k)
        radius = structures.flange_diameter[0] / 2
        return radius * np.sin(turn), radius * np.cos(turn)
    w, q = structures.flange_diameter[0] / 2, structures.flange_length[0] / 2
    side = np.linspace(-1, 1, k // 4 + 1)
    one = np.ones_like(side)
    across = np.concatenate([w * side, w * one, w * side, -w * one])
    along = np.concatenate([q * one, q * side, -q * one, q * side])
    sin, cos = np.sin(structures.frame_azimuth[0]), np.cos(structures.frame_azimuth[0])
    return across * cos + along * sin, along * cos - across * sin


def flange_plane(found):
    """Underside of the flange as a plane in space: a point of it and its normal, from the rim's plane."""
    rims = found.rims
    normal = np.array([-rims.target_slope_east[0], -rims.target_slope_north[0], 1.0])
    normal /= np.linalg.norm(normal)
    return np.array([0, 0, rims.target[0]]) - found.structures.new_casting_height[0] * normal, normal


def bearing_plane(found):
    """The bearing as a plane in space."""
    structures = found.structures
    normal = np.array([-structures.bearing_slope_east[0], -structures.bearing_slope_north[0], 1.0])
    return np.array([0, 0, found.chimneys.bearing[0]]), normal / np.linalg.norm(normal)


def height_over(plane, e, n):
    """Height of a plane at offsets."""
    point, normal = plane
    return point[2] - (normal[0] * (e - point[0]) + normal[1] * (n - point[1])) / normal[2]


# --- heights and extremes


def test_measure_down_less_casting_in_fractions_of_an_inch(make_structures, find):
    """9 3/8 in - 7 3/4 in = 1 5/8 in on a level road without joints; common practice, no source."""
    inch = Fraction(254, 10000)
    down, casting = 9 + Fraction(3, 8), 7 + Fraction(3, 4)
    assert down - casting == 1 + Fraction(5, 8)
    structures = make_structures(
        measure_down=float(down * inch), measure_down_from=0, casting_height=float(casting * inch)
    )
    found = find(structures, rules=RuleSet(joint=0.0))
    c = found.chimneys
    for height in (c.height, c.height_min, c.height_max, *found.cuts.ordinates.T):
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


SIZES = st.one_of(
    st.fixed_dictionaries({"flange_diameter": st.floats(0.2, 1.5)}),
    st.fixed_dictionaries(
        {"flange_diameter": st.floats(0.2, 1.5), "flange_length": st.floats(0.2, 1.5), "frame_azimuth": ANGLES}
    ),
)
BEARINGS = st.tuples(st.floats(-0.1, 0.1), st.floats(-0.1, 0.1))


def sloping(slopes):
    """A known bearing of these slopes, deep enough."""
    return {"bearing": 99.4, "bearing_slope_east": slopes[0], "bearing_slope_north": slopes[1]}


@given(size=SIZES, road=st.tuples(SLOPES, SLOPES), bearing=BEARINGS, casting=st.floats(0.05, 0.3))
@settings(max_examples=80, deadline=None)
def test_heights_lie_between_two_planes_in_space(make_structures, make_roads, find, size, road, bearing, casting):
    """Vertical distance of flange and bearing at the centre and all round the flange, by brute force."""
    structures = make_structures(casting_height=casting, **sloping(bearing), **size)
    found = find(structures, make_roads(slope_east=road[0], slope_north=road[1]), rules=FREE)
    c, flange, bottom = found.chimneys, flange_plane(found), bearing_plane(found)
    e, n = perimeter(structures)
    heights = height_over(flange, e, n) - height_over(bottom, e, n)
    assert c.height[0] == near(height_over(flange, 0, 0) - height_over(bottom, 0, 0))
    assert c.height_max[0] == near(heights.max(), 1e-6)
    assert c.height_min[0] == near(heights.min(), 1e-6)
    swing = c.height_max[0] - c.height[0]
    if swing > 1e-3:
        reach = flange_edges(structures).distance(c.long_side[:, None])[0, 0]
        there = reach * np.sin(c.long_side[0]), reach * np.cos(c.long_side[0])
        assert height_over(flange, *there) - height_over(bottom, *there) == near(heights.max(), 1e-6)


@given(size=SIZES, bearing=BEARINGS)
@settings(max_examples=40, deadline=None)
def test_a_bed_levels_a_sloping_bearing(make_structures, make_roads, find, size, bearing):
    """Standing plumb: mortar up to the bearing's highest place under the flange. Square to it: none."""
    structures = make_structures(**sloping(bearing), **size)
    roads = make_roads(slope_east=0.02)
    plumb, square = (find(structures, roads, rules=RuleSet(stand=stand)) for stand in STANDS)
    e, n = perimeter(structures)
    assert plumb.chimneys.bed[0] == near((bearing[0] * e + bearing[1] * n).max(), 1e-6)
    assert square.chimneys.bed.tolist() == [0.0]
    assert (plumb.chimneys.tilt_east[0], plumb.chimneys.tilt_north[0]) == (near(0.02), near(0.0))
    assert square.chimneys.tilt_east[0] == near(0.02 - bearing[0])
    assert square.chimneys.tilt_north[0] == near(-bearing[1])


@given(road=st.tuples(SLOPES, SLOPES), bearing=BEARINGS)
@settings(max_examples=40, deadline=None)
def test_length_along_the_axis_of_a_chimney_square_to_its_bearing(make_structures, make_roads, find, road, bearing):
    """A ray from the bearing's centre along its normal, to where it meets the flange's plane."""
    rules = RuleSet(stand="square_to_bearing")
    structures = make_structures(**sloping(bearing))
    found = find(structures, make_roads(slope_east=road[0], slope_north=road[1]), rules=rules)
    (point, normal), (foot, axis) = flange_plane(found), bearing_plane(found)
    length = normal @ (point - foot) / (normal @ axis)
    assert (found.chimneys.height * along_axis(structures, found.chimneys, rules))[0] == near(length)
    assert along_axis(structures, found.chimneys, RuleSet()).tolist() == [1.0]  # plumb: the axis is vertical


@given(
    road=st.tuples(*[st.floats(-0.1, 0.1)] * 2), bearing=BEARINGS, stand=st.sampled_from(["plumb", "square_to_bearing"])
)
@settings(max_examples=60, deadline=None)
def test_foot_of_a_cover_that_keeps_its_place(make_structures, make_roads, find, road, bearing, stand):
    """Down the casting's axis from the rim's centre, then down the chimney's axis to the bearing.

    The product takes the chimney's height at the cover's centre; the lean of it under the casting's foot differs by
    its slope times the foot's shift and by the cosine of its lean.
    """
    structures = make_structures(**sloping(bearing))
    found = find(structures, make_roads(slope_east=road[0], slope_north=road[1]), rules=RuleSet(stand=stand))
    (top, _), (foot, normal) = flange_plane(found), bearing_plane(found)
    axis = normal if stand == "square_to_bearing" else np.array([0, 0, 1.0])
    meets = top - axis * (normal @ (top - foot)) / (normal @ axis)
    height, shift, b = found.chimneys.height[0], np.hypot(*top[:2]), np.hypot(*bearing)
    slack = b * (height * (np.hypot(*road) + b) * b + (np.hypot(*road) + b) * shift) + 1e-9
    assert found.chimneys.foot_shift[0] == near(np.hypot(*meets[:2]), slack)


def test_foot_shift_of_a_leaning_chimney_adds_up(make_structures, make_roads, find):
    """Road and bearing rise 4 % east: the casting of 200 mm and the chimney of 400 mm lean together, 24 mm."""
    steep = np.sqrt(1 + 0.04**2)
    structures = make_structures(bearing=100 - 0.2 * steep - 0.4, bearing_slope_east=0.04, bearing_slope_north=0.0)
    rules = RuleSet(stand="square_to_bearing", max_chimney=0.5)
    c = find(structures, make_roads(slope_east=0.04), rules=rules).chimneys
    assert c.foot_shift.tolist() == near([0.6 * 0.04 / steep])
    assert c.height_max.tolist() == near(c.height.tolist())  # parallel: the same all round
    plumb = find(structures, make_roads(slope_east=0.04)).chimneys
    assert plumb.foot_shift.tolist() == near([0.2 * 0.04 / steep])


def test_a_level_bearing_makes_no_difference(make_structures, make_roads, find):
    """Plumb on a level bearing and square to it are the same chimney."""
    roads = make_roads(slope_east=0.02, slope_north=-0.03)
    both = [find(make_structures(bearing=99.5), roads, rules=RuleSet(stand=s)) for s in STANDS]
    for (name, plumb), (_, square) in zip(*(arrays_of(found.chimneys) for found in both), strict=True):
        assert plumb.tolist() == near(square.tolist(), 1e-12), name


@pytest.mark.parametrize(
    ("east", "north", "degrees"),
    [(1, 0, 90), (0, -1, 180), (0.1, 1, 33.690), (-0.1, -1, 213.690), (0.5, -0.2, 146.310), (0, 0, 7.0)],
)
def test_the_farthest_point_of_a_rectangle(east, north, degrees):
    """400 x 600 mm, its length north: corners lie at atan(2 / 3) off it; a gradient square to a side: its middle."""
    box = Outlines(np.array([0.4]), np.array([0.6]), np.zeros(1))
    found = farthest(box, np.array([east]), np.array([north]), np.radians([7.0]))
    assert np.degrees(found).tolist() == near([degrees], 5e-4)


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
    found = find(make_structures(**given))
    c = found.chimneys
    assert c.bearing_source.tolist() == [source]
    assert c.bearing.tolist() == near([bearing])
    assert found.cuts.basis.tolist() == [HEIGHT if source >= 0 else CHANGE]
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


def test_a_chimney_under_a_riser_is_not_what_the_rim_stands_on(make_structures, find):
    """With a riser on the frame today's rim is no casting's height above the flange; a bearing of its own still is."""
    structures = make_structures(3, riser_present=[1, 0, 1], existing_chimney=0.1, bearing=[np.nan, np.nan, 99.5])
    c = find(structures).chimneys
    assert c.bearing.tolist() == near([np.nan, 99.7, 99.5])
    assert c.bearing_source.tolist() == [-1, 2, 0]


def test_a_bearing_without_a_rim_is_believed_by_the_target(make_structures, make_roads, make_no_roads, find):
    """Today's road is unknown, the design is not: 1.2 m below the target is the limit, and there is no change."""
    design = make_roads(4, height=100.1)
    structures = make_structures(4, bearing=[98.9 + HAIR, 98.9 - HAIR, 100.1, 100.1 + HAIR])
    c = find(structures, make_no_roads(4), design).chimneys
    assert c.bearing_source.tolist() == [0, -1, 0, -1]
    assert c.height[0] == near(1.2 - HAIR - 0.2)
    assert np.isnan(c.change).all()


def test_a_floating_casting_has_no_chimney(make_structures, find):
    structures = make_structures(2, floating=[True, False], bearing=99.5, overlay=0.05)
    found = find(structures)
    for name in ("height", "height_min", "height_max", "change", "change_min", "change_max"):
        assert np.isfinite(getattr(found.chimneys, name)).tolist() == [False, True], name
    assert found.cuts.basis.tolist() == [-1, HEIGHT]


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
    before = find(make_structures(bearing=99.2, casting_height=h0, **common), before_road, before_road, rules=FREE)
    # the finished road of "before" is flush with the road, the old casting is not: add its gap
    heights_before = before.cuts.ordinates + gap
    castings = {"casting_height": h0, "new_casting_height": h1, "recast": True}
    after = find(make_structures(bearing=99.2, **castings, **common), before_road, after_road, rules=FREE)
    change = find(make_structures(**castings, **common), before_road, after_road, rules=FREE)
    assert [found.cuts.basis[0] for found in (before, after, change)] == [HEIGHT, HEIGHT, CHANGE]
    assert change.cuts.ordinates[0].tolist() == near((after.cuts.ordinates - heights_before)[0].tolist())
    added = change.chimneys
    assert added.change[0] == near(after.chimneys.height[0] - before.chimneys.height[0] - gap)
    assert after.chimneys.change[0] == near(added.change[0], 1e-12)  # known bearing or not
    azimuth = np.arange(3600) * (2 * np.pi / 3600)
    e, n = radius * np.sin(azimuth), radius * np.cos(azimuth)
    dense = added.change[0] + (new[0] - old[0]) * e + (new[1] - old[1]) * n
    assert added.change_max[0] == near(dense.max(), 1e-6)
    assert added.change_min[0] == near(dense.min(), 1e-6)
    assert (added.change_east[0], added.change_north[0]) == (near(new[0] - old[0]), near(new[1] - old[1]))


def test_change_under_a_rectangle_is_worst_at_its_corner(make_structures, make_roads, find):
    """The road turns by 2 % east and 1 % north under 600 x 900 mm: 0.3 x 0.02 + 0.45 x 0.01 = 10.5 mm."""
    structures = make_structures(flange_diameter=0.6, flange_length=0.9, frame_azimuth=0.0, casting_height=0.0)
    c = find(structures, make_roads(), make_roads(height=100.05, slope_east=0.02, slope_north=0.01)).chimneys
    assert c.change.tolist() == near([0.05])
    assert c.change_max.tolist() == near([0.0605])
    assert c.change_min.tolist() == near([0.0395])
    assert np.degrees(c.long_side).tolist() == near([np.degrees(np.arctan2(0.3, 0.45))])


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
    found = find(make_structures(**known, recast=True))
    assert np.isnan(found.chimneys.change[0])
    assert np.isnan(found.chimneys.long_side[0])
    assert found.cuts.basis.tolist() == [-1]
    assert np.isnan(found.cuts.ordinates).all()


def test_without_a_road_everything_is_unknown(make_structures, make_no_roads, find):
    found = find(make_structures(bearing=99.5, existing_chimney=0.1), make_no_roads())
    assert found.cuts.basis.tolist() == [-1]
    assert found.chimneys.bed.tolist() == [0.0]  # of the bearing alone
    for name, array in arrays_of(found.chimneys):
        if array.dtype.kind == "f" and name != "bed":
            assert np.isnan(array).all(), name
