"""Grade rings: which of them, how turned, and with which joints make up the height and slope that are asked for.

A catalogue is expanded once per rule set and looked up per structure: fewest rings whose sum with joints lies within
the tolerance of the height, and whose tapers and bedding make the slope; among them the smallest misfit, then the
lowest price, then catalogue order. Only rings of one size stand on each other, and only where the flange bears on them.
Flat rings lie below, up to two tapered ones on top, turned in whole steps from the mark so that least slope is left;
they make the slope themselves, to within the owner's tilt tolerance. The bedding under the flange takes what is left,
on flat rings up to the owner's wedge; what it cannot take is told as `left`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields

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
REPLACE, ON_TOP = POLICIES.index("replace_all"), POLICIES.index("add_on_top")
FAR = 1e3
"""Misfits are ranked up to this [m]."""


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
    A chimney of 100 mm that is to rise 3 % to the north: the tapered ring makes 2.5 %, the bedding under a flange of
    0.8 m the rest.

    >>> from geoadjust.core.parts import RingPart
    >>> rings = (RingPart("flat", 0.05, outside_diameter=0.8),
    ...          RingPart("tapered", thin=0.02, thick=0.04, outside_diameter=0.8))
    >>> one, zero = np.ones(1), np.zeros(1)
    >>> demand = Demand(0.100 * one, zero, 0.03 * one, zero, zero, 0.8 * one, 0.8 * one, zero, np.nan * one, 4 * one,
    ...                 np.array([False]))
    >>> stacks = choose_stacks(demand, RuleSet(), Catalogue(ring=rings))
    >>> stacks.parts.tolist(), stacks.turn.tolist()
    ([[0, 1, -1, -1]], [[nan, 0.0, nan, nan]])
    >>> stacks.wedge.round(6).tolist(), abs(stacks.misfit).round(6).tolist()
    ([0.004], [0.0])
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


def bears(demand: Demand, rules: RuleSet, catalogue: Catalogue) -> Mask:
    """Where the flange bears wholly on rings of some size, (n,)."""
    shelves = expand(catalogue.ring, rules.max_rings, rules.joint, rules.min_edge, rules.max_taper)
    return np.asarray(shelves.fits(demand.flange, demand.flange_inside, demand.shift).any(axis=0))


def tallest(demand: Demand, rules: RuleSet, catalogue: Catalogue) -> Floats:
    """Tallest stack with joints that each structure can have [m], (n,), whatever its slope; 0 where none fits.

    Without bed and wedge; on an old stack, what can be added to it.
    """
    shelves = expand(catalogue.ring, rules.max_rings, rules.joint, rules.min_edge, rules.max_taper)
    total = _largest(demand, shelves, lambda row: float(shelves.total[row.last - 1]))
    return np.where(np.isfinite(total), total - rules.joint * demand.on_top, 0.0)


def steepest(demand: Demand, rules: RuleSet, catalogue: Catalogue) -> Floats:
    """Largest slope that tapered rings, or flat ones with bedding, can make within the tolerance [m/m], (n,).

    In the direction that suits the steps best. Bedding alone where no ring fits; NaN where the flange's extent is
    unknown.
    """
    shelves = expand(catalogue.ring, rules.max_rings, rules.joint, rules.min_edge, rules.max_taper)
    rings = _largest(demand, shelves, lambda row: shelves.steepest[row.tapers])
    return np.asarray(np.maximum(rings, rules.bedding_wedge / demand.extent) + rules.tilt_tolerance)


def _rows(demand: Demand, rows: slice) -> Demand:
    return Demand(*(getattr(demand, item.name)[rows] for item in fields(demand)))


def _largest(demand: Demand, shelves: Shelves, value: Callable[[Row], float]) -> Floats:
    """Largest value of a row whose rings the flange fits and whose count is to be had, (n,); -inf = none."""
    fits = shelves.fits(demand.flange, demand.flange_inside, demand.shift)
    best = np.full(len(demand), -np.inf)
    for row in (row for rows in shelves.rows for row in rows):
        usable = fits[row.size] & ~(row.count > demand.spare)
        best = np.where(usable, np.maximum(best, value(row)), best)
    return best


def _choose(demand: Demand, rules: RuleSet, shelves: Shelves) -> Stacks:
    search = _Search(demand, rules, shelves)
    search.walk(search.asked, rules.tolerance + SLACK, settle=True)
    found = search.entry >= 0
    search.walk(search.asked & ~found, np.inf, settle=False)
    return search.stacks(found)


class _Search:
    """Running best of the structures of one block; `rest` and `turns` per class of tapers, as far as they are known."""

    def __init__(self, demand: Demand, rules: RuleSet, shelves: Shelves) -> None:
        n = len(demand)
        self.demand, self.rules, self.shelves = demand, rules, shelves
        self.bed = np.where(demand.on_top, 0.0, demand.bed)
        self.base = demand.height - self.bed + rules.joint * demand.on_top
        self.asked = np.isfinite(self.base + demand.tilt_east + demand.tilt_north) & (demand.extent > 0)
        self.mark = np.where(np.isfinite(demand.mark), demand.mark, 0.0)
        self.ahead, self.right = seen_from(self.mark, demand.tilt_east, demand.tilt_north)
        self.slope = np.sqrt(self.ahead**2 + self.right**2)
        self.bedding = np.divide(rules.bedding_wedge, demand.extent, out=np.full(n, np.nan), where=demand.extent > 0)
        self.fits = shelves.fits(demand.flange, demand.flange_inside, demand.shift)
        self.reach: dict[int, tuple[Mask, Floats, Floats]] = {}
        self.rest: dict[int, Floats] = {}
        self.turns: dict[int, Floats] = {}
        self.key = np.full(n, np.iinfo(np.int64).max)
        self.entry, self.tapers = np.full(n, -1), np.full(n, -1)
        self.misfit = np.full(n, np.inf)

    def walk(self, rows: Mask, tolerance: float, *, settle: bool) -> None:
        """Look up every row of stacks, fewest rings first; with `settle`, structures that have a stack drop out."""
        for count, stacks in enumerate(self.shelves.rows):
            open_ = rows & ~(count > self.demand.spare)
            index = np.flatnonzero(open_ & (self.entry < 0) if settle else open_)
            for row in stacks if len(index) else ():
                self._look(row, index, tolerance)

    def _look(self, row: Row, index: Ints, tolerance: float) -> None:
        """Offer the two neighbours of the height among the stacks of a row, where the slope would do."""
        total = self.shelves.total[row.first : row.last]
        index = self._promising(row, index, tolerance)
        rest = self._turn(row.tapers, index)
        level = rest <= self._allowed(row.tapers)[index]
        index = index[level]
        wanted = self.base[index] - self._wedge(rest[level], index) / 2
        above = np.searchsorted(total, wanted)
        for place in (np.maximum(above - 1, 0), np.minimum(above, len(total) - 1)):
            self._offer(row, index, place, total[place] - wanted, tolerance)

    def _offer(self, row: Row, index: Ints, place: Ints, misfit: Floats, tolerance: float) -> None:
        """Take a stack where it is better: nearer, then cheaper, then earlier in the catalogue; one number says all."""
        size = np.abs(misfit)
        order = self.shelves.order
        key = np.rint(np.minimum(size, FAR) / FINE).astype(np.int64) * len(order) + order[row.first + place]
        better = (size <= tolerance) & (key < self.key[index])
        at = index[better]
        self.key[at], self.misfit[at] = key[better], misfit[better]
        self.entry[at], self.tapers[at] = row.first + place[better], row.tapers

    def _promising(self, row: Row, index: Ints, tolerance: float) -> Ints:
        """Structures whose slope and height the stacks of a row may meet, and better than what was found so far."""
        level, least, most = self._reach(row.tapers)
        index = index[self.fits[row.size][index] & level[index]]
        total = self.shelves.total[row.first : row.last]
        off = np.minimum(np.abs(self.misfit[index]), tolerance) + 2 * FINE
        base = self.base[index]
        place = np.searchsorted(total, base - most[index] - off)
        within = total[np.minimum(place, len(total) - 1)] <= base - least[index] + off
        return np.asarray(index[within & (place < len(total))])

    def _reach(self, tapers: int) -> tuple[Mask, Floats, Floats]:
        """Where a class of tapers may do, and between which thicknesses half the wedge would be [m], before turning."""
        if tapers not in self.reach:
            rings = self.shelves.tapers[tapers]
            least, most = bounds_of_rest(rings, self.slope, self.rules.max_taper + SLACK)
            level = least <= self._allowed(tapers)
            if rings.slopes:
                level &= np.isfinite(self.demand.mark)
            everyone = slice(None)
            self.reach[tapers] = level, self._wedge(least, everyone) / 2, self._wedge(most, everyone) / 2
        return self.reach[tapers]

    def _allowed(self, tapers: int) -> Floats:
        """Slope that the rings may leave to the bedding [m/m], (n,).

        Flat rings: what the owner's wedge takes, and the tolerance. Tapered rings make the slope themselves, to within
        the tolerance: mortar is not laid to undo them. Where the whole slope is within the tolerance none are used.
        """
        tolerance = self.rules.tilt_tolerance
        if self.shelves.tapers[tapers].slopes:
            return np.where(self.slope > tolerance + SLACK, tolerance + SLACK, -1.0)
        return np.asarray(self.bedding + tolerance + SLACK)

    def _turn(self, tapers: int, index: Ints) -> Floats:
        """Slope that a class of tapers leaves, best turned; every structure is turned once."""
        rings, n = self.shelves.tapers[tapers], len(self.slope)
        rest = self.rest.setdefault(tapers, np.full(n, np.nan))
        turns = self.turns.setdefault(tapers, np.full((n, len(rings.slopes)), np.nan))
        new = index[np.isnan(rest[index])]
        limit = self.rules.max_taper + SLACK
        rest[new], turns[new] = turn_rings(rings, self.ahead[new], self.right[new], limit)
        return np.asarray(rest[index])

    def _wedge(self, rest: Floats, index: Ints | slice) -> Floats:
        return np.minimum(rest * self.demand.extent[index], self.rules.bedding_wedge)

    def stacks(self, found: Mask) -> Stacks:
        """What was found; `nearest` for all."""
        parts = np.where(found[:, None], self.shelves.parts[self.entry], -1).astype(np.int16)
        count = np.where(found, (parts >= 0).sum(axis=1), -1)
        none = found & (count == 0) & ~self.demand.on_top
        turn, ahead, right = self._turned(found, count)
        rest = np.sqrt(ahead**2 + right**2)
        over = np.maximum(rest - self.bedding, 0.0)
        share = np.divide(over, rest, out=over, where=rest > 0)
        left_east, left_north = seen_from(self.mark, ahead * share, right * share)
        wedge = self._wedge(rest, slice(None))
        on_bearing = np.where(self.demand.on_top | none, 0.0, self.rules.joint + self.bed)
        return Stacks(
            parts=parts,
            turn=turn,
            policy=np.where(found, np.where(self.demand.on_top, ON_TOP, REPLACE), -1).astype(np.int8),
            count=count,
            joint=np.full(len(found), self.rules.joint),
            bottom=np.where(found, on_bearing, np.nan),
            top=self.rules.joint + wedge / 2 + np.where(none, self.bed, 0.0),
            misfit=np.where(found, self.misfit, np.nan),
            nearest=np.where(np.isfinite(self.misfit), self.misfit, np.nan),
            wedge=wedge,
            left_east=left_east,
            left_north=left_north,
        )

    def _turned(self, found: Mask, count: Ints) -> tuple[Floats, Floats, Floats]:
        """Turn of each ring (n, p), and the slope left by the rings, seen from the mark; NaN where none was found."""
        turn = np.full((len(found), self.shelves.parts.shape[1]), np.nan)
        ahead, right = np.where(found, self.ahead, np.nan), np.where(found, self.right, np.nan)
        for tapers, turns in self.turns.items():
            index = np.flatnonzero(found & (self.tapers == tapers))
            slopes = self.shelves.tapers[tapers].slopes
            for place, slope in enumerate(slopes):
                angle = turns[index, place]
                turn[index, count[index] - len(slopes) + place] = angle
                ahead[index] -= slope * np.cos(angle)
                right[index] -= slope * np.sin(angle)
        return turn, ahead, right
