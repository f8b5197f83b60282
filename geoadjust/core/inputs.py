"""What a layer of structures may say: our column names, how their values are read, and what is plausible.

Groups: `text` and `word` are read as they are; `height` numbers are in the structures' vertical unit, `dimension`
numbers in their dimension unit; `angle` in degrees; `yes_no` as 1/0, yes/no, true/false. Text with a unit is read
in any group of lengths. `size` is a dimension, or WIDTHxLENGTH of a rectangle; `slope` in per cent, `count` a whole
number. A value outside the limits (SI) is left out and flagged.
"""

from __future__ import annotations

from dataclasses import dataclass

from geoadjust.core.columns import CONDITIONS, KINDS, REFERENCES


@dataclass(frozen=True, slots=True)
class InputColumn:
    """One column that a layer of structures may have."""

    name: str
    group: str
    help: str
    low: float = float("-inf")
    high: float = float("inf")
    words: tuple[str, ...] = ()
    used: bool = True


def _diameter(name: str, help: str, low: float = 0.05) -> InputColumn:
    return InputColumn(name, "dimension", help, low, 3.0)


def _size(name: str, help: str) -> InputColumn:
    return InputColumn(name, "size", help, 0.05, 3.0)


INPUT_COLUMNS: tuple[InputColumn, ...] = (
    InputColumn("id", "text", "name of the structure, kept as text"),
    InputColumn("easting", "position", "CSV only: easting or longitude"),
    InputColumn("northing", "position", "CSV only: northing or latitude"),
    InputColumn("kind", "word", "kind of structure", words=KINDS),
    InputColumn("street", "text", "street name"),
    InputColumn("casting", "text", "today's casting, a name of the catalogue"),
    InputColumn("new_casting", "text", "casting that takes its place, a name of the catalogue"),
    InputColumn("rim", "height", "rim elevation at the cover's centre", -500.0, 9000.0),
    InputColumn("gap", "dimension", "cover minus road, measured on site; plus = PROUD", -0.3, 0.3),
    InputColumn("bearing", "height", "elevation of the prepared bearing", -500.0, 9000.0),
    InputColumn("bearing_slope", "slope", "slope of the bearing; blank = level", 0.0, 0.3),
    InputColumn("bearing_uphill", "angle", "direction in which the bearing rises", -360.0, 360.0),
    InputColumn("measure_down", "height", "depth of the bearing below measure_down_from", -10.0, 100.0),
    InputColumn("measure_down_from", "word", "what measure_down is measured from", words=REFERENCES),
    InputColumn("casting_height", "dimension", "top plane to the flange's underside", 0.025, 1.0),
    InputColumn("new_casting_height", "dimension", "the same of the casting that takes its place", 0.025, 1.0),
    _size("frame_top_diameter", "iron at the road's level: a diameter, or WIDTHxLENGTH"),
    _size("flange_outside_diameter", "what the chimney carries: a diameter, or WIDTHxLENGTH"),
    InputColumn("frame_azimuth", "angle", "direction of a rectangular frame's length", -360.0, 360.0),
    _diameter("flange_inside_diameter", "inside of the flange"),
    _diameter("ridge_diameter", "what hangs below the flange; 0 = nothing does", 0.0),
    _diameter("bearing_outside_diameter", "outside of the bearing"),
    _diameter("bearing_inside_diameter", "inside of the bearing"),
    _diameter("seat_diameter", "seat of the cover in the frame"),
    InputColumn("floating", "yes_no", "the casting is borne by the pavement, not by a chimney"),
    InputColumn("travel", "dimension", "how far a valve's sliding top section can still be drawn up", 0.0, 2.0),
    InputColumn("axis", "angle", "street direction, degrees clockwise from grid north", -360.0, 360.0),
    InputColumn("existing_chimney", "dimension", "height between bearing and flange today, with joints", 0.0, 5.0),
    InputColumn("existing_rings", "count", "number of rings between bearing and flange today", 0.0, 50.0),
    InputColumn("riser_present", "yes_no", "a riser is on the frame"),
    InputColumn("chimney_condition", "word", "condition of the chimney", words=CONDITIONS),
    InputColumn("mill", "dimension", "milling depth at this structure", 0.0, 0.6),
    InputColumn("overlay", "dimension", "overlay thickness at this structure", 0.0, 0.6),
    InputColumn("paved", "yes_no", "the structure lies in the paving; blank = told by the paving areas, else yes"),
    InputColumn("pedestrian", "yes_no", "the structure lies in a pedestrian route"),
    InputColumn(
        "crown_offset", "height", "distance from the street's crown line, plus = right of the axis", -50.0, 50.0
    ),
    InputColumn("owner", "text", "whose structure it is"),
    InputColumn("note", "text", "remark, kept"),
    InputColumn("depth", "height", "depth of the structure to the invert", 0.0, 100.0, used=False),
    InputColumn("barrel_diameter", "dimension", "inside of the barrel", 0.2, 10.0, used=False),
)

INPUT_NAMES: tuple[str, ...] = tuple(column.name for column in INPUT_COLUMNS)
INPUTS: dict[str, InputColumn] = {column.name: column for column in INPUT_COLUMNS}
