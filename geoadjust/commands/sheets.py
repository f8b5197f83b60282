"""`geoadjust sheets`: one page per structure for the crew, as PDF."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from geoadjust.commands import options
from geoadjust.core.columns import METHODS, READY


@click.command()
@options.set_argument
@options.out_folder()
@options.paper()
@click.option(
    "--order",
    type=click.Choice(("visit", "input")),
    default="visit",
    show_default=True,
    help="visit: street after street, along each; input: as the rows of the input",
)
@options.ids
@options.streets
@click.option("--method", "methods", multiple=True, type=click.Choice(METHODS), help="only this method; several times")
@click.option("--ready", multiple=True, type=click.Choice(READY), help="only this readiness; several times")
@options.fonts
@options.overwrite("a document")
@options.as_json
def sheets(set: Path, out: Path, as_json: bool, **given: Any) -> None:
    """Write the output folder SET as field sheets: a PDF with a cover and one page per structure."""
    from geoadjust.run.sheets import SheetOptions, draw_sheets

    drawn = draw_sheets(set, out, SheetOptions(**given)).as_json()
    told = [f"wrote {file['path']}: {file['pages']} pages" for file in drawn["files"]]
    options.tell(drawn, as_json, [*told, f"{drawn['sheets']} sheets of {drawn['structures']} structures"])
