"""Ordered map over chunks: serial, in worker processes, or on a cluster. Knows nothing of what a chunk is.

Workers are started anew (spawn), never forked: the raster and coordinate libraries do not survive a fork. Only as many
chunks are under way as keep the workers busy, so memory does not grow with the number of chunks.
"""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Callable, Generator, Iterable, Iterator, Mapping
from contextlib import closing, contextmanager
from typing import TYPE_CHECKING, TypeVar

from geoadjust.errors import UsageError

if TYPE_CHECKING:
    from concurrent.futures import Future

T = TypeVar("T")
R = TypeVar("R")

ENGINES = ("serial", "processes", "dask")
THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")


def map_ordered(
    function: Callable[[T], R],
    chunks: Iterable[T],
    *,
    engine: str = "serial",
    workers: int = 1,
    scheduler: str = "",
    same: Callable[[], Mapping[str, str]] | None = None,
    done: Callable[[], None] = lambda: None,
) -> Generator[R, None, None]:
    """Results of a function over chunks, in the order of the chunks.

    Parameters
    ----------
    function : importable by name and free of state
    chunks : taken one by one as workers get free
    engine : serial, processes or dask
    workers : number of processes; serial takes none, and a cluster that is there has its own
    scheduler : address of a cluster that is there, for dask; without it a cluster of processes is made for the run
    same : what every worker of that cluster must have as this process has it, by name; importable by name
    done : called after each chunk

    Examples
    --------
    >>> list(map_ordered(abs, [-1, 2, -3]))
    [1, 2, 3]
    """
    if engine == "dask":
        from geoadjust.cluster import map_on_cluster

        results = map_on_cluster(function, chunks, workers=workers, scheduler=scheduler, same=same)
    else:
        results = _serial(function, chunks) if engine == "serial" else _processes(function, chunks, workers)
    with _one_thread_each(), closing(results):
        for result in results:
            done()
            yield result


def check_engine(
    engine: str, *, workers: int = 1, scheduler: str = "", same: Callable[[], Mapping[str, str]] | None = None
) -> None:
    """Refuse what `map_ordered` could not do, before any work.

    Raises
    ------
    UsageError
        a scheduler without dask, workers with a scheduler, or no address
    InputError
        dask is not installed, no scheduler answers, or its workers differ from this process in what must be the same

    Examples
    --------
    >>> check_engine("serial")
    >>> check_engine("processes", scheduler="tcp://10.0.0.5:8786")
    Traceback (most recent call last):
    geoadjust.errors.UsageError: --scheduler goes with --engine dask, not with --engine processes
    """
    if engine not in ENGINES:
        raise UsageError(f"no engine {engine!r}; there are {', '.join(ENGINES)}")
    if scheduler and engine != "dask":
        raise UsageError(f"--scheduler goes with --engine dask, not with --engine {engine}")
    if scheduler and workers != 1:
        raise UsageError("--workers goes without --scheduler: a cluster has as many workers as were started")
    if engine == "dask":
        from geoadjust.cluster import check_address, check_cluster

        if scheduler:
            check_address(scheduler)
        check_cluster(scheduler, same)


def _serial(function: Callable[[T], R], chunks: Iterable[T]) -> Generator[R, None, None]:
    for chunk in chunks:
        yield function(chunk)


def _processes(function: Callable[[T], R], chunks: Iterable[T], workers: int) -> Generator[R, None, None]:
    from concurrent.futures import ProcessPoolExecutor
    from multiprocessing import get_context

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


@contextmanager
def _one_thread_each() -> Iterator[None]:
    """Processes that are started meanwhile use one thread of the linear algebra library each."""
    saved = {name: os.environ.get(name) for name in THREADS}
    os.environ.update(dict.fromkeys(THREADS, "1"))
    try:
        yield
    finally:
        for name, value in saved.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value
