"""Verdicts: what each limit lets pass, what is said of two roads, and how good the figures are."""

from dataclasses import fields

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geoadjust.core.columns import CONDITIONS, KINDS, METHODS, READY, SEVERITIES
from geoadjust.core.flag_list import FLAGS
from geoadjust.core.judge import Setting, edge_sd
from geoadjust.core.parts import Catalogue, LinerPart, RingPart, RiserPart
from geoadjust.core.ring import Ring
from geoadjust.core.rules import RuleSet
from geoadjust.core.uncertainty import Accuracy

PARTS = Catalogue(ring=(RingPart("R", 0.05),))
HAIR = 2e-6
INLET, VALVE = KINDS.index("inlet"), KINDS.index("valve")
TWO_SIDED = 1.959963984540054  # 97.5 % point of the normal distribution, printed tables
ONE_SIDED = 1.644853626951473  # 95 % point


def near(expected, off=1e-6):
    return pytest.approx(expected, abs=off, rel=0, nan_ok=True)


def ready_of(found, row=0):
    return READY[found.verdicts.ready[row]]


def method_of(found, row=0):
    return METHODS[found.verdicts.method[row]]


def setting(accuracy=None, **others):
    return Setting(Ring(), 0.010, accuracy or Accuracy(), **others)


def severity_of(found, row=0):
    return SEVERITIES[found.verdicts.severity[row]]


# --- readiness and severity


def test_a_cover_that_may_stay_with_certainty_needs_no_measuring(make_structures, find):
    """Gap 0 within 6 mm, known to 2 mm: 99.7 % that it may stay."""
    found = find(make_structures(gap=0.0, bearing=99.5))
    assert ready_of(found) == "order"
    assert found.notes() == {}


@pytest.mark.parametrize(
    ("fields", "ready", "severity"),
    [
        ({}, "measure", "info"),  # nothing known but the road: plan with it
        ({"casting_height": np.nan}, "measure", "warn"),
        ({"rim": 101.0}, "review", "warn"),
        ({"kind": 4}, "review", "stop"),
        ({"kind": INLET}, "review", "warn"),  # which side is the street?
        ({"kind": INLET, "street_side": 0.0}, "review", "info"),
        ({"other_owner": True}, "review", "warn"),
        ({"bearing": 99.3}, "review", "warn"),
    ],
)
def test_the_worst_note_decides(make_structures, find, fields, ready, severity):
    found = find(make_structures(**fields), catalogue=PARTS)
    assert (ready_of(found), severity_of(found)) == (ready, severity)


def test_no_figures_no_readiness(make_structures, make_roads, find):
    """Whatever is missing: the design, or both roads; a monument too."""
    some = make_structures(4, rim=100.0, kind=[0, 0, 0, 4])
    lost = np.array([np.nan, 100.0, np.nan, np.nan])
    design = np.array([100.0, np.nan, np.nan, np.nan])
    found = find(some, make_roads(4, height=lost), make_roads(4, height=design))
    assert np.isnan(found.rims.raise_[1:]).all()
    assert [ready_of(found, row) for row in range(1, 4)] == ["unknown"] * 3


def test_a_height_without_a_raise_is_ready_for_something(make_structures, make_roads, make_no_roads, find):
    """Today's road is lost, the design and the bearing are not."""
    found = find(make_structures(bearing=99.5), make_no_roads(), make_roads())
    assert method_of(found) == "adjust"
    assert ready_of(found) != "order"


def test_readiness_is_the_worst_of_reasons_and_accuracies(make_structures, make_roads, find):
    rng = np.random.default_rng(3)
    n = 300
    new = rng.choice([0.2, 0.2, np.nan], n)
    some = make_structures(
        n, kind=rng.integers(0, 5, n), rim=rng.choice([np.nan, 100.0, 100.02, 0.0], n),
        gap=rng.choice([np.nan, 0.0, 0.003], n), paved=rng.choice([1, 1, 0], n),
        bearing=rng.choice([np.nan, 99.7, 99.2, 0.0], n), overlay=rng.choice([0.0, 0.04, 0.1], n),
        new_casting_height=new, recast=np.isnan(new),
    )  # fmt: skip
    found = find(some, make_roads(n, slope_east=rng.choice([0.0, 0.02, 0.15], n)), catalogue=PARTS)
    seen = set()
    for row in range(n):
        flags = [FLAGS[code] for code in found.reasons.code[found.reasons.row == row]]
        worst = max([flag.ready for flag in flags], default=READY.index("order"))
        assert found.verdicts.severity[row] == max([flag.severity for flag in flags], default=0)
        if method_of(found, row) == "unknown":
            assert ready_of(found, row) == "unknown"
        elif worst > READY.index("order"):
            assert found.verdicts.ready[row] == worst
        else:
            assert ready_of(found, row) in ("order", "measure")
        seen.add(ready_of(found, row))
    assert seen == set(READY) - {"cut"}  # otherwise this would say little


