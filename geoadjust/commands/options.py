"""Arguments and options that several commands share."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any

import click

from geoadjust.commands.echo import clean
from geoadjust.commands.files import FilePath

UNITS = ("mm", "cm", "m", "in", "ft")

set_argument = click.argument("set", metavar="SET", type=FilePath("set"))
as_json = click.option("--json", "as_json", is_flag=True, help="print a machine summary on stdout")
ids = click.option("--id", "ids", multiple=True, metavar="ID", help="only this structure; may be given several times")
streets = click.option("--street", "streets", multiple=True, metavar="NAME", help="only this street; several times")
fonts = click.option(
    "--font",
    "fonts",
    multiple=True,
    type=FilePath("font"),
    metavar="FILE",
    help="a TrueType font for letters that ours lack; several times",
)
bare_unit = click.option(
    "--unit", type=click.Choice(UNITS), help="unit of bare numbers in the table; without it each has its own"
)
layer = click.option("--layer", metavar="NAME", help="sheet or layer of the table, where the file has several")


def out_folder(what: str = "files") -> Callable[..., Any]:
    """`--out` for a folder of what is made."""
    return click.option("--out", type=FilePath("folder"), required=True, metavar="DIR", help=f"folder for the {what}")


def paper(what: str = "a page") -> Callable[..., Any]:
    """`--paper`."""
    sizes = click.Choice(("letter", "a4"))
    return click.option("--paper", type=sizes, default="letter", show_default=True, help=f"size of {what}")


def overwrite(what: str) -> Callable[..., Any]:
    """`--overwrite`; `what` was made before."""
    return click.option("--overwrite", is_flag=True, help=f"replace {what} that was made before; other files never are")


def tell(found: Mapping[str, Any], as_json: bool, lines: Iterable[str]) -> None:
    """Print what was done: as one line of JSON, or as lines for people and the notes."""
    if as_json:
        click.echo(json.dumps(found, ensure_ascii=False, sort_keys=True))
        return
    for line in [*lines, *(f"note: {note}" for note in found.get("notes", ()))]:
        click.echo(clean(line))


def named_lines(
    lines: Sequence[Mapping[str, Any]], shown: int, file: str, why: Callable[[Mapping[str, Any]], Sequence[str]]
) -> list[str]:
    """One line per structure with its outcome and the reasons; a long list ends with where the rest stands."""
    told = [f"{each['structure_id'] or 'row ' + str(each['row'])}: {each['outcome']}" for each in lines[:shown]]
    told = [" - ".join([line, *why(each)]) for line, each in zip(told, lines, strict=False)]
    return [*told, f"... and {len(lines) - shown} more; see {file}"] if len(lines) > shown else told
