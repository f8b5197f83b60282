"""The progress bar of commands that take long."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager


@contextmanager
def progress(unit: str = "chunk") -> Iterator[Callable[[str, int, int], None]]:
    """A progress bar on a terminal, nothing elsewhere; show(stage, done, total)."""
    if not sys.stderr.isatty():
        yield lambda stage, done, total: None
        return
    from tqdm import tqdm

    bar = tqdm(total=0, unit=unit, file=sys.stderr, leave=False)

    def show(stage: str, done: int, total: int) -> None:
        bar.total, bar.desc = total, stage
        bar.update(done - bar.n)

    try:
        yield show
    finally:
        bar.close()
