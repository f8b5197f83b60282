"""Bundles of the core, rebuilt from an output set: what later steps compute with.

Inner figures stand in the table `models`, published ones in the layer; a field that is in neither stays unknown. Both
are rounded as they are stored, lengths to 1e-6 m.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from geoadjust.core.blank import blank_field
from geoadjust.core.columns import B, quantities_of
from geoadjust.io.results.columns import COVARIANCE, MODELS, PUBLISHED, SCHEDULE, Column
from geoadjust.io.results.whole import WholeSet

_MODELS = {column.source: column for column in MODELS}
_LAYER = {column.source: column for column in SCHEDULE if column.source}
_AT_ONCE = 500


def read_bundle(whole: WholeSet, name: str, kind: type[B], rows: Sequence[int]) -> B:
    """One bundle of some structures.

    Parameters
    ----------
    whole : the set
    name, kind : of the bundle, for example "structures", Structures
    rows : of the input, in the order in which they are wanted; each stands in the set

    Returns
    -------
    Bundle of len(rows) structures
    """
    quantities = quantities_of(kind)
    inner = {field: _MODELS[f"{name}.{field}"] for field in quantities if _scalar(name, field)}
    layer = {
        field: _LAYER[f"{name}.{field}"]
        for field in quantities
        if name in PUBLISHED and field not in inner and f"{name}.{field}" in _LAYER
    }
    found = {
        **_read(whole, "models", inner, rows),
        **_read(whole, "schedule", layer, rows),
        **_covariance(whole, name, rows),
    }
    return kind(*(_filled(kind, field, found.get(field), len(rows)) for field in quantities))


def _scalar(name: str, field: str) -> bool:
    return f"{name}.{field}" in _MODELS and field != "covariance"


def _read(
    whole: WholeSet, table: str, columns: dict[str, Column], rows: Sequence[int]
) -> dict[str, list[Any] | NDArray[np.float64]]:
    """Values by field, in the order of `rows`; None where empty, words as indices, figures in SI."""
    if not columns:
        return {}
    lines = read_lines(whole, table, [column.name for column in columns.values()], rows)
    found: dict[str, list[Any] | NDArray[np.float64]] = {}
    for place, (field, column) in enumerate(columns.items()):
        values = [line[place] for line in lines]
        if column.words:
            found[field] = [None if value is None else column.words.index(value) for value in values]
        else:
            found[field] = np.array(values, dtype=float) / column.factor
    return found


def read_lines(whole: WholeSet, table: str, names: Sequence[str], rows: Sequence[int]) -> list[tuple[Any, ...]]:
    """Columns of a table with one line per structure, in the order of `rows`."""
    listed = ", ".join(f'"{name}"' for name in ("row", *names))
    lines: dict[int, tuple[Any, ...]] = {}
    for first in range(0, len(rows), _AT_ONCE):
        part = [int(row) for row in rows[first : first + _AT_ONCE]]
        marks = ", ".join("?" * len(part))
        for line in whole.database.execute(f'SELECT {listed} FROM "{table}" WHERE "row" IN ({marks})', part):
            lines[line[0]] = tuple(line)[1:]
    return [lines[row] for row in rows]


def _covariance(whole: WholeSet, name: str, rows: Sequence[int]) -> dict[str, NDArray[np.float64]]:
    """(n, 3, 3) from its stored entries."""
    columns = [column.name for column in MODELS if column.source == f"{name}.covariance"]
    if not columns:
        return {}
    values = np.array(read_lines(whole, "models", columns, rows), dtype=float)
    found = np.empty((len(rows), 3, 3))
    for place, (i, j) in enumerate(COVARIANCE):
        found[:, i, j] = found[:, j, i] = values[:, place] if len(rows) else np.empty(0)
    return {"covariance": found}


def _filled(kind: type[B], field: str, values: Any, n: int) -> NDArray[Any]:
    """The field with what was read; unknown where nothing was."""
    made = blank_field(kind, field, n)
    if values is None:
        return made
    read = np.array(values, dtype=float) if n else np.empty(made.shape)
    if made.dtype.kind == "f":
        return read
    return np.where(np.isfinite(read), read, made).astype(made.dtype)
