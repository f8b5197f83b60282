"""The benchmark measures what it says: its limits do the product's reading and writing, its peers see the same road.

Nothing here is timed. Truth comes from outside: sqlite3 reads both results, a naive loop counts blocks, the peers are
independent of the product.
"""

from __future__ import annotations

import json
import sqlite3
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import rasterio

import geoadjust.io.safe  # noqa: F401 - sets the environment before GDAL is loaded
from tests.benchmarks import data, limits, memory, order, peers, ratio, schedule, workers
from tests.benchmarks.children import PYTHON, NotMeasured, call, watch
from tests.benchmarks.product import Stages, core_seconds, run_product
from tests.benchmarks.startup import imported
from tests.benchmarks.tables import Table

CELLS, COUNT = 2000, 60


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A raster of 4 x 4 blocks, 60 structures on it in both orders, and the product's result."""
    place = tmp_path_factory.mktemp("bench")
    data.make_all(str(place), CELLS, [COUNT], ["tiled"], 0)
    run_product(data.structures_of(place, COUNT, CELLS), place / f"road-{CELLS}.tif", place / "out")
    return place


@pytest.fixture
def job(folder: Path) -> dict[str, Path]:
    """Paths of the raster and of the structures in order of streets."""
    return {"raster": data.raster_of(folder, CELLS), "structures": data.structures_of(folder, COUNT, CELLS)}


# ---------------------------------------------------------------- data


def test_a_thousand_structures_fill_a_district() -> None:
    found = data.place_structures(1000, 20_000)
    assert len(found["east"]) == 1000
    for values in (found["east"], found["north"]):
        assert 1200 < np.ptp(values) < 1300  # a square of 1291 m: 600 per square kilometre
    assert found["east"].min() > data.EAST + 4
    assert found["north"].max() < data.NORTH - 4
    assert found["north"].min() > data.NORTH - 5000 + 4


def test_sorted_structures_follow_their_streets() -> None:
    found = data.place_structures(2000, 20_000)
    number = found["street"]
    runs = 1 + np.count_nonzero(np.diff(number))
    assert runs == len(np.unique(number))  # each street once, in one run
    for street in np.unique(number):
        own = number == street
        azimuth = np.radians(found["axis"][own])
        ahead = found["east"][own] * np.sin(azimuth) + found["north"][own] * np.cos(azimuth)
        beside = found["east"][own] * np.cos(azimuth) - found["north"][own] * np.sin(azimuth)
        assert (np.diff(ahead) >= 0).all()
        assert np.ptp(beside) <= 8 + 1e-6  # 4 m to either side


def rows_of(path: Path, table: str) -> list[tuple[Any, ...]]:
    """Columns and rows of a table, by sqlite3."""
    with sqlite3.connect(path) as database:
        found = database.execute(f'SELECT * FROM "{table}" ORDER BY 1')
        rows = [tuple(item[0] for item in found.description), *found]
    database.close()
    return rows


def test_shuffled_structures_are_the_same_in_another_order(folder: Path) -> None:
    ordered, mixed = (
        [row[1:] for row in rows_of(data.structures_of(folder, COUNT, CELLS, order), "structures")]
        for order in data.ORDERS
    )
    assert len(ordered) == COUNT + 1
    assert ordered != mixed
    assert sorted(ordered[1:]) == sorted(mixed[1:])
    assert set(ordered[0]) >= {"id", "street", "axis", "casting", "measure_down", "ward", "inspected", "crew_note"}


@pytest.mark.parametrize("storage", ["striped", "zstd"])
def test_storages_hold_the_same_cells(folder: Path, storage: str) -> None:
    with (
        rasterio.open(data.raster_of(folder, CELLS)) as one,
        rasterio.open(data.raster_of(folder, CELLS, storage)) as other,
    ):
        assert other.block_shapes == ([(1, CELLS)] if storage == "striped" else [(512, 512)])
        assert other.compression.name.lower() == ("deflate" if storage == "striped" else "zstd")
        assert (other.nodata, other.transform, other.crs) == (one.nodata, one.transform, one.crs)
        np.testing.assert_array_equal(other.read(1), one.read(1))


def test_tiles_hold_the_same_cells(folder: Path) -> None:
    with rasterio.open(data.raster_of(folder, CELLS)) as whole:
        cells, seen = whole.read(1), np.zeros(whole.shape, dtype=int)
        for path in sorted(data.raster_of(folder, CELLS, tiles=2).iterdir()):
            with rasterio.open(path) as tile:
                row, column = whole.index(*tile.transform * (0.5, 0.5))
                part = slice(row, row + tile.height), slice(column, column + tile.width)
                np.testing.assert_array_equal(tile.read(1), cells[part])
                seen[part] += 1
                assert tile.block_shapes == [(512, 512)]
    assert (seen == 1).all()


