"""From readings to the cut: worked figures, geometry that is built independently, and what lets anybody say `cut`."""

from dataclasses import replace

import numpy as np
import pytest

from geoadjust.core.blank import blank
from geoadjust.core.columns import METHODS, READY, Bars, Pavings, RoadModels, Structures, quantities_of
from geoadjust.core.flag_list import FLAGS
from geoadjust.core.judge import Setting
from geoadjust.core.measured import Measured, Planned, Remeasured, remeasure
from geoadjust.core.parts import Catalogue, LinerPart, RingPart
from geoadjust.core.rim import Roads
from geoadjust.core.ring import Ring
from geoadjust.core.rules import RuleSet

INCH = 0.0254
TURN = np.arange(4) * np.pi / 2
READINGS = np.array([10.75, 10.625, 10.25, 10.375]) * INCH
SLOPE = np.hypot(0.25, 0.125) / 12
UPHILL = np.arctan2(0.125, 0.25)
LINERS = Catalogue(liner=(LinerPart("thin", outside_diameter=27 * INCH, inside_diameter=26.998 * INCH),))
RULES = RuleSet(joint=INCH / 8, cut_style="in_plane", min_part=INCH)


def _measured(n: int = 1, **given: object) -> Measured:
    values = {
        "reference": np.zeros(n, dtype=np.int64),
        "azimuth": np.tile(TURN, (n, 1)),
        "radius": np.full((n, 4), 12 * INCH),
        "depth": np.tile(READINGS, (n, 1)),
        "to_come": np.full(n, np.nan),
        "casting_height": np.full(n, 7 * INCH),
        "flange_diameter": np.full(n, 27 * INCH),
        **given,
    }
    return Measured(**values)


def _planned(n: int = 1, **given: float) -> Planned:
    names = ("chimney", "chimney_sd", "east", "north", "slope_sd")
    return Planned(*(np.full(n, given.get(name, np.nan)) for name in names))


@pytest.fixture
def again(make_structures, make_roads):
    """again(measured, planned=, rules=, catalogue=, road=, **structure fields): what the readings give."""

    def run(
        measured: Measured | None = None,
        planned: Planned | None = None,
        rules: RuleSet = RULES,
        catalogue: Catalogue = LINERS,
        height: float = 100.0,
        tape: float = 0.002,
        **given: object,
    ) -> Remeasured:
        measured = measured or _measured()
        n = len(measured)
        structures = make_structures(
            n,
            **{
                "casting_height": 7 * INCH,
                "flange_diameter": 27 * INCH,
                "frame_top_diameter": 24 * INCH,
                "ridge_diameter": 0.0,
                "flange_inside_diameter": 0.6,
                "bearing_outside_diameter": 1.0,
                "bearing_inside_diameter": 0.65,
                "mill": 1.5 * INCH,
                "overlay": 2 * INCH,
                **given,
            },
        )
        existing = make_roads(
            n, height=height, slope_east=SLOPE * np.sin(UPHILL), slope_north=SLOPE * np.cos(UPHILL), rms=0.0
        )
        milled = replace(existing, height=existing.height - structures.mill)
        finished = replace(milled, height=milled.height + structures.overlay)
        roads = Roads(existing, milled, finished, blank(Bars, n), blank(Pavings, n))
        setting = Setting(Ring(), rough=0.010)
        setting = replace(setting, accuracy=replace(setting.accuracy, reading=tape))
        return remeasure(structures, roads, measured, planned or _planned(n), rules, catalogue, setting)

    return run


def _codes(found: Remeasured, row: int = 0) -> set[str]:
    reasons = found.plan.reasons
    return {FLAGS[code].code for code in reasons.code[reasons.row == row]}


def _ready(found: Remeasured, row: int = 0) -> str:
    return READY[found.plan.verdicts.ready[row]]


def test_the_worked_example(again) -> None:
    """Worked by hand: mill 1 1/2, overlay 2, casting 7, two joints of 1/8, thin wall of 27 in on a level bearing."""
    found = again().plan
    assert METHODS[found.verdicts.method[0]] == "liner"
    stations = found.cuts.ordinates[0, [0, 4, 8, 12]] / INCH
    assert stations == pytest.approx([4.029351, 3.888726, 3.466851, 3.607476], abs=5e-7)
    joints = 2 * RULES.joint / INCH
    heights = [found.chimneys.height[0], found.chimneys.height_max[0], found.chimneys.height_min[0]]
    assert np.array(heights) / INCH - joints == pytest.approx([3.748101, 4.062548, 3.433654], abs=5e-7)
    assert 100 * found.rims.slope[0] == pytest.approx(2.329237, abs=5e-7)
    assert np.degrees(found.chimneys.long_side[0] - found.rims.mark[0]) == pytest.approx(26.565, abs=5e-4)


