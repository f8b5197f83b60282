"""`geoadjust init`: a commented job file."""

from __future__ import annotations

from pathlib import Path

import click

from geoadjust.commands.files import FilePath


@click.command()
@click.argument("folder", type=FilePath("folder"))
@click.option(
    "--examples",
    is_flag=True,
    help="also write published rule sets and vacuum tables, and example parts",
)
def init(folder: Path, examples: bool) -> None:
    """Write a commented job file into FOLDER."""
    from geoadjust.run.init import write_examples, write_job_template

    for path in write_examples(folder) if examples else [write_job_template(folder)]:
        click.echo(f"wrote {path}")
