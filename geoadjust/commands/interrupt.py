"""How a run is asked to end."""

from __future__ import annotations

import signal
from collections.abc import Iterator
from contextlib import contextmanager


class Terminated(KeyboardInterrupt):
    """The process was asked to end (SIGTERM)."""


@contextmanager
def orderly_end() -> Iterator[None]:
    """Let SIGTERM unwind the run as Ctrl-C does, so that it can tell what is kept."""

    def end(number: int, frame: object) -> None:
        raise Terminated

    before = signal.signal(signal.SIGTERM, end)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)
