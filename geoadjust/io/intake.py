"""From rows as they stand to `Structures`: units, catalogue, rule set, axis; and the reasons found at the door.

A fault of a row never stops: the cell is left out and flagged. Each fact stated at the structure beats the catalogue,
which beats the rule set's usual sizes.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from geoadjust.core.columns import CONDITIONS, KINDS, REFERENCES, RIM_BASES, Reasons, Structures
from geoadjust.core.flags import Notes
from geoadjust.core.inputs import INPUT_NAMES, INPUTS
from geoadjust.core.rules import Catalogue, Job, RuleSet
from geoadjust.io.centrelines import Axes
from geoadjust.io.structures import RawBatch, StructureFacts
from geoadjust.io.values import Values, read_numbers, read_texts, read_words, read_yes_no

Floats = NDArray[np.float64]
Texts = NDArray[np.object_]

AXIS_COLUMN, AXIS_CENTRELINE = 0, 1


@dataclass(frozen=True, slots=True, eq=False)
class Intake:
    """One batch of structures, ready to be computed, with the reasons found at the door."""

    structures: Structures
    reasons: Reasons


@dataclass(frozen=True, slots=True)
class Door:
    """What is needed to take a row in."""

    job: Job
    facts: StructureFacts
    catalogue: Catalogue
    vertical_unit: str
    find_axes: Callable[[Floats, Floats], Axes] | None
    find_convergence: Callable[[Floats, Floats], Floats]

    def take_in(self, raw: RawBatch, duplicates: NDArray[np.int64], neighbours: NDArray[np.int64]) -> Intake:
        """Structures of one batch.

        Parameters
        ----------
        raw : rows of the layer
        duplicates, neighbours : (n,) rows with the same id, rows at the same place, of the whole layer
        """
        reading = _Reading(self, raw)
        _note_rows(reading, duplicates, neighbours)
        return Intake(_structures(reading), reading.notes.reasons(raw.first + np.arange(len(raw))))


class _Reading:
    """One batch on its way in: columns by our names, and the notes taken."""

    def __init__(self, door: Door, raw: RawBatch) -> None:
        self.door, self.raw, self.n = door, raw, len(raw)
        self.notes = Notes(self.n)
        self.notes.add("blank_id", np.zeros(self.n, dtype=bool))

    def column(self, name: str) -> pa.ChunkedArray | None:
        theirs = self.door.facts.columns.get(name)
        if theirs == "@z":
            return pa.chunked_array([pa.array(self.raw.elevation, from_pandas=True)])
        return None if theirs is None else self.raw.attributes.column(theirs)

    def texts(self, name: str) -> Texts:
        return read_texts(self.column(name), self.n)

    def numbers(self, name: str) -> Floats:
        """SI values; what cannot be read or is not plausible is NaN and noted."""
        spec, subject = INPUTS[name], INPUT_NAMES.index(name)
        table = self.door.job.structures
        unit = {"height": self.door.vertical_unit, "dimension": table.dimension_unit}.get(spec.group, "")
        values: Values = read_numbers(self.column(name), self.n, spec, unit=unit)
        self.notes.add("value_unreadable", values.unreadable, subject=subject)
        limit = np.where(values.stated < spec.low, spec.low, spec.high)
        self.notes.add("value_implausible", values.implausible, values.stated, limit, subject)
        return values.numbers

    def words(self, name: str, words: tuple[str, ...]) -> NDArray[np.int8]:
        index, unknown = read_words(self.column(name), self.n, words)
        self.notes.add("value_unreadable", unknown, subject=INPUT_NAMES.index(name))
        return index

    def parts(self, name: str) -> NDArray[np.int16]:
        """Index of a casting of the catalogue, -1 where none is named or it is not listed."""
        texts = self.texts(name)
        known = {part.id: index for index, part in enumerate(self.door.catalogue.casting)}
        index = np.array([known.get(text, -1) for text in texts], dtype=np.int16)
        self.notes.add("not_in_catalogue", (index < 0) & (texts != ""), subject=INPUT_NAMES.index(name))
        return index


def _note_rows(reading: _Reading, duplicates: NDArray[np.int64], neighbours: NDArray[np.int64]) -> None:
    notes, raw = reading.notes, reading.raw
    notes.add("position_missing", raw.parts != 1)
    notes.add("blank_id", reading.texts("id") == "")
    notes.add("duplicate_id", duplicates > 1, duplicates.astype(float))
    notes.add("same_place", neighbours > 1, neighbours.astype(float))


def _structures(reading: _Reading) -> Structures:
    table = reading.door.job.structures
    kind, unknown = read_words(reading.column("kind"), reading.n, KINDS, table.kinds)
    reading.notes.add("kind_unknown", unknown)
    kind = np.where(kind < 0, KINDS.index(table.default_kind), kind).astype(np.int8)
    owner = reading.texts("owner")
    riser, unreadable = read_yes_no(reading.column("riser_present"), reading.n)
    reading.notes.add("value_unreadable", unreadable, subject=INPUT_NAMES.index("riser_present"))
    rule_set = choose_rule_sets(reading.door.job.rules, kind, reading.texts("street"))
    east, north = reading.raw.east, reading.raw.north
    return Structures(
        row=reading.raw.first + np.arange(reading.n),
        rule_set=rule_set,
        kind=kind,
        other_owner=np.array([bool(table.owners) and text not in ("", *table.owners) for text in owner], dtype=bool),
        convergence=reading.door.find_convergence(east, north),
        rim=reading.numbers("rim"),
        gap=reading.numbers("gap"),
        claimed_basis=np.full(reading.n, _claimed_basis(reading), dtype=np.int8),
        bearing=reading.numbers("bearing"),
        measure_down=reading.numbers("measure_down"),
        measure_down_from=reading.words("measure_down_from", REFERENCES),
        existing_chimney=reading.numbers("existing_chimney"),
        riser_present=riser,
        chimney_condition=reading.words("chimney_condition", CONDITIONS),
        **_axes(reading),
        **_castings(reading, rule_set),
        **_paving(reading),
    )


def _claimed_basis(reading: _Reading) -> int:
    """The job's word; without one, rims that are mapped are surveyed, and gaps that are mapped are measured."""
    basis, columns = reading.door.job.structures.rim_basis, reading.door.facts.columns
    if not basis:
        basis = "surveyed" if "rim" in columns else "gap" if "gap" in columns else "assumed_flush"
    return RIM_BASES.index(basis)


