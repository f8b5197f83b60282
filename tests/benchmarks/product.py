"""The product in a benchmark: the whole job in this process or by its command, and the seconds of its stages."""

from __future__ import annotations

import functools
import importlib
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

PLACES: dict[str, tuple[str, ...]] = {
    "check": ("run.schedule:look_at_sources",),
    "read": ("run.schedule:lay_out", "run.schedule:take_in"),
    "plan": ("run.computing:Computation.compute",),
    "spill": tuple(f"io.working.spill:Spill.{name}" for name in ("append", "append_sorted", "rows", "keep", "bucket")),
    "tables": tuple(f"io.results.tables:{name}_rows" for name in ("schedule", "ordinate", "stack", "reason", "model")),
    "csv": ("io.results.people:ScheduleCsv.add",),
    "write": ("io.results.geopackage:_write", "io.results.geopackage:finish"),
    "commit": ("io.results.sets:SetWriter.commit",),
}
"""Stage -> functions of the product that belong to it, all of the main thread. What is not there (any more) counts as
the rest. Decode, fit and chimney overlap; the product itself tells them."""

READING = "io.raster.patches:RasterReader.patches"
"""What the product reads cells with."""


def job_flags(structures: Path, surface: Path, out: Path) -> dict[tuple[str, str], Any]:
    """The job of all benchmarks: 40 mm milled, 50 mm laid, rings by measured depth."""
    return {
        ("structures", "path"): str(structures),
        ("structures", "vertical_unit"): "m",
        ("surface", "path"): str(surface),
        ("surface", "vertical_unit"): "m",
        ("finished", "mill"): "40 mm",
        ("finished", "overlay"): "50 mm",
        ("output", "path"): str(out),
    }


def run_product(structures: Path, raster: Path, out: Path) -> Any:
    """The whole job, in this process; gives the product's own summary."""
    from geoadjust.io.jobfile import read_job
    from geoadjust.run.schedule import Options, run_schedule

    return run_schedule(read_job(None, job_flags(structures, raster, out)), Options(overwrite=True))


def command(structures: Path, surface: Path, out: Path, *more: str) -> list[str]:
    """The same job as a command, with a summary in JSON; writes its job file beside the output.

    Parameters
    ----------
    more : further options, such as --engine processes
    """
    job = out.with_name(out.name + ".toml")
    tables: dict[str, list[str]] = {}
    for (table, key), value in job_flags(structures.absolute(), surface.absolute(), out.absolute()).items():
        tables.setdefault(table, []).append(f'{key} = "{value}"')
    job.write_text("".join(f"[{table}]\n" + "\n".join(lines) + "\n" for table, lines in tables.items()), "utf-8")
    return [sys.executable, "-m", "geoadjust.cli", "schedule", str(job), "--overwrite", "--json", *more]


def core_seconds(seconds: dict[str, float]) -> float:
    """Wall seconds of the planning of all chunks: what worker processes can share."""
    if "plan" in seconds:
        return seconds["plan"]
    return seconds["total"] - sum(seconds.get(name, 0.0) for name in ("check", "read", "write"))


class Stages:
    """Seconds by stage, each without the stages that it calls.

    Examples
    --------
    >>> stages = Stages()
    >>> with stages.stage("outer"), stages.stage("inner"):
    ...     time.sleep(0.01)
    >>> stages.seconds["outer"] < 0.005 < stages.seconds["inner"]
    True
    """

    def __init__(self) -> None:
        self.seconds: dict[str, float] = {}
        self.missing: list[str] = []
        self._open: list[str] = []
        self._mark = 0.0

    @contextmanager
    def stage(self, name: str) -> Iterator[None]:
        """Time a stage; the one round it stands still meanwhile."""
        self._turn()
        self._open.append(name)
        try:
            yield
        finally:
            self._turn()
            self._open.pop()

    def _turn(self) -> None:
        now = time.perf_counter()
        if self._open:
            name = self._open[-1]
            self.seconds[name] = self.seconds.get(name, 0.0) + now - self._mark
        self._mark = now

    def wrapped(self, name: str, function: Callable[..., Any]) -> Callable[..., Any]:
        """The function, timed."""

        @functools.wraps(function)
        def timed(*args: Any, **kwargs: Any) -> Any:
            with self.stage(name):
                return function(*args, **kwargs)

        return timed

    @contextmanager
    def watching(self) -> Iterator[None]:
        """Time the functions of PLACES while the block runs."""
        undo = []
        try:
            for name, places in PLACES.items():
                for place in places:
                    owner, attribute = find_function(place)
                    if not hasattr(owner, attribute):
                        self.missing.append(place)
                        continue
                    function = getattr(owner, attribute)
                    undo.append((owner, attribute, function))
                    setattr(owner, attribute, self.wrapped(name, function))
            yield
        finally:
            for owner, attribute, function in undo:
                setattr(owner, attribute, function)


def find_function(place: str) -> tuple[Any, str]:
    """What holds a function, and its name there; (None, ...) where the module or class is not there."""
    module, _, path = place.partition(":")
    *classes, attribute = path.split(".")
    try:
        owner: Any = importlib.import_module(f"geoadjust.{module}")
    except ImportError:
        return None, attribute
    for name in classes:
        owner = getattr(owner, name, None)
    return owner, attribute
