"""What a run keeps on disk while it runs, so that memory grows neither with the structures nor with the raster.

Rows taken in lie one after the other in one file per kind, from which chunks take theirs. Each chunk's results and
reasons lie in one file, sorted by input row: so its share of a *bucket*, BUCKET input rows, is one piece of the file,
and a bucket is gathered from the pieces of all chunks. The files of the chunks outlive a run that is interrupted.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from geoadjust.io.working.chunk_files import Records, read_chunk, read_records, write_chunk

BUCKET = 16_384

Arrays = Mapping[str, NDArray[Any]]
Rows = NDArray[np.integer[Any]]


@dataclass(frozen=True, slots=True, eq=False)
class _Pieces:
    """Where the pieces of one table of one file lie: bucket numbers, and the first record of each and of none."""

    path: Path
    place: int
    buckets: Rows
    firsts: Rows

    def of(self, bucket: int) -> tuple[int, int]:
        """First and last record (exclusive) of a bucket."""
        index = int(np.searchsorted(self.buckets, bucket))
        if index == len(self.buckets) or self.buckets[index] != bucket:
            return 0, 0
        return int(self.firsts[index]), int(self.firsts[index + 1])


class Spill:
    """Files of one run.

    Parameters
    ----------
    folder : for rows taken in; the caller removes it
    chunks : for the files of the chunks; the caller keeps or removes it
    key : hash of all that decides the figures; a chunk of another key is none of this run
    """

    def __init__(self, folder: Path, chunks: Path, key: str = "") -> None:
        self.folder, self.chunks, self.key = folder, chunks, key
        self._kinds: dict[str, np.dtype[np.void]] = {}
        self._pieces: dict[str, list[_Pieces]] = {}
        self._lengths: dict[str, int] = {}

    def append(self, kind: str, arrays: Arrays) -> None:
        """Add rows to the file of a kind."""
        records = to_records(arrays)
        self._check(kind, records)
        with open(self._rows(kind), "ab") as file:
            file.write(records.view(np.uint8).data)  # a full disk is told by its number; tofile loses it
        self._lengths[kind] = self._lengths.get(kind, 0) + len(records)

    def append_sorted(self, kind: str, arrays: Arrays) -> None:
        """Add rows, sorted by their `row`, so that `bucket` finds them too."""
        first = self._lengths.get(kind, 0)
        order = np.argsort(arrays["row"], kind="stable")
        self.append(kind, {name: array[order] for name, array in arrays.items()})
        self._note(kind, self._rows(kind), first * self._kinds[kind].itemsize, arrays["row"][order])

    def rows(self, kind: str, index: NDArray[np.intp]) -> dict[str, NDArray[Any]]:
        """Some rows of a kind, in the order of the index.

        Each row is read by itself: a mapped file would bring its neighbours into memory too, at a million structures
        250 MB for a single chunk.
        """
        dtype = self._kinds[kind]
        content = bytearray(len(index) * dtype.itemsize)
        into = memoryview(content)
        with open(self._rows(kind), "rb", buffering=0) as file:
            for place, row in enumerate(index.tolist()):
                piece = into[place * dtype.itemsize : (place + 1) * dtype.itemsize]
                if os.preadv(file.fileno(), [piece], row * dtype.itemsize) != dtype.itemsize:
                    raise OSError(f"{self._rows(kind)} was damaged while the run went on")
        records = np.frombuffer(content, dtype=dtype)
        return {name: np.ascontiguousarray(records[name]) for name in dtype.names or ()}

    def keep(self, number: int, tables: Mapping[str, Arrays]) -> None:
        """Write the tables of one chunk, each with a `row`."""
        records = {kind: _by_row(to_records(arrays)) for kind, arrays in tables.items()}
        for kind, table in records.items():
            self._check(kind, table)
        self._found(number, records, write_chunk(self._chunk(number), self.key, number, records))

    def recall(self, number: int, rows: Rows) -> Records | None:
        """Results of a chunk that an earlier run has kept; None where it must be computed.

        Parameters
        ----------
        rows : (n,) input rows that the chunk must hold
        """
        found = read_chunk(self._chunk(number), self.key, number)
        if found is None or not np.array_equal(found[0]["results"]["row"], np.sort(rows)):
            return None
        for kind, table in found[0].items():
            self._check(kind, table)
        self._found(number, *found)
        return found[0]["results"]

    def bucket(self, kind: str, number: int) -> Records:
        """All rows of one bucket, by input row; rows with the same input row keep the order in which they came."""
        dtype = self._kinds.get(kind, np.dtype([("row", np.int64)]))
        pieces = [(piece, *piece.of(number)) for piece in self._pieces.get(kind, ())]
        pieces = [(piece, first, last) for piece, first, last in pieces if last > first]
        content = np.empty(sum(last - first for _, first, last in pieces) * dtype.itemsize, dtype=np.uint8)
        filled = 0
        for piece, first, last in pieces:
            size = (last - first) * dtype.itemsize
            read_records(piece.path, piece.place + first * dtype.itemsize, content[filled : filled + size])
            filled += size
        return _by_row(content.view(dtype))

    def _check(self, kind: str, records: Records) -> None:
        if self._kinds.setdefault(kind, records.dtype) != records.dtype:
            raise ValueError(f"{kind}: other fields than before")

    def _found(self, number: int, tables: Mapping[str, Records], places: Mapping[str, int]) -> None:
        for kind, records in tables.items():
            self._note(kind, self._chunk(number), places[kind], records["row"])

    def _note(self, kind: str, path: Path, place: int, rows: Rows) -> None:
        buckets, firsts = np.unique(rows // BUCKET, return_index=True)
        self._pieces.setdefault(kind, []).append(_Pieces(path, place, buckets, np.append(firsts, len(rows))))

    def _rows(self, kind: str) -> Path:
        return self.folder / f"{kind}.rows"

    def _chunk(self, number: int) -> Path:
        return self.chunks / f"chunk-{number:06d}"


def _by_row(records: Records) -> Records:
    return records.take(np.argsort(records["row"], kind="stable"))  # a fifth of the time of records[...]


def to_records(arrays: Arrays) -> Records:
    """Arrays of n rows, (n,) or (n, k, ...), as n records."""
    dtype = np.dtype([(name, array.dtype, array.shape[1:]) for name, array in arrays.items()])
    records = np.empty(len(next(iter(arrays.values()))), dtype=dtype)
    for name, array in arrays.items():
        records[name] = array
    return records
