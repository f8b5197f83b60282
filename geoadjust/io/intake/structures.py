"""The layer of structures: what it is, and its rows in batches, in the order of the file.

Vector files are looked at with one driver and read in bulk as Arrow; CSV files are read as text. No row is dropped and
no value is changed: what a row says becomes numbers in `geoadjust.io.intake.door`.
"""

from __future__ import annotations

import csv
import difflib
import io
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from geoadjust.core.inputs import INPUT_NAMES, INPUTS
from geoadjust.core.rules import StructuresTable
from geoadjust.errors import Fault, InputError
from geoadjust.io.coordinates.crs import read_crs, same_crs
from geoadjust.io.coordinates.systems import unit_faults
from geoadjust.io.fingerprint import fingerprint
from geoadjust.io.intake import surveyed
from geoadjust.io.landxml import networks
from geoadjust.io.landxml.document import ENDINGS as LANDXML
from geoadjust.io.safe import check_path, measures_dropped, probe_vector

Floats = NDArray[np.float64]

BATCH = 16_384
POINT, MULTIPOINT = 0, 4
WHERE = "structures"
POINT_TYPES = ("Point", "MultiPoint", "Unknown", "GeometryCollection")


@dataclass(frozen=True, slots=True)
class StructureFacts:
    """What is known of a layer of structures without reading its values; `columns` maps our names to theirs.

    `vertical_unit` is what the file itself says, beside its CRS; '' where it says nothing. `order` and `codes` are
    the job's, of survey points. `notes` are what a careful user wants to know.
    """

    path: str
    driver: str
    layer: str
    crs: str
    fields: tuple[str, ...]
    columns: Mapping[str, str]
    fingerprint: str
    encoding: str = ""
    delimiter: str = ","
    open_options: Mapping[str, str] = field(default_factory=dict)
    vertical_unit: str = ""
    order: tuple[str, ...] = ()
    codes: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class RawBatch:
    """Rows as they stand in the file.

    `parts` (n,) counts the points of each geometry: 1 is usable, 0 is none. `east`, `north`, `elevation` are NaN where
    the position is not usable; `points` (n, 2) are the first points as read, of several parts too, for writing back.
    """

    first: int
    attributes: pa.Table
    east: Floats
    north: Floats
    elevation: Floats
    parts: NDArray[np.int64]
    points: Floats

    def __len__(self) -> int:
        return len(self.east)

    def piece(self, first: int, count: int) -> RawBatch:
        """Some of the rows, from place `first` on; slices of the same arrays."""
        part = slice(first, first + count)
        arrays = (self.east[part], self.north[part], self.elevation[part], self.parts[part], self.points[part])
        return RawBatch(self.first + first, self.attributes.slice(first, count), *arrays)


def describe_structures(table: StructuresTable) -> StructureFacts:
    """Facts of the layer that a job names.

    Raises
    ------
    InputError
        with every fault: not readable, no points, no CRS or a contradicted one, mapped columns that do not exist
    """
    path = check_path(table.path, where=f"{WHERE}.path")
    if faults := surveyed.setting_faults(path, table):
        raise InputError(faults)
    ending = path.suffix.lower()
    if ending in LANDXML:
        return _describe_network(path, table)
    if ending in surveyed.ENDINGS and table.codes:
        return _describe_shots(path, table)
    return _describe_csv(path, table) if ending in surveyed.ENDINGS else _describe_layer(path, table)


def _describe_shots(path: Path, table: StructuresTable) -> StructureFacts:
    mark, fields, encoding = fingerprint(path), surveyed.fields_of(table.order), _utf8(table.encoding)
    lines = surveyed.lines_of(str(path), mark, table.order, encoding, f"{WHERE}.path")
    crs, faults = _crs(None, table, path)
    usual = {ours: theirs for ours, theirs in surveyed.USUAL.items() if ours not in table.columns and theirs in fields}
    columns, column_faults = find_columns(fields, {**usual, **table.columns})
    faults += column_faults
    told = surveyed.tell(str(path), lines, table.codes)
    faults += surveyed.empty_faults(told, lines, table.codes)
    if faults:
        raise InputError(faults)
    facts = StructureFacts(str(path), "survey points", "", crs, fields, columns, mark, encoding)
    return replace(facts, order=table.order, codes=table.codes, notes=(told,))