def test_all_is_well_and_may_be_cut(again) -> None:
    found = again()
    assert (_ready(found), found.plan.verdicts.severity[0]) == ("cut", 0)


def test_the_road_s_own_height_cancels(again) -> None:
    low, high = again(height=0.0).plan.cuts, again(height=2000.0).plan.cuts
    assert low.ordinates == pytest.approx(high.ordinates, abs=1e-9)


@pytest.mark.parametrize(("reference", "higher"), [(0, 0.0), (1, -1.5), (2, 0.5)])
def test_the_same_bearing_from_each_road(again, reference: int, higher: float) -> None:
    """From the milled road the bar lies 1 1/2 in lower, from the finished one 1/2 in higher."""
    measured = _measured(reference=np.array([reference]), depth=READINGS[None] + higher * INCH)
    assert again(measured).plan.cuts.ordinates == pytest.approx(again().plan.cuts.ordinates, abs=1e-9)


def test_what_is_to_come_as_the_crew_says(again) -> None:
    stated = again(_measured(to_come=np.array([0.75 * INCH])))
    assert stated.plan.chimneys.height - again().plan.chimneys.height == pytest.approx(0.25 * INCH)
    same = again(_measured(to_come=np.array([0.5 * INCH])))
    assert same.plan.cuts.ordinates == pytest.approx(again().plan.cuts.ordinates, abs=1e-12)


@pytest.mark.parametrize(("reference", "higher"), [(0, 0.0), (1, -1.5), (2, 0.5)])
def test_the_same_road_to_come_from_each_road(again, reference: int, higher: float) -> None:
    """A finished road 1 in above today's: 1, 2 1/2 and 1/2 in above existing, milled and finished."""
    stated = np.array([(1 - higher) * INCH])
    depth = READINGS[None] + higher * INCH
    found = again(_measured(reference=np.array([reference]), depth=depth, to_come=stated))
    plain = again(_measured(to_come=np.array([INCH])))
    assert found.plan.cuts.ordinates == pytest.approx(plain.plan.cuts.ordinates, abs=1e-9)


def test_recess_and_casting_of_another_height(again) -> None:
    """Both come off the chimney: a recess in full, a casting by h sqrt(1 + s^2)."""
    lower = again(rules=replace(RULES, recess=0.004)).plan.chimneys.height
    assert lower - again().plan.chimneys.height == pytest.approx(-0.004)
    taller = again(_measured(casting_height=np.array([7.5 * INCH])))
    gone = again().plan.chimneys.height - taller.plan.chimneys.height
    assert gone == pytest.approx(0.5 * INCH * np.sqrt(1 + SLOPE**2))
    assert "casting_off_catalogue" in _codes(taller)
    assert taller.plan.reasons.value[taller.plan.reasons.row == 0].tolist().count(12.7) == 1


def test_readings_of_a_bearing_that_tilts_by_itself(again) -> None:
    """Readings made from two planes in space; the chimney is the distance between flange and bearing, all round."""
    road = np.array([SLOPE * np.sin(UPHILL), SLOPE * np.cos(UPHILL)])
    bearing = np.array([0.004, -0.003])
    places = 12 * INCH * np.stack([np.sin(TURN), np.cos(TURN)], axis=1)
    depth = 0.27 + places @ (road - bearing)
    found = again(_measured(depth=depth[None])).plan
    turn = np.arange(16) * np.pi / 8
    edge = 13.5 * INCH * np.stack([np.sin(turn), np.cos(turn)], axis=1)
    underside = 0.27 + 0.5 * INCH - 7 * INCH * np.sqrt(1 + SLOPE**2) + edge @ road
    wanted = underside - edge @ bearing - 2 * RULES.joint
    assert found.cuts.ordinates[0] == pytest.approx(wanted, abs=2e-5)  # the axis leans by 0.5 %: 1 - cos and g.b
    assert found.chimneys.bed[0] == 0


def test_three_readings_are_never_enough_to_cut(again) -> None:
    turn = np.array([[0.0, 2 * np.pi / 3, 4 * np.pi / 3, 0.0]])
    plane = 10.5 * INCH + 12 * INCH * SLOPE * np.cos(turn - UPHILL)
    found = again(_measured(azimuth=turn, depth=np.where([[True, True, True, False]], plane, np.nan)))
    assert _ready(found) == "measure"
    assert "no_check_reading" in _codes(found)


