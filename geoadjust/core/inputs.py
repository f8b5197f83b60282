"""What a layer of structures may say: our column names, how their values are read, and what is plausible.

Groups: `text` and `word` are read as they are; `height` numbers are in the structures' vertical unit, `dimension`
numbers in their dimension unit; `angle` in degrees; `yes_no` as 1/0, yes/no, true/false. Text with a unit is read
in any group of lengths. A value outside the limits (SI) is left out and flagged.
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


def _diameter(name: str, help: str, used: bool = True) -> InputColumn:
    return InputColumn(name, "dimension", help, 0.05, 3.0, used=used)


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
    InputColumn("measure_down", "height", "depth of the bearing below measure_down_from", -10.0, 100.0),
    InputColumn("measure_down_from", "word", "what measure_down is measured from", words=REFERENCES),
    InputColumn("casting_height", "dimension", "top plane to the flange's underside", 0.025, 1.0),
    InputColumn("new_casting_height", "dimension", "the same of the casting that takes its place", 0.025, 1.0),
    _diameter("frame_top_diameter", "iron at the road's level"),
    _diameter("flange_outside_diameter", "what the chimney carries"),
    InputColumn("axis", "angle", "street direction, degrees clockwise from grid north", -360.0, 360.0),
    InputColumn("existing_chimney", "dimension", "height between bearing and flange today, with joints", 0.0, 5.0),
    InputColumn("riser_present", "yes_no", "a riser is on the frame"),
    InputColumn("chimney_condition", "word", "condition of the chimney", words=CONDITIONS),
    InputColumn("mill", "dimension", "milling depth at this structure", 0.0, 0.6),
    InputColumn("overlay", "dimension", "overlay thickness at this structure", 0.0, 0.6),
    InputColumn("owner", "text", "whose structure it is"),
    InputColumn("note", "text", "remark, kept"),
    _diameter("flange_inside_diameter", "inside of the flange", used=False),
    _diameter("ridge_diameter", "what hangs below the flange", used=False),
    _diameter("bearing_outside_diameter", "outside of the bearing", used=False),
    _diameter("bearing_inside_diameter", "inside of the bearing", used=False),
    InputColumn("frame_azimuth", "angle", "direction of a rectangular frame", -360.0, 360.0, used=False),
    InputColumn("existing_rings", "text", "rings between bearing and flange today", used=False),
    InputColumn("depth", "height", "depth of the structure to the invert", 0.0, 100.0, used=False),
    InputColumn("barrel_diameter", "dimension", "inside of the barrel", 0.2, 10.0, used=False),
)

INPUT_NAMES: tuple[str, ...] = tuple(column.name for column in INPUT_COLUMNS)
INPUTS: dict[str, InputColumn] = {column.name: column for column in INPUT_COLUMNS}
