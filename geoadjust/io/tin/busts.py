"""Survey points far off their neighbours, called busts: a misread rod, a wrong target height, a wrong code.

Each point is compared with the plane of its neighbours: those joined to it by sides of triangles, and theirs. The plane
has the least sum of absolute distances, each divided by the way to the point, so that one wild neighbour hardly bends
it. A point that lies off by more than the limit, and by more than three times the neighbours' median distance from
their plane, may be a bust, unless it lies on a line through two other points near by: then there is the top or the foot
of a wall, a ditch, or a bend at the end of the survey.

The worst point of a neighbourhood is taken out first, and its neighbours are judged anew without it. So a bust does not
make its neighbours look like busts. The limits here are measured on made surveys; common practice, no source.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Mask = NDArray[np.bool_]

LEAST_NEIGHBOURS = 5
"""With fewer of them a point is not judged."""
ROUGH = 3.0
"""Times the median distance of the neighbours from their own plane."""
BESIDE = 0.1
"""Way from a point to the line through two others, as part of the way between those."""
BEYOND = 1.2
"""Way from a point to the nearer of two others on one line with it, as part of the way between those."""
MOST_NEIGHBOURS = 100
"""Lines are looked for among so many of the nearest points."""
ROUNDS = 8
"""Rounds in which the worst points are taken out."""
WEIGHINGS = 10
"""Rounds of weights for one plane."""
FLAT, TINY = 1e-6, 1e-12
"""Keep the slope across neighbours on one line at 0, and a division from failing."""


def find_busts(points: Floats, sides: Integers, limit: float) -> Floats:
    """How far each point that may be a bust lies above its neighbours, in the unit of heights; NaN for all others.

    Parameters
    ----------
    points : (n, 3) easting, northing, height; heights may be in another unit
    sides : (m, 2) points that are neighbours, each pair once
    limit : [unit of heights]

    Examples
    --------
    >>> east, north = (values.ravel() for values in np.meshgrid(np.arange(5.0), np.arange(5.0)))
    >>> points = np.stack([east, north, 0.1 * east], axis=1)
    >>> points[12, 2] += 0.5
    >>> pairs = [(i, j) for i in range(25) for j in range(i) if np.hypot(*(points[i] - points[j])[:2]) < 1.5]
    >>> off = find_busts(points, np.array(pairs), limit=0.3)
    >>> np.flatnonzero(np.isfinite(off)).tolist(), round(float(off[12]), 6)
    ([12], 0.5)
    """
    owner, other = two_rings(sides, len(points))
    starts = np.searchsorted(owner, np.arange(len(points) + 1))
    kept, judged = np.ones((2, len(points)), dtype=bool)
    off, suspect = np.full(len(points), np.nan), np.zeros(len(points), dtype=bool)
    for _ in range(ROUNDS):
        pairs = kept[owner] & kept[other] & judged[owner]
        off[judged], suspect[judged] = np.nan, False
        numbers, planes = _far_off(points, owner[pairs], other[pairs], limit)
        off[numbers] = planes[:, 0]
        even = kept & np.isnan(off)
        for number, plane in zip(numbers.tolist(), planes, strict=True):
            near = _further(other, starts, number)
            near = near[kept[near]]
            suspect[number] = not _on_a_line(points[near] - points[number], even[near], plane, limit)
        worst = suspect & ~_beaten(owner, other, np.where(suspect, np.abs(off), 0.0))
        if not worst.any():
            break
        kept &= ~worst
        suspect &= kept
        judged = _beside(owner, other, worst)
        judged |= _beside(owner, other, judged) & np.isfinite(off)
        judged &= kept
    return np.where(kept, np.nan, off)


def two_rings(sides: Integers, n: int) -> tuple[Integers, Integers]:
    """Pairs of a point and a neighbour or a neighbour's neighbour, sorted, in both orders.

    Examples
    --------
    >>> owner, other = two_rings(np.array([[0, 1], [2, 1], [2, 3]]), 4)
    >>> list(zip(owner.tolist(), other.tolist()))
    [(0, 1), (0, 2), (1, 0), (1, 2), (1, 3), (2, 0), (2, 1), (2, 3), (3, 1), (3, 2)]
    """
    near = _once(np.concatenate([sides[:, 0] * n + sides[:, 1], sides[:, 1] * n + sides[:, 0]]))
    first, second = near // n, near % n
    counts = np.bincount(first, minlength=n)
    starts = np.cumsum(counts) - counts
    many = counts[second]
    place = np.arange(many.sum()) + np.repeat(starts[second] - (np.cumsum(many) - many), many)
    pairs = _once(np.concatenate([near, np.repeat(first, many) * n + second[place]]))
    owner, other = pairs // n, pairs % n
    apart = owner != other
    return owner[apart], other[apart]


def _once(values: Integers) -> Integers:
    """Values from 0, sorted, each once; np.unique takes ten times as long here."""
    ordered: Integers = np.sort(values)
    return ordered[np.diff(ordered, prepend=-1) > 0]


def _further(other: Integers, starts: Integers, number: int) -> Integers:
    """Neighbours of a point as far as four sides away."""
    near = other[starts[number] : starts[number + 1]]
    found = _once(np.concatenate([other[starts[i] : starts[i + 1]] for i in near]))
    return np.delete(found, np.searchsorted(found, number))


def _beside(owner: Integers, other: Integers, chosen: Mask) -> Mask:
    """Points with a chosen neighbour."""
    found = np.zeros(len(chosen), dtype=bool)
    found[owner[chosen[other]]] = True
    return found


def _beaten(owner: Integers, other: Integers, size: Floats) -> Mask:
    """Points with a neighbour of larger size; of equal ones the first in the file beats the others."""
    larger = (size[other] > size[owner]) | ((size[other] == size[owner]) & (other < owner))
    found = np.zeros(len(size), dtype=bool)
    found[owner[larger]] = True
    return found


def _far_off(points: Floats, owner: Integers, other: Integers, limit: float) -> tuple[Integers, Floats]:
    """Points that lie far off the plane of their neighbours (k,); height above it, and its two slopes (k, 3).

    Parameters
    ----------
    owner, other : (p,) sorted pairs of a point that is judged and a neighbour
    """
    counts = np.bincount(owner, minlength=len(points))
    owner, other = (values[counts[owner] >= LEAST_NEIGHBOURS] for values in (owner, other))
    if not len(owner):
        return np.zeros(0, dtype=np.int64), np.zeros((0, 3))
    begins = np.flatnonzero(np.diff(owner, prepend=-1))
    planes, residuals = _planes(points[other] - points[owner], begins, limit)
    planes[:, 0] *= -1
    ends = np.append(begins[1:], len(owner))
    far = np.flatnonzero(np.abs(planes[:, 0]) > limit)
    rough = np.array([np.median(np.abs(residuals[begins[place] : ends[place]])) for place in far])
    far = far[np.abs(planes[far, 0]) > ROUGH * rough]
    return owner[begins[far]], planes[far]


def _on_a_line(ways: Floats, even: Mask, plane: Floats, limit: float) -> bool:
    """Whether a point lies on a line through two others, between them or a little beyond.

    Both lie off the plane to its side by more than half as much, or neither is far off its own neighbours.

    Parameters
    ----------
    ways : (k, 3) from the point to the others
    even : (k,) others that are not far off their own neighbours
    plane : (3,) height of the point above the plane of its neighbours, and that plane's slopes
    """
    nearest = np.argsort(np.hypot(ways[:, 0], ways[:, 1]), kind="stable")[:MOST_NEIGHBOURS]
    ways, even = ways[nearest], even[nearest]
    size = abs(plane[0])
    above = (ways[:, 2] - ways[:, :2] @ plane[1:]) * np.sign(plane[0])
    high = above >= -size / 2
    one, two = np.triu_indices(len(ways), 1)
    useful = (high[one] & high[two]) | (even[one] & even[two])
    one, two = one[useful], two[useful]
    a, d = ways[one, :2].T, (ways[two, :2] - ways[one, :2]).T
    squared = np.maximum(d[0] * d[0] + d[1] * d[1], TINY)
    part = -(a[0] * d[0] + a[1] * d[1]) / squared
    reached = (np.abs(a[0] * d[1] - a[1] * d[0]) <= BESIDE * squared) & (np.abs(part - 0.5) < 0.5 + BEYOND)
    miss = np.abs(above[one] + part * (above[two] - above[one]))
    near = np.where(high[one] & high[two], max(limit / 2, size / 4), limit / 2)
    return bool((reached & (miss <= near)).any())


def _planes(ways: Floats, begins: Integers, limit: float) -> tuple[Floats, Floats]:
    """Height and slopes of each plane at its point (g, 3), and the neighbours' heights above their plane (p,).

    Least absolute distances by weights that are renewed, in equally many rounds for all.

    Parameters
    ----------
    ways : (p, 3) from the point to its neighbour
    begins : (g,) first pair of each point
    """
    counts = np.diff(begins, append=len(ways))
    numbers = np.repeat(np.arange(len(begins)), counts)
    distance = np.hypot(ways[:, 0], ways[:, 1])
    size = np.add.reduceat(distance, begins) / counts
    e, n, z = ways[:, 0] / size[numbers], ways[:, 1] / size[numbers], ways[:, 2]
    near = 1.0 / (distance / size[numbers] + 0.1)
    weights = near
    for _ in range(WEIGHINGS):
        height, east, north = _least_squares(e, n, z, weights, begins)
        residuals = z - height[numbers] - east[numbers] * e - north[numbers] * n
        weights = near / np.maximum(np.abs(residuals), limit / 100)
    return np.stack([height, east / size, north / size], axis=1), residuals


def _least_squares(e: Floats, n: Floats, z: Floats, w: Floats, begins: Integers) -> tuple[Floats, Floats, Floats]:
    """Weighted planes z = a + b e + c n (g,) each; on one line the slope across it is 0."""
    we, wn, wz = w * e, w * n, w * z
    total = np.add.reduceat(w, begins)
    me, mn, mz = (np.add.reduceat(values, begins) / total for values in (we, wn, wz))
    ee = np.add.reduceat(we * e, begins) / total - me * me
    en = np.add.reduceat(we * n, begins) / total - me * mn
    nn = np.add.reduceat(wn * n, begins) / total - mn * mn
    ez = np.add.reduceat(we * z, begins) / total - me * mz
    nz = np.add.reduceat(wn * z, begins) / total - mn * mz
    ridge = FLAT * (ee + nn) + TINY
    ee, nn = ee + ridge, nn + ridge
    determinant = ee * nn - en * en
    b, c = (nn * ez - en * nz) / determinant, (ee * nz - en * ez) / determinant
    return mz - b * me - c * mn, b, c
