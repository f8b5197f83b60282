"""Drawings of an output set by themselves: a street, a chimney."""

from __future__ import annotations

import math
from dataclasses import fields
from pathlib import Path

from geoadjust.errors import Fault, InputError
from geoadjust.io.results.read_back import read_structure
from geoadjust.io.results.whole import open_set
from geoadjust.report.facts import Facts
from geoadjust.report.figures import Figure
from geoadjust.report.figures_plan import draw_plan
from geoadjust.report.figures_section import draw_section, has_section
from geoadjust.report.figures_street import Stop, draw_street
from geoadjust.report.figures_unrolled import draw_unrolled, stored_ordinates
from geoadjust.report.svg import svg
from geoadjust.report.words import name_of as told
from geoadjust.run.choosing import asked_for, metres_of, name_of

WIDE, PART, TALL = 240.0, 76.0, 62.0
"""Width of a street, width and height of a drawing of a chimney [mm]."""
COLUMNS = ("structure_id", "street", "raise_mm", "east", "north")


def draw_structures_of(folder: Path, street: str | None) -> str:
    """The structures of one street, or of the whole set, as SVG.

    Raises
    ------
    InputError
        no output set, or its files have changed; no such street
    """
    with open_set(folder) as whole:
        columns = whole.columns(*COLUMNS)
        places = asked_for(whole, columns, [("street", "street", () if street is None else (street,))])
        if not places:
            raise InputError(Fault(str(folder), "the set has no structures"))
        east, north = metres_of(whole, columns)
        middle = next(((east[at], north[at]) for at in places if math.isfinite(east[at] + north[at])), (0.0, 0.0))
        stops = [
            Stop(
                float(east[at] - middle[0]),
                float(north[at] - middle[1]),
                name_of(whole, columns, at),
                math.nan if columns["raise_mm"][at] is None else columns["raise_mm"][at] / 1000,
            )
            for at in places
            if math.isfinite(east[at] + north[at])
        ]
        left_out = len(places) - len(stops)
        title = (street or "no street" if street is not None else "All streets") + ": planned raise"
        title += f"; {left_out} without a place" if left_out else ""
        return svg(draw_street(WIDE, stops, units=whole.units, title=title))


def draw_chimney(folder: Path, structure_id: str | None, *, row: int | None = None) -> str:
    """Section, plan and unrolled top of one structure as SVG, as far as the set knows them.

    Raises
    ------
    InputError
        no output set, or its files have changed; no such structure, or several of that id
    """
    found = read_structure(folder, structure_id, row=row)
    facts = Facts(**{item.name: getattr(found, item.name) for item in fields(Facts)})
    figures: list[Figure] = [draw_plan(PART, TALL, facts)]
    if has_section(facts):
        figures.insert(0, draw_section(PART, TALL, facts))
    if stored_ordinates(facts):
        figures.append(draw_unrolled(PART, TALL, facts))
    return svg(*figures, heading=told(facts))
