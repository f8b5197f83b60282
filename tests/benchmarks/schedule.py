"""Times a whole schedule run beside its two limits, on data made here, and prints a table with the ratio.

    python -m tests.benchmarks.schedule --structures 1000 10000 --cells 8000

L1 decodes each raster block that a structure's ring touches once. L2 reads the structures and writes the same tables
with the same rows in one bulk write each, and the same CSV. Ratio = product / (L1 + L2), in one process, warm cache,
without imports. Nothing is asserted here: this measures, tests judge.
"""

from __future__ import annotations

import argparse
import resource
import shutil
import tempfile
import time
from collections.abc import Callable
from importlib.metadata import version
from pathlib import Path
from typing import Any

import numpy as np

import geoadjust.io.safe  # noqa: F401 - sets the environment before GDAL is loaded

CELL = 0.25
EAST, NORTH = 500_000.0, 4_500_000.0
BLOCK = 512
TABLES = ("schedule", "ordinates", "stack_parts", "reasons", "models", "run")


def make_raster(path: Path, cells: int) -> None:
    """A tilted, waved road with 3 mm noise, 1 % outliers and 0.3 % holes, tiled and deflated."""
    import rasterio
    from rasterio.transform import from_origin
    from rasterio.windows import Window

    rng = np.random.default_rng(1)
    profile = {"driver": "GTiff", "width": cells, "height": cells, "count": 1, "dtype": "float32", "nodata": -9999}
    profile |= {"crs": "EPSG:32617", "transform": from_origin(EAST, NORTH, CELL, CELL), "tiled": True}
    profile |= {"blockxsize": BLOCK, "blockysize": BLOCK, "compress": "deflate", "predictor": 3, "zlevel": 1}
    column = np.arange(cells) * CELL
    with rasterio.open(path, "w", **profile) as dataset:
        for first in range(0, cells, BLOCK):
            rows = np.arange(first, min(first + BLOCK, cells))[:, None] * CELL
            height = (
                100 + 0.01 * column - 0.02 * rows + 2 * np.sin(column / 200) + rng.normal(0, 0.003, (len(rows), cells))
            )
            chance = rng.random(height.shape)
            height[chance < 0.01] += 0.05
            height[chance > 0.997] = -9999
            dataset.write(height.astype("float32"), 1, window=Window(0, first, cells, len(rows)))


def make_structures(path: Path, count: int, cells: int) -> None:
    """Covers along a rotated grid of streets, in random order."""
    import geopandas
    import pyogrio

    rng = np.random.default_rng(2)
    size, turn = cells * CELL - 20, np.radians(11)
    along, street = rng.uniform(-size, size, 6 * count), np.round(rng.uniform(-size, size, 6 * count) / 80) * 80
    east = size / 2 + along * np.cos(turn) - street * np.sin(turn)
    north = size / 2 + along * np.sin(turn) + street * np.cos(turn)
    kept = np.flatnonzero((east > 0) & (east < size) & (north > 0) & (north < size))[:count]
    table = {
        "id": [f"C-{i:07d}" for i in range(len(kept))],
        "street": [f"Street {i % 300}" for i in range(len(kept))],
        "axis": rng.uniform(0, 360, len(kept)),
        "casting": "round-standard",
        "measure_down": rng.uniform(0.2, 0.5, len(kept)),
        "measure_down_from": "existing",
    }
    points = geopandas.points_from_xy(EAST + 10 + east[kept], NORTH - 10 - north[kept])
    pyogrio.write_dataframe(geopandas.GeoDataFrame(table, geometry=points, crs="EPSG:32617"), path, use_arrow=True)


def timed(work: Callable[[], Any]) -> float:
    """Seconds of one call."""
    begun = time.perf_counter()
    work()
    return time.perf_counter() - begun


