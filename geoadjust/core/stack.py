"""Grade rings: which of them, with their joints, make up the chimney's height.

A catalogue is expanded once per rule set into all stacks of up to max_rings rings, and looked up per structure: fewest
rings whose sum with joints lies within the tolerance of the height; among them the smallest misfit, then the lowest
price, then catalogue order. Only rings of one size stand on each other, and only where the flange bears on them.
Rings are flat here: the bedding under the flange takes the road's tilt, as far as the owner lets it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import combinations_with_replacement

import numpy as np
from numpy.typing import NDArray

from geoadjust.core.columns import Chimneys, Rims, Stacks, Structures
from geoadjust.core.rules import Catalogue, RingPart, RuleSet

Floats = NDArray[np.float64]
SLACK = 1e-6
LEAST_BEARING = 0.025
"""The flange bears on a ring at least this far all round [m]; common practice, no source."""
MOST_OVERHANG = 0.025
"""The flange stands over a ring's outside by at most this [m]; common practice, no source."""


@dataclass(frozen=True, slots=True, eq=False)
class Shelf:
    """All stacks of rings of one size: totals with joints, sorted by count and total; parts (k, p), -1 = none."""

    outside: float
    inside: float
    total: Floats
    count: NDArray[np.int64]
    price: Floats
    parts: NDArray[np.int16]

    def fits(self, flange: Floats) -> NDArray[np.bool_]:
        """Where a flange of this outside diameter [m] bears on these rings; unknown diameters fit."""
        bears = ~(flange - self.inside < 2 * LEAST_BEARING)
        covered = ~(flange - self.outside > 2 * MOST_OVERHANG)
        return np.asarray(bears & covered)


@lru_cache(maxsize=64)
def expand(rings: tuple[RingPart, ...], max_rings: int, joint: float) -> list[Shelf]:
    """Every stack of the catalogue's rings within the owner's count, one shelf per ring size; expanded once.

    Parameters
    ----------
    rings : parts of the catalogue; those not available are left out
    max_rings : the owner's largest number of rings
    joint : thickness of one joint [m]
    """
    sizes: dict[tuple[float, float], list[int]] = {}
    for index, ring in enumerate(rings):
        if ring.available:
            size = (_or_nan(ring.outside_diameter), _or_nan(ring.inside_diameter))
            sizes.setdefault(_key(size), []).append(index)
    groups = list(sizes.values()) or [[]]
    return [_shelf(rings, group, max_rings, joint) for group in groups]


def _or_nan(value: float | None) -> float:
    return float("nan") if value is None else value


def _key(size: tuple[float, float]) -> tuple[float, float]:
    """NaN does not equal itself; -1 stands for it."""
    return tuple(-1.0 if np.isnan(value) else value for value in size)  # type: ignore[return-value]


def _shelf(rings: tuple[RingPart, ...], group: list[int], max_rings: int, joint: float) -> Shelf:
    stacks: dict[tuple[int, float], tuple[float, tuple[int, ...]]] = {}
    for count in range(max_rings + 1):
        for parts in combinations_with_replacement(group, count):
            total = round(sum(rings[i].thickness for i in parts) + (count + 1) * joint, 9)
            better = (round(sum(rings[i].price for i in parts), 6), parts)
            stacks[count, total] = min(stacks.get((count, total), better), better)
    order = sorted(stacks)
    padded = [stacks[key][1] + (-1,) * (max_rings - key[0]) for key in order]
    first = rings[group[0]] if group else None
    return Shelf(
        outside=_or_nan(first.outside_diameter if first else None),
        inside=_or_nan(first.inside_diameter if first else None),
        total=np.array([total for _, total in order]),
        count=np.array([count for count, _ in order]),
        price=np.array([stacks[key][0] for key in order]),
        parts=np.array(padded, dtype=np.int16).reshape(len(order), max_rings),
    )


