"""A section of the chimney to scale, from 6 o'clock (left) to 12 o'clock (right); the opening is shortened."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from geoadjust.report.facts import Facts, Plane
from geoadjust.report.figures import FINE, HIGH, STRONG, THIN, Figure, Place, fit_scale
from geoadjust.report.figures_plan import mark_of
from geoadjust.report.words import length

WALL, PLATE, COVER = 0.11, 0.025, 0.04
"""Wall of a ring, flange and cover where no part tells them: they are drawn, not measured [m]."""
ROAD, GROUND = 0.12, 0.07
"""Road beyond the flange; cone below the bearing [m]."""
IRON, STONE = 0.72, 1.0
"""Greys of iron and of rings."""
OPENING = 0.11
"""How much of half the opening is drawn [m]."""
WORDS, LETTER = 28.0, 2.4
"""Room for "finished road"; width of a letter, about [mm]."""
COLUMN = 7.0
"""Room for the numbers of the parts [mm]."""


@dataclass(slots=True)
class _View:
    """From metres along the section and above the target rim to millimetres on the drawing."""

    figure: Figure
    scale: float
    middle: float
    top: float
    cut: float

    def at(self, t: float, z: float) -> Place:
        """`t` plus = towards 12 o'clock; `cut` metres on each side of the centre are left out."""
        x = math.copysign(max(abs(t) - self.cut, 0.0), t)
        return self.middle + 1000 / self.scale * x, self.top - 1000 / self.scale * z

    def shape(self, *corners: tuple[float, float], fill: float | None = None, width: float = FINE) -> list[Place]:
        """A filled polygon; its places."""
        places = [self.at(*corner) for corner in corners]
        self.figure.line(*places, width=width, closed=True, fill=fill)
        return places


def shown_parts(facts: Facts) -> list[Mapping[str, Any]]:
    """The parts of the stack that is ordered, bottom to top; none where the method builds none."""
    if facts.method == "rings":
        return [part for part in facts.stack_parts if part["policy"] == facts.text("stack_policy")]
    return list(facts.stack_parts) if facts.method == "liner" else []


def has_section(facts: Facts) -> bool:
    """Whether a chimney can be drawn: the casting and the finished rim are known, and a chimney stands under it."""
    known = (
        *(facts.flange.width, facts.frame.width, facts.model("structures_new_casting_height")),
        *(facts.target.east, mark_of(facts)),
    )
    return facts.stacked and all(math.isfinite(each) for each in known)


def draw_section(width: float, height: float, facts: Facts) -> Figure:
    """The section; where the chimney's height is not known it is drawn open, without a bearing."""
    mark = mark_of(facts)
    iron = facts.model("structures_new_casting_height") * _along(facts.target)
    chimney = facts.value("chimney_mm")
    known = math.isfinite(chimney) and chimney > 0
    if known and shown_parts(facts):
        chimney = sum(part["thickness_mm"] for part in shown_parts(facts)) / 1000
    outer, inner = max(_half(facts), facts.frame.width / 2), _inner(facts)
    cut = max(inner - OPENING, 0.0)
    wide, deep = 2 * (outer + ROAD - cut), iron + (chimney + GROUND if known else 0.16) + 0.03
    slope = facts.target.east * math.sin(mark) + facts.target.north * math.cos(mark)
    rise = abs(slope) * (outer + ROAD)
    scale = max(fit_scale(wide, width - COLUMN), fit_scale(deep + rise, height - HIGH - 2))
    view = _View(Figure(width, height), scale, (width - COLUMN) / 2, HIGH + 2 + 1000 * rise / scale, cut)
    view.figure.title = f"Section 1:{scale:g}, opening shortened"
    _draw_road(view, facts, mark, outer)
    if known:
        _draw_bearing(view, -iron - chimney, outer, inner)
        numbered = _draw_parts(view, facts, -iron - chimney, iron, slope)
        _number(view, numbered, outer)
        _dimension(view, -iron, -iron - chimney, length(facts.value("chimney_mm"), facts.units))
    else:
        _draw_open(view, iron, slope, outer, inner, "height not known" if math.isnan(chimney) else "bearing too high")
    _draw_casting(view, facts, iron, slope)
    _draw_ends(view, outer, slope)
    return view.figure


