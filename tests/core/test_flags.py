"""Flags: each is raised by something, says what it needs in its sentence, and is kept in the unit it promises."""

import string

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geoadjust.core.columns import KINDS, READY, SEVERITIES
from geoadjust.core.flag_list import FLAGS, INFO, MEASURE, ORDER, REVIEW, STOP, UNKNOWN, WARN
from geoadjust.core.flags import CODES, READINESS, SEVERITY, Notes
from geoadjust.core.judge import Setting
from geoadjust.core.parts import Catalogue, LinerPart, RingPart, RiserPart
from geoadjust.core.ring import Ring
from geoadjust.core.rules import RuleSet

AT_THE_DOOR = (
    "position_missing", "blank_id", "duplicate_id", "same_place", "kind_unknown", "value_unreadable",
    "value_implausible", "not_in_catalogue", "paving_unstated", "axis_ambiguous", "batch_bias",
    "frame_azimuth_missing", "paving_off_plan", "area_overlap",
)  # fmt: skip
PARTS = Catalogue(ring=(RingPart("R", 0.05),), riser=(RiserPart("U", 0.04),))
SEATED = Catalogue(riser=(RiserPart("U", 0.04, seat_diameter=0.6),))
NARROW = Catalogue(ring=(RingPart("R", 0.05, outside_diameter=0.95, inside_diameter=0.88),))
LINED = Catalogue(liner=(LinerPart("L", outside_diameter=0.8, inside_diameter=0.7, height=0.15),))
FIXED = Catalogue(ring=(RingPart("T", thin=0.014, thick=0.086, outside_diameter=0.9, inside_diameter=0.61),))
OTHER_PARTS = {
    "no_ring_slope": FIXED,
    "seat_unknown": SEATED, "no_riser_seats": SEATED, "foot_off_bearing": NARROW, "liner_does_not_clear": LINED,
    "liner_unchecked": LINED, "liner_too_short": LINED, "liner_too_long": LINED,
}  # fmt: skip
CARRIED = {"flange_inside_diameter": 0.6, "ridge_diameter": 0.0}

