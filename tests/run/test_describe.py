"""Processes as the standard describes them, and execute documents as job files.

Against: the schemas of OGC API - Processes - Part 1 (fixtures/ogcapi-processes, with their source), read by jsonschema.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import jsonschema
import pytest
import referencing
import yaml
from click.testing import CliRunner

from geoadjust.cli import main
from geoadjust.commands.processes import OUTPUTS, TITLES, holds, input_id, processes
from geoadjust.process import flags
from geoadjust.run.demo import run_demo
from tests.run.commands import run
from tests.test_docs_run import fenced

SCHEMAS = Path(__file__).parents[2] / "fixtures" / "ogcapi-processes"
COMMANDS = dict(processes(main))


def _schema(name: str) -> Any:
    path = SCHEMAS / name.rpartition("/")[2]
    return False if path.name == "collectionValue.yaml" else yaml.safe_load(path.read_text(encoding="utf-8"))


def _old_bounds(schema: Any) -> Any:
    """OpenAPI 3.0 says exclusiveMinimum: true where JSON Schema now has the number itself."""
    if isinstance(schema, dict):
        found = {key: _old_bounds(value) for key, value in schema.items()}
        if found.get("exclusiveMinimum") is True:
            found["exclusiveMinimum"] = found.pop("minimum")
        return found
    return [_old_bounds(item) for item in schema] if isinstance(schema, list) else schema


def standard(name: str) -> jsonschema.Draft202012Validator:
    """A validator of one of the standard's schemas."""

    def retrieve(uri: str) -> Any:
        return referencing.Resource.from_contents(_old_bounds(_schema(uri)), referencing.jsonschema.DRAFT202012)

    registry: Any = referencing.Registry(retrieve=retrieve)
    return jsonschema.Draft202012Validator({"$ref": f"urn:x/{name}"}, registry=registry)


def described(name: str) -> Any:
    return json.loads(run("describe", name))


# ---------------------------------------------------------------- descriptions


def test_the_list_is_one_of_the_standard() -> None:
    found = json.loads(run("describe"))
    standard("processList.yaml").validate(found)
    assert [each["id"] for each in found["processes"]] == list(COMMANDS)


@pytest.mark.parametrize("name", COMMANDS)
def test_a_description_is_one_of_the_standard(name: str) -> None:
    standard("process.yaml").validate(described(name))


@pytest.mark.parametrize(
    "damage",
    [
        lambda found: found.pop("id"),
        lambda found: found.update(jobControlOptions=["later"]),
        lambda found: found["inputs"]["out"].pop("schema"),
        lambda found: found["inputs"]["out"]["schema"].update(type="path"),
        lambda found: found["inputs"]["out"]["schema"].update(examples=["a"]),
        lambda found: found["inputs"]["chunk"]["schema"].update(minimum="1"),
        lambda found: found["inputs"]["job"]["schema"]["oneOf"][2]["properties"]["ring"].update({"const": 0}),
        lambda found: found["outputs"]["run-json"].pop("schema"),
    ],
)
def test_the_standard_refuses_what_is_wrong(damage: Any) -> None:
    found = described("schedule")
    damage(found)
    assert not standard("process.yaml").is_valid(found)


@pytest.mark.parametrize("name", COMMANDS)
def test_every_parameter_of_the_command_line_is_an_input(name: str) -> None:
    inputs, params = described(name)["inputs"], COMMANDS[name].params
    assert set(inputs) == {input_id(param) for param in params}
    for param in params:
        each = inputs[input_id(param)]
        facts = {fact["name"]: fact["value"] for fact in each["additionalParameters"]["parameters"]}
        assert facts.get("option", param.opts) == [*param.opts, *param.secondary_opts]
        assert each["minOccurs"] == param.required
        assert each["description"], input_id(param)
        assert ("file" in facts) == bool(holds(param))


def test_every_flag_of_a_job_tells_its_key() -> None:
    inputs = described("schedule")["inputs"]
    for flag in flags():
        facts = {fact["name"]: fact["value"] for fact in inputs[flag.name]["additionalParameters"]["parameters"]}
        assert facts["key"] == [f"{flag.table}.{flag.key}"]
        assert inputs[flag.name]["description"] == flag.help


