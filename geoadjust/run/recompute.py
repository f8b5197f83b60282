"""Some structures of a job computed once more, from its sources, as rows of every table of the result."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from geoadjust.core.columns import Reasons, Structures, arrays_of, concat
from geoadjust.io.intake.structures import BATCH, RawBatch, read_batches
from geoadjust.io.results import tables
from geoadjust.io.results.columns import SCHEDULE
from geoadjust.io.results.tables import Naming
from geoadjust.io.working.spill import to_records
from geoadjust.run.chunks import Arrays, plan_task
from geoadjust.run.computing import Layout, make_door, task_of
from geoadjust.run.findings import Bias
from geoadjust.run.output import final_bucket, side_rows
from geoadjust.run.readers import close_readers
from geoadjust.run.sources import Sources

Rows = NDArray[np.intp]


@dataclass(frozen=True, slots=True, eq=False)
class Again:
    """One structure, computed again: its row of the input, its rows by table, its surveyed rim and the road there."""

    row: int
    tables: dict[str, pa.RecordBatch]
    rim: float
    road: float


def recompute(
    sources: Sources, layout: Layout, rows: Sequence[int], naming: Naming, bias: Bias | None
) -> Iterator[Again]:
    """Compute some structures once more.

    Parameters
    ----------
    layout : of the same sources
    rows : of the input, rising
    naming : what indices stand for
    bias : that of all surveyed rims, which no single structure shows
    """
    wanted = np.asarray(rows, dtype=np.intp)
    batches = np.arange(0, len(layout.positions), BATCH)
    chunks = [wanted[(wanted >= first) & (wanted < first + BATCH)] for first in batches]
    with tempfile.TemporaryDirectory(prefix="geoadjust-") as folder:
        roles = tuple(role.gathered(layout.positions, chunks, Path(folder)) for role in layout.roles)
        computing = _Again(sources, replace(layout, roles=roles), naming, bias)
        try:
            for number, raw in enumerate(read_batches(sources.structures)):
                if len(chunks[number]):
                    yield from computing.batch(raw, chunks[number], number)
        finally:
            close_readers()


class _Again:
    """Computes the structures of one batch after another."""

    def __init__(self, sources: Sources, layout: Layout, naming: Naming, bias: Bias | None) -> None:
        self.sources, self.layout, self.naming, self.bias = sources, layout, naming, bias
        self.door = make_door(sources, layout.frames)

    def batch(self, raw: RawBatch, rows: Rows, number: int) -> Iterator[Again]:
        """The wanted rows of one batch, each as a batch of its own at the door and on the way out."""
        pieces = [raw.piece(int(row) - raw.first, 1) for row in rows]
        positions = self.layout.positions
        intakes = [
            self.door.take_in(piece, positions.duplicates[[row]], positions.neighbours[[row]])
            for piece, row in zip(pieces, rows, strict=True)
        ]
        structures = concat([intake.structures for intake in intakes])
        assert isinstance(structures, Structures)
        found = plan_task(task_of(self.sources, self.layout, structures, rows, number)).arrays
        order = {int(row): place for place, row in enumerate(found["structures.row"])}
        for piece, intake in zip(pieces, intakes, strict=True):
            yield self._one(piece, intake.reasons, found, order[piece.first])

    def _one(self, piece: RawBatch, noted: Reasons, found: Arrays, place: int) -> Again:
        own = {name: array[[place]] for name, array in found.items() if not name.startswith("reasons.")}
        reasons = {name.removeprefix("reasons."): array for name, array in found.items() if name.startswith("reasons.")}
        mine = np.flatnonzero(reasons["row"] == piece.first)
        both = {name: np.concatenate([array, reasons[name][mine]]) for name, array in arrays_of(noted)}
        results = to_records({"row": own["structures.row"], **own})
        bucket = final_bucket(results, to_records(both), piece, self.naming, self.bias)
        made = {"schedule": _ours(tables.schedule_arrays(bucket, self.naming)), **side_rows(bucket, self.naming)}
        return Again(piece.first, made, float(own["structures.rim"][0]), float(own["rims.existing"][0]))


def _ours(arrays: Sequence[pa.Array]) -> pa.RecordBatch:
    return pa.record_batch(list(arrays), schema=tables.table_schema(SCHEDULE))
