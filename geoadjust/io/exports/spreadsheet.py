"""The set as a spreadsheet: schedule, ordinates, stack parts and reasons, a dictionary of the columns, the run.

Figures as people read them, in the units of `schedule.csv`, as numbers; texts as texts, whatever they look like. Rows
are written as they are read; memory does not grow with the set. A table with more rows than a sheet can hold goes on in
a second sheet.
"""

from __future__ import annotations

import zipfile
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from itertools import groupby
from pathlib import Path
from typing import Any

from geoadjust.io.exports.cells import Cells, cell_text, cells_of
from geoadjust.io.exports.frame import SetFrame
from geoadjust.io.exports.tables import batches, places, run_facts
from geoadjust.io.exports.texts import load
from geoadjust.io.results.columns import Column
from geoadjust.io.results.people import place_decimals
from geoadjust.io.results.sets import explain_os_error
from geoadjust.io.results.whole import WholeSet

TABLES = {"schedule": "schedule", "ordinates": "ordinates", "stack_parts": "stack parts", "reasons": "reasons"}
"""Tables of the set, and the sheets that they become."""
MOST_ROWS = 1_048_575
"""Rows that a sheet holds below its header."""
AUTHOR = "geoadjust export"
NOTICE = (
    "A plan, not an approval: measure on site before anything is cut; local codes, the owner's standard and the "
    "licensed engineer govern."
)
DICTIONARY = ("sheet", "heading", "column", "unit", "meaning", "plus", "words")
NARROW, WIDE, SAMPLE = 9, 60, 500
OPTIONS = {
    "constant_memory": True,
    "strings_to_formulas": False,
    "strings_to_urls": False,
    "strings_to_numbers": False,
}


def write_spreadsheet(whole: WholeSet, frame: SetFrame, path: Path, *, most_rows: int = MOST_ROWS) -> dict[str, int]:
    """Write the spreadsheet of a set.

    Parameters
    ----------
    path : of the file; temporary files lie beside it until it is whole
    most_rows : of one sheet

    Returns
    -------
    Rows of every sheet below its header.

    Raises
    ------
    InputError
        the library that writes spreadsheets is not installed
    OutputError
        the file cannot be written
    """
    library = load("xlsxwriter", "xlsx")
    book = library.Workbook(str(path), {**OPTIONS, "tmpdir": str(path.parent)})
    book.use_zip64()
    book.set_properties({"author": AUTHOR, "title": "Schedule of castings", "comments": NOTICE, **_date(whole)})
    formats = _Formats(book)
    rows: dict[str, int] = {}
    for table, name in TABLES.items():
        rows |= _write_table(book, formats, whole, frame, table, name, most_rows)
    rows |= _write_dictionary(book, formats, whole, frame)
    rows |= _write_run(book, formats, whole)
    try:
        book.close()
    except library.exceptions.FileCreateError as error:
        raise explain_os_error(error.args[0], path) from error
    return rows


def is_spreadsheet(path: Path) -> bool:
    """Whether a file was written here, by its author."""
    try:
        with zipfile.ZipFile(path) as archive:
            return f"<dc:creator>{AUTHOR}</dc:creator>".encode() in archive.read("docProps/core.xml")
    except (zipfile.BadZipFile, KeyError, OSError):
        return False


def _date(whole: WholeSet) -> dict[str, datetime]:
    """When the set was made, as the spreadsheet's date: so that the same set gives the same bytes."""
    try:
        return {"created": datetime.fromisoformat(str(whole.record.get("finished_at", "")))}
    except ValueError:
        return {"created": datetime(1980, 1, 1)}


class _Formats:
    """Cell formats, each made once."""

    def __init__(self, book: Any) -> None:
        self.book = book
        self.header = book.add_format({"bold": True, "text_wrap": True, "valign": "top", "bottom": 1})
        self.wrapped = book.add_format({"num_format": "@", "text_wrap": True, "valign": "top"})
        self._made: dict[str, Any] = {}

    def of(self, number_format: str) -> Any:
        if number_format not in self._made:
            self._made[number_format] = self.book.add_format({"num_format": number_format})
        return self._made[number_format]