@pytest.mark.parametrize("side", [-1, 1])
@pytest.mark.parametrize(("hair", "ready"), [(-5e-6, "order"), (5e-6, "measure")])
def test_a_cover_that_stays_with_95_per_cent(make_structures, find, side, hair, ready):
    """6 mm of tolerance, 2 mm of accuracy: 95 % up to 6 - 1.645 x 2 mm; the far side is 4 sd away."""
    found = find(make_structures(gap=side * (0.006 - ONE_SIDED * 0.002 + hair)))
    assert method_of(found) == "keep"
    assert ready_of(found) == ready


@pytest.mark.parametrize(("hair", "ready"), [(-HAIR, "order"), (HAIR, "measure")])
@pytest.mark.parametrize("side", [-1, 1])
def test_a_riser_that_may_be_ordered(make_structures, find, side, hair, ready):
    """The whole 95 % interval within 6 mm: 1.5 mm are the root of 1, 0.5 and 1 mm of gap, overlay and milling."""
    off = 0.006 - TWO_SIDED * 0.0015 + hair
    accuracy = Accuracy(gap=0.001, overlay=0.0005, mill=0.001)
    structures = make_structures(gap=0.0, mill=0.06, overlay=0.1 + side * off)
    found = find(structures, catalogue=Catalogue(riser=(RiserPart("U", 0.04),)), setting=setting(accuracy))
    assert method_of(found) == "riser"
    assert found.uncertainties.raise_sd.tolist() == near([0.0015], 1e-12)
    assert ready_of(found) == ready


@pytest.mark.parametrize(("hair", "ready"), [(-HAIR, "order"), (HAIR, "measure")])
def test_rings_that_may_be_ordered(make_structures, find, hair, ready):
    """A measure-down from the rim that nothing is paved over: root of gap, tape and casting, 1 mm each."""
    sd = 0.001 * np.sqrt(3)
    accuracy = Accuracy(gap=0.001, tape=0.001, casting=0.001)
    misfit = 0.006 - TWO_SIDED * sd + hair
    structures = make_structures(gap=0.0, measure_down=0.2 + 0.062 - misfit, measure_down_from=0)
    found = find(structures, catalogue=PARTS, rules=RuleSet(methods=("rings",)), setting=setting(accuracy))
    assert method_of(found) == "rings"
    assert found.stacks.misfit.tolist() == near([misfit], 1e-9)
    assert found.uncertainties.chimney_sd.tolist() == near([sd], 1e-12)
    assert ready_of(found) == ready


@pytest.mark.parametrize(("allowance", "ready"), [(0.0196 - 1e-6, "measure"), (0.0196, "order")])
def test_a_liner_that_may_be_ordered(make_structures, find, allowance, ready):
    """It is cut from stock: 1.96 x 10 mm must lie within the rough cut's allowance."""
    under = {
        "flange_inside_diameter": 0.61, "ridge_diameter": 0.0, "bearing_outside_diameter": 0.9,
        "bearing_inside_diameter": 0.61,
    }  # fmt: skip
    accuracy = Accuracy(gap=0.010, tape=0.0, casting=0.0)
    structures = make_structures(gap=0.0, measure_down=0.4, measure_down_from=0, **under)
    parts = Catalogue(liner=(LinerPart("L", outside_diameter=0.76, inside_diameter=0.66),))
    rules = RuleSet(methods=("liner",), rough_cut_allowance=allowance)
    found = find(structures, catalogue=parts, rules=rules, setting=setting(accuracy))
    assert method_of(found) == "liner"
    assert ready_of(found) == ready


