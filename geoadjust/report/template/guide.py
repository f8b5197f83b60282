"""How the template is used, in steps; the heights of the stations; cautions."""

from __future__ import annotations

import math
from collections.abc import Sequence

from geoadjust.report.facts import Facts
from geoadjust.report.paper.ink import Ink
from geoadjust.report.sheets.cautions import CAUTIONS
from geoadjust.report.sheets.parts import GAP, LINE, Part, beside, paragraph, stacked
from geoadjust.report.template.drawing import base_words
from geoadjust.report.template.frame import is_measured
from geoadjust.report.template.wrap import MM, Wrap, both
from geoadjust.report.words import clock, length, name_of, readiness_of, wind

COLUMN = 112.0
SAW = {
    "square_to_wall": "Hold the saw square to the wall.",
    "in_plane": "Saw in one plane: the heights hold on the outside.",
}


def steps_of(facts: Facts, wrap: Wrap, tiles: int) -> list[str]:
    """What is done, one step after the other; `tiles` 0 = a strip of one piece."""
    more = "1/8 in" if facts.units == "us" else "3 mm"
    rough = facts.value("rough_cut_mm")
    taped = ["Tape the tiles: cut each along its left edge, lay it on the one before it, cross on cross."]
    base = base_words(wrap, facts.units).split(": ")
    lower = "the foot line on the foot of the liner"
    if wrap.low:
        lower = f"the lower line {base[1]}: measure it up from the foot in four places"
    found = [
        "Measure the check bars on each page. Wrong? Print again at 100\u00a0%.",
        f"Measure round the outside of the liner: {both(wrap.circumference)}. More than {more} off? Print again with "
        "--circumference.",
        *(taped if tiles > 1 else []),
        "Cut the paper at the START line, and along the LOWER edge of the thick line.",
        f"Wrap the KEEP part round the liner, print outside, arrows up, {lower}.",
        "Lay the START edge on the END line. The scale shows the gap.",
        "Draw along the paper. KEEP is below, WASTE above. The saw's kerf lies in the WASTE.",
        SAW.get(facts.rules.cut_style, ""),
        f"Copy the mark to the KEEP part, and set the piece with its mark to {_mark(facts)}.",
    ]
    if math.isfinite(rough):
        found.insert(3 + (tiles > 1), f"A rough cut, if any: {length(rough, facts.units)} above the foot or higher.")
    return [step for step in found if step]


def _mark(facts: Facts) -> str:
    mark = facts.ordinate("mark_deg")
    return f"azimuth {math.degrees(mark):.0f}\u00b0 ({wind(mark)})" if math.isfinite(mark) else "the mark"


def draw_steps(ink: Ink, facts: Facts, wrap: Wrap, tiles: int, width: float) -> Part:
    """The steps, numbered."""
    parts = []
    for number, step in enumerate(steps_of(facts, wrap, tiles), 1):
        parts.append(
            beside([(0.0, paragraph(ink, str(number), 7, bold=True)), (7.5, paragraph(ink, step, width - 7.5))])
        )
    return stacked(parts, 0.7)


def draw_heights(ink: Ink, facts: Facts, wrap: Wrap) -> Part:
    """Heights of the finished edge above the foot, two columns of stations, COLUMN wide."""
    heights = wrap.heights
    half = -(-len(heights) // 2)

    def draw(x: float, y: float) -> None:
        ink.text(x, y + 3.6, "Finished edge above the foot of the liner", 11, bold=True)
        for place, height in enumerate(heights):
            left = x + COLUMN / 2 * (place // half)
            base = y + 3.6 + LINE * (place % half + 1)
            hour = clock(2 * math.pi * place / len(heights))
            words = "mark" if place == 0 else f"at {hour}" if place * 8 % len(heights) == 0 else ""
            ink.text(left + 6, base, str(place + 1), 11, bold=True, align="right")
            ink.text(left + 9, base, words, 11)
            ink.text(left + 48, base, length(height / MM, facts.units), 11, align="right")

    return Part(LINE * (half + 1) + 1.0, draw)


def notes_of(facts: Facts, wrap: Wrap) -> list[str]:
    """What must be known besides."""
    found = [
        "Stations run clockwise seen from above: to the LEFT for who looks at the outside. When the piece is turned "
        "over to saw it, they run the other way: go by the arrows.",
    ]
    if not is_measured(facts):
        found.insert(
            0, f"{readiness_of(facts)[0]}: the plan of the office. Nobody cuts before the prepared bearing is measured."
        )
    off = abs(wrap.circumference - wrap.catalogue) / (2 * math.pi) * wrap.swing / (MM * facts.ordinate("radius_mm"))
    if off > 0.5:
        found.append(
            f"The circumference differs from the catalogue's {both(wrap.catalogue)}: the long side is up to "
            f"{off:.1f} mm off. Correct the catalogue and run the job again."
        )
    return found


def guide_parts(ink: Ink, facts: Facts, wrap: Wrap, tiles: int, width: float) -> Sequence[Part]:
    """The guide in parts that may stand on several pages."""
    left = width - COLUMN - 6
    notes = [paragraph(ink, note, COLUMN, bold=place == 0) for place, note in enumerate(notes_of(facts, wrap))]
    right = stacked([draw_heights(ink, facts, wrap), *notes], 2.0)
    return [
        beside([(0.0, draw_steps(ink, facts, wrap, tiles, left)), (left + 6, right)]),
        paragraph(ink, CAUTIONS, width),
        *(paragraph(ink, name, width) for name in _names(ink, facts, width)),
    ]


def _names(ink: Ink, facts: Facts, width: float) -> list[str]:
    """Id and street in full, where the head of a page may not have room for them."""
    told = [f"Id: {name_of(facts)}", f"Street: {facts.text('street') or 'none'}"]
    return told if any(ink.width(each) > 0.2 * width for each in told) else []


def pages_of(parts: Sequence[Part], room: float) -> list[list[Part]]:
    """Parts on pages of so much room [mm]."""
    pages: list[list[Part]] = [[]]
    used = 0.0
    for part in parts:
        if pages[-1] and used + part.height > room:
            pages.append([])
            used = 0.0
        pages[-1].append(part)
        used += part.height + GAP
    return pages
