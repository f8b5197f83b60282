"""Whether the order of the structures, or the way the raster is stored, costs time."""

from __future__ import annotations

import shutil
import statistics
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from tests.benchmarks.product import READING, find_function, run_product
from tests.benchmarks.ratio import timed


def measure(surface: str, layers: dict[str, str], warm: str, folder: str, repeats: int) -> dict[str, Any]:
    """Medians by order, the orders by turns.

    Parameters
    ----------
    surface : a raster or a folder of tiles
    layers : path of the same structures by order (sorted, shuffled)
    warm : a small layer on which the product runs first
    """
    place = Path(tempfile.mkdtemp(dir=folder, prefix="order-"))
    rows: dict[str, list[tuple[float, float]]] = {order: [] for order in layers}
    try:
        with watching_cache() as cache:
            run_product(Path(warm), Path(surface), place / "warm")
        for _ in range(repeats):
            for order, layer in layers.items():
                seconds, cpu, _ = timed(lambda: run_product(Path(layer), Path(surface), place / "out"))  # noqa: B023
                rows[order].append((seconds, cpu))
    finally:
        shutil.rmtree(place, ignore_errors=True)
    medians = {order: statistics.median(row[0] for row in found) for order, found in rows.items()}
    used = {f"{order} cpu": statistics.median(row[1] for row in found) for order, found in rows.items()}
    return {**medians, **used, "cache": max(cache, default=None), "raster": raster_megabytes(Path(surface))}


@contextmanager
def watching_cache() -> Iterator[list[float]]:
    """Largest block cache that the product sets while it reads [MB]: the only item; empty where nothing was read."""
    from rasterio.env import get_gdal_config

    owner, name = find_function(READING)
    function = getattr(owner, name)
    seen: list[float] = []

    def noted(*args: Any, **kwargs: Any) -> Any:
        seen[:] = [max([*seen, float(get_gdal_config("GDAL_CACHEMAX") or 0) / 2**20])]
        return function(*args, **kwargs)

    setattr(owner, name, noted)
    try:
        yield seen
    finally:
        setattr(owner, name, function)


def raster_megabytes(surface: Path) -> float:
    """Cells of a raster, or of all tiles, as they lie in memory [MB]."""
    import rasterio

    total = 0
    for path in sorted(surface.glob("*.tif")) if surface.is_dir() else [surface]:
        with rasterio.open(path) as dataset:
            total += dataset.width * dataset.height * 4
    return total / 2**20
