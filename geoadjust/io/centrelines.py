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
from geoadjust.io.crs import horizontal_unit_of, read_crs, same_crs
from geoadjust.io.georeference import Georeference
from geoadjust.io.operations import Bounds
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
_SHORTEST = {"m": 1e-3, "ft": 3e-3, "us-ft": 3e-3, "degree": 1e-8}
_MARGIN = 1.001  # of the search, which is in map units; what it finds is measured on the ground
_BLOCK = 2048
_LINES = (2, 5)
_KINDS = {1: "Point", 2: "LineString", 3: "Polygon", 4: "MultiPoint", 5: "MultiLineString", 6: "MultiPolygon"}
_KINDS |= {7: "GeometryCollection", 8: "CircularString", 9: "CompoundCurve", 10: "CurvePolygon", 11: "MultiCurve"}


@dataclass(frozen=True, slots=True, eq=False)
class Axes(Bundle):
    """Street axes of n structures; (n,) each."""

    azimuth: Annotated[NDArray[Any], Quantity("direction of the nearest line; NaN: none, or ambiguous", "rad")]
    ambiguous: Annotated[NDArray[Any], Quantity("two axes are about equally near")]
    difference: Annotated[NDArray[Any], Quantity("largest angle between two candidates; NaN: not ambiguous", "rad")]
    distance: Annotated[NDArray[Any], Quantity("distance of the nearest line; NaN: none within the limit", "m")]


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
    """

    def __init__(self, vertices: Floats, line: Integers, *, shortest: float = 1e-3, left_out: int = 0) -> None:
        vertices, line = np.asarray(vertices, dtype=np.float64), np.asarray(line, dtype=np.int64)
        joined = (line[1:] == line[:-1]) & (np.hypot(*np.diff(vertices, axis=0).T) >= shortest)
        self._start = np.ascontiguousarray(vertices[:-1][joined].T)
        self._end = np.ascontiguousarray(vertices[1:][joined].T)
        self._line = line[1:][joined]
        pieces: Any = shapely.linestrings(np.stack([self._start.T, self._end.T], axis=1))
        self._tree = shapely.STRtree(pieces)
        self.left_out = left_out

    def __len__(self) -> int:
        """Number of straight pieces."""
        return len(self._line)

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
            drawn.

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
        found = np.full((4, count), np.nan)
        for first in range(0, count, _BLOCK):
            part = slice(first, first + _BLOCK)
            pairs = self._pairs(east[part], north[part], frame[part], limit)
            if len(pairs.point):
                found[:, first + pairs.point[pairs.first]] = _judge(pairs, limit)
        azimuth, rivals, difference, distance = found
        return Axes(azimuth.copy(), rivals == 1, difference.copy(), distance.copy())

    def _pairs(self, east: Floats, north: Floats, frame: Floats, limit: float) -> _Pairs:
        """Every structure with every piece that can matter to it, in the order of structures, then of pieces."""
        inverse, stretch = _inverse(frame)
        usable = np.flatnonzero(np.isfinite(east) & np.isfinite(north) & np.isfinite(stretch))
        points: Any = shapely.points(east[usable], north[usable])
        # A piece near by in map units bounds the distance of the nearest one, and so what has to be looked at.
        place, piece = self._tree.query_nearest(points, all_matches=False)
        start, end = self._offsets(inverse, east, north, usable[place], piece)
        bound = np.hypot(*_foot(start, end, np.zeros_like(start)))
        reach = np.minimum(np.maximum(np.maximum(NEAR, SHARE * bound), bound + BEND), limit + BEND)
        reach = _MARGIN * reach * stretch[usable[place]]
        asked, piece = self._tree.query(points[place], predicate="dwithin", distance=reach)
        order = np.lexsort((piece, asked))
        point, piece = usable[place[asked[order]]], piece[order]
        return _Pairs(point, self._line[piece], *self._offsets(inverse, east, north, point, piece))

    def _offsets(
        self, inverse: Floats, east: Floats, north: Floats, point: Integers, piece: Integers
    ) -> tuple[Floats, Floats]:
        """Start and end of pieces as offsets from structures [m], (2, p) each."""
        start, end = (
            _to_ground(inverse[:, point], ends[0, piece] - east[point], ends[1, piece] - north[point])
            for ends in (self._start, self._end)
        )
        return start, end


class _Pairs:
    """Structures with the pieces near them; p pairs, those of one structure follow each other.

    `first` (g,) is the first pair of each of the g structures that have one, `group` (p,) counts these structures.
    Offsets from the structure [m], rows east and north: `start`, `end` and nearest point `foot` of the piece, (2, p).
    """

    def __init__(self, point: Integers, line: Integers, start: Floats, end: Floats) -> None:
        self.point, self.line, self.start, self.end = point, line, start, end
        new = np.append(True, point[1:] != point[:-1])[: len(point)]
        self.first, self.group = np.flatnonzero(new), np.cumsum(new) - 1
        self.foot = _foot(start, end, np.zeros_like(start))
        self.distance = np.hypot(*self.foot)
        self.azimuth = np.mod(np.arctan2(end[0] - start[0], end[1] - start[1]), 2 * math.pi)
        self.azimuth[self.azimuth >= 2 * math.pi] = 0.0  # a tiny negative angle rounds up to a whole turn


def _inverse(frame: Floats) -> tuple[Floats, Floats]:
    """Ground metres per unit, (4, n), and the largest number of units per ground metre, (n,); NaN where singular."""
    a, b, c, d = np.ascontiguousarray(frame.reshape(-1, 4).T)
    with np.errstate(all="ignore"):
        inverse = np.stack([d, -b, -c, a]) / (a * d - b * c)
        stretch = (np.hypot(a + d, c - b) + np.hypot(a - d, b + c)) / 2  # largest singular value
    stretch[~np.isfinite(inverse).all(axis=0)] = np.nan
    return inverse, stretch


def _to_ground(inverse: Floats, first: Floats, second: Floats) -> Floats:
    """Offsets in map units to ground metres, (2, p)."""
    return np.stack([inverse[0] * first + inverse[1] * second, inverse[2] * first + inverse[3] * second])


def _foot(start: Floats, end: Floats, origin: Floats) -> Floats:
    """Point of each piece that is nearest to its origin; all (2, p). The ends themselves are hit exactly."""
    along = end - start
    share = ((origin - start) * along).sum(axis=0) / (along * along).sum(axis=0)
    share = np.clip(share, 0.0, 1.0)
    foot: Floats = np.where(share == 1.0, end, start + share * along)
    return foot


def _apart(left: Floats, right: Floats) -> Floats:
    """Angle between two axes [rad], 0 to pi/2; either direction of a line is the same axis."""
    turn = np.mod(np.abs(left - right), math.pi)
    return np.minimum(turn, math.pi - turn)


def _judge(pairs: _Pairs, limit: float) -> Floats:
    """Azimuth, ambiguous (1 or 0), difference and distance of the structures that have pairs, (4, g)."""
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
    azimuth = np.where(inside & ~ambiguous, pairs.azimuth[chosen], np.nan)
    return np.stack([azimuth, ambiguous, np.where(ambiguous, difference, np.nan), np.where(inside, distance, np.nan)])


def _bends(pairs: _Pairs, chosen: Integers, asked: Mask) -> Mask:
    """Which of the pairs asked for are pieces of the nearest line within `BEND` of the nearest point, (p,)."""
    nearest = chosen[pairs.group]
    index = np.flatnonzero(asked & (pairs.line == pairs.line[nearest]))
    point = pairs.foot[:, nearest[index]]
    gap = _foot(pairs.start[:, index], pairs.end[:, index], point) - point
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
    crs, faults = _crs(facts, table, where)
    wkb = _read_wkb(facts, where)
    faults += _check_kinds(wkb, facts, where)
    if faults or crs is None:
        raise InputError(faults)
    geometries = shapely.from_wkb(wkb, on_invalid="ignore")
    unreadable = int(shapely.is_missing(geometries).sum())
    vertices, line = shapely.get_coordinates(shapely.get_parts(geometries), return_index=True)
    carried = _carry(vertices, crs, structures_crs, where)
    bad = np.unique(line[np.isnan(carried).any(axis=1)])
    kept = ~np.isin(line, bad)
    split = _split_at_jumps(carried[kept], line[kept], structures_crs)
    shortest = _SHORTEST[horizontal_unit_of(structures_crs)]
    lines = Centrelines(carried[kept], split, shortest=shortest, left_out=len(bad) + unreadable)
    if not len(lines):
        raise InputError(_no_lines(vertices, crs, structures_crs, facts, where))
    return lines


def _crs(facts: VectorFacts, table: CentrelinesTable, where: str) -> tuple[CRS | None, list[Fault]]:
    """CRS of the lines, from the file or from the job."""
    place = f"{where}.crs"
    own = read_crs(facts.crs_wkt, where=place) if facts.crs_wkt else None
    stated = read_crs(table.crs, where=place) if table.crs else None
    if own is None and stated is None:
        return None, [Fault(place, f"{table.path} states no CRS", remedy='write crs = "EPSG:..."')]
    if own is not None and stated is not None and not same_crs(own, stated):
        what = f"the job says {stated.name}, {table.path} says {own.name}"
        return own, [Fault(place, what, remedy="remove the job's crs, or mend the file's")]
    return own if own is not None else stated, []


def _read_wkb(facts: VectorFacts, where: str) -> NDArray[Any]:
    """Geometries as the file holds them, without the null ones.

    They are read as Arrow: the other ways to read make chords of arcs without a word.
    """
    import pyarrow
    from pyogrio.errors import DataLayerError, DataSourceError
    from pyogrio.raw import read_arrow

    try:
        meta, rows = read_arrow(facts.path, layer=facts.layer, columns=[], **facts.open_options)
    except (DataSourceError, DataLayerError, pyarrow.ArrowException, RuntimeError) as error:
        raise InputError(Fault(f"{where}.path", f"{facts.path} cannot be read: {error}")) from error
    column = rows.column(meta["geometry_name"] or "wkb_geometry")
    wkb: NDArray[Any] = column.drop_null().to_numpy(zero_copy_only=False)
    return wkb


def _check_kinds(wkb: NDArray[Any], facts: VectorFacts, where: str) -> list[Fault]:
    """Fault for a layer that holds anything but lines."""
    codes = [int.from_bytes(geometry[1:5], "little" if geometry[0] == 1 else "big") % 1000 for geometry in wkb]
    others = {code: codes.count(code) for code in sorted(set(codes) - set(_LINES))}
    if not others:
        return []
    listed = ", ".join(f"{number} {_KINDS.get(code, 'other geometries')}" for code, number in others.items())
    remedy = "name the layer of street lines, keep only the lines, and turn arcs into short straight lines"
    what = f"layer {facts.layer!r} of {facts.path} holds {listed}"
    return [Fault(f"{where}.path", what, "LineString, MultiLineString", remedy)]


def _carry(vertices: Floats, source: CRS, target: CRS, where: str) -> Floats:
    """Vertices in the target CRS, (k, 2); NaN where a coordinate is no number or out of reach."""
    east, north = np.ascontiguousarray(vertices.T)
    usable = np.isfinite(east) & np.isfinite(north)
    if horizontal_unit_of(source, where=f"{where}.crs") == "degree":
        usable &= (np.abs(east) <= 360) & (np.abs(north) <= 90)
    bounds: Bounds | None = None
    if usable.any():
        east_used, north_used = east[usable], north[usable]
        bounds = tuple(float(f()) for f in (east_used.min, north_used.min, east_used.max, north_used.max))  # type: ignore[assignment]
    reference = Georeference(source, target, where=f"{where}.crs", bounds=bounds)
    return np.stack(reference.to_target(np.where(usable, east, np.nan), north), axis=1)


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
