"""Coordinate reference systems: read, taken apart and compared.

Nothing is repaired: a CRS or unit that cannot be used is refused with what to write instead. PROJ never asks the
network.
"""

from __future__ import annotations

import math
from typing import Any

import pyproj.network
from pyproj import CRS
from pyproj.exceptions import CRSError

from geoadjust.errors import Fault, InputError
from geoadjust.units import UNITS

pyproj.network.set_network_enabled(False)  # type: ignore[attr-defined]  # its stub hides the name

LENGTH_UNITS = ("m", "ft", "us-ft")

_UNIT_SLACK = 1e-7  # files truncate 1200/3937; foot and US survey foot lie 2e-6 apart
_EXAMPLES = "EPSG code such as EPSG:32617 or EPSG:2263+6360, WKT, PROJJSON or PROJ string"


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
        raise refusal(where, f"{text!r} names no authority", _EXAMPLES, f'write "EPSG:{text}" if that is what is meant')
    if "\0" in text or "init=" in text.lower().replace(" ", ""):
        raise refusal(where, f"cannot use {_shown(text)}", _EXAMPLES, 'write the code alone, such as "EPSG:32617"')
    try:
        return CRS.from_user_input(text)
    except (CRSError, ValueError) as error:
        remedy = "write the CRS of these coordinates, from the survey's or the raster's metadata"
        raise refusal(where, f"{_shown(text)} is not a known CRS", _EXAMPLES, remedy) from error


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
    whole = unbound(crs) if unbound(crs).is_compound else crs
    part = whole.sub_crs_list[0] if whole.is_compound else whole
    bare = unbound(part)
    mappable = bare.is_projected or bare.is_engineering or (bare.is_geographic and not bare.is_geocentric)
    if not mappable or bare.type_name.startswith("Derived"):
        what = f"{crs.name!r} ({bare.type_name}) has no east and north that can be used"
        raise refusal(where, what, "projected, geographic or local CRS", "state the CRS of the east and north columns")
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
    part = vertical_part(crs)
    if part is None:
        return None
    axis = part.axis_info[-1]
    if axis.direction != "up":
        what = f"heights of {part.name!r} count {axis.direction}"
        raise refusal(where, what, "heights that count up", "convert the depths to elevations and state their CRS")
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
    part = vertical_part(crs)
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
        raise refusal(where, what, "one unit for east and north", "convert the coordinates to a CRS with one unit")
    if not unbound(flat).is_geographic:
        return _length_unit(first.unit_conversion_factor, first.unit_name, where)
    if math.isclose(first.unit_conversion_factor, math.pi / 180, rel_tol=_UNIT_SLACK):
        return "degree"
    what = f"{flat.name!r} is in {first.unit_name}"
    raise refusal(where, what, "degree for longitude and latitude", "convert the coordinates to degrees or metres")


def same_crs(a: CRS, b: CRS) -> bool:
    """Whether two CRSs have the same east and north; axis order, vertical part and attached datum shifts ignored.

    Examples
    --------
    >>> same_crs(CRS("EPSG:2263+6360"), CRS("EPSG:2263")), same_crs(CRS("EPSG:4326"), CRS("OGC:CRS84"))
    (True, True)
    >>> same_crs(CRS("EPSG:32617"), CRS("EPSG:26917"))
    False
    """
    first, second = unbound(horizontal(a)), unbound(horizontal(b))
    if first.equals(second, ignore_axis_order=True):
        return True
    return _east_first(first).equals(_east_first(second), ignore_axis_order=True)


def refusal(where: str, what: str, allowed: str, remedy: str) -> InputError:
    return InputError(Fault(where, what, allowed, remedy))


def _shown(text: str) -> str:
    """The text in quotes, cut to a length that fits a message and with what cannot be printed escaped."""
    return repr(text if len(text) <= 60 else text[:57] + "...")


def unbound(crs: CRS) -> CRS:
    """The CRS itself where a datum shift (TOWGS84) is attached to it."""
    return crs.source_crs if crs.is_bound and crs.source_crs is not None else crs


def vertical_part(crs: CRS) -> CRS | None:
    """The part that carries the height: of a compound its last, a vertical or three-dimensional CRS itself, or None."""
    whole = unbound(crs)
    if whole.is_compound:
        return unbound(whole.sub_crs_list[-1])
    upright = whole.is_vertical or (len(whole.axis_info) == 3 and not whole.is_geocentric)
    return whole if upright else None


def _length_unit(metres: float, name: str, where: str) -> str:
    """Name of the length unit that has this many metres."""
    for unit in LENGTH_UNITS:
        if math.isclose(metres, float(UNITS[unit]), rel_tol=_UNIT_SLACK):
            return unit
    what = f"the unit is {name} ({metres:.12g} m)"
    raise refusal(
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
