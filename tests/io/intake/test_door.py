"""The door: a row as it stands becomes a structure in SI units, with every doubt noted and no row lost."""

from __future__ import annotations

import math

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geoadjust.core.columns import CONDITIONS, KINDS, REFERENCES, RIM_BASES, arrays_of
from geoadjust.core.flags import FLAGS
from geoadjust.core.inputs import INPUT_NAMES
from geoadjust.core.parts import CastingPart, Catalogue
from geoadjust.core.rules import FinishedTable, Job, OutputTable, RuleSet, StructuresTable, SurfaceTable
from geoadjust.io.intake.door import AXIS_CENTRELINE, AXIS_COLUMN, Door, choose_rule_sets, towards_street
from geoadjust.io.intake.structures import RawBatch, StructureFacts, find_columns
from geoadjust.io.lines.areas import Areas
from geoadjust.io.lines.centrelines import Axes

INCH, FOOT, US_FOOT = 0.0254, 0.3048, 1200 / 3937
ROUND = math.nan
CASTINGS = (
    CastingPart("A", height=0.20, frame_top_diameter=(0.66, ROUND), flange_outside_diameter=(0.90, ROUND)),
    CastingPart(
        "B",
        height=0.15,
        frame_top_diameter=(0.61, ROUND),
        flange_outside_diameter=(0.80, ROUND),
        flange_inside_diameter=0.60,
        ridge_diameter=0.65,
        seat_diameter=0.59,
        floating=True,
        travel=0.05,
    ),
    CastingPart("G", height=0.12, frame_top_diameter=(0.45, 0.60), flange_outside_diameter=(0.50, 0.70)),
)


def make_job(finished=(), rules=None, **structures):
    table = StructuresTable(path="covers.gpkg", **structures)
    return Job(
        structures=table,
        surface=(SurfaceTable("road.tif"),),
        output=OutputTable(),
        finished=finished,
        rules=rules or (RuleSet(),),
    )


def make_raw(cells, first=0, parts=None, elevation=None):
    n = len(next(iter(cells.values())))
    table = pa.table(
        {name: values if isinstance(values, pa.Array) else pa.array(values) for name, values in cells.items()}
    )
    parts = np.ones(n, dtype=np.int64) if parts is None else np.array(parts)
    east = np.where(parts == 1, 500_000.0 + np.arange(n), np.nan)
    north = np.where(parts == 1, 4e6, np.nan)
    height = np.full(n, np.nan) if elevation is None else np.array(elevation, dtype=float)
    return RawBatch(first, table, east, north, height, parts, np.stack([east, north], axis=1))


def make_door(names, job, *, unit="m", find_axes=None, find_areas=None, catalogue=CASTINGS):
    columns, faults = find_columns(names, job.structures.columns)
    assert not faults
    facts = StructureFacts("covers.gpkg", "GPKG", "covers", "EPSG:32617", tuple(names), columns, "sha256:0")
    return Door(
        job=job,
        facts=facts,
        catalogue=Catalogue(casting=tuple(catalogue)),
        vertical_unit=unit,
        find_axes=find_axes,
        find_convergence=lambda east, north: np.zeros(len(east)),
        find_areas=find_areas,
    )


def take_in(cells, job=None, *, first=0, parts=None, elevation=None, duplicates=None, neighbours=None, **door):
    job = job or make_job(dimension_unit="in")
    raw = make_raw(cells, first, parts, elevation)
    ones = np.ones(len(raw), dtype=np.int64)
    duplicates, neighbours = (ones if counts is None else np.array(counts) for counts in (duplicates, neighbours))
    return make_door(list(cells), job, **door).take_in(raw, duplicates, neighbours)


def notes(intake):
    """(row, code, subject) of every reason."""
    reasons = intake.reasons
    rows = zip(reasons.row.tolist(), reasons.code.tolist(), reasons.subject.tolist(), strict=True)
    return [(row, FLAGS[code].code, INPUT_NAMES[subject] if subject >= 0 else "") for row, code, subject in rows]


def figures(intake, code):
    """Value and limit of every reason of one code."""
    reasons = intake.reasons
    kept = [i for i, number in enumerate(reasons.code.tolist()) if FLAGS[number].code == code]
    return [(reasons.value[i], reasons.limit[i]) for i in kept]


# ---------------------------------------------------------------- units


