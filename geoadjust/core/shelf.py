"""All stacks that a catalogue's rings make within the owner's count, expanded once and sorted for look-up."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from geoadjust.core.parts import FULL_TURN, RingPart
from geoadjust.core.turn import Tapers

Floats = NDArray[np.float64]
SLACK = 1e-6
LEAST_BEARING = 0.025
"""The flange bears on a ring at least this far all round [m]; common practice, no source."""
MOST_OVERHANG = 0.025
"""The flange stands over a ring's outside by at most this [m]; common practice, no source."""

Parts = tuple[int, ...]
Size = tuple[float | None, float | None]


@dataclass(frozen=True, slots=True)
class Row:
    """Stacks `first` to `last` (exclusive): one count, ring size and class of tapers; ascending total."""

    count: int
    size: int
    tapers: int
    first: int
    last: int


@dataclass(frozen=True, slots=True, eq=False)
class Shelves:
    """Every stack (s,) of k ring sizes, in rows.

    `total` = thicknesses at the centre and count + 1 joints [m]; `order` ranks stacks by price, then parts in
    catalogue order; `parts` (s, p) bottom to top, -1 = none; `rows[count]`; `steepest` = greatest slope that
    the tapered rings of each class make within the owner's limit [m/m].
    """

    outside: Floats
    inside: Floats
    tapers: tuple[Tapers, ...]
    steepest: tuple[float, ...]
    total: Floats
    order: NDArray[np.int64]
    parts: NDArray[np.int16]
    rows: tuple[tuple[Row, ...], ...]

    def fits(self, flange: Floats, flange_inside: Floats, shift: Floats) -> NDArray[np.bool_]:
        """Where a flange whose centre lies `shift` off the axis bears on rings of each size, (k, n); unknown sizes fit.

        Iron must lie on the ring for 25 mm all round, and overhang it by 25 mm at most.

        Parameters
        ----------
        flange, flange_inside, shift : outside and inside diameter, distance of the axes (n,) [m]
        """
        outside, inside = self.outside[:, None], self.inside[:, None]
        off = 2 * shift
        narrow = np.fmin(np.fmin(flange - off, outside) - inside, np.fmin(outside - off, flange) - flange_inside)
        over = flange + off - outside
        return np.asarray(~(narrow < 2 * LEAST_BEARING - SLACK) & ~(over > 2 * MOST_OVERHANG + SLACK))


@lru_cache(maxsize=64)
def expand(rings: tuple[RingPart, ...], max_rings: int, joint: float, min_edge: float, max_taper: float) -> Shelves:
    """Every stack of the catalogue's rings within the owner's count: flat rings below, up to two tapered ones on top.

    Of stacks of one row and total only the cheapest is kept, then the first in catalogue order.

    Parameters
    ----------
    rings : parts of the catalogue; left out are those not available, those thinner at the edge than `min_edge`, and
        tapered ones of unknown outside diameter
    max_rings : the owner's largest number of rings
    joint : thickness of one joint [m]
    min_edge : least thin edge of a tapered ring [m]
    max_taper : greatest slope that tapered rings may make together [m/m]

    Examples
    --------
    >>> shelves = expand((RingPart("a", 0.05), RingPart("b", 0.08)), 2, 0.006, 0.01, 0.1)
    >>> shelves.total.round(3).tolist()
    [0.006, 0.062, 0.092, 0.118, 0.148, 0.178]
    >>> shelves.parts.tolist()
    [[-1, -1], [0, -1], [1, -1], [0, 0], [0, 1], [1, 1]]
    """
    sizes: dict[Size, list[int]] = {}
    for index, ring in enumerate(rings):
        if _usable(ring, min_edge):
            sizes.setdefault((ring.outside_diameter, ring.inside_diameter), []).append(index)
    groups = sizes or {(None, None): []}
    shelves: dict[tuple[int, int, Tapers], dict[float, tuple[float, Parts]]] = {}
    for size, group in enumerate(groups.values()):
        for parts in _stacks(rings, group, max_rings, max_taper + SLACK):
            row = shelves.setdefault((len(parts), size, _tapers(rings, parts)), {})
            _keep_better(row, rings, parts)
    return _laid_out(rings, list(groups), shelves, max_rings, joint, max_taper)


