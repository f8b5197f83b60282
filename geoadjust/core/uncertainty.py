"""How well the figures are known, and how likely a structure needs each kind of work.

Shared and independent errors are kept apart: a surface's shift is common to everything read from it and cancels in
differences on that surface; its noise averages out over the ring. One sd each, combined as variances:

    target by mill and overlay      shift^2 + fit^2 + (slope place)^2 + mill^2 + overlay^2 (where stated above 0)
    raise, basis gap or flush       gap^2 + mill^2 + overlay^2                      (surface, fit and place cancel)
    raise, basis surveyed           target^2 + rim^2     (no shift where rims and surface are of one survey)
    with a surface of its own       both surfaces' shift, fit and place count (a design, or a survey after paving)
    milled to a profile             and the slope's sd over the way to the crown line
    chimney from a bearing          target^2 + bearing^2 + casting^2
    chimney from rim - measure_down raise^2 + tape^2 + casting^2; from a road level: target against that level
    chimney from the old chimney    raise^2 + tape^2 (+ two castings where another one takes the place)

Probabilities: the true raise x is normal about the raise. A cover may stay where |x| lets it, a riser does where one is
near enough, and the chimney is worked on elsewhere; of that a part is past the owner's limits.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from geoadjust.core.case import Case
from geoadjust.core.columns import (
    BEARING_SOURCES,
    METHODS,
    REFERENCES,
    RIM_BASES,
    RoadModels,
    Structures,
    Uncertainties,
)
from geoadjust.core.flag_list import MEASURE, ORDER
from geoadjust.core.paving import profiled, stated
from geoadjust.core.probability import Bands, shares
from geoadjust.core.rim import Roads

Floats = NDArray[np.float64]

TWO_SIDED = 1.959963984540054
"""Half-width of a 95 % interval of a normal value in sd."""


@dataclass(frozen=True, slots=True)
class Accuracy:
    """What the job says of its sources, one sd each [m]; NaN = unknown."""

    rim: float = 0.010
    rim_same_survey: bool = False
    xy: float = 0.100
    gap: float = 0.002
    flush: float = 0.010
    tape: float = 0.005
    reading: float = 0.002
    casting: float = 0.002
    mill: float = 0.005
    overlay: float = 0.005
    surfaces: tuple[float, ...] = ()
    """Shift of each surface of the job, as `RoadModels.source` counts them."""


def measure_uncertainty(
    case: Case, roads: Roads, accuracy: Accuracy, *, cross_slope: float | None = None
) -> Uncertainties:
    """Standard deviations and probabilities of each structure.

    Parameters
    ----------
    case : structures with everything computed for them
    roads : their road models
    accuracy : of the sources
    cross_slope : of the milled road, where milling follows a profile [m/m]

    Returns
    -------
    Uncertainties; NaN where something that matters is unknown
    """
    parts = _Parts(case, roads, accuracy, cross_slope)
    raise_sd = np.sqrt(parts.raise_())
    chimney_sd = np.sqrt(parts.chimney())
    bands = Bands.of(case)
    return Uncertainties(
        raise_sd=raise_sd,
        chimney_sd=chimney_sd,
        slope_sd=_slope_sd(roads.finished),
        **shares(case, bands, raise_sd, chimney_sd),
    )


class _Parts:
    """Variances [m^2] of the pieces, (n,) each."""

    def __init__(self, case: Case, roads: Roads, accuracy: Accuracy, cross_slope: float | None) -> None:
        self.case, self.roads, self.accuracy = case, roads, accuracy
        self.apart = roads.finished.source != roads.existing.source
        structures = case.structures
        paved = structures.paved != 0
        mill = np.where(paved & (stated(structures.mill) > 0), accuracy.mill**2, 0.0)
        overlay = np.where(paved & (stated(structures.overlay) > 0), accuracy.overlay**2, 0.0)
        made = mill + overlay + carried_variance(structures, roads.existing, cross_slope)
        self.paving = np.where(self.apart, 0.0, made)
        self.surveyed = case.rims.rim_basis == RIM_BASES.index("surveyed")

    def target(self, *, shift: bool) -> Floats:
        """Of the target against a level that does not come from its surface."""
        road = self.roads.finished
        own = _shift(road, self.accuracy.surfaces) if shift else np.zeros(len(road))
        rims = self.case.rims
        place = (rims.target_slope_east**2 + rims.target_slope_north**2) * self.accuracy.xy**2
        return np.asarray(own + height_variance(road) + place + self.paving)

    def finished_less_existing(self) -> Floats:
        """Of the finished less the existing road: nothing but the paving where one is made from the other."""
        existing, rims = self.roads.existing, self.case.rims
        east = rims.target_slope_east - rims.existing_slope_east
        north = rims.target_slope_north - rims.existing_slope_north
        shifts = self.accuracy.surfaces
        both = _shift(existing, shifts) + _shift(self.roads.finished, shifts)
        fits = height_variance(existing) + height_variance(self.roads.finished)
        return np.where(self.apart, both + fits + (east**2 + north**2) * self.accuracy.xy**2, self.paving)

    def raise_(self) -> Floats:
        accuracy, basis = self.accuracy, self.case.rims.rim_basis
        gap = np.where(basis == RIM_BASES.index("gap"), accuracy.gap**2, accuracy.flush**2)
        by_gap = self.finished_less_existing() + gap
        by_survey = self.target(shift=not accuracy.rim_same_survey) + accuracy.rim**2
        variance = np.where(self.surveyed, by_survey, by_gap)
        variance = np.where(self.case.structures.paved == 0, 0.0, variance)
        return np.where(np.isfinite(self.case.rims.raise_), variance, np.nan)

    def chimney(self) -> Floats:
        """Of the chimney where its bearing is known, else of its change."""
        case, accuracy = self.case, self.accuracy
        castings = np.where(case.structures.recast, 2.0, 0.0) * accuracy.casting**2
        change = self.raise_() + castings
        source = case.chimneys.bearing_source
        by_source = [
            self.target(shift=not accuracy.rim_same_survey) + accuracy.rim**2 + accuracy.casting**2,
            self._measured_down() + accuracy.tape**2 + accuracy.casting**2,
            change + accuracy.tape**2,
        ]
        places = [source == index for index in range(len(BEARING_SOURCES))]
        variance = np.select(places, by_source, change)
        known = np.isfinite(case.chimneys.height) | np.isfinite(case.chimneys.change)
        return np.where(known, variance, np.nan)

    def _measured_down(self) -> Floats:
        """Of the target less the level that the measure-down starts from."""
        level = self.case.structures.measure_down_from
        milled = self.finished_less_existing() + self.accuracy.mill**2
        paved = np.where(stated(self.case.structures.overlay) > 0, self.accuracy.overlay**2, 0.0)
        choices = {
            "rim": self.raise_(),
            "existing": self.finished_less_existing(),
            "milled": np.where(self.apart, milled, paved),
            "finished": np.zeros(len(level)),
        }
        return np.select([level == index for index in range(len(REFERENCES))], [choices[k] for k in REFERENCES], np.nan)


def _shift(road: RoadModels, sources: tuple[float, ...]) -> Floats:
    """Variance of the shift of the surface that each structure was read from; NaN = not stated."""
    sd = np.array([*sources, np.nan])
    told = (road.source >= 0) & (road.source < len(sources))
    return np.asarray(sd[np.where(told, road.source, len(sources))] ** 2)


def height_variance(road: RoadModels) -> Floats:
    """Variance of the road's height at the cover from the noise of the samples [m^2]."""
    return np.asarray(road.covariance[:, 0, 0] * _scaled(road))