def _along(plane: Plane) -> float:
    return math.sqrt(1 + plane.east**2 + plane.north**2)


def _half(facts: Facts) -> float:
    """Half the flange along the section [m]."""
    flange = facts.flange
    return (flange.width if flange.round else flange.length) / 2


def _inner(facts: Facts) -> float:
    """Half the opening of the flange; taken as a usual wall where it is not known [m]."""
    inside = facts.model("structures_flange_inside_diameter") / 2
    return inside if math.isfinite(inside) and inside < _half(facts) else max(_half(facts) - WALL, 0.05)


def _draw_road(view: _View, facts: Facts, mark: float, outer: float) -> None:
    """The finished road on both sides of the frame."""
    road, rim = facts.road("finished"), facts.target.height
    edge = (facts.frame.width if facts.frame.round else facts.frame.length) / 2
    if not (math.isfinite(road.plane.height) and math.isfinite(rim)):
        return
    ends = []
    for sign in (-1.0, 1.0):
        line = []
        for far in (edge, outer + ROAD):
            e, n = sign * far * math.sin(mark), sign * far * math.cos(mark)
            fold = max(0.0, e * math.sin(road.azimuth) + n * math.cos(road.azimuth) - road.offset) if road.fold else 0.0
            z = road.plane.height + road.plane.east * e + road.plane.north * n + road.fold * fold - rim
            line.append(view.at(sign * far, z))
        view.figure.line(*line, width=STRONG)
        ends += line
    highest = min(y for x, y in ends if x < view.middle)
    right = view.at(-edge, 0.0)[0]
    view.figure.word((right - 1.0, highest - 1.2), "finished road" if right > WORDS else "road", "right")


def _draw_bearing(view: _View, level: float, outer: float, inner: float) -> None:
    for sign in (-1.0, 1.0):
        corners = [(sign * inner, level), (sign * outer, level), (sign * (outer + 0.02), level - GROUND)]
        places = view.shape(*corners, (sign * inner, level - GROUND), width=0.0)
        view.figure.hatch(places)
        view.figure.line(*places[:2], width=STRONG)
        view.figure.line(places[0], places[3])


def _draw_parts(view: _View, facts: Facts, level: float, iron: float, slope: float) -> list[tuple[int, float, float]]:
    """Both walls of every part; the number, and bottom and top at the right wall, of each."""
    numbered = []
    parts = shown_parts(facts)
    if not parts:
        outer, inner = _half(facts), _inner(facts)
        for sign in (-1.0, 1.0):
            corners = [(sign * inner, level), (sign * outer, level), (sign * outer, -iron + slope * sign * outer)]
            view.figure.hatch(view.shape(*corners, (sign * inner, -iron + slope * sign * inner)), 3.0)
        return []
    z, tilt = level, 0.0
    for part in parts:
        last = part is parts[-1]
        top = z + part["thickness_mm"] / 1000
        lean = slope if last or part["kind"] == "liner" else tilt
        if part["taper"]:
            lean = tilt + part["taper"] * math.cos(math.radians(part["turn_deg"] or 0.0))
        outer, inner = _walls(facts, part)
        for sign in (-1.0, 1.0):
            corners = [(sign * r, z + tilt * sign * r) for r in (inner, outer)]
            corners += [(sign * r, top + lean * sign * r) for r in (outer, inner)]
            joint = part["kind"] == "joint"
            places = view.shape(*corners, fill=0.0 if joint else STONE, width=THIN if joint else FINE)
            if part["kind"] == "old_stack":
                view.figure.hatch(places, 3.0)
        numbered.append((part["position"], z + tilt * outer, top + lean * outer))
        z, tilt = top, lean
    return numbered


def _walls(facts: Facts, part: Mapping[str, Any]) -> tuple[float, float]:
    """Outside and inside radius of a part [m]; the flange's where the part does not say."""
    outer, inner = _half(facts), _inner(facts)
    if part["kind"] == "ring":
        ring = facts.ring(part["part"])
        outer, inner = (ring.outside_diameter or 2 * outer) / 2, (ring.inside_diameter or 2 * inner) / 2
    elif part["kind"] == "liner":
        liner = facts.liner(part["part"])
        outer, inner = liner.outside_diameter / 2, liner.inside_diameter / 2
    return outer, inner