@pytest.mark.parametrize(
    ("travel", "overlay", "ready"),
    [
        (0.1 + 0.00392, 0.1, "order"),  # 1.96 x 2 mm of travel to spare
        (0.1 + 0.00391, 0.1, "measure"),
        (0.2, 0.0, "order"),  # not to move at all: a little low is within the tolerance
    ],
)
def test_a_top_section_that_will_reach(make_structures, find, travel, overlay, ready):
    accuracy = Accuracy(gap=0.002, overlay=0.0)
    structures = make_structures(kind=VALVE, gap=0.0, overlay=overlay, travel=travel)
    found = find(structures, rules=RuleSet(methods=()), setting=setting(accuracy))
    assert method_of(found) == "extend"
    assert ready_of(found) == ready


def test_outside_the_paving_there_is_nothing_to_find_out(make_structures, find):
    assert ready_of(find(make_structures(paved=0, gap=0.02))) == "order"


@pytest.mark.parametrize(
    ("fields", "method"),
    [
        ({"gap": 0.02}, "adjust"),
        ({"gap": 0.02, "floating": True}, "float"),
        ({"gap": 0.02, "kind": VALVE, "travel": 0.1}, "replace_top"),
    ],
)
def test_what_no_part_is_ordered_for_is_measured(make_structures, find, fields, method):
    """Rests on what is found on site, however well the figures are known."""
    exact = Accuracy(gap=0.0, tape=0.0, casting=0.0)
    found = find(make_structures(**fields), rules=RuleSet(methods=()), setting=setting(exact))
    assert method_of(found) == method
    assert ready_of(found) == "measure"


# --- accuracies that are not known


@pytest.mark.parametrize(
    ("fields", "accuracy", "unknown"),
    [
        ({"rim": 100.0}, Accuracy(), True),  # a level against a surface of unstated accuracy
        ({"rim": 100.0}, Accuracy(surfaces=(0.01,)), False),
        ({"rim": 100.0}, Accuracy(rim_same_survey=True), False),  # its shift cancels
        ({"gap": 0.0}, Accuracy(), False),  # seen from the surface itself
        ({"claimed_basis": 2}, Accuracy(), False),
        ({"rim": 100.0}, Accuracy(surfaces=(np.nan,)), True),
        ({"rim": 100.0, "paved": 0}, Accuracy(), False),  # it stays where it is
    ],
)
def test_where_a_level_meets_a_surface_of_unknown_accuracy(make_structures, find, fields, accuracy, unknown):
    found = find(make_structures(**fields), setting=setting(accuracy))
    assert ("accuracy_unknown" in found.notes()) == unknown
    assert np.isnan(found.uncertainties.raise_sd[0]) == unknown
    if unknown:
        assert ready_of(found) == "measure"


def test_a_design_has_an_accuracy_of_its_own(make_structures, make_roads, find):
    """A gap on today's surface, a target on the design: both shifts count, so both must be stated."""
    roads = make_roads(), make_roads(height=100.05, source=1)
    for finished, unknown in (((), True), ((0.02,), False)):
        accuracy = Accuracy(surfaces=(0.01, *finished))
        found = find(make_structures(gap=0.0), *roads, setting=setting(accuracy))
        assert ("accuracy_unknown" in found.notes()) == unknown


def test_without_a_raise_no_accuracy_is_missed(make_structures, make_no_roads, find):
    assert "accuracy_unknown" not in find(make_structures(rim=100.0), make_no_roads()).notes()


def test_reasons_carry_the_input_row(make_structures, find):
    found = find(make_structures(3, row=[50, 7, 9], rim=[100.0, 101.0, 100.0]))
    assert set(found.reasons.row.tolist()) == {50, 7, 9}
    assert "rim_disagrees" in found.notes(7)
    assert "rim_disagrees" not in found.notes(50)
    assert found.reasons.row.tolist() == sorted(found.reasons.row.tolist(), key=[50, 7, 9].index)


def test_one_entry_per_row_and_flag(make_structures, make_roads, find):
    found = find(make_structures(2), make_roads(2, slope_east=0.2, rms=0.05, left_out=400))
    pairs = list(zip(found.reasons.row.tolist(), found.reasons.code.tolist(), strict=True))
    assert len(set(pairs)) == len(pairs)


