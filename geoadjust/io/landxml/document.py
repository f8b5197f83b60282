"""LandXML: triangulated surfaces, the structures of pipe networks, and what the file says of units and CRS.

National profiles with a namespace of their own are read like the version that they build on.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from geoadjust.errors import Fault, InputError
from geoadjust.io.landxml.head import Head, Units
from geoadjust.io.landxml.meshes import Geometry, is_hidden
from geoadjust.io.landxml.stream import Attributes, Node, shown, walk_through
from geoadjust.io.tin.faces import Mesh

ENDINGS = (".xml", ".landxml")
LISTED = 10
"""Surfaces that a fault lists by name."""
MOST_SURFACES = 10_000
"""Surfaces of a file; every one is kept by name."""


@dataclass(frozen=True, slots=True)
class SurfaceFacts:
    """What is known of one surface without its geometry.

    `kind` is ``TIN``, ``grid``, or '' where there is no definition, only the data that one is made from. `faces` are
    those of a TIN, without invisible ones.
    """

    name: str
    points: int
    faces: int
    kind: str

    @property
    def usable(self) -> bool:
        """Whether it has triangles."""
        return self.kind == "TIN" and self.points > 0 and self.faces > 0

    def __str__(self) -> str:
        kind = "" if self.kind == "TIN" else f", {self.kind or 'no definition'}"
        return f"{shown(self.name)} ({self.points} points, {self.faces} faces{kind})"


@dataclass(frozen=True, slots=True)
class LandXml:
    """What a file says of itself.

    `horizontal_unit` and `vertical_unit` are ``m``, ``ft``, ``us-ft``, or '' where the file leaves it open. `crs` is
    ``EPSG:...``, WKT, or ''. `vertical_datum` is a name as it stands, or ''. `structs` counts structures.
    """

    path: str
    version: str
    horizontal_unit: str
    vertical_unit: str
    crs: str
    vertical_datum: str
    surfaces: tuple[SurfaceFacts, ...]
    structs: int


@dataclass(frozen=True, slots=True, eq=False)
class SurfaceRead:
    """A surface with its geometry.

    Parameters
    ----------
    facts : of the whole file
    surface : the one that was read
    mesh : heights in the file's vertical unit
    hidden : faces left out because the file calls them invisible (holes)
    repeated : faces left out because they name a point twice
    """

    facts: LandXml
    surface: SurfaceFacts
    mesh: Mesh
    hidden: int
    repeated: int


def describe_landxml(path: str | Path, *, where: str) -> LandXml:
    """What a file says and which surfaces it has, in one pass that holds no geometry.

    Raises
    ------
    InputError
        The file cannot be read as LandXML, or states an unknown unit.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.NamedTemporaryFile("w", suffix=".xml") as file:
    ...     _ = file.write('<LandXML version="1.2"><Surfaces><Surface name="EG"/></Surfaces></LandXML>')
    ...     file.flush()
    ...     describe_landxml(file.name, where="surface.path").surfaces
    (SurfaceFacts(name='EG', points=0, faces=0, kind=''),)
    """
    return _Reader(path, where, lambda name: False).facts()


def read_surface(path: str | Path, name: str = "", *, where: str) -> SurfaceRead:
    """Read one surface, and what was left out of it.

    Parameters
    ----------
    path : str or path
    name : str
        As it stands in the file; '' where the file has one surface with triangles.
    where : str
        Job key for the fault.

    Raises
    ------
    InputError
        As `describe_landxml`; no such surface, several, or one without triangles; points that are not three finite
        numbers or share an id; faces that are not three ids of points.
    """
    reader = _Reader(path, where, lambda found: name in ("", found))
    facts = reader.facts()
    surface = _choose(facts, name, where)
    geometry = reader.taken
    assert geometry is not None
    mesh = geometry.mesh(where, f"{facts.path}: surface {shown(surface.name)}")
    return SurfaceRead(facts, surface, mesh, geometry.hidden, geometry.repeated)


def read_mesh(path: str | Path, name: str = "", *, where: str) -> Mesh:
    """Mesh of one surface: easting, northing and height in the file's units; see `read_surface`."""
    return read_surface(path, name, where=where).mesh


def _choose(facts: LandXml, name: str, where: str) -> SurfaceFacts:
    """The surface that is named, or the only one with triangles."""
    named = [surface for surface in facts.surfaces if name in ("", surface.name)]
    usable = [surface for surface in named if surface.usable]
    listed = _listing(facts.surfaces)
    if not facts.surfaces:
        raise InputError(Fault(where, f"{facts.path} has no surface", remedy="export the surface with the file"))
    if not named:
        what = f"{facts.path} has no surface {shown(name)}"
        raise InputError(Fault(where, what, listed, 'write layer = "..."'))
    if name and len(named) > 1:
        what = f"{facts.path} has {len(named)} surfaces {shown(name)}"
        raise InputError(Fault(where, what, remedy="give them different names, or export one of them"))
    if len(usable) > 1:
        different = len({surface.name for surface in usable} - {""}) == len(usable)
        remedy = 'write layer = "..."' if different else "give each a name of its own, or export one of them"
        raise InputError(Fault(where, f"{facts.path} has several surfaces", listed, remedy))
    if not usable:
        raise InputError(_unusable(facts.path, named, where))
    return usable[0]


