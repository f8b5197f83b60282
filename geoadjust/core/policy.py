"""Whether the old stack stays: what is asked of the rings by either policy, and the stacks that answer it.

`replace_all`: the rings stand on the bearing and make the whole chimney. `add_on_top`: the old stack stays, which only
a good one may, and the rings added to it make the change; the total still counts against the limits. Where the owner
adds but the condition is unknown, both are told and the whole stack is planned.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from geoadjust.core.chimney import along_axis
from geoadjust.core.columns import CONDITIONS, Chimneys, Rims, Stacks, Structures, concat, take
from geoadjust.core.outline import Outlines
from geoadjust.core.parts import Catalogue
from geoadjust.core.rim import flange_edges
from geoadjust.core.rules import RuleSet
from geoadjust.core.shelf import SLACK
from geoadjust.core.stack import Demand, choose_stacks

Floats = NDArray[np.float64]


def choose_policies(
    structures: Structures, rims: Rims, chimneys: Chimneys, rules: RuleSet, catalogue: Catalogue
) -> tuple[Demand, Stacks, Stacks]:
    """What is asked of a whole stack, the stack of the policy that holds, and the stack of the other one."""
    demand = whole_demand(structures, rims, chimneys, rules)
    replaced = choose_stacks(demand, rules, catalogue)
    if rules.existing_stack != "add_on_top":
        nothing = np.full(len(structures), np.nan)
        return demand, replaced, choose_stacks(_asking(demand, nothing), rules, catalogue)
    condition = structures.chimney_condition
    good = condition == CONDITIONS.index("good")
    unsure = np.isin(condition, [-1, CONDITIONS.index("unknown")])
    added = choose_stacks(added_demand(structures, rims, chimneys, rules, good | unsure), rules, catalogue)
    kept = good & (added.count >= 0)
    both = concat([replaced, added])
    n = np.arange(len(structures))
    blank = choose_stacks(_asking(demand, np.full(len(structures), np.nan)), rules, catalogue)
    others = take(concat([added, blank]), np.where(unsure, n, n + len(n)))
    return demand, take(both, np.where(kept, n + len(n), n)), others


def whole_demand(structures: Structures, rims: Rims, chimneys: Chimneys, rules: RuleSet) -> Demand:
    """A stack from the bearing up."""
    factor = along_axis(structures, chimneys, rules)
    return _demand(
        structures,
        rims,
        chimneys,
        rules,
        height=chimneys.height * factor,
        tilt_east=chimneys.tilt_east * factor,
        tilt_north=chimneys.tilt_north * factor,
        bed=chimneys.bed,
        spare=np.full(len(structures), float(rules.max_rings)),
        on_top=np.zeros(len(structures), dtype=bool),
    )


def added_demand(
    structures: Structures, rims: Rims, chimneys: Chimneys, rules: RuleSet, allowed: NDArray[np.bool_]
) -> Demand:
    """Rings on the old stack, where it may stay and its height is known."""
    thick = structures.existing_chimney >= rules.joint - SLACK
    known = allowed & thick & np.isfinite(chimneys.height)
    left = rules.max_rings - structures.existing_rings
    return _demand(
        structures,
        rims,
        chimneys,
        rules,
        height=np.where(known, chimneys.change, np.nan),
        tilt_east=chimneys.change_east,
        tilt_north=chimneys.change_north,
        bed=np.zeros(len(structures)),
        spare=np.where(np.isfinite(left), np.maximum(left, 0.0), float(rules.max_rings)),
        on_top=np.ones(len(structures), dtype=bool),
    )


def _demand(
    structures: Structures,
    rims: Rims,
    chimneys: Chimneys,
    rules: RuleSet,
    *,
    height: Floats,
    tilt_east: Floats,
    tilt_north: Floats,
    bed: Floats,
    spare: Floats,
    on_top: NDArray[np.bool_],
) -> Demand:
    held = rules.hold == "cover"
    return Demand(
        height=height,
        tilt_east=tilt_east,
        tilt_north=tilt_north,
        bed=bed,
        mark=rims.mark,
        flange=structures.flange_diameter,
        extent=extent(flange_edges(structures), tilt_east, tilt_north),
        shift=np.where(held & np.isfinite(chimneys.foot_shift), chimneys.foot_shift, 0.0),
        flange_inside=structures.flange_inside_diameter,
        spare=spare,
        on_top=on_top,
    )


def extent(outline: Outlines, east: Floats, north: Floats) -> Floats:
    """Extent of an outline in the direction of a gradient [m]; its width without gradient."""
    size = np.hypot(east, north)
    with np.errstate(divide="ignore", invalid="ignore"):
        reach = 2 * outline.support(east / size, north / size)
    return np.where(size > 0, reach, outline.width)


def _asking(demand: Demand, height: Floats) -> Demand:
    return replace(demand, height=height)
