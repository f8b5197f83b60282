"""`geoadjust template`: the cut line of each liner at 1:1, as PDF."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from geoadjust.commands import options
from geoadjust.commands.files import FilePath


@click.command()
@options.set_argument
@options.out_folder()
@options.ids
@options.streets
@options.paper("the tiled pages")
@click.option(
    "--circumference",
    default="",
    metavar="LENGTH",
    help="measured round the outside of the one liner, with its unit; default: the catalogue's",
)
@click.option(
    "--circumferences",
    type=FilePath("table"),
    metavar="FILE",
    help="the same for several liners: a table with the columns id and circumference",
)
@options.fonts
@options.overwrite("a document")
@options.as_json
def template(set: Path, out: Path, as_json: bool, **given: Any) -> None:
    """Write wrap templates of the liners in the output folder SET: a strip for a plotter, and pages to tape."""
    from geoadjust.run.template import TemplateOptions, draw_templates

    drawn = draw_templates(set, out, TemplateOptions(**given)).as_json()
    told = [f"wrote {file['path']}: {file['pages']} pages" for file in drawn["files"]]
    options.tell(drawn, as_json, [*told, f"{len(drawn['templates'])} templates of {drawn['structures']} structures"])
