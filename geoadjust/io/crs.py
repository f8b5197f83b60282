"""Coordinate reference systems: read, taken apart, compared, and the road from the structures' CRS to the surface's.

Map coordinates are not metres on the ground. `Georeference` carries points to the target CRS and gives, per structure,
the 2x2 matrix that maps ground metres along the structures' grid to target offsets, so that the same road has the same
grade in every CRS. Ground metres are metres on the ellipsoid; the height above it is left out (1.6e-5 per 100 m).

Nothing is repaired: a CRS or unit that cannot be used is refused with what to write instead. An operation that PROJ
calls a ballpark is never used, and PROJ never asks the network.

Source of the radii of curvature: Snyder 1987, Map Projections - A Working Manual, USGS PP 1395, eq. 4-18 to 4-21,
from memory.
"""

from __future__ import annotations

import math
import warnings
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

import numpy as np
import pyproj.network
from numpy.typing import NDArray
from pyproj import CRS, Transformer
from pyproj.exceptions import CRSError, ProjError
from pyproj.transformer import AreaOfInterest, TransformerGroup

from geoadjust.errors import Fault, InputError
from geoadjust.units import UNITS

Array = NDArray[np.float64]
Bounds = tuple[float, float, float, float]

pyproj.network.set_network_enabled(False)  # type: ignore[attr-defined]  # its stub hides the name

LENGTH_UNITS = ("m", "ft", "us-ft")
SPACING = {"m": 500.0, "ft": 1600.0, "us-ft": 1600.0, "degree": 0.005}
"""Lattice spacing [unit of the structures' CRS]: bilinear interpolation on it is right to about 1e-9."""

_UNIT_SLACK = 1e-7  # files truncate 1200/3937; foot and US survey foot lie 2e-6 apart
_STEP = 0.1  # half step of the differences, as a share of the spacing: 50 m
_SMOOTH = 1e-3  # a cell whose corners differ by more (a pole, a jump) is not interpolated
_HALF = 2**30  # node numbers lie within +-_HALF, two of them packed in an int64
_WIDTH = 2**31
_EXAMPLES = "EPSG code such as EPSG:32617 or EPSG:2263+6360, WKT, PROJJSON or PROJ string"


# ---------------------------------------------------------------- read and take apart


def read_crs(text_or_wkt: str, *, where: str) -> CRS:
    """Read a CRS from a code, a full name, WKT, PROJJSON or a PROJ string.

    Parameters
    ----------
    text_or_wkt : str
        What the user or the file says. Bare numbers and the old ``+init=`` are refused: they leave open whose code,
        or which axis order, is meant.
    where : str
        The thing that carries it, for the message.

    Raises
    ------
    InputError
        When it is no CRS.

    Examples
    --------
    >>> read_crs("EPSG:32617", where="surface.crs").name
    'WGS 84 / UTM zone 17N'
    """
    text = text_or_wkt.strip()
    if text.isdecimal():
        raise _refusal(
            where, f"{text!r} names no authority", _EXAMPLES, f'write "EPSG:{text}" if that is what is meant'
        )
    if "\0" in text or "init=" in text.lower().replace(" ", ""):
        raise _refusal(where, f"cannot use {_shown(text)}", _EXAMPLES, 'write the code alone, such as "EPSG:32617"')
    try:
        return CRS.from_user_input(text)
    except (CRSError, ValueError) as error:
        remedy = "write the CRS of these coordinates, from the survey's or the raster's metadata"
        raise _refusal(where, f"{_shown(text)} is not a known CRS", _EXAMPLES, remedy) from error


