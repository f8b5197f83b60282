"""Measures again: readings on prepared bearings and an output set in, a set of just those structures out."""

from __future__ import annotations

import json
import platform
import socket
import time
from collections.abc import Sequence
from dataclasses import dataclass, field, fields, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

import geoadjust
from geoadjust.core.blank import blank
from geoadjust.core.columns import (
    METHODS,
    RIM_BASES,
    Bars,
    Chimneys,
    Pavings,
    Reasons,
    RoadModels,
    Structures,
    Uncertainties,
    arrays_of,
    quantities_of,
    take,
)
from geoadjust.core.flags import CODES
from geoadjust.core.inputs import INPUT_NAMES
from geoadjust.core.measured import ROADS, Measured, Planned, Remeasured, remeasure, rules_on_bearing, still_counting
from geoadjust.core.rim import Roads
from geoadjust.errors import Fault, InputError
from geoadjust.io.fingerprint import fingerprint
from geoadjust.io.intake.field_tables import read_field_table
from geoadjust.io.intake.readings import Taken, take_readings
from geoadjust.io.results.bundles import read_bundle, read_lines
from geoadjust.io.results.columns import MODELS
from geoadjust.io.results.measured_set import MeasuredRows, read_source, write_measured
from geoadjust.io.results.sets import SetWriter
from geoadjust.io.results.stored_job import stored_job
from geoadjust.io.results.tables import Bucket, Texts
from geoadjust.io.results.whole import WholeSet, open_set
from geoadjust.io.working.chunk_files import Records
from geoadjust.io.working.spill import to_records
from geoadjust.process import plain
from geoadjust.run.chunks import Arrays, flatten
from geoadjust.run.computing import setting_of
from geoadjust.run.measured_tables import field_tables
from geoadjust.run.output import Tally

Floats = NDArray[np.float64]
Index = NDArray[np.int64]

MANY = 20


@dataclass(frozen=True, slots=True)
class RemeasureOptions:
    """How readings are read; `unit` of bare numbers, '' = every length has its own."""

    unit: str = ""
    layer: str | None = None
    overwrite: bool = False
    command: tuple[str, ...] = ()


@dataclass(slots=True)
class Remade:
    """What was written, and what a person should know."""

    out: str
    tally: Tally
    lines: list[dict[str, Any]] = field(default_factory=list)
    left_out: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    def as_json(self) -> dict[str, Any]:
        """Plain values."""
        return {
            "out": self.out,
            "structures": len(self.lines),
            "ready": dict(sorted(self.tally.ready.items())),
            "flags": dict(sorted(self.tally.flags.items())),
            "measured": self.lines,
            "left_out": self.left_out,
            "notes": self.notes,
        }


def remeasure_set(folder: Path, readings: Path, out: Path, options: RemeasureOptions = RemeasureOptions()) -> Remade:
    """Plan the structures of a table of readings again, on their bearings as measured, into a new output set.

    Parameters
    ----------
    folder : the output set with the plan; it is left as it is
    readings : CSV, XLSX or GeoPackage
    out : the new set

    Raises
    ------
    InputError
        no output set; a table that cannot be read, with every fault; readings of no structure of the set
    OutputBusyError, OutputError
        the set could not be written
    """
    table = read_field_table(str(readings), where="readings", layer=options.layer)
    taken, ignored = take_readings(table, unit=options.unit)
    with open_set(folder) as whole:
        found, left_out = _matched(whole, taken, table.path)
        if not found:
            raise InputError([Fault("readings", told, "an id of one structure in the set") for told in left_out])
        rows = sorted(found)
        with SetWriter(out, overwrite=options.overwrite) as writer:
            again = _Again(whole, rows, [found[row] for row in rows])
            counts = again.write(writer.folder, _facts(whole, fingerprint(Path(table.path)), options))
            again.tally.tables.update(counts)
            writer.commit(_record(whole, again.tally, left_out, options, str(readings)))
        remade = Remade(str(out), again.tally, again.told(), left_out)
    if ignored:
        remade.notes.append(f"columns that were not read: {', '.join(ignored[:MANY])}")
    return remade


