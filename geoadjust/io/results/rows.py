"""Rows for people as a CSV: what is unknown stays blank, what a spreadsheet would take for a formula is guarded."""

from __future__ import annotations

import csv
import os
import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from geoadjust.errors import OutputBusyError
from geoadjust.io.results.people import FORMULA_STARTS
from geoadjust.io.results.sets import explain_os_error

_FORMULA = re.compile(FORMULA_STARTS)


def write_rows(path: Path, rows: Sequence[Mapping[str, Any]], columns: Sequence[str] = ()) -> None:
    """Write a new file; one that is there is never replaced.

    Parameters
    ----------
    rows : values by column, None = unknown
    columns : their order; those of the first row otherwise

    Raises
    ------
    OutputBusyError, OutputError
        a file is there, or cannot be written
    """
    names = list(columns or rows[0])
    if os.path.lexists(path):
        raise OutputBusyError(f"{path}: exists; name a new file")
    try:
        with open(path, "x", encoding="utf-8", newline="") as file:
            writer = csv.writer(file)
            writer.writerow(names)
            writer.writerows([[_cell(row[name]) for name in names] for row in rows])
    except OSError as error:
        raise explain_os_error(error, path) from error


def _cell(value: Any) -> Any:
    if isinstance(value, bool):
        return "yes" if value else ""
    if value is None:
        return ""
    return f"'{value}" if isinstance(value, str) and _FORMULA.match(value) else value
