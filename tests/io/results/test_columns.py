"""Published columns: every one has a title, its unit in its name, and a name that all formats can carry."""

from __future__ import annotations

import math
import re

import pytest

from geoadjust.core.columns import BASES, LOWER_HOW, METHODS, POLICIES, READY, SEVERITIES, STATIONS, quantities_of
from geoadjust.io.results.columns import (
    BUNDLES,
    COVARIANCE,
    DESCRIPTIONS,
    MODELS,
    ORDER,
    ORDINATES,
    PUBLISHED,
    REASONS,
    SCHEDULE,
    STACK_PARTS,
    TABLES,
)
from geoadjust.io.results.people import shown_name

EVERY = [(table, column) for table, columns in TABLES.items() for column in columns]
ENDINGS = {"mm": "mm", "m": "m", "pct": "%", "deg": "deg"}


def name_of(value):
    return value if isinstance(value, str) else value.name


@pytest.mark.parametrize(("table", "column"), EVERY, ids=name_of)
def test_every_column_is_described(table, column):
    assert column.title
    assert not column.title.endswith(".")
    assert column.type in ("text", "real", "integer")
    assert (column.type == "text") or not column.words


@pytest.mark.parametrize(("table", "column"), EVERY, ids=name_of)
def test_names_are_plain(table, column):
    assert re.fullmatch(r"[a-z][a-z0-9]*(_[a-z0-9]+)*", column.name)
    longest = 30 if table != "models" else 40  # `models` is for later steps, nobody types its names
    assert len(column.name) <= longest


@pytest.mark.parametrize(
    ("table", "column"), [pair for pair in EVERY if pair[0] not in ("models", "reasons", "run")], ids=name_of
)
def test_the_unit_stands_in_the_name(table, column):
    ending = column.name.rsplit("_", 1)[-1]
    assert column.unit == ENDINGS.get(ending, "")
    assert (column.type == "real") == (column.unit != "") or column.name == "taper"


@pytest.mark.parametrize("table", TABLES)
def test_names_are_unique_in_any_case(table):
    names = [column.name.lower() for column in TABLES[table]]
    assert len(set(names)) == len(names)
    assert not {"fid", "geom", "ogc_fid", "rowid"} & set(names)
    assert DESCRIPTIONS[table]


def test_row_is_the_key_of_every_table():
    assert {table for table, columns in TABLES.items() if columns[0].name == "row"} == set(TABLES) - {"run"}


def test_columns_that_readers_rely_on():
    # a second list on purpose, from the published description of the layer
    wanted = """row structure_id kind street casting rule_set surface_source existing_m finished_m existing_rim_m
        rim_basis gap_mm target_rim_m raise_mm action slope_pct uphill_deg axis_deg axis_source grade_pct
        cross_slope_pct convergence_deg samples samples_left_out coverage_pct fit_rms_mm road_shape gap_max_mm
        gap_min_mm gap_mean_mm gap_along_mm gap_across_mm bar_along_mm bar_across_mm milled_m lower_by_mm lower_how
        interim_bump_mm interim_hole_mm bearing_m chimney_mm chimney_min_mm chimney_max_mm long_side_deg rough_cut_mm
        foot_shift_mm stack_change_mm stack_change_min_mm stack_change_max_mm method stack stack_policy other_stack
        ring_count stack_misfit_mm bedding_wedge_mm liner raise_sd_mm chimney_sd_mm p_keep_pct p_riser_pct
        p_chimney_pct p_rebuild_pct ready flags severity remark"""
    assert set(wanted.split()) <= {column.name for column in SCHEDULE}
    sides = {
        "row structure_id k basis mark_deg radius_mm wrap_mm width_mm length_mm": ORDINATES,
        "row structure_id position policy kind part thickness_mm taper turn_deg": STACK_PARTS,
        "row structure_id code severity value limit unit text": REASONS,
    }
    for names, columns in sides.items():
        assert [column.name for column in columns][: len(names.split())] == names.split()
    assert {f"h{i:02d}_mm" for i in range(1, 17)} <= {column.name for column in ORDINATES}
    assert [column.name for column in REASONS] == [
        "row",
        "structure_id",
        "code",
        "severity",
        "value",
        "limit",
        "unit",
        "text",
    ]


def test_every_declared_column_is_published():
    declared = {
        quantity.column for name in PUBLISHED for quantity in quantities_of(BUNDLES[name]).values() if quantity.column
    }
    assert declared <= set(ORDER)
    assert [column.name for column in SCHEDULE] == ORDER
    assert len(set(ORDER)) == len(ORDER)


@pytest.mark.parametrize("column", [column for column in SCHEDULE if column.source], ids=name_of)
def test_factors_and_decimals(column):
    # 1 m = 1000 mm, 1 m/m = 100 %, 1 rad = 180/pi degrees; lengths are kept to a millionth of a metre
    factors = {"mm": 1000.0, "m": 1.0, "%": 100.0, "deg": 180 / math.pi, "": 1.0}
    assert column.factor == pytest.approx(factors[column.unit], rel=1e-15)
    if column.unit in ("mm", "m"):
        assert 10.0**-column.decimals / column.factor == pytest.approx(1e-6)
    bundle, field = column.source.split(".")
    assert field in quantities_of(BUNDLES[bundle])


def test_closed_lists_of_words():
    words = {column.name: column.words for column in SCHEDULE if column.words}
    assert (words["method"], words["ready"], words["severity"]) == (METHODS, READY, SEVERITIES)
    assert (words["stack_policy"], words["lower_how"]) == (POLICIES, LOWER_HOW)
    severities = next(column.words for column in REASONS if column.name == "severity")
    assert severities == SEVERITIES
    parts = {column.name: column.words for column in STACK_PARTS if column.words}
    assert parts == {"policy": POLICIES, "kind": ("old_stack", "joint", "ring", "liner", "riser")}
    assert next(column.words for column in ORDINATES if column.name == "basis") == BASES


def test_signs_are_said():
    plus = {column.name: column.plus for column in SCHEDULE}
    assert plus["raise_mm"] == "up"
    assert plus["gap_mm"] == plus["gap_max_mm"] == plus["bar_along_mm"] == "PROUD"
    assert plus["grade_pct"] == "rises ahead"
    assert plus["stack_misfit_mm"] == "too tall"
    assert (plus["stack_change_mm"], plus["lower_by_mm"]) == ("add", "down")


def test_ordinates_have_a_column_for_each_station():
    heights = [column for column in ORDINATES if re.fullmatch(r"h\d\d_mm", column.name)]
    assert len(heights) == STATIONS == 16


def test_models_say_where_they_come_from():
    assert [column.source for column in MODELS[-len(COVARIANCE) :]] == ["finished.covariance"] * 6
    assert sorted(COVARIANCE) == [(i, j) for i in range(3) for j in range(i, 3)]


@pytest.mark.parametrize("units", ["us", "metric"])
def test_shown_names_are_unique(units):
    names = [shown_name(column, units) for column in SCHEDULE]
    assert len(set(names)) == len(names)
    assert any(name.endswith("_in") for name in names) == (units == "us")
    assert any(name.endswith("_mm") for name in names) == (units == "metric")
