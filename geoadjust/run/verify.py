"""Does a result still stand? Files against their record, sources against theirs, rows against the input, and a sample
of the structures computed once more from the recorded settings."""

from __future__ import annotations

import json
import random
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from geoadjust.errors import Fault, InputError
from geoadjust.io.intake.structures import read_batches
from geoadjust.io.intake.values import read_texts
from geoadjust.io.results.columns import TABLES, Column
from geoadjust.io.results.record import deciding_facts
from geoadjust.io.results.sets import changed_files, read_record
from geoadjust.io.results.stored_job import recorded_job
from geoadjust.io.results.tables import Naming
from geoadjust.io.results.whole import ReadBack, WholeSet, open_set
from geoadjust.run.computing import Layout, lay_out
from geoadjust.run.findings import Bias, find_bias
from geoadjust.run.recompute import Again, recompute
from geoadjust.run.resume import Earlier, differences
from geoadjust.run.sources import Sources, look_at_sources

SAMPLE = 200
"""Structures that are computed again, unless another number is asked for."""
MOST = 100
"""Differences that are listed one by one; the others are counted."""
SLACK = {"mm": 2e-3}
"""How far figures may differ, two of the last digits stored: other versions of the libraries round otherwise."""
USUAL_SLACK = 2e-6
MADE = Earlier("this result was made", "run the job again, or bring back what it was made from")
VERSIONS = ("geoadjust", "libraries", "kernel")
"""Entries of the table `run` that may differ: the figures decide."""


@dataclass(frozen=True, slots=True)
class VerifyOptions:
    """What is looked at.

    Parameters
    ----------
    sample : structures computed again; None = all
    inputs : a folder in which sources are looked for by their names first
    seed : of the sample; None = another one each time
    """

    sample: int | None = SAMPLE
    inputs: Path | None = None
    seed: int | None = None
    progress: Callable[[str, int, int], None] = lambda stage, done, total: None


@dataclass(slots=True)
class Verification:
    """What was looked at and what differs; the result stands where nothing does.

    `differences` are faults: where, what, remedy. `notes` are what a careful user wants to know besides.
    """

    folder: str
    files: int = 0
    sources: list[str] = field(default_factory=list)
    structures: int = 0
    rows: int = 0
    recomputed: int = 0
    figures: int = 0
    seed: int | None = None
    differences: list[Fault] = field(default_factory=list)
    more: int = 0
    notes: list[str] = field(default_factory=list)

    @property
    def stands(self) -> bool:
        """Whether nothing differs."""
        return not self.differences

    def differ(self, where: str, what: str, remedy: str = "") -> None:
        """Note a difference."""
        if len(self.differences) < MOST:
            self.differences.append(Fault(where, what, "", remedy))
        else:
            self.more += 1

    def as_json(self) -> dict[str, Any]:
        """Plain values."""
        named = ("files", "sources", "structures", "rows", "recomputed", "figures", "seed", "notes", "more")
        told = [{"where": each.where, "what": each.what, "remedy": each.remedy} for each in self.differences]
        return {"set": self.folder, "stands": self.stands, "differences": told} | {
            name: getattr(self, name) for name in named
        }


def verify_set(folder: Path, options: VerifyOptions = VerifyOptions()) -> Verification:
    """Look whether a result still stands.

    Raises
    ------
    InputError
        no result folder
    """
    found, record = Verification(str(folder)), read_record(folder)
    found.files = len(record["files"])
    for name, what in changed_files(folder).items():
        found.differ(str(folder / name), what, "run the job again")
    if not found.stands:
        return found
    if "job" not in record or "remeasured" in record:
        found.notes.append("a result of work in the field: only its files were compared; verify the plan it belongs to")
        return found
    with open_set(folder) as whole:
        _count(whole, found)
        sources = _sources_as_they_were(whole, options.inputs, found)
        if sources is not None:
            _look_again(whole, sources, options, found)
    return found


def _count(whole: WholeSet, found: Verification) -> None:
    """Rows of every table against the record."""
    found.structures = whole.count
    for name, count in whole.record["counts"]["tables"].items():
        stored = whole.database.execute(f'SELECT count(*) FROM "{name}"').fetchone()[0]  # names of our own tables
        if stored != count:
            found.differ(f"{whole.folder}: {name}", f"{stored} rows, {count} recorded", "run the job again")


def _sources_as_they_were(whole: WholeSet, inputs: Path | None, found: Verification) -> Sources | None:
    """Facts of the sources where they are those that the result was made from; the differences are noted."""
    try:
        job = recorded_job(whole, inputs)
        sources = look_at_sources(job)
    except InputError as error:
        for fault in error.faults:
            found.differ(fault.where, fault.what, fault.remedy or MADE.remedy)
        return None
    before = _run_facts(whole)
    now = json.loads(json.dumps(deciding_facts(sources, before["operations"])))
    for name in VERSIONS:
        if before.get(name) != now[name]:
            found.notes.append(f"{name}: {before.get(name)} made this result, {now[name]} looks at it")
            now[name] = before.get(name)
    for fault in differences(before, now, MADE):
        found.differ(fault.where, fault.what, fault.remedy)
    found.sources = [job.structures.path, *(facts.path for facts in sources.surfaces)]
    found.sources += [file.path for file in sources.files]
    return sources if found.stands else None


