"""Gaps from a survey after paving: the road beside each cover, and the cover itself where the survey shows it."""

from __future__ import annotations

import math
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, replace
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from geoadjust.core.acceptance import Gaps, Survey
from geoadjust.core.columns import Bars, RoadModels, Structures, concat, take
from geoadjust.core.covers import Covers, bar_beside, cells_show, heights_on, read_covers, road_beside
from geoadjust.core.parts import Catalogue
from geoadjust.core.plan import Role, Surfaces, read_roads
from geoadjust.core.rim import frame_edges
from geoadjust.core.rules import Job, PavedTable
from geoadjust.core.surface import Surface
from geoadjust.core.tin import TinSurface
from geoadjust.io.intake.gaps import Inspected
from geoadjust.io.results.measured_set import naming_of
from geoadjust.io.results.whole import WholeSet
from geoadjust.run.computing import ring_of, setting_of
from geoadjust.run.positions import Positions
from geoadjust.run.readers import close_readers
from geoadjust.run.sources import Sources, describe_surface
from geoadjust.run.ways import find_ways

Floats = NDArray[np.float64]
Index = NDArray[np.intp]
FOUR = 4
"""Gaps that are made of a cover which the survey shows: ahead, right, behind, left."""
LEAST = 3
"""Heights of a triangulated survey that must lie on a cover."""
AT_ONCE = 512


@dataclass(frozen=True, slots=True, eq=False)
class Paved:
    """The surveyed road and covers of n structures.

    Parameters
    ----------
    road, bars : beside the covers
    covers : planes of those that the survey shows
    heights : (n,) that lie on each cover
    source : the survey as a record tells it
    """

    road: RoadModels
    bars: Bars
    covers: Covers
    heights: Floats
    source: Mapping[str, Any]


def read_paved(whole: WholeSet, rows: Sequence[int], structures: Structures, job: Job, table: PavedTable) -> Paved:
    """Read the survey round some structures of a set.

    Parameters
    ----------
    rows : of the input, in the order of `structures`
    job : of the set
    table : the survey

    Raises
    ------
    InputError
        a survey that cannot be read, or on which no structure lies
    """
    facts = describe_surface(table, "--paved")
    columns = whole.columns("row", "east", "north")
    place = {row: index for index, row in enumerate(columns["row"])}
    east, north = (
        np.array([columns[name][place[row]] for row in rows], dtype=np.float64) for name in ("east", "north")
    )
    ones = np.ones(len(rows), dtype=np.int32)
    positions = Positions(east, north, ones, ones)
    own = replace(job, surface=(), finished=(), paved=(table,))
    sources = Sources(own, naming_of(whole).facts, (facts,), (), (), Catalogue(), "m", facts.vertical_datum)
    ways = find_ways(sources, positions, ring_of(job.ring))[0]
    plain = replace(
        structures, mill=np.zeros(len(rows)), overlay=np.zeros(len(rows)), paved=np.ones_like(structures.paved)
    )
    chunks = [np.arange(first, min(first + AT_ONCE, len(rows))) for first in range(0, len(rows), AT_ONCE)]
    parts = []
    with tempfile.TemporaryDirectory() as folder:
        gathered = ways.gathered(positions, chunks, Path(folder))
        try:
            for number, index in enumerate(chunks):
                places = gathered.places(positions, index, number)
                every = np.arange(len(index))
                role = Role(
                    [each.surface(every) for each in places.places],
                    [each.scatter for each in places.places],
                    places.numbers,
                    list(places.lifts),
                )
                parts.append(_read(take(plain, index), role, whole, own))
        finally:
            close_readers()
    return Paved(
        concat([part.road for part in parts]),
        concat([part.bars for part in parts]),
        Covers(np.concatenate([part.covers.plane for part in parts])),
        np.concatenate([part.heights for part in parts]),
        facts.record(),
    )


def _read(structures: Structures, role: Role, whole: WholeSet, job: Job) -> Paved:
    """One chunk; the road rule set by rule set, in the order of the structures."""
    setting = setting_of(job)
    order, roads = [], []
    for rule_set in np.unique(structures.rule_set):
        index = np.flatnonzero(structures.rule_set == rule_set)
        some = Surfaces(_some(role, index), Role(), Role())
        roads.append(read_roads(take(structures, index), some, whole.rule_sets[rule_set], setting))
        order.append(index)
    back = np.argsort(np.concatenate(order), kind="stable")
    road = take(concat([each.existing for each in roads]), back)
    bars = take(concat([each.bars for each in roads]), back)
    edge, surface = frame_edges(structures), role.surfaces[0]
    heights = _heights_on(surface, structures)
    shown = heights >= LEAST if isinstance(surface, TinSurface) else cells_show(_spacing(surface), edge)
    covers = read_covers(surface.levelled(road), edge, shown & (road.source >= 0))
    lifted = covers.plane + np.stack([role.lifts[0], np.zeros(len(structures)), np.zeros(len(structures))], axis=1)
    return Paved(road, bars, Covers(lifted), heights, {})


