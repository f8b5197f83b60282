"""Which way a casting is brought to grade, and why not the earlier ones.

Order: monument, other owner, not paved; then the owner's methods in the owner's order (keep, riser, rings, liner); then
what the kind asks for (a valve's top section, a floating casting); then rebuild where a limit is passed, adjust where
the change is known, unknown otherwise. Each method that was tried and did not fit leaves its reason.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from geoadjust.core.case import Case
from geoadjust.core.columns import (
    ACTIONS,
    CONDITIONS,
    KINDS,
    METHODS,
    RIM_BASES,
    Rims,
)
from geoadjust.core.flags import Notes
from geoadjust.core.limits import past_limits
from geoadjust.core.parts import RiserPart
from geoadjust.core.result import riser_lift
from geoadjust.core.shelf import SLACK
from geoadjust.core.stack import bears, steepest

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]
Tried = tuple[Mask, NDArray[np.int16]]

NO_CHANGE = 0.0005


def choose_methods(case: Case, notes: Notes) -> tuple[NDArray[np.int8], NDArray[np.int16]]:
    """Method index and riser index of each structure; the reasons go into `notes`."""
    method = _stopped(case, notes)
    riser = np.full(len(method), -1, dtype=np.int16)
    for name in case.rules.methods:
        open_ = method < 0
        fits, part = TRIES[name](case, open_, notes)
        riser = np.where(open_ & fits & (name == "riser"), part, riser).astype(np.int16)
        method[open_ & fits] = METHODS.index(name)
    _choose_by_kind(case, method, notes)
    open_ = method < 0
    past = past_limits(case, open_, notes)
    method[open_ & past] = METHODS.index("rebuild")
    known = np.isfinite(case.chimneys.change) | np.isfinite(case.chimneys.height)
    method[(method < 0) & known] = METHODS.index("adjust")
    method[method < 0] = METHODS.index("unknown")
    return method, riser


def _stopped(case: Case, notes: Notes) -> NDArray[np.int8]:
    """Kinds and places where nothing is computed: monuments, other owners, outside the paving, no raise."""
    structures = case.structures
    method = np.full(len(structures), -1, dtype=np.int8)
    monument = structures.kind == KINDS.index("monument")
    method[monument] = METHODS.index("monument")
    method[structures.other_owner & (method < 0)] = METHODS.index("other_owner")
    outside = structures.paved == 0
    method[outside & (method < 0) & np.isfinite(case.rims.raise_)] = METHODS.index("not_paved")
    notes.add("monument", monument)
    notes.add("other_owner", structures.other_owner)
    notes.add("not_paved", outside)
    notes.add("measure_on_site", (method < 0) & (structures.kind == KINDS.index("inlet")))
    lost = ~np.isfinite(case.rims.raise_) & ~np.isfinite(case.chimneys.height)
    method[(method < 0) & lost] = METHODS.index("unknown")
    return method


def choose_actions(method: NDArray[np.int8], rims: Rims) -> NDArray[np.int8]:
    """Raise, lower or none."""
    still = np.isin(method, [METHODS.index(name) for name in ("monument", "other_owner", "not_paved", "keep")])
    moved = np.where(rims.raise_ > 0, ACTIONS.index("raise"), ACTIONS.index("lower"))
    moved = np.where(np.abs(rims.raise_) < NO_CHANGE, ACTIONS.index("none"), moved)
    moved = np.where(np.isfinite(rims.raise_), moved, -1)
    return np.where(still, ACTIONS.index("none"), moved).astype(np.int8)


def _no_part(case: Case) -> NDArray[np.int16]:
    return np.full(len(case.structures), -1, dtype=np.int16)


def _try_keep(case: Case, open_: Mask, notes: Notes) -> Tried:
    known = np.isin(case.rims.rim_basis, [RIM_BASES.index("gap"), RIM_BASES.index("surveyed")])
    off, level = case.off(-case.rims.raise_), case.level()
    flush = off <= case.rules.tolerance + SLACK
    notes.add("not_flush", open_ & ~flush & np.isfinite(off), off, case.rules.tolerance)
    tilt = np.hypot(*case.tilt())
    notes.add("tilt_off", open_ & ~level & np.isfinite(tilt), tilt, case.rules.tilt_tolerance)
    return known & flush & level & ~case.structures.recast, _no_part(case)


def _try_riser(case: Case, open_: Mask, notes: Notes) -> Tried:
    structures, lift = case.structures, case.rims.raise_
    poor = structures.chimney_condition == CONDITIONS.index("poor")
    allowed = case.stacked() & ~((structures.riser_present == 1) | poor | structures.recast)
    within = (lift > NO_CHANGE) & (lift <= case.rules.max_riser + SLACK)
    part, off = nearest_riser(case)
    near = (off <= case.rules.tolerance + SLACK) & case.level()
    tried = open_ & within & allowed
    seats = np.isfinite(off)
    notes.add("raise_past_riser", open_ & np.isfinite(lift) & ~within, lift, case.rules.max_riser)
    notes.add("riser_not_allowed", open_ & within & ~allowed)
    unknown = np.isnan(structures.seat_diameter) & any(part.seat_diameter for part in case.catalogue.riser)
    notes.add("seat_unknown", tried & ~seats & unknown)
    notes.add("no_riser_seats", tried & ~seats & ~unknown & bool(case.catalogue.riser))
    notes.add("no_riser_fits", tried & seats & ~near, off, case.rules.tolerance)
    return within & allowed & near, part


def nearest_riser(case: Case) -> tuple[NDArray[np.int16], Floats]:
    """Riser of the frame's seat that leaves the least; cheaper, then earlier, on a tie. -1 and inf where none seats."""
    n = len(case.structures)
    part, off, price = np.full(n, -1, dtype=np.int16), np.full(n, np.inf), np.full(n, np.inf)
    for index, riser in enumerate(case.catalogue.riser):
        fits = riser_seats(case, riser)
        left = np.round(case.off(riser_lift(np.full(n, riser.height), case.rims) - case.rims.raise_), 9)
        better = fits & ((left < off) | ((left == off) & (riser.price < price)))
        part, off, price = (
            np.where(better, new, old) for new, old in ((index, part), (left, off), (riser.price, price))
        )
    return part.astype(np.int16), off


