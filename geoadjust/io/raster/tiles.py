"""The files of one surface: which they are, and where each lies on the grid that they share.

A surface is one GeoTIFF, a folder of them, a list in the job, a list in a text file, or an index: a layer of polygons
whose field `location` names a file each. A single GeoTIFF is a surface of one tile.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from geoadjust.errors import Fault, InputError
from geoadjust.io.lines.shapes import POLYGONS, check_kinds, read_shapes
from geoadjust.io.safe import VECTOR_DRIVERS, VectorFacts, check_path, probe_vector

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Transform = tuple[float, float, float, float, float, float]

LOCATION = "location"
"""Field of an index that holds the tile's path."""
ENDINGS = (".tif", ".tiff")
ALIGNED = 1e-3
"""Tiles may lie this far off the common grid [cells], and drift this far from it from edge to edge."""
MOST_TOLD, MOST_NAMED = 10, 3
"""So many faults of tiles are told, each with so many other tiles that have the same."""
ONE_GRID = "rewrite it on one grid with the others: same origin, cell size and rotation"


@dataclass(frozen=True, slots=True)
class Tile:
    """A file of a surface: its place on the surface's grid [cells], and what its cells mean.

    `left` and `top` are the column and the row of its first cell. `masked` says that a mask or an alpha band tells
    which cells hold a value. Elevation in vertical units = cell * `scale` + `offset`. `reader` is the extension that
    reads it, `options` what that wants to know, as JSON.
    """

    path: str
    left: int
    top: int
    width: int
    height: int
    block: tuple[int, int]
    dtype: str
    nodata: float | None
    masked: bool
    scale: float
    offset: float
    fingerprint: str
    reader: str = ""
    options: str = "{}"


@dataclass(frozen=True, slots=True)
class Listing:
    """Files of a surface in order of preference; what people call all of them, and where they are told."""

    path: str
    name: str
    files: tuple[str, ...]


def find_tiles(path: str | tuple[str, ...], *, where: str) -> Listing:
    """Files of a surface, by what its path is; none of the tiles is looked at.

    A folder gives its .tif and .tiff files by name; folders inside it and names that begin with a dot are left out. A
    list, a text file and an index give theirs in the stated order; a path that stands there twice counts once. Paths of
    a text file or an index are relative to it.

    Parameters
    ----------
    path : of a GeoTIFF, a folder, a .txt, or a vector layer; or several paths of GeoTIFFs
    where : job key for the faults

    Raises
    ------
    InputError
        The folder or list is empty or cannot be read; the index is no layer of polygons with a text field `location`,
        or a row of it names no file.
    """
    if not isinstance(path, str):
        files = tuple(dict.fromkeys(path))
        return Listing(_several(files), Path(files[0]).stem, files)
    ending = os.path.splitext(path)[1].lower()
    if "://" not in path and os.path.isdir(path):
        return Listing(path, Path(path).resolve().name or path, _in_folder(path, where))
    if ending == ".txt":
        return Listing(path, Path(path).stem, _beside(path, _lines(path, where), where))
    if ending in VECTOR_DRIVERS:
        return Listing(path, Path(path).stem, _beside(path, _locations(path, where), where))
    return Listing(path, Path(path).stem, (path,))


def _several(files: Sequence[str]) -> str:
    """What a list is called.

    >>> _several(["a.tif", "b.tif", "c.tif"])
    'a.tif and 2 more'
    """
    return files[0] if len(files) == 1 else f"{files[0]} and {len(files) - 1} more"


def _in_folder(path: str, where: str) -> tuple[str, ...]:
    check_path(path, where=where, folder=True)
    names = sorted(name for name in os.listdir(path) if name.lower().endswith(ENDINGS) and not name.startswith("."))
    if not names:
        remedy = "name the folder that holds the tiles; those in folders inside it go into a list or an index"
        raise InputError(Fault(where, f"folder {path} holds no .tif or .tiff", remedy=remedy))
    return tuple(os.path.join(path, name) for name in names)


