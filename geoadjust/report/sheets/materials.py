"""What is built and what is needed for it: the stack bottom to top, sizes, circumference."""

from __future__ import annotations

import math
from dataclasses import dataclass

from geoadjust.report.facts import Facts, Outline
from geoadjust.report.figures_plan import mark_of
from geoadjust.report.figures_section import shown_parts
from geoadjust.report.sheets.steps import shared, shown, steps
from geoadjust.report.words import clock, length, wind

NAMES = {"joint": "joint", "old_stack": "old stack"}
LEAST_SLOPE = 0.0005


@dataclass(frozen=True, slots=True)
class Stack:
    """Parts bottom to top: name, and thickness in whole steps, and what they add up to."""

    parts: tuple[tuple[str, int], ...]
    total: int
    needed: int | None


def stack_of(facts: Facts) -> Stack | None:
    """The stack that is ordered; None where there is none.

    Rings, liners and the old stack are rounded by themselves; the joints take what is left, so that the parts add up.
    """
    parts, units = shown_parts(facts), facts.units
    if not parts:
        return None
    sizes = [part["thickness_mm"] / 1000 for part in parts]
    total = steps(sum(sizes), units) or 0
    joints = [place for place, part in enumerate(parts) if part["kind"] == "joint"]
    found = {place: steps(size, units) or 0 for place, size in enumerate(sizes) if place not in joints}
    rest = total - sum(found.values())
    found |= dict(zip(joints, shared(rest, [sizes[place] for place in joints], units), strict=True))
    names = []
    for part in parts:
        name = part["part"] or NAMES.get(part["kind"], part["kind"])
        turn = part["turn_deg"]
        names.append(name if turn is None else f"{name}, thick {turn:g}\u00b0")
    needed = steps(facts.value("chimney_mm"), units)
    return Stack(tuple((name, found[place]) for place, name in enumerate(names)), total, needed)


def stack_rows(stack: Stack, units: str) -> list[tuple[str, ...]]:
    """Rows of the table: the parts, their total, what is needed."""
    rows: list[tuple[str, ...]] = [
        (f"{place} {name}", shown(count, units)) for place, (name, count) in enumerate(stack.parts, 1)
    ]
    rows.append(("total", shown(stack.total, units)))
    if stack.needed is not None:
        off = stack.total - stack.needed
        word = "as needed" if off == 0 else f"{shown(abs(off), units)} too {'tall' if off > 0 else 'low'}"
        rows.append(("that is", word))
    return rows


def liner_rows(facts: Facts) -> list[tuple[str, ...]]:
    """What a liner has to have before it is sawn; nothing for other stacks."""
    if facts.method != "liner":
        return []
    wrap = 2 * math.pi * facts.ordinate("wrap_mm")
    return [
        ("rough height", length(facts.value("rough_cut_mm"), facts.units)),
        ("round it, outside", length(wrap, facts.units)),
    ]


def size_words(outline: Outline, units: str) -> str:
    """A diameter, or width by length."""
    if outline.round:
        return length(outline.width, units)
    return f"{length(outline.width, units)} x {length(outline.length, units)}"


def sizes_line(facts: Facts) -> str:
    """What 12 o'clock is, the road's slope, and sizes of the casting that will stand."""
    said = []
    mark = facts.model("rims_mark")
    if facts.ordinates and not facts.flange.round:
        mark = mark_of(facts)
        said.append(f"12 o'clock = along the frame, toward {wind(mark)}.")
    elif math.isfinite(mark):
        what = "the street axis, toward" if facts.axis_known else "uphill of the finished road, toward"
        said.append(f"12 o'clock = mark: {what} {wind(mark)} ({math.degrees(mark) % 360:.0f}\u00b0).")
    slope, uphill = facts.value("slope_pct"), facts.value("uphill_deg")
    if math.isfinite(uphill) and slope >= LEAST_SLOPE and math.isfinite(mark):
        said.append(f"The cover slopes {100 * slope:.1f} %, uphill (dashed arrow) at {clock(uphill - mark)}.")
    if math.isfinite(facts.frame.width) and facts.stacked:
        assumed = "" if facts.yes("structures_size_known") else " (assumed: measure it)"
        iron = facts.model("structures_new_casting_height")
        height = length(iron, facts.units) if math.isfinite(iron) else "not known"
        said.append(
            f"Frame top {size_words(facts.frame, facts.units)}, "
            f"flange {size_words(facts.flange, facts.units)}{assumed}, casting height {height}."
        )
    return " ".join(said)


def materials_line(facts: Facts) -> str:
    """What is to be brought, and what else holds for the chimney."""
    said, units = [], facts.units
    low, high = facts.value("chimney_min_mm"), facts.value("chimney_max_mm")
    if facts.stacked and low > 0 and (steps(low, units) != steps(high, units)):
        side = facts.value("long_side_deg") - mark_of(facts)
        least, greatest = (shown(steps(each, units), units) for each in (low, high))
        said.append(f"Chimney: least {least}, greatest {greatest} (long side) at {clock(side)}.")
    if facts.method == "liner":
        said.append("Turned over to saw, the stations run the other way.")
    if any(part["turn_deg"] is not None for part in shown_parts(facts)):
        said.append("Thick sides in degrees clockwise from the mark.")
    if facts.text("other_stack"):
        said.append(f"If the old chimney is sound: {facts.text('other_stack')} on top of it.")
    if facts.yes("structures_recast"):
        said.append("A new casting takes the place of the old one.")
    return " ".join(said)
