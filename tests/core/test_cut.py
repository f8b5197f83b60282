"""Cuts: published cylinders and mitres, stations by the plane's equation, pieces built as solids in space."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad

from geoadjust.core.columns import METHODS
from geoadjust.core.cut import unrolled
from geoadjust.core.parts import Catalogue, LinerPart
from geoadjust.core.rules import CUT_STYLES, RuleSet

ANGLES = st.floats(0.0, 2 * np.pi)
SLOPES = st.floats(-0.1, 0.1)
FREE = RuleSet(joint=0.0)
HEIGHT, CHANGE = 0, 1
LINER = Catalogue(liner=(LinerPart("L", outside_diameter=0.76, inside_diameter=0.66, height=0.45),))
# A flange that the liner carries: 610 to 900 mm wide, nothing hangs below it; a bearing as wide as the flange.
UNDER = {
    "flange_inside_diameter": 0.61, "ridge_diameter": 0.0, "bearing_outside_diameter": 0.9,
    "bearing_inside_diameter": 0.61,
}  # fmt: skip


def near(expected, off=1e-9):
    return pytest.approx(expected, abs=off, rel=0, nan_ok=True)


def cylinder(make_structures, make_roads, find, radius, centre, slope, uphill=0.0, rules=FREE, **fields):
    """A chimney of this height under a casting of no height, so that H(t) is the cylinder cut by the road's plane."""
    roads = make_roads(slope_east=slope * np.sin(uphill), slope_north=slope * np.cos(uphill))
    structures = make_structures(casting_height=0.0, flange_diameter=2 * radius, bearing=100.0 - centre, **fields)
    return find(structures, roads, rules=replace(rules, max_measure_down=20.0))


# --- published cylinders


def test_published_truncated_cylinder(make_structures, make_roads, find):
    """r = 5, h1 = 8, h2 = 12: V = 250 pi = 785.398, lateral area 100 pi = 314.159, cut ellipse 84.590.

    Source: calculatorlib.com/truncated-cylinder-volume-calculator.
    """
    found = cylinder(make_structures, make_roads, find, radius=5.0, centre=10.0, slope=0.4)
    c = found.chimneys
    assert (c.height_min[0], c.height_max[0]) == (near(8.0), near(12.0))

    def height(t, r=5.0):
        return unrolled(c.height, np.array([r]), np.array([0.4]), c.long_side, np.array([[t * r]]))[0, 0]

    lateral = quad(lambda t: 5.0 * height(t), 0, 2 * np.pi)[0]
    assert lateral == near(314.159, 5e-4)
    # 16 evenly spaced stations integrate a sine exactly
    assert 2 * np.pi * 5.0 * found.cuts.ordinates[0].mean() == near(100 * np.pi)
    volume = quad(lambda r: quad(lambda t: r * height(t, r), 0, 2 * np.pi)[0], 0, 5)[0]
    assert volume == near(785.398, 5e-4)
    assert np.pi * 25 * np.sqrt(1 + 0.4**2) == near(84.590, 5e-4)


@pytest.mark.parametrize(
    ("diameter", "degrees", "published", "exact"),
    [
        # pipingengineer.org/formula-for-miter-fabrication-from-pipe: 90 degrees in 4 cuts, 90 / (2 x 4) each side
        (0.273, 11.25, 27.15, 27.1515),
        # fitterkipurijankari.com/2020/07/29/miter-bend-formula: 90 degrees in 3 cuts
        (0.168, 15.0, 22.50, 22.5077),
    ],
)
def test_published_mitre_cutbacks(make_structures, make_roads, find, diameter, degrees, published, exact):
    slope = np.tan(np.radians(degrees))
    found = cylinder(make_structures, make_roads, find, radius=diameter / 2, centre=0.5, slope=slope, uphill=np.pi / 2)
    c = found.chimneys
    assert 1000 * (c.height_max[0] - c.height[0]) == near(published, 0.01)
    assert 1000 * (c.height_max[0] - c.height[0]) == near(exact, 1e-4)
    assert 1000 * (c.height[0] - c.height_min[0]) == near(exact, 1e-4)
    along = np.array([[np.pi * diameter / 4]])  # a quarter of the way round: uphill
    line = unrolled(np.zeros(1), found.cuts.radius, np.array([slope]), np.array([np.pi / 2]), along)
    assert 1000 * line[0, 0] == near(exact, 1e-4)


@given(st.floats(0.0, 6.28), st.floats(0.05, 3.0))
@settings(deadline=None)
def test_cut_at_45_degrees_unrolls_to_a_sine(x, r):
    """t = r sin(x / r): Apostol, Mnatsakanian, Unwrapping Curves from Cylinders and Cones, Am. Math. Monthly 2007."""
    line = unrolled(np.zeros(1), np.array([r]), np.ones(1), np.array([np.pi / 2]), np.array([[x * r]]))
    assert line[0, 0] == near(r * np.sin(x))