@pytest.mark.parametrize(("unit", "metres"), [("m", 1.0), ("ft", FOOT), ("us-ft", US_FOOT)])
def test_heights_are_in_the_vertical_unit_and_sizes_in_the_dimension_unit(unit, metres):
    cells = {
        "id": ["a"],
        "rim": [100.0],
        "bearing": [98.5],
        "measure_down": [1.5],
        "casting_height": [8.0],
        "gap": [-0.5],
    }
    found = take_in(cells, make_job(dimension_unit="in"), unit=unit)
    structures = found.structures
    heights = [structures.rim[0], structures.bearing[0], structures.measure_down[0]]
    np.testing.assert_allclose(heights, np.array([100.0, 98.5, 1.5]) * metres, rtol=1e-14)
    np.testing.assert_allclose([structures.casting_height[0], structures.gap[0]], [8 * INCH, -0.5 * INCH], rtol=1e-14)
    assert notes(found) == []


def test_every_dimension_follows_the_dimension_unit():
    cells = {
        name: [100.0]
        for name in (
            "casting_height",
            "existing_chimney",
            "flange_outside_diameter",
            "frame_top_diameter",
            "flange_inside_diameter",
            "ridge_diameter",
            "seat_diameter",
            "bearing_outside_diameter",
            "bearing_inside_diameter",
            "travel",
            "mill",
            "overlay",
        )
    }
    structures = take_in({"id": ["a"], **cells}, make_job(dimension_unit="mm")).structures
    fields = ("casting_height", "existing_chimney", "flange_diameter", "old_flange_diameter", "frame_top_diameter")
    own = [name for name in cells if name not in ("flange_outside_diameter", "casting_height")]
    for name in (*fields, *own):
        assert getattr(structures, name).tolist() == [pytest.approx(0.1, rel=1e-14)], name


def test_the_distance_from_the_crown_line_follows_the_vertical_unit():
    found = take_in({"id": ["a"], "crown_offset": [-20.0]}, unit="us-ft")
    assert found.structures.crown_offset.tolist() == [pytest.approx(-20 * US_FOOT, rel=1e-14)]


def test_feet_in_texts_are_those_of_the_layer():
    structures = take_in({"id": ["a"], "rim": ["1000 ft"]}, unit="us-ft").structures
    assert structures.rim[0] == pytest.approx(1000 * US_FOOT, rel=1e-12)


def test_rims_may_come_from_the_points_z():
    job = make_job(columns={"rim": "@z"})
    found = take_in({"id": ["a", "b"]}, job, elevation=[10.0, math.nan], unit="ft")
    np.testing.assert_allclose(found.structures.rim, [10 * FOOT, math.nan])
    assert notes(found) == []


def test_unreadable_and_implausible_cells_are_left_out_and_named():
    cells = {"id": ["a", "b", "c"], "rim": ["n/a", "-9999", "12.5"], "mill": ["2 in", "75", "x"], "overlay": ["0"] * 3}
    found = take_in(cells)
    np.testing.assert_array_equal(found.structures.rim, [math.nan, math.nan, 12.5])
    np.testing.assert_allclose(found.structures.mill, [2 * INCH, math.nan, math.nan])
    assert notes(found) == [
        (0, "value_unreadable", "rim"),
        (1, "value_implausible", "rim"),
        (1, "value_implausible", "mill"),
        (1, "paving_unstated", "mill"),
        (2, "value_unreadable", "mill"),
        (2, "paving_unstated", "mill"),
    ]
    assert figures(found, "value_implausible") == [(-9999.0, -500.0), (pytest.approx(75 * INCH), 0.6)]


# ---------------------------------------------------------------- words


def test_words_of_the_row():
    cells = {
        "id": ["a", "b", "c"],
        "measure_down_from": ["Finished", "", "kerb"],
        "chimney_condition": ["POOR", None, "good"],
        "riser_present": ["yes", "", "perhaps"],
    }
    found = take_in(cells)
    assert found.structures.measure_down_from.tolist() == [REFERENCES.index("finished"), -1, -1]
    assert found.structures.chimney_condition.tolist() == [CONDITIONS.index("poor"), -1, CONDITIONS.index("good")]
    assert found.structures.riser_present.tolist() == [1, -1, -1]
    assert notes(found) == [(2, "value_unreadable", "measure_down_from"), (2, "value_unreadable", "riser_present")]


def test_kinds_of_the_owner_and_the_default_kind():
    job = make_job(kinds={"CB": "inlet"}, default_kind="valve")
    found = take_in({"id": ["a", "b", "c", "d"], "kind": ["cb", "Manhole", "", "tree"]}, job)
    assert [KINDS[kind] for kind in found.structures.kind] == ["inlet", "manhole", "valve", "valve"]
    assert notes(found) == [(3, "kind_unknown", "")]


@pytest.mark.parametrize(
    ("owners", "expected"), [([], [False, False, False]), (["City", "County"], [False, True, False])]
)
def test_other_owners(owners, expected):
    found = take_in({"id": ["a", "b", "c"], "owner": ["City", "Gas works", ""]}, make_job(owners=owners))
    assert found.structures.other_owner.tolist() == expected


