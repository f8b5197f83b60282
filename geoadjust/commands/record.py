"""`geoadjust record`: the adjustment record of each structure and street."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from geoadjust.commands import options
from geoadjust.commands.files import FilePath


@click.command()
@click.argument("history", metavar="HISTORY", type=FilePath("history"))
@options.out_folder()
@options.ids
@options.streets
@options.paper()
@click.option(
    "--units", type=click.Choice(("metric", "us")), default="metric", show_default=True, help="units on the pages"
)
@options.fonts
@options.overwrite("a record")
@options.as_json
def record(history: Path, out: Path, as_json: bool, **given: Any) -> None:
    """Write what HISTORY holds for the owner's files: per street and structure what was planned, measured, built,
    tested and accepted, as PDF and CSV."""
    from geoadjust.run.record import RecordOptions, write_record

    done = write_record(history, out, RecordOptions(**given))
    pdf, table, streets = done["files"]
    lines = [f"wrote {pdf['path']}: {pdf['pages']} pages", f"wrote {table['path']}: {done['records']} structures"]
    lines.append(f"wrote {streets['path']}")
    options.tell(done, as_json, lines)
