"""The road along a frame's top edge, in closed form.

On a plane the mean along the edge is the height at the centre. On a folded road it is not: with the fold at distance t
from the centre of an edge of radius R (a = t/R, |a| < 1),

    mean of max(0, R cos f - t)   = R/pi (sqrt(1 - a^2) - a acos a)
    its slope in the fold's direction = 1/pi (acos a - a sqrt(1 - a^2))

and the least-squares plane through the heights on the circle has that mean and that slope (first Fourier terms).
A crown z = -c|e| with the cover on it: mean -2 c R / pi, slope 0.

On a rectangle each side is split where the fold crosses it. On a piece the heights are linear, so height times offset
is a parabola, and two Gauss points integrate it exactly. About the centre and along its own axes (p across, q along)
a rectangle of width W and length L has no cross moments, so the plane has the mean height and the slopes
mean(p z) / mean(p^2), mean(q z) / mean(q^2), with mean(p^2) = W^2 (W + 3 L) / (12 (W + L)) along the perimeter, and
the same with W and L swapped for q. A crown along the length: mean -c W (W + 2 L) / (4 (W + L)).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from geoadjust.core.columns import RoadModels, take
from geoadjust.core.outline import Outlines

Floats = NDArray[np.float64]

GAUSS = (0.5 - 0.5 / np.sqrt(3), 0.5 + 0.5 / np.sqrt(3))
"""Two-point Gauss-Legendre nodes on 0..1, half the weight each; exact up to the third power."""


def edge_plane(roads: RoadModels, outline: Outlines) -> Floats:
    """Least-squares plane through the road's heights along the outline, every stretch of it with equal weight.

    Parameters
    ----------
    roads : n models
    outline : n outlines

    Returns
    -------
    (n, 3) height at the centre [m], slope east, slope north [m/m]; NaN without a road

    Examples
    --------
    A crown of 2 + 2 % under a round frame of 660 mm, and under an inlet of 400 x 600 mm along the crown line:

    >>> from dataclasses import fields, replace
    >>> blank = RoadModels(*(np.zeros(2) for _ in fields(RoadModels)))
    >>> east = np.full(2, np.pi / 2)
    >>> crown = replace(blank, slope_east=np.full(2, 0.02), fold=np.full(2, -0.04), fold_azimuth=east)
    >>> edge = Outlines(np.array([0.66, 0.4]), np.array([np.nan, 0.6]), np.zeros(2))
    >>> edge_plane(crown, edge)[:, 0].round(7).tolist()
    [-0.0042017, -0.0032]
    """
    flat = np.stack([roads.height, roads.slope_east, roads.slope_north], axis=1)
    return np.asarray(flat + roads.fold[:, None] * _fold_planes(roads, outline)[:, :, 0])


def edge_jacobian(roads: RoadModels, outline: Outlines) -> Floats:
    """Derivative of `edge_plane` with respect to height, slope_east, slope_north, fold, fold_azimuth, fold_offset.

    In closed form for both kinds of outline: the edge's plane is linear in the heights, so its derivative is the plane
    through the heights' derivative. On a plane the last two columns are 0, and the fourth says nothing. Where a side
    of a rectangle lies in the fold the derivative jumps; it is then that of one of the two sides of the fold.

    Returns
    -------
    (n, 3, 6) rows [m, m/m, m/m] per column [m, m/m, m/m, m/m, rad, m]; NaN columns 4 to 6 without a fold's figures
    """
    turn = np.zeros((len(roads), 3, 6))
    turn[:, :, :3] = np.eye(3)
    turn[:, :, 3:] = _fold_planes(roads, outline)
    turn[:, :, 4:] *= roads.fold[:, None, None]
    return turn


def road_heights(roads: RoadModels, east: Floats, north: Floats) -> Floats:
    """Road heights [m] at offsets (n, k) from the centres [m], (n, k)."""
    plane = roads.height[:, None] + roads.slope_east[:, None] * east + roads.slope_north[:, None] * north
    return np.asarray(plane + roads.fold[:, None] * np.maximum(_beyond(roads, east, north), 0.0))


def edge_gaps(rim: Floats, roads: RoadModels, east: Floats, north: Floats) -> Floats:
    """Rim plane minus road [m] at offsets (n, k) from the centres [m]; plus = PROUD.

    Parameters
    ----------
    rim : (n, 3) height at the centre [m], slope east, slope north
    """
    heights = rim[:, 0, None] + rim[:, 1, None] * east + rim[:, 2, None] * north
    return np.asarray(heights - road_heights(roads, east, north))


def extreme_gaps(rim: Floats, roads: RoadModels, outline: Outlines) -> tuple[Floats, Floats]:
    """True smallest and largest gap on the whole outline [m], (n,) each; NaN without a road.

    On a circle the gap is a sine on either side of the fold, so its extremes lie at the two kinks or at a turning point
    of one of the two sines. On a rectangle it is linear between corners and kinks.
    """
    gaps = edge_gaps(rim, roads, *_circle_places(rim, roads, outline))
    low, high = gaps.min(axis=1), gaps.max(axis=1)
    boxes = np.flatnonzero(~outline.is_round)
    if len(boxes):
        some = take(roads, boxes)
        gaps = edge_gaps(rim[boxes], some, *_box_places(some, outline.take(boxes)))
        low[boxes], high[boxes] = gaps.min(axis=1), gaps.max(axis=1)
    return low, high


def _beyond(roads: RoadModels, east: Floats, north: Floats) -> Floats:
    """Distance beyond the fold [m] at offsets (n, k)."""
    sin, cos = np.sin(roads.fold_azimuth)[:, None], np.cos(roads.fold_azimuth)[:, None]
    return np.asarray(east * sin + north * cos - roads.fold_offset[:, None])


def _fold_planes(roads: RoadModels, outline: Outlines) -> Floats:
    """Planes along the edge through u.x - t beyond the fold, 0 before it, and through its derivatives.

    Returns
    -------
    (n, 3, 3) height, slope east, slope north; of the heights, of their change with the azimuth and with the offset
    """
    found = _circle_fold(roads, outline)
    boxes = np.flatnonzero(~outline.is_round)
    if len(boxes):
        found[boxes] = _box_fold(take(roads, boxes), outline.take(boxes))
    return found


def _circle_fold(roads: RoadModels, outline: Outlines) -> Floats:
    """`_fold_planes` on circles of diameter `width`."""
    radius = outline.width / 2
    a = np.clip(roads.fold_offset / radius, -1.0, 1.0)
    root, angle = np.sqrt(1 - a * a), np.arccos(a)
    wholly = roads.fold_offset <= -radius
    mean = np.where(wholly, -roads.fold_offset, radius * (root - a * angle) / np.pi)
    slope = (angle - a * root) / np.pi
    falls = -2 * root / (np.pi * radius)
    sin, cos = np.sin(roads.fold_azimuth), np.cos(roads.fold_azimuth)
    heights = [mean, slope * sin, slope * cos]
    turned = [np.zeros_like(mean), slope * cos, -slope * sin]
    moved = [-angle / np.pi, falls * sin, falls * cos]
    return np.ascontiguousarray(np.array([heights, turned, moved]).transpose(2, 1, 0))


def _box_fold(roads: RoadModels, outline: Outlines) -> Floats:
    """`_fold_planes` on rectangles; NaN on circles."""
    east, north, weight = _box_nodes(roads, outline)
    beyond = _beyond(roads, east, north)
    sin, cos = np.sin(roads.fold_azimuth)[:, None], np.cos(roads.fold_azimuth)[:, None]
    far = np.where(np.isnan(beyond), np.nan, beyond > 0)
    values = [np.maximum(beyond, 0.0), far * (east * cos - north * sin), -far]
    return np.stack([_box_plane(height, east, north, weight, outline) for height in values], axis=2)


def _box_plane(height: Floats, east: Floats, north: Floats, weight: Floats, outline: Outlines) -> Floats:
    """Least-squares plane through heights at the nodes, (n, 3)."""
    width, length = outline.width, outline.length
    mean, with_east, with_north = (
        np.einsum("nk,nk->n", weight, part) for part in (height, height * east, height * north)
    )
    across, along = outline.to_box(with_east, with_north)
    across = across * 12 * (width + length) / (width**2 * (width + 3 * length))
    along = along * 12 * (width + length) / (length**2 * (length + 3 * width))
    sin, cos = np.sin(outline.azimuth), np.cos(outline.azimuth)
    return np.stack([mean, across * cos + along * sin, along * cos - across * sin], axis=1)


def _crossings(roads: RoadModels, outline: Outlines) -> Floats:
    """Share of each side, from its corner clockwise, at which the fold crosses it, (n, 4); 0 or 1 where it does not."""
    here = _beyond(roads, *outline.corners())
    there = np.roll(here, -1, axis=1)
    run = here - there
    share = np.divide(here, run, out=np.zeros_like(here), where=run != 0)
    return np.clip(share, 0.0, 1.0)


def _box_nodes(roads: RoadModels, outline: Outlines) -> tuple[Floats, Floats, Floats]:
    """Gauss nodes round each rectangle: offsets east, north [m] and shares of the perimeter, (n, 16) each."""
    shape = len(outline), 4 * 2 * len(GAUSS)
    cut = _crossings(roads, outline)
    start, size = np.stack([np.zeros_like(cut), cut], axis=2), np.stack([cut, 1 - cut], axis=2)
    share = start[..., None] + size[..., None] * np.array(GAUSS)
    corner_east, corner_north = (corner[:, :, None, None] for corner in outline.corners())
    east = corner_east + share * (np.roll(corner_east, -1, axis=1) - corner_east)
    north = corner_north + share * (np.roll(corner_north, -1, axis=1) - corner_north)
    sides = np.stack([outline.length, outline.width] * 2, axis=1) / (2 * (outline.width + outline.length))[:, None]
    weight = (sides[:, :, None] * size / 2)[..., None] * np.ones(len(GAUSS))
    return east.reshape(shape), north.reshape(shape), weight.reshape(shape)


def _box_places(roads: RoadModels, outline: Outlines) -> tuple[Floats, Floats]:
    """Corners of each rectangle and its kinks, offsets east and north (n, 8) [m]; NaN on circles."""
    cut = _crossings(roads, outline)
    places = [np.concatenate([at, at + cut * (np.roll(at, -1, axis=1) - at)], axis=1) for at in outline.corners()]
    return places[0], places[1]


def _circle_places(rim: Floats, roads: RoadModels, outline: Outlines) -> tuple[Floats, Floats]:
    """Kinks and turning points of the gap on each circle, offsets east and north (n, 6) [m]."""
    fold, radius = roads.fold_azimuth, outline.width / 2
    slope_east, slope_north = rim[:, 1] - roads.slope_east, rim[:, 2] - roads.slope_north
    kink = np.arccos(np.clip(roads.fold_offset / radius, -1.0, 1.0))
    before = np.arctan2(slope_east, slope_north)
    beyond = np.arctan2(slope_east - roads.fold * np.sin(fold), slope_north - roads.fold * np.cos(fold))
    azimuth = np.stack([before, before + np.pi, beyond, beyond + np.pi, fold + kink, fold - kink], axis=1)
    return radius[:, None] * np.sin(azimuth), radius[:, None] * np.cos(azimuth)