def horizontal(crs: CRS, *, where: str = "crs") -> CRS:
    """Horizontal part of a compound or three-dimensional CRS; a two-dimensional one as it is.

    Raises
    ------
    InputError
        When there is no such part (a vertical or geocentric CRS), or when it is a derived CRS.

    Examples
    --------
    >>> horizontal(CRS("EPSG:2263+6360")).name
    'NAD83 / New York Long Island (ftUS)'
    """
    whole = _unbound(crs) if _unbound(crs).is_compound else crs
    part = whole.sub_crs_list[0] if whole.is_compound else whole
    bare = _unbound(part)
    mappable = bare.is_projected or bare.is_engineering or (bare.is_geographic and not bare.is_geocentric)
    if not mappable or bare.type_name.startswith("Derived"):
        what = f"{crs.name!r} ({bare.type_name}) has no east and north that can be used"
        raise _refusal(where, what, "projected, geographic or local CRS", "state the CRS of the east and north columns")
    return part.to_2d() if len(part.axis_info) > 2 else part


def vertical_unit_of(crs: CRS, *, where: str = "crs") -> str | None:
    """Unit of the heights: 'm', 'ft' or 'us-ft'; None when the CRS has no vertical part.

    Raises
    ------
    InputError
        For another unit, and for depths (plus down).

    Examples
    --------
    >>> vertical_unit_of(CRS("EPSG:2263+6360")), vertical_unit_of(CRS("EPSG:2263+8228")), vertical_unit_of(CRS(2263))
    ('us-ft', 'ft', None)
    """
    part = _vertical(crs)
    if part is None:
        return None
    axis = part.axis_info[-1]
    if axis.direction != "up":
        what = f"heights of {part.name!r} count {axis.direction}"
        raise _refusal(where, what, "heights that count up", "convert the depths to elevations and state their CRS")
    return _length_unit(axis.unit_conversion_factor, axis.unit_name, where)


def vertical_name_of(crs: CRS) -> str | None:
    """Name of the vertical datum (of the vertical CRS where it has none), None without a vertical part.

    Two CRSs of one datum in different units give the same name. Ellipsoidal heights are named as such.

    Examples
    --------
    >>> vertical_name_of(CRS("EPSG:2263+6360"))
    'North American Vertical Datum 1988'
    >>> vertical_name_of(CRS("EPSG:4979"))
    'ellipsoidal height, World Geodetic System 1984 ensemble'
    """
    part = _vertical(crs)
    if part is None:
        return None
    name = part.name if part.datum is None else part.datum.name
    return name if part.is_vertical else f"ellipsoidal height, {name}"


def horizontal_unit_of(crs: CRS, *, where: str = "crs") -> str:
    """Unit of east and north: 'm', 'ft', 'us-ft' or 'degree'.

    Raises
    ------
    InputError
        For any other unit (grad, link, Clarke's foot, km), or when the two axes differ.

    Examples
    --------
    >>> horizontal_unit_of(CRS("EPSG:2263")), horizontal_unit_of(CRS("EPSG:4326"))
    ('us-ft', 'degree')
    """
    flat = horizontal(crs, where=where)
    first, second = flat.axis_info[:2]
    if not math.isclose(first.unit_conversion_factor, second.unit_conversion_factor, rel_tol=_UNIT_SLACK):
        what = f"the axes of {flat.name!r} have two units, {first.unit_name} and {second.unit_name}"
        raise _refusal(where, what, "one unit for east and north", "convert the coordinates to a CRS with one unit")
    if not _unbound(flat).is_geographic:
        return _length_unit(first.unit_conversion_factor, first.unit_name, where)
    if math.isclose(first.unit_conversion_factor, math.pi / 180, rel_tol=_UNIT_SLACK):
        return "degree"
    what = f"{flat.name!r} is in {first.unit_name}"
    raise _refusal(where, what, "degree for longitude and latitude", "convert the coordinates to degrees or metres")


def same_crs(a: CRS, b: CRS) -> bool:
    """Whether two CRSs have the same east and north; axis order, vertical part and attached datum shifts ignored.

    Examples
    --------
    >>> same_crs(CRS("EPSG:2263+6360"), CRS("EPSG:2263")), same_crs(CRS("EPSG:4326"), CRS("OGC:CRS84"))
    (True, True)
    >>> same_crs(CRS("EPSG:32617"), CRS("EPSG:26917"))
    False
    """
    first, second = _unbound(horizontal(a)), _unbound(horizontal(b))
    if first.equals(second, ignore_axis_order=True):
        return True
    return _east_first(first).equals(_east_first(second), ignore_axis_order=True)


