"""The cover as each method leaves it: its plane by formula, what remains against the finished road by dense twins."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geoadjust.core.columns import METHODS, Pavings
from geoadjust.core.parts import Catalogue, LinerPart, RingPart, RiserPart
from geoadjust.core.result import measure_result, planned_plane, riser_lift
from geoadjust.core.rim import Roads, existing_plane, target_plane
from geoadjust.core.rules import RuleSet

SLOPES = st.floats(-0.1, 0.1)
ANGLES = st.floats(0.0, 2 * np.pi)
PARTS = Catalogue(
    ring=(RingPart("R100", 0.1),),
    riser=(RiserPart("U38", 0.038), RiserPart("U50", 0.05)),
    liner=(LinerPart("L", outside_diameter=0.76, inside_diameter=0.66),),
)
UNDER = {
    "flange_inside_diameter": 0.61, "ridge_diameter": 0.0, "bearing_outside_diameter": 0.9,
    "bearing_inside_diameter": 0.61,
}  # fmt: skip


def near(expected, off=1e-9):
    return pytest.approx(expected, abs=off, rel=0, nan_ok=True)


def planned(found):
    return [float(getattr(found.results, name)[0]) for name in ("height", "slope_east", "slope_north")]


def method_of(found):
    return METHODS[found.verdicts.method[0]]


def rim_edge(radius=0.33, k=7200):
    turn = np.arange(k) * (2 * np.pi / k)
    return radius * np.sin(turn), radius * np.cos(turn)


def gaps_of(plane, road, e, n, row=0):
    """Plane less road, both from their definitions."""
    beyond = e * np.sin(road.fold_azimuth[row]) + n * np.cos(road.fold_azimuth[row]) - road.fold_offset[row]
    flat = road.height[row] + road.slope_east[row] * e + road.slope_north[row] * n
    return plane[0] + plane[1] * e + plane[2] * n - flat - road.fold[row] * np.maximum(beyond, 0.0)


# --- the plane that each method leaves


def test_keep_leaves_today_s_rim(make_structures, make_roads, find):
    """4 mm LOW, tilted by today's road, which turned by 0.5 %: 1.65 mm more or less at the edge of 660 mm."""
    design = make_roads(height=100.0, slope_east=0.025)
    found = find(make_structures(gap=-0.004), make_roads(slope_east=0.02), design)
    assert method_of(found) == "keep"
    assert planned(found) == near([99.996, 0.02, 0.0])
    left = found.results
    assert left.gap_mean.tolist() == near([-0.004])
    assert left.gap_min.tolist() == near([-0.004 - 0.00165])
    assert left.gap_max.tolist() == near([-0.004 + 0.00165])


def test_a_riser_leaves_today_s_tilt(make_structures, make_roads, find):
    """38 mm on a frame of 6 and 8 %: 38 sqrt(1.01) mm higher at the centre; 40 mm are asked for."""
    roads = make_roads(slope_east=0.06, slope_north=0.08)
    found = find(make_structures(overlay=0.04), roads, catalogue=PARTS, rules=RuleSet(methods=("riser",)))
    assert method_of(found) == "riser"
    assert planned(found) == near([100 + 0.038 * np.sqrt(1.01), 0.06, 0.08])
    assert found.results.gap_mean.tolist() == near([0.038 * np.sqrt(1.01) - 0.04])
    assert found.results.gap_max.tolist() == near(found.results.gap_min.tolist())


def test_a_riser_on_a_turned_road(make_structures, make_roads, find):
    """The tilt stays today's, so the road's turn of 0.5 % is left all round."""
    design = make_roads(height=100.038, slope_east=0.005)
    found = find(make_structures(), make_roads(), design, catalogue=PARTS)
    assert method_of(found) == "riser"
    assert planned(found) == near([100.038, 0.0, 0.0])
    assert found.results.gap_max.tolist() == near([0.33 * 0.005])
    assert found.results.gap_min.tolist() == near([-0.33 * 0.005])


