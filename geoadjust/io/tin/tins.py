"""Triangulated road surfaces as sources of a job: what their files say, read whole, with an index by place.

A triangle stays as the file gives it. Where two lie over one another, or a step stands upright, the one that comes
first in the file counts.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from importlib.metadata import version
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from geoadjust.core.ring import Ring
from geoadjust.core.rules import RoadTable
from geoadjust.core.tin import TinSurface
from geoadjust.errors import Fault, InputError
from geoadjust.io.coordinates.crs import horizontal_unit_of
from geoadjust.io.coordinates.systems import System, system_of, unit_faults, vertical_unit_of_source
from geoadjust.io.fingerprint import fingerprint, joined_fingerprint
from geoadjust.io.landxml.document import ENDINGS as LANDXML
from geoadjust.io.landxml.document import LandXml, read_surface
from geoadjust.io.raster.tiles import Tile
from geoadjust.io.tin import faces
from geoadjust.io.tin.faces import FaceIndex, Mesh, MeshFacts, cut, index_faces
from geoadjust.io.tin.shot_layers import find_points, holds_points, is_layer
from geoadjust.io.tin.survey import Grid, read_survey
from geoadjust.units import factor

Floats = NDArray[np.float64]
Box = tuple[float, float, float, float]

SURVEY = (".csv",)
REACH = 0.005
"""Triangles are kept this far beyond ring and bar [m], so that rounding takes none away."""
SQUARES = 256
"""Structures are grouped by so many squares along each side of the surface."""
METRES_PER_DEGREE = 111_320.0


@dataclass(frozen=True, slots=True, eq=False)
class TinRead:
    """A surface as it was read.

    `title` is what people call it, `notes` tell what was taken and left out, `findings` what is suspect; the units and
    texts are the file's, '' where it says nothing. `mesh` has heights in the file's unit.
    """

    title: str
    notes: tuple[str, ...]
    mesh: Mesh
    system: System
    vertical_unit: str
    vertical_datum: str
    fingerprint: str
    findings: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class TinFacts:
    """What is known of a triangulated surface, and its triangles with heights in metres.

    `path` is what people call it. `density` is that of the points it was made of [1/m2].
    """

    path: str
    name: str
    crs: str
    vertical_unit: str
    vertical_datum: str
    noise: float
    density: float
    fingerprint: str
    title: str
    notes: tuple[str, ...]
    mesh: MeshFacts
    index: FaceIndex
    findings: tuple[str, ...] = ()

    @property
    def box(self) -> Box:
        """West, south, east, north in the surface's CRS."""
        return self.mesh.bounds

    @property
    def shared(self) -> tuple[str, ...]:
        """Files that a worker must see: none, its triangles travel with the task."""
        return ()

    @property
    def tiles(self) -> tuple[Tile, ...]:
        """None: it is one file."""
        return ()

    @property
    def holes(self) -> str:
        """What there are holes between, within the box."""
        return "triangles"

    def covers(self, east: Floats, north: Floats) -> NDArray[np.bool_]:
        """Where points of this surface's CRS lie on it."""
        return faces.covers(self.index, east, north)

    def box_covers(self, east: Floats, north: Floats) -> NDArray[np.bool_]:
        """Where points of this surface's CRS lie within its bounds."""
        west, south, beyond, above = self.box
        with np.errstate(invalid="ignore"):
            return np.asarray((east >= west) & (east <= beyond) & (north >= south) & (north <= above))

    def group_of(self, east: Floats, north: Floats) -> NDArray[np.int64]:
        """Number of the square in which a point lies, row by row; those outside count with the nearest."""
        west, south, beyond, above = self.box
        side = max(beyond - west, above - south) / SQUARES or 1.0
        column, row = (
            np.clip(np.nan_to_num(np.floor((value - edge) / side), nan=-1.0), -1, SQUARES).astype(np.int64)
            for value, edge in ((east, west), (north, south))
        )
        return np.asarray((row + 1) * (SQUARES + 2) + column + 1)

    def near(self, east: Floats, north: Floats, jacobians: Floats, ring: Ring) -> TinSurface:
        """The triangles under ring and bar of each structure.

        Parameters
        ----------
        east, north : (n,) in this surface's CRS
        jacobians : (n, 2, 2) surface coordinates per ground metre
        """
        return cut(self.index, east, north, jacobians, max(ring.outer_radius, ring.bar_length / 2) + REACH)

    def record(self) -> dict[str, Any]:
        """What decides a result, for the record."""
        return {
            "fingerprint": self.fingerprint,
            "surface": self.title,
            "vertical_unit": self.vertical_unit,
            "vertical_datum": self.vertical_datum,
            "faces": self.mesh.faces,
        }

    def describe(self) -> Iterator[str]:
        """What a check tells."""
        mesh = self.mesh
        yield (
            f"{self.path}, {self.title}, {mesh.faces} triangles of {mesh.vertices} points, "
            f"sides of about {mesh.edge:.3g} m, {mesh.area:.6g} m2, heights in {self.vertical_unit}"
        )
        yield from (f"{self.path}: {note}" for note in self.notes)


