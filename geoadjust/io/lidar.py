"""Lidar points (LAS, LAZ) as a road surface: what the files say, and the sums of their points round structures.

A delivery is one file or many; the points are read once, file by file, and only those near a structure are kept, as
exact sums by structure and cell (`core.cloud`). Files whose bounds touch no structure are not opened for that.

Points are kept by class (2 ground, 11 road surface); what is withheld or synthetic is left out, and so is what lies
outside -500 to 9000 m. Source of classes and flags: ASPRS, LAS Specification 1.4 - R15.
"""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path

import numpy as np
import shapely
from numpy.typing import NDArray

from geoadjust.core.cloud import CloudPlan, Sums, choose_cell, lattice_point, merge_sums, plan_cells, sum_points
from geoadjust.core.ring import Ring
from geoadjust.core.rules import FinishedTable, SurfaceTable
from geoadjust.errors import Fault, InputError
from geoadjust.io.crs import horizontal_unit_of, read_crs
from geoadjust.io.fingerprint import fingerprint, fingerprint_tile
from geoadjust.io.las import LasHeader, find_clouds, read_header, read_points
from geoadjust.io.patches import HIGHEST, LOWEST
from geoadjust.io.systems import System, same_system, system_of, vertical_unit_of_source
from geoadjust.io.tiles import tell_together
from geoadjust.units import factor

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Mask = NDArray[np.bool_]

GROUND = 2
"""Class of the ground."""
PER_LENGTH, PER_DEGREE = 1e6, 1e11
"""Lattice steps per unit of length and per degree: about a micrometre, finer than any file's own steps."""
METRES_PER_DEGREE = 111_320.0
MOST_SUMS = 2_000_000
"""Sums by structure and cell that are kept in memory at a time (80 MB)."""
MOST_CLASSES = 6


@dataclass(frozen=True, slots=True)
class CloudFile:
    """A file of a delivery: its header, and whether it is still the same."""

    header: LasHeader
    fingerprint: str


@dataclass(frozen=True)
class CloudFacts:
    """What is known of a lidar delivery without reading a point. `path` is what people call it."""

    path: str
    name: str
    crs: str
    vertical_unit: str
    vertical_datum: str
    noise: float
    fingerprint: str
    files: tuple[CloudFile, ...]

    @property
    def to_metres(self) -> float:
        """Metres per vertical unit."""
        return factor(self.vertical_unit)

    @cached_property
    def _degrees(self) -> bool:
        return horizontal_unit_of(read_crs(self.crs, where="surface.crs")) == "degree"

    @property
    def per_unit(self) -> float:
        """Lattice steps per unit of the coordinates."""
        return PER_DEGREE if self._degrees else PER_LENGTH

    @cached_property
    def bounds(self) -> Floats:
        """(4, t) west, south, east, north of each file [CRS units]."""
        return np.array([file.header.bounds for file in self.files], dtype=np.float64).reshape(-1, 4).T

    @cached_property
    def _tree(self) -> shapely.STRtree:
        left, bottom, right, top = self.bounds
        return shapely.STRtree(shapely.box(left, bottom, right, top))

    @property
    def density(self) -> float:
        """Pulses per square metre by the headers: first returns over the area of the bounds, median of all files.

        A pulse that hits the bare road gives one point of the ground. Where the points do not fill the bounds, as along
        one street, there are more.
        """
        west, south, east, north = self.bounds
        if self._degrees:
            across, down = METRES_PER_DEGREE * np.cos(np.radians(south)), np.full(len(south), METRES_PER_DEGREE)
        else:
            metres = factor(horizontal_unit_of(read_crs(self.crs, where="surface.crs")))
            across = down = np.full(len(south), metres)
        area = (east - west) * across * (north - south) * down
        return float(np.median([file.header.pulses for file in self.files] / np.maximum(area, 1.0)))

    def group_of(self, east: Floats, north: Floats) -> Integers:
        """Number of the first file in whose bounds a point of this CRS lies, (n,); -1 outside all of them."""
        points, files = self._tree.query(shapely.points(east, north), predicate="intersects")
        found = np.full(len(east), len(self.files))
        np.minimum.at(found, points, files)
        return np.where(found < len(self.files), found, -1)

    def covers(self, east: Floats, north: Floats) -> Mask:
        """Where points of this CRS lie in the bounds of a file."""
        return self.group_of(east, north) >= 0


