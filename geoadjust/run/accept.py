"""Finished covers judged: a table of gaps and an output set in, a result with what was found of each out."""

from __future__ import annotations

import json
import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from geoadjust.core.acceptance import (
    BAD,
    GOOD,
    LAID,
    LOOKED_AT,
    OUTCOMES,
    Gaps,
    Judged,
    Limits,
    Roads,
    accept,
)
from geoadjust.core.columns import RoadModels, Structures
from geoadjust.core.edge import edge_plane
from geoadjust.core.findings import Finding
from geoadjust.core.rim import frame_edges
from geoadjust.core.rules import Job, PavedTable
from geoadjust.errors import Fault, InputError
from geoadjust.io.fingerprint import fingerprint
from geoadjust.io.intake.field_tables import read_field_table
from geoadjust.io.intake.gaps import Inspected, take_gaps
from geoadjust.io.results.bundles import read_lines
from geoadjust.io.results.field_columns import ACCEPTANCE, ACCEPTANCE_TABLES, ASKS
from geoadjust.io.results.geopackage import CROSS, DIAMOND, SQUARE, Style
from geoadjust.io.results.sets import SetWriter
from geoadjust.io.results.step_set import Step, write_step
from geoadjust.io.results.stored_job import stored_job
from geoadjust.io.results.whole import WholeSet, open_set
from geoadjust.run.field_rows import FieldOptions, FieldResult, match_rows
from geoadjust.run.paved_gaps import paved_gaps, read_paved
from geoadjust.run.planned import read_marks, read_roads, read_structures
from geoadjust.run.told import made_by, step_facts

Floats = NDArray[np.float64]
FORMAT = "geoadjust acceptance 1"
STYLE = Style(
    "acceptance",
    "Finished covers by outcome",
    "outcome",
    dict(zip(OUTCOMES, (SQUARE, DIAMOND, CROSS), strict=True)),
    dict(zip(OUTCOMES, ("nothing against it", "something is missing to judge by", "to be mended"), strict=True)),
    ACCEPTANCE,
    "findings",
)


@dataclass(frozen=True, slots=True)
class AcceptOptions(FieldOptions):
    """How the table is read; and a survey after paving in place of gaps, with its day."""

    paved: PavedTable | None = None
    day: date | None = None


PLAIN = AcceptOptions()


def accept_set(folder: Path, table_path: Path | None, out: Path, options: AcceptOptions = PLAIN) -> FieldResult:
    """Judge the covers of a table of gaps by the rules of their set, into a new result folder.

    Parameters
    ----------
    folder : the output set with the plan, or with what was measured; it is left as it is
    table_path : CSV, XLSX or GeoPackage; None = all covers of the set are read from the survey
    out : the new folder

    Raises
    ------
    InputError
        no output set; a table that cannot be read, with every fault; gaps of no structure of the set
    OutputBusyError, OutputError
        the folder could not be written
    """
    taken, ignored, path = _table(table_path, options)
    with open_set(folder) as whole:
        found, left_out = match_rows(whole, taken, path) if table_path else (_all_of(whole), [])
        result = _Result(whole, found, options)
        with SetWriter(out, overwrite=options.overwrite) as writer:
            inputs = {"unit": options.unit} | ({"gaps": fingerprint(Path(path))} if table_path else {})
            if options.paved is not None:
                inputs |= {"paved": result.survey, "day": str(options.day)}
            facts = step_facts(whole, inputs)
            counts = write_step(writer.folder, whole, result.step(), facts)
            record = {
                "format": FORMAT,
                **made_by(options.command),
                "accepted": {"set": whole.folder, "gaps": path, "left_out": left_out},
                "counts": {"tables": counts, "outcome": dict(Counter(result.outcomes()))},
            }
            writer.commit(record)
    return FieldResult(str(out), "structures", result.lines(), left_out, ignored)


