"""The file of a history: one event per line, as JSON; lines are added and never changed.

Adding: lock, read and check, write old bytes and new lines aside, compare the old bytes with those in the new file,
sync, replace. A killed run leaves the old file; whoever has a copy can see that every old line still stands in it.
"""

from __future__ import annotations

import json
import os
import re
import secrets
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path

from geoadjust.core.history import FIELDS, Event, make_event
from geoadjust.errors import Fault, InputError, OutputBusyError, OutputError
from geoadjust.io.results.sets import explain_os_error
from geoadjust.io.safe import check_path
from geoadjust.io.working.lock import drop_lock, lock_path, take_lock

ENDING = ".jsonl"
_TEXTS = ("previous", "structure", "street", "state", "when", "by", "recorded")


def read_history(path: Path) -> list[Event]:
    """Events of a file, each one checked.

    Raises
    ------
    InputError
        It cannot be read, a line is no event or was changed, or one goes on from an event that is not there.
    """
    return _parsed(check_path(str(path), where="history").read_bytes(), path)


def add_events(path: Path, make: Callable[[Sequence[Event]], Iterable[Event]]) -> list[Event]:
    """Add events to a file, which is made where it is missing; gives those that were added.

    Parameters
    ----------
    make : given the events that are there, the ones to add

    Raises
    ------
    InputError
        The file there is no whole history.
    OutputBusyError, OutputError
        Somebody else is writing, or it cannot be written; the file is as it was.
    """
    if path.suffix != ENDING:
        raise OutputBusyError(f"{path}: a history ends in {ENDING}")
    path = Path(os.path.abspath(path))
    try:
        handle = take_lock(lock_path(path))
    except OSError as error:
        raise explain_os_error(error, path) from error
    try:
        _clear_left_overs(path)
        old = check_path(str(path), where="history").read_bytes() if os.path.lexists(path) else b""
        added = list(make(_parsed(old, path)))
        if added:
            _replace(path, old, "".join(f"{event.line()}\n" for event in added).encode())
        return added
    except OSError as error:
        raise explain_os_error(error, path) from error
    finally:
        drop_lock(lock_path(path), handle)


def write_history(path: Path, events: Sequence[Event]) -> None:
    """Write a new file of events; one that is there is never replaced."""
    if os.path.lexists(path):
        raise OutputBusyError(f"{path}: exists; name a new file")
    if not events:
        raise InputError(Fault(str(path), "no events to write"))
    add_events(path, lambda there: events)


def _clear_left_overs(path: Path) -> None:
    """With the lock held: whatever killed writers left."""
    style = re.compile(rf"\.{re.escape(path.name)}\.\d+-[0-9a-f]{{8}}\.part")
    for other in path.parent.iterdir():
        if style.fullmatch(other.name):
            other.unlink(missing_ok=True)


def _replace(path: Path, old: bytes, new: bytes) -> None:
    part = path.with_name(f".{path.name}.{os.getpid()}-{secrets.token_hex(4)}.part")
    try:
        with open(part, "xb") as file:
            file.write(old + new)
            file.flush()
            os.fsync(file.fileno())
        if part.read_bytes()[: len(old)] != old:
            raise OutputError(f"{path}: the events that were there would have changed; nothing was written")
        os.replace(part, path)
        folder = os.open(path.parent, os.O_RDONLY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)
    finally:
        part.unlink(missing_ok=True)


def _parsed(data: bytes, path: Path) -> list[Event]:
    if data and not data.endswith(b"\n"):
        raise InputError(Fault(str(path), "its last line is cut off", remedy="take a whole copy"))
    found: list[Event] = []
    there: set[str] = set()
    for number, line in enumerate(data.split(b"\n")[:-1], start=1):
        event = _event(line, f"{path}, line {number}")
        missing = [name for name in (event.previous, *event.also) if name and name not in there]
        if missing:
            what = f"goes on from event {missing[0][:12]}, which is not before it"
            raise InputError(Fault(f"{path}, line {number}", what, remedy="take a whole copy"))
        if event.event in there:
            raise InputError(Fault(f"{path}, line {number}", "the same event again", remedy="take a whole copy"))
        there.add(event.event)
        found.append(event)
    return found


def _event(line: bytes, where: str) -> Event:
    """One line, which must be the very text that its content makes."""
    try:
        told = json.loads(line)
        event = make_event(told) if isinstance(told, dict) and set(told) == {"event", *FIELDS} else None
        whole = event is not None and all(isinstance(getattr(event, name), str) for name in _TEXTS)
    except (ValueError, TypeError, RecursionError):
        event, whole = None, False
    if event is None or not whole:
        raise InputError(Fault(where, "is no event of a history", "lines as `geoadjust history add` writes them"))
    if event.line().encode() != line:
        raise InputError(Fault(where, "was changed after it was written", remedy="take an older copy"))
    return event
