"""Ordered map over chunks: serial, or in worker processes. Knows nothing of what a chunk is.

Workers are started anew (spawn), never forked: the raster and coordinate libraries do not survive a fork. Only as many
chunks are under way as keep the workers busy, so memory does not grow with the number of chunks.
"""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from multiprocessing import get_context
from typing import TypeVar

T = TypeVar("T")
R = TypeVar("R")

ENGINES = ("serial", "processes")
THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")


def map_ordered(
    function: Callable[[T], R],
    chunks: Iterable[T],
    *,
    engine: str = "serial",
    workers: int = 1,
    done: Callable[[], None] = lambda: None,
) -> Iterator[R]:
    """Results of a function over chunks, in the order of the chunks.

    Parameters
    ----------
    function : importable by name and free of state
    chunks : taken one by one as workers get free
    engine : serial or processes
    workers : number of processes; serial takes none
    done : called after each chunk

    Examples
    --------
    >>> list(map_ordered(abs, [-1, 2, -3]))
    [1, 2, 3]
    """
    results = _serial(function, chunks) if engine == "serial" else _processes(function, chunks, workers)
    for result in results:
        done()
        yield result


def _serial(function: Callable[[T], R], chunks: Iterable[T]) -> Iterator[R]:
    for chunk in chunks:
        yield function(chunk)


def _processes(function: Callable[[T], R], chunks: Iterable[T], workers: int) -> Iterator[R]:
    saved = {name: os.environ.get(name) for name in THREADS}
    os.environ.update(dict.fromkeys(THREADS, "1"))
    pool = ProcessPoolExecutor(max_workers=workers, mp_context=get_context("spawn"))
    under_way: deque[Future[R]] = deque()
    try:
        for chunk in chunks:
            under_way.append(pool.submit(function, chunk))
            if len(under_way) > 2 * workers:
                yield under_way.popleft().result()
        while under_way:
            yield under_way.popleft().result()
    finally:
        pool.shutdown(wait=True, cancel_futures=True)
        for name, value in saved.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value
