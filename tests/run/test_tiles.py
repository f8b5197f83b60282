"""Whole runs on tiles: row by row the results of one merged raster, and what the record says of them."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable
from pathlib import Path
from typing import Any

import geopandas
import numpy as np
import pytest
import rasterio
import shapely
from rasterio.windows import Window
from shapely.geometry import Point

from geoadjust.errors import InputError
from geoadjust.io.jobfile import read_job
from geoadjust.run.check import check_job

PLACE = (500_000.0, 4_500_000.0)
EDGES = [0, 31, 90, 91, 160]
"""Edges of uneven tiles [cells], one of a single row and column; the site's road has 160 x 160 cells of 0.25 m."""


def road(e: Any, n: Any) -> Any:
    """Crown, grade and texture, and a hole."""
    z = 100 + 0.01 * e - 0.02 * np.abs(n) + 0.003 * np.sin(7 * e) * np.cos(5 * n)
    return np.where(np.hypot(e - 12, n + 3) < 2, -9999.0, z)


def fill(site: Any) -> Any:
    """A merged road, and structures in tiles, on edges, at corners of four tiles, in the hole and off the road."""
    merged = site.road(road, nodata=-9999.0, name="merged.tif", dtype="float32", compress="deflate")
    with rasterio.open(merged) as file:
        corners = [file.transform * (c, r) for c in EDGES[1:-1] for r in EDGES[1:-1]]
    rng = np.random.default_rng(12)
    points = [Point(x + 0.7 * (i % 3 - 1), y + 0.4 * (i % 2)) for i, (x, y) in enumerate(corners)]
    points += [Point(PLACE[0] + e, PLACE[1] + n) for e, n in rng.uniform(-21, 21, (40, 2))]
    points += [Point(PLACE[0] + 12, PLACE[1] - 3), Point(PLACE[0] + 500, PLACE[1])]
    site.structures({"id": [f"C{i}" for i in range(len(points))]}, points)
    site.flags |= {("structures", "vertical_unit"): "m", ("surface", "name"): "road", ("finished", "mill"): "40 mm"}
    site.merged = merged
    return site


def cut(merged: Path, folder: Path, *, overlap: int = 0, shuffled: bool = False, scaled: bool = False) -> list[Path]:
    """Tiles of the merged raster; by name they are in order of place, or in none."""
    folder.mkdir()
    paths = []
    with rasterio.open(merged) as file:
        for number, (i, j) in enumerate((i, j) for i in range(4) for j in range(4)):
            left, top = max(EDGES[i] - overlap, 0), max(EDGES[j] - overlap, 0)
            window = Window(left, top, EDGES[i + 1] - left, EDGES[j + 1] - top)
            cells = file.read(1, window=window)
            profile = {**file.profile, "width": window.width, "height": window.height}
            profile["transform"] = file.window_transform(window)
            paths.append(folder / f"{(5 * number) % 16 if shuffled else number:02} tile.tif")
            if scaled and number % 2:
                cells, profile["nodata"] = np.where(cells == -9999, np.float32(-1), cells), -1
            with rasterio.open(paths[-1], "w", **profile) as tile:
                tile.write(cells, 1)
    return paths


