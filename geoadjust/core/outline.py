"""Outlines: the circle or rectangle that a frame's top or a flange makes in plan.

Offsets are from the cover's centre. The support of an outline is the farthest that it reaches along a vector v, so on a
plane of gradient v the highest point lies `support` above the centre and the lowest as much below it:

    circle      R |v|
    rectangle   |v . across| width / 2 + |v . along| length / 2

`along` points to the azimuth, `across` to the right of it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from geoadjust.core.columns import STATIONS

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

BOX_ACROSS = (0.0, 1.0, 1.0, 1.0, 0.0, -1.0, -1.0, -1.0)
BOX_ALONG = (1.0, 1.0, 0.0, -1.0, -1.0, -1.0, 0.0, 1.0)
"""Stations of a rectangle in half widths and half lengths: mid-side at the azimuth, corner, and on clockwise."""


@dataclass(frozen=True, slots=True, eq=False)
class Outlines:
    """Outline of each of n castings, (n,) each.

    Parameters
    ----------
    width : diameter, or a rectangle's size across the azimuth [m]; NaN = unknown
    length : a rectangle's size along the azimuth [m]; NaN = round
    azimuth : direction of a rectangle's length, clockwise from grid north [rad]; no matter for a round one

    Examples
    --------
    A round cover of 660 mm, and an inlet 400 mm wide that is 600 mm long from west to east:

    >>> edge = Outlines(np.array([0.66, 0.4]), np.array([np.nan, 0.6]), np.array([0.0, np.pi / 2]))
    >>> edge.is_round.tolist(), edge.reach().round(6).tolist()
    ([True, False], [0.33, 0.360555])
    >>> edge.support(np.array([0.02, 0.02]), np.zeros(2)).round(6).tolist()
    [0.0066, 0.006]
    """

    width: Floats
    length: Floats
    azimuth: Floats

    def __len__(self) -> int:
        return len(self.width)

    @property
    def is_round(self) -> Mask:
        """Which outlines are circles, (n,)."""
        return np.isnan(self.length)

    def take(self, index: NDArray[Any]) -> Outlines:
        """Rows by integer index or mask, in the order of the index."""
        return Outlines(self.width[index], self.length[index], self.azimuth[index])

    def reach(self) -> Floats:
        """Largest distance from the centre [m], (n,): the radius, or half the diagonal."""
        return np.where(self.is_round, self.width, np.hypot(self.width, self.length)) / 2

    def support(self, east: Floats, north: Floats) -> Floats:
        """Largest x . (east, north) over the outline [m times the vector's unit], (n,); NaN for a vector of NaN."""
        across, along = self.to_box(east, north)
        box = np.abs(across) * self.width / 2 + np.abs(along) * self.length / 2
        return np.where(self.is_round, np.hypot(east, north) * self.width / 2, box)

    def distance(self, azimuth: Floats) -> Floats:
        """Distance of the outline from its centre at azimuths (n, k) [m].

        Examples
        --------
        >>> Outlines(np.array([0.4]), np.array([0.6]), np.zeros(1)).distance(np.array([[0.0, np.pi / 2]])).tolist()
        [[0.3, 0.2]]
        """
        turn = azimuth - self.azimuth[:, None]
        with np.errstate(divide="ignore", invalid="ignore"):
            across = np.abs(np.sin(turn)) / self.width[:, None]
            box = 0.5 / np.maximum(across, np.abs(np.cos(turn)) / self.length[:, None])
        return np.where(self.is_round[:, None], self.width[:, None] / 2, box)

    def stations(self, first: Floats) -> tuple[Floats, Floats, NDArray[np.int64]]:
        """Places clockwise round the outline at which heights are given.

        Parameters
        ----------
        first : (n,) azimuth of a circle's first station [rad]; a rectangle starts at the mid-side at its own azimuth

        Returns
        -------
        east, north : (n, 16) offsets [m]; NaN beyond the count
        count : (n,) 16 on a circle, 8 on a rectangle: mid-sides and corners by turns

        Examples
        --------
        >>> edge = Outlines(np.array([0.4]), np.array([0.6]), np.zeros(1))
        >>> east, north, count = edge.stations(np.zeros(1))
        >>> count.tolist(), east[0, :3].tolist(), north[0, :3].tolist()
        ([8], [0.0, 0.2, 0.2], [0.3, 0.3, 0.0])
        """
        around = first[:, None] + np.arange(STATIONS) * (2 * np.pi / STATIONS)
        radius = self.width[:, None] / 2
        sides = len(BOX_ACROSS)
        box_east, box_north = np.full((2, len(self), STATIONS), np.nan)
        box_east[:, :sides], box_north[:, :sides] = self.box_places(np.array(BOX_ACROSS), np.array(BOX_ALONG))
        circle = self.is_round[:, None]
        east = np.where(circle, radius * np.sin(around), box_east)
        north = np.where(circle, radius * np.cos(around), box_north)
        return east, north, np.where(self.is_round, STATIONS, sides)

    def corners(self) -> tuple[Floats, Floats]:
        """Corners of a rectangle clockwise from front right, offsets east and north (n, 4) [m]; NaN on a circle."""
        return self.box_places(np.array(BOX_ACROSS)[1::2], np.array(BOX_ALONG)[1::2])

    def box_places(self, across: Floats, along: Floats) -> tuple[Floats, Floats]:
        """Offsets east and north [m] of places given in a rectangle's half widths and half lengths, (n, k) each."""
        p, q = across * self.width[:, None] / 2, along * self.length[:, None] / 2
        sin, cos = np.sin(self.azimuth)[:, None], np.cos(self.azimuth)[:, None]
        return p * cos + q * sin, q * cos - p * sin

    def to_box(self, east: Floats, north: Floats) -> tuple[Floats, Floats]:
        """Parts of vectors (n,) across and along the azimuth, (n,) each."""
        sin, cos = np.sin(self.azimuth), np.cos(self.azimuth)
        return east * cos - north * sin, east * sin + north * cos
