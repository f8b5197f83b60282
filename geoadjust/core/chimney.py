"""Between bearing and flange: height, true extremes, the slope that the parts have to make, or the change of all that.

Rim plane and flange are parallel, h apart, so the flange's underside lies h sqrt(1 + s^2) vertically below the rim
plane. With g the target plane's gradient and b the bearing's (0 = level), x from the chimney's axis:

    H(x)  = target - bearing - h sqrt(1 + s^2) + (g - b) . x                              (joints included)
    dH(x) = raise - (h1 sqrt(1 + s1^2) - h0 sqrt(1 + s0^2)) + (g1 - g0) . x

with s1, g1 of the target and s0, g0 of the existing frame. True extremes: centre +/- the outline's support in the
direction of the gradient (R |g - b| for a circle). A chimney that stands plumb on a sloping bearing needs a bed of
mortar that levels it: thinnest at the high side, `bed` thicker at the centre. A bearing comes from its own elevation,
from a measure-down with its stated reference, or from the existing chimney under the tilted old casting.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from geoadjust.core.columns import REFERENCES, Chimneys, Millings, Rims, Structures
from geoadjust.core.outline import Outlines
from geoadjust.core.rim import flange_edges
from geoadjust.core.rules import RuleSet

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

SLACK = 1e-6
LEVEL = 1e-9
"""A side of a rectangle that slopes less is level [m/m]: its middle stands for both corners."""


def build_chimneys(structures: Structures, rims: Rims, millings: Millings, rules: RuleSet) -> Chimneys:
    """Chimney of each structure where the bearing is known, and the change everywhere.

    Parameters
    ----------
    structures, rims, millings : n structures
    rules : the owner's rules

    Returns
    -------
    Chimneys; heights are NaN where the bearing or the casting's height is unknown, all of it where a casting floats
    """
    bearing, source = find_bearings(structures, rims, millings, rules)
    flange = flange_edges(structures)
    steep = np.sqrt(1 + rims.slope**2)
    bearing_east, bearing_north = structures.bearing_slope_east, structures.bearing_slope_north
    height = rims.target - bearing - structures.new_casting_height * steep
    height = np.where(structures.floating, np.nan, height)
    east, north = rims.target_slope_east - bearing_east, rims.target_slope_north - bearing_north
    half = flange.support(east, north)
    change, change_east, change_north = _changes(structures, rims, rules)
    half_change = flange.support(change_east, change_north)
    known = np.isfinite(height)
    long_side = np.where(
        known, farthest(flange, east, north, rims.uphill), farthest(flange, change_east, change_north, rims.uphill)
    )
    plumb = rules.stand == "plumb"
    return Chimneys(
        bearing=bearing,
        bearing_source=source,
        height=height,
        height_min=height - half,
        height_max=height + half,
        long_side=np.where(known | np.isfinite(change), long_side, np.nan),
        foot_shift=_foot_shift(structures, rims, height, rules),
        change=change,
        change_min=change - half_change,
        change_max=change + half_change,
        tilt_east=rims.target_slope_east.copy() if plumb else east,
        tilt_north=rims.target_slope_north.copy() if plumb else north,
        change_east=change_east,
        change_north=change_north,
        bed=flange.support(bearing_east, bearing_north) if plumb else np.zeros(len(structures)),
    )


def farthest(outline: Outlines, east: Floats, north: Floats, level: Floats) -> Floats:
    """Azimuth [rad] of the outline's point farthest along a gradient; `level` where there is none."""
    sin, cos = np.sin(outline.azimuth), np.cos(outline.azimuth)
    across, along = east * cos - north * sin, east * sin + north * cos
    across, along = (np.where(np.abs(part) > LEVEL, part, 0.0) for part in (across, along))
    corner = np.arctan2(np.sign(across) * outline.width, np.sign(along) * outline.length) + outline.azimuth
    azimuth = np.where(outline.is_round, np.arctan2(east, north), corner)
    azimuth = np.where(np.hypot(east, north) > 0, azimuth, level)
    return np.where(np.isfinite(east), np.mod(azimuth, 2 * np.pi), np.nan)