@pytest.mark.parametrize(
    ("basis", "names", "expected"),
    [
        ("", ["rim"], "surveyed"),
        ("", ["note"], "assumed_flush"),
        ("assumed_flush", ["rim"], "assumed_flush"),
        ("gap", ["gap"], "gap"),
        ("", ["gap"], "gap"),
        ("", ["rim", "gap"], "surveyed"),
    ],
)
def test_what_the_job_claims_of_the_rims(basis, names, expected):
    found = take_in({name: ["0.1 m"] for name in ["id", *names]}, make_job(rim_basis=basis))
    assert [RIM_BASES[index] for index in found.structures.claimed_basis] == [expected]


# ---------------------------------------------------------------- castings


def castings(job=None, **cells):
    """One structure with these cells, as numbers in metres."""
    job = job or make_job(dimension_unit="m")
    found = take_in({"id": ["a"], **{name: [cell] for name, cell in cells.items()}}, job)
    names = ("casting_height", "new_casting_height", "flange_diameter", "old_flange_diameter", "frame_top_diameter")
    return {name: float(getattr(found.structures, name)[0]) for name in names}, found


def test_sizes_from_the_catalogue():
    sizes, found = castings(casting="A")
    assert sizes == {
        "casting_height": 0.20,
        "new_casting_height": 0.20,
        "flange_diameter": 0.90,
        "old_flange_diameter": 0.90,
        "frame_top_diameter": 0.66,
    }
    assert (found.structures.casting.tolist(), found.structures.size_known.tolist()) == ([0], [True])
    assert not found.structures.recast.any()


def test_what_is_stated_at_the_structure_beats_the_catalogue():
    sizes, _ = castings(casting="A", casting_height=0.18, flange_outside_diameter=0.85, frame_top_diameter=0.6)
    assert list(sizes.values()) == [0.18, 0.18, 0.85, 0.85, 0.6]


def test_a_new_casting_brings_its_own_sizes():
    # the old height leads to the bearing, the new one to the new chimney
    sizes, found = castings(casting="A", new_casting="B")
    assert list(sizes.values()) == [0.20, 0.15, 0.80, 0.90, 0.61]
    assert found.structures.recast.tolist() == [True]


def test_a_stated_new_height_beats_the_new_casting():
    sizes, found = castings(casting="A", new_casting="B", new_casting_height=0.17)
    assert (sizes["casting_height"], sizes["new_casting_height"]) == (0.20, 0.17)
    sizes, found = castings(casting="A", new_casting_height=0.17)
    assert sizes["new_casting_height"] == 0.17
    assert found.structures.recast.tolist() == [True]


def test_sizes_of_today_do_not_speak_of_the_new_casting():
    sizes, _ = castings(new_casting="B", flange_outside_diameter=0.85, frame_top_diameter=0.6)
    assert (sizes["flange_diameter"], sizes["old_flange_diameter"], sizes["frame_top_diameter"]) == (0.80, 0.85, 0.61)


def test_usual_sizes_stand_in_and_say_so():
    rules = RuleSet(usual_flange_diameter=0.95, usual_frame_diameter=0.7)
    sizes, found = castings(make_job(rules=(rules,)))
    assert (sizes["flange_diameter"], sizes["old_flange_diameter"], sizes["frame_top_diameter"]) == (0.95, 0.95, 0.7)
    assert math.isnan(sizes["casting_height"])
    assert not found.structures.size_known.any()


def test_a_usual_frame_is_never_wider_than_the_flange():
    sizes, _ = castings(flange_outside_diameter=0.5)
    assert sizes["frame_top_diameter"] == 0.5


def test_castings_that_are_not_listed():
    cells = {"id": ["a", "b", "c"], "casting": ["a", "A ", ""], "new_casting": ["", "", "Z"]}
    found = take_in(cells)
    assert found.structures.casting.tolist() == [-1, 0, -1]  # names are taken to the letter, blanks around them are not
    assert notes(found) == [(0, "not_in_catalogue", "casting"), (2, "not_in_catalogue", "new_casting")]


def test_usual_sizes_are_those_of_the_structures_rule_set():
    rules = (
        RuleSet(name="valves", kinds=("valve",), usual_flange_diameter=0.3, usual_frame_diameter=0.25),
        RuleSet(),
    )
    found = take_in({"id": ["a", "b"], "kind": ["manhole", "valve"]}, make_job(rules=rules))
    assert found.structures.rule_set.tolist() == [1, 0]
    assert found.structures.flange_diameter.tolist() == [0.915, 0.3]
    assert found.structures.frame_top_diameter.tolist() == [0.66, 0.25]