def test_the_same_road_is_not_told_twice(make_structures, make_roads, find):
    """Finished = existing - mill + overlay is the existing road read once."""
    found = find(make_structures(mill=0.04, overlay=0.05), make_roads(rms=0.03))
    assert [FLAGS[code].code for code in found.reasons.code].count("rough_road") == 1


def test_a_bad_design_is_told_too(make_structures, make_roads, find):
    found = find(make_structures(), make_roads(), make_roads(rms=0.03, samples=401))
    assert found.notes()["rough_road"] == near((30.0, 10.0))


# --- limits, from both sides


@pytest.mark.parametrize(
    ("code", "inside", "outside", "value", "limit"),
    [
        ("rough_road", {"rms": 0.010 - 2e-6}, {"rms": 0.010 + 2e-6}, 10.002, 10.0),
        ("steep", {"slope_east": 0.1 - 2e-6}, {"slope_east": 0.1 + 2e-6}, 10.0002, 10.0),
        ("edge_in_ring", {"samples": 75, "left_out": 25}, {"samples": 74, "left_out": 26}, 26.0, 25.0),
        # 3 mm is half the tolerance
        (
            "ring_gap", {"covariance": np.diag([(0.003 - 2e-6) ** 2, 0, 0])},
            {"covariance": np.diag([(0.003 + 2e-6) ** 2, 0, 0])}, 3.002, 3.0,
        ),
        ("ring_widened", {"spacing": 0.5}, {"spacing": 1.0, "widened": True}, 1000.0, np.nan),
    ],
)  # fmt: skip
def test_limits_on_the_road(make_structures, make_roads, find, code, inside, outside, value, limit):
    assert code not in find(make_structures(), make_roads(**inside)).notes()
    assert find(make_structures(), make_roads(**outside)).notes()[code] == near((value, limit), 1e-5)


@pytest.mark.parametrize(
    ("none", "code", "numbers"),
    [
        ({"spacing": 2.0}, "surface_too_coarse", (2000.0, 1250.0)),
        ({"spacing": 2.0, "samples": 3}, "surface_too_coarse", (2000.0, 1250.0)),
        ({}, "no_surface", (np.nan, np.nan)),
        ({"samples": 5, "pattern": 10}, "few_samples", (5.0, 8.0)),  # never fewer than eight
        ({"samples": 30, "pattern": 75}, "few_samples", (30.0, 38.0)),  # half of the ring, rounded up
    ],
)
def test_why_there_is_no_road(make_structures, make_no_roads, find, none, code, numbers):
    notes = find(make_structures(), make_no_roads(**none)).notes()
    assert notes[code] == near(numbers)
    assert len({"surface_too_coarse", "no_surface", "few_samples"} & set(notes)) == 1


def test_the_owner_s_limits_are_used(make_structures, make_roads, find):
    roads = make_roads(slope_east=0.12, rms=0.015, samples=70, left_out=30)
    wide = {"rules": RuleSet(steep=0.2), "setting": Setting(Ring(max_left_out=0.4), 0.02)}
    assert {"steep", "rough_road", "edge_in_ring"} <= set(find(make_structures(), roads).notes())
    assert not {"steep", "rough_road", "edge_in_ring"} & set(find(make_structures(), roads, **wide).notes())


@pytest.mark.parametrize(
    ("offset", "under"), [(0.0, True), (0.329, True), (-0.329, True), (0.331, False), (-0.331, False)]
)
def test_a_break_is_told_where_it_runs_under_the_cover(make_structures, make_roads, find, offset, under):
    roads = make_roads(slope_east=0.02, fold=-0.04, fold_azimuth=np.pi / 2, fold_offset=offset)
    assert ("crown_under_cover" in find(make_structures(), roads).notes()) == under


def test_the_crown_s_number_is_the_worst_gap(make_structures, make_roads, find):
    """z = -.02 |e| under a 660 mm frame: 2 c R / pi = 4.2017 mm LOW on the crown line, 2.3983 PROUD at the sides."""
    roads = make_roads(slope_east=0.02, fold=-0.04, fold_azimuth=np.pi / 2)
    assert find(make_structures(), roads).notes()["crown_under_cover"][0] == near(4.2017, 5e-5)
    recessed = find(make_structures(), roads, rules=RuleSet(recess=0.01))
    assert recessed.notes()["crown_under_cover"][0] == near(4.2017, 5e-5)  # what the break does, not what was chosen


