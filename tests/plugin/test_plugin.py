"""The plugin: its zip, what it may import, and its algorithms inside the real desktop GIS.

The GIS is Debian's (python3-qgis), run by its own interpreter without windows; without it these tests are skipped,
unless GEOADJUST_GIS=needed (as in CI).
"""

from __future__ import annotations

import ast
import configparser
import json
import os
import subprocess
import sys
import zipfile
from pathlib import Path
from typing import Any

import geopandas
import pandas
import pyogrio
import pytest

from geoadjust import __version__
from geoadjust.cli import main
from geoadjust.commands.processes import process, processes
from geoadjust.io.plugin_zip import FOLDER
from geoadjust.run.demo import run_demo
from tests.run.commands import run

PLUGIN = Path(__file__).parents[2] / "geoadjust" / "plugin"
GIS = "/usr/bin/python3"
NEEDED = os.environ.get("GEOADJUST_GIS") == "needed"
OFFERED = {"check", "schedule", "sheets", "template", "report", "export", "remeasure", "accept", "vacuum"}
SLOW_COPIES = 4000

READINGS = "id,reading_12,reading_3,reading_6,reading_9,radius,reference,casting_height\n" + (
    "SS-101,332 mm,330 mm,328 mm,330 mm,300 mm,existing,180 mm\n"
)
GAPS = "id,date,gap_12,gap_3,gap_6,gap_9,bar,rocking,bedding,seal,debris,by\n" + (
    "SS-101,2026-06-02,2 mm LOW,1 mm PROUD,flush,3 mm LOW,3 m,no,full,tight,no,AB\n"
)


def has_gis() -> bool:
    done = (
        subprocess.run([GIS, "-c", "import qgis.core"], capture_output=True, check=False)
        if Path(GIS).exists()
        else None
    )
    return done is not None and done.returncode == 0


needs_gis = pytest.mark.skipif(not NEEDED and not has_gis(), reason="the desktop GIS is not installed")


