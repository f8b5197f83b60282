"""Columns of a spreadsheet: headings with units, number formats, values as people read them."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np

from geoadjust.io.exports.tables import numbers
from geoadjust.io.exports.texts import for_xml
from geoadjust.io.results.columns import TABLES, Column
from geoadjust.io.results.people import DECIMALS, shown_name, shown_unit, shown_values
from geoadjust.units import format_feet_inches, format_raise, to_metres

LONGEST = 32_767
"""UTF-16 units that a cell holds."""
_SUFFIXES = {"mm": "_mm", "m": "_m", "%": "_pct", "deg": "_deg"}
IN_WORDS = ("raise_mm",)
IN_FEET = ("lower_by_mm", "chimney_mm", "chimney_min_mm", "chimney_max_mm", "rough_cut_mm")
"""Lengths that a crew reads; in US units they stand a second time in feet, inches and sixteenths."""
TOP = Column("top_mm", "real", "mm", "height of its top above the bearing; every height is rounded by itself")

Values = Sequence[Any]


@dataclass(frozen=True, slots=True)
class Cells:
    """One column of a sheet.

    Parameters
    ----------
    source : column of the table that it is made of
    heading : with the unit
    unit : as people see it; '' = none
    published : name of the same column in schedule.csv, or in the table of the GeoPackage; '' = only here
    number_format : of the spreadsheet; '@' = text
    make : from the stored values to those of the cells; None = an empty cell
    """

    source: str
    heading: str
    unit: str
    published: str
    number_format: str
    make: Callable[[Values], Values]
    column: Column


def heading_of(column: Column, unit: str) -> str:
    """Heading of a column: its words, and the unit in brackets.

    Examples
    --------
    >>> heading_of(Column("target_rim_m", "real", "m", ""), "ft"), heading_of(Column("kind", "text", "", ""), "")
    ('target rim [ft]', 'kind')
    """
    name = column.name.removesuffix(_SUFFIXES.get(column.unit, "")).replace("_", " ")
    return f"{name} [{unit}]" if unit else name


def cells_of(table: str, units: str, foot: str) -> Iterator[Cells]:
    """Columns of the sheet of a table: schedule, ordinates, stack_parts, reasons."""
    for column in TABLES[table]:
        yield _plain(column, table, units, foot)
        if units == "us" and table == "schedule" and column.name in IN_WORDS + IN_FEET:
            yield _spelled(column)
    if table == "stack_parts":
        yield _plain(TOP, "", units, foot)


def _plain(column: Column, table: str, units: str, foot: str) -> Cells:
    unit = shown_unit(column, units, foot) if column.unit else ""
    published = {"schedule": shown_name(column, units), "": ""}.get(table, column.name)
    if column.type == "text":
        return Cells(column.name, heading_of(column, ""), "", published, "@", _texts, column)
    if column.type == "integer":
        return Cells(column.name, heading_of(column, ""), "", published, "0", list, column)
    if not column.unit:
        return Cells(column.name, heading_of(column, ""), "", published, "General", list, column)
    decimals = 4 if unit == "in" else DECIMALS[column.unit]

    def make(values: Values) -> Values:
        shown = np.round(shown_values(numbers(values), column, units, foot), decimals)
        return [value if value == value else None for value in shown.tolist()]

    return Cells(column.name, heading_of(column, unit), unit, published, f"0.{'0' * decimals}", make, column)


def _spelled(column: Column) -> Cells:
    """The same length in words, or in feet and inches."""
    words = column.name in IN_WORDS
    unit = "words" if words else "ft-in"
    spell = _raise_words if words else _feet

    def make(values: Values) -> Values:
        return [None if value is None else spell(value) for value in values]

    return Cells(column.name, heading_of(column, unit), "", "", "@", make, column)


@lru_cache(maxsize=100_000)
def _raise_words(mm: float) -> str:
    return format_raise(float(to_metres(mm, "mm")), "us")


@lru_cache(maxsize=100_000)
def _feet(mm: float) -> str:
    return format_feet_inches(float(to_metres(mm, "mm")))


def _texts(values: Values) -> Values:
    return [cell_text(value) if value else None for value in values]


def cell_text(text: str) -> str:
    """A text that a cell can hold: what XML forbids is shown by pictures, and one that is too long says so.

    Examples
    --------
    >>> cell_text("=1+1"), cell_text("a" * 40_000)[-27:]
    ('=1+1', '... (cut: 40000 characters)')
    """
    text = for_xml(text)
    if 2 * len(text) <= LONGEST or len(text.encode("utf-16-le")) // 2 <= LONGEST:
        return text
    return f"{text[: LONGEST // 2 - 50]}... (cut: {len(text)} characters)"
