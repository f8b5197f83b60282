"""Extensions by entry points, proven by an example package that is on the path of a process of its own."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path
from typing import Any

import geopandas
import numpy as np
import pytest
import rasterio
from rasterio.transform import Affine
from shapely.geometry import Point

EXAMPLE = Path(__file__).parent / "example"
CELL, CELLS, WEST, NORTH = 0.25, 400, 500_000.0, 4_500_100.0
ROAD = {
    "crs": "EPSG:32617",
    "transform": [CELL, 0.0, WEST, 0.0, -CELL, NORTH],
    "width": CELLS,
    "height": CELLS,
    "vertical_unit": "m",
    "level": 215.0,
    "grade_east": 0.02,
    "grade_north": -0.01,
}


@pytest.fixture(scope="module")
def path_of_package(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The example as an installation lays it out, its metadata made from its pyproject.toml."""
    place = tmp_path_factory.mktemp("site-packages")
    shutil.copytree(EXAMPLE / "src", place, dirs_exist_ok=True)
    project = tomllib.loads((EXAMPLE / "pyproject.toml").read_text())["project"]
    info = place / f"geoadjust_example-{project['version']}.dist-info"
    info.mkdir()
    (info / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {project['name']}\nVersion: {project['version']}\n")
    groups = (
        f"[{group}]\n" + "".join(f"{name} = {value}\n" for name, value in points.items())
        for group, points in project["entry-points"].items()
    )
    (info / "entry_points.txt").write_text("\n".join(groups))
    return place


@pytest.fixture
def site(path_of_package: Path, tmp_path: Path) -> Any:
    """site(*words): the command line in a process that has the example package; beside a road and structures."""
    spots = np.random.default_rng(5).uniform(10, CELL * CELLS - 10, (40, 2))
    points = [Point(WEST + e, NORTH - n) for e, n in spots]
    heights = [215.0 + 0.02 * e + 0.01 * n - 0.03 for e, n in spots]
    frame = geopandas.GeoDataFrame({"id": [f"MH-{k}" for k in range(40)], "rim": heights}, geometry=points, crs=32617)
    frame.to_file(tmp_path / "covers.gpkg")
    (tmp_path / "road.json").write_text(json.dumps(ROAD))

    def call(*words: object, code: int = 0, reader: str | None = "formula") -> str:
        named = ["--set", f"surface.reader={reader}"] if reader else []
        given = ["--structures", "covers.gpkg", "--structures-vertical-unit", "m", "--overlay", "50 mm"]
        command = [sys.executable, "-m", "geoadjust.cli", str(words[0]), *given, *named, *map(str, words[1:])]
        done = subprocess.run(
            command,
            cwd=tmp_path,
            env={**os.environ, "PYTHONPATH": str(path_of_package)},
            capture_output=True,
            text=True,
            check=False,
        )
        assert done.returncode == code, done.stdout + done.stderr
        assert "Traceback" not in done.stderr
        return done.stdout + done.stderr

    call.folder = tmp_path  # type: ignore[attr-defined]
    return call


def figures(folder: Path) -> Any:
    frame = geopandas.read_file(folder / "schedule.gpkg", layer="schedule")
    return frame.set_index("row")[["raise_mm", "slope_pct", "method"]]


def record(folder: Path) -> Any:
    return json.loads((folder / "run.json").read_text(encoding="utf-8"))


def as_geotiff(path: Path) -> None:
    e, n = (np.arange(CELLS) + 0.5) * CELL, -(np.arange(CELLS) + 0.5) * CELL
    z = ROAD["level"] + ROAD["grade_east"] * e[None, :] + ROAD["grade_north"] * n[:, None]  # type: ignore[operator]
    profile = {"driver": "GTiff", "width": CELLS, "height": CELLS, "count": 1, "dtype": "float64", "crs": ROAD["crs"]}
    with rasterio.open(path, "w", transform=Affine(*ROAD["transform"]), **profile) as dataset:  # type: ignore[misc]
        dataset.write(z, 1)


# ---------------------------------------------------------------- surfaces


def test_a_formula_gives_what_its_raster_gives(site: Any) -> None:
    site("schedule", "--surface", "road.json", "--out", "formula")
    as_geotiff(site.folder / "road.tif")
    site("schedule", "--surface", "road.tif", "--vertical-unit", "m", "--out", "raster", reader=None)
    ours, theirs = figures(site.folder / "formula"), figures(site.folder / "raster")
    assert ours.equals(theirs)
    assert np.allclose(ours.raise_mm, 80.0, atol=0.01)
    assert np.allclose(ours.slope_pct, 100 * np.hypot(0.02, 0.01), atol=1e-3)


def test_workers_load_it_by_its_name_and_the_record_tells_its_version(site: Any) -> None:
    site("schedule", "--surface", "road.json", "--out", "one")
    site("schedule", "--surface", "road.json", "--out", "two", "--engine", "processes", "--workers", 2, "--chunk", 7)
    assert (site.folder / "one/schedule.gpkg").read_bytes() == (site.folder / "two/schedule.gpkg").read_bytes()
    (surface,) = record(site.folder / "one")["sources"]["surfaces"]
    assert surface["reader"] == "formula (geoadjust-example 1.2)"


def test_options_reach_it(site: Any) -> None:
    site("schedule", "--surface", "road.json", "--out", "lifted", "--set", "surface.options.lift=0.010")
    assert np.allclose(figures(site.folder / "lifted").raise_mm, 90.0, atol=0.01)


def test_later_steps_work_on_such_a_set(site: Any, path_of_package: Path) -> None:
    site("schedule", "--surface", "road.json", "--out", "out")
    for words in (["verify", "out"], ["report", "out", "--out", "page"], ["explain", "out", "MH-3"]):
        done = subprocess.run(
            [sys.executable, "-m", "geoadjust.cli", *words],
            cwd=site.folder,
            env={**os.environ, "PYTHONPATH": str(path_of_package)},
            capture_output=True,
            text=True,
            check=False,
        )
        assert done.returncode == 0, done.stdout + done.stderr


@pytest.mark.parametrize("command", ["schedule", "check"])
@pytest.mark.parametrize(
    ("reader", "words", "told"),
    [
        ("nonsense", [], "surface.reader: road.json: no extension 'nonsense' is installed (allowed: broken, formula)"),
        ("broken", [], "extension 'broken' cannot be loaded (ModuleNotFoundError"),
        ("formula", ["--set", "surface.options.trouble=grid"], "describes no grid with north up"),
        ("formula", ["--set", "surface.options.trouble=no transform"], "failed (KeyError: 'transform')"),
        ("formula", ["--surface", "no such.json"], "failed (FileNotFoundError"),
        ("formula", ["--vertical-unit", "ft"], "the job says ft, road.json says m"),
        ("formula", ["--surface-crs", "EPSG:32618"], "surface.crs"),
        ("formula", ["--set", "output.writers=['nonsense']"], "output.writers: no extension 'nonsense'"),
    ],
)
def test_a_named_one_that_is_wrong_is_refused(
    site: Any, command: str, reader: str, words: list[str], told: str
) -> None:
    words = words if "--surface" in words else ["--surface", "road.json", *words]
    assert told in site(command, *words, "--out", "out", code=3, reader=reader)
    assert not (site.folder / "out").exists()


@pytest.mark.parametrize(
    ("trouble", "told"), [("window", "failed (OSError: the formula is gone)"), ("shape", "gave (")]
)
def test_one_that_fails_in_mid_run_replaces_nothing(site: Any, trouble: str, told: str) -> None:
    words = ["--surface", "road.json", "--out", "out", "--set", f"surface.options.trouble={trouble}"]
    assert told in site("schedule", *words, code=3)
    assert not (site.folder / "out").exists()


def test_an_unnamed_broken_one_is_a_warning_of_the_check(site: Any) -> None:
    told = site("check", "--surface", "road.json", "--out", "out")
    assert "note: extension 'broken' (geoadjust-example 1.2) cannot be loaded, the job does not name it" in told
    assert "no faults" in told
    assert "read by formula (geoadjust-example 1.2)" in told


# ---------------------------------------------------------------- writers


def test_a_writer_writes_into_the_set(site: Any) -> None:
    site("schedule", "--surface", "road.json", "--out", "out", "--set", "output.writers=['totals']")
    place = site.folder / "out/extensions/totals"
    assert json.loads((place / "totals.json").read_text())["units"] == "metric"
    assert (place / "ordinates.csv").read_text().startswith("row,structure_id,k,basis")
    told = record(site.folder / "out")
    assert told["extensions"] == {"totals": "geoadjust-example 1.2"}
    assert "extensions/totals/totals.json" in told["files"]


def test_a_writer_that_fails_replaces_nothing(site: Any) -> None:
    words = ["--surface", "road.json", "--out", "out", "--set"]
    site("schedule", *words, "output.writers=[]")
    before = (site.folder / "out/run.json").read_bytes()
    told = site("schedule", *words, "output.writers=['failing']", "--overwrite", code=3)
    assert "failing (geoadjust-example 1.2) failed (RuntimeError: no more ink)" in told
    assert (site.folder / "out/run.json").read_bytes() == before
