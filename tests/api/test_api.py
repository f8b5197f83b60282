"""The job from Python, beside the job from the command line; what it draws, read as XML."""

from __future__ import annotations

import json
import sqlite3
import subprocess
import sys
import tempfile
import xml.etree.ElementTree as ET
from pathlib import Path
from typing import Any

import geopandas
import pytest
import rasterio
from rasterio.io import MemoryFile

import geoadjust
from geoadjust.errors import InputError, OutputBusyError, UsageError
from geoadjust.io.jobfile import read_toml
from geoadjust.run.demo import run_demo

SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo, made by the command line's way."""
    folder = tmp_path_factory.mktemp("demo")
    run_demo(folder, overwrite=False, progress=lambda *_: None)
    return folder


@pytest.fixture(scope="module")
def tables(place: Path) -> dict[str, Any]:
    """The demo's job as a mapping."""
    return {**read_toml(place / "job.toml", where="job"), "output": {}}


def figures(result: Any) -> Any:
    return result.structures.drop(columns="geometry").drop(columns=["fid"], errors="ignore")


# ---------------------------------------------------------------- sources


def test_frames_and_open_rasters_give_what_the_files_give(place: Path, tables: dict[str, Any]) -> None:
    covers = geopandas.read_file(place / "structures.gpkg")
    lines = geopandas.read_file(place / "centrelines.gpkg")
    with rasterio.open(place / "road.tif") as dataset:
        found = geoadjust.schedule(covers, dataset, centrelines=lines, job=tables)
    by_files = geoadjust.open_set(place / "out")
    names = ["row", "structure_id", "raise_mm", "chimney_mm", "method", "flags", "ready"]
    assert figures(found)[names].equals(figures(by_files)[names])
    assert found.ordinates.equals(by_files.ordinates)
    assert found.counts == by_files.counts


def test_a_raster_in_memory_is_copied(place: Path) -> None:
    content = (place / "road.tif").read_bytes()
    with MemoryFile(content) as memory, memory.open() as dataset:
        found = geoadjust.schedule(surface=dataset, job=place / "job.toml", out=None, settings=OUT(place, "memory"))
    assert found.counts == geoadjust.open_set(place / "out").counts


def OUT(place: Path, name: str) -> dict[str, str]:
    return {"output.path": str(place / name)}


def test_tiles_as_a_list(place: Path) -> None:
    found = geoadjust.schedule(surface=[place / "road.tif"], job=place / "job.toml", settings=OUT(place, "tiles"))
    assert found.counts["method"] == geoadjust.open_set(place / "out").counts["method"]


def test_a_result_without_a_folder_lives_as_long_as_its_object(place: Path, tables: dict[str, Any]) -> None:
    found = geoadjust.schedule(
        place / "structures.gpkg",
        place / "road.tif",
        job={**tables, "output": {}},
        centrelines=place / "centrelines.gpkg",
    )
    folder = found.folder
    assert (folder / "schedule.gpkg").is_file()
    del found
    assert not folder.parent.exists()


def test_a_refused_job_leaves_nothing_behind(place: Path) -> None:
    before = set(Path(tempfile.gettempdir()).glob("geoadjust-*"))
    covers = geopandas.read_file(place / "structures.gpkg")
    with pytest.raises(InputError, match="surface"):
        geoadjust.schedule(covers, place / "no such road.tif")
    assert set(Path(tempfile.gettempdir()).glob("geoadjust-*")) <= before


@pytest.mark.parametrize(
    ("given", "error", "told"),
    [
        ({"structures": 5}, InputError, "structures: is a int"),
        ({"surface": 5}, InputError, "surface: is a int"),
        ({"settings": {"nonsense": 1}}, UsageError, "not table.key"),
        ({"settings": {"ring.outer": "1 m"}}, InputError, "unknown key"),
        ({"mill": "40 parsecs"}, InputError, "finished.0.mill"),
        ({"rules": [{"tolerance": "6"}]}, InputError, "rules.0.tolerance"),
        ({"engine": "nonsense"}, UsageError, "engine"),
    ],
)
def test_what_is_wrong_is_told(place: Path, given: dict[str, Any], error: type[Exception], told: str) -> None:
    with pytest.raises(error, match=told):
        geoadjust.schedule(**{"job": place / "job.toml", "out": place / "wrong", **given})
    assert not (place / "wrong").exists()


def test_a_result_is_replaced_only_when_asked(place: Path) -> None:
    geoadjust.schedule(job=place / "job.toml", out=place / "again")
    with pytest.raises(OutputBusyError):
        geoadjust.schedule(job=place / "job.toml", out=place / "again")
    geoadjust.schedule(job=place / "job.toml", out=place / "again", overwrite=True)


def test_arguments_beat_the_job(place: Path) -> None:
    rules = [{"name": "tight", "tolerance": "3 mm"}]
    found = geoadjust.schedule(job=place / "job.toml", rules=rules, mill="30 mm", out=place / "beaten")
    assert found.record["job"]["rules"][0]["tolerance"] == 0.003
    assert found.record["job"]["finished"][0]["mill"] == 0.030
    assert set(found.structures.rule_set) == {"tight"}


