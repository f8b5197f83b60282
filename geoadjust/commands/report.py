"""`geoadjust report`: an output set as a page with a map."""

from __future__ import annotations

from pathlib import Path

import click

from geoadjust.commands import options


@click.command()
@options.set_argument
@options.out_folder("page")
@click.option(
    "--most",
    type=click.IntRange(1),
    default=100_000,
    show_default=True,
    help="structures on one page; a larger set is split into parts with an index",
)
@options.overwrite("a report")
@options.as_json
def report(set: Path, out: Path, most: int, overwrite: bool, as_json: bool) -> None:
    """Write the output folder SET as one HTML page: map, filters, drawings, charts; it needs no network."""
    from geoadjust.run.report import write_report

    made = write_report(set, out, overwrite=overwrite, most=most).as_json()
    options.tell(made, as_json, [f"wrote {file['path']}: {file['bytes'] / 1e6:.1f} MB" for file in made["files"]])