def test_three_readings_of_the_worked_example(again) -> None:
    """0/120/240 with 200/210/220 mm: centre 210."""
    turn = np.array([[0.0, 2 * np.pi / 3, 4 * np.pi / 3]])
    found = again(_measured(azimuth=turn, radius=np.full((1, 3), 0.3), depth=np.array([[0.2, 0.21, 0.22]])))
    assert found.fits.depth[0] == pytest.approx(0.210, abs=1e-12)
    assert "no_check_reading" in _codes(found)


def test_a_misread_stops_the_saw(again) -> None:
    depth = READINGS[None].copy()
    depth[0, 2] += INCH
    found = again(_measured(depth=depth))
    assert _ready(found) == "review"
    assert "misread" in _codes(found)
    assert found.plan.verdicts.severity[0] == 2


@pytest.mark.parametrize(
    ("given", "code", "ready"),
    [
        ({"reference": np.array([-1])}, "reference_missing", "unknown"),
        ({"depth": np.array([[0.2, 0.2, np.nan, np.nan]])}, "readings_few", "unknown"),
        ({"azimuth": np.zeros((1, 4))}, "readings_in_line", "review"),
        ({"azimuth": np.radians([[0, 10, 20, 30]]), "depth": np.full((1, 4), 0.27)}, "readings_in_line", "review"),
        ({"casting_height": np.array([np.nan])}, "casting_not_measured", "measure"),
        ({"depth": np.full((1, 4), 0.27)}, "bearing_off_level", "review"),
    ],
)
def test_what_stands_against_a_cut(again, given: dict, code: str, ready: str) -> None:
    found = again(_measured(**given))
    assert code in _codes(found)
    assert _ready(found) == ready


def test_a_chimney_off_its_plan_is_told(again) -> None:
    planned = again().plan.chimneys.height[0] + 0.02
    east, north = SLOPE * np.sin(UPHILL), SLOPE * np.cos(UPHILL)
    found = again(planned=_planned(chimney=planned, chimney_sd=0.003, east=east, north=north, slope_sd=0.001))
    assert found.off_plan[0] == pytest.approx(-0.02)
    assert found.off_plan_sd[0] == pytest.approx(np.hypot(0.003, 0.002))
    assert {"off_plan"} == _codes(found) & {"off_plan", "slope_off_plan"}
    assert _ready(found) == "cut"
    close = again(planned=_planned(chimney=planned, chimney_sd=0.02, east=-east, north=north, slope_sd=0.001))
    assert {"slope_off_plan"} == _codes(close) & {"off_plan", "slope_off_plan"}


def test_rings_on_the_measured_bearing(again) -> None:
    rings = tuple(
        RingPart(f"r{size}", thickness=size / 1000, outside_diameter=0.7, inside_diameter=0.6) for size in (25, 38, 50)
    )
    found = again(catalogue=Catalogue(ring=rings), rules=replace(RULES, bedding_wedge=0.05, tilt_tolerance=0.05))
    assert METHODS[found.plan.verdicts.method[0]] == "rings"
    assert abs(found.plan.stacks.misfit[0]) <= RULES.tolerance


def test_without_parts_that_fit_the_heights_are_still_told(again) -> None:
    found = again(catalogue=Catalogue())
    assert METHODS[found.plan.verdicts.method[0]] == "adjust"
    assert found.plan.cuts.basis[0] == 0


def test_what_the_open_structure_has_answered_is_no_longer_told(again, find, make_structures) -> None:
    """Today's rim is unknown and the condition of the old chimney too; neither matters any more."""
    office = find(make_structures(mill=0.04, overlay=0.05))
    assert {"assumed_flush", "bearing_missing", "lower_before_milling"} <= set(office.notes())
    assert READY[office.verdicts.ready[0]] != "cut"
    assert not _codes(again()) & {"assumed_flush", "bearing_missing", "lower_before_milling", "condition_unknown"}


def test_rows_are_planned_alone_and_together(again) -> None:
    depth = np.stack([READINGS, READINGS + 0.01, np.full(4, np.nan)])
    found = again(_measured(3, depth=depth))
    heights = [again(_measured(depth=depth[row : row + 1])).plan.chimneys.height[0] for row in range(3)]
    assert found.plan.chimneys.height == pytest.approx(heights, nan_ok=True)
    assert [_ready(found, row) for row in range(3)] == ["cut", "cut", "unknown"]


def test_blank_bundles_know_nothing() -> None:
    for kind in (Structures, RoadModels):
        made = blank(kind, 3)
        assert [len(getattr(made, name)) for name in quantities_of(kind)] == [3] * len(quantities_of(kind))
