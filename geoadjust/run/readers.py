"""Rasters are read by a thread of their own, ahead of the fit: decoding and fitting overlap.

Each thread that plans chunks has one reading thread, and only that one touches its open files. A worker among several
has none: the others keep the processors busy.
"""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from typing import TypeVar

from geoadjust.io.raster.patches import OpenTiles, RasterReader
from geoadjust.io.raster.rasters import RasterFacts
from geoadjust.run.extensions import open_tile

T = TypeVar("T")
R = TypeVar("R")

AHEAD = 2
"""Batches that a process by itself reads ahead of the one in use."""

_LOCAL = threading.local()
"""The reading thread of a planning thread; the open tiles of a reading thread, which outlive a chunk."""


def read_ahead(read: Callable[[T], R], items: Iterable[T], ahead: int) -> Iterator[R]:
    """read(item) of each item, in order; the next ones are read while the caller works on the one before.

    Parameters
    ----------
    ahead : items that are read ahead; with 0 the calling thread reads each when it is asked for

    Examples
    --------
    >>> list(read_ahead(abs, [-1, 2, -3], ahead=2))
    [1, 2, 3]
    >>> close_readers()
    """
    if not ahead:
        yield from map(read, items)
        return
    waiting: deque[Future[R]] = deque()
    for item in items:
        waiting.append(_reading_thread().submit(read, item))
        if len(waiting) > ahead:
            yield waiting.popleft().result()
    while waiting:
        yield waiting.popleft().result()


def open_reader(facts: RasterFacts) -> RasterReader:
    """A reader of this surface, with the tiles that this thread has open."""
    if not hasattr(_LOCAL, "tiles"):
        _LOCAL.tiles = OpenTiles(opener=open_tile)
    return RasterReader(facts, _LOCAL.tiles)


def close_readers() -> None:
    """Close every raster of this thread and of its reading thread, and end that one."""
    if hasattr(_LOCAL, "thread"):
        _LOCAL.thread.submit(_close_tiles).result()
        _LOCAL.thread.shutdown()
        del _LOCAL.thread
    _close_tiles()


def _reading_thread() -> ThreadPoolExecutor:
    if not hasattr(_LOCAL, "thread"):
        _LOCAL.thread = ThreadPoolExecutor(1, thread_name_prefix="reader")
    return _LOCAL.thread  # type: ignore[no-any-return]


def _close_tiles() -> None:
    if hasattr(_LOCAL, "tiles"):
        _LOCAL.tiles.close()
        del _LOCAL.tiles
