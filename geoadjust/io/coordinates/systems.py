"""What the CRS of a surface says, be it of the file or of the job; a contradiction is refused."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from geoadjust.core.rules import RoadTable
from geoadjust.errors import Fault
from geoadjust.io.coordinates.crs import (
    horizontal,
    horizontal_unit_of,
    read_crs,
    same_crs,
    vertical_unit_of,
)
from geoadjust.io.coordinates.heights import datum_name, datum_text_of


@dataclass(frozen=True, slots=True)
class System:
    """What a CRS says: itself, its horizontal part, the unit and the vertical CRS of heights ('' where it has none)."""

    crs: Any
    wkt: str
    unit: str
    vertical: str

    @property
    def datum(self) -> str:
        """Name of the vertical datum; '' where the CRS has no heights."""
        return datum_name(self.vertical) if self.vertical else ""


@lru_cache(maxsize=64)
def read_system(text: str, where: str) -> System:
    """What a CRS says, given as `read_crs` takes it."""
    crs = read_crs(text, where=where)
    return System(crs, horizontal(crs).to_wkt(), vertical_unit_of(crs) or "", datum_text_of(crs))


@lru_cache(maxsize=64)
def same_system(text: str, other: str, where: str) -> bool:
    """Whether two texts name the same horizontal CRS."""
    return text == other or same_crs(read_system(text, where).crs, read_system(other, where).crs)


def system_of(text: str, path: str, table: RoadTable, where: str) -> tuple[System | None, list[Fault]]:
    """CRS of a file, or of the job where the file states none.

    Parameters
    ----------
    text : the file's CRS; '' where it states none
    """
    place = f"{where}.crs"
    own = read_system(text, place) if text else None
    stated = read_system(table.crs, place) if table.crs else None
    if own is None and stated is None:
        return None, [Fault(place, f"{path} states no CRS", remedy='write crs = "EPSG:..."')]
    if own is not None and stated is not None and not same_system(text, table.crs, place):
        what = f"the job says {stated.crs.name}, {path} says {own.crs.name}"
        return own, [Fault(place, what, remedy="remove the job's crs, or mend the file's")]
    return own if own is not None else stated, []


def same_but_for_the_foot(crs: Any, other: Any) -> bool:
    """Whether two projected CRSs are one zone of one datum, one in US survey feet and one in international feet.

    >>> from pyproj import CRS
    >>> feet = CRS(CRS(2263).to_wkt().replace("US survey foot", "foot").replace("0.304800609601219", "0.3048"))
    >>> same_but_for_the_foot(CRS(2263), feet), same_but_for_the_foot(CRS(2263), CRS(2260))
    (True, False)
    """
    first, second = horizontal(crs), horizontal(other)
    if not (first.is_projected and second.is_projected):
        return False
    if {horizontal_unit_of(first), horizontal_unit_of(second)} != {"ft", "us-ft"}:
        return False
    return _zone(first) == _zone(second)


def _zone(crs: Any) -> tuple[Any, ...]:
    """Datum, method and angles of a projection; offsets are lengths, and differ by the foot."""
    operation = crs.coordinate_operation
    angles = [(each.name, round(each.value, 9)) for each in operation.params if "degree" in each.unit_name.lower()]
    return crs.geodetic_crs.datum.name, operation.method_name, *sorted(angles)


def unit_faults(unit: str, crs: Any, path: str, where: str) -> list[Fault]:
    """A file whose coordinates are in another unit than its CRS; `unit` is '' where the file states none."""
    if not unit or unit == (own := horizontal_unit_of(crs, where=where)):
        return []
    what = f"{path} has coordinates in {unit}, {crs.name} is in {own}"
    remedy = "state the CRS whose unit the file's coordinates have, or export the file in the CRS's unit"
    return [Fault(where, what, remedy=remedy)]


def vertical_unit_of_source(system: System | None, path: str, table: RoadTable, where: str) -> tuple[str, list[Fault]]:
    """Unit of a surface's heights, from its CRS or from the job."""
    own = system.unit if system is not None else ""
    place = f"{where}.vertical_unit"
    if own and table.vertical_unit and own != table.vertical_unit:
        what = f"the job says {table.vertical_unit}, the CRS of {path} says {own}"
        return own, [Fault(place, what, remedy="remove the job's, or mend the file's")]
    unit = own or table.vertical_unit
    if not unit:
        remedy = 'write vertical_unit = "m", "ft" or "us-ft": the unit of the surface\'s heights'
        return "", [Fault(place, f"missing, and {path} does not say it", "m, ft, us-ft", remedy)]
    return unit, []
