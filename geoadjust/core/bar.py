"""The straightedge: a bar laid across the cover on the road at both sides, as a crew lays it.

Along each of eight diameters the road's profile is read from the edge of the cut-out to half the bar on either side.
The bar rests on the highest points: over the hole it is the chord of the profile's upper hull, so its height at the
centre is the greatest of all chords between a point on one side and a point on the other.

Noise lifts a hull. A running median as wide as the bar takes some of it away, after each side's own slope is taken off;
where the lift that must still be expected passes half the tolerance there is no value.
"""

from __future__ import annotations

from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from geoadjust.core.columns import Bars
from geoadjust.core.ring import Ring, inner_radius

Floats = NDArray[np.float64]

DIAMETERS = 8
LEAST_STEP = 0.025
BAR_WIDTH = 0.100
LEAST_POINTS = 3
HULL_LIFT = {1: (0.14, 0.35), 3: (-0.11, 0.33), 5: (-0.27, 0.30)}
"""Expected height of the hull over the road, in sd of one cell, by the width of the running median [points]: a and b of
a + b ln(points of the profile on one side).

Upper bounds, own simulation: planes sloping 0 to 20 %, which give the same to the last digit, cells of 0.01 to 0.5 m,
square or up to a third longer than wide, turned by 0 to 45 degrees, bars of 1.5 to 10 m, flanges of 0.05 to 0.8 m
radius. For a flange of 0.4575 m under a bar of 3 m the largest lifts found are 1.03 (one point), 0.95 (three) and 0.71
(five); at cells of 0.05, 0.1 and 0.25 m they are 0.70, 0.73 and 0.65."""


class Heights(Protocol):
    """Road heights at any offsets from the centres of n structures."""

    @property
    def step(self) -> float: ...
    def spacing(self) -> Floats: ...
    def heights_at(self, east: Floats, north: Floats) -> Floats: ...


def read_bars(
    surface: Heights, mark: Floats, flange_radius: Floats, noise: Floats, ring: Ring, tolerance: float
) -> Bars:
    """Lay the bar on the road across each cover.

    Parameters
    ----------
    surface : what has road heights round n structures: patches of a raster, or models
    mark : (n,) azimuth of the first diameter [rad]
    flange_radius : (n,) [m]
    noise : (n,) sd of one road height [m]
    tolerance : owner's tolerance [m]

    Returns
    -------
    Bars, NaN where a side has too few points or where noise would lift the bar by more than half the tolerance
    """
    step = max(surface.step / 2, LEAST_STEP)
    edge = inner_radius(flange_radius, surface.spacing(), ring)
    window = 2 * int(BAR_WIDTH / 2 / step + 0.05) + 1
    points = int((ring.bar_length / 2 - ring.inner_clearance) / step + 1e-9) + 1
    distance = edge[:, None] + step * np.arange(points)
    distance = np.where(distance <= ring.bar_length / 2 + 1e-9, distance, np.nan)
    reached = int(np.isfinite(distance).any(axis=0).sum())
    distance = distance[:, : max(reached, window)]
    azimuth = mark[:, None] + np.arange(DIAMETERS) * (np.pi / DIAMETERS)
    sides = [_profile(surface, azimuth, sign * distance, window) for sign in (-1.0, 1.0)]
    height, slope = _chord(*sides, *(_inner(sign * distance, window) for sign in (-1.0, 1.0)))
    lift = _lift((ring.bar_length / 2 - edge) / step, window) * noise
    readable = (lift <= tolerance / 2)[:, None]
    return Bars(np.where(readable, height, np.nan), np.where(readable, slope, np.nan), azimuth)


def _lift(points: Floats, window: int) -> Floats:
    """Expected lift (n,) in sd of one cell; fewer points than make three smoothed ones give no value anyway."""
    constant, growth = HULL_LIFT[window]
    return np.asarray(constant + growth * np.log(np.maximum(points, LEAST_POINTS + window - 1)))


