"""How long the command takes to say something, beside the bare interpreter and the library of its options."""

from __future__ import annotations

import re
import statistics
import sys
from typing import Any

from tests.benchmarks.children import watch

PRODUCT = [sys.executable, "-m", "geoadjust.cli"]
COMMANDS: dict[str, list[str]] = {
    "bare interpreter": [sys.executable, "-c", "pass"],
    "interpreter and click": [sys.executable, "-c", "import click"],
    "--version": [*PRODUCT, "--version"],
    "--help": [*PRODUCT, "--help"],
    "schedule --help": [*PRODUCT, "schedule", "--help"],
    "a wrong option": [*PRODUCT, "schedule", "--no-such-option"],
    "no job": [*PRODUCT, "schedule"],
}
HEAVY = ("numpy", "pandas", "pyarrow", "pydantic", "rasterio", "pyogrio", "fiona", "pyproj", "shapely", "geopandas")


def measure(repeats: int) -> list[dict[str, Any]]:
    """Median, least wall and processor seconds of each command, by turns; and which heavy libraries it imports."""
    runs: dict[str, list[tuple[float, float]]] = {name: [] for name in COMMANDS}
    for _ in range(repeats):
        for name, words in COMMANDS.items():
            child = watch(words)
            runs[name].append((child.seconds, child.cpu))
    return [
        {
            "command": name,
            "median": statistics.median(run[0] for run in found),
            "least": min(run[0] for run in found),
            "cpu": statistics.median(run[1] for run in found),
            "imports": imported(COMMANDS[name]),
        }
        for name, found in runs.items()
    ]


def imported(words: list[str]) -> str:
    """Heavy libraries that a command imports, by `-X importtime`; 'none' where there are none."""
    report = watch([words[0], "-X", "importtime", *words[1:]]).error
    names = set(re.findall(r"\| +([\w.]+)$", report, flags=re.M))
    return ", ".join(sorted(set(HEAVY) & {name.partition(".")[0] for name in names})) or "none"
