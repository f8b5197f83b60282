"""Roads with a known truth: a GridSurface of any function z(e, n), for any raster geometry.

Everything here is written from the definition of a raster (a cell's centre lies at matrix @ (column, row)), without
the code under test; only the size of the patches and the stencil come from there.
"""

from __future__ import annotations

import numpy as np

from geoadjust.core.columns import RoadModels
from geoadjust.core.edge import edge_plane
from geoadjust.core.outline import Outlines
from geoadjust.core.plane import fit_planes, powers
from geoadjust.core.ring import Ring, grid_stencil, patch_half
from geoadjust.core.road import fit_roads
from geoadjust.core.surface import GridSurface

RING = Ring()
FLANGE = 0.915 / 2
FRAME = 0.33


def raster_matrix(cell=0.1, *, turn=0.0, tall=1.0, shear=0.0, mirror=False, south_up=False):
    """Ground metres (east, north) per cell (column, row).

    `turn` clockwise [rad], `tall` = height / width of a cell, `shear` moves a cell east per row, in cells; `mirror`
    lets columns run west, `south_up` lets rows run north.
    """
    matrix = np.array([[cell, shear * cell], [0.0, -cell * tall]])
    if south_up:
        matrix = matrix * [1, -1]
    if mirror:
        matrix = matrix * [-1, 1]
    s, c = np.sin(turn), np.cos(turn)
    return np.array([[c, s], [-s, c]]) @ matrix


def make_surface(
    z, *, matrix=0.1, column=0.0, row=0.0, n=None, noise=0.0, seed=0, hole=None, ring=None, dtype=np.float64
):
    """Patches of the road z(e, n) [m], e and n in ground metres from each cover's centre.

    Parameters
    ----------
    z : function of arrays (n, p, p); parameters that differ between covers have shape (n, 1, 1)
    matrix : cell side [m], one matrix of `raster_matrix`, or (n, 2, 2) of them
    column, row : where the cover lies, in cells from the middle cell's centre; number or (n,)
    n : number of covers, where nothing else says it
    noise : sd of independent noise of one cell [m]
    hole : function of (e, n), True where the raster has no value
    dtype : what the raster stores; heights pass through it and come back as float64
    """
    ring = ring or Ring()
    matrix = np.asarray(raster_matrix(matrix) if np.ndim(matrix) == 0 else matrix, dtype=float)
    column, row = np.atleast_1d(column).astype(float), np.atleast_1d(row).astype(float)
    count = max(n or 1, len(column), len(row), len(matrix) if matrix.ndim == 3 else 1)
    matrices = np.ascontiguousarray(np.broadcast_to(matrix, (count, 2, 2)))
    column, row = (np.ascontiguousarray(np.broadcast_to(v, count)) for v in (column, row))
    cells = np.array([np.linalg.inv(one) for one in matrices])
    half = patch_half(cells, ring)
    east, north = patch_places(matrices, column, row, half)
    heights = np.broadcast_to(z(east, north), east.shape).astype(float)
    if noise:
        heights = heights + np.random.default_rng(seed).normal(0.0, noise, east.shape)
    if hole is not None:
        heights = np.where(hole(east, north), np.nan, heights)
    longest = max(np.hypot(*one).max() for one in matrices)
    return GridSurface(
        heights=np.ascontiguousarray(heights.astype(dtype).astype(float)),
        column=column,
        row=row,
        cells=cells,
        stencil=grid_stencil(cells, ring),
        step=float(longest),
    )


def patch_places(matrices, column, row, half):
    """Offsets east and north [m] of every cell of each patch from its cover, (n, p, p) each."""
    down, right = np.mgrid[-half : half + 1, -half : half + 1]
    cells = np.stack([right - column[:, None, None], down - row[:, None, None]], axis=1)
    east, north = np.moveaxis(np.einsum("nij,njab->niab", matrices, cells), 1, 0)
    return east, north


def plane(height=0.0, slope_east=0.0, slope_north=0.0):
    """Function z(e, n) of a plane; numbers, or (n,) of them."""
    h, a, b = (np.asarray(v, dtype=float).reshape(-1, 1, 1) for v in (height, slope_east, slope_north))
    return lambda e, n: h + a * e + b * n


