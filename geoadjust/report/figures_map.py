"""A small map: the structure, its neighbours, the street's direction, a scale bar and north."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from geoadjust.report.figures import FINE, HIGH, STRONG, THIN, Figure, Place

NEAREST, LEAST, MOST = 3, 12.0, 150.0
"""The map reaches a little farther than to this many neighbours, but no less and no more than so many metres."""
LETTER = 2.3
"""Width of a letter of a label, about [mm]."""
MOST_LETTERS = 10

Box = tuple[float, float, float, float]
"""Left, upper, right and lower edge [mm]."""


@dataclass(frozen=True, slots=True)
class Neighbour:
    """Another structure: offset east and north on the ground [m], and its name."""

    east: float
    north: float
    name: str


def draw_map(
    width: float, height: float, neighbours: Sequence[Neighbour], *, axis: float, units: str, placed: bool
) -> Figure:
    """The map, north up.

    Parameters
    ----------
    width, height : of the drawing [mm]
    neighbours : nearest first
    axis : azimuth of the street [rad]; NaN = not known
    units : us or metric
    placed : the structure has a position
    """
    figure = Figure(width, height, "Where it is")
    figure.line((0, 0), (width, 0), (width, height), (0, height), width=THIN, closed=True)
    if not placed:
        figure.word((width / 2, height / 2 - 1), "No position", "center", bold=True)
        figure.word((width / 2, height / 2 + 5), "in the set", "center")
        return figure
    reach = _reach(neighbours)
    scale = (min(width, height) / 2 - 4) / reach
    middle = (width / 2, height / 2 - 3)
    left = math.isfinite(axis) and math.sin(axis) * math.cos(axis) > 0  # north stands off the street's line
    kept = [((0.0 if left else width - 11), 0.0, (11.0 if left else width), 19.0)]
    if math.isfinite(axis):
        x, y = _draw_axis(figure, middle, axis)
        kept.append((x - 3, y - 3, x + 3, y + 3))
    _draw_neighbours(figure, middle, scale, neighbours, kept)
    figure.circle(middle, 2.6, STRONG, fill=1.0)
    figure.circle(middle, 1.3, 0.0, fill=0.0)
    figure.north((5.5 if left else width - 5.5, 10.5))
    draw_bar(figure, scale, units)
    return figure


def _reach(neighbours: Sequence[Neighbour]) -> float:
    away = sorted(math.hypot(each.east, each.north) for each in neighbours)[:NEAREST]
    return min(max(1.15 * away[-1] if away else LEAST, LEAST), MOST)


def _draw_axis(figure: Figure, middle: Place, axis: float) -> Place:
    """The street through the structure, its arrow in the direction of the mark; the arrow's tip."""
    e, n = math.sin(axis), -math.cos(axis)
    room = min(
        (figure.width / 2 - 3) / abs(e) if abs(e) > 1e-9 else math.inf,
        (figure.height / 2 - 8) / abs(n) if abs(n) > 1e-9 else math.inf,
    )
    ends = [(middle[0] + sign * room * e, middle[1] + sign * room * n) for sign in (-1.0, 1.0)]
    figure.arrow(ends[0], ends[1], FINE, 3.0)
    return ends[1]


def _draw_neighbours(
    figure: Figure, middle: Place, scale: float, neighbours: Sequence[Neighbour], kept: Sequence[Box]
) -> None:
    """Dots and names; no name stands on the boxes that are `kept` free of them."""
    taken: list[Box] = [
        (middle[0] - 3, middle[1] - 3, middle[0] + 3, middle[1] + 3),
        (0, figure.height - 10, figure.width, figure.height),
        *kept,
    ]
    dots = [(middle[0] + each.east * scale, middle[1] - each.north * scale) for each in neighbours]
    inside = [
        (dot, each.name)
        for dot, each in zip(dots, neighbours, strict=True)
        if 2 < dot[0] < figure.width - 2 and 2 < dot[1] < figure.height - 10
    ]
    taken += [(dot[0] - 1.4, dot[1] - 1.4, dot[0] + 1.4, dot[1] + 1.4) for dot, _ in inside]
    for dot, name in inside:
        _label(figure, dot, name, taken)
    for dot, _ in inside:
        figure.circle(dot, 1.3, FINE, fill=1.0)


def _label(figure: Figure, dot: Place, name: str, taken: list[Box]) -> None:
    """The name beside a dot where nothing else stands; left out where there is no room."""
    text = name if len(name) <= MOST_LETTERS else name[: MOST_LETTERS - 1] + "\u2026"
    wide = LETTER * len(text) + 0.5
    for left, base in (
        (dot[0] + 2, dot[1] + HIGH / 2),
        (dot[0] - 2 - wide, dot[1] + HIGH / 2),
        (dot[0] - wide / 2, dot[1] - 2.2),
        (dot[0] - wide / 2, dot[1] + 2.4 + HIGH),
    ):
        box = (left, base - HIGH - 0.4, left + wide, base + 0.6)
        within = box[0] > 1 and box[2] < figure.width - 1 and box[1] > 1 and box[3] < figure.height - 9
        if within and not any(_meet(box, other) for other in taken):
            figure.word((left, base), text, ground=True)
            taken.append(box)
            return


def _meet(one: Box, two: Box) -> bool:
    return one[0] < two[2] and two[0] < one[2] and one[1] < two[3] and two[1] < one[3]


def draw_bar(figure: Figure, scale: float, units: str) -> None:
    """A scale bar of a round length, black and white in halves."""
    unit, name = (0.3048, "ft") if units == "us" else (1.0, "m")
    most = 0.5 * figure.width / (scale * unit)
    power = 10.0 ** math.floor(math.log10(most))
    length = next(first * power for first in (5, 2, 1) if first * power <= most)
    long, y = length * unit * scale, figure.height - 3.2
    for half, fill in ((0, 0.0), (1, 1.0)):
        left = 3 + half * long / 2
        figure.line(
            (left, y), (left + long / 2, y), (left + long / 2, y + 1.4), (left, y + 1.4),
            width=THIN, closed=True, fill=fill,
        )  # fmt: skip
    figure.word((3 + long + 1.5, y + 1.7), f"{length:g} {name}")
