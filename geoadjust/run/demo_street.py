"""The demo's street in closed form: where it lies, how high it is. Everything is invented.

Sample Street runs along `along` [map m], `offset` [map m] is plus to the right. Along the axis the profile rises with
1 %, goes over a vertical curve to 7 %, and over another one to 0.4 %. Across, the carriageway falls 2 % from the crown
to a gutter pan of 6 %; behind a kerb of 150 mm lies a sidewalk that rises 2 %. Side Lane leaves to the right.
All lengths here are map metres; heights are metres.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

CRS = "EPSG:32617"
START = (600_000.0, 4_000_000.0)
AXIS = np.radians(76.0)
LENGTH = 250.0
CELL = 0.1
NOISE = 0.003
SEED = 20_240_229

LOWEST = 214.3
GRADES = ((0.0, 0.010), (70.0, 0.010), (110.0, 0.070), (150.0, 0.070), (190.0, 0.004), (LENGTH, 0.004))
"""Distance along the axis and grade there; between two entries the grade changes evenly (a parabola)."""

CROSS_SLOPE, PAN_SLOPE, WALK_SLOPE = 0.02, 0.06, 0.02
PAN, EDGE, WALK = 4.05, 4.5, 6.3
"""Offsets of the gutter pan's inner edge, of the kerb's face and of the sidewalk's back."""
KERB = 0.150

LANE_AT, LANE_EDGE, LANE_WALK, LANE_END = 40.0, 3.6, 5.4, 40.0
LANE_GRADE, LANE_CROWN, LANE_BLEND = 0.02, 0.02, 8.0
"""Side Lane takes its own crown over the first 8 m; at its mouth it has the grade of the street."""

CAR = (168.0, 172.6, 1.9, 3.7)
"""A parked car hides the road: from, to along; from, to offset."""
TRENCH, TRENCH_DEPTH = (196.0, 197.2, -EDGE, EDGE), 0.045
WASHBOARD, WASHBOARD_HEIGHT, WASHBOARD_LENGTH = (204.0, 216.0, -PAN, -0.4), 0.018, 0.9


def place(along: float | Floats, offset: float | Floats) -> tuple[Floats, Floats]:
    """East and north of points on the street.

    Examples
    --------
    >>> [float(value) for value in place(0.0, 0.0)]
    [600000.0, 4000000.0]
    """
    along, offset = np.asarray(along, dtype=float), np.asarray(offset, dtype=float)
    east = START[0] + along * np.sin(AXIS) + offset * np.cos(AXIS)
    return east, START[1] + along * np.cos(AXIS) - offset * np.sin(AXIS)


def stations(east: Floats, north: Floats) -> tuple[Floats, Floats]:
    """Distance along the street and offset to the right; the inverse of `place`."""
    e, n = np.asarray(east, dtype=float) - START[0], np.asarray(north, dtype=float) - START[1]
    return e * np.sin(AXIS) + n * np.cos(AXIS), e * np.cos(AXIS) - n * np.sin(AXIS)


def profile(along: Floats) -> Floats:
    """Height of the crown: the exact integral of the grades.

    Examples
    --------
    >>> profile(np.array([0.0, 70.0, 110.0])).round(6).tolist()
    [214.3, 215.0, 216.6]
    """
    along = np.asarray(along, dtype=float)
    height = LOWEST + GRADES[0][1] * np.minimum(along, 0.0)
    for (begin, before), (end, after) in pairwise(GRADES):
        done = np.clip(along - begin, 0.0, end - begin)
        height = height + before * done + (after - before) * done**2 / (2 * (end - begin))
    return height + GRADES[-1][1] * np.maximum(along - LENGTH, 0.0)


def carriageway(along: Floats, offset: Floats) -> Floats:
    """Height of Sample Street between its kerbs."""
    out = np.abs(offset)
    return profile(along) - CROSS_SLOPE * np.minimum(out, PAN) - PAN_SLOPE * np.maximum(out - PAN, 0.0)


def lane(along: Floats, offset: Floats) -> Floats:
    """Height of Side Lane between its kerbs."""
    edge = np.full_like(offset, EDGE)
    share = np.clip((offset - EDGE) / LANE_BLEND, 0.0, 1.0)
    own = carriageway(np.full_like(along, LANE_AT), edge) - LANE_CROWN * np.abs(along - LANE_AT)
    return (1 - share) * carriageway(along, edge) + share * own + LANE_GRADE * (offset - EDGE)


def height(east: Floats, north: Floats) -> Floats:
    """Height of road, gutter, kerb and sidewalk without noise [m]; NaN beyond them and under the parked car."""
    along, offset = stations(east, north)
    out, across = np.abs(offset), np.abs(along - LANE_AT)
    walk = carriageway(along, np.full_like(out, EDGE)) + KERB + WALK_SLOPE * (out - EDGE)
    lane_edge = LANE_AT + np.clip(along - LANE_AT, -LANE_EDGE, LANE_EDGE)
    lane_walk = lane(lane_edge, offset) + KERB + WALK_SLOPE * (across - LANE_EDGE)
    ripples = WASHBOARD_HEIGHT * np.sin(2 * np.pi * (along - WASHBOARD[0]) / WASHBOARD_LENGTH)
    worn = carriageway(along, offset) - TRENCH_DEPTH * _in(TRENCH, along, offset)
    worn = worn + np.where(_in(WASHBOARD, along, offset), ripples, 0.0)
    on_street = (along >= 0) & (along <= LENGTH) & (out <= WALK)
    on_lane = (offset > EDGE) & (offset <= LANE_END)
    kinds = [
        (on_street & (out <= EDGE), worn),
        (on_lane & (across <= LANE_EDGE), lane(along, offset)),
        (on_street, walk),
        (on_lane & (across <= LANE_WALK), lane_walk),
    ]
    found = np.select([where for where, _ in kinds], [values for _, values in kinds], default=np.nan)
    return np.where(_in(CAR, along, offset), np.nan, found)


def _in(box: tuple[float, float, float, float], along: Floats, offset: Floats) -> Mask:
    return np.asarray((along >= box[0]) & (along <= box[1]) & (offset >= box[2]) & (offset <= box[3]))


def road_at_cover(along: float, offset: float, radius: float = 0.33, count: int = 3600) -> float:
    """Mean of the road along a circle round a cover, by brute force [m]."""
    turn = np.arange(count) * (2 * np.pi / count)
    east, north = place(along, offset)
    return float(np.mean(height(east + radius * np.sin(turn), north + radius * np.cos(turn))))


def scan() -> tuple[Floats, float, float]:
    """The road as a scanner sees it: heights with noise by row and column; west and north of the first cell's corner.

    Cells without a road are NaN.
    """
    corners = [place(s, u) for s in (0.0, LENGTH) for u in (-WALK, WALK)]
    corners += [place(LANE_AT + t, LANE_END) for t in (-LANE_WALK, LANE_WALK)]
    east, north = (np.array([float(corner[i]) for corner in corners]) for i in (0, 1))
    west, top = np.floor(east.min()) - 1.0, np.ceil(north.max()) + 1.0
    columns, rows = (int(np.ceil(span / CELL)) for span in (east.max() + 1.0 - west, top - north.min() + 1.0))
    middle_east = west + (np.arange(columns) + 0.5) * CELL
    middle_north = top - (np.arange(rows) + 0.5) * CELL
    noise = np.random.default_rng(SEED).normal(0.0, NOISE, (rows, columns))
    return height(*np.meshgrid(middle_east, middle_north)) + noise, float(west), float(top)