def _lines(path: str, where: str) -> list[str]:
    try:
        text = check_path(path, where=where).read_text(encoding="utf-8-sig")
    except UnicodeDecodeError:
        raise InputError(Fault(where, f"{path} is not UTF-8 text", remedy="save it as UTF-8")) from None
    lines = [line.strip() for line in text.splitlines()]
    return [line for line in lines if line and not line.startswith("#")]


def _beside(path: str, names: Iterable[str], where: str) -> tuple[str, ...]:
    """Paths relative to the file that lists them, each once."""
    base = Path(path).parent
    found = tuple(dict.fromkeys(name if "://" in name else str(base / name) for name in names))
    if not found:
        raise InputError(Fault(where, f"{path} names no tile", remedy="write the path of each GeoTIFF into it"))
    return found


def _locations(path: str, where: str) -> list[str]:
    """The field `location` of an index, in any spelling of upper and lower case."""
    facts = _index_facts(path, where)
    field = next((name for name in facts.fields if name.lower() == LOCATION), None)
    if field is None or not facts.fields[field].startswith("str"):
        what = f"index {path} has no text field {LOCATION!r}"
        listed = ", ".join(f"{name} ({kind})" for name, kind in facts.fields.items()) or "none"
        remedy = f"rename the field that holds the tiles' paths to {LOCATION}; fields: {listed}"
        raise InputError(Fault(where, what, remedy=remedy))
    shapes, rows = read_shapes(facts, where=where, columns=[field])
    remedy = "an index holds one polygon for each tile"
    if faults := check_kinds(shapes, facts, POLYGONS, where=where, remedy=remedy):
        raise InputError(faults)
    names = [(value or "").strip() for value in rows.column(field).to_pylist()]
    if "" in names:
        what = f"index {path}: row {names.index('')} (from 0) has no {LOCATION}"
        raise InputError(Fault(where, what, remedy="write the tile's path there, or remove the row"))
    return names


def _index_facts(path: str, where: str) -> VectorFacts:
    try:
        return probe_vector(path, where=where)
    except InputError as error:
        faults = [
            Fault(fault.where, fault.what, fault.allowed, "keep the index in a file of its own")
            if "several layers" in fault.what
            else fault
            for fault in error.faults
        ]
        raise InputError(faults) from None


# ---------------------------------------------------------------- one grid


@dataclass(frozen=True, slots=True, eq=False)
class Grid:
    """The grid of all tiles: `transform` from its outer corner, its size, and the first cell of each tile, (t,)."""

    transform: Transform
    width: int
    height: int
    left: Integers
    top: Integers


def place_tiles(paths: Sequence[str], transforms: Floats, sizes: Integers, *, where: str) -> tuple[Grid, list[Fault]]:
    """The common grid of tiles, and a fault for each that does not lie on it.

    The grid's cells are those of the first tile. Its corner is that of a corner tile where there is one, so that tiles
    cut from one raster give that raster's own transform.

    Parameters
    ----------
    paths : of t tiles, for the faults
    transforms : (t, 6) easting = c + a column + b row, northing = f + d column + e row
    sizes : (t, 2) width and height [cells]
    where : job key for the faults

    Examples
    --------
    >>> grid, faults = place_tiles(
    ...     ["a.tif", "b.tif"],
    ...     np.array([[0.5, 0, 110, 0, -0.5, 200], [0.5, 0, 100, 0, -0.5, 200]]),
    ...     np.array([[20, 30], [20, 10]]),
    ...     where="surface.path",
    ... )
    >>> grid.transform, grid.width, grid.height, grid.left.tolist(), faults
    ((0.5, 0.0, 100.0, 0.0, -0.5, 200.0), 40, 30, [20, 0], [])
    """
    cells = transforms[:, [0, 1, 3, 4]].reshape(-1, 2, 2)
    inverse = np.linalg.inv(cells[0])
    drift = np.abs(inverse @ cells - np.eye(2)) @ sizes[:, :, None]
    other = ~(drift[:, :, 0].max(axis=1) <= ALIGNED)
    place = (transforms[:, [2, 5]] - transforms[0, [2, 5]]) @ inverse.T
    first = np.round(place)
    off = np.where(other, 0.0, np.abs(place - first).max(axis=1))
    faults = [
        Fault(where, _other_cells(paths, cells, tile), remedy=ONE_GRID) for tile in np.flatnonzero(other).tolist()
    ]
    for tile in np.flatnonzero(~(off <= ALIGNED)).tolist():
        what = f"{paths[tile]} lies {off[tile]:.3f} cells off the grid of {paths[0]}"
        faults.append(Fault(where, what, remedy=ONE_GRID))
    if faults:
        first = np.zeros_like(first)
    left, top = (first - first.min(axis=0)).astype(np.int64).T
    width, height = int((left + sizes[:, 0]).max()), int((top + sizes[:, 1]).max())
    return Grid(_corner(transforms, first, left, top), width, height, left, top), faults