def decode_touched(raster: Path, structures: Path) -> None:
    """L1: each block that a 1.5 m ring touches, once, in block order."""
    import pyogrio
    import rasterio
    import shapely
    from rasterio.windows import Window

    points = shapely.get_coordinates(shapely.from_wkb(pyogrio.raw.read(structures, columns=[])[2]))
    with rasterio.Env(GDAL_CACHEMAX=96 * 2**20), rasterio.open(raster, driver="GTiff") as dataset:
        column, row = (points[:, 0] - EAST) / CELL, (NORTH - points[:, 1]) / CELL
        reach = 1.5 / CELL + 2
        touched = set()
        for down in (-reach, reach):
            for right in (-reach, reach):
                touched |= set(zip(((row + down) // BLOCK).tolist(), ((column + right) // BLOCK).tolist(), strict=True))
        for i, j in sorted(touched):
            dataset.read(1, window=Window(int(j) * BLOCK, int(i) * BLOCK, BLOCK, BLOCK))


def read_tables(result: Path) -> dict[str, Any]:
    """All tables of a result, in memory."""
    import pyogrio

    return {name: pyogrio.raw.read_arrow(result / "schedule.gpkg", layer=name) for name in TABLES}


def write_in_bulk(structures: Path, tables: dict[str, Any], text: Any, folder: Path) -> None:
    """L2: read the structures, write the same tables and CSV, one call each."""
    import pyarrow.csv
    import pyogrio
    from pyogrio.raw import write_arrow

    pyogrio.raw.read_arrow(structures)
    for name, (meta, table) in tables.items():
        point = name == "schedule"
        place = {"geometry_name": meta["geometry_name"] or "geom", "geometry_type": "Point", "crs": meta["crs"]}
        place = place if point else {"geometry_name": None, "geometry_type": None}
        write_arrow(table, folder / "bulk.gpkg", layer=name, driver="GPKG", **place)
    pyarrow.csv.write_csv(text, folder / "bulk.csv")


def run_product(structures: Path, raster: Path, out: Path) -> Any:
    """The whole job."""
    from geoadjust.io.jobfile import read_job
    from geoadjust.run.schedule import Options, run_schedule

    flags = {
        ("structures", "path"): str(structures),
        ("structures", "vertical_unit"): "m",
        ("surface", "path"): str(raster),
        ("surface", "vertical_unit"): "m",
        ("finished", "mill"): "40 mm",
        ("finished", "overlay"): "50 mm",
        ("output", "path"): str(out),
    }
    return run_schedule(read_job(None, flags), Options(overwrite=True))


def measure(raster: Path, count: int, cells: int, folder: Path, repeats: int) -> dict[str, float]:
    """Medians of the product and of both limits for one number of structures."""
    import pyarrow.csv

    structures, out = folder / f"structures-{count}.gpkg", folder / f"out-{count}"
    make_structures(structures, count, cells)
    run_product(structures, raster, out)
    stages: list[dict[str, float]] = []
    product = np.median(
        [timed(lambda: stages.append(run_product(structures, raster, out).seconds)) for _ in range(repeats)]
    )
    tables, text = read_tables(out), pyarrow.csv.read_csv(out / "schedule.csv")
    decode = np.median([timed(lambda: decode_touched(raster, structures)) for _ in range(repeats)])
    bulk = []
    for _ in range(repeats):
        with tempfile.TemporaryDirectory(dir=folder) as place:
            bulk.append(timed(lambda: write_in_bulk(structures, tables, text, Path(place))))
    write = np.median(bulk)
    shutil.rmtree(out)
    figures = {
        "N": count,
        "L1": decode,
        "L2": write,
        **stages[-1],
        "product": product,
        "ratio": product / (decode + write),
    }
    return {name: float(value) for name, value in figures.items()}


def main() -> None:
    """Make the data, measure, print."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--structures", type=int, nargs="+", default=[1000, 10_000])
    parser.add_argument("--cells", type=int, default=8000, help="side of the raster")
    parser.add_argument("--repeats", type=int, default=3)
    parser.add_argument("--folder", type=Path, help="where to keep the data; default is a temporary folder")
    chosen = parser.parse_args()
    with tempfile.TemporaryDirectory() as temporary:
        folder = chosen.folder or Path(temporary)
        raster = folder / f"road-{chosen.cells}.tif"
        if not raster.exists():
            make_raster(raster, chosen.cells)
        rows = [measure(raster, count, chosen.cells, folder, chosen.repeats) for count in chosen.structures]
    names = ["N", "L1", "L2", "check", "read", "plan", "write", "product", "ratio"]
    print(f"{chosen.cells} x {chosen.cells} cells, numpy {version('numpy')}, pyogrio {version('pyogrio')}, seconds")
    print("".join(f"{name:>10}" for name in names))
    for row in rows:
        print(f"{row['N']:10.0f}" + "".join(f"{row[name]:10.3f}" for name in names[1:]))
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"peak memory of this process {peak:.0f} MB (tables held for L2)")


if __name__ == "__main__":
    main()
