"""Going on with a run that was interrupted: only where all that decides the result is the same."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from geoadjust.errors import Fault, InputError
from geoadjust.io.results.record import hash_of, hash_of_code
from geoadjust.io.working.workplace import WorkPlace

FORMAT = "geoadjust work 1"

Facts = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Earlier:
    """What was made earlier, in words, and what to do where something has changed since."""

    name: str
    remedy: str


INTERRUPTED = Earlier(
    "the interrupted run", "give the interrupted run's files and settings, or run without --resume to start anew"
)


@dataclass(frozen=True, slots=True)
class Start:
    """How a run starts: hash of all that decides its result, structures in a chunk, whether chunks may be kept."""

    key: str
    chunk: int
    resumed: bool


def start_run(
    work: WorkPlace, deciding: Facts, *, count: int, chunk: int, resume: bool, note: Callable[[str], None]
) -> Start:
    """Find the chunks of an interrupted run, or make the work place anew.

    Parameters
    ----------
    work : the locked work place
    deciding : what decides the result
    count : number of structures
    chunk : structures in a chunk, where nothing is resumed
    resume : whether to go on with the kept chunks
    note : told what the user should know

    Raises
    ------
    InputError
        something differs from the interrupted run, each thing with its name; the chunks are left as they are
    """
    facts = json.loads(json.dumps({**deciding, "work": FORMAT, "code": hash_of_code()}))
    kept = work.key() if resume else None
    if kept is not None:
        if faults := list(differences(kept["facts"], facts)):
            raise InputError(faults)
        if kept["chunk"] != chunk:
            note(f"going on with the {kept['chunk']} structures per chunk of the interrupted run, not {chunk}")
        return Start(hash_of(facts), kept["chunk"], True)
    if resume:
        note("nothing to resume; starting from the beginning")
    work.begin({"facts": facts, "chunk": chunk, "chunks": -(-count // chunk)})
    return Start(hash_of(facts), chunk, False)


def differences(before: Facts, now: Facts, earlier: Earlier = INTERRUPTED) -> Iterator[Fault]:
    """A fault for each thing that is not as it was; a setting is called by its key in the job.

    >>> [str(fault).partition(" ->")[0] for fault in differences({"rules": [{"joint": 1}]}, {"rules": [{"joint": 2}]})]
    ['rules.joint: changed since the interrupted run']
    """
    for name in sorted({*before, *now}):
        place = "" if name == "settings" else name
        for where, old, new in _leaves(place, before.get(name), now.get(name), deep=name != "catalogue"):
            what = (
                f"the program has changed since {earlier.name}" if name == "code" else _change(old, new, earlier.name)
            )
            yield Fault(where.removesuffix(".fingerprint"), what, remedy=earlier.remedy)


def _leaves(place: str, old: Any, new: Any, *, deep: bool, level: int = 0) -> Iterator[tuple[str, Any, Any]]:
    """Places, old and new values of what differs; of the catalogue only the kinds of parts."""
    if old == new:
        return
    pairs: list[tuple[str, Any, Any]] = []
    if deep or level == 0:
        if isinstance(old, dict) and isinstance(new, dict):
            pairs = [(f".{key}", old.get(key), new.get(key)) for key in sorted({*old, *new})]
        elif isinstance(old, list) and isinstance(new, list) and len(old) == len(new):
            pairs = [(f".{i}" if len(new) > 1 else "", *both) for i, both in enumerate(zip(old, new, strict=True))]
    if not pairs:
        yield place, old, new
    for key, *both in pairs:
        yield from _leaves(f"{place}{key}".removeprefix("."), *both, deep=deep, level=level + 1)


def _change(old: Any, new: Any, earlier: str) -> str:
    """What has changed, in words; numbers of settings are in SI units and not shown, nor are hashes."""
    if isinstance(old, str) and isinstance(new, str):
        if "sha256:" in old:
            return f"the file has changed since {earlier}"
        return f"was {old!r} in {earlier}, is {new!r} now"
    return f"changed since {earlier}"
