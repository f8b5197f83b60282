"""Ordered map over the workers of a cluster: one made for the run, or one that is there. Knows nothing of a chunk.

What travels is bytes that only a worker takes apart: function and chunk there, result or refusal back. A worker takes
no chunk before it has shown that it has what this process has. A chunk whose worker is lost is computed again by
another; the scheduler holds its bytes until its result is here, and forgets it then.

Whoever reaches the port of a scheduler or a worker can run code there. The cluster made here listens on 127.0.0.1
alone.
"""

from __future__ import annotations

import asyncio
import logging
import pickle
import platform
import re
import signal
import socket
import uuid
import warnings
from collections import deque
from collections.abc import Callable, Generator, Iterable, Iterator, Mapping
from concurrent.futures import CancelledError, ThreadPoolExecutor, wait
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import replace
from multiprocessing import resource_tracker
from time import monotonic
from typing import Any, TypeVar

import geoadjust
from geoadjust.errors import Fault, GeoadjustError, InputError, OutputError, UsageError

T = TypeVar("T")
R = TypeVar("R")
Same = Callable[[], Mapping[str, str]]
"""What must be the same on every worker and here, by name: versions, files. Importable by name, as it travels."""

CONNECT = 10.0
"""Seconds in which a scheduler must answer at the start."""
PATIENCE = 60.0
"""Seconds that a run waits where no worker is left, or where the scheduler says nothing."""
TICK = 1.0
"""Seconds between two looks at a cluster while a chunk is awaited."""
AHEAD = 2
"""Chunks under way for each thread of the workers."""

ADDRESS = re.compile(r"(tcp|tls)://(\[[0-9a-fA-F:.]+\]|[\w.-]+):\d{1,5}")
INSTALL = "install the extra: geoadjust[cluster]"
ALIKE = "have the same versions and the same files on every machine, then start scheduler and workers anew"
LOGS = ("distributed", "distributed.client", "distributed.gc", "distributed.nanny", "tornado.application")


def check_address(scheduler: str) -> None:
    """Refuse what is no address of a scheduler.

    Examples
    --------
    >>> check_address("tcp://10.0.0.5:8786")
    >>> check_address("10.0.0.5")
    Traceback (most recent call last):
    geoadjust.errors.UsageError: --scheduler 10.0.0.5: write tcp://HOST:PORT or tls://HOST:PORT
    """
    if not ADDRESS.fullmatch(scheduler):
        raise UsageError(f"--scheduler {scheduler}: write tcp://HOST:PORT or tls://HOST:PORT")


def check_cluster(scheduler: str, same: Same | None) -> None:
    """Refuse a cluster that a run would be refused by, before anything is read.

    Parameters
    ----------
    scheduler : its address; empty for a cluster that the run makes itself
    same : what its workers must have

    Raises
    ------
    InputError
        the package is missing, no scheduler answers, or workers differ
    """
    if not scheduler:
        _library()
        return
    with _connected(scheduler) as client:
        _compare(client, scheduler, _check_of(same))


def map_on_cluster(
    function: Callable[[T], R],
    chunks: Iterable[T],
    *,
    workers: int = 1,
    scheduler: str = "",
    same: Same | None = None,
) -> Generator[R, None, None]:
    """Results of a function over chunks, in the order of the chunks.

    Parameters
    ----------
    function : importable by name and free of state
    chunks : taken one by one as workers get free
    workers : processes of a cluster made for this run, with one thread each
    scheduler : address of a cluster that is there; `workers` is not used then
    same : what every worker of that cluster must have as this process has it

    Raises
    ------
    InputError
        the package is missing, no scheduler answers, workers differ, or a worker raised it: its host is named then
    OutputError
        the scheduler or all workers were lost, or one chunk was lost with one worker after the other
    """
    with _connected(scheduler, workers) as client:
        check = _check_of(same if scheduler else None)
        if scheduler:
            _compare(client, scheduler, check)
        flow = _Flow(client, scheduler, check, function)
        try:
            yield from flow.results(chunks)
        finally:
            flow.end()


