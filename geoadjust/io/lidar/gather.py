"""Sums of the lidar points round structures: one pass over the files, and what is kept of it on disk.

Only points near a structure are kept, as exact sums by structure and cell (`core.cloud`). Files whose bounds touch no
structure are not opened.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from geoadjust.core.cloud import CloudPlan, Sums, lattice_point, merge_sums, sum_points
from geoadjust.errors import Fault, InputError
from geoadjust.io.lidar.clouds import GROUND, CloudFacts
from geoadjust.io.lidar.las import read_points
from geoadjust.io.raster.patches import HIGHEST, LOWEST
from geoadjust.io.working.arrays import load_array, save_array

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

MOST_SUMS = 2_000_000
"""Sums by structure and cell that are kept in memory at a time (80 MB)."""
MOST_CLASSES = 6


def gather(
    facts: CloudFacts,
    plan: CloudPlan,
    east: Floats,
    north: Floats,
    jacobians: Floats,
    *,
    classes: Collection[int] = (GROUND,),
    where: str,
) -> Iterator[Sums]:
    """Sums of the points round structures, in one pass over the files.

    They come in pieces of at most about MOST_SUMS, which are put together by `merge_sums` in any order; memory does not
    grow with the points, nor with the structures beyond their own coordinates.

    Parameters
    ----------
    east, north : (n,) covers in the cloud's CRS; NaN where there is none
    jacobians : (n, 2, 2) coordinates of the cloud's CRS per ground metre
    classes : of the points that are kept
    where : job key for the faults

    Raises
    ------
    InputError
        A file cannot be read; or near the structures there are points, and none of these classes in any file that was
        opened. A structure without points is no fault.
    """
    covers = _covers(plan, east, north, jacobians)
    seen, pending, waiting = np.zeros(256, dtype=np.int64), [], 0
    for file in facts.files:
        near = covers.near(file.header.bounds)
        if not len(near.number):
            continue
        bins = _Bins(near)
        for points in read_points(file.header.path, classes, where=f"{where}.path"):
            seen += points.classes
            pending.append(_sum_near(bins, points.east, points.north, points.height, facts.to_metres))
            waiting += len(pending[-1])
            if waiting > MOST_SUMS:
                pending = [merge_sums(pending)]
                waiting = len(pending[0])
            if waiting > MOST_SUMS // 2 and len(pending) == 1:
                yield pending.pop()
                waiting = 0
    if seen.any() and not seen[list(classes)].any():
        raise InputError(_no_class(facts, seen, classes, where))
    yield merge_sums(pending)


def _no_class(facts: CloudFacts, seen: Integers, classes: Collection[int], where: str) -> Fault:
    wanted = ", ".join(map(str, sorted(classes)))
    order = np.argsort(-seen, kind="stable")[:MOST_CLASSES]
    found = ", ".join(f"{kind} ({seen[kind]:,})" for kind in order if seen[kind])
    what = f"{facts.path} has no point of class {wanted} near the structures' files; classes found (points): {found}"
    remedy = "have the points classified (2 ground, 11 road surface), or write classes = [...] for those of the road"
    return Fault(f"{where}.classes", what, remedy=remedy)


@dataclass(frozen=True, slots=True, eq=False)
class _Covers:
    """Structures with a place: number, coordinates, ground metres per unit, how far their cells reach [CRS units]."""

    plan: CloudPlan
    number: Integers
    east: Floats
    north: Floats
    metres: Floats
    reach: Floats

    def near(self, bounds: tuple[float, float, float, float]) -> _Covers:
        """Those whose cells touch a box."""
        west, south, east, north = bounds
        on = (self.east + self.reach[0] >= west) & (self.east - self.reach[0] <= east)
        on &= (self.north + self.reach[1] >= south) & (self.north - self.reach[1] <= north)
        return _Covers(self.plan, self.number[on], self.east[on], self.north[on], self.metres[on], self.reach[:, on])


def _covers(plan: CloudPlan, east: Floats, north: Floats, jacobians: Floats) -> _Covers:
    known = np.flatnonzero(np.isfinite(east) & np.isfinite(north) & np.isfinite(jacobians).all(axis=(1, 2)))
    side = (plan.half + 0.5) * plan.cell * 1.001
    reach = np.abs(jacobians[known]).sum(axis=2).T * side
    metres = np.asarray(np.linalg.inv(jacobians[known]), dtype=np.float64)
    return _Covers(plan, known, east[known], north[known], metres, reach)


class _Bins:
    """A hash of structures by squares as large as the widest structure's cells, which lie in four of them at most."""

    def __init__(self, covers: _Covers) -> None:
        self.covers = covers
        self.side = 2.002 * covers.reach.max(axis=1)
        places = np.stack([covers.east, covers.north])
        self.corner = (places - covers.reach).min(axis=1)
        self.count = self._bin(places + covers.reach).max(axis=1) + 1
        ends = [self._bin(places + sign * covers.reach) for sign in (-1, 1)]
        keys = np.concatenate([a[0] * self.count[1] + b[1] for a in ends for b in ends])
        pairs = np.unique(np.stack([keys, np.tile(np.arange(len(covers.number)), 4)]), axis=1)
        self.member = pairs[1]
        self.key, self.first = np.unique(pairs[0], return_index=True)
        self.last = np.append(self.first[1:], len(self.member))

    def _bin(self, places: Floats) -> Integers:
        """Column and row (2, k) of squares."""
        return np.asarray(np.floor((places - self.corner[:, None]) / self.side[:, None]).astype(np.int64))

    def pairs(self, east: Floats, north: Floats) -> tuple[Integers, Integers]:
        """Points and structures (as numbers of `covers`) that lie in one square."""
        places = np.stack([east, north])
        ends = self.corner[:, None], (self.corner + self.count * self.side)[:, None]
        near = np.flatnonzero(((places >= ends[0]) & (places <= ends[1])).all(axis=0))
        column, row = self._bin(places[:, near])
        key = column * self.count[1] + row
        place = np.minimum(np.searchsorted(self.key, key), len(self.key) - 1)
        hit = self.key[place] == key
        near, place = near[hit], place[hit]
        count = self.last[place] - self.first[place]
        ahead = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)
        return np.repeat(near, count), self.member[np.repeat(self.first[place], count) + ahead]


