"""`geoadjust describe`: the commands as processes, for other programs."""

from __future__ import annotations

import json
from typing import Any

import click


@click.command()
@click.argument("command", metavar="[COMMAND]", required=False)
@click.option("--job-schema", is_flag=True, help="print the JSON Schema of the job file instead")
@click.pass_context
def describe(context: click.Context, command: str | None, job_schema: bool) -> None:
    """Print what COMMAND takes and makes as JSON, in the form of OGC API - Processes; without COMMAND, all of them."""
    from geoadjust.commands import processes
    from geoadjust.process import job_schema as schema

    if job_schema and command:
        raise click.UsageError("--job-schema stands alone")
    root = context.find_root().command
    assert isinstance(root, click.Group)
    found: Any
    known = dict(processes.processes(root))
    if job_schema:
        found = schema()
    elif command is None:
        found = {"processes": [processes.summary(*each) for each in known.items()], "links": []}
    elif command in known:
        found = processes.process(command, known[command])
    else:
        raise click.UsageError(f"no command {command}; there are {', '.join(known)}")
    click.echo(json.dumps(found, ensure_ascii=False, indent=2))