def _refusal(where: str, what: str, allowed: str, remedy: str) -> InputError:
    return InputError(Fault(where, what, allowed, remedy))


def _shown(text: str) -> str:
    """The text in quotes, cut to a length that fits a message and with what cannot be printed escaped."""
    return repr(text if len(text) <= 60 else text[:57] + "...")


def _unbound(crs: CRS) -> CRS:
    """The CRS itself where a datum shift (TOWGS84) is attached to it."""
    return crs.source_crs if crs.is_bound and crs.source_crs is not None else crs


def _vertical(crs: CRS) -> CRS | None:
    """The part that carries the height: of a compound its last, a vertical or three-dimensional CRS itself, or None."""
    whole = _unbound(crs)
    if whole.is_compound:
        return _unbound(whole.sub_crs_list[-1])
    upright = whole.is_vertical or (len(whole.axis_info) == 3 and not whole.is_geocentric)
    return whole if upright else None


def _length_unit(metres: float, name: str, where: str) -> str:
    """Name of the length unit that has this many metres."""
    for unit in LENGTH_UNITS:
        if math.isclose(metres, float(UNITS[unit]), rel_tol=_UNIT_SLACK):
            return unit
    what = f"the unit is {name} ({metres:.12g} m)"
    raise _refusal(
        where, what, ", ".join(LENGTH_UNITS), "convert the data to one of these and state the CRS of the result"
    )


def _east_first(crs: CRS) -> CRS:
    """The CRS without its code, its axes east, north where they were north, east."""
    data: dict[str, Any] = crs.to_json_dict()
    data.pop("id", None)
    axes = data["coordinate_system"]["axis"]
    if [axis["direction"] for axis in axes[:2]] == ["north", "east"]:
        data["coordinate_system"]["axis"] = axes[::-1]
    return CRS.from_json_dict(data)


def _grid_north(crs: CRS) -> tuple[float, float]:
    """Direction of grid north in the CRS's coordinates, first and second as `always_xy` hands them out.

    West and south axes (southern Africa, Krovak) are turned round; polar grids have no such axis and keep the second.
    """
    axes = [axis.direction for axis in crs.axis_info[:2]]
    turned = {("west", "south"): (0.0, -1.0), ("south", "west"): (-1.0, 0.0)}
    return turned.get((axes[0], axes[1]), (0.0, 1.0))


# ---------------------------------------------------------------- operations


@dataclass(frozen=True, slots=True)
class _Operation:
    """A PROJ pipeline from one horizontal CRS to another, with what the run record says about it."""

    pipeline: str
    description: str
    accuracy_m: float
    missing_grids: tuple[str, ...] = ()


def _choose_operation(source: CRS, target: CRS, area: AreaOfInterest | None, where: str) -> _Operation:
    """PROJ's first choice among the operations that are no ballpark and can be carried out here."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # PROJ's word that a better operation lacks a grid: kept in missing_grids
        try:
            group = TransformerGroup(source, target, always_xy=True, allow_ballpark=False, area_of_interest=area)
        except ProjError as error:
            raise _no_operation(source, target, (), where) from error
    missing = _missing_grids(group)
    if not group.transformers:
        raise _no_operation(source, target, missing, where)
    chosen = group.transformers[0]
    accuracy = chosen.accuracy if chosen.accuracy >= 0 else math.nan
    return _Operation(chosen.definition, chosen.description, accuracy, () if group.best_available else missing)


def _missing_grids(group: TransformerGroup) -> tuple[str, ...]:
    """Grids that the operations need and this installation lacks, those of PROJ's first choice first."""
    grids = [grid for operation in group.unavailable_operations for grid in operation.grids]
    return tuple(dict.fromkeys(grid.short_name for grid in grids if not grid.available))