def frame(found, *names):
    return [float(getattr(found.structures, name)[0]) for name in names]


SIDES = ("frame_top_diameter", "frame_top_length", "flange_diameter", "flange_length")
DETAILS = ("flange_inside_diameter", "ridge_diameter", "seat_diameter", "travel")


def test_a_round_casting_has_no_length_and_lies_anyhow():
    _, found = castings(casting="A", axis=30.0)
    np.testing.assert_array_equal(frame(found, *SIDES), [0.66, math.nan, 0.90, math.nan])
    assert found.structures.frame_azimuth.tolist() == [0.0]
    assert notes(found) == []


def test_a_rectangular_casting_of_the_catalogue():
    _, found = castings(casting="G", axis=30.0)
    assert frame(found, *SIDES) == [0.45, 0.60, 0.50, 0.70]
    assert frame(found, "frame_azimuth") == [pytest.approx(math.radians(30))]
    # the flange of today reaches to its corners: diagonal by Pythagoras
    assert frame(found, "old_flange_diameter") == [pytest.approx(math.sqrt(0.5**2 + 0.7**2))]
    assert notes(found) == []


def test_sizes_of_the_row_may_be_rectangles():
    job = make_job(dimension_unit="in")
    cells = {"id": ["a"], "frame_top_diameter": ["24x36"], "flange_outside_diameter": ["28 in x 1000 mm"]}
    found = take_in({**cells, "casting": ["A"], "frame_azimuth": ["-90"], "axis": ["30"]}, job)
    np.testing.assert_allclose(frame(found, *SIDES), [24 * INCH, 36 * INCH, 28 * INCH, 1.0], rtol=1e-14)
    assert frame(found, "frame_azimuth") == [pytest.approx(1.5 * math.pi)]  # its own beats the street's
    assert found.structures.size_known.tolist() == [True]
    assert notes(found) == []


def test_a_round_size_of_the_row_beats_a_rectangle_of_the_catalogue_with_both_sides():
    sizes, found = castings(casting="G", flange_outside_diameter=0.9, frame_top_diameter=0.6)
    np.testing.assert_array_equal(frame(found, *SIDES), [0.6, math.nan, 0.9, math.nan])
    assert sizes["old_flange_diameter"] == 0.9


def test_a_rectangle_takes_the_place_of_a_round_casting_and_the_other_way_round():
    sizes, found = castings(casting="A", new_casting="G", axis=0.0)
    assert frame(found, *SIDES) == [0.45, 0.60, 0.50, 0.70]
    assert sizes["old_flange_diameter"] == 0.90
    sizes, found = castings(casting="G", new_casting="A")
    np.testing.assert_array_equal(frame(found, *SIDES), [0.66, math.nan, 0.90, math.nan])
    assert sizes["old_flange_diameter"] == pytest.approx(math.hypot(0.5, 0.7))
    assert notes(found) == []


def test_a_rectangular_frame_without_a_direction_is_noted():
    found = take_in({"id": ["a", "b", "c"], "casting": ["G", "A", "G"], "frame_azimuth": ["", "", "20"]})
    np.testing.assert_allclose(found.structures.frame_azimuth, [math.nan, 0.0, math.radians(20)])
    assert notes(found) == [(0, "frame_azimuth_missing", "")]


def test_a_usual_frame_fits_into_a_rectangular_flange():
    sizes, _ = castings(make_job(dimension_unit="m"), flange_outside_diameter="0.8x0.5", axis=0.0)
    assert sizes["frame_top_diameter"] == 0.5


def test_what_hangs_below_the_flange_and_the_like_from_the_catalogue():
    _, found = castings(casting="B")
    assert frame(found, *DETAILS) == [0.60, 0.65, 0.59, 0.05]
    assert found.structures.floating.tolist() == [True]
    _, found = castings(casting="A")
    assert np.isnan(frame(found, *DETAILS)).all()
    assert found.structures.floating.tolist() == [False]


def test_details_of_the_row_beat_the_catalogue():
    own = {"flange_inside_diameter": 0.55, "ridge_diameter": 0.0, "seat_diameter": 0.58, "travel": 0.1}
    _, found = castings(casting="B", floating="no", **own)
    assert frame(found, *DETAILS) == list(own.values())
    assert found.structures.floating.tolist() == [False]


