"""Commands that write, with an old and a new content of their target, and how either is told."""

from __future__ import annotations

import hashlib
import json
import shutil
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

from tests.long.forked import Done, forked

Digest = Mapping[str, str]


@dataclass(frozen=True, slots=True)
class Writer:
    """A command that writes `target`.

    Parameters
    ----------
    words : words(target, version) of the command line; version 0 is the old content, 1 the new one
    old, new : what stands in the target after either
    """

    name: str
    words: Callable[[Path, int], list[object]]
    old: Digest
    new: Digest
    seconds: float


def digest(target: Path) -> Digest:
    """sha256 of each file, by name; of records only what no clock decides."""
    if target.is_file():
        return {target.name: _sha256(target)}
    files = sorted(path for path in target.rglob("*") if path.is_file())
    return {
        path.relative_to(target).as_posix(): _sha256(path)
        for path in files
        if not any(part.startswith(".") for part in path.relative_to(target).parts)
    }


def _sha256(path: Path) -> str:
    content = path.read_bytes()
    if path.name == "run.json":
        record = json.loads(content)
        content = json.dumps({"format": record.get("format"), "files": record["files"]}, sort_keys=True).encode()
    return hashlib.sha256(content).hexdigest()


def litter(place: Path, target: Path) -> list[str]:
    """Names beside the target, and hidden ones inside it."""
    found = [path.name for path in place.iterdir() if path != target]
    inside = [f"{target.name}/{path.name}" for path in target.glob(".*")] if target.is_dir() else []
    return sorted([*found, *inside])


def looks_like_a_result(name: str) -> bool:
    """Whether a left-over could be taken for something finished: its name is not hidden."""
    return not name.rpartition("/")[2].startswith(".")


def make_writers(place: Path) -> list[Writer]:
    """The demo's job and the commands that follow it, each tried once for its old and its new content."""
    demo = place / "demo"
    _must(forked(["demo", demo]))
    job, plans = demo / "job.toml", [place / "plan0", place / "plan1"]
    for version, plan in enumerate(plans):
        _must(forked(["schedule", job, "--out", plan, "--set", f"finished.overlay={50 + 10 * version} mm"]))
    kinds: dict[str, Callable[[Path, int], list[object]]] = {
        "schedule": lambda out, v: [
            "schedule", job, "--out", out, "--overwrite", "--set", f"finished.overlay={50 + 10 * v} mm", "--chunk", 16,
        ],
        "report": lambda out, v: ["report", plans[v], "--out", out, "--overwrite"],
        "export": lambda out, v: ["export", plans[v], "--as", "points,geojson", "--out", out, "--overwrite"],
        "sheets": lambda out, v: ["sheets", plans[v], "--out", out, "--overwrite", "--id", "SS-101"],
    }  # fmt: skip
    kinds |= {"lidar": _lidar(place / "lidar"), "accept": _accept(place, plans[0])}
    return [_tried(place, name, words) for name, words in kinds.items()]


def _lidar(folder: Path) -> Callable[[Path, int], list[object]]:
    """A schedule on lidar points, which are gathered into files before the first chunk."""
    from tests.run.conftest import Site
    from tests.run.kinds import ROADS, as_points

    folder.mkdir()
    site = as_points(Site(folder), ROADS["tilted"], 0.1)
    flags = [f"--set={table}.{key}={value}" for (table, key), value in site.flags.items() if table != "output"]
    return lambda out, v: ["schedule", *flags, "--structures", site.flags["structures", "path"], "--out", out,
                           "--overwrite", "--set", f"ring.outer_radius={1500 + 100 * v} mm"]  # fmt: skip


def _accept(place: Path, plan: Path) -> Callable[[Path, int], list[object]]:
    for version in (0, 1):
        lines = ["id,date,gap_12,gap_3,gap_6,gap_9", f"SS-101,2026-06-02,{2 + version} mm LOW,0 mm,0 mm,0 mm"]
        (place / f"gaps{version}.csv").write_text("\n".join(lines) + "\n")
    return lambda out, v: ["accept", plan, place / f"gaps{v}.csv", "--out", out, "--overwrite"]


def _tried(place: Path, name: str, words: Callable[[Path, int], list[object]]) -> Writer:
    """Both contents, each made twice: what a clock decides would be taken for damage."""
    target = place / f"trial-{name}" / "out"
    target.parent.mkdir()
    contents, seconds = [], []
    for version in (0, 1, 0, 1):
        done = _must(forked(words(target, version)))
        contents.append(digest(target))
        seconds.append(done.seconds)
    if contents[:2] != contents[2:] or contents[0] == contents[1]:
        raise AssertionError(f"{name}: the old and the new content cannot be told apart")
    shutil.rmtree(target.parent)
    return Writer(name, words, contents[0], contents[1], min(seconds))


def _must(done: Done) -> Done:
    if done.code:
        raise AssertionError(f"exit code {done.code}: {done.text}")
    return done
