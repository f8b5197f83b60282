"""Liners: which stock cylinder carries the flange, and on which radius its one cut is measured.

A liner stands on the bearing, carries the flange, and is cut once so that its top follows the flange's underside. With
r_i and r_o its inside and outside radius, s the slope that the chimney makes, t the azimuth from uphill, Hc the height
of the cut part on the axis, the flange's plane lies at Hc + r s cos t over radius r. The cut edge is

    in_plane        z(t) = Hc + r_o s cos t                              the saw follows the flange's plane
    square_to_wall  z(t) = Hc - w s / 2 + (r_i + r_o) / 2 s cos t        w = r_o - r_i; a face level across the wall

A face that is level across the wall touches the plane inside at uphill and outside at downhill, and lies nowhere above
it: z(t) - Hc - r s cos t is at most -w s / 2 (1 - |cos t|) over r_i <= r <= r_o. Both styles have the same short side.

Clearances are horizontal and radial, held all round; where the cover keeps its place (hold = cover) the casting's foot
stands `foot_shift` off the chimney's axis, and each clearance between casting and liner is smaller by it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from geoadjust.core.chimney import along_axis
from geoadjust.core.columns import Chimneys, Liners, Structures
from geoadjust.core.parts import Catalogue, LinerPart
from geoadjust.core.rules import RuleSet

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

SLACK = 1e-6
LEAST_SEAT = 0.025
"""Of a liner's wall at least this much, or all of it, lies under the flange's iron [m]; common practice, no source."""


def choose_liners(structures: Structures, chimneys: Chimneys, rules: RuleSet, catalogue: Catalogue) -> Liners:
    """Smallest stock liner that clears, bears and can be cut to length; then the cheapest, then catalogue order.

    Only a round flange on a chimney of known height takes a liner. A check whose size is unknown is left out.

    Parameters
    ----------
    structures, chimneys : n structures
    rules, catalogue : the owner's; liners that are not available are left out

    Returns
    -------
    Liners; `clash` is that of the liner that comes nearest to clearing, NaN where one clears; `short` and `long` are
    those of the one that comes nearest to the length among the liners that clear, NaN where one fits or none clears
    """
    n, order = len(structures), _in_order(catalogue.liner)
    asked = np.isfinite(_height(structures, chimneys, rules)) & np.isnan(structures.flange_length)
    nothing = np.full(n, np.nan)
    part = np.full(n, -1, dtype=np.int16)
    if not order:
        return Liners(part, nothing, np.zeros(n, dtype=bool), nothing.copy(), nothing.copy())
    sizes = [catalogue.liner[index] for index in order]
    clashes, unknown = zip(*(_clash(structures, chimneys, rules, liner) for liner in sizes), strict=True)
    ends = [_misses(structures, chimneys, rules, liner) for liner in sizes]
    clash, short, long = (np.column_stack(some) for some in (clashes, *zip(*ends, strict=True)))
    clears = clash <= SLACK
    fits = clears & (np.maximum(short, long) <= SLACK)
    found = asked & fits.any(axis=1)
    part[found] = np.array(order, dtype=np.int16)[np.argmax(fits, axis=1)[found]]
    nearest = np.argmin(np.where(clears, np.maximum(short, long), np.inf), axis=1)[:, None]
    cleared = clears.any(axis=1)
    misses = [np.take_along_axis(some, nearest, axis=1)[:, 0] for some in (short, long)]
    short, long = (np.where(asked & cleared & (miss > SLACK), miss, np.nan) for miss in misses)
    return Liners(
        part=part,
        clash=np.where(asked & ~cleared, clash.min(axis=1), np.nan),
        unchecked=asked & unknown[0],
        short=short,
        long=long,
    )


def _in_order(liners: tuple[LinerPart, ...]) -> list[int]:
    """Available liners: by outside diameter, then price, then as they are listed."""
    stock = [index for index, liner in enumerate(liners) if liner.available]
    return sorted(stock, key=lambda index: (round(liners[index].outside_diameter, 6), liners[index].price))


def _clash(structures: Structures, chimneys: Chimneys, rules: RuleSet, liner: LinerPart) -> tuple[Floats, Mask]:
    """Largest violated clearance of one liner [m], (n,), plus = does not clear; and where a size is unknown."""
    inside, outside = liner.inside_diameter / 2, liner.outside_diameter / 2
    shift = chimneys.foot_shift if rules.hold == "cover" else np.zeros(len(structures))
    hangs = structures.ridge_diameter != 0
    flange = np.where(structures.size_known, structures.flange_diameter, np.nan)
    clearances = [
        np.where(hangs, structures.ridge_diameter / 2 + shift + rules.liner_clearance - inside, -np.inf),
        outside + shift - flange / 2,
        structures.flange_inside_diameter / 2 + shift + min(outside - inside, LEAST_SEAT) - outside,
        outside - structures.bearing_outside_diameter / 2,
        structures.bearing_inside_diameter / 2 - inside,
    ]
    opening = np.full(len(structures), rules.clear_opening / 2 - inside)
    largest = np.fmax.reduce([opening, *clearances])
    return np.asarray(largest), np.asarray(np.isnan(clearances).any(axis=0))


def _misses(structures: Structures, chimneys: Chimneys, rules: RuleSet, liner: LinerPart) -> tuple[Floats, Floats]:
    """By how much one liner is too short at its short side and too long at its long side [m], (n,) each."""
    slope = cut_slope(chimneys)
    radius, deduct = _cut_radius(liner, slope, rules)
    factor = along_axis(structures, chimneys, rules)
    middle = _height(structures, chimneys, rules) - deduct
    half = radius * slope * factor
    short = max(liner.min_height, rules.min_part) - (middle - half)
    long = middle + half - (np.inf if liner.height is None else liner.height)
    return short, long


def cut_slope(chimneys: Chimneys) -> Floats:
    """Slope that the chimney has to make [m/m], (n,)."""
    return np.hypot(chimneys.tilt_east, chimneys.tilt_north)


def _height(structures: Structures, chimneys: Chimneys, rules: RuleSet) -> Floats:
    """Height of the cut part on the axis [m]: chimney without bed and two joints; NaN where unknown."""
    height = chimneys.height * along_axis(structures, chimneys, rules) - chimneys.bed - 2 * rules.joint
    return np.where(np.isfinite(cut_slope(chimneys)), height, np.nan)


def _cut_radius(liner: LinerPart, slope: Floats, rules: RuleSet) -> tuple[float, Floats]:
    """Radius of the cut edge's swing, and what a level face takes off the height on the axis [m]."""
    if rules.cut_style == "in_plane":
        return liner.outside_diameter / 2, np.zeros(len(slope))
    wall = (liner.outside_diameter - liner.inside_diameter) / 2
    return (liner.outside_diameter + liner.inside_diameter) / 4, wall * slope / 2


