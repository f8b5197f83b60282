"""Readings that a crew took on prepared bearings, from a table: one line per reading, or one line per structure.

One line per reading has `reading` beside `clock`, `station` or `azimuth`. One line per structure has a column for each
place on the clock: `reading_12`, `reading_3`, `reading_1_30`. What holds for the whole structure (reference, casting
height and so on) may stand on any of its lines, and must be the same where it stands on several.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from geoadjust.core.measured import ROADS
from geoadjust.errors import Fault, InputError
from geoadjust.io.intake.field_tables import FieldTable, Line
from geoadjust.units import parse_length

STATIONS = 16
MOST_STATIONS = 32
ZEROS = ("mark", "outlet")
_CLOCK = re.compile(r"(\d{1,2})(?:[:_.]([0-5]\d))?")
_WIDE = re.compile(r"reading_(\d{1,2})(?:_([0-5]\d))?")


@dataclass(frozen=True, slots=True)
class FieldColumn:
    """A column of a table from the field: name, what stands in it, meaning, and limits of a length [m]."""

    name: str
    holds: str
    help: str
    low: float = 0.0
    high: float = 10.0


COLUMNS: tuple[FieldColumn, ...] = (
    FieldColumn("id", "text", "id of the structure, as in the set"),
    FieldColumn("row", "count", "row of the set; needed where an id stands in several rows"),
    FieldColumn("reading", "length", "from the bar's underside down to the bearing", 0.01, 3.0),
    FieldColumn("clock", "clock", "where it was read: 12 is the clock's zero, 3 a quarter turn clockwise; 1:30"),
    FieldColumn("station", "count", "the same as a station of the plan: 1 is on the mark, clockwise"),
    FieldColumn("stations", "count", "how many stations there are all round; blank = 16"),
    FieldColumn("azimuth", "angle", "the same in degrees clockwise from grid north"),
    FieldColumn("reading_12", "length", "reading at 12 o'clock; likewise reading_3, reading_1_30 and so on", 0.01, 3.0),
    FieldColumn("radius", "length", "distance of the readings from the opening's centre", 0.05, 2.0),
    FieldColumn("clock_zero", "word", "what 12 o'clock is: mark (blank means this) or outlet"),
    FieldColumn("outlet_azimuth", "angle", "direction of the outlet pipe, degrees clockwise from grid north"),
    FieldColumn("reference", "word", "road that the bar lay on: existing, milled or finished"),
    FieldColumn("to_come", "length", "finished road above that road at the centre; blank = as planned", -0.5, 0.6),
    FieldColumn("casting_height", "length", "measured: top plane to the flange's underside", 0.025, 1.0),
    FieldColumn("flange_outside_diameter", "length", "measured, of a round flange", 0.05, 3.0),
    FieldColumn("by", "text", "who read"),
    FieldColumn("taken_at", "text", "date and time, as written"),
    FieldColumn("note", "text", "remark, kept"),
)
_NAMED = {column.name: column for column in COLUMNS}
SHARED = (
    *("radius", "clock_zero", "outlet_azimuth", "reference", "to_come", "casting_height", "flange_outside_diameter"),
    *("by", "taken_at", "note"),
)
"""Columns that hold for all readings of a structure."""


@dataclass(frozen=True, slots=True)
class Station:
    """One reading: turn [rad], clockwise from the mark or (`grid`) from grid north, and depth [m]."""

    turn: float
    grid: bool
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
    reader = _Reader(table.path, unit)
    groups: dict[tuple[str, int | None], list[Line]] = {}
    for line in table.lines:
        name, row = line.cells.get("id", ""), reader.count(line, "row", 0, 10**9)
        if not name and row is None:
            reader.fault(line, "id", "blank", remedy="write the structure's id, or its row")
            continue
        groups.setdefault((name, row), []).append(line)
    taken = [_taken(reader, name, row, lines) for (name, row), lines in groups.items()]
    if not taken and not reader.faults:
        reader.faults.append(Fault(table.path, "no readings", remedy="write one line per reading, with an id"))
    if reader.faults:
        raise InputError(reader.faults)
    return taken, [name for name in table.headings if name and name not in _NAMED and not _WIDE.fullmatch(name)]


def _taken(reader: _Reader, name: str, row: int | None, lines: list[Line]) -> Taken:
    found = Taken(name, row, lines[0].number)
    shared = {column: reader.same(lines, column) for column in SHARED}
    for column in ("radius", "to_come", "casting_height", "flange_outside_diameter"):
        line, text = shared[column]
        setattr(found, column, reader.length(line, column, text))
    for column in ("by", "taken_at", "note"):
        setattr(found, column, shared[column][1])
    found.reference = reader.word(*shared["reference"], "reference", ROADS)
    zero = _zero(reader, shared, lines)
    for line in lines:
        found.stations += _stations(reader, line, zero)
    _check(reader, found, lines[0])
    return found


def _check(reader: _Reader, found: Taken, line: Line) -> None:
    if not found.stations:
        reader.fault(line, "reading", "no reading", remedy="write the depth below the bar, at three stations at least")
    elif math.isnan(found.radius):
        remedy = "write how far from the opening's centre the readings were taken"
        reader.fault(line, "radius", "missing", "a length", remedy)
    if len(found.stations) > MOST_STATIONS:
        reader.fault(line, "reading", f"{len(found.stations)} readings of one structure", f"{MOST_STATIONS} at most")


def _zero(reader: _Reader, shared: Mapping[str, tuple[Line, str]], lines: list[Line]) -> float | None:
    """Azimuth of 12 o'clock from grid north [rad]; None where it is the mark."""
    line, text = shared["clock_zero"]
    if reader.word(line, text, "clock_zero", ZEROS) != "outlet":
        return None
    line, text = shared["outlet_azimuth"]
    if not text:
        reader.fault(line, "outlet_azimuth", "missing, and the clock's zero is the outlet", "degrees from grid north")
        return None
    return math.radians(reader.degrees(line, "outlet_azimuth", text))


