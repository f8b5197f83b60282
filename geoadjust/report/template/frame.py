"""What stands round the template on every page: what it is good for, whose it is, bars that are measured."""

from __future__ import annotations

from geoadjust.report.facts import Facts
from geoadjust.report.paper.ink import POINT, Ink
from geoadjust.report.sheets.parts import shortened
from geoadjust.report.template.wrap import Wrap, both
from geoadjust.report.words import name_of

MARGIN = 10.0
"""Of a page; printers leave up to 6 mm white."""
HEADER, FOOTER = 27.0, 27.0
BARS = (("100 mm", 100.0), ("4 in", 101.6))
THICK = 2.4
REPEAT = 600.0
"""The words of a long strip stand again [mm]."""
PLAN = "PLAN, NOT MEASURED: do not cut by this"
MEASURED = "MEASURED on the prepared bearing"
CHECK = ("Measure the bars before you cut.", "Print at 100 %, not scaled to fit.")


def is_measured(facts: Facts) -> bool:
    """Whether the cut comes from readings on the prepared bearing."""
    return facts.text("ready") == "cut"


def assumption(wrap: Wrap, units: str) -> str:
    """Where the circumference comes from."""
    if not wrap.assumed:
        return "Circumference as measured on the liner."
    more = "1/8 in" if units == "us" else "3 mm"
    return f"ASSUMED: measure the circumference with a tape; if it differs by more than {more} print again."


def draw_header(ink: Ink, x: float, y: float, width: float, facts: Facts, wrap: Wrap, page: str) -> None:
    """Three lines, HEADER high."""
    measured = is_measured(facts)
    ink.rect(x, y, width, 10.0, 0.6, fill=1.0 if measured else 0.0)
    grey = 0.0 if measured else 1.0
    for place in range(max(int(width // REPEAT), 1)):
        ink.text(x + 2.5 + place * REPEAT, y + 7.3, MEASURED if measured else PLAN, 18, bold=True, grey=grey)
    ink.text(x + width - 2.5, y + 7.3, page, 18, bold=True, align="right", grey=grey)
    told = f"{facts.text('liner')}, circumference {both(wrap.circumference)}"
    right = x + width - ink.width(shortened(ink, told, 0.5 * width))
    ink.text(right, y + 16.6, shortened(ink, told, 0.5 * width), 11)
    name = name_of(facts)
    while ink.width(name, 16, bold=True) > 0.3 * width:
        name = f"{name[:-2]}\u2026"
    ink.text(x, y + 16.6, name, 16, bold=True)
    left = x + ink.width(name, 16, bold=True) + 4
    ink.text(left, y + 16.6, shortened(ink, facts.text("street"), right - left - 4), 11)
    ink.text(x, y + 22.6, assumption(wrap, facts.units), 11, bold=wrap.assumed)


def draw_flat_bars(ink: Ink, x: float, y: float) -> None:
    """Bars along the page, 20 mm high with their words, 130 mm wide."""
    for place, (name, size) in enumerate(BARS):
        top = y + 5.6 * place
        ink.rect(x, top, size, THICK, 0.0, fill=0.0)
        ink.text(x + size + 2.5, top + THICK + 0.4, name, 11, bold=True)
    for place, line in enumerate(CHECK):
        ink.text(x, y + 15.6 + 5.0 * place, line, 11, bold=place == 0)


def draw_upright_bars(ink: Ink, x: float, bottom: float) -> None:
    """Bars up the page, 13 mm wide with their words."""
    for place, (name, size) in enumerate(BARS):
        left = x + 7.0 * place
        ink.rect(left, bottom - size, THICK, size, 0.0, fill=0.0)
        ink.text(
            left + THICK + 0.7 + 11 * 0.73 * POINT, bottom - size / 2, name, 11, bold=True, align="center", turn=90
        )
