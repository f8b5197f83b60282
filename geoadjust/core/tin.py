"""A triangulated road surface (TIN) round each cover: the triangles that lie near it, in ground metres from its centre.

A height is exact on its triangle: linear between the three corners. A point in several triangles (a shared edge, an
overlap, a vertical step) takes the one that comes first in the file. Points within 1e-9 of an edge, as a share of the
triangle's height over that edge, count as inside. The line of an edge is reckoned from the same end in both of its
triangles, so that rounding leaves no gap between them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from geoadjust.core.columns import RoadModels, Samples
from geoadjust.core.ring import Ring

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Line = tuple[Floats, Floats, Floats]

CIRCLES = 3
ON_CIRCLE = 24
"""Samples of the ring: so many circles with so many points each."""
STEP = 0.05
"""Nominal distance of neighbouring heights along a bar [m]."""
ON_EDGE = 1e-9
FLAT = 1e-12
"""A triangle whose height over its longest side is a smaller share of that side has no heights."""
BLOCK = 72_000
"""Points that are looked up at a time; small enough to stay in the processor's cache."""


@dataclass(frozen=True, slots=True, eq=False)
class TinSurface:
    """Triangles near n covers.

    Parameters
    ----------
    first : (n + 1,) the triangles of structure i are first[i] up to first[i + 1], in the order of the file
    corners : (t, 3, 3) east, north [ground m from the cover's centre] and height [m] of each triangle's corners
    step : nominal distance of neighbouring heights along a bar [m]; the same for the whole run

    Examples
    --------
    One triangle that rises 2 % to the east:

    >>> corners = np.array([[[-3.0, -3.0, 9.94], [3.0, -3.0, 10.06], [0.0, 6.0, 10.0]]])
    >>> surface = TinSurface(np.array([0, 1]), corners)
    >>> surface.heights_at(np.array([[0.5, 9.0]]), np.array([[0.0, 0.0]])).round(9).tolist()
    [[10.01, nan]]
    """

    first: Integers
    corners: Floats
    step: float = STEP

    def __len__(self) -> int:
        return len(self.first) - 1

    def levelled(self, roads: RoadModels) -> TinSurface:
        """Itself: heights on triangles need no model."""
        return self

    def take(self, index: NDArray[np.intp]) -> TinSurface:
        """The triangles of some structures."""
        counts = np.diff(self.first)[index]
        first = np.concatenate([[0], np.cumsum(counts)])
        place = np.arange(first[-1]) + np.repeat(self.first[:-1][index] - first[:-1], counts)
        return replace(self, first=first, corners=self.corners.take(place, axis=0))

    def spacing(self) -> Floats:
        """Distance of neighbouring heights along a bar [m], (n,): there are no cells that could show the casting."""
        return np.full(len(self), self.step)

    def samples(self, flange_radius: Floats, ring: Ring, side: Floats | None = None) -> Samples:
        """Heights at the same 72 places of every ring.

        The ring from r0 = flange + clearance to r1 is cut into three of equal area. Each holds a circle of 24 points
        that halves its area: radius^2 = r0^2 + (2 j + 1) / 6 (r1^2 - r0^2), j = 0, 1, 2. The points of circle j lie at
        azimuths of 15 i + 5 j degrees; so each sixteenth of the ring holds four or five.

        Parameters
        ----------
        flange_radius : (n,) [m]
        ring : settings of the ring
        side : (n,) azimuth of the half of the ring that is read [rad]; NaN = the whole ring

        Returns
        -------
        Samples (n, 72). NaN heights: off the surface, on the other side, or no room between flange and outer radius.
        `spacing` is the side of a square of the area that one sample stands for.
        """
        inner = flange_radius + ring.inner_clearance
        room = inner < ring.outer_radius
        east, north = _pattern(np.where(room, inner, ring.outer_radius), ring.outer_radius)
        inside = np.broadcast_to(room[:, None], east.shape)
        if side is not None:
            ahead = east * np.sin(side)[:, None] + north * np.cos(side)[:, None]
            inside = inside & ~(ahead < 0)
        area = np.pi * np.where(room, ring.outer_radius**2 - inner**2, 0.0)
        return Samples(
            east=east,
            north=north,
            height=np.where(inside, self.heights_at(east, north), np.nan),
            pattern=inside.sum(axis=1),
            spacing=np.sqrt(area / (CIRCLES * ON_CIRCLE)),
            widened=np.zeros(len(self), dtype=bool),
        )

    def heights_at(self, east: Floats, north: Floats) -> Floats:
        """Road heights [m] at offsets from the covers' centres.

        Parameters
        ----------
        east, north : (n, k) [m]; where one is NaN so is the height

        Returns
        -------
        (n, k) [m]; NaN off the surface
        """
        found = np.full(east.shape, np.nan)
        counts = np.diff(self.first)
        order = np.argsort(-counts, kind="stable")
        order = order[: np.count_nonzero(counts)]
        rows = max(BLOCK // max(east.shape[1], 1), 1)
        for begin in range(0, len(order), rows):
            some = order[begin : begin + rows]
            places = (np.ascontiguousarray(values.take(some, axis=0).T) for values in (east, north))
            found[some] = self._look_up(some, counts[some], *places).T
        return found

    def _look_up(self, some: NDArray[np.intp], counts: Integers, east: Floats, north: Floats) -> Floats:
        """Heights (k, m) of structures that are sorted by falling number of triangles.

        The last triangle of each is laid down first, and the first one last.

        Parameters
        ----------
        some, counts : (m,) structures, and how many triangles they have
        east, north : (k, m)
        """
        height = np.full(east.shape, np.nan)
        for number in range(counts[0] - 1, -1, -1):
            last = int(np.searchsorted(-counts, -number, side="left"))
            triangles = _Triangles.of(self.corners.take(self.first[some[:last]] + number, axis=0))
            triangles.lay(east[:, :last], north[:, :last], height[:, :last])
        return height


def _pattern(inner: Floats, outer: float) -> tuple[Floats, Floats]:
    """Offsets east and north of the samples [m], (n, 72) each, circle by circle; see `TinSurface.samples`."""
    share = (2 * np.arange(CIRCLES) + 1) / (2 * CIRCLES)
    squared = (inner**2)[:, None]
    radius = np.sqrt(squared + share * (outer**2 - squared))
    turn = np.arange(ON_CIRCLE) + np.arange(CIRCLES)[:, None] / CIRCLES
    azimuth = turn * (2 * np.pi / ON_CIRCLE)
    size = len(inner), CIRCLES * ON_CIRCLE
    east, north = (radius[:, :, None] * values for values in (np.sin(azimuth), np.cos(azimuth)))
    return east.reshape(size), north.reshape(size)


@dataclass(frozen=True, slots=True, eq=False)
class _Triangles:
    """One triangle of each of m structures, as functions of the offsets; (m,) each of a, b, c.

    A point lies on the inner side of an edge where b east + c north >= a. The height is a + b east + c north.
    """

    edges: list[Line]
    height: Line

    @classmethod
    def of(cls, corners: Floats) -> _Triangles:
        """From corners (m, 3, 3)."""
        east, north, up = np.ascontiguousarray(corners.transpose(2, 1, 0))
        twice, flat = double_areas(east, north)
        slack = np.where(flat, -np.inf, ON_EDGE * np.abs(twice))
        inwards = np.where(twice < 0, -1.0, 1.0)
        edges = [_line(east[i], north[i], east[j], north[j], inwards, slack) for i, j in ((0, 1), (1, 2), (2, 0))]
        e1, n1, u1 = (values[1] - values[0] for values in (east, north, up))
        e2, n2, u2 = (values[2] - values[0] for values in (east, north, up))
        whole = np.where(flat, 1.0, twice)
        slope_east, slope_north = (u1 * n2 - u2 * n1) / whole, (u2 * e1 - u1 * e2) / whole
        level = up[0] - slope_east * east[0] - slope_north * north[0]
        return cls(edges, (level, slope_east, slope_north))

    def lay(self, east: Floats, north: Floats, height: Floats) -> None:
        """Write the heights of the points (k, m) that lie in the triangles over those that stand there."""
        found, spare = np.empty(east.shape), np.empty(east.shape)
        inside, more = np.empty(east.shape, dtype=bool), np.empty(east.shape, dtype=bool)
        for number, (least, to_east, to_north) in enumerate(self.edges):
            _rise(to_east, to_north, east, north, found, spare)
            np.greater_equal(found, least, out=more if number else inside)
            if number:
                inside &= more
        level, slope_east, slope_north = self.height
        _rise(slope_east, slope_north, east, north, found, spare)
        found += level
        np.copyto(height, found, where=inside)


def _rise(to_east: Floats, to_north: Floats, east: Floats, north: Floats, out: Floats, spare: Floats) -> None:
    np.multiply(east, to_east, out=out)
    np.multiply(north, to_north, out=spare)
    out += spare


def double_areas(east: Floats, north: Floats) -> tuple[Floats, NDArray[np.bool_]]:
    """Twice the signed areas of triangles seen from above [m2], and which are too flat to have heights.

    Parameters
    ----------
    east, north : (3, ...) corners
    """
    sides = [(east[j] - east[i], north[j] - north[i]) for i, j in ((0, 1), (1, 2), (2, 0))]
    longest = np.maximum.reduce([e * e + n * n for e, n in sides])
    twice = sides[2][0] * sides[0][1] - sides[0][0] * sides[2][1]
    return twice, ~(np.abs(twice) > FLAT * longest)


def _line(east: Floats, north: Floats, to_east: Floats, to_north: Floats, inwards: Floats, slack: Floats) -> Line:
    """a, b, c of an edge: what lies in it or further in has b east + c north >= a.

    b east + c north - a - slack is the distance from the edge's line times its length. The line is reckoned from the
    end that lies farther west (farther south), whichever way the triangle runs; so what the triangle on the other side
    finds is the exact opposite.

    Parameters
    ----------
    east, north, to_east, to_north : (m,) ends of the edge in the triangle's order
    inwards : (m,) 1 where the corners run counter-clockwise, else -1
    slack : (m,) this far outwards still counts as inside; -inf = nothing does
    """
    swapped = (to_east < east) | ((to_east == east) & (to_north < north))
    sign = np.where(swapped, -inwards, inwards)
    start_east, start_north = np.where(swapped, to_east, east), np.where(swapped, to_north, north)
    along_east, along_north = np.where(swapped, east, to_east), np.where(swapped, north, to_north)
    along_east, along_north = along_east - start_east, along_north - start_north
    level = along_north * start_east - along_east * start_north
    return -sign * level - slack, -sign * along_north, sign * along_east