def _stations(reader: _Reader, line: Line, zero: float | None) -> list[Station]:
    found = []
    for name, text in line.cells.items():
        if match := _WIDE.fullmatch(name):
            found.append(_at_clock(reader, line, name, text, match, zero))
    if "reading" not in line.cells:
        return found
    depth = reader.length(line, "reading", line.cells["reading"])
    places = [name for name in ("clock", "station", "azimuth") if name in line.cells]
    if len(places) != 1:
        what = "no place" if not places else f"several places: {', '.join(places)}"
        reader.fault(line, "reading", what, "one of clock, station, azimuth")
        return found
    if places == ["azimuth"]:
        turn = math.radians(reader.degrees(line, "azimuth", line.cells["azimuth"]))
        return [*found, Station(turn, True, depth, line.number)]
    if places == ["station"]:
        count = reader.count(line, "stations", 3, 360) or STATIONS
        number = reader.count(line, "station", 1, count) or 1
        return [*found, Station(2 * math.pi * (number - 1) / count, False, depth, line.number)]
    match = _CLOCK.fullmatch(line.cells["clock"].lower().removesuffix("o'clock").strip())
    return [*found, _at_clock(reader, line, "clock", line.cells["reading"], match, zero, depth)]


def _at_clock(
    reader: _Reader,
    line: Line,
    name: str,
    text: str,
    match: re.Match[str] | None,
    zero: float | None,
    depth: float | None = None,
) -> Station:
    if depth is None:
        depth = reader.length(line, name, text, _NAMED["reading"])
    if match is None or not 1 <= int(match[1]) <= 12:
        reader.fault(line, name, f"{line.cells.get(name, name)!r} is no place on a clock", "1 to 12, 1:30, 10:30")
        return Station(0.0, False, depth, line.number)
    turn = math.radians((int(match[1]) % 12) * 30 + int(match[2] or 0) / 2)
    return Station(turn + (zero or 0.0), zero is not None, depth, line.number)


class _Reader:
    """Reads cells and keeps what is wrong with them."""

    def __init__(self, path: str, unit: str) -> None:
        self.path, self.unit = path, unit
        self.faults: list[Fault] = []

    def fault(self, line: Line, column: str, what: str, allowed: str = "", remedy: str = "") -> None:
        self.faults.append(Fault(f"{self.path}, line {line.number}, {column}", what, allowed, remedy))

    def same(self, lines: list[Line], column: str) -> tuple[Line, str]:
        """The one text of a column over the lines of a structure, with the line on which it stands."""
        stated = [line for line in lines if column in line.cells]
        if not stated:
            return lines[0], ""
        first = stated[0]
        for line in stated[1:]:
            if line.cells[column] != first.cells[column] and column not in ("by", "taken_at", "note"):
                what = f"{line.cells[column]!r}, but {first.cells[column]!r} on line {first.number}"
                self.fault(line, column, what, remedy="one structure has one of it")
        return first, first.cells[column]

    def length(self, line: Line, column: str, text: str, limits: FieldColumn | None = None) -> float:
        """Metres; NaN where blank or wrong."""
        limits = limits or _NAMED[column]
        if not text:
            return math.nan
        try:
            found = float(parse_length(text, self.unit or None))
        except ValueError as error:
            self.fault(line, column, str(error))
            return math.nan
        if not limits.low <= found <= limits.high:
            self.fault(line, column, f"{text!r} is not plausible", f"{limits.low:g} m to {limits.high:g} m")
        return found

    def word(self, line: Line, text: str, column: str, words: Iterable[str]) -> str:
        """One of the words; '' where blank or wrong."""
        text = text.lower()
        if text and text not in words:
            self.fault(line, column, f"{text!r}", ", ".join(words))
            return ""
        return text

    def degrees(self, line: Line, column: str, text: str) -> float:
        return self._number(line, column, text.removesuffix("°").strip(), float, -360, 360) or 0.0

    def count(self, line: Line, column: str, low: int, high: int) -> int | None:
        """A whole number; None where blank or wrong."""
        text = line.cells.get(column, "")
        return self._number(line, column, text, int, low, high) if text else None

    def _number(
        self, line: Line, column: str, text: str, kind: Callable[[str], Any], low: float, high: float
    ) -> Any | None:
        try:
            found = kind(text)
        except ValueError:
            found = math.nan
        if not low <= found <= high:
            self.fault(line, column, f"{text!r}", f"{low:g} to {high:g}")
            return None
        return found
