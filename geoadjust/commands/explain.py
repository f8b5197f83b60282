"""`geoadjust explain`: how the figures of one structure come about."""

from __future__ import annotations

from pathlib import Path

import click

from geoadjust.commands import options
from geoadjust.commands.files import FilePath


@click.command()
@options.set_argument
@click.argument("structure_id", metavar="[ID]", required=False)
@click.option("--row", type=click.IntRange(0), help="0-based row of the input, where an id stands in several rows")
@click.option("--out", type=FilePath("new"), help="write the page into this new file, not to stdout")
def explain(set: Path, structure_id: str | None, row: int | None, out: Path | None) -> None:
    """Tell how the figures of structure ID in the output folder SET come about, line by line."""
    from geoadjust.run.explain import explain_structure

    text = explain_structure(set, structure_id, row=row, out=out)
    click.echo(text if out is None else f"wrote {out}", nl=out is not None)
