"""`geoadjust demo`: an invented street."""

from __future__ import annotations

from pathlib import Path

import click

from geoadjust.commands.echo import show_summary
from geoadjust.commands.files import FilePath
from geoadjust.commands.progress import progress, progress_option


@click.command()
@click.argument("folder", type=FilePath("folder"))
@click.option("--overwrite", is_flag=True, help="replace an earlier demo in FOLDER")
@progress_option
def demo(folder: Path, overwrite: bool, mode: str) -> None:
    """Write an invented street into FOLDER and run the whole job on it."""
    from geoadjust.run.demo import run_demo

    with progress(mode) as show:
        summary = run_demo(folder, overwrite=overwrite, progress=show)
    show_summary(summary.as_json())
    click.echo(f"look at {folder}/out/schedule.csv, or open {folder}/out/schedule.gpkg in a desktop GIS")
