"""One structure's sheet: its parts put on a page, and what does not fit on a page that goes on."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from geoadjust.report.facts import Facts
from geoadjust.report.figures_map import Neighbour, draw_map
from geoadjust.report.figures_plan import draw_plan
from geoadjust.report.figures_section import draw_section, has_section
from geoadjust.report.figures_unrolled import draw_unrolled, stored_ordinates
from geoadjust.report.paper.ink import Ink
from geoadjust.report.sheets.boxes import draw_boxes
from geoadjust.report.sheets.cautions import draw_cautions, draw_signature
from geoadjust.report.sheets.head import Visit, draw_order, draw_title
from geoadjust.report.sheets.materials import liner_rows, materials_line, sizes_line, stack_of, stack_rows
from geoadjust.report.sheets.ordinates import heights_of, rows_of, stations_of
from geoadjust.report.sheets.parts import GAP, LINE, Part, beside, paragraph, picture, stacked, table
from geoadjust.report.sheets.ties import draw_ties
from geoadjust.report.words import IDLE, reasons_of

SIDE, TOP, FOOT = 12.0, 8.0, 7.0
"""Margins [mm]."""
LOW, WISH, HIGH = 36.0, 48.0, 100.0
"""Heights of the drawings [mm]: the least; the least beside mere remarks; the most."""
ROUNDING = "Sums are of rounded figures."
STANDING = (*IDLE, "riser", "unknown")
"""Methods that leave the chimney as it stands, or say nothing of it."""
STACK = "Stack, bottom to top"
GOES_ON = "More reasons on the next page."
MORE = "More: geoadjust explain."


@dataclass(frozen=True, slots=True)
class Stop:
    """One structure on the crew's way: which sheet it is, what is known of it, who stands round it."""

    visit: Visit
    facts: Facts
    neighbours: Sequence[Neighbour]
    placed: bool


def draw_sheet(ink: Ink, stop: Stop) -> None:
    """Draw one structure's page, and pages that go on where not everything has room."""
    ink.new_page()
    width, bottom = ink.size[0] - 2 * SIDE, ink.size[1] - FOOT
    head = [draw_title(ink, stop.facts, stop.visit, width), draw_order(ink, stop.facts, width)]
    foot = stacked([draw_signature(ink, width), draw_cautions(ink, width)], GAP)
    body = _body(ink, stop, width)
    room = bottom - TOP - stacked([*head, foot], GAP).height - GAP
    body, later = _fitting(body, room - LOW - LINE - GAP)
    room -= stacked(body, GAP).height + GAP
    shown, left = _reasons(ink, stop.facts, width, room - LINE - 2 * GAP)
    tall = min(max(room - shown.height - LINE - 2 * GAP, LOW), HIGH)
    drawings = _drawings(ink, stop, width, tall)
    stacked([*head, drawings, *body, shown], GAP).draw(SIDE, TOP)
    foot.draw(SIDE, bottom - foot.height)
    if left or later:
        _go_on(ink, stop, later, left)


def _body(ink: Ink, stop: Stop, width: float) -> list[Part]:
    """Parts between drawings and reasons, the most needed first."""
    facts = stop.facts
    idle = facts.method in STANDING
    parts = [paragraph(ink, sizes_line(facts), width)]
    if not idle:
        figures = _figures(ink, facts, width)
        rounding = ROUNDING if figures.height and facts.ordinates["basis"] == "height" else ""
        parts += [figures, paragraph(ink, f"{materials_line(facts)} {rounding}".strip(), width)]
    return [*parts, draw_ties(ink, width), draw_boxes(ink, facts, width, stations_of(facts))]


def _fitting(parts: list[Part], room: float) -> tuple[list[Part], list[Part]]:
    """Parts that find room, and those that do not."""
    for count in range(len(parts), 0, -1):
        if stacked(parts[:count], GAP).height <= room:
            return parts[:count], parts[count:]
    return [], parts


