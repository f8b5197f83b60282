"""Road surfaces: what their files say, and where they have cells; nothing here reads a cell.

A surface is one grid that holds one or many tiles. Facts travel to workers, open files never do.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from geoadjust.core.rules import RoadTable
from geoadjust.errors import Fault, InputError
from geoadjust.io.coordinates.systems import System, same_system, system_of, vertical_unit_of_source
from geoadjust.io.fingerprint import fingerprint, fingerprint_tile
from geoadjust.io.raster.geotiff import open_raster
from geoadjust.io.raster.tiles import Tile, Transform, find_tiles, place_tiles, tell_together
from geoadjust.units import factor

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

LEAST_GROUP = 256
"""Structures are grouped by squares of at least this many cells, so that striped rasters are read in strips once."""
LARGEST_BLOCK = 32 * 2**20
ROWS = 3
"""Rows of squares that a walk touches: rings reach into the row above and into the one below."""
CACHE = 96 * 2**20
"""Block cache of one surface [bytes]. Wider ones are walked in strips of columns, so that it need not grow."""
OPEN_TILES = 96
"""Tiles that one thread keeps open; closing one drops its decoded blocks."""
STRIP_TILES = OPEN_TILES // 2
"""Tiles that the rows of a strip may touch: half of the open ones, since a design surface is walked along with it."""
MOST_POINTS = 200_000
"""Points that are looked for at a time, so that memory does not grow with their number."""


@dataclass(frozen=True)
class RasterFacts:
    """What is known of a road surface without reading its cells.

    `path` is what people call it; the files stand in `tiles`, in order of preference. `transform` is (a, b, c, d, e, f)
    of the grid: easting = c + a column + b row, northing = f + d column + e row, from the outer corner of the first
    cell. `block` (rows, columns) and `cell_bytes` are the largest of all tiles. `to_metres` turns elevations in
    vertical units into metres. `made_by` names the extension that reads it, and its version.
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
    transform: Transform
    block: tuple[int, int]
    cell_bytes: int
    tile_size: tuple[int, int]
    fingerprint: str
    tiles: tuple[Tile, ...]
    made_by: str = ""

    @property
    def to_metres(self) -> float:
        """Metres per vertical unit."""
        return factor(self.vertical_unit)

    @property
    def shared(self) -> tuple[str, ...]:
        """A file that every worker must see as this process does."""
        return () if self.made_by else (self.tiles[0].path,)

    @property
    def box(self) -> tuple[float, float, float, float]:
        """West, south, east, north of the grid in its CRS."""
        a, b, c, d, e, f = self.transform
        corners = [(c + a * i + b * j, f + d * i + e * j) for i in (0, self.width) for j in (0, self.height)]
        east, north = zip(*corners, strict=True)
        return min(east), min(north), max(east), max(north)

    @property
    def holes(self) -> str:
        """What there may be holes between, within the box."""
        return "tiles" if len(self.tiles) > 1 else ""

    def record(self) -> dict[str, Any]:
        """What decides a result, for the record."""
        return {
            "fingerprint": self.fingerprint,
            "band": self.band,
            "vertical_unit": self.vertical_unit,
            "vertical_datum": self.vertical_datum,
            "size": [self.width, self.height],
            **({"tiles": len(self.tiles)} if len(self.tiles) > 1 else {}),
            **({"reader": self.made_by} if self.made_by else {}),
        }

    def describe(self) -> Iterator[str]:
        """What a check tells."""
        cell = np.hypot(*self.affine()[:, 0])
        tiles = f" in {len(self.tiles)} tiles" * (len(self.tiles) > 1)
        size = f"{self.width} x {self.height} cells of {cell:.6g} map units"
        by = f", read by {self.made_by}" * bool(self.made_by)
        yield f"{self.path}, {size}{tiles}, heights in {self.vertical_unit}{by}"

    @property
    def group(self) -> tuple[int, int]:
        """Rows and columns of the squares by which structures are grouped."""
        return max(self.block[0], LEAST_GROUP), max(self.block[1], LEAST_GROUP)

    @property
    def strip(self) -> int:
        """Squares side by side of which three rows fit into the cache and into the open tiles, with one on either side.

        Squares are not aligned with the tiles: a row of squares may cut one more row and one more column of tiles.
        """
        tall, wide = self.group
        by_cache = CACHE // (ROWS * tall * wide * self.cell_bytes) - 2
        rows, columns = self.tile_size
        across = STRIP_TILES // (ROWS * tall // rows + 2) - 2
        return max(min(by_cache, across * columns // wide), 1)

    @cached_property
    def bounds(self) -> Integers:
        """(4, t) first column, first row, one past the last column, one past the last row of each tile."""
        sides = [(tile.left, tile.top, tile.left + tile.width, tile.top + tile.height) for tile in self.tiles]
        return np.array(sides, dtype=np.int64).reshape(-1, 4).T

    @cached_property
    def _tree(self) -> shapely.STRtree:
        left, top, right, bottom = self.bounds - 0.5
        return shapely.STRtree(shapely.box(left, top, right, bottom))

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

    def box_covers(self, east: Floats, north: Floats) -> NDArray[np.bool_]:
        """Where points of this surface's CRS lie on its grid, be it on a tile or between tiles."""
        column, row = self.cell_of(east, north)
        with np.errstate(invalid="ignore"):
            inside = (column >= -0.5) & (row >= -0.5) & (column < self.width - 0.5) & (row < self.height - 0.5)
        return np.asarray(inside)

    def covers(self, east: Floats, north: Floats) -> NDArray[np.bool_]:
        """Where points of this surface's CRS lie on one of its tiles."""
        inside = self.box_covers(east, north)
        column, row = self.cell_of(east, north)
        whole = (self.bounds[2:] - self.bounds[:2] == [[self.width], [self.height]]).all(axis=0)
        if not whole.any():
            index = np.flatnonzero(inside)
            for first in range(0, len(index), MOST_POINTS):
                some = index[first : first + MOST_POINTS]
                inside[some] = self._on_tiles(column[some], row[some])
        return inside

    def _on_tiles(self, column: Floats, row: Floats) -> NDArray[np.bool_]:
        points, tiles = self._tree.query(shapely.points(column, row))
        left, top, right, bottom = self.bounds[:, tiles] - 0.5
        x, y = column[points], row[points]
        on = (x >= left) & (y >= top) & (x < right) & (y < bottom)
        inside = np.zeros(len(column), dtype=bool)
        inside[points[on]] = True
        return inside

    def near(self, east: Floats, north: Floats, half: int) -> RasterFacts:
        """The same surface with those tiles alone that patches round these points may touch.

        Parameters
        ----------
        east, north : (n,) points in this surface's CRS; NaN where there is none
        half : cells from the middle of a patch to its edge
        """
        column, row = self.cell_of(east, north)
        with np.errstate(invalid="ignore"):
            known = (np.abs(column) < 1e9) & (np.abs(row) < 1e9)
        x, y, reach = column[known], row[known], half + 1.0
        _, tiles = self._tree.query(shapely.box(x - reach, y - reach, x + reach, y + reach))
        return replace(self, tiles=tuple(self.tiles[tile] for tile in np.unique(tiles)))

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


def cache_bytes(facts: RasterFacts) -> int:
    """Block cache that holds three rows of one strip, so that a walk in order decodes each block about once."""
    tall, wide = facts.group
    across, down = min(facts.strip + 2, -(-facts.width // wide)), min(ROWS, -(-facts.height // tall))
    return max(down * tall * wide * across * facts.cell_bytes, CACHE)


@dataclass(frozen=True, slots=True)
class _Look:
    """What one file says: a tile without its place, its transform, CRS and vertical unit."""

    tile: Tile
    transform: Transform
    system: System
    unit: str


def describe_raster(table: RoadTable, *, where: str) -> RasterFacts:
    """Facts of a surface named in a job.

    Raises
    ------
    InputError
        with every fault: no such file, no tile, not a GeoTIFF, no CRS, a contradicted CRS, no vertical unit, no such
        band, blocks too large; tiles that differ in CRS, cells, grid, unit or datum
    """
    import rasterio

    listing = find_tiles(table.path, where=f"{where}.path")
    looks: list[_Look] = []
    found: list[tuple[str, Fault]] = []
    with rasterio.Env():  # entered once, not once per file
        for path in listing.files:
            try:
                looks.append(_look(path, table, where, single=len(listing.files) == 1))
            except InputError as error:
                found += [(path, fault) for fault in error.faults]
    if not looks:
        raise InputError(tell_together(found))
    found += [(look.tile.path, fault) for look in looks[1:] for fault in _differences(looks[0], look, table, where)]
    paths = [look.tile.path for look in looks]
    sizes = np.array([(look.tile.width, look.tile.height) for look in looks], dtype=np.int64)
    grid, faults = place_tiles(paths, np.array([look.transform for look in looks]), sizes, where=f"{where}.path")
    found += [("\0", fault) for fault in faults]
    if found:
        raise InputError(tell_together(found))
    places = zip(looks, grid.left.tolist(), grid.top.tolist(), strict=True)
    tiles = tuple(replace(look.tile, left=left, top=top) for look, left, top in places)
    system = looks[0].system
    return RasterFacts(
        path=listing.path,
        name=table.name or listing.name,
        band=table.band,
        crs=system.wkt,
        vertical_unit=looks[0].unit,
        vertical_datum=table.vertical_datum or system.vertical,
        noise=table.noise,
        density=table.density,
        width=grid.width,
        height=grid.height,
        transform=grid.transform,
        block=(max(tile.block[0] for tile in tiles), max(tile.block[1] for tile in tiles)),
        cell_bytes=max(np.dtype(tile.dtype).itemsize for tile in tiles),
        tile_size=(int(np.median(sizes[:, 1])), int(np.median(sizes[:, 0]))),
        fingerprint=_fingerprint(tiles),
        tiles=tiles,
    )


def _fingerprint(tiles: Sequence[Tile]) -> str:
    """One fingerprint of all tiles: their names without folders, places, and fingerprints, in order."""
    if len(tiles) == 1:
        return tiles[0].fingerprint
    digest = hashlib.sha256()
    for tile in tiles:
        line = f"{tile.left} {tile.top} {tile.width} {tile.height} {tile.fingerprint} {Path(tile.path).name}\n"
        digest.update(line.encode("utf-8", "surrogatepass"))
    sampled = any(tile.fingerprint.startswith("sampled") for tile in tiles)
    return f"{'sampled-' * sampled}sha256:{digest.hexdigest()}"


def _look(path: str, table: RoadTable, where: str, *, single: bool) -> _Look:
    with open_raster(path, where=where) as dataset:
        faults = list(_faults(dataset, path, table, where))
        wkt = dataset.crs.to_wkt() if dataset.crs else ""
        system, crs_faults = system_of(wkt, path, table, where)
        unit, unit_faults = vertical_unit_of_source(system, path, table, where)
        faults += [*crs_faults, *unit_faults]
        if faults:
            raise InputError(faults)
        assert system is not None
        transform = tuple(float(value) for value in tuple(dataset.transform)[:6])
        mark = fingerprint(path) if single else fingerprint_tile(path)
        return _Look(_tile(dataset, path, table.band - 1, mark), transform, system, unit)  # type: ignore[arg-type]


def _tile(dataset: Any, path: str, index: int, mark: str) -> Tile:
    masks = {flag.name for flag in dataset.mask_flag_enums[index]}
    return Tile(
        path=path,
        left=0,
        top=0,
        width=dataset.width,
        height=dataset.height,
        block=tuple(dataset.block_shapes[index]),
        dtype=dataset.dtypes[index],
        nodata=dataset.nodatavals[index],
        masked=bool(masks & {"per_dataset", "alpha"}),
        scale=dataset.scales[index],
        offset=dataset.offsets[index],
        fingerprint=mark,
    )


def _faults(dataset: Any, path: str, table: RoadTable, where: str) -> Iterator[Fault]:
    if table.band > dataset.count:
        yield Fault(f"{where}.band", f"{path} has {dataset.count} bands, not {table.band}", f"1 to {dataset.count}")
        return
    if dataset.transform.is_identity:
        yield Fault(f"{where}.path", f"{path} has no geotransform", remedy="georeference the raster first")
    elif dataset.transform.is_degenerate:
        yield Fault(f"{where}.path", f"{path} has cells without an area", remedy="georeference the raster anew")
    kind = np.dtype(dataset.dtypes[table.band - 1])
    if kind.kind not in "iuf":
        yield Fault(f"{where}.path", f"{path} holds {kind} values", "whole or decimal numbers")
    rows, columns = dataset.block_shapes[table.band - 1]
    size = rows * columns * kind.itemsize
    if size > LARGEST_BLOCK:
        what = f"{path} is stored in blocks of {rows} x {columns} cells, {size // 2**20} MiB each"
        remedy = "rewrite it tiled, 512 x 512 cells (GeoTIFF driver: TILED=YES, BLOCKXSIZE=512, BLOCKYSIZE=512)"
        yield Fault(f"{where}.path", what, f"up to {LARGEST_BLOCK // 2**20} MiB", remedy)


def _differences(first: _Look, look: _Look, table: RoadTable, where: str) -> Iterator[Fault]:
    """What a tile says otherwise than the first one."""
    ours, theirs = first.system, look.system
    paths = look.tile.path, first.tile.path
    remedy = "write it anew like the others, or make it a surface of its own"
    if not same_system(theirs.wkt, ours.wkt, f"{where}.crs"):
        yield Fault(f"{where}.crs", f"{paths[0]} says {theirs.crs.name}, {paths[1]} says {ours.crs.name}", "", remedy)
    if look.unit != first.unit:
        what = f"{paths[0]} has heights in {look.unit}, {paths[1]} in {first.unit}"
        yield Fault(f"{where}.vertical_unit", what, "", remedy)
    if theirs.datum != ours.datum and not table.vertical_datum:
        what = f"{paths[0]} states {theirs.datum or 'no vertical datum'}, {paths[1]} {ours.datum or 'none'}"
        yield Fault(f"{where}.vertical_datum", what, "", "state vertical_datum where they are the same, else " + remedy)
