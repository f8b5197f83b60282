"""The way from the structures' CRS to another: coordinates, ground metres, grid north.

Map coordinates are not metres on the ground. `Georeference` carries points to the target CRS and gives, per structure,
the 2x2 matrix that maps ground metres along the structures' grid to target offsets, so that the same road has the same
grade in every CRS. Ground metres are metres on the ellipsoid; the height above it is left out (1.6e-5 per 100 m).

An operation that PROJ calls a ballpark is never used.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from pyproj import CRS

from geoadjust.io.coordinates.crs import horizontal, horizontal_unit_of, unbound
from geoadjust.io.coordinates.ground import Ground, difference_points, differences, ground_frame, ground_of
from geoadjust.io.coordinates.lattice import interpolate
from geoadjust.io.coordinates.operations import Bounds, find_operation, transform

Array = NDArray[np.float64]

FOOT = 0.3048
_STEP = 0.1  # half step of the differences, as a share of the spacing: 50 m


@dataclass(frozen=True, init=False)
class Georeference:
    """The way from the structures' CRS to the target's: coordinates, ground metres, grid north.

    One PROJ operation is chosen when this is made and kept as text, so that every worker and every chunk uses the
    same. It is PROJ's first choice for the area (for the whole of both CRSs when no bounds are given).

    Parameters
    ----------
    structures_crs, target_crs : pyproj.CRS
        Vertical parts are ignored.
    where : str
        The thing that carries the structures' or the target's CRS, for messages.
    bounds : (west, south, east, north), optional
        Of all structures of the run, in their CRS; never of a chunk.

    Attributes
    ----------
    description : str
        What PROJ calls the operation.
    accuracy_m : float
        Its stated accuracy [m]; NaN when unstated; 0 for the same CRS or datum.
    missing_grids : tuple of str
        Grids of a better operation that are not installed.

    Raises
    ------
    InputError
        For units that cannot be used, for a local CRS with another, and when there is only a ballpark operation.

    Examples
    --------
    >>> utm = Georeference(CRS("EPSG:32617"), CRS("EPSG:32617"), where="surface.crs")
    >>> utm.jacobians(np.array([500000.0]), np.array([4400000.0])).round(9).tolist()
    [[[0.9996, 0.0], [0.0, 0.9996]]]
    """

    structures_wkt: str
    target_wkt: str
    description: str
    accuracy_m: float = field(compare=False)
    missing_grids: tuple[str, ...]
    _pipeline: str
    _ground: Ground
    _period: float

    def __init__(self, structures_crs: CRS, target_crs: CRS, *, where: str, bounds: Bounds | None = None) -> None:
        source, target = horizontal(structures_crs, where=where), horizontal(target_crs, where=where)
        units = horizontal_unit_of(source, where=where), horizontal_unit_of(target, where=where)
        operation = find_operation(source, target, bounds, where)
        values = {
            "structures_wkt": source.to_wkt(),
            "target_wkt": target.to_wkt(),
            "description": operation.description,
            "accuracy_m": operation.accuracy_m,
            "missing_grids": operation.missing_grids,
            "_pipeline": operation.pipeline,
            "_ground": ground_of(source, units[0]),
            "_period": 360.0 if units[1] == "degree" else 0.0,
        }
        for name, value in values.items():
            object.__setattr__(self, name, value)

    @property
    def moves(self) -> bool:
        """Whether coordinates change on the way."""
        return bool(self._pipeline)

    def to_target(self, east: Array, north: Array) -> tuple[Array, Array]:
        """Structures' coordinates to target coordinates, east and north first in both.

        Parameters
        ----------
        east, north : (n,) arrays
            [unit of the structures' CRS]

        Returns
        -------
        Two new (n,) arrays [unit of the target CRS], the same bits when the CRSs are the same. Both NaN where a
        coordinate is NaN or infinite or where the operation does not reach.

        Examples
        --------
        >>> geo = Georeference(CRS("EPSG:4326"), CRS("EPSG:32617"), where="surface.crs")
        >>> [values.round(3).tolist() for values in geo.to_target(np.array([-81.0, np.nan]), np.array([0.0, 0.0]))]
        [[500000.0, nan], [0.0, nan]]
        """
        return transform(self._pipeline, *_points(east, north))

    def jacobians(self, east: Array, north: Array) -> Array:
        """Matrices J that map ground metres along the structures' grid to target offsets.

        d(target) = J (de, dn): de, dn true metres on the ellipsoid in a frame that is orthonormal on the ground, north
        along grid north of the structures' CRS (constant easting; true north for a geographic CRS), east 90 degrees
        clockwise from it. The height above the ellipsoid is left out, 1.6e-5 per 100 m.

        Parameters
        ----------
        east, north : (n,) arrays
            [unit of the structures' CRS]

        Returns
        -------
        (n, 2, 2) array [unit of the target CRS per metre]; NaN where a point is NaN, infinite or cannot be carried.

        Examples
        --------
        >>> geo = Georeference(CRS("EPSG:4326"), CRS("EPSG:4326"), where="surface.crs")
        >>> (1 / geo.jacobians(np.array([0.0]), np.array([45.0]))[0].diagonal()).round().tolist()
        [78847.0, 111132.0]
        """
        return self.frames(east, north)[0]

    def convergence(self, east: Array, north: Array) -> Array:
        """Angle from true north to grid north, plus clockwise: a grid azimuth plus this is a true azimuth.

        In a transverse Mercator zone of the northern hemisphere it is plus east of the central meridian; 0 for
        geographic and local CRSs.

        Parameters
        ----------
        east, north : (n,) arrays
            [unit of the structures' CRS]

        Returns
        -------
        (n,) array [rad]; NaN where a point is NaN, infinite or cannot be carried.

        Examples
        --------
        >>> geo = Georeference(CRS("EPSG:32617"), CRS("EPSG:32617"), where="surface.crs")
        >>> np.degrees(geo.convergence(np.array([600000.0]), np.array([4400000.0]))).round(3).tolist()
        [0.746]
        """
        return self.frames(east, north)[1]

    def frames(self, east: Array, north: Array) -> tuple[Array, Array]:
        """`jacobians` and `convergence` in one pass.

        Examples
        --------
        >>> geo = Georeference(CRS("EPSG:2263"), CRS("EPSG:2263"), where="surface.crs")
        >>> jacobians, convergence = geo.frames(np.array([1e6]), np.array([2e5]))
        >>> jacobians.shape, convergence.shape
        ((1, 2, 2), (1,))
        """
        first, second = _points(east, north)
        values = interpolate(self._exact, first, second, self._ground.spacing)
        jacobians: Array = np.ascontiguousarray(values[:4].T).reshape(-1, 2, 2)
        return jacobians, np.arctan2(values[4], values[5])

    def _exact(self, east: Array, north: Array) -> Array:
        """J and grid north at points without a lattice, rows as in `ground_frame`."""
        step = _STEP * self._ground.spacing
        first, second = difference_points(east, north, step)
        target = np.stack(transform(self._pipeline, first, second))
        ground = self._ground.slopes(first, second, step)
        return ground_frame(ground, differences(target, self._period) / step, self._ground.north)


def _points(east: Array, north: Array) -> tuple[Array, Array]:
    """Two contiguous float64 copies of one length; both NaN where one is NaN or infinite."""
    first, second = np.array(east, dtype=np.float64), np.array(north, dtype=np.float64)
    if first.ndim != 1 or first.shape != second.shape:
        raise ValueError(f"east and north must be (n,) arrays of one length, not {first.shape} and {second.shape}")
    return transform("", first, second)


def looks_like_degrees(east: Array, north: Array, crs: CRS) -> bool:
    """Whether coordinates of a projected CRS are all small enough to be longitude and latitude.

    NaN and infinite points are left out; without any other the answer is no.

    Examples
    --------
    >>> looks_like_degrees(np.array([-80.1]), np.array([40.2]), CRS("EPSG:32617"))
    True
    """
    first, second = _points(east, north)
    finite = np.isfinite(first)
    if not finite.any() or not unbound(horizontal(crs)).is_projected:
        return False
    return bool((np.abs(first[finite]) <= 180).all() and (np.abs(second[finite]) <= 90).all())


def swapped_hint(east: Array, north: Array, georeference: Georeference, bounds: Bounds) -> bool:
    """Whether no point falls on the target as given, but more than half of them do with east and north swapped.

    Parameters
    ----------
    east, north : (n,) arrays
        [unit of the structures' CRS]; NaN and infinite points are left out.
    georeference : Georeference
        From the structures' CRS to the target's.
    bounds : (west, south, east, north)
        Of the target [unit of the target CRS].

    Examples
    --------
    >>> geo = Georeference(CRS("EPSG:4326"), CRS("EPSG:32617"), where="surface.crs")
    >>> swapped_hint(np.array([40.2]), np.array([-80.1]), geo, (5e5, 4.4e6, 6e5, 4.5e6))
    True
    """
    first, second = _points(east, north)
    finite = np.isfinite(first)
    given = _count_inside(*georeference.to_target(first, second), bounds)
    swapped = _count_inside(*georeference.to_target(second, first), bounds)
    return given == 0 and 2 * swapped > int(finite.sum())


def scaled_hint(east: Array, north: Array, georeference: Georeference, bounds: Bounds) -> str:
    """The unit that coordinates seem to be in, 'feet' or 'metres', where in that unit more than half lie on the target.

    Parameters
    ----------
    east, north : (n,) arrays
        [unit of the structures' CRS]; NaN and infinite points are left out.
    georeference, bounds : as in `swapped_hint`

    Examples
    --------
    >>> geo = Georeference(CRS("EPSG:32617"), CRS("EPSG:32617"), where="surface.crs")
    >>> scaled_hint(np.array([5e5]) / 0.3048, np.array([45e5]) / 0.3048, geo, (4e5, 44e5, 6e5, 46e5))
    'feet'
    """
    first, second = _points(east, north)
    least = int(np.isfinite(first).sum()) / 2
    for unit, factor in (("feet", FOOT), ("metres", 1 / FOOT)):
        if _count_inside(*georeference.to_target(first * factor, second * factor), bounds) > least:
            return unit
    return ""


def _count_inside(east: Array, north: Array, bounds: Bounds) -> int:
    west, south, east_end, north_end = bounds
    return int(np.sum((east >= west) & (east <= east_end) & (north >= south) & (north <= north_end)))
