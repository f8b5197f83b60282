"""The main job: structures and a road in, an output set out."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, fields
from functools import partial
from pathlib import Path
from typing import Any

import pyarrow as pa

from geoadjust.core.rules import Job
from geoadjust.engine import check_engine
from geoadjust.errors import Fault, IncompleteError, InputError
from geoadjust.io.coordinates.georeference import Georeference
from geoadjust.io.results import tables
from geoadjust.io.results.people import foot_of
from geoadjust.io.results.record import deciding_facts, run_facts, source_facts
from geoadjust.io.results.sets import SetWriter
from geoadjust.io.results.tables import Bucket, Naming
from geoadjust.io.working.spill import Spill
from geoadjust.run.chunks import CHUNK
from geoadjust.run.computing import Computation, Layout, Mapper, lay_out, ring_of, take_in
from geoadjust.run.extensions import load_writers, write_extensions
from geoadjust.run.findings import Bias
from geoadjust.run.mixups import refuse_mixups
from geoadjust.run.output import Outgoing, Tally, write_results
from geoadjust.run.resume import start_run
from geoadjust.run.sources import Sources, look_at_sources
from geoadjust.run.told import made_by
from geoadjust.run.workers import deciding_here, map_tasks

Progress = Callable[[str, int, int], None]


def no_progress(stage: str, done: int, total: int) -> None:
    """Says nothing."""


def no_note(text: str) -> None:
    """Says nothing."""


@dataclass(frozen=True, slots=True)
class Options:
    """How a job is run; none of this changes a figure."""

    overwrite: bool = False
    engine: str = "serial"
    workers: int = 1
    scheduler: str = ""
    chunk: int = CHUNK
    strict: bool = False
    resume: bool = False
    progress: Progress = no_progress
    note: Callable[[str], None] = no_note
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
    UsageError, InputError
        the engine cannot be used; the job or a source is invalid, with every fault
    OutputBusyError, OutputError
        the set could not be written
    IncompleteError
        with `strict`, after the set was written, where some structures could not be computed
    """
    clock = Clock()
    check_engine(options.engine, workers=options.workers, scheduler=options.scheduler, same=deciding_here)
    if not job.output.path:
        raise InputError(Fault("output.path", "missing", remedy="write path = ... under [output], or give --out"))
    with clock.stage("check"):
        sources, writers = look_at_sources(job), load_writers(job.output.writers)
    with SetWriter(Path(job.output.path), overwrite=options.overwrite, resume=options.resume) as writer:
        run = _Run(sources, options, clock)
        outgoing = run.compute(writer)
        with clock.stage("write"):
            tally = write_results(writer.folder, outgoing, run_facts(sources, run.operations))
            run.extensions = write_extensions(writers, writer.folder, sources.units)
        findings = (*sources.notices, *run.notices, *([outgoing.bias.sentence()] if outgoing.bias else []))
        writer.commit(run.record(tally, findings))
    summary = Summary(job.output.path, tally, findings, clock.rounded())
    unknown = tally.method["unknown"]
    if options.strict and unknown:
        raise IncompleteError(
            f"{unknown} of {tally.tables['schedule']} structures could not be computed; see their flags"
        )
    return summary


class _Run:
    """One run: its sources, where they lie, its clock, its engine."""

    def __init__(self, sources: Sources, options: Options, clock: Clock) -> None:
        self.sources, self.options, self.clock = sources, options, clock
        self.chunk, self.kept = options.chunk, 0
        self.operations: dict[str, str] = {}
        self.notices: list[str] = []
        self.extensions: dict[str, str] = {}

    def compute(self, writer: SetWriter) -> Outgoing:
        """All structures, chunk by chunk; what the writers need. Nothing that grows with the layer outlives it."""
        options = self.options
        with self.clock.stage("read"):
            layout = lay_out(self.sources)
        self.operations, self.notices = layout.operations(), layout.notices()
        facts, count = deciding_facts(self.sources, self.operations), len(layout.positions)
        start = start_run(
            writer.work, facts, count=count, chunk=options.chunk, resume=options.resume, note=options.note
        )
        spill = Spill(writer.spill, writer.work.folder, start.key)
        with self.clock.stage("read"):
            take_in(self.sources, layout, spill)
            judge = partial(refuse_mixups, sources=self.sources)
            computation = Computation(self.sources, layout, spill, start.chunk, judge)
            self.chunk, self.kept = start.chunk, computation.recall() if start.resumed else 0
        if start.resumed:
            options.note(f"{self.kept} of {len(computation.chunks)} chunks are taken from the interrupted run")
        with self.clock.stage("plan"):
            computation.compute(self.mapper(), partial(options.progress, "plan"))
            bias = computation.bias()
        self.clock.seconds.update(computation.seconds)
        return self.outgoing(spill, bias, layout)

    def mapper(self) -> Mapper:
        """What runs the chunks."""
        options, sources = self.options, self.sources
        files = tuple(file for facts in sources.surfaces for file in facts.shared)
        return partial(
            map_tasks, engine=options.engine, workers=options.workers, scheduler=options.scheduler, files=files
        )

    def outgoing(self, spill: Spill, bias: Bias | None, layout: Layout) -> Outgoing:
        """What the writers need."""
        sources = self.sources
        names = [facts.name for facts in sources.surfaces]
        naming = Naming(sources.job.rules, sources.catalogue, names, sources.structures, sources.units)
        foot = foot_of([sources.vertical_unit, *(facts.vertical_unit for facts in sources.existing)])
        annuli = partial(self.annuli, layout.frames) if sources.job.output.rings else None
        return Outgoing(spill, naming, bias, foot, sources.structures.crs, annuli)

    def annuli(self, frames: Georeference, bucket: Bucket) -> pa.RecordBatch:
        """Sampled rings of one bucket as polygons."""
        jacobians = frames.jacobians(bucket.raw.east, bucket.raw.north)
        return tables.ring_rows(bucket, jacobians, ring_of(self.sources.job.ring))

    def engine(self) -> dict[str, Any]:
        """How the chunks were run; none of it changes a figure."""
        options = self.options
        facts = {"name": options.engine, "workers": options.workers, "chunk": self.chunk}
        facts |= {"scheduler": options.scheduler} if options.scheduler else {}
        return {**facts, "resumed": options.resume, "kept_chunks": self.kept}

    def record(self, tally: Tally, findings: tuple[str, ...]) -> dict[str, Any]:
        """What `run.json` says."""
        from geoadjust.process import plain

        return {
            "format": "geoadjust schedule 1",
            **made_by(self.options.command),
            "job": plain(self.sources.job),
            "sources": source_facts(self.sources),
            "operations": self.operations,
            "counts": {name: dict(getattr(tally, name)) for name in (item.name for item in fields(tally))},
            "findings": list(findings),
            "seconds": self.clock.rounded(),
            "engine": self.engine(),
            **({"extensions": self.extensions} if self.extensions else {}),
        }
