"""The main job: structures and a road in, an output set out."""

from __future__ import annotations

import math
import platform
import socket
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa

import geoadjust
from geoadjust.core.columns import Structures, arrays_of
from geoadjust.core.judge import Setting
from geoadjust.core.ring import Ring
from geoadjust.core.rules import FinishedTable, Job, RingTable
from geoadjust.core.uncertainty import Accuracy
from geoadjust.engine import map_ordered
from geoadjust.errors import Fault, IncompleteError, InputError
from geoadjust.io import tables
from geoadjust.io.areas import PavingAreas
from geoadjust.io.centrelines import Centrelines
from geoadjust.io.crs import read_crs
from geoadjust.io.georeference import Georeference
from geoadjust.io.intake import Door
from geoadjust.io.people import foot_of
from geoadjust.io.record import run_facts, settings_hash, source_facts
from geoadjust.io.sets import SetWriter
from geoadjust.io.spill import Spill
from geoadjust.io.structures import read_batches
from geoadjust.io.tables import Bucket, Naming
from geoadjust.run.chunks import (
    CHUNK,
    Arrays,
    Place,
    Settings,
    Task,
    bundle_of,
    close_readers,
    order_by_block,
    plan_task,
)
from geoadjust.run.findings import Bias, find_bias
from geoadjust.run.output import Outgoing, Tally, write_results
from geoadjust.run.positions import Positions, Way, find_ways, read_positions
from geoadjust.run.sources import Sources, look_at_sources, read_lines, read_paving

Progress = Callable[[str, int, int], None]


def no_progress(stage: str, done: int, total: int) -> None:
    """Says nothing."""


@dataclass(frozen=True, slots=True)
class Options:
    """How a job is run; none of this changes a figure."""

    overwrite: bool = False
    engine: str = "serial"
    workers: int = 1
    chunk: int = CHUNK
    strict: bool = False
    progress: Progress = no_progress
    command: tuple[str, ...] = ()


@dataclass(slots=True)
class Clock:
    """Seconds by stage."""

    seconds: dict[str, float] = field(default_factory=dict)
    start: float = field(default_factory=time.perf_counter)

    @contextmanager
    def stage(self, name: str) -> Iterator[None]:
        """Time a stage; the same name adds up."""
        begun = time.perf_counter()
        yield
        self.seconds[name] = self.seconds.get(name, 0.0) + time.perf_counter() - begun

    def rounded(self) -> dict[str, float]:
        """Seconds by stage and in total."""
        total = time.perf_counter() - self.start
        return {name: round(value, 3) for name, value in {**self.seconds, "total": total}.items()}


@dataclass(frozen=True, slots=True)
class Summary:
    """What a run did, for people and for `--json`."""

    out: str
    tally: Tally
    findings: tuple[str, ...]
    seconds: dict[str, float]

    def as_json(self) -> dict[str, Any]:
        """Plain values."""
        counts = {
            name: dict(sorted(getattr(self.tally, name).items())) for name in ("method", "severity", "ready", "flags")
        }
        structures = self.tally.tables["schedule"]
        return {
            "out": self.out,
            "structures": structures,
            **counts,
            "findings": list(self.findings),
            "seconds": self.seconds,
        }


def run_schedule(job: Job, options: Options = Options()) -> Summary:
    """Run a job and write its output set.

    Raises
    ------
    InputError
        the job or a source is invalid, with every fault
    OutputBusyError, OutputError
        the set could not be written
    IncompleteError
        with `strict`, after the set was written, where some structures could not be computed
    """
    clock = Clock()
    if not job.output.path:
        raise InputError(Fault("output.path", "missing", remedy="write path = ... under [output], or give --out"))
    with clock.stage("check"):
        sources = look_at_sources(job)
    with SetWriter(Path(job.output.path), overwrite=options.overwrite) as writer:
        run = _Run(sources, options, Spill(writer.spill), clock)
        bias = run.compute()
        with clock.stage("write"):
            tally = write_results(writer.folder, run.outgoing(bias), run_facts(sources, run.operations()))
        findings = (*sources.notices, *([bias.sentence()] if bias else []))
        writer.commit(run.record(tally, findings))
    summary = Summary(job.output.path, tally, findings, clock.rounded())
    unknown = tally.method["unknown"]
    if options.strict and unknown:
        raise IncompleteError(
            f"{unknown} of {tally.tables['schedule']} structures could not be computed; see their flags"
        )
    return summary


