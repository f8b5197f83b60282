"""The way from the structures to each surface: coordinates carried over, and the road round a chunk of structures."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Protocol

import numpy as np
from numpy.typing import NDArray
from pyproj import CRS

from geoadjust.core.cloud import CloudPlan
from geoadjust.core.plan import Scatter
from geoadjust.core.ring import Ring
from geoadjust.errors import Fault, InputError
from geoadjust.io.coordinates.crs import read_crs
from geoadjust.io.coordinates.georeference import Georeference, looks_like_degrees, scaled_hint, swapped_hint
from geoadjust.io.coordinates.heights import HeightShift, find_shift
from geoadjust.io.coordinates.systems import same_but_for_the_foot
from geoadjust.io.lidar.clouds import CloudFacts, plan_cloud
from geoadjust.io.lidar.gather import gather, recall_sums, spill_sums
from geoadjust.io.raster.patches import PatchPlan, plan_patches
from geoadjust.io.raster.rasters import RasterFacts
from geoadjust.io.tin.tins import TinFacts
from geoadjust.run.chunks import Places
from geoadjust.run.places import CloudPlace, Place, RasterPlace, TinPlace
from geoadjust.run.positions import Positions
from geoadjust.run.sources import Sources, SurfaceFacts

Floats = NDArray[np.float64]
FOOT = 0.3048
Index = NDArray[np.intp]


class Way(Protocol):
    """From the structures to one surface."""

    @property
    def facts(self) -> SurfaceFacts: ...
    @property
    def georeference(self) -> Georeference: ...

    def gathered(self, positions: Positions, chunks: Sequence[Index], folder: Path) -> Way:
        """The way with what must be read before the first chunk, kept in a folder of the run."""

    def place(self, positions: Positions, index: Index, number: int) -> Place:
        """Where the structures of a chunk, given with its number, lie on the surface."""


@dataclass(frozen=True, slots=True, eq=False)
class RasterWay:
    """To a raster: the georeference and the size of its patches."""

    facts: RasterFacts
    georeference: Georeference
    patches: PatchPlan

    def gathered(self, positions: Positions, chunks: Sequence[Index], folder: Path) -> RasterWay:
        """Itself: cells are read chunk by chunk."""
        return self

    def place(self, positions: Positions, index: Index, number: int) -> RasterPlace:
        """Structures on the raster, and the tiles near them."""
        over, up, jacobians = _carried(self.georeference, positions, index)
        facts = self.facts.near(over, up, self.patches.half)
        return RasterPlace(facts, self.patches, over, up, jacobians)


@dataclass(frozen=True, slots=True, eq=False)
class TinWay:
    """To a triangulated surface."""

    facts: TinFacts
    georeference: Georeference
    ring: Ring

    def gathered(self, positions: Positions, chunks: Sequence[Index], folder: Path) -> TinWay:
        """Itself: the triangles are there already."""
        return self

    def place(self, positions: Positions, index: Index, number: int) -> TinPlace:
        """Structures on the surface, and the triangles round them."""
        tin = self.facts.near(*_carried(self.georeference, positions, index), self.ring)
        return TinPlace(tin, Scatter(self.facts.noise, self.facts.density))


@dataclass(frozen=True, slots=True, eq=False)
class CloudWay:
    """To lidar points; `folder` holds their sums once they are gathered."""

    facts: CloudFacts
    georeference: Georeference
    plan: CloudPlan
    where: str
    folder: Path | None = None

    def gathered(self, positions: Positions, chunks: Sequence[Index], folder: Path) -> CloudWay:
        """One pass over the points: sums near the structures, kept by chunk."""
        index = np.concatenate([np.zeros(0, dtype=np.intp), *chunks])
        pieces = gather(
            self.facts,
            self.plan,
            *_carried(self.georeference, positions, index),
            classes=self.facts.classes,
            where=self.where,
        )
        own = folder / f"points-{len(list(folder.glob('points-*')))}"
        own.mkdir()
        spill_sums(pieces, own, np.cumsum([len(chunk) for chunk in chunks]).tolist(), self.plan)
        return replace(self, folder=own)

    def place(self, positions: Positions, index: Index, number: int) -> CloudPlace:
        """Structures, and the sums of the points round them."""
        assert self.folder is not None
        carried = _carried(self.georeference, positions, index)
        scatter = Scatter(self.facts.noise)
        return CloudPlace(recall_sums(self.folder, number), self.plan, scatter, *carried, self.facts.to_metres)


def _carried(georeference: Georeference, positions: Positions, index: Index) -> tuple[Floats, Floats, Floats]:
    """East, north and Jacobians on the surface."""
    east, north = positions.east[index], positions.north[index]
    return *georeference.to_target(east, north), georeference.jacobians(east, north)


@dataclass(frozen=True, slots=True)
class Ways:
    """Ways to the surfaces of one role, how heights get from each to the datum of the run.

    `numbers` are the surfaces' among all of the job.
    """

    ways: tuple[Way, ...]
    shifts: tuple[HeightShift, ...]
    numbers: tuple[int, ...]

    def gathered(self, positions: Positions, chunks: Sequence[Index], folder: Path) -> Ways:
        """The ways with what must be read before the first chunk."""
        return replace(self, ways=tuple(way.gathered(positions, chunks, folder) for way in self.ways))

    def places(self, positions: Positions, index: Index, number: int) -> Places:
        """Where the structures of a chunk, given with its number, lie on the surfaces."""
        east, north = positions.east[index], positions.north[index]
        lifts = tuple(np.nan_to_num(shift.at(east, north), nan=0.0) for shift in self.shifts)
        return Places(tuple(way.place(positions, index, number) for way in self.ways), lifts, self.numbers)

    def notices(self, positions: Positions) -> Iterator[str]:
        """Heights that are shifted, by how much and how well that is known; CRSs that differ by the foot alone."""
        yield from (_foot_notice(way, positions) for way in self.ways if _by_the_foot(way))
        for way, shift in zip(self.ways, self.shifts, strict=True):
            if not shift.description:
                continue
            by = np.nanmean(shift.at(positions.east, positions.north))
            yield (
                f"heights of {way.facts.path} are changed by {by:+.3f} m on the average: {shift.description}; "
                "that accuracy is not in the standard deviations, state it in the surface's accuracy"
            )


def _by_the_foot(way: Way) -> bool:
    texts = way.georeference.structures_wkt, way.georeference.target_wkt
    return same_but_for_the_foot(*(read_crs(text, where="crs") for text in texts))


def _foot_notice(way: Way, positions: Positions) -> str:
    """The two feet differ by 2e-6: at a million feet that is more than a cover's radius."""
    off = 2e-6 * FOOT * float(np.nanmax(np.hypot(positions.east, positions.north)))
    return (
        f"the structures' CRS and that of {way.facts.path} are one zone, one of them in US survey feet and one in "
        f"international feet; where one is stated wrongly, places are off by up to {off:.2f} m: compare a cover with "
        "what the surface shows of it"
    )


