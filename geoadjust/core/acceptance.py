"""A finished cover judged by what was measured on it: gaps to the road, slope, settlement, and how it sits.

A gap is rim less road, plus = PROUD. The owner's rules allow gaps from -recess - tolerance to -recess + tolerance, and
say what they hold for (`measured_by`):

    edge             every gap on the frame's edge
    adjacent_mean    the least-squares plane through the gaps, at the centre (their mean where evenly spaced)
    bar              the mean of the gaps under the bar laid along, and of those under the bar laid across

A gap without a sign is judged only where the sign decides nothing. The cover's slope is the finished road's (as planned
or surveyed) plus the gradient of the gaps. Settlement is how much the gaps at the same places have fallen between two
days; by chance 5 in 100 pass 1.96 sqrt(2 / m) sd of a gap, m places.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from geoadjust.core.findings import OPEN, REWORK, TELL, Findings, Kind
from geoadjust.core.outline import Outlines
from geoadjust.core.readings import fit_readings
from geoadjust.core.rules import RuleSet
from geoadjust.core.uncertainty import TWO_SIDED

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Mask = NDArray[np.bool_]

OUTCOMES = ("accepted", "open", "rework")
"""By what the findings ask for: nothing, something more, mending."""
LOOKED_AT = ("rocking", "bedding", "seal", "debris")
GOOD = {"rocking": "no", "bedding": "full", "seal": "tight", "debris": "no"}
BAD = {"rocking": "yes", "bedding": "hollow", "seal": "open", "debris": "yes"}
LAID = ("along", "across")
SAME_PLACE = np.radians(10.0)
"""Gaps of two days within this of each other were measured at one place."""
HALF_ROUND = np.radians(181.0)
"""Places that leave more than this of the edge out look at one side only."""
SHORTEST_BAR = 0.9
"""Share of the owner's bar that a shorter one must have. Common practice, no source."""
SLACK = 1e-6

KINDS = (
    Kind("gap_past_tolerance", REWORK, "gap", "A gap of {value} to the road; the tolerance ends at {limit}."),
    Kind("unsigned_past_tolerance", REWORK, "mm", "A gap of {value}, PROUD or LOW; the tolerance ends at {limit}."),
    Kind("mean_past_tolerance", REWORK, "gap", "{value} off the mean of the road beside it; it ends at {limit}."),
    Kind("bar_past_tolerance", REWORK, "gap", "{value} under the bar; the tolerance ends at {limit}."),
    Kind("step_past_limit", REWORK, "mm", "A step of {value} at the edge (limit {limit})."),
    Kind("grade_past_limit", REWORK, "%", "The cover's grade is {value} (limit {limit})."),
    Kind("cross_slope_past_limit", REWORK, "%", "The cover's cross slope is {value} (limit {limit})."),
    Kind("settled_past_limit", REWORK, "mm", "Settled by {value} since the earlier day (limit {limit})."),
    Kind("rocks", REWORK, "", "The cover rocks."),
    Kind("bedding_hollow", REWORK, "", "The frame is not bedded all round."),
    Kind("seal_open", REWORK, "", "The seal is not tight."),
    Kind("debris_left", REWORK, "", "Debris was left in the structure."),
    Kind("gap_missing", OPEN, "", "No gap was measured."),
    Kind("cover_not_seen", OPEN, "", "The survey has no road here, or does not show the cover."),
    Kind("survey_rough", OPEN, "mm", "The survey knows the gap to {value} only (95 %); the tolerance is {limit}."),
    Kind("gap_unsigned", OPEN, "mm", "A gap of {value} without PROUD or LOW: here the sign decides."),
    Kind("gaps_few", OPEN, "", "{value} gaps on the last day; {limit} are asked for."),
    Kind("gaps_on_one_side", OPEN, "", "The gaps lie on one side of the cover only."),
    Kind("bar_unknown", OPEN, "mm", "A bar's length was not written; {limit} is asked for."),
    Kind("bar_short", OPEN, "mm", "The bar was {value} long; {limit} is asked for."),
    Kind("one_direction", OPEN, "", "The bar was not laid both along and across."),
    Kind("slope_unknown", OPEN, "", "The cover's slope is limited here and could not be told from road and gaps."),
    Kind("not_looked_at_rocking", OPEN, "", "Whether the cover rocks was not written."),
    Kind("not_looked_at_bedding", OPEN, "", "The bedding was not looked at."),
    Kind("not_looked_at_seal", OPEN, "", "The seal was not looked at."),
    Kind("not_looked_at_debris", OPEN, "", "Whether debris was left was not written."),
    Kind("settled", TELL, "mm", "Settled by {value} since the earlier day: more than chance ({limit})."),
    Kind("tilted", TELL, "%", "Tilted by {value} against the road (tolerance {limit})."),
)
FOUND_BAD = {"rocking": "rocks", "bedding": "bedding_hollow", "seal": "seal_open", "debris": "debris_left"}


