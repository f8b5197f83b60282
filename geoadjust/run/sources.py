"""Everything that a job names, looked at together, so that all faults are told at once."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any, TypeVar

import numpy as np
import pyarrow as pa

from geoadjust.core.inputs import INPUTS
from geoadjust.core.rules import Catalogue, FinishedTable, Job, SurfaceTable
from geoadjust.errors import Fault, InputError
from geoadjust.io.catalogue import read_catalogue
from geoadjust.io.crs import read_crs, vertical_name_of, vertical_unit_of
from geoadjust.io.structures import RawBatch, StructureFacts, describe_structures, lookalikes, read_batches
from geoadjust.io.surfaces import RasterFacts, describe_raster
from geoadjust.io.values import read_texts

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Sources:
    """Facts of every source of a job; nothing is open."""

    job: Job
    structures: StructureFacts
    existing: tuple[RasterFacts, ...]
    finished: tuple[RasterFacts, ...]
    catalogue: Catalogue
    vertical_unit: str
    notices: tuple[str, ...] = ()

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

    def at(self, look: Callable[[], T]) -> T | None:
        """The result, or None with its faults kept."""
        try:
            return look()
        except InputError as error:
            self.faults += error.faults
            return None


def look_at_sources(job: Job) -> Sources:
    """Facts of all sources.

    Raises
    ------
    InputError
        with every fault of every source
    """
    look = _Look()
    structures = look.at(lambda: describe_structures(job.structures))
    existing = [look.at(_raster(table, f"surface{_place(job.surface, i)}")) for i, table in enumerate(job.surface)]
    designs = [table for table in job.finished if table.path]
    finished = [look.at(_raster(table, f"finished{_place(designs, i)}")) for i, table in enumerate(designs)]
    catalogue = look.at(lambda: read_catalogue(job.catalogue.path, job.rules))
    unit = ""
    if structures is not None:
        unit = look.at(lambda: _vertical_unit(job, structures)) or ""
        look.faults += list(_unit_faults(job, structures, unit))
        look.faults += list(_datum_faults(job, structures, [facts for facts in [*existing, *finished] if facts]))
    if look.faults:
        raise InputError(look.faults)
    assert structures is not None
    assert catalogue is not None
    roads = tuple(facts for facts in existing if facts)
    plans = tuple(facts for facts in finished if facts)
    return Sources(job, structures, roads, plans, catalogue, unit, tuple(_notices(structures, job)))


def _raster(table: SurfaceTable | FinishedTable, where: str) -> Callable[[], RasterFacts]:
    return lambda: describe_raster(table, where=where)


def _place(tables: Any, index: int) -> str:
    return f".{index}" if len(tables) > 1 else ""


def _vertical_unit(job: Job, facts: StructureFacts) -> str:
    """Vertical unit of the structures: from the CRS, else from the job; '' where none is stated."""
    own = vertical_unit_of(read_crs(facts.crs, where="structures.crs"))
    stated = job.structures.vertical_unit
    if own and stated and own != stated:
        what = f"the job says {stated}, the CRS of {facts.path} says {own}"
        raise InputError(Fault("structures.vertical_unit", what, remedy="remove the job's, or mend the file's"))
    return own or stated


def _unit_faults(job: Job, facts: StructureFacts, vertical_unit: str) -> Iterator[Fault]:
    """Bare numbers in a column whose unit is not declared."""
    units = {
        "height": ("vertical_unit", vertical_unit, "m, ft, us-ft"),
        "dimension": ("dimension_unit", job.structures.dimension_unit, "mm, m, in, ft"),
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
    return any(text and text[-1].isdigit() for text in read_texts(column, len(batch)))


def _datum_faults(job: Job, facts: StructureFacts, rasters: list[RasterFacts]) -> Iterator[Fault]:
    """Two stated vertical datums that differ: heights cannot be compared."""
    own = job.structures.vertical_datum or vertical_name_of(read_crs(facts.crs, where="structures.crs")) or ""
    stated = {item.path: _datum_name(item.vertical_datum) for item in rasters if item.vertical_datum}
    compared = "rim" in facts.columns or "bearing" in facts.columns
    if own and compared:
        stated["structures"] = _datum_name(own)
    if len(set(stated.values())) > 1:
        what = "; ".join(f"{name}: {datum}" for name, datum in stated.items())
        remedy = "bring all heights to one vertical datum first; this version does not transform heights"
        yield Fault("vertical_datum", f"the sources state different vertical datums: {what}", remedy=remedy)


def _datum_name(text: str) -> str:
    """Name of a vertical datum given by code or by name."""
    if ":" not in text or " " in text.partition(":")[0]:
        return text
    crs = read_crs(text, where="vertical_datum")
    return vertical_name_of(crs) or crs.name


def _notices(facts: StructureFacts, job: Job) -> Iterator[str]:
    """What a careful user wants to know before the run."""
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
    if facts.columns.get("rim") == "@z":
        yield "rims are read from the points' Z"
    if not job.finished and not {"mill", "overlay"} & set(facts.columns):
        yield "neither mill, overlay nor a design surface: the finished road is the existing one"