# code: fields of the structure, of the road, rules
CASES = {
    "axis_missing": ({"axis": np.nan}, {}, {}),
    "profile_unknown": ({"mill": 0.04}, {"cross_slope": 0.02}, {}),
    "profile_far": ({"mill": 0.04, "crown_offset": 4.0}, {"cross_slope": 0.02}, {}),
    "street_side_unknown": ({"kind": KINDS.index("inlet")}, {}, {}),
    "not_paved": ({"paved": 0}, {}, {}),
    "mill_boundary_in_ring": ({"area_edge": 1.0}, {}, {}),
    "no_surface": ({}, None, {}),
    "surface_too_coarse": ({}, {"none": True, "spacing": 2.0}, {}),
    "few_samples": ({}, {"none": True, "samples": 5, "pattern": 20}, {}),
    "ring_gap": ({}, {"covariance": np.diag([1e-4, 0.0, 0.0])}, {}),
    "ring_widened": ({}, {"spacing": 1.0, "widened": True}, {}),
    "rough_road": ({}, {"rms": 0.02}, {}),
    "edge_in_ring": ({}, {"samples": 70, "left_out": 30}, {}),
    "crown_under_cover": ({}, {"slope_east": 0.02, "fold": -0.04, "fold_azimuth": np.pi / 2}, {}),
    "steep": ({}, {"slope_north": 0.12}, {}),
    "bar_unreadable": ({}, {}, {"rim_reference": "bar"}),
    "rim_missing": ({}, {}, {}),
    "rim_disagrees": ({"rim": 101.0}, {}, {}),
    "assumed_flush": ({}, {}, {}),
    "accuracy_unknown": ({"rim": 100.0}, {}, {}),
    "lower_before_milling": ({"mill": 0.04, "overlay": 0.05}, {}, {}),
    "bump_to_traffic": ({"overlay": 0.05}, {}, {"sequence": "raise_before_paving"}),
    "hole_to_traffic": ({"mill": 0.04, "overlay": 0.05}, {}, {}),
    "plate_too_high": ({"mill": 0.04, "overlay": 0.05, "casting_height": 0.06}, {}, {}),
    "plate_has_no_seat": ({"mill": 0.04, "overlay": 0.05, "bearing_inside_diameter": 1.2}, {}, {}),
    "plate_seat_unknown": ({"mill": 0.04, "overlay": 0.05}, {}, {}),
    "grade_past_limit": ({}, {"slope_north": 0.08}, {"max_grade": 0.05}),
    "cross_slope_past_limit": ({}, {"slope_east": 0.08}, {"max_cross_slope": 0.05}),
    "edge_past_limit": ({"gap": 0.004}, {}, {"max_edge_gap": 0.003}),
    "bearing_missing": ({}, {}, {}),
    "bearing_disagrees": ({"bearing": 0.0}, {}, {}),
    "measure_down_from_missing": ({"measure_down": 0.3}, {}, {}),
    "measure_down_is_depth": ({"measure_down": 3.0, "measure_down_from": 0}, {}, {}),
    "chimney_total_unknown": ({}, {}, {}),
    "casting_unknown": ({"casting_height": np.nan}, {}, {}),
    "casting_size_assumed": ({"size_known": False}, {}, {}),
    "new_casting": ({"recast": True}, {}, {}),
    "riser_present": ({"riser_present": 1}, {}, {}),
    "condition_unknown": ({"existing_chimney": 0.1}, {}, {"existing_stack": "add_on_top"}),
    "condition_poor": ({"existing_chimney": 0.1, "chimney_condition": 1}, {}, {"existing_stack": "add_on_top"}),
    "rings_unknown": (
        {"existing_chimney": 0.1, "chimney_condition": 0, "overlay": 0.056},
        {},
        {"existing_stack": "add_on_top"},
    ),
    "bearing_tilted": ({"bearing": 99.7, "bearing_slope_east": 0.02}, {}, {}),
    "monument": ({"kind": KINDS.index("monument")}, {}, {}),
    "other_owner": ({"other_owner": True}, {}, {}),
    "measure_on_site": ({"kind": KINDS.index("inlet")}, {}, {}),
    "casting_floats": ({"floating": True}, {}, {}),
    "travel_unknown": ({"kind": KINDS.index("valve")}, {}, {}),
    "past_travel": ({"kind": KINDS.index("valve"), "overlay": 0.1, "travel": 0.05}, {}, {}),
    "not_flush": ({"gap": 0.02}, {}, {}),
    "tilt_off": ({"gap": 0.0}, {"design": {"slope_east": 0.02}}, {}),
    "raise_past_riser": ({"overlay": 0.1}, {}, {}),
    "no_riser_fits": ({"overlay": 0.03}, {}, {}),
    "seat_unknown": ({"overlay": 0.04}, {}, {}),
    "no_riser_seats": ({"overlay": 0.04, "seat_diameter": 0.5}, {}, {}),
    "riser_not_allowed": ({"overlay": 0.04, "riser_present": 1}, {}, {}),
    "no_ring_stack": ({"bearing": 99.7}, {}, {}),
    "no_ring_slope": ({"bearing": 99.7}, {"slope_east": 0.05}, {"max_rings": 1}),
    "taper_past_limit": ({"bearing": 99.7}, {"slope_east": 0.05}, {}),
    "foot_off_bearing": ({"bearing": 99.7}, {}, {}),
    "liner_does_not_clear": ({"bearing": 99.7, "flange_inside_diameter": 0.6, "ridge_diameter": 0.75}, {}, {}),
    "liner_unchecked": ({"bearing": 99.7}, {}, {}),
    "liner_too_short": ({"bearing": 99.77, **CARRIED}, {}, {}),
    "liner_too_long": ({"bearing": 99.6, **CARRIED}, {}, {}),
    "rings_past_limit": ({"bearing": 99.55}, {}, {"max_rings": 2}),
    "chimney_past_limit": ({"bearing": 99.4}, {}, {}),
    "chimney_too_thin": ({"bearing": 99.78}, {}, {}),
    "bearing_too_high": ({"bearing": 99.9}, {}, {}),
    "lowering_exceeds_stack": ({"gap": 0.1, "existing_chimney": 0.05}, {}, {}),
}


ON_THE_BEARING = (
    *("reference_missing", "readings_few", "readings_in_line", "no_check_reading", "misread"),
    *("casting_not_measured", "casting_off_catalogue", "bearing_off_level", "off_plan", "slope_off_plan"),
)
"""Raised in test_measured.py."""


