"""Empty boxes for what a crew measures. Their names are the columns of the table that is read back."""

from __future__ import annotations

import math
from dataclasses import dataclass

from geoadjust.report.facts import Facts
from geoadjust.report.figures import TYPE
from geoadjust.report.figures_plan import mark_of
from geoadjust.report.paper.ink import POINT, Ink
from geoadjust.report.sheets.parts import LINE, Part, stacked
from geoadjust.report.words import clock

HIGH = 7.2
"""Height of a box to write in [mm]."""


@dataclass(frozen=True, slots=True)
class Box:
    """One thing to write down.

    Parameters
    ----------
    name : of the column
    words : on the sheet
    table : that has the column: `readings` of the prepared bearing, `structures` of the inventory, '' = none
    choices : words to tick
    share : of the sheet's width, against the others of its line
    """

    name: str
    words: str
    table: str = "readings"
    choices: tuple[str, ...] = ()
    share: float = 1.0


TURNS = tuple(place * math.pi / 4 for place in range(8))
READINGS = {turn: Box(f"reading_{clock(turn).replace(':', '_')}", f"at {clock(turn)}") for turn in TURNS}
"""Readings from the bar's underside down to the bearing; by the turn from the mark [rad]."""
REFERENCE = Box("reference", "The bar lay on the road", choices=("existing", "milled", "finished"))
TO_COME = Box("to_come", "Road still to come")
CASTING_HEIGHT = Box("casting_height", "Casting height")
FLANGE = Box("flange_outside_diameter", "Flange, outside")
CIRCUMFERENCE = Box("chimney_circumference", "Round the chimney", "")
"""For the template, which asks for it."""
BY = Box("by", "Tape", share=1.3)
TAKEN_AT = Box("taken_at", "Date, time", share=1.5)
NOTE = Box("note", "Note", share=1.6)
PROUD = Box("gap", "Cover over road: + PROUD, - LOW", "structures", share=2.0)
TRAVEL = Box("travel", "Can be drawn up", "structures")
CHIMNEY = Box("existing_chimney", "Chimney today", "structures")
SEAT = Box("seat_diameter", "Seat of the cover", "structures")
HEIGHT = Box("casting_height", "Casting height", "structures")
BOXES = (
    *READINGS.values(),
    *(REFERENCE, TO_COME, CASTING_HEIGHT, FLANGE, CIRCUMFERENCE, BY, TAKEN_AT, NOTE),
    *(PROUD, TRAVEL, CHIMNEY, SEAT, HEIGHT),
)
"""Every box that a sheet can have."""


def lines_of(facts: Facts, stations: int) -> list[tuple[str, list[Box]]]:
    """Lines of boxes for one structure, each with what stands before it."""
    last = ("", [BY, TAKEN_AT, NOTE])
    if facts.method in ("monument", "other_owner", "not_paved"):
        return [last]
    if facts.method in ("keep", "riser"):
        return [("", [PROUD, SEAT]), last]
    if not facts.stacked:
        more = {"valve": [TRAVEL], "inlet": [HEIGHT, CHIMNEY]}.get(facts.text("kind"), [HEIGHT])
        return [("", [PROUD, *more]), last]
    sizes = ("", [CASTING_HEIGHT, FLANGE, CIRCUMFERENCE, TO_COME])
    if facts.method == "unknown" or not math.isfinite(mark_of(facts)):
        return [("", [PROUD, HEIGHT, CHIMNEY]), last]
    readings = [READINGS[TURNS[place * 8 // stations]] for place in range(stations)]
    title = "Readings: from the bar's underside down to the prepared bearing, 12 = mark"
    return [(title, readings), ("", [REFERENCE]), sizes, last]


def draw_boxes(ink: Ink, facts: Facts, width: float, stations: int) -> Part:
    """All lines of boxes of a sheet."""
    return stacked([_line(ink, title, boxes, width) for title, boxes in lines_of(facts, stations)], 1.0)


def _line(ink: Ink, title: str, boxes: list[Box], width: float) -> Part:
    """One line of boxes; words that leave room to write stand inside them, others above."""
    ticked, total = bool(boxes[0].choices), sum(box.share for box in boxes)
    inside = all(ink.width(box.words, TYPE) < 0.4 * width * box.share / total for box in boxes)
    head, above = (LINE if title else 0.0), (0.0 if ticked or inside else LINE)

    def draw(x: float, y: float) -> None:
        ink.text(x, y + 0.92 * TYPE * POINT, title, TYPE, bold=True)
        y, left = y + head, x
        for place, box in enumerate(boxes):
            wide = width * box.share / total
            if ticked:
                _draw_choices(ink, box, left, y)
            else:
                last = place == len(boxes) - 1
                ink.rect(left, y + above, wide - (0.0 if last else 1.5), HIGH, 0.35)
                base = y + 0.92 * TYPE * POINT + (1.6 if inside else 0.0)
                ink.text(left + (1.5 if inside else 0.0), base, box.words, TYPE)
            left += wide

    return Part(head + above + (LINE + 0.5 if ticked else HIGH), draw)


def _draw_choices(ink: Ink, box: Box, x: float, y: float) -> None:
    base = y + 0.92 * TYPE * POINT + 0.5
    ink.text(x, base, f"{box.words} (tick one):", TYPE)
    x += ink.width(f"{box.words} (tick one):", TYPE) + 5
    for word in box.choices:
        ink.rect(x, base - 3.9, 4.2, 4.2, 0.4)
        ink.text(x + 6, base, word, TYPE, bold=True)
        x += ink.width(word, TYPE, bold=True) + 14