def carried_variance(structures: Structures, road: RoadModels, cross_slope: float | None) -> Floats:
    """Variance of today's road at the crown line against that at the cover [m^2]: the slope's, over the way there."""
    sin, cos = np.sin(structures.axis), np.cos(structures.axis)
    c = road.covariance
    across = c[:, 1, 1] * cos**2 - 2 * c[:, 1, 2] * sin * cos + c[:, 2, 2] * sin**2
    carried = across * _scaled(road) * structures.crown_offset**2
    return np.where(profiled(structures, cross_slope), carried, 0.0)


def _scaled(road: RoadModels) -> Floats:
    return np.asarray((road.noise / road.scale) ** 2)


def _slope_sd(road: RoadModels) -> Floats:
    """Sd of the slope in the worst direction [m/m]."""
    ee, en, nn = road.covariance[:, 1, 1], road.covariance[:, 1, 2], road.covariance[:, 2, 2]
    worst = (ee + nn) / 2 + np.hypot((ee - nn) / 2, en)
    return np.sqrt(worst * _scaled(road))


def readiness(case: Case, found: Uncertainties, method: NDArray[np.int8], riser_off: Floats) -> NDArray[np.int8]:
    """`order` where parts ordered by these figures will do with 95 % probability, else `measure`.

    A riser or a stack must stay within the tolerance over the whole 95 % interval; a liner is cut from stock, so the
    interval must lie within the rough cut's allowance; a cover may stay, and a top section reach, with 95 %.
    """
    rules, half_raise, half = case.rules, TWO_SIDED * found.raise_sd, TWO_SIDED * found.chimney_sd
    lift, travel = case.rims.raise_, case.structures.travel
    tests = {
        "not_paved": np.ones(len(method), dtype=bool),
        "keep": found.p_keep >= 0.95,
        "riser": riser_off + half_raise <= rules.tolerance,
        "rings": np.abs(case.stacks.misfit) + half <= rules.tolerance,
        "liner": half <= rules.rough_cut_allowance,
        "extend": (lift - half_raise >= -rules.tolerance) & (lift + half_raise <= travel),
    }
    fits = np.zeros(len(method), dtype=bool)
    for name, test in tests.items():
        fits |= (method == METHODS.index(name)) & test
    return np.where(fits, ORDER, MEASURE).astype(np.int8)
