"""The command line: options made from the declared settings, one command per module of `run`. Computes nothing."""

from __future__ import annotations

import json
import os
import signal
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import click

import geoadjust
from geoadjust.commands.accept import accept
from geoadjust.commands.echo import clean
from geoadjust.commands.export import export
from geoadjust.commands.history import history
from geoadjust.commands.progress import progress
from geoadjust.commands.record import record
from geoadjust.commands.remeasure import remeasure
from geoadjust.commands.report import report
from geoadjust.commands.sheets import sheets
from geoadjust.commands.template import template
from geoadjust.commands.vacuum import vacuum
from geoadjust.commands.verify import verify
from geoadjust.engine import ENGINES
from geoadjust.errors import Fault, GeoadjustError, InputError
from geoadjust.process import Flag, flags

Command = Callable[..., Any]


class Group(click.Group):
    """Turns our errors into exit codes; everything else is a bug and shows its trace."""

    def invoke(self, ctx: click.Context) -> Any:
        """Run a command."""
        try:
            return super().invoke(ctx)
        except GeoadjustError as error:
            _tell(error)
            _tell_notes(error)
            ctx.exit(error.exit_code)
        except KeyboardInterrupt as error:
            click.echo("interrupted; nothing was replaced", err=True)
            _tell_notes(error)
            ctx.exit(143 if isinstance(error, Terminated) else 130)
        except BrokenPipeError:
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
            ctx.exit(0)


def _tell(error: GeoadjustError) -> None:
    if isinstance(error, InputError):
        many = len(error.faults) > 1
        click.echo(f"{len(error.faults)} faults:" if many else "fault:", err=True)
        for fault in error.faults:
            click.echo(f"  {clean(str(fault))}", err=True)
        return
    click.echo(clean(str(error)), err=True)


def _tell_notes(error: BaseException) -> None:
    for note in getattr(error, "__notes__", ()):
        click.echo(clean(note), err=True)


class Terminated(KeyboardInterrupt):
    """The process was asked to end (SIGTERM)."""


@contextmanager
def orderly_end() -> Iterator[None]:
    """Let SIGTERM unwind the run as Ctrl-C does, so that it can tell what is kept."""

    def end(number: int, frame: object) -> None:
        raise Terminated

    before = signal.signal(signal.SIGTERM, end)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)


