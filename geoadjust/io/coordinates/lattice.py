"""Smooth functions of a place, computed on the nodes of a fixed lattice and interpolated between them.

The lattice does not depend on which places are asked for, so splitting the places changes no bit.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

_SMOOTH = 1e-3  # a cell whose corners differ by more (a pole, a jump) is not interpolated
_HALF = 2**30  # node numbers lie within +-_HALF, two of them packed in an int64
_WIDTH = 2**31


def interpolate(exact: Callable[[Array, Array], Array], east: Array, north: Array, spacing: float) -> Array:
    """Values at points, bilinear between the nodes of a lattice that depends on nothing but `spacing`.

    A point's value depends on that point alone, so that splitting the points changes no bit. Points in cells with a
    corner that fails, or whose corners differ by more than `_SMOOTH`, are computed one by one.

    Parameters
    ----------
    exact : function of two (k,) arrays, giving (6, k)
        The values themselves.
    east, north : (n,) arrays
        Points [unit of the CRS]; NaN gives NaN.
    spacing : float
        [unit of the CRS]

    Returns
    -------
    (6, n) array.
    """
    values = np.full((6, east.size), np.nan)
    reach = (_HALF - 2) * spacing
    within = (np.abs(east) < reach) & (np.abs(north) < reach)
    inside = np.flatnonzero(within)
    column, row = np.floor(east[inside] / spacing), np.floor(north[inside] / spacing)
    keys = (column.astype(np.int64) + _HALF) * _WIDTH + (row.astype(np.int64) + _HALF)
    cells, cell = np.unique(keys, return_inverse=True)
    corners, usable = _corners(exact, cells, spacing)
    across, up = east[inside] / spacing - column, north[inside] / spacing - row
    for corner_values, value in zip(corners, values, strict=True):
        low_left, low_right, high_left, high_right = corner_values[:, cell]
        low, high = low_left + across * (low_right - low_left), high_left + across * (high_right - high_left)
        value[inside] = low + up * (high - low)
    within[inside] = usable[cell]
    rest = np.flatnonzero(~within & np.isfinite(east) & np.isfinite(north))
    if rest.size:
        values[:, rest] = exact(east[rest], north[rest])
    return values


def _corners(exact: Callable[[Array, Array], Array], cells: NDArray[np.int64], spacing: float) -> tuple[Array, Any]:
    """Values at the corners of cells, each node computed once.

    Returns
    -------
    (6, 4, m) array: value, corner (low left, low right, high left, high right), cell; and (m,) booleans: all corners
    are finite and near to each other.
    """
    wanted = np.stack([cells, cells + _WIDTH, cells + 1, cells + _WIDTH + 1])
    nodes, place = np.unique(wanted, return_inverse=True)
    east = (nodes // _WIDTH - _HALF) * spacing
    north = (nodes % _WIDTH - _HALF) * spacing
    corners: Array = exact(east, north)[:, place.reshape(wanted.shape)]
    size = np.abs(corners).max(axis=1)
    size[:4] = size[:4].max(axis=0)
    size[4:] = 1.0
    usable = (np.ptp(corners, axis=1) <= _SMOOTH * size).all(axis=0)
    return corners, usable
