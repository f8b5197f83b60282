"""Tapered rings turned against each other: which turns make a slope, and what they leave to the bedding.

The gradient of a ring's top, over that of its underside, has the length of the taper and points to the thick side. Two
rings add like vectors. Rigid planes add like rotations; the difference is of third order, under .2 mm over .7 m for two
rings of 5 % each. Seen from the mark: `ahead` along it, `right` clockwise of it; turns count clockwise.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

FULL = 2 * np.pi
STEP = 1e-9
"""Slopes left [m/m] count as equal when they round to the same multiple of this; then the smaller turn wins."""
CLOSE = 1e-5
"""Of a ring whose slope is asked for by less than this [m/m], several turns may be equal: all are tried."""
PIECE = 2**15
"""Pairs of turns that are looked at in one go, so that they stay in the processor's cache."""
BARRED = np.int64(4e9)
"""Stands for the slope left, in `STEP`s, by turns that are not allowed."""


@dataclass(frozen=True)
class Tapers:
    """Tapered rings of a stack, bottom to top: none, one or two; `places` = turns in one full turn of each.

    Examples
    --------
    >>> pair = Tapers((0.025, 0.015), (72, 36))
    >>> pair.shortest, pair.longest
    (0.010000000000000002, 0.04)
    """

    slopes: tuple[float, ...] = ()
    places: tuple[int, ...] = ()

    @property
    def shortest(self) -> float:
        """Least slope of the sum, thick side over thin side [m/m]."""
        return abs(self.slopes[0] - self.slopes[1]) if len(self.slopes) == 2 else sum(self.slopes)

    @property
    def longest(self) -> float:
        """Greatest slope of the sum, thick sides over each other [m/m]."""
        return sum(self.slopes)

    @property
    def snap(self) -> float:
        """How far whole steps may move the sum, at most: half a step of each ring, as a chord [m/m]."""
        return sum(2 * slope * float(np.sin(FULL / 4 / places)) for slope, places in self._rings())

    def _rings(self) -> list[tuple[float, int]]:
        return list(zip(self.slopes, self.places, strict=True))

    def steepest(self, limit: float) -> float:
        """Greatest slope of the sum that whole steps make within `limit` [m/m]; -inf where no turn is within it."""
        first = self.slopes[0] if self.slopes else 0.0
        east, north = np.array([first]), np.array([0.0])
        if len(self.slopes) == 2:
            apart = FULL * np.subtract.outer(*(np.arange(places) / places for places in self.places)).ravel()
            east, north = first + self.slopes[1] * np.cos(apart), self.slopes[1] * np.sin(apart)
        sums = np.hypot(east, north)
        return float(np.max(sums, initial=-np.inf, where=sums <= limit))


def seen_from(mark: Floats, east: Floats, north: Floats) -> tuple[Floats, Floats]:
    """A gradient's parts along the mark's azimuth [rad] and to the right of it.

    The same formula leads back: of `ahead` and `right` it makes east and north.

    Examples
    --------
    >>> ahead, right = seen_from(np.array([np.pi / 2]), np.array([0.02]), np.array([0.03]))
    >>> ahead.round(3).tolist(), right.round(3).tolist()
    ([0.02], [-0.03])
    """
    return east * np.sin(mark) + north * np.cos(mark), east * np.cos(mark) - north * np.sin(mark)


def spread(slope: Floats, first: float, second: float) -> Floats:
    """Angle from uphill to the first ring's thick side if rings could be turned by any angle [rad], (n,).

    Law of cosines: second^2 = slope^2 + first^2 - 2 slope first cos(spread). The second ring stands on the other side
    of uphill, at `spread(slope, second, first)`; the mirror image does as well. Where no angle makes the slope, the
    nearest: 0 or pi. A figure to check turns by: whole steps leave `Tapers.snap` more than this at most.

    Parameters
    ----------
    slope : slope to make (n,) [m/m]
    first, second : tapers [m/m]

    Examples
    --------
    Two rings of 2.5 % on a slope of 3.606 %: each is turned 43.85 degrees from uphill, cos = slope / (2 taper).

    >>> np.degrees(spread(np.hypot([0.02], [0.03]), 0.025, 0.025)).round(2).tolist()
    [43.85]
    """
    cosine = (slope**2 + first**2 - second**2) / (2 * np.maximum(slope, 1e-12) * first)
    return np.asarray(np.arccos(np.clip(cosine, -1.0, 1.0)))


def bounds_of_rest(tapers: Tapers, slope: Floats, limit: float) -> tuple[Floats, Floats]:
    """Least and greatest slope that the best turns may leave, before they are known, (n,) [m/m].

    The sum of the tapers may have any length from `shortest` to `longest` or `limit`, and whole steps move it by up to
    `snap`, which must not pass the limit. Greatest is inf where the limit may bar every turn.
    """
    longest = min(tapers.longest, limit)
    least = np.maximum(np.maximum(slope - longest, tapers.shortest - slope), 0.0)
    if tapers.longest > limit:
        longest = limit - tapers.snap
    if longest < tapers.shortest:
        return least, np.full_like(slope, np.inf)
    most = np.maximum(np.maximum(slope - longest, tapers.shortest - slope), 0.0) + tapers.snap
    return least, most


