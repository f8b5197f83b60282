"""First pass over the structures: where they are, and which rows share an id or a place."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from geoadjust.io.coordinates.crs import read_crs
from geoadjust.io.intake.structures import StructureFacts, read_batches
from geoadjust.io.intake.values import read_texts

Floats = NDArray[np.float64]

SAME_PLACE = 0.1


@dataclass(frozen=True, slots=True, eq=False)
class Positions:
    """Coordinates of all rows, and how many rows share each one's id and place; (n,) each."""

    east: Floats
    north: Floats
    duplicates: NDArray[np.int32]
    neighbours: NDArray[np.int32]

    def __len__(self) -> int:
        return len(self.east)

    def bounds(self) -> tuple[float, float, float, float] | None:
        """West, south, east, north of all points; None without any."""
        finite = np.isfinite(self.east)
        if not finite.any():
            return None
        east, north = self.east[finite], self.north[finite]
        return float(east.min()), float(north.min()), float(east.max()), float(north.max())


def read_positions(facts: StructureFacts) -> Positions:
    """Coordinates of all rows and what they share."""
    theirs = facts.columns.get("id")
    east, north, ids = [], [], []
    for batch in read_batches(facts, only=[theirs] if theirs else []):
        east.append(batch.east)
        north.append(batch.north)
        column = batch.attributes.column(theirs) if theirs else None
        texts = read_texts(column, len(batch))
        ids.append(np.where(texts == "", np.uint64(0), pd.util.hash_array(texts, categorize=False)))
    east_all, north_all = np.concatenate(east), np.concatenate(north)
    return Positions(east_all, north_all, _shared(np.concatenate(ids)), _neighbours(facts, east_all, north_all))


def _shared(keys: NDArray[np.uint64]) -> NDArray[np.int32]:
    """How many rows have the same key; 1 for key 0, which stands for none.

    Examples
    --------
    >>> _shared(np.array([7, 0, 7, 5, 0], dtype=np.uint64)).tolist()
    [2, 1, 2, 1, 1]
    """
    ordered = np.sort(keys)
    again = np.unique(ordered[1:][ordered[1:] == ordered[:-1]])
    again = again[again != 0]
    found = np.ones(len(keys), dtype=np.int32)
    if len(again):
        place = np.searchsorted(again, keys)
        same = np.flatnonzero(again[np.minimum(place, len(again) - 1)] == keys)
        found[same] = np.bincount(place[same], minlength=len(again))[place[same]]
    return found


def _neighbours(facts: StructureFacts, east: Floats, north: Floats) -> NDArray[np.int32]:
    """Largest number of rows in a square of 0.1 m round each; squares on two shifted grids, so that none is cut off."""
    found = np.ones(len(east), dtype=np.int32)
    side = SAME_PLACE / _metres_per_unit(facts)
    known = np.isfinite(east) & (np.abs(east) < 1e12 * side) & (np.abs(north) < 1e12 * side)
    for shift in (0.0, 0.5):
        cells = [np.floor(np.where(known, values, 0.0) / side + shift).astype(np.int64) for values in (east, north)]
        key = (cells[0].astype(np.uint64) * np.uint64(0x9E3779B97F4A7C15)) ^ cells[1].astype(np.uint64)
        found = np.maximum(found, np.where(known, _shared(key | np.uint64(1)), 1))
    return found


def _metres_per_unit(facts: StructureFacts) -> float:
    crs = read_crs(facts.crs, where="structures.crs")
    axis = crs.axis_info[0]
    return 111_320.0 if "deg" in axis.unit_name else float(axis.unit_conversion_factor)