def liner_radii(liners: Liners, slope: Floats, catalogue: Catalogue, rules: RuleSet) -> tuple[Floats, Floats, Floats]:
    """Where each liner's cut is measured: the height at azimuth t is Hc - deduct + radius * slope * cos(t - uphill).

    Parameters
    ----------
    liners : n liners
    slope : (n,) slope that the chimney makes [m/m]
    catalogue, rules : the owner's

    Returns
    -------
    radius, wrap, deduct : (n,) [m] each; the template is wrapped on the radius `wrap`; NaN where there is no liner

    Examples
    --------
    A wall of 50 mm, sawn square to it on a slope of 4 %, is 1 mm lower on the axis than the flange's plane:

    >>> stock = Catalogue(liner=(LinerPart("L", outside_diameter=0.8, inside_diameter=0.7),))
    >>> none = np.full(1, np.nan)
    >>> chosen = Liners(np.zeros(1, dtype=np.int16), none, np.zeros(1, dtype=bool), none.copy(), none.copy())
    >>> [float(values[0].round(6)) for values in liner_radii(chosen, np.array([0.04]), stock, RuleSet())]
    [0.375, 0.4, 0.001]
    """
    n = len(slope)
    radius, wrap, deduct = np.full(n, np.nan), np.full(n, np.nan), np.full(n, np.nan)
    for index, liner in enumerate(catalogue.liner):
        here = liners.part == index
        radius[here], deduct[here] = _cut_radius(liner, slope[here], rules)
        wrap[here] = liner.outside_diameter / 2
    return radius, wrap, deduct
