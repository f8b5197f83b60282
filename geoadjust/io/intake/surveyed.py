"""Shots of a survey as a layer of structures: those whose description begins with one of the job's codes."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from functools import lru_cache
from pathlib import Path

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from geoadjust.core.rules import StructuresTable
from geoadjust.errors import Fault
from geoadjust.io.tin.shots import ShotLines, has_code, read_lines

Floats = NDArray[np.float64]

FIELDS = ("point", "code", "description", "northing", "easting", "elevation")
USUAL = {"id": "point", "kind": "code", "rim": "elevation", "note": "description"}
"""Our columns -> theirs, where the job does not say otherwise."""
ENDINGS = (".csv", ".txt")
WHERE = "structures"
MOST_CODES = 12


def setting_faults(path: Path, table: StructuresTable) -> list[Fault]:
    """Settings of survey points that do not fit the source, or one another."""
    if table.codes and path.suffix.lower() not in ENDINGS:
        remedy = "leave codes out, and keep only structures in that layer"
        return [Fault(f"{WHERE}.codes", f"{path} is no text file of survey points", ", ".join(ENDINGS), remedy)]
    if table.codes and "description" not in table.order:
        remedy = "name the column that holds the codes description"
        return [Fault(f"{WHERE}.order", "codes are stated, and no column holds them", remedy=remedy)]
    if table.order != StructuresTable.order and not table.codes:
        remedy = 'write the structures\' codes, for example codes = ["MH"], or leave order out'
        return [Fault(f"{WHERE}.order", "it is that of survey points, and no codes are stated", remedy=remedy)]
    return []


def fields_of(order: Sequence[str]) -> tuple[str, ...]:
    """Columns of the layer, by what the file's columns hold.

    >>> fields_of(("point", "northing", "easting", "elevation"))
    ('point', 'northing', 'easting', 'elevation')
    """
    return tuple(field for field in FIELDS if ("description" if field == "code" else field) in order)


@lru_cache(maxsize=2)
def lines_of(path: str, fingerprint: str, order: tuple[str, ...], encoding: str, where: str) -> ShotLines:
    """The lines of a file; read once in a process as long as the file is the same.

    Raises
    ------
    InputError
        as `read_lines`
    """
    return read_lines(path, order, where=where, encoding=encoding)


def choose(lines: ShotLines, codes: Collection[str]) -> ShotLines:
    """Lines with one of the codes, in the order of the file."""
    return lines.take(has_code(lines.code, codes))


def tell(path: str, lines: ShotLines, codes: Collection[str]) -> str:
    """How many shots are structures, and the codes of the others with their numbers, the most frequent first."""
    chosen = has_code(lines.code, codes)
    others, counts = np.unique(lines.code[~(chosen | lines.head)].astype(str), return_counts=True)
    order = np.argsort(-counts, kind="stable")
    listed = ", ".join(f"{others[i] or 'none'} {counts[i]}" for i in order[:MOST_CODES])
    listed += ", ..." * (len(order) > MOST_CODES)
    all_shots = int(chosen.sum() + counts.sum())
    told = f"{path}: {int(chosen.sum())} of {all_shots} shots are structures"
    return f"{told}; the others' codes: {listed or 'there are none'}"


def empty_faults(told: str, lines: ShotLines, codes: Collection[str]) -> list[Fault]:
    """Fault for a file in which no shot has one of the codes; `told` is what `tell` says of it."""
    if has_code(lines.code, codes).any():
        return []
    return [Fault(f"{WHERE}.codes", told, remedy="write the codes of the structures' shots")]


def shot_rows(lines: ShotLines, fields: Sequence[str]) -> tuple[pa.Table, Floats, Floats, Floats, NDArray[np.int64]]:
    """Attributes, and east, north, elevation (n,) of the shots with the number of their points, 0 or 1."""
    east, north, elevation = lines.place.T
    columns = {
        "point": pa.array(lines.number.tolist(), pa.string()),
        "code": pa.array(lines.code.tolist(), pa.string()),
        "description": pa.array(lines.description.tolist(), pa.string()),
        "northing": pa.array(north, from_pandas=True),
        "easting": pa.array(east, from_pandas=True),
        "elevation": pa.array(elevation, from_pandas=True),
    }
    there = np.isfinite(east) & np.isfinite(north)
    placed = np.where(there, east, np.nan), np.where(there, north, np.nan)
    table = pa.table({field: pa.chunked_array([columns[field]]) for field in fields})
    return table, *placed, elevation, there.astype(np.int64)
