"""Worked answers of the engineering, each worked out by hand beside its check."""

import math

import numpy as np
import pytest

from geoadjust.core.columns import LOWER_HOW, METHODS
from geoadjust.core.judge import Setting
from geoadjust.core.parts import Catalogue, LinerPart, RingPart
from geoadjust.core.paving import mill_roads
from geoadjust.core.plan import Role, Scatter, Surfaces, plan
from geoadjust.core.rim import frame_edges
from geoadjust.core.ring import Ring
from geoadjust.core.rules import RuleSet
from geoadjust.core.uncertainty import Accuracy

INCH = 0.0254
MM = 0.001


def method_of(found, row=0):
    return METHODS[found.verdicts.method[row]]


def test_cover_on_a_crown(make_structures, make_roads, make_bars, find):
    """z = -0.02 |e|, frame top radius 0.33 m: mean of |e| on the circle is 2 R / pi, so the target lies
    0.02 x 2 x 0.33 / pi = 4.2017 mm below the apex; gaps -4.20 along the crown line, 0.02 x 0.33 - 4.20 = +2.40 at the
    sides; a bar along the crown line lies at the apex (0)."""
    crown = make_roads(height=0.0, slope_east=0.02, fold=-0.04, fold_azimuth=math.pi / 2, fold_offset=0.0)
    along = np.zeros((1, 8))
    found = find(make_structures(), crown, bars=make_bars(height=along, slope=0.0))
    assert found.rims.target[0] == pytest.approx(-0.02 * 2 * 0.33 / math.pi, abs=1e-9)
    assert 1000 * found.rims.target[0] == pytest.approx(-4.20, abs=0.005)
    assert found.rims.slope[0] == pytest.approx(0.0, abs=1e-12)
    assert 1000 * found.results.gap_min[0] == pytest.approx(-4.20, abs=0.005)
    assert 1000 * found.results.gap_along[0] == pytest.approx(-4.20, abs=0.005)
    assert 1000 * found.results.gap_max[0] == pytest.approx(2.40, abs=0.005)
    assert 1000 * found.results.gap_across[0] == pytest.approx(2.40, abs=0.005)
    assert 1000 * found.results.bar_along[0] == pytest.approx(-4.20, abs=0.005)


def test_bar_along_the_crown_line_of_a_raster_lies_at_the_apex(make_structures, make_grid):
    surface = make_grid(lambda e, n: -0.02 * np.abs(e))
    setting = Setting(Ring(), 0.010)
    found = plan(
        make_structures(),
        Surfaces(Role([surface], [Scatter()], [0])),
        RuleSet(rim_reference="bar"),
        Catalogue(),
        setting,
    )
    assert 1000 * (found.results.height - found.results.bar_along)[0] == pytest.approx(0.0, abs=0.3)


def test_milling_to_a_profile_turns_a_raise_into_a_lowering(make_structures, make_roads, find):
    """Existing crown -0.01 e, milled -0.040 - 0.02 e, overlay 50 mm, cover at e = 2.5 flush with the existing road.

    Existing -25.0, milled -90.0, finished -40.0 mm: raise -15.0. At the far edge (e = 2.83) the rim plane lies at
    -28.3, the milled road at -96.6: 68.3 + 13 clearance = 81.3 mm to go down; a stack of 60 mm does not hold that.
    """
    structures = make_structures(
        axis=0.0, crown_offset=2.5, mill=0.040, overlay=0.050, gap=0.0, existing_chimney=0.060, casting_height=0.2
    )
    existing = make_roads(height=-0.025, slope_east=-0.01)
    milled = mill_roads(structures, existing, frame_edges(structures), Ring(), 0.02)
    setting = Setting(Ring(), 0.010, cross_slope=0.02)
    found = find(structures, existing, milled=milled, rules=RuleSet(milling_clearance=0.013), setting=setting)
    assert 1000 * found.millings.milled[0] == pytest.approx(-90.0, abs=1e-6)
    assert 1000 * found.rims.raise_[0] == pytest.approx(-15.0, abs=1e-6)
    assert 1000 * found.millings.lower_by[0] == pytest.approx(81.3, abs=1e-6)
    assert LOWER_HOW[found.millings.lower_how[0]] != "rings_out"


def test_a_crown_line_under_the_cover_is_milled_to_both_sides(make_structures, make_roads):
    """0.2 m right of the crown line: the milled road is -mill - c |distance from the line| everywhere."""
    structures = make_structures(axis=math.radians(30), crown_offset=0.2, mill=0.040)
    flat = make_roads(height=10.0)
    milled = mill_roads(structures, flat, frame_edges(structures), Ring(), 0.03)
    right = np.array([math.cos(math.radians(30)), -math.sin(math.radians(30))])
    for out in (-0.5, -0.2, 0.0, 0.3):
        east, north = out * right
        beyond = max(
            0.0,
            east * math.sin(milled.fold_azimuth[0]) + north * math.cos(milled.fold_azimuth[0]) - milled.fold_offset[0],
        )
        z = milled.height[0] + milled.slope_east[0] * east + milled.slope_north[0] * north + milled.fold[0] * beyond
        assert z == pytest.approx(10 - 0.040 - 0.03 * abs(out + 0.2), abs=1e-12)


