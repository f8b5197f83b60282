"""`geoadjust remeasure`: from readings on the prepared bearing to the cut."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import click

from geoadjust.commands import options
from geoadjust.commands.files import FilePath
from geoadjust.core.columns import REFERENCES

SHOWN = 20
ONE = ("casting", "flange", "radius", "reference", "to_come")
"""Needed beside `--depths`."""


@click.command()
@click.argument("set", metavar="[SET]", type=FilePath("set"), required=False)
@click.argument("readings", metavar="[READINGS]", type=FilePath("table"), required=False)
@click.option("--out", type=FilePath("folder"), metavar="DIR", help="folder for the new set")
@options.bare_unit
@options.layer
@options.overwrite("a set")
@click.option(
    "--depths", metavar="LENGTHS", help="one structure without files: depths with commas, clockwise from the mark"
)
@click.option("--casting", metavar="LENGTH", help="with --depths: height of the casting, as measured")
@click.option("--flange", metavar="LENGTH", help="with --depths: outside diameter of its flange")
@click.option("--radius", metavar="LENGTH", help="with --depths: distance of the readings from the centre")
@click.option("--reference", type=click.Choice(REFERENCES[1:]), help="with --depths: road that the bar lay on")
@click.option("--to-come", metavar="LENGTH", help="with --depths: finished road above that road; 0 mm if it is it")
@click.option(
    "--joint", metavar="LENGTH", default="6 mm", show_default=True, help="with --depths: one of the two joints"
)
@click.option("--recess", metavar="LENGTH", default="0 mm", show_default=True, help="with --depths: rim below the road")
@options.as_json
def remeasure(set: Path | None, readings: Path | None, as_json: bool, **given: Any) -> None:
    """Plan the structures of the table READINGS again, from the output folder SET, on their bearings as measured.

    With --depths: one structure on a level bearing, without any file.
    """
    if given["depths"]:
        if set or given["out"]:
            raise click.UsageError("--depths stands alone: give no SET, READINGS or --out with it")
        _one(given, as_json)
        return
    if not (set and readings and given["out"]):
        raise click.UsageError("give SET, READINGS and --out DIR; or --depths for one structure")
    _several(set, readings, given, as_json)


def _one(given: dict[str, Any], as_json: bool) -> None:
    from geoadjust.run.remeasure_one import OneStructure, remeasure_one, told

    missing = [f"--{name.replace('_', '-')}" for name in ONE if not given[name]]
    if missing:
        raise click.UsageError(f"--depths needs {', '.join(missing)} too")
    names = ("depths", *ONE, "joint", "recess")
    found = remeasure_one(OneStructure(**{name: given[name] for name in names}))
    options.tell(found, as_json, told(found))


def _several(set: Path, readings: Path, given: dict[str, Any], as_json: bool) -> None:
    from geoadjust.run.remeasure import RemeasureOptions, remeasure_set

    chosen = RemeasureOptions(given["unit"] or "", given["layer"], given["overwrite"], tuple(sys.argv[1:]))
    made = remeasure_set(set, readings, given["out"], chosen).as_json()
    ready = ", ".join(f"{name} {count}" for name, count in made["ready"].items())
    lines = [f"wrote {made['out']}: {made['structures']} structures: {ready}"]
    for line in made["measured"][:SHOWN]:
        name = line["structure_id"] or f"row {line['row']}"
        lines.append(f"{name}: {line['method']}, {line['ready']}: {' '.join(line['flags']) or 'no flag'}")
    if len(made["measured"]) > SHOWN:
        lines.append(f"... and {len(made['measured']) - SHOWN} more; see schedule.csv")
    options.tell(made, as_json, [*lines, *(f"left out: {told}" for told in made["left_out"])])
