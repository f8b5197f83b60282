"""Fuzzing, guided by the lines that an input reaches: atheris (extra `long`), one process for each target.

It starts from the corpus in `fixtures/fuzz`; what breaks a target is kept beside and, once mended, put into the corpus,
which the ordinary tests read. `--count` is the number of seconds for each target.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

from tests.long.sweep import Sweep

FULL, SLICE = 300, 12
CORPUS = Path(__file__).parents[2] / "fixtures" / "fuzz"
LONGEST_INPUT = 4096


def sweep(place: Path, count: int, seed: int) -> Sweep:
    """Fuzz every target for `count` seconds."""
    from tests.long.targets import TARGETS

    found = Sweep("fuzz", seed)
    for target in TARGETS:
        new = place / target
        new.mkdir()
        kept = place.parent / f"geoadjust-fuzz-{target}-"
        options = [f"-max_total_time={count}", f"-seed={seed}", f"-max_len={LONGEST_INPUT}", f"-artifact_prefix={kept}"]
        words = [
            "tests.long.fuzz",
            target,
            *options,
            "-timeout=20",
            "-rss_limit_mb=3000",
            str(new),
            str(CORPUS / target),
        ]
        inside = {**os.environ, "TMPDIR": str(place)}  # a fuzzer that ends leaves its files behind
        done = subprocess.run([sys.executable, "-m", *words], capture_output=True, text=True, check=False, env=inside)
        runs = re.findall(r"Done (\d+) runs|^#(\d+)\s", done.stderr, re.MULTILINE)
        number = max((int(one or other) for one, other in runs), default=0)
        fault = "" if done.returncode == 0 else f"{target}: {done.stdout[-3000:]} {done.stderr[-3000:]}"
        found.note(target, fault)
        found.cases += number - 1
        found.outcomes[target] = number
    return found


def main() -> None:
    """Fuzz one target; never returns."""
    import atheris

    with atheris.instrument_imports(include=["geoadjust"]):
        from tests.long.targets import TARGETS
    target = TARGETS[sys.argv.pop(1)]
    atheris.Setup(sys.argv, target)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
