"""The order in which a crew visits structures: street after street, each from one end to the other.

Straight streets are walked along their length, both sides together. Where a street bends, each next structure is the
nearest one that is left.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Index = NDArray[np.int64]

BENDING = 0.15
"""Spread across over spread along, above which a street is not walked by its length. Common practice, no source."""
MOST_NEAREST = 3000
"""Structures of one street up to which the nearest one is looked for; the work grows with the square."""


def visit_order(street: Index, east: Floats, north: Floats, axis: Floats) -> Index:
    """Rows in the order of the visit.

    Parameters
    ----------
    street : (n,) number of the street; streets are visited by number, -1 (none) last
    east, north : (n,) places [m]; NaN = none, these come last in their street
    axis : (n,) street axis, azimuth [rad], NaN = none; a street is walked the way in which its axes point

    Examples
    --------
    >>> street, east = np.array([1, 0, 0, 0]), np.array([0.0, 30.0, 10.0, np.nan])
    >>> visit_order(street, east, np.zeros(4), np.full(4, np.nan)).tolist()
    [2, 1, 3, 0]
    """
    found: list[Index] = []
    names = np.unique(street)
    for name in [*names[names >= 0].tolist(), *names[names < 0].tolist()]:
        rows = np.flatnonzero(street == name)
        placed = np.isfinite(east[rows]) & np.isfinite(north[rows])
        there = rows[placed]
        found += [there[_along(east[there], north[there], axis[there])], rows[~placed]]
    return np.concatenate(found) if found else np.zeros(0, dtype=np.int64)


def _along(east: Floats, north: Floats, axis: Floats) -> Index:
    """Order of the structures of one street, all of which have a place."""
    count = len(east)
    if count < 2:
        return np.arange(count)
    e, n = east - east.mean(), north - north.mean()
    direction, bend = _direction(e, n)
    ahead = np.nansum(direction[0] * np.sin(axis) + direction[1] * np.cos(axis))
    if ahead < 0 or (ahead == 0 and (direction[0], direction[1]) < (0.0, 0.0)):
        direction = -direction
    reach = np.round(e * direction[0] + n * direction[1], 3)
    order = np.lexsort((np.arange(count), reach))
    if bend <= BENDING or count > MOST_NEAREST:
        return order
    return _nearest(e, n, int(order[0]))


def _direction(e: Floats, n: Floats) -> tuple[Floats, float]:
    """Unit vector of the longest spread of centred places, and the spread across over that along."""
    ee, nn, en = np.sum(e * e), np.sum(n * n), np.sum(e * n)
    turn = 0.5 * np.arctan2(2.0 * en, ee - nn)
    half = np.hypot((ee - nn) / 2.0, en)
    long, short = (ee + nn) / 2.0 + half, max((ee + nn) / 2.0 - half, 0.0)
    return np.array([np.cos(turn), np.sin(turn)]), float(np.sqrt(short / long)) if long > 0 else 0.0


def _nearest(e: Floats, n: Floats, first: int) -> Index:
    """From the first one always to the nearest that is left; of several the one of the lowest row."""
    left = np.ones(len(e), dtype=bool)
    order = [first]
    left[first] = False
    while len(order) < len(e):
        away = np.round(np.hypot(e - e[order[-1]], n - n[order[-1]]), 3)
        order.append(int(np.argmin(np.where(left, away, np.inf))))
        left[order[-1]] = False
    return np.array(order)
