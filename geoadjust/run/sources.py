"""Everything that a job names, looked at together, so that all faults are told at once."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import partial
from typing import Any, TypeVar

import numpy as np
import pyarrow as pa

from geoadjust.core.inputs import INPUTS
from geoadjust.core.parts import Catalogue
from geoadjust.core.rules import Job, RoadTable
from geoadjust.errors import Fault, InputError
from geoadjust.io.catalogue import read_catalogue
from geoadjust.io.coordinates.crs import read_crs, vertical_unit_of
from geoadjust.io.coordinates.heights import datum_name, datum_text_of
from geoadjust.io.intake.structures import RawBatch, StructureFacts, describe_structures, lookalikes, read_batches
from geoadjust.io.intake.values import read_texts
from geoadjust.io.lidar.clouds import CloudFacts, describe_cloud
from geoadjust.io.lidar.las import is_cloud
from geoadjust.io.lines.areas import PavingAreas, read_areas
from geoadjust.io.lines.centrelines import Centrelines, read_centrelines
from geoadjust.io.raster.rasters import RasterFacts, describe_raster
from geoadjust.io.results.record import SourceFile, describe_file
from geoadjust.io.tin.tins import TinFacts, describe_tin, is_tin
from geoadjust.run.extensions import describe_extension
from geoadjust.units import LengthError, parse_size

T = TypeVar("T")
SurfaceFacts = RasterFacts | TinFacts | CloudFacts


@dataclass(frozen=True, slots=True)
class Sources:
    """Facts of every source of a job; nothing is open.

    `vertical_unit` is the structures'; `vertical_datum` that of the run: the structures', else the first surface's.
    """

    job: Job
    structures: StructureFacts
    existing: tuple[SurfaceFacts, ...]
    finished: tuple[SurfaceFacts, ...]
    paved: tuple[SurfaceFacts, ...]
    catalogue: Catalogue
    vertical_unit: str
    vertical_datum: str = ""
    notices: tuple[str, ...] = ()
    files: tuple[SourceFile, ...] = ()

    @property
    def surfaces(self) -> tuple[SurfaceFacts, ...]:
        """Those of all roles; a surface's place here is its number."""
        return (*self.existing, *self.finished, *self.paved)

    @property
    def units(self) -> str:
        """Display units: the job's, else metric where heights are in metres."""
        if self.job.output.units:
            return self.job.output.units
        return "metric" if (self.vertical_unit or self.existing[0].vertical_unit) == "m" else "us"


@dataclass(slots=True)
class _Look:
    """Collects faults while looking at one source after the other."""

    faults: list[Fault] = field(default_factory=list)

    def at(self, look: Callable[[], T], path: str | tuple[str, ...] = "") -> T | None:
        """The result, or None with its faults kept; each names the file (of several the first one)."""
        try:
            return look()
        except InputError as error:
            name = path if isinstance(path, str) else path[0]
            self.faults += [fault.about(name) for fault in error.faults]
            return None


def look_at_sources(job: Job) -> Sources:
    """Facts of all sources.

    Raises
    ------
    InputError
        with every fault of every source
    """
    look = _Look()
    structures = look.at(lambda: describe_structures(job.structures), job.structures.path)
    roles = [
        [look.at(partial(describe_surface, table, where), table.path) for table, where in tables]
        for tables in _road_tables(job)
    ]
    existing, finished, paved = (tuple(facts for facts in role if facts) for role in roles)
    surfaces = [*existing, *finished, *paved]
    catalogue = look.at(lambda: read_catalogue(job.catalogue.path, job.rules))
    look.faults += list(_name_faults(surfaces))
    files = [look.at(_file(*named)) for named in _named_files(job, catalogue is not None)]
    unit = ""
    if structures is not None:
        unit = look.at(lambda: _vertical_unit(job, structures), structures.path) or ""
        look.faults += [fault.about(structures.path) for fault in _unit_faults(job, structures, unit)]
    if look.faults:
        raise InputError(look.faults)
    assert structures is not None
    assert catalogue is not None
    datums = list(_datums(job, structures, surfaces))
    datum = next((text for _, text in datums if text), "")
    notices = (*_notices(structures, job), *_surface_notices(surfaces), *_datum_notices(datums, datum))
    whole = tuple(facts for facts in files if facts)
    return Sources(job, structures, existing, finished, paved, catalogue, unit, datum, notices, whole)


