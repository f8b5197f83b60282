"""The command line: the commands, and what their errors become. Computes nothing."""

from __future__ import annotations

import os
import sys
from typing import Any

import click

import geoadjust
from geoadjust.commands.accept import accept
from geoadjust.commands.check import check
from geoadjust.commands.demo import demo
from geoadjust.commands.describe import describe
from geoadjust.commands.echo import clean
from geoadjust.commands.explain import explain
from geoadjust.commands.export import export
from geoadjust.commands.history import history
from geoadjust.commands.init import init
from geoadjust.commands.interrupt import Terminated
from geoadjust.commands.plugin import plugin
from geoadjust.commands.record import record
from geoadjust.commands.remeasure import remeasure
from geoadjust.commands.report import report
from geoadjust.commands.schedule import schedule
from geoadjust.commands.sheets import sheets
from geoadjust.commands.template import template
from geoadjust.commands.vacuum import vacuum
from geoadjust.commands.verify import verify
from geoadjust.errors import GeoadjustError, InputError


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


@click.group(cls=Group, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(geoadjust.__version__, prog_name="geoadjust")
def main() -> None:
    """Brings street castings to grade: raise, chimney heights, ring stacks and flags for every cover.

    The figures are a plan, not an approval: measure on site before anything is cut; local codes, the owner's standard
    and the licensed engineer govern.
    """


for _command in (
    accept,
    check,
    demo,
    describe,
    explain,
    export,
    history,
    init,
    plugin,
    record,
    remeasure,
    report,
    schedule,
    sheets,
    template,
    vacuum,
    verify,
):
    main.add_command(_command)


if __name__ == "__main__":
    main()
