"""Reads an output set back: whole columns of its schedule, or everything about one structure after another.

The set's files are compared with its record first, so that what is read is what was written. Rows are read as they are
asked for; memory does not grow with the set, but by whole columns.
"""

from __future__ import annotations

import csv
import json
import sqlite3
import struct
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from geoadjust.core.parts import CastingPart, Catalogue, LinerPart, RingPart, RiserPart
from geoadjust.core.rules import RuleSet
from geoadjust.errors import Fault, InputError
from geoadjust.io.results.columns import TABLES
from geoadjust.io.results.sets import RECORD, read_set

T = TypeVar("T")
Row = dict[str, Any]
Integers = NDArray[np.int64]

SCHEDULE, DICTIONARY = "schedule.gpkg", "columns.csv"
PLACES = ("east", "north")
"""Asked for like columns of the schedule; they are the point's."""
_ENVELOPES = (0, 32, 48, 48, 64)
"""Bytes of a GeoPackage geometry's envelope by its code (OGC 12-128r18, 2.1.3)."""


@dataclass(frozen=True, slots=True)
class ReadBack:
    """One structure of a set. `ordinates` is empty where it has none; `settings` are the job's tables in SI units.

    `units` are those that people read, us or metric; `foot` is the foot of elevations.
    """

    folder: str
    version: str
    units: str
    foot: str
    schedule: Row
    models: Row
    ordinates: Row
    stack_parts: tuple[Row, ...]
    reasons: tuple[Row, ...]
    rules: RuleSet
    catalogue: Catalogue
    settings: Row


@dataclass(frozen=True, slots=True, eq=False)
class WholeSet:
    """An output set that is open.

    Parameters
    ----------
    record : what `run.json` says
    units, foot : that people read, us or metric; the foot of elevations, ft or us-ft
    crs : WKT of the schedule's points; '' where it is undefined
    settings : the job's tables, SI units
    """

    folder: str
    database: sqlite3.Connection
    record: Row
    version: str
    units: str
    foot: str
    crs: str
    count: int
    settings: Row
    catalogue: Catalogue
    rule_sets: tuple[RuleSet, ...]
    _lines: dict[str, tuple[Integers, Integers]] = field(default_factory=dict)

    def columns(self, *names: str) -> dict[str, list[Any]]:
        """Whole columns of the schedule in input order; `east` and `north` are the point's. None where empty."""
        stored = [name for name in names if name not in PLACES]
        listed = ", ".join(f'"{name}"' for name in ["geom" if set(PLACES) & set(names) else "row", *stored])
        found: dict[str, list[Any]] = {name: [] for name in names}
        for line in self.database.execute(f'SELECT {listed} FROM schedule ORDER BY "row"'):
            for name in stored:
                found[name].append(line[name])
            place = _point(line[0]) if set(PLACES) & set(names) else (None, None)
            for name, value in zip(PLACES, place, strict=True):
                if name in found:
                    found[name].append(value)
        return found

    @property
    def rows(self) -> Integers:
        """Row of the input of each structure, (count,), rising. A set of measured structures holds some rows only."""
        return self._table_lines("schedule")[1]

    def structures(self, places: Iterable[int] | None = None) -> Iterator[ReadBack]:
        """Everything about one structure after another.

        Parameters
        ----------
        places : of the structures among those of the set, from 0, as in `columns`; all of them in input order otherwise
        """
        for place in range(self.count) if places is None else places:
            yield self.structure(int(self.rows[place]))

    def structure(self, row: int) -> ReadBack:
        """Everything about the structure of one row of the input, counted from 0.

        Raises
        ------
        InputError
            a row that the set does not hold
        """
        schedule = self._rows("schedule", row)
        if not schedule:
            allowed = f"0 to {self.rows[-1]}" if self.count else ""
            raise InputError(Fault(self.folder, f"no row {row}", allowed, "give another row"))
        ordinates = self._rows("ordinates", row)
        return ReadBack(
            folder=self.folder,
            version=self.version,
            units=self.units,
            foot=self.foot,
            schedule=schedule[0],
            models=self._rows("models", row)[0],
            ordinates=ordinates[0] if ordinates else {},
            stack_parts=tuple(self._rows("stack_parts", row)),
            reasons=tuple(self._rows("reasons", row)),
            rules=next(rules for rules in self.rule_sets if rules.name == schedule[0]["rule_set"]),
            catalogue=self.catalogue,
            settings=self.settings,
        )

    def _rows(self, table: str, row: int) -> list[Row]:
        """Our columns of a table's rows of one structure, in the order in which they were written."""
        fids, rows = self._table_lines(table)
        first, end = np.searchsorted(rows, [row, row + 1]).tolist()
        if first == end:
            return []
        names = ", ".join(f'"{column.name}"' for column in TABLES[table])
        query = f'SELECT {names} FROM "{table}" WHERE fid BETWEEN ? AND ? ORDER BY fid'
        return [dict(line) for line in self.database.execute(query, (int(fids[first]), int(fids[end - 1])))]

    def _table_lines(self, table: str) -> tuple[Integers, Integers]:
        """Keys and rows of a table's lines, read once."""
        if table not in self._lines:
            self._lines[table] = _lines_of(self.database, table)
        return self._lines[table]