def _road_tables(job: Job) -> Iterator[list[tuple[RoadTable, str]]]:
    """Tables of each role that name a surface, with the keys that they stand under."""
    designs = [table for table in job.finished if table.path]
    for key, tables in (("surface", job.surface), ("finished", designs), ("paved", job.paved)):
        yield [(table, f"{key}{_place(tables, index)}") for index, table in enumerate(tables)]


def read_lines(sources: Sources) -> Centrelines | None:
    """Street lines in the structures' CRS; None where the job names none."""
    table = sources.job.centrelines
    return None if table is None else read_centrelines(table, read_crs(sources.structures.crs, where="structures.crs"))


def read_paving(sources: Sources) -> PavingAreas | None:
    """Paving areas in the structures' CRS; None where the job names none."""
    job = sources.job
    if not _areas_path(job):
        return None
    crs = read_crs(sources.structures.crs, where="structures.crs")
    return read_areas(job.finished[0], crs, dimension_unit=job.structures.dimension_unit)


def _areas_path(job: Job) -> str:
    return job.finished[0].areas if job.finished else ""


def _named_files(job: Job, catalogue_read: bool) -> Iterator[tuple[str, str, str]]:
    """Role, path and job key of every file that is read whole; a catalogue that cannot be read is told elsewhere."""
    if _areas_path(job):
        yield "areas", _areas_path(job), "finished.areas"
    if job.centrelines is not None:
        yield "centrelines", job.centrelines.path, "centrelines.path"
    if job.catalogue.path and catalogue_read:
        yield "catalogue", job.catalogue.path, "catalogue.path"


def _file(role: str, path: str, where: str) -> Callable[[], SourceFile]:
    return lambda: describe_file(role, path, where=where)


def describe_surface(table: RoadTable, where: str) -> SurfaceFacts:
    """Facts of a surface, whatever it was measured as.

    Raises
    ------
    InputError
        with every fault of it
    """
    if table.reader:
        return describe_extension(table, where)
    if is_tin(table.path, table.layer):
        return describe_tin(table, where=where)
    describe = describe_cloud if is_cloud(table.path) else describe_raster
    return describe(_without_layers(table, where), where=where)


def _without_layers(table: RoadTable, where: str) -> RoadTable:
    """The table of a surface that can have no layers."""
    if table.layer:
        what = f"{table.layer!r}: neither rasters nor lidar points have layers"
        raise InputError(Fault(f"{where}.layer", what, remedy="remove it; another band of a raster is named by band"))
    return table


def _name_faults(surfaces: list[SurfaceFacts]) -> Iterator[Fault]:
    """Two surfaces of one name could not be told apart in the results."""
    names = [facts.name for facts in surfaces]
    for name in sorted({name for name in names if names.count(name) > 1}):
        paths = ", ".join(facts.path for facts in surfaces if facts.name == name)
        remedy = 'give one of them another with name = "..." in its table'
        yield Fault("surface.name", f"two surfaces are named {name!r}: {paths}", remedy=remedy)


def _place(tables: Any, index: int) -> str:
    return f".{index}" if len(tables) > 1 else ""


def _vertical_unit(job: Job, facts: StructureFacts) -> str:
    """Vertical unit of the structures: from the CRS or the file, else from the job; '' where none is stated."""
    own = vertical_unit_of(read_crs(facts.crs, where="structures.crs")) or ""
    stated = job.structures.vertical_unit
    if own and facts.vertical_unit and own != facts.vertical_unit:
        what = f"{facts.path} has heights in {facts.vertical_unit}, its CRS in {own}"
        raise InputError(Fault("structures.vertical_unit", what, remedy="state a CRS without heights"))
    own = own or facts.vertical_unit
    if own and stated and own != stated:
        what = f"the job says {stated}, {facts.path} or its CRS says {own}"
        raise InputError(Fault("structures.vertical_unit", what, remedy="remove the job's, or mend the file's"))
    return own or stated