@dataclass(frozen=True, slots=True, eq=False)
class Gaps:
    """Gaps of n structures, up to k each.

    Parameters
    ----------
    azimuth : (n, k) of the place [rad from grid north]
    gap : (n, k) [m], plus = PROUD; a magnitude where not signed; NaN = none
    signed : (n, k) the sign is known
    bar : (n, k) length of the bar [m]; NaN = none, or not written
    laid : (n, k) the bar lay along (0) or across (1) the street; -1 = not written
    day : (n, k) proleptic ordinal
    """

    azimuth: Floats
    gap: Floats
    signed: Mask
    bar: Floats
    laid: Integers
    day: Integers

    def __len__(self) -> int:
        return len(self.gap)

    @property
    def last(self) -> Mask:
        """Gaps of each structure's last day, (n, k)."""
        there = np.isfinite(self.gap)
        day = np.where(there, self.day, 0)
        return np.asarray(there & (day == day.max(axis=1, initial=0)[:, None]))

    def take(self, index: NDArray[np.intp]) -> Gaps:
        """Those of some structures."""
        return Gaps(*(getattr(self, item.name)[index] for item in fields(Gaps)))


@dataclass(frozen=True, slots=True, eq=False)
class Roads:
    """The finished road at n covers.

    Parameters
    ----------
    slope_east, slope_north : (n,) [m/m]; NaN = unknown
    axis : (n,) azimuth of the street [rad]; NaN = unknown
    edge : n outlines of the frame's top
    """

    slope_east: Floats
    slope_north: Floats
    axis: Floats
    edge: Outlines

    def take(self, index: NDArray[np.intp]) -> Roads:
        """Those of some structures."""
        return Roads(self.slope_east[index], self.slope_north[index], self.axis[index], self.edge.take(index))


@dataclass(frozen=True, slots=True)
class Limits:
    """What gaps are judged by, besides the owner's rules.

    Parameters
    ----------
    bar_length : of the owner's bar [m]
    gap_sd : sd of one gap [m]
    """

    bar_length: float = 3.0
    gap_sd: float = 0.002


@dataclass(frozen=True, slots=True, eq=False)
class Survey:
    """Covers whose gaps come from a survey after paving.

    Parameters
    ----------
    unseen : (n,) the survey gave no gap where it should have
    sd : (n,) of the gap at the centre [m]; 0 = measured by hand
    """

    unseen: Mask
    sd: Floats

    def take(self, index: NDArray[np.intp]) -> Survey:
        """Those of some structures."""
        return Survey(self.unseen[index], self.sd[index])


@dataclass(frozen=True, slots=True, eq=False)
class Judged:
    """n structures judged. Gaps in metres, slopes in m/m; NaN = unknown.

    Parameters
    ----------
    outcome : (n,) index into OUTCOMES
    low, high : gaps that are allowed
    worst : (n,) the gap, or the mean, that lies farthest out or comes nearest to its limit; unknown without signs
    mean : (n,) of the last day's gaps at the centre
    tilt : (n,) of the cover against the road
    grade, cross_slope : (n,) of the cover along and across the street
    settled : (n,) fall of the gaps since the earlier day
    days : (n,) between the two days; 0 = one day
    count : (n,) gaps of the last day
    """

    outcome: NDArray[np.int8]
    low: float
    high: float
    worst: Floats
    mean: Floats
    tilt: Floats
    grade: Floats
    cross_slope: Floats
    settled: Floats
    days: Integers
    count: Integers


def window(rules: RuleSet) -> tuple[float, float]:
    """Lowest and highest gap that the rules allow [m].

    Examples
    --------
    Flush to 6 mm low, never above:

    >>> [round(1000 * each, 6) for each in window(RuleSet(recess=0.003, tolerance=0.003))]
    [-6.0, 0.0]
    """
    return -rules.recess - rules.tolerance, -rules.recess + rules.tolerance


