"""What a run keeps on disk while it runs, so that memory grows neither with the structures nor with the raster.

Structures taken in lie row after row in one file, from which chunks take theirs. Each chunk's result is one `.npz`
named by the hash of what decides it; results are then sorted into buckets of BUCKET input rows, from which the writers
stream in input order.
"""

from __future__ import annotations

import zipfile
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

BUCKET = 16_384

Arrays = Mapping[str, NDArray[Any]]
Records = NDArray[np.void]


class Spill:
    """A folder of temporary files; the caller removes it."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._kinds: dict[str, np.dtype[np.void]] = {}

    def append(self, kind: str, arrays: Arrays) -> None:
        """Add rows to the file of a kind; all calls give the same fields."""
        records = to_records(arrays)
        self._kinds.setdefault(kind, records.dtype)
        with open(self.folder / f"{kind}.rows", "ab") as file:
            records.tofile(file)

    def rows(self, kind: str, index: NDArray[np.intp]) -> dict[str, NDArray[Any]]:
        """Some rows of a kind, in the order of the index; the file is mapped for the call only."""
        mapped = np.memmap(self.folder / f"{kind}.rows", dtype=self._kinds[kind], mode="r")
        records = mapped[index]
        return {name: np.ascontiguousarray(records[name]) for name in records.dtype.names or ()}

    def save(self, name: str, arrays: Arrays) -> None:
        """Keep one chunk's arrays."""
        part = self.folder / f"{name}.npz.part"
        with open(part, "wb") as file:
            np.savez(file, **arrays)  # type: ignore[arg-type]
        part.rename(self.folder / f"{name}.npz")

    def load(self, name: str) -> dict[str, NDArray[Any]]:
        """Arrays of one chunk."""
        try:
            with np.load(self.folder / f"{name}.npz", allow_pickle=False) as file:
                return {key: file[key] for key in file.files}
        except (zipfile.BadZipFile, ValueError, EOFError) as error:
            raise OSError(f"{name}.npz was damaged while the run went on: {error}") from error

    def drop(self, name: str) -> None:
        """Forget one chunk."""
        (self.folder / f"{name}.npz").unlink()

    def scatter(self, kind: str, arrays: Arrays) -> None:
        """Sort rows into the buckets of their input row; `arrays` has a `row`."""
        records = to_records(arrays)
        self._kinds.setdefault(kind, records.dtype)
        bucket = records["row"] // BUCKET
        for number in np.unique(bucket):
            with open(self._bucket(kind, int(number)), "ab") as file:
                records[bucket == number].tofile(file)

    def bucket(self, kind: str, number: int) -> Records:
        """All rows of one bucket, by input row; rows with the same input row keep their order."""
        path = self._bucket(kind, number)
        if not path.exists():
            return np.empty(0, dtype=self._kinds.get(kind, np.dtype([("row", np.int64)])))
        records = np.fromfile(path, dtype=self._kinds[kind])
        return records[np.argsort(records["row"], kind="stable")]

    def _bucket(self, kind: str, number: int) -> Path:
        return self.folder / f"{kind}-{number:06d}.bucket"


def to_records(arrays: Arrays) -> Records:
    """Arrays of n rows, (n,) or (n, k, ...), as n records."""
    dtype = np.dtype([(name, array.dtype, array.shape[1:]) for name, array in arrays.items()])
    records = np.empty(len(next(iter(arrays.values()))), dtype=dtype)
    for name, array in arrays.items():
        records[name] = array
    return records


def buckets_of(n: int) -> Iterator[int]:
    """Numbers of the buckets of n input rows."""
    return iter(range((n + BUCKET - 1) // BUCKET))
