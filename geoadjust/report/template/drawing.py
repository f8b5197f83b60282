"""Everything that stands on the template itself; places are those of `wrap`, not of a page."""

from __future__ import annotations

import math

from geoadjust.report.facts import Facts
from geoadjust.report.figures import strokes
from geoadjust.report.sheets.parts import shortened
from geoadjust.report.template.frame import is_measured
from geoadjust.report.template.pane import Pane
from geoadjust.report.template.wrap import EDGE, MM, TAB, Wrap
from geoadjust.report.words import clock, length, name_of

CUT = 1.6
"""Thickness of the cut line, all of it in the waste [mm]."""
STEP = 2.0
"""Between the places of the curve [mm]; a chord lies within STEP^2 swing / (8 R^2) of it, below 0.01 mm."""
HATCH = 7.0
BIG, MIDDLE, SMALL = 26.0, 15.0, 11.0
"""Sizes of words [points]."""
MOST_GAP = 200.0
"""From KEEP to the next KEEP [mm]; a page shows one."""
FARTHEST = 45.0
"""KEEP and WASTE stand no farther from the cut [mm]."""
LEAST_NUMBER = 14.0
"""Between stations that have a number [mm]."""
ROW = 6.0
"""Of a line of small words [mm]."""
LEAST_GAP = 62.0
"""Between stations that have all their words; closer ones have their number alone [mm]."""


def draw_template(pane: Pane, wrap: Wrap, facts: Facts) -> None:
    """What lies in the window."""
    with pane.clipped():
        _waste(pane, wrap)
        _lines(pane, wrap)
        for place in range(len(wrap.heights)):
            _gap(pane, wrap, facts, place)
        for place in range(len(wrap.heights) + 1):
            _station(pane, wrap, facts, place)
        _sides(pane, wrap, facts)
        _curve(pane, wrap)
        _ends(pane, wrap)


def curve(wrap: Wrap, first: float, last: float) -> list[tuple[float, float]]:
    """Places of the finished edge from one place along the template to another [mm]."""
    first, last = max(first, 0.0), min(last, wrap.start)
    count = max(math.ceil((last - first) / STEP), 1)
    along = [first + (last - first) * place / count for place in range(count + 1)]
    return [(u, wrap.cut(wrap.turn(u))) for u in along]


def _waste(pane: Pane, wrap: Wrap) -> None:
    """Hatching above the cut."""
    if pane.u0 >= wrap.start:
        return
    edge = curve(wrap, pane.u0, pane.u1)
    area = [*edge, (edge[-1][0], wrap.top), (edge[0][0], wrap.top)]
    for stroke in strokes(area, HATCH):
        pane.line(stroke, 0.18)


def _curve(pane: Pane, wrap: Wrap) -> None:
    """A thick line; its lower edge is the finished edge."""
    if pane.u0 >= wrap.start:
        return
    edge = curve(wrap, pane.u0 - STEP, pane.u1 + STEP)
    pane.line([*edge, *((u, v + CUT) for u, v in reversed(edge))], 0.0, closed=True, fill=0.0)


def _lines(pane: Pane, wrap: Wrap) -> None:
    """The foot or the datum, and the upper edge of the paper."""
    pane.line([(0, wrap.top), (wrap.start, wrap.top)], 0.18)
    pane.line([(0, wrap.low), (wrap.start, wrap.low)], 0.6)


def base_words(wrap: Wrap, units: str) -> str:
    """What the lower line of the template is."""
    if wrap.low == 0:
        return "FOOT LINE: lay it on the foot of the liner (the bearing end)"
    return f"DATUM LINE: {length(wrap.low / MM, units)} above the foot of the liner (the bearing end)"


def _full(wrap: Wrap) -> bool:
    return wrap.circumference / len(wrap.heights) >= LEAST_GAP


def _station(pane: Pane, wrap: Wrap, facts: Facts, place: int) -> None:
    """A line from the lower edge to the cut, with number, clock and height left of it; the mark stands at both ends."""
    count = len(wrap.heights)
    turn, last, height = 2 * math.pi * place / count, place == count, wrap.heights[place % count]
    u, step = wrap.at(turn), wrap.circumference / count
    if not pane.sees(u, LEAST_GAP) or place % max(math.ceil(LEAST_NUMBER / step), 1):
        return
    pane.line([(u, wrap.low), (u, height)], 0.4)
    base = wrap.low + 2.2 + (ROW if last else 0.0)
    number = str(place % count + 1)
    pane.word(u - 1.6, base, number, MIDDLE, bold=True, align="right")
    if last or not _full(wrap):
        return
    beside = u - 1.6 - pane.ink.width(number, MIDDLE, bold=True) - 1.6
    hour = "mark: " if place == 0 else f"at {clock(turn)}: " if place % 2 == 0 else ""
    pane.word(beside, base, f"{hour}{length(height / MM, facts.units)}", SMALL, align="right")


