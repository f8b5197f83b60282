"""From the sources to spilled results: rows are taken in, then computed chunk by chunk."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Generator, Iterable
from contextlib import closing
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from geoadjust.core.columns import Structures, arrays_of
from geoadjust.core.judge import Setting
from geoadjust.core.ring import Ring
from geoadjust.core.rules import FinishedTable, Job, RingTable
from geoadjust.core.uncertainty import Accuracy
from geoadjust.io.coordinates.crs import read_crs
from geoadjust.io.coordinates.georeference import Georeference
from geoadjust.io.intake.door import Door
from geoadjust.io.intake.structures import read_batches
from geoadjust.io.lines.areas import PavingAreas
from geoadjust.io.lines.centrelines import Centrelines
from geoadjust.io.working.chunk_files import Records
from geoadjust.io.working.spill import Spill
from geoadjust.run.chunks import Arrays, Found, Settings, Task, bundle_of, order_by_block
from geoadjust.run.findings import Bias, find_bias
from geoadjust.run.positions import Positions, read_positions
from geoadjust.run.readers import close_readers
from geoadjust.run.sources import Sources, read_lines, read_paving
from geoadjust.run.ways import Way, Ways, find_ways

Index = NDArray[np.intp]
Mapper = Callable[..., Generator[Found, None, None]]


@dataclass(frozen=True, slots=True, eq=False)
class Layout:
    """Where the structures lie, their own CRS, and the ways to the surfaces of each role."""

    positions: Positions
    frames: Georeference
    roles: tuple[Ways, ...]

    @property
    def ways(self) -> tuple[Way, ...]:
        """Those of all roles."""
        return tuple(way for role in self.roles for way in role.ways)

    def operations(self) -> dict[str, str]:
        """How coordinates are carried to each surface, and heights from it to the datum of the run."""
        found = {way.facts.name: way.georeference.description for way in self.ways}
        shifts = [shift for role in self.roles for shift in role.shifts]
        told = zip(self.ways, shifts, strict=True)
        return found | {f"heights of {way.facts.name}": shift.description for way, shift in told if shift.description}

    def notices(self) -> list[str]:
        """What a careful user wants to know of the way to the surfaces."""
        return [notice for role in self.roles for notice in role.notices(self.positions)]

    def chunks(self, size: int) -> list[Index]:
        """Input rows of each chunk: near each other on the first surface that is used."""
        way = self.ways[0]
        east, north = way.georeference.to_target(self.positions.east, self.positions.north)
        return list(order_by_block(way.facts.group_of(east, north), size))


def lay_out(sources: Sources) -> Layout:
    """Read the positions and find the ways.

    Raises
    ------
    InputError
        no structure lies on any surface, or a surface is too coarse
    """
    positions = read_positions(sources.structures)
    roles = find_ways(sources, positions, ring_of(sources.job.ring))
    crs = read_crs(sources.structures.crs, where="structures.crs")
    frames = Georeference(crs, crs, where="structures.crs", bounds=positions.bounds())
    return Layout(positions, frames, roles)


def take_in(sources: Sources, layout: Layout, spill: Spill) -> None:
    """Turn every row into a structure and spill it."""
    door, positions = make_door(sources, layout.frames), layout.positions
    for raw in read_batches(sources.structures):
        rows = slice(raw.first, raw.first + len(raw))
        intake = door.take_in(raw, positions.duplicates[rows], positions.neighbours[rows])
        spill.append("structures", dict(arrays_of(intake.structures)))
        spill.append_sorted("reasons", dict(arrays_of(intake.reasons)))


def make_door(sources: Sources, frames: Georeference) -> Door:
    """What takes the rows of a layer in."""
    job = sources.job
    lines, areas = read_lines(sources), read_paving(sources)
    return Door(
        job=job,
        facts=sources.structures,
        catalogue=sources.catalogue,
        vertical_unit=sources.vertical_unit,
        find_axes=_axis_finder(lines, frames, job.structures.max_axis_distance) if lines else None,
        find_convergence=frames.convergence,
        find_areas=_area_finder(areas, frames) if areas else None,
    )


def _axis_finder(lines: Centrelines, frames: Georeference, limit: float) -> Callable[..., Any]:
    return lambda east, north: lines.axes(east, north, frames.jacobians(east, north), limit=limit)


def _area_finder(areas: PavingAreas, frames: Georeference) -> Callable[..., Any]:
    return lambda east, north: areas.find(east, north, frames.jacobians(east, north))


def no_objection(found: Arrays) -> None:
    """Every chunk is kept."""


def task_of(sources: Sources, layout: Layout, structures: Structures, index: Index, number: int) -> Task:
    """One chunk: structures, their rows and their chunk's number."""
    settings = Settings(sources.job.rules, sources.catalogue, setting_of(sources.job))
    return Task(settings, structures, tuple(role.places(layout.positions, index, number) for role in layout.roles))


