"""The two limits beside which the product stands.

L1 decodes each raster block that a structure's patch touches once. L2 reads the structures and writes the same tables
with the same rows in one bulk write each, and the same CSV. No program that uses these libraries and writes this result
is faster than L1 + L2, save by decoding on several cores.
"""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

import numpy as np

from tests.benchmarks.data import CELL, EAST, NORTH, points_of

TABLES = ("schedule", "ordinates", "stack_parts", "reasons", "models", "run")
HALF = 9
"""Cells from a cover's own cell to the edge of what is read round it: ring and bar of 1.5 m, and the bilinear cells."""


def touched_blocks(raster: Path, structures: Path) -> list[tuple[int, int]]:
    """Blocks (down, right) that the square of 2 HALF + 1 cells round any cover touches, row after row."""
    import rasterio

    east, north = points_of(structures)
    with rasterio.open(raster, driver="GTiff") as dataset:
        tall, wide = dataset.block_shapes[0]
        rows, columns = dataset.shape
    column, row = np.floor((east - EAST) / CELL).astype(np.int64), np.floor((NORTH - north) / CELL).astype(np.int64)
    found: set[tuple[int, int]] = set()
    first, last = np.maximum(row - HALF, 0) // tall, np.minimum(row + HALF, rows - 1) // tall
    left, right = np.maximum(column - HALF, 0) // wide, np.minimum(column + HALF, columns - 1) // wide
    for down in range(int((last - first).max(initial=0)) + 1):
        for beside in range(int((right - left).max(initial=0)) + 1):
            places = np.minimum(first + down, last), np.minimum(left + beside, right)
            found |= set(zip(*(place.tolist() for place in places), strict=True))
    return sorted(found)


def decode(raster: Path, blocks: list[tuple[int, int]]) -> int:
    """L1: read each block once, in block order, into the same array; gives the number of cells."""
    import rasterio
    from rasterio.windows import Window

    with rasterio.Env(GDAL_CACHEMAX=96 * 2**20), rasterio.open(raster, driver="GTiff") as dataset:
        tall, wide = dataset.block_shapes[0]
        rows, columns = dataset.shape
        cells, decoded = np.empty((tall, wide), dtype=dataset.dtypes[0]), 0
        for i, j in blocks:
            height, width = min(tall, rows - i * tall), min(wide, columns - j * wide)
            dataset.read(1, window=Window(j * wide, i * tall, width, height), out=cells[:height, :width])
            decoded += height * width
        return decoded


def freeze_tables(result: Path, folder: Path) -> None:
    """Put the tables of a result into Arrow files, which L2 maps: reading them costs it next to nothing."""
    import pyarrow as pa
    import pyarrow.csv
    import pyogrio

    folder.mkdir(parents=True, exist_ok=True)
    for name in TABLES:
        with pyogrio.raw.open_arrow(result / "schedule.gpkg", layer=name, use_pyarrow=True) as (meta, reader):
            note = {b"crs": str(meta["crs"] or "").encode(), b"geometry": str(meta["geometry_name"] or "").encode()}
            _freeze(reader, reader.schema.with_metadata(note), folder / f"{name}.arrow")
    whole = pa.csv.ReadOptions(block_size=16 * 2**20)
    convert = pa.csv.ConvertOptions(column_types=_csv_types(result), strings_can_be_null=True)
    reader = pa.csv.open_csv(result / "schedule.csv", read_options=whole, convert_options=convert)
    _freeze(reader, reader.schema, folder / "csv.arrow")
    shutil.copyfile(result / "columns.csv", folder / "columns.csv")


def _freeze(reader: Any, schema: Any, path: Path) -> None:
    import pyarrow as pa

    with pa.ipc.new_file(str(path), schema) as writer:
        for batch in reader:
            writer.write_batch(pa.record_batch(batch.columns, schema=schema))


def _csv_types(result: Path) -> dict[str, Any]:
    """Types of the CSV's columns, by the dictionary that the result carries; guessing would need the whole file."""
    import csv

    import pyarrow as pa

    kinds = {"text": pa.string(), "real": pa.float64(), "integer": pa.int64()}
    with open(result / "columns.csv", encoding="utf-8", newline="") as file:
        return {row["column"]: kinds[row["type"]] for row in csv.DictReader(file) if row["table"] == "schedule.csv"}


def write_in_bulk(structures: Path, frozen: Path, folder: Path) -> None:
    """L2: read the structures, write the same tables and CSV, one call each.

    Parameters
    ----------
    structures : the input layer
    frozen : folder of `freeze_tables`
    folder : gets bulk.gpkg, bulk.csv and columns.csv
    """
    import pyarrow as pa
    import pyarrow.csv
    import pyogrio
    from pyogrio.raw import write_arrow

    pyogrio.raw.read_arrow(structures)
    path = folder / "bulk.gpkg"
    for name in TABLES:
        reader = mapped(frozen / f"{name}.arrow")
        note = reader.schema.metadata
        place: dict[str, Any] = {"geometry_name": None, "geometry_type": None}
        if note[b"crs"]:
            place = {"geometry_name": note[b"geometry"].decode() or "wkb_geometry", "geometry_type": "Point"}
            place["crs"] = note[b"crs"].decode()
        options = {"layer_options": {"FID": "fid"}, "dataset_options": None if path.exists() else {"VERSION": "1.3"}}
        write_arrow(reader, str(path), layer=name, driver="GPKG", **options, **place)
    rows = mapped(frozen / "csv.arrow")
    with pa.csv.CSVWriter(str(folder / "bulk.csv"), rows.schema, write_options=_csv_options()) as writer:
        for batch in rows:
            writer.write_batch(batch)
    shutil.copyfile(frozen / "columns.csv", folder / "columns.csv")


def _csv_options() -> Any:
    import pyarrow.csv

    return pyarrow.csv.WriteOptions(quoting_style="needed")


def mapped(path: Path) -> Any:
    """Batches of an Arrow file, mapped into memory, as one stream."""
    import pyarrow as pa

    reader = pa.ipc.open_file(pa.memory_map(str(path)))
    batches = (reader.get_batch(index) for index in range(reader.num_record_batches))
    return pa.RecordBatchReader.from_batches(reader.schema, batches)
