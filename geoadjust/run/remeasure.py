"""Measures again: readings on prepared bearings and an output set in, a set of just those structures out."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

import geoadjust
from geoadjust.core.columns import METHODS, READY, Structures, take
from geoadjust.core.flag_list import FLAGS
from geoadjust.core.measured import ROADS, Measured, Remeasured, remeasure, rules_on_bearing, still_counting
from geoadjust.core.rim import Roads
from geoadjust.io.fingerprint import fingerprint
from geoadjust.io.intake.field_tables import read_field_table
from geoadjust.io.intake.readings import Taken, take_readings
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
from geoadjust.run.field_rows import MANY, match_rows
from geoadjust.run.measured_tables import field_tables
from geoadjust.run.output import Tally
from geoadjust.run.planned import read_marks, read_planned, read_reasons, read_roads, read_structures
from geoadjust.run.told import made_by

Floats = NDArray[np.float64]


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
        found, left_out = match_rows(whole, taken, table.path)
        rows = list(found)
        with SetWriter(out, overwrite=options.overwrite) as writer:
            again = _Again(whole, rows, list(found.values()))
            counts = again.write(writer.folder, _facts(whole, fingerprint(Path(table.path)), options))
            again.tally.tables.update(counts)
            writer.commit(_record(whole, again.tally, left_out, options, str(readings)))
        remade = Remade(str(out), again.tally, again.told(), left_out)
    if ignored:
        remade.notes.append(f"columns that were not read: {', '.join(ignored[:MANY])}")
    return remade


class _Again:
    """The plan of some structures read back, and computed again. Places 0, 1, ... stand for their rows."""

    def __init__(self, whole: WholeSet, rows: list[int], taken: list[Taken]) -> None:
        self.whole, self.rows, self.taken = whole, rows, taken
        self.setting = setting_of(stored_job(whole))
        self.structures = read_structures(whole, rows)
        self.roads = read_roads(whole, rows)
        self.mark = read_marks(whole, rows)
        self.measured = _measured(taken, self.mark, self.structures)
        self.planned = read_planned(whole, rows)
        self.tally = Tally()
        parts = self._planned_again()
        self.results, self.reasons = _records(parts)
        self.remeasured = parts

    def _planned_again(self) -> list[tuple[NDArray[np.intp], Remeasured]]:
        """Rule set by rule set."""
        carried = still_counting(read_reasons(self.whole, self.rows), self.measured)
        parts = []
        for rule_set in np.unique(self.structures.rule_set):
            index = np.flatnonzero(self.structures.rule_set == rule_set)
            roads = Roads(*(take(getattr(self.roads, item.name), index) for item in fields(Roads)))
            measured, planned = self.measured.take(index), self.planned.take(index)
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


def _measured(taken: Sequence[Taken], mark: Floats, structures: Structures) -> Measured:
    """Arrays of what was read; stations by the clock are turned by the mark."""
    n, most = len(taken), max(len(each.stations) for each in taken)
    azimuth, radius, depth = (np.full((n, most), np.nan) for _ in range(3))
    for place, each in enumerate(taken):
        for k, station in enumerate(each.stations):
            azimuth[place, k] = station.place.azimuth(mark[place])
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
        **made_by(options.command),
        "remeasured": {"plan": whole.folder, "readings": readings, "left_out": left_out},
        "counts": {item.name: dict(getattr(tally, item.name)) for item in fields(tally)},
        "findings": [],
    }