def choose_rule_sets(sets: Sequence[RuleSet], kind: NDArray[np.int8], street: Texts) -> NDArray[np.int16]:
    """First rule set whose kinds and streets match, (n,)."""
    chosen = np.full(len(kind), -1, dtype=np.int16)
    for index, rules in enumerate(sets):
        fits = np.isin(kind, [KINDS.index(name) for name in rules.kinds]) | (not rules.kinds)
        fits &= np.isin(street, list(rules.streets)) | (not rules.streets)
        chosen = np.where((chosen < 0) & fits, index, chosen).astype(np.int16)
    return chosen


def _axes(reading: _Reading) -> dict[str, NDArray[np.generic]]:
    own = np.mod(reading.numbers("axis"), 2 * np.pi)
    source = np.where(np.isfinite(own), AXIS_COLUMN, -1)
    if reading.door.find_axes is not None:
        found = reading.door.find_axes(reading.raw.east, reading.raw.north)
        missing = np.isnan(own)
        own = np.where(missing, found.azimuth, own)
        source = np.where(missing & np.isfinite(found.azimuth), AXIS_CENTRELINE, source)
        reading.notes.add("axis_ambiguous", missing & found.ambiguous, found.difference)
    return {"axis": own, "axis_source": source.astype(np.int8)}


def _castings(reading: _Reading, rule_set: NDArray[np.int16]) -> dict[str, NDArray[np.generic]]:
    castings = reading.door.catalogue.casting
    old, new = reading.parts("casting"), reading.parts("new_casting")
    height = _first(reading.numbers("casting_height"), _size(castings, "height", old))
    new_height = reading.numbers("new_casting_height")
    recast = (reading.texts("new_casting") != "") | np.isfinite(new_height)
    new_height = _first(new_height, _size(castings, "height", new), np.where(recast, np.nan, height))
    sets = reading.door.job.rules
    usual_flange = np.array([rules.usual_flange_diameter for rules in sets])[rule_set]
    usual_frame = np.array([rules.usual_frame_diameter for rules in sets])[rule_set]
    own_flange, own_frame = reading.numbers("flange_outside_diameter"), reading.numbers("frame_top_diameter")
    old_flange = _first(own_flange, _size(castings, "flange_outside_diameter", old))
    flange = _first(_size(castings, "flange_outside_diameter", new), old_flange)
    frame = _first(
        _size(castings, "frame_top_diameter", new),
        own_frame,
        _size(castings, "frame_top_diameter", old),
        np.minimum(flange, usual_frame),
        usual_frame,
    )
    return {
        "casting": old,
        "recast": recast,
        "casting_height": height,
        "new_casting_height": new_height,
        "size_known": np.isfinite(flange),
        "flange_diameter": _first(flange, usual_flange),
        "old_flange_diameter": _first(old_flange, flange, usual_flange),
        "frame_top_diameter": frame,
    }


def _size(castings: Sequence[object], name: str, index: NDArray[np.int16]) -> Floats:
    sizes = np.array([*(getattr(part, name) for part in castings), np.nan])
    return np.asarray(sizes[index])


def _first(*candidates: Floats) -> Floats:
    """The first stated value of several."""
    chosen = candidates[0]
    for candidate in candidates[1:]:
        chosen = np.where(np.isfinite(chosen), chosen, candidate)
    return chosen


def _paving(reading: _Reading) -> dict[str, Floats]:
    """Mill and overlay of each structure: its own column, else the job's; blank in both counts as none and is noted."""
    finished = reading.door.job.finished
    found = {}
    for name in ("mill", "overlay"):
        own = reading.numbers(name)
        general = getattr(finished[0], name) if finished else None
        design = bool(finished) and bool(finished[0].path)
        value = own if general is None else _first(own, np.full(reading.n, general))
        mapped = name in reading.door.facts.columns and not design
        reading.notes.add("paving_unstated", ~np.isfinite(value) & mapped, subject=INPUT_NAMES.index(name))
        found[name] = value
    return found