def test_outside_the_paving_a_break_is_no_matter(make_structures, make_roads, find):
    roads = make_roads(slope_east=0.02, fold=-0.04, fold_azimuth=np.pi / 2)
    assert "crown_under_cover" not in find(make_structures(paved=0, gap=0.0), roads).notes()


@pytest.mark.parametrize(
    ("azimuth", "offset", "under"),
    [
        (0.0, 0.299, True),  # a line square to the 600 mm
        (np.pi / 2, 0.199, True),  # square to the 400 mm
        (0.0, 0.361, False),  # beyond the corners
        (np.pi / 2, 0.3, False),
    ],
)  # fmt: skip
def test_a_break_under_a_rectangle(make_structures, make_roads, find, azimuth, offset, under):
    """400 mm wide and 600 mm long to the north; a line 300 mm east runs 100 mm beside it."""
    structures = make_structures(frame_top_diameter=0.4, frame_top_length=0.6, frame_azimuth=0.0)
    roads = make_roads(fold=-0.04, fold_azimuth=azimuth, fold_offset=offset)
    assert ("crown_under_cover" in find(structures, roads).notes()) == under


# --- paving


@pytest.mark.parametrize(("edge", "told"), [(1.5 - 1e-6, True), (1.5 + 1e-6, False), (0.0, True), (np.nan, False)])
def test_the_edge_of_the_paving_in_the_ring(make_structures, find, edge, told):
    notes = find(make_structures(area_edge=edge)).notes()
    assert ("mill_boundary_in_ring" in notes) == told
    if told:
        assert notes["mill_boundary_in_ring"][0] == near(1000 * edge)


@pytest.mark.parametrize(
    ("offset", "code"),
    [(np.nan, "profile_unknown"), (3.0 - HAIR, None), (3.0 + HAIR, "profile_far"), (-3.0 - HAIR, "profile_far")],
)
def test_where_the_crown_line_lies(make_structures, find, offset, code):
    found = find(make_structures(crown_offset=offset, mill=0.03), setting=setting(cross_slope=0.02))
    assert {"profile_unknown", "profile_far"} & set(found.notes()) == ({code} if code else set())
    if code == "profile_far":
        assert found.notes()[code] == near((3000.002, 3000.0), 1e-5)
    plain = find(make_structures(crown_offset=offset, mill=0.03))  # one depth: no line is asked for
    assert not {"profile_unknown", "profile_far"} & set(plain.notes())


def test_outside_the_paving_no_line_is_asked_for(make_structures, find):
    found = find(make_structures(paved=0, gap=0.0), setting=setting(cross_slope=0.02))
    assert "profile_unknown" not in found.notes()


def test_an_inlet_has_a_street_side(make_structures, find):
    found = find(make_structures(3, kind=[INLET, INLET, 0], street_side=[np.nan, 1.0, np.nan]))
    assert ["street_side_unknown" in found.notes(row) for row in range(3)] == [True, False, False]


# --- what milling and traffic mean


@pytest.mark.parametrize(
    ("code", "inside", "outside", "rules", "numbers"),
    [
        # a plate on the old stack: 175 mm less the milling
        ("hole_to_traffic", {"mill": 0.15 + HAIR}, {"mill": 0.15 - HAIR}, {}, (25.002, 25.0)),
        # raised before paving: the overlay
        (
            "bump_to_traffic", {"overlay": 0.013 - HAIR}, {"overlay": 0.013 + HAIR},
            {"sequence": "raise_before_paving"}, (13.002, 13.0),
        ),
        # down by mill and 13 mm; the plate of 25 mm under a casting of 60 mm: 35 mm
        (
            "plate_too_high", {"mill": 0.022 - HAIR, "casting_height": 0.06},
            {"mill": 0.022 + HAIR, "casting_height": 0.06}, {}, (0.002, np.nan),
        ),
    ],
)  # fmt: skip
def test_limits_of_the_milling(make_structures, find, code, inside, outside, rules, numbers):
    assert code not in find(make_structures(**inside), rules=RuleSet(**rules)).notes()
    assert find(make_structures(**outside), rules=RuleSet(**rules)).notes()[code] == near(numbers, 1e-5)


