"""Measures a whole schedule run beside its two limits and beside other tools, on data made here, and prints tables.

    python -m tests.benchmarks.schedule                       small: a few minutes
    python -m tests.benchmarks.schedule --full --markdown out.md --folder bench
    python -m tests.benchmarks.schedule --parts ratio memory --structures 1000 10000 --cells 8000

All parts run one after the other on one machine, each in a process of its own. Nothing is asserted here: this measures,
tests judge. A part that cannot be measured says why. How to read the tables: docs/performance.md.
"""

from __future__ import annotations

import argparse
import os
import platform
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from importlib.metadata import version
from pathlib import Path

from tests.benchmarks.children import NotMeasured, call
from tests.benchmarks.data import make_raster, make_structures, raster_of, structures_of
from tests.benchmarks.peers import runs_of
from tests.benchmarks.product import PLACES, run_product
from tests.benchmarks.tables import Table

__all__ = ["make_raster", "make_structures", "run_product"]

FULL = {"structures": [1000, 10_000, 100_000, 1_000_000], "cells": 20_000, "sample": 0}
SMALL = {"structures": [1000, 10_000], "cells": 8000, "sample": 1000}
STORED = 25_000
"""Structures of the comparison of storages."""
ORDER = ("sorted", "shuffled")
ENGINES = ("processes", "dask")


def target_ratio(count: int) -> float:
    """Largest product / (L1 + L2) that is aimed at."""
    return 1.5 if count <= 10_000 else 2.0 if count <= 100_000 else 3.0


