"""Result folders of later steps: a point layer with one row per structure that was measured, and tables besides.

The files are `NAME.gpkg`, `NAME.csv` for people and `columns.csv`; `run.json` is added by the writer of the folder.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.csv

from geoadjust.io.intake.cells import TYPES, numbers, table_schema
from geoadjust.io.results import geopackage
from geoadjust.io.results.columns import RUN, Column
from geoadjust.io.results.measured_set import read_source
from geoadjust.io.results.people import place_decimals, shown_column, shown_name, write_tables_dictionary
from geoadjust.io.results.tables import run_rows
from geoadjust.io.results.whole import WholeSet


@dataclass(frozen=True, slots=True, eq=False)
class Step:
    """What a step found: values by column, for the layer and for each table besides.

    Parameters
    ----------
    style : of the layer; its name is that of the files
    tables : declared columns of the layer and the others, the layer's first
    values : by table and column
    """

    style: geopackage.Style
    tables: Mapping[str, Sequence[Column]]
    values: Mapping[str, Mapping[str, Any]]


def step_batch(columns: Mapping[str, Any], declared: Sequence[Column]) -> pa.RecordBatch:
    """One table from values by column; figures are rounded to what is stored, NULL where not finite."""
    schema = table_schema(declared)
    arrays = []
    for column in declared:
        values = columns[column.name]
        if column.type == "real":
            figures = np.array([np.nan if value is None else value for value in values], dtype=np.float64)
            arrays.append(numbers(np.round(figures, 6) + 0.0))
        else:
            arrays.append(pa.array(values, schema.field(column.name).type))
    return pa.record_batch(arrays, schema=schema)


def write_step(folder: Path, whole: WholeSet, step: Step, facts: Mapping[str, str]) -> dict[str, int]:
    """Write the files; rows of each table.

    Parameters
    ----------
    folder : to write into
    whole : the set that the step belongs to; points and CRS are its own
    facts : rows of the table `run`, as JSON
    """
    name = step.style.layer
    path = folder / f"{name}.gpkg"
    layer = step_batch(step.values[name], step.tables[name])
    source = read_source(whole, [int(row) for row in step.values[name]["row"]])
    schema = layer.schema.append(pa.field("geom", pa.binary()))
    with_points = pa.record_batch([*layer.columns, source.geometry.cast(pa.binary())], schema=schema)
    geopackage.write_layer(path, iter([with_points]), schema, whole.crs, name)
    counts = {name: len(layer)}
    for table, columns in step.tables.items():
        if table != name:
            batch = step_batch(step.values[table], columns)
            geopackage.write_table(path, table, iter([batch]), batch.schema)
            counts[table] = len(batch)
    run = run_rows(facts)
    geopackage.write_table(path, "run", iter([run]), run.schema)
    counts["run"] = len(run)
    geopackage.finish(path, counts, step.style)
    _write_csv(folder / f"{name}.csv", whole, layer, step.tables[name], (source.raw.east, source.raw.north))
    shown = {**step.tables, "run": RUN}
    write_tables_dictionary(folder / "columns.csv", whole.units, whole.foot, shown, (f"{name}.csv", step.tables[name]))
    return counts


def _write_csv(
    path: Path, whole: WholeSet, layer: pa.RecordBatch, columns: Sequence[Column], places: tuple[Any, Any]
) -> None:
    """The layer for people: display units, rounded, formulas guarded."""
    arrays = [shown_column(layer.column(i), column, whole.units, whole.foot) for i, column in enumerate(columns)]
    ours = [(shown_name(column, whole.units), TYPES[column.type]) for column in columns]
    decimals = place_decimals(whole.crs) if whole.crs else 6
    arrays += [pa.array(np.round(values, decimals) + 0.0, from_pandas=True) for values in places]
    schema = pa.schema([*ours, ("easting", pa.float64()), ("northing", pa.float64())])
    table = pa.record_batch(arrays, schema=schema)
    pa.csv.write_csv(table, str(path), pa.csv.WriteOptions(quoting_style="needed"))
