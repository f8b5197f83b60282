"""Between bearing and flange: heights round the circumference, true extremes, or the change of them.

Rim plane and flange are parallel, h apart, so the flange's underside lies h sqrt(1 + s^2) vertically below the rim
plane, and with the cover held in place the foot moves uphill by h s / sqrt(1 + s^2). Level bearing, radius R:

    H(t)  = target - bearing - h sqrt(1 + s^2) + R s cos(t - uphill)                     (joints included)
    dH(t) = raise - (h1 sqrt(1 + s1^2) - h0 sqrt(1 + s0^2)) + R (g1 - g0) . (sin t, cos t)

with s1, g1 of the target and s0, g0 of the existing frame. The true extremes are centre +/- R s; the ordinates at 16
stations miss up to 2 % of R s. A bearing comes from its own elevation, from a measure-down with its stated reference,
or from the existing chimney under the tilted old casting.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from geoadjust.core.columns import REFERENCES, STATIONS, Chimneys, Rims, Structures
from geoadjust.core.rules import RuleSet

Floats = NDArray[np.float64]

HEIGHT, CHANGE = 0, 1
SLACK = 1e-6


def build_chimneys(structures: Structures, rims: Rims, rules: RuleSet) -> Chimneys:
    """Chimney of each structure where the bearing is known, and the change everywhere.

    Parameters
    ----------
    structures, rims : n structures
    rules : the owner's rules

    Returns
    -------
    Chimneys; heights are NaN where the bearing or the casting's height is unknown
    """
    bearing, source = find_bearings(structures, rims, rules)
    steep = np.sqrt(1 + rims.slope**2)
    height = rims.target - bearing - structures.new_casting_height * steep
    radius = structures.flange_diameter / 2
    half = radius * rims.slope
    known = np.isfinite(height)
    change, change_east, change_north = _changes(structures, rims, rules)
    half_change = radius * np.hypot(change_east, change_north)
    turned = np.mod(np.arctan2(change_east, change_north), 2 * np.pi)
    long_side = np.where(known, rims.uphill, turned)
    basis = np.where(known, HEIGHT, np.where(np.isfinite(change), CHANGE, -1)).astype(np.int8)
    return Chimneys(
        bearing=bearing,
        bearing_source=source,
        height=height,
        height_min=height - half,
        height_max=height + half,
        long_side=np.where(basis >= 0, long_side, np.nan),
        rough_cut=height + half - 2 * rules.joint + rules.rough_cut_allowance,
        foot_shift=structures.new_casting_height * rims.slope / steep,
        change=change,
        change_min=change - half_change,
        change_max=change + half_change,
        radius=radius.copy(),
        basis=basis,
        ordinates=_ordinates(known, height - 2 * rules.joint, half, change, half_change, long_side, rims.mark),
    )


def find_bearings(structures: Structures, rims: Rims, rules: RuleSet) -> tuple[Floats, NDArray[np.int8]]:
    """Bearing elevation [m] and where it comes from; NaN and -1 where it is unknown or not believed."""
    tilt = np.sqrt(1 + rims.existing_slope_east**2 + rims.existing_slope_north**2)
    candidates = [
        np.where(bearing_believed(structures, rims, rules), structures.bearing, np.nan),
        _reference(structures, rims) - np.where(is_depth(structures, rules), np.nan, structures.measure_down),
        np.where(structures.riser_present == 1, np.nan, rims.existing_rim - structures.casting_height * tilt)
        - structures.existing_chimney,
    ]
    bearing = np.full(len(structures), np.nan)
    source = np.full(len(structures), -1, dtype=np.int8)
    for index, candidate in enumerate(candidates):
        wanted = np.isnan(bearing) & np.isfinite(candidate)
        bearing = np.where(wanted, candidate, bearing)
        source = np.where(wanted, index, source).astype(np.int8)
    return bearing, source


def bearing_believed(structures: Structures, rims: Rims, rules: RuleSet) -> NDArray[np.bool_]:
    """A bearing elevation within max_measure_down below the rim and not above it."""
    depth = rims.existing_rim - structures.bearing
    return (depth >= -SLACK) & (depth <= rules.max_measure_down + SLACK)


def is_depth(structures: Structures, rules: RuleSet) -> NDArray[np.bool_]:
    """A measure-down that is plainly not one: beyond the limit, or not positive."""
    down = structures.measure_down
    return np.isfinite(down) & ((down > rules.max_measure_down) | (down <= 0))


def _reference(structures: Structures, rims: Rims) -> Floats:
    """Elevation from which each structure's measure-down was taken; NaN where that is not stated."""
    levels = dict(zip(REFERENCES, (rims.existing_rim, rims.existing, rims.milled, rims.finished), strict=True))
    places = [structures.measure_down_from == index for index in range(len(REFERENCES))]
    return np.select(places, list(levels.values()), default=np.nan)


def _changes(structures: Structures, rims: Rims, rules: RuleSet) -> tuple[Floats, Floats, Floats]:
    """Change at the centre and its gradient. A casting of unknown height that stays matters by its tilt only."""
    unknown = np.isnan(structures.casting_height) & np.isnan(structures.new_casting_height)
    old = np.where(unknown, rules.usual_casting_height, structures.casting_height)
    new = np.where(unknown, rules.usual_casting_height, structures.new_casting_height)
    steep_old = np.sqrt(1 + rims.existing_slope_east**2 + rims.existing_slope_north**2)
    change = rims.raise_ - (new * np.sqrt(1 + rims.slope**2) - old * steep_old)
    east = rims.target_slope_east - rims.existing_slope_east
    north = rims.target_slope_north - rims.existing_slope_north
    return change, east, north


def _ordinates(
    known: NDArray[np.bool_],
    height: Floats,
    half: Floats,
    change: Floats,
    half_change: Floats,
    long_side: Floats,
    mark: Floats,
) -> Floats:
    """Heights of the cut part, or changes, at 16 stations clockwise from the mark, (n, 16)."""
    azimuth = mark[:, None] + np.arange(STATIONS) * (2 * np.pi / STATIONS)
    centre, swing = np.where(known, height, change), np.where(known, half, half_change)
    return np.asarray(centre[:, None] + swing[:, None] * np.cos(azimuth - long_side[:, None]))


def unrolled(centre: Floats, radius: Floats, slope: Floats, uphill: Floats, along: Floats) -> Floats:
    """Cut line of a cylinder unrolled, z(x) = Hc + R s cos(x/R - uphill) [m].

    Parameters
    ----------
    centre, radius, slope, uphill : (n,) [m], [m], [m/m], [rad]
    along : (n, k) distance round the circumference [m]

    Examples
    --------
    A plane at 45 degrees unrolls to a sine (Apostol and Mnatsakanian, Am. Math. Monthly, May 2007):

    >>> unrolled(np.zeros(1), np.ones(1), np.ones(1), np.array([np.pi / 2]), np.array([[0.5]])).round(12).tolist()
    [[0.479425538604]]
    """
    swing = (radius * slope)[:, None]
    return np.asarray(centre[:, None] + swing * np.cos(along / radius[:, None] - uphill[:, None]))