@pytest.fixture
def notes_of(make_structures, make_roads, make_no_roads, find):
    def notes_of(code):
        fields, road, rules = CASES[code]
        road = {"none": True} if road is None else dict(road)
        maker = make_no_roads if road.pop("none", False) else make_roads
        design = road.pop("design", None)
        finished = make_roads(**design) if design else None
        setting = Setting(Ring(), rough=0.010, cross_slope=road.pop("cross_slope", None))
        given = {"rules": RuleSet(**rules), "catalogue": OTHER_PARTS.get(code, PARTS), "setting": setting}
        return find(make_structures(**fields), maker(**road), finished, **given).notes()

    return notes_of


def test_every_flag_is_raised_by_a_case_or_at_the_door():
    assert sorted([*CASES, *AT_THE_DOOR, *ON_THE_BEARING]) == sorted(flag.code for flag in FLAGS)


@pytest.mark.parametrize("code", CASES)
def test_raised(notes_of, code):
    assert code in notes_of(code)


@pytest.mark.parametrize("code", CASES)
def test_numbers_that_the_sentence_uses_are_given(notes_of, code):
    names = {name for _, name, _, _ in string.Formatter().parse(FLAGS[CODES[code]].text) if name}
    value, limit = notes_of(code)[code]
    assert "value" not in names or np.isfinite(value)
    assert "limit" not in names or np.isfinite(limit)
    assert "subject" not in names  # only the door speaks of a column


@pytest.mark.parametrize(
    ("codes", "fields", "road"),
    [
        # a plain case raises what it must and nothing else
        (set(), {"gap": 0.0, "bearing": 99.5}, {}),
        ({"bearing_missing", "chimney_total_unknown"}, {"gap": 0.0}, {}),
        ({"rim_missing", "assumed_flush", "bearing_missing", "chimney_total_unknown", "raise_past_riser"}, {}, {}),
        ({"monument", "bearing_missing", "chimney_total_unknown"}, {"kind": 4, "gap": 0.0}, {}),
    ],
)
def test_nothing_else_is_raised(make_structures, make_roads, find, codes, fields, road):
    assert set(find(make_structures(**fields), make_roads(**road), catalogue=PARTS).notes()) == codes


# --- the table


@pytest.mark.parametrize("flag", FLAGS, ids=lambda flag: flag.code)
def test_each_flag_is_whole(flag):
    assert flag.code == flag.code.lower()
    assert " " not in flag.code  # codes are joined by blanks
    assert flag.severity in range(len(SEVERITIES))
    assert flag.ready in (ORDER, MEASURE, REVIEW, UNKNOWN)
    assert flag.unit in Notes.FACTORS
    assert flag.text.endswith(".")


@pytest.mark.parametrize("flag", FLAGS, ids=lambda flag: flag.code)
def test_sentences_use_the_three_names_only(flag):
    parts = list(string.Formatter().parse(flag.text))
    assert {name for _, name, _, _ in parts if name is not None} <= {"value", "limit", "subject"}
    assert not any(form or conversion for _, _, form, conversion in parts)
    if flag.unit:
        assert "{value}" in flag.text or "{limit}" in flag.text  # what else would the unit be for


def test_codes_are_unique_and_found():
    assert len(CODES) == len(FLAGS)
    assert all(FLAGS[index].code == code for code, index in CODES.items())
    assert [flag.severity for flag in FLAGS] == list(SEVERITY)
    assert [flag.ready for flag in FLAGS] == list(READINESS)


def test_an_office_run_never_says_more_than_order():
    """It lets parts be ordered; no word of it lets anything be cut."""
    assert READY == ("order", "measure", "review", "unknown", "cut")
    assert (ORDER, MEASURE, REVIEW, UNKNOWN) == (0, 1, 2, 3)
    assert {READY[flag.ready] for flag in FLAGS} == set(READY) - {"cut"}


@pytest.mark.parametrize(
    "code",
    ["bearing_missing", "chimney_total_unknown", "rim_missing", "plate_seat_unknown", "bump_to_traffic",
     "hole_to_traffic"],
)  # fmt: skip
def test_what_the_ordered_parts_do_not_rest_on_lets_them_be_ordered(code):
    assert FLAGS[CODES[code]].ready == ORDER


def test_information_alone_never_asks_for_a_review_but_for_kinds_measured_on_site():
    assert [flag.code for flag in FLAGS if flag.severity == INFO and flag.ready > MEASURE] == ["measure_on_site"]


