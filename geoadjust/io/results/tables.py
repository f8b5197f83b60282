"""Tables of a result, bucket by bucket, from the records of a run: the layer, ordinates, stack parts, reasons, models.

Everything is vectorised over a bucket; texts are looked up or built once per row.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import shapely
from numpy.typing import NDArray

from geoadjust.core.columns import STATIONS
from geoadjust.core.flag_list import FLAGS
from geoadjust.core.parts import Catalogue
from geoadjust.core.ring import Ring, inner_radius, outer_radius
from geoadjust.core.rules import RuleSet
from geoadjust.io.intake.cells import numbers, words
from geoadjust.io.intake.cells import table_schema as table_schema
from geoadjust.io.intake.structures import PLAIN_POINT, RawBatch, StructureFacts
from geoadjust.io.intake.values import read_texts
from geoadjust.io.results.columns import MODELS, ORDINATES, SCHEDULE, Column
from geoadjust.io.results.reason_table import reason_table
from geoadjust.io.results.remarks import remarks
from geoadjust.io.results.stack_table import stack_table, stack_texts
from geoadjust.io.working.chunk_files import Records

Texts = NDArray[np.object_]
RESERVED = ("fid", "geom", "ogc_fid", "rowid")


@dataclass(frozen=True, slots=True, eq=False)
class Bucket:
    """One bucket on its way out: results and reasons by input row, and the rows of the layer as they stand."""

    results: Records
    reasons: Records
    raw: RawBatch
    ids: Texts


@dataclass(frozen=True, slots=True)
class Naming:
    """What indices in the records stand for."""

    rules: Sequence[RuleSet]
    catalogue: Catalogue
    surfaces: Sequence[str]
    facts: StructureFacts
    units: str


def schedule_schema(source: pa.Schema) -> pa.Schema:
    """Our columns, the input's own (called src_... where they bear one of our names), the geometry."""
    ours = table_schema(SCHEDULE)
    return pa.schema([*ours, *_source_fields(source, set(ours.names)), ("geom", pa.binary())])


def _source_fields(source: pa.Schema, taken: set[str]) -> list[pa.Field]:
    fields = []
    taken = {*taken, *RESERVED}
    for field in source:
        name = field.name
        while name.lower() in taken:
            name = f"src_{name}"
        taken.add(name.lower())
        fields.append(pa.field(name, _storable(field.type)))
    return fields


def _storable(kind: pa.DataType) -> pa.DataType:
    """Types that a GeoPackage has; all others are kept as text."""
    whole = pa.types.is_integer(kind) and not pa.types.is_uint64(kind)
    plain = whole or pa.types.is_floating(kind) or pa.types.is_boolean(kind) or pa.types.is_temporal(kind)
    return kind if plain and not pa.types.is_time(kind) and not pa.types.is_duration(kind) else pa.string()


def schedule_rows(bucket: Bucket, naming: Naming, schema: pa.Schema) -> pa.RecordBatch:
    """The layer's rows of one bucket."""
    arrays, count = schedule_arrays(bucket, naming), len(SCHEDULE)
    for field, column in zip(list(schema)[count:-1], bucket.raw.attributes.columns, strict=True):
        arrays.append(_as(column, field.type))
    return pa.record_batch([*arrays, points(bucket.raw)], schema=schema)


def schedule_arrays(bucket: Bucket, naming: Naming) -> list[pa.Array]:
    """Our columns of the layer, in their order."""
    texts = schedule_texts(bucket, naming)
    return [texts[column.name] if column.name in texts else _published(bucket, column) for column in SCHEDULE]


def _as(column: pa.ChunkedArray, kind: pa.DataType) -> pa.Array:
    column = column.combine_chunks()
    if column.type == kind:
        return column
    if pa.types.is_nested(column.type) or pa.types.is_binary(column.type):
        return pa.array([None if value is None else str(value) for value in column.to_pylist()], pa.string())
    return column.cast(kind)


