"""Tables of a result, bucket by bucket, from the records of a run: the layer, ordinates, stack parts, reasons, models.

Everything is vectorised over a bucket; texts are looked up or built once per row.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pyarrow as pa
import shapely
from numpy.typing import NDArray

from geoadjust.core.columns import STATIONS
from geoadjust.core.flag_list import FLAGS, Flag
from geoadjust.core.inputs import INPUT_COLUMNS, INPUT_NAMES
from geoadjust.core.parts import Catalogue
from geoadjust.core.ring import Ring, inner_radius, outer_radius
from geoadjust.core.rules import RuleSet
from geoadjust.io.columns import COVARIANCE, MODELS, ORDINATES, REASONS, SCHEDULE, Column
from geoadjust.io.remarks import remarks
from geoadjust.io.spill import Records
from geoadjust.io.stack_table import stack_table, stack_texts
from geoadjust.io.structures import RawBatch, StructureFacts
from geoadjust.io.values import read_texts
from geoadjust.units import format_mm

Texts = NDArray[np.object_]
TYPES = {"text": pa.string(), "real": pa.float64(), "integer": pa.int64()}
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
    existing: Sequence[str]
    finished: Sequence[str]
    facts: StructureFacts
    units: str


def table_schema(columns: Iterable[Column]) -> pa.Schema:
    """Arrow schema of a table."""
    return pa.schema([(column.name, TYPES[column.type]) for column in columns])


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
    texts = schedule_texts(bucket, naming)
    arrays = [texts[column.name] if column.name in texts else _published(bucket, column) for column in SCHEDULE]
    count = len(SCHEDULE)
    for field, column in zip(list(schema)[count:-1], bucket.raw.attributes.columns, strict=True):
        arrays.append(_as(column, field.type))
    return pa.record_batch([*arrays, points(bucket.raw)], schema=schema)


def _as(column: pa.ChunkedArray, kind: pa.DataType) -> pa.Array:
    column = column.combine_chunks()
    if column.type == kind:
        return column
    if pa.types.is_nested(column.type) or pa.types.is_binary(column.type):
        return pa.array([None if value is None else str(value) for value in column.to_pylist()], pa.string())
    return column.cast(kind)


def points(raw: RawBatch) -> pa.Array:
    """Geometries as well-known binary, NULL where a row has none."""
    packed = np.zeros(len(raw), dtype=np.dtype([("order", "u1"), ("type", "<u4"), ("east", "<f8"), ("north", "<f8")]))
    packed["order"], packed["type"], packed["east"], packed["north"] = 1, 1, *raw.points.T
    fixed = pa.FixedSizeBinaryArray.from_buffers(pa.binary(21), len(raw), [None, pa.py_buffer(packed.tobytes())])
    there = pa.array(np.isfinite(raw.points[:, 0]))
    return pa.compute.if_else(there, fixed.cast(pa.binary()), pa.scalar(None, pa.binary()))


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


def numbers(values: NDArray[np.float64]) -> pa.Array:
    """Numbers, NULL for NaN."""
    return pa.array(values, mask=~np.isfinite(values))


def words(index: NDArray[Any], names: Sequence[str]) -> pa.Array:
    """Words by index, NULL for -1."""
    index = index.astype(np.int32)
    return pa.DictionaryArray.from_arrays(pa.array(index, mask=index < 0), pa.array(names, pa.string())).cast(
        pa.string()
    )


def schedule_texts(bucket: Bucket, naming: Naming) -> dict[str, pa.Array]:
    """Columns of the layer that are texts of the run, not figures of the core."""
    results = bucket.results
    catalogue = naming.catalogue
    stacks, others = (stack_texts(results, catalogue.ring, bundle) for bundle in ("stacks", "others"))
    return {
        "structure_id": pa.array(bucket.ids, pa.string()),
        "street": pa.array(source_texts(bucket, naming, "street"), pa.string()),
        "casting": pa.array(source_texts(bucket, naming, "casting"), pa.string()),
        "rule_set": words(results["structures.rule_set"], [rules.name for rules in naming.rules]),
        "surface_source": surface_names(results, naming),
        "stack": pa.array(stacks, pa.string(), mask=results["stacks.count"] < 0),
        "other_stack": pa.array(others, pa.string(), mask=results["others.count"] < 0),
        "liner": words(results["liners.part"], [part.id for part in catalogue.liner]),
        "flags": pa.array(flag_texts(bucket), pa.string()),
        "remark": pa.array(remarks(results, stacks, catalogue, naming.units), pa.string()),
    }


def surface_names(results: Records, naming: Naming) -> pa.Array:
    """Surface that the finished road was read from; outside the paving that is the road of today."""
    design = bool(naming.finished) & (results["structures.paved"] != 0)
    source = results["finished.source"].astype(int)
    index = np.where(design & (source >= 0), source + len(naming.existing), source)
    return words(index, [*naming.existing, *naming.finished])


def source_texts(bucket: Bucket, naming: Naming, name: str) -> Texts:
    """A text column of the layer by our name, '' where there is none."""
    theirs = naming.facts.columns.get(name)
    column = None if theirs is None else bucket.raw.attributes.column(theirs)
    return read_texts(column, len(bucket.raw))


def flag_texts(bucket: Bucket) -> list[str]:
    """Codes of each structure's reasons, each once, joined by blanks."""
    found: list[dict[str, None]] = [{} for _ in range(len(bucket.results))]
    first = bucket.raw.first
    for row, code in zip(bucket.reasons["row"].tolist(), bucket.reasons["code"].tolist(), strict=True):
        found[row - first][FLAGS[code].code] = None
    return [" ".join(codes) for codes in found]


