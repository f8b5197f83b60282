"""Wrap templates of an output set: which structures have one, on which circumference, and the files."""

from __future__ import annotations

import mmap
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Any, BinaryIO

from geoadjust.errors import Fault, InputError, OutputBusyError
from geoadjust.io.exports.folder import ExportFolder
from geoadjust.io.intake.field_tables import FieldTable, read_field_table
from geoadjust.io.results.whole import WholeSet, open_set
from geoadjust.io.safe import check_paths
from geoadjust.report.facts import Facts
from geoadjust.report.paper.ink import SIZES
from geoadjust.report.template.document import LONGEST, SUBJECT, Job, strip_fits, write_strips, write_tiles
from geoadjust.report.template.frame import is_measured
from geoadjust.report.template.wrap import wrap_of
from geoadjust.run.choosing import asked_for, in_visit_order, metres_of, name_of
from geoadjust.units import LengthError, parse_length

STRIP, TILES = "template-strip.pdf", "template-tiles.pdf"
MOST = 500
"""Structures in one file: some 6000 pages."""
TITLES = ("circumference", "chimney_circumference")
SHOWN = 12
_COLUMNS = ("structure_id", "street", "method", "axis_deg", "east", "north")


@dataclass(frozen=True, slots=True)
class TemplateOptions:
    """Which templates, and how.

    Parameters
    ----------
    paper : of the tiles, letter or a4
    ids, streets : only these; empty = all
    circumference : measured round the outside of the one liner, as text with its unit; '' = none
    circumferences : a table with the columns id and circumference
    fonts : TrueType files for scripts that ours lack
    overwrite : replace templates that were made before
    """

    paper: str = "letter"
    ids: tuple[str, ...] = ()
    streets: tuple[str, ...] = ()
    circumference: str = ""
    circumferences: Path | None = None
    fonts: tuple[Path, ...] = ()
    overwrite: bool = False


@dataclass(slots=True)
class Written:
    """What was written, and what a person should know."""

    folder: Path
    structures: int
    templates: list[dict[str, Any]] = field(default_factory=list)
    left_out: dict[str, int] = field(default_factory=dict)
    files: list[dict[str, Any]] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    def as_json(self) -> dict[str, Any]:
        """Plain values."""
        return {
            "out": str(self.folder),
            "structures": self.structures,
            "templates": self.templates,
            "left_out": self.left_out,
            "files": self.files,
            "notes": self.notes,
        }


def draw_templates(folder: Path, out: Path, options: TemplateOptions) -> Written:
    """Write the wrap templates of an output set. All files are put in place together, or none.

    Parameters
    ----------
    folder : the output set
    out : folder for the files, made where it is missing

    Raises
    ------
    InputError
        no output set, or its files have changed; a structure that is not cut; a circumference that cannot be
    OutputBusyError, OutputError
        a file is there, or cannot be written
    """
    if options.paper not in SIZES:
        raise InputError(Fault("--paper", f"{options.paper!r}", ", ".join(SIZES)))
    if out.resolve().is_relative_to(folder.resolve()):
        raise OutputBusyError(f"{out}: lies in the output set, which is left as it is; name another folder")
    check_paths(options.fonts, where="--font")
    with open_set(folder) as whole:
        choice = _Choice(whole, options)
        written = Written(out, whole.count, left_out=choice.left_out)
        jobs = list(choice.jobs())
        _tell(written, jobs)
        strips = [job for job in jobs if strip_fits(job[1])]
        writers: dict[str, Callable[[BinaryIO], tuple[int, set[str]]]] = {
            TILES: lambda file: write_tiles(file, jobs, paper=options.paper, fonts=options.fonts)
        }
        if strips:
            writers[STRIP] = lambda file: write_strips(file, strips, fonts=options.fonts)
        boxed = _write(written, writers, options.overwrite)
    _remark(written, len(jobs) - len(strips), boxed, STRIP in writers)
    return written


def is_template(path: Path) -> bool:
    """Whether a file holds wrap templates of ours; a PDF keeps its subject in plain text."""
    with path.open("rb") as file:
        if file.read(5) != b"%PDF-":
            return False
        with mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as content:
            return content.rfind(f"/Subject ({SUBJECT})".encode("ascii")) >= 0


def _write(
    written: Written, writers: Mapping[str, Callable[[BinaryIO], tuple[int, set[str]]]], overwrite: bool
) -> set[str]:
    boxed: set[str] = set()
    with ExportFolder(written.folder, dict.fromkeys(writers, is_template), overwrite=overwrite) as target:
        for name, write in writers.items():
            path = target.path(name)
            with path.open("wb") as file:
                pages, odd = write(file)
            boxed |= odd
            facts = {"path": str(written.folder / name), "pages": pages, "bytes": path.stat().st_size}
            written.files.append(facts)
        target.commit()
    return boxed


def _tell(written: Written, jobs: list[Job]) -> None:
    for facts, wrap in jobs:
        written.templates.append(
            {
                "row": int(facts.schedule["row"]),
                "structure_id": facts.schedule["structure_id"],
                "ready": facts.text("ready"),
                "measured_bearing": is_measured(facts),
                "circumference_mm": round(wrap.circumference, 3),
                "circumference_assumed": wrap.assumed,
            }
        )