def test_a_plate_s_seat_is_asked_for_where_a_plate_is_laid(make_structures, find):
    structures = make_structures(
        3, mill=0.04, bearing_inside_diameter=[np.nan, 0.61, np.nan], existing_chimney=[np.nan, np.nan, 0.2]
    )
    found = find(structures)
    assert ["plate_seat_unknown" in found.notes(row) for row in range(3)] == [True, False, False]


@pytest.mark.parametrize("whose", [{"other_owner": True}, {"kind": 4}])
def test_only_our_castings_are_lowered(make_structures, find, whose):
    notes = find(make_structures(mill=0.04, overlay=0.05, **whose)).notes()
    codes = {"lower_before_milling", "hole_to_traffic", "bump_to_traffic", "plate_seat_unknown", "plate_too_high"}
    assert not codes & set(notes)
    assert codes & set(find(make_structures(mill=0.04, overlay=0.05)).notes())


# --- limits of the finished cover, as pedestrian routes have them


@pytest.mark.parametrize("sign", [-1, 1])
@pytest.mark.parametrize(
    ("code", "rule", "slope"),
    [
        ("grade_past_limit", "max_grade", "slope_north"),
        ("cross_slope_past_limit", "max_cross_slope", "slope_east"),
    ],
)
def test_limits_on_grade_and_cross_slope(make_structures, make_roads, find, code, rule, slope, sign):
    """2 %, either sign; the street runs north, so the cross slope is the slope to the east."""
    rules = RuleSet(**{rule: 0.02})
    inside, outside = (make_roads(**{slope: sign * (0.02 + hair)}) for hair in (-HAIR, HAIR))
    assert code not in find(make_structures(overlay=0.1), inside, rules=rules).notes()
    notes = find(make_structures(overlay=0.1), outside, rules=rules).notes()
    assert notes[code] == near((sign * 2.0002, 2.0), 1e-5)
    assert code not in find(make_structures(overlay=0.1), outside).notes()  # an owner without this limit


def test_the_limit_is_for_the_cover_not_for_the_road(make_structures, make_roads, find):
    """A cover that is kept lies as today's road, 2.5 % where the new one has 2 %."""
    rules = RuleSet(max_cross_slope=0.022)
    found = find(make_structures(gap=0.0), make_roads(slope_east=0.025), make_roads(slope_east=0.02), rules=rules)
    assert method_of(found) == "keep"
    assert found.notes()["cross_slope_past_limit"] == near((2.5, 2.2))


@pytest.mark.parametrize(("gap", "told"), [(0.003 - HAIR, False), (0.003 + HAIR, True), (-0.003 - HAIR, True)])
def test_the_largest_step_at_the_edge(make_structures, find, gap, told):
    notes = find(make_structures(gap=gap), rules=RuleSet(max_edge_gap=0.003)).notes()
    assert ("edge_past_limit" in notes) == told
    if told:
        assert notes["edge_past_limit"] == near((3.002, 3.0), 1e-5)


def test_a_crown_under_the_cover_is_a_step_at_its_edge(make_structures, make_roads, find):
    """2 + 2 %, 660 mm: 4.2017 mm LOW on the line, whatever is built."""
    roads = make_roads(slope_east=0.02, fold=-0.04, fold_azimuth=np.pi / 2)
    notes = find(make_structures(overlay=0.1), roads, rules=RuleSet(max_edge_gap=0.004)).notes()
    assert notes["edge_past_limit"] == near((4.2017, 4.0), 5e-5)


def test_without_an_axis_the_whole_slope_is_judged(make_structures, make_roads, find):
    """3 and 4 %: neither along nor across is known, so 5 % stands for both."""
    rules = RuleSet(max_grade=0.045, max_cross_slope=0.045)
    roads = make_roads(slope_east=0.03, slope_north=0.04)
    notes = find(make_structures(axis=np.nan, overlay=0.1), roads, rules=rules).notes()
    assert notes["grade_past_limit"] == near((5.0, 4.5))
    assert notes["cross_slope_past_limit"] == near((5.0, 4.5))
    notes = find(make_structures(overlay=0.1), roads, rules=rules).notes()
    assert not {"grade_past_limit", "cross_slope_past_limit"} & set(notes)


