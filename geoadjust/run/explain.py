"""Explains one structure of an output set: its whole computation as a page of text."""

from __future__ import annotations

from dataclasses import fields
from pathlib import Path

from geoadjust.errors import OutputBusyError
from geoadjust.io.results.read_back import read_structure
from geoadjust.io.results.sets import explain_os_error
from geoadjust.report.explain import explain
from geoadjust.report.facts import Facts


def explain_structure(
    folder: Path, structure_id: str | None = None, *, row: int | None = None, out: Path | None = None
) -> str:
    """The page of one structure; also written to `out` where that is given.

    Parameters
    ----------
    folder : the output set
    structure_id : as read; None where the row says it all
    row : 0-based row of the input
    out : a file that does not exist yet

    Raises
    ------
    InputError
        no output set, changed files, no such structure, several of that id
    OutputBusyError, OutputError
        the file exists, or cannot be written
    """
    found = read_structure(folder, structure_id, row=row)
    text = explain(Facts(**{item.name: getattr(found, item.name) for item in fields(Facts)}))
    if out is not None:
        _write(out, text)
    return text


def _write(path: Path, text: str) -> None:
    """Write a new file; one that is there is never replaced."""
    try:
        with path.open("x", encoding="utf-8") as file:
            file.write(text)
    except FileExistsError:
        raise OutputBusyError(f"{path}: exists, and is not replaced; name another file") from None
    except OSError as error:
        raise explain_os_error(error, path) from error
