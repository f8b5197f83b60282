"""Field sheets of an output set: which structures, in which order, what stands round each, and the files."""

from __future__ import annotations

import math
import mmap
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from geoadjust.core.columns import METHODS, READY
from geoadjust.errors import Fault, InputError, OutputBusyError
from geoadjust.io.exports.folder import ExportFolder
from geoadjust.io.results.whole import WholeSet, open_set
from geoadjust.io.safe import check_paths
from geoadjust.report.facts import Facts
from geoadjust.report.figures_map import MOST as FARTHEST
from geoadjust.report.figures_map import Neighbour
from geoadjust.report.paper.ink import SIZES
from geoadjust.report.sheets.cover import Entry, Totals
from geoadjust.report.sheets.document import MOST, SUBJECT, file_names, write_sheets
from geoadjust.report.sheets.head import Visit
from geoadjust.report.sheets.page import Stop
from geoadjust.report.words import FIXED
from geoadjust.run.choosing import asked_for, in_visit_order, metres_of, name_of
from geoadjust.units import format_raise

Floats = NDArray[np.float64]

ORDERS = ("visit", "input")
MOST_NEIGHBOURS = 12
BOXED_SHOWN = 12
_COLUMNS = ("structure_id", "street", "method", "ready", "action", "raise_mm", "axis_deg", "east", "north")


@dataclass(frozen=True, slots=True)
class SheetOptions:
    """Which sheets, and how.

    Parameters
    ----------
    paper : letter or a4
    order : visit or input
    ids, streets, methods, ready : only these; empty = all
    fonts : TrueType files for scripts that ours lack
    overwrite : replace sheets that were made before
    """

    paper: str = "letter"
    order: str = "visit"
    ids: tuple[str, ...] = ()
    streets: tuple[str, ...] = ()
    methods: tuple[str, ...] = ()
    ready: tuple[str, ...] = ()
    fonts: tuple[Path, ...] = ()
    overwrite: bool = False


@dataclass(slots=True)
class Drawn:
    """What was written, and what a person should know."""

    folder: Path
    structures: int
    sheets: int
    files: list[dict[str, Any]] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    def as_json(self) -> dict[str, Any]:
        """Plain values."""
        return {
            "out": str(self.folder),
            "structures": self.structures,
            "sheets": self.sheets,
            "files": self.files,
            "notes": self.notes,
        }


def draw_sheets(folder: Path, out: Path, options: SheetOptions) -> Drawn:
    """Write the field sheets of an output set. All files are put in place together, or none.

    Parameters
    ----------
    folder : the output set
    out : folder for the files, made where it is missing

    Raises
    ------
    InputError
        no output set, or its files have changed; no structure that was asked for; a library that is not installed
    OutputBusyError, OutputError
        a file is there, or cannot be written
    """
    _check(options)
    if out.resolve().is_relative_to(folder.resolve()):
        raise OutputBusyError(f"{out}: lies in the output set, which is left as it is; name another folder")
    with open_set(folder) as whole:
        plan = _Plan(whole, options)
        names = file_names(len(plan.rows))
        drawn = Drawn(out, whole.count, len(plan.rows))
        with ExportFolder(out, dict.fromkeys(names, is_sheets), overwrite=options.overwrite) as target:
            boxed: set[str] = set()
            for place, name in enumerate(names):
                boxed |= _write(plan, options, target.path(name), place, names)
                drawn.files.append({"path": str(out / name), **plan.facts_of(target.path(name))})
            target.commit()
    older = sorted(path.name for path in out.glob("sheets*.pdf") if path.name not in names and is_sheets(path))
    if older:
        drawn.notes.append(f"sheets of an earlier run stay beside these: {', '.join(older)}")
    if boxed:
        listed = " ".join(f"U+{ord(each):04X}" for each in sorted(boxed)[:BOXED_SHOWN])
        drawn.notes.append(f"{len(boxed)} characters are in no font and stand as boxes: {listed}; --font adds a font")
    return drawn


def is_sheets(path: Path) -> bool:
    """Whether a file holds field sheets of ours."""
    return is_paper(path, SUBJECT)


def is_paper(path: Path, subject: str) -> bool:
    """Whether a file is a PDF with that subject, which it keeps near the end, in plain text."""
    with path.open("rb") as file:
        if file.read(5) != b"%PDF-":
            return False
        with mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as content:
            return content.rfind(f"/Subject ({subject})".encode("ascii")) >= 0


def _check(options: SheetOptions) -> None:
    faults = []
    for option, given, allowed in (
        ("--paper", (options.paper,), tuple(SIZES)),
        ("--order", (options.order,), ORDERS),
        ("--method", options.methods, METHODS),
        ("--ready", options.ready, READY),
    ):
        faults += [Fault(option, f"{each!r}", ", ".join(allowed)) for each in given if each not in allowed]
    if faults:
        raise InputError(faults)
    check_paths(options.fonts, where="--font")


