"""Street centrelines: the nearest one gives a structure the axis of its street.

Lines are taken apart into straight pieces, in the order of the file. For each structure, offsets to the pieces near it
are turned into ground metres with its own 2x2 matrix; distances and angles are taken there, so that longitude and
latitude, feet and metres give the same answer. The rules, with d0 the distance of the nearest piece:

1. The nearest piece within the limit gives the axis; of equally near ones (within 1e-6 m) the first in the file.
2. Candidates are all pieces, of any line, within max(5 m, 1.5 d0) of the structure and within the limit: 5 m is half
   the width of a street, what is half as far again could be meant as well. A crossing street that comes no nearer does
   not count.
3. Pieces of the nearest line within 3 m of the nearest point are candidates even beyond the limit: a bend.
4. The axis is ambiguous where a candidate is turned by more than 30 degrees from it, either direction of a line being
   the same axis: crossing, corner, small ring, cul-de-sac loop.
5. Where there is an axis, the side of that nearest piece gives the distance its sign: plus = right of it as drawn.

Nothing depends on the other structures of a call. Pieces shorter than about 1 mm have no direction and are left out.
The widths and angles are common practice, no source.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Annotated, Any

import numpy as np
import shapely
from numpy.typing import NDArray
from pyproj import CRS

from geoadjust.core.columns import Bundle, Quantity
from geoadjust.core.rules import CentrelinesTable
from geoadjust.errors import Fault, InputError
from geoadjust.io.coordinates.crs import horizontal_unit_of
from geoadjust.io.lines.pieces import BLOCK, Pieces, inverse, nearest_spots
from geoadjust.io.lines.shapes import LINES, SHORTEST, carry, check_kinds, layer_crs, read_shapes
from geoadjust.io.safe import VectorFacts, probe_vector

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Mask = NDArray[np.bool_]

NEAR = 5.0
"""Pieces within this distance [m] of a structure are candidates."""
SHARE = 1.5
"""So are pieces up to this many times as far as the nearest one."""
BEND = 3.0
"""And pieces of the nearest line within this distance [m] of the nearest point."""
LARGEST_TURN = math.radians(30)
"""Axes that differ by more [rad] are two axes."""

_SLACK = 1e-6  # m, distances are compared with it
_ANGLE_SLACK = 1e-9
_REMEDY = "name the layer of street lines, keep only the lines, and turn arcs into short straight lines"


@dataclass(frozen=True, slots=True, eq=False)
class Axes(Bundle):
    """Street axes of n structures; (n,) each."""

    azimuth: Annotated[NDArray[Any], Quantity("direction of the nearest line; NaN: none, or ambiguous", "rad")]
    ambiguous: Annotated[NDArray[Any], Quantity("two axes are about equally near")]
    difference: Annotated[NDArray[Any], Quantity("largest angle between two candidates; NaN: not ambiguous", "rad")]
    distance: Annotated[NDArray[Any], Quantity("distance of the nearest line; NaN: none within the limit", "m")]
    offset: Annotated[
        NDArray[Any],
        Quantity("the same distance with the side, NaN like the azimuth", "m", plus="right of the line as drawn"),
    ]


class Centrelines:
    """Lines in the structures' CRS, ready to be asked for the axes of structures.

    Parameters
    ----------
    vertices : (k, 2) array
        East and north of all lines, one line after the other [unit of the structures' CRS].
    line : (k,) integers
        Number of the line of each vertex; vertices of one line follow each other.
    shortest : float
        Pieces shorter than this have no direction and are left out [unit of the structures' CRS].
    left_out : int
        Lines of the source that could not be used, for the record.

    Attributes
    ----------
    left_out : int

    Examples
    --------
    >>> street = Centrelines(np.array([[0.0, 0.0], [100.0, 100.0]]), np.array([0, 0]))
    >>> axes = street.axes(np.array([50.0]), np.array([54.0]), np.eye(2)[None], limit=25.0)
    >>> np.degrees(axes.azimuth).round(6).tolist(), axes.distance.round(3).tolist(), axes.ambiguous.tolist()
    ([45.0], [2.828], [False])
    >>> axes.offset.round(3).tolist()
    [-2.828]
    """

    def __init__(self, vertices: Floats, line: Integers, *, shortest: float = 1e-3, left_out: int = 0) -> None:
        self._pieces = Pieces(vertices, line, shortest=shortest)
        self.left_out = left_out

    def __len__(self) -> int:
        """Number of straight pieces."""
        return len(self._pieces)

    def axes(self, east: Floats, north: Floats, frame: Floats, *, limit: float) -> Axes:
        """Axes of structures by the rules at the top of this file.

        Parameters
        ----------
        east, north : (n,) arrays
            [unit of the structures' CRS]; NaN gives no axis.
        frame : (n, 2, 2) array
            Coordinates per ground metre, as ``Georeference(crs, crs).jacobians`` gives them [unit per m]; NaN gives no
            axis.
        limit : float
            Lines farther off give no axis [m].

        Returns
        -------
        Axes
            ``azimuth`` [rad] clockwise from grid north, 0 <= azimuth < 2 pi, in the direction in which the line is
            drawn. The side of ``offset`` is that of the nearest piece, prolonged past a vertex or an end of the line;
            straight ahead of an end it is plus.

        Raises
        ------
        ValueError
            For arrays of other shapes, or a limit that is not a positive number.

        Examples
        --------
        >>> cross = Centrelines(np.array([[-50.0, 0], [50, 0], [0, -50], [0, 50]]), np.array([0, 0, 1, 1]))
        >>> east, north = np.array([3.0, 20.0, np.nan]), np.array([2.0, 2.0, 0.0])
        >>> axes = cross.axes(east, north, np.tile(np.eye(2), (3, 1, 1)), limit=25.0)
        >>> axes.ambiguous.tolist(), np.degrees(axes.azimuth).tolist(), np.degrees(axes.difference).tolist()
        ([True, False, False], [nan, 90.0, nan], [90.0, nan, nan])
        """
        east, north, frame = (np.asarray(values, dtype=np.float64) for values in (east, north, frame))
        count = len(east)
        if east.shape != (count,) or north.shape != (count,) or frame.shape != (count, 2, 2):
            raise ValueError(f"shapes must be (n,), (n,), (n, 2, 2), not {east.shape}, {north.shape}, {frame.shape}")
        if not 0 < limit < math.inf:
            raise ValueError(f"limit must be a positive number of metres, not {limit}")
        found = np.full((5, count), np.nan)
        for first in range(0, count, BLOCK):
            part = slice(first, first + BLOCK)
            pairs = self._pairs(east[part], north[part], frame[part], limit)
            if len(pairs.point):
                found[:, first + pairs.point[pairs.first]] = _judge(pairs, limit)
        azimuth, rivals, difference, distance, offset = found
        return Axes(azimuth.copy(), rivals == 1, difference.copy(), distance.copy(), offset.copy())

    def _pairs(self, east: Floats, north: Floats, frame: Floats, limit: float) -> _Pairs:
        """Every structure with every piece that can matter to it, in the order of structures, then of pieces."""
        back, stretch = inverse(frame)
        usable = np.flatnonzero(np.isfinite(east) & np.isfinite(north) & np.isfinite(stretch))
        # A piece near by in map units bounds the distance of the nearest one, and so what has to be looked at.
        place, piece = self._pieces.one_near(east[usable], north[usable])
        near = usable[place]
        start, end = self._pieces.offsets(back, east, north, near, piece)
        bound = np.hypot(*nearest_spots(start, end, np.zeros_like(start)))
        reach = np.minimum(np.maximum(np.maximum(NEAR, SHARE * bound), bound + BEND), limit + BEND)
        asked, piece = self._pieces.within(east[near], north[near], stretch[near], reach)
        point = near[asked]
        return _Pairs(point, self._pieces.line[piece], *self._pieces.offsets(back, east, north, point, piece))


class _Pairs:
    """Structures with the pieces near them; p pairs, those of one structure follow each other.

    `first` (g,) is the first pair of each of the g structures that have one, `group` (p,) counts these structures.
    Offsets from the structure [m], rows east and north: `start`, `end` and nearest point `foot` of the piece, (2, p).
    """

    def __init__(self, point: Integers, line: Integers, start: Floats, end: Floats) -> None:
        self.point, self.line, self.start, self.end = point, line, start, end
        new = np.append(True, point[1:] != point[:-1])[: len(point)]
        self.first, self.group = np.flatnonzero(new), np.cumsum(new) - 1
        self.foot = nearest_spots(start, end, np.zeros_like(start))
        self.distance = np.hypot(*self.foot)
        self.azimuth = np.mod(np.arctan2(end[0] - start[0], end[1] - start[1]), 2 * math.pi)
        self.azimuth[self.azimuth >= 2 * math.pi] = 0.0  # a tiny negative angle rounds up to a whole turn


def _apart(left: Floats, right: Floats) -> Floats:
    """Angle between two axes [rad], 0 to pi/2; either direction of a line is the same axis."""
    turn = np.mod(np.abs(left - right), math.pi)
    return np.minimum(turn, math.pi - turn)


def _judge(pairs: _Pairs, limit: float) -> Floats:
    """Azimuth, ambiguous (1 or 0), difference, distance and offset of the structures that have pairs, (5, g)."""
    group, first = pairs.group, pairs.first
    distance = np.minimum.reduceat(pairs.distance, first)
    tied = pairs.distance <= distance[group] + _SLACK
    chosen = np.minimum.reduceat(np.where(tied, np.arange(len(tied)), len(tied)), first)
    inside = distance <= limit + _SLACK
    wide = np.minimum(np.maximum(NEAR, SHARE * distance), limit) + _SLACK
    near = (pairs.distance <= wide[group]) & inside[group]
    turned = _apart(pairs.azimuth, pairs.azimuth[chosen[group]]) > LARGEST_TURN + _ANGLE_SLACK
    rival = turned & near
    rival |= _bends(pairs, chosen, turned & ~near & inside[group])
    ambiguous = np.logical_or.reduceat(rival, first)
    candidate = (near | rival) & ambiguous[group]
    difference = _widest(group[candidate], pairs.azimuth[candidate], len(first))
    clear = inside & ~ambiguous
    return np.stack(
        [
            np.where(clear, pairs.azimuth[chosen], np.nan),
            ambiguous,
            np.where(ambiguous, difference, np.nan),
            np.where(inside, distance, np.nan),
            np.where(clear, np.where(_left(pairs, chosen), -distance, distance), np.nan),
        ]
    )


def _left(pairs: _Pairs, chosen: Integers) -> Mask:
    """Whether the structure lies to the left of its piece, in the direction in which the piece is drawn, (g,)."""
    start, along = pairs.start[:, chosen], pairs.end[:, chosen] - pairs.start[:, chosen]
    return np.asarray(start[0] * along[1] > start[1] * along[0])


def _bends(pairs: _Pairs, chosen: Integers, asked: Mask) -> Mask:
    """Which of the pairs asked for are pieces of the nearest line within `BEND` of the nearest point, (p,)."""
    nearest = chosen[pairs.group]
    index = np.flatnonzero(asked & (pairs.line == pairs.line[nearest]))
    point = pairs.foot[:, nearest[index]]
    gap = nearest_spots(pairs.start[:, index], pairs.end[:, index], point) - point
    bend = np.zeros(len(asked), dtype=np.bool_)
    bend[index] = np.hypot(*gap) <= BEND + _SLACK
    return bend


def _widest(group: Integers, azimuth: Floats, count: int) -> Floats:
    """Largest angle between two axes of each group [rad], (count,); 0 for fewer than two.

    In a sorted group the axis farthest from one at t is a neighbour of t + pi/2: three are tried, so that the rounding
    of the keys, which depend on the number of the group, cannot show.
    """
    axis = np.mod(azimuth, math.pi)
    order = np.lexsort((axis, group))
    group, axis = group[order], axis[order]
    last = np.searchsorted(group, group, side="right") - 1
    across = np.searchsorted(group * 4.0 + axis, group * 4.0 + axis + math.pi / 2)
    widest = np.zeros(count)
    for step in (-1, 0, 1):
        partner = np.clip(across + step, np.arange(len(axis)), last)
        np.maximum.at(widest, group, _apart(axis, axis[partner]))
    return widest


# ---------------------------------------------------------------- read


def read_centrelines(table: CentrelinesTable, structures_crs: CRS, *, where: str = "centrelines") -> Centrelines:
    """Read a layer of lines and carry it to the structures' CRS.

    Parameters
    ----------
    table : CentrelinesTable
        Path, layer and CRS as the job states them.
    structures_crs : pyproj.CRS
        Its vertical part is ignored.
    where : str
        Job table, for the faults.

    Returns
    -------
    Centrelines
        Several parts of one geometry are separate lines; heights and measures are dropped, and so are null and empty
        geometries and parts without length. `left_out` counts lines with a vertex that is no number or that cannot be
        carried, and geometries that cannot be read.

    Raises
    ------
    InputError
        Refused by `probe_vector`; no CRS, or another than the job states; no operation to the structures' CRS; points,
        polygons or curves in the layer; no line that can be used.

    Examples
    --------
    >>> import tempfile, pathlib
    >>> text = '{"type": "LineString", "coordinates": [[-81.0, 40.0], [-81.0, 40.001]]}'
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     path = pathlib.Path(folder, "streets.geojson")
    ...     _ = path.write_text('{"type": "Feature", "properties": {}, "geometry": ' + text + "}")
    ...     streets = read_centrelines(CentrelinesTable(str(path)), CRS("EPSG:32617"))
    >>> len(streets)
    1
    """
    facts = probe_vector(table.path, where=f"{where}.path", layer=table.layer or None)
    crs, faults = layer_crs(facts, table.crs, where=f"{where}.crs")
    wkb, _ = read_shapes(facts, where=f"{where}.path")
    faults += check_kinds(wkb, facts, LINES, where=f"{where}.path", remedy=_REMEDY)
    if faults or crs is None:
        raise InputError(faults)
    geometries = shapely.from_wkb([geometry for geometry in wkb if geometry is not None], on_invalid="ignore")
    unreadable = int(shapely.is_missing(geometries).sum())
    vertices, line = shapely.get_coordinates(shapely.get_parts(geometries), return_index=True)
    carried = carry(vertices, crs, structures_crs, where=f"{where}.crs")
    bad = np.unique(line[np.isnan(carried).any(axis=1)])
    kept = ~np.isin(line, bad)
    split = _split_at_jumps(carried[kept], line[kept], structures_crs)
    shortest = SHORTEST[horizontal_unit_of(structures_crs)]
    lines = Centrelines(carried[kept], split, shortest=shortest, left_out=len(bad) + unreadable)
    if not len(lines):
        raise InputError(_no_lines(vertices, crs, structures_crs, facts, where))
    return lines


def _split_at_jumps(vertices: Floats, line: Integers, crs: CRS) -> Integers:
    """Numbers of lines, new ones after a piece that goes round the globe at the antimeridian."""
    if horizontal_unit_of(crs) != "degree" or not len(line):
        return line
    new = (line[1:] != line[:-1]) | (np.abs(np.diff(vertices[:, 0])) > 180)
    return np.append(0, np.cumsum(new))


def _no_lines(vertices: Floats, source: CRS, target: CRS, facts: VectorFacts, where: str) -> Fault:
    what = f"layer {facts.layer!r} of {facts.path} holds no line with two different points"
    if not len(vertices):
        return Fault(f"{where}.path", what, "", "name the layer of street lines")
    east, north = vertices[0].tolist()
    seen = f"none can be used in {target.name!r}; the first point is east {east:.12g}, north {north:.12g}"
    remedy = f"check that these are coordinates of {source.name!r}, and that the lines have a length"
    return Fault(f"{where}.crs", f"{what}, or {seen}", "", remedy)