def ordinate_rows(bucket: Bucket) -> pa.RecordBatch:
    """Ordinates of the structures that have any."""
    kept = np.flatnonzero(bucket.results["cuts.basis"] >= 0)
    records = bucket.results[kept]
    boxed = np.isfinite(records["structures.flange_length"]) & np.isnan(records["cuts.radius"])
    sizes = {
        "radius_mm": records["cuts.radius"],
        "wrap_mm": records["cuts.wrap"],
        "width_mm": np.where(boxed, records["structures.flange_diameter"], np.nan),
        "length_mm": np.where(boxed, records["structures.flange_length"], np.nan),
    }
    heights = np.round(records["cuts.ordinates"] * 1000.0, 3) + 0.0
    arrays = [
        pa.array(records["structures.row"]),
        pa.array(bucket.ids[kept], pa.string()),
        pa.array(records["cuts.count"].astype(np.int64)),
        words(records["cuts.basis"], ORDINATES[3].words),
        numbers(np.round(np.degrees(records["cuts.first"]), 6)),
        *(numbers(np.round(values * 1000.0, 3)) for values in sizes.values()),
        *(numbers(np.ascontiguousarray(heights[:, i])) for i in range(STATIONS)),
    ]
    return pa.record_batch(arrays, schema=table_schema(ORDINATES))


def stack_rows(bucket: Bucket, naming: Naming) -> pa.RecordBatch:
    """Parts of every stack of one bucket."""
    return stack_table(bucket.results, bucket.ids.tolist(), naming.catalogue)


def reason_rows(bucket: Bucket) -> pa.RecordBatch:
    """Reasons of one bucket with their sentences."""
    reasons = bucket.reasons
    flags = [FLAGS[code] for code in reasons["code"].tolist()]
    subjects = reasons["subject"].tolist()
    figures = zip(flags, reasons["value"].tolist(), reasons["limit"].tolist(), subjects, strict=True)
    arrays = [
        pa.array(reasons["row"]),
        pa.array(bucket.ids[reasons["row"] - bucket.raw.first], pa.string()),
        pa.array([flag.code for flag in flags], pa.string()),
        pa.array([REASONS[3].words[flag.severity] for flag in flags], pa.string()),
        numbers(reasons["value"]),
        numbers(reasons["limit"]),
        pa.array([unit_of(flag, subject) for flag, subject in zip(flags, subjects, strict=True)], pa.string()),
        pa.array([sentence(*figure) for figure in figures], pa.string()),
    ]
    return pa.record_batch(arrays, schema=table_schema(REASONS))


UNSIGNED = ("rim_disagrees", "batch_bias", "no_ring_stack")
"""Sentences that say how far off something is; the table's value keeps the sign."""


GROUP_UNITS = {"height": "m", "dimension": "m", "size": "m", "angle": "deg", "slope": "m/m"}
"""Units in which values of an input column are judged."""


def unit_of(flag: Flag, subject: int) -> str:
    """Unit of a reason's value and limit: the flag's, else that of the column it speaks of.

    Examples
    --------
    >>> from geoadjust.core.flags import CODES
    >>> unit_of(FLAGS[CODES["value_implausible"]], INPUT_NAMES.index("axis")), unit_of(FLAGS[CODES["steep"]], -1)
    ('deg', '%')
    """
    return flag.unit or (GROUP_UNITS.get(INPUT_COLUMNS[subject].group, "") if subject >= 0 else "")


def sentence(flag: Flag, value: float, limit: float, subject: int) -> str:
    """The reason in words.

    Examples
    --------
    >>> from geoadjust.core.flags import CODES
    >>> sentence(FLAGS[CODES["steep"]], 12.345, 10.0, -1)
    'The finished road slopes 12.3 % (limit 10 %).'
    >>> sentence(FLAGS[CODES["value_implausible"]], 0.018, 0.025, INPUT_NAMES.index("casting_height"))
    'casting_height 0.018 m is not plausible (limit 0.025 m); left out.'
    """
    name = INPUT_NAMES[subject] if subject >= 0 else ""
    value = abs(value) if flag.code in UNSIGNED else value
    unit = unit_of(flag, subject)
    return flag.text.format(value=_figure(value, unit), limit=_figure(limit, unit), subject=name)


DIGITS = {"m": 3}


def _figure(value: float, unit: str) -> str:
    if not np.isfinite(value):
        return "an unknown amount"
    if unit == "mm":
        return format_mm(value / 1000, 1).replace(".0 mm", " mm")
    if unit == "m/m":
        value, unit = 100 * value, "%"
    digits = DIGITS.get(unit, 1)
    value = round(value, digits) + 0.0
    text = f"{value:.{digits}f}".rstrip("0").rstrip(".") if abs(value) < 1e6 else f"{value:g}"
    return f"{text} {unit}".strip()


def model_rows(bucket: Bucket) -> pa.RecordBatch:
    """Inner figures of one bucket."""
    schema = table_schema(MODELS)
    arrays = [pa.array(bucket.results["structures.row"])]
    for column in MODELS[1:]:
        values = bucket.results[column.source].astype(float)
        if values.ndim == 3:
            i, j = COVARIANCE[len(arrays) - (len(MODELS) - len(COVARIANCE))]
            values = values[:, i, j]
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