def accept(
    gaps: Gaps,
    looked: dict[str, Integers],
    roads: Roads,
    rules: RuleSet,
    limits: Limits,
    survey: Survey | None = None,
) -> tuple[Judged, Findings]:
    """Judge n structures of one rule set.

    Parameters
    ----------
    gaps, roads : of the same structures
    looked : (n,) for each of LOOKED_AT: 1 good, 0 bad, -1 not looked at
    survey : where gaps come from a survey
    """
    last, found = gaps.last, Findings(len(gaps), KINDS)
    count = last.sum(axis=1)
    unseen = np.zeros(len(gaps), dtype=bool) if survey is None else survey.unseen
    found.add("gap_missing", (count == 0) & ~unseen)
    if survey is not None:
        wide = TWO_SIDED * survey.sd
        found.add("cover_not_seen", unseen)
        found.add("survey_rough", ~unseen & (wide > rules.tolerance), wide, rules.tolerance)
    found.add("gaps_few", (count > 0) & (count < rules.min_gaps), count.astype(float), float(rules.min_gaps))
    plane = _planes(gaps, last, roads)
    signed = (gaps.signed | ~last).all(axis=1) & (count > 0)
    values = _judged_values(gaps, last, plane, signed, rules)
    worst = np.where(signed, _judge_gaps(found, values, rules), np.nan)
    _judge_signs(found, gaps, last, values, rules)
    _judge_places(found, gaps, last, rules, limits)
    step = np.where(last, np.abs(gaps.gap), 0.0).max(axis=1, initial=0.0)
    if rules.max_edge_gap is not None:
        found.add("step_past_limit", step > rules.max_edge_gap + SLACK, step, rules.max_edge_gap)
    tilt = np.where(signed, np.hypot(plane[:, 1], plane[:, 2]), np.nan)
    found.add("tilted", tilt > rules.tilt_tolerance + SLACK, tilt, rules.tilt_tolerance)
    grade, cross = _judge_slopes(found, np.where(signed[:, None], plane, np.nan), roads, rules)
    settled, days = _judge_settlement(found, gaps, last, rules, limits)
    _judge_looks(found, looked, rules)
    low, high = window(rules)
    mean = np.where(signed, plane[:, 0], np.nan)
    judged = Judged(found.worst(), low, high, worst, mean, tilt, grade, cross, settled, days, count)
    return judged, found


def _planes(gaps: Gaps, last: Mask, roads: Roads) -> Floats:
    """Planes through the last day's gaps, (n, 3); their mean and no slope where the places do not fix one."""
    radius = roads.edge.distance(gaps.azimuth)
    known = last & np.isfinite(radius)
    fits = fit_readings(gaps.azimuth, radius, np.where(known, gaps.gap, np.nan), 1.0)
    total = np.where(last, gaps.gap, 0.0).sum(axis=1)
    mean = np.divide(total, last.sum(axis=1), out=np.full(len(gaps), np.nan), where=last.any(axis=1))
    fixed = np.isfinite(fits.depth)
    return np.stack([np.where(fixed, fits.depth, mean), fits.east, fits.north], axis=1)


def _judged_values(gaps: Gaps, last: Mask, plane: Floats, signed: Mask, rules: RuleSet) -> Floats:
    """What the tolerance holds for, (n, m); NaN = nothing, or its sign is not known."""
    if rules.measured_by == "edge":
        return np.where(last & gaps.signed, gaps.gap, np.nan)
    if rules.measured_by == "adjacent_mean":
        return np.where(signed, plane[:, 0], np.nan)[:, None]
    means = []
    for direction in range(len(LAID)):
        under = last & (gaps.laid == direction)
        sums = np.where(under, gaps.gap, 0.0).sum(axis=1)
        mean = np.divide(sums, under.sum(axis=1), out=np.full(len(gaps), np.nan), where=under.any(axis=1))
        means.append(np.where((gaps.signed | ~under).all(axis=1), mean, np.nan))
    return np.stack(means, axis=1)


def _judge_gaps(found: Findings, values: Floats, rules: RuleSet) -> Floats:
    """Findings of what lies outside; the worst value, (n,)."""
    low, high = window(rules)
    past = np.maximum(values - high, low - values)
    known = np.isfinite(past)
    place = np.where(known, past, -np.inf).argmax(axis=1)
    worst = values[np.arange(len(values)), place]
    out = known.any(axis=1) & (np.where(known, past, -np.inf).max(axis=1) > SLACK)
    code = {"edge": "gap", "adjacent_mean": "mean", "bar": "bar"}[rules.measured_by]
    found.add(f"{code}_past_tolerance", out, worst, np.where(worst > high, high, low))
    return np.where(known.any(axis=1), worst, np.nan)


def _judge_signs(found: Findings, gaps: Gaps, last: Mask, values: Floats, rules: RuleSet) -> None:
    """Gaps without a sign: past the tolerance either way, within it either way, or not to be judged."""
    low, high = window(rules)
    bare = last & ~gaps.signed
    size = np.where(bare, gaps.gap, np.nan)
    with np.errstate(invalid="ignore"):
        either_out = (size > high + SLACK) & (-size < low - SLACK)
        either_in = (size <= high + SLACK) & (-size >= low - SLACK)
    if rules.measured_by != "edge":
        unclear, out = bare, np.zeros_like(bare)
    else:
        unclear, out = bare & ~either_out & ~either_in, bare & either_out
    largest = np.where(out | unclear, gaps.gap, 0.0).max(axis=1, initial=0.0)
    found.add("unsigned_past_tolerance", _in_any(out), largest, max(high, -low))
    found.add("gap_unsigned", _in_any(unclear), largest)


