"""A road surveyed as points with breaklines: shots filtered by their codes, and lines that triangles keep to."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from geoadjust.core.rules import RoadTable
from geoadjust.errors import Fault, InputError
from geoadjust.io.coordinates.crs import horizontal_unit_of, read_crs, same_crs
from geoadjust.io.coordinates.systems import System
from geoadjust.io.lines.shapes import LINES, check_kinds, read_shapes
from geoadjust.io.safe import VectorFacts
from geoadjust.io.tin.busts import find_busts
from geoadjust.io.tin.faces import Mesh
from geoadjust.io.tin.shot_layers import find_layer, read_shot_layer
from geoadjust.io.tin.shots import Shots, has_code, read_pairs, read_shots
from geoadjust.io.tin.triangulate import Triangulated, find_neighbours, triangulate
from geoadjust.units import factor

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Mask = NDArray[np.bool_]

PAIRS = (".csv", ".txt")
MOST_CODES = 12
MOST_BUSTS = 5
SAME_PLACE = 1e-3
"""A vertex of a breakline this near a shot stands for it [m]."""


@dataclass(frozen=True, slots=True)
class Grid:
    """Units of a survey.

    Parameters
    ----------
    system : CRS of the coordinates
    metres : metres per unit of northing
    vertical : unit of the heights
    """

    system: System
    metres: float
    vertical: str

    @property
    def degrees(self) -> bool:
        """Whether the coordinates are longitude and latitude."""
        return horizontal_unit_of(self.system.crs) == "degree"

    def scale(self, points: Floats) -> tuple[float, float]:
        """Metres per unit of easting and northing, at the middle of the points; of degrees those of a sphere."""
        if not self.degrees:
            return self.metres, self.metres
        middle = (points[:, 1].min() + points[:, 1].max()) / 2
        return self.metres * max(math.cos(math.radians(middle)), 0.01), self.metres

    def place(self, east: float, north: float) -> str:
        """A place in words."""
        digits = 7 if self.degrees else 2
        return f"{east:.{digits}f} east, {north:.{digits}f} north"


@dataclass(frozen=True, slots=True, eq=False)
class Survey:
    """A triangulated survey [CRS units; heights in the file's unit], what a check tells of it, and what is suspect."""

    mesh: Mesh
    notes: tuple[str, ...]
    findings: tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False)
class _Lines:
    """Points of shots and breaklines (v, 3); pieces (m, 2) of breaklines as numbers of points; what is to be told."""

    points: Floats
    pieces: Integers
    notes: tuple[str, ...] = ()


def read_survey(table: RoadTable, layer: VectorFacts | None, grid: Grid, *, where: str) -> Survey:
    """Shots and breaklines named in a job, triangulated.

    Parameters
    ----------
    layer : of points; None where the shots are a CSV
    where : job table, for the faults

    Raises
    ------
    InputError
        as `read_shots`, `read_shot_layer`, `read_pairs` and `triangulate`; no shot has one of the codes; breaklines
        without heights
    """
    assert isinstance(table.path, str)
    paired = table.breaklines.lower().endswith(PAIRS)
    if layer is None:
        shots = read_shots(table.path, table.order, where=f"{where}.path", codes=table.codes)
    else:
        shots = read_shot_layer(layer, where=where, codes=table.codes, numbered=paired)
    taken = _ground(shots, table, where)
    scale = grid.scale(taken.place)
    off = _look_for_busts(taken, table, scale, factor(grid.vertical), where)
    lines = _breaklines(taken, off if table.busts == "leave_out" else np.full(len(off), np.nan), table, grid, where)
    place = f"{where}.breaklines" if len(lines.pieces) else f"{where}.path"
    found = triangulate(lines.points, lines.pieces, table.longest_side, where=place, path=table.path, scale=scale)
    notes = (*_taken_notes(taken, shots), *lines.notes, *_triangle_notes(lines, found, table))
    return Survey(found.mesh, notes, tuple(_bust_notes(taken, off, table, grid)))


def _taken_notes(taken: Shots, shots: Shots) -> Iterator[str]:
    yield f"{len(taken)} of {len(shots)} shots are taken{_kinds(shots)}"
    if shots.lacking:
        yield f"{shots.lacking} further shots, of other codes, lack a coordinate"


def _triangle_notes(lines: _Lines, found: Triangulated, table: RoadTable) -> Iterator[str]:
    if len(lines.pieces):
        yield f"{len(lines.pieces)} pieces of breaklines are sides of triangles"
    if found.same_place:
        yield f"{found.same_place} points lie where another one does; the first counts"
    if found.too_long:
        yield f"{found.too_long} triangles with a side above {table.longest_side:g} m are holes"


def _ground(shots: Shots, table: RoadTable, where: str) -> Shots:
    """Shots with one of the job's codes; all where it states none."""
    if not table.codes:
        return shots
    kept = has_code(shots.code, table.codes)
    if not kept.any():
        what = f"no shot of {table.path} has one of the codes{_kinds(shots)}"
        raise InputError(Fault(f"{where}.codes", what, remedy="write the codes of the road's shots"))
    return shots.take(kept)


def _kinds(shots: Shots) -> str:
    """Codes with their numbers, in words."""
    codes, counts = np.unique(shots.code.astype(str), return_counts=True)
    order = np.argsort(-counts, kind="stable")[:MOST_CODES]
    listed = ", ".join(f"{codes[i] or 'none'} {counts[i]}" for i in order)
    return f"; codes: {listed}{', ...' * (len(codes) > MOST_CODES)}"


