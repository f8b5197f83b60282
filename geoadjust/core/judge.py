"""Notes on road, rim, bearing and casting, and the verdict on each structure."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from geoadjust.core.case import Case, has_chimney
from geoadjust.core.chimney import bearing_believed, is_depth
from geoadjust.core.columns import (
    CONDITIONS,
    KINDS,
    LOWER_HOW,
    METHODS,
    POLICIES,
    RIM_BASES,
    ROAD_SHAPES,
    Chimneys,
    Reasons,
    Results,
    Rims,
    RoadModels,
    Structures,
    Uncertainties,
    Verdicts,
)
from geoadjust.core.edge import extreme_gaps
from geoadjust.core.flag_list import INFO, ORDER, UNKNOWN
from geoadjust.core.flags import READINESS, SEVERITY, Notes
from geoadjust.core.method import choose_actions, choose_methods, nearest_riser
from geoadjust.core.paving import PROFILE_REACH, profiled
from geoadjust.core.result import measure_result, planned_plane
from geoadjust.core.rim import Roads, frame_edges, target_plane
from geoadjust.core.ring import Ring
from geoadjust.core.rules import RuleSet
from geoadjust.core.shelf import SLACK
from geoadjust.core.uncertainty import Accuracy, measure_uncertainty, readiness

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Setting:
    """What a judgement needs besides the case: ring, limit of roughness, accuracies, how the finished road is made."""

    ring: Ring
    rough: float
    accuracy: Accuracy = field(default_factory=Accuracy)
    cross_slope: float | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Judgement:
    """Verdicts with what they rest on."""

    verdicts: Verdicts
    results: Results
    uncertainties: Uncertainties
    reasons: Reasons


def judge(case: Case, roads: Roads, setting: Setting) -> Judgement:
    """Method, action, readiness, what remains, how well it is known, and all reasons of each structure.

    Parameters
    ----------
    case : structures with everything computed for them
    roads : road models of the same structures
    setting : ring, roughness, accuracies
    """
    notes = Notes(len(case.structures))
    note_roads(notes, roads, case.structures, case.rules, setting.ring, setting.rough)
    note_paving(notes, case.structures, roads, case.rules, setting)
    note_rims(notes, case.structures, case.rims, roads, case.rules)
    note_milling(notes, case)
    note_castings(notes, case.structures, case.rims, case.chimneys, case.rules)
    note_stacks(notes, case)
    method, riser = choose_methods(case, notes)
    planned = planned_plane(case.rims, case.stacks, method, riser, case.catalogue)
    results = measure_result(case.structures, roads, planned)
    note_results(notes, case, results)
    known = measure_uncertainty(case, roads, setting.accuracy, cross_slope=setting.cross_slope)
    notes.add("accuracy_unknown", np.isfinite(case.rims.raise_) & np.isnan(known.raise_sd))
    ready = np.maximum(notes.worst(READINESS, ORDER), readiness(case, known, method, nearest_riser(case)[1]))
    lost = ~np.isfinite(case.rims.raise_) & ~np.isfinite(case.chimneys.height)
    ready = np.where(lost | (method == METHODS.index("unknown")), UNKNOWN, ready).astype(np.int8)
    verdicts = Verdicts(
        method=method,
        action=choose_actions(method, case.rims),
        riser=riser,
        ready=ready,
        severity=notes.worst(SEVERITY, INFO),
    )
    return Judgement(verdicts, results, known, notes.reasons(case.structures.row))


def edge_sd(roads: RoadModels, radius: Floats) -> Floats:
    """Largest sd [m] of the fitted plane on a circle of this radius, from its covariance (n,)."""
    c = roads.covariance
    azimuth = np.linspace(0, 2 * np.pi, 16, endpoint=False)
    east, north = radius[:, None] * np.sin(azimuth), radius[:, None] * np.cos(azimuth)
    variance = (
        c[:, 0, 0, None]
        + c[:, 1, 1, None] * east**2
        + c[:, 2, 2, None] * north**2
        + 2 * (c[:, 0, 1, None] * east + c[:, 0, 2, None] * north + c[:, 1, 2, None] * east * north)
    )
    return np.asarray(np.sqrt(np.maximum(variance, 0.0)).max(axis=1))


def note_roads(notes: Notes, roads: Roads, structures: Structures, rules: RuleSet, ring: Ring, rough: float) -> None:
    """What the road readings are worth; existing and finished road are both looked at, the worse one is noted."""
    reach = frame_edges(structures).reach()
    for models in (roads.existing, roads.finished):
        fitted = models.source >= 0
        empty = models.samples + models.left_out == 0
        coarse = ~fitted & (models.spacing > ring.max_cell)
        notes.add("surface_too_coarse", coarse, models.spacing, ring.max_cell)
        notes.add("no_surface", ~fitted & ~coarse & empty)
        few = ~fitted & ~coarse & ~empty
        least = np.maximum(ring.min_samples, np.ceil(ring.min_coverage * models.pattern))
        notes.add("few_samples", few, models.samples.astype(float), least)
        sd = edge_sd(models, reach)
        notes.add("ring_gap", fitted & (sd > rules.tolerance / 2), sd, rules.tolerance / 2)
        notes.add("ring_widened", fitted & models.widened, models.spacing)
        notes.add("rough_road", fitted & (models.rms > rough), models.rms, rough)
        share = models.left_out / np.maximum(models.left_out + models.samples, 1)
        notes.add("edge_in_ring", fitted & (share > ring.max_left_out), share, ring.max_left_out)


def note_paving(notes: Notes, structures: Structures, roads: Roads, rules: RuleSet, setting: Setting) -> None:
    """Edges of the paving near by, the milled profile, the paved road, and which side of an inlet is the street."""
    outer = setting.ring.outer_radius
    notes.add("mill_boundary_in_ring", structures.area_edge < outer, structures.area_edge)
    if setting.cross_slope is not None:
        placed = profiled(structures, setting.cross_slope)
        notes.add("profile_unknown", ~placed & (structures.paved != 0))
        off = np.abs(structures.crown_offset)
        notes.add("profile_far", placed & (off > PROFILE_REACH), off, PROFILE_REACH)
    off = roads.pavings.off
    notes.add("paving_off_plan", np.abs(off) > rules.paving_tolerance + SLACK, off, rules.paving_tolerance)
    inlet = structures.kind == KINDS.index("inlet")
    notes.add("street_side_unknown", inlet & ~np.isfinite(structures.street_side))


def note_rims(notes: Notes, structures: Structures, rims: Rims, roads: Roads, rules: RuleSet) -> None:
    """What the rim rests on, and what the finished road asks of it."""
    surveyed = structures.claimed_basis == RIM_BASES.index("surveyed")
    assumed = rims.rim_basis == RIM_BASES.index("assumed_flush")
    notes.add("rim_missing", surveyed & ~np.isfinite(structures.rim) & ~np.isfinite(structures.gap))
    off = structures.rim - rims.existing
    notes.add("rim_disagrees", surveyed & assumed & np.isfinite(off), off, rules.max_rim_gap)
    notes.add("assumed_flush", assumed)
    notes.add("steep", rims.slope > rules.steep, rims.slope, rules.steep)
    broken = roads.finished.shape == ROAD_SHAPES.index("break")
    edge = frame_edges(structures)
    across = edge.support(np.sin(roads.finished.fold_azimuth), np.cos(roads.finished.fold_azimuth))
    under = broken & (np.abs(roads.finished.fold_offset) < across) & (structures.paved != 0)
    low, high = extreme_gaps(target_plane(rims), roads.finished, edge)
    notes.add("crown_under_cover", under, np.maximum(high + rules.recess, -low - rules.recess))
    notes.add("axis_missing", ~np.isfinite(structures.axis))
    if rules.rim_reference == "bar":
        unread = ~np.isfinite(roads.bars.height).all(axis=1)
        notes.add("bar_unreadable", unread & np.isfinite(rims.target))


def note_milling(notes: Notes, case: Case) -> None:
    """What must happen before the milling, and what traffic meets in between; only for castings that are ours."""
    structures, millings, rules = case.structures, case.millings, case.rules
    ours = _ours(structures)
    down = ours & (millings.lower_by > SLACK)
    around = down & (millings.lower_how == LOWER_HOW.index("mill_around"))
    notes.add("lower_before_milling", down & ~around, millings.lower_by)
    notes.add("plate_too_high", around & (millings.plate_high > 0), millings.plate_high)
    notes.add("plate_has_no_seat", around & ~(millings.plate_high > 0), structures.bearing_inside_diameter)
    plated = down & (millings.lower_how == LOWER_HOW.index("casting_out_and_plate"))
    notes.add("plate_seat_unknown", plated & np.isnan(structures.bearing_inside_diameter))
    notes.add("bump_to_traffic", ours & (millings.bump > rules.max_bump), millings.bump, rules.max_bump)
    notes.add("hole_to_traffic", ours & (millings.hole > rules.max_hole), millings.hole, rules.max_hole)


def _ours(structures: Structures) -> NDArray[np.bool_]:
    """Castings that we work on: neither monuments nor somebody else's."""
    return np.asarray(~structures.other_owner & (structures.kind != KINDS.index("monument")))


