"""The job's description: what is validated, suggested, templated and published comes from the same fields.

JSON Schema keywords are checked by a small validator of our own, by the 2020-12 drafts 'Core' and 'Validation'.
"""

from __future__ import annotations

import dataclasses
import json
import math
import re
import tomllib
from fractions import Fraction

import jsonschema
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geoadjust.core.inputs import INPUT_NAMES
from geoadjust.core.parts import CastingPart, Catalogue, LinerPart, RingPart, RiserPart
from geoadjust.core.rules import FinishedTable, Job, RingTable, RuleSet, RulesFile, StructuresTable, SurfaceTable
from geoadjust.core.settings import Length, Ratio, Setting, Size, settings_of
from geoadjust.errors import InputError
from geoadjust.process import (
    NEEDED,
    REPEATED,
    TABLES,
    flags,
    job_schema,
    plain,
    template,
    validate_job,
    validate_table,
)

LEAST = {"structures": {"path": "covers.gpkg"}, "surface": {"path": "road.tif"}}
DECLARED = [*TABLES.values(), RulesFile, CastingPart, RingPart, RiserPart, LinerPart, Catalogue]


def job(**tables):
    return {**LEAST, **tables}


def faults(data):
    with pytest.raises(InputError) as caught:
        validate_job(data)
    return {fault.where: fault for fault in caught.value.faults}


# ---------------------------------------------------------------- validation


def test_the_least_job():
    found = validate_job(LEAST)
    assert isinstance(found, Job)
    assert found.structures == StructuresTable("covers.gpkg")
    assert found.surface == (SurfaceTable("road.tif"),)
    assert found.rules == (RuleSet(),)
    assert found.finished == ()


def test_lengths_and_shares_become_metres_and_numbers():
    found = validate_job(job(rules={"tolerance": "1/4 in", "steep": "12 %", "tilt_tolerance": "1:50", "joint": 0}))
    rules = found.rules[0]
    assert rules.tolerance == pytest.approx(0.00635, rel=1e-12)
    assert (rules.steep, rules.tilt_tolerance, rules.joint) == (0.12, 0.02, 0.0)


@pytest.mark.parametrize("key", REPEATED)
def test_one_table_or_a_list_of_them(key):
    table = {"path": "a.tif"} if key != "rules" else {"name": "a"}
    assert validate_job(job(**{key: table})) == validate_job(job(**{key: [table]}))


def test_all_faults_are_told_together():
    found = faults(
        {
            "structures": {"path": 5, "columns": {"rim": 5}},
            "surface": {"bnad": 2, "noise": "5", "path": "road.tif"},
            "ring": {"outer_radius": 1.5},
            "rules": [{"max_rings": 9, "methods": ["rings", "rings"], "kinds": ["tree"]}],
            "nonsense": {},
        }
    )
    assert set(found) == {
        "structures.path",
        "structures.columns.rim",
        "surface.0.bnad",
        "surface.0.noise",
        "ring.outer_radius",
        "rules.0.max_rings",
        "rules.0.methods",
        "rules.0.kinds",
        "nonsense",
    }


@pytest.mark.parametrize(
    ("tables", "where", "remedy"),
    [
        ({"surfaces": {}}, "surfaces", "did you mean surface?"),
        ({"structure": {}}, "structure", "did you mean structures?"),
        ({"zzz": {}}, "zzz", "remove it"),
        ({"ring": {"outer_radios": "1 m"}}, "ring.outer_radios", "did you mean outer_radius?"),
        ({"rules": [{"tolerence": "6 mm"}]}, "rules.0.tolerence", "did you mean tolerance?"),
        (
            {"surface": [{"path": "a", "vertical_units": "m"}]},
            "surface.0.vertical_units",
            "did you mean vertical_unit?",
        ),
        ({"output": {"unit": "us"}}, "output.unit", "did you mean units?"),
    ],
)
def test_unknown_keys_come_with_a_suggestion(tables, where, remedy):
    fault = faults(job(**tables))[where]
    assert (fault.what, fault.remedy) == ("unknown key", remedy)
    assert fault.allowed


def test_what_must_be_there():
    found = faults({})
    assert {where: fault.what for where, fault in found.items()} == {"structures": "missing", "surface": "missing"}
    assert faults({"structures": {}, "surface": {}})["structures.path"].remedy == 'write path = "..."'


