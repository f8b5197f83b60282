"""`geoadjust report`: an output set as a page with a map."""

from __future__ import annotations

import json
from pathlib import Path

import click

from geoadjust.commands.echo import clean


@click.command()
@click.argument("set", metavar="SET", type=click.Path(path_type=Path))
@click.option("--out", type=click.Path(path_type=Path), required=True, metavar="DIR", help="folder for the page")
@click.option(
    "--most",
    type=click.IntRange(1),
    default=100_000,
    show_default=True,
    help="structures on one page; a larger set is split into parts with an index",
)
@click.option("--overwrite", is_flag=True, help="replace a report that was made before; other files never are")
@click.option("--json", "as_json", is_flag=True, help="print a machine summary on stdout")
def report(set: Path, out: Path, most: int, overwrite: bool, as_json: bool) -> None:
    """Write the output folder SET as one HTML page: map, filters, drawings, charts; it needs no network."""
    from geoadjust.run.report import write_report

    made = write_report(set, out, overwrite=overwrite, most=most).as_json()
    if as_json:
        click.echo(json.dumps(made, ensure_ascii=False, sort_keys=True))
        return
    for file in made["files"]:
        click.echo(clean(f"wrote {file['path']}: {file['bytes'] / 1e6:.1f} MB"))
    for note in made["notes"]:
        click.echo(clean(f"note: {note}"))
