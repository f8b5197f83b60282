"""A road surveyed as points with breaklines: shots filtered by their codes, and lines that triangles keep to."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from geoadjust.core.rules import RoadTable
from geoadjust.errors import Fault, InputError
from geoadjust.io.coordinates.crs import read_crs, same_crs
from geoadjust.io.coordinates.systems import System
from geoadjust.io.lines.shapes import LINES, check_kinds, read_shapes
from geoadjust.io.safe import probe_vector
from geoadjust.io.tin.faces import Mesh
from geoadjust.io.tin.shots import Shots, read_pairs, read_shots
from geoadjust.io.tin.triangulate import triangulate

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

MOST_CODES = 12


@dataclass(frozen=True, slots=True, eq=False)
class Survey:
    """A triangulated survey [CRS units; heights in the file's unit], and what a check tells of it."""

    mesh: Mesh
    notes: tuple[str, ...]


def read_survey(table: RoadTable, system: System, unit: float, *, where: str) -> Survey:
    """Shots and breaklines named in a job, triangulated.

    Parameters
    ----------
    system : CRS of the coordinates
    unit : metres per unit of the coordinates
    where : job table, for the faults

    Raises
    ------
    InputError
        as `read_shots`, `read_pairs` and `triangulate`; no shot has one of the codes; breaklines without heights
    """
    assert isinstance(table.path, str)
    shots = read_shots(table.path, table.order, where=f"{where}.path")
    taken = _ground(shots, table, where)
    points, lines = _breaklines(taken, table, system, where)
    place = f"{where}.breaklines" if len(lines) else f"{where}.path"
    found = triangulate(points, lines, table.longest_side / unit, where=place, path=table.path)
    notes = [f"{len(taken)} of {len(shots)} shots are taken{_kinds(shots)}"]
    if len(lines):
        notes.append(f"{len(lines)} pieces of breaklines are sides of triangles")
    if found.same_place:
        notes.append(f"{found.same_place} points lie where another one does; the first counts")
    if found.too_long:
        notes.append(f"{found.too_long} triangles with a side above {table.longest_side:g} m are holes")
    return Survey(found.mesh, tuple(notes))


def _ground(shots: Shots, table: RoadTable, where: str) -> Shots:
    """Shots with one of the job's codes; all where it states none."""
    if not table.codes:
        return shots
    kept = np.isin(shots.code.astype(str), [code.upper() for code in table.codes])
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


def _breaklines(shots: Shots, table: RoadTable, system: System, where: str) -> tuple[Floats, Integers]:
    """Points of shots and lines (v, 3), and the pieces of the lines (m, 2) as numbers of points."""
    if not table.breaklines:
        return shots.place, np.zeros((0, 2), dtype=np.int64)
    if table.breaklines.lower().endswith((".csv", ".txt")):
        pairs = read_pairs(table.breaklines, shots, where=f"{where}.breaklines")
        return shots.place, np.array(pairs, dtype=np.int64).reshape(-1, 2)
    vertices, line = _read_lines(table.breaklines, system, f"{where}.breaklines")
    number = len(shots) + np.arange(len(vertices))
    joined = np.flatnonzero(line[1:] == line[:-1])
    return np.vstack([shots.place, vertices]), np.stack([number[joined], number[joined + 1]], axis=1)


def _read_lines(path: str, system: System, where: str) -> tuple[Floats, Integers]:
    """Vertices (k, 3) and the line of each."""
    facts = probe_vector(path, where=where, layer=None)
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
