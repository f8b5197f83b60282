"""Rows of a result folder as a history keeps them: of a plan, of what was measured, accepted or tested."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from geoadjust.errors import Fault, InputError
from geoadjust.io.results.sets import read_set

PLAN = ("kind", "rule_set", "method", "ready", "raise_mm", "chimney_mm", "slope_pct", "long_side_deg", "rough_cut_mm")
KEPT = {
    "planned": (*PLAN, "stack", "liner", "flags"),
    "measured": (*PLAN, "stack", "liner", "flags"),
    "accepted": ("outcome", "findings", "rule_set", "gaps", "worst_mm", "mean_mm", "tilt_pct", "settled_mm", "note"),
    "tested": ("outcome", "why", "table", "boundary", "lost_kpa", "seconds", "required_s", "note"),
}
"""Columns that a history keeps of each kind of result."""
MEASURED = ("reference", "readings", "depth_mm", "casting_height_mm", "off_plan_mm", "by", "taken_at", "note")
LAYERS = {"planned": "schedule", "measured": "schedule", "accepted": "acceptance", "tested": "vacuum"}
_KINDS = {"geoadjust acceptance 1": "accepted", "geoadjust vacuum 1": "tested"}


@dataclass(frozen=True, slots=True)
class StepRows:
    """Rows of one result.

    Parameters
    ----------
    kind : planned, measured, accepted or tested
    sha256 : of its layer's file
    finished : when it was made, UTC
    rows : by column: row, structure_id, street, and those that are kept
    """

    kind: str
    sha256: str
    finished: str
    rows: Sequence[dict[str, Any]]


def read_step(folder: Path) -> StepRows:
    """Read a result folder, after its files were compared with its record.

    Raises
    ------
    InputError
        no result folder, or files that have changed
    """
    record = read_set(folder)
    kind = _KINDS.get(str(record.get("format")), "measured" if "remeasured" in record else "planned")
    layer = LAYERS[kind]
    name = f"{layer}.gpkg"
    if name not in record["files"]:
        raise InputError(Fault(str(folder), f"holds no {name}", "a result of schedule, remeasure, accept or vacuum"))
    day = ("day", "by") if kind in ("accepted", "tested") else ()
    with closing(sqlite3.connect(f"{(folder / name).absolute().as_uri()}?mode=ro&immutable=1", uri=True)) as database:
        database.row_factory = sqlite3.Row
        rows = _read(database, layer, ("row", "structure_id", "street", *day, *KEPT[kind]))
        if kind == "measured":
            more = {row["row"]: row for row in _read(database, "measurements", ("row", *MEASURED))}
            rows = [{**row, **more.get(row["row"], {})} for row in rows]
    return StepRows(kind, record["files"][name]["sha256"], str(record.get("finished_at", "")), rows)


def _read(database: sqlite3.Connection, table: str, columns: Sequence[str]) -> list[dict[str, Any]]:
    listed = ", ".join(f'"{column}"' for column in columns)
    return [dict(line) for line in database.execute(f'SELECT {listed} FROM "{table}" ORDER BY fid')]
