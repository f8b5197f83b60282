"""Target rim and raise: closed forms on planes and crowns, symmetry under rotation, dense twins."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geoadjust.core.columns import RIM_BASES, arrays_of
from geoadjust.core.paving import shifted, stated
from geoadjust.core.rim import directions, uphill_azimuth
from geoadjust.core.rules import RuleSet

GAP, SURVEYED, FLUSH, NONE = range(4)
SLOPES = st.floats(-0.15, 0.15)
ANGLES = st.floats(0.0, 2 * np.pi)
MM = 1e-3


def mm(values):
    return (1000 * np.atleast_1d(values)).tolist()


def near(expected, off=1e-9):
    return pytest.approx(expected, abs=off, rel=0, nan_ok=True)


# --- what the existing rim rests on


def test_order_of_the_bases():
    assert RIM_BASES == ("gap", "surveyed", "assumed_flush", "none")


@pytest.mark.parametrize(
    ("given", "basis", "rim"),
    [
        # the road is at 100 m; claimed_basis 1 = surveyed
        ({"claimed_basis": 1, "gap": -0.012, "rim": 100.02}, GAP, 99.988),  # measured on site beats surveyed
        ({"claimed_basis": 0, "gap": -0.012}, GAP, 99.988),
        ({"claimed_basis": 0, "gap": 0.0, "rim": 100.02}, GAP, 100.0),  # a gap of nothing is a measured gap
        ({"claimed_basis": 1, "rim": 100.02}, SURVEYED, 100.02),
        ({"claimed_basis": 1}, FLUSH, 100.0),  # nothing known
        ({"claimed_basis": 2, "rim": 100.02}, FLUSH, 100.0),  # the job says what the rims are worth: nothing
        ({"claimed_basis": 2, "gap": -0.012}, FLUSH, 100.0),
        (
            {"claimed_basis": 0, "rim": 100.02},
            FLUSH,
            100.0,
        ),  # gaps are claimed, this one is blank, rims are not claimed
    ],
)
def test_basis_and_its_fall_backs(make_structures, find, given, basis, rim):
    rims = find(make_structures(**given)).rims
    assert rims.rim_basis.tolist() == [basis]
    assert rims.existing_rim.tolist() == near([rim])
    assert rims.gap.tolist() == near([rim - 100.0])


@pytest.mark.parametrize(
    ("story", "rim"),
    [
        ("blank cell exported as zero", 0.0),
        ("filler", -9999.0),
        ("filler", 9999.0),
        ("lost decimal of 100.05", 10005.0),
        ("metres of a road in feet", 100.0 * 0.3048),
        ("feet of a road in metres", 100.0 / 0.3048),
        ("another vertical datum", 100.0 - 0.64),
        ("one tenth typed as one", 101.0),
    ],
)
def test_rim_that_cannot_be_is_not_believed(make_structures, find, story, rim):
    found = find(make_structures(rim=rim))
    assert found.rims.rim_basis.tolist() == [FLUSH], story
    assert found.rims.existing_rim.tolist() == near([100.0])
    value, limit = found.notes()["rim_disagrees"]
    assert value == near(1000 * (rim - 100.0), 1e-5)
    assert limit == near(100.0)
    assert "assumed_flush" in found.notes()


@pytest.mark.parametrize(
    ("off", "basis"), [(0.1 - 2e-6, SURVEYED), (0.1 + 2e-6, FLUSH), (-0.1 + 2e-6, SURVEYED), (-0.1 - 2e-6, FLUSH)]
)
def test_a_rim_is_believed_up_to_the_limit(make_structures, find, off, basis):
    found = find(make_structures(rim=100.0 + off))
    assert found.rims.rim_basis.tolist() == [basis]
    assert ("rim_disagrees" in found.notes()) == (basis == FLUSH)


def test_the_limit_is_the_owner_s(make_structures, find):
    wide = find(make_structures(rim=100.3), rules=RuleSet(max_rim_gap=0.5)).rims
    assert wide.rim_basis.tolist() == [SURVEYED]


def test_a_rim_is_judged_by_the_road_under_the_frame_not_by_the_ring(make_structures, make_roads, find):
    """On a 30 % crown the road along a 0.66 m frame lies 2 c R / pi = 63 mm below the apex."""
    crown = make_roads(fold=-0.6, slope_east=0.3, fold_azimuth=np.pi / 2)
    rims = find(make_structures(rim=100.05), crown).rims
    assert rims.existing.tolist() == near([100.0 - 2 * 0.3 * 0.33 / np.pi])
    assert rims.rim_basis.tolist() == [FLUSH]  # 113 mm above the road under the frame, 50 mm above the apex


def test_without_a_road_there_is_no_rim(make_structures, make_no_roads, find):
    found = find(
        make_structures(4, rim=[100.0, np.nan, np.nan, 0.0], gap=[np.nan, 0.01, np.nan, np.nan]), make_no_roads(4)
    )
    rims = found.rims
    assert np.isnan(rims.raise_).all()
    assert np.isnan(rims.target).all()
    assert np.isnan(found.millings.lower_by).all()
    assert rims.rim_basis[1:3].tolist() == [NONE, NONE]  # flush with a road that is not known, proud of it


# --- raise


@given(
    height=st.floats(-400, 4000), east=SLOPES, north=SLOPES, gap=st.floats(-0.1, 0.1),
    mill=st.floats(0, 0.2), overlay=st.floats(0, 0.2), frame=st.floats(0.1, 1.5),
)  # fmt: skip
@settings(max_examples=60, deadline=None)
def test_raise_of_a_measured_gap_is_overlay_less_mill_less_gap(
    make_structures, make_roads, find, height, east, north, gap, mill, overlay, frame
):
    structures = make_structures(gap=gap, mill=mill, overlay=overlay, frame_top_diameter=frame)
    rims = find(structures, make_roads(height=height, slope_east=east, slope_north=north)).rims
    assert rims.raise_.tolist() == near([overlay - mill - gap], 3e-12)
    assert rims.finished[0] - rims.existing[0] == near(overlay - mill, 3e-12)


@given(fold=st.floats(-0.1, 0.1), azimuth=ANGLES, offset=st.floats(-0.6, 0.6), gap=st.floats(-0.1, 0.1))
@settings(max_examples=40, deadline=None)
def test_the_same_on_a_folded_road(make_structures, make_roads, find, fold, azimuth, offset, gap):
    roads = make_roads(slope_east=0.02, fold=fold, fold_azimuth=azimuth, fold_offset=offset)
    rims = find(make_structures(gap=gap, mill=0.04, overlay=0.05), roads).rims
    assert rims.raise_.tolist() == near([0.01 - gap], 1e-12)


def test_blank_mill_and_overlay_count_as_none(make_structures, find, make_roads):
    assert stated(np.array([np.nan, 0.04, 0.0])).tolist() == [0.0, 0.04, 0.0]
    structures = make_structures(mill=np.nan, overlay=np.nan)
    found = find(structures, make_roads(), make_roads(), milled=make_roads())
    assert found.rims.raise_.tolist() == [0.0]
    assert found.millings.lower_by.tolist() == [0.0]


def test_raise_of_a_surveyed_rim_is_target_less_rim(make_structures, make_roads, find):
    design = make_roads(height=100.123, slope_east=0.03)
    rims = find(make_structures(rim=100.02), make_roads(slope_east=0.01), design).rims
    assert rims.raise_.tolist() == near([0.103])
    assert rims.target_slope_east.tolist() == near([0.03])
    assert rims.existing_slope_east.tolist() == near([0.01])


def test_a_gap_goes_with_the_existing_road_and_the_target_with_the_design(make_structures, make_roads, find):
    rims = find(make_structures(gap=-0.015), make_roads(height=100.0), make_roads(height=99.9)).rims
    assert rims.raise_.tolist() == near([-0.1 + 0.015])


def test_recess_lowers_the_target_and_the_gaps(make_structures, make_roads, find):
    structures, roads = make_structures(overlay=0.05), make_roads(slope_east=0.02)
    found = find(structures, roads, rules=RuleSet(recess=0.006))
    assert found.rims.raise_.tolist() == near([0.044])
    left = found.results  # nothing is known of the chimney: adjusted to the target
    for gap in (left.gap_max, left.gap_min, left.gap_mean, left.gap_along, left.gap_across):
        assert gap.tolist() == near([-0.006])


def test_shifted_roads_keep_all_but_their_height(make_roads):
    road = make_roads(2, fold=0.02, slope_east=0.01)
    moved = shifted(road, np.array([0.01, -0.04]))
    assert moved.height.tolist() == near([100.01, 99.96])
    others = [(a, b) for (name, a), (_, b) in zip(arrays_of(road), arrays_of(moved), strict=True) if name != "height"]
    assert all(np.array_equal(a, b) for a, b in others)


# --- grade and cross slope


@pytest.mark.parametrize(
    ("axis", "grade", "cross"),
    [
        # a road that rises 2 % east and falls 3 % north: plus = rises ahead, rises to the right
        (0.0, -0.03, 0.02),
        (90.0, 0.02, 0.03),  # heading east, the right hand is south, where it rises
        (180.0, 0.03, -0.02),
        (270.0, -0.02, -0.03),
        (-270.0, 0.02, 0.03),
        (450.0, 0.02, 0.03),
    ],
)
def test_signs_of_grade_and_cross_slope(make_structures, make_roads, find, axis, grade, cross):
    rims = find(make_structures(axis=np.radians(axis)), make_roads(slope_east=0.02, slope_north=-0.03)).rims
    assert rims.grade.tolist() == near([grade])
    assert rims.cross_slope.tolist() == near([cross])
    # 3.6056 %, 146.31 degrees: sqrt(13) / 100 and 180 - atan(2/3)
    assert rims.slope.tolist() == near([np.sqrt(13) / 100])
    assert np.degrees(rims.uphill).tolist() == near([180 - np.degrees(np.arctan(2 / 3))])


@pytest.mark.parametrize(
    ("east", "north", "azimuth"),
    [(0, 1, 0), (1, 0, 90), (0, -1, 180), (-1, 0, 270), (1, 1, 45), (-1, 1, 315), (0, 0, 0)],
)
def test_uphill_is_an_azimuth(east, north, azimuth):
    assert np.degrees(uphill_azimuth(np.array([[5.0, east, north]]))).tolist() == near([azimuth])


def test_mark_is_the_axis_or_uphill(make_structures, make_roads, find):
    structures = make_structures(2, axis=[np.radians(20.0), np.nan])
    found = find(structures, make_roads(2, slope_east=0.02))
    rims, left = found.rims, found.results
    assert np.degrees(rims.mark).tolist() == near([20.0, 90.0])
    for unknown in (rims.grade, rims.cross_slope, left.gap_along, left.gap_across, left.bar_along, left.bar_across):
        assert np.isnan(unknown[1])
    assert rims.slope.tolist() == near([0.02, 0.02])


@given(turn=ANGLES, axis=ANGLES, east=SLOPES, north=SLOPES, fold=st.floats(-0.1, 0.1), azimuth=ANGLES,
       offset=st.floats(-0.5, 0.5), rim=st.floats(99.91, 100.09))  # fmt: skip
@settings(max_examples=80, deadline=None)
def test_nothing_but_azimuths_changes_when_all_is_turned(
    make_structures, make_roads, find, turn, axis, east, north, fold, azimuth, offset, rim
):
    """Turning road and street together by any angle clockwise turns azimuths and slope vectors, nothing else."""
    structures = make_structures(2, axis=[axis, axis + turn], rim=rim, mill=0.03, overlay=0.05)
    c, s = np.cos(turn), np.sin(turn)
    roads = make_roads(
        2,
        slope_east=[east, c * east + s * north],
        slope_north=[north, -s * east + c * north],
        fold=fold,
        fold_azimuth=[azimuth, azimuth + turn],
        fold_offset=offset,
    )
    found = find(structures, roads)
    rims = found.rims
    turned = {"uphill", "mark"}
    for name, array in (*arrays_of(rims), *arrays_of(found.millings), *arrays_of(found.results)):
        if name not in turned and "slope_" not in name and not name.startswith("bar"):
            assert array[0] == near(array[1], 1e-11), name
    assert rims.cross_slope[0] == near(rims.cross_slope[1], 1e-12)
    assert rims.target_slope_east[1] == near(c * rims.target_slope_east[0] + s * rims.target_slope_north[0], 1e-12)
    if rims.slope[0] > 1e-6:
        off = rims.uphill[1] - rims.uphill[0] - turn
        assert np.cos(off) == near(1.0, 1e-9)


@given(axis=ANGLES, east=SLOPES, north=SLOPES)
@settings(max_examples=40, deadline=None)
def test_walking_back_turns_both_signs(make_structures, make_roads, find, axis, east, north):
    structures = make_structures(2, axis=[axis, axis + np.pi])
    rims = find(structures, make_roads(2, slope_east=east, slope_north=north)).rims
    assert rims.grade[0] == near(-rims.grade[1])
    assert rims.cross_slope[0] == near(-rims.cross_slope[1])
    assert rims.grade[0] ** 2 + rims.cross_slope[0] ** 2 == near(east**2 + north**2)


def test_a_road_seen_in_a_mirror_turns_the_cross_slope_alone(make_structures, make_roads, find):
    roads = make_roads(2, slope_east=[0.02, -0.02], slope_north=0.05)
    rims = find(make_structures(2, axis=0.0), roads).rims
    assert rims.grade.tolist() == near([0.05, 0.05])
    assert rims.cross_slope.tolist() == near([0.02, -0.02])


# --- the cover on a broken road


def crown(make_roads, side=0.02, **others):
    """z = 100 - side |e|: one plane rising to the apex, and a fold of -2 side along the north-south line."""
    return make_roads(slope_east=side, fold=-2 * side, fold_azimuth=np.pi / 2, **others)


def test_cover_on_a_crown(make_structures, make_roads, find):
    """z = -.02 |e|, R = 0.33: the mean of |R sin t| is 2 R / pi, so the target lies 4.20 mm below the apex."""
    found = find(make_structures(axis=0.0, frame_top_diameter=0.66), crown(make_roads))
    left = found.results
    assert mm(found.rims.target - 100.0) == near([-4.2017], 5e-5)
    assert found.rims.slope.tolist() == near([0.0], 1e-15)
    assert mm(left.gap_along) == near([-4.2017], 5e-5)  # along the crown line: LOW
    assert mm(left.gap_min) == near([-4.2017], 5e-5)
    assert mm(left.gap_across) == near([2.3983], 5e-5)  # at the sides: 6.6 mm below the apex, so PROUD
    assert mm(left.gap_max) == near([2.3983], 5e-5)
    assert mm(left.gap_mean) == near([0.0])


@pytest.mark.parametrize(("offset", "fold"), [(0.5, -0.04), (-0.5, -0.04), (0.33, 0.03), (-0.33, 0.03)])
def test_a_break_outside_the_frame_leaves_no_gaps(make_structures, make_roads, find, offset, fold):
    roads = make_roads(slope_east=0.02, fold=fold, fold_azimuth=1.0, fold_offset=offset)
    left = find(make_structures(), roads).results
    assert left.gap_max.tolist() == near([0.0])
    assert left.gap_min.tolist() == near([0.0])


def dense(roads, radius, k=7200):
    """Road heights on the frame's edge from the definition of the model, and the azimuths."""
    azimuth = np.arange(k) * (2 * np.pi / k)
    e, n = radius * np.sin(azimuth), radius * np.cos(azimuth)
    beyond = e * np.sin(roads.fold_azimuth[0]) + n * np.cos(roads.fold_azimuth[0]) - roads.fold_offset[0]
    flat = roads.height[0] + roads.slope_east[0] * e + roads.slope_north[0] * n
    return e, n, flat + roads.fold[0] * np.maximum(beyond, 0.0)