def points(raw: RawBatch) -> pa.Array:
    """Geometries as well-known binary, NULL where a row has none."""
    packed = np.zeros(len(raw), dtype=PLAIN_POINT)
    packed["order"], packed["type"], packed["east"], packed["north"] = 1, 1, *raw.points.T
    fixed = pa.FixedSizeBinaryArray.from_buffers(
        pa.binary(PLAIN_POINT.itemsize), len(raw), [None, pa.py_buffer(packed.tobytes())]
    )
    there = pa.array(np.isfinite(raw.points[:, 0]))
    return pc.if_else(there, fixed.cast(pa.binary()), pa.scalar(None, pa.binary()))


def published(records: Records, column: Column) -> NDArray[Any]:
    """Values of a numeric column in its published unit, rounded as they are stored."""
    values = records[column.source].astype(float)
    return np.asarray(np.round(values * column.factor, column.decimals) + 0.0)


def _published(bucket: Bucket, column: Column) -> pa.Array:
    if column.words:
        return words(bucket.results[column.source], column.words)
    if column.type == "integer":
        values = bucket.results[column.source].astype(np.int64)
        return pa.array(values, mask=values < 0)
    return numbers(published(bucket.results, column))


def schedule_texts(bucket: Bucket, naming: Naming) -> dict[str, pa.Array]:
    """Columns of the layer that are texts of the run, not figures of the core."""
    results = bucket.results
    catalogue = naming.catalogue
    stacks, others = (stack_texts(results, catalogue.ring, bundle) for bundle in ("stacks", "others"))
    return {
        "structure_id": _ids(bucket),
        "street": pa.array(source_texts(bucket, naming, "street"), pa.string()),
        "casting": pa.array(source_texts(bucket, naming, "casting"), pa.string()),
        "rule_set": words(results["structures.rule_set"], [rules.name for rules in naming.rules]),
        "surface_source": surface_names(results, naming),
        "stack": _where(results["stacks.count"] >= 0, stacks),
        "other_stack": _where(results["others.count"] >= 0, others),
        "liner": words(results["liners.part"], [part.id for part in catalogue.liner]),
        "flags": flag_texts(bucket),
        "remark": remarks(results, stacks, catalogue, naming.units),
    }


def _ids(bucket: Bucket) -> pa.Array:
    return pa.array(bucket.ids, pa.string())


def _where(there: NDArray[np.bool_], texts: pa.Array) -> pa.Array:
    """Texts, NULL elsewhere."""
    return pc.if_else(pa.array(there), texts, pa.scalar(None, pa.string()))


def surface_names(results: Records, naming: Naming) -> pa.Array:
    """Surface that the finished road was read from; outside the paving that is the road of today."""
    return words(results["finished.source"].astype(int), naming.surfaces)


def source_texts(bucket: Bucket, naming: Naming, name: str) -> Texts:
    """A text column of the layer by our name, '' where there is none."""
    theirs = naming.facts.columns.get(name)
    column = None if theirs is None else bucket.raw.attributes.column(theirs)
    return read_texts(column, len(bucket.raw))


def flag_texts(bucket: Bucket) -> pa.Array:
    """Codes of each structure's reasons, each once, joined by blanks."""
    place = bucket.reasons["row"] - bucket.raw.first
    _, first = np.unique(place * len(FLAGS) + bucket.reasons["code"], return_index=True)
    first = np.sort(first)
    first = first[np.argsort(place[first], kind="stable")]
    ends = np.searchsorted(place[first], np.arange(len(bucket.results) + 1))
    codes = words(bucket.reasons["code"][first], [flag.code for flag in FLAGS])
    return pc.binary_join(pa.ListArray.from_arrays(pa.array(ends, pa.int32()), codes), " ")


