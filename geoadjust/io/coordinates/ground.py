"""Metres on the ellipsoid and grid north at places of a CRS, by central differences through the real operations.

Source of the radii of curvature: Snyder 1987, Map Projections - A Working Manual, USGS PP 1395, eq. 4-18 to 4-21,
from memory.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from pyproj import CRS

from geoadjust.io.coordinates.crs import unbound
from geoadjust.io.coordinates.operations import to_geodetic, transform
from geoadjust.units import UNITS

Array = NDArray[np.float64]

SPACING = {"m": 500.0, "ft": 1600.0, "us-ft": 1600.0, "degree": 0.005}
"""Lattice spacing [unit of the structures' CRS]: bilinear interpolation on it is right to about 1e-9."""


def _grid_north(crs: CRS) -> tuple[float, float]:
    """Direction of grid north in the CRS's coordinates, first and second as `always_xy` hands them out.

    West and south axes (southern Africa, Krovak) are turned round; polar grids have no such axis and keep the second.
    """
    axes = [axis.direction for axis in crs.axis_info[:2]]
    turned = {("west", "south"): (0.0, -1.0), ("south", "west"): (-1.0, 0.0)}
    return turned.get((axes[0], axes[1]), (0.0, 1.0))


@dataclass(frozen=True, slots=True)
class Ground:
    """The ground under a CRS: its ellipsoid, the way to longitude and latitude, and where its grid north points.

    A local CRS has no ellipsoid: `pipeline` is empty and its unit is all there is.
    """

    pipeline: str
    radian: float
    unit: float
    semi_major: float
    eccentricity2: float
    north: tuple[float, float]
    spacing: float

    def slopes(self, east: Array, north: Array, step: float) -> tuple[Array, Array]:
        """East and north metres on the ground per unit of the first and of the second coordinate.

        Parameters
        ----------
        east, north : (5, n) arrays
            Stencil of `difference_points` [unit of the CRS].
        step : float
            Its half step [unit of the CRS].

        Returns
        -------
        Two (2, n) arrays [m per unit], towards true east and true north: nu cos(phi) dlambda, rho dphi.
        """
        if not self.pipeline:
            plane = np.where(np.isnan(east[0]), np.nan, self.unit)
            return np.stack([plane, 0 * plane]), np.stack([0 * plane, plane])
        lonlat = np.stack(transform(self.pipeline, east, north)) * self.radian
        turn = differences(lonlat, 2 * math.pi) / step
        latitude = np.where(np.abs(lonlat[1, 0]) <= math.pi / 2, lonlat[1, 0], np.nan)
        w = 1 - self.eccentricity2 * np.sin(latitude) ** 2
        parallel = self.semi_major / np.sqrt(w) * np.cos(latitude)
        meridian = self.semi_major * (1 - self.eccentricity2) / (w * np.sqrt(w))
        return parallel * turn[0], meridian * turn[1]


def ground_of(crs: CRS, unit: str) -> Ground:
    """Ground of a horizontal CRS."""
    bare = unbound(crs)
    metres = float(UNITS[unit]) if unit in UNITS else 0.0
    if bare.is_engineering or bare.geodetic_crs is None or bare.ellipsoid is None:
        return Ground("", 0.0, metres, 0.0, 0.0, (0.0, 1.0), SPACING[unit])
    radian = bare.geodetic_crs.axis_info[0].unit_conversion_factor
    major, minor = bare.ellipsoid.semi_major_metre, bare.ellipsoid.semi_minor_metre
    squared = (1 - minor / major) * (1 + minor / major)
    return Ground(to_geodetic(bare), radian, metres, major, squared, _grid_north(bare), SPACING[unit])


def difference_points(east: Array, north: Array, step: float) -> tuple[Array, Array]:
    """The points and their neighbours one step along each axis: centre, +first, -first, +second, -second, (5, n)."""
    first = np.stack([east, east + step, east - step, east, east])
    second = np.stack([north, north, north, north + step, north - step])
    return first, second


def differences(values: Array, period: float) -> Array:
    """Central differences on a stencil; one-sided where the map jumps (antimeridian) or ends within it.

    Parameters
    ----------
    values : (2, 5, n) array
        Two coordinates on the stencil.
    period : float
        What one turn of the first coordinate is; 0 when it does not turn.

    Returns
    -------
    (2, 2, n) array: coordinate, axis, point; the change over one step. NaN where both sides fail.
    """
    centre, plus, minus = values[:, :1], values[:, 1::2], values[:, 2::2]
    ahead, behind = _unwound(plus - centre, period), _unwound(centre - minus, period)
    long_ahead, long_behind = np.hypot(*ahead), np.hypot(*behind)
    smooth = np.hypot(*(ahead - behind)) <= 0.01 * (long_ahead + long_behind)
    one_sided = np.where((long_ahead <= long_behind) | np.isnan(long_behind), ahead, behind)
    chosen: Array = np.where(smooth, _unwound(plus - minus, period) / 2, one_sided)
    return chosen


def _unwound(difference: Array, period: float) -> Array:
    return difference - period * np.round(difference / period) if period else difference


def ground_frame(ground: tuple[Array, Array], target: Array, north: tuple[float, float]) -> Array:
    """Jacobian and grid north from the slopes of ground and target.

    J = T G^-1 R: R holds the frame's east and north axes in true east and north, G the ground metres and T the target
    offsets per unit of the structures' coordinates.

    Parameters
    ----------
    ground : two (2, n) arrays
        True east and north metres per unit of the first and second coordinate.
    target : (2, 2, n) array
        Target coordinate, axis, point.
    north : two floats
        Grid north in the structures' coordinates.

    Returns
    -------
    (6, n) array: J00, J01, J10, J11, sine and cosine of the convergence. NaN where a slope is.
    """
    (e1, e2), (n1, n2) = ground
    towards_east, towards_north = north[0] * e1 + north[1] * e2, north[0] * n1 + north[1] * n2
    with np.errstate(all="ignore"):  # a pole: zero over zero, NaN
        length = np.hypot(towards_east, towards_north)
        sine, cosine = towards_east / length, towards_north / length
        area = e1 * n2 - e2 * n1
        east_1, east_2 = (n2 * cosine + e2 * sine) / area, -(n1 * cosine + e1 * sine) / area
        north_1, north_2 = (n2 * sine - e2 * cosine) / area, (e1 * cosine - n1 * sine) / area
        rows = [row for t1, t2 in target for row in (t1 * east_1 + t2 * east_2, t1 * north_1 + t2 * north_2)]
        frame = np.stack([*rows, sine, cosine])
    frame[:, ~np.isfinite(frame).all(axis=0)] = np.nan
    return frame
