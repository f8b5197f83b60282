"""First pass over the structures: where they are, which rows share an id or a place, and the way to each surface."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from geoadjust.core.ring import Ring
from geoadjust.errors import Fault, InputError
from geoadjust.io.crs import read_crs
from geoadjust.io.georeference import Georeference, looks_like_degrees, swapped_hint
from geoadjust.io.patches import PatchPlan, plan_patches
from geoadjust.io.structures import StructureFacts, read_batches
from geoadjust.io.surfaces import RasterFacts
from geoadjust.io.values import read_texts
from geoadjust.run.sources import Sources

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


@dataclass(frozen=True, slots=True, eq=False)
class Way:
    """From the structures to one raster: the georeference and the size of its patches."""

    facts: RasterFacts
    georeference: Georeference
    patches: PatchPlan


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


def find_ways(sources: Sources, positions: Positions, ring: Ring) -> tuple[list[Way], list[Way]]:
    """Ways to the existing and to the finished surfaces.

    Raises
    ------
    InputError
        where no structure lies on any surface of a role, or where a raster is too coarse
    """
    roles = (("surface", sources.existing), ("finished", sources.finished))
    return tuple(_role(sources, positions, ring, where, rasters) for where, rasters in roles)  # type: ignore[return-value]


def _role(sources: Sources, positions: Positions, ring: Ring, where: str, rasters: Sequence[RasterFacts]) -> list[Way]:
    crs = read_crs(sources.structures.crs, where="structures.crs")
    ways, seen = [], False
    for facts in rasters:
        georeference = Georeference(
            crs, read_crs(facts.crs, where=f"{where}.crs"), where=f"{where}.crs", bounds=positions.bounds()
        )
        on = facts.covers(*georeference.to_target(positions.east, positions.north))
        seen = seen or bool(on.any())
        jacobians = georeference.jacobians(*_spread(positions, on))
        jacobians = jacobians[np.isfinite(jacobians).all(axis=(1, 2))]
        if len(jacobians):
            ways.append(Way(facts, georeference, plan_patches(facts, jacobians, ring, where=f"{where}.path")))
    if rasters and not seen:
        raise InputError(_nothing_on(sources, positions, where, rasters))
    return ways


def _spread(positions: Positions, on: NDArray[np.bool_]) -> tuple[Floats, Floats]:
    """Places all over the extent of the structures that lie on a surface."""
    if not on.any():
        return np.empty(0), np.empty(0)
    lines = [np.linspace(values[on].min(), values[on].max(), 5) for values in (positions.east, positions.north)]
    east, north = np.meshgrid(*lines)
    return east.ravel(), north.ravel()


def _nothing_on(sources: Sources, positions: Positions, where: str, rasters: Sequence[RasterFacts]) -> Fault:
    """Why no structure lies on a surface, with both extents in the surface's CRS and a guess."""
    facts = rasters[0]
    crs = read_crs(sources.structures.crs, where="structures.crs")
    georeference = Georeference(crs, read_crs(facts.crs, where=where), where=where)
    a, b, c, d, e, f = facts.transform
    corners = [(c + a * i + b * j, f + d * i + e * j) for i in (0, facts.width) for j in (0, facts.height)]
    box = (
        min(x for x, _ in corners),
        min(y for _, y in corners),
        max(x for x, _ in corners),
        max(y for _, y in corners),
    )
    east, north = georeference.to_target(positions.east, positions.north)
    finite = np.isfinite(east)
    if not finite.any():
        what = "no structure has a usable position"
    else:
        extent = (east[finite].min(), north[finite].min(), east[finite].max(), north[finite].max())
        what = f"no structure lies on {facts.path}: structures {_box(extent)}, surface {_box(box)} in the surface's CRS"
    remedy = "check both CRSs"
    if len(facts.tiles) > 1 and facts.box_covers(east, north).any():
        remedy = "they lie in holes between its tiles: are all tiles there?"
    if looks_like_degrees(positions.east, positions.north, crs):
        remedy = f"the structures' coordinates look like longitude and latitude, not {crs.name}: state their own crs"
    elif swapped_hint(positions.east, positions.north, georeference, box):
        remedy = "easting and northing look swapped: they lie on the surface the other way round"
    return Fault(f"{where}.path", what, remedy=remedy)


def _box(box: tuple[float, float, float, float]) -> str:
    digits = 6 if max(abs(value) for value in box) <= 360 else 1
    west, south, east, north = (f"{value:.{digits}f}" for value in box)
    return f"{west} to {east} east, {south} to {north} north"