def test_every_process_has_a_title_of_its_own() -> None:
    assert set(COMMANDS) <= set(TITLES)
    assert len(set(TITLES.values())) == len(TITLES)


def test_an_unknown_command_is_refused() -> None:
    assert "there are accept, check" in run("describe", "nonsense", code=2)
    run("describe", "schedule", "--job-schema", code=2)


def test_the_schema_of_the_job_is_printed() -> None:
    schema = json.loads(run("describe", "--job-schema"))
    jsonschema.Draft202012Validator.check_schema(schema)
    inside = described("schedule")["inputs"]["job"]["schema"]["oneOf"][-1]
    assert set(inside["properties"]) == set(schema["properties"])


# ---------------------------------------------------------------- outputs

FIELD = (
    ("remeasure", "remeasure.md", "id,reading_12"),
    ("accept", "accept.md", "id,date,gap_12"),
    ("vacuum", "vacuum.md", "id,date,boundary"),
)
"""Commands that take a table from the field: the page that shows one, and how it begins."""


@pytest.fixture(scope="module")
def town(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo, and what documents are made of it."""
    place = tmp_path_factory.mktemp("town")
    run_demo(place, overwrite=False, progress=lambda *_: None)
    for command, *more in (["sheets"], ["template"], ["report"], ["export", "--as", "xlsx,points,geojson,dxf"]):
        run(command, place / "out", "--out", place / command, *more)
    run("init", place / "init")
    run("init", place / "owner", "--examples")
    for command, page, first in FIELD:
        (place / f"{command}.csv").write_text(fenced(page, first), encoding="utf-8")
        table = ["--table", next((place / "owner").rglob("by_depth_and_diameter.toml"))] if command == "vacuum" else []
        run(command, place / "out", place / f"{command}.csv", *table, "--out", place / command)
    run("history", "add", place / "history.jsonl", place / "out")
    run("record", place / "history.jsonl", "--out", place / "record")
    return place


@pytest.mark.parametrize("name", sorted(set(OUTPUTS) - {"demo"}))
def test_outputs_are_what_is_made(town: Path, name: str) -> None:
    folder = town / ("out" if name == "schedule" else name)
    found = {path.name for path in folder.iterdir() if not path.name.startswith(".")}
    assert {file for file, _, _ in OUTPUTS[name]} == found
    told = {each["title"] for each in described(name)["outputs"].values()}
    assert told == found


# ---------------------------------------------------------------- execute documents


def document(**changes: Any) -> dict[str, Any]:
    """An execute document for the demo's sources, with another folder for the result."""
    inputs = {
        "structures": {"href": "structures.gpkg"},
        "structures-vertical-unit": "ft",
        "dimension-unit": "in",
        "surface": "road.tif",
        "vertical-unit": "m",
        "mill": "40 mm",
        "overlay": {"value": "50 mm"},
        "out": "by_document",
        "chunk": 20,
        "overwrite": True,
        "set": [{"value": "surface.noise=3 mm"}],
        "job": {"value": {"structures": {"columns": {"id": "ASSET_NO", "rim": "RIM_EL"}}}},
    }
    return {"inputs": {**inputs, **changes}, "outputs": {"schedule-gpkg": {}}, "processID": "schedule"}


def write(town: Path, data: Any, name: str = "document.json") -> Path:
    path = town / name
    path.write_text(data if isinstance(data, str) else json.dumps(data), encoding="utf-8")
    return path


def test_a_document_is_one_of_the_standard(town: Path) -> None:
    standard("execute.yaml").validate({**document(), "processID": "urn:schedule"})
    assert not standard("execute.yaml").is_valid({"inputs": {"job": {"structures": {}}}})


def settings(folder: Path) -> Any:
    return json.loads((folder / "run.json").read_text(encoding="utf-8"))["job"]


def test_a_document_is_a_job_file(town: Path) -> None:
    """The same job by a document, and by the command line."""
    run("schedule", write(town, document()))
    words = ["--structures", town / "structures.gpkg", "--structures-vertical-unit", "ft", "--dimension-unit", "in"]
    words += ["--surface", town / "road.tif", "--vertical-unit", "m", "--mill", "40 mm", "--overlay", "50 mm"]
    words += ["--set", "surface.noise=3 mm", "--set", "structures.columns.id=ASSET_NO"]
    run("schedule", *words, "--set", "structures.columns.rim=RIM_EL", "--out", town / "by_words")
    assert (town / "by_document/schedule.gpkg").read_bytes() == (town / "by_words/schedule.gpkg").read_bytes()
    assert json.loads((town / "by_document/run.json").read_text(encoding="utf-8"))["engine"]["chunk"] == 20


def test_the_command_line_beats_the_document(town: Path) -> None:
    run("schedule", write(town, document(out="beaten")), "--mill", "30 mm", "--out", town / "beats")
    assert settings(town / "beats")["finished"][0]["mill"] == 0.030
    assert not (town / "beaten").exists()


def test_a_linked_job_file_and_a_file_address(town: Path) -> None:
    inputs = {"job": {"href": "job.toml"}, "out": {"href": (town / "linked").as_uri()}}
    run("schedule", write(town, {"inputs": inputs}))
    assert (town / "linked/schedule.csv").read_bytes() == (town / "out/schedule.csv").read_bytes()


def test_one_text_where_several_may_stand(town: Path) -> None:
    run("schedule", write(town, document(set="ring.outer_radius=1.6 m", out="one_text")))
    assert settings(town / "one_text")["ring"]["outer_radius"] == 1.6


def test_several_surfaces_by_links(town: Path) -> None:
    told = run("check", write(town, document(surface=[{"href": "road.tif"}, {"href": "road.tif"}])))
    assert "no faults" in told


def test_check_leaves_alone_what_only_a_run_takes(town: Path) -> None:
    assert "no faults" in run("check", write(town, document()))


BAD = {
    "no JSON": ('{"inputs": ', "not valid JSON"),
    "no inputs": ({"structures": {}}, "has no inputs"),
    "unknown input": (document(strictures="a"), "inputs.strictures: is no input"),
    "unknown output": ({"inputs": {}, "outputs": {"profit": {}}}, "outputs.profit: is no output"),
    "unknown member": ({"inputs": {}, "subscriber": {"successUri": "http://a"}}, "unknown member 'subscriber'"),
    "another process": ({"inputs": {}, "processID": "sheets"}, "'sheets' is another process"),
    "later": ({"inputs": {}, "mode": "async"}, "mode: 'async' is not done"),
    "bare object": (document(job={"ring": {}}), "inputs.job: an object without value or href"),
    "far away": (document(structures={"href": "https://example.org/a.gpkg"}), "is not a local file"),
    "no number": (document(chunk="many"), "inputs.chunk: 'many' is not a valid integer"),
    "a box": (document(areas={"bbox": [0, 0, 1, 1]}), "a bbox is not taken"),
    "wrong setting": (document(mill="40 parsecs"), "finished.0.mill"),
    "unknown key": (document(job={"value": {"ring": {"outer": "1 m"}}}), "unknown key"),
    "a number for a job": (document(job=5), "inputs.job: 5 is no job"),
    "jobs": (document(job=["a.toml"]), "a.toml'] is no job"),
    "inputs a list": ({"inputs": [1]}, "inputs: is no object"),
    "outputs a list": ({"inputs": {}, "outputs": [1]}, "outputs: is no object"),
    "deep": ('{"inputs": ' + "[" * 100_000, "nested too deeply"),
}


@pytest.mark.parametrize("bad", BAD)
@pytest.mark.parametrize("command", ["schedule", "check"])
def test_a_bad_document_is_refused(town: Path, command: str, bad: str) -> None:
    data, told = BAD[bad]
    if bad == "no number" and command == "check":
        return  # it has no chunks
    done = CliRunner().invoke(main, [command, str(write(town, data, "bad.json"))])
    assert done.exit_code == 3, done.output
    assert told in done.output
    assert "bad.json" in done.output