def _no_operation(source: CRS, target: CRS, missing: tuple[str, ...], where: str) -> InputError:
    what = f"no transformation of known accuracy from {source.name!r} to {target.name!r} can be carried out here"
    stated = "state the CRS that the coordinates are really in (with its datum)"
    if not missing:
        return _refusal(where, what, "one datum, or two with a published transformation", stated)
    listed = ", ".join(missing[:4]) + (f" (and {len(missing) - 4} more)" if len(missing) > 4 else "")
    remedy = f"install the PROJ grid for your area in a folder that PROJ_DATA lists: {listed}; or {stated}"
    return _refusal(where, what, "a transformation whose grid is installed", remedy)


def _area(crs: CRS, bounds: Bounds | None) -> AreaOfInterest | None:
    """Bounds in the CRS's coordinates as an area in degrees; None when they are unknown, or span half the globe."""
    if bounds is None:
        return None
    geodetic = crs.geodetic_crs
    factor = math.degrees(geodetic.axis_info[0].unit_conversion_factor) if geodetic is not None else math.nan
    west, south, east, north = bounds
    corners = _transform(
        _to_geodetic(_unbound(crs)), np.array([west, west, east, east]), np.array([south, north, south, north])
    )
    degrees = np.stack(corners) * factor
    if not np.isfinite(degrees).all() or np.ptp(degrees[0]) > 180:
        return None
    (lon_low, lat_low), (lon_high, lat_high) = degrees.min(axis=1).tolist(), degrees.max(axis=1).tolist()
    return AreaOfInterest(lon_low, lat_low, lon_high, lat_high)


def _to_geodetic(crs: CRS) -> str:
    """Pipeline from the CRS to longitude and latitude on its own datum, in that geographic CRS's unit."""
    return _choose_operation(crs, crs.geodetic_crs or crs, None, "crs").pipeline


@lru_cache(maxsize=64)
def _transformer(pipeline: str) -> Transformer:
    return Transformer.from_pipeline(pipeline)


def _transform(pipeline: str, east: Array, north: Array) -> tuple[Array, Array]:
    """Carry arrays of any one shape through a pipeline ("" = unchanged); both coordinates NaN where it fails."""
    shape = np.shape(east)
    first, second = (np.array(values, dtype=np.float64).ravel() for values in (east, north))
    if pipeline:
        first, second = _transformer(pipeline).transform(first, second)
    bad = ~(np.isfinite(first) & np.isfinite(second))
    first[bad] = second[bad] = np.nan
    return first.reshape(shape), second.reshape(shape)


# ---------------------------------------------------------------- ground metres