@pytest.mark.parametrize(
    ("table", "key", "value", "said"),
    [
        ("rules", "tolerance", 6, "has no unit"),
        ("rules", "tolerance", "60 mm", "outside 0 mm to 50 mm"),
        ("rules", "tolerance", "-1 mm", "outside"),
        ("rules", "tolerance", True, "not a length"),
        ("rules", "tolerance", "6 yd", "unknown unit"),
        ("rules", "tolerance", float("nan"), "no unit"),
        ("rules", "steep", 2.0, "outside 0 % to 100 %"),
        ("rules", "steep", float("nan"), "outside"),
        ("rules", "max_rings", 4.0, "not a whole number"),
        ("rules", "max_rings", True, "not a whole number"),
        ("rules", "rim_reference", "mean", "not one of adjacent_mean, bar"),
        ("rules", "methods", "rings", "not a list"),
        ("surface", "band", 0, "outside 1 to 9999"),
        ("surface", "vertical_unit", "feet", "not one of m, ft, us-ft"),
        ("structures", "default_kind", "tree", "not one of manhole"),
        ("output", "units", "imperial", "not one of us, metric"),
    ],
)
def test_values_that_are_not_allowed(table, key, value, said):
    base = LEAST.get(table, {})
    found = faults(job(**{table: {**base, key: value}}))
    ((where, fault),) = found.items()
    assert where.endswith(f".{key}")
    assert where.startswith(table)
    assert said in str(fault)


def test_columns_are_ours_and_kinds_are_ours():
    structures = {"path": "a", "columns": {"rimm": "X", "id": "Y"}, "kinds": {"CB": "catch basin", "MH": "manhole"}}
    found = faults(job(structures=structures))
    assert set(found) == {"structures.columns.rimm", "structures.kinds.CB"}
    assert found["structures.columns.rimm"].remedy == "did you mean rim?"
    assert all(name in found["structures.columns.rimm"].allowed for name in INPUT_NAMES)


@pytest.mark.parametrize(
    ("rules", "said"),
    [
        ([], "no rule set"),
        ([{"kinds": ["valve"]}], "the last rule set has a condition"),
        ([{"streets": ["Elm"]}], "the last rule set has a condition"),
        ([{"name": "a"}, {"name": "b"}], "matches everything"),
        ([{"name": "a", "kinds": ["valve"]}, {"name": "a"}], "two rule sets are named 'a'"),
    ],
)
def test_rule_sets_that_cannot_all_be_meant(rules, said):
    assert any(said in fault.what for fault in faults(job(rules=rules)).values())


def test_rule_sets_in_order():
    rules = [{"name": "a", "kinds": ["valve"]}, {"name": "b", "streets": ["Elm"]}, {"name": "c"}]
    assert [rule.name for rule in validate_job(job(rules=rules)).rules] == ["a", "b", "c"]


@pytest.mark.parametrize(
    "finished",
    [
        [{"path": "design.tif", "overlay": "2 in"}],
        [{"mill": "1 in"}, {"overlay": "2 in"}],
        [{"path": "design.tif"}, {"mill": "1 in"}],
    ],
)
def test_finished_roads_that_contradict_each_other(finished):
    assert any(where.startswith("finished") for where in faults(job(finished=finished)))


@pytest.mark.parametrize(
    ("key", "value", "word"), [("areas", "a.gpkg", "areas"), ("cross_slope", "2 %", "cross slope")]
)
def test_a_design_surface_leaves_nothing_to_paving_areas_or_a_cross_slope(key, value, word):
    found = faults(job(finished=[{"path": "design.tif", key: value}]))
    assert list(found) == ["finished.0"]
    assert word in found["finished.0"].what
    assert validate_job(job(finished=[{"mill": "1 in", key: value}])).finished[0].mill > 0


def test_several_design_surfaces_are_one_role():
    finished = [{"path": "a.tif"}, {"path": "b.tif", "vertical_unit": "ft"}]
    assert [table.path for table in validate_job(job(finished=finished)).finished] == ["a.tif", "b.tif"]


def test_a_table_of_its_own():
    assert validate_table(RingTable, {"step": "30 mm"}, where="ring") == RingTable(step=0.03)
    with pytest.raises(InputError) as caught:
        validate_table(RingTable, {"step": "30"}, where="here")
    assert caught.value.faults[0].where == "here.step"


