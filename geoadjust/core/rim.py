"""Finished road to target rim and raise.

    finished = design surface, or milled road + overlay, or existing
    target   = plane through the finished road on the frame's top edge (or the bars' plane) - recess
    rim      = existing road + gap           (basis gap, or assumed_flush with gap 0)
             = surveyed elevation            (basis surveyed; not believed farther than max_rim_gap off the road)
    raise    = target - rim                  plus = up

Outside the paving the target is today's rim. Grade and cross slope project the target plane's gradient on the street
axis: grade = gE sin a + gN cos a, cross slope = gE cos a - gN sin a (plus = rises to the right).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from geoadjust.core.bar import bar_plane
from geoadjust.core.columns import RIM_BASES, Bars, Pavings, Rims, RoadModels, Structures
from geoadjust.core.edge import edge_plane
from geoadjust.core.outline import Outlines
from geoadjust.core.rules import RuleSet

Floats = NDArray[np.float64]

GAP, SURVEYED, ASSUMED, NONE = range(len(RIM_BASES))


@dataclass(frozen=True, slots=True, eq=False)
class Roads:
    """Existing, milled and finished road of the same structures, and the bars on the finished one.

    Where the road was surveyed after paving, the finished road is that one; `pavings` tells how far it is off the plan.
    """

    existing: RoadModels
    milled: RoadModels
    finished: RoadModels
    bars: Bars
    pavings: Pavings


def frame_edges(structures: Structures) -> Outlines:
    """Outlines of the frame's top, the circle or rectangle on which flush is judged."""
    return Outlines(structures.frame_top_diameter, structures.frame_top_length, directions(structures))


def flange_edges(structures: Structures) -> Outlines:
    """Outlines of the flange's outside, which the chimney carries."""
    return Outlines(structures.flange_diameter, structures.flange_length, directions(structures))


def directions(structures: Structures) -> Floats:
    """Direction of each frame's length [rad]: as stated, else the street axis, else north."""
    known = np.where(np.isfinite(structures.frame_azimuth), structures.frame_azimuth, structures.axis)
    return np.where(np.isfinite(known), known, 0.0)


def set_rims(structures: Structures, roads: Roads, rules: RuleSet) -> Rims:
    """Existing rim, target rim and what lies between.

    Parameters
    ----------
    structures : n structures
    roads : their models; NaN where there is no road
    rules : the owner's rules

    Returns
    -------
    Rims; NaN where the road or the rim is unknown
    """
    edge = frame_edges(structures)
    existing, finished = edge_plane(roads.existing, edge), edge_plane(roads.finished, edge)
    basis, gap = _gaps(structures, existing[:, 0], rules.max_rim_gap)
    rim = np.where(basis == SURVEYED, structures.rim, existing[:, 0] + gap)
    basis = np.where(np.isfinite(rim), basis, NONE).astype(np.int8)
    outside = (structures.paved == 0)[:, None]
    target = np.where(outside, np.column_stack([rim, existing[:, 1:]]), _target(finished, roads.bars, rules))
    slope, uphill = np.hypot(target[:, 1], target[:, 2]), uphill_azimuth(target)
    sin, cos = np.sin(structures.axis), np.cos(structures.axis)
    return Rims(
        existing=existing[:, 0].copy(),
        finished=finished[:, 0].copy(),
        existing_rim=rim,
        rim_basis=basis,
        gap=rim - existing[:, 0],
        existing_slope_east=existing[:, 1].copy(),
        existing_slope_north=existing[:, 2].copy(),
        target=target[:, 0].copy(),
        raise_=target[:, 0] - rim,
        target_slope_east=target[:, 1].copy(),
        target_slope_north=target[:, 2].copy(),
        slope=slope,
        uphill=uphill,
        grade=target[:, 1] * sin + target[:, 2] * cos,
        cross_slope=target[:, 1] * cos - target[:, 2] * sin,
        mark=np.where(np.isfinite(structures.axis), structures.axis, uphill),
    )


def existing_plane(rims: Rims) -> Floats:
    """Today's rim plane, (n, 3): height at the centre [m], slope east, slope north."""
    return np.column_stack([rims.existing_rim, rims.existing_slope_east, rims.existing_slope_north])


def target_plane(rims: Rims) -> Floats:
    """Target rim plane, (n, 3)."""
    return np.column_stack([rims.target, rims.target_slope_east, rims.target_slope_north])


def uphill_azimuth(plane: Floats) -> Floats:
    """Azimuth of steepest rise [rad] in [0, 2 pi); 0 on a level plane, NaN without one."""
    return np.mod(np.arctan2(plane[:, 1], plane[:, 2]), 2 * np.pi)


def _gaps(structures: Structures, road: Floats, believed: float) -> tuple[NDArray[np.int8], Floats]:
    """Basis and gap of each rim, with the fall-backs: measured gap, surveyed rim near the road, flush."""
    measured = np.isfinite(structures.gap) & (structures.claimed_basis != ASSUMED)
    off = np.abs(structures.rim - road)
    with np.errstate(invalid="ignore"):
        near = ~(off > believed + 1e-6)
    surveyed = np.isfinite(structures.rim) & near & (structures.claimed_basis == SURVEYED)
    basis = np.where(measured, GAP, np.where(surveyed, SURVEYED, ASSUMED)).astype(np.int8)
    gap = np.where(measured, structures.gap, 0.0)
    return basis, gap


def _target(finished: Floats, bars: Bars, rules: RuleSet) -> Floats:
    plane = finished
    if rules.rim_reference == "bar":
        laid = bar_plane(bars)
        plane = np.where(np.isfinite(laid[:, :1]), laid, finished)
    return np.asarray(plane - np.array([rules.recess, 0.0, 0.0]))
