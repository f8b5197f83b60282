"""The door: a row as it stands becomes a structure in SI units, with every doubt noted and no row lost."""

from __future__ import annotations

import math

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geoadjust.core.columns import CONDITIONS, KINDS, REFERENCES, RIM_BASES
from geoadjust.core.flags import FLAGS
from geoadjust.core.inputs import INPUT_NAMES
from geoadjust.core.rules import (
    CastingPart,
    Catalogue,
    FinishedTable,
    Job,
    OutputTable,
    RuleSet,
    StructuresTable,
    SurfaceTable,
)
from geoadjust.io.centrelines import Axes
from geoadjust.io.intake import AXIS_CENTRELINE, AXIS_COLUMN, Door, choose_rule_sets
from geoadjust.io.structures import RawBatch, StructureFacts, find_columns

INCH, FOOT, US_FOOT = 0.0254, 0.3048, 1200 / 3937
CASTINGS = (
    CastingPart("A", height=0.20, frame_top_diameter=0.66, flange_outside_diameter=0.90),
    CastingPart("B", height=0.15, frame_top_diameter=0.61, flange_outside_diameter=0.80),
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


def make_door(names, job, *, unit="m", find_axes=None, catalogue=CASTINGS):
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
            "mill",
            "overlay",
        )
    }
    structures = take_in({"id": ["a"], **cells}, make_job(dimension_unit="mm")).structures
    fields = ("casting_height", "existing_chimney", "flange_diameter", "old_flange_diameter", "frame_top_diameter")
    for name in (*fields, "mill", "overlay"):
        assert getattr(structures, name).tolist() == [pytest.approx(0.1, rel=1e-14)], name


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
    assert choose_rule_sets(sets, kinds.astype(np.int8), streets).tolist() == [0, 1, 2, 1, 3, 2]


def test_rule_sets_of_no_rows():
    assert choose_rule_sets((RuleSet(),), np.empty(0, np.int8), np.empty(0, object)).tolist() == []


# ---------------------------------------------------------------- axis


def lines(azimuth, ambiguous, difference):
    def find(east, north):
        return Axes(*(np.array(values) for values in (azimuth, ambiguous, difference, difference)))

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


# ---------------------------------------------------------------- anything at all

NAMES = [name for name in INPUT_NAMES if name not in ("easting", "northing")]
cells = st.one_of(st.none(), st.text(max_size=8), st.sampled_from(["1 in", "-9999", "0", "yes", "A", "valve", "1e9"]))


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
    assert np.isfinite(found.structures.frame_top_diameter).all()


@settings(max_examples=50, deadline=None)
@given(any_table())
def test_splitting_a_table_changes_nothing(table):
    job = make_job(dimension_unit="in")
    n = len(next(iter(table.values())))
    whole = take_in(table, job)
    for row in range(n):
        one = take_in({name: column.slice(row, 1) for name, column in table.items()}, job, first=row)
        assert notes(one) == [note for note in notes(whole) if note[0] == row]
        for name in ("rim", "kind", "casting_height", "flange_diameter", "riser_present"):
            np.testing.assert_array_equal(getattr(one.structures, name)[0], getattr(whole.structures, name)[row])
