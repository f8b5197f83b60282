"""Kill -9 at random moments while a result is replaced: what stands there is the old one or the new one, whole.

Each command replaces its target again and again, from the old content to the new and back; most moments lie where it
writes. Left-overs of a killed run must be hidden, and gone after a run that was not killed.
"""

from __future__ import annotations

import random
from pathlib import Path

from tests.long.forked import forked
from tests.long.outputs import Writer, digest, litter, looks_like_a_result, make_writers
from tests.long.sweep import Sweep

FULL, SLICE = 200, 20


def sweep(place: Path, count: int, seed: int) -> Sweep:
    """Kill `count` times, each command in turn."""
    found, chance = Sweep("kills", seed), random.Random(seed)
    writers = make_writers(place)
    targets = {writer.name: _begin(place, writer) for writer in writers}
    for number in range(count):
        writer = writers[number % len(writers)]
        _kill(writer, targets[writer.name], chance, found)
    for writer in writers:
        _finish(writer, targets[writer.name], found)
    return found


def _begin(place: Path, writer: Writer) -> Path:
    target = place / f"killed-{writer.name}" / "out"
    target.parent.mkdir()
    if forked(writer.words(target, 0)).code:
        raise AssertionError(f"{writer.name}: no old content")
    return target


def _kill(writer: Writer, target: Path, chance: random.Random, found: Sweep) -> None:
    before = digest(target)
    version = 1 if before == writer.old else 0
    moment = writer.seconds * (chance.uniform(0, 1.1) if chance.random() < 0.3 else chance.betavariate(6, 2) * 1.05)
    done = forked(writer.words(target, version), kill_after=moment)
    after = digest(target)
    which = {0: "finished before", -9: "killed"}.get(done.code, f"exit {done.code}")
    fault = ""
    if after not in (writer.old, writer.new):
        fault = "neither the old nor the new content"
    elif done.code == 0 and after == before:
        fault = "finished, but the content is the old one"
    elif done.code not in (0, -9):
        fault = f"exit code {done.code}: {done.text}"
    elif odd := [name for name in litter(target.parent, target) if looks_like_a_result(name)]:
        fault = f"left {odd}"
    state = "old" if after == before else "new"
    found.note(f"{which}, {state}", fault and f"{writer.name} killed after {moment:.4f} s: {fault}")


def _finish(writer: Writer, target: Path, found: Sweep) -> None:
    """A run that nobody kills works after all of that, and tidies up."""
    done = forked(writer.words(target, 1))
    fault = ""
    if done.code or digest(target) != writer.new:
        fault = f"the next run does not work: exit code {done.code}: {done.text}"
    elif left := [name for name in litter(target.parent, target) if not name.endswith(".lock")]:
        fault = f"the next run leaves {left}"
    found.note("next run", fault and f"{writer.name}: {fault}")