class Benchmark:
    """What is to be measured, and the tables as they come."""

    def __init__(self, chosen: argparse.Namespace) -> None:
        self.chosen = chosen
        self.folder: Path = chosen.folder
        self.cells: int = chosen.cells
        self.counts: list[int] = sorted(chosen.structures)
        self.middle = max([count for count in self.counts if count <= 100_000], default=self.counts[0])
        self.stored = min(self.middle, STORED)
        self.fewer = max(1, chosen.repeats - 1)
        self.seconds: dict[int, tuple[float, float]] = {}
        self.memories: dict[int, dict[str, float]] = {}
        self.tables: list[Table] = []

    def begin(self, title: str, sentence: str, columns: str) -> Table:
        """A new table; columns separated by bars."""
        self.tables.append(Table(title, sentence, [name.strip() for name in columns.split("|")]))
        return self.tables[-1]

    def layer(self, count: int, order: str = "sorted") -> str:
        """Path of a layer of structures."""
        return str(structures_of(self.folder, count, self.cells, order))

    def surface(self, storage: str = "tiled", tiles: int = 0) -> str:
        """Path of the raster, or of the folder of tiles."""
        return str(raster_of(self.folder, self.cells, storage, tiles))

    def job(self, count: int) -> dict[str, str]:
        """Raster, structures and folder for results."""
        return {"raster": self.surface(), "structures": self.layer(count), "folder": str(self.folder)}

    def prepare(self) -> None:
        """Make the data."""
        more = "order" in self.chosen.parts
        storages = ["tiled", *(["striped", "zstd"] if more else [])]
        counts = sorted({*self.counts, self.stored})
        values = {"cells": self.cells, "counts": counts, "storages": storages, "tiles": self.chosen.tiles * more}
        call("data", "make_all", folder=str(self.folder), **values)

    def ratio(self) -> None:
        """The product beside its limits."""
        sentence = "Seconds of wall time, one process, after imports, warm cache. Ratio = product / (L1 + L2)."
        columns = "structures | blocks | L1 decode | L2 write | product | ratio | aimed at"
        table = self.begin("Raster", sentence, columns + " | product CPU | limits CPU | CPU ratio")
        sentence = "Seconds of the last run, each stage without what it calls; the rest is what no stage holds."
        stages = self.begin("Stages, seen from outside", sentence, " | ".join(["structures", *PLACES, "rest"]))
        own: dict[int, dict[str, float]] = {}
        for count in self.counts:
            repeats = self.fewer if count > 20_000 else self.chosen.repeats
            with trying(table, f"{count} structures"):
                warm = self.layer(self.counts[0])
                row = call("ratio", "measure", **self.job(count), warm=warm, count=count, repeats=repeats)
                own[count], self.seconds[count] = row["own"], (row["product"], row["cpu"])
                figures = [row[name] for name in ("L1", "L2", "product", "ratio")]
                used = [row["cpu"], row["limits cpu"], row["cpu"] / row["limits cpu"]]
                table.add(count, row["blocks"], *figures, target_ratio(count), *used)
                if row["memory"]:
                    self.memories[count] = row["memory"]
                if row["stages"]:
                    stages.add(count, *(row["stages"].get(name) for name in (*PLACES, "rest")))
        self.own_stages(own)

    def own_stages(self, own: dict[int, dict[str, float]]) -> None:
        """What the product itself says of its time."""
        names = list(dict.fromkeys(name for seconds in own.values() for name in seconds))
        table = self.begin("Stages, as run.json says", "", " | ".join(["structures", *names]))
        for count, seconds in own.items():
            table.add(count, *(seconds.get(name) for name in names))

    def peers(self) -> None:
        """Other tools on the same data."""
        sentence = (
            f"Seconds for {self.middle} structures. The others find a plane or a mean for each and write nothing; the "
            "product runs its whole schedule with all tables."
        )
        columns = "tool | order | measured | seconds | CPU | times the product | times by CPU | aimed at"
        table = self.begin("Beside other tools", sentence, columns)
        product = self.seconds.get(self.middle)
        table.add("the product, whole schedule", "sorted", self.middle, *(product or (None, None)), None, None, None)
        for peer, order, sample in runs_of(self.middle, self.chosen.sample):
            with trying(table, f"{peer}, {order}"):
                values = {"raster": self.surface(), "structures": self.layer(self.middle, order)}
                row = call("peers", "measure_peer", **values, peer=peer, sample=sample)
                measured = f"{row['measured']}, extrapolated" if row["measured"] < row["N"] else row["measured"]
                times = [row["seconds"] / product[0], row["cpu"] / product[1]] if product else [None, None]
                aim = 4 if "plane" in peer else 8 if "feature by" in peer else None
                table.add(peer, order, measured, row["seconds"], row["cpu"], *times, aim)

    def order(self) -> None:
        """Order of the structures, storage of the raster."""
        sentence = "Seconds of the whole schedule. Ratio = shuffled / sorted; aimed at: 1.1 at most."
        columns = "surface | structures | sorted | shuffled | ratio | sorted CPU | shuffled CPU | cache MB | cells MB"
        table = self.begin("Order and storage", sentence, columns)
        tiles = self.chosen.tiles
        surfaces = [("tiled", 0, self.middle), *((name, 0, self.stored) for name in ("tiled", "striped", "zstd"))]
        surfaces += [("tiled", tiles, self.stored)] if tiles else []
        for storage, across, count in dict.fromkeys(surfaces):
            name = f"{across} x {across} tiles" if across else storage
            with trying(table, f"{name}, {count} structures"):
                values = {"surface": self.surface(storage, across), "warm": self.layer(self.counts[0])}
                layers = {order: self.layer(count, order) for order in ORDER}
                row = call("order", "measure", **values, layers=layers, folder=str(self.folder), repeats=self.fewer)
                figures = [row["sorted"], row["shuffled"], row["shuffled"] / row["sorted"]]
                table.add(name, count, *figures, row["sorted cpu"], row["shuffled cpu"], row["cache"], row["raster"])

    def memory(self) -> None:
        """Peak memory of the command alone."""
        sentence = (
            "MB. Largest process: the most resident memory of one process (ru_maxrss). All together: the largest sum "
            "over the command and its workers, shared pages counted in each. Aimed at: 600 MB at 100,000 structures, "
            "within 15 % of that at 1,000,000."
        )
        columns = "structures | engine | largest process | all together | wall s with start | CPU s"
        table = self.begin("Memory", sentence, columns)
        runs: list[tuple[int, str]] = [(count, "serial") for count in self.counts if count >= min(self.middle, 10_000)]
        for count, engine in [*runs, *((self.middle, engine) for engine in ENGINES)]:
            options = [] if engine == "serial" else ["--engine", engine, "--workers", "2"]
            with trying(table, f"{count} structures, {engine}"):
                known = self.memories.get(count) if engine == "serial" else None
                row = known or call("memory", "measure", **self.job(count), options=options)
                table.add(count, engine, *(row[name] for name in ("peak", "tree", "seconds", "cpu")))

    def workers(self) -> None:
        """Two workers, and equal bytes."""
        sentence = (
            "Seconds of planning all chunks (the core): by one thread, serial (a second one reads ahead), and with two "
            "workers. Times = one thread / two workers; aimed at: 1.6."
        )
        columns = "structures | engine | one thread | serial | two workers | times | start of workers"
        columns += " | times without start | whole run, one thread | serial | two workers"
        table = self.begin("Two workers", sentence, columns)
        for engine in ENGINES:
            with trying(table, engine):
                row = call("workers", "measure", **self.job(self.middle), engine=engine, repeats=self.fewer)
                one, shared, start = row["one"], row["shared"], row["start"]
                bare = one / (shared - start) if shared > start else None
                whole = [row[name] for name in ("one total", "serial total", "shared total")]
                table.add(self.middle, engine, one, row["serial"], shared, one / shared, start, bare, *whole)
        self.hashes()

    def hashes(self) -> None:
        """SHA-256 of the result by way of running."""
        count = max([count for count in self.counts if count <= 10_000], default=self.counts[0])
        table = self.begin("Equal bytes", f"SHA-256 of schedule.gpkg, {count} structures.", "way | sha256 | equal")
        with trying(table, "hashes"):
            found = call("workers", "hashes", **self.job(count))
            for way, value in found.items():
                if value.startswith("not measured"):
                    table.notes.append(f"{way}: {value}")
                else:
                    table.add(way, value[:16], "yes" if value == found["serial"] else "NO")

    def startup(self) -> None:
        """How long the command takes to say something."""
        table = self.begin("Start-up", "Milliseconds of wall time.", "command | median | least | CPU | heavy imports")
        with trying(table, "start-up"):
            for row in call("startup", "measure", repeats=5 * self.chosen.repeats):
                table.add(row["command"], *(1000 * row[name] for name in ("median", "least", "cpu")), row["imports"])


