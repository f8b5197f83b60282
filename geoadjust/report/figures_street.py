"""A street from above, turned so that it runs across the page, and the raise of each structure below it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from geoadjust.report.figures import DASH, DOTS, FINE, HIGH, STRONG, THIN, Figure, Place
from geoadjust.report.figures_map import draw_bar
from geoadjust.report.words import length

EDGE, STEMS = 14.0, 34.0
"""Room at the left and right edge; height of the part with the raises [mm]."""
USUAL = 3.0
"""A raise more than so many times the middle one is drawn as an arrow, so that the others can be seen."""
LETTER = 2.3
"""Width of a letter, about [mm]."""


@dataclass(frozen=True, slots=True)
class Stop:
    """A structure of the street: offset east and north on the ground [m], name, raise [m] (NaN = unknown)."""

    east: float
    north: float
    name: str
    rise: float


def draw_street(width: float, stops: Sequence[Stop], *, units: str, title: str = "") -> Figure:
    """The drawing; the plan above has one scale, and the raises below a larger one.

    Parameters
    ----------
    width : of the drawing [mm]
    stops : with a place; a filled dot is raised or lowered, a ring stays, a broken ring has no figure
    units : us or metric
    """
    turn = run_of(stops)
    along = [stop.east * math.cos(turn) + stop.north * math.sin(turn) for stop in stops]
    across = [stop.north * math.cos(turn) - stop.east * math.sin(turn) for stop in stops]
    figure = Figure(width, 0.0, title)
    if not stops:
        figure.height = 12.0
        figure.word((width / 2, 7.0), "No structure with a place", "center", bold=True)
        return figure
    first, last = min(along), max(along)
    scale = (width - 2 * EDGE) / max(last - first, 20.0)
    left = (width - scale * (last - first)) / 2
    tall = max(scale * (max(across) - min(across)), 4.0)
    top = 13.0
    places = [(left + scale * (a - first), top + scale * (max(across) - c)) for a, c in zip(along, across, strict=True)]
    level = top + tall + 8.0 + STEMS / 2
    figure.height = level + STEMS / 2 + 12.0
    figure.north((6.0, 7.0), turn, 7.0)
    _draw_stems(figure, [x for x, _ in places], stops, level, units)
    for place, stop in zip(places, stops, strict=True):
        _draw_stop(figure, place, stop)
    draw_bar(figure, scale, units)
    return figure


def run_of(stops: Sequence[Stop]) -> float:
    """Direction in which the structures lie farthest apart [rad], counterclockwise from east, within a quarter turn.

    Examples
    --------
    >>> round(math.degrees(run_of([Stop(0, 0, "a", 0.0), Stop(10, 10, "b", 0.0), Stop(20, 20, "c", 0.0)])), 1)
    45.0
    """
    count = max(len(stops), 1)
    middle = sum(stop.east for stop in stops) / count, sum(stop.north for stop in stops) / count
    offsets = [(stop.east - middle[0], stop.north - middle[1]) for stop in stops]
    product = sum(e * n for e, n in offsets)
    difference = sum(e * e - n * n for e, n in offsets)
    return 0.5 * math.atan2(2 * product, difference) if product or difference else 0.0


def _draw_stop(figure: Figure, place: Place, stop: Stop) -> None:
    known = math.isfinite(stop.rise)
    moved = known and abs(stop.rise) > 0.0005
    figure.circle(place, 1.3, STRONG if known else FINE, () if known else (0.6, 0.6), 0.0 if moved else 1.0)


def _draw_stems(figure: Figure, columns: Sequence[float], stops: Sequence[Stop], level: float, units: str) -> None:
    """A line at today's level; a stem up or down to each planned rim, with its figure where there is room."""
    figure.line((2.0, level), (figure.width - 2.0, level), width=THIN, dash=DASH)
    rises = sorted(abs(stop.rise) for stop in stops if math.isfinite(stop.rise) and stop.rise)
    most = min(rises[-1], USUAL * rises[len(rises) // 2]) if rises else 1.0
    room = STEMS / 2 - 2 * HIGH
    taken: list[tuple[bool, float, float]] = []
    order = sorted(
        zip(columns, stops, strict=True),
        key=lambda each: (not math.isfinite(each[1].rise), -abs(each[1].rise), each[0]),
    )
    for x, stop in order:
        if not math.isfinite(stop.rise):
            figure.word((x, level + HIGH / 2), "?", "center", ground=True)
            continue
        up, long = stop.rise >= 0, room * min(abs(stop.rise) / most, 1.0)
        end = level - long if up else level + long
        if abs(stop.rise) > most:
            figure.arrow((x, level), (x, end), STRONG)
        else:
            figure.line((x, level), (x, end), width=STRONG)
            figure.line((x - 1.0, end), (x + 1.0, end), width=STRONG)
        text = f"{stop.name} {length(abs(stop.rise), units)}"
        half = LETTER * len(text) / 2 + 0.5
        if all(side != up or x + half < low or x - half > high for side, low, high in taken):
            edge = level - room - 1.6 if up else level + room + HIGH + 1.6
            figure.line((x, end), (x, edge + (0.8 if up else -HIGH - 0.8)), width=THIN, dash=DOTS)
            figure.word((x, edge), text, "center", ground=True)
            taken.append((up, x - half, x + half))
