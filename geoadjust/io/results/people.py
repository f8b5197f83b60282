"""The schedule as people read it: display units, rounding, and a dictionary of every column.

`us`: inches in sixteenths as decimals, feet to 3 decimals in the structures' vertical foot; `metric`: millimetres to
1 decimal, metres to 3. Coordinates to about a millimetre. A text that a spreadsheet would take for a formula gets a
leading apostrophe.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv
from numpy.typing import NDArray

from geoadjust.core.vacuum import KPA
from geoadjust.io.coordinates.crs import read_crs
from geoadjust.io.intake.cells import TYPES
from geoadjust.io.results.columns import SCHEDULE, TABLES, Column
from geoadjust.units import TIE_SLACK, from_metres, inches_sixteenth, round_half_up

NONE: Mapping[str, Sequence[Column]] = {}
FORMULA_STARTS = r"^[\s]*[=+\-@\t\r|%]"


US_ENDINGS = {"mm": "_in", "m": "_ft", "kPa": "_inhg"}
"""Endings of names that people see, by the stored unit."""


def shown_name(column: Column, units: str) -> str:
    """Name of a column as people see it.

    Examples
    --------
    >>> [shown_name(column, "us") for column in SCHEDULE if column.name in ("gap_mm", "target_rim_m", "row")]
    ['row', 'gap_in', 'target_rim_ft']
    """
    if units == "us" and column.unit in US_ENDINGS:
        return column.name.removesuffix(f"_{column.unit.lower()}") + US_ENDINGS[column.unit]
    return column.name


def shown_unit(column: Column, units: str, foot: str) -> str:
    """Unit of a column as people see it; feet say which foot."""
    if units == "us":
        return {"mm": "in", "m": "ft" if foot == "ft" else "US survey ft", "kPa": "inHg"}.get(column.unit, column.unit)
    return column.unit


def shown_values(values: NDArray[np.float64], column: Column, units: str, foot: str) -> NDArray[np.float64]:
    """Published values as people see them, rounded half up."""
    if column.unit == "mm":
        metres = values / 1000
        return np.asarray(inches_sixteenth(metres) if units == "us" else round_half_up(values, 0.1, slack=6e-4))
    if column.unit == "m" and units == "us":
        feet = np.asarray(from_metres(values, foot))
        return np.asarray(round_half_up(feet, 0.001, slack=float(from_metres(TIE_SLACK, foot))))
    if column.unit == "kPa" and units == "us":
        values = values / KPA["inHg"]
    step = {"m": 0.001, "%": 0.001, "deg": 0.1, "kPa": 0.01, "s": 0.1}[column.unit]
    return np.asarray(round_half_up(values, step))


def shown_schema(units: str) -> pa.Schema:
    """Schema of `schedule.csv`."""
    ours = [(shown_name(column, units), TYPES[column.type]) for column in SCHEDULE]
    return pa.schema([*ours, ("easting", pa.float64()), ("northing", pa.float64())])


def place_decimals(crs: str) -> int:
    """Decimals that a coordinate deserves, about a millimetre: 3 of metres and feet, 8 of degrees.

    Parameters
    ----------
    crs : the structures' CRS

    Examples
    --------
    >>> place_decimals("EPSG:32617"), place_decimals("EPSG:2263"), place_decimals("EPSG:4326")
    (3, 3, 8)
    """
    found = read_crs(crs, where="structures.crs")
    if found.is_geographic:
        return 8
    metres = found.axis_info[0].unit_conversion_factor if found.axis_info else 1.0
    return 3 + max(0, round(math.log10(metres or 1.0)))


def shown_rows(
    layer: pa.RecordBatch,
    east: NDArray[np.float64],
    north: NDArray[np.float64],
    units: str,
    foot: str,
    decimals: int | None = None,
) -> pa.RecordBatch:
    """The layer's rows as people read them; coordinates with so many decimals, None = as read."""
    arrays = [shown_column(layer.column(index), column, units, foot) for index, column in enumerate(SCHEDULE)]
    places = [values if decimals is None else np.round(values, decimals) + 0.0 for values in (east, north)]
    arrays += [pa.array(values, from_pandas=True) for values in places]
    return pa.record_batch(arrays, schema=shown_schema(units))


DECIMALS = {"mm": 1, "m": 3, "%": 3, "deg": 1, "kPa": 2, "s": 1, "": 3}


