"""Tables that people fill in the field: CSV, a spreadsheet, or a layer or table of a GeoPackage; as lines of text.

Every cell comes as the text that stands there. A number of a spreadsheet or a GeoPackage becomes the shortest text that
means it; whether it has a unit is for the reader to judge. Blank lines are left out, the others keep their number.
"""

from __future__ import annotations

import csv
import io
import sqlite3
import zipfile
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path
from typing import Any

from geoadjust.errors import Fault, InputError
from geoadjust.io.safe import check_path, vector_driver

MOST_LINES = 200_000
MOST_BYTES = 100_000_000
_CSV = (".csv", ".txt")


@dataclass(frozen=True, slots=True)
class Line:
    """One line: its number in the file (1 is the heading), and its cells by heading; blank cells are left out."""

    number: int
    cells: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class FieldTable:
    """A table that was read: file, headings as they stand, lines."""

    path: str
    headings: tuple[str, ...]
    lines: tuple[Line, ...]


def read_field_table(path: str, *, where: str, layer: str | None = None) -> FieldTable:
    """Read a table by the ending of its name.

    Parameters
    ----------
    path : .csv, .txt, .xlsx or .gpkg
    where : for faults
    layer : of a workbook or a GeoPackage, where it has several

    Raises
    ------
    InputError
        It is none of these, cannot be read, has no heading or the same heading twice.
    """
    file = check_path(path, where=where, workbook=True)
    readers: dict[str, Callable[[Path, str, str | None], Iterable[Sequence[Any]]]] = {
        **dict.fromkeys(_CSV, _csv_rows),
        ".xlsx": _sheet_rows,
        ".gpkg": _layer_rows,
    }
    reader = readers.get(file.suffix.lower())
    if reader is None:
        raise InputError(Fault(where, f"{path}: cannot be read as a table", ".csv, .txt, .xlsx or .gpkg"))
    if file.stat().st_size > MOST_BYTES:
        raise InputError(Fault(where, f"{path}: larger than a table from the field", f"{MOST_BYTES} bytes"))
    return _table(path, reader(file, where, layer), where)


def _table(path: str, rows: Iterable[Sequence[Any]], where: str) -> FieldTable:
    lines: list[Line] = []
    headings: tuple[str, ...] = ()
    for number, row in enumerate(rows, start=1):
        texts = tuple(_text(value) for value in row)
        if not headings:
            headings = _headings(texts, path, where)
            continue
        if number > MOST_LINES:
            raise InputError(Fault(where, f"{path}: more lines than a table from the field", f"{MOST_LINES}"))
        cells = {name: text for name, text in zip(headings, texts, strict=False) if name and text}
        if any(texts[len(headings) :]):
            raise InputError(
                Fault(where, f"{path}, line {number}: more cells than the heading has", f"{len(headings)}")
            )
        if cells:
            lines.append(Line(number, cells))
    if not headings:
        raise InputError(Fault(where, f"{path}: empty", "a heading and lines below it"))
    return FieldTable(path, headings, tuple(lines))


def _headings(texts: tuple[str, ...], path: str, where: str) -> tuple[str, ...]:
    names = tuple(text.strip().lower() for text in texts)
    twice = sorted({name for name in names if name and names.count(name) > 1})
    if twice:
        raise InputError(Fault(where, f"{path}: {', '.join(twice)} stands twice in the heading", remedy="rename one"))
    if not any(names):
        raise InputError(Fault(where, f"{path}: the first line is blank", "a heading with the columns' names"))
    return names


def _text(value: Any) -> str:
    """A cell as text; whole numbers without a point.

    Examples
    --------
    >>> [_text(value) for value in (None, " 7 1/4 in ", 12.0, 0.1, True)]
    ['', '7 1/4 in', '12', '0.1', 'yes']
    """
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return "" if value != value else f"{value:.15g}"
    return str(value).strip()