def note_castings(notes: Notes, structures: Structures, rims: Rims, chimneys: Chimneys, rules: RuleSet) -> None:
    """What is known of bearing and casting."""
    top = np.where(np.isfinite(rims.existing_rim), rims.existing_rim, rims.target)
    stated = np.isfinite(structures.bearing) & np.isfinite(top)
    wrong = stated & ~bearing_believed(structures, rims, rules)
    notes.add("bearing_disagrees", wrong, top - structures.bearing, rules.max_measure_down)
    down = np.isfinite(structures.measure_down)
    deep = is_depth(structures, rules)
    notes.add("measure_down_is_depth", deep, structures.measure_down, rules.max_measure_down)
    notes.add("measure_down_from_missing", down & ~deep & (structures.measure_down_from < 0))
    borne = has_chimney(structures)
    notes.add("bearing_missing", borne & ~np.isfinite(chimneys.bearing))
    notes.add("chimney_total_unknown", borne & ~np.isfinite(chimneys.height) & np.isfinite(chimneys.change))
    no_height = ~np.isfinite(structures.casting_height) | ~np.isfinite(structures.new_casting_height)
    notes.add("casting_unknown", no_height)
    notes.add("casting_size_assumed", ~structures.size_known, structures.flange_diameter)
    notes.add("new_casting", structures.recast)
    notes.add("riser_present", structures.riser_present == 1)
    tilt = np.hypot(structures.bearing_slope_east, structures.bearing_slope_north)
    notes.add("bearing_tilted", tilt > 0, tilt)


