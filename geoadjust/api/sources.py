"""What people hold in Python, as the files that a job reads."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeAlias

import geoadjust.io.safe  # noqa: F401 - sets the environment before GDAL is loaded
from geoadjust.errors import Fault, InputError

if TYPE_CHECKING:
    import geopandas
    import rasterio

    Layer: TypeAlias = str | os.PathLike[str] | geopandas.GeoDataFrame
    Road: TypeAlias = str | os.PathLike[str] | rasterio.DatasetReader | geopandas.GeoDataFrame


class Workplace:
    """A folder for what is in memory; what is a file already is left where it is."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def layer(self, value: Layer, name: str) -> str:
        """Path of a layer of points, lines or polygons."""
        import geopandas

        if isinstance(value, geopandas.GeoDataFrame):
            return self._written_layer(value, name)
        return self._path(value, name, "a path or a GeoDataFrame")

    def road(self, value: Road | Sequence[Road], name: str) -> str | list[str]:
        """Path of a road, or paths of its tiles."""
        import geopandas
        import rasterio

        if isinstance(value, (list, tuple)):
            return [str(self.road(each, f"{name}_{place}")) for place, each in enumerate(value)]
        if isinstance(value, geopandas.GeoDataFrame):
            return self._written_layer(value, name)
        if isinstance(value, rasterio.DatasetReader):
            return self._written_raster(value, name)
        return self._path(value, name, "a path, a raster that is open, a GeoDataFrame of survey points, or a list")

    def _path(self, value: Any, name: str, allowed: str) -> str:
        if not isinstance(value, (str, os.PathLike)):
            raise InputError(Fault(name, f"is a {type(value).__name__}", allowed))
        return os.fspath(value)

    def _written_layer(self, frame: geopandas.GeoDataFrame, name: str) -> str:
        path = self.folder / f"{name}.gpkg"
        try:
            frame.to_file(path, engine="pyogrio", index=False)
        except (ValueError, TypeError, RuntimeError) as error:
            remedy = "keep points with a CRS, and columns of text, numbers, dates or yes and no"
            raise InputError(Fault(name, f"the frame is no layer: {error}", remedy=remedy)) from error
        return str(path)

    def _written_raster(self, dataset: rasterio.DatasetReader, name: str) -> str:
        """Where the dataset is a file on this machine that file; else a copy of it."""
        import rasterio.shutil

        if Path(dataset.name).is_file():
            return str(dataset.name)
        path = self.folder / f"{name}.tif"
        try:
            rasterio.shutil.copy(dataset, path, driver="GTiff")
        except rasterio.errors.RasterioError as error:
            raise InputError(Fault(name, f"the raster cannot be copied: {error}", remedy="save it first")) from error
        return str(path)
