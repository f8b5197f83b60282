"""Metres read as feet, or feet as metres: told by the ratio of two elevations at one place, and refused.

A mix-up beside the sea, at less than 3 m, stays unseen: there a ratio says nothing.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from geoadjust.core.columns import Structures, take
from geoadjust.errors import Fault, InputError
from geoadjust.io.coordinates.georeference import Georeference
from geoadjust.io.intake.structures import read_batches
from geoadjust.run.chunks import Arrays, plan_task
from geoadjust.run.computing import Layout, make_door, task_of
from geoadjust.run.sources import Sources
from geoadjust.run.ways import CloudWay

Floats = NDArray[np.float64]

FOOT = 0.3048
LEAST_HEIGHT = 3.0
"""Elevations that a ratio says something of [m]."""
SLACK = 0.5
"""A rim may lie this far off the road, in the unit that it was really measured in [m]."""
LEAST_PAIRS = 3
SHARE = 0.8
SAMPLE = 48
"""Structures that a check looks at."""


@dataclass(frozen=True, slots=True)
class Mixup:
    """How many of the elevations that can be compared are `factor` times the others'."""

    factor: float
    count: int
    of: int

    def __str__(self) -> str:
        return f"{self.count} of {self.of} are {self.factor:.4f} times"


def find_mixup(first: Floats, second: Floats) -> Mixup | None:
    """Whether elevations (n,) are feet read as metres beside others of the same places, or the other way round.

    Examples
    --------
    >>> print(find_mixup(np.array([328.0, 331.0, 330.1]), np.array([100.0, 101.0, 100.5])))
    3 of 3 are 3.2808 times
    >>> find_mixup(np.array([100.2, 101.0, 100.0]), np.array([100.0, 101.0, 100.5])) is None
    True
    """
    told = np.isfinite(first) & np.isfinite(second)
    told &= (np.abs(first) > LEAST_HEIGHT) & (np.abs(second) > LEAST_HEIGHT)
    count = int(told.sum())
    for factor in (1 / FOOT, FOOT):
        fits = int((np.abs(first - factor * second)[told] < SLACK * max(factor, 1.0)).sum())
        if fits >= LEAST_PAIRS and fits >= SHARE * count:
            return Mixup(factor, fits, count)
    return None


def refuse_mixups(found: Arrays, sources: Sources) -> None:
    """Refuse rims, or a finished road, in another unit than the road of today.

    Parameters
    ----------
    found : what was found for some structures

    Raises
    ------
    InputError
        naming what is read in which unit
    """
    road, rim, made = (found[name] for name in ("existing.height", "structures.rim", "finished.height"))
    today = sources.existing[0]
    if mixup := find_mixup(rim, road):
        what = f"of the rims, {mixup} the road of {today.path}: one of them is read in the wrong unit"
        raise InputError(_fault("structures", what, sources.vertical_unit, today.vertical_unit))
    own = found["finished.source"] != found["existing.source"]
    if mixup := find_mixup(np.where(own, made, np.nan), road):
        facts = sources.surfaces[int(found["finished.source"][own].max())]
        role = "finished" if facts in sources.finished else "paved"
        what = f"of the heights of {facts.path}, {mixup} those of {today.path}: one of them is read in the wrong unit"
        raise InputError(_fault(role, what, facts.vertical_unit, today.vertical_unit))


def _fault(table: str, what: str, unit: str, other: str) -> Fault:
    where = f"{table}.vertical_unit"
    allowed = f"the unit that they were measured in; now {unit or 'stated in each cell'}, and {other} for the road"
    return Fault(where, what, allowed, f"write the right one as {where} or surface.vertical_unit, or mend the file")


def sample_mixups(sources: Sources, layout: Layout) -> None:
    """Refuse a mix-up that some structures of the first rows show; lidar points are not read for that.

    Raises
    ------
    InputError
        naming what is read in which unit
    """
    if any(isinstance(way, CloudWay) for way in layout.ways):
        return
    raw = next(iter(read_batches(sources.structures)))
    rows = slice(raw.first, raw.first + len(raw))
    positions = layout.positions
    intake = make_door(sources, layout.frames).take_in(raw, positions.duplicates[rows], positions.neighbours[rows])
    seen = np.flatnonzero(_seen(layout.ways[0].georeference, layout, len(raw)))
    index = seen[np.unique(np.linspace(0, len(seen) - 1, SAMPLE).astype(np.intp))] if len(seen) else seen
    if len(index):
        structures = take(intake.structures, index)
        assert isinstance(structures, Structures)
        refuse_mixups(plan_task(task_of(sources, layout, structures, index, 0)).arrays, sources)


def _seen(georeference: Georeference, layout: Layout, count: int) -> NDArray[np.bool_]:
    """Which of the first structures lie on the first surface."""
    east, north = layout.positions.east[:count], layout.positions.north[:count]
    return np.asarray(layout.ways[0].facts.covers(*georeference.to_target(east, north)))
