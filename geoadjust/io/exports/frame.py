"""In what CRS, unit and vertical datum the places of a set stand."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from pyproj import CRS

from geoadjust.io.coordinates.crs import horizontal_unit_of, read_crs, vertical_unit_of
from geoadjust.io.coordinates.heights import datum_name, datum_text_of
from geoadjust.io.exports.tables import run_facts
from geoadjust.io.results.whole import WholeSet

WHERE = "structures.crs"


@dataclass(frozen=True, slots=True)
class SetFrame:
    """Where a set's places are.

    Parameters
    ----------
    crs : of the structures
    text : the same, as the set states it
    unit : of east and north: m, ft, us-ft or degree
    height_unit : that elevations are exported in: m, ft or us-ft
    datum : name of their vertical datum; '' where none is stated
    """

    crs: CRS
    text: str
    unit: str
    height_unit: str
    datum: str


def frame_of(whole: WholeSet, height_unit: str = "") -> SetFrame:
    """The frame of a set.

    Parameters
    ----------
    height_unit : asked for; '' = that of the structures' CRS, else of their elevations, else of the road, in which
        the sources have them

    Raises
    ------
    InputError
        a CRS with a unit that cannot be used
    """
    facts = run_facts(whole)
    text = str(facts.get("structures_crs") or whole.crs)
    crs = read_crs(text, where=WHERE)
    table: Mapping[str, Any] = facts["settings"]["structures"]
    roads = whole.record["sources"]["surfaces"]
    stated = [vertical_unit_of(crs, where=WHERE), table["vertical_unit"], *(road["vertical_unit"] for road in roads)]
    shown = "m" if whole.units == "metric" else whole.foot
    datums = [table["vertical_datum"] or datum_text_of(crs), *(road["vertical_datum"] for road in roads)]
    datum = next((each for each in datums if each), "")
    unit = height_unit or next((each for each in stated if each), shown)
    return SetFrame(crs, text, horizontal_unit_of(crs, where=WHERE), unit, datum_name(datum) if datum else "")