def _number(view: _View, numbered: list[tuple[int, float, float]], outer: float) -> None:
    """Numbers of the parts in a column at the right, with leaders; they keep a line's distance."""
    step = HIGH + 1.0
    wanted = [view.at(outer, (low + high) / 2)[1] for _, low, high in numbered]
    spots: list[float] = []
    for y in reversed(wanted):  # from the top down
        spots.append(max(y, spots[-1] + step) if spots else y)
    spare = spots[-1] - (view.figure.height - 1.0) if spots else 0.0
    shift = max(0.0, (spots[-1] + spots[0] - wanted[0] - wanted[-1]) / 2, spare) if spots else 0.0
    x = view.at(outer, 0.0)[0]
    for (number, _, _), y, spot in zip(numbered, wanted, reversed(spots), strict=True):
        place = (view.figure.width - COLUMN + 2.0, spot - shift)
        view.figure.line((x + 0.4, y), (place[0] - 0.6, place[1]), width=THIN)
        view.figure.word((place[0], place[1] + HIGH / 2), str(number))


def _dimension(view: _View, high: float, low: float, text: str) -> None:
    """The chimney's height at the centre."""
    top, bottom = view.at(0.0, high), view.at(0.0, low)
    middle = (top[1] + bottom[1]) / 2
    if bottom[1] - top[1] > 4:
        view.figure.arrow((top[0], middle), top, THIN, 1.6)
        view.figure.arrow((top[0], middle), bottom, THIN, 1.6)
    if bottom[1] - top[1] > 9 and LETTER * len(text) < 2000 * OPENING / view.scale:
        view.figure.word((top[0], middle + HIGH / 2), text, "center", ground=True)


def _draw_open(view: _View, iron: float, slope: float, outer: float, inner: float, why: str) -> None:
    """A chimney without a foot, and why it has none."""
    low = -iron - 0.11
    for sign in (-1.0, 1.0):
        corners = [(sign * inner, low), (sign * outer, low - 0.02 * sign)]
        places = [view.at(*each) for each in corners]
        tops = [view.at(sign * r, -iron + slope * sign * r) for r in (outer, inner)]
        view.figure.hatch([*places, *tops], 3.0)
        view.figure.line(places[1], tops[0])
        view.figure.line(tops[1], places[0])
        view.figure.line(*places, dash=(0.8, 0.8))
    x, y = view.at(0.0, low)
    view.figure.word((x, y + 2 + HIGH), why, "center", ground=True)


def _draw_casting(view: _View, facts: Facts, iron: float, slope: float) -> None:
    """Frame and cover."""
    outer, inner, frame = _half(facts), _inner(facts), facts.frame
    top = (frame.width if frame.round else frame.length) / 2
    neck = min(max(top - 0.05, inner), outer)
    for sign in (-1.0, 1.0):

        def corner(r: float, above: float, sign: float = sign) -> tuple[float, float]:
            return sign * r, -iron + above + slope * sign * r

        wall = [corner(inner, 0.0), corner(outer, 0.0), corner(outer, PLATE), corner(min(top, outer), PLATE * 2)]
        view.shape(*wall, corner(top, iron), corner(top - 0.04, iron), corner(neck - 0.03, PLATE), fill=IRON)
        lid = [corner(top - 0.04, iron), corner(view.cut, iron), corner(view.cut, iron - COVER)]
        view.shape(*lid, corner(top - 0.04, iron - COVER), fill=1.0)
    for shift in (-0.7, 0.7):
        (x, y), (_, low) = view.at(0.0, 0.012), view.at(0.0, -COVER - 0.012)
        view.figure.line((x + shift - 0.5, y), (x + shift + 0.5, low), width=THIN)


def _draw_ends(view: _View, outer: float, slope: float) -> None:
    """Which end is which on the clock."""
    for sign, text in ((-1.0, "6"), (1.0, "12")):
        far = sign * (outer + ROAD)
        x, y = view.at(far, min(slope * far, slope * far * 0.6))
        view.figure.word((x, y + 1.6 + HIGH), text, "left" if sign < 0 else "right", bold=True)