def test_details_of_today_do_not_speak_of_the_new_casting():
    own = {"flange_inside_diameter": 0.55, "ridge_diameter": 0.0, "seat_diameter": 0.58, "travel": 0.1}
    _, found = castings(casting="A", new_casting="B", floating="no", **own)
    assert frame(found, *DETAILS) == [0.60, 0.65, 0.59, 0.05]
    assert found.structures.floating.tolist() == [True]
    for new in ({"new_casting": "not listed"}, {"new_casting_height": 0.2}, {"new_casting": "A"}):
        _, found = castings(casting="B", floating="yes", **own, **new)
        assert np.isnan(frame(found, *DETAILS)).all()
        assert found.structures.floating.tolist() == [False]


def test_without_a_catalogue_everything_is_what_the_row_says():
    found = take_in({"id": ["a"], "casting": ["A"], "seat_diameter": ["24 in"]}, catalogue=())
    assert frame(found, "seat_diameter", "flange_diameter") == [pytest.approx(24 * INCH), 0.915]
    assert notes(found) == [(0, "not_in_catalogue", "casting")]


# ---------------------------------------------------------------- bearing


def test_a_bearing_rises_towards_where_the_row_says():
    cells = {
        "id": list("abcd"),
        "bearing_slope": ["2", "2 %", "1:50", "2"],
        "bearing_uphill": ["0", "90", "225", "-90"],
    }
    found = take_in(cells)
    half = 0.02 * math.sqrt(0.5)
    np.testing.assert_allclose(found.structures.bearing_slope_east, [0, 0.02, -half, -0.02], atol=1e-15)
    np.testing.assert_allclose(found.structures.bearing_slope_north, [0.02, 0, -half, 0], atol=1e-15)
    assert notes(found) == []


def test_a_bearing_is_level_where_nobody_says_otherwise():
    cells = {
        "id": list("abcde"),
        "bearing_slope": ["", "0", "2", "steep", "2"],
        "bearing_uphill": ["90", "", "", "90", "up"],
    }
    found = take_in(cells)
    assert found.structures.bearing_slope_east.tolist() == [0.0] * 5
    assert found.structures.bearing_slope_north.tolist() == [0.0] * 5
    assert notes(found) == [
        (2, "value_unreadable", "bearing_uphill"),
        (3, "value_unreadable", "bearing_slope"),
        (4, "value_unreadable", "bearing_uphill"),
    ]


def test_sizes_of_the_bearing_and_rings_of_today():
    cells = {"id": ["a", "b"], "existing_rings": ["3", "some"], "bearing_inside_diameter": ["24 in", ""]}
    found = take_in({**cells, "bearing_outside_diameter": ["", "36 in"]})
    np.testing.assert_array_equal(found.structures.existing_rings, [3.0, math.nan])
    np.testing.assert_allclose(found.structures.bearing_inside_diameter, [24 * INCH, math.nan])
    np.testing.assert_allclose(found.structures.bearing_outside_diameter, [math.nan, 36 * INCH])
    assert notes(found) == [(1, "value_unreadable", "existing_rings")]


# ---------------------------------------------------------------- rule sets


def test_first_rule_set_that_matches_wins():
    sets = (
        RuleSet(name="a", kinds=("valve",), streets=("Elm",)),
        RuleSet(name="b", streets=("Elm", "Oak")),
        RuleSet(name="c", kinds=("valve", "inlet")),
        RuleSet(name="d"),
    )
    kinds = np.array([KINDS.index(kind) for kind in ("valve", "valve", "valve", "manhole", "manhole", "inlet")])
    streets = np.array(["Elm", "Oak", "", "Elm", "Main", "Main"], dtype=object)
    for pedestrian in (-1, 0, 1):
        routes = np.full(6, pedestrian, np.int8)
        assert choose_rule_sets(sets, kinds.astype(np.int8), streets, routes).tolist() == [0, 1, 2, 1, 3, 2]


def test_rule_sets_for_pedestrian_routes():
    sets = (
        RuleSet(name="walked on", pedestrian="yes"),
        RuleSet(name="covers elsewhere", pedestrian="no", kinds=("manhole",)),
        RuleSet(name="rest"),
    )
    cells = {"id": list("abcdef"), "pedestrian": ["yes", "no", "", "yes", "0", "perhaps"], "kind": ["manhole"] * 6}
    cells["kind"][3] = cells["kind"][4] = "valve"
    found = take_in(cells, make_job(rules=sets))
    # blank is not a pedestrian route
    assert found.structures.rule_set.tolist() == [0, 1, 1, 0, 2, 1]
    assert notes(found) == [(5, "value_unreadable", "pedestrian")]


def test_without_a_pedestrian_column_nothing_lies_in_a_route():
    sets = (RuleSet(name="walked on", pedestrian="yes"), RuleSet(name="else", pedestrian="no"), RuleSet(name="rest"))
    assert take_in({"id": ["a"]}, make_job(rules=sets)).structures.rule_set.tolist() == [1]


