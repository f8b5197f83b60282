"""Writers of the demo's own files, and the look at what already stands in its folder.

The same values always give the same bytes (with the same GDAL): no dates, no statistics, nothing of the machine.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from geoadjust.errors import OutputBusyError
from geoadjust.io import safe as _guarded  # noqa: F401  keeps GDAL local, and its dates fixed
from geoadjust.io.results.sets import SetWriter, explain_os_error

OUT = "out"
"""The folder of the output set inside the demo's folder."""

NODATA = -9999.0


def clear_folder(folder: Path, names: Sequence[str], *, overwrite: bool) -> None:
    """Make the demo's folder ready: an earlier demo goes where that is wanted, files of others are never touched.

    Parameters
    ----------
    folder : made where it is missing
    names : files that the demo is about to write
    overwrite : replace an earlier demo

    Raises
    ------
    OutputBusyError
        the folder is no folder, holds files that are not the demo's, or an earlier demo and `overwrite` is off
    OutputError
        no place to write
    """
    if folder.exists() and not folder.is_dir():
        raise OutputBusyError(f"{folder}: exists and is not a folder")
    with _explained(folder):
        found = sorted(path.name for path in folder.iterdir()) if folder.exists() else []
    foreign = [name for name in found if name not in (*names, OUT) and not name.startswith(f".{OUT}.")]
    if foreign:
        more = f" and {len(foreign) - 5} more" if len(foreign) > 5 else ""
        raise OutputBusyError(
            f"{folder}: holds files that are not the demo's; name a new folder: {', '.join(foreign[:5])}{more}"
        )
    with SetWriter(folder / OUT, overwrite=True):
        pass  # nothing is written yet: only whether it is an output set that may be replaced
    if found and not overwrite:
        raise OutputBusyError(f"{folder}: holds a demo already; give --overwrite to replace it")
    with _explained(folder):
        folder.mkdir(parents=True, exist_ok=True)
        for name in names:
            (folder / name).unlink(missing_ok=True)


@contextmanager
def _explained(path: Path) -> Iterator[None]:
    """An error of the system or of a driver becomes an OutputError with its true cause."""
    from pyogrio.errors import DataLayerError, DataSourceError
    from rasterio.errors import RasterioError

    try:
        yield
    except (OSError, DataSourceError, DataLayerError, RasterioError) as error:
        raise explain_os_error(error, path) from error


def write_text(path: Path, text: str) -> None:
    """Write a text file."""
    with _explained(path), open(path, "w", encoding="utf-8", newline="\n") as file:
        file.write(text)


def write_road(path: Path, height: NDArray[np.float64], *, west: float, north: float, cell: float, crs: str) -> None:
    """Write a north-up GeoTIFF: float32, tiled, deflate; NaN becomes nodata.

    Parameters
    ----------
    height : (rows, columns) [m], first row in the north
    west, north : outer corner of the first cell
    cell : side of a cell [unit of the CRS]
    """
    import rasterio
    from rasterio.transform import Affine

    layout = {"tiled": True, "blockxsize": 256, "blockysize": 256, "compress": "deflate", "predictor": 3}
    values = np.where(np.isfinite(height), height, NODATA).astype(np.float32)
    rows, columns = values.shape
    place = {"crs": crs, "transform": Affine(cell, 0.0, west, 0.0, -cell, north), "nodata": NODATA}
    size = {"width": columns, "height": rows, "count": 1, "dtype": "float32"}
    with _explained(path), rasterio.open(path, "w", driver="GTiff", **size, **place, **layout) as file:
        file.write(values, 1)


def write_layer(
    path: Path, layer: str, geometries: Sequence[Any], columns: Mapping[str, Sequence[Any]], *, kind: str, crs: str
) -> None:
    """Write one layer of a GeoPackage.

    Parameters
    ----------
    geometries : shapely geometries, one per row
    columns : name to values; texts or numbers, None where a cell is empty
    kind : geometry type of the layer, such as `LineString`; `Unknown` for a mixture
    """
    import pyarrow as pa
    import shapely
    from pyogrio.raw import write_arrow

    shapes = pa.array(list(shapely.to_wkb(np.array(geometries, dtype=object))), pa.binary())
    table = pa.table({**{name: pa.array(list(values)) for name, values in columns.items()}, "geom": shapes})
    with _explained(path):
        write_arrow(
            table,
            str(path),
            layer=layer,
            driver="GPKG",
            geometry_name="geom",
            geometry_type=kind,
            crs=crs,
            dataset_options={"VERSION": "1.3"},
        )
