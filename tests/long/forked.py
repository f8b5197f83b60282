"""The command line in a forked child: as fast as a call, as separate as a process; limits, time and memory are its own.

The parent imports the heavy libraries once (`warm`) and must not have used them: a child that inherits their threads or
locks may hang. So sweeps run as programs of their own, never inside pytest.
"""

from __future__ import annotations

import os
import resource
import signal
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

TIMED_OUT = "timed out"


@dataclass(frozen=True, slots=True)
class Done:
    """How a command ended: exit code, or the negative number of the signal; what it printed; seconds; peak memory [MB].

    `timed_out` says that it was ended because it took too long.
    """

    code: int
    text: str
    seconds: float
    peak: float
    timed_out: bool = False


def warm() -> None:
    """Import what every command needs."""
    import geoadjust.cli
    import geoadjust.io.lidar.las
    import geoadjust.run.check
    import geoadjust.run.export
    import geoadjust.run.report
    import geoadjust.run.schedule
    import geoadjust.run.sheets  # noqa: F401


def forked(
    words: Sequence[object], *, seconds: float = 60.0, kill_after: float | None = None, memory: int | None = None
) -> Done:
    """Run `geoadjust WORDS`.

    Parameters
    ----------
    seconds : after which it is ended as too slow
    kill_after : seconds after which it is killed with signal 9, as a power cut would
    memory : address space that it may add to what the parent has [bytes]
    """
    with tempfile.TemporaryFile() as output:
        begun = time.monotonic()
        child = os.fork()
        if not child:
            _run([str(word) for word in words], output.fileno(), memory)
        end = begun + (seconds if kill_after is None else kill_after)
        status, usage = _wait(child, end)
        late = status is None
        if late:
            os.kill(child, signal.SIGKILL)
            _, status, usage = os.wait4(child, 0)
        assert status is not None
        _end_group(child)
        output.seek(0)
        text = output.read().decode("utf-8", "replace")
    took = time.monotonic() - begun
    return Done(os.waitstatus_to_exitcode(status), text, took, usage.ru_maxrss / 1024, late and kill_after is None)


def _wait(child: int, end: float) -> tuple[int | None, resource.struct_rusage]:
    while True:
        pid, status, usage = os.wait4(child, os.WNOHANG)
        if pid:
            return status, usage
        if time.monotonic() >= end:
            return None, usage
        time.sleep(0.002)


def _end_group(child: int) -> None:
    """Processes that the command has left behind would be a fault of its own; here they only must not pile up."""
    try:
        os.killpg(child, signal.SIGKILL)
    except ProcessLookupError:
        return


def _run(words: list[str], output: int, memory: int | None) -> None:
    """The child: never returns."""
    code = 1
    try:
        os.setsid()
        os.dup2(output, 1)
        os.dup2(output, 2)
        sys.stdout, sys.stderr = (os.fdopen(number, "w", buffering=1, closefd=False) for number in (1, 2))
        if memory is not None:
            limit = address_space() + memory
            resource.setrlimit(resource.RLIMIT_AS, (limit, limit))
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
        from geoadjust.cli import main

        main(words)
    except SystemExit as ended:
        code = ended.code if isinstance(ended.code, int) else 1
    except BaseException as error:  # a bug of the product: told as Python tells it
        sys.excepthook(type(error), error, error.__traceback__)
    finally:
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(code)


def address_space() -> int:
    """Address space of this process [bytes]."""
    return int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()
