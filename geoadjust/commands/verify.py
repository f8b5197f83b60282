"""`geoadjust verify`: does a result still stand?"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from geoadjust.commands import options
from geoadjust.commands.files import FilePath
from geoadjust.commands.progress import progress, progress_option
from geoadjust.errors import InputError

SAMPLE = 200


class Sample(click.ParamType):  # type: ignore[type-arg]
    """A number of structures, or all."""

    name = "number"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> int | str:
        """The number; 'all' stays a word."""
        if value == "all" or isinstance(value, int):
            return value if isinstance(value, str) else int(value)
        return click.IntRange(0).convert(value, param, ctx)


@click.command()
@options.set_argument
@click.option(
    "--sample",
    type=Sample(),
    default=SAMPLE,
    show_default=True,
    metavar="N",
    help="structures to compute once more; all = every one, 0 = none",
)
@click.option("--seed", type=click.IntRange(0), metavar="N", help="choose the sample of an earlier verify again")
@click.option(
    "--inputs",
    type=FilePath("folder", file_okay=False),
    metavar="DIR",
    help="look for the sources by their names in this folder first, where they have moved",
)
@progress_option
@options.as_json
def verify(set: Path, sample: int | str, seed: int | None, inputs: Path | None, mode: str, as_json: bool) -> None:
    """Tell whether the output folder SET still stands: its files, its sources, its rows, a sample computed again."""
    from geoadjust.run.verify import VerifyOptions, verify_set

    number = sample if isinstance(sample, int) else None
    with progress(mode, "structure") as show:
        found = verify_set(set, VerifyOptions(number, inputs, seed, show))
    told = found.as_json()
    options.tell(told, as_json, list(_lines(told)))
    if not found.stands:
        raise InputError(found.differences)


def _lines(told: dict[str, Any]) -> list[str]:
    lines = [f"{told['set']}: {'stands' if told['stands'] else 'does not stand'}", f"files: {told['files']} listed"]
    if told["sources"]:
        lines.append(f"sources: {', '.join(told['sources'])}")
    if told["rows"]:
        lines.append(f"rows: {told['rows']} of the input, {told['structures']} in the result")
    if told["recomputed"]:
        seed = "" if told["seed"] is None else f" (--seed {told['seed']} chooses them again)"
        of = f"{told['recomputed']} of {told['structures']} structures{seed}"
        lines.append(f"computed again: {of}, {told['figures']} values compared")
    elif told["stands"]:
        lines.append("computed again: none")
    return [*lines, f"and {told['more']} more differences"] if told["more"] else lines
