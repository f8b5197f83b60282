"""The cells of a road surface round each cover, pieced together from all tiles that they touch.

A cell counts as missing where it equals the declared nodata value, where the mask says so, where it is not a finite
number, and where it lies outside -500 to 9000 m (undeclared nodata). Where tiles overlap, the first one that has a
value in a cell gives it.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any
from weakref import WeakSet

import numpy as np
from numpy.typing import NDArray

from geoadjust.core.ring import Ring, grid_stencil, patch_half
from geoadjust.core.surface import GridSurface
from geoadjust.errors import Fault, InputError
from geoadjust.io.raster.geotiff import open_raster
from geoadjust.io.raster.rasters import CACHE, OPEN_TILES, RasterFacts, cache_bytes
from geoadjust.io.raster.tiles import Tile

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

SQUARE = 512
"""Patches in a square of so many cells are cut from one window; measured: 256 and 1024 take longer.

It is never taller than the squares of the walk, since the block cache holds three rows of those and no more.
"""
LOWEST, HIGHEST = -500.0, 9000.0
"""Heights of roads [m]."""


class OpenTiles:
    """Tiles that one thread has open; the one that was used longest ago is closed when there are too many.

    The block cache belongs to the whole process: it is as large as the surfaces of all threads need together.
    """

    _everywhere: WeakSet[OpenTiles] = WeakSet()
    _lock = threading.Lock()

    def __init__(self, limit: int = OPEN_TILES, opener: Callable[[Tile], Any] | None = None) -> None:
        import rasterio

        self.limit, self._opener = limit, opener or _open_tile
        self._datasets: OrderedDict[Tile, Any] = OrderedDict()
        self._caches: dict[str, int] = {}
        self._env = rasterio.Env(GDAL_CACHEMAX=CACHE)
        self._env.__enter__()
        with self._lock:
            self._everywhere.add(self)

    def __len__(self) -> int:
        return len(self._datasets)

    def make_room(self, facts: RasterFacts) -> None:
        """Let the block cache hold what a walk over this surface needs, beside the others."""
        import rasterio

        needed = cache_bytes(facts)
        if self._caches.get(facts.name, 0) < needed:
            with self._lock:
                self._caches[facts.name] = needed
                rasterio.env.setenv(GDAL_CACHEMAX=sum(sum(pool._caches.values()) for pool in self._everywhere))

    def open(self, tile: Tile) -> Any:
        """The open file of a tile."""
        dataset = self._datasets.get(tile)
        if dataset is not None:
            self._datasets.move_to_end(tile)
            return dataset
        while len(self._datasets) >= self.limit:
            self._datasets.popitem(last=False)[1].close()
        dataset = self._datasets[tile] = self._opener(tile)
        return dataset

    def close(self) -> None:
        """Close every file."""
        while self._datasets:
            self._datasets.popitem()[1].close()
        with self._lock:
            self._everywhere.discard(self)
        self._env.__exit__(None, None, None)


def _open_tile(tile: Tile) -> Any:
    return open_raster(tile.path, where="surface")


class RasterReader:
    """Reads patches of a surface, each block about once when structures come grouped."""

    def __init__(self, facts: RasterFacts, tiles: OpenTiles | None = None) -> None:
        self.facts = facts
        self._tiles = OpenTiles() if tiles is None else tiles
        self._tiles.make_room(facts)

    def close(self) -> None:
        """Close the files."""
        self._tiles.close()

    def patches(self, column: Integers, row: Integers, half: int) -> Floats:
        """Road elevations [m] round cells.

        Parameters
        ----------
        column, row : (n,) cell of each cover on the surface's grid
        half : cells from the middle to the edge

        Returns
        -------
        (n, 2 half + 1, 2 half + 1) [m], NaN where there is none
        """
        size = 2 * half + 1
        found = np.full((len(column), size, size), np.nan)
        on = (column >= -half) & (row >= -half)
        on &= (column < self.facts.width + half) & (row < self.facts.height + half)
        near = np.flatnonzero(on)
        tall = min(SQUARE, self.facts.group[0])
        squares = (row[near] // tall) * (self.facts.width // SQUARE + 3) + column[near] // SQUARE
        order = np.argsort(squares, kind="stable")
        cuts = np.flatnonzero(np.diff(squares[order])) + 1
        for index in np.split(near[order], cuts) if len(near) else ():
            found[index] = self._group(column[index], row[index], half)
        return found

    def _group(self, column: Integers, row: Integers, half: int) -> Floats:
        """Patches that lie near each other; one window of each tile that they touch is read."""
        left, top, right, bottom = self.facts.bounds
        touched = (left <= column.max() + half) & (right > column.min() - half)
        touched &= (top <= row.max() + half) & (bottom > row.min() - half)
        found: Floats | None = None
        for number in np.flatnonzero(touched):
            tile = self.facts.tiles[number]
            right_of, below = column - tile.left, row - tile.top
            wanted = (right_of >= -half) & (right_of < tile.width + half)
            wanted &= (below >= -half) & (below < tile.height + half)
            if found is not None:
                wanted &= np.isnan(found).any(axis=(1, 2))
            index = np.flatnonzero(wanted)
            if not len(index):
                continue
            part = self._cut(tile, right_of[index], below[index], half)
            if found is None and len(index) == len(column):
                found = part
                continue
            if found is None:
                found = np.full((len(column), *part.shape[1:]), np.nan)
            before = found[index]
            found[index] = np.where(np.isnan(before), part, before)
        return np.full((len(column), 2 * half + 1, 2 * half + 1), np.nan) if found is None else found

    def _cut(self, tile: Tile, column: Integers, row: Integers, half: int) -> Floats:
        """Patches round cells of one tile; NaN beyond its edges.

        Whichever is fewer cells is turned into elevations: the window, or the patches cut from it.
        """
        left, top = max(int(column.min()) - half, 0), max(int(row.min()) - half, 0)
        right = min(int(column.max()) + half + 1, tile.width)
        bottom = min(int(row.max()) + half + 1, tile.height)
        raw, mask = self._read(tile, left, top, right - left, bottom - top)
        offsets = np.arange(-half, half + 1)
        down = (row - top)[:, None] + offsets
        across = (column - left)[:, None] + offsets
        beyond_down, beyond_across = (down < 0) | (down >= bottom - top), (across < 0) | (across >= right - left)
        beyond = beyond_down.any() or beyond_across.any()
        if beyond:
            outside = beyond_down[:, :, None] | beyond_across[:, None, :]
            down, across = np.clip(down, 0, bottom - top - 1), np.clip(across, 0, right - left - 1)
        cells = down[:, :, None], across[:, None, :]
        if len(column) * len(offsets) ** 2 < raw.size:
            cut = to_elevations(raw[cells], tile, self.facts.to_metres, None if mask is None else mask[cells])
        else:
            cut = to_elevations(raw, tile, self.facts.to_metres, mask)[cells]
        if beyond:
            cut[outside] = np.nan
        return cut

    def _read(self, tile: Tile, column: int, row: int, width: int, height: int) -> tuple[NDArray[Any], Any]:
        from rasterio.errors import RasterioError
        from rasterio.windows import Window

        window, band = Window(column, row, width, height), self.facts.band
        dataset = self._tiles.open(tile)
        try:
            raw = dataset.read(band, window=window)
            return raw, dataset.read_masks(band, window=window) if tile.masked else None
        except RasterioError as error:
            raise InputError(Fault(tile.path, f"cannot be read: {error}", remedy="copy the file anew")) from error


def to_elevations(raw: NDArray[Any], tile: Tile, to_metres: float, mask: NDArray[Any] | None) -> Floats:
    """Cells of a tile as elevations [m]; NaN where it has none.

    Parameters
    ----------
    raw : cells as stored
    tile : says what they mean
    to_metres : metres per vertical unit
    mask : 0 where a mask says that there is no value; None without a mask
    """
    missing = ~np.isfinite(raw) if raw.dtype.kind == "f" else np.zeros(raw.shape, dtype=bool)
    if tile.nodata is not None and np.isfinite(tile.nodata):
        missing |= raw == np.asarray(tile.nodata).astype(raw.dtype)
    if mask is not None:
        missing |= mask == 0
    scaled = tile.scale != 1 or tile.offset != 0
    values = raw.astype(np.float64)
    values = (values * tile.scale + tile.offset if scaled else values) * to_metres
    with np.errstate(invalid="ignore"):
        missing |= (values < LOWEST) | (values > HIGHEST)
    values[missing] = np.nan
    return values


@dataclass(frozen=True, slots=True, eq=False)
class PatchPlan:
    """What all patches of one surface share in a run: their size, the ring's cells, the nominal step."""

    half: int
    stencil: Integers
    step: float