def _look_for_busts(shots: Shots, table: RoadTable, scale: tuple[float, float], foot: float, where: str) -> Floats:
    """How far shots that may be busts lie above their neighbours (n,) [file's unit]; NaN for all others.

    Of shots at one place the first is looked at.

    Parameters
    ----------
    foot : metres per unit of heights
    """
    assert isinstance(table.path, str)
    found = find_neighbours(shots.place, table.longest_side, where=f"{where}.path", path=table.path, scale=scale)
    points = np.column_stack([found.flat, shots.place[found.first, 2]])
    off = np.full(len(shots), np.nan)
    off[found.first] = find_busts(points, found.sides, table.bust_limit / foot)
    return off


def _bust_notes(shots: Shots, off: Floats, table: RoadTable, grid: Grid) -> Iterator[str]:
    """How many shots may be busts, and the first few, the largest first."""
    order = np.argsort(-np.abs(off), kind="stable")[: int(np.isfinite(off).sum())]
    if not len(order):
        return
    listed = []
    for i in order[:MOST_BUSTS]:
        east, north, _ = shots.place[i].tolist()
        side = "above" if off[i] > 0 else "below"
        name = f"point {shots.number[i]}" if shots.number[i] else "a point"
        size = f"about {abs(off[i]):.2f} {grid.vertical} {side} its neighbours"
        listed.append(f"{name} {size} at {grid.place(east, north)}")
    more = f"; and {len(order) - MOST_BUSTS} more" if len(order) > MOST_BUSTS else ""
    left_out = table.busts == "leave_out"
    done = "left out" if left_out else 'kept; look at them, or write busts = "leave_out"'
    yield f"{len(order)} shots may be busts and are {done}: {'; '.join(listed)}{more}"


def _breaklines(shots: Shots, off: Floats, table: RoadTable, grid: Grid, where: str) -> _Lines:
    """Shots that are not left out, with the breaklines; a breakline is broken where a shot of it is left out.

    Parameters
    ----------
    off : (n,) NaN for each shot that stays
    """
    gone = np.isfinite(off)
    if not table.breaklines:
        return _Lines(shots.place[~gone], np.zeros((0, 2), dtype=np.int64))
    if table.breaklines.lower().endswith(PAIRS):
        pairs = read_pairs(table.breaklines, shots, where=f"{where}.breaklines")
        return _without(shots.place, gone, np.array(pairs, dtype=np.int64).reshape(-1, 2))
    vertices, line = _read_lines(table.breaklines, grid.system, f"{where}.breaklines")
    number = len(shots) + np.arange(len(vertices))
    joined = np.flatnonzero(line[1:] == line[:-1])
    there = _at(vertices, shots.place[gone], np.abs(off[gone]) / 2, grid.scale(shots.place))
    pieces = np.stack([number[joined], number[joined + 1]], axis=1)
    return _without(np.vstack([shots.place, vertices]), np.concatenate([gone, there]), pieces)


def _without(points: Floats, gone: Mask, pieces: Integers) -> _Lines:
    """The points that stay, and the pieces between them."""
    broken = gone[pieces].any(axis=1)
    number = np.cumsum(~gone) - 1
    what = f"{int(broken.sum())} pieces of breaklines that end in a shot that is left out are left out too"
    return _Lines(points[~gone], number[pieces[~broken]], (what,) * bool(broken.any()))


def _at(vertices: Floats, places: Floats, near: Floats, scale: tuple[float, float]) -> Mask:
    """Which vertices (k,) lie within a millimetre of one of some places in plan, and within `near` of it in height."""
    found = np.zeros(len(vertices), dtype=bool)
    for place, high in zip(places, near, strict=True):
        way = vertices - place
        found |= (np.hypot(way[:, 0] * scale[0], way[:, 1] * scale[1]) <= SAME_PLACE) & (np.abs(way[:, 2]) <= high)
    return found


def _read_lines(path: str, system: System, where: str) -> tuple[Floats, Integers]:
    """Vertices (k, 3) and the line of each."""
    facts = find_layer(path, "", LINES, where=where, remedy="keep the breaklines in a file of their own")
    wkb, _ = read_shapes(facts, where=where)
    faults = check_kinds(wkb, facts, LINES, where=where, remedy="give lines with heights")
    own = read_crs(facts.crs_wkt, where=where) if facts.crs_wkt else None
    if own is not None and not same_crs(own, system.crs):
        what = f"{path} is in {own.name}, the survey in {system.crs.name}"
        faults.append(Fault(where, what, remedy="bring the breaklines into the survey's CRS"))
    if faults:
        raise InputError(faults)
    geometries = shapely.get_parts(shapely.from_wkb([geometry for geometry in wkb if geometry is not None]))
    vertices, line = shapely.get_coordinates(geometries, include_z=True, return_index=True)
    if not np.isfinite(vertices).all():
        bad = int((~np.isfinite(vertices).all(axis=1)).sum())
        what = f"{path}: {bad} of {len(vertices)} vertices have no height"
        raise InputError(Fault(where, what, remedy="give lines with heights, or pairs of point numbers as a CSV"))
    return vertices, line