@dataclass(slots=True)
class _Sheets:
    """The sheets of one table: rows go into the first, then the second, and so on.

    Parameters
    ----------
    frozen : columns that stay at the left
    """

    book: Any
    formats: _Formats
    name: str
    headings: Sequence[str]
    cell_formats: Sequence[str]
    most_rows: int = MOST_ROWS
    frozen: int = 2
    rows: dict[str, int] = field(default_factory=dict)
    _sheet: Any = None
    _widths: list[int] = field(default_factory=list)

    def add(self, rows: Sequence[Sequence[Any]]) -> None:
        """Write rows: None = an empty cell, texts as texts."""
        styles = [self.formats.of(each) for each in self.cell_formats]
        self._measure(rows[:SAMPLE])
        for row in rows:
            if self._sheet is None or self.rows[self._sheet.name] == self.most_rows:
                self._next()
            sheet = self._sheet
            line = self.rows[sheet.name] = self.rows[sheet.name] + 1
            for place, value in enumerate(row):
                if value is None:
                    continue
                if isinstance(value, str):
                    _write_text(sheet, line, place, value, styles[place])
                else:
                    sheet.write_number(line, place, value, styles[place])

    def close(self) -> dict[str, int]:
        """Set filters and widths; gives the rows of each sheet."""
        if self._sheet is None:
            self._next()
        for name, count in self.rows.items():
            sheet = self.book.get_worksheet_by_name(name)
            sheet.autofilter(0, 0, count, len(self.headings) - 1)
            for place, heading in enumerate(self.headings):
                longest = max(map(len, heading.split()), default=0) + 3  # the filter's arrow
                width = max(NARROW, longest, self._widths[place] + 1 if self._widths else 0)
                sheet.set_column(place, place, min(WIDE, width))
        return self.rows

    def _next(self) -> None:
        number = len(self.rows) + 1
        name = self.name if number == 1 else f"{self.name} {number}"
        self._sheet = self.book.add_worksheet(name)
        self.rows[name] = 0
        self._sheet.freeze_panes(1, self.frozen)
        self._sheet.set_landscape()
        self._sheet.repeat_rows(0)
        self._sheet.set_row(0, 45)
        for place, heading in enumerate(self.headings):
            self._sheet.write_string(0, place, heading, self.formats.header)

    def _measure(self, rows: Sequence[Sequence[Any]]) -> None:
        """Widths of the texts of the first rows of each batch."""
        known = self._widths or [0] * len(self.headings)
        for place in range(len(self.headings)):
            texts = (len(row[place]) for row in rows if isinstance(row[place], str))
            known[place] = max(known[place], max(texts, default=0))
        self._widths = known


def _write_text(sheet: Any, row: int, column: int, text: str, style: Any) -> None:
    """Write a text as it is. One that looks like the library's own rich text is given in two runs, which it escapes."""
    if text.startswith("<r>") and text.endswith("</r>"):
        sheet.write_rich_string(row, column, text[:1], style, text[1:], style)
    else:
        sheet.write_string(row, column, text, style)


def _write_table(
    book: Any, formats: _Formats, whole: WholeSet, frame: SetFrame, table: str, name: str, most_rows: int
) -> dict[str, int]:
    columns = [*cells_of(table, whole.units, whole.foot)]
    coordinates = [*_coordinates(frame)] if table == "schedule" else []
    headings = [each.heading for each in (*columns, *coordinates)]
    styles = [each.number_format for each in (*columns, *coordinates)]
    sheets = _Sheets(book, formats, name, headings, styles, most_rows)
    for rows in _rows(whole, frame, table, columns):
        sheets.add(rows)
    return sheets.close()


