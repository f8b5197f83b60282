"""Histories: results and what crews say added as events; where each structure has come to; two files merged."""

from __future__ import annotations

import math
import time
from collections import Counter
from collections.abc import Container, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from geoadjust.core.history import FIELDS, Event, Standing, by_street, make_event, merge, replay
from geoadjust.errors import Fault, InputError
from geoadjust.io.fingerprint import fingerprint
from geoadjust.io.history_file import add_events, read_history, write_history
from geoadjust.io.intake.field_tables import read_field_table
from geoadjust.io.intake.states import Said, take_states
from geoadjust.io.results.rows import write_rows
from geoadjust.io.results.step_rows import KEPT, MEASURED, StepRows, read_step


@dataclass(frozen=True, slots=True)
class Coming:
    """An event that is to be added: what it says, before it has a place in the history."""

    structure: str
    street: str
    state: str
    when: str
    by: str
    source: Mapping[str, str]
    values: Mapping[str, Any]


@dataclass(slots=True)
class Added:
    """What was added, and what was not."""

    history: str
    added: int = 0
    states: Counter[str] = field(default_factory=Counter)
    known: int = 0
    notes: list[str] = field(default_factory=list)

    def as_json(self) -> dict[str, Any]:
        """Plain values."""
        return {
            "history": self.history,
            "added": self.added,
            "states": dict(sorted(self.states.items())),
            "known": self.known,
            "notes": self.notes,
        }


def add_results(history: Path, folders: Sequence[Path], *, by: str = "", settle: bool = False) -> Added:
    """Add what results tell: a plan, what was measured, accepted or tested. What is there already is not added again.

    Parameters
    ----------
    history : file, made where it is missing
    folders : results of schedule, remeasure, accept, vacuum
    by : who says so, where the result does not say it
    settle : go on from both heads where two people's events are in conflict

    Raises
    ------
    InputError
        no result, or a changed one; a structure in conflict without `settle`
    """
    steps = [read_step(folder) for folder in folders]

    def coming(there: Sequence[Event]) -> Iterator[Coming]:
        known = {event.structure for event in there}
        for step in steps:
            told = list(_coming(step, by, known))
            known |= {each.structure for each in told}
            yield from told

    return _add(history, coming, settle)


def add_states(
    history: Path, table: Path, *, unit: str = "", layer: str | None = None, by: str = "", settle: bool = False
) -> Added:
    """Add what crews say, from a table. Structures that the history does not know are told, and left out."""
    if not history.exists():
        what = "is not there, so it knows no structure"
        raise InputError(Fault(str(history), what, remedy="add the plan first: geoadjust history add HISTORY SET"))
    read = read_field_table(str(table), where="states", layer=layer)
    said, ignored = take_states(read, unit=unit)
    source = {"kind": "table", "sha256": fingerprint(Path(read.path))}
    left_out: list[str] = []

    def coming(there: Sequence[Event]) -> list[Coming]:
        known = replay(there)
        found = []
        for each in said:
            name = structure_name(each.id, each.row, known)
            if name in known:
                found.append(_of_said(each, name, known[name].street, source, by))
            else:
                left_out.append(f"{read.path}, line {each.line}: the history has no structure {name!r}")
        return found

    added = _add(history, coming, settle)
    added.notes += [f"left out: {told}" for told in left_out]
    if ignored:
        added.notes.append(f"columns that were not read: {', '.join(ignored)}")
    return added


def _of_said(said: Said, name: str, street: str, source: Mapping[str, str], by: str) -> Coming:
    values: dict[str, Any] = (
        {} if math.isnan(said.chimney_built) else {"chimney_mm": round(1000 * said.chimney_built, 3)}
    )
    values |= {key: text for key, text in (("parts", said.parts_built), ("note", said.note)) if text}
    return Coming(name, street, said.state, said.day.isoformat(), said.by or by, source, values)


def structure_name(name: str | None, row: int | None, known: Container[str]) -> str:
    """How a history calls a structure: by its id; by id and row, or row, where the plan has the id twice or not."""
    with_row = f"{name} (row {row})" if name else f"(row {row})"
    return with_row if not name or with_row in known else name


