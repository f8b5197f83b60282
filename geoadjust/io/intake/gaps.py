"""Gaps measured on finished covers, from a table: one line per gap, or one line per structure and day.

A gap says on which side of the road it stands: `3 mm LOW`, `1/8 in PROUD`, a sign (+ is PROUD), or the column `stands`.
One without is kept as it is: whether it can be judged depends on the owner's tolerance. One line per structure has a
column for each place on the clock: `gap_12`, `gap_3`, `gap_1_30`. What was seen of the cover (rocking, bedding, seal,
debris) may stand on any line; the last day's holds.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field
from datetime import date

from geoadjust.core.acceptance import BAD, GOOD, LAID, LOOKED_AT
from geoadjust.io.intake.field_cells import REMARKS, WHERE, WHICH, ZERO, FieldColumn, FieldReader, Place
from geoadjust.io.intake.field_tables import FieldTable, Line

STANDS = ("proud", "low", "flush")
SIDES = {"ahead": 0.0, "right": 90.0, "behind": 180.0, "left": 270.0}
"""Sides of a cover as one looks along the mark, and their turn from it [deg]."""
MOST_GAPS = 64
_WIDE = re.compile(r"gap_(\d{1,2}(?:_[0-5]\d)?)")
_WORDED = re.compile(r"(.*?)\s*\b(proud|low|flush)\b\s*", re.IGNORECASE)

COLUMNS: tuple[FieldColumn, ...] = (
    *WHICH,
    FieldColumn("date", "date", "day on which it was measured, year-month-day; needed"),
    FieldColumn("gap", "length", "rim to road: `3 mm LOW`, `1/8 in PROUD`, or with a sign, + is PROUD", -0.3, 0.3),
    FieldColumn("stands", "word", "cover above the road or below it, where the gap does not say so", words=STANDS),
    *WHERE,
    FieldColumn("side", "word", "the same as one looks along the mark", words=tuple(SIDES)),
    FieldColumn("gap_12", "length", "gap at 12 o'clock; likewise gap_3, gap_1_30 and so on", -0.3, 0.3),
    FieldColumn("rim", "height", "the finished rim's elevation, in place of a gap, where --paved names the new road"),
    *ZERO,
    FieldColumn("bar", "length", "length of the bar under which it was measured", 0.3, 10.0),
    FieldColumn("laid", "word", "the bar lay along the street or across it", words=LAID),
    *(
        FieldColumn(name, "word", f"{text}; good is `{GOOD[name]}`", words=(GOOD[name], BAD[name]))
        for name, text in {
            "rocking": "the cover rocks",
            "bedding": "bedding under the frame",
            "seal": "joint or seal round the frame",
            "debris": "debris was left in the structure",
        }.items()
    ),
    FieldColumn("by", "text", "who measured"),
    *REMARKS,
)


@dataclass(frozen=True, slots=True)
class Gap:
    """One gap [m], plus = PROUD, a magnitude where not signed; or a rim's elevation as written. NaN = not stated."""

    place: Place
    gap: float
    signed: bool
    bar: float
    laid: str
    day: date
    line: int
    rim: float = math.nan


@dataclass(slots=True)
class Inspected:
    """All that was measured and seen at one structure; `looked` holds 1 good, 0 bad, -1 not looked at."""

    id: str
    row: int | None
    line: int
    gaps: list[Gap] = field(default_factory=list)
    looked: dict[str, int] = field(default_factory=dict)
    day: date | None = None
    by: str = ""
    note: str = ""


def take_gaps(table: FieldTable, *, unit: str = "", height_unit: str = "") -> tuple[list[Inspected], list[str]]:
    """Gaps by structure, in the order of their first lines; and the columns that were not read.

    Parameters
    ----------
    table : as it was read
    unit : of bare numbers: mm, in, ft ...; '' = every length has its own
    height_unit : of bare elevations in the column rim; '' = every elevation has its own

    Raises
    ------
    InputError
        with every fault of the table: line, column, what is allowed
    """
    reader = FieldReader(table.path, COLUMNS, unit)
    taken = [_taken(reader, name, row, lines, height_unit) for (name, row), lines in reader.groups(table).items()]
    reader.finish(taken, "gaps")
    return taken, reader.ignored(table, _WIDE)