def _unit_faults(job: Job, facts: StructureFacts, vertical_unit: str) -> Iterator[Fault]:
    """Bare numbers in a column whose unit is not declared."""
    dimension = ("dimension_unit", job.structures.dimension_unit, "mm, m, in, ft")
    units = {
        "height": ("vertical_unit", vertical_unit, "m, ft, us-ft"),
        "dimension": dimension,
        "size": dimension,
    }
    missing = [
        (ours, theirs, *units[INPUTS[ours].group])
        for ours, theirs in facts.columns.items()
        if INPUTS[ours].used and INPUTS[ours].group in units and not units[INPUTS[ours].group][1]
    ]
    if not missing:
        return
    first = next(read_batches(facts, only=[theirs for _, theirs, *_ in missing]))
    for ours, theirs, key, _, allowed in missing:
        if _bare_numbers(first, theirs):
            remedy = f'write {key} = "...", or write the unit in each cell'
            what = f"missing, and column {theirs!r} ({ours}) holds numbers without a unit"
            yield Fault(f"structures.{key}", what, allowed, remedy)


def _bare_numbers(batch: RawBatch, theirs: str) -> bool:
    if theirs == "@z":
        return bool(np.isfinite(batch.elevation).any())
    column = batch.attributes.column(theirs)
    if pa.types.is_integer(column.type) or pa.types.is_floating(column.type):
        return bool(column.null_count < len(column))
    return any(_is_bare(text) for text in set(read_texts(column, len(batch))))


def _is_bare(text: str) -> bool:
    """Whether a cell is a number, or WIDTHxLENGTH, that only lacks its unit.

    >>> [_is_bare(text) for text in ("8", "7 3/4", "24x36", "8 in", "24x36 in", "abt 8", "")]
    [True, True, True, False, False, False, False]
    """
    return _is_size(text, "m") and not _is_size(text, None)


def _is_size(text: str, unit: str | None) -> bool:
    try:
        parse_size(text, unit)
    except LengthError:
        return False
    return True


def _datums(job: Job, facts: StructureFacts, surfaces: list[SurfaceFacts]) -> Iterator[tuple[str, str]]:
    """What each source says of its vertical datum, '' where nothing; structures only where they have elevations."""
    if "rim" in facts.columns or "bearing" in facts.columns:
        own = job.structures.vertical_datum or datum_text_of(read_crs(facts.crs, where="structures.crs"))
        yield "structures", own
    yield from ((item.path, item.vertical_datum) for item in surfaces)


def _datum_notices(datums: list[tuple[str, str]], chosen: str) -> Iterator[str]:
    """Sources that say nothing beside others that do."""
    if not chosen:
        return
    silent = ", ".join(name for name, text in datums if not text)
    if silent:
        yield f"no vertical datum is stated for {silent}: heights are taken to be on {datum_name(chosen)}"


def _surface_notices(surfaces: list[SurfaceFacts]) -> Iterator[str]:
    """What looks wrong in a surface itself, as wild shots."""
    for facts in surfaces:
        if isinstance(facts, TinFacts):
            yield from (f"{facts.path}: {text}" for text in facts.findings)


def _notices(facts: StructureFacts, job: Job) -> Iterator[str]:
    """What a careful user wants to know before the run."""
    yield from facts.notes
    alike = lookalikes(facts.fields, facts.columns)
    if alike and "rim" not in facts.columns:
        yield (
            f"columns that may hold elevations are not used: {', '.join(alike)}; "
            "map one with columns.rim if it is the rim of the same datum as the surface"
        )
    elif alike:
        yield f"rim is read from {facts.columns['rim']!r}; not used: {', '.join(alike)}"
    if "id" not in facts.columns:
        yield "no id column is mapped: results are known by row number only"
    if facts.driver == "LandXML" and facts.columns.get("rim") == "elev_rim":
        yield (
            "rims are those of the pipe network (elevRim); where nobody surveyed them, "
            'write rim_basis = "assumed_flush"'
        )
    if facts.columns.get("rim") == "@z":
        yield "rims are read from the points' Z"
    walked = [rules.name for rules in job.rules if rules.pedestrian]
    if walked and "pedestrian" not in facts.columns:
        yield f"rules {', '.join(walked)} ask for pedestrian routes; no such column is mapped, so nothing lies in one"
    if not job.finished and not job.paved and not {"mill", "overlay"} & set(facts.columns):
        yield "neither mill, overlay nor a design surface: the finished road is the existing one"
