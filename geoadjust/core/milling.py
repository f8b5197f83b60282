"""What milling asks of a casting: how far it must go down, how, and what traffic meets in between.

    lower_by = largest of (existing rim plane - milled road) on the frame's edge + clearance, at least 0

`rings_out`: the old chimney is tall enough. `casting_out_and_plate`: the casting is taken out and a plate is laid on
the old stack, or on the bearing without it; its top is then old casting (+ old chimney) - plate below today's rim, and
it needs a seat of 25 mm all round the opening (common practice, no source). `mill_around`: neither, so the machine has
to go round it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from geoadjust.core.columns import LOWER_HOW, Millings, Rims, Structures
from geoadjust.core.edge import edge_plane, extreme_gaps
from geoadjust.core.paving import profiled, stated
from geoadjust.core.rim import Roads, existing_plane, frame_edges, target_plane
from geoadjust.core.rules import RuleSet

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

SLACK = 1e-6
PLATE_SEAT = 0.025
RINGS_OUT, PLATE, AROUND = range(len(LOWER_HOW))


def plan_milling(
    structures: Structures, rims: Rims, roads: Roads, rules: RuleSet, cross_slope: float | None = None
) -> Millings:
    """Lowering before milling, and the bumps and holes until the road is finished.

    Parameters
    ----------
    structures, rims : n structures
    roads : their roads of today, milled and finished
    rules : the owner's rules
    cross_slope : of the milled road, where milling follows a profile [m/m]

    Returns
    -------
    Millings; 0 and -1 where nothing is milled, NaN where the road or the rim is unknown
    """
    edge = frame_edges(structures)
    milling = ((stated(structures.mill) > 0) | profiled(structures, cross_slope)) & (structures.paved != 0)
    low, high = extreme_gaps(existing_plane(rims), roads.milled, edge)
    nothing = np.where(np.isfinite(high), 0.0, np.nan)
    lower_by = np.where(milling, np.maximum(high + rules.milling_clearance, 0.0), nothing)
    on_stack, room = plate_rooms(structures, rims, rules)
    how = _how(structures, lower_by, room, plate_seats(structures, rules))
    _, above = extreme_gaps(target_plane(rims), roads.milled, edge)
    plate = np.where(on_stack >= lower_by - SLACK, on_stack, room)
    down = np.select([how == RINGS_OUT, how == PLATE], [lower_by, plate], 0.0)
    before = rules.sequence == "raise_before_paving"
    bump = np.maximum(above if before else high - down, 0.0)
    worked = (milling | before) & (structures.paved != 0)
    unknown = milling & (lower_by > SLACK) & (how < 0)
    return Millings(
        milled=np.where(milling, edge_plane(roads.milled, edge)[:, 0], np.nan),
        lower_by=lower_by,
        lower_how=how,
        plate_high=np.where(milling & (how == AROUND), lower_by - room, np.nan),
        bump=np.where(unknown & ~np.bool_(before), np.nan, np.where(worked, bump, nothing)),
        hole=np.where(unknown, np.nan, np.where(milling, np.maximum(down - low, 0.0), nothing)),
    )


def plate_rooms(structures: Structures, rims: Rims, rules: RuleSet) -> tuple[Floats, Floats]:
    """How far below today's rim a plate's top lies [m]: on the old stack, and on the bearing where that is known."""
    steep = np.sqrt(1 + rims.existing_slope_east**2 + rims.existing_slope_north**2)
    on_stack = structures.casting_height * steep - rules.plate_thickness
    return on_stack, on_stack + stated(structures.existing_chimney)


def plate_seats(structures: Structures, rules: RuleSet) -> Mask:
    """Where the plate covers the opening with a seat all round; an unknown opening counts as covered."""
    return np.asarray(~(structures.bearing_inside_diameter + 2 * PLATE_SEAT > rules.plate_diameter + SLACK))


def _how(structures: Structures, lower_by: Floats, room: Floats, seats: Mask) -> NDArray[np.int8]:
    asked = lower_by > SLACK
    enough = structures.existing_chimney >= lower_by - SLACK
    plate = seats & (room >= lower_by - SLACK)
    around = ~seats | (room < lower_by - SLACK)
    how = np.select([enough, plate, around], [RINGS_OUT, PLATE, AROUND], -1)
    return np.where(asked, how, -1).astype(np.int8)
