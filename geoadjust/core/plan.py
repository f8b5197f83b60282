"""The whole story of a structure, one step after another."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray

from geoadjust.core.bar import read_bars
from geoadjust.core.case import Case
from geoadjust.core.chimney import build_chimneys
from geoadjust.core.columns import (
    METHODS,
    Bars,
    Bundle,
    Chimneys,
    Cuts,
    Liners,
    Millings,
    Pavings,
    Reasons,
    Results,
    Rims,
    RoadModels,
    Stacks,
    Structures,
    Uncertainties,
    Verdicts,
    put,
    take,
)
from geoadjust.core.cut import make_cuts
from geoadjust.core.edge import edge_plane
from geoadjust.core.judge import Judgement, Setting, judge
from geoadjust.core.liner import choose_liners
from geoadjust.core.milling import plan_milling
from geoadjust.core.parts import Catalogue
from geoadjust.core.paving import lay_bars, mill_roads, paving_off, profiled, shifted, stated
from geoadjust.core.policy import choose_policies
from geoadjust.core.rim import Roads, frame_edges, set_rims, uphill_azimuth
from geoadjust.core.ring import Ring
from geoadjust.core.road import fit_roads
from geoadjust.core.rules import RuleSet
from geoadjust.core.stack import only
from geoadjust.core.surface import Surface

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Scatter:
    """What a job says of one surface's samples: sd of one [m], points per square metre; 0 = not stated."""

    noise: float = 0.0
    density: float = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class Role:
    """Surfaces of one role round the same n structures; the first one with enough samples wins.

    Parameters
    ----------
    surfaces, scatter : one for each surface
    numbers : the surfaces' among all of the job
    lifts : (n,) for each surface, what is added to its heights [m]; without any, nothing
    """

    surfaces: Sequence[Surface] = ()
    scatter: Sequence[Scatter] = ()
    numbers: Sequence[int] = ()
    lifts: Sequence[Floats] = ()

    def take(self, number: int, index: NDArray[np.intp]) -> Role:
        """One of the surfaces round some of the structures."""
        lifts = (self.lifts[number][index],) if self.lifts else ()
        return Role((self.surfaces[number].take(index),), (self.scatter[number],), (self.numbers[number],), lifts)


@dataclass(frozen=True, slots=True, eq=False)
class Surfaces:
    """The road of today, the designed one and the one that was paved, round the same structures."""

    existing: Role
    finished: Role = Role()
    paved: Role = Role()


@dataclass(frozen=True, slots=True, eq=False)
class Plan:
    """Everything that was found for n structures, step by step; `reasons` has any number of entries.

    `others` are the stacks by the other policy, where both quantities are wanted.
    """

    structures: Structures
    existing: RoadModels
    milled: RoadModels
    finished: RoadModels
    pavings: Pavings
    rims: Rims
    millings: Millings
    chimneys: Chimneys
    stacks: Stacks
    others: Stacks
    liners: Liners
    cuts: Cuts
    results: Results
    uncertainties: Uncertainties
    verdicts: Verdicts
    reasons: Reasons

    def bundles(self) -> dict[str, Bundle]:
        """Bundles by name, in the order of the story."""
        return {item.name: getattr(self, item.name) for item in fields(self)}


def plan(structures: Structures, surfaces: Surfaces, rules: RuleSet, catalogue: Catalogue, setting: Setting) -> Plan:
    """Raise, chimney, stack, method and reasons of each structure.

    Parameters
    ----------
    structures : n structures, all of one rule set
    surfaces : patches of road round the same structures
    rules, catalogue : settings of the owner
    setting : ring, roughness, accuracies, how the finished road is made

    Returns
    -------
    Plan
    """
    roads = read_roads(structures, surfaces, rules, setting)
    return plan_roads(structures, roads, rules, catalogue, setting)


def plan_roads(structures: Structures, roads: Roads, rules: RuleSet, catalogue: Catalogue, setting: Setting) -> Plan:
    """Everything after the road."""
    rims = set_rims(structures, roads, rules)
    millings = plan_milling(structures, rims, roads, rules, setting.cross_slope)
    chimneys = build_chimneys(structures, rims, millings, rules)
    demand, stacks, others = choose_policies(structures, rims, chimneys, rules, catalogue)
    liners = choose_liners(structures, chimneys, rules, catalogue)
    case = Case(structures, rims, roads.bars, millings, chimneys, demand, stacks, liners, rules, catalogue)
    return _told(case, others, roads, judge(case, roads, setting))