@given(slope=st.floats(0.0, 0.2), uphill=ANGLES, axis=ANGLES, radius=st.floats(0.1, 1.0))
@settings(max_examples=60, deadline=None)
def test_extremes_are_those_of_the_whole_edge_not_of_the_stations(
    make_structures, make_roads, find, slope, uphill, axis, radius
):
    found = cylinder(make_structures, make_roads, find, radius, 0.4, slope, uphill, axis=axis)
    c, ordinates = found.chimneys, found.cuts.ordinates
    azimuth = np.arange(36_000) * (2 * np.pi / 36_000)
    e, n = radius * np.sin(azimuth), radius * np.cos(azimuth)
    edge = 100.0 + slope * (np.sin(uphill) * e + np.cos(uphill) * n) - 99.6
    assert c.height_max[0] == near(edge.max(), 1e-8)
    assert c.height_min[0] == near(edge.min(), 1e-8)
    swing = radius * slope
    assert ordinates.max() <= c.height_max[0] + 1e-12
    # a station lies at most 11.25 degrees off the long side: 1 - cos(11.25) = 1.92 % of the swing is missed
    assert c.height_max[0] - ordinates.max() <= 0.0193 * swing + 1e-12


def test_sixteen_stations_can_miss_two_per_cent(make_structures, make_roads, find):
    found = cylinder(make_structures, make_roads, find, 0.5, 0.4, 0.1, uphill=np.pi / 16, axis=0.0)
    missed = (found.chimneys.height_max[0] - found.cuts.ordinates.max()) / 0.05
    assert missed == near(1 - np.cos(np.radians(11.25)), 1e-9)
    assert missed == near(0.0192, 5e-5)


def test_stations_run_clockwise_from_the_mark(make_structures, make_roads, find):
    # rises east, the mark north
    found = cylinder(make_structures, make_roads, find, 0.5, 0.4, 0.1, uphill=np.pi / 2, axis=0.0)
    expected = [0.4 + 0.05 * np.sin(k * np.pi / 8) for k in range(16)]
    assert found.cuts.ordinates[0].tolist() == near(expected)
    assert found.cuts.ordinates[0].argmax() == 4  # a quarter turn clockwise seen from above


def test_without_an_axis_the_first_station_is_the_long_side(make_structures, make_roads, find):
    found = cylinder(make_structures, make_roads, find, 0.5, 0.4, 0.1, uphill=2.0, axis=np.nan)
    assert found.cuts.ordinates[0, 0] == near(found.chimneys.height_max[0])
    assert found.cuts.ordinates[0, 8] == near(found.chimneys.height_min[0])


def test_ordinates_are_the_cut_part_without_its_two_joints(make_structures, make_roads, find):
    rules = RuleSet(joint=0.006, rough_cut_allowance=0.115)
    found = cylinder(make_structures, make_roads, find, 0.45, 0.25, 0.04, rules=rules)
    assert found.chimneys.height.tolist() == near([0.25])
    assert found.cuts.ordinates[0, 0] == near(0.25 + 0.018 - 0.012)
    assert found.cuts.rough_cut.tolist() == near([0.25 + 0.018 - 0.012 + 0.115])


def test_radius_is_half_the_flange(make_structures, make_roads, find):
    sizes = {"frame_top_diameter": 0.6, "old_flange_diameter": 1.2}
    found = cylinder(make_structures, make_roads, find, 0.45, 0.25, 0.04, **sizes)
    assert found.cuts.radius.tolist() == near([0.45])
    assert found.cuts.wrap.tolist() == near([0.45])
    assert found.cuts.count.tolist() == [16]
    assert (found.chimneys.height_max - found.chimneys.height_min).tolist() == near([0.036])


def test_what_the_ordinates_are(make_structures, make_roads, find):
    """Heights where the bearing is known, the change where it is not, nothing where neither is."""
    some = {"new_casting_height": [0.2, 0.15, np.nan], "recast": [False, True, True]}
    structures = make_structures(3, bearing=[99.5, np.nan, np.nan], overlay=0.05, axis=1.0, **some)
    cuts = find(structures, make_roads(3)).cuts
    assert cuts.basis.tolist() == [HEIGHT, CHANGE, -1]
    assert cuts.count.tolist() == [16, 16, 0]
    assert cuts.ordinates[1].tolist() == near([0.1] * 16)  # no joints are taken off a change
    assert np.isnan(cuts.ordinates[2]).all()
    assert np.isfinite(cuts.rough_cut).tolist() == [True, False, False]
    assert cuts.first.tolist() == [1.0, 1.0, 1.0]