@dataclass(frozen=True, slots=True)
class _Ground:
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
            Stencil of `_stencil` [unit of the CRS].
        step : float
            Its half step [unit of the CRS].

        Returns
        -------
        Two (2, n) arrays [m per unit], towards true east and true north: nu cos(phi) dlambda, rho dphi.
        """
        if not self.pipeline:
            plane = np.where(np.isnan(east[0]), np.nan, self.unit)
            return np.stack([plane, 0 * plane]), np.stack([0 * plane, plane])
        lonlat = np.stack(_transform(self.pipeline, east, north)) * self.radian
        turn = _differences(lonlat, 2 * math.pi) / step
        latitude = np.where(np.abs(lonlat[1, 0]) <= math.pi / 2, lonlat[1, 0], np.nan)
        w = 1 - self.eccentricity2 * np.sin(latitude) ** 2
        parallel = self.semi_major / np.sqrt(w) * np.cos(latitude)
        meridian = self.semi_major * (1 - self.eccentricity2) / (w * np.sqrt(w))
        return parallel * turn[0], meridian * turn[1]


def _ground(crs: CRS, unit: str) -> _Ground:
    """Ground of a horizontal CRS."""
    bare = _unbound(crs)
    metres = float(UNITS[unit]) if unit in UNITS else 0.0
    if bare.is_engineering or bare.geodetic_crs is None or bare.ellipsoid is None:
        return _Ground("", 0.0, metres, 0.0, 0.0, (0.0, 1.0), SPACING[unit])
    radian = bare.geodetic_crs.axis_info[0].unit_conversion_factor
    major, minor = bare.ellipsoid.semi_major_metre, bare.ellipsoid.semi_minor_metre
    squared = (1 - minor / major) * (1 + minor / major)
    return _Ground(_to_geodetic(bare), radian, metres, major, squared, _grid_north(bare), SPACING[unit])


def _stencil(east: Array, north: Array, step: float) -> tuple[Array, Array]:
    """The points and their neighbours one step along each axis: centre, +first, -first, +second, -second, (5, n)."""
    first = np.stack([east, east + step, east - step, east, east])
    second = np.stack([north, north, north, north + step, north - step])
    return first, second


def _differences(values: Array, period: float) -> Array:
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


def _frame(ground: tuple[Array, Array], target: Array, north: tuple[float, float]) -> Array:
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


# ---------------------------------------------------------------- lattice


def _interpolate(exact: Callable[[Array, Array], Array], east: Array, north: Array, spacing: float) -> Array:
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


# ---------------------------------------------------------------- the road from structures to target


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
    _ground: _Ground
    _period: float

    def __init__(self, structures_crs: CRS, target_crs: CRS, *, where: str, bounds: Bounds | None = None) -> None:
        source, target = horizontal(structures_crs, where=where), horizontal(target_crs, where=where)
        units = horizontal_unit_of(source, where=where), horizontal_unit_of(target, where=where)
        operation = _find_operation(source, target, bounds, where)
        values = {
            "structures_wkt": source.to_wkt(),
            "target_wkt": target.to_wkt(),
            "description": operation.description,
            "accuracy_m": operation.accuracy_m,
            "missing_grids": operation.missing_grids,
            "_pipeline": operation.pipeline,
            "_ground": _ground(source, units[0]),
            "_period": 360.0 if units[1] == "degree" else 0.0,
        }
        for name, value in values.items():
            object.__setattr__(self, name, value)

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
        return _transform(self._pipeline, *_points(east, north))

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
        values = _interpolate(self._exact, first, second, self._ground.spacing)
        jacobians: Array = np.ascontiguousarray(values[:4].T).reshape(-1, 2, 2)
        return jacobians, np.arctan2(values[4], values[5])

    def _exact(self, east: Array, north: Array) -> Array:
        """J and grid north at points without a lattice, rows as in `_frame`."""
        step = _STEP * self._ground.spacing
        first, second = _stencil(east, north, step)
        target = np.stack(_transform(self._pipeline, first, second))
        ground = self._ground.slopes(first, second, step)
        return _frame(ground, _differences(target, self._period) / step, self._ground.north)


def _find_operation(source: CRS, target: CRS, bounds: Bounds | None, where: str) -> _Operation:
    """Operation between two horizontal CRSs: none for the same one, a refusal for a local one with another."""
    if same_crs(source, target):
        return _Operation("", "none: the same CRS", 0.0)
    if _unbound(source).is_engineering or _unbound(target).is_engineering:
        what = f"nothing says how the local CRS among {source.name!r} and {target.name!r} lies in the other"
        remedy = "bring structures and surface into one CRS, or state the projected CRS that the local one was cut from"
        raise _refusal(where, what, "the same local CRS for both", remedy)
    return _choose_operation(source, target, _area(source, bounds), where)


def _points(east: Array, north: Array) -> tuple[Array, Array]:
    """Two contiguous float64 copies of one length; both NaN where one is NaN or infinite."""
    first, second = np.array(east, dtype=np.float64), np.array(north, dtype=np.float64)
    if first.ndim != 1 or first.shape != second.shape:
        raise ValueError(f"east and north must be (n,) arrays of one length, not {first.shape} and {second.shape}")
    return _transform("", first, second)


# ---------------------------------------------------------------- hints


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
    if not finite.any() or not _unbound(horizontal(crs)).is_projected:
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


def _count_inside(east: Array, north: Array, bounds: Bounds) -> int:
    west, south, east_end, north_end = bounds
    return int(np.sum((east >= west) & (east <= east_end) & (north >= south) & (north <= north_end)))
