"""Makers of small sites: a raster of a road z(e, n) about a place, and structures on it."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from pathlib import Path
from typing import Any

import geopandas
import numpy as np
import pytest
import rasterio
from rasterio.transform import from_origin

import geoadjust.io.safe  # noqa: F401 - sets the environment before GDAL is loaded

US_FOOT = 1200 / 3937


class Site:
    """A folder with a road and structures, and the flags that make a job of them."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.flags: dict[tuple[str, str], Any] = {("output", "path"): str(folder / "out")}

    def road(
        self,
        z: Callable[[Any, Any], Any],
        *,
        centre: tuple[float, float] = (500_000.0, 4_500_000.0),
        crs: str = "EPSG:32617",
        cell: float = 0.25,
        cells: int = 160,
        unit: str = "m",
        name: str = "road.tif",
        role: str = "surface",
        dtype: str = "float64",
        **profile: Any,
    ) -> Path:
        """Write z(e, n) [map units, about the centre] as a GeoTIFF."""
        west, north = centre[0] - cell * (cells / 2 - 0.3), centre[1] + cell * (cells / 2 - 0.1)
        place = (np.arange(cells) + 0.5) * cell
        e, n = west + place[None, :] - centre[0], north - place[:, None] - centre[1]
        path = self.folder / name
        settings = {"driver": "GTiff", "width": cells, "height": cells, "count": 1, "dtype": dtype, "crs": crs}
        settings |= {"transform": from_origin(west, north, cell, cell)}
        with rasterio.open(path, "w", **{**settings, **profile}) as dataset:
            dataset.write(np.broadcast_to(z(e, n), (cells, cells)).astype(dtype), 1)
        self.flags |= {(role, "path"): str(path), (role, "vertical_unit"): unit}
        return path

    def structures(
        self, table: dict[str, list[Any]], points: list[Any], crs: str = "EPSG:32617", name: str = "covers.gpkg"
    ) -> Path:
        """Write a layer of structures."""
        path = self.folder / name
        geopandas.GeoDataFrame(table, geometry=points, crs=crs).to_file(path)
        self.flags[("structures", "path")] = str(path)
        return path

    def job(self, *settings: str) -> Any:
        """The job of all flags."""
        from geoadjust.io.jobfile import read_job

        return read_job(None, self.flags, settings)

    def run(self, *settings: str, **options: Any) -> list[dict[str, Any]]:
        """Run the job and read the layer back, by an independent reader."""
        from geoadjust.run.schedule import Options, run_schedule

        run_schedule(self.job(*settings), Options(**options))
        return self.table("schedule")

    def table(self, name: str) -> list[dict[str, Any]]:
        """Rows of a table, by sqlite3."""
        database = sqlite3.connect(self.folder / "out" / "schedule.gpkg")
        database.row_factory = sqlite3.Row
        order = "row" if name != "run" else "key"
        rows = [dict(row) for row in database.execute(f"SELECT * FROM {name} ORDER BY {order}")]
        database.close()
        return rows

    def flags_of(self, row: int) -> set[str]:
        """Codes of one row's flags."""
        return set(self.table("schedule")[row]["flags"].split())


@pytest.fixture
def site(tmp_path: Path) -> Site:
    """An empty site."""
    return Site(tmp_path)


@pytest.fixture(scope="session")
def make_site(tmp_path_factory: pytest.TempPathFactory) -> Callable[[], Site]:
    """make_site(): an empty site that outlives a test."""
    return lambda: Site(tmp_path_factory.mktemp("site"))