def test_rule_sets_of_no_rows():
    nothing = np.empty(0, np.int8)
    assert choose_rule_sets((RuleSet(),), nothing, np.empty(0, object), nothing).tolist() == []


# ---------------------------------------------------------------- axis


def lines(azimuth, ambiguous, difference):
    def find(east, north):
        return Axes(*(np.array(values) for values in (azimuth, ambiguous, difference, difference, difference)))

    return find


def test_an_axis_of_the_row_beats_a_centreline():
    find_axes = lines([0.5, 0.6, math.nan, math.nan], [True, False, True, False], [1.0, 0.0, 0.9, math.nan])
    found = take_in({"id": list("abcd"), "axis": [90.0, None, None, None]}, find_axes=find_axes)
    np.testing.assert_allclose(found.structures.axis, [math.pi / 2, 0.6, math.nan, math.nan])
    assert found.structures.axis_source.tolist() == [AXIS_COLUMN, AXIS_CENTRELINE, -1, -1]
    assert notes(found) == [(2, "axis_ambiguous", "")]
    assert figures(found, "axis_ambiguous") == [
        (pytest.approx(math.degrees(0.9)), pytest.approx(math.nan, nan_ok=True))
    ]


def test_axes_lie_within_one_turn():
    found = take_in({"id": list("abcd"), "axis": [-90.0, 360.0, 0.0, 450.0]})
    np.testing.assert_allclose(found.structures.axis, [1.5 * math.pi, 0.0, 0.0, math.nan], atol=1e-15)
    assert notes(found) == [(3, "value_implausible", "axis")]


# ---------------------------------------------------------------- crown line and street side


def streets(azimuth, offset):
    """A finder of axes with offsets, plus = right of the line."""

    def find(east, north):
        values, offsets = np.array(azimuth, dtype=float), np.array(offset, dtype=float)
        nothing = np.full(len(values), math.nan)
        return Axes(values, np.zeros(len(values), dtype=bool), nothing, np.abs(offsets), offsets)

    return find


def test_the_side_of_the_street_from_axis_and_offset():
    # seen along the axis: from the right side the street lies to the left, from the left side to the right
    kinds = ["inlet"] * 5 + ["manhole"]
    cells = {"id": list("abcdef"), "kind": kinds, "axis": ["0", "0", "300", "", "90", "0"]}
    found = take_in({**cells, "crown_offset": ["4 m", "-4 m", "1 m", "4 m", "0 m", "4 m"]})
    expected = [270.0, 90.0, 210.0, math.nan, math.nan, math.nan]
    np.testing.assert_allclose(np.degrees(found.structures.street_side), expected)
    np.testing.assert_allclose(found.structures.crown_offset, [4, -4, 1, 4, 0, 4])
    assert notes(found) == []


@given(st.floats(0, 2 * math.pi), st.floats(0.01, 50) | st.floats(-50, -0.01))
def test_a_step_towards_the_street_comes_nearer_to_the_crown_line(axis, offset):
    right = np.array([math.cos(axis), -math.sin(axis)])  # east, north of the axis turned clockwise by 90 degrees
    place = offset * right
    side = towards_street(np.array([axis]), np.array([offset]))[0]
    nearer = place + 0.005 * np.array([math.sin(side), math.cos(side)])
    assert abs(nearer @ right) == pytest.approx(abs(offset) - 0.005, abs=1e-12)
    assert 0 <= side <= 2 * math.pi


def test_an_offset_of_the_row_beats_that_of_the_line():
    cells = {"id": list("ab"), "kind": ["inlet"] * 2, "crown_offset": ["-2 m", ""]}
    found = take_in(cells, find_axes=streets([0.0, 0.0], [3.0, 3.0])).structures
    assert found.crown_offset.tolist() == [-2.0, 3.0]
    np.testing.assert_allclose(np.degrees(found.street_side), [90.0, 270.0])


def test_the_offset_of_a_line_is_turned_to_the_axis_of_the_row():
    # the line runs north, 3 m to the west; along an axis to the south the structure lies left of it
    cells = {"id": list("abcd"), "kind": ["inlet"] * 4, "axis": ["10", "185", "60", ""]}
    find_axes = streets([0.0, 0.0, 0.0, math.nan], [3.0, 3.0, 3.0, math.nan])
    found = take_in(cells, find_axes=find_axes).structures
    # an axis that is turned by 60 degrees is another street
    np.testing.assert_allclose(found.crown_offset, [3.0, -3.0, math.nan, math.nan])
    np.testing.assert_allclose(np.degrees(found.street_side), [280.0, 275.0, math.nan, math.nan])


# ---------------------------------------------------------------- rows