def test_what_has_no_raise_is_a_stop():
    assert all(flag.severity == STOP for flag in FLAGS if flag.ready == UNKNOWN)


def test_a_steep_street_warns_and_does_not_stop():
    flag = FLAGS[CODES["steep"]]
    assert (flag.severity, flag.ready) == (WARN, ORDER)


def test_readiness_and_severity_get_worse_upwards():
    assert SEVERITIES == ("info", "warn", "stop")
    assert READY.index("order") < READY.index("measure") < READY.index("review") < READY.index("unknown")


# --- notes


def test_values_are_kept_in_the_flag_s_unit():
    notes = Notes(1)
    notes.add("steep", np.array([True]), 0.12, 0.10)  # per cent
    notes.add("axis_ambiguous", np.array([True]), np.pi / 6)  # degrees
    notes.add("rough_road", np.array([True]), 0.0123, 0.010)  # millimetres
    notes.add("duplicate_id", np.array([True]), 3.0)  # a plain count
    found = notes.reasons(np.array([7]))
    kept = {FLAGS[code].code: (v, w) for code, v, w in zip(found.code, found.value, found.limit, strict=True)}
    assert kept["steep"] == (12.0, 10.0)
    assert kept["axis_ambiguous"][0] == 30.0
    assert kept["rough_road"] == (12.3, 10.0)
    assert kept["duplicate_id"][0] == 3.0
    assert np.isnan(kept["duplicate_id"][1])


def test_a_note_takes_its_value_from_its_row():
    notes = Notes(3)
    notes.add("rough_road", np.array([True, False, True]), np.array([0.011, 0.5, 0.013]), 0.010)
    found = notes.reasons(np.array([40, 41, 42]))
    assert found.row.tolist() == [40, 42]
    assert found.value.tolist() == [11.0, 13.0]
    assert found.limit.tolist() == [10.0, 10.0]
    assert found.subject.tolist() == [-1, -1]


def test_unknown_code_is_refused():
    with pytest.raises(KeyError, match="no_such_flag"):
        Notes(1).add("no_such_flag", np.array([True]))


@given(order=st.permutations(range(8)))
@settings(max_examples=40, deadline=None)
def test_reasons_stand_by_row_and_table_whatever_came_first(order):
    notes = Notes(3)
    added = [
        ("steep", [True, True, False], -1), ("no_surface", [False, False, True], -1),
        ("monument", [True, False, True], -1),
        ("value_unreadable", [True, False, False], 5), ("value_unreadable", [True, False, False], 2),
        ("assumed_flush", [True, True, True], -1), ("blank_id", [False, True, False], -1),
        ("rim_missing", [True] * 3, -1),
    ]  # fmt: skip
    for index in order:
        code, where, subject = added[index]
        notes.add(code, np.array(where), 1.0, 2.0, subject)
    found = notes.reasons(np.array([12, 3, 9]))  # rows need not run upwards: structures keep their order
    keys = list(zip(found.row.tolist(), found.code.tolist(), found.subject.tolist(), strict=True))
    expected = [
        (row, CODES[code], subject)
        for place, row in enumerate((12, 3, 9))
        for code, where, subject in sorted(added, key=lambda item: (CODES[item[0]], item[2]))
        if where[place]
    ]
    assert keys == expected


def test_worst_of_the_notes():
    notes = Notes(5)
    notes.add("assumed_flush", np.array([True, True, True, False, False]))
    notes.add("steep", np.array([False, True, True, False, True]), 0.1, 0.1)
    notes.add("no_surface", np.array([False, False, True, False, False]))
    assert notes.worst(SEVERITY, INFO).tolist() == [INFO, WARN, STOP, INFO, WARN]
    assert notes.worst(READINESS, ORDER).tolist() == [MEASURE, MEASURE, UNKNOWN, ORDER, ORDER]
    assert notes.worst(READINESS, MEASURE).tolist() == [MEASURE, MEASURE, UNKNOWN, MEASURE, MEASURE]
    assert Notes(2).worst(READINESS, MEASURE).tolist() == [MEASURE, MEASURE]


def test_notes_of_nobody():
    notes = Notes(2)
    notes.add("steep", np.array([False, False]), 0.1, 0.1)
    assert len(notes.reasons(np.arange(2))) == 0
