"""One column of a layer of structures as numbers, texts or words; what cannot be read is told apart from a blank."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from geoadjust.core.inputs import InputColumn
from geoadjust.units import LengthError, factor, parse_length

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class Values:
    """Numbers (n,) in SI, NaN where there is none; why a cell that is not blank has none."""

    numbers: Floats
    unreadable: Mask
    implausible: Mask
    stated: Floats


def read_texts(column: pa.ChunkedArray | None, n: int) -> NDArray[np.object_]:
    """Texts (n,) as they stand, trimmed; whole numbers without a decimal point; blank and missing are ''.

    Examples
    --------
    >>> read_texts(pa.chunked_array([[7.0, None, 12.5]]), 3).tolist()
    ['7', '', '12.5']
    """
    if column is None:
        return np.full(n, "", dtype=object)
    if pa.types.is_floating(column.type):
        numbers = column.to_numpy()
        return np.array([_number_text(value) for value in numbers], dtype=object)
    if pa.types.is_binary(column.type) or pa.types.is_nested(column.type):
        return np.array(["" if value is None else str(value) for value in column.to_pylist()], dtype=object)
    texts = pc.fill_null(pc.cast(column, pa.string()), "")
    return np.array([text.strip() for text in texts.to_pylist()], dtype=object)


def _number_text(value: float) -> str:
    if np.isnan(value):
        return ""
    return str(int(value)) if value == np.floor(value) and abs(value) < 1e15 else repr(float(value))


def read_numbers(column: pa.ChunkedArray | None, n: int, spec: InputColumn, *, unit: str) -> Values:
    """A column of lengths or angles.

    Parameters
    ----------
    column : as read; None where the layer has none
    spec : our declaration of it
    unit : unit of bare numbers (m, mm, in, ft, us-ft); "" where none is declared, then bare numbers cannot be read;
        angles are in degrees

    Returns
    -------
    Values; lengths in metres, angles in radians
    """
    nothing = np.zeros(n, dtype=bool)
    if column is None or pa.types.is_null(column.type):
        return Values(np.full(n, np.nan), nothing, nothing, np.full(n, np.nan))
    if pa.types.is_integer(column.type) or pa.types.is_floating(column.type):
        raw = pc.cast(column, pa.float64(), safe=False).to_numpy()
        numbers, unreadable = _scaled(raw, spec, unit)
    else:
        numbers, unreadable = _parsed(read_texts(column, n), spec, unit)
    with np.errstate(invalid="ignore"):
        implausible = (numbers < spec.low) | (numbers > spec.high) | np.isinf(numbers)
    kept = np.where(implausible, np.nan, numbers)
    return Values(np.radians(kept) if spec.group == "angle" else kept, unreadable, implausible, numbers)


def _scaled(raw: Floats, spec: InputColumn, unit: str) -> tuple[Floats, Mask]:
    there = np.isfinite(raw) | np.isinf(raw)
    if spec.group == "angle":
        return raw, np.zeros(len(raw), dtype=bool)
    if not unit:
        return np.full(len(raw), np.nan), there
    return raw * factor(unit), np.zeros(len(raw), dtype=bool)


def _parsed(texts: NDArray[np.object_], spec: InputColumn, unit: str) -> tuple[Floats, Mask]:
    """Each different text is parsed once."""
    numbers = {text: _parse(text, spec, unit) for text in set(texts.tolist())}
    values = np.array([numbers[text] for text in texts], dtype=float)
    return values, np.isnan(values) & (texts != "")


def _parse(text: str, spec: InputColumn, unit: str) -> float:
    if not text:
        return np.nan
    try:
        if spec.group == "angle":
            return float(text.removesuffix("°").removesuffix("deg").strip())
        return float(parse_length(text, unit or None, foot="us-ft" if unit == "us-ft" else "ft"))
    except (LengthError, ValueError):
        return np.nan


def read_words(
    column: pa.ChunkedArray | None, n: int, words: tuple[str, ...], also: Mapping[str, str] | None = None
) -> tuple[NDArray[np.int8], Mask]:
    """Index of each word, -1 where blank or unknown, and where it is unknown; case does not matter.

    Examples
    --------
    >>> cells = pa.chunked_array([["Inlet", "MH", "", "tree"]])
    >>> index, unknown = read_words(cells, 4, ("manhole", "inlet"), {"MH": "manhole"})
    >>> index.tolist(), unknown.tolist()
    ([1, 0, -1, -1], [False, False, False, True])
    """
    texts = read_texts(column, n)
    known = {word: index for index, word in enumerate(words)}
    known |= {theirs.lower(): known[ours] for theirs, ours in (also or {}).items()}
    index = np.array([known.get(text.lower(), -1) for text in texts], dtype=np.int8)
    return index, (index < 0) & (texts != "")


def read_yes_no(column: pa.ChunkedArray | None, n: int) -> tuple[NDArray[np.int8], Mask]:
    """1, 0, or -1 where blank or unreadable, and where it is unreadable."""
    texts = [text.lower() for text in read_texts(column, n)]
    words = {"1": 1, "yes": 1, "y": 1, "true": 1, "0": 0, "no": 0, "n": 0, "false": 0}
    index = np.array([words.get(text, -1) for text in texts], dtype=np.int8)
    return index, (index < 0) & np.array([text != "" for text in texts], dtype=bool)
