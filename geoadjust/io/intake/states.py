"""What crews say of structures (lowered, milled, cut, set ...), from a table: one line per structure and state."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date

from geoadjust.core.history import STATES
from geoadjust.io.intake.field_cells import REMARKS, WHICH, FieldColumn, FieldReader
from geoadjust.io.intake.field_tables import FieldTable, Line

COLUMNS: tuple[FieldColumn, ...] = (
    *WHICH,
    FieldColumn("state", "word", "what the structure has come to; needed", words=STATES),
    FieldColumn("date", "date", "day on which it was done, year-month-day; needed"),
    FieldColumn("chimney_built", "length", "height of the chimney as it was built, joints included", 0.0, 3.0),
    FieldColumn("parts_built", "text", "rings or liner that were built in"),
    FieldColumn("by", "text", "who says so"),
    *REMARKS,
)


@dataclass(frozen=True, slots=True)
class Said:
    """One line: a state, its day, and what was built [m, NaN = not stated]."""

    id: str
    row: int | None
    line: int
    state: str
    day: date
    by: str
    note: str
    chimney_built: float = math.nan
    parts_built: str = ""


def take_states(table: FieldTable, *, unit: str = "") -> tuple[list[Said], list[str]]:
    """States in the order of their lines; and the columns that were not read.

    Raises
    ------
    InputError
        with every fault of the table: line, column, what is allowed
    """
    reader = FieldReader(table.path, COLUMNS, unit)
    groups = reader.groups(table)
    said = [_said(reader, name, row, line) for (name, row), lines in groups.items() for line in lines]
    reader.finish(said, "states")
    return sorted((each for each in said if each is not None), key=lambda each: each.line), reader.ignored(table)


def _said(reader: FieldReader, name: str, row: int | None, line: Line) -> Said | None:
    state, day = reader.word(line, line.cells.get("state", ""), "state"), reader.day(line, "date")
    for column, allowed in (("state", ", ".join(STATES)), ("date", "year-month-day")):
        if column not in line.cells:
            reader.fault(line, column, "blank", allowed)
    built = reader.length(line, "chimney_built", line.cells.get("chimney_built", ""))
    by, note, parts = (line.cells.get(column, "") for column in ("by", "note", "parts_built"))
    if not state or day is None:
        return None
    return Said(name, row, line.number, state, day, by, note, built, parts)
