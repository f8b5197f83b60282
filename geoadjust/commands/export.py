"""`geoadjust export`: an output set as files for other programs."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from geoadjust.commands import options
from geoadjust.core.rules import SHOT_COLUMNS, VERTICAL_UNITS

KINDS = ("xlsx", "points", "geojson", "dxf")


class Listed(click.ParamType):  # type: ignore[type-arg]
    """Words with commas between them, each of some that are allowed."""

    name = "list"

    def __init__(self, words: tuple[str, ...], *, again: str = "") -> None:
        self.words, self.again = words, again

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> tuple[str, ...]:
        """The words; refuses others, and one that stands twice."""
        if isinstance(value, tuple):
            return value
        found = tuple(word.strip() for word in str(value).split(",") if word.strip())
        odd = [word for word in found if word not in self.words]
        if odd or not found:
            what = f"{', '.join(map(repr, odd)) or 'nothing'} is not one of {', '.join(self.words)}"
            self.fail(what, param, ctx)
        twice = {word for word in found if found.count(word) > 1} - {self.again}
        if twice:
            self.fail(f"{', '.join(sorted(twice))} stands twice", param, ctx)
        return found


@click.command()
@options.set_argument
@options.out_folder()
@click.option(
    "--as", "kinds", type=Listed(KINDS), required=True, metavar="KINDS", help=f"what to write: {','.join(KINDS)}"
)
@click.option(
    "--order",
    type=Listed(SHOT_COLUMNS, again="skip"),
    default=",".join(SHOT_COLUMNS[:5]),
    show_default=True,
    metavar="COLUMNS",
    help="points: what stands in each column; skip = empty",
)
@click.option(
    "--stations",
    type=click.Choice(("0", "4", "8")),
    default="0",
    show_default=True,
    help="points: stations on the frame's top edge, besides the centre",
)
@click.option(
    "--header/--no-header", default=True, show_default=True, help="points: a first line that names the columns"
)
@click.option(
    "--first-point",
    type=click.IntRange(0, 10**9),
    default=1000,
    show_default=True,
    help="points: number of row 0; row r has this plus 10 r, its stations the next ones",
)
@click.option(
    "--elevation-unit",
    type=click.Choice(VERTICAL_UNITS),
    help="points: unit of the elevations; default is that of the structures, else of the road",
)
@click.option(
    "--layers",
    type=click.Choice(("method", "severity")),
    default="method",
    show_default=True,
    help="dxf: what the layers are",
)
@options.overwrite("an export")
@options.as_json
def export(set: Path, out: Path, kinds: tuple[str, ...], as_json: bool, **given: Any) -> None:
    """Write the output folder SET as spreadsheet, stake-out points, GeoJSON or DXF."""
    from geoadjust.run.export import ExportOptions, export_set, point_options

    points = point_options(given["order"], int(given["stations"]), given["header"], given["first_point"])
    height_unit = given["elevation_unit"] or ""
    exported = export_set(
        set, out, ExportOptions(kinds, given["overwrite"], points, height_unit, given["layers"])
    ).as_json()
    options.tell(exported, as_json, [f"wrote {file['path']}: {_told(file)}" for file in exported["files"]])


def _told(file: dict[str, Any]) -> str:
    if file["kind"] == "xlsx":
        return ", ".join(f"{name} {count}" for name, count in file["sheets"].items())
    if file["kind"] == "points":
        return f"{file['points']} points of {file['structures']} structures"
    if file["kind"] == "geojson":
        return f"{file['features']} structures"
    return ", ".join(f"{layer} {count}" for layer, count in file["layers"].items()) or "no structure"