# ---------------------------------------------------------------- limits


def patch_blocks(raster: Path, structures: Path) -> set[tuple[int, int]]:
    """Blocks of every cell of every patch, one cell after the other."""
    found = set()
    with rasterio.open(raster) as dataset:
        for east, north in zip(*data.points_of(structures), strict=True):
            row, column = dataset.index(east, north)
            for i in (row - limits.HALF, row, row + limits.HALF):
                for j in (column - limits.HALF, column, column + limits.HALF):
                    if 0 <= i < dataset.height and 0 <= j < dataset.width:
                        found.add((i // 512, j // 512))
    return found


def test_l1_touches_what_the_product_touches(
    job: dict[str, Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    windows: list[Any] = []
    honest = rasterio.io.DatasetReader.read

    class Watched(rasterio.io.DatasetReader):  # type: ignore[misc]
        def read(self, *args: Any, **kwargs: Any) -> Any:
            windows.append(kwargs["window"])
            return honest(self, *args, **kwargs)

    monkeypatch.setattr(rasterio.io, "DatasetReader", Watched)
    monkeypatch.setattr(rasterio, "DatasetReader", Watched)
    run_product(job["structures"], job["raster"], tmp_path / "out")
    assert windows
    product = set()
    for window in windows:
        down = range(int(window.row_off) // 512, int(window.row_off + window.height - 1) // 512 + 1)
        right = range(int(window.col_off) // 512, int(window.col_off + window.width - 1) // 512 + 1)
        product |= {(i, j) for i in down for j in right}
    blocks = limits.touched_blocks(**job)
    assert len(blocks) == len(set(blocks)) < 16  # some of the raster's blocks hold no structure
    assert set(blocks) == patch_blocks(**job)
    assert set(blocks) <= product
    assert len(product - set(blocks)) <= 1  # a corner between patches, where the product reads one window round them


def test_l1_decodes_whole_blocks(job: dict[str, Path]) -> None:
    blocks = [(0, 0), (1, 3), (3, 3)]
    edge = CELLS - 3 * 512
    assert limits.decode(job["raster"], blocks) == 512 * 512 + 512 * edge + edge * edge


def test_l2_writes_the_same_rows_and_bytes(folder: Path, job: dict[str, Path], tmp_path: Path) -> None:
    limits.freeze_tables(folder / "out", tmp_path / "frozen")
    limits.write_in_bulk(job["structures"], tmp_path / "frozen", tmp_path)
    for name in limits.TABLES:
        found, wanted = rows_of(tmp_path / "bulk.gpkg", name), rows_of(folder / "out" / "schedule.gpkg", name)
        assert len(wanted) > COUNT or name == "run"
        assert found == wanted, name
    for ours, theirs in (("bulk.csv", "schedule.csv"), ("columns.csv", "columns.csv")):
        assert (tmp_path / ours).read_bytes() == (folder / "out" / theirs).read_bytes()


def test_l2_keeps_the_spatial_index(folder: Path, job: dict[str, Path], tmp_path: Path) -> None:
    limits.freeze_tables(folder / "out", tmp_path / "frozen")
    limits.write_in_bulk(job["structures"], tmp_path / "frozen", tmp_path)
    sizes = [
        len(rows_of(path, "rtree_schedule_geom")) for path in (tmp_path / "bulk.gpkg", folder / "out/schedule.gpkg")
    ]
    assert sizes == [COUNT + 1, COUNT + 1]


# ---------------------------------------------------------------- peers


def product_planes(folder: Path) -> Any:
    """Height and slopes of the existing road by the product, (n, 3)."""
    columns = "existing_height, existing_slope_east, existing_slope_north"
    with sqlite3.connect(folder / "out" / "schedule.gpkg") as database:
        rows = database.execute(f'SELECT {columns} FROM models ORDER BY "row"').fetchall()
    database.close()
    return np.array(rows, dtype=float)


def test_plane_loop_sees_the_products_road(folder: Path, job: dict[str, Path]) -> None:
    found, wanted = peers.plane_loop(job["raster"], *data.points_of(job["structures"])), product_planes(folder)
    assert wanted.shape == found.shape == (COUNT, 3)
    assert (
        np.abs(found - wanted)[:, 0].max() < 0.0015
    )  # 80 cells of 3 mm noise: two estimators differ by tenths of a mm
    assert np.abs(found - wanted)[:, 1:].max() < 0.0015


@pytest.mark.parametrize("strategy", ["feature-sequential", "raster-sequential"])
def test_zonal_means_see_the_products_road(folder: Path, job: dict[str, Path], strategy: str) -> None:
    pytest.importorskip("exactextract")
    rings = peers.rings_of(*data.points_of(job["structures"]))
    found, wanted = peers.zonal_means(job["raster"], rings, strategy), product_planes(folder)
    # on a plane the mean of a ring is the height in its middle; 1 % of the cells are 50 mm too high, 0.3 % missing
    assert np.abs(found[:, 0] - wanted[:, 0] - 0.0005).max() < 0.006
    cells = np.pi * (1.5**2 - 0.8**2) / 0.25**2
    assert (found[:, 1] <= cells).all()
    assert found[:, 1].mean() == pytest.approx(0.997 * cells, rel=0.005)


@pytest.mark.parametrize(("sample", "measured"), [(0, COUNT), (25, 25), (COUNT, COUNT)])
def test_a_sample_is_extrapolated_and_said(
    job: dict[str, Path], monkeypatch: pytest.MonkeyPatch, sample: int, measured: int
) -> None:
    seen: list[int] = []
    monkeypatch.setitem(peers.PEERS, "window", lambda raster, points, rings: seen.append(len(points[0])))
    row = peers.measure_peer(str(job["raster"]), str(job["structures"]), "window", sample)
    assert (row["N"], row["measured"], seen[-1]) == (COUNT, measured, measured)


# ---------------------------------------------------------------- measuring


def test_stages_name_functions_that_are_there_and_put_them_back() -> None:
    from geoadjust.io.results import tables
    from geoadjust.run.computing import Computation

    before = tables.schedule_rows, Computation.compute
    stages = Stages()
    with stages.watching():
        assert tables.schedule_rows is not before[0]
        assert Computation.compute is not before[1]
    assert (tables.schedule_rows, Computation.compute) == before
    assert stages.missing == []


def test_stages_add_up(folder: Path, job: dict[str, Path]) -> None:
    row = ratio.measure(
        **{name: str(path) for name, path in job.items()},
        warm=str(job["structures"]),
        folder=str(folder),
        count=COUNT,
        repeats=1,
    )
    stages = row["stages"]
    assert {"plan", "spill", "tables", "write"} <= set(stages)
    assert all(row["own"][name] > 0 for name in ("decode", "fit", "chimney"))
    assert all(seconds > 0 for seconds in stages.values())
    assert sum(stages.values()) == pytest.approx(row["product"])
    assert row["ratio"] == pytest.approx(row["product"] / (row["L1"] + row["L2"]))
    assert not [path.name for path in folder.iterdir() if path.name.startswith("ratio-")]


def test_a_large_job_runs_once_by_its_command(
    folder: Path, job: dict[str, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(ratio, "LARGE", COUNT)
    paths = {name: str(path) for name, path in job.items()}
    row = ratio.measure(**paths, warm=paths["structures"], folder=str(folder), count=COUNT, repeats=9)
    assert row["product"] == row["own"]["total"] < row["memory"]["seconds"]
    assert row["stages"] == {}
    assert 50 < row["memory"]["peak"] < 1000


def test_core_is_told_apart_however_it_is_reported() -> None:
    assert core_seconds({"check": 1, "plan": 5, "total": 9}) == 5
    assert core_seconds({"check": 1.0, "read": 2.0, "write": 3.0, "fit": 20.0, "total": 10.0}) == 4


def test_a_childs_memory_is_its_own() -> None:
    # from a process that holds little itself, as tests.benchmarks.memory is: a child's peak begins with its parent's
    code = (
        "import json; from tests.benchmarks.children import PYTHON, watch\n"
        "large, small = (watch([*PYTHON, f'print(len(bytes([7]) * {size}))']) for size in (10**8, 10))\n"
        "print(json.dumps([large.peak, small.peak, large.json()]))"
    )
    large, small, size = watch([*PYTHON, code]).json()
    assert size == 10**8
    assert small < 50
    assert 0.9 * size / 2**20 < large - small < 1.2 * size / 2**20


def test_a_tree_is_added_up() -> None:
    pytest.importorskip("psutil")
    inner = "import time; held = bytearray(80 * 2**20); time.sleep(1)"
    outer = f"import subprocess, sys; subprocess.run([sys.executable, '-c', {inner!r}]); print(1)"
    child = watch(
        [*PYTHON, outer.replace("import subprocess", "held = bytearray(80 * 2**20); import subprocess")], tree=True
    )
    assert child.json() == 1
    assert 160 < child.tree < 260


def test_failing_and_hanging_children_are_told() -> None:
    with pytest.raises(NotMeasured, match="exit 1: ValueError: seven"):
        watch([*PYTHON, "raise ValueError('seven')"]).json()
    with pytest.raises(NotMeasured, match="exit -9"):
        watch([*PYTHON, "import time; time.sleep(60)"], limit=0.5).json()
    with pytest.raises(NotMeasured, match="no_such_function"):
        call("data", "no_such_function")


def test_memory_and_order_run_the_product(folder: Path, job: dict[str, Path]) -> None:
    paths = {name: str(path) for name, path in job.items()}
    row = memory.measure(**paths, folder=str(folder), options=[])
    assert 50 < row["peak"] < 1000
    assert row["tree"] == row["peak"]
    layers = {name: str(data.structures_of(folder, COUNT, CELLS, name)) for name in data.ORDERS}
    found = order.measure(paths["raster"], layers, paths["structures"], str(folder), 1)
    assert found["sorted"] > 0 < found["shuffled"]
    assert found["raster"] == pytest.approx(CELLS * CELLS * 4 / 2**20)
    assert found["cache"] >= 2 * 512 * 512 * 4 / 2**20


def test_hashes_of_all_ways_and_a_way_that_does_not_run(
    folder: Path, job: dict[str, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(workers, "WAYS", {"serial": (), "chunk 7": ("--chunk", "7"), "odd": ("--engine", "odd")})
    found = workers.hashes(str(job["raster"]), str(job["structures"]), str(folder))
    assert len(found["serial"]) == 64
    assert found["chunk 7"] == found["serial"]
    assert found["odd"].startswith("not measured: exit 2")


def test_imports_are_seen() -> None:
    assert imported([*PYTHON, "pass"]) == "none"
    assert imported([*PYTHON, "import numpy.linalg"]) == "numpy"


# ---------------------------------------------------------------- the command


def test_command_survives_what_fails(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def answer(module: str, function: str, **values: Any) -> Any:
        if module == "data":
            return {}
        if module == "startup":
            raise ValueError("odd")
        if module == "ratio" and values["count"] > 10:
            raise NotMeasured("exit 1: no memory")
        if module == "ratio":
            row = dict.fromkeys(("L1", "L2", "cpu", "limits cpu"), 1.0)
            return {
                **row,
                "product": 2.0,
                "ratio": 1.0,
                "blocks": 3,
                "stages": {"fit": 0.5},
                "own": {"total": 2.0},
                "memory": None,
            }
        return {"N": 10, "measured": 5, "seconds": 8.0, "cpu": 4.0}

    monkeypatch.setattr(schedule, "call", answer)
    monkeypatch.setattr(schedule.Benchmark, "layer", lambda *_: "layer.gpkg")
    monkeypatch.setattr(schedule.Benchmark, "surface", lambda *_: "road.tif")
    words = ["--structures", "10", "20", "--parts", "startup", "ratio", "peers", "--markdown", str(tmp_path / "out.md")]
    chosen = schedule.parse([*words, "--folder", str(tmp_path)])
    schedule.run(chosen)
    page = (tmp_path / "out.md").read_text(encoding="utf-8")
    assert "start-up: not measured: ValueError('odd')" in page
    assert "20 structures: not measured: exit 1: no memory" in page
    assert "| 10 | 3 | 1.00 | 1.00 | 2.00 | 1.00 | 1.50 | 1.00 | 1.00 | 1.00 |" in page
    assert "| window and plane, one by one | shuffled | 5, extrapolated | 8.00 | 4.00 |" in page
    assert "20 structures: not measured" in capsys.readouterr().out


def test_command_measures(folder: Path, capfd: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    words = ["--structures", str(COUNT), "--cells", str(CELLS), "--repeats", "1", "--parts", "ratio"]
    done = watch([sys.executable, "-m", "tests.benchmarks.schedule", *words, "--folder", str(folder)])
    assert done.code == 0, done.error
    assert "not measured" not in done.out
    assert "L1 decode" in done.out


def test_full_is_what_the_pages_say() -> None:
    chosen = schedule.parse(["--full"])
    assert chosen.structures == [1000, 10_000, 100_000, 1_000_000]
    assert (chosen.cells, chosen.sample) == (20_000, 0)
    assert schedule.parse(["--full", "--structures", "7"]).structures == [7]
    assert [schedule.target_ratio(count) for count in chosen.structures] == [1.5, 1.5, 2.0, 3.0]


def test_tables_say_the_same_twice() -> None:
    table = Table("A", "b", ["c", "d"])
    table.add("e", 1.5)
    table.fail("f", "g")
    assert table.markdown() == "### A\n\nb\n\n| c | d |\n| --- | ---: |\n| e | 1.50 |\n\n- f: not measured: g\n"
    assert table.text() == "A\nb\nc     d\ne  1.50\nnote: f: not measured: g\n"
    assert json.dumps(table.rows) == '[["e", 1.5]]'
