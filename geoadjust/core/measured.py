"""From readings on the prepared bearing to the chimney that is cut: the plan again, on the bearing as it was measured.

A bar lies on the road (the reference) over the opening; depths are read from it down to the bearing.

    bearing = reference - depth           at the centre, and its slope: reference's slope less the depth's
    finished = reference + to come        where the crew states what is still to come; else as planned

so that over the bearing the chimney's height is

    H(x) = depth + to come - recess - h sqrt(1 + s^2) + (slope of the depth) . x      (joints included)

and the road model's own error cancels. The bearing is taken as it is: what is cut stands on it, and no bed levels it.
`cut` is said where four or more readings agree, the casting's height was measured, the reference is stated, the
method is one that is cut or stacked by figures, and no reason that still counts stands against it.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray

from geoadjust.core.columns import (
    CONDITIONS,
    METHODS,
    REFERENCES,
    Reasons,
    Structures,
    concat,
    put,
    take,
)
from geoadjust.core.edge import edge_plane
from geoadjust.core.flag_list import CUT, INFO, MEASURE, ORDER
from geoadjust.core.flags import CODES, READINESS, SEVERITY, Notes
from geoadjust.core.inputs import INPUT_NAMES
from geoadjust.core.judge import Setting
from geoadjust.core.parts import Catalogue
from geoadjust.core.paving import lay_bars, shifted
from geoadjust.core.plan import Plan, plan_roads, reach_of
from geoadjust.core.readings import CHECKED, FEWEST, SPREAD, ReadingFits, fit_readings
from geoadjust.core.rim import Roads, frame_edges
from geoadjust.core.rules import RuleSet
from geoadjust.core.uncertainty import TWO_SIDED

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

ROADS = REFERENCES[1:]
"""What a bar can lie on: the road of today, the milled or the finished one."""
CUTTABLE = ("rings", "liner")
"""Methods that a chimney on a measured bearing is built by."""
FIGURED = (*CUTTABLE, "adjust")
"""Methods whose heights may be cut by: `adjust` where no part of the catalogue fits, and another piece is cut."""
ANSWERED = (
    *("rim_missing", "rim_disagrees", "assumed_flush", "batch_bias", "same_place"),
    *("lower_before_milling", "plate_too_high", "plate_has_no_seat", "plate_seat_unknown"),
    *("bump_to_traffic", "hole_to_traffic"),
    *("bearing_missing", "bearing_disagrees", "bearing_tilted", "measure_down_is_depth", "measure_down_from_missing"),
    *("chimney_total_unknown", "new_casting", "riser_present", "condition_unknown", "measure_on_site"),
    *("raise_past_riser", "no_riser_fits", "no_riser_seats", "seat_unknown", "riser_not_allowed"),
)
"""Reasons of the plan that the open structure has answered: today's rim and chimney are gone, the bearing is seen."""
CARRIED = (
    *("blank_id", "kind_unknown", "value_unreadable", "value_implausible", "not_in_catalogue"),
    *("paving_unstated", "area_overlap", "axis_ambiguous", "frame_azimuth_missing"),
)
"""Reasons that were found when the row was taken in, and that opening a structure does not answer by itself."""
PAVING = ("paving_unstated", "area_overlap")
"""Answered where the crew states what is still to come."""
_SEEN = (
    *("rim", "gap", "bearing", "bearing_slope", "bearing_uphill", "measure_down", "measure_down_from"),
    *("existing_chimney", "existing_rings", "riser_present", "chimney_condition", "travel"),
)
"""Input columns that no longer matter once the bearing is seen."""
_CASTING = ("casting", "new_casting", "casting_height", "new_casting_height")


@dataclass(frozen=True, slots=True, eq=False)
class Measured:
    """What a crew measured at n structures, with up to k stations each.

    Parameters
    ----------
    reference : (n,) road that the bar lay on, index into `ROADS`; -1 = not stated
    azimuth, radius, depth : (n, k) of the stations [rad from grid north, m, m]; NaN = no reading
    to_come : (n,) finished road above the reference at the centre [m]; NaN = as planned
    casting_height : (n,) measured [m]; NaN = not measured
    flange_diameter : (n,) measured outside diameter of a round flange [m]; NaN = not measured
    """

    reference: NDArray[np.int64]
    azimuth: Floats
    radius: Floats
    depth: Floats
    to_come: Floats
    casting_height: Floats
    flange_diameter: Floats

    def __len__(self) -> int:
        return len(self.reference)

    def take(self, index: NDArray[np.intp]) -> Measured:
        """Those of some structures."""
        return Measured(*(getattr(self, item.name)[index] for item in fields(Measured)))


