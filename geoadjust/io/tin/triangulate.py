"""Triangles between survey points, with breaklines as sides: constrained Delaunay."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from importlib import import_module
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from geoadjust.errors import Fault, InputError
from geoadjust.io.tin.faces import Mesh

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

INSTALL = "install the extra: pip install 'geoadjust[tin]'"
REMEDY = "end both in one common point there, or remove one"
MOST_FAULTS = 5


@dataclass(frozen=True, slots=True, eq=False)
class Triangulated:
    """A mesh, and what was left out: points at a place that another has, and triangles with too long a side."""

    mesh: Mesh
    same_place: int
    too_long: int


def triangulate(
    points: Floats,
    lines: Integers,
    longest: float,
    *,
    where: str,
    path: str,
    scale: tuple[float, float] = (1.0, 1.0),
) -> Triangulated:
    """Triangles whose sides keep to the lines.

    Of points at one place (to a micrometre) the first one counts.

    Parameters
    ----------
    points : (v, 3) easting, northing, height
    lines : (m, 2) points that a side must join
    longest : a triangle with a longer side is left out [m]; 0 = none is
    where, path : for the faults
    scale : metres per unit of easting and northing

    Raises
    ------
    InputError
        The extra is not installed; fewer than three places; lines that cross, with the places of the first ones.
    """
    flat, kept, place = _places(points, scale)
    edges = np.sort(place[lines], axis=1).reshape(-1, 2)
    edges = np.unique(edges[edges[:, 0] != edges[:, 1]], axis=0)
    if crossings := _crossings(flat, edges):
        origin = points[:, :2].min(axis=0)
        raise InputError([_crossing(origin + spot / scale, path, where) for spot in crossings])
    faces = _delaunay(flat, edges, where, path)
    sides = flat[faces] - np.roll(flat[faces], 1, axis=1)
    good = np.hypot(sides[:, :, 0], sides[:, :, 1]).max(axis=1) <= longest if longest else np.ones(len(faces), bool)
    mesh = Mesh(points[kept], faces[good].astype(np.int32))
    return Triangulated(mesh, len(points) - len(kept), int((~good).sum()))


@dataclass(frozen=True, slots=True, eq=False)
class Neighbours:
    """Places of points, and which of them are neighbours.

    Parameters
    ----------
    flat : (k, 2) east, north of each place [m]
    first : (k,) first point at each place
    sides : (m, 2) places that a side of a triangle joins, each pair once
    """

    flat: Floats
    first: Integers
    sides: Integers


def find_neighbours(
    points: Floats, longest: float, *, where: str, path: str, scale: tuple[float, float] = (1.0, 1.0)
) -> Neighbours:
    """Neighbours by triangles without breaklines; the parameters and faults of `triangulate`."""
    flat, kept, _ = _places(points, scale)
    faces = _delaunay(flat, np.zeros((0, 2), dtype=np.int64), where, path)
    sides = np.sort(np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [0, 2]]]), axis=1)
    ways = flat[sides[:, 0]] - flat[sides[:, 1]]
    keys = np.sort((sides[:, 0] * len(flat) + sides[:, 1])[np.hypot(ways[:, 0], ways[:, 1]) <= longest])
    keys = keys[np.diff(keys, prepend=-1) > 0]
    return Neighbours(flat, kept, np.stack([keys // len(flat), keys % len(flat)], axis=1))


def _places(points: Floats, scale: tuple[float, float]) -> tuple[Floats, Integers, Integers]:
    """Places (k, 2) from the least easting and northing [m], first point of each (k,), place of each point (v,)."""
    flat = np.ascontiguousarray((points[:, :2] - points[:, :2].min(axis=0)) * scale)
    _, first, place = np.unique(np.rint(flat * 1e6), axis=0, return_index=True, return_inverse=True)
    order = np.argsort(first, kind="stable")
    rank = np.empty(len(order), dtype=np.int64)
    rank[order] = np.arange(len(order))
    kept = first[order]
    return np.ascontiguousarray(flat[kept]), kept, rank[place.ravel()]


def _delaunay(flat: Floats, edges: Integers, where: str, path: str) -> Integers:
    if len(flat) < 3:
        raise InputError(Fault(where, f"{path}: {len(flat)} places make no triangle", "3 at least"))
    library = _library(where)
    strategy = library.IntersectingConstraintEdges.NOT_ALLOWED
    triangulation = library.Triangulation(library.VertexInsertionOrder.AUTO, strategy, 0.0)
    triangulation.insert_vertices(flat)
    try:
        triangulation.insert_edges(np.ascontiguousarray(edges, dtype=np.uint32))
    except RuntimeError as error:
        raise InputError(Fault(where, f"{path}: breaklines cannot be kept to ({error})", remedy=REMEDY)) from None
    triangulation.erase_super_triangle()
    return triangulation.triangles_array()["vertices"].astype(np.int64)  # type: ignore[no-any-return]


def _library(where: str) -> Any:
    try:
        return import_module("pythoncdt")
    except ImportError:
        what = "survey points need the library pythoncdt, which is not installed"
        raise InputError(Fault(where, what, remedy=INSTALL)) from None


def _crossings(flat: Floats, edges: Integers) -> Sequence[Floats]:
    """Places of the first lines that cross one another elsewhere than at a common point."""
    if not len(edges):
        return []
    lines = np.asarray(shapely.linestrings(flat[edges]))
    left, right = shapely.STRtree(lines).query(lines, predicate="crosses")
    once = left < right
    spots = shapely.get_coordinates(shapely.centroid(shapely.intersection(lines[left[once]], lines[right[once]])))
    return list(spots[:MOST_FAULTS])


def _crossing(spot: Floats, path: str, where: str) -> Fault:
    what = f"{path}: two breaklines cross at {spot[0]:.2f} east, {spot[1]:.2f} north"
    return Fault(where, what, remedy=REMEDY)