class _Run:
    """One run: its sources, its spill, its clock."""

    def __init__(self, sources: Sources, options: Options, spill: Spill, clock: Clock) -> None:
        self.sources, self.options, self.spill, self.clock = sources, options, spill, clock
        job = sources.job
        self.ring = ring_of(job.ring)
        self.settings = Settings(job.rules, sources.catalogue, setting_of(sources, self.ring))
        self.crs = read_crs(sources.structures.crs, where="structures.crs")
        self.frames: Georeference | None = None
        self.ways: tuple[list[Way], list[Way]] = ([], [])

    def compute(self) -> Bias | None:
        """All structures, chunk by chunk; the bias of the whole batch."""
        with self.clock.stage("read"):
            positions = read_positions(self.sources.structures)
            self.ways = find_ways(self.sources, positions, self.ring)
            self.frames = Georeference(self.crs, self.crs, where="structures.crs", bounds=positions.bounds())
            self.take_in(positions)
        try:
            with self.clock.stage("plan"):
                return self.plan_all(positions)
        finally:
            close_readers()

    def take_in(self, positions: Positions) -> None:
        """Turn every row into a structure and spill it."""
        door = self.door()
        for raw in read_batches(self.sources.structures):
            rows = slice(raw.first, raw.first + len(raw))
            intake = door.take_in(raw, positions.duplicates[rows], positions.neighbours[rows])
            self.spill.append("structures", dict(arrays_of(intake.structures)))
            self.spill.scatter("reasons", dict(arrays_of(intake.reasons)))

    def door(self) -> Door:
        """What takes a row in."""
        job, frames = self.sources.job, self.frames
        assert frames is not None
        lines, areas = read_lines(self.sources), read_paving(self.sources)
        limit = job.structures.max_axis_distance
        return Door(
            job=job,
            facts=self.sources.structures,
            catalogue=self.sources.catalogue,
            vertical_unit=self.sources.vertical_unit,
            find_axes=_axis_finder(lines, frames, limit) if lines else None,
            find_convergence=frames.convergence,
            find_areas=_area_finder(areas, frames) if areas else None,
        )

    def plan_all(self, positions: Positions) -> Bias | None:
        """Plan chunk after chunk, and sort the results into buckets of the input order."""
        way = (self.ways[0] or self.ways[1])[0]
        group = way.facts.group_of(*way.georeference.to_target(positions.east, positions.north))
        chunks = list(order_by_block(group, self.options.chunk))
        key = settings_hash(self.sources)
        done = iter(range(1, len(chunks) + 1))
        results = map_ordered(
            plan_task,
            (self.task(index, positions) for index in chunks),
            engine=self.options.engine,
            workers=self.options.workers,
            done=lambda: self.options.progress("plan", next(done), len(chunks)),
        )
        rims = np.full((2, len(positions)), np.nan)
        for number, arrays in enumerate(results):
            self.keep(f"{key}-{number:06d}", arrays)
            rims[:, arrays["structures.row"]] = arrays["structures.rim"], arrays["rims.existing"]
        surveyed = self.sources.job.structures.rim_basis in ("", "surveyed")
        return find_bias(*rims) if surveyed else None

    def keep(self, name: str, arrays: Arrays) -> None:
        """Spill one chunk, then sort it into buckets."""
        self.spill.save(name, arrays)
        reasons = {key.removeprefix("reasons."): array for key, array in arrays.items() if key.startswith("reasons.")}
        rest = {key: array for key, array in arrays.items() if not key.startswith("reasons.")}
        self.spill.scatter("results", {"row": arrays["structures.row"], **rest})
        self.spill.scatter("reasons", reasons)
        self.spill.drop(name)

    def task(self, index: np.ndarray[Any, np.dtype[np.intp]], positions: Positions) -> Task:
        """One chunk with all that a worker needs."""
        structures = bundle_of(Structures, self.spill.rows("structures", index))
        roles = [tuple(_place(way, positions, index) for way in role) for role in self.ways]
        assert isinstance(structures, Structures)
        return Task(self.settings, structures, roles[0], roles[1])

    def outgoing(self, bias: Bias | None) -> Outgoing:
        """What the writers need."""
        sources = self.sources
        names = [[way.facts.name for way in role] for role in self.ways]
        naming = Naming(sources.job.rules, sources.catalogue, names[0], names[1], sources.structures, sources.units)
        foot = foot_of([sources.vertical_unit, *(facts.vertical_unit for facts in sources.existing)])
        annuli = self.annuli if sources.job.output.rings else None
        return Outgoing(self.spill, naming, bias, foot, sources.structures.crs, annuli)

    def annuli(self, bucket: Bucket) -> pa.RecordBatch:
        """Sampled rings of one bucket as polygons."""
        assert self.frames is not None
        return tables.ring_rows(bucket, self.frames.jacobians(bucket.raw.east, bucket.raw.north), self.ring)

    def operations(self) -> dict[str, str]:
        """How coordinates were carried to each surface."""
        return {way.facts.name: way.georeference.description for role in self.ways for way in role}

    def record(self, tally: Tally, findings: tuple[str, ...]) -> dict[str, Any]:
        """What `run.json` says."""
        from geoadjust.process import plain

        return {
            "format": "geoadjust schedule 1",
            "geoadjust": geoadjust.__version__,
            "command": list(self.options.command),
            "job": plain(self.sources.job),
            "sources": source_facts(self.sources),
            "operations": self.operations(),
            "counts": {name: dict(getattr(tally, name)) for name in (item.name for item in fields(tally))},
            "findings": list(findings),
            "seconds": self.clock.rounded(),
            "engine": {"name": self.options.engine, "workers": self.options.workers, "chunk": self.options.chunk},
            "host": {"name": socket.gethostname(), "system": platform.platform(), "python": platform.python_version()},
            "finished_at": time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime()),
        }


