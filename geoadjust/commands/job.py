"""A job on the command line: a job file, options for its common keys, and --set for all keys."""

from __future__ import annotations

import functools
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from geoadjust.commands.files import FileName, FilePath
from geoadjust.errors import Fault, InputError
from geoadjust.process import Flag, flags

if TYPE_CHECKING:
    from geoadjust.commands.document import Inline

Command = Callable[..., Any]


def job_options(command: Command) -> Command:
    """A job file, flags for its common keys, and --set for all keys."""
    for flag in reversed(list(flags())):
        kind: Any = click.Choice(flag.words) if flag.words else FileName(flag.file) if flag.file else str
        command = click.option(
            f"--{flag.name}",
            _parameter(flag),
            type=kind,
            multiple=True,
            callback=_once,
            help=f"{flag.help} [{flag.table}.{flag.key}]",
        )(command)
    command = click.option(
        "--set",
        "settings",
        multiple=True,
        metavar="TABLE.KEY=VALUE",
        help="any key of the job; rules.KEY speaks to every rule set",
    )(command)
    return click.argument("job", required=False, type=FilePath("job"))(_with_documents(command))


def _with_documents(command: Command) -> Command:
    """The same command, which takes an execute document for a job file."""

    @functools.wraps(command)
    def called(job: Path | None, **given: Any) -> Any:
        source: Path | Inline | None = job
        if job is not None and job.suffix.lower() == ".json":
            from geoadjust.commands.document import merged

            with naming(job):
                source, given = merged(click.get_current_context(), job, given)
        return command(job=source, **given)

    return called


def _once(context: click.Context, parameter: click.Parameter, values: tuple[Any, ...]) -> Any:
    """The value of a flag; the last of several would hide the others."""
    if len(values) > 1:
        raise click.BadParameter("given more than once; several tables of one kind stand in a job file as [[table]]")
    return values[0] if values else None


def _parameter(flag: Flag) -> str:
    return f"{flag.table}__{flag.key}"


@contextmanager
def naming(job: Path | Inline | None) -> Iterator[None]:
    """Faults end with the file that they come from: settings are called by their keys."""
    try:
        yield
    except InputError as error:
        if job is not None:
            error.add_note(f"the job was read from {job}")
        raise


def read_job(job: Path | Inline | None, settings: tuple[str, ...], given: dict[str, Any]) -> Any:
    """The job of a command, from its file, its flags and its --set."""
    chosen: Any = {tuple(name.split("__", 1)): value for name, value in given.items() if value is not None}
    if job is None and ("structures", "path") not in chosen:
        raise InputError(Fault("job", "no job file and no --structures", remedy="geoadjust init DIR writes a job file"))
    from geoadjust.io import jobfile

    if job is None or isinstance(job, Path):
        return jobfile.read_job(job, chosen, settings)
    return jobfile.read_job(job.path, chosen, settings, job.tables)
