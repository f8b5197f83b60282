"""What worker processes gain on the core, what their start costs, and that the result keeps its bytes."""

from __future__ import annotations

import hashlib
import shutil
import statistics
import tempfile
import time
from pathlib import Path
from typing import Any

from tests.benchmarks.children import NotMeasured, watch
from tests.benchmarks.product import command, core_seconds

WAYS: dict[str, tuple[str, ...]] = {
    "serial": (),
    "processes": ("--engine", "processes", "--workers", "2"),
    "dask": ("--engine", "dask", "--workers", "2"),
    "chunk 97": ("--chunk", "97"),
    "chunk 4096": ("--chunk", "4096"),
}


def measure(raster: str, structures: str, folder: str, engine: str, repeats: int) -> dict[str, Any]:
    """Wall seconds of the planning of all chunks by one thread, serial (which reads ahead) and with two workers.

    By turns; medians.
    """
    place = Path(tempfile.mkdtemp(dir=folder, prefix="workers-"))
    ways = ("one thread", "serial", engine)
    rows: dict[str, list[float]] = {way: [] for way in ways}
    totals: dict[str, list[float]] = {way: [] for way in ways}
    try:
        for _ in range(repeats):
            for way in rows:
                words = command(Path(structures), Path(raster), place / "out", *WAYS.get(way, ()))
                words = one_threaded(words) if way == "one thread" else words
                seconds = watch(words).json()["seconds"]
                rows[way].append(core_seconds(seconds))
                totals[way].append(seconds["total"])
        start = start_seconds(engine)
    finally:
        shutil.rmtree(place, ignore_errors=True)
    one, serial, shared = (statistics.median(rows[way]) for way in ways)
    whole = [statistics.median(totals[way]) for way in ways]
    return {
        "one": one,
        "serial": serial,
        "shared": shared,
        "start": start,
        "one total": whole[0],
        "serial total": whole[1],
        "shared total": whole[2],
    }


def one_threaded(words: list[str]) -> list[str]:
    """The same command without the thread that reads ahead.

    >>> one_threaded(["python", "-m", "geoadjust.cli", "schedule", "job.toml"])[3:]
    ['schedule', 'job.toml']
    """
    code = "from geoadjust.run.chunks import plan_tasks; plan_tasks.__defaults__ = (0,)"
    code += "; from geoadjust.cli import main; main()"
    return [words[0], "-c", code, *words[3:]]


def ready(number: int) -> int:
    """What a worker imports before its first chunk."""
    import geoadjust.run.chunks  # noqa: F401 - before rasterio: it sets the environment of GDAL

    __import__("rasterio")
    return number


def start_seconds(engine: str) -> float:
    """Seconds until two workers have started, imported the product and ended again."""
    import geoadjust.run.chunks  # noqa: F401 - so that only the workers' own imports are timed
    from geoadjust.engine import map_ordered

    begun = time.perf_counter()
    list(map_ordered(ready, range(2), engine=engine, workers=2))
    return time.perf_counter() - begun


def hashes(raster: str, structures: str, folder: str) -> dict[str, str]:
    """SHA-256 of schedule.gpkg by way of running; 'not measured: why' where a way does not run."""
    place = Path(tempfile.mkdtemp(dir=folder, prefix="hashes-"))
    found = {}
    try:
        for way, options in WAYS.items():
            out = place / way.replace(" ", "-")
            try:
                watch(command(Path(structures), Path(raster), out, *options)).json()
                found[way] = hashlib.sha256((out / "schedule.gpkg").read_bytes()).hexdigest()
            except NotMeasured as error:
                found[way] = f"not measured: {error}"
            shutil.rmtree(out, ignore_errors=True)
    finally:
        shutil.rmtree(place, ignore_errors=True)
    return found
