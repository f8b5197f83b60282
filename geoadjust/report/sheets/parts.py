"""Pieces of a page that know their height before they are drawn."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from geoadjust.report.figures import TYPE, Circle, Figure, Line
from geoadjust.report.paper.ink import POINT, Ink

LEADING = 1.2
LINE = TYPE * LEADING * POINT
"""From one line of text to the next [mm]."""
GAP = 1.5
"""Between the parts of a page [mm]."""

Draw = Callable[[float, float], None]


@dataclass(frozen=True, slots=True)
class Part:
    """Something of a known height [mm]; `draw(x, y)` puts it below and right of a place."""

    height: float
    draw: Draw


def paragraph(ink: Ink, text: str, width: float, size: float = TYPE, *, bold: bool = False) -> Part:
    """Text in lines; nothing where it is empty."""
    lines = ink.wrap(text, width, size, bold=bold) if text else []
    step = size * LEADING * POINT

    def draw(x: float, y: float) -> None:
        for place, line in enumerate(lines):
            ink.text(x, y + place * step + 0.92 * size * POINT, line, size, bold=bold)

    return Part(len(lines) * step, draw)


def stacked(parts: Sequence[Part], gap: float = 0.0) -> Part:
    """Parts one below the other; those of no height take no gap."""
    there = [part for part in parts if part.height > 0]

    def draw(x: float, y: float) -> None:
        for part in there:
            part.draw(x, y)
            y += part.height + gap

    return Part(sum(part.height for part in there) + gap * max(len(there) - 1, 0), draw)


def beside(parts: Sequence[tuple[float, Part]]) -> Part:
    """Parts next to each other, each with its offset from the left [mm]."""

    def draw(x: float, y: float) -> None:
        for left, part in parts:
            part.draw(x + left, y)

    return Part(max((part.height for _, part in parts), default=0.0), draw)


def picture(ink: Ink, figure: Figure) -> Part:
    """A drawing below its title."""
    head = LINE + 0.5 if figure.title else 0.0

    def draw(x: float, y: float) -> None:
        if figure.title:
            ink.text(x, y + 0.92 * TYPE * POINT, figure.title, TYPE, bold=True)
        with ink.clip(x - 0.5, y + head - 0.5, figure.width + 1, figure.height + 1):
            _draw_marks(ink, figure, x, y + head)

    return Part(head + figure.height, draw)


def _draw_marks(ink: Ink, figure: Figure, x: float, y: float) -> None:
    for mark in figure.marks:
        if isinstance(mark, Line):
            places = [(x + right, y + down) for right, down in mark.places]
            ink.line(places, mark.width, grey=mark.grey, dash=mark.dash, closed=mark.closed, fill=mark.fill)
        elif isinstance(mark, Circle):
            ink.circle(x + mark.place[0], y + mark.place[1], mark.radius, mark.width, dash=mark.dash, fill=mark.fill)
        else:
            left, base = x + mark.place[0], y + mark.place[1]
            if mark.ground:
                wide = ink.width(mark.text, TYPE, bold=mark.bold) + 1.0
                start = left - 0.5 - {"left": 0.0, "center": wide / 2 - 0.5, "right": wide - 1.0}[mark.align]
                ink.rect(start, base - 3.3, wide, 4.3, 0.0, fill=1.0)
            ink.text(left, base, mark.text, TYPE, bold=mark.bold, align=mark.align)


def table(
    ink: Ink,
    title: str,
    heads: Sequence[str],
    rows: Sequence[Sequence[str]],
    widths: Sequence[float],
    *,
    rules: int = 0,
) -> Part:
    """A table with right-aligned figures: the first column stands left.

    Parameters
    ----------
    heads : of the columns; empty = none
    widths : of the columns [mm]
    rules : rows at the end that a line is drawn above: a sum
    """
    lines = 1 + bool(heads) + len(rows)

    def draw(x: float, y: float) -> None:
        ink.text(x, y + 0.92 * TYPE * POINT, title, TYPE, bold=True)
        base = y + LINE + 0.92 * TYPE * POINT
        for place, row in enumerate([*([heads] if heads else []), *rows]):
            head = bool(heads) and place == 0
            _row(ink, x, base, row, widths)
            if head or (rules and place == len(rows) + bool(heads) - rules - 1):
                ink.line([(x, base + 1.1), (x + sum(widths), base + 1.1)], 0.3 if head else 0.6)
            base += LINE

    return Part(lines * LINE, draw)


def _row(ink: Ink, x: float, base: float, row: Sequence[str], widths: Sequence[float]) -> None:
    right = x
    for place, (cell, width) in enumerate(zip(row, widths, strict=True)):
        right += width
        if place == 0:
            ink.text(x, base, cell, TYPE)
        else:
            ink.text(right, base, cell, TYPE, align="right")


def shortened(ink: Ink, text: str, width: float) -> str:
    """A text that fits into a width [mm]; its end is cut off, with an ellipsis, where it does not."""
    if ink.width(text, TYPE) <= width:
        return text
    low, high = 0, len(text)
    while low < high:
        middle = (low + high + 1) // 2
        if ink.width(text[:middle] + "\u2026", TYPE) <= width:
            low = middle
        else:
            high = middle - 1
    return text[:low] + "\u2026"