class Computation:
    """The chunks of a run: those kept by an interrupted one are recalled, the others computed.

    Parameters
    ----------
    size : structures in a chunk
    judge : told what was found for a chunk before it is kept; may refuse it
    """

    def __init__(
        self, sources: Sources, layout: Layout, spill: Spill, size: int, judge: Callable[[Arrays], None] = no_objection
    ) -> None:
        self.sources, self.layout, self.spill, self.judge = sources, layout, spill, judge
        self.chunks = layout.chunks(size)
        self.missing = list(range(len(self.chunks)))
        self.seconds: Counter[str] = Counter()
        self._rims = np.full((2, len(layout.positions)), np.nan)  # surveyed and computed, for the bias

    def recall(self) -> int:
        """Take every whole chunk that is kept; gives their number."""
        self.missing = [number for number in self.missing if not self._is_recalled(number)]
        return len(self.chunks) - len(self.missing)

    def compute(self, mapper: Mapper, progress: Callable[[int, int], None]) -> None:
        """Compute and keep the chunks that are missing.

        Parameters
        ----------
        mapper : mapper(tasks, done=...) gives what was found for each task, in the order of the tasks
        progress : told the chunks that are done and all chunks
        """
        done = iter(range(len(self.chunks) - len(self.missing) + 1, len(self.chunks) + 1))
        try:
            with closing(mapper(self._tasks(), done=lambda: progress(next(done), len(self.chunks)))) as found:
                for number, chunk in zip(self.missing, found, strict=True):
                    self.judge(chunk.arrays)
                    self._keep(number, chunk.arrays)
                    self.seconds.update(chunk.seconds)
        finally:
            close_readers()

    def bias(self) -> Bias | None:
        """Bias of the surveyed rims of all chunks."""
        surveyed = self.sources.job.structures.rim_basis in ("", "surveyed")
        return find_bias(*self._rims) if surveyed else None

    def _tasks(self) -> Iterable[Task]:
        positions, folder = self.layout.positions, self.spill.folder
        layout = replace(
            self.layout, roles=tuple(role.gathered(positions, self.chunks, folder) for role in self.layout.roles)
        )
        for number in self.missing:
            index = self.chunks[number]
            structures = bundle_of(Structures, self.spill.rows("structures", index))
            assert isinstance(structures, Structures)
            yield task_of(self.sources, layout, structures, index, number)

    def _is_recalled(self, number: int) -> bool:
        results = self.spill.recall(number, self.chunks[number])
        if results is not None:
            self._note_rims(results["row"], results)
        return results is not None

    def _keep(self, number: int, arrays: Arrays) -> None:
        reasons = {
            name.removeprefix("reasons."): array for name, array in arrays.items() if name.startswith("reasons.")
        }
        results = {name: array for name, array in arrays.items() if not name.startswith("reasons.")}
        row = arrays["structures.row"]
        self.spill.keep(number, {"results": {"row": row, **results}, "reasons": reasons})
        self._note_rims(row, arrays)

    def _note_rims(self, row: NDArray[Any], found: Arrays | Records) -> None:
        self._rims[:, row] = found["structures.rim"], found["rims.existing"]


def setting_of(job: Job) -> Setting:
    """Ring, accuracies and the way to the finished road, for the core."""
    table, paving = job.structures, job.finished[0] if job.finished else FinishedTable()
    accuracy = Accuracy(
        rim=table.rim_accuracy,
        rim_same_survey=table.rim_same_survey,
        xy=table.xy_accuracy,
        gap=table.gap_accuracy,
        flush=table.flush_accuracy,
        tape=table.tape_accuracy,
        reading=table.reading_accuracy,
        casting=table.casting_accuracy,
        mill=paving.mill_accuracy,
        overlay=paving.overlay_accuracy,
        surfaces=tuple(_known(item.accuracy) for item in (*job.surface, *job.finished, *job.paved) if item.path),
    )
    return Setting(ring_of(job.ring), job.ring.rough, accuracy, paving.cross_slope)


def _known(accuracy: float | None) -> float:
    return math.nan if accuracy is None else accuracy


def ring_of(table: RingTable) -> Ring:
    """The ring's settings for the core."""
    return Ring(**{item.name: getattr(table, item.name) for item in fields(Ring)})