def setting_of(sources: Sources, ring: Ring) -> Setting:
    """Ring, accuracies and the way to the finished road, for the core."""
    job = sources.job
    table, paving = job.structures, job.finished[0] if job.finished else FinishedTable()
    accuracy = Accuracy(
        rim=table.rim_accuracy,
        rim_same_survey=table.rim_same_survey,
        xy=table.xy_accuracy,
        gap=table.gap_accuracy,
        flush=table.flush_accuracy,
        tape=table.tape_accuracy,
        casting=table.casting_accuracy,
        mill=paving.mill_accuracy,
        overlay=paving.overlay_accuracy,
        existing=tuple(_known(item.accuracy) for item in job.surface),
        finished=tuple(_known(item.accuracy) for item in job.finished if item.path),
    )
    return Setting(ring, job.ring.rough, accuracy, bool(sources.finished), paving.cross_slope)


def _known(accuracy: float | None) -> float:
    return math.nan if accuracy is None else accuracy


def ring_of(table: RingTable) -> Ring:
    """The ring's settings for the core."""
    return Ring(**{item.name: getattr(table, item.name) for item in fields(Ring)})


def _place(way: Way, positions: Positions, index: np.ndarray[Any, np.dtype[np.intp]]) -> Place:
    east, north = positions.east[index], positions.north[index]
    return Place(
        way.facts, way.patches, *way.georeference.to_target(east, north), way.georeference.jacobians(east, north)
    )


def _axis_finder(lines: Centrelines, frames: Georeference, limit: float) -> Callable[..., Any]:
    return lambda east, north: lines.axes(east, north, frames.jacobians(east, north), limit=limit)


def _area_finder(areas: PavingAreas, frames: Georeference) -> Callable[..., Any]:
    return lambda east, north: areas.find(east, north, frames.jacobians(east, north))