def _describe_network(path: Path, table: StructuresTable) -> StructureFacts:
    mark = fingerprint(path)
    structs = networks.network_of(str(path), mark, f"{WHERE}.path")
    crs, faults = _crs(structs.crs or None, table, path)
    usual = {ours: theirs for ours, theirs in networks.USUAL.items() if ours not in table.columns}
    columns, column_faults = find_columns(networks.FIELDS, {**usual, **table.columns})
    faults += column_faults
    if crs:
        faults += unit_faults(structs.horizontal_unit, read_crs(crs, where=f"{WHERE}.crs"), str(path), f"{WHERE}.crs")
    if not len(structs):
        remedy = "export the pipe network with the file; a surface in it is read with --surface"
        faults.append(Fault(f"{WHERE}.path", f"{path} has no structure in a pipe network", remedy=remedy))
    if faults:
        raise InputError(faults)
    return StructureFacts(
        str(path), "LandXML", "", crs, networks.FIELDS, columns, mark, vertical_unit=structs.vertical_unit
    )


def _describe_layer(path: Path, table: StructuresTable) -> StructureFacts:
    found = probe_vector(path, where=f"{WHERE}.path", layer=table.layer or None)
    faults = []
    kind = found.geometry_type.replace("3D ", "").replace("Measured ", "").split(" ")[0]
    if kind not in POINT_TYPES:
        faults.append(Fault(f"{WHERE}.path", f"layer {found.layer!r} of {path} holds {found.geometry_type}", "points"))
    crs, crs_faults = _crs(found.crs_wkt, table, path)
    columns, column_faults = find_columns(found.fields, table.columns)
    faults += [*crs_faults, *column_faults]
    if found.count == 0:
        faults.append(Fault(f"{WHERE}.path", f"layer {found.layer!r} of {path} has no rows"))
    if faults:
        raise InputError(faults)
    encoding = (found.encoding or table.encoding) if found.driver == "ESRI Shapefile" else ""
    return StructureFacts(
        path=str(path),
        driver=found.driver,
        layer=found.layer,
        crs=crs,
        fields=tuple(found.fields),
        columns=columns,
        fingerprint=fingerprint(path),
        encoding=encoding,
        open_options=found.open_options,
        notes=(f"{path}: the measures (M) of its points are not read",) * ("Measured" in found.geometry_type),
    )


def _describe_csv(path: Path, table: StructuresTable) -> StructureFacts:
    try:
        with open(path, encoding=_utf8(table.encoding), newline="") as file:
            head = file.readline()
            rows = bool(file.readline().strip())
    except (UnicodeDecodeError, LookupError) as error:
        what = f"{path} is not {table.encoding}: {error}"
        raise InputError(Fault(f"{WHERE}.encoding", what, remedy='write for example encoding = "cp1252"')) from None
    delimiter = max(",;\t|", key=head.count)
    fields = next(csv.reader(io.StringIO(head), delimiter=delimiter), [])
    faults = [
        Fault(f"{WHERE}.path", f"{path} has two columns named {name!r}", remedy="rename one")
        for name in sorted({name for name in fields if fields.count(name) > 1})
    ]
    if not rows:
        faults.append(Fault(f"{WHERE}.path", f"{path} has no rows"))
    crs, crs_faults = _crs(None, table, path)
    columns, column_faults = find_columns(fields, table.columns)
    for name in ("easting", "northing"):
        if name not in columns:
            remedy = f'write columns = {{ {name} = "..." }}'
            faults.append(Fault(f"{WHERE}.columns.{name}", f"{path} has no such column", ", ".join(fields), remedy))
    faults += [*crs_faults, *column_faults]
    if faults:
        raise InputError(faults)
    encoding = _utf8(table.encoding)
    return StructureFacts(
        str(path), "CSV", path.stem, crs, tuple(fields), columns, fingerprint(path), encoding, delimiter
    )


def _utf8(encoding: str) -> str:
    return "utf-8-sig" if encoding.lower().replace("_", "-") in ("utf-8", "utf8") else encoding


def _crs(own_wkt: str | None, table: StructuresTable, path: Path) -> tuple[str, list[Fault]]:
    where = f"{WHERE}.crs"
    own = read_crs(own_wkt, where=where) if own_wkt else None
    stated = read_crs(table.crs, where=where) if table.crs else None
    if own is None and stated is None:
        return "", [Fault(where, f"{path} states no CRS", remedy='write crs = "EPSG:..."')]
    if own is not None and stated is not None and not same_crs(own, stated):
        what = f"the job says {stated.name}, {path} says {own.name}"
        return "", [Fault(where, what, remedy="remove the job's crs, or mend the file's")]
    chosen = own if own is not None else stated
    assert chosen is not None
    return chosen.to_wkt(), []


