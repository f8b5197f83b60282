"""A disk that is full after every number of bytes: exit code 5, 'disk full', and the old result as it was.

The disk is a file system in memory (tmpfs) of a fixed size, mounted in a namespace of this sweep alone, which needs no
rights of the administrator where the system lets users make namespaces.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

from tests.long.forked import forked
from tests.long.outputs import Writer, digest, litter, make_writers
from tests.long.sweep import Sweep

FULL, SLICE = 160, 24
PAGE = 4096
INSIDE = "GEOADJUST_TEST_INSIDE_NAMESPACE"


def possible() -> bool:
    """Whether this system lets us mount."""
    made = subprocess.run(["unshare", "-rm", "mount", "-t", "tmpfs", "none", "/mnt"], capture_output=True, check=False)
    return made.returncode == 0


def sweep(place: Path, count: int, seed: int) -> Sweep:
    """Sizes evenly spread from nothing free to all that is needed, for each command."""
    if INSIDE not in os.environ:
        return _inside(place, count, seed)
    found, disk = Sweep("disk", seed), place / "disk"
    disk.mkdir()
    for writer in make_writers(place):
        old = _old(place, writer)
        most = _needed(place, writer, old)
        each = max(2, count // 4)
        for number in range(each):
            _try(disk, writer, old, PAGE * (most * number // (each - 1) + 1), found)
    return found


def _inside(place: Path, count: int, seed: int) -> Sweep:
    """The same once more, in a namespace of its own; its output is passed on, its exit code kept."""
    if not possible():
        return Sweep("disk (not possible: this system lets us mount nothing)", seed)
    words = [
        "unshare",
        "-rm",
        sys.executable,
        "-m",
        "tests.long",
        "disk",
        "--json",
        f"--count={count}",
        f"--seed={seed}",
    ]
    done = subprocess.run(
        [*words, "--place", str(place)], env={**os.environ, INSIDE: "yes"}, capture_output=True, text=True, check=False
    )
    if done.returncode not in (0, 1):
        raise AssertionError(done.stderr)
    return Sweep.from_json(done.stdout)


def _old(place: Path, writer: Writer) -> Path:
    """The old content, on an ordinary disk."""
    target = place / f"old-{writer.name}" / "out"
    target.parent.mkdir()
    if forked(writer.words(target, 0)).code:
        raise AssertionError(f"{writer.name}: no old content")
    return target


def _needed(place: Path, writer: Writer, old: Path) -> int:
    """Pages with which the command succeeds, found by doubling."""
    disk, pages = place / "disk", 16
    while True:
        found = Sweep("")
        _try(disk, writer, old, PAGE * pages, found)
        if found.outcomes["written"]:
            return pages
        pages *= 2


def _try(disk: Path, writer: Writer, old: Path, free: int, found: Sweep) -> None:
    """One disk with so many bytes free besides the old content."""
    target, size = disk / "out", free + _on_disk(old)
    subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={size}", "none", str(disk)], check=True)
    try:
        shutil.copytree(old, target)
        done = forked(writer.words(target, 1))
        after, left = digest(target), [name for name in litter(disk, target) if not name.endswith(".lock")]
    finally:
        subprocess.run(["umount", str(disk)], check=True)
    name = {0: "written", 5: "refused"}.get(done.code, f"exit {done.code}")
    found.note(name, _fault(writer, done.code, done.text, after, left, free))


def _fault(writer: Writer, code: int, text: str, after: object, left: list[str], free: int) -> str:
    where = f"{writer.name} with {free} bytes free: "
    if code not in (0, 5):
        return f"{where}exit code {code}: {text}"
    if after != (writer.old if code else writer.new):
        return f"{where}exit code {code}, but the content is another"
    if code and "disk full" not in text:
        return f"{where}does not say that the disk is full: {text}"
    if left and not ("are kept" in text and all(name.startswith(".") for name in left)):
        return f"{where}left {left}: {text}"
    return ""


def _on_disk(folder: Path) -> int:
    """Bytes that a folder takes on such a disk: whole pages, and some for names."""
    files = [path for path in folder.rglob("*") if path.is_file()]
    return sum(-(-path.stat().st_size // PAGE) * PAGE for path in files) + PAGE * 4
