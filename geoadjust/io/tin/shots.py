"""Survey points from a CSV: one shot per line, with number, northing, easting, elevation and description."""

from __future__ import annotations

import csv
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from geoadjust.errors import Fault, InputError
from geoadjust.io.safe import check_path

Floats = NDArray[np.float64]
Texts = NDArray[np.object_]

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
    """

    place: Floats
    number: Texts
    code: Texts

    def __len__(self) -> int:
        return len(self.place)

    def take(self, kept: NDArray[np.bool_]) -> Shots:
        """Some of them."""
        return Shots(self.place[kept], self.number[kept], self.code[kept])


def read_shots(path: str, order: Sequence[str], *, where: str) -> Shots:
    """Read a file of survey points.

    Lines before the first shot whose easting, northing and elevation are all no numbers are headers. Blank lines, and
    lines that begin with #, do not count. Cells beyond those of `order` belong to the description.

    Parameters
    ----------
    order : what stands in each column: point, northing, easting, elevation, description, or skip
    where : job key for the faults

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
    _check_order(order, where)
    columns = [order.index(name) for name in NUMBERS]
    places: list[list[float | None]] = []
    faults: list[Fault] = []
    numbers, codes = [], []
    for line, row in _rows(check_path(path, where=where), where):
        numeric = [_number(row[column]) if column < len(row) else None for column in columns]
        if None in numeric:
            if not places and not faults and not any(value is not None for value in numeric):
                continue
            what = f"{path}, line {line}: {', '.join(row)[:60]!r} lacks a number for {_lacking(numeric)}"
            faults.append(Fault(where, what, ", ".join(order), "mend the line, or state the file's order"))
            continue
        places.append(numeric)
        numbers.append(_text(row, order, "point"))
        codes.append((_text(row, order, "description").upper().split() or [""])[0])
    faults += _repeated(path, numbers, where)
    if not places and not faults:
        faults.append(Fault(where, f"{path} holds no shot", ", ".join(order)))
    if faults:
        raise InputError(faults[:MOST_FAULTS])
    return Shots(np.array(places, dtype=np.float64), np.array(numbers, dtype=object), np.array(codes, dtype=object))


def _check_order(order: Sequence[str], where: str) -> None:
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


def _rows(path: Path, where: str) -> Iterator[tuple[int, list[str]]]:
    """Line number and cells of each line that counts."""
    try:
        with open(path, encoding="utf-8-sig", newline="") as file:
            sample = file.read(4096)
            file.seek(0)
            delimiter = max(",;\t|", key=sample.count)
            delimiter = delimiter if sample.count(delimiter) else " "
            for number, row in enumerate(csv.reader(file, delimiter=delimiter, skipinitialspace=True), start=1):
                if any(cell.strip() for cell in row) and not row[0].lstrip().startswith("#"):
                    yield number, row
    except (UnicodeDecodeError, csv.Error) as error:
        raise InputError(Fault(where, f"{path} cannot be read: {error}", remedy="save it as UTF-8 text")) from None


def _number(cell: str) -> float | None:
    try:
        value = float(cell)
    except ValueError:
        return None
    return value if np.isfinite(value) else None


def _lacking(numeric: Sequence[float | None]) -> str:
    return ", ".join(name for name, value in zip(NUMBERS, numeric, strict=True) if value is None)


def _text(row: Sequence[str], order: Sequence[str], name: str) -> str:
    if name not in order or order.index(name) >= len(row):
        return ""
    first = order.index(name)
    last = len(row) if name == "description" and first == len(order) - 1 else first + 1
    return " ".join(row[first:last]).strip()


def _repeated(path: str, numbers: Sequence[str], where: str) -> list[Fault]:
    seen: set[str] = set()
    twice = sorted({number for number in numbers if number and (number in seen or seen.add(number))})  # type: ignore[func-returns-value]
    return [Fault(where, f"{path} has point {number} twice", remedy="number them apart") for number in twice[:3]]