def _matched(whole: WholeSet, taken: Sequence[Taken], path: str) -> tuple[dict[int, Taken], list[str]]:
    """Readings by row of the set; and what fits no structure, in words.

    Raises
    ------
    InputError
        two groups of readings of one structure
    """
    columns = whole.columns("row", "structure_id")
    ids: dict[str, list[int]] = {}
    for row, name in zip(columns["row"], columns["structure_id"], strict=True):
        ids.setdefault(name or "", []).append(row)
    names = dict(zip(columns["row"], columns["structure_id"], strict=True))
    found: dict[int, Taken] = {}
    left_out, faults = [], []
    for each in taken:
        where = f"{path}, line {each.line}"
        rows = ids.get(each.id, []) if each.row is None else [each.row] if each.row in names else []
        if each.row is not None and rows and each.id and names[each.row] != each.id:
            faults.append(
                Fault(where, f"row {each.row} is {names[each.row]!r}, not {each.id!r}", "", "write one of both")
            )
        elif len(rows) != 1:
            listed = ", ".join(map(str, rows[:MANY]))
            told = f"{len(rows)} structures with id {each.id!r} (rows {listed}): write the row" if rows else ""
            told = told or (f"no row {each.row} in the set" if each.row is not None else f"no structure {each.id!r}")
            left_out.append(f"{where}: {told}")
        elif rows[0] in found:
            faults.append(Fault(where, f"{each.id!r} again, as on line {found[rows[0]].line}", "one name for it"))
        else:
            found[rows[0]] = each
    if faults:
        raise InputError(faults)
    return found, left_out


class _Again:
    """The plan of some structures read back, and computed again. Places 0, 1, ... stand for their rows."""

    def __init__(self, whole: WholeSet, rows: list[int], taken: list[Taken]) -> None:
        self.whole, self.rows, self.taken = whole, rows, taken
        self.setting = setting_of(stored_job(whole))
        self.structures = _structures(whole, rows)
        self.roads = _roads(whole, rows)
        self.mark = read_column(whole, "rims_mark", rows)
        self.measured = _measured(taken, self.mark, self.structures)
        self.planned = _planned(whole, rows)
        self.tally = Tally()
        parts = self._planned_again()
        self.results, self.reasons = _records(parts)
        self.remeasured = parts

    def _planned_again(self) -> list[tuple[NDArray[np.intp], Remeasured]]:
        """Rule set by rule set."""
        carried = still_counting(_reasons(self.whole, self.rows), self.measured)
        parts = []
        for rule_set in np.unique(self.structures.rule_set):
            index = np.flatnonzero(self.structures.rule_set == rule_set)
            roads = Roads(*(take(getattr(self.roads, item.name), index) for item in fields(Roads)))
            measured, planned = (_some(each, index) for each in (self.measured, self.planned))
            own = take(carried, np.flatnonzero(np.isin(carried.row, index)))
            again = remeasure(
                take(self.structures, index),
                roads,
                measured,
                planned,
                self.whole.rule_sets[rule_set],
                self.whole.catalogue,
                self.setting,
                own,
            )
            parts.append((index, again))
        return parts

    def write(self, folder: Path, facts: dict[str, str]) -> dict[str, int]:
        """Write the set's files; rows of each table."""
        source = read_source(self.whole, self.rows)
        names: Texts = np.array([name or "" for name in source.texts.column("structure_id").to_pylist()], dtype=object)
        extra = field_tables(self.rows, names.tolist(), self.taken, self.measured, self.mark, self.remeasured)
        counts = write_measured(folder, self.whole, MeasuredRows(source, self.results, self.reasons, extra), facts)
        self.tally.add(Bucket(self.results, self.reasons, source.raw, names))
        self.names = names.tolist()
        return counts

    def told(self) -> list[dict[str, Any]]:
        """One line per structure for the terminal."""
        from geoadjust.core.columns import READY
        from geoadjust.core.flag_list import FLAGS

        codes: dict[int, list[str]] = {}
        for row, code in zip(self.reasons["row"].tolist(), self.reasons["code"].tolist(), strict=True):
            codes.setdefault(row, []).append(FLAGS[code].code)
        return [
            {
                "row": row,
                "structure_id": self.names[place],
                "method": METHODS[self.results["verdicts.method"][place]],
                "ready": READY[self.results["verdicts.ready"][place]],
                "flags": list(dict.fromkeys(codes.get(place, []))),
            }
            for place, row in enumerate(self.rows)
        ]