# ---------------------------------------------------------------- facts


@dataclass(frozen=True, slots=True)
class _Look:
    """What one file says."""

    file: CloudFile
    system: System
    unit: str


def describe_cloud(table: SurfaceTable | FinishedTable, *, where: str) -> CloudFacts:
    """Facts of a lidar delivery named in a job, from the headers of its files.

    Raises
    ------
    InputError
        with every fault: no such file, not LAS, cut off, no CRS, a contradicted CRS, no vertical unit; no point at all;
        files that differ in CRS, unit or datum
    """
    listing = find_clouds(table.path, where=f"{where}.path")
    looks: list[_Look] = []
    found: list[tuple[str, Fault]] = []
    for path in listing.files:
        try:
            looks.append(_look(path, table, where, single=len(listing.files) == 1))
        except InputError as error:
            found += [(path, fault) for fault in error.faults]
    found += [(look.file.header.path, fault) for look in looks[1:] for fault in _differences(looks[0], look, where)]
    if not found and not any(look.file.header.points for look in looks):
        found.append(("\0", Fault(f"{where}.path", f"{listing.path} holds no point")))
    if found:
        raise InputError(tell_together(found))
    files = tuple(look.file for look in looks if look.file.header.points)
    system = looks[0].system
    return CloudFacts(
        path=listing.path,
        name=table.name or listing.name,
        crs=system.wkt,
        vertical_unit=looks[0].unit,
        vertical_datum=table.vertical_datum or system.datum,
        noise=table.noise,
        fingerprint=_fingerprint(files),
        files=files,
    )


def _look(path: str, table: SurfaceTable | FinishedTable, where: str, *, single: bool) -> _Look:
    header = read_header(path, where=f"{where}.path")
    system, faults = system_of(header.crs, path, table, where)
    if system is not None and not system.unit:
        system = replace(system, unit=header.vertical_unit)
    unit, more = vertical_unit_of_source(system, path, table, where)
    if faults or more:
        raise InputError([*faults, *more])
    assert system is not None
    return _Look(CloudFile(header, fingerprint(path) if single else fingerprint_tile(path)), system, unit)


def _differences(first: _Look, look: _Look, where: str) -> Iterator[Fault]:
    """What a file says otherwise than the first one."""
    ours, theirs = first.system, look.system
    paths = look.file.header.path, first.file.header.path
    remedy = "write it anew like the others, or make it a surface of its own"
    if not same_system(theirs.wkt, ours.wkt, f"{where}.crs"):
        yield Fault(f"{where}.crs", f"{paths[0]} says {theirs.crs.name}, {paths[1]} says {ours.crs.name}", "", remedy)
    if look.unit != first.unit:
        what = f"{paths[0]} has heights in {look.unit}, {paths[1]} in {first.unit}"
        yield Fault(f"{where}.vertical_unit", what, "", remedy)
    if theirs.datum and ours.datum and theirs.datum != ours.datum:
        what = f"{paths[0]} states {theirs.datum}, {paths[1]} {ours.datum}"
        yield Fault(f"{where}.vertical_datum", what, "", remedy)


def _fingerprint(files: Sequence[CloudFile]) -> str:
    """One fingerprint of all files: their names without folders and their fingerprints, in order."""
    if len(files) == 1:
        return files[0].fingerprint
    lines = "".join(f"{file.fingerprint} {Path(file.header.path).name}\n" for file in files)
    sampled = any(file.fingerprint.startswith("sampled") for file in files)
    return f"{'sampled-' * sampled}sha256:{hashlib.sha256(lines.encode('utf-8', 'surrogatepass')).hexdigest()}"


