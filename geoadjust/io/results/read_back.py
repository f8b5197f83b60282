"""Finds one structure of an output set by its id or its row, and reads it back."""

from __future__ import annotations

import difflib
import sqlite3
from pathlib import Path

from geoadjust.errors import Fault, InputError
from geoadjust.io.results.whole import ReadBack, open_set

MANY = 10
"""Rows of one id that are listed in a fault."""
MOST_IDS = 20_000
"""Ids that are looked through for one like the one that was asked for."""


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
    with open_set(folder) as whole:
        return whole.structure(_find_row(whole.database, structure_id, row, str(folder)))


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
