"""Cells of a table, whole columns at a time: numbers, words by index, texts written once for all that read alike."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from geoadjust.io.results.columns import Column

Floats = NDArray[np.float64]
TYPES = {"text": pa.string(), "real": pa.float64(), "integer": pa.int64()}

BESIDE_TIE = 1e-3
"""[step] So near to a tie two ways of rounding may part; more than any slack of `units`."""
MOST_STEPS = 1e9
"""A double holds so many steps with more digits than `BESIDE_TIE` has."""


def table_schema(columns: Iterable[Column]) -> pa.Schema:
    """Arrow schema of a table."""
    return pa.schema([(column.name, TYPES[column.type]) for column in columns])


def numbers(values: Floats) -> pa.Array:
    """Numbers, NULL for what is not finite."""
    return pa.array(values, mask=~np.isfinite(values))


def words(index: NDArray[Any], names: Sequence[str]) -> pa.Array:
    """Words by index, NULL for -1."""
    return pa.array(names, pa.string()).take(pa.array(index.astype(np.int32), mask=index < 0))


def different(*columns: NDArray[Any]) -> tuple[NDArray[np.intp], NDArray[np.int32]]:
    """Rows (m,) that hold every different row of the columns (n,) once, and which of them each row is like (n,).

    Zeros of either sign, and NaN of any bits, may count as different.

    Examples
    --------
    >>> rows, index = different(np.array([7, 8, 7]), np.array([1.5, 1.5, 1.5]))
    >>> len(rows), index.tolist()
    (2, [0, 1, 0])
    """
    keys = np.stack([np.asarray(column, dtype=np.float64) for column in columns], axis=1)
    width = pa.binary(keys.itemsize * keys.shape[1])
    coded = pa.FixedSizeBinaryArray.from_buffers(width, len(keys), [None, pa.py_buffer(keys)]).dictionary_encode()
    index = coded.indices.to_numpy()
    rows = np.empty(len(coded.dictionary), dtype=np.intp)
    rows[index] = np.arange(len(keys))
    return rows, index


def alike(values: Floats, per_unit: float | Floats) -> Floats:
    """Keys (n,) of values: those of one key are the same once rounded to a step, half up as well as half to even.

    The key is the nearest multiple of the step; a value beside a tie, a huge one, NaN and infinity are their own.

    Parameters
    ----------
    per_unit : steps per unit of the values

    Examples
    --------
    >>> alike(np.array([0.1249, 0.06, 0.25, np.nan]), 10.0).tolist()
    [0.1, 0.1, 0.25, nan]
    """
    multiple, plain = _nearest(values, per_unit)
    return np.where(plain, multiple, values)


def _nearest(values: Floats, per_unit: float | Floats) -> tuple[Floats, NDArray[np.bool_]]:
    """Nearest multiple of the step (n,), and where every way of rounding takes that one (n,)."""
    with np.errstate(invalid="ignore", over="ignore"):
        steps = values * per_unit
        whole = np.rint(steps)
        plain = (np.abs(steps - whole) < 0.5 - BESIDE_TIE) & (np.abs(whole) < MOST_STEPS)
    return whole / per_unit + 0.0, plain


def rounded(values: Floats, decimals: int) -> Floats:
    """Values as the built-in `round` has them, by the exact value; numpy's may be off beside a tie. NaN stays, no -0.

    Examples
    --------
    >>> rounded(np.array([2.675, 1.0005, -0.0001]), 2).tolist()
    [2.67, 1.0, 0.0]
    """
    found, plain = _nearest(values, 10.0**decimals)
    for i in np.flatnonzero(~plain).tolist():
        found[i] = round(float(values[i]), decimals)
    return found + 0.0


def texts_of(values: Floats, per_unit: float, write: Callable[[float], str]) -> pa.Array:
    """`write` of each value (n,), called once for all those that are the same rounded to a step.

    Examples
    --------
    >>> texts_of(np.array([0.41, 0.38, 2.0]), 10.0, lambda value: f"{value:.1f}").to_pylist()
    ['0.4', '0.4', '2.0']
    """
    rows, index = different(alike(values, per_unit))
    return pa.array([write(value) for value in values[rows].tolist()], pa.string()).take(pa.array(index))
