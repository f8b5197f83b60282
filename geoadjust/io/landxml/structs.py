"""Structures of the pipe networks of a LandXML file, as plain columns in the file's units."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from geoadjust.io.landxml.head import Head, Units, add_units, read_units
from geoadjust.io.landxml.meshes import sensible_number
from geoadjust.io.landxml.stream import Attributes, Node, shown, walk_through

Floats = NDArray[np.float64]

KINDS = {
    "CircStruct": "circular",
    "RectStruct": "rectangular",
    "InletStruct": "inlet",
    "OutletStruct": "outlet",
    "Connection": "connection",
    "Pond": "pond",
}
"""Element that says what a structure is -> our word."""
NUMBERS = ("east", "north", "elevation", "elev_rim", "elev_sump", "diameter", "length", "width")
TEXTS = ("name", "network", "kind", "desc", "state", "case", "material")
MOST_STRUCTS = 1_000_000
"""Structures of a file; every one is kept."""
_PLACE = ("north", "east", "elevation")
_OWN = {"name": "name", "desc": "desc", "state": "state", "elev_rim": "elevRim", "elev_sump": "elevSump"}
_OF_KIND = {"case": "inletCase", **{name: name for name in ("diameter", "length", "width", "material")}}
_HELD = ("name", "network", "kind", "elev_rim", "elev_sump", "desc", "state", *_OF_KIND, "centre", "point")


@dataclass(frozen=True, slots=True, eq=False)
class Structs:
    """Structures of all networks, in the order of the file.

    Numbers are (n,) arrays in the file's units, NaN where nothing is stated; texts are lists, '' where nothing is
    stated. Units are ``m``, ``ft``, ``us-ft`` (sizes ``mm``, ``cm``, ``in`` too), or '' where the file leaves them
    open.

    Parameters
    ----------
    name, network : of the structure, and of its network
    kind : circular, rectangular, inlet, outlet, connection, pond
    east, north, elevation : of its centre [horizontal_unit, vertical_unit]
    elev_rim, elev_sump : rim, and the lowest place inside, which is not a bearing [vertical_unit]
    diameter : of a circular structure [diameter_unit]
    length, width : of a rectangular one; the schema does not say in which unit
    desc, state, case, material : description; existing, proposed ...; of an inlet; of the wall
    crs : EPSG:..., WKT, or ''
    unread : of a column with values that are no numbers: row -> the text that stands there; NaN in the column
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
    unread: dict[str, dict[int, str]] = field(default_factory=dict)

    def __len__(self) -> int:
        return len(self.name)


def read_structs(path: str | Path, *, where: str) -> Structs:
    """Read every structure of every pipe network.

    A centre that names a point (pntRef) takes the coordinates of the point of that name in the file's CgPoints; where
    there is none, or several that differ, it stays NaN. So does a centre that cannot be read. Units inside Structs go
    before those of the file.

    Raises
    ------
    InputError
        The file cannot be read as LandXML; not one of several centres can be read; networks in different units; more
        structures than are taken.
    """
    reader = _Structs(path, where)
    return reader.read(lambda names: _named_points(path, where, names))


def _named_points(path: str | Path, where: str, names: set[str]) -> dict[str, str]:
    """Texts of the points of these names in CgPoints; of a name that lies in two places, none.

    They are looked for in a walk of their own, so that a survey's points are never held.
    """
    found: dict[str, str] = {}
    name, double = "", set()

    def begin(attributes: Attributes) -> None:
        nonlocal name
        name = attributes.get("name", "").strip()

    def finish(text: str) -> None:
        if name in names and found.setdefault(name, " ".join(text.split())) != " ".join(text.split()):
            double.add(name)

    root = Node()
    root.add("CgPoints/CgPoint", Node(begin=begin, finish=finish, text=True))
    walk_through(root, path, where=where).run()
    return {name: text for name, text in found.items() if name not in double}


