"""Rows of a set's tables in batches, as they lie in the file: in input order."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from geoadjust.io.results.whole import WholeSet

Floats = NDArray[np.float64]

BATCH = 4096


def batches(whole: WholeSet, table: str, names: Sequence[str], size: int = BATCH) -> Iterator[dict[str, list[Any]]]:
    """Columns of a table, so many rows at a time; None where empty."""
    cursor = whole.database.cursor()
    cursor.row_factory = None
    listed = ", ".join(f'"{name}"' for name in names)
    cursor.execute(f'SELECT {listed} FROM "{table}" ORDER BY fid')
    while rows := cursor.fetchmany(size):
        yield dict(zip(names, (list(values) for values in zip(*rows, strict=True)), strict=True))


def numbers(values: Sequence[float | None]) -> Floats:
    """Values (n,) as an array; NaN where empty."""
    return np.array(values, dtype=np.float64)


def places(whole: WholeSet) -> tuple[Floats, Floats]:
    """East and north of every structure (n,) [unit of the CRS]; NaN where it has no position."""
    found = whole.columns("east", "north")
    return numbers(found["east"]), numbers(found["north"])


def run_facts(whole: WholeSet) -> dict[str, Any]:
    """What decides the numbers: the table `run`."""
    return {key: json.loads(value) for key, value in whole.database.execute("SELECT key, value FROM run ORDER BY fid")}