# ---------------------------------------------------------------- frames


def test_long_ordinates_are_the_stored_ones(place: Path) -> None:
    found = geoadjust.open_set(place / "out").ordinates
    database = sqlite3.connect(place / "out/schedule.gpkg")
    lines = database.execute('SELECT "row", k, h01_mm, h07_mm, h08_mm, h16_mm FROM ordinates').fetchall()
    database.close()
    assert len(found) == sum(line[1] for line in lines)
    assert {line[1] for line in lines} >= {8, 16}
    by_place = found.set_index(["row", "station"]).height_mm
    for row, count, *heights in lines:
        of_row = found[found.row == row]
        assert list(of_row.station) == list(range(1, count + 1))
        assert list(of_row.turn_deg) == [place * 360 / count for place in range(count)]
        assert [by_place[row, station] for station in (1, 7, 8, 16) if station <= count] == [
            height for height in heights if height is not None
        ]


def test_every_table_is_a_frame(place: Path) -> None:
    found = geoadjust.open_set(place / "out")
    frames = found.frames()
    assert set(frames) == {"structures", "ordinates", "stack", "reasons", "models"}
    assert len(frames["structures"]) == len(frames["models"]) == len(found) == 53
    assert frames["structures"].crs is not None
    assert set(frames["reasons"].code) == set(found.counts["flags"])
    assert frames["structures"] is found.structures


# ---------------------------------------------------------------- what people see


def words(drawing: Any) -> list[str]:
    return [each.text or "" for each in ET.fromstring(str(drawing)).iter(f"{SVG}text")]


def test_a_street_is_drawn(place: Path) -> None:
    found = geoadjust.open_set(place / "out")
    street = found.structures.street.dropna().iloc[0]
    drawing = found.plot(street=street)
    placed = found.structures[(found.structures.street == street) & ~found.structures.geometry.isna()]
    root = ET.fromstring(drawing._repr_svg_())
    assert len(list(root.iter(f"{SVG}circle"))) == len(placed[~placed.geometry.is_empty])
    told = words(drawing)
    assert told[0].startswith(f"{street}: planned raise")
    largest = placed.loc[placed.raise_mm.abs().idxmax()]
    assert any(text.startswith(f"{largest.structure_id} ") for text in told)
    assert len(words(found.plot())) >= len(told)


def test_a_chimney_is_drawn(place: Path, tmp_path: Path) -> None:
    found = geoadjust.open_set(place / "out")
    drawing = found.plot("SS-101")
    told = words(drawing)
    assert told[0] == "SS-101"
    assert any(text.startswith("Section 1:") for text in told)
    assert any(text.startswith("Plan 1:") for text in told)
    assert drawing.save(tmp_path / "one.svg").read_text(encoding="utf-8") == str(drawing)
    with pytest.raises(FileExistsError):
        drawing.save(tmp_path / "one.svg")
    assert "SVG" in repr(drawing)


def test_every_structure_can_be_drawn(place: Path) -> None:
    found = geoadjust.open_set(place / "out")
    for row in found.structures.row:
        ET.fromstring(str(found.plot(row=int(row))))


def test_no_such_structure_or_street(place: Path) -> None:
    found = geoadjust.open_set(place / "out")
    for wrong in ({"structure_id": "no such"}, {"street": "no such"}, {"row": 999}):
        with pytest.raises(InputError):
            found.plot(**wrong)
    with pytest.raises(InputError):
        found.explain("no such")


def test_it_explains(place: Path) -> None:
    assert "SS-101" in geoadjust.open_set(place / "out").explain("SS-101")


def test_a_notebook_shows_counts_and_the_caution(place: Path) -> None:
    found = geoadjust.open_set(place / "out")
    page = ET.fromstring(found._repr_html_())
    text = "".join(page.itertext())
    assert "53 structures" in text
    assert "rings 20" in text
    assert "not an approval" in text
    assert repr(found).startswith("<Schedule of 53 structures: rings 20")
    assert json.loads(found.to_json())["structures"] == 53


def test_names_of_strangers_stay_text(place: Path) -> None:
    covers = geopandas.read_file(place / "structures.gpkg")
    covers["ASSET_NO"] = "<script>alert(1)</script>\x1b"
    found = geoadjust.schedule(covers, job=place / "job.toml", out=place / "<b>hostile")
    ET.fromstring(found._repr_html_())
    assert "<script>" not in str(found.plot()) + found._repr_html_()
    assert "<script>" not in str(found.plot(row=0))


# ---------------------------------------------------------------- the door


def test_the_package_starts_without_the_libraries() -> None:
    code = "import sys, geoadjust; geoadjust.__version__; sys.exit('numpy' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
    with pytest.raises(AttributeError, match="no attribute 'nonsense'"):
        geoadjust.nonsense  # noqa: B018
    assert all(hasattr(geoadjust, name) for name in geoadjust.__all__)
