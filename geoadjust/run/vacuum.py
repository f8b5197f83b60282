"""Vacuum tests judged: records, the owner's table and an output set in, what each test says out."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from geoadjust.core.vacuum import KPA, OUTCOMES, VacuumTable, VacuumVerdict, judge_vacuum
from geoadjust.io.fingerprint import fingerprint
from geoadjust.io.intake.field_tables import read_field_table
from geoadjust.io.intake.vacuum_tests import Tested, take_tests
from geoadjust.io.results.bundles import read_lines
from geoadjust.io.results.field_columns import VACUUM, VACUUM_TABLES
from geoadjust.io.results.geopackage import CROSS, DIAMOND, SQUARE, Style
from geoadjust.io.results.sets import SetWriter
from geoadjust.io.results.step_set import Step, write_step
from geoadjust.io.results.whole import WholeSet, open_set
from geoadjust.io.vacuum_table import read_vacuum_table
from geoadjust.run.field_rows import PLAIN, FieldOptions, FieldResult, match_lines
from geoadjust.run.told import made_by, step_facts

FORMAT = "geoadjust vacuum 1"
STYLE = Style(
    "vacuum",
    "Vacuum tests by outcome",
    "outcome",
    dict(zip(OUTCOMES, (SQUARE, CROSS, DIAMOND, DIAMOND, DIAMOND), strict=True)),
    {
        "pass": "held",
        "fail": "did not hold",
        "incomplete": "not long enough to tell",
        "invalid": "not made as the table asks",
        "not_applicable": "says nothing of the chimney, or the table has no time for it",
    },
    VACUUM,
    "outcome",
)


def judge_tests(folder: Path, tests: Path, table_path: Path, out: Path, options: FieldOptions = PLAIN) -> FieldResult:
    """Judge vacuum tests by the owner's table, into a new result folder.

    Parameters
    ----------
    folder : the output set; it is left as it is
    tests : CSV, XLSX or GeoPackage of records
    table_path : TOML file of the owner's table
    out : the new folder

    Raises
    ------
    InputError
        no output set; a table or records that cannot be read, with every fault; tests of no structure of the set
    OutputBusyError, OutputError
        the folder could not be written
    """
    owner = read_vacuum_table(str(table_path))
    table = read_field_table(str(tests), where="tests", layer=options.layer)
    taken, ignored = take_tests(table, pressure=owner.unit, unit=options.unit)
    with open_set(folder) as whole:
        found, left_out = match_lines(whole, taken, table.path)
        verdicts = [judge_vacuum(each.test, owner) for _, each in found]
        rows = _rows(whole, found, verdicts, owner)
        with SetWriter(out, overwrite=options.overwrite) as writer:
            inputs = {"tests": fingerprint(Path(table.path)), "table": fingerprint(table_path), "unit": options.unit}
            step = Step(STYLE, VACUUM_TABLES, {"vacuum": rows})
            counts = write_step(writer.folder, whole, step, step_facts(whole, inputs))
            told = {"set": whole.folder, "tests": str(tests), "table": str(table_path), "left_out": left_out}
            counted = {"tables": counts, "outcome": dict(Counter(rows["outcome"]))}
            writer.commit({"format": FORMAT, **made_by(options.command), "vacuum": told, "counts": counted})
    names = ("row", "structure_id", "outcome", "why")
    lines = [dict(zip(names, values, strict=True)) for values in zip(*(rows[name] for name in names), strict=True)]
    return FieldResult(str(out), "tests", lines, left_out, ignored)


def _rows(
    whole: WholeSet, found: Sequence[tuple[int, Tested]], verdicts: Sequence[VacuumVerdict], owner: VacuumTable
) -> dict[str, Any]:
    names = read_lines(whole, "schedule", ["structure_id", "street"], [row for row, _ in found])
    tests = [each.test for _, each in found]
    return {
        "row": [row for row, _ in found],
        "structure_id": [name[0] for name in names],
        "street": [name[1] for name in names],
        "outcome": [each.outcome for each in verdicts],
        "why": [each.why for each in verdicts],
        "table": [owner.name] * len(found),
        "boundary": [each.boundary or None for each in tests],
        "diameter_mm": [1000 * each.diameter for each in tests],
        "depth_m": [each.depth for each in tests],
        "start_kpa": [each.start for each in tests],
        "end_kpa": [each.end for each in tests],
        "lost_kpa": [each.lost for each in verdicts],
        "allowed_kpa": [owner.drop * KPA[owner.unit]] * len(found),
        "seconds": [each.seconds for each in tests],
        "required_s": [each.required for each in verdicts],
        "stabilised": [{True: "yes", False: "no"}.get(each.stabilised) for each in tests],  # type: ignore[arg-type]
        "day": [each.day.isoformat() if each.day else None for _, each in found],
        "by": [each.by or None for _, each in found],
        "note": [each.note or None for _, each in found],
    }