def _usable(ring: RingPart, min_edge: float) -> bool:
    flat = ring.thickness is not None or ring.thick == ring.thin
    sound = ring.taper > 0 and (ring.thin or 0.0) >= min_edge - SLACK
    return ring.available and (flat or sound)


def _stacks(rings: tuple[RingPart, ...], group: list[int], most: int, limit: float) -> Iterator[Parts]:
    """Stacks of one size; of flat ones of one total only the best."""
    flat = [index for index in group if rings[index].taper == 0]
    tapered = [index for index in group if rings[index].taper > 0]
    tops: list[Parts] = [(), *((index,) for index in tapered)]
    tops += [(low, high) for place, low in enumerate(tapered) for high in tapered[place:]]
    tops = [top for top in tops if _tapers(rings, top).steepest(limit) >= 0]
    below: list[Parts] = [()]
    for count in range(most + 1):
        for top in tops:
            if count + len(top) <= most:
                yield from (parts + top for parts in below)
        best: dict[float, tuple[float, Parts]] = {}
        for parts in {tuple(sorted((*parts, index))) for parts in below for index in flat}:
            _keep_better(best, rings, parts)
        below = [parts for _, parts in best.values()]


def _keep_better(best: dict[float, tuple[float, Parts]], rings: tuple[RingPart, ...], parts: Parts) -> None:
    """Keep the cheapest stack of each thickness, the first in catalogue order where prices are equal."""
    thickness = round(sum(rings[index].middle for index in parts), 9)
    offer = (_price(rings, parts), parts)
    best[thickness] = min(best.get(thickness, offer), offer)


def _price(rings: tuple[RingPart, ...], parts: Iterable[int]) -> float:
    return round(sum(rings[index].price for index in parts), 6)


def _tapers(rings: tuple[RingPart, ...], parts: Parts) -> Tapers:
    tapered = [rings[index] for index in parts if rings[index].taper > 0]
    return Tapers(
        tuple(ring.taper for ring in tapered), tuple(max(1, round(FULL_TURN / ring.turn_step)) for ring in tapered)
    )


def _laid_out(
    rings: tuple[RingPart, ...],
    sizes: list[Size],
    shelves: dict[tuple[int, int, Tapers], dict[float, tuple[float, Parts]]],
    most: int,
    joint: float,
    max_taper: float,
) -> Shelves:
    classes = sorted(
        {tapers for _, _, tapers in shelves}, key=lambda each: (len(each.slopes), each.slopes, each.places)
    )
    rows: list[list[Row]] = [[] for _ in range(most + 1)]
    stacks: list[tuple[float, Parts]] = []
    for (count, size, tapers), row in sorted(
        shelves.items(), key=lambda item: (item[0][:2], classes.index(item[0][2]))
    ):
        rows[count].append(Row(count, size, classes.index(tapers), len(stacks), len(stacks) + len(row)))
        stacks += [row[thickness] for thickness in sorted(row)]
    order = np.empty(len(stacks), dtype=np.int64)
    order[sorted(range(len(stacks)), key=stacks.__getitem__)] = np.arange(len(stacks))
    padded = [parts + (-1,) * (most - len(parts)) for _, parts in stacks]
    return Shelves(
        outside=np.array([np.nan if outside is None else outside for outside, _ in sizes]),
        inside=np.array([np.nan if inside is None else inside for _, inside in sizes]),
        tapers=tuple(classes),
        steepest=tuple(tapers.steepest(max_taper + SLACK) for tapers in classes),
        total=np.array([sum(rings[i].middle for i in parts) + (len(parts) + 1) * joint for _, parts in stacks]),
        order=order,
        parts=np.array(padded, dtype=np.int16).reshape(len(stacks), most),
        rows=tuple(tuple(row) for row in rows),
    )