def test_faults_of_types_and_between_keys_are_told_together():
    found = faults(
        {
            "structures": {"path": "a", "layer": 5, "columns": {"rimm": "X"}, "kinds": {"CB": "tree"}},
            "surface": {"path": "road.tif", "band": 0},
            "finished": {"path": "design.tif", "overlay": "2 in", "mill": "5 in"},
            "rules": [{"name": "a", "tolerance": 6}, {"name": "b"}, {"name": "a", "streets": ["Elm"]}],
        }
    )
    assert set(found) == {
        "structures.layer",
        "structures.columns.rimm",
        "structures.kinds.CB",
        "surface.0.band",
        "finished.0",
        "rules.0.tolerance",
        "rules.1",
        "rules.2",
        "rules",
    }


def test_a_misspelt_condition_is_not_told_as_a_missing_one():
    rules = [{"name": "a", "kindz": ["valve"]}, {"name": "b"}]
    assert set(faults(job(rules=rules))) == {"rules.0.kindz"}


@pytest.mark.parametrize("value", [5, "x", [5], None, [[]], {"a": {"b": 1}}])
@pytest.mark.parametrize("table", TABLES)
def test_tables_of_a_wrong_kind_are_faults_not_errors(table, value):
    found = faults(job(**{table: value})) if (table, value) != ("centrelines", None) else {table: None}
    assert all(where.startswith(table) for where in found)


@pytest.mark.parametrize("key", ["columns", "kinds"])
@pytest.mark.parametrize("value", [5, "x", ["rim"], {"rim": 5}, {"rim": ["X"]}])
def test_mappings_of_a_wrong_kind_are_faults_not_errors(key, value):
    found = faults(job(structures={"path": "a", key: value}))
    assert all(where.startswith(f"structures.{key}") for where in found)


# ---------------------------------------------------------------- values as a job file says them


def read_back(setting, value):
    """What a job gets that holds the value as it is shown."""
    return setting.parse(tomllib.loads(f"value = {setting.show(value)}")["value"])


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("6 mm", '"6 mm"'),
        ("1/32 in", '"0.79375 mm"'),
        ("7 3/4 in", '"196.85 mm"'),
        ("1/64 in", '"0.396875 mm"'),
        ("0 mm", '"0 mm"'),
        ("3 m", '"3000 mm"'),
    ],
)
def test_lengths_are_shown_exactly(text, shown):
    length = Length(help="x")
    assert length.show(length.parse(text)) == shown
    assert read_back(length, length.parse(text)) == length.parse(text)


@pytest.mark.parametrize(
    ("text", "shown"),
    [("2 %", '"2 %"'), ("1:48", '"1:48"'), ("1:50", '"2 %"'), ("8.25 %", '"8.25 %"'), ("1:3", '"1:3"'), ("0", '"0 %"')],
)
def test_ratios_are_shown_exactly(text, shown):
    ratio = Ratio(help="x")
    assert ratio.show(ratio.parse(text)) == shown
    assert read_back(ratio, ratio.parse(text)) == ratio.parse(text)


@given(st.integers(0, 640), st.sampled_from([1, 2, 4, 8, 16, 32, 64]), st.sampled_from(["in", "ft", "us-ft", "mm"]))
def test_any_length_reads_back_as_the_same_metres(count, per_unit, unit):
    length, number = Length(help="x", high="300 m"), Fraction(count, per_unit)
    value = length.parse(f"{number.numerator}/{number.denominator} {unit}")
    assert read_back(length, value) == value


@given(st.one_of(st.just(0.0), st.floats(1e-12, 1)))
def test_any_ratio_reads_back_as_the_same_number(value):
    assert read_back(Ratio(help="x"), value) == value


@pytest.mark.parametrize("text", ["660 mm", "24x36 in", "450 x 600 mm", "17 1/32 in"])
def test_sizes_read_back(text):
    size = Size(help="x")
    assert read_back(size, size.parse(text)) == size.parse(text)


@given(
    st.recursive(
        st.one_of(st.booleans(), st.integers(-(2**62), 2**62), st.text(st.characters(exclude_categories=["Cs"]))),
        lambda inner: st.one_of(st.lists(inner), st.dictionaries(st.text(max_size=5), inner)),
        max_leaves=8,
    )
)
def test_plain_values_are_written_as_toml(value):
    # reference: the standard library's reader of TOML
    assert tomllib.loads(f"value = {Setting(help='x').show(value)}")["value"] == value


