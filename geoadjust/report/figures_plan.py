"""The casting from above, with the mark up: outlines, stations on the clock, north, uphill and long side."""

from __future__ import annotations

import math

from geoadjust.report.facts import Facts, Outline
from geoadjust.report.figures import DASH, FINE, HIGH, STRONG, Figure, Place, fit_scale
from geoadjust.report.words import clock

LEAST_SLOPE = 0.001
"""Slope below which no uphill arrow is drawn [m/m]."""


def mark_of(facts: Facts) -> float:
    """Azimuth of station 1 [rad]; NaN where the set knows none."""
    known = (facts.ordinate("mark_deg"), facts.model("rims_mark"), facts.value("axis_deg"))
    return next((each for each in known if math.isfinite(each)), math.nan)


def draw_plan(width: float, height: float, facts: Facts, *, stations: int = 4) -> Figure:
    """The plan of the casting that will stand.

    Parameters
    ----------
    width, height : of the drawing [mm]
    stations : that are named on the clock: 4 or 8
    """
    figure = Figure(width, height, "Plan")
    outer = facts.flange if math.isfinite(facts.flange.width) else facts.frame
    if not math.isfinite(outer.width):
        figure.word((width / 2, height / 2), "Casting not known", "center")
        return figure
    marked = math.isfinite(mark_of(facts))
    mark = mark_of(facts) if marked else 0.0
    middle, room = (width / 2, height / 2 + 1), min(width, height) / 2 - 8
    scale = fit_scale(_far(outer), room) if stations == 4 else fit_scale(_far(outer), room - 1)
    for outline, dash, line in ((facts.flange, DASH, FINE), (facts.frame, (), STRONG)):
        if math.isfinite(outline.width):
            _draw_outline(figure, middle, outline, mark, 1000 / scale, line, dash)
    if marked:
        _draw_stations(figure, middle, outer, mark, 1000 / scale, stations)
    _draw_slope(figure, middle, facts, mark, 1000 / scale)
    _draw_long_side(figure, middle, outer, facts, mark, 1000 / scale)
    figure.north((8.0, height - 8.0), -mark, 7.0)
    figure.title = f"Plan 1:{scale:g}, {'mark' if marked else 'north'} up"
    return figure


def _far(outline: Outline) -> float:
    """Farthest reach from the centre [m]."""
    return outline.width / 2 if outline.round else math.hypot(outline.width, outline.length) / 2


def reach(outline: Outline, azimuth: float) -> float:
    """Distance of an outline from its centre in a direction [m]."""
    if outline.round:
        return outline.width / 2
    turn = azimuth - outline.azimuth
    return 0.5 / max(abs(math.sin(turn)) / outline.width, abs(math.cos(turn)) / outline.length)


def _at(middle: Place, distance: float, turn: float) -> Place:
    """A place so many mm from the middle, `turn` clockwise from the page's top."""
    return middle[0] + distance * math.sin(turn), middle[1] - distance * math.cos(turn)


def _draw_outline(
    figure: Figure, middle: Place, outline: Outline, mark: float, scale: float, width: float, dash: tuple[float, ...]
) -> None:
    if outline.round:
        figure.circle(middle, outline.width / 2 * scale, width, dash)
        return
    corners = []
    for across, along in ((1, 1), (1, -1), (-1, -1), (-1, 1)):
        p, q = across * outline.width / 2, along * outline.length / 2
        corners.append(_at(middle, math.hypot(p, q) * scale, math.atan2(p, q) + outline.azimuth - mark))
    figure.line(*corners, width=width, dash=dash, closed=True)


def _draw_stations(figure: Figure, middle: Place, outer: Outline, mark: float, scale: float, stations: int) -> None:
    for place in range(stations):
        turn = place * 2 * math.pi / stations
        edge = reach(outer, mark + turn) * scale
        figure.line(_at(middle, edge - 1.2, turn), _at(middle, edge + 1.2, turn), width=STRONG if place == 0 else FINE)
        x, y = _at(middle, edge + 3.6, turn)
        figure.word((x, y + HIGH / 2), clock(turn), "center", bold=place == 0)
    edge = reach(outer, mark) * scale
    figure.arrow(middle, _at(middle, edge - 1.4, 0.0), FINE, 3.0)


def _draw_slope(figure: Figure, middle: Place, facts: Facts, mark: float, scale: float) -> None:
    """An arrow uphill inside the frame."""
    slope, uphill = facts.value("slope_pct"), facts.value("uphill_deg")
    if not (math.isfinite(uphill) and slope >= LEAST_SLOPE):
        return
    turn = uphill - mark
    long = 0.62 * reach(facts.frame, uphill) * scale
    side = 2.2 if abs(math.sin(turn)) < 0.35 else 0.0  # beside the mark's arrow where they run together
    start = (middle[0] + side, middle[1])
    end = _at(start, long, turn)
    figure.line(start, end, width=FINE, dash=(1.2, 0.8))
    figure.arrow(_at(start, long - 0.1, turn), _at(start, long + 2.6, turn), FINE, 2.6)


def _draw_long_side(figure: Figure, middle: Place, outer: Outline, facts: Facts, mark: float, scale: float) -> None:
    """A filled triangle inside the flange's edge at the long side of a chimney whose height is known."""
    side = facts.value("long_side_deg")
    spread = facts.value("chimney_max_mm") - facts.value("chimney_min_mm")
    if not (math.isfinite(side) and spread > 0.0015):
        return
    turn, edge = side - mark, reach(outer, side) * scale
    tip, back, wide = _at(middle, edge - 0.4, turn), edge - 3.4, 1.7 / (edge - 3.4)
    places = (tip, _at(middle, back, turn - wide), _at(middle, back, turn + wide))
    figure.line(*places, width=0.0, closed=True, fill=0.0)
