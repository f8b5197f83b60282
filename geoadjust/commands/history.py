"""`geoadjust history`: what happened to each structure, only ever added to."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from geoadjust.commands import options
from geoadjust.commands.files import FilePath

file_argument = click.argument("history", metavar="HISTORY", type=FilePath("history"))


@click.group()
def history() -> None:
    """Keep what happened to each structure in a file of events (.jsonl) that is only ever added to."""


@history.command()
@file_argument
@click.argument("results", metavar="[RESULT]...", nargs=-1, type=FilePath("result"))
@click.option("--states", type=FilePath("table"), metavar="FILE", help="table of states: lowered, milled, cut, set ...")
@options.bare_unit
@options.layer
@click.option("--by", default="", metavar="NAME", help="who says so, where result or table do not say it")
@click.option("--settle", is_flag=True, help="go on from both sides where two people's events are in conflict")
@options.as_json
def add(history: Path, results: tuple[Path, ...], states: Path | None, as_json: bool, **given: Any) -> None:
    """Add events to HISTORY from results of schedule, remeasure, accept and vacuum, or from a table of states."""
    from geoadjust.run.history import add_results, add_states

    if bool(results) == bool(states):
        raise click.UsageError("give RESULT folders, or --states FILE")
    both = {"by": given["by"], "settle": given["settle"]}
    if states:
        added = add_states(history, states, unit=given["unit"] or "", layer=given["layer"], **both)
    else:
        added = add_results(history, results, **both)
    told = added.as_json()
    counted = ", ".join(f"{name} {count}" for name, count in told["states"].items())
    lines = [f"{told['history']}: {told['added']} events added{': ' if counted else ''}{counted}"]
    options.tell(told, as_json, [*lines, *([f"{told['known']} were there already"] if told["known"] else [])])


@history.command()
@file_argument
@options.streets
@click.option("--out", type=FilePath("new"), metavar="FILE", help="also write the states as a CSV")
@options.as_json
def show(history: Path, streets: tuple[str, ...], out: Path | None, as_json: bool) -> None:
    """Tell how many structures of each street have come to which state, and what is in conflict."""
    from geoadjust.run.history import show as look
    from geoadjust.run.history import write_states

    found = look(history, streets)
    if out:
        write_states(out, found)
    lines = []
    for street, counts in found["streets"].items():
        counted = ", ".join(f"{state or 'no state'} {count}" for state, count in counts.items())
        lines.append(f"{street or 'no street'}: {counted}")
    options.tell(found, as_json, [*lines, *_conflicts(found)])


@history.command()
@file_argument
@click.argument("other", metavar="OTHER", type=FilePath("history"))
@click.option("--out", type=FilePath("new"), required=True, metavar="FILE", help="the new file (.jsonl)")
@options.as_json
def merge(history: Path, other: Path, out: Path, as_json: bool) -> None:
    """Write the union of HISTORY and OTHER to a new file; list where two people's events are in conflict."""
    from geoadjust.run.history import merge_files

    done = merge_files(history, other, out)
    told = f"wrote {done['out']}: {done['events']} events, of {done['first']} and {done['second']}"
    options.tell(done, as_json, [told, *_conflicts(done)])


def _conflicts(found: dict[str, Any]) -> list[str]:
    return [f"conflict: {each['structure']}: {' | '.join(each['heads'])}" for each in found["conflicts"]]