# --- rim and castings


@pytest.mark.parametrize(
    ("fields", "missing"),
    [
        ({}, True),
        ({"rim": 100.0}, False),
        ({"gap": 0.0}, False),
        ({"claimed_basis": 2}, False),
        ({"claimed_basis": 0}, False),
    ],
)
def test_a_rim_is_missed_where_one_was_promised(make_structures, find, fields, missing):
    assert ("rim_missing" in find(make_structures(**fields)).notes()) == missing


@pytest.mark.parametrize(("claimed", "told"), [(0, False), (1, True), (2, False)])
def test_a_rim_that_nobody_claims_cannot_disagree(make_structures, find, claimed, told):
    assert ("rim_disagrees" in find(make_structures(claimed_basis=claimed, rim=101.0)).notes()) == told


def test_a_bearing_far_off_is_told_with_its_depth(make_structures, find):
    assert find(make_structures(bearing=98.0)).notes()["bearing_disagrees"] == near((2000.0, 1200.0))
    assert find(make_structures(bearing=100.25)).notes()["bearing_disagrees"][0] == near(-250.0)
    assert "bearing_disagrees" not in find(make_structures(bearing=99.5)).notes()


def test_size_assumed_tells_the_size(make_structures, find):
    assert find(make_structures(size_known=False, flange_diameter=0.915)).notes()["casting_size_assumed"][0] == near(
        915.0
    )


@pytest.mark.parametrize(("east", "north"), [(0.03, 0.04), (0.0, -0.05)])
def test_a_tilted_bearing_tells_its_slope(make_structures, find, east, north):
    notes = find(make_structures(bearing=99.5, bearing_slope_east=east, bearing_slope_north=north)).notes()
    assert notes["bearing_tilted"][0] == near(5.0)
    assert "bearing_tilted" not in find(make_structures(bearing=99.5)).notes()


@pytest.mark.parametrize("who", [{"kind": VALVE}, {"floating": True}])
def test_no_bearing_is_missed_where_none_is_needed(make_structures, find, who):
    assert not {"bearing_missing", "chimney_total_unknown"} & set(find(make_structures(**who)).notes())


@pytest.mark.parametrize(
    ("given", "told"),
    [
        ({}, {"bearing_missing", "chimney_total_unknown"}),
        ({"bearing": 99.5}, set()),
        ({"existing_chimney": 0.1}, set()),
        ({"kind": INLET}, {"bearing_missing", "chimney_total_unknown"}),
        ({"bearing": 99.5, "casting_height": np.nan}, {"chimney_total_unknown"}),  # that casting stays
        ({"bearing": 99.5, "casting_height": np.nan, "new_casting_height": 0.2}, set()),
        ({"new_casting_height": np.nan}, {"bearing_missing"}),  # the change is unknown too
    ],
)
def test_what_is_missing_below_the_casting(make_structures, find, given, told):
    notes = find(make_structures(gap=0.0, **given)).notes()
    assert {"bearing_missing", "chimney_total_unknown"} & set(notes) == told
    unknown = any(np.isnan(given.get(name, 0.2)) for name in ("casting_height", "new_casting_height"))
    assert ("casting_unknown" in notes) == unknown


@pytest.mark.parametrize(
    ("down", "level", "code"),
    [
        (0.3, -1, "measure_down_from_missing"),
        (0.3, 0, None),
        (np.nan, -1, None),
        (2.4, -1, "measure_down_is_depth"),  # whatever it was measured from
        (2.4, 0, "measure_down_is_depth"),
    ],
)
def test_a_measure_down_says_what_from(make_structures, find, down, level, code):
    notes = find(make_structures(measure_down=down, measure_down_from=level)).notes()
    told = {"measure_down_from_missing", "measure_down_is_depth"} & set(notes)
    assert told == ({code} if code else set())


@pytest.mark.parametrize(("present", "told"), [(1, True), (0, False), (-1, False)])
def test_a_riser_on_the_frame_is_told(make_structures, find, present, told):
    assert ("riser_present" in find(make_structures(gap=0.0, riser_present=present)).notes()) == told