# ---------------------------------------------------------------- the zip


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The zip."""
    path = tmp_path_factory.mktemp("zip") / "plugin.zip"
    assert "wrote" in run("plugin", "--out", path)
    return path


def test_the_zip_holds_one_folder_with_what_a_host_asks_for(made: Path) -> None:
    with zipfile.ZipFile(made) as archive:
        names = archive.namelist()
        assert {name.partition("/")[0] for name in names} == {FOLDER}
        told = {name: archive.read(f"{FOLDER}/{name}").decode() for name in ("metadata.txt", "LICENSE", "program.json")}
        described = json.loads(archive.read(f"{FOLDER}/descriptions.json"))
        compile(archive.read(f"{FOLDER}/__init__.py"), "__init__.py", "exec")
    metadata = configparser.ConfigParser()
    metadata.read_string(told["metadata.txt"])
    asked = {"name", "qgisMinimumVersion", "description", "about", "version", "author", "email", "repository"}
    assert {name.lower() for name in asked} <= set(metadata["general"])
    assert metadata["general"]["version"] == __version__
    assert metadata["general"]["hasProcessingProvider"] == "yes"
    assert "GNU GENERAL PUBLIC LICENSE" in told["LICENSE"]
    assert json.loads(told["program.json"]) == [sys.executable, "-m", "geoadjust.cli"]
    assert described == {name: process(name, command) for name, command in processes(main)}
    assert f"{FOLDER}/{metadata['general']['icon']}" in names


def test_the_same_zip_every_time(made: Path, tmp_path: Path) -> None:
    run("plugin", "--out", tmp_path / "again.zip")
    assert (tmp_path / "again.zip").read_bytes() == made.read_bytes()


def test_only_a_plugin_is_replaced(tmp_path: Path) -> None:
    path = tmp_path / "plugin.zip"
    run("plugin", "--out", path)
    assert "--overwrite" in run("plugin", "--out", path, code=6)
    run("plugin", "--out", path, "--overwrite")
    path.write_text("somebody's")
    run("plugin", "--out", path, "--overwrite", code=6)
    assert path.read_text() == "somebody's"
    run("plugin", "--out", tmp_path / "no such folder" / "a.zip", code=5)
    assert [each.name for each in tmp_path.iterdir()] == ["plugin.zip"]


@pytest.mark.parametrize("path", sorted(PLUGIN.glob("*.py")), ids=lambda path: path.name)
def test_it_imports_the_standard_library_and_its_host_alone(path: Path) -> None:
    allowed = set(sys.stdlib_module_names) | {"qgis", "processing"}
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            assert {name.name.partition(".")[0] for name in node.names} <= allowed
        if isinstance(node, ast.ImportFrom) and not node.level:
            assert str(node.module).partition(".")[0] in allowed


def test_the_package_never_imports_it() -> None:
    for path in PLUGIN.parent.rglob("*.py"):
        if path.parent != PLUGIN:
            assert "geoadjust.plugin" not in path.read_text(encoding="utf-8"), path


# ---------------------------------------------------------------- inside the GIS


@pytest.fixture(scope="module")
def inside(made: Path, tmp_path_factory: pytest.TempPathFactory) -> Any:
    """inside(case): what that case of inside.py found."""
    place = tmp_path_factory.mktemp("gis")
    with zipfile.ZipFile(made) as archive:
        archive.extractall(place / "plugins")
    demo = place / "demo"
    run_demo(demo, overwrite=False, progress=lambda *_: None)
    (demo / "readings.csv").write_text(READINGS)
    (demo / "gaps.csv").write_text(GAPS)

    for name, file in (("covers", "structures"), ("streets", "centrelines")):
        frame = geopandas.read_file(demo / f"{file}.gpkg")
        for layer in (f"our {name}", f"their {name}"):
            frame.iloc[: None if layer.startswith("our") else 1].to_file(demo / "several.gpkg", layer=layer)

    def call(case: str) -> Any:
        words = [GIS, str(Path(__file__).with_name("inside.py")), str(place / "plugins"), str(demo), case]
        kept = {name: value for name, value in os.environ.items() if not name.startswith(("PYTHON", "GEOADJUST"))}
        done = subprocess.run(words, capture_output=True, text=True, check=False, env=kept, timeout=300)
        lines = [line for line in done.stdout.splitlines() if line.startswith("RESULT ")]
        assert lines, done.stdout[-3000:] + done.stderr[-3000:]
        return json.loads(lines[-1].removeprefix("RESULT "))

    call.demo = demo  # type: ignore[attr-defined]
    return call


@needs_gis
def test_algorithms_are_made_of_the_descriptions(inside: Any) -> None:
    found = inside("algorithms")
    assert set(found) == OFFERED
    for name, command in processes(main):
        if name not in OFFERED:
            continue
        described = process(name, command)
        ours = found[name]
        assert ours["title"] == described["title"]
        assert "not an approval" in ours["help"]
        wanted = {key.replace("-", "_") for key in described["inputs"] if key not in ("json", "progress")}
        assert wanted <= set(ours["parameters"])
        assert {key for key in ours["parameters"] if not key.endswith("_file")} == wanted
        assert set(ours["outputs"]) - {"out", "fieldbook"} == {key.replace("-", "_") for key in described["outputs"]}
        for key, each in described["inputs"].items():
            if each["minOccurs"] and key != "out":
                assert not ours["parameters"][key.replace("-", "_")][1], key
    kinds = {key: each[0] for key, each in found["schedule"]["parameters"].items()}
    told = {"structures": "source", "surface": "raster", "surface_file": "file", "units": "enum", "chunk": "number"}
    told |= {"centrelines": "source", "overwrite": "boolean", "out": "folderDestination", "mill": "string"}
    assert {key: kinds[key] for key in told} == told
    advanced = {key for key, each in found["schedule"]["parameters"].items() if each[2]}
    assert {"engine", "chunk", "set"} <= advanced
    assert not {"structures", "surface", "out", "mill", "overwrite"} & advanced


@needs_gis
@pytest.mark.parametrize("case", ["in_memory", "raster_layer", "several_layers"])
def test_layers_of_the_project_give_what_the_files_give(inside: Any, case: str) -> None:
    found = inside(case)
    expected = pyogrio.read_dataframe(inside.demo / "out/schedule.gpkg", layer="schedule")
    assert found["rows"] == len(expected)
    assert found["methods"] == sorted(expected.method)
    assert found["style"] == "categorizedSymbol"


@needs_gis
@pytest.mark.parametrize("case", ["filtered", "selected"])
def test_a_filter_and_a_selection_are_kept(inside: Any, case: str) -> None:
    found = inside(case)
    assert 0 < found["rows"] < 53
    assert found["ids"] == found["expected"]


@needs_gis
@pytest.mark.parametrize(
    ("case", "told"),
    [
        ("edited", "has edits that are not saved"),
        ("bad_job", "The job or a source is not right:\nsurface.vertical_unit: missing"),
        ("twice", "Tick the box that replaces it"),
        ("nothing_given", "give a layer, or a job file"),
        ("no_program", "cannot be started: /no/such/program"),
    ],
)
def test_what_is_wrong_is_told_in_words(inside: Any, case: str, told: str) -> None:
    found = inside(case)["told"]
    assert told in found
    assert "Traceback" not in found


@needs_gis
def test_the_result_is_loaded_into_the_project(inside: Any) -> None:
    found = inside("loaded")
    assert found["well"]
    assert found["layers"] == [found["found"]["schedule_gpkg"]]


@needs_gis
def test_how_far_it_is(inside: Any) -> None:
    found = inside("progress")
    assert len(found["steps"]) >= 5
    assert found["steps"] == sorted(found["steps"])
    assert found["steps"][-1] == 100
    assert any(text.startswith("method: ") and "rings 20" in text for text in found["said"])
    assert not [text for text in found["said"] if text.startswith("{")]


@needs_gis
def test_it_can_be_cancelled(inside: Any) -> None:
    """On a job that takes longer than the test is willing to wait."""
    job = (inside.demo / "job.toml").read_text().replace('path = "structures.gpkg"', 'path = "many.gpkg"')
    (inside.demo / "slow.toml").write_text(job)
    covers = geopandas.read_file(inside.demo / "structures.gpkg")
    pandas.concat([covers] * SLOW_COPIES, ignore_index=True).to_file(inside.demo / "many.gpkg", engine="pyogrio")
    found = inside("cancelled")
    assert "nothing was replaced" in found["told"]
    assert found["seconds"] < 12
    assert not found["made"]


@needs_gis
def test_from_covers_to_documents(inside: Any) -> None:
    found = inside("chain")
    assert Path(found["sheets"]["sheets_pdf"]).read_bytes().startswith(b"%PDF")
    assert Path(found["report"]["report_html"]).is_file()
    assert Path(found["template"]["template_strip_pdf"]).is_file()
    assert Path(found["export"]["schedule_dxf"]).is_file()
    assert "northing" not in found["head"]
    assert found["remeasure"]["schedule_gpkg"].endswith("schedule.gpkg|layername=schedule")
    assert found["accept"]["acceptance_gpkg"].endswith("acceptance.gpkg|layername=acceptance")
