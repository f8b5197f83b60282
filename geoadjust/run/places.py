"""Where the structures of a chunk lie on one surface, and how a worker gets the road round them.

A place travels to workers. That of a raster names files, which the worker opens; that of a triangulated surface carries
the triangles themselves.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from geoadjust.core.plan import Scatter
from geoadjust.core.surface import Surface
from geoadjust.core.tin import CIRCLES, ON_CIRCLE, TinSurface
from geoadjust.io.patches import PatchPlan, read_surface
from geoadjust.io.surfaces import RasterFacts
from geoadjust.io.tiles import Tile
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