def find_columns(fields: Iterable[str], mapping: Mapping[str, str]) -> tuple[dict[str, str], list[Fault]]:
    """Our column names to theirs: mapped ones first, then columns that already bear our name in any case.

    Examples
    --------
    >>> find_columns(["ASSET_NO", "Rim", "street"], {"id": "ASSET_NO"})[0]
    {'id': 'ASSET_NO', 'street': 'street', 'rim': 'Rim'}
    """
    fields = list(fields)
    found, faults = {}, []
    for name in INPUT_NAMES:
        where = f"{WHERE}.columns.{name}"
        theirs = mapping.get(name)
        if theirs is not None and theirs not in fields and theirs != "@z":
            close = difflib.get_close_matches(theirs, fields, n=1)
            remedy = f"did you mean {close[0]}?" if close else "write a column that the layer has"
            faults.append(Fault(where, f"the layer has no column {theirs!r}", ", ".join(fields), remedy))
        alike = [field for field in fields if field.lower() == name]
        if theirs is None and len(alike) > 1 and name not in alike:
            faults.append(Fault(where, f"{' and '.join(alike)} both look like it", remedy="map one of them"))
        chosen = theirs if theirs is not None else name if name in alike else alike[0] if alike else None
        if chosen is not None:
            found[name] = chosen
    return found, faults


def lookalikes(fields: Iterable[str], columns: Mapping[str, str]) -> list[str]:
    """Columns that sound like an elevation and are not mapped: nothing is guessed from them."""
    words = ("rim", "elev", "topcov", "tc_", "cover_l", "inv", "z_", "grnd", "ground")
    used = set(columns.values())
    return [name for name in fields if name not in used and any(word in name.lower() for word in words)]


def read_batches(facts: StructureFacts, *, only: Iterable[str] | None = None) -> Iterator[RawBatch]:
    """All rows, in the order of the file, in batches of up to BATCH.

    Parameters
    ----------
    facts : of the layer
    only : names of the attributes to read; None = all
    """
    wanted = None if only is None else [name for name in facts.fields if name in set(only)]
    readers = {"CSV": _read_csv, "LandXML": _read_network, "survey points": _read_shots}
    batches = readers.get(facts.driver, _read_layer)(facts, wanted)
    first = 0
    for table, east, north, elevation, parts in batches:
        points = np.stack([east, north], axis=1)
        one = [np.where(parts == 1, values, np.nan) for values in (east, north, elevation)]
        yield RawBatch(first, table, one[0], one[1], one[2], parts, points)
        first += len(parts)


PLAIN_POINT = np.dtype([("order", "u1"), ("type", "<u4"), ("east", "<f8"), ("north", "<f8")])
"""Well-known binary of a point with two coordinates."""

Parts = tuple[pa.Table, Floats, Floats, Floats, NDArray[np.int64]]


def _read_layer(facts: StructureFacts, only: list[str] | None) -> Iterator[Parts]:
    from pyogrio.errors import DataSourceError
    from pyogrio.raw import open_arrow

    options = dict(facts.open_options)
    settings: dict[str, Any] = {"layer": facts.layer, "columns": only, "batch_size": BATCH, "use_pyarrow": True}
    if facts.encoding:
        settings["encoding"] = facts.encoding
    try:
        with ExitStack() as stack:
            with measures_dropped():
                meta, reader = stack.enter_context(open_arrow(facts.path, **settings, **options))
            geometry = meta["geometry_name"] or "wkb_geometry"
            for table in _rechunked(reader):
                _check_encoding(table, facts)
                yield table.drop_columns([geometry]), *_points(table.column(geometry))
    except (DataSourceError, pa.ArrowException, RuntimeError) as error:
        raise InputError(Fault(f"{WHERE}.path", f"{facts.path} cannot be read: {error}")) from error


def _check_encoding(table: pa.Table, facts: StructureFacts) -> None:
    """Texts of a shapefile that states no encoding, or the wrong one, are told before anything reads them."""
    if not facts.encoding:
        return
    try:
        table.validate(full=True)
    except pa.ArrowInvalid:
        remedy = 'write for example encoding = "cp1252"'
        raise InputError(Fault(f"{WHERE}.encoding", f"{facts.path} is not {facts.encoding}", remedy=remedy)) from None


def _rechunked(reader: Iterable[pa.RecordBatch]) -> Iterator[pa.Table]:
    """Tables of exactly BATCH rows, the last one shorter, whatever the driver hands over."""
    held: list[pa.RecordBatch] = []
    count = 0
    for batch in reader:
        held.append(batch)
        count += batch.num_rows
        while count >= BATCH:
            table = pa.Table.from_batches(held)
            yield table.slice(0, BATCH)
            held, count = table.slice(BATCH).to_batches(), count - BATCH
    if count:
        yield pa.Table.from_batches(held)