def turn_rings(tapers: Tapers, ahead: Floats, right: Floats, limit: float) -> tuple[Floats, Floats]:
    """Turns of the tapered rings that leave the least slope; of equal ones the first ring's, then the second's smaller.

    Parameters
    ----------
    tapers : the rings
    ahead, right : finite slope to make, seen from the mark (n,) [m/m]
    limit : greatest slope that the rings may make together [m/m]

    Returns
    -------
    slope left (n,) [m/m], inf where the limit bars every turn; turns (n, k) of the k rings, clockwise from the mark
    [rad] in [0, 2 pi)

    Examples
    --------
    >>> left, turns = turn_rings(Tapers((0.025,), (72,)), np.array([0.0]), np.array([0.03]), 0.1)
    >>> left.round(6).tolist(), np.degrees(turns).round(6).tolist()
    ([0.005], [[90.0]])
    """
    if not tapers.slopes:
        return np.sqrt(ahead**2 + right**2), np.empty((len(ahead), 0))
    if tapers.shortest > limit:
        return np.full(len(ahead), np.inf), np.zeros((len(ahead), len(tapers.slopes)))
    if len(tapers.slopes) == 1:
        key = _last_ring(tapers, ahead, right, limit, None)
        rest, place = np.divmod(key, tapers.places[0])
        steps = place[:, None]
    else:
        key = _two_rings(tapers, ahead, right, limit)
        above, second = np.divmod(key, tapers.places[1])
        rest, first = np.divmod(above, tapers.places[0])
        steps = np.stack([first, second], axis=1)
    turns = FULL * steps / np.array(tapers.places)
    for slope, turn in zip(tapers.slopes, turns.T, strict=True):
        ahead, right = ahead - slope * np.cos(turn), right - slope * np.sin(turn)
    return np.where(rest >= BARRED, np.inf, np.sqrt(ahead**2 + right**2)), turns


def _two_rings(tapers: Tapers, ahead: Floats, right: Floats, limit: float) -> Ints:
    """Key of the best turns: one number that sorts by slope left, first ring's place, second ring's place.

    Every place of the first ring is tried, with the best place of the second for what the first leaves.
    """
    slope, (places, others) = tapers.slopes[0], tapers.places
    place = np.arange(places)
    turn = FULL * place / places
    rows = max(1, PIECE // places)
    best = np.empty(len(ahead), dtype=np.int64)
    for start in range(0, len(ahead), rows):
        piece = slice(start, start + rows)
        left_ahead = (ahead[piece, None] - slope * np.cos(turn)).ravel()
        left_right = (right[piece, None] - slope * np.sin(turn)).ravel()
        below = np.tile(place, len(left_ahead) // places)
        rest, last = np.divmod(_last_ring(tapers, left_ahead, left_right, limit, below), others)
        best[piece] = ((rest * places + below) * others + last).reshape(-1, places).min(axis=1)
    return best


def _last_ring(tapers: Tapers, ahead: Floats, right: Floats, limit: float, below: Ints | None) -> Ints:
    """Key of the last ring's best place for what is left to it: the number that sorts by slope left, then place.

    The best place is next to the direction of what is left, on one side or the other; `below` = places of the first
    ring. Where the limit bars places, the best may also be an end of the arc that is not barred.
    """
    slope, places = tapers.slopes[-1], tapers.places[-1]
    toward = np.arctan2(right, ahead)
    turn = FULL * np.arange(places) / places
    cosine, sine = slope * np.cos(turn), slope * np.sin(turn)

    def key(rows: Ints | slice, place: Ints) -> Ints:
        place = place % places
        rest = np.sqrt((ahead[rows] - cosine[place]) ** 2 + (right[rows] - sine[place]) ** 2)
        return np.asarray(np.rint(rest / STEP).astype(np.int64) * places + place)

    if below is None or tapers.longest <= limit:
        low, high = np.zeros(len(ahead), dtype=np.int64), np.full(len(ahead), places - 1)
        at = np.floor(toward / (FULL / places)).astype(np.int64)
        tries = [at, at + 1]
    else:
        low, high, at = _arc(tapers, toward, limit, below)
        tries = [np.minimum(np.maximum(at, low), high), np.minimum(np.maximum(at + 1, low), high), low, high]
    best = np.minimum.reduce([key(slice(None), place) for place in tries])
    close = np.flatnonzero(ahead**2 + right**2 < CLOSE**2)
    for place in range(places if len(close) else 0):
        rows = close[(place - low[close]) % places <= (high - low)[close]]
        best[rows] = np.minimum(best[rows], key(rows, np.full(len(rows), place)))
    return np.where(low > high, BARRED * places, best)


def _arc(tapers: Tapers, toward: Floats, limit: float, below: Ints) -> tuple[Ints, Ints, Ints]:
    """First and last place of the second ring that the limit does not bar, and the place before `toward`, counted on.

    The sum is within the limit where the rings are at least `apart` from each other: |sum|^2 = a^2 + b^2 + 2 a b cos.
    """
    (first, second), (places, others) = tapers.slopes, tapers.places
    apart = np.arccos(np.clip((limit**2 - first**2 - second**2) / (2 * first * second), -1.0, 1.0))
    start, step = FULL * below / places, FULL / others
    low = np.ceil((start + apart) / step).astype(np.int64)
    high = np.floor((start + FULL - apart) / step).astype(np.int64)
    return low, high, np.floor((start + (toward - start) % FULL) / step).astype(np.int64)