def is_tin(path: str | tuple[str, ...], layer: str = "") -> bool:
    """Whether a surface's path is that of a LandXML file or of survey points, a CSV or a layer of points.

    Parameters
    ----------
    layer : that the job names; '' = none

    >>> is_tin("road.xml"), is_tin("road.tif"), is_tin(("a.tif", "b.tif"))
    (True, False, False)
    """
    return isinstance(path, str) and (path.lower().endswith((*LANDXML, *SURVEY)) or holds_points(path, layer))


def describe_tin(table: RoadTable, *, where: str) -> TinFacts:
    """Read a triangulated surface named in a job.

    Raises
    ------
    InputError
        with every fault: the file or its surface cannot be read, no CRS or no unit is known, or they contradict each
        other
    """
    assert isinstance(table.path, str)
    survey = table.path.lower().endswith(SURVEY) or is_layer(table.path)
    read = _read_shots(table, where) if survey else _read_landxml(table, where)
    vertices = read.mesh.vertices.copy()
    vertices[:, 2] *= factor(read.vertical_unit)
    index = index_faces(Mesh(vertices, read.mesh.faces))
    mesh = faces.facts(index, _metres(read.system))
    if not mesh.faces:
        raise InputError(Fault(f"{where}.path", f"{table.path}: no triangle of {read.title} has an area"))
    return TinFacts(
        path=table.path,
        name=table.name or Path(table.path).stem,
        crs=read.system.wkt,
        vertical_unit=read.vertical_unit,
        vertical_datum=table.vertical_datum or read.system.vertical or read.vertical_datum,
        noise=table.noise,
        density=table.density or mesh.density,
        fingerprint=read.fingerprint,
        title=read.title,
        notes=read.notes,
        mesh=mesh,
        index=index,
        findings=read.findings,
    )


def _read_landxml(table: RoadTable, where: str) -> TinRead:
    assert isinstance(table.path, str)
    read = read_surface(table.path, table.layer, where=f"{where}.layer" if table.layer else f"{where}.path")
    system, faults = system_of(read.facts.crs, table.path, table, where)
    if system is not None:
        faults += unit_faults(read.facts.horizontal_unit, system.crs, table.path, f"{where}.crs")
    unit, more = _vertical_unit(read.facts, system, table, where)
    if faults or more:
        raise InputError([*faults, *more])
    assert system is not None
    notes = []
    if read.hidden:
        notes.append(f"{read.hidden} invisible triangles are holes")
    if read.repeated:
        notes.append(f"{read.repeated} triangles name a point twice and are left out")
    title = f"surface {read.surface.name!r}"
    datum = read.facts.vertical_datum
    return TinRead(title, tuple(notes), read.mesh, system, unit, datum, fingerprint(table.path))


def _read_shots(table: RoadTable, where: str) -> TinRead:
    assert isinstance(table.path, str)
    layer = find_points(table.path, table.layer, where=f"{where}.path") if is_layer(table.path) else None
    system, faults = system_of((layer.crs_wkt or "") if layer else "", table.path, table, where)
    unit, more = vertical_unit_of_source(system, table.path, table, where)
    if faults or more:
        raise InputError([*faults, *more])
    assert system is not None
    survey = read_survey(table, layer, Grid(system, _metres(system), unit), where=where)
    mark = fingerprint(table.path)
    if table.breaklines:
        mark = joined_fingerprint([mark, fingerprint(table.breaklines)])
    title = f"survey points by pythoncdt {version('pythoncdt')}"
    return TinRead(title, survey.notes, survey.mesh, system, unit, "", mark, survey.findings)


def _metres(system: System) -> float:
    unit = horizontal_unit_of(system.crs)
    return METRES_PER_DEGREE if unit == "degree" else factor(unit)


def _vertical_unit(facts: LandXml, system: System | None, table: RoadTable, where: str) -> tuple[str, list[Fault]]:
    """Unit of the heights: of the file, else of its CRS, else of the job; a contradiction is refused."""
    own, place = facts.vertical_unit, f"{where}.vertical_unit"
    if system is not None and own and system.unit and system.unit != own:
        what = f"{facts.path} has heights in {own}, its CRS {system.crs.name} in {system.unit}"
        return own, [Fault(place, what, remedy="state a CRS without heights, or export the file anew")]
    if own and table.vertical_unit and own != table.vertical_unit:
        what = f"the job says {table.vertical_unit}, {facts.path} says {own}"
        return own, [Fault(place, what, remedy="remove the job's, or mend the file's")]
    if system is not None and own:
        system = replace(system, unit=own)
    return (own, []) if system is None and own else vertical_unit_of_source(system, facts.path, table, where)
