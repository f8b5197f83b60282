"""Data of the benchmark, all invented: a road raster, structures along a rotated grid of streets, other storages.

The raster is 0.25 m, float32, tiled 512 x 512, deflate with predictor 3, 0.3 % without a value, 1 % outliers of 5 cm.
Structures lie as close as a city's, 600 per square kilometre: a few of them fill a district, not the whole raster, so
that a raster block is shared by several of them, as in a real job. Once the raster is full, they lie closer.
"""

from __future__ import annotations

import datetime
from pathlib import Path
from typing import Any

import numpy as np

CELL = 0.25
EAST, NORTH = 500_000.0, 4_500_000.0
BLOCK = 512
CRS = "EPSG:32617"
DENSITY = 600e-6
"""Structures per square metre."""
MARGIN = 4.0
"""No structure lies nearer to the raster's edge [m]."""
TURN = np.radians(11)
SPACING = (80.0, 200.0)
"""Distance of streets along the grid's first and second direction [m]."""
ORDERS = ("sorted", "shuffled")
STORAGES: dict[str, dict[str, Any]] = {
    "tiled": {},
    "striped": {"tiled": False, "blockysize": 1, "compress": "deflate", "predictor": 3, "zlevel": 1},
    "zstd": {"tiled": True, "blockxsize": BLOCK, "blockysize": BLOCK, "compress": "zstd", "predictor": 3},
}
NOTES = ("dry", "root", "", "loose frame")
RECIPE = 2
"""Stands in the names of files of structures, so that those of an older recipe are not taken."""


def make_raster(path: Path, cells: int) -> None:
    """A tilted, waved road with 3 mm noise, 1 % outliers and 0.3 % holes, tiled and deflated."""
    import rasterio
    from rasterio.transform import from_origin
    from rasterio.windows import Window

    rng = np.random.default_rng(1)
    profile = {"driver": "GTiff", "width": cells, "height": cells, "count": 1, "dtype": "float32", "nodata": -9999}
    profile |= {"crs": CRS, "transform": from_origin(EAST, NORTH, CELL, CELL), "tiled": True}
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


def store_otherwise(source: Path, path: Path, storage: str) -> None:
    """The same cells, stored as STORAGES says."""
    import rasterio.shutil

    part = path.with_suffix(".part")
    rasterio.shutil.copy(source, part, driver="GTiff", num_threads=2, **STORAGES[storage])
    part.rename(path)


