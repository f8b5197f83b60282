"""Adjustment records for the owner's files: a history in, a PDF and a CSV out."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

from geoadjust.core.history import STATES, by_street, replay
from geoadjust.errors import Fault, InputError
from geoadjust.io.exports.folder import ExportFolder, Recognizer
from geoadjust.io.history_file import read_history
from geoadjust.io.results.rows import write_rows
from geoadjust.io.safe import check_paths
from geoadjust.report.records.document import SUBJECT, write_records
from geoadjust.report.records.facts import Record
from geoadjust.run.sheets import BOXED_SHOWN, is_paper

FIRST_COLUMNS = b"structure,street,state,when,by,conflict,planned_when"
FIRST_OF_STREETS = b"street,structures,planned,"


@dataclass(frozen=True, slots=True)
class RecordOptions:
    """Which structures, and how the pages look."""

    ids: tuple[str, ...] = ()
    streets: tuple[str, ...] = ()
    paper: str = "letter"
    units: str = "metric"
    fonts: tuple[Path, ...] = ()
    overwrite: bool = False


def write_record(history: Path, out: Path, options: RecordOptions = RecordOptions()) -> dict[str, Any]:
    """Write `records.pdf`, `records.csv` and `streets.csv`, all or none; plain values of what was written.

    Parameters
    ----------
    history : file of events
    out : folder for the files, made where it is missing

    Raises
    ------
    InputError
        no history, or a changed one; a structure or street that it does not have; a library that is not installed
    OutputBusyError, OutputError
        a file is there, or cannot be written
    """
    check_paths(options.fonts, where="--font")
    records = _asked(history, options)
    files: dict[str, Recognizer] = {
        "records.pdf": lambda path: is_paper(path, SUBJECT),
        "records.csv": partial(_starts, FIRST_COLUMNS),
        "streets.csv": partial(_starts, FIRST_OF_STREETS),
    }
    with ExportFolder(out, files, overwrite=options.overwrite) as target:
        with open(target.path("records.pdf"), "wb") as file:
            pages, boxed = write_records(
                file,
                records,
                paper=options.paper,
                title=f"Adjustment records, {history.name}",
                units=options.units,
                fonts=options.fonts,
            )
        write_rows(target.path("records.csv"), [record.row() for record in records])
        write_rows(target.path("streets.csv"), _streets(records))
        target.commit()
    notes = []
    if boxed:
        listed = " ".join(f"U+{ord(each):04X}" for each in sorted(boxed)[:BOXED_SHOWN])
        notes.append(f"{len(boxed)} characters are in no font and stand as boxes: {listed}; --font adds a font")
    return {
        "out": str(out),
        "records": len(records),
        "files": [
            {"path": str(out / "records.pdf"), "pages": pages},
            *({"path": str(out / name)} for name in ("records.csv", "streets.csv")),
        ],
        "notes": notes,
    }


def _asked(history: Path, options: RecordOptions) -> list[Record]:
    """Records that were asked for, by street and then in the order of the history."""
    standings = list(replay(read_history(history)).values())
    faults = []
    for option, wanted, there in (
        ("--id", options.ids, {each.structure for each in standings}),
        ("--street", options.streets, {each.street for each in standings}),
    ):
        faults += [Fault(option, f"nothing is recorded of {each!r}") for each in wanted if each not in there]
    chosen = [each for each in standings if not options.ids or each.structure in options.ids]
    chosen = [each for each in chosen if not options.streets or each.street in options.streets]
    if not chosen and not faults:
        faults = [Fault(str(history), "no structure to make a record of")]
    if faults:
        raise InputError(faults)
    return [Record.of(each) for each in sorted(chosen, key=lambda each: each.street)]


def _streets(records: Sequence[Record]) -> list[dict[str, Any]]:
    """One row per street: how many structures are in each state, and how many are in conflict."""
    counts = by_street(record.standing for record in records)
    torn = Counter(record.standing.street for record in records if record.standing.conflict)
    return [
        {
            "street": street,
            "structures": found.total(),
            **{state: found[state] for state in STATES},
            "no_state": found[""],
            "conflicts": torn[street],
        }
        for street, found in counts.items()
    ]


def _starts(head: bytes, path: Path) -> bool:
    with path.open("rb") as file:
        return file.read(len(head)) == head