def _drawings(ink: Ink, stop: Stop, width: float, tall: float) -> Part:
    """Map, plan and section beside each other."""
    facts, gap = stop.facts, 4.0
    section = has_section(facts) and facts.method not in STANDING
    axis = facts.value("axis_deg")
    shares = (0.29, 0.29, 0.42) if section else (1.0,) if facts.text("kind") == "monument" else (0.5, 0.5)
    wide = [share * (width - gap * (len(shares) - 1)) for share in shares]
    stations = 8 if facts.method == "liner" else 4
    figures = [
        draw_map(wide[0], tall, stop.neighbours, axis=axis, units=facts.units, placed=stop.placed),
    ]
    if len(wide) > 1:
        figures.append(draw_plan(wide[1], tall, facts, stations=stations))
    if section:
        figures.append(draw_section(wide[2], tall, facts))
    lefts = [sum(wide[:place]) + gap * place for place in range(len(wide))]
    return beside([(left, picture(ink, figure)) for left, figure in zip(lefts, figures, strict=True)])


def _figures(ink: Ink, facts: Facts, width: float) -> Part:
    """Ordinates, stack and the unrolled edge beside each other."""
    heights, stack = heights_of(facts), stack_of(facts)
    if heights is None or not _worked(facts):
        return Part(0.0, lambda x, y: None)
    heads, rows = rows_of(facts, heights)
    columns = (18.0, 20.5, 17.0, 24.0) if heads else (19.0, 35.0)
    title = "Heights of the chimney" if heads else "Chimney: change"
    blocks = [(sum(columns), table(ink, title, heads, rows, columns))]
    if stack is not None:
        lines, sums = stack_rows(stack, facts.units), 1 if stack.needed is None else 2
        sizes = liner_rows(facts)
        need = max(ink.width(name) + ink.width(text) for name, text in [*lines, *sizes]) + 3
        need = max(need, ink.width(STACK, bold=True))
        across = (need - 27.0, 27.0)
        blocks.append((need, table(ink, STACK, (), [*lines, *sizes], across, rules=sums + len(sizes))))
    tall = max(block.height for _, block in blocks)
    left, placed = 0.0, []
    for wide, block in blocks:
        placed.append((left, block))
        left += wide + 5.0
    if width - left >= 30.0 and _uneven(facts):
        figure = draw_unrolled(
            width - left, min(max(tall - LINE - 0.5, 26.0), 42.0), facts, stations=stations_of(facts) // 2
        )
        placed.append((left, picture(ink, figure)))
    return beside(placed)


def _worked(facts: Facts) -> bool:
    """Whether the chimney's heights are told: there is one, and it has room below the casting."""
    least = facts.value("chimney_min_mm")
    return (facts.stacked or facts.text("kind") == "inlet") and not least <= 0


def _uneven(facts: Facts) -> bool:
    """Whether the edge is worth a drawing: its heights differ by a millimetre."""
    stored = stored_ordinates(facts)
    return bool(stored) and max(stored) - min(stored) > 0.001 and all(math.isfinite(each) for each in stored)


def _reasons(ink: Ink, facts: Facts, width: float, room: float) -> tuple[Part, list[str]]:
    """Reasons as running text, as many as find room, and those that go on; mere remarks do not go on."""
    needed, remarks = reasons_of(facts)
    if not needed and not remarks:
        return Part(0.0, lambda x, y: None), []
    every = [*needed, *remarks]
    for count in range(len(every), -1, -1):
        end = "" if count == len(every) else MORE if count >= len(needed) else GOES_ON
        part = paragraph(ink, " ".join(each for each in ("Why:", *every[:count], end) if each), width)
        if part.height <= room - (LOW if count <= len(needed) else WISH):
            break
    return part, needed[count:]


def _go_on(ink: Ink, stop: Stop, parts: list[Part], reasons: list[str]) -> None:
    """Pages with what did not fit."""
    width, bottom = ink.size[0] - 2 * SIDE, ink.size[1] - FOOT
    rest = [*parts, *(paragraph(ink, reason, width) for reason in reasons)]
    y = math.inf
    for part in rest:
        if y + part.height > bottom:
            ink.new_page()
            title = draw_title(ink, stop.facts, stop.visit, width, more="continued")
            title.draw(SIDE, TOP)
            y = TOP + title.height + GAP
        part.draw(SIDE, y)
        y += part.height + GAP