@given(east=SLOPES, north=SLOPES, fold=st.floats(-0.2, 0.2), azimuth=ANGLES, offset=st.floats(-0.6, 0.6),
       frame=st.floats(0.2, 1.2))  # fmt: skip
@settings(max_examples=60, deadline=None)
def test_target_is_the_least_squares_plane_on_the_edge(
    make_structures, make_roads, find, east, north, fold, azimuth, offset, frame
):
    roads = make_roads(slope_east=east, slope_north=north, fold=fold, fold_azimuth=azimuth, fold_offset=offset)
    found = find(make_structures(axis=0.3, frame_top_diameter=frame), roads)
    rims, left = found.rims, found.results
    e, n, z = dense(roads, frame / 2)
    (height, slope_east, slope_north), *_ = np.linalg.lstsq(np.stack([np.ones_like(e), e, n], axis=1), z, rcond=None)
    assert rims.target[0] == near(height, 1e-7)
    assert rims.target_slope_east[0] == near(slope_east, 1e-6)
    assert rims.target_slope_north[0] == near(slope_north, 1e-6)
    gaps = rims.target[0] + rims.target_slope_east[0] * e + rims.target_slope_north[0] * n - z
    # 7200 places miss an extreme at a kink by at most half a step of the steepest edge
    miss = (abs(east) + abs(north) + abs(fold)) * frame / 2 * np.pi / 7200 * 2 + 1e-9
    assert gaps.max() - 1e-9 <= left.gap_max[0] <= gaps.max() + miss
    assert gaps.min() - miss <= left.gap_min[0] <= gaps.min() + 1e-9
    assert left.gap_mean[0] == near(gaps.mean(), 1e-7)