def test_measure_down_on_a_steep_street_is_too_thin(make_structures, make_roads, find):
    """Measure-down 8 3/4 in, casting 7 in, flange 27 in, slope 10 %: 8.75 - 7 sqrt(1.01) = 1.715 in at the centre,
    13.5 x 0.10 = 1.35 less on the short side: 0.365 in, thinner than the 25 mm a part needs."""
    structures = make_structures(
        measure_down=8.75 * INCH,
        measure_down_from=0,
        casting_height=7 * INCH,
        flange_diameter=27 * INCH,
    )
    rules = RuleSet(min_part=0.025)
    rings = Catalogue(ring=(RingPart("r25", thickness=0.025), RingPart("r10", thickness=0.010)))
    found = find(structures, make_roads(slope_north=0.10), rules=rules, catalogue=rings)
    assert found.chimneys.height[0] / INCH == pytest.approx(1.715, abs=5e-4)
    assert found.chimneys.height_min[0] / INCH == pytest.approx(0.365, abs=5e-4)
    assert "chimney_too_thin" in found.notes()
    assert method_of(found) == "rebuild"


def test_two_tapers_turned_against_each_other(make_structures, make_roads, find):
    """Two 2.5 % rings on gE 0.02, gN 0.03: s = 3.60555 %, cos p = s / (2 x 2.5 %) = 0.72111, p = 43.85 degrees each
    way from uphill; the long side is atan(2/3) = 33.690 degrees from the mark on axis 0, 213.690 on 180, 303.690 on
    90."""
    s = math.hypot(0.02, 0.03)
    assert math.degrees(math.acos(s / 0.05)) == pytest.approx(43.85, abs=0.005)
    diameter = 0.9
    rings = Catalogue(
        ring=(
            RingPart(
                "t",
                thin=0.030,
                thick=0.030 + 0.025 * diameter,
                outside_diameter=diameter,
                inside_diameter=0.61,
                turn_step=1.0,
            ),
        )
    )
    height = 2 * (0.030 + 0.0125 * diameter) + 3 * 0.006
    steep = math.sqrt(1 + s * s)
    for axis, long_side in ((0, 33.690), (180, 213.690), (90, 303.690)):
        structures = make_structures(axis=math.radians(axis), gap=0.0, bearing=100.0 - 0.2 * steep - height)
        road = make_roads(slope_east=0.02, slope_north=0.03)
        rules = RuleSet(methods=("rings",), bedding_wedge=0.0, joint=0.006)
        found = find(structures, road, rules=rules, catalogue=rings)
        assert method_of(found) == "rings"
        from_mark = math.degrees(found.chimneys.long_side[0]) - axis
        assert from_mark % 360 == pytest.approx(long_side, abs=5e-4)
        turns = sorted(np.degrees(found.stacks.turn[0][:2]))
        middle = [(turn - from_mark + 180) % 360 - 180 for turn in turns]
        assert sorted(np.abs(middle)) == pytest.approx([43.85, 43.85], abs=0.75)
        assert math.hypot(found.stacks.left_east[0], found.stacks.left_north[0]) < 0.0006


def test_a_liner_that_lands_on_the_ridge_is_refused_for_the_next_one(make_structures, make_roads, find):
    """Ridge 640 mm hanging below the flange; liner 620 inside clashes by (640 - 620) / 2 + 3 = 13 mm, 660 clears."""
    structures = make_structures(
        gap=0.0, bearing=99.6, ridge_diameter=0.640, flange_inside_diameter=0.6, flange_diameter=0.9
    )
    small = LinerPart("small", outside_diameter=0.720, inside_diameter=0.620)
    large = LinerPart("large", outside_diameter=0.760, inside_diameter=0.660)
    rules = RuleSet(methods=("liner",), liner_clearance=0.003)
    found = find(structures, make_roads(), rules=rules, catalogue=Catalogue(liner=(small, large)))
    assert method_of(found) == "liner"
    assert found.liners.part[0] == 1
    alone = find(structures, make_roads(), rules=rules, catalogue=Catalogue(liner=(small,)))
    assert alone.notes()["liner_does_not_clear"][0] == pytest.approx(13.0, abs=1e-6)


def test_surfaces_shift_cancels_where_the_gap_is_measured(make_structures, make_roads, find):
    """Basis gap: raise = -mill + overlay - gap, so its sd is sqrt(2^2 + 5^2 + 5^2) mm whatever the surface is worth."""
    structures = make_structures(gap=0.004, mill=0.040, overlay=0.050)
    for shift in (0.0, 0.1, math.nan):
        setting = Setting(Ring(), 0.01, Accuracy(gap=0.002, mill=0.005, overlay=0.005, surfaces=(shift,)))
        found = find(structures, make_roads(slope_east=0.05), setting=setting)
        assert 1000 * found.uncertainties.raise_sd[0] == pytest.approx(math.sqrt(54), abs=1e-9)


def test_surveyed_rims_take_the_shift_unless_of_one_survey(make_structures, make_roads, find):
    structures = make_structures(rim=100.010)
    road = make_roads(slope_north=0.04, covariance=np.diag([1e-6, 1e-8, 1e-8]), scale=0.006, noise=0.003)
    expected = 0.03**2 + 1e-6 / 4 + (0.04 * 0.1) ** 2 + 0.01**2
    setting = Setting(Ring(), 0.01, Accuracy(rim=0.01, xy=0.1, surfaces=(0.03,)))
    assert find(structures, road, setting=setting).uncertainties.raise_sd[0] ** 2 == pytest.approx(expected, rel=1e-9)
    one = Setting(Ring(), 0.01, Accuracy(rim=0.01, xy=0.1, surfaces=(0.03,), rim_same_survey=True))
    assert find(structures, road, setting=one).uncertainties.raise_sd[0] ** 2 == pytest.approx(expected - 0.03**2)
    unknown = Setting(Ring(), 0.01, Accuracy(surfaces=(math.nan,)))
    found = find(structures, road, setting=unknown)
    assert math.isnan(found.uncertainties.raise_sd[0])
    assert "accuracy_unknown" in found.notes()