def _gap(pane: Pane, wrap: Wrap, facts: Facts, place: int) -> None:
    """KEEP with an arrow, WASTE, and whose template it is, between a station and the next one that has room."""
    count = len(wrap.heights)
    step = wrap.circumference / count
    every = max(math.ceil(LEAST_GAP / step), 1)
    if place % every or place + every > count:
        return
    parts = math.ceil(every * step / MOST_GAP)
    for part in range(parts):
        middle = wrap.at(2 * math.pi * (place + every * (part + 0.5) / parts) / count)
        height = min(wrap.cut(wrap.turn(middle + side)) for side in (-20.0, 0.0, 20.0))
        told = 0.0
        if _full(wrap) and height - wrap.low >= 2 * ROW + 11.0:
            told = _whose(pane, wrap, facts, place)
        base = max(wrap.low + told + (height - wrap.low - told) / 2 - 2.6, height - FARTHEST)
        _words(pane, wrap, middle, base, height)


def _words(pane: Pane, wrap: Wrap, middle: float, base: float, height: float) -> None:
    if not pane.sees(middle, 40.0):
        return
    pane.word(middle + 3, base, "KEEP", BIG, bold=True, align="center")
    _arrow(pane, middle - 15, base - 1.5, min(10.0, height - base - 1.0))
    if _waste_has_room(wrap, middle):
        edge = wrap.cut(wrap.turn(middle)) + CUT
        over = min((edge + wrap.top) / 2 - 3.3, edge + FARTHEST)
        pane.word(middle, over, "WASTE", BIG, bold=True, align="center")


def _whose(pane: Pane, wrap: Wrap, facts: Facts, place: int) -> float:
    """Id and street at the foot, and that it is a plan; the height of these lines."""
    step = wrap.circumference / len(wrap.heights)
    beside = 13.0 if place == len(wrap.heights) - 1 else 2.0  # the scale of the gap
    left = wrap.at(2 * math.pi * (place + 1) / len(wrap.heights)) + beside
    room = step - beside - 46.0
    if room >= 14.0:
        told = " | ".join(each for each in (name_of(facts), facts.text("street")) if each)
        pane.word(left, wrap.low + 2.2, shortened(pane.ink, told, room), SMALL)
    if is_measured(facts):
        return ROW + 1.0
    pane.word(left, wrap.low + 2.2 + ROW, "PLAN, NOT MEASURED", SMALL, bold=True)
    return 2 * ROW + 1.0


def _waste_has_room(wrap: Wrap, middle: float) -> bool:
    """The word WASTE stands clear of the words of the long and of the short side."""
    for turn, _, inside in _sides_of(wrap):
        away = abs((wrap.turn(middle) - turn + math.pi) % (2 * math.pi) - math.pi) / (2 * math.pi) * wrap.circumference
        if not inside and away < 55.0 and wrap.top - wrap.cut(turn) < 30.0:
            return False
    return True


def _sides_of(wrap: Wrap) -> list[tuple[float, str, bool]]:
    """Turn and name of the long and of the short side, and whether the words stand below the cut."""
    if wrap.swing < 0.5:
        return []
    deep = wrap.mean + wrap.swing - wrap.low > 48.0
    return [(wrap.long_turn, "LONG SIDE", deep), ((wrap.long_turn + math.pi) % (2 * math.pi), "SHORT SIDE", False)]


def _arrow(pane: Pane, u: float, v: float, size: float) -> None:
    """An arrow that points up the liner."""
    if size < 5.0:
        return
    pane.line([(u, v), (u, v + size - 3.5)], 1.2)
    pane.line([(u, v + size), (u - 2.2, v + size - 4.0), (u + 2.2, v + size - 4.0)], 0.0, closed=True, fill=0.0)


def _sides(pane: Pane, wrap: Wrap, facts: Facts) -> None:
    """Where the piece is highest and lowest."""
    for turn, name, inside in _sides_of(wrap):
        u, height = wrap.at(turn), wrap.cut(turn)
        base = height - 11.5 if inside else height + CUT + 2.5
        pane.word(u, base, f"{name} {length(height / MM, facts.units)}", 13, bold=True, align="center")
        if pane.sees(u, 4.0):
            pane.line([(u, height - 0.3), (u - 3.0, height - 6.0), (u + 3.0, height - 6.0)], 0.0, closed=True, fill=0.0)


def _ends(pane: Pane, wrap: Wrap) -> None:
    """Start line with its edge, end line with the tab and a scale for the gap."""
    for u, width in ((TAB, 0.8), (wrap.start, 0.8)):
        if pane.sees(u, 1.0):
            pane.line([(u, wrap.low), (u, wrap.top)], width)
    if pane.sees(wrap.start, EDGE):
        x, y = pane.place(wrap.start, (wrap.low + wrap.top) / 2)
        pane.ink.text(x + 5.5, y, "START: cut the paper here.", SMALL, align="center", turn=90, bold=True)
        if wrap.height > 66:
            pane.ink.text(x + 11.0, y, "Lay this edge on the END line.", SMALL, align="center", turn=90)
    if not pane.sees(TAB, TAB):
        return
    for mm in range(-10, 21):
        size = 4.5 if mm % 5 == 0 else 3.0
        pane.line([(TAB - mm, wrap.low), (TAB - mm, wrap.low + size)], 0.25)
    for mm in (0, 10, 20):
        pane.word(TAB - mm - 0.6, wrap.low + 5.2, str(mm), SMALL, align="right", ground=False)
    for place, line in enumerate(("END line, mark", "TAB: under START", "Scale: gap in mm")):
        pane.word(TAB - 1.6, wrap.top - 4.6 - 4.9 * place, line, SMALL, align="right", bold=place == 0)