# --- rectangles


@given(
    width=st.floats(0.2, 1.2), length=st.floats(0.2, 1.2), azimuth=ANGLES, slopes=st.tuples(SLOPES, SLOPES),
    known=st.booleans(),
)  # fmt: skip
@settings(max_examples=60, deadline=None)
def test_eight_stations_of_a_rectangle(make_structures, make_roads, find, width, length, azimuth, slopes, known):
    """Mid-sides and corners clockwise from the length's end: height there = centre + gE e + gN n."""
    structures = make_structures(
        bearing=99.4 if known else np.nan, casting_height=0.0, flange_diameter=width, flange_length=length,
        frame_azimuth=azimuth, axis=0.3,
    )  # fmt: skip
    design = make_roads(height=100.02, slope_east=slopes[0], slope_north=slopes[1])
    found = find(structures, make_roads(), design, rules=RuleSet(max_measure_down=5.0, max_chimney=2.0))
    cuts = found.cuts
    w, q = width / 2, length / 2
    places = [(0, q), (w, q), (w, 0), (w, -q), (0, -q), (-w, -q), (-w, 0), (-w, q)]  # right of the length, along it
    sin, cos = np.sin(azimuth), np.cos(azimuth)
    centre = 0.62 - 0.012 if known else 0.02
    expected = [centre + slopes[0] * (x * cos + y * sin) + slopes[1] * (y * cos - x * sin) for x, y in places]
    assert cuts.count.tolist() == [8]
    assert cuts.ordinates[0, :8].tolist() == near(expected)
    assert np.isnan(cuts.ordinates[0, 8:]).all()
    assert cuts.first.tolist() == [azimuth]
    assert np.isnan(cuts.radius[0])
    assert np.isnan(cuts.wrap[0])
    if known:  # a plane is highest at a corner, and every corner is a station
        assert cuts.rough_cut.tolist() == near([max(expected) + 0.115])


# --- on a sloping bearing


@given(road=st.tuples(SLOPES, SLOPES), bearing=st.tuples(SLOPES, SLOPES), axis=ANGLES)
@settings(max_examples=60, deadline=None)
def test_a_plumb_piece_on_its_bed_fills_what_is_left(make_structures, make_roads, find, road, bearing, axis):
    """Built from below: bearing, bed up to its highest place, joint, piece, joint: the flange's underside."""
    structures = make_structures(
        bearing=99.4, bearing_slope_east=bearing[0], bearing_slope_north=bearing[1], axis=axis, flange_diameter=0.9
    )
    found = find(structures, make_roads(slope_east=road[0], slope_north=road[1]))
    azimuth = axis + np.arange(16) * np.pi / 8
    e, n = 0.45 * np.sin(azimuth), 0.45 * np.cos(azimuth)
    bed_top = 99.4 + 0.45 * np.hypot(*bearing)
    flange = 100 - 0.2 * np.sqrt(1 + road[0] ** 2 + road[1] ** 2) + road[0] * e + road[1] * n
    assert found.cuts.ordinates[0].tolist() == near((flange - bed_top - 0.012).tolist())


@given(road=st.tuples(SLOPES, SLOPES), bearing=st.tuples(SLOPES, SLOPES), axis=ANGLES)
@settings(max_examples=80, deadline=None)
def test_a_piece_square_to_its_bearing_as_a_solid(make_structures, make_roads, find, road, bearing, axis):
    """A cylinder stands square on the bearing; rays up its wall are met with the flange's plane, in space.

    The product lays the stations out in plan; on the bearing they lie nearer by the cosine of its slope, so that the
    swing R |g - b| is right to second order of the bearing's slope.
    """
    structures = make_structures(
        bearing=99.4, bearing_slope_east=bearing[0], bearing_slope_north=bearing[1], axis=axis, flange_diameter=0.9
    )
    rules = RuleSet(stand="square_to_bearing", max_chimney=1.0)
    found = find(structures, make_roads(slope_east=road[0], slope_north=road[1]), rules=rules)
    flange = np.array([-road[0], -road[1], 1.0]) / np.sqrt(1 + road[0] ** 2 + road[1] ** 2)
    through = np.array([0, 0, 100.0]) - 0.2 * flange
    up = np.array([-bearing[0], -bearing[1], 1.0]) / np.sqrt(1 + bearing[0] ** 2 + bearing[1] ** 2)
    lengths = []
    for azimuth in axis + np.arange(16) * np.pi / 8:
        e, n = np.sin(azimuth), np.cos(azimuth)
        wall = np.array([e, n, bearing[0] * e + bearing[1] * n])
        foot = np.array([0, 0, 99.4]) + 0.45 * wall / np.linalg.norm(wall)
        lengths.append(flange @ (through - foot) / (flange @ up))
    b, swing = np.hypot(*bearing), 0.45 * np.hypot(road[0] - bearing[0], road[1] - bearing[1])
    off = np.abs(found.cuts.ordinates[0] + 0.012 - lengths)
    assert off.max() <= swing * b**2 + 1e-9
    assert np.mean(lengths) - 0.012 == near(found.cuts.ordinates[0].mean())  # on the axis it is exact