def riser_seats(case: Case, riser: RiserPart) -> Mask:
    """Where a riser that is to be had seats: by the casting's name where it names some, and by the frame's seat."""
    castings = [casting.id for casting in case.catalogue.casting]
    named = [castings.index(name) for name in riser.castings if name in castings]
    fits: Mask = np.isin(case.structures.casting, named) | (not riser.castings)
    if riser.seat_diameter is not None:
        fits = fits & (np.abs(case.structures.seat_diameter - riser.seat_diameter) <= case.rules.seat_tolerance + SLACK)
    return fits & riser.available


def _try_rings(case: Case, open_: Mask, notes: Notes) -> Tried:
    rules, stacks = case.rules, case.stacks
    known = np.isfinite(case.chimneys.height)
    tilt = np.hypot(case.demand.tilt_east, case.demand.tilt_north)
    most = steepest(case.demand, rules, case.catalogue)
    level = tilt <= most + SLACK
    low = case.chimneys.height_max <= rules.max_chimney + SLACK
    thick = (case.chimneys.height_min >= rules.min_part - SLACK) | (stacks.count == 0)
    found = stacks.count >= 0
    asked = open_ & case.stacked() & known
    notes.add("taper_past_limit", asked & ~level & ~found, tilt, most)
    borne = bears(case.demand, rules, case.catalogue)
    notes.add("foot_off_bearing", asked & ~found & ~borne & bool(case.catalogue.ring))
    notes.add("no_ring_slope", asked & ~found & borne & level & ~np.isfinite(stacks.nearest), tilt)
    unstacked = asked & low & level & ~found & np.isfinite(stacks.nearest)
    notes.add("no_ring_stack", unstacked, stacks.nearest, rules.tolerance)
    above = case.chimneys.height_min >= -SLACK
    return case.stacked() & known & low & above & thick & found, _no_part(case)


def _try_liner(case: Case, open_: Mask, notes: Notes) -> Tried:
    liners, rules = case.liners, case.rules
    known = np.isfinite(case.chimneys.height) & np.isnan(case.structures.flange_length)
    low = case.chimneys.height_max <= rules.max_chimney + SLACK
    asked = open_ & case.stacked() & known & low
    structures = case.structures
    borne = np.isfinite(structures.flange_inside_diameter) & np.isfinite(structures.ridge_diameter)
    clears = case.stacked() & known & low & (liners.part >= 0)
    notes.add("liner_does_not_clear", asked & (liners.part < 0) & (liners.clash > 0), liners.clash)
    notes.add("liner_too_short", asked & (liners.part < 0) & (liners.short > 0), liners.short)
    notes.add("liner_too_long", asked & (liners.part < 0) & (liners.long > 0), liners.long)
    notes.add("liner_unchecked", open_ & clears & liners.unchecked)
    return clears & borne, _no_part(case)


def _choose_by_kind(case: Case, method: NDArray[np.int8], notes: Notes) -> None:
    """Castings that no chimney carries: they float in the pavement, or a valve's top section slides."""
    structures, lift = case.structures, case.rims.raise_
    floats = (method < 0) & structures.floating & np.isfinite(lift)
    notes.add("casting_floats", floats)
    method[floats] = METHODS.index("float")
    valve = (method < 0) & (structures.kind == KINDS.index("valve")) & np.isfinite(lift)
    travel = structures.travel
    reaches = (lift >= 0) & (lift <= travel + SLACK)
    notes.add("travel_unknown", valve & np.isnan(travel))
    notes.add("past_travel", valve & np.isfinite(travel) & ~reaches, lift, travel)
    method[valve & reaches] = METHODS.index("extend")
    method[valve & np.isfinite(travel) & ~reaches] = METHODS.index("replace_top")


TRIES = {"keep": _try_keep, "riser": _try_riser, "rings": _try_rings, "liner": _try_liner}