def _listing(surfaces: tuple[SurfaceFacts, ...] | list[SurfaceFacts]) -> str:
    more = f" and {len(surfaces) - LISTED} more" if len(surfaces) > LISTED else ""
    return ", ".join(str(surface) for surface in surfaces[:LISTED]) + more


def _unusable(path: str, surfaces: list[SurfaceFacts], where: str) -> Fault:
    if len(surfaces) > 1:
        what = f"{path} has no surface with triangles: {_listing(surfaces)}"
        return Fault(where, what, "a TIN", "triangulate the surface and export its triangles")
    surface = surfaces[0]
    if surface.kind == "grid":
        what, remedy = "is a grid, not triangles", "export it as a TIN, or as a GeoTIFF"
    elif not surface.kind:
        what, remedy = "has only the data that triangles are made from", "triangulate it and export its triangles"
    else:
        what = f"is empty: {surface.points} points, {surface.faces} visible faces"
        remedy = "export its points and its triangles"
    return Fault(where, f"{path}: surface {shown(surface.name)} {what}", "a TIN", remedy)


class _Reader:
    """Facts of the whole file, and the geometry of the first surface with triangles whose name is wanted."""

    def __init__(self, path: str | Path, where: str, wanted: Callable[[str], bool]) -> None:
        root = Node(begin=self._file)
        self._walk = walk_through(root, path, where=where)
        self._head = Head(root, self._walk)
        root.add("PipeNetworks/PipeNetwork/Structs/Struct", Node(begin=self._struct))
        surface = root.add("Surfaces/Surface", Node(begin=self._begin, finish=self._finish))
        definition = surface.add("Definition", Node(begin=self._define))
        self._point = definition.add("Pnts/P", Node(text=True))
        self._face = definition.add("Faces/F", Node(text=True))
        self._wanted = wanted
        self._version = ""
        self._structs = self._points = self._faces = 0
        self._name = self._kind = ""
        self._surfaces: list[SurfaceFacts] = []
        self._geometry: Geometry | None = None
        self.taken: Geometry | None = None

    def facts(self) -> LandXml:
        """Read the file."""
        self._walk.run()
        units = self._head.units or Units()
        return LandXml(
            path=str(self._walk.path),
            version=self._version,
            horizontal_unit=units.horizontal,
            vertical_unit=units.vertical,
            crs=self._head.crs,
            vertical_datum=self._head.datum,
            surfaces=tuple(self._surfaces),
            structs=self._structs,
        )

    def _file(self, attributes: Attributes) -> None:
        self._version = attributes.get("version", "").strip()

    def _struct(self, _: Attributes) -> None:
        self._structs += 1

    def _begin(self, attributes: Attributes) -> None:
        if len(self._surfaces) == MOST_SURFACES:
            self._walk.refuse(f"has more than {MOST_SURFACES} surfaces, line {self._walk.line}")
        self._name, self._kind = attributes.get("name", ""), ""
        self._points = self._faces = 0
        self._geometry = None

    def _define(self, attributes: Attributes) -> None:
        """Count, or gather where the surface is wanted and has triangles; without a surfType it has."""
        self._kind = "grid" if attributes.get("surfType", "TIN").strip().lower() == "grid" else "TIN"
        if self._kind == "TIN" and self.taken is None and self._wanted(self._name):
            self._geometry = self._geometry or Geometry(self._walk)
            self._point.begin, self._point.finish = self._geometry.begin_point, self._geometry.end_point
            self._face.begin, self._face.finish = self._geometry.begin_face, self._geometry.end_face
        else:
            self._point.begin, self._point.finish = self._count_point, None
            self._face.begin, self._face.finish = self._count_face, None

    def _count_point(self, _: Attributes) -> None:
        self._points += 1

    def _count_face(self, attributes: Attributes) -> None:
        self._faces += not is_hidden(attributes.get("i", ""))

    def _finish(self, _: str) -> None:
        if self._geometry is not None:
            self._points, self._faces = self._geometry.counts()
        faces = self._faces if self._kind == "TIN" else 0
        surface = SurfaceFacts(self._name, self._points, faces, self._kind)
        self._surfaces.append(surface)
        if self._geometry is not None and surface.usable:
            self.taken = self._geometry
        self._geometry = None
