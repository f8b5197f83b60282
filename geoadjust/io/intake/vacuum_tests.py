"""Records of vacuum tests, from a table: one line per test."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from datetime import date

from geoadjust.core.vacuum import BOUNDARIES, KPA, VacuumTest
from geoadjust.io.intake.field_cells import REMARKS, WHICH, FieldColumn, FieldReader
from geoadjust.io.intake.field_tables import FieldTable, Line

COLUMNS: tuple[FieldColumn, ...] = (
    *WHICH,
    FieldColumn("date", "date", "day of the test, year-month-day; needed"),
    FieldColumn(
        "boundary", "word", "where the plate sat: on the cone below the chimney, or on the frame", words=BOUNDARIES
    ),
    FieldColumn("diameter", "length", "inside diameter of the structure, as the owner's table lists it", 0.3, 10.0),
    FieldColumn("depth", "length", "depth of the structure", 0.1, 100.0),
    FieldColumn("start", "pressure", "vacuum when the time began: `10 inHg`, `34 kPa`; bare = the table's unit"),
    FieldColumn("end", "pressure", "vacuum when it ended"),
    FieldColumn("seconds", "number", "seconds between them; also `1:30`"),
    FieldColumn("stabilised", "word", "held before the time began as long as the table asks", words=("yes", "no")),
    FieldColumn("by", "text", "who tested"),
    *REMARKS,
)
_PRESSURE = re.compile(r"(\d+(?:\.\d+)?)\s*([A-Za-z ]*)")
_TIME = re.compile(r"(?:(\d{1,3}):([0-5]\d))|(\d+(?:\.\d+)?)\s*s?")
MOST_KPA = 101.325
"""No vacuum is deeper: the standard atmosphere."""


@dataclass(frozen=True, slots=True)
class Tested:
    """One test of one structure, with its line."""

    id: str
    row: int | None
    line: int
    test: VacuumTest
    day: date | None
    by: str
    note: str


def take_tests(table: FieldTable, *, pressure: str, unit: str = "") -> tuple[list[Tested], list[str]]:
    """Tests in the order of their lines; and the columns that were not read.

    Parameters
    ----------
    pressure : unit of bare pressures, inHg or kPa
    unit : of bare lengths; '' = every length has its own

    Raises
    ------
    InputError
        with every fault of the table: line, column, what is allowed
    """
    reader = FieldReader(table.path, COLUMNS, unit)
    groups = reader.groups(table)
    named = [(name, row, line) for (name, row), lines in groups.items() for line in lines]
    tests = [_tested(reader, name, row, line, pressure) for name, row, line in named]
    reader.finish(tests, "tests")
    return sorted(tests, key=lambda each: each.line), reader.ignored(table)


def _tested(reader: FieldReader, name: str, row: int | None, line: Line, pressure: str) -> Tested:
    day = reader.day(line, "date")
    if "date" not in line.cells:
        reader.fault(line, "date", "blank", "year-month-day", "write the day of the test")
    held = reader.word(line, line.cells.get("stabilised", ""), "stabilised")
    test = VacuumTest(
        boundary=reader.word(line, line.cells.get("boundary", ""), "boundary"),
        diameter=reader.length(line, "diameter", line.cells.get("diameter", "")),
        depth=reader.length(line, "depth", line.cells.get("depth", "")),
        start=_pressure(reader, line, "start", pressure),
        end=_pressure(reader, line, "end", pressure),
        seconds=_seconds(reader, line),
        stabilised={"yes": True, "no": False}.get(held),
    )
    return Tested(name, row, line.number, test, day, line.cells.get("by", ""), line.cells.get("note", ""))


def _pressure(reader: FieldReader, line: Line, column: str, unit: str) -> float:
    """Vacuum [kPa]; NaN where blank or wrong."""
    text = line.cells.get(column, "")
    if not text:
        return math.nan
    match = _PRESSURE.fullmatch(text)
    named = {name.lower(): factor for name, factor in KPA.items()}
    factor = named.get((match[2].replace(" ", "") or unit).lower()) if match else None
    if match is None or factor is None:
        reader.fault(line, column, f"{text!r} is no pressure", "10 inHg, 34 kPa")
        return math.nan
    found = float(match[1]) * factor
    if found > MOST_KPA:
        reader.fault(line, column, f"{text!r} is deeper than any vacuum", f"0 to {MOST_KPA:g} kPa")
    return found


def _seconds(reader: FieldReader, line: Line) -> float:
    text = line.cells.get("seconds", "")
    if not text:
        return math.nan
    match = _TIME.fullmatch(text)
    if match is None:
        reader.fault(line, "seconds", f"{text!r} is no time", "75, 1:15")
        return math.nan
    return float(match[3]) if match[3] else 60.0 * int(match[1]) + int(match[2])
