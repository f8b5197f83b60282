"""Tables of the job: every default is allowed, every value can be written and read back."""

import math
import re
import tomllib
from dataclasses import MISSING, FrozenInstanceError, fields, is_dataclass, replace
from typing import get_args, get_type_hints

import pytest
from pydantic import TypeAdapter, ValidationError

from geoadjust.core import rules
from geoadjust.core.columns import KINDS, METHODS
from geoadjust.core.ring import Ring
from geoadjust.core.rules import CHOSEN_METHODS, Job, RingTable, RuleSet, StructuresTable, SurfaceTable, Table
from geoadjust.core.settings import Count, Counts, Length, Number, Ratio, Word, Words, settings_of
from geoadjust.errors import InputError
from geoadjust.process import validate_job
from geoadjust.units import parse_length

TABLES = [
    item for item in vars(rules).values() if isinstance(item, type) and issubclass(item, Table) and item is not Table
]
LEAST = {
    "StructuresTable": {"path": "covers.gpkg"},
    "RoadTable": {"path": "road.tif"},
    "SurfaceTable": {"path": "road.tif"},
    "PavedTable": {"path": "road.tif"},
    "CentrelinesTable": {"path": "streets.gpkg"},
    "RulesFile": {"path": "owner.toml"},
    "Job": {"structures": StructuresTable("covers.gpkg"), "surface": (SurfaceTable("road.tif"),),
            "output": rules.OutputTable()},
}  # fmt: skip
NOT_HASHABLE = ("StructuresTable", "Job")  # mappings in them; see the pending note on hashing


def default_of(item):
    return item.default_factory() if item.default_factory is not MISSING else item.default


def settings_with_fields():
    return [
        pytest.param(setting, item, id=f"{table.__name__}.{item.name}")
        for table in TABLES
        for item in fields(table)
        if (setting := settings_of(table).get(item.name))
    ]


def of(*kinds):
    return [param for param in settings_with_fields() if isinstance(param.values[0], kinds)]


def read(setting, value):
    """Read a value as from a job file."""
    return setting.parse(tomllib.loads(f"x = {setting.show(value)}")["x"])


def ends_of(setting):
    """Values at both ends of what is allowed."""
    if isinstance(setting, Length):
        return [float(parse_length(text)) for text in (setting.low, setting.high)]
    if isinstance(setting, (Ratio, Count, Number)):
        return [setting.low, setting.high]
    if isinstance(setting, Words):
        return [(), setting.words, setting.words[::-1]]
    if isinstance(setting, Word):
        return list(setting.words)
    return []


def test_tables_are_found():
    assert {"RuleSet", "RingTable", "Job", "FinishedTable", "CatalogueTable"} <= {table.__name__ for table in TABLES}


@pytest.mark.parametrize("table", TABLES)
def test_tables_are_frozen_dataclasses_with_a_sentence(table):
    assert is_dataclass(table)
    assert table.__doc__.strip().endswith(".")
    made = table(**LEAST.get(table.__name__, {}))
    with pytest.raises(FrozenInstanceError):
        setattr(made, fields(table)[0].name, 1)


@pytest.mark.parametrize("table", [table for table in TABLES if table.__name__ not in NOT_HASHABLE])
def test_tables_are_hashable_and_equal_by_value(table):
    least = LEAST.get(table.__name__, {})
    assert hash(table(**least)) == hash(table(**least))
    assert table(**least) == table(**least)


@pytest.mark.parametrize("table", TABLES)
def test_every_field_is_a_setting_or_a_table(table):
    hints = get_type_hints(table)
    for item in fields(table):
        if item.name in settings_of(table):
            continue
        inner = [hints[item.name], *get_args(hints[item.name])]
        assert any(isinstance(part, type) and issubclass(part, Table) for part in inner), item.name


@pytest.mark.parametrize(("setting", "item"), settings_with_fields())
def test_help_is_one_line(setting, item):
    assert setting.help
    assert "\n" not in setting.help
    assert not setting.help.endswith(".")
    assert re.fullmatch("[a-z-]*", setting.flag)


@pytest.mark.parametrize(("setting", "item"), of(Length, Ratio, Count, Number, Word))
def test_default_is_allowed_and_reads_back(setting, item):
    default = default_of(item)
    if default is MISSING or default is None:
        return
    assert read(setting, default) == default


@pytest.mark.parametrize(("setting", "item"), of(Length, Ratio, Count, Number, Word))
def test_both_ends_of_the_limits_read_back(setting, item):
    for value in ends_of(setting):
        value = (value,) if isinstance(setting, Counts) else value
        assert read(setting, value) == value


@pytest.mark.parametrize(("setting", "item"), of(Length))
def test_length_just_outside_its_limits_is_refused(setting, item):
    low, high = ends_of(setting)
    assert low < high
    for outside in (low - 1e-6, high + 1e-6):
        with pytest.raises(ValueError, match="outside"):
            setting.parse(f"{outside:.9f} m")
    with pytest.raises(ValueError, match="no unit"):
        setting.parse(1)


