"""Readings that a crew took on prepared bearings, from a table: one line per reading, or one line per structure.

One line per reading has `reading` beside `clock`, `station` or `azimuth`. One line per structure has a column for each
place on the clock: `reading_12`, `reading_3`, `reading_1_30`. What holds for the whole structure (reference, casting
height and so on) may stand on any of its lines, and must be the same where it stands on several.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field

from geoadjust.core.measured import ROADS
from geoadjust.io.intake.field_cells import REMARKS, WHERE, WHICH, ZERO, FieldColumn, FieldReader, Place
from geoadjust.io.intake.field_tables import FieldTable, Line

MOST_STATIONS = 32
_WIDE = re.compile(r"reading_(\d{1,2}(?:_[0-5]\d)?)")

COLUMNS: tuple[FieldColumn, ...] = (
    *WHICH,
    FieldColumn("reading", "length", "from the bar's underside down to the bearing", 0.01, 3.0),
    *WHERE,
    FieldColumn("reading_12", "length", "reading at 12 o'clock; likewise reading_3, reading_1_30 and so on", 0.01, 3.0),
    FieldColumn("radius", "length", "distance of the readings from the opening's centre", 0.05, 2.0),
    *ZERO,
    FieldColumn(
        "reference", "word", "road that the bar lay on. Blank only where nothing is milled or laid", words=ROADS
    ),
    FieldColumn("to_come", "length", "finished road above that road at the centre; blank = as planned", -0.5, 0.6),
    FieldColumn("casting_height", "length", "measured: top plane to the flange's underside", 0.025, 1.0),
    FieldColumn("flange_outside_diameter", "length", "measured, of a round flange", 0.05, 3.0),
    FieldColumn("by", "text", "who read"),
    FieldColumn("taken_at", "text", "date and time, as written"),
    *REMARKS,
)
LENGTHS = ("radius", "to_come", "casting_height", "flange_outside_diameter")
TEXTS = ("by", "taken_at", "note")
SHARED = (*LENGTHS, "clock_zero", "outlet_azimuth", "reference")
"""Columns that hold for all readings of a structure."""


@dataclass(frozen=True, slots=True)
class Station:
    """One reading: where, depth [m], and line of the table."""

    place: Place
    depth: float
    line: int


@dataclass(slots=True)
class Taken:
    """All that was read at one structure. Lengths in metres, NaN = not stated; texts '' = not stated."""

    id: str
    row: int | None
    line: int
    stations: list[Station] = field(default_factory=list)
    radius: float = math.nan
    reference: str = ""
    to_come: float = math.nan
    casting_height: float = math.nan
    flange_outside_diameter: float = math.nan
    by: str = ""
    taken_at: str = ""
    note: str = ""


def take_readings(table: FieldTable, *, unit: str = "") -> tuple[list[Taken], list[str]]:
    """Readings by structure, in the order of their first lines; and the columns that were not read.

    Parameters
    ----------
    table : as it was read
    unit : of bare numbers: mm, in, ft ...; '' = every length has its own

    Raises
    ------
    InputError
        with every fault of the table: line, column, what is allowed
    """
    reader = FieldReader(table.path, COLUMNS, unit)
    taken = [_taken(reader, name, row, lines) for (name, row), lines in reader.groups(table).items()]
    reader.finish(taken, "readings")
    return taken, reader.ignored(table, _WIDE)


def _taken(reader: FieldReader, name: str, row: int | None, lines: list[Line]) -> Taken:
    found = Taken(name, row, lines[0].number)
    shared = {column: reader.same(lines, column) for column in SHARED}
    for column in LENGTHS:
        line, text = shared[column]
        setattr(found, column, reader.length(line, column, text))
    for column in TEXTS:
        setattr(found, column, reader.same(lines, column, strict=False)[1])
    found.reference = reader.word(*shared["reference"], "reference")
    zero = reader.clock_zero(shared)
    for line in lines:
        found.stations += _stations(reader, line, zero)
    _check(reader, found, lines[0])
    return found


def _check(reader: FieldReader, found: Taken, line: Line) -> None:
    if not found.stations:
        reader.fault(line, "reading", "no reading", remedy="write the depth below the bar, at three stations at least")
    elif math.isnan(found.radius):
        remedy = "write how far from the opening's centre the readings were taken"
        reader.fault(line, "radius", "missing", "a length", remedy)
    if len(found.stations) > MOST_STATIONS:
        reader.fault(line, "reading", f"{len(found.stations)} readings of one structure", f"{MOST_STATIONS} at most")


def _stations(reader: FieldReader, line: Line, zero: float | None) -> list[Station]:
    found = []
    for name, text in line.cells.items():
        if match := _WIDE.fullmatch(name):
            depth = reader.length(line, name, text, reader.columns["reading"])
            found.append(Station(reader.at_clock(line, name, match[1], zero), depth, line.number))
    if "reading" in line.cells:
        depth = reader.length(line, "reading", line.cells["reading"])
        place = reader.place(line, "reading", zero)
        found += [Station(place, depth, line.number)] if place else []
    return found
