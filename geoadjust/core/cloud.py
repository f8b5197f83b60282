"""Points of a lidar survey round each cover, gathered into small square cells.

The cells lie along the structures' grid, in ground metres, the middle one centred on the cover, so that every structure
has the same cells in every CRS. A cell holds the mean of its points, at the place of that mean: on a plane the mean of
points is a point of the plane, wherever in the cell they lie. Nothing is resampled.

Sums are whole numbers of lattice steps (`CloudPlan.per_unit`), so they are exact: neither the order of the points nor
the way in which files and chunks divide them changes a bit.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from geoadjust.core.columns import RoadModels, Samples
from geoadjust.core.edge import road_heights
from geoadjust.core.ring import Ring, grid_stencil, inner_radius, outer_radius, patch_half

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

POINTS_PER_CELL = 3.0
"""Pulses that a cell is made for. Where every second one hits the road it still has 1.5 points, and three cells of four
have one at least (Poisson)."""
LEAST_CELL, CELL_STEP = 0.10, 0.05
"""Cells of a choice made from the density [m]: no finer than a fine raster's, in steps that people can read."""
LEAST_WEIGHT = 0.5
"""A height between cells needs cells with points that carry this share of the weight."""


@dataclass(frozen=True, slots=True, eq=False)
class CloudPlan:
    """What all structures on one cloud share in a run.

    Parameters
    ----------
    cell : side of a cell [m]
    half : cells from the middle one to the edge
    stencil : (m, 2) cell offsets (row, column) that a ring may need
    per_unit : lattice steps per unit of the cloud's coordinates
    per_height : lattice steps per unit of its heights
    """

    cell: float
    half: int
    stencil: Integers
    per_unit: float
    per_height: float = 1e6

    @property
    def size(self) -> int:
        """Cells along one side of a structure's square."""
        return 2 * self.half + 1


def plan_cells(cell: float, ring: Ring, *, per_unit: float = 1e6) -> CloudPlan:
    """The cells round every structure of a run, so that they hold the ring and the bar.

    Examples
    --------
    >>> plan = plan_cells(0.25, Ring())
    >>> plan.size, len(plan.stencil)
    (19, 145)
    """
    cells = np.eye(2)[None] / cell
    return CloudPlan(cell, patch_half(cells, ring), grid_stencil(cells, ring), per_unit)


def choose_cell(density: float) -> float:
    """Side of a cell [m] for so many pulses per square metre.

    Examples
    --------
    >>> [choose_cell(density) for density in (5.0, 10.0, 25.0, 50.0, 2000.0)]
    [0.75, 0.55, 0.35, 0.25, 0.1]
    """
    side = np.sqrt(POINTS_PER_CELL / density)
    return float(round(max(round(side / CELL_STEP) * CELL_STEP, LEAST_CELL), 2))


# ---------------------------------------------------------------- sums