def _table(path: Path | None, options: AcceptOptions) -> tuple[list[Inspected], list[str], str]:
    """What was measured and seen, columns that were not read, and the table's path."""
    if options.paved is not None and options.day is None:
        raise InputError(Fault("--day", "missing", "year-month-day", "write the day of the survey"))
    if path is None:
        return [], [], ""
    table = read_field_table(str(path), where="gaps", layer=options.layer)
    taken, ignored = take_gaps(table, unit=options.unit)
    rims = [gap.line for each in taken for gap in each.gaps if not math.isnan(gap.rim)]
    if rims and options.paved is None:
        what = "an elevation of the rim, and no road to compare it with"
        raise InputError(Fault(f"{table.path}, line {rims[0]}, rim", what, remedy="name the new road with --paved"))
    return taken, ignored, table.path


def _all_of(whole: WholeSet) -> dict[int, Inspected]:
    """Every structure that has a place, nothing measured by hand."""
    columns = whole.columns("row", "structure_id", "east")
    unseen = dict.fromkeys(LOOKED_AT, -1)
    rows = zip(columns["row"], columns["structure_id"], columns["east"], strict=True)
    return {row: Inspected(name or "", row, 0, looked=dict(unseen)) for row, name, east in rows if east is not None}


class _Result:
    """Structures of a table judged, rule set by rule set. Places 0, 1, ... stand for their rows."""

    def __init__(self, whole: WholeSet, found: dict[int, Inspected], options: AcceptOptions) -> None:
        self.rows, self.taken = list(found), list(found.values())
        job, self.units = stored_job(whole), whole.units
        structures = read_structures(whole, self.rows)
        self.rules = [whole.rule_sets[index] for index in structures.rule_set]
        self.gaps = _gaps(self.taken, read_marks(whole, self.rows))
        self.names = read_lines(whole, "schedule", ["structure_id", "street"], self.rows)
        self.survey = ""
        roads, survey = _roads(whole, self.rows, structures), None
        if options.paved is not None and options.day is not None:
            paved = read_paved(whole, self.rows, structures, job, options.paved)
            self.gaps, survey = paved_gaps(paved, self.gaps, self.taken, structures, whole, job, options.day)
            roads, self.survey = _slopes_of(paved.road, roads), json.dumps(paved.source, sort_keys=True)
            for inspected, row in zip(self.taken, self.gaps.gap, strict=True):
                inspected.day = inspected.day or (options.day if np.isfinite(row).any() else None)
        self.judged: list[tuple[Judged, int]] = [None] * len(self.rows)  # type: ignore[list-item]
        self.findings: list[list[Finding]] = [[] for _ in self.rows]
        for rule_set in np.unique(structures.rule_set):
            index = np.flatnonzero(structures.rule_set == rule_set)
            looked = {name: np.array([self.taken[i].looked[name] for i in index], dtype=np.int64) for name in LOOKED_AT}
            one, findings = accept(
                self.gaps.take(index),
                looked,
                roads.take(index),
                whole.rule_sets[rule_set],
                _limits(job),
                None if survey is None else survey.take(index),
            )
            for k, place in enumerate(index):
                self.judged[place] = (one, k)
            for each in findings.sorted():
                self.findings[index[each.place]].append(each)

    def outcomes(self) -> list[str]:
        """Outcome of each structure."""
        return [OUTCOMES[one.outcome[k]] for one, k in self.judged]

    def step(self) -> Step:
        """Layer and tables."""
        return Step(
            STYLE,
            ACCEPTANCE_TABLES,
            {"acceptance": self._acceptance(), "gaps": self._gap_rows(), "findings": self._finding_rows()},
        )

    def lines(self) -> list[dict[str, Any]]:
        """One line per structure for the terminal."""
        return [
            {
                "row": row,
                "structure_id": name[0] or "",
                "outcome": outcome,
                "findings": [each.kind.code for each in findings],
                "sentences": [each.sentence(self.units) for each in findings if each.kind.asks],
            }
            for row, name, outcome, findings in zip(self.rows, self.names, self.outcomes(), self.findings, strict=True)
        ]

    def _acceptance(self) -> dict[str, Any]:
        def figure(name: str, factor: float) -> list[float]:
            return [float(getattr(one, name)[k]) * factor for one, k in self.judged]

        seen = {name: [_word(name, each.looked[name]) for each in self.taken] for name in LOOKED_AT}
        return {
            **self._who(),
            "street": [name[1] for name in self.names],
            "outcome": self.outcomes(),
            "findings": [" ".join(dict.fromkeys(each.kind.code for each in found)) for found in self.findings],
            "rule_set": [rules.name for rules in self.rules],
            "measured_by": [rules.measured_by for rules in self.rules],
            "allowed_low_mm": [1000 * one.low for one, _ in self.judged],
            "allowed_high_mm": [1000 * one.high for one, _ in self.judged],
            "gaps": [int(one.count[k]) for one, k in self.judged],
            **{f"{name}_mm": figure(name, 1000) for name in ("worst", "mean", "settled")},
            **{f"{name}_pct": figure(name, 100) for name in ("tilt", "grade", "cross_slope")},
            "days": [int(one.days[k]) for one, k in self.judged],
            **seen,
            "day": [each.day.isoformat() if each.day else None for each in self.taken],
            **{name: [getattr(each, name) or None for each in self.taken] for name in ("by", "note")},
        }

    def _who(self) -> dict[str, Any]:
        return {"row": self.rows, "structure_id": [name[0] for name in self.names]}

    def _gap_rows(self) -> dict[str, Any]:
        place, k = np.nonzero(np.isfinite(self.gaps.gap))
        gaps, last = self.gaps, self.gaps.last
        who = self._who()
        return {
            **{name: [values[i] for i in place] for name, values in who.items()},
            "day": [date.fromordinal(int(each)).isoformat() for each in gaps.day[place, k]],
            "azimuth_deg": np.mod(np.degrees(gaps.azimuth[place, k]), 360),
            "gap_mm": 1000 * gaps.gap[place, k],
            "signed": gaps.signed[place, k].astype(int).tolist(),
            "bar_mm": 1000 * gaps.bar[place, k],
            "laid": [LAID[each] if each >= 0 else None for each in gaps.laid[place, k]],
            "last_day": last[place, k].astype(int).tolist(),
        }

    def _finding_rows(self) -> dict[str, Any]:
        listed = [(place, each) for place, found in enumerate(self.findings) for each in found]
        who = self._who()
        return {
            **{name: [values[i] for i, _ in listed] for name, values in who.items()},
            "code": [each.kind.code for _, each in listed],
            "asks": [ASKS[each.kind.asks] for _, each in listed],
            "value": [each.value for _, each in listed],
            "limit": [each.limit for _, each in listed],
            "text": [each.sentence(self.units) for _, each in listed],
        }


