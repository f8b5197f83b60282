"""Peak memory of the product alone, in a process of its own that runs nothing else.

Imports next to nothing itself: a child's peak is never below what its parent holds when it starts it.
"""

from __future__ import annotations

import shutil
import tempfile
from pathlib import Path
from typing import Any

from tests.benchmarks.children import watch
from tests.benchmarks.product import command


def measure(raster: str, structures: str, folder: str, options: list[str], keep: str = "") -> dict[str, Any]:
    """Peak of the largest process and of the sum over all of them [MB], of one run by the command.

    Parameters
    ----------
    options : of the command, such as --engine processes --workers 2; with them the whole tree is watched
    keep : where the result is to stay; nothing = it is removed
    """
    place = Path(tempfile.mkdtemp(dir=folder, prefix="memory-"))
    try:
        out = Path(keep) if keep else place / "out"
        child = watch(command(Path(structures), Path(raster), out, *options), tree=bool(options))
        own = child.json()["seconds"]
    finally:
        shutil.rmtree(place, ignore_errors=True)
    tree = child.tree or child.peak
    return {"peak": child.peak, "tree": tree, "seconds": child.seconds, "cpu": child.cpu, "own": own}
