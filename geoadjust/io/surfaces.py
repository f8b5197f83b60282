"""Road rasters: what a file is, and its cells round each cover, read block by block.

Facts travel to workers, open files never do. A cell counts as missing where it equals the declared nodata value, where
the mask says so, where it is not a finite number, and where it lies outside -500 to 9000 m (undeclared nodata).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from geoadjust.core.ring import Ring, grid_stencil, patch_half
from geoadjust.core.rules import FinishedTable, SurfaceTable
from geoadjust.core.surface import GridSurface
from geoadjust.errors import Fault, InputError
from geoadjust.io.crs import horizontal, read_crs, same_crs, vertical_name_of, vertical_unit_of
from geoadjust.io.fingerprint import fingerprint
from geoadjust.io.safe import open_raster
from geoadjust.units import factor

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

LEAST_GROUP = 256
"""Structures are grouped by squares of at least this many cells, so that striped rasters are read in strips once."""
LARGEST_BLOCK = 256 * 2**20
CACHE = 96 * 2**20
"""Block cache of one raster [bytes]. Wider rasters are walked in strips of columns, so that it need not grow."""
LOWEST, HIGHEST = -500.0, 9000.0


@dataclass(frozen=True, slots=True)
class RasterFacts:
    """What is known of a road raster without reading its cells.

    `transform` is (a, b, c, d, e, f): easting = c + a column + b row, northing = f + d column + e row, from the outer
    corner of the first cell. `to_metres` turns cell values (after scale and offset) into metres.
    """

    path: str
    name: str
    band: int
    crs: str
    vertical_unit: str
    vertical_datum: str
    noise: float
    density: float
    width: int
    height: int
    transform: tuple[float, float, float, float, float, float]
    block: tuple[int, int]
    dtype: str
    nodata: float | None
    masked: bool
    scale: float
    offset: float
    fingerprint: str

    @property
    def to_metres(self) -> float:
        """Metres per vertical unit."""
        return factor(self.vertical_unit)

    @property
    def group(self) -> tuple[int, int]:
        """Rows and columns of the squares by which structures are grouped."""
        return max(self.block[0], LEAST_GROUP), max(self.block[1], LEAST_GROUP)

    def affine(self) -> Floats:
        """(2, 2) coordinates per cell (column, row)."""
        a, b, _, d, e, _ = self.transform
        return np.array([[a, b], [d, e]])

    def cell_of(self, east: Floats, north: Floats) -> tuple[Floats, Floats]:
        """Column and row of points, measured from the first cell's centre [cells]."""
        _, _, c, _, _, f = self.transform
        inverse = np.linalg.inv(self.affine())
        column = inverse[0, 0] * (east - c) + inverse[0, 1] * (north - f) - 0.5
        row = inverse[1, 0] * (east - c) + inverse[1, 1] * (north - f) - 0.5
        return column, row

    def covers(self, east: Floats, north: Floats) -> NDArray[np.bool_]:
        """Where points of this raster's CRS lie on it."""
        column, row = self.cell_of(east, north)
        with np.errstate(invalid="ignore"):
            inside = (column >= -0.5) & (row >= -0.5) & (column < self.width - 0.5) & (row < self.height - 0.5)
        return np.asarray(inside)

    def group_of(self, east: Floats, north: Floats) -> Integers:
        """Number of the square in which a point lies, strip by strip, row by row; squares just outside count too."""
        column, row = self.cell_of(east, north)
        tall, wide = self.group
        place = [
            np.clip(np.nan_to_num(np.floor(value), nan=-1e9), -1e9, 1e9).astype(np.int64) for value in (row, column)
        ]
        down = np.clip(place[0] // tall, -1, self.height // tall + 1) + 1
        right = np.clip(place[1] // wide, -1, self.width // wide + 1) + 1
        strip, beside = np.divmod(right, self.strip)
        return np.asarray((strip * (self.height // tall + 3) + down) * self.strip + beside)

    @property
    def strip(self) -> int:
        """Squares side by side of which the cache holds two rows, with one more on either side."""
        tall, wide = self.group
        rows = 2 * tall * wide * np.dtype(self.dtype).itemsize
        return max(CACHE // rows - 2, 1)


def describe_raster(table: SurfaceTable | FinishedTable, *, where: str) -> RasterFacts:
    """Facts of a raster named in a job.

    Raises
    ------
    InputError
        with every fault: not a GeoTIFF, no CRS, a contradicted CRS, no vertical unit, no such band, blocks too large
    """
    with open_raster(table.path, where=where) as dataset:
        faults = list(_faults(dataset, table, where))
        crs, crs_faults = _crs(dataset, table, where)
        unit, unit_faults = _vertical_unit(crs, table, where)
        faults += [*crs_faults, *unit_faults]
        if faults:
            raise InputError(faults)
        return _facts(dataset, table, crs, unit)


def _facts(dataset: Any, table: SurfaceTable | FinishedTable, crs: Any, unit: str) -> RasterFacts:
    index = table.band - 1
    masks = {flag.name for flag in dataset.mask_flag_enums[index]}
    return RasterFacts(
        path=str(table.path),
        name=table.name or Path(table.path).stem,
        band=table.band,
        crs=horizontal(crs).to_wkt(),
        vertical_unit=unit,
        vertical_datum=table.vertical_datum or vertical_name_of(crs) or "",
        noise=table.noise,
        density=table.density,
        width=dataset.width,
        height=dataset.height,
        transform=tuple(dataset.transform)[:6],
        block=tuple(dataset.block_shapes[index]),
        dtype=dataset.dtypes[index],
        nodata=dataset.nodatavals[index],
        masked=bool(masks & {"per_dataset", "alpha"}),
        scale=dataset.scales[index],
        offset=dataset.offsets[index],
        fingerprint=fingerprint(Path(table.path)),
    )


def _faults(dataset: Any, table: SurfaceTable | FinishedTable, where: str) -> Iterator[Fault]:
    if table.band > dataset.count:
        yield Fault(
            f"{where}.band", f"{table.path} has {dataset.count} bands, not {table.band}", f"1 to {dataset.count}"
        )
        return
    if dataset.transform.is_identity:
        yield Fault(f"{where}.path", f"{table.path} has no geotransform", remedy="georeference the raster first")
    kind = np.dtype(dataset.dtypes[table.band - 1])
    if kind.kind not in "iuf":
        yield Fault(f"{where}.path", f"{table.path} holds {kind} values", "whole or decimal numbers")
    rows, columns = dataset.block_shapes[table.band - 1]
    size = rows * columns * kind.itemsize
    if size > LARGEST_BLOCK:
        what = f"{table.path} is stored in blocks of {rows} x {columns} cells, {size // 2**20} MiB each"
        yield Fault(f"{where}.path", what, f"up to {LARGEST_BLOCK // 2**20} MiB", "rewrite it tiled, 512 x 512 cells")


def _crs(dataset: Any, table: SurfaceTable | FinishedTable, where: str) -> tuple[Any, list[Fault]]:
    own = read_crs(dataset.crs.to_wkt(), where=f"{where}.crs") if dataset.crs else None
    stated = read_crs(table.crs, where=f"{where}.crs") if table.crs else None
    if own is None and stated is None:
        return None, [Fault(f"{where}.crs", f"{table.path} states no CRS", remedy='write crs = "EPSG:..."')]
    if own is not None and stated is not None and not same_crs(own, stated):
        what = f"the job says {stated.name}, {table.path} says {own.name}"
        return own, [Fault(f"{where}.crs", what, remedy="remove the job's crs, or mend the file's")]
    return own if own is not None else stated, []


def _vertical_unit(crs: Any, table: SurfaceTable | FinishedTable, where: str) -> tuple[str, list[Fault]]:
    own = vertical_unit_of(crs) if crs is not None else None
    if own and table.vertical_unit and own != table.vertical_unit:
        what = f"the job says {table.vertical_unit}, the CRS of {table.path} says {own}"
        return own, [Fault(f"{where}.vertical_unit", what, remedy="remove the job's, or mend the file's")]
    unit = own or table.vertical_unit
    if not unit:
        remedy = 'write vertical_unit = "m", "ft" or "us-ft": the unit of the heights in the raster'
        return "", [
            Fault(f"{where}.vertical_unit", f"missing, and {table.path} does not say it", "m, ft, us-ft", remedy)
        ]
    return unit, []


class RasterReader:
    """An open raster of one process; reads patches, each block about once when structures come grouped."""

    def __init__(self, facts: RasterFacts) -> None:
        import rasterio

        self.facts = facts
        self._env = rasterio.Env(GDAL_CACHEMAX=cache_bytes(facts))
        self._env.__enter__()
        self._dataset = open_raster(facts.path, where="surface")

    def close(self) -> None:
        """Close the file."""
        self._dataset.close()
        self._env.__exit__(None, None, None)

    def patches(self, column: Integers, row: Integers, half: int) -> Floats:
        """Road elevations [m] round cells.

        Parameters
        ----------
        column, row : (n,) cell of each cover
        half : cells from the middle to the edge

        Returns
        -------
        (n, 2 half + 1, 2 half + 1) [m], NaN where there is none
        """
        tall, wide = self.facts.group
        size = 2 * half + 1
        found = np.full((len(column), size, size), np.nan)
        near = (column >= -half) & (row >= -half)
        near &= (column < self.facts.width + half) & (row < self.facts.height + half)
        groups = (row // tall) * (self.facts.width // wide + 3) + column // wide
        for group in np.unique(groups[near]):
            index = np.flatnonzero(near & (groups == group))
            found[index] = self._group(column[index], row[index], half)
        return found

    def _group(self, column: Integers, row: Integers, half: int) -> Floats:
        left, top = column.min() - half, row.min() - half
        right, bottom = column.max() + half + 1, row.max() + half + 1
        cells = np.full((bottom - top, right - left), np.nan)
        c0, r0 = max(left, 0), max(top, 0)
        c1, r1 = min(right, self.facts.width), min(bottom, self.facts.height)
        if c1 > c0 and r1 > r0:
            cells[r0 - top : r1 - top, c0 - left : c1 - left] = self._read(c0, r0, c1 - c0, r1 - r0)
        offsets = np.arange(-half, half + 1)
        down = (row - top)[:, None, None] + offsets[:, None]
        across = (column - left)[:, None, None] + offsets[None, :]
        return np.asarray(cells[down, across])

    def _read(self, column: int, row: int, width: int, height: int) -> Floats:
        from rasterio.errors import RasterioError
        from rasterio.windows import Window

        facts = self.facts
        window = Window(column, row, width, height)
        try:
            raw = self._dataset.read(facts.band, window=window)
            mask = self._dataset.read_masks(facts.band, window=window) if facts.masked else None
        except RasterioError as error:
            raise InputError(Fault(facts.path, f"cannot be read: {error}", remedy="copy the file anew")) from error
        return to_elevations(raw, facts, mask)


def to_elevations(raw: NDArray[Any], facts: RasterFacts, mask: NDArray[Any] | None) -> Floats:
    """Cells as elevations [m]; NaN where the raster has none."""
    missing = ~np.isfinite(raw) if raw.dtype.kind == "f" else np.zeros(raw.shape, dtype=bool)
    if facts.nodata is not None and np.isfinite(facts.nodata):
        missing |= raw == np.asarray(facts.nodata).astype(raw.dtype)
    if mask is not None:
        missing |= mask == 0
    scaled = facts.scale != 1 or facts.offset != 0
    values = raw.astype(np.float64)
    values = (values * facts.scale + facts.offset if scaled else values) * facts.to_metres
    with np.errstate(invalid="ignore"):
        missing |= (values < LOWEST) | (values > HIGHEST)
    values[missing] = np.nan
    return values


def cache_bytes(facts: RasterFacts) -> int:
    """Block cache that holds two rows of one strip, so that a walk in order decodes each block about once."""
    tall, wide = facts.group
    rows = 2 * tall * wide * (facts.strip + 2) * np.dtype(facts.dtype).itemsize
    return int(max(rows, CACHE))


@dataclass(frozen=True, slots=True, eq=False)
class PatchPlan:
    """What all patches of one raster share in a run: their size, the ring's cells, the nominal step."""

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
    east, north : (n,) covers in the raster's CRS
    jacobians : (n, 2, 2) raster coordinates per ground metre
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