def folded(height=0.0, slope_east=0.0, slope_north=0.0, change=0.0, azimuth=0.0, offset=0.0):
    """Function z(e, n) of a plane with a fold; numbers, or (n,) of them."""
    flat = plane(height, slope_east, slope_north)
    k, a, t = (np.asarray(v, dtype=float).reshape(-1, 1, 1) for v in (change, azimuth, offset))
    return lambda e, n: flat(e, n) + k * np.maximum(0.0, e * np.sin(a) + n * np.cos(a) - t)


def crown(side=0.02, azimuth=np.pi / 2, offset=0.0, **flat):
    """Road that falls `side` [m/m] to both sides of a line: z = -side |s - offset|, s across it."""
    base = plane(**flat)
    a = np.asarray(azimuth, dtype=float).reshape(-1, 1, 1)
    t = np.asarray(offset, dtype=float).reshape(-1, 1, 1)
    return lambda e, n: base(e, n) - side * np.abs(e * np.sin(a) + n * np.cos(a) - t)


def raised(base, step, where):
    """The road `base`, `step` [m] higher where `where(e, n)`."""
    return lambda e, n: base(e, n) + step * where(e, n)


def beyond(azimuth, distance):
    """Side of a straight kerb: beyond `distance` [m] in direction `azimuth`."""
    a = np.asarray(azimuth, dtype=float).reshape(-1, 1, 1)
    d = np.asarray(distance, dtype=float).reshape(-1, 1, 1)
    return lambda e, n: e * np.sin(a) + n * np.cos(a) > d


def sector(middle, width):
    """Sector of the ring: within width / 2 of azimuth `middle` [rad]."""
    a = np.asarray(middle, dtype=float).reshape(-1, 1, 1)
    return lambda e, n: np.abs((np.arctan2(e, n) - a + np.pi) % (2 * np.pi) - np.pi) < width / 2


def flange(surface, radius=FLANGE):
    """Flange radius of every cover, (n,)."""
    return np.full(len(surface), radius)


def edge(rows, radius=FRAME):
    """Round outline of every row's frame; rows = anything with a length."""
    blank = np.full(len(rows), np.nan)
    return Outlines(width=np.full(len(rows), 2 * radius), length=blank, azimuth=blank)


def road_models(height=0.0, slope_east=0.0, slope_north=0.0, fold=0.0, fold_azimuth=0.0, fold_offset=0.0):
    """RoadModels of given geometry, (n,) by broadcasting; what the geometry does not need is blank."""
    parts = np.broadcast_arrays(height, slope_east, slope_north, fold, fold_azimuth, fold_offset)
    geometry = [np.atleast_1d(np.array(part, dtype=float)) for part in parts]
    n = len(geometry[0])
    return RoadModels(
        *geometry,
        covariance=np.zeros((n, 3, 3)),
        rms=np.zeros(n),
        scale=np.zeros(n),
        noise=np.zeros(n),
        samples=np.zeros(n, dtype=int),
        left_out=np.zeros(n, dtype=int),
        pattern=np.zeros(n, dtype=int),
        coverage=np.ones(n),
        shape=(geometry[3] != 0).astype(np.int8),
        spacing=np.full(n, 0.1),
        widened=np.zeros(n, dtype=bool),
        source=np.zeros(n, dtype=np.int8),
    )


def covers(z, *, n=1, cell=0.1, seed=1, noise=0.0, **more):
    """n covers anywhere in their cell on the road z: samples and flange radii."""
    column, row = np.random.default_rng(seed + 1000).uniform(-0.5, 0.5, (2, n))
    surface = make_surface(z, matrix=cell, column=column, row=row, noise=noise, seed=seed, **more)
    return surface.samples(flange(surface), RING)


def fit(samples, level=0.0):
    """Planes, weights and scale with the ring's own settings."""
    return fit_planes(
        powers(samples.east, samples.north), samples.height - level, step=RING.step, floor=RING.noise_floor
    )


def modelled(samples, **more):
    """Road models of the samples under frames of radius `FRAME`."""
    return fit_roads(samples, RING, edge(samples), **more)


def under_cover(models):
    """Height and slopes of the road along the frame's edge, (n, 3)."""
    return edge_plane(models, edge(models))


# ---------------------------------------------------------------------------------------------- least squares
