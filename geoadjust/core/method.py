"""Which way a casting is brought to grade, and why not the earlier ones.

Order: monument, other owner; then the owner's methods in the owner's order (keep, riser, rings); then rebuild where a
limit is passed, adjust where the change is known, unknown otherwise. Each method that was tried and did not fit leaves
its reason.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from geoadjust.core.columns import (
    ACTIONS,
    CONDITIONS,
    KINDS,
    METHODS,
    RIM_BASES,
    Chimneys,
    Rims,
    Stacks,
    Structures,
)
from geoadjust.core.flags import Notes
from geoadjust.core.rules import Catalogue, RuleSet
from geoadjust.core.stack import SLACK, tallest

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

NO_CHANGE = 0.0005
STACKED = (KINDS.index("manhole"), KINDS.index("handhole"))


@dataclass(frozen=True, slots=True, eq=False)
class Case:
    """All that is known of the structures when the method is chosen."""

    structures: Structures
    rims: Rims
    chimneys: Chimneys
    stacks: Stacks
    rules: RuleSet
    catalogue: Catalogue

    def tilt(self) -> Floats:
        """Slope between today's frame and the target plane [m/m]."""
        rims = self.rims
        east = rims.target_slope_east - rims.existing_slope_east
        return np.asarray(np.hypot(east, rims.target_slope_north - rims.existing_slope_north))

    def edge_off(self, centre: Floats) -> Floats:
        """Largest distance [m] from the target plane on the frame's edge, with this one at the centre."""
        return np.abs(centre) + self.structures.frame_top_diameter / 2 * self.tilt()


def choose_methods(case: Case, notes: Notes) -> tuple[NDArray[np.int8], NDArray[np.int16]]:
    """Method index and riser index of each structure; the reasons go into `notes`."""
    structures, rims = case.structures, case.rims
    n = len(structures)
    method = np.full(n, -1, dtype=np.int8)
    monument = structures.kind == KINDS.index("monument")
    method[monument] = METHODS.index("monument")
    method[structures.other_owner & (method < 0)] = METHODS.index("other_owner")
    notes.add("monument", monument)
    notes.add("other_owner", structures.other_owner)
    notes.add("measure_on_site", (method < 0) & ~np.isin(structures.kind, STACKED))
    method[(method < 0) & ~np.isfinite(rims.raise_)] = METHODS.index("unknown")
    riser = np.full(n, -1, dtype=np.int16)
    for name in case.rules.methods:
        open_ = method < 0
        fits, part = TRIES[name](case, open_, notes)
        riser = np.where(open_ & fits & (name == "riser"), part, riser).astype(np.int16)
        method[open_ & fits] = METHODS.index(name)
    past = _past_limits(case, method < 0, notes)
    method[(method < 0) & past] = METHODS.index("rebuild")
    method[(method < 0) & np.isfinite(case.chimneys.change)] = METHODS.index("adjust")
    method[method < 0] = METHODS.index("unknown")
    return method, riser


def choose_actions(method: NDArray[np.int8], rims: Rims) -> NDArray[np.int8]:
    """Raise, lower or none."""
    still = np.isin(method, [METHODS.index(name) for name in ("monument", "other_owner", "not_paved", "keep")])
    moved = np.where(rims.raise_ > 0, ACTIONS.index("raise"), ACTIONS.index("lower"))
    moved = np.where(np.abs(rims.raise_) < NO_CHANGE, ACTIONS.index("none"), moved)
    moved = np.where(np.isfinite(rims.raise_), moved, -1)
    return np.where(still, ACTIONS.index("none"), moved).astype(np.int8)


def _try_keep(case: Case, open_: Mask, notes: Notes) -> tuple[Mask, NDArray[np.int16]]:
    known = np.isin(case.rims.rim_basis, [RIM_BASES.index("gap"), RIM_BASES.index("surveyed")])
    off, tilt = case.edge_off(case.rims.raise_), case.tilt()
    flush = off <= case.rules.tolerance + SLACK
    level = tilt <= case.rules.tilt_tolerance + SLACK
    notes.add("not_flush", open_ & ~flush, off, case.rules.tolerance)
    notes.add("tilt_off", open_ & ~level, tilt, case.rules.tilt_tolerance)
    return known & flush & level & ~case.structures.recast, np.full(len(off), -1, dtype=np.int16)


