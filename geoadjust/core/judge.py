"""Notes on road, rim, bearing and casting, and the verdict on each structure."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from geoadjust.core.chimney import bearing_believed, is_depth
from geoadjust.core.columns import (
    KINDS,
    RIM_BASES,
    ROAD_SHAPES,
    Chimneys,
    Reasons,
    Rims,
    RoadModels,
    Structures,
    Verdicts,
)
from geoadjust.core.flags import INFO, MEASURE, READINESS, SEVERITY, UNKNOWN, Notes
from geoadjust.core.method import Case, choose_actions, choose_methods
from geoadjust.core.rim import Roads
from geoadjust.core.ring import Ring
from geoadjust.core.rules import RuleSet

Floats = NDArray[np.float64]


def judge(case: Case, roads: Roads, ring: Ring, rough: float) -> tuple[Verdicts, Reasons]:
    """Method, action, readiness and all reasons of each structure.

    Parameters
    ----------
    case : structures with everything computed for them
    roads : road models of the same structures
    ring : settings of the ring
    rough : scatter beyond which a road is rough [m]
    """
    notes = Notes(len(case.structures))
    note_roads(notes, roads, case.structures, case.rules, ring, rough)
    note_rims(notes, case.structures, case.rims, roads, case.rules)
    note_castings(notes, case.structures, case.rims, case.chimneys, case.rules)
    method, riser = choose_methods(case, notes)
    ready = notes.worst(READINESS, MEASURE)
    ready = np.where(np.isfinite(case.rims.raise_), ready, UNKNOWN).astype(np.int8)
    verdicts = Verdicts(
        method=method,
        action=choose_actions(method, case.rims),
        riser=riser,
        ready=ready,
        severity=notes.worst(SEVERITY, INFO),
    )
    return verdicts, notes.reasons(case.structures.row)


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
    for models in {id(item): item for item in _distinct(roads)}.values():
        fitted = models.source >= 0
        empty = models.samples + models.left_out == 0
        coarse = ~fitted & (models.spacing > ring.max_cell)
        notes.add("surface_too_coarse", coarse, models.spacing, ring.max_cell)
        notes.add("no_surface", ~fitted & ~coarse & empty)
        few = ~fitted & ~coarse & ~empty
        least = np.maximum(ring.min_samples, np.ceil(ring.min_coverage * models.pattern))
        notes.add("few_samples", few, models.samples.astype(float), least)
        sd = edge_sd(models, structures.frame_top_diameter / 2)
        notes.add("ring_gap", fitted & (sd > rules.tolerance / 2), sd, rules.tolerance / 2)
        notes.add("ring_widened", fitted & models.widened, models.spacing)
        notes.add("rough_road", fitted & (models.rms > rough), models.rms, rough)
        share = models.left_out / np.maximum(models.left_out + models.samples, 1)
        notes.add("edge_in_ring", fitted & (share > ring.max_left_out), share, ring.max_left_out)


def _distinct(roads: Roads) -> list[RoadModels]:
    """Finished roads made from the existing ones are not read twice."""
    same = roads.finished.samples is roads.existing.samples
    return [roads.existing] if same else [roads.existing, roads.finished]


def note_rims(notes: Notes, structures: Structures, rims: Rims, roads: Roads, rules: RuleSet) -> None:
    """What the rim rests on, and what the finished road asks of it."""
    surveyed = structures.claimed_basis == RIM_BASES.index("surveyed")
    assumed = rims.rim_basis == RIM_BASES.index("assumed_flush")
    notes.add("rim_missing", surveyed & ~np.isfinite(structures.rim) & ~np.isfinite(structures.gap))
    off = structures.rim - rims.existing
    notes.add("rim_disagrees", surveyed & assumed & np.isfinite(off), off, rules.max_rim_gap)
    notes.add("assumed_flush", assumed)
    ours = ~structures.other_owner & (structures.kind != KINDS.index("monument"))
    notes.add("lower_before_milling", ours & (rims.lower_by > 0), rims.lower_by)
    notes.add("steep", rims.slope > rules.steep, rims.slope, rules.steep)
    broken = roads.finished.shape == ROAD_SHAPES.index("break")
    under = broken & (np.abs(roads.finished.fold_offset) < structures.frame_top_diameter / 2)
    notes.add("crown_under_cover", under, np.maximum(rims.gap_max - rims.gap_mean, rims.gap_mean - rims.gap_min))
    notes.add("axis_missing", ~np.isfinite(structures.axis))
    if rules.rim_reference == "bar":
        unread = ~np.isfinite(roads.bars.height).all(axis=1)
        notes.add("bar_unreadable", unread & np.isfinite(rims.target))


def note_castings(notes: Notes, structures: Structures, rims: Rims, chimneys: Chimneys, rules: RuleSet) -> None:
    """What is known of bearing and casting."""
    stated = np.isfinite(structures.bearing) & np.isfinite(rims.existing_rim)
    depth = rims.existing_rim - structures.bearing
    wrong = stated & ~bearing_believed(structures, rims, rules)
    notes.add("bearing_disagrees", wrong, depth, rules.max_measure_down)
    down = np.isfinite(structures.measure_down)
    deep = is_depth(structures, rules)
    notes.add("measure_down_is_depth", deep, structures.measure_down, rules.max_measure_down)
    notes.add("measure_down_from_missing", down & ~deep & (structures.measure_down_from < 0))
    unknown = ~np.isfinite(chimneys.bearing)
    notes.add("bearing_missing", unknown)
    notes.add("chimney_total_unknown", ~np.isfinite(chimneys.height) & np.isfinite(chimneys.change))
    no_height = ~np.isfinite(structures.casting_height) | ~np.isfinite(structures.new_casting_height)
    notes.add("casting_unknown", no_height)
    notes.add("casting_size_assumed", ~structures.size_known, structures.flange_diameter)
    notes.add("new_casting", structures.recast)
    notes.add("riser_present", structures.riser_present == 1)
