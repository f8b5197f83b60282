"""`geoadjust schedule`: the main job."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from geoadjust.commands.echo import note, show_summary
from geoadjust.commands.interrupt import orderly_end
from geoadjust.commands.job import job_options, naming, read_job
from geoadjust.commands.progress import progress, progress_option
from geoadjust.engine import ENGINES

if TYPE_CHECKING:
    from geoadjust.commands.document import Inline


@click.command()
@job_options
@click.option("--overwrite", is_flag=True, help="replace an earlier result in the output folder")
@click.option("--engine", type=click.Choice(ENGINES), default="serial", show_default=True, help="how chunks are run")
@click.option(
    "--workers", type=click.IntRange(1, 256), default=1, show_default=True, help="worker processes of this machine"
)
@click.option(
    "--scheduler", default="", metavar="URL", help="a cluster that is there, for --engine dask: tcp://HOST:PORT"
)
@click.option(
    "--chunk", type=click.IntRange(1, 1_000_000), default=8192, show_default=True, help="structures at a time"
)
@click.option("--resume", is_flag=True, help="go on with the chunks that an interrupted run has finished")
@click.option("--strict", is_flag=True, help="exit with 4 where some structures could not be computed")
@progress_option
@click.option("--json", "as_json", is_flag=True, help="print a machine summary on stdout")
def schedule(job: Path | Inline | None, settings: tuple[str, ...], as_json: bool, mode: str, **given: Any) -> None:
    """Compute raise, chimney, stack and flags of every structure, and write the output set."""
    names = ("overwrite", "engine", "workers", "scheduler", "chunk", "resume", "strict")
    chosen = {name: given.pop(name) for name in names}
    with naming(job):
        parsed = read_job(job, settings, given)
    from geoadjust.run.schedule import Options, run_schedule

    with orderly_end(), naming(job), progress(mode) as show:
        summary = run_schedule(parsed, Options(**chosen, progress=show, note=note, command=tuple(sys.argv[1:])))
    if as_json:
        click.echo(json.dumps(summary.as_json(), ensure_ascii=False, sort_keys=True))
    else:
        show_summary(summary.as_json())