def _csv_rows(path: Path, where: str, layer: str | None) -> Iterator[Sequence[Any]]:
    """Commas, or semicolons where the heading has more of them."""
    try:
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        raise InputError(Fault(where, f"{path}: not UTF-8 (byte {error.start})", remedy="save it as UTF-8")) from None
    heading = text.partition("\n")[0]
    mark = ";" if heading.count(";") > heading.count(",") else ","
    try:
        yield from csv.reader(io.StringIO(text, newline=""), delimiter=mark, strict=True)
    except csv.Error as error:
        raise InputError(Fault(where, f"{path}: {error}", remedy="save it as CSV again")) from None


def _sheet_rows(path: Path, where: str, layer: str | None) -> Iterator[Sequence[Any]]:
    try:
        openpyxl = import_module("openpyxl")
    except ImportError:
        what = f"{path}: reading a workbook needs the library openpyxl, which is not installed"
        remedy = "install the extra: pip install 'geoadjust[export]', or save it as CSV"
        raise InputError(Fault(where, what, remedy=remedy)) from None
    _check_unpacked(path, where)
    try:
        book = openpyxl.load_workbook(path, read_only=True, data_only=True, keep_links=False)
    except Exception as error:
        raise InputError(Fault(where, f"{path}: no workbook that can be read ({type(error).__name__})")) from None
    try:
        yield from _chosen(book, path, where, layer).iter_rows(values_only=True)
    finally:
        book.close()


def _check_unpacked(path: Path, where: str) -> None:
    """A small file may unpack to one that fills the memory."""
    try:
        with zipfile.ZipFile(path) as packed:
            size = sum(entry.file_size for entry in packed.infolist())
    except (zipfile.BadZipFile, OSError, ValueError) as error:
        raise InputError(Fault(where, f"{path}: no workbook that can be read ({type(error).__name__})")) from None
    if size > MOST_BYTES:
        raise InputError(Fault(where, f"{path}: unpacks to {size} bytes", f"{MOST_BYTES} bytes"))


def _chosen(book: Any, path: Path, where: str, layer: str | None) -> Any:
    names = book.sheetnames
    if layer is None and len(names) > 1:
        what = f"{path}: has several sheets: {', '.join(names)}"
        raise InputError(Fault(where, what, remedy="name one of them"))
    if layer is not None and layer not in names:
        raise InputError(Fault(where, f"{path}: no sheet {layer!r}", ", ".join(names)))
    return book[layer or names[0]]


def _layer_rows(path: Path, where: str, layer: str | None) -> Iterator[Sequence[Any]]:
    """A table of a GeoPackage, with or without geometry, in the order of its keys; geometry is left out."""
    vector_driver(path, where=where)
    try:
        with closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro&immutable=1", uri=True)) as database:
            database.execute("PRAGMA trusted_schema = OFF")
            name = _chosen_table(database, path, where, layer)
            blobs = "SELECT column_name FROM gpkg_geometry_columns WHERE table_name = ?"
            left_out = {line[0] for line in database.execute(blobs, (name,))}
            quoted = name.replace('"', '""')
            columns = [
                line[1] for line in database.execute(f'PRAGMA table_info("{quoted}")') if line[1] not in left_out
            ]
            yield columns
            listed = ", ".join('"' + column.replace('"', '""') + '"' for column in columns)
            yield from database.execute(f'SELECT {listed} FROM "{quoted}" ORDER BY rowid')
    except sqlite3.Error as error:
        raise InputError(Fault(where, f"{path}: cannot be read as GeoPackage ({error})")) from None


def _chosen_table(database: sqlite3.Connection, path: Path, where: str, layer: str | None) -> str:
    query = "SELECT table_name FROM gpkg_contents WHERE data_type IN ('features', 'attributes') ORDER BY table_name"
    names = [str(line[0]) for line in database.execute(query)]
    if layer is None and len(names) != 1:
        what = f"{path}: has {len(names)} tables: {', '.join(names) or 'none'}"
        raise InputError(Fault(where, what, remedy="name one of them" if names else "write one"))
    if layer is not None and layer not in names:
        raise InputError(Fault(where, f"{path}: no table {layer!r}", ", ".join(names)))
    return layer or names[0]