@click.group(cls=Group, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(geoadjust.__version__, prog_name="geoadjust")
def main() -> None:
    """Brings street castings to grade: raise, chimney heights, ring stacks and flags for every cover.

    The figures are a plan, not an approval: measure on site before anything is cut; local codes, the owner's standard
    and the licensed engineer govern.
    """


def job_options(command: Command) -> Command:
    """A job file, flags for its common keys, and --set for all keys."""
    for flag in reversed(list(flags())):
        kind: Any = click.Choice(flag.words) if flag.words else str
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
    return click.argument("job", required=False, type=click.Path(path_type=Path))(command)


def _once(context: click.Context, parameter: click.Parameter, values: tuple[Any, ...]) -> Any:
    """The value of a flag; the last of several would hide the others."""
    if len(values) > 1:
        raise click.BadParameter("given more than once; several tables of one kind stand in a job file as [[table]]")
    return values[0] if values else None


def _parameter(flag: Flag) -> str:
    return f"{flag.table}__{flag.key}"


@contextmanager
def naming(job: Path | None) -> Iterator[None]:
    """Faults end with the file that they come from: settings are called by their keys."""
    try:
        yield
    except InputError as error:
        if job is not None:
            error.add_note(f"the job was read from {job}")
        raise


def _read_job(job: Path | None, settings: tuple[str, ...], given: dict[str, Any]) -> Any:
    chosen = {tuple(name.split("__", 1)): value for name, value in given.items() if value is not None}
    if job is None and ("structures", "path") not in chosen:
        raise InputError(Fault("job", "no job file and no --structures", remedy="geoadjust init DIR writes a job file"))
    from geoadjust.io.jobfile import read_job

    return read_job(job, chosen, settings)  # type: ignore[arg-type]


@main.command()
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
@click.option("--json", "as_json", is_flag=True, help="print a machine summary on stdout")
def schedule(job: Path | None, settings: tuple[str, ...], as_json: bool, **given: Any) -> None:
    """Compute raise, chimney, stack and flags of every structure, and write the output set."""
    names = ("overwrite", "engine", "workers", "scheduler", "chunk", "resume", "strict")
    chosen = {name: given.pop(name) for name in names}
    with naming(job):
        parsed = _read_job(job, settings, given)
    from geoadjust.run.schedule import Options, run_schedule

    with orderly_end(), naming(job), progress() as show:
        summary = run_schedule(parsed, Options(**chosen, progress=show, note=_note, command=tuple(sys.argv[1:])))
    if as_json:
        click.echo(json.dumps(summary.as_json(), ensure_ascii=False, sort_keys=True))
    else:
        _show(summary.as_json())


@main.command()
@job_options
@click.option(
    "--fieldbook",
    type=click.Path(path_type=Path),
    metavar="FILE.csv",
    help="write the shots that a surveyor takes before paving into this file; the road need not be surveyed yet",
)
@click.option("--overwrite", is_flag=True, help="replace an earlier field book")
@click.option("--json", "as_json", is_flag=True, help="print the report as JSON on stdout")
def check(
    job: Path | None,
    settings: tuple[str, ...],
    fieldbook: Path | None,
    overwrite: bool,
    as_json: bool,
    **given: Any,
) -> None:
    """Read everything, report every fault and what the run would do; write nothing but a field book on request."""
    from geoadjust.run.check import check_job

    with naming(job):
        parsed = _read_job(job, settings, given)
        book = None if fieldbook is None else _write_book(parsed, fieldbook, overwrite, as_json)
        report = check_job(parsed)
    if as_json:
        found = {**report.as_json(), **({"fieldbook": book} if book else {})}
        click.echo(json.dumps(found, ensure_ascii=False, sort_keys=True))
        return
    for line in report.lines:
        click.echo(clean(line))
    for notice in report.notices:
        click.echo(clean(f"note: {notice}"))
    click.echo("no faults")


def _write_book(job: Any, path: Path, overwrite: bool, as_json: bool) -> dict[str, Any]:
    """Write the field book before the check, which may find faults in a road that is not surveyed yet."""
    from geoadjust.run.check import check_job
    from geoadjust.run.fieldbook import write_fieldbook

    try:
        written = write_fieldbook(job, path, overwrite=overwrite).as_json()
    except InputError:
        check_job(job)  # tells these faults, and those of the rest
        raise
    text = f"wrote {written['path']}: {written['lines']} lines for {written['structures']} structures"
    click.echo(clean(text), err=as_json)
    return written


@main.command()
@click.argument("folder", type=click.Path(path_type=Path))
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


@main.command()
@click.argument("folder", type=click.Path(path_type=Path))
@click.option("--overwrite", is_flag=True, help="replace an earlier demo in FOLDER")
def demo(folder: Path, overwrite: bool) -> None:
    """Write an invented street into FOLDER and run the whole job on it."""
    from geoadjust.run.demo import run_demo

    with progress() as show:
        summary = run_demo(folder, overwrite=overwrite, progress=show)
    _show(summary.as_json())
    click.echo(f"look at {folder}/out/schedule.csv, or open {folder}/out/schedule.gpkg in a desktop GIS")


@main.command()
@click.argument("set", metavar="SET", type=click.Path(path_type=Path))
@click.argument("structure_id", metavar="[ID]", required=False)
@click.option("--row", type=click.IntRange(0), help="0-based row of the input, where an id stands in several rows")
@click.option("--out", type=click.Path(path_type=Path), help="write the page into this new file, not to stdout")
def explain(set: Path, structure_id: str | None, row: int | None, out: Path | None) -> None:
    """Tell how the figures of structure ID in the output folder SET come about, line by line."""
    from geoadjust.run.explain import explain_structure

    text = explain_structure(set, structure_id, row=row, out=out)
    click.echo(text if out is None else f"wrote {out}", nl=out is not None)


main.add_command(accept)
main.add_command(export)
main.add_command(history)
main.add_command(record)
main.add_command(remeasure)
main.add_command(report)
main.add_command(sheets)
main.add_command(template)
main.add_command(vacuum)
main.add_command(verify)


def _note(text: str) -> None:
    click.echo(clean(f"note: {text}"), err=True)


def _show(summary: dict[str, Any]) -> None:
    click.echo(
        f"{summary['structures']} structures in {summary['seconds']['total']:.1f} s, written to {summary['out']}"
    )
    for name in ("method", "severity", "ready", "flags"):
        counts = sorted(summary[name].items(), key=lambda item: (-item[1], item[0]))
        click.echo(f"  {name + ':':10}" + ", ".join(f"{word} {count}" for word, count in counts if count))
    for finding in summary["findings"]:
        click.echo(clean(f"  note: {finding}"))


if __name__ == "__main__":
    main()
