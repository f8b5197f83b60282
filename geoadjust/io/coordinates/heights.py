"""Vertical datums: named, compared, and the shift of heights from one to another by PROJ; never an unchanged height
that nobody vouches for.

PROJ leaves a height as it is, without a word, where it knows no way between two datums and may use a ballpark. So a
ballpark is never allowed here, and an operation without a vertical step between two different datums is refused.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from pyproj import CRS
from pyproj.crs import CompoundCRS

from geoadjust.io.coordinates.crs import horizontal, read_crs, refusal, unbound, vertical_name_of, vertical_part
from geoadjust.io.coordinates.operations import Bounds, Operation, choose_operation, transformer

Array = NDArray[np.float64]

_CODE = re.compile(r"\w+:\S+")
_VERTICAL_STEPS = ("geogoffset", "vertoffset", "vgridshift", "gridshift", "affine", "xyzgridshift", "helmert")
_REMEDY = 'bring all heights to one vertical datum, or state the right one: vertical_datum = "EPSG:..."'


@dataclass(frozen=True, slots=True)
class HeightShift:
    """What is added to the heights of a surface to bring them to the datum of the run.

    Parameters
    ----------
    operation : its pipeline takes the structures' east, north and a height; '' leaves heights as they are
    unit : metres per unit of height after it
    """

    operation: Operation
    unit: float = 1.0

    @property
    def description(self) -> str:
        """What PROJ calls the operation, and how well it is known; '' where nothing is shifted."""
        known, found = self.operation.accuracy_m, self.operation.description
        if not self.operation.pipeline:
            return ""
        return f"{found}, {f'accuracy {known:g} m' if np.isfinite(known) else 'accuracy not stated'}"

    def at(self, east: Array, north: Array) -> Array:
        """The shift [m] at places (n,) of the structures' CRS; NaN where the operation does not reach.

        It is that of a height of 0. Within a ring it is taken as one value: a geoid that falls 50 mm per km changes by
        0.1 mm over 2 m.
        """
        if not self.operation.pipeline:
            return np.zeros(len(east))
        heights = transformer(self.operation.pipeline).transform(east, north, np.zeros(len(east)))[2]
        return np.where(np.isfinite(heights), np.asarray(heights) * self.unit, np.nan)


NO_SHIFT = HeightShift(Operation("", "", 0.0))


def datum_text_of(crs: CRS) -> str:
    """The vertical part of a CRS as a text that can be read again: its code, else WKT; '' without one.

    Examples
    --------
    >>> datum_text_of(CRS("EPSG:2263+6360")), datum_text_of(CRS("EPSG:2263"))
    ('EPSG:6360', '')
    """
    part = vertical_part(crs)
    if part is None:
        return ""
    code = part.to_authority(min_confidence=100)
    return ":".join(code) if code else str(part.to_wkt())


def datum_name(text: str, *, where: str = "vertical_datum") -> str:
    """Name of a vertical datum given by code, WKT or name.

    Raises
    ------
    InputError
        A code or a CRS that cannot be read, or one without heights.

    Examples
    --------
    >>> datum_name("EPSG:5703"), datum_name("the town's own")
    ('North American Vertical Datum 1988', "the town's own")
    """
    crs = _read(text, where)
    return text if crs is None else str(vertical_name_of(crs))


def _read(text: str, where: str) -> CRS | None:
    """The CRS that a text stands for; None for a plain name."""
    if not (_CODE.fullmatch(text) or "[" in text):
        return None
    crs = read_crs(text, where=where)
    if vertical_part(crs) is None:
        raise refusal(where, f"{crs.name!r} has no heights", "a vertical CRS, for example EPSG:5703", _REMEDY)
    return crs


def find_shift(place_crs: CRS, source: str, target: str, bounds: Bounds | None, *, where: str) -> HeightShift:
    """How heights go from one vertical datum to another at places of a CRS.

    Parameters
    ----------
    place_crs : of the structures; its vertical part is ignored
    source, target : codes, WKT or names of vertical datums; '' = not stated, taken as the other one
    bounds : of all structures, in their CRS

    Raises
    ------
    InputError
        PROJ has no operation that is no ballpark, or lacks its grid; a datum known by name alone
    """
    if not source or not target or _bare(datum_name(source, where=where)) == _bare(datum_name(target, where=where)):
        return NO_SHIFT
    before, after = (_read(text, where) for text in (source, target))
    names = [datum_name(text, where=where) for text in (source, target)]
    if before is None or after is None:
        raise refusal(where, f"nothing says how {names[0]!r} and {names[1]!r} go together", "codes", _REMEDY)
    flat = horizontal(place_crs, where=where)
    if unbound(flat).is_engineering:
        what = f"{names[0]!r} and {names[1]!r} cannot be compared at places of the local CRS {flat.name!r}"
        raise refusal(where, what, "one vertical datum", _REMEDY)
    ends = _joined(flat, before, where), _joined(flat, after, where)
    operation = choose_operation(*ends, bounds, where, stated=_REMEDY)
    if not any(f"proj={step}" in operation.pipeline for step in _VERTICAL_STEPS):
        what = f"PROJ's operation from {names[0]!r} to {names[1]!r} ({operation.description}) leaves heights unchanged"
        raise refusal(where, what, "one vertical datum", _REMEDY)
    return HeightShift(operation, after.axis_info[-1].unit_conversion_factor)


def _base_name(crs: CRS) -> str:
    base = crs.geodetic_crs or crs
    return _bare(base.name if base.datum is None else base.datum.name)


def _bare(name: str) -> str:
    """Name of a datum; WKT of the first version has no ensembles, only the name of one."""
    return name.removesuffix(" ensemble")


def _joined(flat: CRS, heights: CRS, where: str) -> CRS:
    """A CRS of places and heights."""
    part = vertical_part(heights)
    assert part is not None
    if part.is_vertical:
        return CompoundCRS(f"{flat.name} + {part.name}", [flat, part])
    places, upright = (_base_name(crs) for crs in (flat, part))
    if places != upright:
        what = f"ellipsoidal heights on {upright!r} beside places on {places!r}"
        raise refusal(where, what, "ellipsoidal heights on the datum of the structures' CRS", _REMEDY)
    return flat.to_3d()