@dataclass(frozen=True, slots=True, eq=False)
class Planned:
    """What the office had planned of n structures: chimney and its gradient, and how well both were known; NaN = not.

    Parameters
    ----------
    chimney, chimney_sd : (n,) [m]
    east, north, slope_sd : (n,) gradient of the chimney's height [m/m]
    """

    chimney: Floats
    chimney_sd: Floats
    east: Floats
    north: Floats
    slope_sd: Floats

    def take(self, index: NDArray[np.intp]) -> Planned:
        """Those of some structures."""
        return Planned(*(getattr(self, item.name)[index] for item in fields(Planned)))


@dataclass(frozen=True, slots=True, eq=False)
class Remeasured:
    """The plan on the bearing as it was measured, and the readings' own planes."""

    plan: Plan
    fits: ReadingFits
    off_plan: Floats
    off_plan_sd: Floats


def remeasure(
    structures: Structures,
    roads: Roads,
    measured: Measured,
    planned: Planned,
    rules: RuleSet,
    catalogue: Catalogue,
    setting: Setting,
    carried: Reasons | None = None,
) -> Remeasured:
    """Plan n structures of one rule set again, on their measured bearings.

    Parameters
    ----------
    structures, roads : as planned, rows rising; `roads.bars` are laid anew
    measured, planned : of the same structures
    carried : reasons of the plan from the door that still count, see `still_counting`
    """
    setting = replace(setting, accuracy=replace(setting.accuracy, tape=setting.accuracy.reading))
    fits = fit_readings(measured.azimuth, measured.radius, measured.depth, setting.accuracy.reading)
    roads = _roads_to_come(structures, roads, measured, rules, setting)
    own = rules_on_bearing(rules)
    opened = _opened(structures, roads, measured, fits)
    found = plan_roads(opened, roads, own, catalogue, setting)
    off, off_sd = _off_plan(found, planned, setting)
    notes = Notes(len(measured))
    _note_readings(notes, measured, fits)
    _note_bearing(notes, found, measured, fits, rules, setting)
    _note_plan(notes, found, planned, fits, setting, (off, off_sd))
    new = [notes.reasons(found.structures.row), *([] if carried is None else [carried])]
    return Remeasured(_judged(found, new), fits, off, off_sd)


def rules_on_bearing(rules: RuleSet) -> RuleSet:
    """The owner's rules where the bearing lies open: what is built stands on it as it is, and is new."""
    methods = tuple(method for method in rules.methods if method in CUTTABLE)
    return replace(rules, stand="square_to_bearing", existing_stack="replace_all", methods=methods)


def still_counting(reasons: Reasons, measured: Measured) -> Reasons:
    """Of the plan's reasons those that were found when the row was taken in and that no measurement has answered.

    Parameters
    ----------
    reasons : of the plan; `row` is the place among the n structures that were measured
    measured : what was measured at them
    """
    names = np.array([*INPUT_NAMES, ""])[reasons.subject]
    known = np.isfinite(measured.casting_height)[reasons.row]
    stated = (np.isfinite(measured.to_come) & (measured.reference >= 0))[reasons.row]
    answered = np.isin(names, _SEEN) | (known & np.isin(names, _CASTING))
    answered |= stated & np.isin(reasons.code, [CODES[code] for code in PAVING])
    answered |= stated & np.isin(names, ("mill", "overlay"))
    kept = np.isin(reasons.code, [CODES[code] for code in CARRIED]) & ~answered
    return take(reasons, np.flatnonzero(kept))


def _roads_to_come(structures: Structures, roads: Roads, measured: Measured, rules: RuleSet, setting: Setting) -> Roads:
    """Where the crew says what is to come, the finished road is the reference, higher by that."""
    stated = np.flatnonzero(np.isfinite(measured.to_come) & (measured.reference >= 0))
    finished = roads.finished
    for index, name in enumerate(ROADS):
        rows = stated[measured.reference[stated] == index]
        lifted = shifted(take(getattr(roads, name), rows), measured.to_come[rows])
        finished = put(finished, rows, lifted)
    mark = np.where(np.isfinite(structures.axis), structures.axis, 0.0)
    bars = lay_bars(structures, finished, mark, reach_of(structures), setting.ring, rules.tolerance)
    return replace(roads, finished=finished, bars=bars)


