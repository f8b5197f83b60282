"""Finished covers read from a survey after paving: rim less road, in place of gaps measured by hand.

The cover's plane is the least-squares one through heights at its centre and on two circles (0.35 and 0.7 of the way to
the edge). The road beside it is that of the ring round it, at the frame's edge; for owners who lay a bar, the bar laid
on it. A cover is seen where at least three heights of the survey can lie on it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from geoadjust.core.bar import DIAMETERS, Heights
from geoadjust.core.columns import Bars, RoadModels
from geoadjust.core.edge import road_heights
from geoadjust.core.outline import Outlines

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

SHARES = (0.35, 0.7)
ROUND = 8
LARGEST_CELL = 0.4
"""Of the edge's distance from the centre: cells larger than this mix cover and road where the cover is read."""


@dataclass(frozen=True, slots=True, eq=False)
class Covers:
    """Planes of n covers: height at the centre [m], slope east, slope north (n, 3); NaN where not seen."""

    plane: Floats

    @property
    def seen(self) -> Mask:
        """Covers that the survey shows."""
        return np.asarray(np.isfinite(self.plane).all(axis=1))


def read_covers(heights: Heights, edge: Outlines, shown: Mask) -> Covers:
    """Planes of covers.

    Parameters
    ----------
    heights : of the survey round n covers
    edge : outlines of the frames' tops
    shown : (n,) the survey can show the cover at all
    """
    azimuth = np.tile(np.arange(ROUND) * 2 * np.pi / ROUND, (len(edge), 1))
    reach = edge.distance(azimuth)
    away = np.concatenate([np.zeros((len(edge), 1)), *(share * reach for share in SHARES)], axis=1)
    turned = np.concatenate([np.zeros((len(edge), 1)), *([azimuth] * len(SHARES))], axis=1)
    east, north = away * np.sin(turned), away * np.cos(turned)
    found = heights.heights_at(east, north)
    usable = shown & np.isfinite(found).all(axis=1) & np.isfinite(east).all(axis=1)
    rows = np.flatnonzero(usable)
    plane = np.full((len(edge), 3), np.nan)
    if len(rows):
        columns = np.stack([np.ones_like(east), east, north], axis=2)[rows]
        plane[rows] = (np.linalg.pinv(columns) @ found[rows][:, :, None])[:, :, 0]
    return Covers(plane)


def cells_show(spacing: Floats, edge: Outlines) -> Mask:
    """Covers on which cells of that size [m] lie wholly, (n,)."""
    narrow = np.minimum(edge.width, np.where(edge.is_round, edge.width, edge.length)) / 2
    return np.asarray(spacing <= LARGEST_CELL * narrow)


def heights_on(covers: Covers, east: Floats, north: Floats) -> Floats:
    """Heights of the covers' planes at offsets (n, k) [m]."""
    plane = covers.plane
    return np.asarray(plane[:, 0, None] + plane[:, 1, None] * east + plane[:, 2, None] * north)


def road_beside(roads: RoadModels, edge: Outlines, azimuth: Floats) -> Floats:
    """Road at the frame's edge at azimuths (n, k) [m]."""
    reach = edge.distance(azimuth)
    return road_heights(roads, reach * np.sin(azimuth), reach * np.cos(azimuth))


def bar_beside(bars: Bars, edge: Outlines, azimuth: Floats) -> tuple[Floats, NDArray[np.int64]]:
    """Underside of the bar at the frame's edge at azimuths (n, k) [m], and how it lies: 0 along, 1 across, -1 neither.

    The bar of the nearest of the eight diameters is taken; the first lies along the mark.
    """
    step = np.pi / DIAMETERS
    turn = np.mod(azimuth - bars.azimuth[:, :1] + step / 2, 2 * np.pi)
    number = np.floor(turn / step).astype(np.int64)
    number = np.where(np.isfinite(azimuth), number, 0)
    diameter, back = number % DIAMETERS, (number // DIAMETERS) % 2 == 1
    reach = edge.distance(azimuth) * np.where(back, -1.0, 1.0)
    middle, slope = (np.take_along_axis(values, diameter, axis=1) for values in (bars.height, bars.slope))
    return middle + reach * slope, np.where(diameter == 0, 0, np.where(diameter == DIAMETERS // 2, 1, -1))