def plan_cloud(facts: CloudFacts, ring: Ring, *, cell: float = 0.0, where: str) -> CloudPlan:
    """The cells round all structures of a run; `cell` [m] is stated, or 0 = by the density of the files' points.

    Raises
    ------
    InputError
        where cells would have to be larger than the ring allows
    """
    cell = cell or choose_cell(facts.density)
    if cell > ring.max_cell:
        what = f"cells of {cell:.2f} m: {facts.path} has {facts.density:.2g} pulses per square metre"
        remedy = "use a denser survey, or write cell = ... where the points fill a part of their files' bounds only"
        raise InputError(Fault(where, what, f"up to {ring.max_cell:g} m", remedy))
    return plan_cells(cell, ring, per_unit=facts.per_unit)


# ---------------------------------------------------------------- points


def gather(
    facts: CloudFacts,
    plan: CloudPlan,
    east: Floats,
    north: Floats,
    jacobians: Floats,
    *,
    classes: Collection[int] = (GROUND,),
    where: str,
) -> Iterator[Sums]:
    """Sums of the points round structures, in one pass over the files.

    They come in pieces of at most about MOST_SUMS, which are put together by `merge_sums` in any order; memory does not
    grow with the points, nor with the structures beyond their own coordinates.

    Parameters
    ----------
    east, north : (n,) covers in the cloud's CRS; NaN where there is none
    jacobians : (n, 2, 2) coordinates of the cloud's CRS per ground metre
    classes : of the points that are kept
    where : job key for the faults

    Raises
    ------
    InputError
        A file cannot be read; or near the structures there are points, and none of these classes in any file that was
        opened. A structure without points is no fault.
    """
    covers = _covers(plan, east, north, jacobians)
    seen, pending, waiting = np.zeros(256, dtype=np.int64), [], 0
    for file in facts.files:
        near = covers.near(file.header.bounds)
        if not len(near.number):
            continue
        bins = _Bins(near)
        for points in read_points(file.header.path, classes, where=f"{where}.path"):
            seen += points.classes
            pending.append(_sum_near(bins, points.east, points.north, points.height, facts.to_metres))
            waiting += len(pending[-1])
            if waiting > MOST_SUMS:
                pending = [merge_sums(pending)]
                waiting = len(pending[0])
            if waiting > MOST_SUMS // 2 and len(pending) == 1:
                yield pending.pop()
                waiting = 0
    if seen.any() and not seen[list(classes)].any():
        raise InputError(_no_class(facts, seen, classes, where))
    yield merge_sums(pending)


def _no_class(facts: CloudFacts, seen: Integers, classes: Collection[int], where: str) -> Fault:
    wanted = ", ".join(map(str, sorted(classes)))
    order = np.argsort(-seen, kind="stable")[:MOST_CLASSES]
    found = ", ".join(f"{kind} ({seen[kind]:,})" for kind in order if seen[kind])
    what = f"{facts.path} has no point of class {wanted} near the structures' files; classes found (points): {found}"
    remedy = "have the points classified (2 ground, 11 road surface), or write classes = [...] for those of the road"
    return Fault(f"{where}.classes", what, remedy=remedy)


@dataclass(frozen=True, slots=True, eq=False)
class _Covers:
    """Structures with a place: number, coordinates, ground metres per unit, how far their cells reach [CRS units]."""

    plan: CloudPlan
    number: Integers
    east: Floats
    north: Floats
    metres: Floats
    reach: Floats

    def near(self, bounds: tuple[float, float, float, float]) -> _Covers:
        """Those whose cells touch a box."""
        west, south, east, north = bounds
        on = (self.east + self.reach[0] >= west) & (self.east - self.reach[0] <= east)
        on &= (self.north + self.reach[1] >= south) & (self.north - self.reach[1] <= north)
        return _Covers(self.plan, self.number[on], self.east[on], self.north[on], self.metres[on], self.reach[:, on])


def _covers(plan: CloudPlan, east: Floats, north: Floats, jacobians: Floats) -> _Covers:
    known = np.flatnonzero(np.isfinite(east) & np.isfinite(north) & np.isfinite(jacobians).all(axis=(1, 2)))
    side = (plan.half + 0.5) * plan.cell * 1.001
    reach = np.abs(jacobians[known]).sum(axis=2).T * side
    metres = np.asarray(np.linalg.inv(jacobians[known]), dtype=np.float64)
    return _Covers(plan, known, east[known], north[known], metres, reach)