def _run_facts(whole: WholeSet) -> dict[str, Any]:
    return {key: json.loads(value) for key, value in whole.database.execute("SELECT key, value FROM run")}


def _look_again(whole: WholeSet, sources: Sources, options: VerifyOptions, found: Verification) -> None:
    layout = lay_out(sources)
    for fault in differences(
        {"operations": _run_facts(whole)["operations"]}, {"operations": layout.operations()}, MADE
    ):
        found.differ(fault.where, fault.what, fault.remedy)
    _compare_rows(whole, sources, found)
    if found.stands:
        _compare_figures(whole, sources, layout, options, found)


def _compare_rows(whole: WholeSet, sources: Sources, found: Verification) -> None:
    """Every row of the input, in its order: id and place."""
    stored = whole.columns("row", "structure_id", "east", "north")
    theirs, place = sources.structures.columns.get("id"), 0
    for raw in read_batches(sources.structures, only=[theirs] if theirs else []):
        ids = read_texts(raw.attributes.column(theirs) if theirs else None, len(raw))
        for index, (name, point) in enumerate(zip(ids, raw.points.tolist(), strict=True)):
            row = raw.first + index
            kept = tuple(stored[each][place] for each in stored) if place < whole.count else None
            expected = (row, name, *(point if np.isfinite(point[0]) else (None, None)))
            if kept != expected:
                found.differ(f"row {row}", f"the input has {expected[1:]}, the result {kept and kept[1:]}")
            place += 1
    found.rows = place
    if place != whole.count:
        found.differ(whole.folder, f"{whole.count} structures of {place} rows of the input")


def _compare_figures(
    whole: WholeSet, sources: Sources, layout: Layout, options: VerifyOptions, found: Verification
) -> None:
    naming = Naming(
        sources.job.rules,
        sources.catalogue,
        [facts.name for facts in sources.surfaces],
        sources.structures,
        sources.units,
    )
    rows, found.seed = _sampled(whole.count, options)
    rims = []
    for done, again in enumerate(recompute(sources, layout, rows, naming, _stored_bias(whole))):
        _compare(whole.structure(again.row), again, found)
        rims.append((again.rim, again.road))
        options.progress("recompute", done + 1, len(rows))
    found.recomputed = len(rows)
    if options.sample is None:
        _compare_bias(whole, sources, np.array(rims, dtype=float).reshape(-1, 2), found)


def _sampled(count: int, options: VerifyOptions) -> tuple[list[int], int | None]:
    """Rows that are computed again, and the seed that chose them; none where all are."""
    if options.sample is None or options.sample >= count:
        return list(range(count)), None
    seed = random.SystemRandom().randrange(2**31) if options.seed is None else options.seed
    return sorted(random.Random(seed).sample(range(count), options.sample)), seed


def _stored_bias(whole: WholeSet) -> Bias | None:
    """What the set says of all its surveyed rims together."""
    line = whole.database.execute("SELECT value FROM reasons WHERE code = 'batch_bias' LIMIT 1").fetchone()
    return None if line is None else Bias(line[0] / 1000.0, 0.0, 0, "")


def _compare_bias(whole: WholeSet, sources: Sources, rims: Any, found: Verification) -> None:
    surveyed = sources.job.structures.rim_basis in ("", "surveyed")
    now, before = find_bias(*rims.T) if surveyed else None, _stored_bias(whole)
    told = [None if bias is None else round(1000 * bias.median, 3) for bias in (before, now)]
    if (before is None) != (now is None) or (before and now and abs(told[0] - told[1]) > SLACK["mm"]):  # type: ignore[operator]
        found.differ("batch_bias", f"{told[1]} mm, the result says {told[0]}")


def _compare(stored: ReadBack, again: Again, found: Verification) -> None:
    """Every column of every table of one structure."""
    kept: dict[str, Sequence[Mapping[str, Any]]] = {
        "schedule": [stored.schedule],
        "models": [stored.models],
        "ordinates": [stored.ordinates] if stored.ordinates else [],
        "stack_parts": stored.stack_parts,
        "reasons": stored.reasons,
    }
    name = f"row {again.row} ({stored.schedule['structure_id'] or 'no id'})"
    for table, lines in kept.items():
        made = again.tables[table].to_pylist()
        if len(made) != len(lines):
            found.differ(f"{name}: {table}", f"{len(made)} rows, the result has {len(lines)}", MADE.remedy)
            continue
        for before, now in zip(lines, made, strict=True):
            found.figures += len(TABLES[table])
            for column in _different(TABLES[table], before, now):
                what = f"comes out as {now[column.name]!r}, the result says {before[column.name]!r}"
                found.differ(f"{name}: {table}.{column.name}", what, MADE.remedy)


def _different(columns: Sequence[Column], before: Mapping[str, Any], now: Mapping[str, Any]) -> Iterator[Column]:
    for column in columns:
        old, new = before[column.name], now[column.name]
        if isinstance(old, float) and isinstance(new, float):
            slack = SLACK.get(_unit_of(column, before), USUAL_SLACK * max(1.0, abs(old)))
            if not abs(old - new) <= slack:
                yield column
        elif old != new:
            yield column


def _unit_of(column: Column, line: Mapping[str, Any]) -> str:
    """Unit of a figure; values and limits of reasons have theirs beside them."""
    return str(line["unit"]) if column.name in ("value", "limit") and "unit" in line else column.unit
