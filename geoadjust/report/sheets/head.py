"""The head of a sheet: which structure, what to do, and what the figures are good for."""

from __future__ import annotations

from dataclasses import dataclass

from geoadjust.report.facts import Facts
from geoadjust.report.figures import TYPE
from geoadjust.report.paper.ink import POINT, Ink
from geoadjust.report.sheets.parts import LINE, Part, paragraph, stacked
from geoadjust.report.words import KINDS, framed, name_of, order_of, readiness_of

NAME, ORDER, READY = 20.0, 24.0, 13.0
"""Sizes of type [points]."""


@dataclass(frozen=True, slots=True)
class Visit:
    """Which sheet of how many."""

    number: int
    count: int

    @property
    def text(self) -> str:
        """As it stands on the sheet."""
        return f"{self.number} of {self.count}"


def draw_title(ink: Ink, facts: Facts, visit: Visit, width: float, *, more: str = "") -> Part:
    """Name, place and number of the sheet."""
    right = ink.width(visit.text, NAME, bold=True) + 6
    name = name_of(facts) + (f", {more}" if more else "")
    size = next((each for each in (NAME, 16.0, 13.0) if ink.width(name, each, bold=True) <= width - right), TYPE)
    title = paragraph(ink, name, width - right, size, bold=True)
    kind = KINDS.get(facts.text("kind"), facts.text("kind") or "structure")
    street = facts.text("street") or "no street"
    casting = f"casting {facts.text('casting')}" if facts.text("casting") else "casting not stated"
    place = paragraph(ink, f"{street}  |  {kind}  |  {casting}  |  row {facts.schedule['row']}", width)

    def draw(x: float, y: float) -> None:
        ink.text(x + width, y + 0.92 * NAME * POINT, visit.text, NAME, bold=True, align="right")
        top = max(title.height, NAME * 1.2 * POINT)
        title.draw(x, y + top - title.height)
        place.draw(x, y + top)
        ink.line([(x, y + top + place.height + 1.2), (x + width, y + top + place.height + 1.2)], 0.8)

    return Part(max(title.height, NAME * 1.2 * POINT) + place.height + 2.0, draw)


def draw_order(ink: Ink, facts: Facts, width: float) -> Part:
    """The order, what the figures are good for, and the rest of the order."""
    order = order_of(facts)
    main = paragraph(ink, order.main, width, ORDER, bold=True)
    return stacked([main, _ready(ink, facts, width), paragraph(ink, " ".join(order.more), width)], 1.2)


def _ready(ink: Ink, facts: Facts, width: float) -> Part:
    """What the figures are good for; in a frame where nothing may be ordered by them."""
    capitals, sentence = readiness_of(facts)
    inset = 2.5 if framed(facts) else 0.0
    left = ink.width(f"{capitals}:", READY, bold=True) + 2.5
    text = paragraph(ink, sentence, width - left - 2 * inset)
    high = max(text.height, LINE) + 2 * inset * 0.6

    def draw(x: float, y: float) -> None:
        if inset:
            ink.rect(x, y, width, high, 0.9)
        top = y + inset * 0.6
        ink.text(x + inset, top + 0.92 * TYPE * POINT, f"{capitals}:", READY, bold=True)
        text.draw(x + inset + left, top)

    return Part(high, draw)
