"""Points and faces of one LandXML surface, packed while they are read."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from geoadjust.errors import Fault, InputError
from geoadjust.io.landxml.stream import shown
from geoadjust.io.tin.faces import Mesh

if TYPE_CHECKING:
    from geoadjust.io.landxml.stream import Attributes, Walk

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

BLOCK = 2**15
"""Points or faces that are held as texts before they are packed."""
SHOWN = 3
"""Examples of one kind of fault."""
LARGEST = 1e9
"""No coordinate on earth is as large, in metres or in feet; writers put such numbers where a value is missing."""
_NOT_DECIMAL = re.compile(r"[^0-9eE.+\- ]")
_NOT_WHOLE = re.compile(r"[^0-9+\- ]")


@dataclass(slots=True)
class _Tally:
    """How often one thing is wrong, with the first examples."""

    count: int = 0
    examples: list[str] = field(default_factory=list)

    def add(self, tell: Callable[..., str], *arguments: object) -> None:
        self.count += 1
        if len(self.examples) < SHOWN:
            self.examples.append(tell(*arguments))

    def __str__(self) -> str:
        return "; ".join(self.examples) + ("; ..." if self.count > len(self.examples) else "")


class Geometry:
    """Gathers P and F of one surface; `mesh` is asked once, at the end.

    `hidden` counts invisible faces, `repeated` (known after `mesh`) faces that name a point twice.
    """

    def __init__(self, walk: Walk) -> None:
        self._walk = walk
        self._attributes: Attributes = {}
        self._mark = "0"
        self._ids: list[str] = []
        self._numbers: list[str] = []
        self._corners: list[str] = []
        self._visible: list[int] = []
        self._point_ids: list[Integers] = []
        self._points: list[Floats] = []
        self._faces: list[Integers] = []
        self._face_numbers: list[Integers] = []
        self._bad_points, self._bad_faces = _Tally(), _Tally()
        self._given = self._read = 0
        self.hidden = self.repeated = 0

    def counts(self) -> tuple[int, int]:
        """Points and visible faces so far, bad ones too."""
        return self._given, self._read - self.hidden

    def begin_point(self, attributes: Attributes) -> None:
        self._attributes = attributes

    def end_point(self, text: str) -> None:
        self._given += 1
        name, numbers = self._attributes.get("id", ""), text.split()
        if len(numbers) != 3 or not text.isascii() or not name.strip():
            self._bad_points.add(self._tell_point, name, text)
            return
        self._ids.append(name)
        self._numbers += numbers
        if len(self._ids) == BLOCK:
            self._pack_points()

    def _tell_point(self, name: str, text: str) -> str:
        wrong = shown(text.strip()) if name.strip() else "no id"
        if name.strip() and (other := self._attributes.get("pntRef", "")):
            wrong = f"refers to the point {shown(other)} outside the surface"
        return f"P {shown(name)}, line {self._walk.line}: {wrong}"

    def begin_face(self, attributes: Attributes) -> None:
        self._mark = attributes.get("i", "0")

    def end_face(self, text: str) -> None:
        self._read += 1
        hidden = self._mark != "0" and is_hidden(self._mark)
        if hidden:
            self.hidden += 1
            return
        corners = text.split()
        if len(corners) != 3 or hidden is None or not text.isascii():
            self._bad_faces.add(self._tell_face, text, hidden)
            return
        self._corners += corners
        self._visible.append(self._read)
        if len(self._visible) == BLOCK:
            self._pack_faces()

    def _tell_face(self, text: str, hidden: bool | None) -> str:
        wrong = shown(text.strip()) if hidden is not None else f"i={shown(self._mark)}"
        return f"F {self._read}, line {self._walk.line}: {wrong}"

    def _pack_points(self) -> None:
        ids, bad_ids = _whole(self._ids)
        numbers, bad_numbers = _decimal(self._numbers)
        unnamed = set(bad_ids)
        for row in sorted(unnamed.union(place // 3 for place in bad_numbers)):
            self._bad_points.add(self._tell_packed_point, row, row in unnamed)
        self._point_ids.append(ids)
        self._points.append(numbers.reshape(-1, 3))
        self._ids, self._numbers = [], []

    def _tell_packed_point(self, row: int, unnamed: bool) -> str:
        wrong = "the id is no whole number" if unnamed else shown(" ".join(self._numbers[3 * row : 3 * row + 3]))
        return f"P {shown(self._ids[row])}: {wrong}"

    def _pack_faces(self) -> None:
        corners, bad = _whole(self._corners)
        for row in sorted({place // 3 for place in bad}):
            self._bad_faces.add(self._tell_packed_face, row)
        self._faces.append(corners.reshape(-1, 3))
        self._face_numbers.append(np.array(self._visible, dtype=np.int64))
        self._corners, self._visible = [], []

    def _tell_packed_face(self, row: int) -> str:
        return f"F {self._visible[row]}: {shown(' '.join(self._corners[3 * row : 3 * row + 3]))}"

    def mesh(self, where: str, label: str) -> Mesh:
        """The surface: vertices in the order of the points, faces in the order of the file.

        Raises
        ------
        InputError
            with every fault; see `read_surface`
        """
        self._pack_points()
        self._pack_faces()
        faults = []
        if self._bad_points.count:
            what = f"{label} has {self._bad_points.count} bad points ({self._bad_points})"
            allowed = f"a whole number as id; northing, easting, elevation below {LARGEST:,.0f}"
            faults.append(Fault(where, what, allowed, "export it again"))
        if self._bad_faces.count:
            what = f"{label} has {self._bad_faces.count} bad faces ({self._bad_faces})"
            faults.append(Fault(where, what, "three ids of points; i 0 or 1", "export it as a TIN"))
        if faults:
            raise InputError(faults)
        order, ids = self._sorted_ids(where, label)
        faces = self._numbered(order, ids, where, label)
        distinct = (faces[:, 0] != faces[:, 1]) & (faces[:, 1] != faces[:, 2]) & (faces[:, 2] != faces[:, 0])
        self.repeated = len(faces) - int(distinct.sum())
        if self.repeated == len(faces):
            raise InputError(Fault(where, f"{label} has no face with three different points", remedy="export it again"))
        points = np.concatenate(self._points)
        return Mesh(np.ascontiguousarray(points[:, [1, 0, 2]]), faces if not self.repeated else faces[distinct])

    def _sorted_ids(self, where: str, label: str) -> tuple[NDArray[np.intp], Integers]:
        """Point (v,) at each place of the ids in order, and those ids."""
        ids = np.concatenate(self._point_ids)
        order = np.argsort(ids, kind="stable")
        ids = ids[order]
        double = np.unique(ids[1:][ids[1:] == ids[:-1]])
        if len(double):
            tally = _Tally(len(double), [f"{value}" for value in double[:SHOWN].tolist()])
            what = f"{label} has {len(double)} ids that more than one point carries ({tally})"
            raise InputError(Fault(where, what, remedy="export it again"))
        return order, ids

    def _numbered(self, order: NDArray[np.intp], ids: Integers, where: str, label: str) -> NDArray[np.int32]:
        """Faces (f, 3) by vertex numbers."""
        faces = np.empty((sum(map(len, self._faces)), 3), dtype=np.int32)
        missing, begin = _Tally(), 0
        in_row = int(ids[-1]) - int(ids[0]) == len(ids) - 1
        for block, numbers in zip(self._faces, self._face_numbers, strict=True):
            inside = (block >= ids[0]) & (block <= ids[-1])
            held = np.where(inside, block, ids[0])
            place = held - ids[0] if in_row else np.searchsorted(ids, held)
            inside &= ids[place] == block
            faces[begin : begin + len(block)] = order[place]
            begin += len(block)
            rows = np.flatnonzero(~inside.all(axis=1)).tolist()
            for row in rows[:SHOWN]:
                missing.add(_tell_missing, numbers[row], block[row][~inside[row]])
            missing.count += len(rows[SHOWN:])
        if missing.count:
            what = f"{label} has {missing.count} faces that name a point that is not there ({missing})"
            raise InputError(Fault(where, what, remedy="export it again"))
        return faces


def _tell_missing(number: int, gone: Integers) -> str:
    return f"F {number} names {', '.join(map(str, gone.tolist()))}"


def is_hidden(mark: str) -> bool | None:
    """Whether a face is invisible by its attribute i; None where that is neither 0 nor 1.

    Examples
    --------
    >>> is_hidden("1"), is_hidden(" 0"), is_hidden("2")
    (True, False, None)
    """
    return {"1": True, "true": True, "": False, "false": False}.get(mark.strip().lower().lstrip("+0"))


def _decimal(tokens: list[str]) -> tuple[Floats, list[int]]:
    """Numbers as Python reads them, and the places of what is none of a sensible size; those are NaN.

    Examples
    --------
    >>> _decimal(["1.5E+02", "1_0", "1e999"])
    (array([150.,  nan,  nan]), [1, 2])
    """
    if not _NOT_DECIMAL.search(" ".join(tokens)):
        try:
            values = np.fromiter(map(float, tokens), np.float64, len(tokens))
        except ValueError:
            pass
        else:
            if (np.abs(values) < LARGEST).all():
                return values, []
    values = np.array([sensible_number(token) for token in tokens])
    return values, np.flatnonzero(np.isnan(values)).tolist()


def sensible_number(token: str) -> float:
    """A decimal number as Python reads it, smaller than LARGEST; NaN for anything else.

    Examples
    --------
    >>> sensible_number("-1.5E+02"), sensible_number("1,5"), sensible_number("-1.7E+308")
    (-150.0, nan, nan)
    """
    try:
        value = float(token) if not _NOT_DECIMAL.search(token) else np.nan
    except ValueError:
        return np.nan
    return value if abs(value) < LARGEST else np.nan


def _whole(tokens: list[str]) -> tuple[Integers, list[int]]:
    """Whole numbers, and the places of what is none; those are 0."""
    if not _NOT_WHOLE.search(" ".join(tokens)):
        try:
            return np.fromiter(map(int, tokens), np.int64, len(tokens)), []
        except (ValueError, OverflowError):
            pass
    values, bad = np.zeros(len(tokens), dtype=np.int64), []
    for place, token in enumerate(tokens):
        if re.fullmatch(r"\s*[+-]?[0-9]{1,18}\s*", token):
            values[place] = int(token)
        else:
            bad.append(place)
    return values, bad
