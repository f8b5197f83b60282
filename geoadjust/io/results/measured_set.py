"""The files of a set of remeasured structures: the tables of any set, and two more that tell what was measured.

`row` stays that of the first input, so that every step can be traced; the rows of such a set are some of them.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray
from pyogrio.raw import read_arrow

from geoadjust.core.flag_list import CUT
from geoadjust.io.intake.cells import table_schema
from geoadjust.io.intake.structures import RawBatch, StructureFacts
from geoadjust.io.results import geopackage, tables
from geoadjust.io.results.columns import (
    MODELS,
    ORDINATES,
    REASONS,
    SCHEDULE,
    STACK_PARTS,
    Column,
)
from geoadjust.io.results.field_columns import MEASURED_TABLES
from geoadjust.io.results.people import ScheduleCsv, write_dictionary
from geoadjust.io.results.tables import Bucket, Naming
from geoadjust.io.results.whole import WholeSet
from geoadjust.io.working.chunk_files import Records

OWN_TEXTS = {"id": "structure_id", "street": "street", "casting": "casting"}
"""Our names of texts as read, and the columns of a set that hold them."""


@dataclass(frozen=True, slots=True, eq=False)
class Source:
    """What the older set holds of some structures, in the order of `rows`: texts, own columns of the input, points."""

    rows: NDArray[np.int64]
    texts: pa.Table
    extras: pa.Table
    geometry: pa.Array
    raw: RawBatch


def read_source(whole: WholeSet, rows: Sequence[int]) -> Source:
    """Read some structures of the older set's layer."""
    path = str(Path(whole.folder) / "schedule.gpkg")
    _, layer = read_arrow(path, layer="schedule", read_geometry=True)
    place = {row: index for index, row in enumerate(layer.column("row").to_pylist())}
    layer = layer.take(pa.array([place[int(row)] for row in rows], pa.int64()))
    named = {column.name for column in SCHEDULE}
    geometry = next(name for name in ("geom", "wkb_geometry") if name in layer.column_names)
    own = [name for name in layer.column_names if name not in named and name not in ("fid", geometry)]
    texts = layer.select(list(OWN_TEXTS.values()))
    points = layer.column(geometry).combine_chunks()
    return Source(np.array(rows, dtype=np.int64), texts, layer.select(own), points, _raw(texts, whole, rows))


def _raw(texts: pa.Table, whole: WholeSet, rows: Sequence[int]) -> RawBatch:
    places = whole.columns("row", "east", "north")
    at = {row: index for index, row in enumerate(places["row"])}
    east, north = (np.array([places[name][at[int(row)]] for row in rows], dtype=float) for name in ("east", "north"))
    n = len(rows)
    return RawBatch(
        0, texts, east, north, np.full(n, np.nan), np.isfinite(east).astype(np.int64), np.stack([east, north], axis=1)
    )


@dataclass(frozen=True, slots=True, eq=False)
class MeasuredRows:
    """Everything that is written: records by place (0, 1, ... in the order of the source), and the two more tables."""

    source: Source
    results: Records
    reasons: Records
    extra: Mapping[str, pa.RecordBatch]


def naming_of(whole: WholeSet) -> Naming:
    """What indices stand for, as in the older set."""
    names = [str(item.get("name") or Path(str(item["path"])).name) for item in whole.record["sources"]["surfaces"]]
    facts = StructureFacts(whole.folder, "", "", whole.crs, tuple(OWN_TEXTS.values()), OWN_TEXTS, "")
    return Naming(whole.rule_sets, whole.catalogue, names, facts, whole.units)


def write_measured(folder: Path, whole: WholeSet, made: MeasuredRows, facts: Mapping[str, str]) -> dict[str, int]:
    """Write `schedule.gpkg`, `schedule.csv` and `columns.csv`; rows of each table.

    Parameters
    ----------
    folder : to write into
    whole : the older set
    facts : rows of the table `run`, as JSON
    """
    naming, path = naming_of(whole), folder / "schedule.gpkg"
    source = made.source
    bucket = Bucket(made.results, made.reasons, source.raw, np.empty(0, dtype=object))
    bucket = replace(bucket, ids=tables.source_texts(bucket, naming, "id"))
    layer = _layer(bucket, naming, source, cut=_cut(made.results))
    geopackage.write_layer(path, iter([layer]), layer.schema, whole.crs)
    _write_csv(folder, whole, layer, source)
    counts = {"schedule": len(layer)}
    for name, batch in _side_tables(bucket, naming, source, made.extra, facts):
        geopackage.write_table(path, name, iter([batch]), batch.schema)
        counts[name] = len(batch)
    geopackage.finish(path, counts)
    write_dictionary(folder / "columns.csv", whole.units, whole.foot, MEASURED_TABLES)
    return counts


def _write_csv(folder: Path, whole: WholeSet, layer: pa.RecordBatch, source: Source) -> None:
    csv = ScheduleCsv(folder / "schedule.csv", whole.units, whole.foot, whole.crs)
    try:
        csv.add(layer, source.raw.east, source.raw.north)
    finally:
        csv.close()


def _cut(results: Records) -> NDArray[np.bool_]:
    return np.asarray(results["verdicts.ready"] == CUT)


TO_MEASURE, MEASURED = "after measuring again", "as measured on the bearing"


def _layer(bucket: Bucket, naming: Naming, source: Source, *, cut: NDArray[np.bool_]) -> pa.RecordBatch:
    arrays = tables.schedule_arrays(bucket, naming)
    names = [column.name for column in SCHEDULE]
    place = names.index("remark")
    remarks = arrays[place].to_pylist()
    told = [text.replace(TO_MEASURE, MEASURED) if done else text for text, done in zip(remarks, cut, strict=True)]
    arrays[place] = pa.array(told, pa.string())
    arrays[names.index("row")] = pa.array(source.rows)
    for name in source.extras.column_names:
        arrays.append(source.extras.column(name).combine_chunks())
    schema = pa.schema([*table_schema(SCHEDULE), *source.extras.schema.remove_metadata(), ("geom", pa.binary())])
    return pa.record_batch([*arrays, source.geometry.cast(pa.binary())], schema=schema)


def _side_tables(
    bucket: Bucket, naming: Naming, source: Source, extra: Mapping[str, pa.RecordBatch], facts: Mapping[str, str]
) -> Iterator[tuple[str, pa.RecordBatch]]:
    made = {
        "ordinates": (tables.ordinate_rows(bucket), ORDINATES),
        "stack_parts": (tables.stack_rows(bucket, naming), STACK_PARTS),
        "reasons": (tables.reason_rows(bucket), REASONS),
        "models": (tables.model_rows(bucket), MODELS),
    }
    for name, (batch, columns) in made.items():
        yield name, _with_rows(batch, source, columns)
    yield from extra.items()
    yield "run", tables.run_rows(facts)


def _with_rows(batch: pa.RecordBatch, source: Source, columns: Sequence[Column]) -> pa.RecordBatch:
    """Places become rows of the input."""
    rows = pa.array(source.rows).take(batch.column(0))
    return pa.record_batch([rows, *batch.columns[1:]], schema=table_schema(columns))