def test_doubts_about_rows():
    cells = {"id": ["a", "", None, "a"]}
    found = take_in(cells, first=7, parts=[1, 0, 2, 1], duplicates=[2, 1, 1, 2], neighbours=[1, 1, 1, 3])
    assert found.structures.row.tolist() == [7, 8, 9, 10]
    assert notes(found) == [
        (7, "duplicate_id", ""),
        (8, "position_missing", ""),
        (8, "blank_id", ""),
        (9, "position_missing", ""),
        (9, "blank_id", ""),
        (10, "duplicate_id", ""),
        (10, "same_place", ""),
    ]
    assert figures(found, "same_place") == [(3.0, pytest.approx(math.nan, nan_ok=True))]


def test_without_an_id_column_every_row_is_blank():
    assert notes(take_in({"note": ["x", "y"]})) == [(0, "blank_id", ""), (1, "blank_id", "")]


# ---------------------------------------------------------------- paving


def test_mill_and_overlay_of_the_row_beat_the_jobs():
    job = make_job((FinishedTable(mill=0.04, overlay=0.05),), dimension_unit="mm")
    found = take_in({"id": ["a", "b"], "mill": [25.0, None]}, job)
    np.testing.assert_allclose(found.structures.mill, [0.025, 0.04])
    np.testing.assert_allclose(found.structures.overlay, [0.05, 0.05])
    assert notes(found) == []


def test_a_zero_of_the_row_is_a_value():
    job = make_job((FinishedTable(mill=0.04),), dimension_unit="mm")
    assert take_in({"id": ["a"], "mill": [0.0]}, job).structures.mill.tolist() == [0.0]


def test_blank_paving_that_nobody_states_is_noted():
    found = take_in({"id": ["a", "b"], "mill": ["1 in", ""], "overlay": ["", "2 in"]})
    assert notes(found) == [(0, "paving_unstated", "overlay"), (1, "paving_unstated", "mill")]
    np.testing.assert_allclose(found.structures.mill, [INCH, math.nan])


def test_a_design_surface_needs_no_paving():
    job = make_job((FinishedTable(path="design.tif"),))
    assert notes(take_in({"id": ["a"], "mill": [""], "overlay": [""]}, job)) == []


def test_without_paving_columns_nothing_is_noted():
    found = take_in({"id": ["a"]})
    assert notes(found) == []
    assert np.isnan(found.structures.mill).all()


# ---------------------------------------------------------------- paving areas


def areas(count, mill=math.nan, overlay=math.nan, edge=math.nan):
    def find(east, north):
        counts = np.where(np.isfinite(east), np.array(count), 0)
        sizes = [np.broadcast_to(np.array(values, dtype=float), len(east)) for values in (mill, overlay, edge)]
        return Areas(counts > 0, *(np.where(counts > 0, values, math.nan) for values in sizes[:2]), sizes[2], counts)

    return find


def test_mill_and_overlay_of_the_row_then_of_the_area_then_of_the_job():
    job = make_job((FinishedTable(mill=0.03, overlay=0.02),), dimension_unit="mm")
    find_areas = areas([1, 1, 1], mill=[0.04, 0.04, math.nan], overlay=[0.05, 0.05, math.nan])
    found = take_in({"id": list("abc"), "mill": [25.0, None, None]}, job, find_areas=find_areas)
    np.testing.assert_allclose(found.structures.mill, [0.025, 0.04, 0.03])
    np.testing.assert_allclose(found.structures.overlay, [0.05, 0.05, 0.02])
    assert found.structures.paved.tolist() == [1, 1, 1]
    assert notes(found) == []


def test_outside_every_area_nothing_is_milled_or_laid():
    job = make_job((FinishedTable(mill=0.03, overlay=0.02),), dimension_unit="mm")
    cells = {"id": list("abcd"), "mill": [25.0, None, None, None], "paved": ["", "", "yes", "no"]}
    find_areas = areas([0, 0, 0, 1], mill=0.04, overlay=0.05, edge=[2.0, 0.5, math.nan, 3.0])
    found = take_in(cells, job, find_areas=find_areas)
    assert found.structures.paved.tolist() == [0, 0, 1, 0]
    np.testing.assert_allclose(found.structures.mill, [0, 0, 0.03, 0])
    np.testing.assert_allclose(found.structures.overlay, [0, 0, 0.02, 0])
    np.testing.assert_array_equal(found.structures.area_edge, [2.0, 0.5, math.nan, 3.0])
    assert notes(found) == []