def cut_tiles(source: Path, folder: Path, across: int) -> None:
    """The same cells as across x across files in a folder; each tile's side is a whole number of blocks."""
    import rasterio
    from rasterio.windows import Window

    part = folder.with_name(folder.name + ".part")
    part.mkdir(parents=True, exist_ok=True)
    with rasterio.open(source) as whole:
        side = -(-whole.width // (across * BLOCK)) * BLOCK
        profile = {**whole.profile, "zlevel": 1, "predictor": 3}
        for top in range(0, whole.height, side):
            for left in range(0, whole.width, side):
                window = Window(left, top, min(side, whole.width - left), min(side, whole.height - top))
                shape = {"width": window.width, "height": window.height, "transform": whole.window_transform(window)}
                name = f"road-{top // side:02d}-{left // side:02d}.tif"
                with rasterio.open(part / name, "w", **{**profile, **shape}) as tile:
                    tile.write(whole.read(1, window=window), 1)
    part.rename(folder)


def district(count: int, cells: int) -> tuple[float, float, float]:
    """West, south [m from the raster's lower left corner] and side [m] of the square in which structures lie.

    Examples
    --------
    >>> [round(value) for value in district(1000, 20_000)]
    [1595, 1595, 1291]
    """
    extent = cells * CELL
    side = min(extent - 2 * MARGIN, (count / DENSITY) ** 0.5)
    corner = MARGIN + (extent - 2 * MARGIN - side) * 0.43
    return corner, corner, side


def place_structures(count: int, cells: int) -> dict[str, Any]:
    """Where they lie and along which street, street after street, each street from its one end to the other.

    Returns
    -------
    dict of (count,) arrays: east, north [m, of the CRS], axis [degrees from north, clockwise], street (a number)
    """
    rng = np.random.default_rng(2)
    west, south, side = district(count, cells)
    drawn, reach = 3 * count + 1000, 0.75 * side
    along = rng.uniform(-reach, reach, drawn)
    second = rng.random(drawn) > SPACING[1] / sum(SPACING)
    spacing = np.where(second, SPACING[1], SPACING[0])
    line = np.round(rng.uniform(-reach, reach, drawn) / spacing)
    across = line * spacing + rng.uniform(-4, 4, drawn)
    u, v = np.where(second, across, along), np.where(second, along, across)
    east, north = u * np.cos(TURN) - v * np.sin(TURN), u * np.sin(TURN) + v * np.cos(TURN)
    inside = np.flatnonzero(np.maximum(np.abs(east), np.abs(north)) < side / 2)[:count]
    order = inside[np.lexsort((along[inside], line[inside], second[inside]))]
    azimuth = np.where(second, -np.degrees(TURN), 90 - np.degrees(TURN)) % 360
    bottom = NORTH - cells * CELL
    return {
        "east": EAST + west + side / 2 + east[order],
        "north": bottom + south + side / 2 + north[order],
        "axis": azimuth[order],
        "street": (2 * line[order] + second[order]).astype(np.int64),
    }


def make_structures(path: Path, count: int, cells: int, order: str = "sorted") -> None:
    """Covers in the order of their streets, or the same ones in random order; with columns of the owner's own.

    Parameters
    ----------
    count : structures; exactly as many are written
    cells : side of the raster on which they lie
    order : sorted or shuffled
    """
    import pyarrow as pa
    import shapely
    from pyogrio.raw import write_arrow

    found, rng = place_structures(count, cells), np.random.default_rng(3)
    number = np.arange(len(found["east"]))
    first = datetime.date(1990, 1, 1).toordinal() - datetime.date(1970, 1, 1).toordinal()
    table = pa.table(
        {
            "id": [f"C-{i:07d}" for i in number],
            "street": [f"Street {i}" for i in found["street"]],
            "axis": found["axis"],
            "casting": pa.array(["round-standard"] * len(number)),
            "measure_down": rng.uniform(0.2, 0.5, len(number)),
            "measure_down_from": pa.array(["existing"] * len(number)),
            "crew_note": pa.array([NOTES[i] for i in rng.integers(0, len(NOTES), len(number))]),
            "ward": pa.array(rng.integers(1, 30, len(number)), pa.int32()),
            "inspected": pa.array((first + rng.integers(0, 12_000, len(number))).astype(np.int32), pa.date32()),
            "geometry": shapely.to_wkb(shapely.points(found["east"], found["north"])),
        }
    )
    if order == "shuffled":
        table = table.take(pa.array(np.random.default_rng(4).permutation(len(number))))
    part = path.with_name(f"part-{path.name}")
    part.unlink(missing_ok=True)
    place = {"geometry_name": "geometry", "geometry_type": "Point", "crs": CRS}
    write_arrow(table, str(part), layer="structures", driver="GPKG", **place)
    part.rename(path)


def raster_of(folder: Path, cells: int, storage: str = "tiled", tiles: int = 0) -> Path:
    """Path of the raster, or of the folder of tiles; made where it is not there yet."""
    whole = folder / f"road-{cells}.tif"
    if not whole.exists():
        part = folder / f"part-{cells}.tif"
        make_raster(part, cells)
        part.rename(whole)
    path = folder / f"tiles-{cells}-{tiles}" if tiles else folder / f"road-{cells}-{storage}.tif"
    if storage == "tiled" and not tiles:
        return whole
    if not path.exists():
        cut_tiles(whole, path, tiles) if tiles else store_otherwise(whole, path, storage)
    return path


def structures_of(folder: Path, count: int, cells: int, order: str = "sorted") -> Path:
    """Path of the layer of structures; made where it is not there yet."""
    path = folder / f"city{RECIPE}-{cells}-{count}-{order}.gpkg"
    if not path.exists():
        make_structures(path, count, cells, order)
    return path


def points_of(structures: Path) -> tuple[Any, Any]:
    """Eastings and northings (n,) of a layer, in its order."""
    import pyogrio
    import shapely

    points = shapely.get_coordinates(shapely.from_wkb(pyogrio.raw.read(structures, columns=[])[2]))
    return points[:, 0], points[:, 1]


def make_all(folder: str, cells: int, counts: list[int], storages: list[str], tiles: int) -> dict[str, int]:
    """Make what a benchmark needs beforehand, so that no measurement pays for it; gives bytes by file name."""
    place = Path(folder)
    place.mkdir(parents=True, exist_ok=True)
    paths = [structures_of(place, count, cells, order) for count in counts for order in ORDERS]
    paths += [raster_of(place, cells, storage) for storage in storages]
    paths += [raster_of(place, cells, tiles=tiles)] if tiles else []
    return {path.name: _bytes(path) for path in paths}


def _bytes(path: Path) -> int:
    return sum(file.stat().st_size for file in (path.iterdir() if path.is_dir() else [path]))