@contextmanager
def open_set(folder: Path) -> Iterator[WholeSet]:
    """An output set, read only, after its files were compared with its record.

    Raises
    ------
    InputError
        no output set, files that have changed, a set of a version with other columns or settings
    """
    record = read_set(folder)
    path = folder / SCHEDULE
    if SCHEDULE not in record["files"] or DICTIONARY not in record["files"]:
        raise InputError(
            Fault(str(folder), f"holds no {SCHEDULE}", f"a set made by geoadjust schedule, see its {RECORD}")
        )
    version = str(record.get("geoadjust", ""))
    with _opened(path) as database:
        _check_columns(database, path, version)
        run = {key: json.loads(value) for key, value in database.execute("SELECT key, value FROM run")}
        units, foot = _units(folder / DICTIONARY)
        yield WholeSet(
            folder=str(folder),
            database=database,
            record=record,
            version=version,
            units=units,
            foot=foot,
            crs=_crs(database),
            count=database.execute("SELECT count(*) FROM schedule").fetchone()[0],
            settings=run["settings"],
            catalogue=_catalogue(run["catalogue"], path),
            rule_sets=tuple(rebuilt(RuleSet, table, path) for table in run["rules"]),
        )


@contextmanager
def _opened(path: Path) -> Iterator[sqlite3.Connection]:
    """The file, read only: no journal is made beside it."""
    try:
        database = sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro&immutable=1", uri=True)
    except sqlite3.Error as error:
        raise InputError(Fault(str(path), f"cannot be read ({error})", remedy="run the job again")) from None
    try:
        database.row_factory = sqlite3.Row
        yield database
    except sqlite3.DatabaseError as error:
        raise InputError(Fault(str(path), f"cannot be read ({error})", remedy="run the job again")) from None
    finally:
        database.close()


def _check_columns(database: sqlite3.Connection, path: Path, version: str) -> None:
    """A set of another version may lack columns."""
    lost = []
    for table, columns in TABLES.items():
        there = {line["name"] for line in database.execute(f'PRAGMA table_info("{table}")')}
        lost += [f"{table}.{column.name}" for column in columns if column.name not in there]
    if lost:
        made = f"geoadjust {version}" if version else "an unknown version"
        what = f"lacks {len(lost)} columns, {lost[0]} among them; it was made by {made}"
        raise InputError(Fault(str(path), what, remedy="run the job again with this version"))


def _lines_of(database: sqlite3.Connection, table: str) -> tuple[Integers, Integers]:
    """Keys of a table's lines and the rows of the input that they belong to, both rising: lines lie in input order."""
    lines = database.execute(f'SELECT fid, "row" FROM "{table}" ORDER BY fid')
    both = np.fromiter((value for line in lines for value in line), dtype=np.int64).reshape(-1, 2)
    return np.ascontiguousarray(both[:, 0]), np.ascontiguousarray(both[:, 1])


def _crs(database: sqlite3.Connection) -> str:
    query = """SELECT definition FROM gpkg_spatial_ref_sys JOIN gpkg_geometry_columns USING (srs_id)
        WHERE table_name = 'schedule'"""
    found = database.execute(query).fetchone()
    return str(found[0]) if found and found[0] != "undefined" else ""


def _point(blob: bytes | None) -> tuple[float | None, float | None]:
    """East and north of a GeoPackage point; None for an empty one, or none at all."""
    if blob is None:
        return None, None
    start = 8 + _ENVELOPES[blob[3] >> 1 & 7]
    east, north = struct.unpack_from("<dd" if blob[start] else ">dd", blob, start + 5)
    return (east, north) if east == east and north == north else (None, None)


def _units(path: Path) -> tuple[str, str]:
    """Units of `schedule.csv`, and the foot of its elevations, from the dictionary beside it."""
    with path.open(encoding="utf-8", newline="") as file:
        found = {line["unit"] for line in csv.DictReader(file) if line["table"] == "schedule.csv"}
    return ("us" if "in" in found else "metric"), ("us-ft" if "US survey ft" in found else "ft")


def _catalogue(table: Row, path: Path) -> Catalogue:
    return Catalogue(
        name=table["name"],
        casting=tuple(rebuilt(CastingPart, item, path) for item in table["casting"]),
        ring=tuple(rebuilt(RingPart, item, path) for item in table["ring"]),
        riser=tuple(rebuilt(RiserPart, item, path) for item in table["riser"]),
        liner=tuple(rebuilt(LinerPart, item, path) for item in table["liner"]),
    )


def rebuilt(table: type[T], data: Mapping[str, Any], path: Path) -> T:
    """A settings table from its plain values; the inverse of `process.plain`."""
    names = {item.name for item in fields(table)}  # type: ignore[arg-type]
    if names != set(data):
        odd = sorted(names ^ set(data))
        raise InputError(
            Fault(str(path), f"other settings than this version's: {', '.join(odd)}", remedy="run the job again")
        )
    return table(**{key: tuple(item) if isinstance(item, list) else item for key, item in data.items()})
