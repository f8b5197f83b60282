"""The whole story of a structure, one step after another."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray

from geoadjust.core.bar import read_bars
from geoadjust.core.chimney import build_chimneys
from geoadjust.core.columns import (
    METHODS,
    B,
    Bars,
    Bundle,
    Chimneys,
    Reasons,
    Rims,
    RoadModels,
    Stacks,
    Structures,
    Verdicts,
    concat,
    take,
)
from geoadjust.core.edge import edge_plane
from geoadjust.core.judge import judge
from geoadjust.core.method import Case
from geoadjust.core.rim import Roads, set_rims, shifted, stated, uphill_azimuth
from geoadjust.core.ring import Ring
from geoadjust.core.road import fit_roads
from geoadjust.core.rules import Catalogue, RuleSet
from geoadjust.core.stack import choose_stacks, only
from geoadjust.core.surface import GridSurface

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Surfaces:
    """Surfaces round the same structures, by role; the first one with enough samples wins."""

    existing: Sequence[GridSurface]
    finished: Sequence[GridSurface]
    existing_noise: Sequence[float]
    finished_noise: Sequence[float]


@dataclass(frozen=True, slots=True, eq=False)
class Plan:
    """Everything that was found for n structures, step by step; `reasons` has any number of entries."""

    structures: Structures
    existing: RoadModels
    finished: RoadModels
    rims: Rims
    chimneys: Chimneys
    stacks: Stacks
    verdicts: Verdicts
    reasons: Reasons

    def bundles(self) -> dict[str, Bundle]:
        """Bundles by name, in the order of the story."""
        return {item.name: getattr(self, item.name) for item in fields(self)}


def plan(
    structures: Structures, surfaces: Surfaces, rules: RuleSet, catalogue: Catalogue, *, ring: Ring, rough: float
) -> Plan:
    """Raise, chimney, stack, method and reasons of each structure.

    Parameters
    ----------
    structures : n structures, all of one rule set
    surfaces : patches of road round the same structures
    rules, catalogue, ring : settings
    rough : scatter beyond which a road is rough [m]

    Returns
    -------
    Plan
    """
    roads = read_roads(structures, surfaces, ring, rules.tolerance)
    rims = set_rims(structures, roads, rules)
    chimneys = build_chimneys(structures, rims, rules)
    stacks = choose_stacks(structures, rims, chimneys, rules, catalogue)
    case = Case(structures, rims, chimneys, stacks, rules, catalogue)
    verdicts, reasons = judge(case, roads, ring, rough)
    built = only(stacks, verdicts.method == METHODS.index("rings"))
    return Plan(structures, roads.existing, roads.finished, rims, chimneys, built, verdicts, reasons)


def read_roads(structures: Structures, surfaces: Surfaces, ring: Ring, tolerance: float) -> Roads:
    """Existing road, finished road, and the bars laid on the finished one.

    Without a design surface the finished road is the existing one, lower by the milling and higher by the overlay.
    """
    existing, bars = _read_role(structures, surfaces.existing, surfaces.existing_noise, ring, tolerance)
    if surfaces.finished:
        finished, bars = _read_role(structures, surfaces.finished, surfaces.finished_noise, ring, tolerance)
        return Roads(existing, finished, bars)
    lift = stated(structures.overlay) - stated(structures.mill)
    return Roads(existing, shifted(existing, lift), replace(bars, height=bars.height + lift[:, None]))


def _read_role(
    structures: Structures, surfaces: Sequence[GridSurface], noises: Sequence[float], ring: Ring, tolerance: float
) -> tuple[RoadModels, Bars]:
    """Models and bars of one role: each structure takes the first surface that has enough samples there."""
    models, bars = _read_surface(structures, surfaces[0], noises[0], ring, tolerance)
    for index in range(1, len(surfaces)):
        left = np.flatnonzero(models.source < 0)
        if not len(left):
            break
        some = take(structures, left)
        more, more_bars = _read_surface(some, surfaces[index].take(left), noises[index], ring, tolerance)
        won = more.source >= 0
        more = replace(more, source=np.where(won, index, -1).astype(np.int8))
        models = _put(models, left[won], take(more, np.flatnonzero(won)))
        bars = _put(bars, left[won], take(more_bars, np.flatnonzero(won)))
    return models, bars


def _read_surface(
    structures: Structures, surface: GridSurface, noise: float, ring: Ring, tolerance: float
) -> tuple[RoadModels, Bars]:
    flange = np.maximum(structures.flange_diameter, structures.old_flange_diameter) / 2
    models = fit_roads(surface.samples(flange, ring), ring, noise=noise)
    uphill = uphill_azimuth(edge_plane(models, structures.frame_top_diameter / 2))
    mark = np.where(np.isfinite(structures.axis), structures.axis, uphill)
    mark = np.where(np.isfinite(models.height), mark, 0.0)
    scatter = np.where(np.isfinite(models.rms), models.rms, np.inf)
    return models, read_bars(surface, mark, flange, scatter, ring, tolerance)


def _put(bundle: B, index: NDArray[np.intp], some: B) -> B:
    """The bundle with some of its rows taken from another one."""
    joined = concat([bundle, some])
    place = np.arange(len(bundle))
    place[index] = len(bundle) + np.arange(len(index))
    return take(joined, place)
