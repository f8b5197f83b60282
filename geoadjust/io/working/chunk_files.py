"""One file per computed chunk: tables of records, whole or not there at all.

::

    magic, 8 bytes | length of the header, 4 bytes | CRC-32 of all that follows, 4 bytes | header, JSON | records

The header names the key of the run, the number of the chunk, and each table with its fields and its count; the records
of the tables follow one after the other. Numbers are little-endian. A file is written under another name and renamed,
so a killed process leaves a chunk or none; the checksum finds what a crash of the machine or a bad disk has done to
it. Nothing is pickled, and a header that asks for Python objects is refused.
"""

from __future__ import annotations

import json
import struct
import zlib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

Records = NDArray[np.void]

MAGIC = b"geoadj01"
_PREFIX = struct.Struct("<8sII")


def write_chunk(path: Path, key: str, number: int, tables: Mapping[str, Records]) -> dict[str, int]:
    """Write the tables of one chunk; gives the place [bytes] at which the records of each begin.

    Raises
    ------
    OSError
        It could not be written; nothing of it is left.
    """
    header = json.dumps({"key": key, "number": number, "tables": _described(tables)}).encode()
    payload = [records.view(np.uint8).reshape(-1).data for records in tables.values()]
    crc = zlib.crc32(header)
    for piece in payload:
        crc = zlib.crc32(piece, crc)
    part = path.with_name(f"{path.name}.part")
    try:
        with open(part, "wb") as file:
            file.write(_PREFIX.pack(MAGIC, len(header), crc) + header)
            for piece in payload:
                file.write(piece)
        part.rename(path)
    except BaseException:
        part.unlink(missing_ok=True)
        raise
    return _places(len(header), tables)


def read_chunk(path: Path, key: str, number: int) -> tuple[dict[str, Records], dict[str, int]] | None:
    """Tables of one chunk and where their records begin; None where the file is missing, damaged or of another run."""
    try:
        with open(path, "rb") as file:
            magic, length, crc = _PREFIX.unpack(file.read(_PREFIX.size))
            body = np.fromfile(file, dtype=np.uint8)
    except (OSError, struct.error):
        return None
    if magic != MAGIC or zlib.crc32(body.data) != crc:
        return None
    try:
        header = json.loads(body[:length].tobytes())
        tables = _tables(header["tables"], body[length:])
    except (ValueError, KeyError, TypeError):
        return None  # the checksum holds: somebody else's file
    if (header["key"], header["number"]) != (key, number):
        return None
    return tables, _places(length, tables)


def read_records(path: Path, first: int, into: NDArray[np.uint8]) -> None:
    """Fill an array of bytes from a place [bytes] of a file on.

    Raises
    ------
    OSError
        The file has become shorter.
    """
    with open(path, "rb", buffering=0) as file:
        file.seek(first)
        view = into.data
        while view:
            count = file.readinto(view)
            if not count:
                raise OSError(f"{path} was damaged while the run went on")
            view = view[count:]


def _described(tables: Mapping[str, Records]) -> list[dict[str, Any]]:
    return [{"name": name, "fields": records.dtype.descr, "count": len(records)} for name, records in tables.items()]


def _tables(described: list[dict[str, Any]], payload: NDArray[np.uint8]) -> dict[str, Records]:
    tables, first = {}, 0
    for table in described:
        dtype = _dtype(table["fields"])
        last = first + table["count"] * dtype.itemsize
        tables[table["name"]] = payload[first:last].view(dtype)
        first = last
    return tables


def _dtype(fields: list[Any]) -> np.dtype[np.void]:
    dtype = np.dtype([(name, kind, *(tuple(shape) for shape in shapes)) for name, kind, *shapes in fields])
    if dtype.hasobject:
        raise ValueError("a chunk holds numbers, not objects")
    return dtype


def _places(header: int, tables: Mapping[str, Records]) -> dict[str, int]:
    places, first = {}, _PREFIX.size + header
    for name, records in tables.items():
        places[name] = first
        first += records.nbytes
    return places