def _judge_places(found: Findings, gaps: Gaps, last: Mask, rules: RuleSet, limits: Limits) -> None:
    """Whether the gaps were measured where and with what the rules ask for."""
    some = last.any(axis=1)
    if rules.measured_by != "bar":
        found.add("gaps_on_one_side", some & (_widest(gaps.azimuth, last) > HALF_ROUND))
        return
    least = SHORTEST_BAR * limits.bar_length
    with np.errstate(invalid="ignore"):
        short = last & (gaps.bar < least)
    found.add("bar_unknown", _in_any(last & np.isnan(gaps.bar)), limit=limits.bar_length)
    shortest = np.where(short, gaps.bar, np.inf).min(axis=1, initial=np.inf)
    found.add("bar_short", _in_any(short), shortest, limits.bar_length)
    both = np.stack([(last & (gaps.laid == each)).any(axis=1) for each in range(len(LAID))])
    found.add("one_direction", np.asarray(some & ~both.all(axis=0)))


def _in_any(mask: Mask) -> Mask:
    """Where any of a structure's gaps is one, (n,)."""
    return np.asarray(mask.any(axis=1))


def _widest(azimuth: Floats, last: Mask) -> Floats:
    """Largest angle between neighbouring places, (n,) [rad]."""
    turned = np.sort(np.where(last, np.mod(azimuth, 2 * np.pi), np.inf), axis=1)
    first = turned[:, :1]
    filled = np.where(np.isfinite(turned), turned, first + 2 * np.pi)
    closed = np.concatenate([filled, np.where(np.isfinite(first), first, 0.0) + 2 * np.pi], axis=1)
    with np.errstate(invalid="ignore"):
        return np.asarray(np.diff(closed, axis=1).max(axis=1, initial=0.0))


def _judge_slopes(found: Findings, plane: Floats, roads: Roads, rules: RuleSet) -> tuple[Floats, Floats]:
    """The cover's grade and cross slope, (n,) each; findings where the rules limit them."""
    east, north = roads.slope_east + plane[:, 1], roads.slope_north + plane[:, 2]
    sin, cos = np.sin(roads.axis), np.cos(roads.axis)
    grade, cross = np.abs(east * sin + north * cos), np.abs(east * cos - north * sin)
    unknown = np.zeros(len(plane), dtype=bool)
    for code, value, limit in (("grade", grade, rules.max_grade), ("cross_slope", cross, rules.max_cross_slope)):
        if limit is not None:
            found.add(f"{code}_past_limit", value > limit + SLACK, value, limit)
            unknown |= np.isnan(value)
    found.add("slope_unknown", unknown)
    return grade, cross


def _judge_settlement(
    found: Findings, gaps: Gaps, last: Mask, rules: RuleSet, limits: Limits
) -> tuple[Floats, Integers]:
    """Fall of the gaps between the last day and the first one that has gaps at the same places [m]; days between."""
    there = np.isfinite(gaps.gap) & gaps.signed
    n = len(gaps)
    settled, shared, days = np.full(n, np.nan), np.zeros(n), np.zeros(n, dtype=np.int64)
    for row in np.flatnonzero((there & ~last).any(axis=1)):
        now = np.flatnonzero(there[row] & last[row])
        for day in np.unique(gaps.day[row][there[row] & ~last[row]]):
            then = np.flatnonzero(there[row] & (gaps.day[row] == day))
            falls = _falls(gaps.azimuth[row], gaps.gap[row], then, now)
            if len(falls):
                settled[row], shared[row] = falls.mean(), len(falls)
                days[row] = gaps.day[row][now].max() - day
                break
    chance = TWO_SIDED * limits.gap_sd * np.sqrt(2 / np.maximum(shared, 1))
    limit = np.inf if rules.max_settlement is None else rules.max_settlement
    past = settled > limit + SLACK
    found.add("settled_past_limit", past, settled, limit)
    found.add("settled", ~past & (np.abs(settled) > chance), settled, chance)
    return settled, days


def _falls(azimuth: Floats, gap: Floats, then: NDArray[np.intp], now: NDArray[np.intp]) -> Floats:
    """Earlier less later gap at each of the places that both days have."""
    found = []
    for place in then:
        off = np.abs(np.mod(azimuth[now] - azimuth[place] + np.pi, 2 * np.pi) - np.pi)
        if len(off) and off.min() <= SAME_PLACE:
            found.append(gap[place] - gap[now[off.argmin()]])
    return np.array(found)


def _judge_looks(found: Findings, looked: dict[str, Integers], rules: RuleSet) -> None:
    for name in LOOKED_AT:
        found.add(FOUND_BAD[name], looked[name] == 0)
        if name in rules.inspected:
            found.add(f"not_looked_at_{name}", looked[name] < 0)
