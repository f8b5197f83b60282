"""Survey points from a CSV: one shot per line, with number, northing, easting, elevation and description."""

from __future__ import annotations

import csv
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from geoadjust.errors import Fault, InputError
from geoadjust.io.safe import check_path

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Texts = NDArray[np.object_]
Mask = NDArray[np.bool_]

MOST_FAULTS = 10
NUMBERS = ("easting", "northing", "elevation")


@dataclass(frozen=True, slots=True, eq=False)
class Shots:
    """Points of a survey, in the order of the file.

    Parameters
    ----------
    place : (n, 3) easting, northing [CRS units], elevation [file's unit]
    number : (n,) point number as it stands; '' where the file has none
    code : (n,) first word of the description in capital letters; '' where there is none
    lacking : further shots of other codes, which lack a coordinate
    """

    place: Floats
    number: Texts
    code: Texts
    lacking: int = 0

    def __len__(self) -> int:
        return len(self.place)

    def take(self, kept: Mask) -> Shots:
        """Some of them."""
        return Shots(self.place[kept], self.number[kept], self.code[kept], self.lacking)


@dataclass(frozen=True, slots=True, eq=False)
class ShotLines:
    """Lines of a file of survey points as they stand, without blank ones and comments.

    Parameters
    ----------
    line : (n,) number of the line in the file
    place : (n, 3) easting, northing, elevation; NaN where the line has no number there
    number, description : (n,) texts; '' where there is none
    text : (n,) the line's begin, for faults
    head : (n,) lines before the first shot that have none of the three numbers
    """

    line: Integers
    place: Floats
    number: Texts
    description: Texts
    text: Texts
    head: Mask

    @property
    def code(self) -> Texts:
        """First word (n,) of each description in capital letters."""
        return codes_of(self.description.tolist())

    def __len__(self) -> int:
        return len(self.line)

    def take(self, kept: Mask) -> ShotLines:
        """Some of them."""
        return ShotLines(*(getattr(self, name)[kept] for name in ShotLines.__slots__))


def codes_of(descriptions: Sequence[str]) -> Texts:
    """First word of each description in capital letters; '' where there is none.

    >>> codes_of(["ep left", "", " MH-2 old"]).tolist()
    ['EP', '', 'MH-2']
    """
    return np.array([(text.upper().split() or [""])[0] for text in descriptions], dtype=object)


def has_code(code: Texts, codes: Collection[str]) -> Mask:
    """Whether a code (n,) is one of those that a job states, in any case."""
    wanted = {text.strip().upper() for text in codes}
    return np.array([text in wanted for text in code], dtype=bool)


def read_shots(path: str, order: Sequence[str], *, where: str, codes: Collection[str] = ()) -> Shots:
    """Read a file of survey points.

    Lines before the first shot whose easting, northing and elevation are all no numbers are headers. Blank lines, and
    lines that begin with #, do not count. Cells beyond those of `order` belong to the description. A line without three
    numbers is left out where it has a code that is not one of `codes`; two shots of one number are let through where
    `codes` takes at most one of them.

    Parameters
    ----------
    order : what stands in each column: point, northing, easting, elevation, description, or skip
    where : job key for the faults
    codes : those that are of interest; empty = all

    Raises
    ------
    InputError
        The order lacks one of the three or has one twice; the file cannot be read as text; a line without three
        numbers; two shots of one number; no shot.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.NamedTemporaryFile("w", suffix=".csv") as file:
    ...     _ = file.write("Pt,N,E,Z,Desc\\n1,400.5,200.25,10.125,ep left\\n")
    ...     file.flush()
    ...     shots = read_shots(file.name, ("point", "northing", "easting", "elevation", "description"), where="path")
    >>> shots.place.tolist(), shots.code.tolist()
    ([[200.25, 400.5, 10.125]], ['EP'])
    """
    lines = read_lines(path, order, where=where)
    lines = lines.take(~lines.head)
    code = lines.code
    wanted = has_code(code, codes) if codes else np.ones(len(code), dtype=bool)
    whole: Mask = np.asarray(np.isfinite(lines.place).all(axis=1))
    faults = [
        Fault(where, f"{path}, line {number}: {text!r} lacks a number for {_lacking(place)}", ", ".join(order), remedy)
        for number, text, place in zip(*_of(lines, ~whole & (wanted | (code == ""))), strict=True)
        for remedy in ["mend the line, or state the file's order"]
    ]
    shots = Shots(lines.place, lines.number, code, int((~whole).sum()))
    faults += repeated_numbers(path, shots.take(whole & wanted), where)
    if not whole.any() and not faults:
        faults.append(Fault(where, f"{path} holds no shot", ", ".join(order)))
    if faults:
        raise InputError(faults[:MOST_FAULTS])
    return shots.take(whole)