def _try_riser(case: Case, open_: Mask, notes: Notes) -> tuple[Mask, NDArray[np.int16]]:
    structures, lift = case.structures, case.rims.raise_
    poor = structures.chimney_condition == CONDITIONS.index("poor")
    stacked = np.isin(structures.kind, STACKED)
    allowed = stacked & ~((structures.riser_present == 1) | poor | structures.recast)
    within = (lift > NO_CHANGE) & (lift <= case.rules.max_riser + SLACK)
    part, off = _nearest_riser(case)
    near = off <= case.rules.tolerance + SLACK
    notes.add("raise_past_riser", open_ & ~within, lift, case.rules.max_riser)
    notes.add("riser_not_allowed", open_ & within & ~allowed)
    notes.add(
        "no_riser_fits", open_ & within & allowed & ~near, np.where(np.isfinite(off), off, np.nan), case.rules.tolerance
    )
    return within & allowed & near, part


def _nearest_riser(case: Case) -> tuple[NDArray[np.int16], Floats]:
    """Riser whose height leaves the least at the frame's edge; cheaper, then earlier, on a tie."""
    n = len(case.structures)
    part, off, price = np.full(n, -1, dtype=np.int16), np.full(n, np.inf), np.full(n, np.inf)
    castings = [casting.id for casting in case.catalogue.casting]
    for index, riser in enumerate(case.catalogue.riser):
        seats = [castings.index(name) for name in riser.castings if name in castings]
        fits = np.isin(case.structures.casting, seats) | (not riser.castings)
        left = np.round(case.edge_off(riser.height - case.rims.raise_), 9)
        better = fits & riser.available & ((left < off) | ((left == off) & (riser.price < price)))
        part, off, price = (
            np.where(better, new, old) for new, old in ((index, part), (left, off), (riser.price, price))
        )
    return part.astype(np.int16), off


def _try_rings(case: Case, open_: Mask, notes: Notes) -> tuple[Mask, NDArray[np.int16]]:
    structures, rules = case.structures, case.rules
    stacked = np.isin(structures.kind, STACKED)
    known = np.isfinite(case.chimneys.height)
    steepest = rules.bedding_wedge / structures.flange_diameter + rules.tilt_tolerance
    level = case.rims.slope <= steepest + SLACK
    low = case.chimneys.height_max <= rules.max_chimney + SLACK
    found = case.stacks.count >= 0
    notes.add("taper_past_limit", open_ & stacked & known & ~level, case.rims.slope, steepest)
    unstacked = open_ & stacked & known & low & ~found
    notes.add("no_ring_stack", unstacked & np.isfinite(case.stacks.nearest), case.stacks.nearest, rules.tolerance)
    above = case.chimneys.height_min >= -SLACK
    return stacked & known & level & low & above & found, np.full(len(known), -1, dtype=np.int16)


def _past_limits(case: Case, open_: Mask, notes: Notes) -> Mask:
    """Where a limit of the owner is passed, so that an engineer decides."""
    chimneys, rules = case.chimneys, case.rules
    known = np.isfinite(chimneys.height)
    tall = np.where(known, chimneys.height_max, chimneys.change_max)
    over = tall > rules.max_chimney + SLACK
    notes.add("chimney_past_limit", open_ & over, tall, rules.max_chimney)
    high = known & (chimneys.height_min < -SLACK)
    notes.add("bearing_too_high", open_ & high, chimneys.height_min)
    thin = known & ~high & (chimneys.height_min < rules.min_part - SLACK)
    notes.add("chimney_too_thin", open_ & thin, chimneys.height_min, rules.min_part)
    most = tallest(case.structures, rules, case.catalogue)
    stacked = np.isin(case.structures.kind, STACKED) & ("rings" in rules.methods) & bool(case.catalogue.ring)
    many = known & stacked & ~over & (chimneys.height > most + rules.tolerance + SLACK)
    notes.add("rings_past_limit", open_ & many, chimneys.height, most)
    down = np.maximum(-chimneys.change_min, case.rims.lower_by)
    with np.errstate(invalid="ignore"):
        deep = down > case.structures.existing_chimney + SLACK
    notes.add("lowering_exceeds_stack", open_ & deep, down, case.structures.existing_chimney)
    return np.asarray(over | high | many | deep)


TRIES = {"keep": _try_keep, "riser": _try_riser, "rings": _try_rings}
