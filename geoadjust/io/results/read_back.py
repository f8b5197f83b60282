"""Reads one structure of an output set back: its rows of all tables, and the settings and parts it was computed with.

The set's files are compared with its record first, so that what is read is what was written.
"""

from __future__ import annotations

import csv
import difflib
import json
import sqlite3
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any, TypeVar

from geoadjust.core.parts import CastingPart, Catalogue, LinerPart, RingPart, RiserPart
from geoadjust.core.rules import RuleSet
from geoadjust.errors import Fault, InputError
from geoadjust.io.results.columns import TABLES
from geoadjust.io.results.sets import RECORD, read_set

T = TypeVar("T")
Row = dict[str, Any]

SCHEDULE, DICTIONARY = "schedule.gpkg", "columns.csv"
MANY = 10
"""Rows of one id that are listed in a fault."""
MOST_IDS = 20_000
"""Ids that are looked through for one like the one that was asked for."""


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


def read_structure(folder: Path, structure_id: str | None = None, *, row: int | None = None) -> ReadBack:
    """Everything that a set holds about one structure.

    Parameters
    ----------
    folder : the output set
    structure_id : as read; None where the row says it all
    row : 0-based row of the input; needed where an id stands in several rows

    Raises
    ------
    InputError
        No output set, or its files have changed; no such structure, or several of that id
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
        number = _find_row(database, structure_id, row, str(folder))
        run = {key: json.loads(value) for key, value in database.execute("SELECT key, value FROM run")}
        schedule, models = (_rows(database, table, number)[0] for table in ("schedule", "models"))
        ordinates = _rows(database, "ordinates", number)
        units, foot = _units(folder / DICTIONARY)
        return ReadBack(
            folder=str(folder),
            version=version,
            units=units,
            foot=foot,
            schedule=schedule,
            models=models,
            ordinates=ordinates[0] if ordinates else {},
            stack_parts=tuple(_rows(database, "stack_parts", number)),
            reasons=tuple(_rows(database, "reasons", number)),
            rules=_rule_set(run["rules"], schedule["rule_set"], path),
            catalogue=_catalogue(run["catalogue"], path),
            settings=run["settings"],
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


def _find_row(database: sqlite3.Connection, structure_id: str | None, row: int | None, where: str) -> int:
    if row is not None:
        found = database.execute('SELECT structure_id FROM schedule WHERE "row" = ?', (row,)).fetchone()
        if found is None:
            last = database.execute('SELECT max("row") FROM schedule').fetchone()[0]
            raise InputError(Fault(where, f"no row {row}", f"0 to {last}", "give another --row"))
        if structure_id is not None and (found[0] or "") != structure_id:
            what = f"row {row} is {found[0] or 'without an id'!r}, not {structure_id!r}"
            raise InputError(Fault(where, what, remedy="give the id or --row alone"))
        return row
    if structure_id is None:
        raise InputError(Fault(where, "neither an id nor a row", remedy="give the structure's id, or --row N"))
    query = 'SELECT "row", kind, street FROM schedule WHERE coalesce(structure_id, \'\') = ? ORDER BY "row"'
    rows = database.execute(query, (structure_id,)).fetchall()
    if len(rows) == 1:
        return int(rows[0]["row"])
    if rows:
        listed = [f"row {each['row']} ({each['kind']}, {each['street'] or 'no street'})" for each in rows[:MANY]]
        more = f" and {len(rows) - MANY} more" if len(rows) > MANY else ""
        what = f"{structure_id!r} stands in {len(rows)} rows: {', '.join(listed)}{more}"
        raise InputError(Fault(where, what, remedy=f"give --row {rows[0]['row']}, for example"))
    raise InputError(_unknown(database, structure_id, where))


def _unknown(database: sqlite3.Connection, structure_id: str, where: str) -> Fault:
    close = _close_ids(database, structure_id)
    remedy = f"did you mean {', '.join(close)}?" if close else "look the id up in schedule.csv, or give --row N"
    return Fault(where, f"no structure {structure_id!r}", remedy=remedy)


def _close_ids(database: sqlite3.Connection, wanted: str) -> list[str]:
    """Ids that differ by case, blanks or a letter or two."""
    query = (
        "SELECT DISTINCT structure_id FROM schedule WHERE structure_id <> '' AND"
        " abs(length(structure_id) - ?) <= 2 LIMIT ?"
    )
    ids = [line[0] for line in database.execute(query, (len(wanted), MOST_IDS))]
    plain = wanted.strip().casefold()
    same = [each for each in ids if each.strip().casefold() == plain]
    return same or difflib.get_close_matches(wanted, ids, n=5)


def _rows(database: sqlite3.Connection, table: str, row: int) -> list[Row]:
    """Our columns of a table's rows of one structure, in the order in which they were written."""
    names = ", ".join(f'"{column.name}"' for column in TABLES[table])
    query = f'SELECT {names} FROM "{table}" WHERE "row" = ? ORDER BY fid'
    return [dict(line) for line in database.execute(query, (row,))]


def _units(path: Path) -> tuple[str, str]:
    """Units of `schedule.csv`, and the foot of its elevations, from the dictionary beside it."""
    with path.open(encoding="utf-8", newline="") as file:
        found = {line["unit"] for line in csv.DictReader(file) if line["table"] == "schedule.csv"}
    return ("us" if "in" in found else "metric"), ("us-ft" if "US survey ft" in found else "ft")


def _rule_set(tables: list[Row], name: str, path: Path) -> RuleSet:
    sets = {table["name"]: table for table in tables}
    return _rebuilt(RuleSet, sets[name], path)


def _catalogue(table: Row, path: Path) -> Catalogue:
    return Catalogue(
        name=table["name"],
        casting=tuple(_rebuilt(CastingPart, item, path) for item in table["casting"]),
        ring=tuple(_rebuilt(RingPart, item, path) for item in table["ring"]),
        riser=tuple(_rebuilt(RiserPart, item, path) for item in table["riser"]),
        liner=tuple(_rebuilt(LinerPart, item, path) for item in table["liner"]),
    )


def _rebuilt(table: type[T], data: Mapping[str, Any], path: Path) -> T:
    """A settings table from its plain values; the inverse of `process.plain`."""
    names = {item.name for item in fields(table)}  # type: ignore[arg-type]
    if names != set(data):
        odd = sorted(names ^ set(data))
        raise InputError(
            Fault(str(path), f"other settings than this version's: {', '.join(odd)}", remedy="run the job again")
        )
    return table(**{key: tuple(item) if isinstance(item, list) else item for key, item in data.items()})