class _Flow:
    """The chunks of one run on a cluster."""

    def __init__(self, client: Any, scheduler: str, check: bytes, function: Callable[[Any], Any]) -> None:
        self.client, self.scheduler, self.check, self.function = client, scheduler, check, function
        self.name = f"geoadjust-{uuid.uuid4().hex}"
        self.number = 0
        self.under_way: deque[Any] = deque()
        self.alone_since: float | None = None

    def results(self, chunks: Iterable[Any]) -> Iterator[Any]:
        """Submit as many as keep the workers busy; give results in order."""
        for chunk in chunks:
            self.submit(chunk)
            while len(self.under_way) > AHEAD * max(self.threads(), 1):
                yield self.take()
        while self.under_way:
            yield self.take()

    def submit(self, chunk: Any) -> None:
        """Send one chunk as bytes."""
        work = pickle.dumps((self.function, chunk, bool(self.scheduler)), protocol=pickle.HIGHEST_PROTOCOL)
        key = f"{self.name}-{self.number:06d}"
        self.number += 1
        try:
            self.under_way.append(self.client.submit(_work, self.check, work, key=key, pure=False))
        except RuntimeError:  # a client that was closed, as its scheduler is lost
            raise self.lost() from None

    def take(self) -> Any:
        """Wait for the oldest chunk, and let the cluster forget it."""
        import distributed

        future = self.under_way[0]
        coming = asyncio.run_coroutine_threadsafe(
            self.client.gather(future, asynchronous=True), self.client.loop.asyncio_loop
        )
        while True:
            wait([coming], timeout=TICK)
            if coming.done():
                break
            self.threads()
        try:
            outcome, value = pickle.loads(coming.result())
        except distributed.KilledWorker as error:
            raise self.killed(error) from None
        except (OSError, CancelledError, asyncio.CancelledError):
            if future.status == "error":  # the chunk's own error
                raise
            raise self.lost() from None
        self.under_way.popleft().release()
        if outcome == "refused":
            raise value
        return value

    def threads(self) -> int:
        """Threads of all workers now.

        Raises
        ------
        OutputError
            no scheduler, or for too long no worker
        """
        if self.client.status != "running":
            raise self.lost()
        try:
            found = sum(self.client.nthreads(callback_timeout=PATIENCE).values())
        except (OSError, AttributeError):  # as are the library's time-outs
            raise self.lost() from None
        if found:
            self.alone_since = None
            return int(found)
        self.alone_since = self.alone_since or monotonic()
        if monotonic() - self.alone_since > PATIENCE:
            raise OutputError(f"no worker was there{self.place()} for {PATIENCE:.0f} s")
        return 0

    def lost(self) -> OutputError:
        """The scheduler is gone."""
        return OutputError(f"the scheduler{self.place()} was lost")

    def killed(self, error: Any) -> OutputError:
        """One chunk took several workers with it."""
        times, last = error.allowed_failures + 1, error.last_worker.address
        what = f"{times} workers were lost one after the other while they had the same chunk, the last one {last}"
        return OutputError(f"{what}: where their memory was too small, give a smaller --chunk")

    def place(self) -> str:
        """Where the cluster is, for a message."""
        return f" at {self.scheduler}" if self.scheduler else ""

    def end(self) -> None:
        """Leave nothing behind."""
        with suppress(Exception):
            self.client.cancel(list(self.under_way), force=True, reason="the run has ended")
        self.under_way.clear()


# ---------------------------------------------------------------- on workers

_CHECKED: set[bytes] = set()
"""Checks that this process has passed; each run has its own."""


def _work(check: bytes, work: bytes) -> bytes:
    """What a worker does with a chunk: its result, or the refusal, as bytes.

    An error of ours travels as a value, whole; every other one is a bug and goes the library's way with its trace.
    """
    from distributed import get_worker

    if check not in _CHECKED and (found := _differences(check)):
        place = f"{get_worker().address} on {socket.gethostname()}"
        return pickle.dumps(("refused", InputError(_fault(place, found))))
    function, chunk, elsewhere = pickle.loads(work)
    try:
        return pickle.dumps(("done", function(chunk)), protocol=pickle.HIGHEST_PROTOCOL)
    except InputError as error:
        return pickle.dumps(("refused", _with_host(error) if elsewhere else error))
    except GeoadjustError as error:
        return pickle.dumps(("refused", error))


def _with_host(error: InputError) -> InputError:
    host = socket.gethostname()
    return InputError(replace(fault, what=f"{fault.what} (on worker {host})") for fault in error.faults)


def _own_facts() -> dict[str, str]:
    """What the messages of this module need to be the same."""
    import dask
    import distributed

    python = ".".join(platform.python_version_tuple()[:2])
    libraries = {"dask": dask.__version__, "distributed": distributed.__version__, "python": python}
    return {"geoadjust": geoadjust.__version__, **libraries}


def _check_of(same: Same | None) -> bytes:
    """What a worker compares itself with, as bytes."""
    facts = dict(same()) if same else {}
    return pickle.dumps((uuid.uuid4().hex, _own_facts(), facts, pickle.dumps(same)))


def _differences(check: bytes) -> list[str]:
    """How this process differs from the one that made the check; empty, and remembered, where it does not."""
    _, own, facts, same = pickle.loads(check)
    found = _differing(own, _own_facts())
    if not found and facts:
        try:
            found = _differing(facts, pickle.loads(same)())
        except InputError as error:
            found = [str(fault) for fault in error.faults]
        except (ImportError, AttributeError) as error:
            found = [str(error)]
    if not found:
        _CHECKED.add(check)
    return found


def _differing(here: Mapping[str, str], there: Mapping[str, str]) -> list[str]:
    names = sorted({*here, *there})
    pairs = [(name, there.get(name, "missing"), here.get(name, "missing")) for name in names]
    return [f"{name} is {other} there, {own} here" for name, other, own in pairs if other != own]