class _Plan:
    """Which structures are drawn, by their places in the set, and in which order; what the cover says of them."""

    def __init__(self, whole: WholeSet, options: SheetOptions) -> None:
        self.whole = whole
        self.columns = whole.columns(*_COLUMNS)
        self.east, self.north = metres_of(whole, self.columns)
        self.rows = self._ordered(self._asked(options), options.order)
        self.filtered = len(self.rows) != whole.count
        self.pages: dict[Path, int] = {}
        self.grid = _Grid(self.east, self.north)

    def facts_of(self, path: Path) -> dict[str, int]:
        """Pages and bytes of a file."""
        return {"pages": self.pages[path], "bytes": path.stat().st_size}

    def _asked(self, options: SheetOptions) -> list[int]:
        """Places that every filter lets through.

        Raises
        ------
        InputError
            a filter that fits no structure, or all together that fit none
        """
        filters = (
            ("--id", "structure_id", options.ids),
            ("--street", "street", options.streets),
            ("--method", "method", options.methods),
            ("--ready", "ready", options.ready),
        )
        places = asked_for(self.whole, self.columns, filters)
        if not places:
            what = "no structure fits all filters" if self.whole.count else "the set has no structures"
            raise InputError(Fault(self.whole.folder, what, remedy="leave a filter out" if self.whole.count else ""))
        return places

    def _ordered(self, places: list[int], order: str) -> list[int]:
        return places if order == "input" else in_visit_order(self.columns, places, self.east, self.north)

    def stops(self, first: int, end: int) -> Iterator[Stop]:
        """Sheets from `first` to before `end`, in the order of the visit."""
        wanted = self.rows[first:end]
        for place, found in enumerate(self.whole.structures(wanted)):
            facts = Facts(**{item.name: getattr(found, item.name) for item in fields(Facts)})
            row = wanted[place]
            placed = bool(np.isfinite(self.east[row]) and np.isfinite(self.north[row]))
            visit = Visit(first + place + 1, len(self.rows))
            yield Stop(visit, facts, self._neighbours(row) if placed else (), placed)

    def _neighbours(self, row: int) -> list[Neighbour]:
        near = self.grid.near(row)
        away = np.hypot(self.east[near] - self.east[row], self.north[near] - self.north[row])
        return [
            Neighbour(
                float(self.east[other] - self.east[row]), float(self.north[other] - self.north[row]), self.name(other)
            )
            for other in near[np.lexsort((near, np.round(away, 3)))][:MOST_NEIGHBOURS].tolist()
        ]

    def name(self, row: int) -> str:
        """A structure's id; its row where it has none."""
        return str(self.columns["structure_id"][row] or f"row {self.whole.rows[row]}")

    def entries(self) -> list[Entry]:
        """The index."""
        return [
            Entry(
                number,
                name_of(self.whole, self.columns, row),
                self.columns["street"][row] or "",
                self._order(row),
                self.columns["ready"][row] or "",
                (number - 1) // MOST + 1,
            )
            for number, row in enumerate(self.rows, 1)
        ]

    def _order(self, row: int) -> str:
        method, raise_ = self.columns["method"][row], self.columns["raise_mm"][row]
        if method in FIXED:
            return FIXED[method]
        return "Set to target" if raise_ is None else format_raise(raise_ / 1000, self.whole.units)

    def totals(self, options: SheetOptions) -> Totals:
        """What the cover says."""
        told = [*options.ids, *options.streets, *options.methods, *options.ready]
        totals = Totals(
            "Field sheets",
            f"Output set {Path(self.whole.folder).resolve().name}, made by geoadjust {self.whole.version}",
            len(self.rows),
            self.whole.count,
            f" ({', '.join(told)})" if told else "",
        )
        for row in self.rows:
            totals.methods[self.columns["method"][row] or ""] += 1
            totals.ready[self.columns["ready"][row] or ""] += 1
            totals.actions[self.columns["action"][row] or ""] += 1
        totals.parts = self._parts()
        return totals

    def _parts(self) -> dict[str, Counter[str]]:
        """Rings, liners and risers that are ordered, by street in the order of the visit."""
        drawn = {int(self.whole.rows[place]): place for place in self.rows}
        query = (
            'SELECT p."row", p.part FROM stack_parts p JOIN schedule s ON s."row" = p."row"'
            " WHERE p.part IS NOT NULL AND p.kind IN ('ring', 'liner', 'riser')"
            " AND (s.method IN ('liner', 'riser') OR s.method = 'rings' AND p.policy = s.stack_policy)"
        )
        found: dict[str, Counter[str]] = {}
        for row in self.rows:
            found.setdefault(self.columns["street"][row] or "", Counter())
        for line in self.whole.database.execute(query):
            if line[0] in drawn:
                found[self.columns["street"][drawn[line[0]]] or ""][line[1]] += 1
        return {street: parts for street, parts in found.items() if parts}


def _write(plan: _Plan, options: SheetOptions, path: Path, place: int, names: Sequence[str]) -> set[str]:
    first = place * MOST
    cover = (plan.totals(options), plan.entries(), len(names)) if place == 0 else None
    with path.open("wb") as file:
        plan.pages[path], boxed = write_sheets(
            file,
            plan.stops(first, first + MOST),
            paper=options.paper,
            title="Field sheets" if len(names) == 1 else f"Field sheets, file {place + 1} of {len(names)}",
            cover=cover,
            fonts=options.fonts,
        )
    return boxed


class _Grid:
    """Structures by square, so that those near one are found fast."""

    def __init__(self, east: Floats, north: Floats) -> None:
        self.squares: dict[tuple[int, int], list[int]] = {}
        self.keys: dict[int, tuple[int, int]] = {}
        for row in np.flatnonzero(np.isfinite(east) & np.isfinite(north)).tolist():
            key = (math.floor(east[row] / FARTHEST), math.floor(north[row] / FARTHEST))
            self.keys[row] = key
            self.squares.setdefault(key, []).append(row)

    def near(self, row: int) -> NDArray[np.int64]:
        """Others in the squares round one."""
        e, n = self.keys[row]
        found = [
            other
            for key in ((e + i, n + j) for i in (-1, 0, 1) for j in (-1, 0, 1))
            for other in self.squares.get(key, ())
            if other != row
        ]
        return np.array(found, dtype=np.int64)
