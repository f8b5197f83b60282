"""The road along a frame's top edge, in closed form.

On a plane the mean along the edge is the height at the centre. On a folded road it is not: with the fold at distance t
from the centre of an edge of radius R (a = t/R, |a| < 1),

    mean of max(0, R cos f - t)   = R/pi (sqrt(1 - a^2) - a acos a)
    its slope in the fold's direction = 1/pi (acos a - a sqrt(1 - a^2))

and the least-squares plane through the heights on the circle has that mean and that slope (first Fourier terms).
A crown z = -c|e| with the cover on it: mean -2 c R / pi, slope 0.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from geoadjust.core.columns import RoadModels

Floats = NDArray[np.float64]


def edge_plane(roads: RoadModels, radius: Floats) -> Floats:
    """Least-squares plane through the road's heights on the frame's top edge.

    Parameters
    ----------
    roads : n models
    radius : (n,) [m]

    Returns
    -------
    (n, 3) height at the centre [m], slope east, slope north [m/m]; NaN without a road
    """
    a = np.clip(roads.fold_offset / radius, -1.0, 1.0)
    root, angle = np.sqrt(1 - a * a), np.arccos(a)
    wholly = roads.fold_offset <= -radius
    mean = np.where(wholly, -roads.fold_offset, radius * (root - a * angle) / np.pi)
    slope = (angle - a * root) / np.pi
    lift, tilt = roads.fold * mean, roads.fold * slope
    return np.stack(
        [
            roads.height + lift,
            roads.slope_east + tilt * np.sin(roads.fold_azimuth),
            roads.slope_north + tilt * np.cos(roads.fold_azimuth),
        ],
        axis=1,
    )


def road_heights(roads: RoadModels, radius: Floats, azimuth: Floats) -> Floats:
    """Road heights [m] at azimuths (n, k) on a circle round the centre, (n, k)."""
    east, north = radius[:, None] * np.sin(azimuth), radius[:, None] * np.cos(azimuth)
    plane = roads.height[:, None] + roads.slope_east[:, None] * east + roads.slope_north[:, None] * north
    beyond = radius[:, None] * np.cos(azimuth - roads.fold_azimuth[:, None]) - roads.fold_offset[:, None]
    return np.asarray(plane + roads.fold[:, None] * np.maximum(beyond, 0.0))


def edge_gaps(rim: Floats, roads: RoadModels, radius: Floats, azimuth: Floats) -> Floats:
    """Rim plane minus road [m] at azimuths (n, k) on the edge; plus = PROUD.

    Parameters
    ----------
    rim : (n, 3) height at the centre [m], slope east, slope north
    """
    east, north = radius[:, None] * np.sin(azimuth), radius[:, None] * np.cos(azimuth)
    heights = rim[:, 0, None] + rim[:, 1, None] * east + rim[:, 2, None] * north
    return np.asarray(heights - road_heights(roads, radius, azimuth))


def extreme_gaps(rim: Floats, roads: RoadModels, radius: Floats) -> tuple[Floats, Floats]:
    """True smallest and largest gap on the whole edge [m], (n,) each.

    The gap is a sine on either side of the fold, so its extremes lie at the two kinks or at a turning point of one of
    the two sines.
    """
    fold = roads.fold_azimuth
    slope_east, slope_north = rim[:, 1] - roads.slope_east, rim[:, 2] - roads.slope_north
    kink = np.arccos(np.clip(roads.fold_offset / radius, -1.0, 1.0))
    before = np.arctan2(slope_east, slope_north)
    beyond = np.arctan2(slope_east - roads.fold * np.sin(fold), slope_north - roads.fold * np.cos(fold))
    places = [before, before + np.pi, beyond, beyond + np.pi, fold + kink, fold - kink]
    gaps = edge_gaps(rim, roads, radius, np.stack(places, axis=1))
    return gaps.min(axis=1), gaps.max(axis=1)
