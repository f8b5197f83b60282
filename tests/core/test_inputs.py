"""What a layer of structures may say: names, groups, and limits that let every real value pass."""

from dataclasses import FrozenInstanceError

import pytest

from geoadjust.core.columns import CONDITIONS, KINDS, REFERENCES
from geoadjust.core.inputs import INPUT_COLUMNS, INPUT_NAMES, INPUTS
from geoadjust.units import parse_length

NUMERIC = {"height", "dimension", "size", "angle", "slope", "count"}
GROUPS = {"text", "word", "position", "yes_no"} | NUMERIC


def test_names_are_unique_and_found():
    assert len(set(INPUT_NAMES)) == len(INPUT_NAMES) == len(INPUTS)
    assert all(INPUTS[name].name == name for name in INPUT_NAMES)


def test_names_that_users_map_do_not_vanish():
    # a second list on purpose: job files name these
    wanted = {
        "id",
        "kind",
        "street",
        "casting",
        "new_casting",
        "rim",
        "gap",
        "bearing",
        "measure_down",
        "measure_down_from",
        "casting_height",
        "new_casting_height",
        "frame_top_diameter",
        "flange_outside_diameter",
        "flange_inside_diameter",
        "ridge_diameter",
        "bearing_outside_diameter",
        "bearing_inside_diameter",
        "frame_azimuth",
        "axis",
        "existing_chimney",
        "existing_rings",
        "bearing_slope",
        "bearing_uphill",
        "seat_diameter",
        "floating",
        "travel",
        "paved",
        "pedestrian",
        "crown_offset",
        "riser_present",
        "chimney_condition",
        "mill",
        "overlay",
        "depth",
        "barrel_diameter",
        "owner",
        "note",
        "easting",
        "northing",
    }
    assert wanted <= set(INPUT_NAMES)


@pytest.mark.parametrize("column", INPUT_COLUMNS, ids=lambda column: column.name)
def test_each_column_is_whole(column):
    assert column.group in GROUPS
    assert column.help
    assert column.low < column.high
    assert bool(column.words) == (column.group == "word")
    assert column.name == column.name.lower()
    with pytest.raises(FrozenInstanceError):
        column.low = 0.0


@pytest.mark.parametrize("column", INPUT_COLUMNS, ids=lambda column: column.name)
def test_numbers_have_limits(column):
    limited = column.low > float("-inf") and column.high < float("inf")
    assert limited == (column.group in NUMERIC)


def test_which_columns_may_be_rectangles_slopes_and_counts():
    # a second list on purpose: `io` reads each group in its own way
    groups = {
        "size": {"frame_top_diameter", "flange_outside_diameter"},
        "slope": {"bearing_slope"},
        "count": {"existing_rings"},
        "yes_no": {"riser_present", "floating", "paved", "pedestrian"},
    }
    for group, names in groups.items():
        assert {column.name for column in INPUT_COLUMNS if column.group == group} == names


def test_words_are_those_of_the_bundles():
    words = {name: INPUTS[name].words for name in ("kind", "measure_down_from", "chimney_condition")}
    assert words == {"kind": KINDS, "measure_down_from": REFERENCES, "chimney_condition": CONDITIONS}


@pytest.mark.parametrize(
    ("name", "text"),
    [
        # lowest and highest public roads: Dead Sea shore about -430 m, Umling La about 5800 m; from memory
        ("rim", "-430 m"),
        ("rim", "5800 m"),
        ("bearing", "-432 m"),
        ("gap", "-75 mm"),
        ("gap", "1 1/2 in"),
        ("casting_height", "4 in"),  # low and high frames; common practice, no source
        ("casting_height", "9 in"),
        ("casting_height", "300 mm"),
        ("flange_outside_diameter", "36 in"),
        ("frame_top_diameter", "6 in"),  # a valve box
        ("existing_chimney", "0 mm"),  # the frame sits on the cone
        ("existing_chimney", "26 in"),
        ("mill", "0 mm"),
        ("overlay", "2 in"),
        ("ridge_diameter", "0 mm"),  # nothing hangs below the flange
        ("frame_top_diameter", "18 in"),  # a side of a grate
        ("travel", "0 mm"),
        ("travel", "12 in"),
        ("crown_offset", "-20 m"),  # a wide street, left of its axis
        ("measure_down", "9 3/8 in"),
        ("measure_down", "12 ft"),  # plainly a depth: read, and refused later with a better reason
    ],
)
def test_real_values_are_plausible(name, text):
    assert INPUTS[name].low <= float(parse_length(text)) <= INPUTS[name].high


@pytest.mark.parametrize(
    ("name", "metres"),
    [
        ("rim", -9999.0),
        ("rim", 9999.0),
        ("bearing", -9999.0),
        ("bearing", 9999.0),
        ("rim", 1e20),
        ("rim", -1e38),
        ("gap", 9.0),
        ("casting_height", 7.75),
        ("casting_height", 0.00775),
        ("flange_outside_diameter", 27.0),
        ("mill", 2.0),
        ("overlay", -0.05),
        ("measure_down", -9999.0),
        ("bearing_slope", 2.0),  # 2 per cent read as a share
        ("bearing_slope", -0.01),  # the direction says which way
        ("existing_rings", 60.0),  # a height in mm
        ("crown_offset", 500.0),
        ("seat_diameter", 23.625),
    ],
)
def test_fillers_and_lost_units_are_not(metres, name):
    # -9999, 9999, 1e20 stand for nothing in many layers; 7.75 m is a casting in inches read as metres
    assert not INPUTS[name].low <= metres <= INPUTS[name].high


@pytest.mark.parametrize("name", ["axis", "frame_azimuth", "bearing_uphill"])
def test_directions_take_any_way_of_counting_degrees(name):
    assert (INPUTS[name].low, INPUTS[name].high) == (-360.0, 360.0)