@pytest.mark.parametrize("condition", [*CONDITIONS, ""])
@pytest.mark.parametrize(
    ("fields", "asked"),
    [
        ({"existing_chimney": 0.15}, True),
        ({"existing_chimney": 0.15, "kind": KINDS.index("handhole")}, True),
        ({}, False),  # no old stack that is known
        ({"existing_chimney": 0.15, "floating": True}, False),
        ({"existing_chimney": 0.15, "kind": INLET}, False),
    ],
)
def test_the_condition_matters_where_a_stack_may_stay(make_structures, find, condition, fields, asked):
    index = CONDITIONS.index(condition) if condition else -1
    structures = make_structures(gap=0.0, overlay=0.056, chimney_condition=index, existing_rings=2.0, **fields)
    told = {"good": set(), "poor": {"condition_poor"}}.get(condition, {"condition_unknown"})
    for policy, expected in (("add_on_top", told if asked else set()), ("replace_all", set())):
        notes = find(structures, catalogue=PARTS, rules=RuleSet(existing_stack=policy)).notes()
        assert {"condition_poor", "condition_unknown"} & set(notes) == expected


def test_it_is_told_why_the_machine_has_to_go_round(make_structures, find):
    """Nothing but an opening of 1.2 m under a plate of 0.9 m: the notes differ by more than what traffic meets."""
    traffic = {"bump_to_traffic", "hole_to_traffic"}
    narrow, wide = (set(find(make_structures(mill=0.04, bearing_inside_diameter=d)).notes()) for d in (0.6, 1.2))
    assert wide - traffic != narrow - traffic


# --- sd on the frame's edge


@pytest.mark.parametrize(
    ("covariance", "sd"),
    [
        (np.diag([4e-6, 0, 0]), 0.002),  # height alone
        (np.diag([0, 9e-6, 0]), 0.33 * 0.003),  # a tilt to the east, at the east end
        (np.diag([4e-6, 9e-6, 1e-6]), np.sqrt(4e-6 + 0.33**2 * 9e-6)),
        (1e-6 * np.array([[1, 0.5, 0], [0.5, 1, 0], [0, 0, 0]]), np.sqrt(1e-6 * (1 + 0.33**2 + 2 * 0.33 * 0.5))),
        (1e-6 * np.array([[1, 0, -0.5], [0, 0, 0], [-0.5, 0, 1]]), np.sqrt(1e-6 * (1 + 0.33**2 + 2 * 0.33 * 0.5))),
    ],
)
def test_edge_sd_in_closed_form(make_roads, covariance, sd):
    assert edge_sd(make_roads(covariance=covariance), np.array([0.33])).tolist() == near([sd], 1e-12)


@given(st.lists(st.floats(-1, 1), min_size=9, max_size=9), st.floats(0.05, 1.5))
@settings(max_examples=50, deadline=None)
def test_edge_sd_equals_a_dense_search(make_roads, numbers, radius):
    half = 1e-3 * np.array(numbers).reshape(3, 3)
    covariance = half @ half.T
    azimuth = np.arange(3600) * (2 * np.pi / 3600)
    basis = np.stack([np.ones_like(azimuth), radius * np.sin(azimuth), radius * np.cos(azimuth)])
    dense = np.sqrt(np.maximum(np.einsum("ik,ij,jk->k", basis, covariance, basis), 0).max())
    found = edge_sd(make_roads(covariance=covariance), np.array([radius]))[0]
    assert 0.98 * dense - 1e-12 <= found <= dense + 1e-12  # 16 places; at most 11.25 degrees off: cos^2 > 0.96


def test_verdicts_have_one_row_each(make_structures, find):
    found = find(make_structures(5))
    assert {len(getattr(found.verdicts, item.name)) for item in fields(found.verdicts)} == {5}


@pytest.mark.parametrize("lost", ["none", "rough"])
def test_a_flag_of_both_roads_stands_once(make_structures, make_roads, make_no_roads, find, lost):
    if lost == "none":
        roads = (make_no_roads(), make_no_roads())
    else:
        roads = (make_roads(rms=0.03), make_roads(rms=0.05))
    found = find(make_structures(), *roads)
    codes = [FLAGS[code].code for code in found.reasons.code]
    assert len(set(codes)) == len(codes)
    if lost == "rough":
        assert found.notes()["rough_road"][0] == pytest.approx(50.0)