def test_columns_are_shown_as_a_table():
    shown = settings_of(StructuresTable)["columns"].show({"rim": "RIM EL", "id": "NO"})
    assert shown == '{ rim = "RIM EL", id = "NO" }'


# ---------------------------------------------------------------- declared settings


@pytest.mark.parametrize("table", DECLARED, ids=lambda table: table.__name__)
def test_every_setting_has_help(table):
    found = settings_of(table)
    nested = {"casting", "ring", "riser", "liner"} if table is Catalogue else set()
    assert set(found) == {item.name for item in dataclasses.fields(table)} - nested
    for name, setting in found.items():
        assert len(setting.help) > 8 or setting.help == "breaks ties", name
        assert (
            setting.help[0].islower()
            or setting.help[:2].isupper()
            or setting.help.split()[0]
            in (
                "GeoPackage,",
                "GeoTIFF",
                "TOML",
            )
        ), setting.help
        assert not setting.help.endswith("."), name


def test_every_flag_is_unique_and_reaches_a_key():
    found = list(flags())
    names = [flag.name for flag in found]
    assert len(set(names)) == len(names) > 10
    for flag in found:
        assert re.fullmatch(r"[a-z]+(-[a-z]+)*", flag.name)
        table = RulesFile if (flag.table, flag.key) == ("rules", "path") else TABLES[flag.table]
        assert settings_of(table)[flag.key].help == flag.help
        assert "" not in flag.words


def test_no_flag_hides_an_option_of_the_commands():
    taken = {"set", "overwrite", "engine", "workers", "chunk", "strict", "json", "help", "version"}
    assert not taken & {flag.name for flag in flags()}


def test_common_keys_have_flags():
    # a second list on purpose: people type these
    wanted = {"structures", "surface", "out", "vertical-unit", "dimension-unit", "mill", "overlay", "design", "rules"}
    assert wanted <= {flag.name for flag in flags()}


# ---------------------------------------------------------------- template


def uncommented(text):
    """The template with every commented key and table in force."""
    return re.sub(r"(?m)^# (?=\[|[a-z_]+ = )", "", text)


def test_the_template_is_a_job():
    data = tomllib.loads(template())
    assert set(data) == set(NEEDED)
    assert validate_job(data).structures.path == "covers.gpkg"


def test_the_template_names_every_key_once():
    data = tomllib.loads(uncommented(template()))
    assert list(data) == list(TABLES)
    for name, table in TABLES.items():
        written = data[name][0] if isinstance(data[name], list) else data[name]
        assert list(written) == [item.name for item in dataclasses.fields(table)]


def test_the_template_says_help_and_defaults():
    text = template()
    for name, table in TABLES.items():
        for setting in settings_of(table).values():
            assert f"# {setting.help}" in text, (name, setting.help)
    written = tomllib.loads(uncommented(text))
    found = validate_table(RuleSet, written["rules"][0], where="rules")
    unlimited = dict.fromkeys(("max_grade", "max_cross_slope", "max_edge_gap", "max_settlement"))
    assert dataclasses.replace(found, **unlimited) == RuleSet()
    assert validate_table(RingTable, written["ring"], where="ring") == RingTable()


def marked(text):
    """Table and key of every line that is marked as an example."""
    table = ""
    for line in text.splitlines():
        head = re.match(r"(?:# )?\[+([a-z]+)\]+ ", line)
        table = head[1] if head else table
        key = re.match(r"# ([a-z_]+) = .*\[example\]$", line)
        if key:
            yield table, key[1]


def test_what_has_no_default_is_marked_as_an_example():
    found = set(marked(template()))
    unset = {
        (name, item.name)
        for name, table in TABLES.items()
        for item in dataclasses.fields(table)
        if item.default is None or (item.default is dataclasses.MISSING and item.default_factory is dataclasses.MISSING)
    }
    assert found == (unset | {("surface", "vertical_unit")}) - {("structures", "path"), ("surface", "path")}
    written = tomllib.loads(uncommented(template()))
    plain_rules = {key: value for key, value in written["rules"][0].items() if ("rules", key) not in found}
    assert validate_table(RuleSet, plain_rules, where="rules") == RuleSet()
    paving = {key: value for key, value in written["finished"].items() if ("finished", key) not in found}
    assert validate_table(FinishedTable, paving, where="finished") == FinishedTable()


