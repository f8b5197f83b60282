"""`geoadjust template`: the cut line of each liner at 1:1, as PDF."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import click

from geoadjust.commands.echo import clean


@click.command()
@click.argument("set", metavar="SET", type=click.Path(path_type=Path))
@click.option("--out", type=click.Path(path_type=Path), required=True, metavar="DIR", help="folder for the files")
@click.option("--id", "ids", multiple=True, metavar="ID", help="only this structure; may be given several times")
@click.option("--street", "streets", multiple=True, metavar="NAME", help="only this street; several times")
@click.option(
    "--paper", type=click.Choice(("letter", "a4")), default="letter", show_default=True, help="size of the tiled pages"
)
@click.option(
    "--circumference",
    default="",
    metavar="LENGTH",
    help="measured round the outside of the one liner, with its unit; default: the catalogue's",
)
@click.option(
    "--circumferences",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="the same for several liners: a table with the columns id and circumference",
)
@click.option(
    "--font",
    "fonts",
    multiple=True,
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="a TrueType font for letters that ours lack; several times",
)
@click.option("--overwrite", is_flag=True, help="replace templates that were made before; other files never are")
@click.option("--json", "as_json", is_flag=True, help="print a machine summary on stdout")
def template(set: Path, out: Path, as_json: bool, **given: Any) -> None:
    """Write wrap templates of the liners in the output folder SET: a strip for a plotter, and pages to tape."""
    from geoadjust.run.template import TemplateOptions, draw_templates

    written = draw_templates(set, out, TemplateOptions(**given)).as_json()
    if as_json:
        click.echo(json.dumps(written, ensure_ascii=False, sort_keys=True))
        return
    for file in written["files"]:
        click.echo(clean(f"wrote {file['path']}: {file['pages']} pages"))
    click.echo(f"{len(written['templates'])} templates of {written['structures']} structures")
    for note in written["notes"]:
        click.echo(clean(f"note: {note}"))
