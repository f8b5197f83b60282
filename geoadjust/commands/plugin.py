"""`geoadjust plugin`: the processing plugin for a desktop GIS."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from geoadjust import __version__
from geoadjust.commands import options
from geoadjust.commands.files import FilePath


@click.command()
@click.option("--out", type=FilePath("new"), required=True, metavar="FILE.zip", help="the zip that the GIS installs")
@options.overwrite("a plugin")
@click.pass_context
def plugin(context: click.Context, out: Path, overwrite: bool) -> None:
    """Write the plugin for the desktop GIS: its processing toolbox then starts this program, from this environment."""
    from geoadjust.commands.processes import process, processes
    from geoadjust.io.plugin_zip import write_plugin

    root = context.find_root().command
    assert isinstance(root, click.Group)
    described = {name: process(name, command) for name, command in processes(root)}
    program = (sys.executable, "-m", "geoadjust.cli")
    files = write_plugin(out, described, program, __version__, overwrite=overwrite)
    click.echo(f"wrote {out}: {len(files)} files; install it in the plugin manager of the GIS, from ZIP")