def test_rings_leave_their_misfit(make_structures, make_roads, find):
    """A ring of 100 mm, two joints of 6 mm, for a chimney of 114 mm: 2 mm LOW all round."""
    found = find(make_structures(bearing=99.686), catalogue=PARTS)
    assert method_of(found) == "rings"
    assert planned(found) == near([99.998, 0.0, 0.0])
    for name in ("gap_mean", "gap_max", "gap_min", "gap_along", "gap_across"):
        assert getattr(found.results, name).tolist() == near([-0.002]), name


def test_rings_leave_the_slope_that_bedding_does_not_take(make_structures, make_roads, find):
    """3 % under 900 mm: the wedge of 20 mm takes 20 / 900, the rest stays: 0.778 % less than the road.

    Half the wedge lifts the flange: 100 + 12 + 10 mm.
    """
    steep = np.sqrt(1 + 0.03**2)
    structures = make_structures(bearing=100 - 0.2 * steep - 0.122)
    found = find(structures, make_roads(slope_north=0.03), catalogue=PARTS)
    assert method_of(found) == "rings"
    made = 0.02 / 0.9
    assert planned(found) == near([100.0, 0.0, made])
    assert found.results.gap_max.tolist() == near([0.33 * (0.03 - made)])
    assert np.abs(found.results.gap_along).tolist() == near([0.33 * (0.03 - made)])  # the street runs north
    assert found.results.gap_across.tolist() == near([0.0])


@pytest.mark.parametrize(
    ("method", "fields"),
    [
        ("adjust", {"overlay": 0.1}),
        ("rebuild", {"overlay": 0.4}),
        ("liner", {"bearing": 99.6, **UNDER}),
        ("float", {"overlay": 0.1, "floating": True}),
        ("extend", {"overlay": 0.1, "kind": 2, "travel": 0.2}),
        ("replace_top", {"overlay": 0.1, "kind": 2, "travel": 0.05}),
    ],
)
def test_all_that_is_made_to_measure_meets_the_target(make_structures, make_roads, find, method, fields):
    rules = RuleSet(recess=0.003, methods=("liner",))
    found = find(make_structures(**fields), make_roads(slope_east=0.02), catalogue=PARTS, rules=rules)
    assert method_of(found) == method
    assert planned(found) == near([100.0 + fields.get("overlay", 0.0) - 0.003, 0.02, 0.0])
    assert found.results.gap_mean.tolist() == near([-0.003])


def test_outside_the_paving_it_stays(make_structures, make_roads, find):
    roads = make_roads(slope_east=0.02)
    found = find(make_structures(paved=0, rim=100.01, mill=0.0), roads)
    assert method_of(found) == "not_paved"
    assert planned(found) == near([100.01, 0.02, 0.0])
    assert found.results.gap_mean.tolist() == near([0.01])


@pytest.mark.parametrize("method", METHODS)
def test_which_plane_is_which_method_s(make_structures, make_roads, find, method):
    """Rims and stacks that differ in all three figures, so that none can be taken for another."""
    design = make_roads(height=100.05, slope_east=0.03, slope_north=-0.02)
    found = find(make_structures(gap=0.01), make_roads(slope_east=0.06, slope_north=0.08), design)
    some = {"misfit": 0.004, "left_east": 0.001, "left_north": -0.002}
    stacks = replace(found.stacks, **{name: np.array([value]) for name, value in some.items()})
    chosen, riser = np.array([METHODS.index(method)], dtype=np.int8), np.array([1], dtype=np.int16)
    plane = planned_plane(found.rims, stacks, chosen, riser, PARTS)[0].tolist()
    today, target = [100.01, 0.06, 0.08], [100.05, 0.03, -0.02]
    expected = {
        "keep": today,
        "not_paved": today,
        "riser": [100.01 + 0.05 * np.sqrt(1.01), 0.06, 0.08],
        "rings": [100.054, 0.029, -0.018],
    }
    assert plane == near(expected.get(method, target))
    assert existing_plane(found.rims)[0].tolist() == near(today)
    assert target_plane(found.rims)[0].tolist() == near(target)
    assert riser_lift(np.array([0.05]), found.rims).tolist() == near([0.05 * np.sqrt(1.01)])


