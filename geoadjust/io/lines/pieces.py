"""Straight pieces of lines and outlines, and how far structures lie from them in ground metres.

Pieces are searched in map units and measured on the ground: offsets from a structure are turned into metres with its
own 2x2 matrix, so that longitude and latitude, feet and metres give the same answer.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

BLOCK = 2048
"""Structures that are looked at in one go; no result depends on it."""

_MARGIN = 1.001  # of the search, which is in map units; what it finds is measured on the ground


class Pieces:
    """Straight pieces in the structures' CRS, in the order of the file.

    Parameters
    ----------
    vertices : (k, 2) array
        East and north of all lines, one line after the other [unit of the structures' CRS].
    line : (k,) integers
        Number of the line of each vertex; vertices of one line follow each other.
    shortest : float
        Pieces shorter than this are left out, and those without any length [unit of the structures' CRS].

    Attributes
    ----------
    line : (p,) integers
        Number of the line of each piece.

    Examples
    --------
    >>> pieces = Pieces(np.array([[0.0, 0.0], [9.0, 0.0], [9.0, 5.0]]), np.array([0, 0, 0]), shortest=1e-3)
    >>> point, piece = pieces.within(np.array([4.0]), np.array([2.0]), np.ones(1), 3.0)
    >>> start, end = pieces.offsets(inverse(np.eye(2)[None])[0], np.array([4.0]), np.array([2.0]), point, piece)
    >>> nearest_spots(start, end, np.zeros_like(start)).T.tolist()
    [[0.0, -2.0]]
    """

    def __init__(self, vertices: Floats, line: Integers, *, shortest: float) -> None:
        vertices, line = np.asarray(vertices, dtype=np.float64), np.asarray(line, dtype=np.int64)
        length = np.hypot(*np.diff(vertices, axis=0).T)
        joined = (line[1:] == line[:-1]) & (length >= shortest) & (length > 0)
        self._start = np.ascontiguousarray(vertices[:-1][joined].T)
        self._end = np.ascontiguousarray(vertices[1:][joined].T)
        self.line = line[1:][joined]
        pieces: Any = shapely.linestrings(np.stack([self._start.T, self._end.T], axis=1))
        self._tree = shapely.STRtree(pieces)

    def __len__(self) -> int:
        return len(self.line)

    def one_near(self, east: Floats, north: Floats) -> tuple[Integers, Integers]:
        """One piece near each place, nearest in map units; places and pieces (g,), none where there are no pieces.

        Parameters
        ----------
        east, north : (n,) arrays
            [unit of the structures' CRS]; finite.
        """
        points: Any = shapely.points(east, north)
        place, piece = self._tree.query_nearest(points, all_matches=False)
        return np.asarray(place), np.asarray(piece)

    def within(self, east: Floats, north: Floats, stretch: Floats, reach: Floats | float) -> tuple[Integers, Integers]:
        """All pieces that can lie within `reach` of each place, and perhaps a few more, in the order of both.

        Parameters
        ----------
        east, north, stretch : (n,) arrays
            [unit of the structures' CRS, and that unit per metre]; finite.
        reach : (n,) array or number
            [m]
        """
        points: Any = shapely.points(east, north)
        place, piece = self._tree.query(points, predicate="dwithin", distance=_MARGIN * reach * stretch)
        order = np.lexsort((piece, place))
        return np.asarray(place[order]), np.asarray(piece[order])

    def offsets(
        self, back: Floats, east: Floats, north: Floats, point: Integers, piece: Integers
    ) -> tuple[Floats, Floats]:
        """Start and end of pieces as offsets from structures [m], (2, q) each.

        Parameters
        ----------
        back : (4, n) array
            As `inverse` gives it.
        east, north : (n,) arrays
            [unit of the structures' CRS]
        point, piece : (q,) integers
            Which structure, which piece.
        """
        start, end = (
            _to_ground(back[:, point], ends[0, piece] - east[point], ends[1, piece] - north[point])
            for ends in (self._start, self._end)
        )
        return start, end


def inverse(frames: Floats) -> tuple[Floats, Floats]:
    """Ground metres per unit, (4, n), and the largest number of units per ground metre, (n,); NaN where singular.

    Parameters
    ----------
    frames : (n, 2, 2) array
        Coordinates per ground metre, as ``Georeference(crs, crs).jacobians`` gives them [unit per m].

    Examples
    --------
    >>> back, stretch = inverse(np.diag([2.0, 0.5])[None])
    >>> back[:, 0].tolist(), stretch.tolist()
    ([0.5, -0.0, -0.0, 2.0], [2.0])
    """
    a, b, c, d = np.ascontiguousarray(frames.reshape(-1, 4).T)
    with np.errstate(all="ignore"):
        back = np.stack([d, -b, -c, a]) / (a * d - b * c)
        stretch = (np.hypot(a + d, c - b) + np.hypot(a - d, b + c)) / 2  # largest singular value
    stretch[~np.isfinite(back).all(axis=0)] = np.nan
    return back, stretch


def nearest_spots(start: Floats, end: Floats, origin: Floats) -> Floats:
    """Point of each piece that is nearest to its origin; all (2, q). The ends themselves are hit exactly."""
    along = end - start
    share = ((origin - start) * along).sum(axis=0) / (along * along).sum(axis=0)
    share = np.clip(share, 0.0, 1.0)
    spot: Floats = np.where(share == 1.0, end, start + share * along)
    return spot


def _to_ground(back: Floats, first: Floats, second: Floats) -> Floats:
    """Offsets in map units to ground metres, (2, q)."""
    return np.stack([back[0] * first + back[1] * second, back[2] * first + back[3] * second])