def _sum_near(bins: _Bins, east: Floats, north: Floats, height: Floats, to_metres: float) -> Sums:
    """Sums of points (k,) [units of the file] by structure and cell."""
    covers = bins.covers
    plan = covers.plan
    point, who = bins.pairs(east, north)
    right, up = lattice_point(east[point], north[point], plan.per_unit)
    off_east, off_north = right / plan.per_unit - covers.east[who], up / plan.per_unit - covers.north[who]
    metres = covers.metres[who]
    column = np.floor((metres[:, 0, 0] * off_east + metres[:, 0, 1] * off_north) / plan.cell + 0.5) + plan.half
    row = np.floor((metres[:, 1, 0] * off_east + metres[:, 1, 1] * off_north) / plan.cell + 0.5) + plan.half
    level = height[point] * to_metres
    on = (column >= 0) & (row >= 0) & (column < plan.size) & (row < plan.size) & (level >= LOWEST) & (level <= HIGHEST)
    point, who = point[on], who[on]
    place = row[on].astype(np.int64) * plan.size + column[on].astype(np.int64)
    corner = lattice_point(covers.east[who], covers.north[who], plan.per_unit)
    return sum_points(
        covers.number[who] * plan.size**2 + place,
        right[on] - corner[0],
        up[on] - corner[1],
        np.rint(height[point] * plan.per_height).astype(np.int64),
    )


# ---------------------------------------------------------------- kept on disk


def spill_sums(pieces: Iterable[Sums], folder: Path, ends: Sequence[int], plan: CloudPlan) -> None:
    """Keep the pieces of `gather` by runs of structures: run c is those from ends[c - 1] (0 of the first) to ends[c].

    One file per piece and run that has points; a run is read back by `recall_sums`.
    """
    for number, piece in enumerate(pieces):
        first = 0
        for run, last in enumerate(ends):
            part = piece.between(first, last, plan)
            if len(part):
                save_array(folder / f"{run}-{number}.npy", np.vstack([part.key, part.total]))
            first = last


def recall_sums(folder: Path, run: int) -> Sums:
    """The sums of one run of structures, which count from 0 in it."""
    found = [load_array(path) for path in folder.glob(f"{run}-*.npy")]
    return merge_sums([Sums(table[0], table[1:]) for table in found])
