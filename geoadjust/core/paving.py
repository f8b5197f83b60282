"""Milled and finished road: what cold planing and the overlay make of the road of today.

Uniform milling lowers the road by one depth. Milling to a profile cuts the crown line by the stated depth and falls
from there by one cross slope to both sides, so that the milled road is two planes that meet in the crown line:

    z(x) = z0 - mill + g (u . x) - c |r . x + o|

with u along the street, r to its right, o the structure's distance from the crown line (plus = right of it), z0 today's
road at the crown line and g today's grade there. z0 is carried over from the road at the cover.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from geoadjust.core.bar import read_bars
from geoadjust.core.columns import ROAD_SHAPES, Bars, RoadModels, Structures
from geoadjust.core.edge import edge_plane, road_heights
from geoadjust.core.outline import Outlines
from geoadjust.core.ring import Ring

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

MODEL_STEP = 0.05
"""Distance of the points in which a bar touches a road that is only planned [m]; own rule."""
PROFILE_REACH = 3.0
"""Farther from the crown line [m] the road there is only guessed from the road at the cover; own rule."""


def stated(depth: Floats) -> Floats:
    """A depth that is missing counts as none."""
    return np.where(np.isfinite(depth), depth, 0.0)


def shifted(roads: RoadModels, by: Floats) -> RoadModels:
    """The same models, higher by `by` (n,) [m]."""
    return replace(roads, height=roads.height + by)


def profiled(structures: Structures, cross_slope: float | None) -> Mask:
    """Where milling follows a profile whose place is known."""
    if cross_slope is None:
        return np.zeros(len(structures), dtype=bool)
    known = np.isfinite(structures.axis) & np.isfinite(structures.crown_offset)
    return np.asarray(known & (structures.paved != 0))


def mill_roads(
    structures: Structures, existing: RoadModels, edge: Outlines, ring: Ring, cross_slope: float | None
) -> RoadModels:
    """Road after milling.

    Parameters
    ----------
    structures, existing : n structures and the road of today at them
    edge : outlines of the frame's top
    cross_slope : fall of the milled road to both sides of the crown line [m/m]; None = one depth all over
    """
    uniform = shifted(existing, -stated(structures.mill))
    where = profiled(structures, cross_slope)
    if cross_slope is None or not where.any():
        return uniform
    sin, cos = np.sin(structures.axis), np.cos(structures.axis)
    offset = structures.crown_offset
    crown = road_heights(existing, (-offset * cos)[:, None], (offset * sin)[:, None])[:, 0]
    plane = edge_plane(existing, edge)
    grade = plane[:, 1] * sin + plane[:, 2] * cos
    near = np.where(np.abs(offset) < ring.outer_radius, ROAD_SHAPES.index("break"), ROAD_SHAPES.index("plane"))
    profile = {
        "height": crown - stated(structures.mill) + cross_slope * offset,
        "slope_east": grade * sin + cross_slope * cos,
        "slope_north": grade * cos - cross_slope * sin,
        "fold": np.full(len(structures), -2 * cross_slope),
        "fold_azimuth": np.mod(structures.axis + np.pi / 2, 2 * np.pi),
        "fold_offset": -offset,
        "shape": np.where(existing.source >= 0, near, -1).astype(np.int8),
    }
    return replace(
        uniform, **{name: np.where(where, values, getattr(uniform, name)) for name, values in profile.items()}
    )


def paving_off(
    structures: Structures, existing: RoadModels, planned: RoadModels, laid: RoadModels, edge: Outlines
) -> Floats:
    """Mean of the paved less that of the planned road along the frame's edge [m].

    NaN where the paved road was not surveyed, where nothing is paved, or where nothing was planned: neither a design
    surface nor mill nor overlay.
    """
    made = planned.source == existing.source
    meant = ~made | np.isfinite(structures.mill) | np.isfinite(structures.overlay)
    off = edge_plane(laid, edge)[:, 0] - edge_plane(planned, edge)[:, 0]
    return np.where(meant & (structures.paved != 0), off, np.nan)


def lay_bars(
    structures: Structures, roads: RoadModels, mark: Floats, flange: Floats, ring: Ring, tolerance: float
) -> Bars:
    """Bars on a road that is only planned, so without noise."""
    surface = _ModelSurface(roads, MODEL_STEP)
    return read_bars(surface, mark, flange, np.zeros(len(structures)), ring, tolerance)


@dataclass(frozen=True, slots=True, eq=False)
class _ModelSurface:
    """Road models read like a surface."""

    roads: RoadModels
    step: float

    def spacing(self) -> Floats:
        return np.asarray(self.roads.spacing)

    def heights_at(self, east: Floats, north: Floats) -> Floats:
        return road_heights(self.roads, east, north)
