"""`geoadjust check`: every fault of a job, and what a run would do."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from geoadjust.commands.echo import clean
from geoadjust.commands.files import FilePath
from geoadjust.commands.job import job_options, naming, read_job
from geoadjust.errors import InputError

if TYPE_CHECKING:
    from geoadjust.commands.document import Inline


@click.command()
@job_options
@click.option(
    "--fieldbook",
    type=FilePath("new"),
    metavar="FILE.csv",
    help="write the shots that a surveyor takes before paving into this file; the road need not be surveyed yet",
)
@click.option("--overwrite", is_flag=True, help="replace an earlier field book")
@click.option("--json", "as_json", is_flag=True, help="print the report as JSON on stdout")
def check(
    job: Path | Inline | None,
    settings: tuple[str, ...],
    fieldbook: Path | None,
    overwrite: bool,
    as_json: bool,
    **given: Any,
) -> None:
    """Read everything, report every fault and what the run would do; write nothing but a field book on request."""
    from geoadjust.run.check import check_job

    with naming(job):
        parsed = read_job(job, settings, given)
        book = None if fieldbook is None else _write_book(parsed, fieldbook, overwrite, as_json)
        report = check_job(parsed)
    if as_json:
        found = {**report.as_json(), **({"fieldbook": book} if book else {})}
        click.echo(json.dumps(found, ensure_ascii=False, sort_keys=True))
        return
    for line in report.lines:
        click.echo(clean(line))
    for notice in report.notices:
        click.echo(clean(f"note: {notice}"))
    click.echo("no faults")


def _write_book(job: Any, path: Path, overwrite: bool, as_json: bool) -> dict[str, Any]:
    """Write the field book before the check, which may find faults in a road that is not surveyed yet."""
    from geoadjust.run.check import check_job
    from geoadjust.run.fieldbook import write_fieldbook

    try:
        written = write_fieldbook(job, path, overwrite=overwrite).as_json()
    except InputError:
        check_job(job)  # tells these faults, and those of the rest
        raise
    text = f"wrote {written['path']}: {written['lines']} lines for {written['structures']} structures"
    click.echo(clean(text), err=as_json)
    return written