def test_square_to_a_bearing_like_the_road_all_stations_are_equal(make_structures, make_roads, find):
    """Bearing and road rise 6 and 8 % alike: the piece is a right cylinder, H / sqrt(1.01) long less two joints."""
    steep = np.sqrt(1.01)
    structures = make_structures(bearing=100 - 0.2 * steep - 0.3, bearing_slope_east=0.06, bearing_slope_north=0.08)
    rules = RuleSet(stand="square_to_bearing", max_chimney=0.5)
    cuts = find(structures, make_roads(slope_east=0.06, slope_north=0.08), rules=rules).cuts
    assert cuts.ordinates[0].tolist() == near([0.3 / steep - 0.012] * 16)
    assert cuts.rough_cut.tolist() == near([0.3 / steep - 0.012 + 0.115])


# --- liners


def lined(make_structures, make_roads, find, rules, slope=0.04, uphill=0.7, **fields):
    roads = make_roads(slope_east=slope * np.sin(uphill), slope_north=slope * np.cos(uphill))
    structures = make_structures(bearing=99.55, axis=0.2, **{**UNDER, **fields})
    found = find(structures, roads, rules=replace(rules, methods=("liner",)), catalogue=LINER)
    assert METHODS[found.verdicts.method[0]] == "liner"
    return found


@pytest.mark.parametrize("style", CUT_STYLES)
def test_a_liner_touches_the_flange_and_nowhere_cuts_into_it(make_structures, make_roads, find, style):
    """The sawn wall as a solid: level across the wall, or in the flange's plane, over all radii of the wall."""
    found = lined(make_structures, make_roads, find, RuleSet(cut_style=style))
    cuts = found.cuts
    azimuth = 0.2 + np.arange(16) * np.pi / 8
    middle = 100 - 0.2 * np.sqrt(1 + 0.04**2) - 99.55 - 0.012  # of the flange's plane over the joint on the bearing

    def flange(radius, t):
        return middle + 0.04 * radius * np.cos(t - 0.7)

    if style == "in_plane":
        assert cuts.radius.tolist() == near([0.38])
        assert cuts.ordinates[0].tolist() == near(flange(0.38, azimuth).tolist())
    else:
        # the sine through the stations, at 3600 places
        swing = 2 * np.mean(cuts.ordinates[0] * np.exp(1j * azimuth))
        t = np.arange(3600) * (2 * np.pi / 3600)
        face = cuts.ordinates[0].mean() + (swing.conjugate() * np.exp(1j * t)).real
        over = [(face - flange(radius, t)).max() for radius in np.linspace(0.33, 0.38, 11)]
        assert max(over) == near(0.0, 1e-6)  # it touches
        assert cuts.radius.tolist() == near([0.355])
        # inside at uphill, outside at downhill
        assert over[0] == near(0.0, 1e-6)
        assert over[-1] == near(0.0, 1e-6)
    assert cuts.wrap.tolist() == near([0.38])
    assert cuts.rough_cut[0] == near(cuts.ordinates[0].mean() + 0.04 * cuts.radius[0] + 0.115)


def test_the_short_side_is_the_same_in_both_styles(make_structures, make_roads, find):
    cuts = [lined(make_structures, make_roads, find, RuleSet(cut_style=style), uphill=0.2).cuts for style in CUT_STYLES]
    assert cuts[0].ordinates[0, 8] == near(cuts[1].ordinates[0, 8])
    # on the long side the saw goes down by the wall's width times the slope
    assert cuts[1].ordinates[0, 0] - cuts[0].ordinates[0, 0] == near(0.05 * 0.04)


def test_without_a_liner_the_flange_s_outside_is_given(make_structures, make_roads, find):
    """The same chimney, its liner not in use: adjusted, stations on the flange."""
    structures = make_structures(bearing=99.55, **UNDER)
    found = find(structures, make_roads(slope_east=0.04), rules=RuleSet(methods=("keep",)), catalogue=LINER)
    assert METHODS[found.verdicts.method[0]] == "adjust"
    assert found.cuts.radius.tolist() == near([0.45])
    assert found.cuts.wrap.tolist() == near([0.45])