@pytest.mark.parametrize(("azimuth", "farther"), [(0.0, 0), (np.pi, 1)])
def test_worse_end_is_the_one_farther_off(make_structures, make_roads, find, azimuth, farther):
    """A break 0.1 m ahead of the centre, or behind it: one end of the diameter along the axis is the worse one."""
    roads = make_roads(2, fold=-0.1, fold_azimuth=azimuth, fold_offset=0.1)
    found = find(make_structures(2, axis=[0.0, np.pi / 2], frame_top_diameter=0.66), roads)
    rims, left = found.rims, found.results
    e, n, z = dense(roads, 0.33)
    gaps = rims.target[0] + rims.target_slope_east[0] * e + rims.target_slope_north[0] * n - z
    ends = [gaps[0], gaps[3600]]  # north and south
    assert max(ends, key=abs) == ends[farther]
    assert abs(abs(ends[0]) - abs(ends[1])) > 1e-3  # so that the choice matters
    assert left.gap_along[0] == near(ends[farther])
    assert left.gap_across[0] == near(max([gaps[1800], gaps[5400]], key=abs))
    assert left.gap_across[1] == near(ends[farther])  # the street turned by a quarter: across is along


# --- the bar


def bars_of_plane(make_bars, height, east, north, first=0.0):
    azimuth = first + np.arange(8) * np.pi / 8
    return make_bars(height=height, slope=[east * np.sin(azimuth) + north * np.cos(azimuth)], first=first)


