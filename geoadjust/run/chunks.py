"""Chunks of structures that lie near each other on the road, and what a worker does with one.

A task carries rows and facts, never open files: a worker opens the rasters it needs (`readers`).
"""

from __future__ import annotations

import time
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, fields
from itertools import groupby
from typing import Any

import numpy as np
from numpy.typing import NDArray

from geoadjust.core.columns import Bundle, Structures, arrays_of, concat, take
from geoadjust.core.judge import Setting
from geoadjust.core.parts import Catalogue
from geoadjust.core.plan import Plan, Role, Surfaces, plan_roads, read_roads
from geoadjust.core.rim import Roads
from geoadjust.core.rules import RuleSet
from geoadjust.run.places import Place
from geoadjust.run.readers import AHEAD, read_ahead

Floats = NDArray[np.float64]
Arrays = dict[str, NDArray[Any]]

ELEMENTS = 75_000
"""Samples that are worked on at a time; small enough to stay in the processor's cache."""
LEAST_BATCHES = 4
CHUNK = 8192
"""Structures in a chunk; blocks at its border are decoded again by the worker of the next one."""


@dataclass(frozen=True, slots=True)
class Settings:
    """What all chunks of a run share."""

    rules: tuple[RuleSet, ...]
    catalogue: Catalogue
    setting: Setting


@dataclass(frozen=True, slots=True, eq=False)
class Places:
    """Places of a chunk on the surfaces of one role.

    Parameters
    ----------
    lifts : (n,) for each surface, what is added to its heights [m]
    numbers : the surfaces' among all of the job
    """

    places: tuple[Place, ...]
    lifts: tuple[Floats, ...]
    numbers: tuple[int, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Task:
    """One chunk: structures, their places on the existing, finished and paved surfaces, and the settings."""

    settings: Settings
    structures: Structures
    roles: tuple[Places, ...]

    @property
    def places(self) -> tuple[Place, ...]:
        """Those of all roles."""
        return tuple(place for role in self.roles for place in role.places)


def order_by_block(group: NDArray[np.int64], chunk: int) -> Iterator[NDArray[np.intp]]:
    """Rows of each chunk: sorted by the raster's blocks, input order within a block."""
    order = np.argsort(group, kind="stable")
    for first in range(0, len(order), chunk):
        yield order[first : first + chunk]


@dataclass(frozen=True, slots=True, eq=False)
class Found:
    """What came of one chunk: arrays named bundle.field, reasons as reasons.field; seconds of work by stage.

    The stages are decode (reading and decoding cells, which overlaps with the others), fit (the road) and chimney
    (everything after the road).
    """

    arrays: Arrays
    seconds: dict[str, float]


def plan_task(task: Task) -> Found:
    """Plan one chunk, as one worker of several: without a thread that reads ahead."""
    (found,) = plan_tasks([task], ahead=0)
    return found


def plan_tasks(tasks: Iterable[Task], ahead: int = AHEAD) -> Iterator[Found]:
    """Plan chunk after chunk; the cells of the next one are read while the one before is still planned."""
    batches = (batch for number, task in enumerate(tasks) for batch in _batches(number, task))
    for _, reads in groupby(read_ahead(_read, batches, ahead), key=lambda read: read.batch.number):
        yield _plan_chunk(reads)


@dataclass(frozen=True, slots=True, eq=False)
class _Batch:
    """Some rows of one chunk, all of one rule set."""

    number: int
    task: Task
    rule_set: int
    index: NDArray[np.intp]


@dataclass(frozen=True, slots=True, eq=False)
class _Read:
    """A batch and the surfaces round its structures."""

    batch: _Batch
    surfaces: Surfaces
    seconds: float


def _batches(number: int, task: Task) -> Iterator[_Batch]:
    """Batches of at most ELEMENTS samples by rule set; a few at least, so that reading and fitting overlap."""
    samples = max(place.samples for place in task.places)
    rule_sets = task.structures.rule_set
    for rule_set in np.unique(rule_sets):
        index = np.flatnonzero(rule_sets == rule_set)
        size = int(np.clip(min(ELEMENTS // samples, len(index) // LEAST_BATCHES), 16, 1024))
        for first in range(0, len(index), size):
            yield _Batch(number, task, int(rule_set), index[first : first + size])


def _plan_chunk(reads: Iterable[_Read]) -> Found:
    """Plan the rule sets of one chunk, each by itself; that changes no figure."""
    seconds = dict.fromkeys(("decode", "fit", "chimney"), 0.0)
    parts = [_plan_group(group, seconds) for _, group in groupby(reads, key=lambda read: read.batch.rule_set)]
    return Found({name: np.concatenate([part[name] for part in parts]) for name in parts[0]}, seconds)


def _plan_group(reads: Iterable[_Read], seconds: dict[str, float]) -> Arrays:
    """Roads in batches small enough for the cache, the rest of a rule set at once."""
    structures, roads = [], []
    for read in reads:
        begun, batch = time.perf_counter(), read.batch
        settings = batch.task.settings
        rules = settings.rules[batch.rule_set]
        structures.append(take(batch.task.structures, batch.index))
        roads.append(read_roads(structures[-1], read.surfaces, rules, settings.setting))
        seconds["fit"] += time.perf_counter() - begun
        seconds["decode"] += read.seconds
    begun = time.perf_counter()
    whole = Roads(*(concat([getattr(part, item.name) for part in roads]) for item in fields(Roads)))
    arrays = flatten(plan_roads(concat(structures), whole, rules, settings.catalogue, settings.setting))
    seconds["chimney"] += time.perf_counter() - begun
    return arrays


def _read(batch: _Batch) -> _Read:
    begun, task = time.perf_counter(), batch.task
    roles = (
        Role(
            [place.surface(batch.index) for place in role.places],
            [place.scatter for place in role.places],
            role.numbers,
            [lift[batch.index] for lift in role.lifts],
        )
        for role in task.roles
    )
    return _Read(batch, Surfaces(*roles), time.perf_counter() - begun)


def flatten(found: Plan) -> Arrays:
    """Arrays of a plan, named bundle.field; (n, k) fields are as wide as the widest rule set needs."""
    arrays = {
        f"{name}.{field}": array for name, bundle in found.bundles().items() for field, array in arrays_of(bundle)
    }
    for name, blank in WIDENED.items():
        array = arrays[name]
        wide = np.full((len(array), MOST_RINGS), blank, dtype=array.dtype)
        wide[:, : array.shape[1]] = array
        arrays[name] = wide
    return arrays


MOST_RINGS = 8
WIDENED = {"stacks.parts": -1, "stacks.turn": np.nan, "others.parts": -1, "others.turn": np.nan}


def bundle_of(kind: type[Bundle], arrays: Arrays) -> Bundle:
    """A bundle from its arrays."""
    return kind(*(arrays[item.name] for item in fields(kind)))  # type: ignore[arg-type]