def note_stacks(notes: Notes, case: Case) -> None:
    """What decides whether an old stack may stay."""
    if case.rules.existing_stack != "add_on_top":
        return
    structures = case.structures
    there = case.stacked() & np.isfinite(structures.existing_chimney)
    notes.add("condition_poor", there & (structures.chimney_condition == CONDITIONS.index("poor")))
    unsure = np.isin(structures.chimney_condition, [-1, CONDITIONS.index("unknown")])
    notes.add("condition_unknown", there & unsure)
    added = (case.stacks.policy == POLICIES.index("add_on_top")) & (case.stacks.count > 0)
    notes.add("rings_unknown", added & np.isnan(structures.existing_rings))


def note_results(notes: Notes, case: Case, results: Results) -> None:
    """Limits of the finished cover: grade, cross slope, the step at its edge.

    Without an axis the whole slope stands for both: nobody knows which way people walk.
    """
    axis, rules = case.structures.axis, case.rules
    slope = np.hypot(results.slope_east, results.slope_north)
    grade = results.slope_east * np.sin(axis) + results.slope_north * np.cos(axis)
    cross = results.slope_east * np.cos(axis) - results.slope_north * np.sin(axis)
    grade, cross = (np.where(np.isfinite(axis), part, slope) for part in (grade, cross))
    step = np.maximum(results.gap_max, -results.gap_min)
    found = {"grade_past_limit": grade, "cross_slope_past_limit": cross, "edge_past_limit": step}
    limits = (rules.max_grade, rules.max_cross_slope, rules.max_edge_gap)
    worked = _ours(case.structures) & (case.structures.paved != 0)
    for (code, value), limit in zip(found.items(), limits, strict=True):
        if limit is not None:
            notes.add(code, worked & (np.abs(value) > limit + 1e-6), value, limit)