def find_ways(sources: Sources, positions: Positions, ring: Ring) -> tuple[Ways, ...]:
    """Ways to the existing, the finished and the paved surfaces; those below no structure are left out.

    Raises
    ------
    InputError
        where no structure lies on any surface of a role, or where a raster is too coarse
    """
    roles = (("surface", sources.existing), ("finished", sources.finished), ("paved", sources.paved))
    return tuple(_role(sources, positions, ring, where, surfaces) for where, surfaces in roles)


def _role(sources: Sources, positions: Positions, ring: Ring, where: str, surfaces: Sequence[SurfaceFacts]) -> Ways:
    crs = read_crs(sources.structures.crs, where="structures.crs")
    ways: list[Way] = []
    shifts: list[HeightShift] = []
    numbers: list[int] = []
    seen = False
    for facts in surfaces:
        georeference = _georeference(crs, facts, positions, f"{where}.crs")
        if georeference is None:
            continue
        on = facts.covers(*georeference.to_target(positions.east, positions.north))
        seen = seen or bool(on.any())
        jacobians = georeference.jacobians(*_spread(positions, on))
        jacobians = jacobians[np.isfinite(jacobians).all(axis=(1, 2))]
        if len(jacobians):
            ways.append(_way(facts, georeference, jacobians, ring, where))
            shifts.append(_shift(sources, facts, positions, on, where))
            numbers.append([item.name for item in sources.surfaces].index(facts.name))
    if surfaces and not seen:
        raise InputError(_nothing_on(sources, positions, where, surfaces))
    return Ways(tuple(ways), tuple(shifts), tuple(numbers))


