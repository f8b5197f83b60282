"""Finished road to target rim: raise, planned gaps, milling depth.

    finished = design surface, or existing - mill + overlay, or existing
    target   = plane through the finished road on the frame's top edge (or the bars' plane) - recess
    rim      = existing road + gap           (basis gap, or assumed_flush with gap 0)
             = surveyed elevation            (basis surveyed; not believed farther than max_rim_gap off the road)
    raise    = target - rim                  plus = up

Grade and cross slope project the target plane's gradient on the street axis: grade = gE sin a + gN cos a,
cross slope = gE cos a - gN sin a (plus = rises to the right).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from geoadjust.core.bar import bar_plane
from geoadjust.core.columns import RIM_BASES, Bars, Rims, RoadModels, Structures
from geoadjust.core.edge import edge_gaps, edge_plane, extreme_gaps
from geoadjust.core.rules import RuleSet

Floats = NDArray[np.float64]

GAP, SURVEYED, ASSUMED, NONE = range(len(RIM_BASES))


@dataclass(frozen=True, slots=True, eq=False)
class Roads:
    """Existing and finished road of the same structures, and the bars on the finished one."""

    existing: RoadModels
    finished: RoadModels
    bars: Bars


def shifted(roads: RoadModels, by: Floats) -> RoadModels:
    """The same models, higher by `by` (n,) [m]."""
    from dataclasses import replace

    return replace(roads, height=roads.height + by)


def stated(depth: Floats) -> Floats:
    """A depth that is missing counts as none."""
    return np.where(np.isfinite(depth), depth, 0.0)


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
    radius = structures.frame_top_diameter / 2
    existing = edge_plane(roads.existing, radius)
    finished = edge_plane(roads.finished, radius)
    basis, gap = _gaps(structures, existing[:, 0], rules.max_rim_gap)
    rim = np.where(basis == SURVEYED, structures.rim, existing[:, 0] + gap)
    basis = np.where(np.isfinite(rim), basis, NONE).astype(np.int8)
    target = _target(finished, roads.bars, rules)
    slope, uphill = np.hypot(target[:, 1], target[:, 2]), uphill_azimuth(target)
    mark = np.where(np.isfinite(structures.axis), structures.axis, uphill)
    lowest, highest = extreme_gaps(target, roads.finished, radius)
    tilted = np.stack([rim, existing[:, 1], existing[:, 2]], axis=1)
    along, across = _worse_ends(target, roads.finished, radius, structures.axis)
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
        grade=target[:, 1] * np.sin(structures.axis) + target[:, 2] * np.cos(structures.axis),
        cross_slope=target[:, 1] * np.cos(structures.axis) - target[:, 2] * np.sin(structures.axis),
        mark=mark,
        gap_max=highest,
        gap_min=lowest,
        gap_mean=target[:, 0] - finished[:, 0],
        gap_along=along,
        gap_across=across,
        bar_along=_under_bar(target, roads.bars, structures.axis, 0),
        bar_across=_under_bar(target, roads.bars, structures.axis, roads.bars.height.shape[1] // 2),
        **_milling(structures, roads.existing, existing[:, 0], tilted, radius, rules),
    )


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


def _worse_ends(target: Floats, roads: RoadModels, radius: Floats, axis: Floats) -> tuple[Floats, Floats]:
    """Gap at the worse end of the diameter along the axis, and of the one across it; NaN without an axis."""
    turns = np.array([0.0, 1.0, 0.5, 1.5]) * np.pi
    gaps = edge_gaps(target, roads, radius, axis[:, None] + turns)
    along, across = gaps[:, :2], gaps[:, 2:]
    pick = [np.where(np.abs(pair[:, 0]) >= np.abs(pair[:, 1]), pair[:, 0], pair[:, 1]) for pair in (along, across)]
    return pick[0], pick[1]


def _under_bar(target: Floats, bars: Bars, axis: Floats, diameter: int) -> Floats:
    return np.where(np.isfinite(axis), target[:, 0] - bars.height[:, diameter], np.nan)


def _milling(
    structures: Structures, roads: RoadModels, road: Floats, rim: Floats, radius: Floats, rules: RuleSet
) -> dict[str, Floats]:
    """How far the rim must go down so that it clears the milled road by the clearance everywhere."""
    mill = stated(structures.mill)
    _, proud = extreme_gaps(rim, roads, radius)
    need = np.maximum(proud + mill + rules.milling_clearance, 0.0)
    lower_by = np.where(mill > 0, need, np.where(np.isfinite(road), 0.0, np.nan))
    enough = (lower_by > 0) & (structures.existing_chimney >= lower_by)
    return {
        "milled": np.where(mill > 0, road - mill, np.nan),
        "lower_by": lower_by,
        "lower_how": np.where(enough, 0, -1).astype(np.int8),
    }
