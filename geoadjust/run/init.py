"""Writes a commented job file, and on request the examples: owner rule sets, vacuum tables and a catalogue."""

from __future__ import annotations

from collections.abc import Iterator
from importlib.resources import files
from pathlib import Path

from geoadjust.errors import OutputBusyError
from geoadjust.io.catalogue import example_text
from geoadjust.io.results.sets import explain_os_error
from geoadjust.process import template


def write_job_template(folder: Path) -> Path:
    """Write `job.toml` into a folder; an existing one is never replaced."""
    return _write_new(folder / "job.toml", template())


def write_examples(folder: Path) -> list[Path]:
    """Write `job.toml`, `parts.toml`, `rules/*.toml` and `vacuum/*.toml` into a folder, or nothing where one is there.

    Rule sets and vacuum tables are made from published agency limits and say where each comes from.
    """
    texts = {folder / "job.toml": template(), folder / "parts.toml": example_text()}
    texts |= {folder / "rules" / name: text for name, text in example_rules()}
    texts |= {folder / "vacuum" / name: text for name, text in example_vacuum()}
    for path in texts:
        if path.exists():
            raise OutputBusyError(f"{path} exists; move it away or name another folder")
    return [_write_new(path, text) for path, text in texts.items()]


def example_rules() -> Iterator[tuple[str, str]]:
    """File name and text of each example of rule sets, by name."""
    return _texts("example_rules")


def example_vacuum() -> Iterator[tuple[str, str]]:
    """File name and text of each example of an owner's vacuum table, by name."""
    return _texts("example_vacuum")


def _texts(name: str) -> Iterator[tuple[str, str]]:
    folder = files("geoadjust.io").joinpath(name)
    for entry in sorted(folder.iterdir(), key=lambda item: item.name):
        if entry.name.endswith(".toml"):
            yield entry.name, entry.read_text(encoding="utf-8")


def _write_new(path: Path, text: str) -> Path:
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with open(path, "x", encoding="utf-8") as file:
            file.write(text)
    except FileExistsError:
        raise OutputBusyError(f"{path} exists; move it away or name another folder") from None
    except OSError as error:
        raise explain_os_error(error, path) from error
    return path