def read_lines(path: str, order: Sequence[str], *, where: str, encoding: str = "utf-8-sig") -> ShotLines:
    """All lines of a file of survey points, whatever they lack.

    Parameters
    ----------
    order, where : as for `read_shots`

    Raises
    ------
    InputError
        The order lacks one of the three or has one twice; the file cannot be read as text.
    """
    check_order(order, where)
    columns = [order.index(name) for name in NUMBERS]
    numbers: list[int] = []
    places: list[list[float]] = []
    texts: list[tuple[str, str, str]] = []
    for line, row in _rows(check_path(path, where=where), where, encoding):
        numbers.append(line)
        places.append([_number(row[column]) if column < len(row) else np.nan for column in columns])
        texts.append((_text(row, order, "point"), _text(row, order, "description"), ", ".join(row)[:60]))
    place = np.array(places, dtype=np.float64).reshape(-1, 3)
    number, description, text = np.array(texts, dtype=object).reshape(-1, 3).T
    head = np.logical_and.accumulate(np.isnan(place).all(axis=1))
    return ShotLines(np.array(numbers, dtype=np.int64), place, number, description, text, head)


def check_order(order: Sequence[str], where: str) -> None:
    """Refuse an order of columns that lacks a coordinate or names one twice."""
    named = [name for name in order if name != "skip"]
    if len(set(named)) != len(named) or not set(NUMBERS) <= set(named):
        what = f"{', '.join(order)}: not each of {', '.join(NUMBERS)} once, and no other column twice"
        raise InputError(Fault(f"{where.rpartition('.')[0]}.order".lstrip("."), what, remedy="name each column"))


def read_pairs(path: str, shots: Shots, *, where: str) -> list[tuple[int, int]]:
    """Breaklines as pairs of point numbers, one pair per line: places of the two shots.

    A first line without a digit is a header.

    Raises
    ------
    InputError
        A line that is no pair, or names no shot.
    """
    place = {number: index for index, number in enumerate(shots.number.tolist()) if number}
    found: list[tuple[int, int]] = []
    faults: list[Fault] = []
    for line, row in _rows(check_path(path, where=where), where):
        cells = [cell.strip() for cell in row if cell.strip()]
        if len(cells) == 2 and all(cell in place for cell in cells):
            found.append((place[cells[0]], place[cells[1]]))
        elif found or faults or any(character.isdigit() for character in "".join(cells)):
            what = f"{path}, line {line}: {', '.join(row)[:60]!r} does not name two shots"
            faults.append(Fault(where, what, remedy="write two point numbers; shots left out by codes have none"))
    if faults:
        raise InputError(faults[:MOST_FAULTS])
    return found


def repeated_numbers(path: str, shots: Shots, where: str) -> list[Fault]:
    """Faults for the first numbers that two shots have."""
    seen: set[str] = set()
    numbers = shots.number.tolist()
    twice = sorted({number for number in numbers if number and (number in seen or seen.add(number))})  # type: ignore[func-returns-value]
    return [Fault(where, f"{path} has point {number} twice", remedy="number them apart") for number in twice[:3]]


def _rows(path: Path, where: str, encoding: str = "utf-8-sig") -> Iterator[tuple[int, list[str]]]:
    """Line number and cells of each line that counts."""
    try:
        with open(path, encoding=encoding, newline="") as file:
            sample = file.read(4096)
            file.seek(0)
            delimiter = max(",;\t|", key=sample.count)
            delimiter = delimiter if sample.count(delimiter) else " "
            for number, row in enumerate(csv.reader(file, delimiter=delimiter, skipinitialspace=True), start=1):
                if any(cell.strip() for cell in row) and not row[0].lstrip().startswith("#"):
                    yield number, row
    except (UnicodeDecodeError, LookupError, csv.Error) as error:
        raise InputError(Fault(where, f"{path} cannot be read: {error}", remedy="save it as UTF-8 text")) from None


def _number(cell: str) -> float:
    try:
        value = float(cell)
    except ValueError:
        return np.nan
    return value if np.isfinite(value) else np.nan


def _of(lines: ShotLines, chosen: Mask) -> tuple[list[int], list[str], Floats]:
    """Line, text and place of the first of some lines."""
    first = np.flatnonzero(chosen)[:MOST_FAULTS]
    return lines.line[first].tolist(), lines.text[first].tolist(), lines.place[first]


def _lacking(place: Floats) -> str:
    return ", ".join(name for name, value in zip(NUMBERS, place, strict=True) if np.isnan(value))


def _text(row: Sequence[str], order: Sequence[str], name: str) -> str:
    if name not in order or order.index(name) >= len(row):
        return ""
    first = order.index(name)
    last = len(row) if name == "description" and first == len(order) - 1 else first + 1
    return " ".join(row[first:last]).strip()
