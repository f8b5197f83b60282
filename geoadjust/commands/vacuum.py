"""`geoadjust vacuum`: vacuum tests judged by the owner's table."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import click

from geoadjust.commands import options
from geoadjust.commands.files import FilePath

SHOWN = 20


@click.command()
@options.set_argument
@click.argument("tests", metavar="TESTS", type=FilePath("table"))
@click.option("--table", type=FilePath("toml"), required=True, metavar="FILE", help="the owner's table (TOML)")
@options.out_folder("result")
@options.bare_unit
@options.layer
@options.overwrite("a result")
@options.as_json
def vacuum(set: Path, tests: Path, table: Path, out: Path, as_json: bool, **given: Any) -> None:
    """Judge the vacuum tests of the table TESTS at structures of the output folder SET by the owner's table."""
    from geoadjust.run.field_rows import FieldOptions
    from geoadjust.run.vacuum import judge_tests

    chosen = FieldOptions(given["unit"] or "", given["layer"], given["overwrite"], tuple(sys.argv[1:]))
    done = judge_tests(set, tests, table, out, chosen).as_json()
    counted = ", ".join(f"{name} {count}" for name, count in done["outcomes"].items())
    lines = [f"wrote {done['out']}: {done['tests']} tests: {counted}"]
    lines += options.named_lines(done["judged"], SHOWN, "vacuum.csv", lambda each: [each["why"]])
    options.tell(done, as_json, [*lines, *(f"left out: {told}" for told in done["left_out"])])