def _remark(written: Written, too_long: int, boxed: set[str], stripped: bool) -> None:
    if written.left_out:
        told = ", ".join(f"{name} {count}" for name, count in written.left_out.items())
        total = sum(written.left_out.values())
        written.notes.append(f"{total} structures have no liner that is cut, so no template: {told}")
    plans = sum(not each["measured_bearing"] for each in written.templates)
    if plans:
        written.notes.append(f"{plans} of {len(written.templates)} are plans: nobody may cut by them before measuring")
    assumed = sum(each["circumference_assumed"] for each in written.templates)
    if assumed:
        written.notes.append(f"{assumed} of {len(written.templates)} rest on the catalogue's circumference")
    if too_long:
        written.notes.append(f"{too_long} are longer than a PDF page may be ({LONGEST:.0f} mm): tiles only")
    if not stripped and (written.folder / STRIP).exists():
        written.notes.append(f"{STRIP} of an earlier run stays")
    if boxed:
        listed = " ".join(f"U+{ord(each):04X}" for each in sorted(boxed)[:SHOWN])
        written.notes.append(f"{len(boxed)} characters are in no font and stand as boxes: {listed}; --font adds a font")


class _Choice:
    """Structures that get a template, by their places in the set, and their circumferences."""

    def __init__(self, whole: WholeSet, options: TemplateOptions) -> None:
        self.whole = whole
        self.columns = whole.columns(*_COLUMNS)
        self.left_out: dict[str, int] = {}
        self.rows = self._ordered(self._cut(self._asked(options), options))
        self.measured = self._measured(options)

    def jobs(self) -> Iterator[Job]:
        """Facts and template of each; every fault is told at once."""
        faults: list[Fault] = []
        for place, found in zip(self.rows, self.whole.structures(self.rows), strict=True):
            facts = Facts(**{item.name: getattr(found, item.name) for item in fields(Facts)})
            try:
                yield facts, wrap_of(facts, self.measured.get(place))
            except InputError as error:
                faults += error.faults
        if faults:
            raise InputError(faults)

    def _asked(self, options: TemplateOptions) -> list[int]:
        """Places that the filters let through."""
        filters = (("--id", "structure_id", options.ids), ("--street", "street", options.streets))
        return asked_for(self.whole, self.columns, filters)

    def _cut(self, rows: list[int], options: TemplateOptions) -> list[int]:
        """Rows with a liner; one that was asked for by its id and has none is refused."""
        others = [row for row in rows if self.columns["method"][row] != "liner"]
        if options.ids and others:
            raise InputError(
                Fault("--id", f"{self._name(row)}: its method is {self.columns['method'][row]}", "liner",
                      "only a liner is cut along a line; leave it out")
                for row in others
            )  # fmt: skip
        self.left_out = dict(Counter(str(self.columns["method"][row]) for row in others).most_common())
        found = [row for row in rows if self.columns["method"][row] == "liner"]
        if not found:
            what = f"none of {len(rows)} structures has a liner" if rows else "no structure fits all filters"
            raise InputError(Fault(self.whole.folder, what, remedy="only a liner is cut along a line"))
        if len(found) > MOST:
            raise InputError(Fault(self.whole.folder, f"{len(found)} liners", f"{MOST} at a time", "give --street"))
        return found

    def _ordered(self, places: list[int]) -> list[int]:
        return in_visit_order(self.columns, places, *metres_of(self.whole, self.columns))

    def _name(self, row: int) -> str:
        return name_of(self.whole, self.columns, row)

    def _measured(self, options: TemplateOptions) -> dict[int, float]:
        """Measured circumferences [m] by place."""
        if options.circumference and options.circumferences:
            raise InputError(Fault("--circumference", "given beside --circumferences", "one of them"))
        if options.circumference:
            if len(self.rows) > 1:
                what = f"given for {len(self.rows)} liners"
                raise InputError(Fault("--circumference", what, "one", "give --id, or --circumferences FILE"))
            return {self.rows[0]: _length(options.circumference, "--circumference")}
        if options.circumferences is None:
            return {}
        return self._from_table(read_field_table(str(options.circumferences), where="--circumferences"))

    def _from_table(self, table: FieldTable) -> dict[int, float]:
        """Circumferences by id; every fault is told at once."""
        title = next((each for each in TITLES if each in table.headings), "")
        if not title or "id" not in table.headings:
            what = f"{table.path}: the columns are {', '.join(table.headings) or 'none'}"
            raise InputError(Fault("--circumferences", what, "id, circumference", "name them so in the first line"))
        rows: dict[str, list[int]] = {}
        for row, name in enumerate(self.columns["structure_id"]):
            rows.setdefault(name or "", []).append(row)
        wanted, found, faults = set(self.rows), {}, []
        for line in table.lines:
            where, name = f"{table.path}, line {line.number}", line.cells.get("id", "")
            here = rows.get(name, [])
            if title not in line.cells:
                continue
            if len(here) != 1:
                told = f"{len(here)} structures with id {name!r}" if here else f"no structure with id {name!r}"
                faults.append(Fault(where, told, "an id of one structure in the set"))
            elif here[0] in found:
                faults.append(Fault(where, f"{name!r} stands twice", "one line per liner"))
            elif here[0] in wanted:
                try:
                    found[here[0]] = _length(line.cells[title], where)
                except InputError as error:
                    faults += error.faults
        if faults:
            raise InputError(faults)
        return found


def _length(text: str, where: str) -> float:
    try:
        found = float(parse_length(text))
    except LengthError as error:
        raise InputError(error.fault(where)) from None
    if found <= 0:
        raise InputError(Fault(where, f"{text!r} is not above zero"))
    return found
