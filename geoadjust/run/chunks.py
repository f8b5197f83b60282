"""Chunks of structures that lie near each other on the raster, and what a worker does with one.

A task carries rows and facts, never open files: a thread of a worker opens the rasters it needs and keeps them open
until it ends or `close_readers` is called.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from geoadjust.core.columns import Bundle, Structures, arrays_of, concat, take
from geoadjust.core.judge import Setting
from geoadjust.core.parts import Catalogue
from geoadjust.core.plan import Plan, Scatter, Surfaces, plan_roads, read_roads
from geoadjust.core.rim import Roads
from geoadjust.core.rules import RuleSet
from geoadjust.core.surface import GridSurface
from geoadjust.io.patches import OpenTiles, PatchPlan, RasterReader, read_surface
from geoadjust.io.surfaces import RasterFacts

Floats = NDArray[np.float64]
Arrays = dict[str, NDArray[Any]]

ELEMENTS = 75_000
"""Samples that are worked on at a time; small enough to stay in the processor's cache."""
CHUNK = 4096


@dataclass(frozen=True, slots=True)
class Settings:
    """What all chunks of a run share."""

    rules: tuple[RuleSet, ...]
    catalogue: Catalogue
    setting: Setting


@dataclass(frozen=True, slots=True, eq=False)
class Place:
    """Where the structures of a chunk lie on one raster."""

    facts: RasterFacts
    patches: PatchPlan
    east: Floats
    north: Floats
    jacobians: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Task:
    """One chunk: structures, their places on the surfaces of each role, and the settings."""

    settings: Settings
    structures: Structures
    existing: tuple[Place, ...]
    finished: tuple[Place, ...]


def order_by_block(group: NDArray[np.int64], chunk: int) -> Iterator[NDArray[np.intp]]:
    """Rows of each chunk: sorted by the raster's blocks, input order within a block."""
    order = np.argsort(group, kind="stable")
    for first in range(0, len(order), chunk):
        yield order[first : first + chunk]


def plan_task(task: Task) -> Arrays:
    """Everything found for one chunk, as arrays named bundle.field; reasons as reasons.field.

    Each rule set is planned by itself; that changes no figure.
    """
    rule_sets = task.structures.rule_set
    parts = [plan_group(task, np.flatnonzero(rule_sets == rule_set)) for rule_set in np.unique(rule_sets)]
    return {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}


def plan_group(task: Task, index: NDArray[np.intp]) -> Arrays:
    """Plan the rows of one rule set: roads in batches small enough for the cache, the rest at once."""
    settings = task.settings
    structures = take(task.structures, index)
    rules = settings.rules[int(structures.rule_set[0])]
    parts = [_read_roads(task, batch, rules) for batch in batches(task, index)]
    roads = Roads(*(concat([getattr(part, item.name) for part in parts]) for item in fields(Roads)))
    return flatten(plan_roads(structures, roads, rules, settings.catalogue, settings.setting))


def batches(task: Task, index: NDArray[np.intp]) -> Iterator[NDArray[np.intp]]:
    """Parts of an index of at most ELEMENTS samples."""
    cells = max(len(place.patches.stencil) for place in (*task.existing, *task.finished))
    size = int(np.clip(ELEMENTS // cells, 16, 1024))
    for first in range(0, len(index), size):
        yield index[first : first + size]


def _read_roads(task: Task, index: NDArray[np.intp], rules: RuleSet) -> Roads:
    surfaces = Surfaces(
        existing=[_patches(place, index) for place in task.existing],
        finished=[_patches(place, index) for place in task.finished],
        existing_scatter=[Scatter(place.facts.noise, place.facts.density) for place in task.existing],
        finished_scatter=[Scatter(place.facts.noise, place.facts.density) for place in task.finished],
    )
    return read_roads(take(task.structures, index), surfaces, rules, task.settings.setting)


def _patches(place: Place, index: NDArray[np.intp]) -> GridSurface:
    reader = open_reader(place.facts)
    return read_surface(reader, place.patches, place.east[index], place.north[index], place.jacobians[index])


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

_LOCAL = threading.local()
"""The open tiles of each thread; a tile stays open so that its decoded blocks outlive a chunk."""


def open_reader(facts: RasterFacts) -> RasterReader:
    """A reader of this surface, with the tiles that this thread has open."""
    if not hasattr(_LOCAL, "tiles"):
        _LOCAL.tiles = OpenTiles()
    return RasterReader(facts, _LOCAL.tiles)


def close_readers() -> None:
    """Close every raster of this thread."""
    if hasattr(_LOCAL, "tiles"):
        _LOCAL.tiles.close()
        del _LOCAL.tiles


def bundle_of(kind: type[Bundle], arrays: Arrays) -> Bundle:
    """A bundle from its arrays."""
    return kind(*(arrays[item.name] for item in fields(kind)))  # type: ignore[arg-type]
