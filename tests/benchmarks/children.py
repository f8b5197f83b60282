"""Child processes, and what the system says of each: wall and processor seconds, peak memory.

    python -m tests.benchmarks.children tests.benchmarks.data make_all '{"folder": "bench", ...}'

runs one function in a process of its own and prints its answer as JSON on the last line. So each part starts with empty
caches of its own, and a part that fails takes none of the others with it.
"""

from __future__ import annotations

import importlib
import json
import os
import re
import signal
import subprocess
import sys
import tempfile
import threading
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[2]
PYTHON = [sys.executable, "-c"]
PAUSE = 0.1


class NotMeasured(Exception):
    """A part that could not be measured, and why."""


@dataclass(frozen=True, slots=True)
class Child:
    """How a child process went.

    `seconds` is wall time with start-up, `cpu` user and system time of it and of the children it waited for [s].
    `peak` is the largest resident set of it, or of one of those children [MB]; `tree` the largest sum over it and all
    its descendants at one moment [MB], where memory that they share counts several times; 0 where it was not watched.
    The system begins to count a peak in the process that starts the child: start it from one that holds little.
    """

    seconds: float
    cpu: float
    peak: float
    tree: float
    code: int
    out: str
    error: str

    def json(self) -> Any:
        """The JSON on the last line of its output; raises NotMeasured where the child failed."""
        lines = self.out.strip().splitlines()
        if self.code or not lines:
            said = [line.strip() for line in self.error.splitlines() if line.strip()] or ["no message"]
            errors = [line for line in said if re.match(r"[\w.]+: ", line)] or said
            raise NotMeasured(f"exit {self.code}: {errors[-1]}"[:300])
        return json.loads(lines[-1])


def watch(words: list[str], *, tree: bool = False, limit: float = 1800.0) -> Child:
    """Run a command to its end.

    Parameters
    ----------
    tree : also add up the memory of its descendants, ten times a second
    limit : seconds after which it is ended

    Examples
    --------
    >>> child = watch([sys.executable, "-c", "print(7)"])
    >>> child.json(), child.code, child.peak > 1
    (7, 0, True)
    """
    with tempfile.TemporaryFile("w+") as out, tempfile.TemporaryFile("w+") as error:
        begun, largest = time.perf_counter(), 0.0
        process = subprocess.Popen(words, stdout=out, stderr=error, cwd=ROOT, start_new_session=True)
        timer = threading.Timer(limit, os.killpg, (process.pid, signal.SIGKILL))
        timer.start()
        number, status, used = os.wait4(process.pid, os.WNOHANG if tree else 0)
        while not number:
            largest = max(largest, tree_megabytes(process.pid))
            time.sleep(PAUSE)
            number, status, used = os.wait4(process.pid, os.WNOHANG)
        seconds = time.perf_counter() - begun
        timer.cancel()
        process.returncode = os.waitstatus_to_exitcode(status)
        peak = used.ru_maxrss / (2**20 if sys.platform == "darwin" else 1024)
        out.seek(0)
        error.seek(0)
        cpu = used.ru_utime + used.ru_stime
        return Child(seconds, cpu, peak, largest, process.returncode, out.read(), error.read())


def tree_megabytes(pid: int) -> float:
    """Resident memory of a process and all its descendants now [MB]."""
    import psutil

    try:
        parent = psutil.Process(pid)
        family = [parent, *parent.children(recursive=True)]
    except psutil.Error:
        return 0.0
    total = 0
    for member in family:
        try:
            total += member.memory_info().rss
        except psutil.Error:
            continue
    return total / 2**20


def call(module: str, function: str, **values: Any) -> Any:
    """The answer of tests.benchmarks.`module`.`function`(**values), from a process of its own.

    Raises
    ------
    NotMeasured
        where it fails, with the last line of its message
    """
    words = [sys.executable, "-m", "tests.benchmarks.children", f"tests.benchmarks.{module}", function]
    return watch([*words, json.dumps(values)]).json()


def main() -> None:
    """Call the named function and print its answer."""
    module, function, values = sys.argv[1:]
    print(json.dumps(getattr(importlib.import_module(module), function)(**json.loads(values))))


if __name__ == "__main__":
    main()