def shown_column(values: pa.Array, column: Column, units: str, foot: str) -> pa.Array:
    """A stored column as people see it: units, rounding, formulas guarded."""
    if column.words:  # our own, none of which starts a formula
        return values
    if column.type == "text":
        return guard(values)
    if column.type == "integer":
        return values
    shown = shown_values(values.to_numpy(zero_copy_only=False), column, units, foot)
    digits = 4 if units == "us" and column.unit == "mm" else DECIMALS[column.unit]
    return pa.array(np.round(shown, digits), mask=~np.isfinite(shown))


def guard(texts: pa.Array) -> pa.Array:
    """Texts with an apostrophe before what a spreadsheet would take for a formula.

    Examples
    --------
    >>> guard(pa.array(["=1+1", "MH-7", None])).to_pylist()
    ["'=1+1", 'MH-7', None]
    """
    risky = pc.fill_null(pc.match_substring_regex(texts, FORMULA_STARTS), False)
    return pc.if_else(risky, pc.binary_join_element_wise("'", texts, ""), texts)


class ScheduleCsv:
    """Writes `schedule.csv`, batch by batch, in a thread of its own: the texts are made while the next rows are built.

    Parameters
    ----------
    path : of the file
    units, foot : of lengths and heights
    crs : the structures'; without it coordinates are written as read
    """

    def __init__(self, path: Path, units: str, foot: str, crs: str = "") -> None:
        self.units, self.foot = units, foot
        self.decimals = place_decimals(crs) if crs else None
        options = pa.csv.WriteOptions(quoting_style="needed")
        self._writer = pa.csv.CSVWriter(str(path), shown_schema(units), write_options=options)
        self._thread = ThreadPoolExecutor(1, thread_name_prefix="csv")
        self._writing: Future[None] | None = None

    def add(self, layer: pa.RecordBatch, east: NDArray[np.float64], north: NDArray[np.float64]) -> None:
        """Add one bucket of the layer."""
        rows = shown_rows(layer, east, north, self.units, self.foot, self.decimals)
        self._wait()
        self._writing = self._thread.submit(self._writer.write, rows)

    def close(self) -> None:
        """Finish the file."""
        try:
            self._wait()
        finally:
            self._thread.shutdown()
            self._writer.close()

    def _wait(self) -> None:
        """Wait for the batch before; an error that it met comes out here."""
        writing, self._writing = self._writing, None
        if writing is not None:
            writing.result()


def dictionary(
    units: str, foot: str, tables: Mapping[str, Sequence[Column]], shown: tuple[str, Sequence[Column]]
) -> Iterator[dict[str, Any]]:
    """Every column of every table, and of the file for people.

    Parameters
    ----------
    tables : declared columns by table
    shown : name and columns of the file for people
    """
    for table, columns in tables.items():
        for column in columns:
            yield _entry(table, column.name, column.unit, column)
    file, columns = shown
    for column in columns:
        yield _entry(file, shown_name(column, units), shown_unit(column, units, foot), column)
    for name in ("easting", "northing"):
        title = f"{name} of the cover in the structures' CRS, rounded to about a millimetre"
        yield _entry(file, name, "CRS", Column(name, "real", "", title))


def _entry(table: str, name: str, unit: str, column: Column) -> dict[str, Any]:
    return {
        "table": table,
        "column": name,
        "type": column.type,
        "unit": unit,
        "title": column.title,
        "plus": column.plus,
        "words": " ".join(column.words),
    }


def write_dictionary(path: Path, units: str, foot: str, more: Mapping[str, Sequence[Column]] = NONE) -> None:
    """Write `columns.csv` of a schedule, and of the tables that a set has besides."""
    write_tables_dictionary(path, units, foot, {**TABLES, **more}, ("schedule.csv", SCHEDULE))


def write_tables_dictionary(
    path: Path, units: str, foot: str, tables: Mapping[str, Sequence[Column]], shown: tuple[str, Sequence[Column]]
) -> None:
    """Write `columns.csv`, see `dictionary`."""
    with open(path, "w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, ["table", "column", "type", "unit", "title", "plus", "words"])
        writer.writeheader()
        writer.writerows(dictionary(units, foot, tables, shown))


def foot_of(vertical_units: list[str]) -> str:
    """The foot that heights are shown in: the first foot among the sources' vertical units."""
    return next((unit for unit in vertical_units if unit in ("ft", "us-ft")), "ft")
