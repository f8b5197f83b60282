"""Sweeps that are too slow for every day: `python -m tests.long NAME`; with `--slice` the part that CI runs.

    python -m tests.long kills            200 kills while results are replaced
    python -m tests.long disk             disks of every size
    python -m tests.long all --slice      what CI runs

Exit code 1 where a case went wrong. What was tried, and what was found: docs/reliability.md.
"""

from __future__ import annotations

import argparse
import importlib
import os
import sys
import tempfile
from pathlib import Path

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")  # a child that is forked has none of its parent's threads

NAMES = ("kills", "disk", "files", "fuzz", "mutants")


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.long", description=__doc__.partition("\n")[0])
    parser.add_argument("name", choices=(*NAMES, "all"))
    parser.add_argument("--slice", action="store_true", help="the part that CI runs")
    parser.add_argument("--count", type=int, help="cases (seconds of fuzzing for each target)")
    parser.add_argument("--seed", type=int, default=1, help="of what is random")
    parser.add_argument("--json", action="store_true", help="for another process")
    parser.add_argument("--place", type=Path, help="a folder to work in, left as it is")
    return parser.parse_args()


def _sweep(name: str, chosen: argparse.Namespace) -> bool:
    """Whether all cases of one sweep went well."""
    module = importlib.import_module(f"tests.long.{name}")
    count = chosen.count or (module.SLICE if chosen.slice else module.FULL)
    with tempfile.TemporaryDirectory(prefix="geoadjust-long-") as folder:
        found = module.sweep(chosen.place or Path(folder), count, chosen.seed)
    print(found.as_json() if chosen.json else "\n".join(found.lines()), flush=True)
    return not found.failures


def main() -> int:
    """Run the sweeps that were asked for."""
    from tests.long.forked import warm

    chosen = _arguments()
    warm()
    well = [_sweep(name, chosen) for name in (NAMES if chosen.name == "all" else [chosen.name])]
    return 0 if all(well) else 1


if __name__ == "__main__":
    sys.exit(main())
