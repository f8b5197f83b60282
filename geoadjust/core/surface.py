"""A road raster round each cover, cut out as small square patches of cells.

The cover's centre lies `column`, `row` cells off the centre of its patch's middle cell (each within half a cell).
`cells` (n, 2, 2) maps ground metres east and north along the structures' grid to cells (column, row); it holds the
raster's own affine transform and the Jacobian between the two coordinate systems, so that one road gives one grade in
every CRS.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from geoadjust.core.bar import Heights
from geoadjust.core.columns import RoadModels, Samples
from geoadjust.core.ring import Ring, inner_radius, outer_radius

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]


class Surface(Protocol):
    """The road round n covers, whatever it was measured as."""

    def __len__(self) -> int: ...

    def take(self, index: NDArray[np.intp]) -> Surface:
        """The same of some covers."""

    def samples(self, flange_radius: Floats, ring: Ring, side: Floats | None = None) -> Samples:
        """Heights in each cover's ring."""

    def levelled(self, roads: RoadModels) -> Heights:
        """The heights along any line, where need be with the help of the same covers' road models."""


@dataclass(frozen=True, slots=True, eq=False)
class GridSurface:
    """Patches of one raster.

    Parameters
    ----------
    heights : (n, p, p) road elevation [m], NaN where the raster has none; rows as in the raster
    column, row : (n,) position of the cover's centre from the middle cell's centre [cells]
    cells : (n, 2, 2) cells (column, row) per ground metre (east, north)
    stencil : (m, 2) cell offsets (row, column) that a ring may need; the same for the whole run
    step : nominal distance of neighbouring cells [m]; the same for the whole run
    """

    heights: Floats
    column: Floats
    row: Floats
    cells: Floats
    stencil: Integers
    step: float

    def __len__(self) -> int:
        return len(self.heights)

    def levelled(self, roads: RoadModels) -> GridSurface:
        """Itself: heights between cells need no model."""
        return self

    def take(self, index: NDArray[np.intp]) -> GridSurface:
        """The patches of some structures."""
        return replace(
            self, heights=self.heights[index], column=self.column[index], row=self.row[index], cells=self.cells[index]
        )

    def spacing(self) -> Floats:
        """Longer side of a cell on the ground [m], (n,)."""
        metres = np.linalg.inv(self.cells)
        return np.asarray(np.sqrt((metres**2).sum(axis=1)).max(axis=1))

    def samples(self, flange_radius: Floats, ring: Ring, side: Floats | None = None) -> Samples:
        """Every cell whose centre lies in the ring, at its true sub-cell offset.

        Parameters
        ----------
        flange_radius : (n,) [m]
        ring : settings of the ring
        side : (n,) azimuth of the half of the ring that is read [rad]; NaN = the whole ring

        Returns
        -------
        Samples with m = size of the stencil; cells outside the ring or without a value are NaN.
        """
        metres = np.linalg.inv(self.cells)
        down = self.stencil[:, 0] - self.row[:, None]
        right = self.stencil[:, 1] - self.column[:, None]
        east = metres[:, 0, 0, None] * right + metres[:, 0, 1, None] * down
        north = metres[:, 1, 0, None] * right + metres[:, 1, 1, None] * down
        spacing = self.spacing()
        inner, outer = inner_radius(flange_radius, spacing, ring), outer_radius(spacing, ring)
        squared = east * east + north * north
        inside = (squared >= (inner**2)[:, None]) & (squared <= (outer**2)[:, None])
        if side is not None:
            ahead = east * np.sin(side)[:, None] + north * np.cos(side)[:, None]
            inside &= ~(ahead < 0)
        height = self._at(self.stencil)
        return Samples(
            east=east,
            north=north,
            height=np.where(inside, height, np.nan),
            pattern=inside.sum(axis=1),
            spacing=spacing,
            widened=outer > ring.outer_radius,
        )

    def heights_at(self, east: Floats, north: Floats) -> Floats:
        """Bilinear road heights [m] at offsets from the covers' centres.

        Parameters
        ----------
        east, north : (n, k) [m]

        Returns
        -------
        (n, k) [m]; NaN where one of the four cells that carry weight has no value or lies outside the patch.
        """
        half = self.heights.shape[1] // 2
        right = self.cells[:, 0, 0, None] * east + self.cells[:, 0, 1, None] * north + self.column[:, None] + half
        down = self.cells[:, 1, 0, None] * east + self.cells[:, 1, 1, None] * north + self.row[:, None] + half
        column, row = np.floor(right).astype(np.int64), np.floor(down).astype(np.int64)
        last = self.heights.shape[1] - 1
        inside = (column >= 0) & (row >= 0) & (column < last) & (row < last)
        column, row = np.clip(column, 0, last - 1), np.clip(row, 0, last - 1)
        return np.where(inside, self._blend(row, column, down - row, right - column), np.nan)

    def _at(self, offsets: Integers) -> Floats:
        """Heights (n, m) at cell offsets (m, 2) from the middle cells."""
        size = self.heights.shape[1]
        place = (size // 2 + offsets[:, 0]) * size + size // 2 + offsets[:, 1]
        return np.asarray(np.take(self.heights.reshape(len(self), -1), place, axis=1))

    def _blend(self, row: Integers, column: Integers, down: Floats, right: Floats) -> Floats:
        size = self.heights.shape[1]
        first = (np.arange(len(self)) * size * size)[:, None] + row * size + column
        total = np.zeros(row.shape)
        for below in (0, 1):
            for beside in (0, 1):
                weight = np.abs(1 - below - down) * np.abs(1 - beside - right)
                height = np.take(self.heights, first + (below * size + beside))
                total += np.where(weight > 0, weight * height, 0.0)
        return total