def test_bar_reference_sets_the_rim_to_the_bars(make_structures, make_roads, make_bars, find):
    bars = bars_of_plane(make_bars, 100.008, 0.03, -0.01, first=0.7)
    structures = make_structures(axis=0.7)
    laid = find(structures, make_roads(slope_east=0.02), bars=bars, rules=RuleSet(rim_reference="bar", recess=0.002))
    assert laid.rims.target.tolist() == near([100.006])
    assert laid.rims.target_slope_east.tolist() == near([0.03])
    assert laid.rims.target_slope_north.tolist() == near([-0.01])
    assert laid.results.bar_along.tolist() == near([-0.002])
    assert "bar_unreadable" not in laid.notes()
    adjacent = find(structures, make_roads(slope_east=0.02), bars=bars)
    assert adjacent.rims.target.tolist() == near([100.0])
    assert adjacent.results.bar_along.tolist() == near([-0.008])  # LOW against the bar


def test_bar_along_and_across_are_the_first_and_the_fifth(make_structures, make_roads, make_bars, find):
    bars = make_bars(height=[[100.0 + k * MM for k in range(8)]])
    left = find(make_structures(), make_roads(), bars=bars).results
    assert mm(left.bar_along) == near([0.0])
    assert mm(left.bar_across) == near([-4.0])