def _georeference(crs: CRS, facts: SurfaceFacts, positions: Positions, where: str) -> Georeference | None:
    """The way to a surface; None where there is none for places that lie elsewhere anyway."""
    target = read_crs(facts.crs, where=where)
    try:
        return Georeference(crs, target, where=where, bounds=positions.bounds())
    except InputError as refused:
        named = InputError([fault.about(facts.path) for fault in refused.faults])
        try:
            anywhere = Georeference(crs, target, where=where)
        except InputError:
            raise named from None
        if facts.covers(*anywhere.to_target(positions.east, positions.north)).any():
            raise named from None
        return None


def _way(facts: SurfaceFacts, georeference: Georeference, jacobians: Floats, ring: Ring, where: str) -> Way:
    if isinstance(facts, TinFacts):
        return TinWay(facts, georeference, ring)
    if isinstance(facts, CloudFacts):
        return CloudWay(facts, georeference, plan_cloud(facts, ring, cell=facts.cell, where=f"{where}.path"), where)
    return RasterWay(facts, georeference, plan_patches(facts, jacobians, ring, where=f"{where}.path"))


def _shift(
    sources: Sources, facts: SurfaceFacts, positions: Positions, on: NDArray[np.bool_], where: str
) -> HeightShift:
    """From the surface's vertical datum to that of the run, known at all structures that lie on it."""
    crs, where = read_crs(sources.structures.crs, where="structures.crs"), f"{where}.vertical_datum"
    shift = find_shift(crs, facts.vertical_datum, sources.vertical_datum, positions.bounds(), where=where)
    lost = int(np.isnan(shift.at(positions.east[on], positions.north[on])).sum())
    if lost:
        what = f"{facts.path}: {shift.operation.description} does not reach {lost} structures"
        raise InputError(Fault(where, what, remedy="bring all heights to one vertical datum before"))
    return shift


def _spread(positions: Positions, on: NDArray[np.bool_]) -> tuple[Floats, Floats]:
    """Places all over the extent of the structures that lie on a surface."""
    if not on.any():
        return np.empty(0), np.empty(0)
    lines = [np.linspace(values[on].min(), values[on].max(), 5) for values in (positions.east, positions.north)]
    east, north = np.meshgrid(*lines)
    return east.ravel(), north.ravel()


def _nothing_on(sources: Sources, positions: Positions, where: str, surfaces: Sequence[SurfaceFacts]) -> Fault:
    """Why no structure lies on a surface, with both extents in the surface's CRS and a guess."""
    facts = surfaces[0]
    crs = read_crs(sources.structures.crs, where="structures.crs")
    georeference = Georeference(crs, read_crs(facts.crs, where=where), where=where)
    east, north = georeference.to_target(positions.east, positions.north)
    finite = np.isfinite(east)
    if not finite.any():
        what = f"no structure of {sources.structures.path} has a usable position in the CRS of {facts.path}"
        return Fault(f"{where}.path", what, remedy="check the structures' coordinates and both CRSs")
    extent = (east[finite].min(), north[finite].min(), east[finite].max(), north[finite].max())
    what = f"no structure of {sources.structures.path} lies on {facts.path}: structures {box_text(extent)}, "
    what += f"surface {box_text(facts.box)} in the surface's CRS"
    remedy = "check both CRSs"
    if facts.holes and facts.box_covers(east, north).any():
        remedy = f"they lie in holes between its {facts.holes}: are all of them there?"
    if looks_like_degrees(positions.east, positions.north, crs):
        remedy = f"the structures' coordinates look like longitude and latitude, not {crs.name}: state their own crs"
    elif swapped_hint(positions.east, positions.north, georeference, facts.box):
        remedy = "easting and northing look swapped: they lie on the surface the other way round"
        if isinstance(facts, TinFacts) and facts.path.lower().endswith((".csv", ".txt")):
            remedy += f"; where the shots are, write the order of their columns as {where}.order"
    elif unit := scaled_hint(positions.east, positions.north, georeference, facts.box):
        remedy = f"the structures' coordinates look like {unit}: state the CRS that has this unit"
    return Fault(f"{where}.path", what, remedy=remedy)


def box_text(box: tuple[float, float, float, float]) -> str:
    """West to east and south to north in words.

    >>> box_text((0.0, 10.0, 500.04, 2000.0))
    '0.0 to 500.0 east, 10.0 to 2000.0 north'
    """
    largest = max(abs(value) for value in box)
    style = ".6f" if largest <= 360 else ".1f" if largest < 1e9 else ".3g"
    west, south, east, north = (f"{value:{style}}" for value in box)
    return f"{west} to {east} east, {south} to {north} north"
