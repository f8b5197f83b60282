"""Depths read from a bar on the road down to the prepared bearing, at three or more stations round it.

    d(x) = d0 + g . x,    x = r (sin a, cos a)        least squares, over the stations of one structure

A reading is judged by what the others say: e_i = residual_i / (1 - leverage_i) is the reading less the plane through
all others, with sd = tape / sqrt(1 - leverage_i). With four stations at right angles all |e_i| are equal, the sum of
two opposite readings less that of the other two: a misread is seen, but not whose it is. From five on it is the one
without which the others agree; two misreads at neighbouring stations can look like one at another station. Three fit
any plane.

Reference: D. A. Belsley, E. Kuh, R. E. Welsch, Regression Diagnostics, Wiley 1980, section 2.1 (deleted residuals).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

FEWEST = 3
CHECKED = 4
"""Readings from which on one checks the others."""
NAMED = 5
"""Readings from which on a misread can be told from the others."""
LIMIT = 3.0
"""A reading farther off the others' plane than so many of its sd is a misread: 0.3 % of good ones are."""
SPREAD = 2.0
"""Stations must fix the edge at least half as well as three stations at thirds of the circle do."""
_PINNED = 1e-9
"""1 - leverage below this: the reading alone fixes the plane in its place, nothing checks it."""


@dataclass(frozen=True, slots=True, eq=False)
class ReadingFits:
    """Planes through the readings of n structures with up to k stations each.

    Parameters
    ----------
    count : (n,) readings
    depth : (n,) at the centre [m]; NaN where fewer than three, or where they lie in one line
    east, north : (n,) gradient of the depth [m/m], plus = the bearing lies deeper there under the bar
    off : (n, k) each reading less the plane through all others [m]; NaN where nothing checks it
    misread : (n,) the readings do not agree
    suspect : (n,) station, from 0, that is wrong where one can be told; -1 elsewhere. It is left out of the plane
    worst : (n,) the largest |off| of all readings [m], and `limit` that it is compared with
    edge : (n,) sd of the plane on a circle through the stations, in units of one reading's; NaN without a plane
    """

    count: NDArray[np.int64]
    depth: Floats
    east: Floats
    north: Floats
    off: Floats
    misread: Mask
    suspect: NDArray[np.int64]
    worst: Floats
    limit: Floats
    edge: Floats


def fit_readings(azimuth: Floats, radius: Floats, depth: Floats, tape: float) -> ReadingFits:
    """Planes and misreads.

    Parameters
    ----------
    azimuth, radius, depth : (n, k) of each station [rad, m, m], k at least 1; NaN depth = no reading
    tape : sd of one reading [m]

    Examples
    --------
    Opposite readings have equal sums on a plane; 10 3/4, 10 5/8, 10 1/4, 10 3/8 in at 12 in fall 2.329237 % (worked by
    hand: gradients 0.25/12 and 0.125/12):

    >>> turn = np.arange(4)[None] * np.pi / 2
    >>> inch = 0.0254
    >>> found = fit_readings(turn, np.full((1, 4), 12 * inch), np.array([[10.75, 10.625, 10.25, 10.375]]) * inch, 0.002)
    >>> round(float(np.hypot(found.east, found.north)[0]) * 100, 6), round(float(found.depth[0] / inch), 6)
    (2.329237, 10.5)
    """
    there = np.isfinite(azimuth) & np.isfinite(radius) & np.isfinite(depth)
    first = _Fit.of(azimuth, radius, depth, there)
    limits = LIMIT * tape / np.sqrt(first.free)
    ratio = np.where(np.isfinite(first.off), np.abs(first.off) / limits, -1.0)
    worst = ratio.argmax(axis=1)
    misread = ratio.max(axis=1) > 1
    rest = there.copy()
    rest[np.arange(len(rest)), worst] &= ~misread
    again = _Fit.of(azimuth, radius, depth, rest)
    agree = ~(np.abs(again.off) > LIMIT * tape / np.sqrt(again.free)).any(axis=1) & np.isfinite(again.depth)
    named = misread & (there.sum(axis=1) >= NAMED) & agree
    fit = again.where(named, first)
    place = np.arange(len(there))
    return ReadingFits(
        count=there.sum(axis=1),
        depth=fit.depth,
        east=fit.east,
        north=fit.north,
        off=first.off,
        misread=misread,
        suspect=np.where(named, worst, -1),
        worst=np.where(ratio.max(axis=1) >= 0, np.abs(first.off[place, worst]), np.nan),
        limit=limits[place, worst],
        edge=fit.edge,
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Fit:
    """One least squares fit of n structures; `free` (n, k) = 1 - leverage, NaN where there is no reading."""

    depth: Floats
    east: Floats
    north: Floats
    off: Floats
    free: Floats
    edge: Floats

    @classmethod
    def of(cls, azimuth: Floats, radius: Floats, depth: Floats, there: Mask) -> _Fit:
        """Fit the readings that are there."""
        east, north = radius * np.sin(azimuth), radius * np.cos(azimuth)
        size = np.nanmax(np.where(there, radius, 0.0), axis=1, initial=0.0)
        scale = np.where(size > 0, size, 1.0)[:, None]
        columns = np.stack([np.ones_like(depth), east / scale, north / scale], axis=2)
        columns = np.where(there[:, :, None], columns, 0.0)
        values = np.where(there, depth, 0.0)
        normal = np.einsum("nki,nkj->nij", columns, columns)
        fixed = (there.sum(axis=1) >= FEWEST) & (np.linalg.eigvalsh(normal)[:, 0] > 1e-6)
        inverse = np.linalg.inv(np.where(fixed[:, None, None], normal, np.eye(3)))
        solution = np.einsum("nij,nkj,nk->ni", inverse, columns, values)
        solution = np.where(fixed[:, None], solution, np.nan)
        leverage = np.einsum("nki,nij,nkj->nk", columns, inverse, columns)
        free = np.where(there & fixed[:, None] & (1 - leverage > _PINNED), 1 - leverage, np.nan)
        residual = values - np.einsum("nki,ni->nk", columns, solution)
        return cls(
            depth=solution[:, 0],
            east=solution[:, 1] / scale[:, 0],
            north=solution[:, 2] / scale[:, 0],
            off=residual / free,
            free=free,
            edge=np.where(fixed, _on_circle(inverse), np.nan),
        )

    def where(self, mask: Mask, other: _Fit) -> _Fit:
        """This one where the mask (n,) says so, else the other one."""
        pairs = ((getattr(self, name), getattr(other, name)) for name in self.__slots__)
        return _Fit(*(np.where(mask if a.ndim == 1 else mask[:, None], a, b) for a, b in pairs))


def _on_circle(inverse: Floats) -> Floats:
    """Largest sd of the plane on the unit circle, (n,), from its covariance (n, 3, 3)."""
    turn = np.linspace(0, 2 * np.pi, 32, endpoint=False)
    places = np.stack([np.ones_like(turn), np.sin(turn), np.cos(turn)], axis=1)
    return np.asarray(np.sqrt(np.einsum("mi,nij,mj->nm", places, inverse, places).max(axis=1)))