@pytest.mark.parametrize("missing", range(8))
def test_a_missing_bar_falls_back_to_the_adjacent_road(make_structures, make_roads, make_bars, find, missing):
    height = np.full((1, 8), 100.008)
    height[0, missing] = np.nan
    found = find(
        make_structures(), make_roads(), bars=make_bars(height=height, slope=0.0), rules=RuleSet(rim_reference="bar")
    )
    assert found.rims.target.tolist() == near([100.0])
    assert "bar_unreadable" in found.notes()


# --- outside the paving, and rectangles


def test_outside_the_paving_the_target_is_today_s_rim(make_structures, make_roads, find):
    """Whatever the design says there; its slope is today's road's."""
    structures = make_structures(3, paved=[0, -1, 1], rim=100.02)
    found = find(structures, make_roads(3, slope_east=0.01), make_roads(3, height=100.1, slope_east=0.03))
    assert found.rims.target.tolist() == near([100.02, 100.1, 100.1])
    assert found.rims.raise_.tolist() == near([0.0, 0.08, 0.08])
    assert found.rims.target_slope_east.tolist() == near([0.01, 0.03, 0.03])


def test_a_rectangle_reads_the_road_along_its_sides(make_structures, make_roads, find):
    """z = 100 - c |e| under W x L along the crown: the mean along the perimeter is -c W (W + 2 L) / (4 (W + L)).

    Turned by a quarter the sides change places. The two sides at W / 2 weigh L each, the mean over the other two is
    W / 4.
    """
    width, length, c = 0.4, 0.6, 0.02
    structures = make_structures(
        2, frame_top_diameter=width, frame_top_length=length, frame_azimuth=[0.0, np.pi / 2], axis=0.0
    )
    rims = find(structures, crown(make_roads, c, n=2)).rims

    def mean(w, q):
        return -c * (w / 2 * q + w / 4 * w) / (w + q)

    assert mean(width, length) == near(-c * width * (width + 2 * length) / (4 * (width + length)))
    assert (rims.target - 100.0).tolist() == near([mean(width, length), mean(length, width)])


def test_a_rectangle_lies_as_stated_else_along_the_street_else_north(make_structures):
    structures = make_structures(4, frame_azimuth=[1.0, np.nan, np.nan, 1.0], axis=[2.0, 2.0, np.nan, np.nan])
    assert directions(structures).tolist() == [1.0, 2.0, 0.0, 1.0]


def test_rows_do_not_touch_each_other(make_structures, make_roads, make_no_roads, find):
    """A row without a road beside one with a road."""
    both = replace(make_roads(2, slope_east=0.02), height=np.array([np.nan, 100.0]))
    alone = find(make_structures(1, rim=100.01), make_roads(1, slope_east=0.02)).rims
    beside = find(make_structures(2, rim=100.01), both).rims
    for (name, a), (_, b) in zip(arrays_of(alone), arrays_of(beside), strict=True):
        assert a[0].tobytes() == b[1].tobytes(), name
