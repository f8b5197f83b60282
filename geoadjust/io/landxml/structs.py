"""Structures of the pipe networks of a LandXML file, as plain columns in the file's units."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from geoadjust.errors import Fault, InputError
from geoadjust.io.landxml.document import Units, read_crs_text, read_units
from geoadjust.io.landxml.meshes import finite_number
from geoadjust.io.landxml.stream import Attributes, Node, walk_through

Floats = NDArray[np.float64]

KINDS = {
    "CircStruct": "circular",
    "RectStruct": "rectangular",
    "InletStruct": "inlet",
    "OutletStruct": "outlet",
    "Connection": "connection",
}
"""Element that says what a structure is -> our word."""
NUMBERS = ("east", "north", "elevation", "elev_rim", "elev_sump", "diameter", "length", "width")
TEXTS = ("name", "network", "kind", "desc", "state", "case", "material")
MOST_FAULTS = 10


@dataclass(frozen=True, slots=True, eq=False)
class Structs:
    """Structures of all networks, in the order of the file.

    Numbers are (n,) arrays in the file's units, NaN where nothing is stated; texts are lists, '' where nothing is
    stated. Units are ``m``, ``ft``, ``us-ft`` (sizes ``mm``, ``cm``, ``in`` too), or '' where the file leaves them
    open.

    Parameters
    ----------
    name, network : of the structure, and of its network
    kind : circular, rectangular, inlet, outlet, connection
    east, north, elevation : of its centre [horizontal_unit, vertical_unit]
    elev_rim, elev_sump : rim, and the lowest place inside, which is not a bearing [vertical_unit]
    diameter : of a circular structure [diameter_unit]
    length, width : of a rectangular one; the schema does not say in which unit
    desc, state, case, material : description; existing, proposed ...; of an inlet; of the wall
    crs : EPSG:..., WKT, or ''
    """

    name: list[str]
    network: list[str]
    kind: list[str]
    east: Floats
    north: Floats
    elevation: Floats
    elev_rim: Floats
    elev_sump: Floats
    diameter: Floats
    length: Floats
    width: Floats
    desc: list[str]
    state: list[str]
    case: list[str]
    material: list[str]
    horizontal_unit: str
    vertical_unit: str
    diameter_unit: str
    width_unit: str
    crs: str

    def __len__(self) -> int:
        return len(self.name)


def read_structs(path: str | Path, *, where: str) -> Structs:
    """Read every structure of every pipe network.

    A centre that names a point (pntRef) takes the coordinates of the point of that name in the file's CgPoints; where
    there is none, or several that differ, it stays NaN. Units inside Structs go before those of the file.

    Raises
    ------
    InputError
        The file cannot be read as LandXML; a value that is no number; networks in different units.
    """
    return _Structs(path, where).read()


class _Structs:
    def __init__(self, path: str | Path, where: str) -> None:
        root = Node()
        root.add("CoordinateSystem", Node(begin=self._system))
        structs = root.add("PipeNetworks/PipeNetwork", Node(begin=self._network)).add(
            "Structs", Node(begin=self._block)
        )
        for name in ("Metric", "Imperial"):
            root.add(f"Units/{name}", Node(begin=self._file_units))
            structs.add(f"Units/{name}", Node(begin=self._block_units))
        struct = structs.add("Struct", Node(begin=self._struct))
        struct.add("Center", Node(begin=self._refer, finish=self._centre, text=True))
        for name, kind in KINDS.items():
            struct.add(name, Node(begin=lambda attributes, kind=kind: self._kind(kind, attributes)))  # type: ignore[misc]
        root.add("CgPoints/CgPoint", Node(begin=self._name_point, finish=self._point, text=True))
        self._walk = walk_through(root, path, where=where)
        self._name = self._crs = self._point_name = ""
        self._units: Units | None = None
        self._blocks: list[Units | None] = []
        self._used: set[int] = set()
        self._rows: list[dict[str, str]] = []
        self._points: dict[str, str | None] = {}
        self._faults: list[Fault] = []

    def read(self) -> Structs:
        self._walk.run()
        numbers = np.array([self._numbers(row) for row in self._rows], dtype=np.float64).reshape(-1, len(NUMBERS))
        units = self._agreed_units()
        if self._faults:
            raise InputError(self._faults[:MOST_FAULTS])
        texts: dict[str, Any] = {name: [row.get(name, "") for row in self._rows] for name in TEXTS}
        columns: dict[str, Any] = {name: np.ascontiguousarray(numbers[:, place]) for place, name in enumerate(NUMBERS)}
        return Structs(
            **texts,
            **columns,
            horizontal_unit=units.horizontal,
            vertical_unit=units.vertical,
            diameter_unit=units.diameter,
            width_unit=units.width,
            crs=self._crs,
        )

    def _system(self, attributes: Attributes) -> None:
        self._crs = self._crs or read_crs_text(attributes)

    def _file_units(self, attributes: Attributes) -> None:
        units = read_units(attributes, self._walk)
        if self._units not in (None, units):
            self._walk.refuse(f"states its units twice, and differently, line {self._walk.line}")
        self._units = units

    def _block(self, _: Attributes) -> None:
        self._blocks.append(None)

    def _block_units(self, attributes: Attributes) -> None:
        self._blocks[-1] = read_units(attributes, self._walk)

    def _network(self, attributes: Attributes) -> None:
        self._name = attributes.get("name", "")

    def _struct(self, attributes: Attributes) -> None:
        wanted = {"name": "name", "desc": "desc", "state": "state", "elev_rim": "elevRim", "elev_sump": "elevSump"}
        row = {ours: attributes.get(theirs, "") for ours, theirs in wanted.items()}
        self._rows.append({**row, "network": self._name, "line": str(self._walk.line)})
        self._used.add(len(self._blocks) - 1)

    def _kind(self, kind: str, attributes: Attributes) -> None:
        row = self._rows[-1]
        if "kind" not in row:
            row["kind"] = kind
            row["case"] = attributes.get("inletCase", "")
            row |= {name: attributes.get(name, "") for name in ("diameter", "length", "width", "material")}

    def _refer(self, attributes: Attributes) -> None:
        self._rows[-1]["point"] = attributes.get("pntRef", "").strip()

    def _centre(self, text: str) -> None:
        self._rows[-1]["centre"] = text

    def _name_point(self, attributes: Attributes) -> None:
        self._point_name = attributes.get("name", "").strip()

    def _point(self, text: str) -> None:
        """Keep a point by its name; None where another of the same name lies elsewhere."""
        text = " ".join(text.split())
        if self._points.setdefault(self._point_name, text) != text:
            self._points[self._point_name] = None

    def _numbers(self, row: dict[str, str]) -> list[float]:
        """One row in the order of NUMBERS."""
        text = row.get("centre", "").split() or (self._points.get(row.get("point", "")) or "").split()
        if len(text) not in (0, 2, 3):
            self._faults.append(
                self._fault(row, f"the centre {' '.join(text)[:60]!r}, not northing, easting, elevation")
            )
            text = []
        values = dict(zip(("north", "east", "elevation"), text, strict=False))
        return [self._number(row, name, values.get(name, row.get(name, ""))) for name in NUMBERS]

    def _number(self, row: dict[str, str], name: str, text: str) -> float:
        text = text.strip()
        if text in ("", "NaN"):
            return math.nan
        value = finite_number(text)
        if math.isnan(value):
            self._faults.append(self._fault(row, f"{name} {text[:40]!r}, not a number"))
        return value

    def _fault(self, row: dict[str, str], what: str) -> Fault:
        place = f"structure {row['name']!r}, line {row['line']}"
        return Fault(self._walk.where, f"{self._walk.path}: {place}, has {what}", remedy="mend it, or export it again")

    def _agreed_units(self) -> Units:
        """The units that hold for all structures."""
        stated = {self._blocks[block] or self._units or Units() for block in self._used}
        if len(stated) > 1:
            what = f"{self._walk.path} has pipe networks in different units"
            self._faults.append(Fault(self._walk.where, what, remedy="export them one by one"))
        return stated.pop() if stated else self._units or Units()
