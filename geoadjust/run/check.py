"""Says beforehand everything that is wrong with a job, and what the run would do; writes nothing."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

import numpy as np

from geoadjust.core.columns import KINDS
from geoadjust.core.rules import Job, RuleSet
from geoadjust.errors import Fault, InputError
from geoadjust.io.coordinates.crs import read_crs
from geoadjust.io.coordinates.georeference import Georeference
from geoadjust.io.coordinates.heights import datum_name
from geoadjust.io.intake.structures import describe_columns
from geoadjust.io.lidar.clouds import CloudFacts
from geoadjust.io.lines.areas import PavingAreas
from geoadjust.run.computing import Layout, lay_out
from geoadjust.run.extensions import broken, load_writers
from geoadjust.run.mixups import sample_mixups
from geoadjust.run.sources import Sources, look_at_sources, read_lines, read_paving
from geoadjust.run.ways import box_text

T = TypeVar("T")


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
    layout = _at(lambda: lay_out(sources), faults)
    _at(lambda: read_lines(sources), faults)
    areas = _at(lambda: read_paving(sources), faults)
    _at(lambda: load_writers(job.output.writers), faults)
    if faults or layout is None:
        raise InputError(faults)
    sample_mixups(sources, layout)
    notices = (*sources.notices, *layout.notices(), *broken(job))
    return Report(len(layout.positions), tuple(_facts(sources, layout, areas)), notices)


def _at(look: Callable[[], T], faults: list[Fault]) -> T | None:
    """The result, or None with its faults kept."""
    try:
        return look()
    except InputError as error:
        faults += error.faults
        return None


def _area_facts(sources: Sources, layout: Layout, areas: PavingAreas | None) -> Iterator[str]:
    if areas is None:
        return
    positions = layout.positions
    east, north = positions.east, positions.north
    inside = int(areas.find(east, north, layout.frames.jacobians(east, north)).inside.sum())
    path = sources.job.finished[0].areas
    yield f"finished: {inside} of {len(positions)} structures lie in a paving area, of {len(areas)} in {path}"


def _facts(sources: Sources, layout: Layout, areas: PavingAreas | None) -> Iterator[str]:
    structures, job, positions = sources.structures, sources.job, layout.positions
    placed = int(np.isfinite(positions.east).sum())
    yield f"structures: {len(positions)} rows of {structures.path}, {placed} with a point"
    yield f"structures: CRS {read_crs(structures.crs, where='structures.crs').name}"
    yield f"structures: columns {describe_columns(structures)}"
    shared = int((positions.duplicates > 1).sum())
    if shared:
        yield f"structures: {shared} rows share their id with another row"
    for name, role in zip(("surface", "finished", "paved"), layout.roles, strict=True):
        for way in role.ways:
            on = int(way.facts.covers(*way.georeference.to_target(positions.east, positions.north)).sum())
            first, *more = way.facts.describe()
            lie = "in the bounds of its files" if isinstance(way.facts, CloudFacts) else "on it"
            yield f"{name}: {first}; {on} of {len(positions)} structures lie {lie}"
            yield from (f"{name}: {line}" for line in more)
            datum = f", vertical datum {datum_name(way.facts.vertical_datum)}" if way.facts.vertical_datum else ""
            crs = read_crs(way.facts.crs, where=f"{name}.crs").name
            yield f"{name}: CRS {crs}{datum}; {box_text(way.facts.box)}"
            yield f"{name}: coordinates {_way_text(way.georeference)}"
    if not sources.finished:
        yield f"finished: {_finished(job)}"
    yield from _area_facts(sources, layout, areas)
    sets = ", ".join(f"{rules.name} ({_condition(rules)})" for rules in job.rules)
    yield f"rules: {sets}; catalogue {sources.catalogue.name}, {len(sources.catalogue.ring)} rings"
    yield f"output: {job.output.path} in {sources.units} units{_standing(job)}"


def _way_text(georeference: Georeference) -> str:
    """How coordinates are carried, and how well."""
    if not georeference.accuracy_m:
        return f"carried by {georeference.description}" if georeference.moves else "need no change: the same CRS"
    known = np.isfinite(georeference.accuracy_m)
    accuracy = f"{georeference.accuracy_m:g} m" if known else "not stated"
    return f"carried by {georeference.description}, accuracy {accuracy}"


def _finished(job: Job) -> str:
    if not job.finished and job.paved:
        return "the existing surface where no paved one covers it, changed by mill and overlay where there are any"
    if not job.finished:
        return "the existing surface, changed by the mill and overlay columns where there are any"
    table = job.finished[0]
    mill, overlay = (1000 * (value or 0.0) for value in (table.mill, table.overlay))
    own = "a structure's own mill and overlay win"
    if table.areas:
        own += ", then those of its paving area; outside the areas nothing is paved"
    return f"existing - mill {mill:g} mm + overlay {overlay:g} mm; {own}"


def _condition(rules: RuleSet) -> str:
    words = [*(kind for kind in KINDS if kind in rules.kinds), *rules.streets]
    words += {"yes": ["in a pedestrian route"], "no": ["not in a pedestrian route"]}.get(rules.pedestrian, [])
    return ", ".join(words) or "all"


def _standing(job: Job) -> str:
    return "; the folder exists, give --overwrite to replace it" if Path(job.output.path).exists() else ""