def _taken(reader: FieldReader, name: str, row: int | None, lines: list[Line], height_unit: str) -> Inspected:
    found = Inspected(name, row, lines[0].number)
    shared = {column: reader.same(lines, column) for column in ("clock_zero", "outlet_azimuth")}
    zero = reader.clock_zero(shared)
    dated: list[tuple[date, Line]] = []
    for line in lines:
        day = reader.day(line, "date")
        if day is None:
            if "date" not in line.cells:
                reader.fault(line, "date", "blank", "year-month-day", "write the day of the measurement")
            continue
        dated.append((day, line))
        found.gaps += _gaps(reader, line, zero, day, height_unit)
    if len(found.gaps) > MOST_GAPS:
        reader.fault(lines[0], "gap", f"{len(found.gaps)} gaps of one structure", f"{MOST_GAPS} at most")
    dated.sort(key=lambda each: each[0])
    found.looked = {column: _looked(reader, column, dated) for column in LOOKED_AT}
    if dated:
        found.day = dated[-1][0]
        newest = [line for day, line in reversed(dated) if day == found.day]
        found.by, found.note = (reader.same(newest, column, strict=False)[1] for column in ("by", "note"))
    return found


def _looked(reader: FieldReader, column: str, dated: list[tuple[date, Line]]) -> int:
    """The last day's word; of several on one day the bad one holds. 1 good, 0 bad, -1 not looked at."""
    said: dict[date, list[int]] = {}
    for day, line in dated:
        word = reader.word(line, line.cells.get(column, ""), column)
        if word:
            said.setdefault(day, []).append(int(word == GOOD[column]))
    return min(said[max(said)]) if said else -1


def _gaps(reader: FieldReader, line: Line, zero: float | None, day: date, height_unit: str) -> list[Gap]:
    bar = reader.length(line, "bar", line.cells.get("bar", ""))
    laid = reader.word(line, line.cells.get("laid", ""), "laid")
    found = []
    for name, text in line.cells.items():
        if match := _WIDE.fullmatch(name):
            size, signed = _sized(reader, line, name, text)
            found.append(Gap(reader.at_clock(line, name, match[1], zero), size, signed, bar, laid, day, line.number))
    if "rim" in line.cells:
        found.append(_rim(reader, line, zero, day, height_unit))
    if "gap" in line.cells:
        size, signed = _sized(reader, line, "gap", line.cells["gap"])
        place = _place(reader, line, "gap", zero)
        found += [Gap(place, size, signed, bar, laid, day, line.number)] if place else []
    return found


def _rim(reader: FieldReader, line: Line, zero: float | None, day: date, height_unit: str) -> Gap:
    """A rim's elevation [m]."""
    if "gap" in line.cells:
        reader.fault(line, "rim", "stands beside a gap", remedy="write one of both")
    elevation = reader.elevation(line, "rim", line.cells["rim"], height_unit)
    place = _place(reader, line, "rim", zero) or Place(0.0, False)
    return Gap(place, math.nan, True, math.nan, "", day, line.number, elevation)


def _place(reader: FieldReader, line: Line, subject: str, zero: float | None) -> Place | None:
    side = reader.word(line, line.cells.get("side", ""), "side")
    if not side:
        return None if "side" in line.cells else reader.place(line, subject, zero)
    if any(name in line.cells for name in ("clock", "station", "azimuth")):
        reader.fault(line, "side", "stands beside another place", remedy="write one of both")
    return Place(math.radians(SIDES[side]), False)


def _sized(reader: FieldReader, line: Line, column: str, text: str) -> tuple[float, bool]:
    """Gap [m], plus = PROUD, and whether its sign is known."""
    limits = reader.columns["gap"]
    worded = _WORDED.fullmatch(text)
    stands = reader.word(line, line.cells.get("stands", ""), "stands") if column == "gap" else ""
    if worded:
        body, word = worded[1].strip(), worded[2].lower()
        if stands and stands != word:
            reader.fault(line, column, f"{text!r}, but stands says {stands!r}", remedy="write one of both")
        text, stands = body or "0 mm", word
        if not body and word != "flush":
            reader.fault(line, column, f"{word!r} without a length", "3 mm LOW, 1/8 in PROUD, flush")
    size = reader.length(line, column, "0 mm" if text == "0" else text, limits)
    signed = text.lstrip()[:1] in ("+", "-", "\N{MINUS SIGN}")
    if stands and signed:
        reader.fault(line, column, f"{text!r} has a sign and says {stands}", remedy="write one of both")
    if stands == "flush" and abs(size) > 0:
        reader.fault(line, column, f"{text!r} and flush", "0", "write PROUD or LOW")
    return (-size if stands == "low" else size), bool(signed or stands or size == 0)
