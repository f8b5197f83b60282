"""Writes the field book of a job: what a surveyor shoots before paving. The road's surface need not be there yet."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from geoadjust.core.columns import KINDS, Structures
from geoadjust.core.fieldbook import NOTES, FieldPlaces, FieldShots, list_shots, road_distance
from geoadjust.core.outline import Outlines
from geoadjust.core.rules import Job
from geoadjust.errors import InputError
from geoadjust.io.catalogue import read_catalogue
from geoadjust.io.coordinates.crs import read_crs, vertical_unit_of
from geoadjust.io.coordinates.georeference import Georeference
from geoadjust.io.intake.door import Door
from geoadjust.io.intake.reading import Reading, first_stated
from geoadjust.io.intake.structures import RawBatch, describe_structures, read_batches
from geoadjust.io.results.fieldbook import FieldBook, FieldTexts, tape_step
from geoadjust.io.results.people import foot_of
from geoadjust.run.computing import make_door
from geoadjust.run.sources import Sources, look_at_sources

Floats = NDArray[np.float64]

ROADS = ("surface", "finished", "paved")


@dataclass(frozen=True, slots=True)
class Written:
    """A field book that was written."""

    path: Path
    structures: int
    lines: int

    def as_json(self) -> dict[str, object]:
        """Plain values."""
        return {"path": str(self.path), "structures": self.structures, "lines": self.lines}


def write_fieldbook(job: Job, path: Path, *, overwrite: bool = False) -> Written:
    """Write the field book of a job into a CSV.

    Parameters
    ----------
    path : of the file
    overwrite : replace a field book that is there

    Raises
    ------
    InputError
        with every fault of the structures, the catalogue, the centrelines, the paving areas
    OutputBusyError, OutputError
        the file exists, or cannot be written
    """
    sources = _look(job)
    crs = read_crs(sources.structures.crs, where="structures.crs")
    frames = Georeference(crs, crs, where="structures.crs")
    door = make_door(sources, frames)
    units, foot = _units(sources)
    count = 0
    with FieldBook(path, units, foot, sources.structures.crs, overwrite=overwrite) as book:
        for raw in read_batches(sources.structures):
            reading = Reading(raw, sources.structures, job.structures, sources.vertical_unit)
            places = _places(door, reading, tape_step(units, foot))
            shots = list_shots(places)
            texts = FieldTexts(reading.texts("id"), reading.texts("street"), reading.texts("owner"))
            book.add(places, shots, texts, *_coordinates(raw, shots, frames))
            count += len(raw)
    return Written(path, count, book.lines)


def _coordinates(raw: RawBatch, shots: FieldShots, frames: Georeference) -> tuple[Floats, Floats]:
    """East and north of each line (k,) in the structures' CRS; NaN where unknown."""
    at = shots.structure
    matrices = frames.jacobians(raw.east, raw.north)[at]
    moved = np.einsum("kij,kj->ki", matrices, np.stack([shots.east, shots.north], axis=1))
    return raw.east[at] + moved[:, 0], raw.north[at] + moved[:, 1]


def _look(job: Job) -> Sources:
    """Sources of a job; without its roads where these have faults, as before they are surveyed."""
    try:
        return look_at_sources(job)
    except InputError as error:
        if not all(fault.where.partition(".")[0] in ROADS for fault in error.faults):
            raise
    structures = describe_structures(job.structures)
    crs = read_crs(structures.crs, where="structures.crs")
    unit = vertical_unit_of(crs) or structures.vertical_unit or job.structures.vertical_unit
    return Sources(job, structures, (), (), (), read_catalogue(job.catalogue.path, job.rules), unit)


def _units(sources: Sources) -> tuple[str, str]:
    """Display units, and the foot: as those of the results."""
    job, own = sources.job, sources.vertical_unit
    stated = [own, *(facts.vertical_unit for facts in sources.surfaces)]
    if sources.existing:
        return sources.units, foot_of(stated)
    stated += [table.vertical_unit for table in job.surface]
    units = job.output.units or ("metric" if (own or job.surface[0].vertical_unit) == "m" else "us")
    return units, foot_of(stated)


def _places(door: Door, reading: Reading, step: float) -> FieldPlaces:
    raw, ring, alone = reading.raw, door.job.ring, np.ones(reading.n, dtype=np.int32)
    structures = door.take_in(raw, alone, alone).structures
    width, length, assumed = _frames_today(door, structures, reading)
    reach = Outlines(width, length, structures.axis).reach()
    note = np.full(reading.n, -1, dtype=np.int8)
    for word, chosen in _reasons(structures):
        note[chosen] = NOTES.index(word)
    return FieldPlaces(
        row=structures.row,
        kind=structures.kind,
        note=note,
        placed=np.isfinite(raw.east) & np.isfinite(raw.north),
        axis=structures.axis,
        street_side=structures.street_side,
        width=width,
        length=length,
        frame_azimuth=first_stated(np.mod(reading.numbers("frame_azimuth"), 2 * np.pi), structures.axis),
        assumed=assumed,
        road=road_distance(max(ring.outer_radius, ring.bar_length / 2), reach, ring.inner_clearance, step),
    )


def _reasons(structures: Structures) -> Iterator[tuple[str, NDArray[np.bool_]]]:
    """Why nothing is shot; a later reason beats an earlier one."""
    yield "not_paved", structures.paved == 0
    yield "other_owner", structures.other_owner
    yield "monument", structures.kind == KINDS.index("monument")


def _frames_today(door: Door, structures: Structures, reading: Reading) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    """Width and length [m] of the frame that stands today, and whether they are assumed."""
    sizes = np.array([*(part.frame_top_diameter for part in door.catalogue.casting), (np.nan, np.nan)], dtype=float)
    sizes[:, 1] = np.where(sizes[:, 1] > 0, sizes[:, 1], np.nan)
    stated = first_stated(reading.sizes("frame_top_diameter"), sizes[structures.casting].T)
    usual = np.array([rules.usual_frame_diameter for rules in door.job.rules])[structures.rule_set]
    usual = np.minimum(usual, structures.old_flange_diameter)
    found = first_stated(stated, np.stack([usual, np.full(len(usual), np.nan)]))
    return found[0], found[1], np.isnan(stated[0])
