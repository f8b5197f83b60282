"""From spilled results to the files of the output set, bucket by bucket in input order."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import partial
from itertools import count
from pathlib import Path

import numpy as np
import pyarrow as pa

from geoadjust.core.columns import METHODS, READY, RIM_BASES, SEVERITIES
from geoadjust.core.flag_list import FLAGS
from geoadjust.core.flags import CODES, READINESS, SEVERITY
from geoadjust.errors import OutputError
from geoadjust.io.intake.structures import RawBatch, read_batches
from geoadjust.io.results import geopackage, tables
from geoadjust.io.results.columns import MODELS, ORDINATES, REASONS, STACK_PARTS
from geoadjust.io.results.people import ScheduleCsv, write_dictionary
from geoadjust.io.results.tables import Bucket, Naming
from geoadjust.io.working.chunk_files import Records
from geoadjust.io.working.spill import Spill
from geoadjust.run.findings import LEAST_BIAS, Bias

SIDE_TABLES = {"ordinates": ORDINATES, "stack_parts": STACK_PARTS, "reasons": REASONS, "models": MODELS}


@dataclass(slots=True)
class Tally:
    """Counts of a result: rows of each table, structures by method, severity, readiness and flag."""

    tables: Counter[str] = field(default_factory=Counter)
    method: Counter[str] = field(default_factory=Counter)
    severity: Counter[str] = field(default_factory=Counter)
    ready: Counter[str] = field(default_factory=Counter)
    flags: Counter[str] = field(default_factory=Counter)

    def add(self, bucket: Bucket) -> None:
        """Count one bucket."""
        for name, words in (("method", METHODS), ("severity", SEVERITIES), ("ready", READY)):
            index, counts = np.unique(bucket.results[f"verdicts.{name}"], return_counts=True)
            getattr(self, name).update({words[i]: int(count) for i, count in zip(index, counts, strict=True)})
        row, code = bucket.reasons["row"], bucket.reasons["code"].astype(np.int64)
        again = (row[1:] == row[:-1]) & (code[1:] == code[:-1])  # reasons lie in the order of row and code
        counts = np.bincount(code[np.concatenate([[True], ~again])[: len(code)]], minlength=len(FLAGS))
        self.flags.update({flag.code: int(count) for flag, count in zip(FLAGS, counts, strict=True) if count})


@dataclass(frozen=True, slots=True)
class Outgoing:
    """What the writers need besides the spilled records."""

    spill: Spill
    naming: Naming
    bias: Bias | None
    foot: str
    crs: str
    annuli: Callable[[Bucket], pa.RecordBatch] | None


def write_results(folder: Path, outgoing: Outgoing, run_facts: Mapping[str, str]) -> Tally:
    """Write `schedule.gpkg`, `schedule.csv` and `columns.csv`."""
    tally = Tally()
    path = folder / "schedule.gpkg"
    units = outgoing.naming.units
    csv = ScheduleCsv(folder / "schedule.csv", units, outgoing.foot, outgoing.crs)
    shelf = _Shelf(outgoing.spill.folder, outgoing.annuli is not None)
    first = next(read_batches(outgoing.naming.facts))
    schema = tables.schedule_schema(first.attributes.schema)
    try:
        geopackage.write_layer(path, _layer(outgoing, schema, csv, shelf, tally), schema, outgoing.crs)
    finally:
        csv.close()
        shelf.close()
    for name, columns in SIDE_TABLES.items():
        geopackage.write_table(path, name, shelf.read(name), tables.table_schema(columns))
    run = tables.run_rows(run_facts)
    geopackage.write_table(path, "run", iter([run]), run.schema)
    tally.tables["run"] = len(run)
    if outgoing.annuli is not None:
        geopackage.write_polygons(path, "rings", shelf.read("rings"), tables.RING_SCHEMA, outgoing.crs)
    geopackage.finish(path, dict(tally.tables))
    write_dictionary(folder / "columns.csv", units, outgoing.foot)
    return tally


def _layer(
    outgoing: Outgoing, schema: pa.Schema, csv: ScheduleCsv, shelf: _Shelf, tally: Tally
) -> Iterator[pa.RecordBatch]:
    """Rows of the layer; the rows of the other tables and of the CSV are put aside on the way.

    Nothing here or in `read_buckets` holds on to a bucket while the next one is read.
    """

    def rows(bucket: Bucket) -> pa.RecordBatch:
        tally.add(bucket)
        layer = tables.schedule_rows(bucket, outgoing.naming, schema)
        csv.add(layer, *bucket.raw.points.T)
        side = side_rows(bucket, outgoing.naming)
        if outgoing.annuli is not None:
            side["rings"] = outgoing.annuli(bucket)
        for name, batch in side.items():
            shelf.put(name, batch)
            tally.tables[name] += len(batch)
        tally.tables["schedule"] += len(layer)
        return layer

    return map(rows, read_buckets(outgoing))


def side_rows(bucket: Bucket, naming: Naming) -> dict[str, pa.RecordBatch]:
    """Rows of one bucket in each table that stands beside the layer."""
    return {
        "ordinates": tables.ordinate_rows(bucket),
        "stack_parts": tables.stack_rows(bucket, naming),
        "reasons": tables.reason_rows(bucket),
        "models": tables.model_rows(bucket),
    }


def read_buckets(outgoing: Outgoing) -> Iterator[Bucket]:
    """Buckets in input order, with the verdicts made final by the reasons found at the door and over the run."""
    return map(partial(_read_bucket, outgoing), count(), read_batches(outgoing.naming.facts))


def _read_bucket(outgoing: Outgoing, number: int, raw: RawBatch) -> Bucket:
    results = outgoing.spill.bucket("results", number)
    if len(results) != len(raw) or not np.array_equal(results["row"], raw.first + np.arange(len(raw))):
        raise OutputError(f"{len(results)} of {len(raw)} structures came back from row {raw.first} on")
    return final_bucket(results, outgoing.spill.bucket("reasons", number), raw, outgoing.naming, outgoing.bias)


def final_bucket(results: Records, reasons: Records, raw: RawBatch, naming: Naming, bias: Bias | None) -> Bucket:
    """A bucket whose verdicts heed all reasons.

    Parameters
    ----------
    results, reasons : of the rows of `raw`; the results in their order
    """
    reasons = _with_bias(results, reasons, bias)
    reasons = reasons.take(np.lexsort((reasons["subject"], reasons["code"], reasons["row"])))
    bucket = Bucket(results, reasons, raw, np.empty(0, dtype=object))
    return Bucket(_final(results, reasons, raw.first), reasons, raw, tables.source_texts(bucket, naming, "id"))


def _with_bias(results: Records, reasons: Records, bias: Bias | None) -> Records:
    """Each structure whose rim was believed as surveyed carries the bias of the batch."""
    if bias is None:
        return reasons
    rows = results["row"][results["rims.rim_basis"] == RIM_BASES.index("surveyed")]
    added = np.zeros(len(rows), dtype=reasons.dtype)
    added["row"], added["code"], added["subject"] = rows, CODES["batch_bias"], -1
    added["value"], added["limit"] = round(1000 * bias.median, 3), 1000 * LEAST_BIAS
    return np.concatenate([reasons, added])


def _final(results: Records, reasons: Records, first: int) -> Records:
    place = reasons["row"] - first
    for name, table in (("severity", SEVERITY), ("ready", READINESS)):
        column = results[f"verdicts.{name}"]
        np.maximum.at(column, place, np.array(table, dtype=column.dtype)[reasons["code"]])
    return results


class _Shelf:
    """Rows of the side tables, put aside while the layer is written, then streamed."""

    def __init__(self, folder: Path, rings: bool) -> None:
        schemas = {name: tables.table_schema(columns) for name, columns in SIDE_TABLES.items()}
        if rings:
            schemas["rings"] = tables.RING_SCHEMA
        self._paths = {name: folder / f"{name}.arrow" for name in schemas}
        self._writers = {name: pa.ipc.new_file(str(self._paths[name]), schema) for name, schema in schemas.items()}

    def put(self, name: str, batch: pa.RecordBatch) -> None:
        """Add rows of a table."""
        self._writers[name].write_batch(batch)

    def close(self) -> None:
        """No more rows come."""
        for writer in self._writers.values():
            writer.close()

    def read(self, name: str) -> Iterator[pa.RecordBatch]:
        """The rows of a table, in the order in which they were put."""
        with pa.OSFile(str(self._paths[name])) as file:
            reader = pa.ipc.open_file(file)
            for index in range(reader.num_record_batches):
                yield reader.get_batch(index)
