"""Says beforehand everything that is wrong with a job, and what the run would do; writes nothing."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from geoadjust.core.columns import KINDS
from geoadjust.core.rules import Job
from geoadjust.errors import Fault, InputError
from geoadjust.io.centrelines import read_centrelines
from geoadjust.io.crs import read_crs
from geoadjust.io.structures import describe_columns
from geoadjust.io.surfaces import RasterFacts
from geoadjust.run.positions import Positions, Way, find_ways, read_positions
from geoadjust.run.schedule import ring_of
from geoadjust.run.sources import Sources, look_at_sources


@dataclass(frozen=True, slots=True)
class Report:
    """What a check found."""

    structures: int
    lines: tuple[str, ...]
    notices: tuple[str, ...]

    def as_json(self) -> dict[str, Any]:
        """Plain values."""
        return {"structures": self.structures, "facts": list(self.lines), "notices": list(self.notices), "faults": []}


def check_job(job: Job) -> Report:
    """Look at every source of a job.

    Raises
    ------
    InputError
        with every fault found
    """
    faults: list[Fault] = []
    if not job.output.path:
        faults.append(Fault("output.path", "missing", remedy="write path = ... under [output], or give --out"))
    try:
        sources = look_at_sources(job)
    except InputError as error:
        raise InputError([*faults, *error.faults]) from None
    positions = read_positions(sources.structures)
    ways: tuple[list[Way], list[Way]] = ([], [])
    for look in (lambda: find_ways(sources, positions, ring_of(job.ring)), lambda: _lines(sources)):
        try:
            found = look()
            ways = found if isinstance(found, tuple) else ways
        except InputError as error:
            faults += error.faults
    if faults:
        raise InputError(faults)
    return Report(len(positions), tuple(_facts(sources, positions, ways)), sources.notices)


def _lines(sources: Sources) -> int:
    job = sources.job
    if job.centrelines is None:
        return 0
    return len(read_centrelines(job.centrelines, read_crs(sources.structures.crs, where="structures.crs")))


def _facts(sources: Sources, positions: Positions, ways: tuple[list[Way], list[Way]]) -> Iterator[str]:
    structures, job = sources.structures, sources.job
    placed = int(np.isfinite(positions.east).sum())
    yield f"structures: {len(positions)} rows of {structures.path}, {placed} with a point"
    yield f"structures: CRS {read_crs(structures.crs, where='structures.crs').name}"
    yield f"structures: columns {describe_columns(structures)}"
    shared = int((positions.duplicates > 1).sum())
    if shared:
        yield f"structures: {shared} rows share their id with another row"
    for name, role in zip(("surface", "finished"), ways, strict=True):
        for way in role:
            on = int(way.facts.covers(*way.georeference.to_target(positions.east, positions.north)).sum())
            yield f"{name}: {_raster(way.facts)}; {on} of {len(positions)} structures lie on it"
            yield f"{name}: coordinates by {way.georeference.description}"
    if not sources.finished:
        yield f"finished: {_finished(job)}"
    sets = ", ".join(f"{rules.name} ({_condition(rules.kinds, rules.streets)})" for rules in job.rules)
    yield f"rules: {sets}; catalogue {sources.catalogue.name}, {len(sources.catalogue.ring)} rings"
    yield f"output: {job.output.path} in {sources.units} units{_standing(job)}"


def _raster(facts: RasterFacts) -> str:
    cell = np.hypot(*facts.affine()[:, 0])
    return (
        f"{facts.path}, {facts.width} x {facts.height} cells of {cell:.6g} map units, heights in {facts.vertical_unit}"
    )


def _finished(job: Job) -> str:
    if not job.finished:
        return "the existing surface, changed by the mill and overlay columns where there are any"
    table = job.finished[0]
    mill, overlay = (1000 * (value or 0.0) for value in (table.mill, table.overlay))
    return f"existing - mill {mill:g} mm + overlay {overlay:g} mm; a structure's own mill and overlay win"


def _condition(kinds: tuple[str, ...], streets: tuple[str, ...]) -> str:
    words = [*(kind for kind in KINDS if kind in kinds), *streets]
    return ", ".join(words) or "all"


def _standing(job: Job) -> str:
    return "; the folder exists, give --overwrite to replace it" if Path(job.output.path).exists() else ""
