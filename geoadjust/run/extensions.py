"""Extensions by entry points: surfaces that others read, files that others write. Only what a job names is used.

A worker loads an extension anew by its name, so that nothing of it travels.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from importlib.metadata import EntryPoint, entry_points
from pathlib import Path
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from geoadjust.core.rules import Job, RoadTable
from geoadjust.errors import Fault, InputError
from geoadjust.io.coordinates.systems import system_of, vertical_unit_of_source
from geoadjust.io.fingerprint import fingerprint
from geoadjust.io.raster.geotiff import open_raster
from geoadjust.io.raster.rasters import RasterFacts
from geoadjust.io.raster.tiles import Tile
from geoadjust.io.results.frames import read_layer, read_table

SURFACES, WRITERS = "geoadjust.surfaces", "geoadjust.writers"
BLOCK = 256
"""Cells along each side of the squares by which structures on such a surface are grouped."""


class Reader(Protocol):
    """What an extension for surfaces gives for a path and options."""

    def describe(self) -> Mapping[str, Any]:
        """Its grid: `crs` (text), `transform` (a, 0, c, 0, e, f), `width`, `height` [cells]; `vertical_unit`,
        `vertical_datum` and `fingerprint` where it knows them."""

    def window(self, bounds: tuple[float, float, float, float]) -> NDArray[np.float64]:
        """Heights of the cells within west, south, east, north [CRS units], rows from the north; NaN where none."""


@dataclass(frozen=True, slots=True)
class Extension:
    """An extension that was loaded."""

    name: str
    call: Callable[..., Any]
    version: str

    def __str__(self) -> str:
        return f"{self.name} ({self.version})"


@dataclass(frozen=True, slots=True)
class Written:
    """What a writer gets to know of a schedule that is made."""

    folder: Path
    units: str

    @property
    def structures(self) -> Any:
        """The layer as a GeoDataFrame."""
        return read_layer(self.folder)

    def table(self, name: str) -> Any:
        """Another table, as `ordinates`, as a DataFrame."""
        return read_table(self.folder, name)


# ---------------------------------------------------------------- by name


def _installed(group: str) -> dict[str, EntryPoint]:
    return {point.name: point for point in entry_points(group=group)}


def load(group: str, name: str, where: str) -> Extension:
    """An extension that a job names.

    Raises
    ------
    InputError
        none of that name is installed, or it cannot be loaded
    """
    points = _installed(group)
    if name not in points:
        allowed = ", ".join(sorted(points)) or "none is installed"
        raise InputError(
            Fault(where, f"no extension {name!r} is installed", allowed, "install the package that has it")
        )
    try:
        return Extension(name, points[name].load(), _version(points[name]))
    except Exception as error:
        what = f"extension {name!r} cannot be loaded ({_told(error)})"
        raise InputError(Fault(where, what, remedy="mend it, or ask whoever made it")) from error


def broken(job: Job) -> Iterator[str]:
    """Installed extensions that cannot be loaded and that the job does not name."""
    named = {table.reader for table in (*job.surface, *job.finished, *job.paved)} | set(job.output.writers)
    for group in (SURFACES, WRITERS):
        for name, point in sorted(_installed(group).items()):
            try:
                if name not in named:
                    point.load()
            except Exception as error:
                told = f"cannot be loaded, the job does not name it: {_told(error)}"
                yield f"extension {name!r} ({_version(point)}) {told}"


def _version(point: EntryPoint) -> str:
    return f"{point.dist.name} {point.dist.version}" if point.dist else "unknown"


def _told(error: Exception) -> str:
    return f"{type(error).__name__}: {error}"


# ---------------------------------------------------------------- surfaces


def describe_extension(table: RoadTable, where: str) -> RasterFacts:
    """Facts of a surface that an extension reads.

    Raises
    ------
    InputError
        with every fault
    """
    path, options = _one_path(table, where), json.dumps(table.options, sort_keys=True)
    extension = load(SURFACES, table.reader, f"{where}.reader")
    grid = _grid(extension, path, options, where)
    _close(grid)
    system, faults = system_of(str(grid.told.get("crs", "")), path, table, where)
    unit, more = vertical_unit_of_source(system, path, table, where)
    own = str(grid.told.get("vertical_unit", ""))
    if own and table.vertical_unit and own != table.vertical_unit:
        faults.append(Fault(f"{where}.vertical_unit", f"the job says {table.vertical_unit}, {path} says {own}"))
    faults += more if not own else []
    if faults:
        raise InputError(faults)
    assert system is not None
    mark = _mark(grid, path, where)
    tile = Tile(
        path,
        0,
        0,
        grid.width,
        grid.height,
        (BLOCK, BLOCK),
        "float64",
        None,
        False,
        1.0,
        0.0,
        mark,
        table.reader,
        options,
    )
    return RasterFacts(
        path=path,
        name=table.name or Path(path).stem,
        band=1,
        crs=system.wkt,
        vertical_unit=own or unit,
        vertical_datum=table.vertical_datum or str(grid.told.get("vertical_datum", "")) or system.vertical,
        noise=table.noise,
        density=table.density,
        width=grid.width,
        height=grid.height,
        transform=grid.transform,
        block=tile.block,
        cell_bytes=8,
        tile_size=(grid.height, grid.width),
        fingerprint=mark,
        tiles=(tile,),
        made_by=str(extension),
    )


def _one_path(table: RoadTable, where: str) -> str:
    if not isinstance(table.path, str):
        raise InputError(Fault(f"{where}.path", "is a list", "one path for an extension", "write several tables"))
    return table.path


@dataclass(frozen=True, slots=True)
class _Grid:
    """A reader that was made, and the grid that it describes."""

    reader: Reader
    told: Mapping[str, Any]
    transform: tuple[float, float, float, float, float, float]
    width: int
    height: int


def _grid(extension: Extension, path: str, options: str, where: str) -> _Grid:
    try:
        reader = extension.call(path, json.loads(options))
        told = reader.describe()
        a, b, c, d, e, f = (float(value) for value in told["transform"])
        width, height = int(told["width"]), int(told["height"])
    except InputError:
        raise
    except Exception as error:
        what = f"{path}: extension {extension} failed ({_told(error)})"
        raise InputError(Fault(f"{where}.path", what, remedy="ask whoever made the extension")) from error
    if not (a > 0 and e < 0 and b == d == 0 and width > 0 and height > 0 and np.isfinite([a, c, e, f]).all()):
        what = f"{path}: extension {extension} describes no grid with north up: {told['transform']}, {width} x {height}"
        raise InputError(Fault(f"{where}.path", what, "transform (a, 0, c, 0, e, f) with a > 0, e < 0"))
    return _Grid(reader, told, (a, b, c, d, e, f), width, height)


def _close(grid: _Grid) -> None:
    getattr(grid.reader, "close", lambda: None)()


def _mark(grid: _Grid, path: str, where: str) -> str:
    """What tells that the surface is still the same."""
    if grid.told.get("fingerprint"):
        return str(grid.told["fingerprint"])
    if Path(path).is_file():
        return fingerprint(path)
    remedy = "let the extension's describe() give a fingerprint"
    raise InputError(Fault(f"{where}.path", f"{path} is no file, and nothing tells whether it changes", remedy=remedy))


def open_tile(tile: Tile) -> Any:
    """An open tile, be it a file or what an extension reads."""
    return _Opened(tile) if tile.reader else open_raster(tile.path, where="surface")


class _Opened:
    """A grid that an extension reads, with as much of a dataset as a reader of tiles asks for."""

    def __init__(self, tile: Tile) -> None:
        self.extension = load(SURFACES, tile.reader, "surface.reader")
        self.tile, self.grid = tile, _grid(self.extension, tile.path, tile.options, "surface")
        if _mark(self.grid, tile.path, "surface") != tile.fingerprint:
            what = "is not what the run was started with"
            raise InputError(Fault(tile.path, what, remedy="keep the sources unchanged during a run"))

    def read(self, band: int, window: Any) -> NDArray[np.float64]:
        """Heights of a window of cells."""
        a, _, c, _, e, f = self.grid.transform
        west, north = c + a * window.col_off, f + e * window.row_off
        bounds = (west, north + e * window.height, west + a * window.width, north)
        try:
            found = np.asarray(self.grid.reader.window(bounds), dtype=np.float64)
        except Exception as error:
            what = f"extension {self.extension} failed ({_told(error)})"
            raise InputError(Fault(self.tile.path, what, remedy="ask whoever made the extension")) from error
        if found.shape != (window.height, window.width):
            what = f"extension {self.extension} gave {found.shape} cells for {bounds}"
            raise InputError(Fault(self.tile.path, what, f"({window.height}, {window.width})"))
        return found

    def close(self) -> None:
        """Let the extension close what it has open, where it can."""
        _close(self.grid)


# ---------------------------------------------------------------- writers


def load_writers(names: Iterable[str]) -> list[Extension]:
    """Writers that a job names, before anything is computed.

    Raises
    ------
    InputError
        naming every one that cannot be used
    """
    found: list[Extension] = []
    faults: list[Fault] = []
    for name in names:
        try:
            found.append(load(WRITERS, name, "output.writers"))
        except InputError as error:
            faults += error.faults
    if faults:
        raise InputError(faults)
    return found


def write_extensions(writers: Iterable[Extension], folder: Path, units: str) -> dict[str, str]:
    """Let each writer write into a folder of its own in the new output set; names and versions for the record.

    Raises
    ------
    InputError
        a writer failed; nothing is replaced
    """
    made = {}
    for writer in writers:
        place = folder / "extensions" / writer.name
        place.mkdir(parents=True)
        try:
            writer.call(Written(folder, units), place)
        except Exception as error:
            what = f"extension {writer} failed ({_told(error)})"
            raise InputError(Fault("output.writers", what, remedy="leave it out, or ask whoever made it")) from error
        made[writer.name] = writer.version
    return made
