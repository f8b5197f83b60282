"""Triangulated road surfaces: which triangles lie near which cover, found without a pass over all of them.

Faces are sorted by size into layers, and within a layer into squares by the middle of their bounds. A layer's squares
are as wide as its largest face, so that a disc touches none but faces of the squares beside it, and a few triangles
that span a whole site cost nothing elsewhere.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from geoadjust.core.tin import STEP, TinSurface, double_areas

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Index = NDArray[np.intp]

MANY = 2**18
"""Faces that are looked at in one go while the index is built."""
SOME = 4096
"""Covers whose triangles are cut in one go."""
SQUARES_PER_FACE = 4
POINT = 1e-6
"""Radius of the disc that stands for a point [CRS units]."""


@dataclass(frozen=True, slots=True, eq=False)
class Mesh:
    """A triangulated surface as read.

    Parameters
    ----------
    vertices : (v, 3) easting, northing [CRS units], height [m]; faces with a NaN corner are no part of the surface
    faces : (f, 3) vertex numbers from 0, in the order of the file
    """

    vertices: Floats
    faces: NDArray[np.int32]


@dataclass(frozen=True, slots=True, eq=False)
class FaceIndex:
    """A mesh and where its faces lie; made by `index_faces` once per run.

    Parameters
    ----------
    order : (k,) face at each place of the index, layer by layer and square by square
    bounds : (k, 4) west, south, east, north of the face at each place, from `origin`, rounded outwards
    starts : (s + 1,) first place of each square of all layers; squares run east, then north
    layers : (l, 7) reach, side, west and south edge [CRS units from `origin`], columns, rows, first square of a layer
    origin : (2,) easting, northing
    """

    mesh: Mesh
    order: NDArray[np.int32]
    bounds: NDArray[np.float32]
    starts: NDArray[np.int32]
    layers: Floats
    origin: Floats


def index_faces(mesh: Mesh) -> FaceIndex:
    """Sort the faces of a mesh into layers and squares; faces without an area or with a NaN corner are left out.

    Examples
    --------
    >>> vertices = np.array([[0.0, 0.0, 1.0], [4.0, 0.0, 1.0], [0.0, 4.0, 1.0], [4.0, 4.0, 1.2]])
    >>> index = index_faces(Mesh(vertices, np.array([[0, 1, 2], [1, 3, 2]], dtype=np.int32)))
    >>> covers(index, np.array([1.0, 3.0, 5.0]), np.array([1.0, 3.0, 3.0])).tolist()
    [True, True, False]
    """
    finite = np.isfinite(mesh.vertices[:, 0] + mesh.vertices[:, 1] + mesh.vertices[:, 2])
    origin = mesh.vertices[finite, :2].min(axis=0) if finite.any() else np.zeros(2)
    numbers, box = _boxes(mesh, finite, origin)
    square, layers = _squares(box)
    order = _sorted(square)
    starts = np.zeros(int((layers[:, 4] * layers[:, 5]).sum()) + 1, dtype=np.int32)
    np.cumsum(np.bincount(square, minlength=len(starts) - 1), out=starts[1:])
    return FaceIndex(mesh, numbers[order], _outwards(box).take(order, axis=0), starts, layers, origin)


def _boxes(mesh: Mesh, finite: NDArray[np.bool_], origin: Floats) -> tuple[NDArray[np.int32], Floats]:
    """Numbers (k,) of the faces without a NaN corner, and their west, south, east, north edges from origin (4, k)."""
    numbers = np.arange(len(mesh.faces), dtype=np.int32)
    if not finite.all():
        numbers = numbers[finite[mesh.faces].all(axis=1)]
    box = np.empty((4, len(numbers)))
    places = [mesh.vertices[:, axis] - origin[axis] for axis in (0, 1)]
    for begin in range(0, len(numbers), MANY):
        some = slice(begin, begin + MANY)
        faces = mesh.faces[some] if len(numbers) == len(mesh.faces) else mesh.faces[numbers[some]]
        one, two, three = np.ascontiguousarray(faces.T)
        for axis, place in enumerate(places):
            a, b, c = place.take(one), place.take(two), place.take(three)
            box[axis, some] = np.minimum(np.minimum(a, b), c)
            box[axis + 2, some] = np.maximum(np.maximum(a, b), c)
    return numbers, box


def _squares(box: Floats) -> tuple[NDArray[np.int32], Floats]:
    """Square of each face, and the layers (l, 7); see `FaceIndex`."""
    wide, tall = box[2] - box[0], box[3] - box[1]
    half = np.maximum(wide, tall) / 2
    middle = (box[0] + box[2]) / 2, (box[1] + box[3]) / 2
    layer_of, count = _layers(half, float(np.einsum("k,k", wide, tall)) / 2)
    square, layers, squares = np.zeros(len(half), dtype=np.int32), [], 0
    for number in range(count):
        chosen = np.flatnonzero(layer_of == number)
        east, north, reach = middle[0].take(chosen), middle[1].take(chosen), float(half.take(chosen).max())
        west, south, across, up = float(east.min()), float(north.min()), float(np.ptp(east)), float(np.ptp(north))
        most = SQUARES_PER_FACE * len(chosen)
        side = max(2 * reach, (across * up / most) ** 0.5, max(across, up) / most) or 1.0
        columns, rows = int(across / side) + 1, int(up / side) + 1
        column, row = ((east - west) / side).astype(np.int32), ((north - south) / side).astype(np.int32)
        square[chosen] = squares + row * columns + column
        layers.append((reach, side, west, south, columns, rows, squares))
        squares += columns * rows
    return square, np.array(layers, dtype=np.float64).reshape(-1, 7)


def _layers(half: Floats, area: float) -> tuple[Integers, int]:
    """Layer of each face by half its longer side, and their number.

    Each layer ends at a power of two; small faces join the next larger ones where that adds less than about one face
    to those that are looked at for one cover.
    """
    if not len(half):
        return np.zeros(0, dtype=np.int64), 0
    power = np.frexp(half)[1].astype(np.int64)
    power = np.maximum(np.where(half > 0, power, power.min()), power.max() - 40)
    least = int(power.min())
    counts = np.bincount(power - least)
    layer = np.zeros(len(counts), dtype=np.int64)
    number, held = 0, 0
    for place in range(len(counts)):
        layer[place] = number
        held += int(counts[place])
        reach = 2.0 ** (place + 1 + least)
        if held and place + 1 < len(counts) and held * min((4 * reach) ** 2, area) > area:
            number, held = number + 1, 0
    return layer[power - least], int(layer[-1]) + 1


def _sorted(square: NDArray[np.int32]) -> Index:
    """Places in the order of the squares, those of one square as they come: two passes of two bytes each."""
    order = np.argsort((square & 0xFFFF).astype(np.uint16), kind="stable")
    return order[np.argsort((square >> 16).astype(np.uint16)[order], kind="stable")]


def _outwards(box: Floats) -> NDArray[np.float32]:
    """Boxes (4, k) as (k, 4) small numbers, rounded outwards."""
    found = np.empty((box.shape[1], 4), dtype=np.float32)
    for side, edge in enumerate(box):
        away = np.float32(-np.inf if side < 2 else np.inf)
        found[:, side] = np.nextafter(edge.astype(np.float32), away)
    return found


def cut(
    index: FaceIndex, east: Floats, north: Floats, jacobians: Floats, radius: float, step: float = STEP
) -> TinSurface:
    """The triangles that touch a disc round each cover.

    Parameters
    ----------
    east, north : (n,) covers in the mesh's CRS; NaN = no triangles
    jacobians : (n, 2, 2) mesh coordinates per ground metre; NaN or without an inverse = no triangles
    radius : of the disc [ground m]
    step : see `TinSurface`
    """
    parts = [
        _cut(index, east[begin : begin + SOME], north[begin : begin + SOME], jacobians[begin : begin + SOME], radius)
        for begin in range(0, len(east), SOME)
    ]
    counts = np.concatenate([np.zeros(1, dtype=np.int64), *(part[0] for part in parts)])
    corners = np.concatenate([np.zeros((0, 3, 3)), *(part[1] for part in parts)])
    return TinSurface(np.cumsum(counts), corners, step)


def _cut(index: FaceIndex, east: Floats, north: Floats, jacobians: Floats, radius: float) -> tuple[Integers, Floats]:
    """Number of triangles of each cover, and their corners."""
    determinant = jacobians[:, 0, 0] * jacobians[:, 1, 1] - jacobians[:, 0, 1] * jacobians[:, 1, 0]
    usable = np.isfinite(east) & np.isfinite(north) & np.isfinite(determinant) & (determinant != 0)
    near = np.flatnonzero(usable)
    reach = radius * np.sqrt((jacobians[near] ** 2).sum(axis=2))
    middle = np.stack([east[near], north[near]], axis=1) - index.origin
    owner, place = _beside(index, middle - reach, middle + reach)
    pair = np.sort((owner << 32) | index.order.take(place))
    owner, face = near[pair >> 32], pair & 0xFFFFFFFF
    corners = index.mesh.vertices.take(index.mesh.faces.take(face, axis=0), axis=0)
    off_east, off_north = corners[:, :, 0] - east[owner, None], corners[:, :, 1] - north[owner, None]
    one = (jacobians[owner] / determinant[owner, None, None])[..., None]
    corners[:, :, 0] = one[:, 1, 1] * off_east - one[:, 0, 1] * off_north
    corners[:, :, 1] = one[:, 0, 0] * off_north - one[:, 1, 0] * off_east
    kept = np.flatnonzero(_touch(corners[:, :, 0].T, corners[:, :, 1].T, radius))
    return np.bincount(owner[kept], minlength=len(east)), corners.take(kept, axis=0)


def _beside(index: FaceIndex, low: Floats, high: Floats) -> tuple[Integers, Integers]:
    """Pairs of a box and a place of the index whose bounds touch.

    Parameters
    ----------
    low, high : (n, 2) corners of the boxes from the index's origin
    """
    ranges = [_ranges(index, layer, low, high) for layer in index.layers]
    nothing = np.zeros(0, dtype=np.int64)
    box, start, stop = (np.concatenate([nothing, *parts]) for parts in zip((nothing,) * 3, *ranges, strict=True))
    number, place = _spread(start, stop - start)
    box = box[number]
    ours = _outwards(np.concatenate([low, high], axis=1).T).take(box, axis=0)
    theirs = index.bounds.take(place, axis=0)
    touch = (theirs[:, 0] <= ours[:, 2]) & (theirs[:, 2] >= ours[:, 0])
    touch &= (theirs[:, 1] <= ours[:, 3]) & (theirs[:, 3] >= ours[:, 1])
    kept = np.flatnonzero(touch)
    return box[kept], place[kept]


def _ranges(index: FaceIndex, layer: Floats, low: Floats, high: Floats) -> tuple[Integers, Integers, Integers]:
    """Box, first place and end of each row of squares in which a layer may hold faces that touch a box."""
    reach, side, *west_south = layer[:4].tolist()
    columns, rows, first = (int(value) for value in layer[4:])
    size = np.array([columns, rows])
    begin = np.clip(np.floor((low - reach - west_south) / side - 1e-6), 0, size).astype(np.int64)
    end = np.clip(np.floor((high + reach - west_south) / side + 1e-6) + 1, 0, size).astype(np.int64)
    tall = np.where(end[:, 0] > begin[:, 0], np.maximum(end[:, 1] - begin[:, 1], 0), 0)
    box, row = _spread(begin[:, 1], tall)
    left = first + row * columns
    return box, index.starts[left + begin[box, 0]].astype(np.int64), index.starts[left + end[box, 0]].astype(np.int64)


def _spread(start: Integers, lengths: Integers) -> tuple[Integers, Integers]:
    """Number of the range, and value, of all whole numbers in ranges.

    Examples
    --------
    >>> number, value = _spread(np.array([5, 0]), np.array([2, 1]))
    >>> number.tolist(), value.tolist()
    ([0, 0, 1], [5, 6, 0])
    """
    number = np.repeat(np.arange(len(start)), lengths)
    before = np.cumsum(lengths) - lengths
    return number, np.arange(len(number)) + (start - before)[number]


def _touch(east: Floats, north: Floats, radius: float) -> NDArray[np.bool_]:
    """Which triangles have an area and touch the disc round the origin.

    A convex shape lies off a disc where one of its sides, or the line through its nearest corner at right angles to
    the way there, parts them (separating axes).

    Parameters
    ----------
    east, north : (3, t) corners
    """
    twice, flat = double_areas(east, north)
    touch = ~flat
    away = np.where(twice < 0, 1.0, -1.0)
    for i, j in ((0, 1), (1, 2), (2, 0)):
        e, n = east[j] - east[i], north[j] - north[i]
        beyond = away * (n * east[i] - e * north[i])
        touch &= ~((beyond > 0) & (beyond * beyond > (radius * radius) * (e * e + n * n)))
    squared = east * east + north * north
    nearest = np.argmin(squared, axis=0)[None]
    e, n = np.take_along_axis(east, nearest, 0), np.take_along_axis(north, nearest, 0)
    ahead = (e * east + n * north).min(axis=0)
    touch &= ~((ahead > 0) & (ahead * ahead > (radius * radius) * (e * e + n * n)[0]))
    return touch


def covers(index: FaceIndex, east: Floats, north: Floats) -> NDArray[np.bool_]:
    """Which points lie on the mesh.

    Parameters
    ----------
    east, north : (n,) in the mesh's CRS; NaN = on no mesh
    """
    found = [np.zeros(0, dtype=bool)]
    for begin in range(0, len(east), SOME):
        some = slice(begin, begin + SOME)
        units = np.broadcast_to(np.eye(2), (len(east[some]), 2, 2))
        here = np.zeros((len(units), 1))
        found.append(np.isfinite(cut(index, east[some], north[some], units, POINT).heights_at(here, here)[:, 0]))
    return np.concatenate(found)


@dataclass(frozen=True, slots=True)
class MeshFacts:
    """What a mesh is like, seen from above.

    Parameters
    ----------
    bounds : west, south, east, north [CRS units]; NaN where there is no face
    faces : faces with no NaN corner
    vertices : vertices that they use
    area : sum of the faces' areas [m2]
    density : vertices per square metre; NaN without an area
    edge : median length of the faces' sides [m]
    """

    bounds: tuple[float, float, float, float]
    faces: int
    vertices: int
    area: float
    density: float
    edge: float


def facts(index: FaceIndex, metres: float = 1.0) -> MeshFacts:
    """What a mesh is like.

    Parameters
    ----------
    metres : metres per unit of the mesh's easting and northing
    """
    if not len(index.order):
        return MeshFacts((np.nan,) * 4, 0, 0, 0.0, np.nan, np.nan)
    used = np.zeros(len(index.mesh.vertices), dtype=bool)
    area, sides = 0.0, []
    for begin in range(0, len(index.order), MANY):
        faces = index.mesh.faces[np.sort(index.order[begin : begin + MANY])]
        used[faces] = True
        places = (index.mesh.vertices[:, :2] - index.origin)[faces] * metres
        east, north = places[:, :, 0].T, places[:, :, 1].T
        area += float(np.abs(double_areas(east, north)[0]).sum()) / 2
        sides.append(np.hypot(east - np.roll(east, 1, axis=0), north - np.roll(north, 1, axis=0)).ravel())
    corners = index.mesh.vertices[used, :2]
    count = int(used.sum())
    return MeshFacts(
        bounds=(*corners.min(axis=0).tolist(), *corners.max(axis=0).tolist()),
        faces=len(index.order),
        vertices=count,
        area=area,
        density=count / area if area else np.nan,
        edge=float(np.median(np.concatenate(sides))),
    )