def read_column(whole: WholeSet, name: str, rows: Sequence[int]) -> Floats:
    """A figure of the table of models; NaN where empty."""
    return np.array([line[0] for line in read_lines(whole, "models", [name], rows)], dtype=float)


def _structures(whole: WholeSet, rows: Sequence[int]) -> Structures:
    read = read_bundle(whole, "structures", Structures, rows)
    names = [rules.name for rules in whole.rule_sets]
    lines = read_lines(whole, "schedule", ["rule_set", "method", "rim_basis"], rows)
    basis = [RIM_BASES.index(line[2] or "none") for line in lines]
    return replace(
        read,
        row=np.arange(len(rows)),
        rule_set=np.array([names.index(line[0]) for line in lines], dtype=np.int64),
        other_owner=np.array([line[1] == "other_owner" for line in lines], dtype=bool),
        claimed_basis=np.array(basis, dtype=np.int8),
    )


def _roads(whole: WholeSet, rows: Sequence[int]) -> Roads:
    """The three roads; what is stored of the existing one alone holds for the others too."""
    existing = read_bundle(whole, "existing", RoadModels, rows)
    milled, finished = (_like(existing, whole, name, rows) for name in ("milled", "finished"))
    n = len(rows)
    return Roads(existing, milled, finished, blank(Bars, n), read_bundle(whole, "pavings", Pavings, rows))


def _like(existing: RoadModels, whole: WholeSet, name: str, rows: Sequence[int]) -> RoadModels:
    stored = {column.source.partition(".")[2] for column in MODELS if column.source.startswith(f"{name}.")}
    read = read_bundle(whole, name, RoadModels, rows)
    return replace(existing, **{each: getattr(read, each) for each in quantities_of(RoadModels) if each in stored})


def _planned(whole: WholeSet, rows: Sequence[int]) -> Planned:
    chimneys = read_bundle(whole, "chimneys", Chimneys, rows)
    known = read_bundle(whole, "uncertainties", Uncertainties, rows)
    return Planned(chimneys.height, known.chimney_sd, chimneys.tilt_east, chimneys.tilt_north, known.slope_sd)


def _reasons(whole: WholeSet, rows: Sequence[int]) -> Reasons:
    """Reasons of the plan; their rows are places."""
    found: list[tuple[float, ...]] = []
    query = 'SELECT code, value, "limit", text FROM reasons WHERE "row" = ? ORDER BY fid'
    for place, row in enumerate(rows):
        for code, value, limit, text in whole.database.execute(query, (row,)):
            word = str(text).partition(" ")[0]
            subject = INPUT_NAMES.index(word) if word in INPUT_NAMES else -1
            found.append((place, CODES[code], *(np.nan if x is None else x for x in (value, limit)), subject))
    table = np.array(found, dtype=float).reshape(-1, 5)
    kinds = {name: array.dtype for name, array in arrays_of(blank_reasons())}
    order = dict(zip(("row", "code", "value", "limit", "subject"), table.T, strict=True))
    return Reasons(**{name: order[name].astype(kind) for name, kind in kinds.items()})