def ordinate_rows(bucket: Bucket) -> pa.RecordBatch:
    """Ordinates of the structures that have any."""
    kept = np.flatnonzero(bucket.results["cuts.basis"] >= 0)

    def column(name: str) -> NDArray[Any]:
        return np.asarray(bucket.results[name][kept])

    boxed = np.isfinite(column("structures.flange_length")) & np.isnan(column("cuts.radius"))
    sizes = {
        "radius_mm": column("cuts.radius"),
        "wrap_mm": column("cuts.wrap"),
        "width_mm": np.where(boxed, column("structures.flange_diameter"), np.nan),
        "length_mm": np.where(boxed, column("structures.flange_length"), np.nan),
    }
    heights = np.round(column("cuts.ordinates").T * 1000.0, 3) + 0.0
    arrays = [
        pa.array(column("structures.row")),
        _ids(bucket).take(pa.array(kept)),
        pa.array(column("cuts.count").astype(np.int64)),
        words(column("cuts.basis"), ORDINATES[3].words),
        numbers(np.round(np.degrees(column("cuts.first")), 6)),
        *(numbers(np.round(values * 1000.0, 3)) for values in sizes.values()),
        *(numbers(np.ascontiguousarray(heights[i])) for i in range(STATIONS)),
    ]
    return pa.record_batch(arrays, schema=table_schema(ORDINATES))


def stack_rows(bucket: Bucket, naming: Naming) -> pa.RecordBatch:
    """Parts of every stack of one bucket."""
    return stack_table(bucket.results, _ids(bucket), naming.catalogue)


def reason_rows(bucket: Bucket) -> pa.RecordBatch:
    """Reasons of one bucket with their sentences."""
    place = bucket.reasons["row"] - bucket.raw.first
    return reason_table(bucket.reasons, _ids(bucket).take(pa.array(place)))


def model_rows(bucket: Bucket) -> pa.RecordBatch:
    """Inner figures of one bucket."""
    schema = table_schema(MODELS)
    arrays = [pa.array(bucket.results["structures.row"])]
    for column in MODELS[1:]:
        values = bucket.results[column.source].astype(float)
        if values.ndim == 3:
            values = values[:, int(column.name[-2]), int(column.name[-1])]
        digits = 12 if column.unit == "m2, m, 1" else 9
        arrays.append(numbers(np.round(values, digits) + 0.0))
    return pa.record_batch(arrays, schema=schema)


def run_rows(facts: Mapping[str, str]) -> pa.RecordBatch:
    """Table of what decides the numbers."""
    return pa.record_batch(
        [pa.array(list(facts), pa.string()), pa.array(list(facts.values()), pa.string())], ["key", "value"]
    )


RING_SCHEMA = pa.schema(
    [
        ("row", pa.int64()),
        ("structure_id", pa.string()),
        ("inner_m", pa.float64()),
        ("outer_m", pa.float64()),
        ("geom", pa.binary()),
    ]
)
CORNERS = 64


def ring_rows(bucket: Bucket, frames: NDArray[np.float64], ring: Ring) -> pa.RecordBatch:
    """Sampled rings as polygons in the structures' CRS.

    Parameters
    ----------
    frames : (n, 2, 2) coordinates per ground metre
    """
    results, raw = bucket.results, bucket.raw
    flange = np.maximum(results["structures.flange_diameter"], results["structures.old_flange_diameter"]) / 2
    spacing = results["finished.spacing"]
    inner, outer = inner_radius(flange, spacing, ring), outer_radius(spacing, ring)
    kept = np.flatnonzero(np.isfinite(raw.east) & np.isfinite(frames).all(axis=(1, 2)))
    shell, hole = (_circles(raw, frames, radius, kept) for radius in (outer, inner))
    holes: Any = shapely.linearrings(hole[:, ::-1])
    polygons = shapely.polygons(shapely.linearrings(shell), holes[:, None])
    arrays = [
        pa.array(results["structures.row"][kept]),
        pa.array(bucket.ids[kept], pa.string()),
        numbers(np.round(inner[kept], 6)),
        numbers(np.round(outer[kept], 6)),
        pa.array(list(shapely.to_wkb(polygons)), pa.binary()),
    ]
    return pa.record_batch(arrays, schema=RING_SCHEMA)


def _circles(
    raw: RawBatch, frames: NDArray[np.float64], radius: NDArray[np.float64], kept: NDArray[np.intp]
) -> NDArray[np.float64]:
    turn = np.linspace(0, 2 * np.pi, CORNERS + 1)
    metres = radius[kept][:, None, None] * np.stack([np.cos(turn), np.sin(turn)], axis=1)
    centre = np.stack([raw.east, raw.north], axis=1)[kept]
    return np.asarray(centre[:, None, :] + np.einsum("nij,nkj->nki", frames[kept], metres))
