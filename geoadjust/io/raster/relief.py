"""A shaded relief of the road below the structures, as a small picture in their own plane.

Shade by slope and aspect under one light (B. K. P. Horn, Hill shading and the reflectance map, Proc. IEEE 69(1), 1981):
the cosine between the light and the surface's normal; heights are exaggerated, as roads are flat.
"""

from __future__ import annotations

import base64
import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import rasterio
from numpy.typing import NDArray
from rasterio.enums import Resampling
from rasterio.io import MemoryFile
from rasterio.transform import from_bounds
from rasterio.warp import reproject, transform_bounds

from geoadjust.io.raster.geotiff import open_raster
from geoadjust.io.raster.tiles import find_tiles

Floats = NDArray[np.float32]

MOST_PIXELS = 1600
MOST_TILES = 400
EXAGGERATED = 6.0
LIGHT_AZIMUTH, LIGHT_HEIGHT = math.radians(315), math.radians(45)
PLAIN = rasterio.Affine.scale(2.0, -2.0)
"""A picture has no place of its own; the driver wants one and is not asked to write it."""
LIGHTEST, DARKEST = 250, 120
"""Greys of the picture: light, so that what is drawn over it can be read."""


@dataclass(frozen=True, slots=True)
class Relief:
    """A picture and where it lies: west, south, east, north in the structures' CRS."""

    image: str
    bounds: tuple[float, float, float, float]


def shaded_relief(path: str, crs: str, extent: tuple[float, float, float, float], metres: float) -> Relief | None:
    """Relief of the part of an elevation raster that lies under an extent; None where it has none there.

    Parameters
    ----------
    path : of the raster, a folder or list of tiles, as the job states it
    crs : the structures', as WKT
    extent : west, south, east, north of them, in its unit
    metres : per unit of that CRS

    Raises
    ------
    InputError
        The files cannot be read.
    """
    width, height = _size(extent)
    heights = np.full((height, width), np.nan, dtype=np.float32)
    transform = from_bounds(*extent, width, height)
    tiles = find_tiles(path, where="surface").files
    if len(tiles) > MOST_TILES:
        return None
    for tile in tiles:
        _add(heights, tile, crs, transform, extent)
    if not np.isfinite(heights).any():
        return None
    pixel = (extent[2] - extent[0]) / width * metres
    return Relief(_data_url(_png(shade(heights, pixel), np.isfinite(heights))), extent)


def _size(extent: tuple[float, float, float, float]) -> tuple[int, int]:
    wide, high = extent[2] - extent[0], extent[3] - extent[1]
    scale = MOST_PIXELS / max(wide, high)
    return max(2, round(wide * scale)), max(2, round(high * scale))


def _add(heights: Floats, tile: str, crs: str, transform: Any, extent: tuple[float, float, float, float]) -> None:
    """Warp one tile into the picture's heights, where there are none yet."""
    with open_raster(tile, where="surface") as dataset:
        if dataset.crs is not None:
            bounds = transform_bounds(dataset.crs, crs, *dataset.bounds)
            if bounds[0] > extent[2] or bounds[2] < extent[0] or bounds[1] > extent[3] or bounds[3] < extent[1]:
                return
        part = np.full_like(heights, np.nan)
        reproject(
            rasterio.band(dataset, 1),
            part,
            dst_transform=transform,
            src_crs=dataset.crs or crs,
            dst_crs=crs,
            dst_nodata=np.nan,
            resampling=Resampling.average,
        )
    np.copyto(heights, part, where=np.isnan(heights))


def shade(heights: Floats, pixel: float) -> NDArray[np.uint8]:
    """Greys of a relief.

    Parameters
    ----------
    heights : (rows, columns) [m], north up; NaN where there is none
    pixel : side of a pixel [m]

    Examples
    --------
    The light stands in the north-west. A plane that falls towards it is lighter than one that falls away:

    >>> southeast = np.add.outer(np.arange(5.0), np.arange(5.0)).astype(np.float32) * 0.1
    >>> int(shade(southeast, 1.0)[2, 2]) > int(shade(-southeast, 1.0)[2, 2])
    True
    """
    south, east = np.gradient(heights * EXAGGERATED, pixel)
    flat = math.sin(LIGHT_HEIGHT)
    toward = math.cos(LIGHT_HEIGHT) * (-east * math.sin(LIGHT_AZIMUTH) + south * math.cos(LIGHT_AZIMUTH))
    light = (flat + toward) / np.sqrt(1 + south**2 + east**2)
    share = np.clip(np.nan_to_num(light, nan=1.0), 0.0, 1.0)
    return np.asarray(DARKEST + (LIGHTEST - DARKEST) * share, dtype=np.uint8)


def _png(greys: NDArray[np.uint8], there: NDArray[np.bool_]) -> bytes:
    """Grey and opacity as PNG."""
    rows, columns = greys.shape
    with MemoryFile() as memory:
        with memory.open(driver="PNG", width=columns, height=rows, count=2, dtype="uint8", transform=PLAIN) as target:
            target.write(greys, 1)
            target.write(np.where(there, 255, 0).astype(np.uint8), 2)
        return bytes(memory.read())


def _data_url(image: bytes) -> str:
    return f"data:image/png;base64,{base64.b64encode(image).decode()}"