@pytest.mark.parametrize(("setting", "item"), of(Ratio, Count, Number))
def test_number_just_outside_its_limits_is_refused(setting, item):
    step = 1 if isinstance(setting, Count) else 1e-6
    for outside in (setting.low - step, setting.high + step):
        with pytest.raises(ValueError, match="outside"):
            setting.parse([outside] if isinstance(setting, Counts) else outside)


@pytest.mark.parametrize(("setting", "item"), of(Word))
def test_other_word_is_refused(setting, item):
    value = ["elsewhere"] if isinstance(setting, Words) else "elsewhere"
    with pytest.raises(ValueError, match="is not one of"):
        setting.parse(value)


@pytest.mark.parametrize(
    ("setting", "item"), [p for p in settings_with_fields() if type(p.values[0]).__name__ == "Setting"]
)
def test_free_setting_reads_back(setting, item):
    default = default_of(item)
    if default is MISSING or isinstance(default, dict):  # mappings: see the pending note on showing them
        return
    found = read(setting, default)
    assert found == (list(default) if isinstance(default, tuple) else default)


@pytest.mark.parametrize("table", [RuleSet, RingTable, SurfaceTable])
def test_table_from_its_own_shown_values(table):
    """A job file written from a table gives the same table."""
    made = table(**LEAST.get(table.__name__, {}))
    stated = {name: getattr(made, name) for name in settings_of(table) if getattr(made, name) is not None}
    text = "\n".join(f"{name} = {settings_of(table)[name].show(value)}" for name, value in stated.items())
    assert TypeAdapter(table).validate_python(tomllib.loads(text)) == made


@pytest.mark.parametrize("table", TABLES)
def test_unknown_key_is_refused(table):
    with pytest.raises(ValidationError, match="toleranse"):
        TypeAdapter(table).validate_python({**LEAST.get(table.__name__, {}), "toleranse": "6 mm"})


def test_job_of_three_paths():
    job = TypeAdapter(Job).validate_python(
        {"structures": {"path": "covers.gpkg"}, "surface": [{"path": "road.tif"}], "output": {}}
    )
    assert job.rules == (RuleSet(),)
    assert job.ring == RingTable()
    assert job.finished == ()
    assert job.centrelines is None


# --- the defaults themselves


def test_ring_table_and_ring_agree():
    table = RingTable()
    for item in fields(Ring):
        assert getattr(Ring(), item.name) == getattr(table, item.name), item.name


def test_defaults_of_the_ring():
    # 350 mm beyond the flange, half a 3 m bar, a 28 mm step and a 6 mm floor: the project's own measured choice
    ring = RingTable()
    assert (ring.inner_clearance, ring.outer_radius, ring.bar_length) == (0.35, 1.5, 3.0)
    assert (ring.step, ring.noise_floor, ring.max_left_out) == (0.028, 0.006, 0.25)
    assert ring.outer_radius == ring.bar_length / 2


def test_example_rules_are_a_consistent_set():
    example = RuleSet()
    assert example.name == "example"
    assert example.methods == CHOSEN_METHODS
    assert set(CHOSEN_METHODS) <= set(METHODS)
    assert example.min_part < example.max_chimney
    assert example.tolerance < example.max_rim_gap
    assert example.usual_frame_diameter < example.usual_flange_diameter
    assert example.usual_casting_height < example.max_measure_down
    # published limits on chimneys: 12, 16, 26 in; 2 to 6 rings (owners' standards differ, none is national)
    assert example.max_chimney <= 0.6604
    assert 2 <= example.max_rings <= 6


def test_rule_set_may_be_narrowed():
    narrow = replace(RuleSet(), kinds=("inlet",), streets=("Elm St",))
    assert narrow != RuleSet()
    assert set(narrow.kinds) <= set(KINDS)
    assert len({narrow, RuleSet()}) == 2


@pytest.mark.parametrize("pedestrian", ["yes", "no"])
def test_pedestrian_routes_are_a_condition(pedestrian):
    least = {"structures": {"path": "covers.gpkg"}, "surface": {"path": "road.tif"}}
    walked = {"name": "walked on", "pedestrian": pedestrian}
    assert len(validate_job({**least, "rules": [walked, {"name": "rest"}]}).rules) == 2
    with pytest.raises(InputError, match="the last rule set has a condition") as caught:
        validate_job({**least, "rules": [walked]})
    assert "pedestrian" in caught.value.faults[0].remedy
    with pytest.raises(InputError, match="matches everything"):
        validate_job({**least, "rules": [{"name": "all", "pedestrian": ""}, {**walked, "name": "b"}, {"name": "c"}]})


def test_no_default_is_a_number_that_is_none():
    for table in TABLES:
        for item in fields(table):
            default = default_of(item)
            assert not (isinstance(default, float) and not math.isfinite(default)), (table, item.name)
