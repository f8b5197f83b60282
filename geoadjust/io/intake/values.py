"""One column of a layer of structures as numbers, texts or words; what cannot be read is told apart from a blank."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from geoadjust.core.inputs import InputColumn
from geoadjust.units import factor, parse_length, parse_ratio, parse_size

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

WHOLE = re.compile(r"[+-]?[0-9]+(\.0*)?")


@dataclass(frozen=True, slots=True, eq=False)
class Values:
    """Numbers (n,) in SI, NaN where there is none; why a cell that is not blank has none."""

    numbers: Floats
    unreadable: Mask
    implausible: Mask
    stated: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Sizes(Values):
    """Sizes (n,) [m]: `numbers` is the diameter or the width, `length` that of a rectangle, NaN = round.

    A size is left out as a whole where one side is not plausible; `stated` is then that side.
    """

    length: Floats


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
    """A column of lengths, angles, slopes or counts.

    Parameters
    ----------
    column : as read; None where the layer has none
    spec : our declaration of it
    unit : unit of bare numbers (m, mm, in, ft, us-ft); "" where none is declared, then bare numbers cannot be read;
        angles are in degrees, slopes in per cent, counts are whole numbers

    Returns
    -------
    Values; lengths in metres, angles in radians, slopes in m/m

    Examples
    --------
    >>> from geoadjust.core.inputs import INPUTS
    >>> slopes = pa.chunked_array([["2", "2 %", "1:50", "", "1/50"]])
    >>> found = read_numbers(slopes, 5, INPUTS["bearing_slope"], unit="")
    >>> found.numbers.tolist(), found.unreadable.tolist()
    ([0.02, 0.02, 0.02, nan, nan], [False, False, False, False, True])
    """
    nothing = np.zeros(n, dtype=bool)
    if column is None or pa.types.is_null(column.type):
        return Values(np.full(n, np.nan), nothing, nothing, np.full(n, np.nan))
    if _holds_numbers(column):
        numbers, unreadable = _scaled(pc.cast(column, pa.float64(), safe=False).to_numpy(), spec, unit)
    else:
        numbers, unreadable = _parsed(read_texts(column, n), spec, unit)
    implausible = _outside(numbers, spec)
    kept = np.where(implausible, np.nan, numbers)
    return Values(np.radians(kept) if spec.group == "angle" else kept, unreadable, implausible, numbers)


def read_sizes(column: pa.ChunkedArray | None, n: int, spec: InputColumn, *, unit: str) -> Sizes:
    """A column of sizes: diameters, or WIDTHxLENGTH of rectangles.

    Parameters
    ----------
    column, spec, unit : as for `read_numbers`; a side without a unit takes that of the last side

    Examples
    --------
    >>> from geoadjust.core.inputs import INPUTS
    >>> cells = pa.chunked_array([["660 mm", "24x36 in", "450 x 600"]])
    >>> found = read_sizes(cells, 3, INPUTS["frame_top_diameter"], unit="mm")
    >>> found.numbers.tolist(), found.length.tolist()
    ([0.66, 0.6096, 0.45], [nan, 0.9144, 0.6])
    """
    if column is None or pa.types.is_null(column.type) or _holds_numbers(column):
        found = read_numbers(column, n, spec, unit=unit)
        return Sizes(found.numbers, found.unreadable, found.implausible, found.stated, np.full(n, np.nan))
    texts = read_texts(column, n)
    known = {text: _sides(text, unit) for text in set(texts.tolist())}
    width, length = np.array([known[text] for text in texts], dtype=float).reshape(n, 2).T
    implausible = _outside(width, spec) | _outside(length, spec)
    return Sizes(
        numbers=np.where(implausible, np.nan, width),
        unreadable=np.isnan(width) & (texts != ""),
        implausible=implausible,
        stated=np.where(_outside(length, spec) & ~_outside(width, spec), length, width),
        length=np.where(implausible, np.nan, length),
    )


def _holds_numbers(column: pa.ChunkedArray) -> bool:
    return bool(pa.types.is_integer(column.type) or pa.types.is_floating(column.type))


def _outside(numbers: Floats, spec: InputColumn) -> Mask:
    with np.errstate(invalid="ignore"):
        return np.asarray((numbers < spec.low) | (numbers > spec.high) | np.isinf(numbers))


def _scaled(raw: Floats, spec: InputColumn, unit: str) -> tuple[Floats, Mask]:
    """Numbers as stored: the values, and which of them cannot be read."""
    there = ~np.isnan(raw)
    nothing = np.zeros(len(raw), dtype=bool)
    if spec.group == "angle":
        return raw, nothing
    if spec.group == "slope":
        return raw / 100.0, nothing
    if spec.group == "count":
        broken = there & (raw != np.floor(raw))
        return np.where(broken, np.nan, raw), broken
    if not unit:
        return np.full(len(raw), np.nan), there
    return raw * factor(unit), nothing


def _parsed(texts: NDArray[np.object_], spec: InputColumn, unit: str) -> tuple[Floats, Mask]:
    """Each different text is parsed once."""
    parse = PARSERS.get(spec.group, _length)
    numbers = {text: _parse(text, parse, unit) for text in set(texts.tolist())}
    values = np.array([numbers[text] for text in texts], dtype=float)
    return values, np.isnan(values) & (texts != "")


def _parse(text: str, parse: Callable[[str, str], float], unit: str) -> float:
    if not text:
        return np.nan
    try:
        return parse(text, unit)
    except ValueError:
        return np.nan


def _length(text: str, unit: str) -> float:
    return float(parse_length(text, unit or None, foot=_foot(unit)))


def _foot(unit: str) -> str:
    """Which foot a text means: that of the layer."""
    return "us-ft" if unit == "us-ft" else "ft"


def _angle(text: str, unit: str) -> float:
    return float(text.removesuffix("°").removesuffix("deg").strip())


def _slope(text: str, unit: str) -> float:
    """A share, or a bare number of per cent; 1/50 could be either and is not read."""
    if "%" in text or ":" in text:
        return float(parse_ratio(text))
    if "/" in text or "⁄" in text:
        raise ValueError(text)
    return float(parse_ratio(text) / 100)


def _count(text: str, unit: str) -> float:
    if not WHOLE.fullmatch(text):
        raise ValueError(text)
    return float(text)


def _sides(text: str, unit: str) -> tuple[float, float]:
    if not text:
        return np.nan, np.nan
    try:
        sides = [float(side) for side in parse_size(text, unit or None, foot=_foot(unit))]
    except ValueError:
        return np.nan, np.nan
    return (sides[0], sides[1]) if len(sides) == 2 else (sides[0], np.nan)


PARSERS: Mapping[str, Callable[[str, str], float]] = {"angle": _angle, "slope": _slope, "count": _count}


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
    if column is None:
        return _nothing(n)
    texts = read_texts(column, n)
    known = {word: index for index, word in enumerate(words)}
    known |= {theirs.lower(): known[ours] for theirs, ours in (also or {}).items()}
    index = np.array([known.get(text.lower(), -1) for text in texts], dtype=np.int8)
    return index, (index < 0) & (texts != "")


def read_yes_no(column: pa.ChunkedArray | None, n: int) -> tuple[NDArray[np.int8], Mask]:
    """1, 0, or -1 where blank or unreadable, and where it is unreadable."""
    if column is None:
        return _nothing(n)
    texts = [text.lower() for text in read_texts(column, n)]
    words = {"1": 1, "yes": 1, "y": 1, "true": 1, "0": 0, "no": 0, "n": 0, "false": 0}
    index = np.array([words.get(text, -1) for text in texts], dtype=np.int8)
    return index, (index < 0) & np.array([text != "" for text in texts], dtype=bool)


def _nothing(n: int) -> tuple[NDArray[np.int8], Mask]:
    return np.full(n, -1, dtype=np.int8), np.zeros(n, dtype=bool)
