"""What happened to each structure, as events that are only ever added.

An event names the one before it at the same structure (`previous`), and its own name is the sha256 of all it says,
`previous` among it. So an event cannot be changed without its name, and every later one, changing too. The events of
two people are merged by union. Where both went on from one event the structure has two heads: a conflict, which stands
until an event names both (`also`). The state is that of the last event that states one.
"""

from __future__ import annotations

import hashlib
import json
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

STATES = ("planned", "lowered", "milled", "measured", "cut", "set", "accepted", "rework")
"""What a structure can have come to. An event without a state only tells something, as a vacuum test that held."""
FIELDS = ("previous", "also", "structure", "street", "state", "when", "by", "recorded", "source", "values")
NO_STREET = ""
Value = str | float | int | None


@dataclass(frozen=True, slots=True)
class Event:
    """One event.

    Parameters
    ----------
    event : its name, sha256 of all that follows
    previous : name of the event before it at this structure; '' = the first
    also : other heads that it goes on from, where it settles a conflict
    structure, street : as the plan names them
    state : one of STATES; '' = it tells something only
    when, by : day or time at which it happened, who says so; as written
    recorded : when it was added, UTC
    source : what it was taken from: kind, and sha256
    values : figures and words that belong to it
    """

    event: str
    previous: str
    also: tuple[str, ...]
    structure: str
    street: str
    state: str
    when: str
    by: str
    recorded: str
    source: Mapping[str, str]
    values: Mapping[str, Value]

    def line(self) -> str:
        """The event as one line of JSON, always the same text."""
        content = {name: getattr(self, name) for name in FIELDS}
        return _canonical({"event": self.event, **content, "also": list(self.also)})


def make_event(content: Mapping[str, Any]) -> Event:
    """An event of its content, which has all of FIELDS; its name is computed.

    Examples
    --------
    >>> blank = dict.fromkeys(FIELDS, "") | {"also": [], "source": {}, "values": {}}
    >>> first = make_event(blank | {"structure": "MH-7", "state": "planned"})
    >>> make_event(blank | {"structure": "MH-7", "state": "measured"}).event == first.event
    False
    """
    told = {name: content[name] for name in FIELDS} | {"also": sorted(content["also"])}
    name = hashlib.sha256(_canonical(told).encode("utf-8", "surrogatepass")).hexdigest()
    return Event(name, **{**told, "also": tuple(told["also"])})


def _canonical(content: Mapping[str, Any]) -> str:
    return json.dumps(content, sort_keys=True, ensure_ascii=True, separators=(",", ":"), allow_nan=False)


@dataclass(slots=True)
class Standing:
    """Where a structure has come to: state, when and by whom, all its events in order, and its heads."""

    structure: str
    street: str
    state: str = ""
    when: str = ""
    by: str = ""
    events: list[Event] = field(default_factory=list)
    heads: tuple[Event, ...] = ()

    @property
    def conflict(self) -> bool:
        """Two people went on from one event, and nobody has settled it."""
        return len(self.heads) > 1


def replay(events: Iterable[Event]) -> dict[str, Standing]:
    """Where each structure has come to, in the order of their first events.

    Where there is a conflict the state is that of the later head, and the standing says so.
    """
    found: dict[str, Standing] = {}
    for event in events:
        standing = found.setdefault(event.structure, Standing(event.structure, event.street))
        standing.events.append(event)
        standing.street = event.street or standing.street
    for standing in found.values():
        gone = {name for event in standing.events for name in (event.previous, *event.also)}
        standing.heads = tuple(event for event in standing.events if event.event not in gone)
        last = _last_state(standing)
        if last is not None:
            standing.state, standing.when, standing.by = last.state, last.when, last.by
    return found


def _last_state(standing: Standing) -> Event | None:
    """The event that states the state: the nearest one on the way back from the later head."""
    known = {event.event: event for event in standing.events}
    waiting = sorted(standing.heads, key=_age, reverse=True)
    while waiting:
        event = waiting.pop(0)
        if event.state:
            return event
        before = [known[name] for name in (event.previous, *event.also) if name in known]
        waiting = sorted([*waiting, *before], key=_age, reverse=True)
    return None


def _age(event: Event) -> tuple[str, str, str]:
    return event.when, event.recorded, event.event


def merge(*lists: Sequence[Event]) -> list[Event]:
    """The union of several histories: the events of the first as they are, then what the others have besides."""
    found: dict[str, Event] = {}
    for events in lists:
        for event in events:
            found.setdefault(event.event, event)
    return list(found.values())


def by_street(standings: Iterable[Standing]) -> dict[str, Counter[str]]:
    """How many structures of each street are in each state; '' = no street, or no state."""
    found: dict[str, Counter[str]] = {}
    for standing in standings:
        found.setdefault(standing.street, Counter())[standing.state] += 1
    return dict(sorted(found.items()))
