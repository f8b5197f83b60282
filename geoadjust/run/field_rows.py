"""Tables from the field: how they are read, which structures of a set they are about, what is told of the result."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Protocol, TypeVar

from geoadjust.errors import Fault, InputError
from geoadjust.io.results.whole import WholeSet

MANY = 20
"""Of a list so many are told."""


@dataclass(frozen=True, slots=True)
class FieldOptions:
    """How a table from the field is read; `unit` of bare lengths, '' = every length has its own."""

    unit: str = ""
    layer: str | None = None
    overwrite: bool = False
    command: tuple[str, ...] = ()


PLAIN = FieldOptions()


@dataclass(slots=True)
class FieldResult:
    """What was written, and what a person should know.

    Parameters
    ----------
    what : that is judged, in the plural
    lines : one per structure or test, each with its `outcome`
    left_out : what fits no structure, in words
    """

    out: str
    what: str
    lines: list[dict[str, Any]]
    left_out: list[str]
    ignored: list[str]

    def as_json(self) -> dict[str, Any]:
        """Plain values."""
        outcomes = Counter(line["outcome"] for line in self.lines)
        listed = ", ".join(self.ignored[:MANY])
        return {
            "out": self.out,
            self.what: len(self.lines),
            "outcomes": dict(sorted(outcomes.items())),
            "judged": self.lines,
            "left_out": self.left_out,
            "notes": [f"columns that were not read: {listed}"] if self.ignored else [],
        }


class Named(Protocol):
    """What a table says of one structure: its id or row, and the first line."""

    @property
    def id(self) -> str: ...
    @property
    def row(self) -> int | None: ...
    @property
    def line(self) -> int: ...


G = TypeVar("G", bound=Named)


def match_rows(whole: WholeSet, taken: Sequence[G], path: str) -> tuple[dict[int, G], list[str]]:
    """Groups by row of the set, rows rising; and what fits no structure, in words.

    Raises
    ------
    InputError
        two groups of one structure; no group of any structure
    """
    lines, left_out = match_lines(whole, taken, path)
    found: dict[int, G] = {}
    faults = []
    for row, each in lines:
        if row in found:
            where = f"{path}, line {each.line}"
            faults.append(Fault(where, f"{each.id!r} again, as on line {found[row].line}", "one name for it"))
        found.setdefault(row, each)
    if faults:
        raise InputError(faults)
    return dict(sorted(found.items())), left_out


def match_lines(whole: WholeSet, taken: Sequence[G], path: str) -> tuple[list[tuple[int, G]], list[str]]:
    """What was taken with its row of the set, in its own order; and what fits no structure, in words.

    Raises
    ------
    InputError
        a row and an id that contradict each other; nothing that fits any structure
    """
    columns = whole.columns("row", "structure_id")
    names = dict(zip(columns["row"], columns["structure_id"], strict=True))
    ids: dict[str, list[int]] = {}
    for row, name in names.items():
        ids.setdefault(name or "", []).append(row)
    found: list[tuple[int, G]] = []
    left_out, faults = [], []
    for each in taken:
        where = f"{path}, line {each.line}"
        rows = ids.get(each.id, []) if each.row is None else [each.row] if each.row in names else []
        if each.row is not None and rows and each.id and names[each.row] != each.id:
            what = f"row {each.row} is {names[each.row]!r}, not {each.id!r}"
            faults.append(Fault(where, what, "", "write one of both"))
        elif len(rows) != 1:
            left_out.append(f"{where}: {_unmatched(each, rows)}")
        else:
            found.append((rows[0], each))
    if not found and not faults:
        faults = [Fault("table", told, "an id of one structure in the set") for told in left_out]
    if faults:
        raise InputError(faults)
    return found, left_out


def _unmatched(each: Named, rows: Sequence[int]) -> str:
    if rows:
        return f"{len(rows)} structures with id {each.id!r} (rows {', '.join(map(str, rows[:MANY]))}): write the row"
    return f"no row {each.row} in the set" if each.row is not None else f"no structure {each.id!r}"