@dataclass(frozen=True, slots=True, eq=False)
class Sums:
    """Exact sums of points by structure and cell.

    Parameters
    ----------
    key : (r,) structure * size^2 + row * size + column; rising, each once. Rows run north, columns east
    total : (4, r) number of points, and sums of easting and northing from the cover, and of height [lattice steps]
    """

    key: Integers
    total: Integers

    def __len__(self) -> int:
        return len(self.key)

    def between(self, first: int, last: int, plan: CloudPlan) -> Sums:
        """The sums of structures `first` to `last` - 1, which count from 0 then."""
        cells = plan.size**2
        begin, end = np.searchsorted(self.key, [first * cells, last * cells])
        return Sums(self.key[begin:end] - first * cells, self.total[:, begin:end])

    def take(self, index: NDArray[np.intp], plan: CloudPlan) -> Sums:
        """The sums of some structures, which count from 0 in the order of the index.

        Examples
        --------
        >>> plan = CloudPlan(cell=0.25, half=0, stencil=np.zeros((1, 2), dtype=np.int64), per_unit=1e6)
        >>> sums = Sums(np.array([0, 2, 3]), np.array([[1, 2, 3]] * 4))
        >>> some = sums.take(np.array([3, 1, 2]), plan)
        >>> some.key.tolist(), some.total[0].tolist()
        ([0, 2], [3, 2])
        """
        cells = plan.size**2
        first, last = (np.searchsorted(self.key, (index + ahead) * cells) for ahead in (0, 1))
        count = last - first
        begin = np.cumsum(count) - count
        place = np.arange(count.sum()) + np.repeat(first - begin, count)
        key = self.key[place] + np.repeat((np.arange(len(index)) - index) * cells, count)
        return Sums(key, self.total[:, place])

    def points(self, n: int, plan: CloudPlan) -> Integers:
        """Points of each of n structures, (n,)."""
        found = np.zeros(n, dtype=np.int64)
        np.add.at(found, self.key // plan.size**2, self.total[0])
        return found


def no_sums() -> Sums:
    """Sums of no points."""
    return Sums(np.empty(0, dtype=np.int64), np.empty((4, 0), dtype=np.int64))


def sum_points(key: Integers, east: Integers, north: Integers, height: Integers) -> Sums:
    """Sums of points with these keys; (k,) each.

    Examples
    --------
    >>> found = sum_points(*np.array([[7, 2, 7], [1, 10, 2], [0, 0, 5], [50, 60, 52]]))
    >>> found.key.tolist(), found.total.tolist()
    ([2, 7], [[1, 2], [10, 3], [0, 5], [60, 102]])
    """
    return _summed(key, np.stack([np.ones_like(key), east, north, height]))


def merge_sums(parts: Sequence[Sums]) -> Sums:
    """One for several, in any order."""
    if not parts:
        return no_sums()
    if len(parts) == 1:
        return parts[0]
    return _summed(np.concatenate([part.key for part in parts]), np.concatenate([part.total for part in parts], axis=1))


def _summed(key: Integers, total: Integers) -> Sums:
    if not len(key):
        return no_sums()
    order = np.argsort(key, kind="stable")
    key = key[order]
    first = np.flatnonzero(np.concatenate([[True], key[1:] != key[:-1]]))
    return Sums(key[first], np.add.reduceat(total[:, order], first, axis=1))


# ---------------------------------------------------------------- surface


@dataclass(frozen=True, slots=True, eq=False)
class CloudSurface:
    """Cells of points round n structures.

    Parameters
    ----------
    east, north : (n, p, p) mean place of a cell's points, ground metres from the cover's centre [m]
    height : (n, p, p) their mean height [m]; all three are NaN in a cell without points. Rows run north, columns east
    stencil : (m, 2) cell offsets (row, column) that a ring may need; the same for the whole run
    cell : side of a cell [m]; the same for the whole run
    """

    east: Floats
    north: Floats
    height: Floats
    stencil: Integers
    cell: float

    def __len__(self) -> int:
        return len(self.height)

    @property
    def step(self) -> float:
        """Nominal distance of neighbouring cells [m]."""
        return self.cell

    def take(self, index: NDArray[np.intp]) -> CloudSurface:
        """The cells of some structures."""
        return replace(self, east=self.east[index], north=self.north[index], height=self.height[index])

    def spacing(self) -> Floats:
        """Side of a cell [m], (n,)."""
        return np.full(len(self), self.cell)

    def samples(self, flange_radius: Floats, ring: Ring, side: Floats | None = None) -> Samples:
        """Every cell whose centre lies in the ring, at the mean place of its points.

        The centre decides, not that place: so each structure's pattern is the same whether cells have points or not,
        and no point of a sample lies on the casting (`ring.HALF_DIAGONAL`).

        Parameters
        ----------
        flange_radius : (n,) [m]
        ring : settings of the ring
        side : (n,) azimuth of the half of the ring that is read [rad]; NaN = the whole ring

        Returns
        -------
        Samples with m = size of the stencil; cells outside the ring or without points are NaN. Their places are the
        cells' centres.
        """
        spacing = self.spacing()
        inner, outer = inner_radius(flange_radius, spacing, ring), outer_radius(spacing, ring)
        north, east = (self.stencil * self.cell).T
        squared = east * east + north * north
        inside = (squared >= (inner**2)[:, None]) & (squared <= (outer**2)[:, None])
        if side is not None:
            ahead = east * np.sin(side)[:, None] + north * np.cos(side)[:, None]
            inside &= ~(ahead < 0)
        height = np.where(inside, self._at(self.height), np.nan)
        empty = np.isnan(height)
        return Samples(
            east=np.where(empty, east, self._at(self.east)),
            north=np.where(empty, north, self._at(self.north)),
            height=height,
            pattern=inside.sum(axis=1),
            spacing=spacing,
            widened=outer > ring.outer_radius,
        )

    def levelled(self, roads: RoadModels) -> Levelled:
        """The same cells as heights between them, by what they lie above the road models of the same structures.

        The mean of a cell's points is not the height at its centre: on a slope it is off by slope times their distance.
        What is left above the model has no slope, so it may be blended as if it stood at the centre.
        """
        flat = len(self), -1
        model = road_heights(roads, self.east.reshape(flat), self.north.reshape(flat))
        return Levelled(roads, self.height - model.reshape(self.height.shape), self.cell)

    def _at(self, values: Floats) -> Floats:
        """Values (n, m) of the stencil's cells."""
        size = values.shape[1]
        place = (size // 2 + self.stencil[:, 0]) * size + size // 2 + self.stencil[:, 1]
        return np.asarray(np.take(values.reshape(len(self), size * size), place, axis=1))


@dataclass(frozen=True, slots=True, eq=False)
class Levelled:
    """Road models of n structures and what cells of points lie above them, (n, p, p) [m]; NaN without points."""

    roads: RoadModels
    above: Floats
    step: float

    def spacing(self) -> Floats:
        """Side of a cell [m], (n,)."""
        return np.full(len(self.above), self.step)

    def heights_at(self, east: Floats, north: Floats) -> Floats:
        """Road heights [m] at offsets from the covers' centres: the model and what the four cells round it lie above.

        Bilinear. A cell without points is left out, as long as the others carry half of the weight: what they lie
        above the model has no slope of its own. On a plane the height is exact.

        Parameters
        ----------
        east, north : (n, k) [m]

        Returns
        -------
        (n, k) [m]; NaN where there are too few points, outside the cells, and where there is no model.
        """
        size = self.above.shape[1]
        right, up = east / self.step + size // 2, north / self.step + size // 2
        column, row = np.floor(right), np.floor(up)
        with np.errstate(invalid="ignore"):
            inside = (column >= 0) & (row >= 0) & (column < size - 1) & (row < size - 1)
        right, up = right - column, up - row
        column, row = (np.where(inside, value, 0).astype(np.int64) for value in (column, row))
        first = (np.arange(len(self.above)) * size * size)[:, None] + row * size + column
        total, carried = np.zeros(first.shape), np.zeros(first.shape)
        for above in (0, 1):
            for beside in (0, 1):
                height = np.take(self.above, first + (above * size + beside))
                weight = np.where(np.isnan(height), 0.0, np.abs(1 - above - up) * np.abs(1 - beside - right))
                total += weight * np.where(np.isnan(height), 0.0, height)
                carried += weight
        enough = inside & (carried >= LEAST_WEIGHT)
        blend = total / np.where(enough, carried, 1.0)
        return np.where(enough, road_heights(self.roads, east, north) + blend, np.nan)


def spread_cells(
    sums: Sums, plan: CloudPlan, east: Floats, north: Floats, jacobians: Floats, to_metres: float
) -> CloudSurface:
    """The cells of n structures from the sums of their points.

    Parameters
    ----------
    sums : of structures 0 to n - 1
    east, north : (n,) covers in the cloud's CRS
    jacobians : (n, 2, 2) coordinates of the cloud's CRS per ground metre
    to_metres : metres per unit of its heights
    """
    n, size = len(east), plan.size
    who, place = np.divmod(sums.key, size * size)
    count, right, up, height = sums.total.astype(np.float64)
    corner = lattice_point(east[who], north[who], plan.per_unit)
    off_east = right / count / plan.per_unit + (corner[0] / plan.per_unit - east[who])
    off_north = up / count / plan.per_unit + (corner[1] / plan.per_unit - north[who])
    metres = np.linalg.inv(jacobians[who])
    cells = np.full((3, n * size * size), np.nan)
    flat = who * size * size + place
    cells[0, flat] = metres[:, 0, 0] * off_east + metres[:, 0, 1] * off_north
    cells[1, flat] = metres[:, 1, 0] * off_east + metres[:, 1, 1] * off_north
    cells[2, flat] = height / count / plan.per_height * to_metres
    right, up, height = cells.reshape(3, n, size, size)
    return CloudSurface(right, up, height, plan.stencil, plan.cell)


def lattice_point(east: Floats, north: Floats, per_unit: float) -> tuple[Integers, Integers]:
    """Nearest points of the lattice on which coordinates are summed [lattice steps]."""
    return np.rint(east * per_unit).astype(np.int64), np.rint(north * per_unit).astype(np.int64)