def plan_patches(facts: RasterFacts, jacobians: Floats, ring: Ring, *, where: str) -> PatchPlan:
    """Size of the patches, from Jacobians (k, 2, 2) at places all over the structures.

    Raises
    ------
    InputError
        where the cells are too coarse everywhere
    """
    cells = np.linalg.inv(facts.affine()) @ jacobians
    spacing = np.sqrt((np.linalg.inv(cells) ** 2).sum(axis=1)).max(axis=1)
    if spacing.min() > ring.max_cell:
        what = f"{facts.path} has cells of {spacing.min():.2f} m on the ground"
        remedy = "use a finer raster; grade and slope round a cover cannot be read from this one"
        raise InputError(Fault(where, what, f"up to {ring.max_cell:g} m", remedy))
    cells = cells[spacing <= ring.max_cell]
    return PatchPlan(patch_half(cells, ring), grid_stencil(cells, ring), float(spacing.min()))


def read_surface(
    reader: RasterReader, patches: PatchPlan, east: Floats, north: Floats, jacobians: Floats
) -> GridSurface:
    """Patches of road round covers.

    Parameters
    ----------
    east, north : (n,) covers in the surface's CRS
    jacobians : (n, 2, 2) surface coordinates per ground metre
    """
    column, row = reader.facts.cell_of(east, north)
    with np.errstate(invalid="ignore"):
        near = (np.abs(column) < 1e9) & (np.abs(row) < 1e9) & np.isfinite(jacobians).all(axis=(1, 2))
    column, row = np.where(near, column, -1e6), np.where(near, row, -1e6)
    jacobians = np.where(near[:, None, None], jacobians, np.eye(2) * abs(reader.facts.transform[0]))
    middle_column, middle_row = (np.floor(value + 0.5).astype(np.int64) for value in (column, row))
    return GridSurface(
        heights=reader.patches(middle_column, middle_row, patches.half),
        column=column - middle_column,
        row=row - middle_row,
        cells=np.linalg.inv(reader.facts.affine()) @ jacobians,
        stencil=patches.stencil,
        step=patches.step,
    )