def test_examples_are_what_they_say():
    # 1:48: the largest cross slope of a pedestrian route in the accessibility guidelines of the United States, memory
    written = validate_job(tomllib.loads(uncommented(template())))
    rules = written.rules[0]
    assert (rules.max_grade, rules.max_cross_slope, rules.max_edge_gap) == (0.05, 1 / 48, 0.006)
    assert (written.surface[0].accuracy, written.finished[0].cross_slope) == (0.015, 0.02)


def test_remarks_of_the_template_stand_apart():
    for line in template().splitlines():
        assert not re.search(r"[^ ]#", line), line


def test_the_whole_template_is_a_job_too():
    found = validate_job(tomllib.loads(uncommented(template())))
    assert (found.finished[0].mill, found.finished[0].overlay) == (0.04, 0.05)
    assert found.surface[0].vertical_unit == "m"


COMMENTED = [line for line in template().splitlines() if re.match(r"# [a-z_]+ = ", line)]


@pytest.mark.parametrize("line", COMMENTED, ids=lambda line: line.split()[1])
def test_every_line_can_be_taken_into_use_by_itself(line):
    lines = template().splitlines()
    place = lines.index(line)
    head = max(i for i in range(place) if re.match(r"(# )?\[", lines[i]))
    for i in (head, place):
        lines[i] = lines[i].removeprefix("# ")
    if "[centrelines]" in lines[head]:
        lines.insert(head + 1, 'path = "streets.gpkg"' if "path" not in line else "")
    validate_job(tomllib.loads("\n".join(lines)))


def test_lines_of_the_template_fit_a_screen():
    assert max(len(line) for line in template().splitlines()) <= 150


# ---------------------------------------------------------------- JSON Schema


def fits(tables):
    """Whether a job fits the schema, by a library."""
    schema = job_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    return jsonschema.Draft202012Validator(schema).is_valid(tables)


@pytest.mark.parametrize("text", [template(), uncommented(template())], ids=["as it is", "uncommented"])
def test_the_schema_lets_the_template_through(text):
    assert fits(tomllib.loads(text))


@pytest.mark.parametrize("more", [{"surface": [{"path": "a"}, {"path": "b"}]}, {"rules": {"path": "owner.toml"}}])
def test_the_schema_lets_through_what_a_job_file_may_say(more):
    assert fits(job(**more))


def test_the_defaults_of_the_schema_are_what_people_write():
    for name, table in job_schema()["$defs"].items():
        for key, described in table["properties"].items():
            if "default" in described:
                jsonschema.Draft202012Validator(described).validate(described["default"])
                written = json.dumps(described["default"])
                assert not re.fullmatch(r"0\.\d+", written) or described["type"] == "number", (name, key)
    assert job_schema()["$defs"]["RuleSet"]["properties"]["tolerance"]["default"] == "6 mm"


@pytest.mark.parametrize(
    "tables",
    [
        {"nonsense": {}},
        {"ring": {"outer_radios": "1 m"}},
        {"ring": {"outer_radius": 1.5}},
        {"rules": [{"max_rings": 9}]},
        {"rules": [{"methods": ["weld"]}]},
        {"structures": {}},
        {"output": {"units": "imperial"}},
        {"structures": {"path": "a", "columns": {"rim": 5}}},
    ],
)
def test_the_schema_refuses_what_we_refuse(tables):
    assert not fits(job(**tables))
    with pytest.raises(InputError):
        validate_job(job(**tables))


def test_the_schema_is_json_and_describes_every_key():
    schema = job_schema()
    assert json.loads(json.dumps(schema)) == schema
    for name, table in TABLES.items():
        described = schema["$defs"][table.__name__]
        assert described["additionalProperties"] is False
        for key, setting in settings_of(table).items():
            assert described["properties"][key]["description"] == setting.help, (name, key)


# ---------------------------------------------------------------- plain values


def test_plain_values_survive_json():
    found = plain(validate_job(job(rules={"tolerance": "6 mm"}, finished={"mill": "1 in"})))
    assert json.loads(json.dumps(found)) == found
    assert found["rules"][0]["tolerance"] == 0.006
    assert found["finished"][0]["mill"] == pytest.approx(0.0254)
    assert found["centrelines"] is None
    assert list(plain({"b": 1, "a": (1, 2)}).items()) == [("a", [1, 2]), ("b", 1)]


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_plain_values_hold_nothing_that_json_does_not_know(value):
    found = plain({"a": [value, 1.5], "b": (value,)})
    assert found == {"a": [None, 1.5], "b": [None]}
    assert json.dumps(found, allow_nan=False)