def _opened(structures: Structures, roads: Roads, measured: Measured, fits: ReadingFits) -> Structures:
    """The structures as the crew sees them: bearing measured, old chimney gone, casting in their hands.

    Where the bar lay on a finished road on which more is to come, `roads.finished` is already the one to come.
    """
    edge, n = frame_edges(structures), len(structures)
    planes = np.stack([edge_plane(getattr(roads, name), edge) for name in ROADS])
    reference = planes[measured.reference, np.arange(n)]
    known = (measured.reference >= 0) & np.isfinite(fits.depth)
    untouched = (measured.reference == ROADS.index("milled")) & (planes[0] == planes[1]).all(axis=1)
    level = np.where(untouched, 0, measured.reference)
    above = (measured.reference == ROADS.index("finished")) & np.isfinite(measured.to_come)
    depth = fits.depth + np.where(above, measured.to_come, 0.0)
    nothing = np.full(n, np.nan)
    height = np.where(np.isfinite(measured.casting_height), measured.casting_height, structures.new_casting_height)
    round_ = np.isnan(structures.flange_length) & np.isfinite(measured.flange_diameter)
    return replace(
        structures,
        bearing=nothing,
        measure_down=np.where(known, depth, np.nan),
        measure_down_from=np.where(known, 1 + level, -1).astype(np.int8),
        bearing_slope_east=np.where(known, reference[:, 1] - fits.east, 0.0),
        bearing_slope_north=np.where(known, reference[:, 2] - fits.north, 0.0),
        existing_chimney=nothing,
        existing_rings=nothing,
        riser_present=np.zeros(n, dtype=np.int8),
        chimney_condition=np.full(n, CONDITIONS.index("good"), dtype=np.int8),
        new_casting_height=height,
        flange_diameter=np.where(round_, measured.flange_diameter, structures.flange_diameter),
        size_known=structures.size_known | round_,
    )


def _off_plan(found: Plan, planned: Planned, setting: Setting) -> tuple[Floats, Floats]:
    """Measured less planned chimney at the centre, and its sd [m]."""
    tape = setting.accuracy.tape
    return found.chimneys.height - planned.chimney, np.hypot(planned.chimney_sd, tape)


def _judged(found: Plan, new: list[Reasons]) -> Plan:
    """Reasons that the open structure has answered go, those of the readings come; readiness by what is left."""
    row = found.structures.row
    kept = ~np.isin(found.reasons.code, [CODES[code] for code in ANSWERED])
    reasons = concat([take(found.reasons, np.flatnonzero(kept)), *new])
    reasons = take(reasons, np.lexsort((reasons.subject, reasons.code, reasons.row)))
    severity, worst = _worst(reasons, row, SEVERITY, INFO), _worst(reasons, row, READINESS, ORDER)
    method = found.verdicts.method
    fit = np.isin(method, [METHODS.index(name) for name in FIGURED]) & np.isfinite(found.chimneys.height)
    ready = np.where(fit & (worst == ORDER), CUT, np.maximum(worst, MEASURE)).astype(np.int8)
    verdicts = replace(found.verdicts, ready=ready, severity=severity)
    return replace(found, reasons=reasons, verdicts=verdicts)


def _note_readings(notes: Notes, measured: Measured, fits: ReadingFits) -> None:
    stated = measured.reference >= 0
    notes.add("reference_missing", ~stated)
    few = fits.count < FEWEST
    notes.add("readings_few", few, fits.count.astype(float), float(FEWEST))
    loose = ~few & ~(fits.edge <= SPREAD)
    notes.add("readings_in_line", loose)
    notes.add("no_check_reading", ~few & (fits.count < CHECKED))
    notes.add("misread", fits.misread, fits.worst, fits.limit)


def _note_bearing(
    notes: Notes, found: Plan, measured: Measured, fits: ReadingFits, rules: RuleSet, setting: Setting
) -> None:
    """What the casting and the bearing turned out to be."""
    known = np.isfinite(measured.casting_height)
    notes.add("casting_not_measured", ~known)
    listed = found.structures.casting_height
    off = np.where(found.structures.recast, np.nan, measured.casting_height - listed)
    limit = 3 * setting.accuracy.casting
    notes.add("casting_off_catalogue", np.abs(off) > limit, off, limit)
    tilt = np.hypot(found.structures.bearing_slope_east, found.structures.bearing_slope_north)
    notes.add("bearing_off_level", np.isfinite(fits.depth) & (tilt > rules.tilt_tolerance), tilt, rules.tilt_tolerance)


def _note_plan(
    notes: Notes, found: Plan, planned: Planned, fits: ReadingFits, setting: Setting, off_plan: tuple[Floats, Floats]
) -> None:
    """Differences from the plan beyond what its accuracy allows, 95 %."""
    off, sd = off_plan
    notes.add("off_plan", np.abs(off) > TWO_SIDED * sd, off, TWO_SIDED * sd)
    east, north = found.chimneys.tilt_east - planned.east, found.chimneys.tilt_north - planned.north
    reach = frame_edges(found.structures).reach()
    limit = TWO_SIDED * np.hypot(planned.slope_sd, setting.accuracy.tape * fits.edge / reach)
    slope = np.hypot(east, north)
    notes.add("slope_off_plan", slope > limit, slope, limit)


def _worst(reasons: Reasons, row: NDArray[np.int64], table: tuple[int, ...], least: int) -> NDArray[np.int8]:
    """Largest entry of a per-flag table over each structure's reasons, (n,); rows rise."""
    found = np.full(len(row), least, dtype=np.int8)
    place = np.searchsorted(row, reasons.row)
    np.maximum.at(found, place, np.array(table, dtype=np.int8)[reasons.code])
    return found
