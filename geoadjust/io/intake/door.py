"""From rows as they stand to `Structures`: units, catalogue, rule set, axis, paving; and the reasons found at the door.

A fault of a row never stops: the cell is left out and flagged. Each fact stated at the structure beats the catalogue,
which beats the rule set's usual sizes.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from geoadjust.core.columns import CONDITIONS, KINDS, REFERENCES, RIM_BASES, Reasons, Structures
from geoadjust.core.inputs import INPUT_NAMES
from geoadjust.core.parts import Catalogue
from geoadjust.core.rules import Job, RuleSet
from geoadjust.io.intake.castings import take_castings
from geoadjust.io.intake.reading import Reading, first_stated
from geoadjust.io.intake.structures import RawBatch, StructureFacts
from geoadjust.io.intake.values import read_words
from geoadjust.io.lines.centrelines import LARGEST_TURN, Axes

if TYPE_CHECKING:
    from geoadjust.io.lines.areas import Areas

Floats = NDArray[np.float64]
Texts = NDArray[np.object_]
Mask = NDArray[np.bool_]
Columns = dict[str, NDArray[np.generic]]

AXIS_COLUMN, AXIS_CENTRELINE = 0, 1


@dataclass(frozen=True, slots=True, eq=False)
class Intake:
    """One batch of structures, ready to be computed, with the reasons found at the door."""

    structures: Structures
    reasons: Reasons


@dataclass(frozen=True, slots=True)
class Door:
    """What is needed to take a row in; None where the job names no lines or no paving areas."""

    job: Job
    facts: StructureFacts
    catalogue: Catalogue
    vertical_unit: str
    find_axes: Callable[[Floats, Floats], Axes] | None
    find_convergence: Callable[[Floats, Floats], Floats]
    find_areas: Callable[[Floats, Floats], Areas] | None = None

    def take_in(self, raw: RawBatch, duplicates: NDArray[np.int32], neighbours: NDArray[np.int32]) -> Intake:
        """Structures of one batch.

        Parameters
        ----------
        raw : rows of the layer
        duplicates, neighbours : (n,) rows with the same id, rows at the same place, of the whole layer
        """
        reading = Reading(raw, self.facts, self.job.structures, self.vertical_unit)
        _note_rows(reading, duplicates, neighbours)
        return Intake(_structures(self, reading), reading.notes.reasons(raw.first + np.arange(len(raw))))


def _note_rows(reading: Reading, duplicates: NDArray[np.int32], neighbours: NDArray[np.int32]) -> None:
    notes, raw = reading.notes, reading.raw
    notes.add("position_missing", raw.parts != 1)
    notes.add("blank_id", reading.texts("id") == "")
    notes.add("duplicate_id", duplicates > 1, duplicates.astype(float))
    notes.add("same_place", neighbours > 1, neighbours.astype(float))


def _structures(door: Door, reading: Reading) -> Structures:
    table, rules = door.job.structures, door.job.rules
    kind, unknown = read_words(reading.column("kind"), reading.n, KINDS, table.kinds)
    reading.notes.add("kind_unknown", unknown)
    kind = np.where(kind < 0, KINDS.index(table.default_kind), kind).astype(np.int8)
    owner = reading.texts("owner")
    rule_set = choose_rule_sets(rules, kind, reading.texts("street"), reading.yes_no("pedestrian"))
    axis, axes = _axes(door, reading, kind == KINDS.index("inlet"))
    return Structures(
        row=reading.raw.first + np.arange(reading.n),
        rule_set=rule_set,
        kind=kind,
        other_owner=np.array([bool(table.owners) and text not in ("", *table.owners) for text in owner], dtype=bool),
        convergence=door.find_convergence(reading.raw.east, reading.raw.north),
        rim=reading.numbers("rim"),
        gap=reading.numbers("gap"),
        claimed_basis=np.full(reading.n, _claimed_basis(door), dtype=np.int8),
        bearing=reading.numbers("bearing"),
        bearing_outside_diameter=reading.numbers("bearing_outside_diameter"),
        bearing_inside_diameter=reading.numbers("bearing_inside_diameter"),
        measure_down=reading.numbers("measure_down"),
        measure_down_from=reading.words("measure_down_from", REFERENCES),
        existing_chimney=reading.numbers("existing_chimney"),
        existing_rings=reading.numbers("existing_rings"),
        riser_present=reading.yes_no("riser_present"),
        chimney_condition=reading.words("chimney_condition", CONDITIONS),
        **axes,
        **_bearing_slopes(reading),
        **take_castings(reading, door.catalogue.casting, rules, rule_set, axis),
        **_paving(door, reading),
    )


def _claimed_basis(door: Door) -> int:
    """The job's word; without one, rims that are mapped are surveyed, and gaps that are mapped are measured."""
    basis, columns = door.job.structures.rim_basis, door.facts.columns
    if not basis:
        basis = "surveyed" if "rim" in columns else "gap" if "gap" in columns else "assumed_flush"
    return RIM_BASES.index(basis)


