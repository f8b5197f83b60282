"""Probability that a structure needs each kind of work, in closed form.

The true raise is x = raise + e, e normal with the raise's sd. `keep` holds where |x| leaves today's rim within the
owner's tolerance, `riser` where a riser of the frame's seat comes near enough: unions of intervals of x. Everything
else is work on the chimney. The chimney moves with e and has an error of its own besides; where it passes a limit the
work is for an engineer. That own error is taken by a fixed Gauss-Hermite rule of seven points.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from geoadjust.core.case import Case, has_chimney
from geoadjust.core.columns import CONDITIONS, RIM_BASES
from geoadjust.core.method import NO_CHANGE, riser_seats
from geoadjust.core.normal import union_probability
from geoadjust.core.result import riser_lift
from geoadjust.core.rim import frame_edges

Floats = NDArray[np.float64]

NODES, WEIGHTS = np.polynomial.hermite_e.hermegauss(7)
WEIGHTS = WEIGHTS / WEIGHTS.sum()


@dataclass(frozen=True, slots=True, eq=False)
class Bands:
    """Intervals of the raise (n, k) [m] in which a cover may stay, and in which a riser does; NaN = none."""

    keep_low: Floats
    keep_high: Floats
    riser_low: Floats
    riser_high: Floats

    @classmethod
    def of(cls, case: Case) -> Bands:
        """From the owner's tolerance and the parts."""
        structures, rules, lift = case.structures, case.rules, case.rims.raise_
        low, high = band(case)
        level = case.level()
        known = np.isin(case.rims.rim_basis, [RIM_BASES.index("gap"), RIM_BASES.index("surveyed")])
        stays = "keep" in rules.methods
        keep = known & level & ~structures.recast & stays
        poor = structures.chimney_condition == CONDITIONS.index("poor")
        taken = (structures.riser_present == 1) | poor | structures.recast
        seats = np.asarray(case.stacked() & ~taken & level)
        spans = [_riser_span(case, index, low, high) for index in range(len(case.catalogue.riser))]
        if "riser" not in rules.methods or not spans:
            spans = [(np.full(len(lift), np.nan),) * 2]
        lows, highs = (np.column_stack(ends) for ends in zip(*spans, strict=True))
        lows = np.where(seats[:, None], np.maximum(lows, NO_CHANGE), np.nan)
        highs = np.where(seats[:, None], np.minimum(highs, rules.max_riser), np.nan)
        keep_ends = [np.where(keep, end, np.nan)[:, None] for end in (-high, -low)]
        return cls(keep_ends[0], keep_ends[1], lows, highs)


def band(case: Case) -> tuple[Floats, Floats]:
    """Heights of a rim above the target, with today's tilt, that the owner's tolerance allows [m]: lowest, highest."""
    rules, n = case.rules, len(case.structures)
    if rules.measured_by == "edge":
        room = rules.tolerance - frame_edges(case.structures).support(*case.tilt())
        return -np.where(room >= 0, room, np.nan), np.where(room >= 0, room, np.nan)
    if rules.measured_by == "adjacent_mean":
        return np.full(n, -rules.tolerance), np.full(n, rules.tolerance)
    under = case.bars.height - case.rims.target[:, None] - rules.recess
    half = under.shape[1] // 2
    axial = np.column_stack([under[:, 0], under[:, half]])
    directed: NDArray[np.bool_] = np.asarray(np.isfinite(case.structures.axis))
    axial = np.where(directed[:, None], axial, np.column_stack([under.min(axis=1), under.max(axis=1)]))
    axial[~np.isfinite(axial).all(axis=1)] = 0.0
    return axial.max(axis=1) - rules.tolerance, axial.min(axis=1) + rules.tolerance


def _riser_span(case: Case, index: int, low: Floats, high: Floats) -> tuple[Floats, Floats]:
    """Raises for which this riser is near enough; NaN where it does not seat."""
    riser = case.catalogue.riser[index]
    usable = riser_seats(case, riser)
    lift = riser_lift(np.full(len(usable), riser.height), case.rims)
    return np.where(usable, lift - high, np.nan), np.where(usable, lift - low, np.nan)


def shares(case: Case, bands: Bands, raise_sd: Floats, chimney_sd: Floats) -> dict[str, Floats]:
    """p_keep, p_riser, p_chimney, p_rebuild, (n,) each; they add up to 1.

    NaN where the raise's sd is unknown, the last two also where the chimney's is.
    """
    mean = np.where(np.isfinite(case.rims.raise_), case.rims.raise_, np.nan)
    keep = union_probability(mean, raise_sd, bands.keep_low, bands.keep_high)
    low = np.concatenate([bands.keep_low, bands.riser_low], axis=1)
    high = np.concatenate([bands.keep_high, bands.riser_high], axis=1)
    either = union_probability(mean, raise_sd, low, high)
    past = _past(case, mean, raise_sd, chimney_sd, low, high) - either
    past = np.where(np.isfinite(past), np.clip(past, 0.0, 1.0), np.where(np.isfinite(either), 0.0, np.nan))
    past = np.where(np.isfinite(case.chimneys.height) & np.isnan(chimney_sd), np.nan, past)
    past = np.where(has_chimney(case.structures), past, 0.0 * either)
    return {
        "p_keep": keep,
        "p_riser": np.maximum(either - keep, 0.0),
        "p_rebuild": past,
        "p_chimney": 1.0 - either - past,
    }


def _past(case: Case, mean: Floats, raise_sd: Floats, chimney_sd: Floats, low: Floats, high: Floats) -> Floats:
    """Probability that a method without the chimney does, or that the chimney passes a limit."""
    chimneys, rules = case.chimneys, case.rules
    known = np.isfinite(chimneys.height)
    tall = np.where(known, chimneys.height_max, chimneys.change_max)
    room = rules.max_chimney - tall
    thin = np.where(known, rules.min_part - chimneys.height_min, -np.inf)
    deep = -chimneys.change_min - case.structures.existing_chimney
    deep = np.where(np.isfinite(deep), deep, -np.inf)
    bare_low, bare_high = _bare(case)
    own = np.sqrt(np.maximum(np.where(known, chimney_sd**2 - raise_sd**2, 0.0), 0.0))
    total, endless = np.zeros(len(mean)), np.full(len(mean), np.inf)
    for node, weight in zip(NODES, WEIGHTS, strict=True):
        at = mean - node * own
        lows = np.column_stack([low, at + room, -endless, at + bare_high, -endless])
        highs = np.column_stack([high, endless, at + np.minimum(thin, bare_low), at + thin, at + deep])
        total += weight * union_probability(mean, raise_sd, lows, highs)
    return total


def _bare(case: Case) -> tuple[Floats, Floats]:
    """Moves of the raise between which the flange can be set on the bearing without a ring; empty where it cannot."""
    chimneys, demand, rules = case.chimneys, case.demand, case.rules
    wedge = np.minimum(np.hypot(demand.tilt_east, demand.tilt_north) * demand.extent, rules.bedding_wedge)
    off = rules.joint + demand.bed + wedge / 2 - chimneys.height
    low, high = np.maximum(off - rules.tolerance, -chimneys.height_min), off + rules.tolerance
    usable = case.stacked() & ("rings" in rules.methods) & (low < high)
    return np.where(usable, low, np.inf), np.where(usable, high, np.inf)
