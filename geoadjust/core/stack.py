"""Grade rings: which of them, how turned, and with which joints make up the height and slope that are asked for.

A catalogue is expanded once per rule set and looked up per structure: fewest rings whose sum with joints lies within
the tolerance of the height, and whose tapers and bedding make the slope; among them the smallest misfit, then the
lowest price, then catalogue order. Only rings of one size stand on each other, and only where the flange bears on them.
Flat rings lie below, up to two tapered ones on top, turned in whole steps from the mark so that least slope is left.
The bedding under the flange takes what is left, up to the owner's wedge; the rest is told as `left`.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray

from geoadjust.core.columns import POLICIES, Stacks, concat
from geoadjust.core.parts import Catalogue
from geoadjust.core.rules import RuleSet
from geoadjust.core.shelf import SLACK, Row, Shelves, expand
from geoadjust.core.turn import bounds_of_rest, seen_from, turn_rings

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]

BLOCK = 8192
"""Structures at a time, so that what is looked up stays in the processor's cache; results do not depend on it."""
FINE = 1e-9
"""Misfits count as equal when they round to the same multiple of this [m]."""
NONE = np.iinfo(np.int64).max


@dataclass(frozen=True, slots=True, eq=False)
class Demand:
    """What a stack has to make; (n,) each. Nothing is asked where height, tilt, bed or extent is NaN."""

    height: Floats
    """From the bearing to the flange's underside, at the centre, joints and bed included; what to add to a stack [m]"""
    tilt_east: Floats
    """Slope to make towards grid east [m/m]"""
    tilt_north: Floats
    """Slope to make towards grid north [m/m]"""
    bed: Floats
    """Mortar that levels the bearing, besides the joint [m]; 0 on an old stack"""
    mark: Floats
    """Azimuth from which turns are counted [rad]; NaN: no tapered rings"""
    flange: Floats
    """Outside diameter of the flange, or width of a rectangle [m]; NaN = unknown, fits every ring"""
    extent: Floats
    """Extent of the flange in the direction of the tilt [m]"""
    shift: Floats
    """The flange's centre lies this far off the rings' axis [m]"""
    flange_inside: Floats
    """Inside diameter of the flange [m]; NaN = unknown"""
    spare: Floats
    """Rings that may still be used; inf or NaN = as many as the rules allow"""
    on_top: Mask
    """The rings are added to an old stack, whose top joint is renewed"""

    def __len__(self) -> int:
        return len(self.height)


def choose_stacks(demand: Demand, rules: RuleSet, catalogue: Catalogue) -> Stacks:
    """Best stack of each structure.

    thicknesses + (count + 1) joints + bed + wedge / 2 = height + misfit; on an old stack one joint fewer and no bed.
    wedge = min(r extent, bedding_wedge), r = |tilt - sum of tapers|. r has another direction than the tilt; the extent
    of the tilt's direction stands for both, which is exact for a round flange and an approximation for a rectangle.

    Returns
    -------
    Stacks; -1 and NaN where none fits. `joint` is always told. `nearest` is the misfit of the nearest stack whose slope
    would do, of as many rings as are needed at most: the misfit itself where a stack is chosen; NaN where no slope does

    Examples
    --------
    A chimney of 110 mm that rises 3 % to the north: a ring of 50 mm, one of 20 to 40 mm on a flange of 0.8 m.

    >>> from geoadjust.core.parts import RingPart
    >>> rings = (RingPart("flat", 0.05), RingPart("tapered", thin=0.02, thick=0.04, outside_diameter=0.8))
    >>> one, zero = np.ones(1), np.zeros(1)
    >>> demand = Demand(0.050 * one, zero, 0.03 * one, zero, zero, 0.8 * one, 0.8 * one, zero, np.nan * one, 4 * one,
    ...                 np.array([False]))
    >>> stacks = choose_stacks(demand, RuleSet(), Catalogue(ring=rings))
    >>> stacks.parts.tolist(), stacks.turn.tolist(), stacks.wedge.round(6).tolist(), stacks.misfit.round(6).tolist()
    ([[1, -1, -1, -1]], [[0.0, nan, nan, nan]], [0.004], [-0.006])
    """
    shelves = expand(catalogue.ring, rules.max_rings, rules.joint, rules.min_edge, rules.max_taper)
    starts = range(0, max(len(demand), 1), BLOCK)
    return concat([_choose(_rows(demand, slice(start, start + BLOCK)), rules, shelves) for start in starts])


def only(stacks: Stacks, built: Mask) -> Stacks:
    """Stacks that are really built (n,); the others keep only how far the nearest one would be off."""
    none = {"joint": stacks.joint, "nearest": stacks.nearest}
    for name in ("misfit", "bottom", "top", "wedge", "left_east", "left_north"):
        none[name] = np.where(built, getattr(stacks, name), np.nan)
    return Stacks(
        parts=np.where(built[:, None], stacks.parts, -1).astype(np.int16),
        turn=np.where(built[:, None], stacks.turn, np.nan),
        policy=np.where(built, stacks.policy, -1).astype(np.int8),
        count=np.where(built, stacks.count, -1),
        **none,
    )


def tallest(demand: Demand, rules: RuleSet, catalogue: Catalogue) -> Floats:
    """Tallest stack with joints that each structure can have [m], (n,), whatever its slope; 0 where none fits.

    Without bed and wedge; on an old stack, what can be added to it.
    """
    shelves = expand(catalogue.ring, rules.max_rings, rules.joint, rules.min_edge, rules.max_taper)
    total = _largest(demand, shelves, lambda row: float(shelves.total[row.last - 1]))
    return np.where(np.isfinite(total), total - rules.joint * demand.on_top, 0.0)


def steepest(demand: Demand, rules: RuleSet, catalogue: Catalogue) -> Floats:
    """Largest slope that rings and bedding can make together, in the direction that suits the steps best [m/m], (n,).

    Bedding alone where no ring fits; NaN where the flange's extent is unknown.
    """
    shelves = expand(catalogue.ring, rules.max_rings, rules.joint, rules.min_edge, rules.max_taper)
    rings = _largest(demand, shelves, lambda row: shelves.steepest[row.tapers])
    return np.maximum(rings, 0.0) + rules.bedding_wedge / demand.extent + rules.tilt_tolerance


def _rows(demand: Demand, rows: slice) -> Demand:
    return Demand(*(getattr(demand, item.name)[rows] for item in fields(demand)))