@contextmanager
def trying(table: Table, what: str) -> Iterator[None]:
    """Where a figure cannot be measured, the table says why, and the next one is tried."""
    try:
        yield
    except NotMeasured as error:
        table.fail(what, error)
    except Exception as error:
        table.fail(what, repr(error))


PARTS: dict[str, Callable[[Benchmark], None]] = {
    name: getattr(Benchmark, name) for name in ("startup", "ratio", "peers", "order", "workers", "memory")
}


def parse(words: list[str] | None = None) -> argparse.Namespace:
    """What is chosen."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--full", action="store_true", help="the whole benchmark: 20,000 x 20,000 cells, to 1,000,000")
    parser.add_argument("--structures", type=int, nargs="+", help="numbers of structures")
    parser.add_argument("--cells", type=int, help="side of the raster")
    parser.add_argument("--repeats", type=int, default=3)
    parser.add_argument("--sample", type=int, help="structures that a peer is measured on; 0 = all")
    parser.add_argument(
        "--tiles", type=int, default=4, help="also cut the raster into so many tiles a side; 0 = do not"
    )
    parser.add_argument("--parts", nargs="+", choices=list(PARTS), default=list(PARTS), help="what is measured")
    parser.add_argument("--folder", type=Path, help="where the data are kept; default is a temporary folder")
    parser.add_argument("--markdown", type=Path, help="also write the tables into this file")
    chosen = parser.parse_args(words)
    for name, value in (FULL if chosen.full else SMALL).items():
        if getattr(chosen, name) is None:
            setattr(chosen, name, value)
    return chosen


def run(chosen: argparse.Namespace) -> list[Table]:
    """Make the data, measure part after part, print each table as it comes."""
    benchmark = Benchmark(chosen)
    with trying(benchmark.begin("Data", "", ""), "data"):
        benchmark.prepare()
    if not benchmark.tables[0].notes:
        benchmark.tables.clear()
    for name in chosen.parts:
        begun, before = time.perf_counter(), len(benchmark.tables)
        PARTS[name](benchmark)
        for table in benchmark.tables[before:]:
            print(table.text(), flush=True)
        print(f"({name} took {time.perf_counter() - begun:.0f} s)\n", file=sys.stderr, flush=True)
        if chosen.markdown:
            pages = [f"{heading(chosen)}\n", *(table.markdown() for table in benchmark.tables)]
            chosen.markdown.write_text("\n".join(pages), encoding="utf-8")
    return benchmark.tables


def heading(chosen: argparse.Namespace) -> str:
    """What the figures rest on: size, versions, processors."""
    names = ("geoadjust", "numpy", "pyarrow", "pyogrio", "rasterio", "shapely")
    libraries = ", ".join(f"{name} {version(name)}" for name in names)
    size = f"{chosen.cells} x {chosen.cells} cells of 0.25 m"
    return f"{size}; {os.cpu_count()} processors, Python {platform.python_version()}, {libraries}."


def main() -> None:
    """Measure and print."""
    import tempfile

    chosen = parse()
    with tempfile.TemporaryDirectory() as temporary:
        chosen.folder = (chosen.folder or Path(temporary)).absolute()
        print(heading(chosen), end="\n\n", flush=True)
        run(chosen)


if __name__ == "__main__":
    main()
