"""The owner's limits on chimneys: where one is passed an engineer decides. Each limit is tested where it bites."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from geoadjust.core.case import Case, has_chimney
from geoadjust.core.flags import Notes
from geoadjust.core.shelf import SLACK
from geoadjust.core.stack import tallest

Mask = NDArray[np.bool_]


def past_limits(case: Case, open_: Mask, notes: Notes) -> Mask:
    """Where a limit of the owner is passed.

    Too tall at the greatest height, too thin at the smallest; a lowering that the old chimney does not hold; more rings
    than allowed. The kinds that have no chimney pass none.
    """
    chimneys, rules = case.chimneys, case.rules
    open_ = open_ & has_chimney(case.structures)
    known = np.isfinite(chimneys.height)
    tall = np.where(known, chimneys.height_max, chimneys.change_max)
    over = tall > rules.max_chimney + SLACK
    notes.add("chimney_past_limit", open_ & over, tall, rules.max_chimney)
    high = known & (chimneys.height_min < -SLACK)
    notes.add("bearing_too_high", open_ & high, chimneys.height_min)
    thin = known & ~high & (chimneys.height_min < rules.min_part - SLACK)
    notes.add("chimney_too_thin", open_ & thin, chimneys.height_min, rules.min_part)
    most = tallest(case.demand, rules, case.catalogue)
    ringed = case.stacked() & ("rings" in rules.methods) & bool(case.catalogue.ring)
    many = known & ringed & ~over & (chimneys.height > most + rules.tolerance + SLACK)
    notes.add("rings_past_limit", open_ & many, chimneys.height, most)
    down = -chimneys.change_min
    with np.errstate(invalid="ignore"):
        deep = down > case.structures.existing_chimney + SLACK
    notes.add("lowering_exceeds_stack", open_ & deep, down, case.structures.existing_chimney)
    return np.asarray(open_ & (over | high | thin | many | deep))
