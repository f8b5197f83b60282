"""`geoadjust sheets`: one page per structure for the crew, as PDF."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import click

from geoadjust.commands.echo import clean
from geoadjust.core.columns import METHODS, READY


@click.command()
@click.argument("set", metavar="SET", type=click.Path(path_type=Path))
@click.option("--out", type=click.Path(path_type=Path), required=True, metavar="DIR", help="folder for the files")
@click.option(
    "--paper", type=click.Choice(("letter", "a4")), default="letter", show_default=True, help="size of a page"
)
@click.option(
    "--order",
    type=click.Choice(("visit", "input")),
    default="visit",
    show_default=True,
    help="visit: street after street, along each; input: as the rows of the input",
)
@click.option("--id", "ids", multiple=True, metavar="ID", help="only this structure; may be given several times")
@click.option("--street", "streets", multiple=True, metavar="NAME", help="only this street; several times")
@click.option("--method", "methods", multiple=True, type=click.Choice(METHODS), help="only this method; several times")
@click.option("--ready", multiple=True, type=click.Choice(READY), help="only this readiness; several times")
@click.option(
    "--font",
    "fonts",
    multiple=True,
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="a TrueType font for letters that ours lack; several times",
)
@click.option("--overwrite", is_flag=True, help="replace sheets that were made before; other files never are")
@click.option("--json", "as_json", is_flag=True, help="print a machine summary on stdout")
def sheets(set: Path, out: Path, as_json: bool, **given: Any) -> None:
    """Write the output folder SET as field sheets: a PDF with a cover and one page per structure."""
    from geoadjust.run.sheets import SheetOptions, draw_sheets

    drawn = draw_sheets(set, out, SheetOptions(**given)).as_json()
    if as_json:
        click.echo(json.dumps(drawn, ensure_ascii=False, sort_keys=True))
        return
    for file in drawn["files"]:
        click.echo(clean(f"wrote {file['path']}: {file['pages']} pages"))
    click.echo(f"{drawn['sheets']} sheets of {drawn['structures']} structures")
    for note in drawn["notes"]:
        click.echo(clean(f"note: {note}"))