def _word(name: str, looked: int) -> str | None:
    return {1: GOOD[name], 0: BAD[name]}.get(looked)


def _limits(job: Job) -> Limits:
    return Limits(job.ring.bar_length, job.structures.gap_accuracy)


def _gaps(taken: Sequence[Inspected], mark: Floats) -> Gaps:
    """Arrays of what was measured; places by the clock are turned by the mark."""
    shape = len(taken), max((len(each.gaps) for each in taken), default=0) or 1
    azimuth, gap, bar = (np.full(shape, np.nan) for _ in range(3))
    signed, laid, day = np.ones(shape, dtype=bool), np.full(shape, -1), np.zeros(shape, dtype=np.int64)
    for place, each in enumerate(taken):
        turn = 0.0 if math.isnan(mark[place]) else float(mark[place])
        for k, one in enumerate(each.gaps):
            azimuth[place, k], gap[place, k], bar[place, k] = one.place.azimuth(turn), one.gap, one.bar
            signed[place, k], day[place, k] = one.signed, one.day.toordinal()
            laid[place, k] = LAID.index(one.laid) if one.laid else -1
    return Gaps(azimuth, gap, signed, bar, laid, day)


def _roads(whole: WholeSet, rows: Sequence[int], structures: Structures) -> Roads:
    """The finished road's plane at each cover's edge, as the set knows it."""
    edge = frame_edges(structures)
    plane = edge_plane(read_roads(whole, rows).finished, edge)
    return Roads(plane[:, 1], plane[:, 2], structures.axis, edge)


def _slopes_of(surveyed: RoadModels, planned: Roads) -> Roads:
    """The road's slope as it was surveyed, as planned where it was not."""
    plane = edge_plane(surveyed, planned.edge)
    known = np.isfinite(plane).all(axis=1)
    east, north = (
        np.where(known, plane[:, k], getattr(planned, name)) for k, name in ((1, "slope_east"), (2, "slope_north"))
    )
    return Roads(east, north, planned.axis, planned.edge)