def blank_reasons() -> Reasons:
    """No reasons."""
    from geoadjust.core.flags import Notes

    return Notes(0).reasons(np.empty(0, dtype=np.int64))


def _measured(taken: Sequence[Taken], mark: Floats, structures: Structures) -> Measured:
    """Arrays of what was read; stations by the clock are turned by the mark."""
    n, most = len(taken), max(len(each.stations) for each in taken)
    azimuth, radius, depth = (np.full((n, most), np.nan) for _ in range(3))
    for place, each in enumerate(taken):
        for k, station in enumerate(each.stations):
            azimuth[place, k] = station.turn + (0.0 if station.grid else mark[place])
            radius[place, k], depth[place, k] = each.radius, station.depth
    reference = [ROADS.index(each.reference) if each.reference else -1 for each in taken]
    untouched = (np.nan_to_num(structures.mill) == 0) & (np.nan_to_num(structures.overlay) == 0)
    return Measured(
        reference=np.where((np.array(reference) < 0) & untouched, 0, reference),
        azimuth=azimuth,
        radius=radius,
        depth=depth,
        to_come=np.array([each.to_come for each in taken]),
        casting_height=np.array([each.casting_height for each in taken]),
        flange_diameter=np.array([each.flange_outside_diameter for each in taken]),
    )


def _some(bundle: Any, index: NDArray[np.intp]) -> Any:
    return type(bundle)(*(getattr(bundle, item.name)[index] for item in fields(bundle)))


def _records(parts: list[tuple[NDArray[np.intp], Remeasured]]) -> tuple[Records, Records]:
    """Results and reasons of all rule sets, by place."""
    plans = [flatten(again.plan) for _, again in parts]
    whole: Arrays = {name: np.concatenate([plan[name] for plan in plans]) for name in plans[0]}
    row = whole["structures.row"]
    results = to_records({"row": row, **{k: v for k, v in whole.items() if not k.startswith("reasons.")}})
    reasons = to_records({k.removeprefix("reasons."): v for k, v in whole.items() if k.startswith("reasons.")})
    order = np.lexsort((reasons["subject"], reasons["code"], reasons["row"]))
    return results.take(np.argsort(row, kind="stable")), reasons.take(order)


def _facts(whole: WholeSet, hashed: str, options: RemeasureOptions) -> dict[str, str]:
    """Rows of the table `run`: those of the plan, and what was measured."""
    older = dict(tuple(line) for line in whole.database.execute("SELECT key, value FROM run"))
    plan = {name: each["sha256"] for name, each in whole.record["files"].items()}
    told = {"plan": plan, "readings": hashed, "unit": options.unit, "geoadjust": geoadjust.__version__}
    settings = json.loads(older["settings"])
    settings["structures"]["tape_accuracy"] = settings["structures"]["reading_accuracy"]
    rules = [plain(rules_on_bearing(each)) for each in whole.rule_sets]
    return {
        **older,
        "settings": json.dumps(settings, ensure_ascii=False, sort_keys=True),
        "rules": json.dumps(rules, ensure_ascii=False, sort_keys=True),
        "remeasured": json.dumps(told, sort_keys=True),
    }


def _record(
    whole: WholeSet, tally: Tally, left_out: list[str], options: RemeasureOptions, readings: str
) -> dict[str, Any]:
    """What `run.json` says."""
    kept: dict[str, Any] = {
        key: whole.record[key] for key in ("format", "job", "sources", "operations") if key in whole.record
    }
    return {
        **kept,
        "geoadjust": geoadjust.__version__,
        "command": list(options.command),
        "remeasured": {"plan": whole.folder, "readings": readings, "left_out": left_out},
        "counts": {item.name: dict(getattr(tally, item.name)) for item in fields(tally)},
        "findings": [],
        "host": {"name": socket.gethostname(), "system": platform.platform(), "python": platform.python_version()},
        "finished_at": time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime()),
    }