def along_axis(structures: Structures, chimneys: Chimneys, rules: RuleSet) -> Floats:
    """Length along a chimney's axis over the vertical height: 1 where plumb, else sqrt(1 + b^2) / (1 + g.b).

    The target's gradient g is the tilt that the chimney has to make and the bearing's slope b together.
    """
    if rules.stand == "plumb":
        return np.ones(len(structures))
    east, north = structures.bearing_slope_east, structures.bearing_slope_north
    along = 1 + (chimneys.tilt_east + east) * east + (chimneys.tilt_north + north) * north
    return np.asarray(np.sqrt(1 + east**2 + north**2) / along)


def _foot_shift(structures: Structures, rims: Rims, height: Floats, rules: RuleSet) -> Floats:
    """Offset of flange and chimney top where the cover keeps its place [m]."""
    lift = structures.new_casting_height / np.sqrt(1 + rims.slope**2)
    east, north = lift * rims.target_slope_east, lift * rims.target_slope_north
    if rules.stand == "square_to_bearing":
        own = np.sqrt(1 + structures.bearing_slope_east**2 + structures.bearing_slope_north**2)
        lean = np.where(np.isfinite(height), height, 0.0) / own
        east, north = east + lean * structures.bearing_slope_east, north + lean * structures.bearing_slope_north
    return np.asarray(np.hypot(east, north))


def find_bearings(
    structures: Structures, rims: Rims, millings: Millings, rules: RuleSet
) -> tuple[Floats, NDArray[np.int8]]:
    """Bearing elevation [m] and where it comes from; NaN and -1 where it is unknown or not believed."""
    tilt = np.sqrt(1 + rims.existing_slope_east**2 + rims.existing_slope_north**2)
    candidates = [
        np.where(bearing_believed(structures, rims, rules), structures.bearing, np.nan),
        _reference(structures, rims, millings) - np.where(is_depth(structures, rules), np.nan, structures.measure_down),
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


def bearing_believed(structures: Structures, rims: Rims, rules: RuleSet) -> Mask:
    """A bearing elevation within max_measure_down below the rim, or below the target where no rim is known."""
    top = np.where(np.isfinite(rims.existing_rim), rims.existing_rim, rims.target)
    depth = top - structures.bearing
    return np.asarray((depth >= -SLACK) & (depth <= rules.max_measure_down + SLACK))


def is_depth(structures: Structures, rules: RuleSet) -> Mask:
    """A measure-down that is plainly not one: beyond the limit, or not positive."""
    down = structures.measure_down
    return np.asarray(np.isfinite(down) & ((down > rules.max_measure_down) | (down <= 0)))


def _reference(structures: Structures, rims: Rims, millings: Millings) -> Floats:
    """Elevation from which each structure's measure-down was taken; NaN where that is not stated."""
    levels = dict(zip(REFERENCES, (rims.existing_rim, rims.existing, millings.milled, rims.finished), strict=True))
    places = [structures.measure_down_from == index for index in range(len(REFERENCES))]
    return np.select(places, list(levels.values()), default=np.nan)


def _changes(structures: Structures, rims: Rims, rules: RuleSet) -> tuple[Floats, Floats, Floats]:
    """Change at the centre and its gradient. A casting of unknown height that stays matters by its tilt only."""
    unknown = np.isnan(structures.casting_height) & np.isnan(structures.new_casting_height)
    old = np.where(unknown, rules.usual_casting_height, structures.casting_height)
    new = np.where(unknown, rules.usual_casting_height, structures.new_casting_height)
    steep_old = np.sqrt(1 + rims.existing_slope_east**2 + rims.existing_slope_north**2)
    change = rims.raise_ - (new * np.sqrt(1 + rims.slope**2) - old * steep_old)
    change = np.where(structures.floating, np.nan, change)
    east = rims.target_slope_east - rims.existing_slope_east
    north = rims.target_slope_north - rims.existing_slope_north
    return change, east, north
