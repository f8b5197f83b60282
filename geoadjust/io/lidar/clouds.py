"""Lidar points (LAS, LAZ) as a road surface: what the files of a delivery say.

A delivery is one file or many. Points are kept by class (2 ground, 11 road surface); what is withheld or synthetic is
left out, and so is what lies outside -500 to 9000 m. Source of classes and flags: ASPRS, LAS Specification 1.4 - R15.
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

from geoadjust.core.cloud import CloudPlan, choose_cell, plan_cells
from geoadjust.core.ring import Ring
from geoadjust.core.rules import RoadTable
from geoadjust.errors import Fault, InputError
from geoadjust.io.coordinates.crs import horizontal_unit_of, read_crs
from geoadjust.io.coordinates.systems import System, same_system, system_of, vertical_unit_of_source
from geoadjust.io.fingerprint import fingerprint, fingerprint_tile
from geoadjust.io.lidar.las import LasHeader, find_clouds, read_header
from geoadjust.io.raster.tiles import Tile, tell_together
from geoadjust.units import factor

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Mask = NDArray[np.bool_]

GROUND = 2
"""Class of the ground."""
PER_LENGTH, PER_DEGREE = 1e6, 1e11
"""Lattice steps per unit of length and per degree: about a micrometre, finer than any file's own steps."""
METRES_PER_DEGREE = 111_320.0


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
    classes: tuple[int, ...] = (GROUND,)
    cell: float = 0.0

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

    @property
    def shared(self) -> tuple[str, ...]:
        """Files that a worker must see: none, the sums of their points travel with the task."""
        return ()

    @property
    def tiles(self) -> tuple[Tile, ...]:
        """None of a raster."""
        return ()

    @property
    def box(self) -> tuple[float, float, float, float]:
        """West, south, east, north of all files in their CRS."""
        west, south, east, north = self.bounds
        return float(west.min()), float(south.min()), float(east.max()), float(north.max())

    @property
    def holes(self) -> str:
        """What there may be holes between, within the box."""
        return "files" if len(self.files) > 1 else ""

    def box_covers(self, east: Floats, north: Floats) -> Mask:
        """Where points of this CRS lie within the bounds of all files together."""
        west, south, beyond, above = self.box
        with np.errstate(invalid="ignore"):
            return np.asarray((east >= west) & (east <= beyond) & (north >= south) & (north <= above))

    def record(self) -> dict[str, Any]:
        """What decides a result, for the record."""
        return {
            "fingerprint": self.fingerprint,
            "classes": list(self.classes),
            "cell": self.cell,
            "vertical_unit": self.vertical_unit,
            "vertical_datum": self.vertical_datum,
            "files": len(self.files),
        }

    def describe(self) -> Iterator[str]:
        """What a check tells."""
        points = sum(file.header.points for file in self.files)
        count = f" in {len(self.files)} files" * (len(self.files) > 1)
        cell = self.cell or choose_cell(self.density)
        kept = ", ".join(map(str, self.classes))
        yield (
            f"{self.path}, {points:,} points{count}, {self.density:.3g} pulses per square metre, classes {kept}, "
            f"averaged in cells of {cell:.3g} m, heights in {self.vertical_unit}"
        )

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


def describe_cloud(table: RoadTable, *, where: str) -> CloudFacts:
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
        vertical_datum=table.vertical_datum or system.vertical,
        noise=table.noise,
        fingerprint=_fingerprint(files),
        files=files,
        classes=table.classes,
        cell=table.cell,
    )


def _look(path: str, table: RoadTable, where: str, *, single: bool) -> _Look:
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
