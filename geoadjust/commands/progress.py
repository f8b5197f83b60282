"""How far a command is that takes long: a bar for people, lines for another program."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import click

Show = Callable[[str, int, int], None]
"""show(stage, done, total)"""

progress_option = click.option(
    "--progress",
    "mode",
    type=click.Choice(("bar", "json", "none")),
    default="bar",
    show_default=True,
    help="how far it is, on stderr: bar = on a terminal only; json = one line of JSON for each step",
)


@contextmanager
def progress(mode: str = "bar", unit: str = "chunk") -> Iterator[Show]:
    """What `--progress` asks for; a bar is shown on a terminal only."""
    if mode == "json":
        yield _line
    elif mode == "none" or not sys.stderr.isatty():
        yield lambda stage, done, total: None
    else:
        with _bar(unit) as show:
            yield show


def _line(stage: str, done: int, total: int) -> None:
    click.echo(json.dumps({"stage": stage, "done": done, "total": total}), err=True)


@contextmanager
def _bar(unit: str) -> Iterator[Show]:
    from tqdm import tqdm

    bar = tqdm(total=0, unit=unit, file=sys.stderr, leave=False)

    def show(stage: str, done: int, total: int) -> None:
        bar.total, bar.desc = total, stage
        bar.update(done - bar.n)

    try:
        yield show
    finally:
        bar.close()
