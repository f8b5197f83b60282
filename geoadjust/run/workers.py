"""Chunks on workers of other machines: what must be the same there, whole paths, and files that are the right ones."""

from __future__ import annotations

import os
from collections.abc import Callable, Generator, Iterable
from dataclasses import replace
from functools import lru_cache, partial

from geoadjust.engine import map_ordered
from geoadjust.errors import Fault, InputError
from geoadjust.io.fingerprint import fingerprint, fingerprint_tile
from geoadjust.io.raster.tiles import Tile
from geoadjust.io.results.record import hash_of_code
from geoadjust.run.chunks import Found, Task, plan_task, plan_tasks
from geoadjust.run.places import Place, RasterPlace
from geoadjust.run.readers import close_readers

MOST_CHECKED = 2**16
SHOWN = 19
"""Characters of a hash that are compared and shown: 48 bits."""


def map_tasks(
    tasks: Iterable[Task],
    *,
    engine: str,
    workers: int,
    scheduler: str,
    files: tuple[str, ...],
    done: Callable[[], None],
) -> Generator[Found, None, None]:
    """Results of all tasks, in their order.

    Parameters
    ----------
    engine, workers, scheduler, done : as in `map_ordered`
    files : one file of each surface, which every worker of a cluster must see as this process does
    """
    if engine == "serial":
        return _one_by_one(tasks, done)
    if not scheduler:
        return map_ordered(plan_task, tasks, engine=engine, workers=workers, done=done)
    same = partial(deciding_here, tuple(os.path.abspath(file) for file in files))
    whole = (_with_whole_paths(task) for task in tasks)
    return map_ordered(plan_elsewhere, whole, engine=engine, scheduler=scheduler, same=same, done=done)


def _one_by_one(tasks: Iterable[Task], done: Callable[[], None]) -> Generator[Found, None, None]:
    for found in plan_tasks(tasks):
        done()
        yield found


def deciding_here(files: tuple[str, ...] = ()) -> dict[str, str]:
    """What decides a result and must be the same on every worker, by name: versions, the program, these files.

    Raises
    ------
    InputError
        a file cannot be read here

    Examples
    --------
    >>> sorted(deciding_here())[:4]
    ['GDAL', 'GEOS', 'PROJ', 'numpy']
    """
    import numpy
    import pyproj
    import rasterio
    import shapely

    return {
        "program text": hash_of_code()[:SHOWN],
        "numpy": numpy.__version__,
        "rasterio": rasterio.__version__,
        "GDAL": rasterio.__gdal_version__,
        "pyproj": pyproj.__version__,
        "PROJ": pyproj.proj_version_str,
        "shapely": shapely.__version__,
        "GEOS": shapely.geos_version_string,
        **{file: fingerprint_tile(file) for file in files},
    }


def plan_elsewhere(task: Task) -> Found:
    """Plan a chunk on another machine: its files are compared first, and none stays open, as the worker lives on."""
    for place in task.places:
        for tile in place.tiles:
            _check_tile(tile)
    try:
        return plan_task(task)
    finally:
        close_readers()


@lru_cache(MOST_CHECKED)
def _check_tile(tile: Tile) -> None:
    """Refuse a file that is not the one that the run looked at; each is compared once in a process.

    What an extension reads is compared when it is opened.
    """
    if tile.reader:
        return
    if tile.fingerprint not in (fingerprint_tile(tile.path), fingerprint(tile.path)):
        what = "is not the file that the run was started with"
        raise InputError(Fault(tile.path, what, remedy="keep the rasters in one shared folder, unchanged during a run"))


def _with_whole_paths(task: Task) -> Task:
    """A task whose files are named from the root: another machine has another current folder."""
    roles = (replace(role, places=tuple(_with_whole_path(place) for place in role.places)) for role in task.roles)
    return replace(task, roles=tuple(roles))


def _with_whole_path(place: Place) -> Place:
    if not isinstance(place, RasterPlace):
        return place
    tiles = tuple(replace(tile, path=_whole_path(tile)) for tile in place.facts.tiles)
    return replace(place, facts=replace(place.facts, tiles=tiles))


def _whole_path(tile: Tile) -> str:
    """The path from the root; what an extension reads need not be a file."""
    return tile.path if tile.reader and not os.path.exists(tile.path) else os.path.abspath(tile.path)