def _corner(transforms: Floats, first: Floats, left: Integers, top: Integers) -> Transform:
    """Transform of the grid, from the tile in its corner; of a north-up grid, from tiles at both edges."""
    a, b, c, d, e, f = transforms[0].tolist()
    corners = np.flatnonzero((left == 0) & (top == 0))
    if len(corners):
        c, f = transforms[corners[0], [2, 5]].tolist()
    elif b == 0 and d == 0:
        c, f = float(transforms[np.argmin(left), 2]), float(transforms[np.argmin(top), 5])
    else:
        column, row = first.min(axis=0).tolist()
        c, f = c + a * column + b * row, f + d * column + e * row
    return a, b, c, d, e, f


def _other_cells(paths: Sequence[str], cells: Floats, tile: int) -> str:
    shown = ["[" + ", ".join(f"{value:.10g}" for value in cells[index].ravel()) + "]" for index in (tile, 0)]
    return f"{paths[tile]} has cells {shown[0]}, {paths[0]} has {shown[1]} (map units: east and north per column, row)"


def tell_together(found: Sequence[tuple[str, Fault]]) -> list[Fault]:
    """Faults of many tiles in few lines: what is wrong with several in the same way is told once.

    Parameters
    ----------
    found : path of the tile and its fault

    Examples
    --------
    >>> names = ["a.tif", "b.tif", "c.tif", "d.tif", "e.tif", "f.tif"]
    >>> print(*tell_together([(name, Fault("surface.crs", f"{name} states no CRS")) for name in names]))
    surface.crs: a.tif states no CRS (the same: b.tif, c.tif, d.tif and 2 more)
    """
    alike: dict[tuple[str, str, str, str], list[tuple[str, Fault]]] = {}
    for path, fault in found:
        key = fault.where, fault.what.replace(path, "\0"), fault.allowed, fault.remedy
        alike.setdefault(key, []).append((path, fault))
    groups = list(alike.values())
    told = [_once(group) for group in groups[:MOST_TOLD]]
    left_out = sum(len(group) for group in groups[MOST_TOLD:])
    if left_out:
        told.append(Fault(found[-1][1].where, f"and {left_out} more faults of tiles", remedy="mend these first"))
    return told


def _once(group: Sequence[tuple[str, Fault]]) -> Fault:
    """The first fault, with the names of some of the other tiles."""
    fault, others = group[0][1], [Path(path).name for path, _ in group[1:]]
    if not others:
        return fault
    more = f" and {len(others) - MOST_NAMED} more" * (len(others) > MOST_NAMED)
    same = f" (the same: {', '.join(others[:MOST_NAMED])}{more})"
    return Fault(fault.where, fault.what + same, fault.allowed, fault.remedy)