def _told(case: Case, others: Stacks, roads: Roads, found: Judgement) -> Plan:
    """The plan as it is published: stacks and liners only where they are built."""
    method = found.verdicts.method
    built = method == METHODS.index("rings")
    lined = method == METHODS.index("liner")
    liners = replace(case.liners, part=np.where(lined, case.liners.part, -1).astype(case.liners.part.dtype))
    cuts = make_cuts(case.structures, case.rims, case.chimneys, liners, method, case.rules, case.catalogue)
    return Plan(
        structures=case.structures,
        existing=roads.existing,
        milled=roads.milled,
        finished=roads.finished,
        pavings=roads.pavings,
        rims=case.rims,
        millings=case.millings,
        chimneys=case.chimneys,
        stacks=only(case.stacks, built),
        others=only(others, built | np.isin(method, [METHODS.index("liner"), METHODS.index("adjust")])),
        liners=liners,
        cuts=cuts,
        results=found.results,
        uncertainties=found.uncertainties,
        verdicts=found.verdicts,
        reasons=found.reasons,
    )


def read_roads(structures: Structures, surfaces: Surfaces, rules: RuleSet, setting: Setting) -> Roads:
    """Existing, milled and finished road, and the bars laid on the finished one.

    Without a design surface the finished road is the milled one, higher by the overlay. Where it was surveyed after
    paving it is that one. Outside the paving it is the existing one.
    """
    ring, tolerance = setting.ring, rules.tolerance
    existing, bars = _read_role(structures, surfaces.existing, ring, tolerance)
    edge = frame_edges(structures)
    milled = mill_roads(structures, existing, edge, ring, setting.cross_slope)
    if surfaces.finished.surfaces:
        finished, new = _read_role(structures, surfaces.finished, ring, tolerance)
    else:
        overlay = stated(structures.overlay)
        finished = shifted(milled, overlay)
        new = replace(bars, height=bars.height + (overlay - stated(structures.mill))[:, None])
        shaped = np.flatnonzero(profiled(structures, setting.cross_slope))
        if len(shaped):
            new = put(new, shaped, _planned_bars(take(structures, shaped), take(finished, shaped), ring, tolerance))
    off = np.full(len(structures), np.nan)
    if surfaces.paved.surfaces:
        laid, laid_bars = _read_role(structures, surfaces.paved, ring, tolerance)
        off = paving_off(structures, existing, finished, laid, edge)
        there = np.flatnonzero(laid.source >= 0)
        finished = put(finished, there, take(laid, there))
        new = put(new, there, take(laid_bars, there))
    outside = np.flatnonzero(structures.paved == 0)
    if len(outside):
        finished = put(finished, outside, take(existing, outside))
        new = put(new, outside, take(bars, outside))
    return Roads(existing, milled, finished, new, Pavings(off))


def _planned_bars(structures: Structures, roads: RoadModels, ring: Ring, tolerance: float) -> Bars:
    return lay_bars(structures, roads, structures.axis, reach_of(structures), ring, tolerance)


def reach_of(structures: Structures) -> Floats:
    """Radius of today's and tomorrow's flange, the larger one [m]."""
    corner = np.hypot(structures.flange_diameter, stated(structures.flange_length))
    return np.asarray(np.maximum(corner, structures.old_flange_diameter) / 2)


def _read_role(structures: Structures, role: Role, ring: Ring, tolerance: float) -> tuple[RoadModels, Bars]:
    """Models and bars of one role: each structure takes the first surface that has enough samples there."""
    models, bars = _read_surface(structures, role, ring, tolerance)
    for number in range(1, len(role.surfaces)):
        left = np.flatnonzero(models.source < 0)
        if not len(left):
            break
        more, more_bars = _read_surface(take(structures, left), role.take(number, left), ring, tolerance)
        won = more.source >= 0
        models = put(models, left[won], take(more, np.flatnonzero(won)))
        bars = put(bars, left[won], take(more_bars, np.flatnonzero(won)))
    return models, bars


def _read_surface(structures: Structures, role: Role, ring: Ring, tolerance: float) -> tuple[RoadModels, Bars]:
    """Models and bars of the first surface of a role."""
    surface, scatter = role.surfaces[0], role.scatter[0]
    flange, edge = reach_of(structures), frame_edges(structures)
    samples = surface.samples(flange, ring, structures.street_side)
    models = fit_roads(samples, ring, edge, noise=scatter.noise, density=scatter.density)
    models = replace(models, source=np.where(models.source >= 0, role.numbers[0], -1).astype(np.int8))
    uphill = uphill_azimuth(edge_plane(models, edge))
    mark = np.where(np.isfinite(structures.axis), structures.axis, uphill)
    mark = np.where(np.isfinite(models.height), mark, 0.0)
    spread = np.where(np.isfinite(models.rms), models.rms, np.inf)
    bars = read_bars(surface.levelled(models), mark, flange, spread, ring, tolerance)
    if not role.lifts:
        return models, bars
    return shifted(models, role.lifts[0]), replace(bars, height=bars.height + role.lifts[0][:, None])
