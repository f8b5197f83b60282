"""The edge round the chimney, unrolled as it is seen from outside: clockwise stations follow each other to the left."""

from __future__ import annotations

import math
from collections.abc import Sequence

from geoadjust.report.facts import Facts
from geoadjust.report.figures import FINE, HIGH, STRONG, THIN, Figure, Place
from geoadjust.report.words import clock

STEPS = 96


def stored_ordinates(facts: Facts) -> list[float]:
    """Ordinates of all stations, clockwise from the mark [m]; empty where there are none."""
    if not facts.ordinates:
        return []
    return [facts.ordinate(f"h{place:02d}_mm") for place in range(1, int(facts.ordinates["k"]) + 1)]


def edge_height(facts: Facts, heights: Sequence[float], turn: float) -> float:
    """Height of the edge at a turn from the mark [m]: the plane of the stations on a circle, straight between else."""
    count = len(heights)
    if facts.flange.round:
        step = 2 * math.pi / count
        ahead = 2 / count * sum(h * math.cos(place * step) for place, h in enumerate(heights))
        right = 2 / count * sum(h * math.sin(place * step) for place, h in enumerate(heights))
        return sum(heights) / count + ahead * math.cos(turn) + right * math.sin(turn)
    place = turn / (2 * math.pi) * count
    low = int(place) % count
    return heights[low] + (place - int(place)) * (heights[(low + 1) % count] - heights[low])


def draw_unrolled(width: float, height: float, facts: Facts, *, stations: int = 4) -> Figure:
    """The curve with its stations; KEEP and WASTE where a piece is sawn. Heights are not to scale with lengths."""
    heights, lined = stored_ordinates(facts), facts.method == "liner"
    figure = Figure(width, height, "Edge, outside" if lined else "Top, outside")
    if facts.ordinates and facts.ordinates["basis"] == "change":
        figure.title = "Change, from outside"
    left, right, bottom, top = 3.0, width - 3.0, height - HIGH - 2.5, 7.0 if lined else 2.0
    rough = facts.value("rough_cut_mm") if lined else max(heights)
    low, high = min(heights), max(rough, max(heights))
    floor = bottom - (0.45 if lined else 0.3) * (bottom - top)
    unit = (floor - top) / max(high - low, 0.012)

    def at(turn: float, h: float) -> Place:
        return right - (right - left) * turn / (2 * math.pi), floor - unit * (h - low)

    turns = [2 * math.pi * place / STEPS for place in range(STEPS + 1)]
    curve = [at(turn, edge_height(facts, heights, turn)) for turn in turns]
    if lined:
        figure.hatch([*curve, at(2 * math.pi, high), at(0.0, high)], 2.6)
        figure.line(at(0.0, high), at(2 * math.pi, high), dash=(2.0, 1.2))
        figure.word((width / 2, at(0.0, high)[1] - 1.2), "WASTE (hatched)", "center", bold=True)
    figure.line((left, bottom), (right, bottom), width=STRONG)
    for place in range(stations + 1):
        turn = 2 * math.pi * place / stations
        x, y = at(turn, edge_height(facts, heights, turn))
        figure.line((x, bottom), (x, y), width=THIN, dash=(0.8, 0.8))
        side = "right" if place == 0 else "left" if place == stations else "center"
        shown = x + {"left": -2.0, "right": 2.0, "center": 0.0}[side]
        figure.word((shown, height - 0.6), clock(turn), side, bold=place in (0, stations))
    figure.line(*curve, width=STRONG if lined else FINE * 1.5)
    if lined:
        figure.word((width / 2, (floor + bottom) / 2 + HIGH / 2 + 0.5), "KEEP", "center", bold=True, ground=True)
    return figure
