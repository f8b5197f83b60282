"""The annulus in which the road is read round a cover.

Inside it lie the casting, the old collar and its patch; outside it the road is no longer the road at the cover. Half a
bar of 3 m is the default outer radius. A coarse raster widens the ring, so that it still holds enough cells.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

HALF_DIAGONAL = 0.71
"""A cell this many cell sides off the flange's edge cannot show any of the casting."""

LEAST_CELLS_OUT = 2.5
"""The ring reaches at least this many cells out."""


@dataclass(frozen=True, slots=True)
class Ring:
    """Settings of the ring, in metres; see the job's [ring] table."""

    inner_clearance: float = 0.35
    outer_radius: float = 1.5
    bar_length: float = 3.0
    max_cell: float = 1.25
    min_samples: int = 8
    min_coverage: float = 0.5
    max_left_out: float = 0.25
    step: float = 0.028
    noise_floor: float = 0.006


def inner_radius(flange_radius: Floats, spacing: Floats, ring: Ring) -> Floats:
    """Inner radius [m]: beyond the old collar, and beyond every cell that shows a part of the casting.

    Parameters
    ----------
    flange_radius, spacing : (n,) [m]

    Examples
    --------
    >>> inner_radius(np.array([0.4575]), np.array([1.0]), Ring()).round(4).tolist()
    [1.1675]
    """
    return np.asarray(flange_radius + np.maximum(ring.inner_clearance, HALF_DIAGONAL * spacing))


def outer_radius(spacing: Floats, ring: Ring) -> Floats:
    """Outer radius [m], widened where the cells are coarse.

    Examples
    --------
    >>> outer_radius(np.array([0.1, 0.5, 1.0]), Ring()).tolist()
    [1.5, 1.5, 2.5]
    """
    return np.maximum(ring.outer_radius, LEAST_CELLS_OUT * spacing)


def grid_stencil(cells: Floats, ring: Ring) -> NDArray[np.int64]:
    """Cell offsets that any ring of a run may need, however the cover lies in its cell.

    Depends on the surface and the settings alone, never on the structures of a chunk, so that sums have one length.

    Parameters
    ----------
    cells : (k, 2, 2) cells (column, row) per ground metre at places all over the surface

    Returns
    -------
    (m, 2) offsets (row, column) from the cover's own cell, row by row.
    """
    metres = np.linalg.inv(cells)
    sides = np.sqrt((metres**2).sum(axis=1))
    spacing = sides.max(axis=1)
    outer = outer_radius(spacing, ring).max() * 1.01
    inner = (ring.inner_clearance - HALF_DIAGONAL * 2 * spacing.max()) * 0.99
    half = patch_half(cells, ring)
    row, column = np.mgrid[-half : half + 1, -half : half + 1].reshape(2, -1)
    east = metres[:, 0, 0, None] * column + metres[:, 0, 1, None] * row
    north = metres[:, 1, 0, None] * column + metres[:, 1, 1, None] * row
    distance = np.hypot(east, north)
    slack = (HALF_DIAGONAL * spacing)[:, None]
    wanted = ((distance - slack <= outer) & (distance + slack >= inner)).any(axis=0)
    return np.stack([row[wanted], column[wanted]], axis=1)


def patch_half(cells: Floats, ring: Ring) -> int:
    """Cells from a patch's middle to its edge, so that it holds the ring and the bar.

    Parameters
    ----------
    cells : (k, 2, 2) cells (column, row) per ground metre at places all over the surface
    """
    metres = np.linalg.inv(cells)
    spacing = np.sqrt((metres**2).sum(axis=1)).max(axis=1)
    reach = max(outer_radius(spacing, ring).max(), ring.bar_length / 2)
    per_metre = np.sqrt((cells**2).sum(axis=2)).max()
    return int(np.ceil(reach * 1.01 * per_metre)) + 2
