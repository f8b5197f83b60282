"""The owner's table of vacuum tests: a TOML file, refused where it leaves a depth undefined or defines one twice."""

from __future__ import annotations

from pathlib import Path

from geoadjust.core.vacuum import VacuumTable, table_faults
from geoadjust.errors import InputError
from geoadjust.io.jobfile import read_toml
from geoadjust.process import validate_table


def read_vacuum_table(path: str) -> VacuumTable:
    """The table of a file.

    Raises
    ------
    InputError
        naming every fault: unknown keys, figures past their limits, bands that leave depths undefined or overlap
    """
    table: VacuumTable = validate_table(VacuumTable, read_toml(Path(path), where="--table"), where=path)
    if faults := list(table_faults(table, path)):
        raise InputError(faults)
    return table