def _inner(distance: Floats, window: int) -> Floats:
    half = window // 2
    return distance[:, half : distance.shape[1] - half]


def _profile(surface: Heights, azimuth: Floats, distance: Floats, window: int) -> Floats:
    """Road heights (n, points, 8) along one side, smoothed by a running median; NaN beyond the bar's end."""
    n, points = distance.shape
    east = distance[:, :, None] * np.sin(azimuth)[:, None, :]
    north = distance[:, :, None] * np.cos(azimuth)[:, None, :]
    beyond = np.isnan(distance)
    east[beyond], north[beyond] = 0.0, 0.0
    flat = n, points * DIAMETERS
    heights = surface.heights_at(east.reshape(flat), north.reshape(flat)).reshape(n, points, DIAMETERS)
    heights[beyond] = np.nan
    return heights if window == 1 else _smooth(heights, distance, window)


def _smooth(heights: Floats, distance: Floats, window: int) -> Floats:
    """Running median (n, points - window + 1, 8) of what is left of the heights above their own straight line.

    On a slope the middle of three neighbours is nearly always the one in the middle, and a median smooths nothing; so
    each side's least-squares slope is taken off first and put back after. A side of one point has no slope. Sums run
    from point to point, so that places beyond the bar's end never change a bit of them.
    """
    seen = np.isfinite(heights)
    place = np.where(np.isfinite(distance), distance, 0.0)[:, :, None]
    ones, known = seen.astype(float), np.where(seen, heights, 0.0)
    count = np.maximum(_total(ones), 1.0)
    off = ones * (place - (_total(ones * place) / count)[:, None, :])
    rise = ones * (known - (_total(known) / count)[:, None, :])
    spread = _total(off * off)
    slope = _total(off * rise) / np.where(spread > 0, spread, 1.0)
    line = slope[:, None, :] * place
    left = np.median(np.lib.stride_tricks.sliding_window_view(heights - line, window, axis=1), axis=3)
    half = window // 2
    return np.asarray(left + line[:, half : line.shape[1] - half])


def _total(values: Floats) -> Floats:
    """Sum over the points, one after the other, (n, 8)."""
    found = np.zeros((len(values), values.shape[2]))
    for point in range(values.shape[1]):
        found += values[:, point]
    return found


def _chord(left: Floats, right: Floats, left_at: Floats, right_at: Floats) -> tuple[Floats, Floats]:
    """Highest chord over the hole: height at the centre and slope, (n, 8) each."""
    best = np.full((len(left), DIAMETERS), -np.inf)
    slope = np.full((len(left), DIAMETERS), np.nan)
    with np.errstate(invalid="ignore"):
        for i in range(left.shape[1]):
            for j in range(right.shape[1]):
                rise = (right[:, j] - left[:, i]) * (1 / (right_at[:, j] - left_at[:, i]))[:, None]
                height = left[:, i] - rise * left_at[:, i, None]
                better = height > best
                np.copyto(best, height, where=better)
                np.copyto(slope, rise, where=better)
    enough = (np.isfinite(left).sum(axis=1) >= LEAST_POINTS) & (np.isfinite(right).sum(axis=1) >= LEAST_POINTS)
    return np.where(enough, best, np.nan), np.where(enough, slope, np.nan)


def bar_plane(bars: Bars) -> Floats:
    """Plane that all eight bars give together, (n, 3): mean height at the centre [m], slope east, slope north.

    NaN where one of the bars is missing. Eight equally spaced directions d: sum d d' = 4 I.
    """
    east, north = np.sin(bars.azimuth), np.cos(bars.azimuth)
    return np.stack(
        [
            np.einsum("nk->n", bars.height) / DIAMETERS,
            np.einsum("nk,nk->n", bars.slope, east) / (DIAMETERS / 2),
            np.einsum("nk,nk->n", bars.slope, north) / (DIAMETERS / 2),
        ],
        axis=1,
    )