def test_without_areas_paving_is_what_the_row_says():
    found = take_in({"id": list("abcd"), "paved": ["yes", "no", "", "half"], "mill": ["1 in", "", "", "1 in"]})
    assert found.structures.paved.tolist() == [1, 0, -1, -1]
    np.testing.assert_array_equal(found.structures.mill, [INCH, 0.0, math.nan, INCH])
    assert np.isnan(found.structures.area_edge).all()
    assert notes(found) == [(2, "paving_unstated", "mill"), (3, "value_unreadable", "paved")]


def test_several_areas_over_one_structure_are_noted():
    found = take_in({"id": list("ab")}, find_areas=areas([3, 1], mill=0.04, overlay=0.05))
    assert notes(found) == [(0, "area_overlap", "")]
    assert figures(found, "area_overlap") == [(3.0, pytest.approx(math.nan, nan_ok=True))]


def test_an_area_that_states_no_depth_is_noted_where_nobody_does():
    find_areas = areas([1, 0], overlay=0.05)
    found = take_in({"id": list("ab")}, find_areas=find_areas)
    assert notes(found) == [(0, "paving_unstated", "mill")]
    np.testing.assert_array_equal(found.structures.mill, [math.nan, 0.0])
    job = make_job((FinishedTable(mill=0.0),))
    assert notes(take_in({"id": list("ab")}, job, find_areas=find_areas)) == []
    job = make_job((FinishedTable(path="design.tif"),))
    assert notes(take_in({"id": list("ab")}, job, find_areas=find_areas)) == []


def test_a_structure_without_a_place_lies_neither_inside_nor_outside():
    find_areas = areas([1, 1], mill=0.04, overlay=0.05)
    found = take_in({"id": list("ab")}, find_areas=find_areas, parts=[1, 0])
    assert found.structures.paved.tolist() == [1, -1]
    np.testing.assert_array_equal(found.structures.mill, [0.04, math.nan])


# ---------------------------------------------------------------- anything at all

NAMES = [name for name in INPUT_NAMES if name not in ("easting", "northing")]
CELLS = ("1 in", "-9999", "0", "yes", "A", "G", "valve", "inlet", "1e9", "24x36 in", "2 %", "90")
cells = st.one_of(st.none(), st.text(max_size=8), st.sampled_from(CELLS))


@st.composite
def any_table(draw):
    names = draw(st.lists(st.sampled_from(NAMES), min_size=1, max_size=8, unique=True))
    n = draw(st.integers(1, 5))
    return {name: pa.array(draw(st.lists(cells, min_size=n, max_size=n)), pa.string()) for name in names}


@settings(max_examples=150, deadline=None)
@given(any_table(), st.sampled_from(["", "m", "us-ft"]), st.sampled_from(["", "mm", "in"]))
def test_any_table_of_texts_gives_as_many_structures(table, unit, dimension_unit):
    n = len(next(iter(table.values())))
    found = take_in(table, make_job(dimension_unit=dimension_unit), unit=unit, first=3)
    assert len(found.structures) == n
    assert found.structures.row.tolist() == list(range(3, 3 + n))
    assert set(found.reasons.row.tolist()) <= set(range(3, 3 + n))
    for name in ("rim", "bearing", "casting_height", "mill", "axis"):
        values = getattr(found.structures, name)
        assert (np.isfinite(values) | np.isnan(values)).all(), name
    assert (found.structures.rule_set == 0).all()
    for name, values in arrays_of(found.structures):
        assert values.shape == (n,), name
        assert values.dtype.kind in "fiub", name
    sized = (
        "frame_top_diameter",
        "flange_diameter",
        "old_flange_diameter",
        "bearing_slope_east",
        "bearing_slope_north",
    )
    for name in sized:
        assert np.isfinite(getattr(found.structures, name)).all(), name
    square = np.isfinite(found.structures.frame_top_length) | np.isfinite(found.structures.flange_length)
    assert (found.structures.frame_azimuth[~square] == 0).all()


@settings(max_examples=50, deadline=None)
@given(any_table(), st.sampled_from([None, "areas"]))
def test_splitting_a_table_changes_nothing(table, paving):
    job = make_job(dimension_unit="in", rules=(RuleSet(name="walked on", pedestrian="yes"), RuleSet()))
    n = len(next(iter(table.values())))

    def find(counts):
        return None if paving is None else areas(counts, mill=0.04, edge=1.0)

    counts = [row % 3 for row in range(n)]
    whole = take_in(table, job, find_areas=find(counts))
    for row in range(n):
        cut = {name: column.slice(row, 1) for name, column in table.items()}
        one = take_in(cut, job, first=row, find_areas=find(counts[row : row + 1]))
        assert notes(one) == [note for note in notes(whole) if note[0] == row]
        for name, values in arrays_of(one.structures):
            np.testing.assert_array_equal(values[0], getattr(whole.structures, name)[row], err_msg=name)
