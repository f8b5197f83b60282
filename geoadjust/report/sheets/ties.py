"""Swing ties: distances to two permanent points. A set holds none, so there are lines to write them."""

from __future__ import annotations

from geoadjust.report.figures import TYPE
from geoadjust.report.paper.ink import POINT, Ink
from geoadjust.report.sheets.parts import LINE, Part


def draw_ties(ink: Ink, width: float) -> Part:
    """Two empty ties beside each other."""

    def draw(x: float, y: float) -> None:
        base = y + 0.6 + 0.92 * TYPE * POINT
        for number in (1, 2):
            left = x + (number - 1) * width / 2
            for words, wide in ((f"Tie {number}:", 27.0), ("from", 0.0)):
                ink.text(left, base, words, TYPE)
                start = left + ink.width(words, TYPE) + 1.5
                end = start + wide if wide else x + number * width / 2 - 4
                ink.line([(start, base + 0.6), (end, base + 0.6)], 0.35)
                left = end + 2

    return Part(LINE + 1.2, draw)
