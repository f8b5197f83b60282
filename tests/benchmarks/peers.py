"""What else could be run on the same structures and raster. Each does much less than the product:

- `plane_loop`, a practitioner's script: one window per structure, the cells of the ring, a robust plane; no table is
  written.
- `zonal_means`, a general library of zonal statistics, feature after feature or raster block after block: mean and
  count of the ring's cells, each by the share that the ring covers; no plane, no table.
- `slow_zonal_means`, another such library: the same of the cells whose centre lies in the ring.

All use the raster library as it comes, with its block cache of 5 % of the memory; nothing of the product is imported
here, because it narrows what that library may open.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from tests.benchmarks.data import CELL, CRS, EAST, NORTH, points_of

OUTER, INNER = 1.5, 0.8
"""Radii of the ring [m]: that of a cover with a flange of 0.9 m."""
ROUNDS = 5
HUBER = 1.345
WARM = 100
"""Structures on which a peer runs before it is measured, so that its libraries are imported."""


def plane_loop(raster: Path, east: Any, north: Any) -> Any:
    """Height under each cover and its slopes, (n, 3) [m, m/m, m/m]: a window and a few least-squares fits for each."""
    import rasterio
    from rasterio.windows import Window

    reach = int(OUTER / CELL) + 1
    down, right = (values.ravel() for values in np.mgrid[-reach : reach + 1, -reach : reach + 1])
    planes = np.full((len(east), 3), np.nan)
    with rasterio.open(raster) as dataset:
        for i in range(len(east)):
            column, row = (east[i] - EAST) / CELL - 0.5, (NORTH - north[i]) / CELL - 0.5
            middle_column, middle_row = round(column), round(row)
            window = Window(middle_column - reach, middle_row - reach, 2 * reach + 1, 2 * reach + 1)
            height = dataset.read(1, window=window).ravel().astype(float)
            e = (right + middle_column - column) * CELL
            n = (row - down - middle_row) * CELL
            distance = np.hypot(e, n)
            kept = (distance >= INNER) & (distance <= OUTER) & (height != dataset.nodata)
            planes[i] = _robust_plane(e[kept], n[kept], height[kept])
    return planes


def _robust_plane(east: Any, north: Any, height: Any) -> Any:
    """Plane by least squares with Huber's weights, a few rounds."""
    basis = np.column_stack([np.ones(len(east)), east, north])
    weight = np.ones(len(east))
    for _ in range(ROUNDS):
        root = np.sqrt(weight)
        plane = np.linalg.lstsq(basis * root[:, None], height * root, rcond=None)[0]
        residual = np.abs(height - basis @ plane)
        limit = HUBER * max(1.4826 * np.median(residual), 1e-4)
        weight = np.minimum(1.0, limit / np.maximum(residual, 1e-9))
    return plane


def rings_of(east: Any, north: Any) -> Any:
    """The ring round each cover as a polygon, 64 corners to a circle."""
    import geopandas
    import shapely

    points = shapely.points(east, north)
    rings = shapely.difference(shapely.buffer(points, OUTER, quad_segs=16), shapely.buffer(points, INNER, quad_segs=16))
    return geopandas.GeoDataFrame({"number": np.arange(len(points))}, geometry=rings, crs=CRS)


def zonal_means(raster: Path, rings: Any, strategy: str = "feature-sequential") -> Any:
    """Mean and count of each ring, (n, 2)."""
    from exactextract import exact_extract

    found = exact_extract(
        str(raster), rings, ["mean", "count"], include_cols=["number"], strategy=strategy, output="pandas"
    )
    return found.sort_values("number")[["mean", "count"]].to_numpy()


def slow_zonal_means(raster: Path, rings: Any) -> Any:
    """Mean and count of each ring, (n, 2)."""
    from rasterstats import zonal_stats

    found = zonal_stats(rings.geometry, str(raster), stats=["mean", "count"])
    return np.array([[item["mean"], item["count"]] for item in found], dtype=float)


PEERS: dict[str, Callable[[Path, Any, Any], Any]] = {
    "window and plane, one by one": lambda raster, points, rings: plane_loop(raster, *points),
    "zonal means, feature by feature": lambda raster, points, rings: zonal_means(raster, rings),
    "zonal means, raster by raster": lambda raster, points, rings: zonal_means(raster, rings, "raster-sequential"),
    "zonal means, another library": lambda raster, points, rings: slow_zonal_means(raster, rings),
}
SORTED_ONLY = ("zonal means, raster by raster", "zonal means, another library")
MOST = {"zonal means, another library": 2000}
"""Structures on which a slow peer is measured at most."""
MOST_SHUFFLED = 10_000
WHOLE = ("zonal means, raster by raster",)
"""Peers whose time does not grow with the structures alone: a sample says nothing of the whole."""


def runs_of(count: int, sample: int) -> list[tuple[str, str, int]]:
    """Peer, order and sample (0 = all) of each run.

    Parameters
    ----------
    count : structures
    sample : structures that a peer is measured on; 0 = all, but a shuffled layer by 10,000 at most

    Examples
    --------
    >>> for run in runs_of(100_000, 0): print(run)
    ('window and plane, one by one', 'sorted', 0)
    ('window and plane, one by one', 'shuffled', 10000)
    ('zonal means, feature by feature', 'sorted', 0)
    ('zonal means, feature by feature', 'shuffled', 10000)
    ('zonal means, raster by raster', 'sorted', 0)
    ('zonal means, another library', 'sorted', 2000)
    """
    found = []
    for peer in PEERS:
        for order in ("sorted",) if peer in SORTED_ONLY else ("sorted", "shuffled"):
            most = MOST.get(peer, MOST_SHUFFLED if order == "shuffled" else count)
            chosen = min(most, sample or count)
            found.append((peer, order, 0 if chosen >= count or peer in WHOLE else chosen))
    return found


def measure_peer(raster: str, structures: str, peer: str, sample: int) -> dict[str, Any]:
    """Seconds of one peer for all structures.

    Where `sample` is smaller than their number, so many in the order of the file are measured, after as many others
    have filled the block cache, and the seconds are multiplied. Otherwise all are, after a few of them. Making the ring
    polygons is not counted.
    """
    points = points_of(Path(structures))
    count = len(points[0])
    sampled = 0 < sample < count
    first = min(sample, count - sample) if sampled else min(count, WARM)
    run = PEERS[peer]
    for part in (slice(0, first), slice(first, first + sample) if sampled else slice(0, count)):
        some = points[0][part], points[1][part]
        rings = rings_of(*some) if "zonal" in peer else None
        begun, used = time.perf_counter(), time.process_time()
        run(Path(raster), some, rings)
        seconds, processor = time.perf_counter() - begun, time.process_time() - used
    measured = sample if sampled else count
    factor = count / measured
    return {"N": count, "measured": measured, "seconds": seconds * factor, "cpu": processor * factor}
