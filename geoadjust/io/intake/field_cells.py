"""Cells of tables from the field: lengths, words, counts, dates, and places round a cover; faults are kept, not raised.

A place is a clock hour, a station of the plan or an azimuth. The clock's zero is the mark or the outlet pipe.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from geoadjust.errors import Fault, InputError
from geoadjust.io.intake.field_tables import FieldTable, Line
from geoadjust.units import parse_length

STATIONS = 16
ZEROS = ("mark", "outlet")
PLACES = ("clock", "station", "azimuth")
"""Columns that say where round the cover something was measured."""
_CLOCK = re.compile(r"(\d{1,2})(?:[:_.]([0-5]\d))?")


@dataclass(frozen=True, slots=True)
class FieldColumn:
    """A column of a table from the field: name, what stands in it, meaning, and limits of a length [m]."""

    name: str
    holds: str
    help: str
    low: float = 0.0
    high: float = 10.0
    words: tuple[str, ...] = ()


WHICH = (
    FieldColumn("id", "text", "id of the structure, as in the set"),
    FieldColumn("row", "count", "row of the set; needed where an id stands in several rows"),
)
"""Columns that say which structure a line belongs to."""
WHERE = (
    FieldColumn("clock", "clock", "where it was measured: 12 is the clock's zero, 3 a quarter turn clockwise; 1:30"),
    FieldColumn("station", "count", "the same as a station of the plan: 1 is on the mark, clockwise"),
    FieldColumn("stations", "count", "how many stations there are all round; blank = 16"),
    FieldColumn("azimuth", "angle", "the same in degrees clockwise from grid north"),
)
ZERO = (
    FieldColumn("clock_zero", "word", "what 12 o'clock is; blank = the mark", words=ZEROS),
    FieldColumn("outlet_azimuth", "angle", "direction of the outlet pipe, degrees clockwise from grid north"),
)
REMARKS = (FieldColumn("note", "text", "remark, kept"),)


@dataclass(frozen=True, slots=True)
class Place:
    """A direction from the centre [rad], clockwise from the mark or (`grid`) from grid north."""

    turn: float
    grid: bool

    def azimuth(self, mark: float) -> float:
        """From grid north [rad]; `mark` is that of the structure."""
        return self.turn + (0.0 if self.grid else mark)


class FieldReader:
    """Reads cells and keeps what is wrong with them.

    Parameters
    ----------
    path : of the table, for faults
    columns : those that the table may have
    unit : of bare numbers: mm, in, ft ...; '' = every length has its own
    """

    def __init__(self, path: str, columns: Sequence[FieldColumn], unit: str = "") -> None:
        self.path, self.unit = path, unit
        self.columns = {column.name: column for column in columns}
        self.faults: list[Fault] = []

    def groups(self, table: FieldTable) -> dict[tuple[str, int | None], list[Line]]:
        """Lines by the structure that they name, in the order of their first lines; lines that name none are faults."""
        found: dict[tuple[str, int | None], list[Line]] = {}
        for line in table.lines:
            name, row = line.cells.get("id", ""), self.count(line, "row", 0, 10**9)
            if name or row is not None:
                found.setdefault((name, row), []).append(line)
            else:
                self.fault(line, "id", "blank", remedy="write the structure's id, or its row")
        return found

    def finish(self, found: Sequence[Any], what: str) -> None:
        """Tell every fault; a table without anything is one.

        Raises
        ------
        InputError
        """
        if not found and not self.faults:
            self.faults.append(Fault(self.path, f"no {what}", remedy="write one line at least, with an id"))
        if self.faults:
            raise InputError(self.faults)

    def ignored(self, table: FieldTable, wide: re.Pattern[str] | None = None) -> list[str]:
        """Headings that are no column of ours."""
        named = [name for name in table.headings if name and name not in self.columns]
        return [name for name in named if not (wide and wide.fullmatch(name))]

    def fault(self, line: Line, column: str, what: str, allowed: str = "", remedy: str = "") -> None:
        """Keep a fault of a cell."""
        self.faults.append(Fault(f"{self.path}, line {line.number}, {column}", what, allowed, remedy))

    def same(self, lines: Sequence[Line], column: str, *, strict: bool = True) -> tuple[Line, str]:
        """The one text of a column over some lines, with the line on which it stands; the first one if not strict."""
        stated = [line for line in lines if column in line.cells]
        if not stated:
            return lines[0], ""
        first = stated[0]
        for line in stated[1:]:
            if strict and line.cells[column] != first.cells[column]:
                what = f"{line.cells[column]!r}, but {first.cells[column]!r} on line {first.number}"
                self.fault(line, column, what, remedy="one structure has one of it")
        return first, first.cells[column]

    def length(self, line: Line, column: str, text: str, limits: FieldColumn | None = None) -> float:
        """Metres; NaN where blank or wrong."""
        limits = limits or self.columns[column]
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

    def elevation(self, line: Line, column: str, text: str, unit: str) -> float:
        """Metres above the datum; NaN where blank or wrong.

        Parameters
        ----------
        unit : of a bare number: m, ft or us-ft; '' = it has its own
        """
        try:
            return float(parse_length(text, unit or None)) if text else math.nan
        except ValueError as error:
            self.fault(line, column, str(error))
            return math.nan

    def word(self, line: Line, text: str, column: str, words: Iterable[str] = ()) -> str:
        """One of the words, of the column's where none are given; '' where blank or wrong."""
        text, words = text.lower(), tuple(words) or self.columns[column].words
        if text and text not in words:
            self.fault(line, column, f"{text!r}", ", ".join(words))
            return ""
        return text

    def day(self, line: Line, column: str) -> date | None:
        """A date as year-month-day; a time behind it is left out. None where blank or wrong."""
        text = line.cells.get(column, "")
        try:
            return date.fromisoformat(text[:10]) if text else None
        except ValueError:
            self.fault(line, column, f"{text!r} is no date", "year-month-day, for example 2026-05-04")
            return None

    def degrees(self, line: Line, column: str, text: str) -> float:
        """Degrees as written; 0 where wrong."""
        return self.number(line, column, text.removesuffix("°").strip(), float, -360, 360) or 0.0

    def count(self, line: Line, column: str, low: int, high: int) -> int | None:
        """A whole number; None where blank or wrong."""
        text = line.cells.get(column, "")
        return self.number(line, column, text, int, low, high) if text else None

    def number(
        self, line: Line, column: str, text: str, kind: Callable[[str], Any], low: float, high: float
    ) -> Any | None:
        """A bare number within limits; None where wrong."""
        try:
            found = kind(text)
        except ValueError:
            found = math.nan
        if not low <= found <= high:
            self.fault(line, column, f"{text!r}", f"{low:g} to {high:g}")
            return None
        return found

    def clock_zero(self, shared: Mapping[str, tuple[Line, str]]) -> float | None:
        """Azimuth of 12 o'clock from grid north [rad]; None where it is the mark."""
        line, text = shared["clock_zero"]
        if self.word(line, text, "clock_zero") != "outlet":
            return None
        line, text = shared["outlet_azimuth"]
        if not text:
            self.fault(line, "outlet_azimuth", "missing, and the clock's zero is the outlet", "degrees from grid north")
            return None
        return math.radians(self.degrees(line, "outlet_azimuth", text))

    def place(self, line: Line, subject: str, zero: float | None) -> Place | None:
        """Where something was measured; None, and a fault, where the line does not say it, or says it twice.

        Parameters
        ----------
        subject : column of what was measured there, for faults
        zero : see `clock_zero`
        """
        named = [name for name in PLACES if name in line.cells]
        if len(named) != 1:
            what = f"several places: {', '.join(named)}" if named else "no place"
            self.fault(line, subject, what, f"one of {', '.join(PLACES)}")
            return None
        if named == ["azimuth"]:
            return Place(math.radians(self.degrees(line, "azimuth", line.cells["azimuth"])), True)
        if named == ["station"]:
            count = self.count(line, "stations", 3, 360) or STATIONS
            number = self.count(line, "station", 1, count) or 1
            return Place(2 * math.pi * (number - 1) / count, False)
        return self.at_clock(line, "clock", line.cells["clock"].lower().removesuffix("o'clock").strip(), zero)

    def at_clock(self, line: Line, column: str, text: str, zero: float | None) -> Place:
        """A place by the hour: 12, 3, 1:30."""
        match = _CLOCK.fullmatch(text)
        if match is None or not 1 <= int(match[1]) <= 12:
            self.fault(line, column, f"{line.cells.get(column, text)!r} is no place on a clock", "1 to 12, 1:30, 10:30")
            return Place(0.0, False)
        turn = math.radians((int(match[1]) % 12) * 30 + int(match[2] or 0) / 2)
        return Place(turn + (zero or 0.0), zero is not None)
