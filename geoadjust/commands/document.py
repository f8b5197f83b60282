"""An execute document in place of a job file: its inputs are the command's arguments and options."""

from __future__ import annotations

import difflib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import click
from click.core import ParameterSource

from geoadjust.commands.processes import holds, input_id, output_ids
from geoadjust.errors import Fault, InputError
from geoadjust.io.execute import read_execute

RUN = "schedule"
"""The process that a job is for; other commands that read a job leave alone what only this one takes."""


@dataclass(frozen=True)
class Inline:
    """A job's tables out of a document; their paths are relative to its folder."""

    path: Path
    tables: dict[str, Any]

    def __str__(self) -> str:
        return str(self.path)


def merged(context: click.Context, path: Path, given: dict[str, Any]) -> tuple[Path | Inline, dict[str, Any]]:
    """The job and the other arguments of a command, from an execute document and the command line, which wins."""
    root = context.find_root().command
    assert isinstance(root, click.Group)
    inputs = read_execute(path, (str(context.command.name), RUN), output_ids(RUN))
    params = {input_id(param): param for param in context.command.params}
    known = {input_id(param) for param in root.commands[RUN].params} | set(params)
    faults = [_unknown(name, sorted(known)) for name in inputs if name not in known]
    given = dict(given)
    job = _local(inputs.pop("job", {}), path, "job")
    if not isinstance(job, (dict, str)):
        faults.append(Fault("inputs.job", f"{job!r} is no job", "the job's tables as a value, or a link to a job file"))
    for name, value in inputs.items():
        param = params.get(name)
        if param is None:
            continue
        try:
            read = _read(context, param, _local(value, path, holds(param)))
        except (click.UsageError, TypeError) as error:
            faults.append(Fault(f"inputs.{name}", str(getattr(error, "message", error))))
            continue
        place = str(param.name)
        if name == "set":
            given[place] = (*read, *given[place])
        elif context.get_parameter_source(place) != ParameterSource.COMMANDLINE:
            given[place] = read
    if faults:
        raise InputError(faults)
    return (Inline(path, job) if isinstance(job, dict) else Path(job)), given


def _unknown(name: str, known: list[str]) -> Fault:
    close = difflib.get_close_matches(name, known, n=1)
    return Fault(f"inputs.{name}", "is no input", ", ".join(known), f"did you mean {close[0]}?" if close else "")


def _read(context: click.Context, param: click.Parameter, value: Any) -> Any:
    """A value as the command line would have given it; the job's keys are left to the validation of the job."""
    if "__" in str(param.name):
        return value
    if (getattr(param, "multiple", False) or param.nargs == -1) and not isinstance(value, list):
        value = [value]
    return param.type_cast_value(context, value)


def _local(value: Any, document: Path, what: str) -> Any:
    """Paths of the document, seen from the current folder."""
    if isinstance(value, list):
        return [_local(item, document, what) for item in value]
    return str(document.parent / value) if what and isinstance(value, str) and value and "://" not in value else value