def choose_rule_sets(
    sets: Sequence[RuleSet], kind: NDArray[np.int8], street: Texts, pedestrian: NDArray[np.int8]
) -> NDArray[np.int16]:
    """First rule set whose kinds, streets and pedestrian route match, (n,).

    Parameters
    ----------
    sets : in the owner's order
    kind, street : (n,) of the structures
    pedestrian : (n,) 1 in a pedestrian route, 0 not, -1 not stated, which counts as not

    Examples
    --------
    >>> sets = (RuleSet(name="walked on", pedestrian="yes"), RuleSet())
    >>> nothing = np.zeros(3, np.int8), np.full(3, "", object)
    >>> choose_rule_sets(sets, *nothing, np.array([1, 0, -1], np.int8)).tolist()
    [0, 1, 1]
    """
    chosen = np.full(len(kind), -1, dtype=np.int16)
    for index, rules in enumerate(sets):
        fits = np.isin(kind, [KINDS.index(name) for name in rules.kinds]) | (not rules.kinds)
        fits &= np.isin(street, list(rules.streets)) | (not rules.streets)
        fits &= ((pedestrian == 1) == (rules.pedestrian == "yes")) | (not rules.pedestrian)
        chosen = np.where((chosen < 0) & fits, index, chosen).astype(np.int16)
    return chosen


def _axes(door: Door, reading: Reading, inlet: Mask) -> tuple[Floats, Columns]:
    """Street axis [rad], and all fields that speak of it."""
    axis = np.mod(reading.numbers("axis"), 2 * np.pi)
    offset = reading.numbers("crown_offset")
    source = np.where(np.isfinite(axis), AXIS_COLUMN, -1)
    if door.find_axes is not None:
        found = door.find_axes(reading.raw.east, reading.raw.north)
        missing = np.isnan(axis)
        axis = np.where(missing, found.azimuth, axis)
        source = np.where(missing & np.isfinite(found.azimuth), AXIS_CENTRELINE, source)
        offset = first_stated(offset, _line_offsets(found, axis))
        reading.notes.add("axis_ambiguous", missing & found.ambiguous, found.difference)
    fields: Columns = {
        "axis": axis,
        "axis_source": source.astype(np.int8),
        "crown_offset": offset,
        "street_side": np.where(inlet, towards_street(axis, offset), np.nan),
    }
    return axis, fields


def _line_offsets(found: Axes, axis: Floats) -> Floats:
    """Distance from the nearest line [m], plus = right of `axis`; NaN where the line is not the street of that axis.

    A line may be drawn the other way round than the row's own axis; one that is turned by more is another street.
    """
    along = np.cos(axis - found.azimuth)
    return np.where(np.abs(along) >= np.cos(LARGEST_TURN), np.copysign(1.0, along) * found.offset, np.nan)


def towards_street(axis: Floats, offset: Floats) -> Floats:
    """Azimuth from a structure at the side of a street towards the street [rad].

    Parameters
    ----------
    axis : (n,) street axis, azimuth [rad]
    offset : (n,) distance from the crown line, plus = right of the axis [m]

    Returns
    -------
    (n,) to the left of the axis from its right side, and the other way round; NaN where either is unknown, and on the
    crown line itself

    Examples
    --------
    The street runs north. An inlet on its east side looks west, one on its west side east:

    >>> np.degrees(towards_street(np.zeros(3), np.array([4.0, -4.0, 0.0]))).tolist()
    [270.0, 90.0, nan]
    """
    side = np.where(offset == 0, np.nan, np.sign(offset))
    return np.mod(axis - side * np.pi / 2, 2 * np.pi)


def _bearing_slopes(reading: Reading) -> Columns:
    """Gradient of the bearing; level where no slope is stated, and where nobody says in which direction it rises."""
    slope, uphill = reading.numbers("bearing_slope"), reading.numbers("bearing_uphill")
    lost = (slope > 0) & np.isnan(uphill)
    reading.notes.add("value_unreadable", lost, subject=INPUT_NAMES.index("bearing_uphill"))
    known = (slope > 0) & np.isfinite(uphill)
    return {
        "bearing_slope_east": np.where(known, slope * np.sin(uphill), 0.0),
        "bearing_slope_north": np.where(known, slope * np.cos(uphill), 0.0),
    }


def _paving(door: Door, reading: Reading) -> Columns:
    """Whether a structure is paved, mill and overlay: its own column, else its area's, else the job's.

    Outside the paving nothing is milled or laid. Blank in all of them counts as none and is noted.
    """
    finished = door.job.finished
    design = bool(finished) and bool(finished[0].path)
    areas, nothing = _areas(door, reading), np.full(reading.n, np.nan)
    inside = np.zeros(reading.n, dtype=bool) if areas is None else areas.inside
    paved = reading.yes_no("paved")
    if areas is not None:
        paved = np.where((paved < 0) & np.isfinite(reading.raw.east), inside, paved).astype(np.int8)
    found: Columns = {"paved": paved, "area_edge": nothing if areas is None else areas.edge}
    for name in ("mill", "overlay"):
        general = getattr(finished[0], name) if finished else None
        value = first_stated(
            reading.numbers(name),
            nothing if areas is None else getattr(areas, name),
            nothing if general is None else np.full(reading.n, general),
        )
        asked = inside | (name in door.facts.columns)
        unstated = np.isnan(value) & asked & (paved != 0) & (not design)
        reading.notes.add("paving_unstated", unstated, subject=INPUT_NAMES.index(name))
        found[name] = np.where(paved == 0, 0.0, value)
    return found


def _areas(door: Door, reading: Reading) -> Areas | None:
    if door.find_areas is None:
        return None
    areas = door.find_areas(reading.raw.east, reading.raw.north)
    reading.notes.add("area_overlap", areas.count > 1, areas.count.astype(float))
    return areas