class _Structs:
    def __init__(self, path: str | Path, where: str) -> None:
        root = Node()
        self._walk = walk_through(root, path, where=where)
        self._head = Head(root, self._walk, sizes=True)
        network = root.add("PipeNetworks/PipeNetwork", Node(begin=self._begin_network))
        block = network.add("Structs", Node(begin=self._begin_block, finish=self._finish_block))
        add_units(block, self._block_units)
        struct = block.add("Struct", Node(begin=self._struct))
        struct.add("Center", Node(begin=self._refer, finish=self._centre, text=True))
        for name, kind in KINDS.items():
            struct.add(name, Node(begin=lambda attributes, kind=kind: self._kind(kind, attributes)))  # type: ignore[misc]
        self._network = ""
        self._block: Units | None = None
        self._before = 0
        self._stated: set[Units | None] = set()
        self._held: dict[str, list[str]] = {name: [] for name in _HELD}

    def read(self, find: Callable[[set[str]], dict[str, str]]) -> Structs:
        """Read the file; `find` gives the texts of points by their names."""
        self._walk.run()
        units = self._agreed_units()
        self._look_up(find)
        unread: dict[str, dict[int, str]] = {}
        columns: dict[str, Any] = dict(zip(_PLACE, self._places(), strict=True))
        columns |= {name: self._numbers(name, unread) for name in NUMBERS if name not in _PLACE}
        columns |= {name: self._held[name] for name in TEXTS}
        return Structs(
            **columns,
            horizontal_unit=units.horizontal,
            vertical_unit=units.vertical,
            diameter_unit=units.diameter,
            width_unit=units.width,
            crs=self._head.crs,
            unread=unread,
        )

    def _begin_network(self, attributes: Attributes) -> None:
        self._network = attributes.get("name", "")

    def _begin_block(self, _: Attributes) -> None:
        self._block, self._before = None, len(self._held["name"])

    def _block_units(self, system: str, attributes: Attributes) -> None:
        units = read_units(system, attributes, self._walk)
        if self._block not in (None, units):
            self._walk.refuse(f"states its units twice, and differently, line {self._walk.line}")
        self._block = units

    def _finish_block(self, _: str) -> None:
        if len(self._held["name"]) > self._before:
            self._stated.add(self._block)

    def _struct(self, attributes: Attributes) -> None:
        if len(self._held["name"]) == MOST_STRUCTS:
            self._walk.refuse(f"has more than {MOST_STRUCTS} structures", remedy="export it in parts")
        for name, held in self._held.items():
            held.append(attributes.get(_OWN[name], "") if name in _OWN else "")
        self._held["network"][-1] = self._network

    def _kind(self, kind: str, attributes: Attributes) -> None:
        if not self._held["kind"][-1]:
            self._held["kind"][-1] = kind
            for ours, theirs in _OF_KIND.items():
                self._held[ours][-1] = attributes.get(theirs, "")

    def _refer(self, attributes: Attributes) -> None:
        """The schema's attribute is pntRef; its own text calls it refPnt."""
        self._held["point"][-1] = (attributes.get("pntRef") or attributes.get("refPnt", "")).strip()

    def _centre(self, text: str) -> None:
        self._held["centre"][-1] = text.strip()

    def _look_up(self, find: Callable[[set[str]], dict[str, str]]) -> None:
        centres, points = self._held["centre"], self._held["point"]
        rows = [row for row, centre in enumerate(centres) if not centre and points[row]]
        found = find({points[row] for row in rows}) if rows else {}
        for row in rows:
            centres[row] = found.get(points[row], "")

    def _places(self) -> tuple[Floats, Floats, Floats]:
        """Northing, easting and elevation (n,) of the centres."""
        places = np.full((len(self._held["centre"]), 3), np.nan)
        bad = []
        for row, text in enumerate(self._held["centre"]):
            values = [sensible_number(token) for token in text.removesuffix("NaN").split()]
            if len(values) in (2, 3) and text.isascii() and not any(map(math.isnan, values)):
                places[row, : len(values)] = values
            elif text:
                bad.append(row)
        stated = sum(map(bool, self._held["centre"]))
        if bad and len(bad) == stated:
            row = bad[0]
            what = f"has no centre of a structure that can be read (first, of {shown(self._held['name'][row])}"
            what += f": {shown(self._held['centre'][row])})"
            self._walk.refuse(what, "northing, easting, or northing, easting, elevation", "export it again")
        north, east, elevation = np.ascontiguousarray(places.T)
        return north, east, elevation

    def _numbers(self, name: str, unread: dict[str, dict[int, str]]) -> Floats:
        """A column of numbers; NaN where nothing, or xs:double's NaN, is stated."""
        values = np.full(len(self._held[name]), np.nan)
        for row, text in enumerate(self._held[name]):
            if (stated := text.strip()) not in ("", "NaN"):
                values[row] = value = sensible_number(stated)
                if math.isnan(value):
                    unread.setdefault(name, {})[row] = stated
        return values

    def _agreed_units(self) -> Units:
        """The units that hold for all structures."""
        stated = {units or self._head.units or Units() for units in self._stated}
        if len(stated) > 1:
            self._walk.refuse("has pipe networks in different units", remedy="export them one by one")
        return stated.pop() if stated else self._head.units or Units()