def all_tables(folder: Path) -> dict[str, list[tuple[Any, ...]]]:
    """Every table of the result, by sqlite3, but for what names the source."""
    database = sqlite3.connect(folder / "schedule.gpkg")
    names = [name for (name,) in database.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
    names = [name for name in names if not name.startswith(("rtree_", "sqlite_"))]
    tables = {name: list(database.execute(f'SELECT * FROM "{name}"')) for name in names}
    database.close()
    tables["run"] = [row for row in tables["run"] if not {"settings", "surfaces"} & set(row)]
    return tables


@pytest.fixture(scope="module")
def street(make_site: Callable[[], Any]) -> Any:
    """The site, with the tables and the CSV of the merged raster's result."""
    site = fill(make_site())
    site.run()
    site.truth = all_tables(site.folder / "out")
    site.text = (site.folder / "out" / "schedule.csv").read_bytes()
    return site


KINDS: dict[str, dict[str, Any]] = {
    "in order": {},
    "shuffled": {"shuffled": True},
    "overlapping": {"overlap": 9, "shuffled": True},
    "other nodata": {"scaled": True},
}


@pytest.mark.parametrize("kind", KINDS.values(), ids=KINDS)
def test_tiles_give_the_results_of_the_merged_raster(street: Any, tmp_path: Path, kind: dict[str, Any]) -> None:
    cut(street.merged, tmp_path / "tiles", **kind)
    street.flags[("surface", "path")] = str(tmp_path / "tiles")
    street.run(overwrite=True)
    assert all_tables(street.folder / "out") == street.truth
    assert (street.folder / "out" / "schedule.csv").read_bytes() == street.text
    methods = {row["method"] for row in street.table("schedule")}
    assert len(methods) > 1
    assert sum(row["method"] != "unknown" for row in street.table("schedule")) > 40


def test_chunks_and_processes_change_nothing(street: Any, tmp_path: Path) -> None:
    cut(street.merged, tmp_path / "tiles", shuffled=True)
    street.flags[("surface", "path")] = str(tmp_path / "tiles")
    for options in ({"chunk": 7}, {"chunk": 11, "engine": "processes", "workers": 2}):
        street.run(overwrite=True, **options)
        assert all_tables(street.folder / "out") == street.truth


def test_every_way_to_name_the_tiles(street: Any, tmp_path: Path) -> None:
    paths = cut(street.merged, tmp_path / "tiles")
    (tmp_path / "list.txt").write_text("\r\n".join(f"tiles/{path.name}" for path in paths), newline="")
    shapes = [shapely.box(0, 0, 1, 1)] * len(paths)
    table = {"location": [f"tiles/{path.name}" for path in paths]}
    geopandas.GeoDataFrame(table, geometry=shapes, crs="EPSG:32617").to_file(tmp_path / "index.gpkg")
    street.flags[("surface", "path")] = str(street.merged)
    on = next(line for line in check_job(street.job()).lines if "structures lie on it" in line).partition("; ")[2]
    job = tmp_path / "job.toml"
    named = ['"tiles"', '"list.txt"', '"index.gpkg"', "[" + ", ".join(f'"tiles/{path.name}"' for path in paths) + "]"]
    for path in named:
        job.write_text(
            f"[structures]\npath = '{street.flags[('structures', 'path')]}'\nvertical_unit = 'm'\n"
            f"[surface]\npath = {path}\nvertical_unit = 'm'\n[output]\npath = 'out'\n"
        )
        (line,) = [line for line in check_job(read_job(job)).lines if line.startswith("surface: ") and "tiles," in line]
        assert "160 x 160 cells of 0.25 map units in 16 tiles" in line
        assert line.partition("; ")[2] == on != "51 of 51 structures lie on it"


def test_what_the_record_says(street: Any, tmp_path: Path) -> None:
    paths = cut(street.merged, tmp_path / "tiles")
    street.flags[("surface", "path")] = tuple(str(path) for path in paths)
    street.run(overwrite=True)
    (source,) = json.loads((street.folder / "out" / "run.json").read_text())["sources"]["surfaces"]
    assert source["path"] == f"{paths[0]} and 15 more"
    assert source["first_tiles"] == [str(path) for path in paths[:3]]
    assert source["tiles"] == 16
    run = {row["key"]: json.loads(row["value"]) for row in street.table("run")}
    assert run["surfaces"]["road"]["tiles"] == 16
    assert run["surfaces"]["road"]["fingerprint"].startswith("sha256:")
    assert run["settings"]["surface"][0]["path"] == ["00 tile.tif", "01 tile.tif", "02 tile.tif", "and 13 more"]
    assert str(tmp_path) not in json.dumps(run)


def test_one_raster_is_recorded_as_ever(street: Any) -> None:
    street.flags[("surface", "path")] = str(street.merged)
    street.run(overwrite=True)
    (source,) = json.loads((street.folder / "out" / "run.json").read_text())["sources"]["surfaces"]
    assert set(source) == {"path", "fingerprint", "band", "vertical_unit", "vertical_datum", "size"}


def test_structures_in_a_hole_between_tiles(site: Any, tmp_path: Path) -> None:
    fill(site)
    for path in cut(site.merged, site.folder / "tiles"):
        if path.name[:2] not in ("00", "15"):  # two opposite corners are left
            path.unlink()
    site.flags[("surface", "path")] = str(site.folder / "tiles")
    site.structures({"id": ["in", "hole"]}, [Point(PLACE[0] + 15, PLACE[1] - 15), Point(PLACE[0] + 15, PLACE[1] + 15)])
    rows = site.run()
    assert rows[0]["method"] != "unknown"
    assert rows[1]["method"] == "unknown"
    assert rows[1]["raise_mm"] is None
    site.structures({"id": ["hole"]}, [Point(PLACE[0] + 15, PLACE[1] + 15)], name="hole.gpkg")
    with pytest.raises(InputError, match="they lie in holes between its tiles"):
        site.run(overwrite=True)


def test_a_design_surface_of_tiles(site: Any) -> None:
    fill(site)
    site.flags.pop(("finished", "mill"))
    design = site.road(lambda e, n: 100.1 + 0.01 * e - 0.02 * np.abs(n), name="design.tif", role="finished")
    rows = site.run()
    cut(design, site.folder / "design")
    site.flags |= {("finished", "path"): str(site.folder / "design"), ("finished", "name"): "design"}
    assert site.run(overwrite=True) == rows


def test_two_surfaces_of_one_name_are_refused(site: Any) -> None:
    (site.folder / "old").mkdir()
    site.road(road, name="old/road.tif", role="finished")
    site.road(road, name="road.tif")
    site.structures({"id": ["a"]}, [Point(*PLACE)])
    site.flags[("structures", "vertical_unit")] = "m"
    with pytest.raises(InputError, match="two surfaces are named 'road'") as caught:
        site.run()
    assert 'with name = "..."' in caught.value.faults[0].remedy
    assert len(site.run("finished.name=planned")) == 1


@pytest.mark.parametrize(
    ("path", "says"), [([], "the list of paths is empty"), ([7], "neither a path"), (["a", ""], "neither a path")]
)
def test_lists_that_are_no_lists_of_paths(site: Any, path: Any, says: str) -> None:
    site.structures({"id": ["a"]}, [Point(*PLACE)])
    site.flags[("surface", "path")] = path
    with pytest.raises(InputError, match=says) as caught:
        site.job()
    assert caught.value.faults[0].where == "surface.0.path"