def _fault(place: str, differences: Iterable[str]) -> Fault:
    return Fault(f"worker {place}", "; ".join(differences), remedy=ALIKE)


def _here(check: bytes) -> tuple[str, list[str]]:
    return f" on {socket.gethostname()}", _differences(check)


def _compare(client: Any, scheduler: str, check: bytes) -> None:
    """Refuse a cluster whose scheduler or workers differ from this process, with the list of them."""
    try:
        found = _differing(_own_facts(), client.run_on_scheduler(_own_facts, callback_timeout=PATIENCE))
    except ImportError as error:
        found = [str(error)]
    except (OSError, CancelledError):
        raise _silent(scheduler) from None
    if found:
        raise InputError(Fault(f"scheduler {scheduler}", "; ".join(found), remedy=ALIKE))
    try:
        answers = client.run(_here, check, on_error="return", callback_timeout=PATIENCE)
    except (OSError, CancelledError):
        what = f"not all of its workers answered within {PATIENCE:.0f} s"
        raise InputError(Fault(f"scheduler {scheduler}", what, remedy="end the workers that hang")) from None
    told = {address: ("", [str(it)]) if isinstance(it, Exception) else it for address, it in sorted(answers.items())}
    gone = {address for address, it in answers.items() if isinstance(it, OSError)}  # went away meanwhile
    faults = [_fault(address + host, found) for address, (host, found) in told.items() if found and address not in gone]
    if faults:
        raise InputError(faults)


def _silent(scheduler: str, cause: str = "") -> InputError:
    remedy = "start it (dask scheduler), or mend the address, the network or the certificates"
    what = f"no scheduler answers at {scheduler}" + (f" ({cause})" if cause else "")
    return InputError(Fault("--scheduler", what, remedy=remedy))


def _greet(scheduler: str) -> None:
    """Exchange greetings with a scheduler, in a bounded time; a client waits for ever where a stranger listens."""
    from distributed.comm import connect
    from distributed.security import Security

    async def greet() -> None:
        options = Security().get_connection_args("client")
        comm = await asyncio.wait_for(connect(scheduler, timeout=CONNECT / 2, **options), CONNECT)
        comm.abort()

    with ThreadPoolExecutor(1) as apart:  # the caller may have a loop of its own
        error = apart.submit(asyncio.run, greet()).exception()
    if error is not None:
        ours = isinstance(error, OSError | TypeError)  # TypeError: no certificates are configured for tls
        raise _silent(scheduler, str(error) if ours else "what listens there is no scheduler")


def _library() -> Any:
    """The package that runs clusters, made quiet where nobody had loaded it yet."""
    try:
        import dask

        with dask.config.set({"logging": dict.fromkeys(LOGS, "critical")}):
            import distributed
    except ImportError:
        what = "--engine dask needs the package distributed, which is not installed"
        raise InputError(Fault("--engine", what, remedy=INSTALL)) from None
    return distributed


@contextmanager
def _connected(scheduler: str, workers: int = 0) -> Iterator[Any]:
    """A client of the cluster at an address, or of one that is made now and ends with it."""
    distributed = _library()
    import dask

    if scheduler:
        _greet(scheduler)
    with ExitStack() as stack:
        stack.enter_context(dask.config.set({"distributed.admin.large-graph-warning-threshold": "1TB"}))
        place = scheduler or stack.enter_context(_local_cluster(workers))
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # differing versions: compared and told by ourselves
            try:
                client = distributed.Client(place, timeout=CONNECT, set_as_default=False, name="geoadjust")
            except (OSError, ValueError, RuntimeError):
                raise _silent(scheduler) from None
        stack.callback(_close, client)
        yield client


def _close(client: Any) -> None:
    with suppress(OSError, CancelledError):
        client.close(timeout=CONNECT)


@contextmanager
def _local_cluster(workers: int) -> Iterator[Any]:
    """Worker processes of this machine, started anew (spawn), seen by this machine alone, without pages for people."""
    import dask
    from distributed import LocalCluster

    settings: dict[str, Any] = {
        "distributed.scheduler.http.routes": [],
        "distributed.worker.http.routes": [],
        "distributed.scheduler.allowed-failures": 3,
        "distributed.worker.multiprocessing-method": "spawn",
        "logging": dict.fromkeys(LOGS, "critical"),
    }
    with dask.config.set(settings):
        with _without_interrupts():
            cluster = LocalCluster(
                n_workers=workers,
                threads_per_worker=1,
                processes=True,
                host="127.0.0.1",
                scheduler_kwargs={"dashboard": False, "dashboard_address": "127.0.0.1:0"},
                dashboard_address=None,
                memory_limit=0,
                silence_logs=logging.CRITICAL,
            )
        with cluster:
            yield cluster


@contextmanager
def _without_interrupts() -> Iterator[None]:
    """Start threads and processes that Ctrl-C does not reach: this process ends them itself."""
    resource_tracker.ensure_running()  # started later, it would let the signal through again
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)