def _coming(step: StepRows, by: str, known: Container[str]) -> Iterator[Coming]:
    """Events of a result; `known` are the names that the history has."""
    twice = {name for name, count in Counter(row["structure_id"] for row in step.rows).items() if count > 1}
    tested = step.kind == "tested"
    own = {**dict.fromkeys(KEPT[step.kind]), **(dict.fromkeys(MEASURED) if step.kind == "measured" else {})}
    for row in step.rows:
        name, place = row["structure_id"], row["row"]
        repeated = bool(name) and name in twice and not tested
        when = row.get("day") or row.get("taken_at") or step.finished
        values = {key: row[key] for key in own if row.get(key) is not None and key not in ("by", "taken_at")}
        source = {"kind": step.kind, "sha256": step.sha256, "row": str(place)}
        yield Coming(
            structure_name(name, place, {f"{name} (row {place})"} if repeated else known),
            row["street"] or "",
            _state(step.kind, row),
            str(when),
            row.get("by") or by,
            source,
            values,
        )


def _state(kind: str, row: Mapping[str, Any]) -> str:
    """A plan, or a measurement from which nothing may be cut yet, changes nothing but what it says."""
    if kind == "accepted":
        return {"accepted": "accepted", "rework": "rework"}.get(row["outcome"], "")
    if kind == "tested":
        return "rework" if row["outcome"] == "fail" else ""
    return kind


def _add(history: Path, coming: Any, settle: bool) -> Added:
    """Give each coming event its place behind the heads of its structure."""
    told = Added(str(history))
    now = time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime())

    def make(there: Sequence[Event]) -> list[Event]:
        standings = replay(there)
        heads = {name: [event.event for event in standing.heads] for name, standing in standings.items()}
        keys = {_key(event) for event in there}
        made, torn = [], []
        for each in coming(there):
            if _key(each) in keys:
                told.known += 1
                continue
            before = heads.get(each.structure, [])
            if len(before) > 1 and not settle:
                torn.append(each.structure)
                continue
            event = make_event(
                {name: getattr(each, name) for name in FIELDS if hasattr(each, name)}
                | {"previous": before[0] if before else "", "also": before[1:], "recorded": now}
            )
            heads[each.structure] = [event.event]
            keys.add(_key(event))
            made.append(event)
        if torn:
            listed = ", ".join(sorted(set(torn))[:10])
            remedy = "look at `history show`; then add with --settle"
            raise InputError(Fault(str(history), f"two people's events are in conflict: {listed}", remedy=remedy))
        return made

    added = add_events(history, make)
    told.added, told.states = len(added), Counter(event.state or "no new state" for event in added)
    return told


def _key(event: Event | Coming) -> tuple[str, ...]:
    """What makes an event the same news: structure, state, day, and the source."""
    return event.structure, event.state, event.when, *(event.source.get(key, "") for key in ("kind", "sha256", "row"))


def merge_files(first: Path, second: Path, out: Path) -> dict[str, Any]:
    """Write the union of two histories to a new file; conflicts are listed, nothing is decided."""
    mine, theirs = read_history(first), read_history(second)
    whole = merge(mine, theirs)
    write_history(out, whole)
    conflicts = [_conflict(each) for each in replay(whole).values() if each.conflict]
    counts = {"first": len(mine), "second": len(theirs), "events": len(whole)}
    return {"out": str(out), **counts, "conflicts": conflicts, "notes": []}


def _conflict(standing: Standing) -> dict[str, Any]:
    told = [f"{event.state or 'no new state'}, {event.when}, {event.by or 'nobody named'}" for event in standing.heads]
    return {"structure": standing.structure, "street": standing.street, "heads": told}


def show(history: Path, streets: Sequence[str] = ()) -> dict[str, Any]:
    """Where every structure has come to, and the summary per street.

    Raises
    ------
    InputError
        no history, a changed one, or a street that it does not have
    """
    standings = list(replay(read_history(history)).values())
    there = {each.street for each in standings}
    if faults := [Fault("--street", f"no structure on {name!r}") for name in streets if name not in there]:
        raise InputError(faults)
    chosen = [each for each in standings if not streets or each.street in streets]
    return {
        "history": str(history),
        "structures": [
            {
                "structure": each.structure,
                "street": each.street,
                "state": each.state,
                "when": each.when,
                "by": each.by,
                "events": len(each.events),
                "conflict": each.conflict,
            }
            for each in chosen
        ],
        "streets": {street: dict(sorted(counts.items())) for street, counts in by_street(chosen).items()},
        "conflicts": [_conflict(each) for each in chosen if each.conflict],
        "notes": [],
    }


def write_states(path: Path, found: Mapping[str, Any]) -> None:
    """Write what `show` gives as a CSV; a file that is there is never replaced."""
    write_rows(path, found["structures"], ("structure", "street", "state", "when", "by", "events", "conflict"))
