"""The cover as the chosen method leaves it: its plane, and what remains against the finished road all round.

keep, not_paved    today's rim plane
riser              today's rim plane, higher by height sqrt(1 + s0^2); the tilt stays today's
rings              target plane + misfit, less the slope that rings and bedding leave undone
all others         target plane
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from geoadjust.core.columns import METHODS, Bars, Results, Rims, RoadModels, Stacks, Structures
from geoadjust.core.edge import edge_gaps, edge_plane, extreme_gaps
from geoadjust.core.outline import Outlines
from geoadjust.core.parts import Catalogue
from geoadjust.core.rim import Roads, existing_plane, frame_edges, target_plane

Floats = NDArray[np.float64]


def riser_lift(height: Floats, rims: Rims) -> Floats:
    """How far a riser of this height lifts the cover's centre [m]: it stands square to today's frame."""
    return np.asarray(height * np.sqrt(1 + rims.existing_slope_east**2 + rims.existing_slope_north**2))


def planned_plane(
    rims: Rims, stacks: Stacks, method: NDArray[np.int8], riser: NDArray[np.int16], catalogue: Catalogue
) -> Floats:
    """Rim plane that the method leaves, (n, 3)."""
    today, target = existing_plane(rims), target_plane(rims)
    heights = np.array([*(part.height for part in catalogue.riser), np.nan])
    lifted = today + np.column_stack([riser_lift(heights[riser], rims), *np.zeros((2, len(rims)))])
    ringed = target + np.column_stack([stacks.misfit, -stacks.left_east, -stacks.left_north])
    still = np.isin(method, [METHODS.index(name) for name in ("keep", "not_paved")])
    cases = [still, method == METHODS.index("riser"), method == METHODS.index("rings")]
    return np.select([case[:, None] for case in cases], [today, lifted, ringed], target)


def measure_result(structures: Structures, roads: Roads, planned: Floats) -> Results:
    """Gaps between a planned rim plane (n, 3) and the finished road; plus = PROUD."""
    edge = frame_edges(structures)
    road = roads.finished
    smallest, largest = extreme_gaps(planned, road, edge)
    along, across = _worse_ends(planned, road, edge, structures.axis)
    return Results(
        height=planned[:, 0].copy(),
        slope_east=planned[:, 1].copy(),
        slope_north=planned[:, 2].copy(),
        gap_max=largest,
        gap_min=smallest,
        gap_mean=planned[:, 0] - edge_plane(road, edge)[:, 0],
        gap_along=along,
        gap_across=across,
        bar_along=_under_bar(planned, roads.bars, structures.axis, 0),
        bar_across=_under_bar(planned, roads.bars, structures.axis, roads.bars.height.shape[1] // 2),
    )


def _worse_ends(planned: Floats, roads: RoadModels, edge: Outlines, axis: Floats) -> tuple[Floats, Floats]:
    """Gap at the worse end of the diameter along the axis, and of the one across it; NaN without an axis."""
    azimuth = axis[:, None] + np.array([0.0, 1.0, 0.5, 1.5]) * np.pi
    radius = edge.distance(azimuth)
    gaps = edge_gaps(planned, roads, radius * np.sin(azimuth), radius * np.cos(azimuth))
    along, across = gaps[:, :2], gaps[:, 2:]
    pick = [np.where(np.abs(pair[:, 0]) >= np.abs(pair[:, 1]), pair[:, 0], pair[:, 1]) for pair in (along, across)]
    return pick[0], pick[1]


def _under_bar(planned: Floats, bars: Bars, axis: Floats, diameter: int) -> Floats:
    return np.where(np.isfinite(axis), planned[:, 0] - bars.height[:, diameter], np.nan)
