"""`geoadjust accept`: finished covers judged by the owner's tolerance."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import click

from geoadjust.commands import options
from geoadjust.commands.files import FileName, FilePath
from geoadjust.core.rules import VERTICAL_UNITS

SHOWN = 20


@click.command()
@options.set_argument
@click.argument("gaps", metavar="[GAPS]", type=FilePath("table"), required=False)
@options.out_folder("result")
@click.option(
    "--paved",
    type=FileName("road"),
    metavar="FILE",
    help="survey after paving: raster, LandXML, survey points or lidar",
)
@click.option("--paved-layer", default="", metavar="NAME", help="its surface or layer, where it has several")
@click.option("--paved-unit", type=click.Choice(VERTICAL_UNITS), help="its vertical unit, where it states none")
@click.option("--paved-crs", default="", metavar="CRS", help="its CRS, where the file states none")
@click.option("--day", type=click.DateTime(("%Y-%m-%d",)), metavar="DATE", help="day of that survey")
@options.bare_unit
@options.layer
@options.overwrite("a result")
@options.as_json
def accept(set: Path, gaps: Path | None, out: Path, as_json: bool, **given: Any) -> None:
    """Judge finished covers of the output folder SET by the gaps of the table GAPS and the owner's rules.

    With --paved: by a survey after paving, in place of gaps that the table does not have.
    """
    from geoadjust.core.rules import PavedTable
    from geoadjust.run.accept import AcceptOptions, accept_set

    if gaps is None and not given["paved"]:
        raise click.UsageError("give GAPS, or --paved FILE, or both")
    paved = None
    if given["paved"]:
        named = {key: given[f"paved_{key}"] for key in ("layer", "crs")}
        paved = PavedTable(path=given["paved"], vertical_unit=given["paved_unit"] or "", **named)
    day = given["day"].date() if given["day"] else None
    options_of_table = given["unit"] or "", given["layer"], given["overwrite"], tuple(sys.argv[1:])
    chosen = AcceptOptions(*options_of_table, paved, day)
    done = accept_set(set, gaps, out, chosen).as_json()
    counted = ", ".join(f"{name} {count}" for name, count in done["outcomes"].items())
    lines = [f"wrote {done['out']}: {done['structures']} structures: {counted}"]
    lines += options.named_lines(done["judged"], SHOWN, "acceptance.csv", lambda each: each["sentences"])
    options.tell(done, as_json, [*lines, *(f"left out: {told}" for told in done["left_out"])])
