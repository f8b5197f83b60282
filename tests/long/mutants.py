"""Mutation testing: the program is changed in one place at a time, and the tests must notice.

mutmut (extra `long`) changes units, road, rim, chimney, stack and flags in a copy of the tree and runs the tests of the
core that reach the changed function. What survives is either no change at all (`equivalent.txt`, each with its reason)
or a test that is missing; at least 90 of 100 must be noticed. `--count` is the number of mutants, evenly spread. The
slice changes three modules and runs their own tests: to find out which tests reach what takes four minutes otherwise.
"""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

from tests.long.sweep import Sweep

FULL, SLICE = 100_000, 40
LEAST = 0.90
MODULES = ("units", "core/road", "core/plane", "core/rim", "core/chimney", "core/stack", "core/flags")
TESTS = ("tests/core", "tests/test_units.py")
SLICE_MODULES = ("units", "core/rim", "core/stack")
SLICE_TESTS = ("tests/test_units.py", "tests/core/test_rim.py", "tests/core/test_stack.py")
ROOT = Path(__file__).parents[2]
EQUIVALENT = Path(__file__).parent / "equivalent.txt"
NOTICED = ("killed", "timeout", "caught by type check")
SETTINGS = """
[tool.mutmut]
source_paths = ["geoadjust"]
only_mutate = [{modules}]
pytest_add_cli_args_test_selection = [{tests}]
pytest_add_cli_args = ["-p", "no:cacheprovider", "-x"]
also_copy = ["fixtures", "tests"]
"""


def sweep(place: Path, count: int, seed: int) -> Sweep:
    """Make all mutants, try `count` of them, and judge."""
    found, tree = Sweep("mutants", seed), place / "tree"
    _copy(tree, *((SLICE_MODULES, SLICE_TESTS) if count <= SLICE else (MODULES, TESTS)))
    names = _names(tree, place)
    chosen = names if count >= len(names) else [names[len(names) * n // count] for n in range(count)]
    _mutmut(tree, "run", "--max-children", "2", *([] if count >= len(names) else chosen))
    results = _results(tree)
    known = [re.compile(change) for change, _ in _equivalent()]
    survived: Counter[str] = Counter()
    for name in chosen:
        outcome = results.get(name, "not checked")
        if outcome not in NOTICED:
            change = _change(tree, name)
            outcome = "equivalent" if any(each.search(change) for each in known) else outcome
        found.note(outcome)
        if outcome not in (*NOTICED, "equivalent"):
            survived[name.partition("__mutmut")[0]] += 1
            print(f"  {outcome}: {change}", flush=True)
    killed = 1 - survived.total() / len(chosen)
    if killed < LEAST:
        found.failures.append(f"only {100 * killed:.1f} % of {len(chosen)} mutants are noticed: {dict(survived)}")
    return found


def _copy(tree: Path, modules: tuple[str, ...], tests: tuple[str, ...]) -> None:
    """The files of the project, with mutmut's settings."""
    listed = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True).stdout
    for name in listed.splitlines():
        (tree / name).parent.mkdir(parents=True, exist_ok=True)
        shutil.copy(ROOT / name, tree / name)
    changed = ", ".join(f'"geoadjust/{name}.py"' for name in modules)
    selected = ", ".join(f'"{name}"' for name in tests)
    with (tree / "pyproject.toml").open("a") as file:
        file.write(SETTINGS.format(modules=changed, tests=selected))


def _names(tree: Path, place: Path) -> list[str]:
    """Names of all mutants: made by a run that is asked for one of them."""
    _mutmut(tree, "run", "--max-children", "2", "geoadjust.core.rim.x_target_plane__mutmut_1")
    return sorted(_results(tree))


def _mutmut(tree: Path, *words: str) -> str:
    done = subprocess.run(
        [sys.executable, "-m", "mutmut", *words], cwd=tree, capture_output=True, text=True, check=False
    )
    if done.returncode:
        raise AssertionError(f"mutmut {words[0]}: {done.stdout[-3000:]} {done.stderr[-3000:]}")
    return done.stdout


def _results(tree: Path) -> dict[str, str]:
    lines = re.findall(r"^\s*(\S+__mutmut_\d+): (.+)$", _mutmut(tree, "results", "--all", "true"), re.MULTILINE)
    return {name: outcome.strip() for name, outcome in lines}


def _change(tree: Path, name: str) -> str:
    """What a mutant changes: function, the line as it was, the line as it is."""
    lines = [line for line in _mutmut(tree, "show", name).splitlines() if re.match(r"[-+](?![-+]{2})", line)]
    return " | ".join([name.partition("__mutmut")[0], *(line[1:].strip() for line in lines)])


def _equivalent() -> Iterator[tuple[str, str]]:
    """Changes that change nothing: a pattern of what `_change` says, and on the next line the reason."""
    lines = [line for line in EQUIVALENT.read_text().splitlines() if line.strip()]
    for change, reason in zip(lines[::2], lines[1::2], strict=True):
        assert reason.startswith("    "), reason
        yield change.strip(), reason.strip()
