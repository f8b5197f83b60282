"""The whole job beside its two limits, in one process, after the imports, with the files in the system's cache."""

from __future__ import annotations

import shutil
import statistics
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from tests.benchmarks import limits
from tests.benchmarks.children import call
from tests.benchmarks.product import Stages, run_product

LARGE = 300_000
"""From so many structures on the product runs once, by its command: that run gives its memory too."""


def timed(work: Callable[[], Any]) -> tuple[float, float, Any]:
    """Wall seconds, processor seconds and result of one call."""
    begun, used = time.perf_counter(), time.process_time()
    result = work()
    return time.perf_counter() - begun, time.process_time() - used, result


def measure(raster: str, structures: str, warm: str, folder: str, count: int, repeats: int) -> dict[str, Any]:
    """Medians of the product and of both limits for one layer of structures.

    Parameters
    ----------
    raster, structures : paths
    warm : a small layer on which the product runs first, so that nothing is imported later
    folder : for results; they are removed
    """
    place = Path(tempfile.mkdtemp(dir=folder, prefix="ratio-"))
    try:
        return _measure(Path(raster), Path(structures), Path(warm), place, count, repeats)
    finally:
        shutil.rmtree(place, ignore_errors=True)


def _measure(raster: Path, structures: Path, warm: Path, place: Path, count: int, repeats: int) -> dict[str, Any]:
    run_product(warm, raster, place / "warm")
    blocks = limits.touched_blocks(raster, structures)
    limits.decode(raster, blocks)
    product = _by_command if count >= LARGE else _in_process
    rows: list[dict[str, Any]] = []
    for _ in range(1 if count >= LARGE else repeats):
        row = product(structures, raster, place / "out")
        if not rows:
            limits.freeze_tables(place / "out", place / "frozen")
        row["L1"], row["L1 cpu"], _ = timed(lambda: limits.decode(raster, blocks))
        with tempfile.TemporaryDirectory(dir=place) as bulk:
            row["L2"], row["L2 cpu"], _ = timed(lambda: limits.write_in_bulk(structures, place / "frozen", Path(bulk)))
        rows.append(row)
    figures = {name: statistics.median(row[name] for row in rows) for name in ("product", "cpu", "L1", "L2")}
    return {
        "N": count,
        "blocks": len(blocks),
        **figures,
        "limits cpu": statistics.median(row["L1 cpu"] + row["L2 cpu"] for row in rows),
        "ratio": figures["product"] / (figures["L1"] + figures["L2"]),
        "memory": rows[-1].get("memory"),
        "stages": rows[-1]["stages"],
        "own": rows[-1]["own"],
    }


def _in_process(structures: Path, raster: Path, out: Path) -> dict[str, Any]:
    stages = Stages()
    with stages.watching():
        seconds, cpu, summary = timed(lambda: run_product(structures, raster, out))
    found = {**stages.seconds, "rest": seconds - sum(stages.seconds.values())}
    return {"product": seconds, "cpu": cpu, "stages": found, "own": dict(summary.seconds)}


def _by_command(structures: Path, raster: Path, out: Path) -> dict[str, Any]:
    """By way of a process that holds little, so that the memory counted is the product's."""
    paths = {"raster": str(raster), "structures": str(structures), "folder": str(out.parent)}
    row = call("memory", "measure", **paths, options=[], keep=str(out))
    return {"product": row["own"]["total"], "cpu": row["cpu"], "stages": {}, "own": row["own"], "memory": row}
