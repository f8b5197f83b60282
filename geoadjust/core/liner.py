"""Liners: which stock cylinder fits between flange and bearing, all round.

With r, R half the liner's inside and outside, d the flange's offset (hold = cover), c the owner's clearance:

    ridge     r >= ridge / 2 + d + c            nothing that hangs below the flange may land on the wall
    flange    R + d <= flange outside / 2       the wall lies under the flange
    carried   min(R + d, flange outside / 2) - max(r, flange inside / 2 + d) >= min(wall, 25 mm)
    bearing   R <= bearing outside / 2,  r >= bearing inside / 2
    opening   2 r >= the owner's clear opening

25 mm: common practice, no source. A size that is unknown cannot be checked; `unchecked` says so.
A saw square to the wall leaves a radially level face, so it is cut at the mid-wall radius and wall s / 2 lower: it then
lies nowhere above the flange's plane. A cut in the flange's plane is measured on the outside.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from geoadjust.core.columns import Chimneys, Liners, Structures
from geoadjust.core.parts import Catalogue, LinerPart
from geoadjust.core.rules import RuleSet

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

LEAST_SEAT = 0.025
SLACK = 1e-6


def choose_liners(structures: Structures, chimneys: Chimneys, rules: RuleSet, catalogue: Catalogue) -> Liners:
    """Smallest stock liner that fits each structure with a round flange and a known chimney.

    Returns
    -------
    Liners; part -1 where none fits, with the clash of the nearest one, or how much too short or long it would be
    """
    n = len(structures)
    part = np.full(n, -1, dtype=np.int16)
    clash, short, long = (np.full(n, np.nan) for _ in range(3))
    asked = np.isfinite(chimneys.height) & np.isnan(structures.flange_length)
    order = sorted(
        (index for index, liner in enumerate(catalogue.liner) if liner.available),
        key=lambda index: (catalogue.liner[index].outside_diameter, catalogue.liner[index].price, index),
    )
    for index in order:
        liner = catalogue.liner[index]
        off = clashes(structures, chimneys, liner, rules)
        low, high = cut_extremes(chimneys, liner, rules)
        clears = off <= SLACK
        too_short = max(liner.min_height, rules.min_part) - low
        too_long = high - (liner.height if liner.height is not None else np.inf)
        fits = asked & clears & (too_short <= SLACK) & (too_long <= SLACK)
        part = np.where((part < 0) & fits, index, part).astype(np.int16)
        clash = np.where(asked, np.fmin(clash, off), clash)
        short = np.where(asked & clears & (too_short > SLACK), np.fmin(short, too_short), short)
        long = np.where(asked & clears & (too_long > SLACK), np.fmin(long, too_long), long)
    none = part < 0
    known = [structures.flange_inside_diameter, structures.ridge_diameter]
    known += [structures.bearing_outside_diameter, structures.bearing_inside_diameter]
    return Liners(
        part=part,
        clash=np.where(none, clash, np.nan),
        unchecked=np.isnan(np.stack(known)).any(axis=0),
        short=np.where(none, short, np.nan),
        long=np.where(none, long, np.nan),
    )


def clashes(structures: Structures, chimneys: Chimneys, liner: LinerPart, rules: RuleSet) -> Floats:
    """By how much a liner does not clear, the worst of all checks [m]; not above 0 = it clears."""
    shift = chimneys.foot_shift if rules.hold == "cover" else np.zeros(len(structures))
    inner, outer = liner.inside_diameter / 2, liner.outside_diameter / 2
    flange = structures.flange_diameter / 2
    iron = np.maximum(inner, structures.flange_inside_diameter / 2 + shift)
    seat = np.minimum(outer + shift, flange) - iron
    checks = [
        np.where(structures.ridge_diameter > 0, structures.ridge_diameter / 2 + shift + rules.liner_clearance, 0) - inner,
        outer + shift - flange,
        min(outer - inner, LEAST_SEAT) - seat,
        outer - structures.bearing_outside_diameter / 2,
        structures.bearing_inside_diameter / 2 - inner,
        np.full(len(structures), rules.clear_opening / 2 - inner),
    ]
    worst = np.full(len(structures), -np.inf)
    for check in checks:
        worst = np.fmax(worst, check)
    return worst


def cut_extremes(chimneys: Chimneys, liner: LinerPart, rules: RuleSet) -> tuple[Floats, Floats]:
    """Short and long side of the cut liner [m]."""
    tilt = np.hypot(chimneys.tilt_east, chimneys.tilt_north)
    radius, deduct = cut_radius(liner, tilt, rules)
    centre = chimneys.height - chimneys.bed - 2 * rules.joint - deduct
    return centre - radius * tilt, centre + radius * tilt


def cut_radius(liner: LinerPart, slope: Floats, rules: RuleSet) -> tuple[float, Floats]:
    """Radius at which the cut is measured [m], and how much lower it lies (n,) [m]."""
    inner, outer = liner.inside_diameter / 2, liner.outside_diameter / 2
    if rules.cut_style == "in_plane":
        return outer, np.zeros(len(slope))
    return (inner + outer) / 2, (outer - inner) * slope / 2


def liner_radii(
    liners: Liners, slope: Floats, catalogue: Catalogue, rules: RuleSet
) -> tuple[Floats, Floats, Floats]:
    """Radius of the cut, radius to wrap on, and deduction [m], (n,) each; NaN where there is no liner."""
    n = len(liners)
    radius, wrap, deduct = (np.full(n, np.nan) for _ in range(3))
    for index, liner in enumerate(catalogue.liner):
        where = liners.part == index
        own, less = cut_radius(liner, slope, rules)
        radius, deduct = np.where(where, own, radius), np.where(where, less, deduct)
        wrap = np.where(where, liner.outside_diameter / 2, wrap)
    return radius, wrap, deduct
