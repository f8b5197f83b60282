"""The table of ordinates: figures that add up as they are printed."""

from __future__ import annotations

import math
from dataclasses import dataclass

from geoadjust.report.facts import Facts
from geoadjust.report.figures_unrolled import stored_ordinates
from geoadjust.report.sheets.steps import shown, steps
from geoadjust.report.words import clock


@dataclass(frozen=True, slots=True)
class Heights:
    """What is printed, in whole steps: ordinates of the centre and of each station, and what is added to all."""

    names: tuple[str, ...]
    ordinates: tuple[int, ...]
    base: int | None


def stations_of(facts: Facts) -> int:
    """Stations that are told: 8 for a liner, else 4."""
    return 8 if facts.method == "liner" else 4


def heights_of(facts: Facts) -> Heights | None:
    """The figures of the table; None where there are none.

    Where the ordinates are heights of the part alone, `base` is what joints and bed add; it is None where the ordinates
    are changes.
    """
    stored = stored_ordinates(facts)
    if not stored:
        return None
    count = stations_of(facts)
    picked = stored[:: len(stored) // count]
    turns = [place * 2 * math.pi / count for place in range(count)]
    centre = sum(stored) / len(stored)
    rounded = tuple(steps(each, facts.units) or 0 for each in (centre, *picked))
    total = facts.value("chimney_mm")
    base = steps(total, facts.units) if facts.ordinates["basis"] == "height" else None
    names = ("centre", *(f"{clock(turn)}{' mark' if turn == 0 else ''}" for turn in turns))
    first = 1 if facts.method == "liner" else 0  # nobody saws at the centre
    return Heights(names[first:], rounded[first:], None if base is None else base - rounded[0])


def rows_of(facts: Facts, heights: Heights) -> tuple[tuple[str, ...], list[tuple[str, ...]]]:
    """Heads and rows of the table."""
    units = facts.units
    if heights.base is None and len(set(heights.ordinates)) == 1:
        return (), [("all round", change(heights.ordinates[0], units))]
    if heights.base is None:
        return (), [(name, change(count, units)) for name, count in zip(heights.names, heights.ordinates, strict=True)]
    part = {"liner": "liner", "rings": "parts"}.get(facts.method, "part")
    rows: list[tuple[str, ...]] = [
        (name, shown(count, units), shown(heights.base, units), shown(count + heights.base, units))
        for name, count in zip(heights.names, heights.ordinates, strict=True)
    ]
    return ("at", part, "+ joints", "= chimney"), rows


def change(count: int, units: str) -> str:
    """A change in whole steps.

    Examples
    --------
    >>> change(6, "us"), change(-12, "metric"), change(0, "us")
    ('add 3/8 in', 'take 12 mm off', 'no change')
    """
    if count == 0:
        return "no change"
    return f"add {shown(count, units)}" if count > 0 else f"take {shown(-count, units)} off"