def choose_stacks(
    structures: Structures, rims: Rims, chimneys: Chimneys, rules: RuleSet, catalogue: Catalogue
) -> Stacks:
    """Best stack of each structure with a known chimney.

    Returns
    -------
    Stacks; parts -1 and misfit NaN where none fits, `nearest` tells how far the nearest one is off
    """
    n = len(structures)
    best = _Best(n, rules.max_rings)
    tolerance = rules.tolerance + SLACK
    for shelf in expand(catalogue.ring, rules.max_rings, rules.joint):
        _look_up(best, shelf, chimneys.height, shelf.fits(structures.flange_diameter), tolerance)
    taken = np.isfinite(best.misfit)
    wedge = np.minimum(rims.slope * structures.flange_diameter, rules.bedding_wedge)
    return Stacks(
        parts=np.where(taken[:, None], best.parts, -1).astype(np.int16),
        count=np.where(taken, best.count, -1),
        joint=np.full(n, rules.joint),
        misfit=best.misfit,
        nearest=best.nearest,
        wedge=np.where(taken, wedge, np.nan),
    )


class _Best:
    """Running best of the shelves."""

    def __init__(self, n: int, most: int) -> None:
        self.parts = np.full((n, most), -1, dtype=np.int16)
        self.count = np.full(n, np.iinfo(np.int64).max)
        self.misfit = np.full(n, np.nan)
        self.price = np.full(n, np.inf)
        self.nearest = np.full(n, np.nan)

    def offer(self, shelf: Shelf, place: NDArray[np.intp], misfit: Floats, fits: NDArray[np.bool_]) -> None:
        """Take a stack where it is better: fewer rings, then nearer, then cheaper."""
        count, price = shelf.count[place], shelf.price[place]
        with np.errstate(invalid="ignore"):
            nearer = np.round(np.abs(misfit), 9) < np.round(np.abs(self.misfit), 9)
            same = np.round(np.abs(misfit), 9) == np.round(np.abs(self.misfit), 9)
        better = (count < self.count) | ((count == self.count) & (nearer | (same & (price < self.price))))
        take = fits & better
        self.parts[take] = shelf.parts[place[take]]
        self.count[take], self.price[take], self.misfit[take] = count[take], price[take], misfit[take]

    def note(self, misfit: Floats, usable: NDArray[np.bool_]) -> None:
        """Remember the nearest stack, whether it fits or not."""
        closer = usable & ~(np.abs(misfit) >= np.abs(self.nearest))
        self.nearest = np.where(closer, misfit, self.nearest)


def _look_up(best: _Best, shelf: Shelf, height: Floats, usable: NDArray[np.bool_], tolerance: float) -> None:
    """Offer the two neighbours of the height among the stacks of each count."""
    wanted = np.where(np.isfinite(height), height, 0.0)
    usable = usable & np.isfinite(height)
    for count in np.unique(shelf.count):
        first, last = np.searchsorted(shelf.count, [count, count + 1])
        above = first + np.searchsorted(shelf.total[first:last], wanted)
        for place in (np.clip(above - 1, first, last - 1), np.clip(above, first, last - 1)):
            misfit = shelf.total[place] - wanted
            best.note(misfit, usable)
            best.offer(shelf, place, misfit, usable & (np.abs(misfit) <= tolerance))


def only(stacks: Stacks, built: NDArray[np.bool_]) -> Stacks:
    """Stacks that are really built (n,); the others keep only how far the nearest one would be off."""
    return replace(
        stacks,
        parts=np.where(built[:, None], stacks.parts, -1).astype(np.int16),
        count=np.where(built, stacks.count, -1),
        misfit=np.where(built, stacks.misfit, np.nan),
        wedge=np.where(built, stacks.wedge, np.nan),
    )


def tallest(structures: Structures, rules: RuleSet, catalogue: Catalogue) -> Floats:
    """Tallest stack with joints that each structure can have within max_rings [m], (n,)."""
    best = np.full(len(structures), 0.0)
    for shelf in expand(catalogue.ring, rules.max_rings, rules.joint):
        best = np.where(shelf.fits(structures.flange_diameter), np.maximum(best, shelf.total.max()), best)
    return best