def _coordinates(frame: SetFrame) -> Iterator[Cells]:
    """Columns of the place."""
    decimals = place_decimals(frame.text)
    for name in ("easting", "northing"):
        title = f"{name} of the cover in the structures' CRS, rounded to about a millimetre"
        column = Column(name, "real", "", title)
        unit = {"us-ft": "US survey ft", "degree": "deg"}.get(frame.unit, frame.unit)
        yield Cells(name, f"{name} [{unit}]", unit, name, f"0.{'0' * decimals}", list, column)


def _rows(whole: WholeSet, frame: SetFrame, table: str, columns: Sequence[Cells]) -> Iterator[list[tuple[Any, ...]]]:
    """Rows of the sheet of a table, batch after batch."""
    sources = list(dict.fromkeys(each.source for each in columns if each.source != "top_mm"))
    found = places(whole) if table == "schedule" else ()
    decimals = place_decimals(frame.text)
    first, top = 0, _Tops()
    for batch in batches(whole, table, sources):
        count = len(batch[sources[0]])
        if table == "stack_parts":
            batch["top_mm"] = top.add(batch)
        made = [each.make(batch[each.source]) for each in columns]
        for values in found:
            shown = values[first : first + count].round(decimals).tolist()
            made.append([value if value == value else None for value in shown])
        first += count
        yield list(zip(*made, strict=True))


class _Tops:
    """Heights of the parts' tops above the bearing [mm]; empty for a riser, which stands on the frame."""

    def __init__(self) -> None:
        self._key: tuple[Any, ...] = ()
        self._height = 0.0

    def add(self, batch: Mapping[str, Sequence[Any]]) -> list[float | None]:
        found: list[float | None] = []
        keys = zip(batch["row"], batch["policy"], strict=True)
        for key, lines in groupby(zip(keys, batch["kind"], batch["thickness_mm"], strict=True), lambda line: line[0]):
            if key != self._key:
                self._key, self._height = key, 0.0
            for _, kind, thickness in lines:
                self._height += thickness
                found.append(None if kind == "riser" or self._height != self._height else round(self._height, 3))
        return found


def _write_dictionary(book: Any, formats: _Formats, whole: WholeSet, frame: SetFrame) -> dict[str, int]:
    sheets = _Sheets(book, formats, "dictionary", DICTIONARY, ["@"] * len(DICTIONARY))
    for table, name in TABLES.items():
        columns = [*cells_of(table, whole.units, whole.foot), *(_coordinates(frame) if table == "schedule" else ())]
        sheets.add([_entry(name, each) for each in columns])
    return sheets.close()


def _entry(sheet: str, cells: Cells) -> tuple[Any, ...]:
    column = cells.column
    words = " ".join(column.words)
    found = (sheet, cells.heading, cells.published, cells.unit, column.title, column.plus, words)
    return tuple(text or None for text in found)


def _write_run(book: Any, formats: _Formats, whole: WholeSet) -> dict[str, int]:
    """What decides the numbers, one fact per row."""
    sheets = _Sheets(book, formats, "run", ("fact", "value"), ("@", "@"), frozen=1)
    facts = {"notice": NOTICE, "finished_at": whole.record.get("finished_at"), "findings": whole.record.get("findings")}
    rows = [*_flat("", {**facts, **run_facts(whole)})]
    sheets.add([(cell_text(key), _value(value)) for key, value in rows])
    return sheets.close()


def _value(value: Any) -> str | None:
    if isinstance(value, bool):
        return "true" if value else "false"
    return None if value is None or value == "" else cell_text(str(value))


def _flat(key: str, value: Any) -> Iterator[tuple[str, Any]]:
    """Nested facts as dotted names with plain values."""
    if isinstance(value, Mapping) and value:
        for name, item in value.items():
            yield from _flat(f"{key}.{name}" if key else str(name), item)
    elif isinstance(value, list) and any(isinstance(item, Mapping) for item in value):
        for number, item in enumerate(value, start=1):
            yield from _flat(f"{key}[{number}]", item)
    elif isinstance(value, list):
        yield key, ", ".join(map(str, value))
    else:
        yield key, None if isinstance(value, Mapping) else value