class _Bins:
    """A hash of structures by squares as large as the widest structure's cells, which lie in four of them at most."""

    def __init__(self, covers: _Covers) -> None:
        self.covers = covers
        self.side = 2.002 * covers.reach.max(axis=1)
        places = np.stack([covers.east, covers.north])
        self.corner = (places - covers.reach).min(axis=1)
        self.count = self._bin(places + covers.reach).max(axis=1) + 1
        ends = [self._bin(places + sign * covers.reach) for sign in (-1, 1)]
        keys = np.concatenate([a[0] * self.count[1] + b[1] for a in ends for b in ends])
        pairs = np.unique(np.stack([keys, np.tile(np.arange(len(covers.number)), 4)]), axis=1)
        self.member = pairs[1]
        self.key, self.first = np.unique(pairs[0], return_index=True)
        self.last = np.append(self.first[1:], len(self.member))

    def _bin(self, places: Floats) -> Integers:
        """Column and row (2, k) of squares."""
        return np.asarray(np.floor((places - self.corner[:, None]) / self.side[:, None]).astype(np.int64))

    def pairs(self, east: Floats, north: Floats) -> tuple[Integers, Integers]:
        """Points and structures (as numbers of `covers`) that lie in one square."""
        places = np.stack([east, north])
        ends = self.corner[:, None], (self.corner + self.count * self.side)[:, None]
        near = np.flatnonzero(((places >= ends[0]) & (places <= ends[1])).all(axis=0))
        column, row = self._bin(places[:, near])
        key = column * self.count[1] + row
        place = np.minimum(np.searchsorted(self.key, key), len(self.key) - 1)
        hit = self.key[place] == key
        near, place = near[hit], place[hit]
        count = self.last[place] - self.first[place]
        ahead = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)
        return np.repeat(near, count), self.member[np.repeat(self.first[place], count) + ahead]


def _sum_near(bins: _Bins, east: Floats, north: Floats, height: Floats, to_metres: float) -> Sums:
    """Sums of points (k,) [units of the file] by structure and cell."""
    covers = bins.covers
    plan = covers.plan
    point, who = bins.pairs(east, north)
    right, up = lattice_point(east[point], north[point], plan.per_unit)
    off_east, off_north = right / plan.per_unit - covers.east[who], up / plan.per_unit - covers.north[who]
    metres = covers.metres[who]
    column = np.floor((metres[:, 0, 0] * off_east + metres[:, 0, 1] * off_north) / plan.cell + 0.5) + plan.half
    row = np.floor((metres[:, 1, 0] * off_east + metres[:, 1, 1] * off_north) / plan.cell + 0.5) + plan.half
    level = height[point] * to_metres
    on = (column >= 0) & (row >= 0) & (column < plan.size) & (row < plan.size) & (level >= LOWEST) & (level <= HIGHEST)
    point, who = point[on], who[on]
    place = row[on].astype(np.int64) * plan.size + column[on].astype(np.int64)
    corner = lattice_point(covers.east[who], covers.north[who], plan.per_unit)
    return sum_points(
        covers.number[who] * plan.size**2 + place,
        right[on] - corner[0],
        up[on] - corner[1],
        np.rint(height[point] * plan.per_height).astype(np.int64),
    )


# ---------------------------------------------------------------- kept on disk


def spill_sums(pieces: Iterable[Sums], folder: Path, ends: Sequence[int], plan: CloudPlan) -> None:
    """Keep the pieces of `gather` by runs of structures: run c is those from ends[c - 1] (0 of the first) to ends[c].

    One file per piece and run that has points; a run is read back by `recall_sums`.
    """
    for number, piece in enumerate(pieces):
        first = 0
        for run, last in enumerate(ends):
            part = piece.between(first, last, plan)
            if len(part):
                np.save(folder / f"{run}-{number}.npy", np.vstack([part.key, part.total]))
            first = last


def recall_sums(folder: Path, run: int) -> Sums:
    """The sums of one run of structures, which count from 0 in it."""
    found = [np.load(path) for path in folder.glob(f"{run}-*.npy")]
    return merge_sums([Sums(table[0], table[1:]) for table in found])