def _some(role: Role, index: Index) -> Role:
    parts = [role.take(number, index) for number in range(len(role.surfaces))]
    return Role(
        [part.surfaces[0] for part in parts],
        [part.scatter[0] for part in parts],
        [part.numbers[0] for part in parts],
        [part.lifts[0] for part in parts],
    )


def _spacing(surface: Surface) -> Floats:
    return np.asarray(surface.spacing())  # type: ignore[attr-defined]


def _heights_on(surface: Surface, structures: Structures) -> Floats:
    """How many heights of the survey lie on each cover: different corners of triangles, or cells."""
    edge = frame_edges(structures)
    if not isinstance(surface, TinSurface):
        return np.asarray(np.pi * (edge.reach() / _spacing(surface)) ** 2)
    found = np.zeros(len(structures))
    for place in range(len(structures)):
        corners = surface.corners[surface.first[place] : surface.first[place + 1]].reshape(-1, 3)
        away = np.hypot(corners[:, 0], corners[:, 1])
        reach = edge.take(np.array([place])).distance(np.arctan2(corners[:, 0], corners[:, 1])[None])[0]
        found[place] = len(np.unique(corners[away <= 1.05 * reach][:, :2].round(4), axis=0))
    return found


def paved_gaps(
    paved: Paved, gaps: Gaps, taken: Sequence[Inspected], structures: Structures, whole: WholeSet, job: Job, day: date
) -> tuple[Gaps, Survey]:
    """Gaps of the survey in place of those that nobody measured by hand.

    Where the table has elevations of the rim these are compared with the surveyed road; where it has neither gaps nor
    rims the cover is read from the survey, at four places.

    Parameters
    ----------
    gaps : as they were measured; elevations of rims are in `taken` only
    day : of the survey
    """
    edge = frame_edges(structures)
    mark = np.where(np.isfinite(structures.axis), structures.axis, 0.0)
    bare = np.array([not each.gaps for each in taken])
    width = max(gaps.gap.shape[1], FOUR)
    gaps = _widened(gaps, width)
    azimuth = np.where(bare[:, None], mark[:, None] + np.arange(width) * np.pi / 2, gaps.azimuth)
    used = np.arange(width) < FOUR
    rims = np.full(gaps.gap.shape, np.nan)
    for place, each in enumerate(taken):
        rims[place, : len(each.gaps)] = [gap.rim for gap in each.gaps]
    reach = edge.distance(azimuth)
    shown = heights_on(paved.covers, reach * np.sin(azimuth), reach * np.cos(azimuth))
    rims = np.where(bare[:, None] & used, shown, rims)
    under_bar = np.array([whole.rule_sets[index].measured_by == "bar" for index in structures.rule_set])
    bar, laid = bar_beside(paved.bars, edge, azimuth)
    beside = np.where(under_bar[:, None], bar, road_beside(paved.road, edge, azimuth))
    new = np.isfinite(rims - beside)
    found = Gaps(
        azimuth=azimuth,
        gap=np.where(new, rims - beside, gaps.gap),
        signed=gaps.signed | new,
        bar=np.where(new & under_bar[:, None], job.ring.bar_length, gaps.bar),
        laid=np.where(new & under_bar[:, None], laid, gaps.laid),
        day=np.where(new & bare[:, None], day.toordinal(), gaps.day),
    )
    with_rims = np.array([any(not math.isnan(gap.rim) for gap in each.gaps) for each in taken])
    surveyed = bare | with_rims
    own = np.where(with_rims, job.structures.rim_accuracy, paved.road.rms / np.sqrt(np.maximum(paved.heights, 1.0)))
    sd = np.hypot(own, np.sqrt(paved.road.covariance[:, 0, 0]))
    return found, Survey(surveyed & ~new.any(axis=1), np.where(surveyed, sd, 0.0))


def _widened(gaps: Gaps, width: int) -> Gaps:
    """The same with room for so many gaps."""
    more = width - gaps.gap.shape[1]
    if more <= 0:
        return gaps

    blanks = {"signed": True, "laid": -1, "day": 0}
    arrays = {item.name: getattr(gaps, item.name) for item in fields(Gaps)}
    room = ((0, 0), (0, more))
    return Gaps(**{k: np.pad(values, room, constant_values=blanks.get(k, np.nan)) for k, values in arrays.items()})
