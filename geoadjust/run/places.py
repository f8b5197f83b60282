"""Where the structures of a chunk lie on one surface, and how a worker gets the road round them.

A place travels to workers. That of a raster names files, which the worker opens; those of a triangulated
surface and of lidar points carry the triangles and the points' sums themselves.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from geoadjust.core.cloud import CloudPlan, Sums, spread_cells
from geoadjust.core.plan import Scatter
from geoadjust.core.surface import Surface
from geoadjust.core.tin import CIRCLES, ON_CIRCLE, TinSurface
from geoadjust.io.raster.patches import PatchPlan, read_surface
from geoadjust.io.raster.rasters import RasterFacts
from geoadjust.io.raster.tiles import Tile
from geoadjust.run.readers import open_reader

Floats = NDArray[np.float64]
Index = NDArray[np.intp]


class Place(Protocol):
    """Structures of one chunk on one surface."""

    @property
    def samples(self) -> int:
        """Heights that one ring may need."""

    @property
    def scatter(self) -> Scatter:
        """What the job says of the surface's heights."""

    @property
    def tiles(self) -> tuple[Tile, ...]:
        """Files that a worker must see."""

    def surface(self, index: Index) -> Surface:
        """The road round some of the structures."""


@dataclass(frozen=True, slots=True, eq=False)
class RasterPlace:
    """Structures on a raster.

    Parameters
    ----------
    east, north : (n,) in the raster's CRS
    jacobians : (n, 2, 2) the raster's coordinates per ground metre
    """

    facts: RasterFacts
    patches: PatchPlan
    east: Floats
    north: Floats
    jacobians: Floats

    @property
    def samples(self) -> int:
        """Cells of the ring's stencil."""
        return len(self.patches.stencil)

    @property
    def scatter(self) -> Scatter:
        """What the job says of the raster's cells."""
        return Scatter(self.facts.noise, self.facts.density)

    @property
    def tiles(self) -> tuple[Tile, ...]:
        """The raster's files."""
        return self.facts.tiles

    def surface(self, index: Index) -> Surface:
        """Patches of cells, read and decoded here."""
        reader = open_reader(self.facts)
        return read_surface(reader, self.patches, self.east[index], self.north[index], self.jacobians[index])


@dataclass(frozen=True, slots=True, eq=False)
class CloudPlace:
    """Structures on lidar points.

    Parameters
    ----------
    sums : of the points in the cells round the structures, which count from 0
    east, north : (n,) in the cloud's CRS
    jacobians : (n, 2, 2) the cloud's coordinates per ground metre
    to_metres : metres per unit of its heights
    """

    sums: Sums
    plan: CloudPlan
    scatter: Scatter
    east: Floats
    north: Floats
    jacobians: Floats
    to_metres: float

    @property
    def samples(self) -> int:
        """Cells of the ring's stencil."""
        return len(self.plan.stencil)

    @property
    def tiles(self) -> tuple[Tile, ...]:
        """None: the points' sums are here."""
        return ()

    def surface(self, index: Index) -> Surface:
        """Means of the points round some of the structures."""
        sums = self.sums.take(index, self.plan)
        where = self.east[index], self.north[index], self.jacobians[index]
        return spread_cells(sums, self.plan, *where, self.to_metres)


@dataclass(frozen=True, slots=True, eq=False)
class TinPlace:
    """Structures on a triangulated surface."""

    tin: TinSurface
    scatter: Scatter

    @property
    def samples(self) -> int:
        """Heights of one ring."""
        return CIRCLES * ON_CIRCLE

    @property
    def tiles(self) -> tuple[Tile, ...]:
        """None: the triangles are here."""
        return ()

    def surface(self, index: Index) -> Surface:
        """The triangles round some of the structures."""
        return self.tin.take(index)