# --- what remains against the road


@given(
    plane=st.tuples(st.floats(-0.05, 0.05), SLOPES, SLOPES), road=st.tuples(SLOPES, SLOPES), fold=st.floats(-0.1, 0.1),
    azimuth=ANGLES, offset=st.floats(-0.5, 0.5), axis=ANGLES,
)  # fmt: skip
@settings(max_examples=60, deadline=None)
def test_gaps_of_any_plane(make_structures, make_roads, make_bars, plane, road, fold, azimuth, offset, axis):
    """Dense twin; at the four ends of the diameters along and across the axis, point by point."""
    finished = make_roads(slope_east=road[0], slope_north=road[1], fold=fold, fold_azimuth=azimuth, fold_offset=offset)
    rim = [100 + plane[0], plane[1], plane[2]]
    bars = make_bars(height=100 + 0.001 * np.arange(8))
    roads = Roads(finished, finished, finished, bars, Pavings(np.full(1, np.nan)))
    left = measure_result(make_structures(axis=axis, frame_top_diameter=0.66), roads, np.array([rim]))
    gaps = gaps_of(rim, finished, *rim_edge())
    miss = (abs(plane[1]) + abs(plane[2]) + abs(road[0]) + abs(road[1]) + abs(fold)) * 0.33 * np.pi / 7200 + 1e-9
    assert gaps.max() - 1e-9 <= left.gap_max[0] <= gaps.max() + miss
    assert gaps.min() - miss <= left.gap_min[0] <= gaps.min() + 1e-9
    assert left.gap_mean[0] == near(gaps.mean(), 1e-7)
    for name, first in (("gap_along", axis), ("gap_across", axis + np.pi / 2)):
        ends = [gaps_of(rim, finished, 0.33 * np.sin(t), 0.33 * np.cos(t)) for t in (first, first + np.pi)]
        assert abs(getattr(left, name)[0]) == near(max(abs(ends[0]), abs(ends[1])))
        assert min(abs(getattr(left, name)[0] - end) for end in ends) < 1e-9
    assert left.bar_along[0] == near(plane[0])
    assert left.bar_across[0] == near(plane[0] - 0.004)


def test_gaps_of_a_rectangle(make_structures, make_roads, make_bars):
    """400 x 600 mm along the street, its plane 2 % and 1 % over a level road: corners and the ends of its axes."""
    finished = make_roads()
    structures = make_structures(frame_top_diameter=0.4, frame_top_length=0.6, frame_azimuth=np.pi / 2, axis=np.pi / 2)
    roads = Roads(finished, finished, finished, make_bars(height=100.0), Pavings(np.full(1, np.nan)))
    left = measure_result(structures, roads, np.array([[100.001, 0.02, -0.01]]))
    assert left.gap_max.tolist() == near([0.001 + 0.3 * 0.02 + 0.2 * 0.01])
    assert left.gap_min.tolist() == near([0.001 - 0.3 * 0.02 - 0.2 * 0.01])
    assert left.gap_mean.tolist() == near([0.001])
    assert left.gap_along.tolist() == near([0.001 + 0.3 * 0.02])
    assert left.gap_across.tolist() == near([0.001 + 0.2 * 0.01])


def test_without_an_axis_there_is_no_along(make_structures, make_roads, find):
    left = find(make_structures(axis=np.nan, overlay=0.1), make_roads(slope_east=0.02)).results
    for name in ("gap_along", "gap_across", "bar_along", "bar_across"):
        assert np.isnan(getattr(left, name)[0]), name
    assert left.gap_mean.tolist() == near([0.0])


def test_without_a_road_nothing_is_left(make_structures, make_no_roads, find):
    left = find(make_structures(rim=100.0), make_no_roads()).results
    for name in ("gap_max", "gap_min", "gap_mean", "gap_along", "gap_across", "bar_along", "bar_across"):
        assert np.isnan(getattr(left, name)[0]), name