def _points(column: pa.ChunkedArray) -> tuple[Floats, Floats, Floats, NDArray[np.int64]]:
    """First point of each geometry and the number of its points."""
    import shapely

    plain = _plain_points(column)
    if plain is not None:
        east, north = plain
        there = np.isfinite(east) & np.isfinite(north)
        found = np.where(there, east, np.nan), np.where(there, north, np.nan)
        return *found, np.full(len(east), np.nan), there.astype(np.int64)
    geometries = shapely.from_wkb(column.to_numpy(zero_copy_only=False))
    kinds = shapely.get_type_id(geometries)
    usable = np.isin(kinds, [POINT, MULTIPOINT]) & ~shapely.is_empty(geometries)
    parts = np.where(usable, shapely.get_num_geometries(geometries), 0)
    first = np.where(kinds == MULTIPOINT, shapely.get_geometry(geometries, 0), geometries)
    first = np.where(usable, first, None)
    east, north = shapely.get_x(first), shapely.get_y(first)
    finite = np.isfinite(east) & np.isfinite(north)
    elevation = shapely.get_z(first)
    return (
        np.where(finite, east, np.nan),
        np.where(finite, north, np.nan),
        np.where(np.isfinite(elevation), elevation, np.nan),
        np.where(finite, parts, 0).astype(np.int64),
    )


def _plain_points(column: pa.ChunkedArray) -> tuple[Floats, Floats] | None:
    """Coordinates (n,) where every geometry is a little-endian point without a height; else None."""
    sizes = pc.min_max(pc.binary_length(column)).as_py()
    if column.null_count or set(sizes.values()) != {PLAIN_POINT.itemsize}:
        return None
    packed = np.frombuffer(b"".join(column.to_pylist()), dtype=PLAIN_POINT)
    if (packed["order"] != 1).any() or (packed["type"] != 1).any():
        return None
    return packed["east"], packed["north"]


def _read_network(facts: StructureFacts, only: list[str] | None) -> Iterator[Parts]:
    structs = networks.network_of(facts.path, facts.fingerprint, f"{WHERE}.path")
    yield from _batches(networks.network_rows(structs), only)


def _read_shots(facts: StructureFacts, only: list[str] | None) -> Iterator[Parts]:
    lines = surveyed.lines_of(facts.path, facts.fingerprint, facts.order, facts.encoding, f"{WHERE}.path")
    yield from _batches(surveyed.shot_rows(surveyed.choose(lines, facts.codes), facts.fields), only)


def _batches(rows: Parts, only: list[str] | None) -> Iterator[Parts]:
    """Rows that are held as a whole, in batches."""
    table, east, north, elevation, parts = rows
    table = table if only is None else table.select(only)
    for first in range(0, len(parts), BATCH):
        some = slice(first, first + BATCH)
        yield table.slice(first, BATCH), east[some], north[some], elevation[some], parts[some]


def _read_csv(facts: StructureFacts, only: list[str] | None) -> Iterator[Parts]:
    import pandas as pd

    place = [facts.columns["easting"], facts.columns["northing"]]
    wanted = None if only is None else list(dict.fromkeys([*only, *place]))
    try:
        with pd.read_csv(
            facts.path,
            sep=facts.delimiter,
            dtype=str,
            keep_default_na=False,
            na_filter=False,
            encoding=facts.encoding,
            chunksize=BATCH,
            usecols=wanted,
            skip_blank_lines=False,
            index_col=False,
        ) as chunks:
            for frame in chunks:
                yield _csv_rows(frame.fillna(""), place)
    except (pd.errors.ParserError, pd.errors.ParserWarning, UnicodeDecodeError) as error:
        raise InputError(Fault(f"{WHERE}.path", f"{facts.path} cannot be read: {error}")) from None


def _csv_rows(frame: Any, place: Sequence[str]) -> Parts:
    """Rows of a CSV and their places; `place` names the columns of easting and northing."""
    import pandas as pd

    east, north = (pd.to_numeric(frame[name].str.strip(), errors="coerce").to_numpy(float) for name in place)
    finite = np.isfinite(east) & np.isfinite(north)
    table = pa.Table.from_pandas(frame, preserve_index=False).replace_schema_metadata(None)
    nothing = np.full(len(frame), np.nan)
    return table, np.where(finite, east, np.nan), np.where(finite, north, np.nan), nothing, finite.astype(np.int64)


def describe_columns(facts: StructureFacts) -> str:
    """The mapping in words, for `check`."""
    return ", ".join(f"{ours} = {theirs}" for ours, theirs in facts.columns.items() if ours in INPUTS) or "none"
