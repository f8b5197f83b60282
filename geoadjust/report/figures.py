"""Drawings as simple marks in millimetres, from the upper left corner, y down: a page or a screen can draw them.

Words on a drawing have one size. Nothing is told by colour: greys, dashes and hatching alone.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

Place = tuple[float, float]

TYPE = 11.0
"""Size of words [points]."""
HIGH = 2.85
"""Height of a capital of that size [mm]."""
THIN, FINE, STRONG = 0.18, 0.3, 0.6
"""Widths of lines [mm]."""
DASH, DOTS = (2.0, 1.2), (0.5, 1.0)


@dataclass(frozen=True, slots=True)
class Line:
    """A line through places; filled where `fill` is a grey (0 black, 1 white)."""

    places: tuple[Place, ...]
    width: float = FINE
    dash: tuple[float, ...] = ()
    closed: bool = False
    fill: float | None = None
    grey: float = 0.0


@dataclass(frozen=True, slots=True)
class Circle:
    """A circle about a place."""

    place: Place
    radius: float
    width: float = FINE
    dash: tuple[float, ...] = ()
    fill: float | None = None


@dataclass(frozen=True, slots=True)
class Word:
    """Text; `place` is its baseline; on a white ground where `ground` is true."""

    place: Place
    text: str
    align: str = "left"
    bold: bool = False
    ground: bool = False


Mark = Line | Circle | Word


@dataclass(slots=True)
class Figure:
    """A drawing: its size [mm], and the marks in the order in which they are drawn. `title` stands above it."""

    width: float
    height: float
    title: str = ""
    marks: list[Mark] = field(default_factory=list)

    def line(
        self,
        *places: Place,
        width: float = FINE,
        dash: tuple[float, ...] = (),
        closed: bool = False,
        fill: float | None = None,
    ) -> None:
        """Add a line."""
        self.marks.append(Line(places, width, dash, closed, fill))

    def circle(
        self,
        place: Place,
        radius: float,
        width: float = FINE,
        dash: tuple[float, ...] = (),
        fill: float | None = None,
    ) -> None:
        """Add a circle."""
        self.marks.append(Circle(place, radius, width, dash, fill))

    def word(self, place: Place, text: str, align: str = "left", *, bold: bool = False, ground: bool = False) -> None:
        """Add text."""
        self.marks.append(Word(place, text, align, bold, ground))

    def arrow(self, start: Place, end: Place, width: float = FINE, head: float = 2.4) -> None:
        """Add a line with a filled head at its end."""
        turn = math.atan2(end[1] - start[1], end[0] - start[0])
        neck = (end[0] - head * math.cos(turn), end[1] - head * math.sin(turn))
        side = 0.36 * head
        wings = [
            (neck[0] - sign * side * math.sin(turn), neck[1] + sign * side * math.cos(turn)) for sign in (1.0, -1.0)
        ]
        self.line(start, neck, width=width)
        self.line(end, *wings, width=0.0, closed=True, fill=0.0)

    def north(self, place: Place, turn: float = 0.0, size: float = 9.0) -> None:
        """Add an arrow to north about a place; `turn` [rad] clockwise from the page's top."""
        e, n = math.sin(turn), -math.cos(turn)
        half = size / 2
        self.arrow((place[0] - half * e, place[1] - half * n), (place[0] + half * e, place[1] + half * n))
        reach = half + 1.6 + 0.5 * HIGH
        self.word((place[0] + reach * e, place[1] + reach * n + HIGH / 2), "N", "center", bold=True)

    def hatch(self, places: Sequence[Place], step: float = 2.2) -> None:
        """Add strokes at 45 degrees inside a polygon."""
        self.marks += [Line(stroke, THIN) for stroke in strokes(places, step)]


def strokes(places: Sequence[Place], step: float) -> Iterable[tuple[Place, Place]]:
    """Pieces of lines x - y = constant inside a polygon, a `step` [mm] apart; by the even-odd rule.

    Examples
    --------
    >>> list(strokes([(0.0, 0.0), (2.0, 0.0), (2.0, 2.0), (0.0, 2.0)], 2.0 / 2**0.5))
    [((0.0, 1.0), (1.0, 2.0)), ((1.0, 0.0), (2.0, 1.0))]
    """
    sums = [x - y for x, y in places]
    gap = step * math.sqrt(2)
    first = math.floor(min(sums) / gap)
    for count in range(first, math.ceil(max(sums) / gap) + 1):
        level = (count + 0.5) * gap
        cuts = []
        for place, after in zip(range(len(places)), [*range(1, len(places)), 0], strict=True):
            low, high = sums[place], sums[after]
            if (low <= level) == (high <= level):
                continue
            share = (level - low) / (high - low)
            (x0, y0), (x1, y1) = places[place], places[after]
            cuts.append((x0 + share * (x1 - x0), y0 + share * (y1 - y0)))
        cuts.sort()
        yield from zip(cuts[::2], cuts[1::2], strict=True)


def fit_scale(size: float, room: float) -> int:
    """The largest usual scale 1 : scale at which a size [m] finds room [mm].

    Examples
    --------
    >>> fit_scale(0.86, 60.0), fit_scale(100.0, 50.0)
    (15, 2000)
    """
    least = 1000.0 * size / room
    power = 1
    while True:
        for first in (1, 1.25, 1.5, 2, 2.5, 3, 4, 5, 6, 7.5):
            scale = first * power
            if scale >= least - 1e-9 and scale == int(scale):
                return int(scale)
        power *= 10
